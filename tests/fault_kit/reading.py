"""The fault finder at work on a folder of builds: what it names, against the truth.

An answer is right where a cause names the part that has the fault, or one that looks the same from every place. It is
first where that name is among those that can't be told apart in front, among three where it is in the first three.
An answer has a caveat where no single cause is said to explain the readings, where the first one's share is below
0.8, or where the verdict is "doubtful".
"""

from __future__ import annotations

import csv
import math
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Any

import simwrap
from fault_kit.folder import Truth, read_truth

_SURE = 0.8


@dataclass(frozen=True)
class Answer:
    """What the finder said of a build: where the truth stands among its causes (0: nowhere), and at what cost."""

    truth: Truth
    places: int
    rank: int
    together: int
    verdict: str
    caveat: bool
    size: float
    seconds: float
    first: str


def read_folder(design: Path, folder: Path, counts: Sequence[int]) -> list[Answer]:
    """Have every build of a folder read, with so many places each."""
    found = []
    truths = read_truth(folder)
    for count in counts:
        before = cpu_seconds()
        finder = simwrap.fault_finder(design)
        for truth in truths:
            report = finder.read(_first(folder / truth.file, count))
            now = cpu_seconds()
            found.append(_answer(truth, count, report, now - before))
            before = now
    return found


def _first(file: Path, count: int) -> list[dict[str, Any]]:
    """Return the first readings of a file as the finder takes them."""
    with file.open(newline="", encoding="utf-8") as source:
        rows = list(csv.DictReader(source))[:count]
    found = []
    for row in rows:
        signal = {"frequency": row["frequency"], "level": row["level"]} if row["frequency"] else {}
        found.append({"point": row["point"], "value": f"{row['value']} {row['unit']}"} | signal)
    return found


def _answer(truth: Truth, count: int, report: Any, seconds: float) -> Answer:
    causes = list(report.causes)
    named = [k for k, cause in enumerate(causes, 1) if any(names(fault.part, truth.names) for fault in cause.faults)]
    caveat = (not report.diagnosis.explained or report.verdict == "doubtful" or not causes
              or causes[0].share < _SURE)  # fmt: skip
    size = float("nan")
    if named and truth.size == truth.size:
        size = size_off(causes[named[0] - 1], truth)
    return Answer(truth, count, named[0] if named else 0, len(causes[0].faults) if causes else 0, report.verdict,
                  caveat, size, seconds, causes[0].names[0] if causes else "")  # fmt: skip


def names(part: str, truth: Iterable[str]) -> bool:
    """Return whether a cause's part is one of the truth's."""
    own = _plain(part)
    return any(own == _plain(name) for name in truth)


def _plain(part: str) -> str:
    words = part.casefold().strip().removesuffix(" resistor").removesuffix(" capacitor")
    return words.removesuffix("_resistor").removesuffix("_capacitor")


def size_off(cause: Any, truth: Truth) -> float:
    """Return how far an estimated size is off, as a share; NaN where the cause offers none."""
    for fault in cause.faults:
        given = float(getattr(fault, "size", math.nan))
        told = math.isfinite(given) and fault.kind not in ("open", "shorted")
        if told and names(fault.part, [truth.part]):
            # Of a part the truth is the share of its right value; of a leak, which has none, it is ohms.
            meant = float(fault.meant) if fault.unit and math.isfinite(fault.meant) else 1.0
            return abs(given / meant / truth.size - 1.0)
    return math.nan


def cpu_seconds() -> float:
    """Return the processor's seconds of this process and of all that it has started (Linux)."""
    parents: dict[int, int] = {}
    ticks: dict[int, int] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "stat").read_text().rpartition(")")[2].split()
            except OSError:
                continue
            parents[int(entry.name)] = int(words[1])
            ticks[int(entry.name)] = sum(map(int, words[11:15]))
    ours = {os.getpid()}
    while more := {child for child, parent in parents.items() if parent in ours} - ours:
        ours |= more
    return sum(ticks.get(each, 0) for each in ours) / os.sysconf("SC_CLK_TCK")


def table(answers: Sequence[Answer]) -> list[str]:
    """Return the lines of a table: one column for each number of places."""
    counts = list(dict.fromkeys(answer.places for answer in answers))
    columns = [_column([a for a in answers if a.places == count]) for count in counts]
    head = f"{'places':44}" + "".join(f"{count:>16}" for count in counts)
    rows = [f"{name:44}" + "".join(f"{column[name]:>16}" for column in columns) for name in columns[0]]
    return [head, *rows]


def _column(answers: Sequence[Answer]) -> dict[str, str]:
    faulty = [a for a in answers if a.truth.kind != "healthy"]
    healthy = [a for a in answers if a.truth.kind == "healthy"]
    noticed = [a for a in faulty if a.verdict != "healthy"]
    dangerous = [a for a in faulty if a.truth.dangers]
    sizes = [a.size for a in noticed if a.size == a.size]

    def share(part: Sequence[Any], whole: Sequence[Any]) -> str:
        return f"{len(part)}/{len(whole)} {100.0 * len(part) / len(whole):.0f} %" if whole else "none"

    return {
        "faults named first": share([a for a in faulty if a.rank == 1], faulty),
        "faults named among three": share([a for a in faulty if 1 <= a.rank <= 3], faulty),
        "of those noticed: first": share([a for a in noticed if a.rank == 1], noticed),
        "of those noticed: among three": share([a for a in noticed if 1 <= a.rank <= 3], noticed),
        "faults called healthy": share([a for a in faulty if a.verdict == "healthy"], faulty),
        "dangerous called healthy": share([a for a in dangerous if a.verdict == "healthy"], dangerous),
        "wrong first without caveat": share([a for a in noticed if a.rank != 1 and not a.caveat], faulty),
        "healthy not called healthy": share([a for a in healthy if a.verdict != "healthy"], healthy),
        "names that stand together first, median": f"{median([a.together for a in faulty]):.0f}",
        "estimated size off, median": f"{100.0 * median(sizes):.0f} % of {len(sizes)}" if sizes else "none offered",
        "CPU of the first answer": f"{answers[0].seconds:.1f} s",
        "CPU of a further answer, median": f"{median([a.seconds for a in answers[1:]] or [0.0]):.2f} s",
    }
