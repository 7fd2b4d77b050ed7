"""How the command line speaks: any output encoding, closed pipes, tables that fit the terminal, files."""

from __future__ import annotations

import codecs
import os
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from simwrap.errors import InputError, RangeError
from simwrap.report.text import text_table

#: Width of text that goes into a file or a pipe.
FILE_WIDTH = 100
#: What is written for a sign that an output's encoding lacks.
_PLAIN = {
    "Ω": "ohm", "µ": "u", "μ": "u", "°": " deg", "→": "->", "∞": "inf", "√": "sqrt ", "±": "+/-", "×": "x", "≤": "<=",
    "≥": ">=", "−": "-", "–": "-", "—": "-", "…": "...", "’": "'", "“": '"', "”": '"',
}  # fmt: skip
#: Name of the codecs error handler.
_HANDLER = "simwrap"


def plain(text: str) -> str:
    """Return text in ASCII: signs in words ("ohm"), letters without accents, "?" for what has no likeness."""
    found = []
    for sign in text:
        bare = unicodedata.normalize("NFKD", sign).encode("ascii", "ignore").decode("ascii")
        line = "-" if 0x2500 <= ord(sign) <= 0x257F else "?"
        found.append(sign if sign.isascii() else _PLAIN.get(sign) or bare or line)
    return "".join(found)


def _replaced(fault: UnicodeError) -> tuple[str, int]:
    if not isinstance(fault, UnicodeEncodeError):
        raise fault
    return plain(fault.object[fault.start : fault.end]), fault.end


def prepare() -> None:
    """Let standard output and error write signs that their encoding lacks in words, whatever it is.

    Where one of them is closed ("simwrap ... >&-") nothing takes its place, the engines' pipes least of all.
    """
    for descriptor in range(3):
        try:
            os.fstat(descriptor)
        except OSError:
            os.open(os.devnull, os.O_RDWR)  # the lowest that is free
    sys.stdout = sys.stdout or open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115  # for as long as the process
    sys.stderr = sys.stderr or sys.stdout
    codecs.register_error(_HANDLER, _replaced)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors=_HANDLER)


def quiet_pipe() -> None:
    """Let nothing more be written to a pipe that its reader has closed, not even when Python ends."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (BrokenPipeError, ValueError):
            try:
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
            except (OSError, ValueError):  # no file behind it
                continue


def width() -> int:
    """Return how many characters a line has: those of the terminal (or COLUMNS), or what suits a file."""
    return shutil.get_terminal_size((FILE_WIDTH, 24)).columns


def print_table(title: str, head: Sequence[str], rows: Sequence[Any]) -> None:
    """Print a table that fits, and an empty line after it; without columns its title is a sentence."""
    if not head:
        say(title)
    else:
        if title:
            say(title)
        print(text_table("", head, [[str(cell) for cell in row] for row in rows], width()), end="\n\n")


def say(text: str) -> None:
    """Print a sentence, folded."""
    print(textwrap.fill(text, width(), subsequent_indent="  ", break_long_words=False, break_on_hyphens=False))


def note(text: str) -> None:
    """Say something beside the result."""
    print(f"note: {text}", file=sys.stderr)


def write_figure(figure: Any, file: Path) -> None:
    """Write a picture.

    Raises
    ------
    RangeError, InputError
        For a kind of file that there is no picture of, and one that can't be written.
    """
    supported = figure.canvas.get_supported_filetypes()
    if file.suffix.lstrip(".").lower() not in supported:
        raise RangeError("--plot", file, "a file that ends in .png, .svg or .pdf")
    try:
        figure.savefig(file)
    except (OSError, ValueError) as fault:  # ValueError: a name with NUL
        raise InputError(f"--plot: {file} can't be written ({getattr(fault, 'strerror', None) or fault})") from None
    print(f"picture: {file}", file=sys.stderr)


def check_figure_name(file: Path | None) -> None:
    """Refuse the name of a picture before anything is simulated.

    Raises
    ------
    RangeError
    """
    if file is not None and file.suffix.lower() not in (".png", ".svg", ".pdf"):
        raise RangeError("--plot", file, "a file that ends in .png, .svg or .pdf")
