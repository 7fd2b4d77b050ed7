"""A folder of builds: one CSV of readings each, as ``simwrap readings`` takes them, and ``truth.csv``."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fault_kit.bench import Found, Place, measure, places, shown, suitable_level
from fault_kit.build import Build, Design, Fault
from fault_kit.dangers import dangers
from fault_kit.kinds import faults
from fault_kit.spice import NoAnswerError

HEALTHY = Fault("healthy", "", (), lambda build: None)
#: Columns of ``truth.csv``; several names or dangers are parted by "|".
COLUMNS = ("file", "kind", "part", "names", "size", "dangers", "sings")
#: One build in so many is healthy.
_HEALTHY_EVERY = 10
#: How likely a fault of the output stage comes first.
_OUTPUT_STAGE = 0.5


@dataclass(frozen=True)
class Truth:
    """What is the matter with the build of a file."""

    file: str
    kind: str
    part: str
    names: tuple[str, ...]
    size: float
    dangers: tuple[str, ...]
    sings: bool

    def row(self) -> list[str]:
        """Return its cells, as COLUMNS name them."""
        return [self.file, self.kind, self.part, "|".join(self.names), f"{self.size:.5g}", "|".join(self.dangers),
                "yes" if self.sings else ""]  # fmt: skip


def chosen(found: Sequence[Fault], most: int, chance: np.random.Generator, output: str = "") -> Iterator[Fault]:
    """Yield faults so that every kind comes once before any comes twice, and a healthy build between them.

    Among the first of each kind half are of the output stage, since most dangers lie there.
    """
    by_kind: dict[str, list[Fault]] = {}
    mixed = [found[k] for k in chance.permutation(len(found))]
    mixed.sort(key=lambda fault: fault.part.startswith(f"{output}.") and chance.uniform() < _OUTPUT_STAGE)
    for fault in mixed:
        by_kind.setdefault(fault.kind, []).append(fault)
    count = 0
    while count < most and any(by_kind.values()):
        for kind in [list(by_kind)[k] for k in chance.permutation(len(by_kind))]:
            if by_kind[kind] and count < most:
                count += 1
                yield by_kind[kind].pop() if count % _HEALTHY_EVERY else HEALTHY


class Kit:
    """All that builds of one design need.

    Parameters
    ----------
    path : Path
        A design with a [supply].
    seed : int
        Of faults, parts and meters.
    """

    def __init__(self, path: Path, seed: int) -> None:
        self.design = Design(path)
        self.chance = np.random.default_rng(seed)
        self.faults = faults(self.design, self.chance)
        self.places = places(self.design)
        self.output = str(self.design.table["main_output"]).partition(".")[0]
        self.level = suitable_level(self.design)
        nominal = Build(self.design.deck.copy(), self.design.supply.copy())
        self.healthy = measure(self.design, nominal, self.places, level=self.level)

    def build(self, fault: Fault, at: Sequence[Place] | None = None) -> tuple[Found, list[str]]:
        """Return what a build with a fault does, and what is dangerous about it.

        Raises
        ------
        NoAnswerError
        """
        build = self.design.draw(self.chance)
        fault.change(build)
        found = measure(self.design, build, at or self.places, level=self.level, unstable=fault.oscillates)
        return found, dangers(self.design, build, self.healthy, found)

    def write(self, folder: Path, builds: int, most: int) -> list[Truth]:
        """Write so many builds with the first so many places, and the truth; return it.

        A build for which the simulator finds no solution is left out: "truth.csv" has no row for it, and
        "unsolved.txt" its fault.
        """
        folder.mkdir(parents=True, exist_ok=True)
        truths, unsolved = [], []
        for count, fault in enumerate(chosen(self.faults, builds, self.chance, self.output)):
            try:
                found, words = self.build(fault, self.places[:most])
            except NoAnswerError as why:
                unsolved.append(f"{fault.kind} {fault.part}: {' '.join(str(why).split())[:150]}")
                continue
            file = f"{self.design.path.stem}_{count:03d}.csv"
            self._write_readings(folder / file, shown(found, self.chance))
            truths.append(Truth(file, fault.kind, fault.part, fault.names, fault.size, tuple(words), found.oscillates))
        with (folder / "truth.csv").open("w", newline="", encoding="utf-8") as out:
            csv.writer(out).writerows([COLUMNS, *(truth.row() for truth in truths)])
        (folder / "unsolved.txt").write_text("".join(f"{each}\n" for each in unsolved), encoding="utf-8")
        return truths

    def _write_readings(self, file: Path, readings: dict[Place, float]) -> None:
        rows = [(place.name, f"{value:.6g}", place.unit, f"{place.frequency:g} Hz" if place.frequency else "",
                 f"{self.level:g} V" if place.frequency else "") for place, value in readings.items()]  # fmt: skip
        with file.open("w", newline="", encoding="utf-8") as out:
            csv.writer(out).writerows([("point", "value", "unit", "frequency", "level"), *rows])


def read_truth(folder: Path) -> list[Truth]:
    """Return what ``truth.csv`` of a folder says."""
    with (folder / "truth.csv").open(newline="", encoding="utf-8") as file:
        return [
            Truth(row["file"], row["kind"], row["part"], tuple(filter(None, row["names"].split("|"))),
                  float(row["size"]), tuple(filter(None, row["dangers"].split("|"))), bool(row["sings"]))
            for row in csv.DictReader(file)
        ]  # fmt: skip
