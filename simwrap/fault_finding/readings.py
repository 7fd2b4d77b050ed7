"""Readings from the bench against what a healthy build shows, and what may be the matter where they don't agree."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simwrap.amplifier.amplifier import as_amplifier
from simwrap.amplifier.test_points import TestPoint, quiescent_points
from simwrap.circuits.circuit import Circuit, as_circuit
from simwrap.engine import DEFAULT, Run
from simwrap.errors import FileProblemsError, InputError, RangeError, UnknownNameError
from simwrap.fault_finding.diagnosis import Cause, Diagnosis, Dictionary, Place, fault_dictionary
from simwrap.fault_finding.readings_file import Reading, read_readings
from simwrap.faults.bed import Varied
from simwrap.faults.rails import Supplied, supplied
from simwrap.findings.finding import Finding
from simwrap.registry import find
from simwrap.report.json import plain
from simwrap.report.model import Listing, Section
from simwrap.report.shown import Shown, labelled
from simwrap.simulation.measurement import Measurement
from simwrap.units import quantity
from simwrap.units.quantity import render

if TYPE_CHECKING:
    import xarray

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


@dataclass(frozen=True, repr=False)
class Report(Shown):
    """What was read, and what it says.

    Attributes
    ----------
    title : str
    readings : tuple of Judged
    diagnosis : Diagnosis
    lost : tuple of str
        Faults that couldn't be simulated.
    findings : tuple of Finding
        Ratings that are passed by the readings' own numbers.
    """

    title: str
    readings: tuple[Judged, ...]
    diagnosis: Diagnosis
    lost: tuple[str, ...]
    findings: tuple[Finding, ...] = ()

    @property
    def verdict(self) -> str:
        """Return "healthy", "doubtful" or "faulty".

        Healthy is what lies inside every window, passes no rating by its own numbers, and is likely as a whole. What
        lies outside a window or passes a rating is faulty, however a simulated fault may explain it.
        """
        verdicts = {judged.verdict for judged in self.readings}
        if self.findings or "outside" in verdicts:
            return "faulty"
        return "healthy" if self.diagnosis.healthy and "doubtful" not in verdicts else "doubtful"

    @property
    def clean(self) -> bool:
        """Whether everything looks as in a healthy build."""
        return self.verdict == "healthy"

    @property
    def causes(self) -> tuple[Cause, ...]:
        """What may be the matter, the most likely first, each with its names and share."""
        return self.diagnosis.causes

    @property
    def next_places(self) -> tuple[str, ...]:
        """Places not read yet that would tell the first two causes apart."""
        return tuple(name for name, _, _ in self.diagnosis.tell_apart)

    @property
    def dangers(self) -> list[str]:
        """What must be switched off at once: a rating that is passed, a current above its window."""
        return [finding.text for finding in self.findings] + [
            f"Switch off: {one.point} is {render(one.value, one.unit, digits=3)}, above its window, which ends at "
            f"{render(one.high, one.unit, digits=3)}."
            for one in self.readings
            if one.unit == "A" and one.verdict == "outside" and one.value > one.high
        ]

    def report(self) -> Iterator[Section]:
        rows = [
            (one.point, render(one.value, one.unit, digits=4),
             f"{render(one.low, one.unit, digits=3)} to {render(one.high, one.unit, digits=3)}", one.verdict,
             f"{one.distance:.2f}")
            for one in self.readings
        ]  # fmt: skip
        table = Listing("", ("point", "reading", "window", "verdict", "distance"), rows)
        legend = "Distance: from the middle of the window in half widths; up to 1 inside, up to 1.5 doubtful."
        yield Section("readings", f"Readings of {self.title}: {self.verdict}", self.dangers, tables=[table],
                      notes=[legend, *self._told()])  # fmt: skip

    def _told(self) -> Iterator[str]:
        """Yield what the readings say together."""
        said = self.diagnosis
        if said.healthy and self.clean:
            yield "All readings together are what a healthy build may show."
            unseen = next((cause for cause in said.causes if cause.healthy), None)
            if unseen and len(unseen.faults) > 1:
                yield f"Faults that these readings can't tell from that: {_names(unseen, 12)}."
            return
        if said.healthy:
            yield "Together they might come from a healthy build, and yet they aren't all inside. Likely causes:"
        else:
            yield "All readings together are not what a healthy build shows. Likely causes:"
        if not said.explained:
            yield ("No single cause of the dictionary explains them; look for several faults, a slip in the readings, "
                   "or another design. The nearest:")  # fmt: skip
        for rank, cause in enumerate(said.causes, 1):
            together = " (these can't be told apart)" if len(cause.faults) > 1 else ""
            share = f"{100.0 * cause.share:.0f} %" if cause.share >= 0.005 else "below 1 %"
            yield f"{rank}. {_names(cause, 6)}{together}: {share}, {cause.distance:.1f} deviations off"
        for name, first, second in said.tell_apart:
            unit = "A" if name.endswith("current") else "V"
            yield (f"To tell the first two apart read {name}: {render(first, unit, digits=3)} with the first, "
                   f"{render(second, unit, digits=3)} with the second.")  # fmt: skip

    def to_dataset(self) -> xarray.Dataset:
        """Return the readings and their windows, dim "point"; "unit" says of each whether it is V or A."""
        columns = {name: ([getattr(each, name) for each in self.readings], unit, words)
                   for name, unit, words in (("value", "see unit", "read"), ("low", "see unit", "window from"),
                                             ("high", "see unit", "window to"), ("expected", "see unit", "expected"),
                                             ("distance", "", "from the middle, in half widths"),
                                             ("verdict", "", "verdict"), ("unit", "", "unit"))}  # fmt: skip
        return labelled("point", [each.point for each in self.readings], columns, verdict=self.verdict)

    def plot(self, *, ax: Any = None) -> Any:
        """Draw where each reading lies in its window, in half widths from its middle; or in the place of axes."""
        from matplotlib.figure import Figure

        figure = Figure(layout="constrained") if ax is None else ax.figure
        axes = figure.subplots() if ax is None else ax
        half = [0.5 * (each.high - each.low) for each in self.readings]
        places = [(each.value - 0.5 * (each.high + each.low)) / width if width > 0.0 else np.nan
                  for each, width in zip(self.readings, half, strict=True)]  # fmt: skip
        axes.axvspan(-1.0, 1.0, alpha=0.2)
        axes.plot(places, [each.point for each in self.readings], "o")
        axes.set(xlabel="from the middle of the window [half widths]", title=f"{self.title}: {self.verdict}")
        return figure

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "design": self.title,
            "readings": [
                {"point": r.point, "unit": r.unit, "value": r.value, "low": r.low, "high": r.high,
                 "expected": r.expected, "distance": r.distance, "verdict": r.verdict}
                for r in self.readings
            ],
            "verdict": self.verdict,
            "healthy": self.clean,
            "findings": [finding.to_dict() for finding in self.findings],
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


def resting_places(source: Supplied, *, run: Run = DEFAULT, points: Sequence[TestPoint] = ()) -> list[Place]:
    """Return the test points at rest as places."""
    found = []
    for point in points or quiescent_points(source.circuit, rail=source.ports, run=run):
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


class FaultFinder(Shown):
    """Finds what may be the matter with a build of an amplifier; made once, it reads many.

    Parameters
    ----------
    given : path, Design, Circuit, Stage or Amplifier
    varied : Varied, optional
        What differs from build to build.
    **how
        As for :func:`~simwrap.amplifier.amplifier.as_amplifier`.

    Raises
    ------
    EngineError
        If the design can't be simulated.
    """

    def __init__(self, given: Any, *, varied: Varied | None = None, **how: Any) -> None:
        self.amplifier = as_amplifier(given, **how)
        self._tell, self._varied = self.amplifier.tell, varied
        self._tell("test points and their windows")
        source = self._source = supplied(self.amplifier)
        self.points: list[TestPoint] = self.amplifier.test_points()
        self._rest = resting_places(source, points=self.points)
        self._dictionaries: dict[tuple[Place, ...], Dictionary] = {}

    def report(self) -> Iterator[Listing]:
        """Yield the test points and their windows."""
        rows = [(point.name, *(render(value, point.unit, digits=4) for value in (point.shown, point.low, point.high)))
                for point in self.points]  # fmt: skip
        title = f"{self._source.circuit.name}: test points of a healthy build; .read(readings) judges yours"
        yield Listing(title, ("test point", "meter shows", "from", "to"), rows)

    def to_dict(self) -> dict[str, Any]:
        """Return the test points and their windows as plain values."""
        return {"design": self._source.circuit.name, "points": plain([asdict(point) for point in self.points])}

    def to_dataset(self) -> xarray.Dataset:
        """Return the test points, dim "point"; "unit" says of each whether it is V or A."""
        columns = {name: ([getattr(point, name) for point in self.points], unit, words)
                   for name, unit, words in (("expected", "see unit", "expected"), ("low", "see unit", "window from"),
                                             ("shown", "see unit", "what a meter shows"),
                                             ("high", "see unit", "window to"), ("unit", "", "unit"))}  # fmt: skip
        return labelled("point", [point.name for point in self.points], columns)

    def read(self, readings: str | Path | Iterable[Mapping[str, Any]]) -> Report:
        """Judge readings.

        Parameters
        ----------
        readings : path, or iterable of mapping
            A CSV file (:func:`simwrap.fault_finding.readings_file.read_readings`), or rows such as ``{"point":
            "line.output", "value": 1.1, "frequency": 1000.0, "level": 0.1}``; values in V and A or with their unit.

        Raises
        ------
        FileProblemsError
            For a file that can't be read, or readings that can't be this design's.
        """
        if isinstance(readings, str | Path):
            path, given = Path(readings), read_readings(Path(readings))
        else:
            path, given = Path("readings"), [_row(number, row) for number, row in enumerate(readings, 1)]
        signals = signal_places(self._source.circuit, (1e3,))
        added, values = assigned(path, given, self._rest, signals, other_names(self.points))
        found = self._dictionary(added)
        judged = tuple(_judged(found, k, values) for k, place in enumerate(found.places) if place.name in values)
        findings = tuple(past_ratings(self.amplifier.warm, self.points, values))
        return Report(self._source.circuit.name, judged, found.diagnose(values), found.lost, findings)

    def _dictionary(self, added: Sequence[Place]) -> Dictionary:
        """Return the fault dictionary with the signals that were read, or those that may tell causes apart."""
        key = tuple(added)
        if key not in self._dictionaries:
            source, run = self._source, self.amplifier.run
            frequencies = sorted({place.frequency for place in added}) or list(SUGGESTED)
            level = added[0].level if added else 0.1
            named = {place.name for place in added}
            more = [p for p in signal_places(source.circuit, frequencies, level) if p.name not in named]
            self._tell("fault dictionary")
            rail = source.rail(source.circuit, source.ports, run=run)
            places = [*self._rest, *added, *more]
            made = fault_dictionary(source.circuit, places, rail=rail, varied=self._varied, run=run)
            self._dictionaries[key] = made
        return self._dictionaries[key]


def read(given: Any, readings: Any, **how: Any) -> Report:
    """Judge readings once; see :class:`FaultFinder`, whose parameters ``how`` has."""
    return FaultFinder(given, **how).read(readings)


def _row(number: int, row: Mapping[str, Any]) -> Reading:
    """Return a reading from a mapping."""
    unknown = set(row) - {"point", "value", "frequency", "level"}
    if unknown or not {"point", "value"} <= set(row):
        raise RangeError(f"reading {number}", dict(row), "point and value; and frequency and level of a signal")
    signal = [None if row.get(key) is None else quantity.parse(row[key], unit, parameter=key)
              for key, unit in (("frequency", "Hz"), ("level", "V"))]  # fmt: skip
    return Reading(number, str(row["point"]), str(row["value"]), *signal)


def past_ratings(warm: Measurement, points: Sequence[TestPoint], values: Mapping[str, float]) -> Iterator[Finding]:
    """Yield the ratings that a valve passes by its own readings; what wasn't read is taken as it should be.

    Parameters
    ----------
    warm : Measurement
        Operating points as they should be; the anode's share of a cathode current is taken from there.
    points : sequence of TestPoint
    values : mapping of str to float
        Readings at rest by test point [V, A].
    """
    by_name = {name: point for point in points for name in (point.name, *point.also)}

    def at(name: str) -> tuple[float, bool]:
        point = by_name.get(name)
        if point is None:
            return 0.0, False  # a cathode at ground is no test point
        read = values.get(point.name)
        return (point.shown, False) if read is None else (read, True)

    for valve, use in as_circuit(warm.stage, "readings").valves.items():
        ratings = use.valve.ratings
        current, current_read = at(f"{valve}.cathode_current")
        cathode, cathode_read = at(f"{valve}.cathode")
        anode, anode_read = at(f"{valve}.anode")
        expected = by_name.get(f"{valve}.cathode_current")
        if expected is None or not (current_read or anode_read or cathode_read):
            continue
        volts = anode - cathode
        checks = [("anode voltage", volts, ratings.anode_voltage_max, "V")]
        if current_read:
            share = warm[f"bias.valves.{valve}.anode_current"] / warm[f"bias.valves.{valve}.cathode_current"]
            checks += [
                ("cathode current", current, ratings.cathode_current_max, "A"),
                ("anode dissipation", volts * current * share, ratings.anode_dissipation_max, "W"),
            ]
        for words, value, most, unit in checks:
            if most is not None and value > float(most):
                yield Finding.of("measured_over_rating", valve, words, value, float(most), unit,
                                 "by the readings", type=use.valve.name)  # fmt: skip


def _judged(found: Dictionary, k: int, values: Mapping[str, float]) -> Judged:
    place = found.places[k]
    low, high, expected = place.low, place.high, place.expected
    if np.isnan(low):
        # A signal: the healthy builds' own window, and the meter's error.
        low, high = 0.98 * float(found.lows[k]), 1.02 * float(found.highs[k])
        expected = float(np.exp(found.means[0, k]))
    return Judged(place.name, place.unit, values[place.name], low, high, expected)


def _names(cause: Cause, most: int) -> str:
    names = [fault.name for fault in cause.faults]
    return ", ".join(names[:most]) + (f" and {len(names) - most} others" if len(names) > most else "")


__all__ = ["FaultFinder", "Judged", "Report", "past_ratings", "read", "resting_places", "signal_places"]
