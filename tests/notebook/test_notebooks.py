"""The lessons in notebooks/ use what is public, as any reader could: nothing internal, no shell."""

from __future__ import annotations

import ast
import json
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path

import pytest

import simwrap

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
#: Packages beside simwrap itself whose ``__all__`` is meant for readers.
FACES = ("simwrap.fitting", "simwrap.plots", "simwrap.units")
SHELLS = {"subprocess", "os", "sys", "pty", "shlex"}


def cells(path: Path) -> Iterator[str]:
    for cell in json.loads(path.read_text(encoding="utf-8"))["cells"]:
        if cell["cell_type"] == "code":
            yield "".join(cell["source"])


def faults(code: str) -> Iterator[str]:
    """Yield what isn't public in a cell's lines."""
    if any(line.lstrip().startswith(("!", "%")) for line in code.splitlines()):
        yield "a shell's or a notebook's own command"
        return
    for node in ast.walk(ast.parse(code)):
        if isinstance(node, ast.Import):
            for name in (each.name for each in node.names):
                if name.partition(".")[0] in SHELLS or (name.startswith("simwrap.") and name not in FACES):
                    yield f"import {name}"
        elif isinstance(node, ast.ImportFrom):
            module = node.module or ""
            names = [each.name for each in node.names]
            if module in SHELLS or (module.startswith("simwrap") and module not in ("simwrap", *FACES)):
                yield f"from {module} import {', '.join(names)}"
            elif module.startswith("simwrap"):
                yield from (f"{module}.{name}" for name in names if name not in import_module(module).__all__)
        elif isinstance(node, ast.Attribute):
            if node.attr.startswith("_"):
                yield f".{node.attr}"
            if isinstance(node.value, ast.Name) and node.value.id == "simwrap":
                known = {*simwrap.__all__, *(face.partition(".")[2] for face in FACES), "__version__"}
                if node.attr not in known:
                    yield f"simwrap.{node.attr}"


def test_there_are_notebooks() -> None:
    assert len(NOTEBOOKS) >= 12


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_lesson_uses_public_names_only(path: Path) -> None:
    assert [fault for code in cells(path) for fault in faults(code)] == []


@pytest.mark.parametrize(
    "code",
    [
        "import subprocess",
        "from subprocess import run",
        "import simwrap.doors",
        "from simwrap.cathode_guard.guard import guard",
        "from simwrap.plots import nothing_such",
        "import simwrap\nsimwrap.doors.check",
        "found._without_signal",
        "!simwrap new amplifier.toml",
        "%run other.py",
    ],
)
def test_what_is_not_public_is_seen(code: str) -> None:
    assert list(faults(code))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_a_lesson_was_executed_whole(path: Path) -> None:
    """Its cells stand in the order in which they were run, and none ended in an error."""
    own = [cell for cell in json.loads(path.read_text(encoding="utf-8"))["cells"] if cell["cell_type"] == "code"]
    counts = [cell["execution_count"] for cell in own if cell["source"]]
    assert None not in counts
    assert counts == sorted(counts)
    assert not any(output["output_type"] == "error" for cell in own for output in cell["outputs"])
