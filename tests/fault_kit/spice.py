"""Runs of ``ngspice -b``: a netlist, a control script, and the numbers that it prints."""

from __future__ import annotations

import re
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

_PRINTED = re.compile(r"^(q\d+) = (\S+)\s*$", re.MULTILINE)


class NoAnswerError(RuntimeError):
    """The simulator found no solution."""


def run(netlist: str, script: Sequence[str], *, seconds: float = 60.0, options: str = "") -> list[float]:
    """Run a netlist and return the values of ``q0``, ``q1`` and so on, which the script sets and prints.

    Raises
    ------
    NoAnswerError
        If it fails, or prints fewer of them than the script has.
    """
    wanted = [word for line in script for word in re.findall(r"^print (q\d+)$", line)]
    text = "\n".join(["* a build on the bench", netlist, f".options {options}" if options else "*", ".control",
                      *script, "quit", ".endc", ".end", ""])  # fmt: skip
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "build.cir"
        file.write_text(text)
        try:
            done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, timeout=seconds,
                                  cwd=folder)  # fmt: skip
        except subprocess.TimeoutExpired:
            raise NoAnswerError(f"nothing within {seconds} s") from None
    found = dict(_PRINTED.findall(done.stdout))
    if lost := [name for name in wanted if name not in found]:
        raise NoAnswerError(f"{len(lost)} of {len(wanted)} values: {(done.stdout + done.stderr)[-300:]}")
    return [float(found[name]) for name in wanted]


class Script:
    """A control script that grows, and asks for values one after the other."""

    def __init__(self) -> None:
        self.lines: list[str] = ["set numdgt=9"]
        self.count = 0

    def do(self, line: str) -> None:
        self.lines.append(line)

    def ask(self, expression: str) -> int:
        """Ask for a value of the run before; return its place in the answer."""
        self.lines += [f"let q{self.count} = {expression}", f"print q{self.count}"]
        self.count += 1
        return self.count - 1
