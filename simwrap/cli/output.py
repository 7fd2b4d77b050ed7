"""How the command line speaks: any output encoding, closed pipes, full disks, tables that fit the terminal, files."""

from __future__ import annotations

import codecs
import os
import re
import shutil
import sys
import textwrap
import unicodedata
from collections.abc import Collection, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from simwrap import files
from simwrap.errors import RangeError, SystemLimitError
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


#: What steers a terminal, or turns the direction of writing: escapes, the other controls, marks and overrides.
_STEERING = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")


def tamed(text: str) -> str:
    """Return text that can't steer a terminal: what would is written as in JSON, such as \\u001b."""
    return _STEERING.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


class Door:
    """Standard output or error; nothing passes that steers a terminal, wherever a name or title came from.

    Attributes
    ----------
    terminal : text stream
        What is behind it, for a progress bar.
    """

    def __init__(self, terminal: Any, what: str) -> None:
        self.terminal, self._what = terminal, what

    def write(self, text: str) -> int:
        """Write text; a full disk behind standard output is an error of its own, behind standard error nothing."""
        tame = tamed(text)
        with self._told():
            self.terminal.write(tame)
        return len(text)

    def flush(self) -> None:
        """Write what is kept back."""
        with self._told():
            self.terminal.flush()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except BrokenPipeError:
            raise
        except OSError as fault:
            if self._what:
                raise SystemLimitError(f"{self._what} can't be written ({fault.strerror or fault})") from None

    def __getattr__(self, name: str) -> Any:
        return getattr(self.terminal, name)


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
    sys.stdout, sys.stderr = _door(sys.stdout, "standard output"), _door(sys.stderr, "")


def _door(stream: Any, what: str) -> Any:
    return stream if isinstance(stream, Door) else Door(stream, what)


def close() -> None:
    """Let nothing more be written to a closed pipe or a full disk, not even when Python ends."""
    for door in (sys.stdout, sys.stderr):
        stream = getattr(door, "terminal", door)
        try:
            stream.flush()
        except (OSError, ValueError):
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
    print(f"note: {tamed(text)}", file=sys.stderr)  # a progress bar may have put itself before the door


#: Endings of pictures and of Datasets, as they are shown where another one is given.
PICTURES, DATASETS = {".png", ".svg", ".pdf"}, {".nc", ".csv"}


def check_file(option: str, file: Path | None, endings: Collection[str] = (), *, force: bool) -> None:
    """Refuse the name of a file that can't be written, before anything is simulated.

    Parameters
    ----------
    option : str
        By which it was given.
    file : path, optional
    endings : collection of str
        What it may end in; none for anything.
    force : bool
        Whether a file that is there may be written over.

    Raises
    ------
    RangeError, InputError, SystemLimitError
    """
    if file is None:
        return
    if endings and file.suffix.lower() not in endings:
        raise RangeError(option, file, f"a name that ends in {' or '.join(sorted(endings))}")
    files.check_free(file, replace=force)


def write_text(file: Path, text: str, *, force: bool, then: str = "") -> None:
    """Write a text file, and say so, and what to do ``then``."""
    files.write_text(file, text, replace=force)
    print(f"written: {file}{then}", file=sys.stderr)


def write_figure(figure: Any, file: Path, *, force: bool) -> None:
    """Write a picture, and say so."""
    with files.whole_file(file, replace=force) as partial:
        figure.savefig(partial, format=file.suffix.lstrip(".").lower())
    print(f"picture: {file}", file=sys.stderr)
