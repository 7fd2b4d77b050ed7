"""Readings from the bench against what a healthy build shows, and what may be the matter where they don't agree."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from simwrap.amplifier.test_points import TestPoint, quiescent_points
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.errors import FileProblemsError, InputError, UnknownNameError
from simwrap.fault_finding.diagnosis import Cause, Diagnosis, Dictionary, Place, fault_dictionary
from simwrap.fault_finding.readings_file import Reading, read_readings
from simwrap.faults.bed import Varied
from simwrap.faults.rails import Supplied, supplied
from simwrap.registry import find
from simwrap.units import quantity
from simwrap.units.quantity import render

#: Beyond its window by up to this share of the window's half width, a reading is doubtful.
_DOUBTFUL = 0.5
#: Frequencies at which a signal may tell causes apart, where none was read [Hz].
SUGGESTED = (50.0, 1e3, 15e3)


@dataclass(frozen=True)
class Judged:
    """A reading and its window.

    Attributes
    ----------
    point : str
    unit : str
    value, low, high, expected : float
        [V or A]; of a signal [V r.m.s.].
    distance : float
        From the middle of the window, in half widths of it: up to 1 is inside.
    """

    point: str
    unit: str
    value: float
    low: float
    high: float
    expected: float

    @property
    def distance(self) -> float:
        """From the middle of the window, in half widths of it."""
        half = 0.5 * (self.high - self.low)
        return abs(self.value - 0.5 * (self.high + self.low)) / half if half > 0.0 else np.inf

    @property
    def verdict(self) -> str:
        """Return "inside", "doubtful" or "outside"."""
        return "inside" if self.distance <= 1.0 else "doubtful" if self.distance <= 1.0 + _DOUBTFUL else "outside"


@dataclass(frozen=True)
class Report:
    """What was read, and what it says.

    Attributes
    ----------
    title : str
    readings : tuple of Judged
    diagnosis : Diagnosis
    lost : tuple of str
        Faults that couldn't be simulated.
    """

    title: str
    readings: tuple[Judged, ...]
    diagnosis: Diagnosis
    lost: tuple[str, ...]

    @property
    def clean(self) -> bool:
        """Whether everything looks as in a healthy build."""
        return self.diagnosis.healthy and all(judged.verdict != "outside" for judged in self.readings)

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "design": self.title,
            "readings": [
                {"point": r.point, "unit": r.unit, "value": r.value, "low": r.low, "high": r.high,
                 "expected": r.expected, "distance": r.distance, "verdict": r.verdict}
                for r in self.readings
            ],
            "healthy": self.diagnosis.healthy,
            "explained": self.diagnosis.explained,
            "causes": [
                {"faults": [fault.name for fault in cause.faults], "share": cause.share, "distance": cause.distance}
                for cause in self.diagnosis.causes
            ],
            "tell_apart": [{"point": name, "first": one, "second": other}
                           for name, one, other in self.diagnosis.tell_apart],
            "not_simulated": list(self.lost),
        }  # fmt: skip


def signal_places(circuit: Circuit, frequencies: Sequence[float], level: float = 1.0) -> list[Place]:
    """Return the outputs of all stages as places of a signal."""
    found = []
    for name, port in circuit.placed_ports.items():
        is_stage = circuit.stages[port.stage].template.header.role == "stage"
        dropper = not any(p.kind in ("source",) for p in circuit.stages[port.stage].template.header.ports.values())
        if port.port.kind == "load" and is_stage and not dropper and circuit.stages[port.stage].name != "dropper":
            found += [Place(f"{name} at {render(f, 'Hz')}", "V", (port.node, "0"), f, level) for f in frequencies]
    return found


def resting_places(source: Supplied, *, engine: str = "auto", points: Sequence[TestPoint] = ()) -> list[Place]:
    """Return the test points at rest as places."""
    found = []
    for point in points or quiescent_points(source.circuit, rail=source.ports, engine=engine):
        nodes = point.nodes
        if point.unit == "A":
            valve = point.figure.removeprefix("bias.valves.").rpartition(".")[0]
            nodes = tuple(source.circuit.valves[valve].currents.values())
        loaded = point.shown / point.expected if abs(point.expected) > 1e-6 else 1.0
        window = {"low": point.low, "high": point.high, "expected": point.shown}
        found.append(Place(point.name, point.unit, nodes, loaded=loaded, **window))
    return found


def other_names(points: Sequence[TestPoint]) -> dict[str, str]:
    """Return the name of each test point by any of its names."""
    return {name: point.name for point in points for name in (point.name, *point.also)}


def assigned(
    path: Path, given: Sequence[Reading], rest: Sequence[Place], signals: Sequence[Place], names: Mapping[str, str]
) -> tuple[list[Place], dict[str, float]]:
    """Return the places of signals that were read, and every reading by the name of its place.

    Raises
    ------
    FileProblemsError
        With every reading that can't be meant.
    """
    by_name = {place.name: place for place in rest}
    outputs = {place.name.partition(" at ")[0]: place for place in signals}
    problems, values, added = [], {}, []
    unknown = 0
    for reading in given:
        try:
            if reading.frequency is None:
                place = by_name[names[find("test point", reading.point, {name: name for name in names}, "")]]
            else:
                if reading.level is None:
                    raise InputError(f"{reading.point}: a signal needs the level of its source, the column level")
                port = find("output", reading.point, {name: name for name in outputs}, "")
                name = f"{port} at {render(reading.frequency, 'Hz')}"
                place = replace(outputs[port], name=name, frequency=reading.frequency, level=reading.level)
                added.append(place)
            value = quantity.parse(reading.text, place.unit, parameter=reading.point)
            if place.name in values:
                raise InputError(f"{reading.point} is the same place as {place.name}, which was read already")
            values[place.name] = value
        except UnknownNameError as fault:
            unknown += 1
            problems.append(f"line {reading.line}: {fault}")
        except InputError as fault:
            problems.append(f"line {reading.line}: {fault}")
    if unknown and unknown > len(given) / 2:
        problems.insert(0, f"{unknown} of {len(given)} points aren't this design's: are these another one's readings?")
    if problems:
        raise FileProblemsError(path, problems)
    return added, values


def read(
    design: Design,
    path: str | Path,
    *,
    varied: Varied | None = None,
    engine: str = "auto",
    progress: Callable[[str], None] | None = None,
) -> Report:
    """Judge the readings of a file.

    Parameters
    ----------
    design : Design
    path : path
        CSV, see :func:`simwrap.fault_finding.readings_file.read_readings`.
    varied : Varied, optional
        What differs from build to build.
    engine : str
    progress : callable, optional
        Told what is being done.

    Raises
    ------
    FileProblemsError
        For a file that can't be read, or readings that can't be this design's.
    EngineError
        If the design can't be simulated.
    """
    tell = progress or (lambda words: None)
    path = Path(path)
    given = read_readings(path)
    tell("test points and their windows")
    source = supplied(design, engine=engine)
    points = quiescent_points(source.circuit, rail=source.ports, engine=engine)
    rest = resting_places(source, points=points)
    signals = signal_places(source.circuit, (1e3,))
    added, values = assigned(path, given, rest, signals, other_names(points))
    frequencies = sorted({place.frequency for place in added}) or list(SUGGESTED)
    level = added[0].level if added else 0.1
    more = [p for p in signal_places(source.circuit, frequencies, level) if p.name not in {a.name for a in added}]
    tell("fault dictionary")
    rail = source.rail(source.circuit, source.ports, engine=engine)
    found = fault_dictionary(source.circuit, [*rest, *added, *more], rail=rail, varied=varied, engine=engine)
    judged = [_judged(found, k, values) for k, place in enumerate(found.places) if place.name in values]
    return Report(design.circuit.name, tuple(judged), found.diagnose(values), found.lost)


def _judged(found: Dictionary, k: int, values: Mapping[str, float]) -> Judged:
    place = found.places[k]
    low, high, expected = place.low, place.high, place.expected
    if np.isnan(low):
        # A signal: the healthy builds' own window, and the meter's error.
        low, high = 0.98 * float(found.lows[k]), 1.02 * float(found.highs[k])
        expected = float(np.exp(found.means[0, k]))
    return Judged(place.name, place.unit, values[place.name], low, high, expected)


def page(report: Report) -> list[str]:
    """Return a report as lines of text."""
    lines = [f"Readings of {report.title}", "",
             f"{'point':38}{'reading':>12}{'window':>26}{'verdict':>10}{'distance':>10}"]  # fmt: skip
    for one in report.readings:
        window = f"{render(one.low, one.unit, digits=3)} to {render(one.high, one.unit, digits=3)}"
        reading = render(one.value, one.unit, digits=4)
        lines.append(f"{one.point:38}{reading:>12}{window:>26}{one.verdict:>10}{one.distance:>10.2f}")
    lines += ["", "Distance: from the middle of the window in half widths; up to 1 inside, up to 1.5 doubtful.", ""]
    said = report.diagnosis
    if said.healthy:
        lines.append("All readings together are what a healthy build may show.")
        unseen = next((cause for cause in said.causes if cause.healthy), None)
        if unseen and len(unseen.faults) > 1:
            lines.append(f"Faults that these readings can't tell from that: {_names(unseen, 12)}.")
        return lines
    lines.append("All readings together are not what a healthy build shows. Likely causes:")
    if not said.explained:
        lines.append("No single cause of the dictionary explains them; look for several faults, a slip in the "
                     "readings, or another design. The nearest:")  # fmt: skip
    for rank, cause in enumerate(said.causes, 1):
        together = " (these can't be told apart)" if len(cause.faults) > 1 else ""
        share = f"{100.0 * cause.share:.0f} %" if cause.share >= 0.005 else "below 1 %"
        lines.append(f"  {rank}. {_names(cause, 6)}{together}: {share}, {cause.distance:.1f} deviations off")
    for name, first, second in said.tell_apart:
        unit = "A" if name.endswith("current") else "V"
        lines.append(f"To tell the first two apart read {name}: {render(first, unit, digits=3)} with the first, "
                     f"{render(second, unit, digits=3)} with the second.")  # fmt: skip
    return lines


def _names(cause: Cause, most: int) -> str:
    names = [fault.name for fault in cause.faults]
    return ", ".join(names[:most]) + (f" and {len(names) - most} others" if len(names) > most else "")


__all__ = ["Judged", "Report", "page", "read", "resting_places", "signal_places"]
