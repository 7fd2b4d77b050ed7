"""Schematics that are drawn in a process beside this one, which has other things to do meanwhile."""

from __future__ import annotations

import contextlib
import json
import os
import pickle
import subprocess
import sys
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor

from simwrap.drawing.items import Diagram
from simwrap.drawing.schematic import schematic

_PROGRAM = "import json, sys; sys.path[:] = json.loads(sys.argv[1]); import simwrap.drawing.beside as b; b.serve()"


def begun(diagrams: Sequence[Diagram]) -> Callable[[], list[str]]:
    """Begin to draw, and return what waits for the pictures, each as :func:`~simwrap.drawing.schematic.schematic`'s.

    Where no process can be started, or it comes to nothing, they are drawn here when they are asked for.
    """
    pictures: Future[list[str]] | None = None
    process = None
    if (os.cpu_count() or 1) > 1:
        with contextlib.suppress(OSError):
            process = subprocess.Popen(
                [sys.executable, "-I", "-c", _PROGRAM, json.dumps(sys.path)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            )  # fmt: skip
    if process is not None:
        own = process
        other = ThreadPoolExecutor(1)
        with contextlib.suppress(RuntimeError):  # no room for a thread
            pictures = other.submit(lambda: _of(own.communicate(pickle.dumps(list(diagrams)))[0]))
            other.shutdown(wait=False)

    def wait() -> list[str]:
        found = pictures.result() if pictures is not None else []
        return found if len(found) == len(diagrams) else [schematic(each) for each in diagrams]

    return wait


def _of(answer: bytes) -> list[str]:
    """Return the pictures in an answer, none where it isn't whole."""
    with contextlib.suppress(pickle.UnpicklingError, EOFError):
        return list(pickle.loads(answer))
    return []


def serve() -> None:
    """Draw what comes on standard input, and write the pictures to standard output: all that the other process does."""
    # It would be loaded for nothing: what is drawn here is SVG.
    sys.modules["matplotlib"] = None  # type: ignore[assignment]
    diagrams = pickle.load(sys.stdin.buffer)
    sys.stdout.buffer.write(pickle.dumps([schematic(each) for each in diagrams]))


__all__ = ["begun", "serve"]
