"""Readings from the bench against what a healthy build shows, and what may be the matter where they don't agree."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simwrap.amplifier.amplifier import as_amplifier
from simwrap.amplifier.test_points import TestPoint, quiescent_points
from simwrap.circuits.circuit import Circuit, as_circuit
from simwrap.engine import DEFAULT, Run
from simwrap.errors import FileProblemsError, InputError, RangeError, UnknownNameError
from simwrap.fault_finding.diagnosis import Suspicions
from simwrap.fault_finding.page import Judged, Report
from simwrap.fault_finding.places import Place
from simwrap.fault_finding.readings_file import Reading, read_readings
from simwrap.faults.bed import Varied
from simwrap.faults.rails import Supplied, supplied
from simwrap.findings.finding import Finding
from simwrap.registry import find
from simwrap.report.json import plain
from simwrap.report.model import Listing
from simwrap.report.shown import Shown, labelled
from simwrap.simulation.measurement import Measurement
from simwrap.units import quantity
from simwrap.units.quantity import render

if TYPE_CHECKING:
    import xarray

#: Frequencies at which a signal may tell causes apart, where none was read [Hz].
SUGGESTED = (50.0, 1e3, 15e3)
#: Half width of a signal's window in standard deviations of healthy builds.
_WINDOW = 2.8
#: With all readings inside their windows, a rating is passed from so many times its value on.
_BEYOND = 1.15


def signal_places(circuit: Circuit, frequencies: Sequence[float], level: float = 1.0) -> list[Place]:
    """Return the outputs of all stages as places of a signal."""
    found = []
    for name, port in circuit.placed_ports.items():
        is_stage = circuit.stages[port.stage].template.header.role == "stage"
        dropper = not any(p.kind in ("source",) for p in circuit.stages[port.stage].template.header.ports.values())
        if port.port.kind == "load" and is_stage and not dropper and circuit.stages[port.stage].name != "dropper":
            found += [
                Place(f"{name} at {render(f, 'Hz')}", "V", (port.node, "0"), frequency=f, level=level)
                for f in frequencies
            ]
    return found


def resting_places(source: Supplied, *, run: Run = DEFAULT, points: Sequence[TestPoint] = ()) -> list[Place]:
    """Return the test points at rest as places."""
    found = []
    for point in points or quiescent_points(source.circuit, rail=source.ports, run=run):
        valve = point.figure.removeprefix("bias.valves.").rpartition(".")[0] if point.unit == "A" else ""
        place = Place(point.name, point.unit, point.nodes, valve, low=point.low, high=point.high, expected=point.shown)
        found.append(place)
        # A pin that a wire leads to is a place of its own: the wire may be missing.
        for name in point.also:
            own, _, role = name.rpartition(".")
            use = source.circuit.valves.get(own)
            if use is not None and use.nodes.get(role, point.nodes[0]) != point.nodes[0]:
                found.append(replace(place, name=name, nodes=(use.nodes[role], "0")))
    return found


def other_names(points: Sequence[TestPoint], rest: Sequence[Place] = ()) -> dict[str, str]:
    """Return the name of each place by any name of its test point."""
    own = {place.name for place in rest}
    return {name: name if name in own else point.name for point in points for name in (point.name, *point.also)}


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
    shelf : iterable of str, optional
        Types of valves that are at hand beside the design's own; otherwise any of the library that goes in.
    often : mapping of str to float, optional
        How often each kind of fault happens, in place of entries of
        :data:`simwrap.fault_finding.hypotheses.OFTEN`.
    **how
        As for :func:`~simwrap.amplifier.amplifier.as_amplifier`.

    Raises
    ------
    EngineError
        If the design can't be simulated.
    """

    def __init__(
        self,
        given: Any,
        *,
        varied: Varied | None = None,
        shelf: Iterable[str] | None = None,
        often: Mapping[str, float] | None = None,
        **how: Any,
    ) -> None:
        self.amplifier = as_amplifier(given, **how)
        self._tell, self._varied = self.amplifier.tell, varied
        self._tell("test points and their windows")
        source = self._source = supplied(self.amplifier)
        self.points: list[TestPoint] = self.amplifier.test_points()
        self._rest = resting_places(source, points=self.points)
        self._shelf, self._often = shelf, often
        self._suspicions: Suspicions | None = None

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
        added, values = assigned(path, given, self._rest, signals, other_names(self.points, self._rest))
        made = self._seen(added)
        said = made.diagnose(values, wanted=[place.name for place in made.places])
        judged = tuple(_judged(made, k, values) for k, place in enumerate(made.places) if place.name in values)
        inside = all(one.verdict == "inside" for one in judged)
        # A rating that the design comes near is passed by a little in some of its healthy builds: told, but no fault.
        passed = [*past_ratings(self.amplifier.warm, self.points, values)]
        near = tuple(one for one in passed if inside and (one.value or 0.0) <= _BEYOND * (one.limit or 0.0))
        findings = tuple(one for one in passed if one not in near)
        return Report(self._source.circuit.name, judged, said, findings, near)

    def _seen(self, added: Sequence[Place]) -> Suspicions:
        """Return every fault, seen at the test points, the signals that were read, and some others."""
        source, run = self._source, self.amplifier.run
        frequencies = sorted({place.frequency for place in added}) or list(SUGGESTED)
        level = added[0].level if added else 0.1
        named = {place.name for place in added}
        more = [p for p in signal_places(source.circuit, frequencies, level) if p.name not in named]
        places = [*self._rest, *added, *more]
        if self._suspicions is None:
            parts = len(source.circuit.node_paths)
            self._tell(f"every fault at every size: about {max(1, round(0.06 * parts))} s")
            design, rated = self.amplifier.design, self.amplifier.rated_output
            self._suspicions = Suspicions(source, places, self._varied or Varied(), self._shelf, self._often,
                                          design.parts, rated, run=run)  # fmt: skip
        else:
            self._suspicions.at(places)
        return self._suspicions


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


def _judged(made: Suspicions, k: int, values: Mapping[str, float]) -> Judged:
    place = made.places[k]
    low, high, expected = place.low, place.high, place.expected
    if np.isnan(low):
        # A signal: what healthy builds show, and the meter's error.
        healthy = made.evidence.healthy.seen
        middle, half = float(healthy.means[0, k]), _WINDOW * float(np.sqrt(healthy.covariances[0, k, k]))
        low, high, expected = (max(0.0, float(place.plain(middle + sign * half))) for sign in (-1.0, 1.0, 0.0))
    return Judged(place.name, place.unit, values[place.name], low, high, expected)


__all__ = ["FaultFinder", "past_ratings", "read", "resting_places", "signal_places"]
