"""What pages of documentation hold to be run, and how it is run: by the tests, and to make the site's pictures.

A page (Markdown) is run from top to bottom in a folder of its own::

    ```python ...```            runs; all of a page share their names
    ```sh ...```                lines that start with ``simwrap`` run through the command line's own entry
    ```{code-block} toml        with ``:caption: room.toml``: a file that the page asks its reader to write
    ```console ...```           isn't run: what installs, or starts servers
    ```{printed}```             stands for what the block before it printed

So a picture that a page's code saves is a picture that the page can show, and neither can drift from the code.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import shlex
import subprocess
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

#: Commands that may end with 1 as well: what is chosen may not meet all goals.
VERDICTS = {"choose"}
#: What a run leaves beside the files of its page: what each block printed, or the fault that ended it.
RECORD = "printed.json"

_BLOCK = re.compile(r"^```(?:\{code-block\} *)?(\w+)\n((?::\w+:[^\n]*\n)*)(.*?)^```$", re.MULTILINE | re.DOTALL)
_CAPTION = re.compile(r"^:caption: *(.+)$", re.MULTILINE)
_VARIABLE = re.compile(r"SIMWRAP_\w+=")


def runs(page: Path) -> bool:
    """Whether a page has something to run; pages for developers hold pieces, which a test of their own runs."""
    told = {block.language for block in blocks(page.read_text(encoding="utf-8"))}
    return page.parent.name != "developers" and bool({"python", "sh"} & told)


class Block(NamedTuple):
    """A fenced block: its language, its text, the file that it is ("" for none), and where it ends on the page."""

    language: str
    code: str
    file: str
    end: int


def blocks(page: str, language: str = "") -> list[Block]:
    """Return the fenced blocks of a page, all or those of one language."""
    found = []
    for match in _BLOCK.finditer(page):
        caption = _CAPTION.search(match[2])
        found.append(Block(match[1], match[3].lstrip("\n"), caption[1].strip() if caption else "", match.end()))
    return [block for block in found if language in ("", block.language)]


def run_command(line: str) -> None:
    """Run one line of a shell, in this process and the current folder.

    Raises
    ------
    RuntimeError
        For another exit code than 0, or than a comment on the line says ("# exit code 1"), with what was told.
    ValueError
        For a line that isn't ``simwrap`` or ``mkdir``.
    """
    from simwrap.cli import main

    words = shlex.split(line, comments=True)
    if words[:1] == ["mkdir"]:
        for folder in words[1:]:
            if folder != "-p":
                Path(folder).mkdir(parents=True, exist_ok=True)
        return
    settings: dict[str, str] = {}
    while words and _VARIABLE.match(words[0]):
        name, _, value = words.pop(0).partition("=")
        settings[name] = value
    if words[:1] != ["simwrap"]:
        raise ValueError(f"{line!r} isn't a command that a page may run; what installs is a block of `console`")
    told = io.StringIO()
    kept = {name: os.environ.get(name) for name in settings}
    os.environ |= settings
    try:
        # The command line puts its own way to show warnings there.
        with warnings.catch_warnings(), contextlib.redirect_stderr(told):
            main(words[1:])
        code: object = 0
    except SystemExit as ended:
        code = ended.code or 0
    finally:
        for name, before in kept.items():
            if before is None:
                del os.environ[name]
            else:
                os.environ[name] = before
    expected = re.search(r"# exit code (\d)$", line)
    if code != int(expected[1] if expected else 0) and not (code == 1 and words[1] in VERDICTS):
        raise RuntimeError(f"{line!r} ended with {code}: {told.getvalue()}")


def commands(block: Block) -> Iterator[str]:
    """Yield the lines of a block of shell; one that ends in a backslash goes on in the next."""
    for line in re.sub(r"\\\n\s*", "", block.code).splitlines():
        if line.strip() and not line.lstrip().startswith("#"):
            yield line


def run_page(page: str, name: str = "page") -> dict[str, str]:
    """Run all that a page holds in the current folder.

    Returns
    -------
    dict
        What each block printed, by where it ends on the page; "fault" where a block ended in one, with its reason.
    """
    import traceback

    os.environ["MPLBACKEND"] = "Agg"
    names: dict[str, object] = {"__name__": "__main__"}
    printed: dict[str, str] = {}
    for block in blocks(page):
        out = io.StringIO()
        try:
            with contextlib.redirect_stdout(out):
                if block.file:
                    Path(block.file).parent.mkdir(parents=True, exist_ok=True)
                    Path(block.file).write_text(block.code, encoding="utf-8")
                if block.language == "python" and not block.file.endswith(".py"):
                    exec(compile(block.code, name, "exec"), names)
                elif block.language == "sh":
                    for line in commands(block):
                        run_command(line)
        except Exception:  # whatever it is, the page is at fault and says where
            printed["fault"] = f"{name}: {block.code}\n{traceback.format_exc()}"
            break
        printed[str(block.end)] = out.getvalue()
    return printed


def run_apart(page: Path, folder: Path) -> dict[str, str]:
    """Run a page in a process and a folder of its own; returns what :func:`run_page` does."""
    folder.mkdir(parents=True, exist_ok=True)
    # What stages, valves and engine the reader has set is no business of the page.
    known = {name: value for name, value in os.environ.items() if not name.startswith("SIMWRAP_")}
    ended = subprocess.run(
        [sys.executable, __file__, str(page.resolve()), RECORD],
        cwd=folder,
        env=known | {"MPLBACKEND": "Agg", "COLUMNS": "100"},
        capture_output=True,
        text=True,
        check=False,
    )
    record = folder / RECORD
    if ended.returncode or not record.exists():
        return {"fault": f"{page}: {ended.stderr}"}
    return dict(json.loads(record.read_text(encoding="utf-8")))


if __name__ == "__main__":
    source, record = map(Path, sys.argv[1:])
    told = run_page(source.read_text(encoding="utf-8"), source.name)
    record.write_text(json.dumps(told), encoding="utf-8")
