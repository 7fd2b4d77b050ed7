"""Measuring one stage: ``measure`` and the :class:`Measurement` that it returns."""

from __future__ import annotations

import re
import tempfile
from abc import abstractmethod
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np

from simwrap.circuits.circuit import Circuit, as_circuit
from simwrap.circuits.header import SAME
from simwrap.circuits.point_table import PointTable
from simwrap.circuits.render import devices_moved, render
from simwrap.circuits.stage import Stage
from simwrap.engine import Run, RunKeywords, spelled_out
from simwrap.errors import EngineError, InputError, RangeError
from simwrap.findings.finding import Finding, ordered
from simwrap.findings.severity import MARKS
from simwrap.findings.status import Status, status_of
from simwrap.forking import cached_property
from simwrap.measures.registry import get_measure
from simwrap.measures.registry import measures as measures_by_name
from simwrap.measures.requests import Result, Variable
from simwrap.measures.results import axes_of, labelled, split_name
from simwrap.registry import load
from simwrap.report.json import plain
from simwrap.report.model import Listing
from simwrap.report.shown import Keyed, Shown
from simwrap.simulation.as_json import SCHEMA
from simwrap.simulation.conduct import evaluate, refusal
from simwrap.simulation.outcome import Outcome
from simwrap.simulation.provenance import provenance
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

MeasureChoice = Sequence[str] | Mapping[str, Mapping[str, Any]] | None


def chosen_measures(stage: Stage | Circuit, measures: MeasureChoice) -> dict[str, Mapping[str, Any]]:
    """Return measure names with their options; None gives those that the stage's header names.

    Raises
    ------
    UnknownNameError
        If there is no such measure.
    InputError
        If none of them has a meaning for such a stage; one beside others is left out when it is run.
    """
    circuit = as_circuit(stage, "measure")
    if measures is None:
        measures = circuit.measures
    if isinstance(measures, str):
        measures = [measures]
    if not isinstance(measures, Mapping | Iterable):
        raise RangeError("measures", measures, 'names, such as ["bias", "response"], or options by name')
    given = measures if isinstance(measures, Mapping) else {name: {} for name in map(str, measures)}
    chosen, refused = {}, []
    for name, options in given.items():
        measure = get_measure(str(name))
        if not isinstance(options, Mapping):
            raise RangeError(f"options of {measure.name}", options, 'options by name, such as {"frequency": 1000}')
        if why := refusal(circuit, measure.name):
            refused.append(why)
        chosen[measure.name] = options
    if refused and len(refused) == len(chosen):
        raise InputError("; ".join(refused))
    return chosen


def measure_names() -> list[str]:
    """Return the names of all measures, sorted.

    Examples
    --------
    >>> import simwrap
    >>> {"bias", "response", "headroom"} <= set(simwrap.measure_names())
    True
    """
    return list(measures_by_name())


class _Figures(Keyed):
    """What measurements and their parts share: a mapping by the next word of a figure's name, and by attribute."""

    @abstractmethod
    def _at(self, path: str) -> Any:
        """Return the figure, or the part, of that name; KeyError where there is none."""

    def __getitem__(self, key: str) -> Any:
        return self._at(key)

    def __getattr__(self, key: str) -> Any:
        # What copies and unpickles asks for special names of an object that has no attributes yet.
        if not key.startswith("_"):
            try:
                return self._at(key)
            except KeyError:
                pass
        raise AttributeError(key if key.startswith("_") else self._lacks(key))

    @abstractmethod
    def _lacks(self, key: str) -> str:
        """Return what to say of a name that isn't there."""

    def __len__(self) -> int:
        return sum(1 for _ in self)

    def to_dict(self) -> dict[str, Any]:
        """Return nested plain values."""
        return {key: value.to_dict() if isinstance(value, _Figures) else plain(value) for key, value in self.items()}


@dataclass(frozen=True, repr=False, eq=False)
class View(_Figures):
    """A part of a measurement: one measure's figures, or a group of them.

    ``view["gain"]`` or ``view.gain``; groups are views in turn.

    Attributes
    ----------
    measurement : Measurement
    name : str
        Start of the names of its figures, such as "response" or "bias.valves".
    """

    measurement: Measurement
    name: str

    def _at(self, path: str) -> Any:
        return self.measurement._at(f"{self.name}.{path}")

    def _lacks(self, key: str) -> str:
        return f"{self.name} has no {key}; it has {', '.join(self)}"

    def __iter__(self) -> Iterator[str]:
        start = f"{self.name}."
        names = (*self.measurement.figures, *self.measurement.axes)
        return iter(dict.fromkeys(n.removeprefix(start).partition(".")[0] for n in names if n.startswith(start)))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, View):
            return NotImplemented
        return self.name == other.name and _same(self, other)

    __hash__ = None  # type: ignore[assignment]  # it holds arrays

    @property
    def result(self) -> Result:
        """What the measure returned, with its conditions and warnings."""
        return self.measurement.results[split_name(self.name)[0]]

    @property
    def paths(self) -> list[str]:
        """Paths of the figures that are single numbers or words; curves are left out."""
        start = f"{self.name}."
        return [
            name.removeprefix(start)
            for name, figure in self.measurement.figures.items()
            if name.startswith(start) and not figure.dims
        ]

    def words(self, path: str) -> str:
        """Return what a figure is, in words."""
        return self.measurement.figures[f"{self.name}.{path}"].long_name

    def text(self, path: str) -> str:
        """Return a single number with its unit, or a word."""
        value = self[path]
        unit = self.measurement.figures[f"{self.name}.{path}"].unit
        return value if isinstance(value, str) else quantity.render(float(value), unit)

    def rows(self) -> list[tuple[str, str]]:
        """Return words and value of every single number (curves are left out)."""
        return [(self.words(path), self.text(path)) for path in self.paths]

    def headline(self) -> list[tuple[str, str]]:
        """Return words and value of the figures that the measure puts first."""
        return [(self.words(path), self.text(path)) for path in get_measure(self.name).headlines(self.paths)]

    @property
    def has_tables(self) -> bool:
        """Whether the measure has tables of its own, made for people; else its headline stands for it."""
        known = measures_by_name().get(self.name)
        return known is None or known.table is not None or not self.headline()

    def tables(self) -> list[Listing]:
        """Return the tables of a measure: its own, or else every single number in a row."""
        known = measures_by_name().get(self.name)
        return known.table(self) if known and known.table else [Listing(self.name, ("", ""), [*self.rows()])]

    def __repr__(self) -> str:
        return f"{self.name}: " + ", ".join(f"{words} {text}" for words, text in self.rows())

    def conditions(self) -> list[tuple[str, str]]:
        """Return the conditions that a measure was taken under, each with its unit."""
        rows = []
        for name, (value, unit) in self.result.conditions.items():
            array = np.asarray(value)
            if array.dtype.kind in "fi" and array.size:
                text = ", ".join(dict.fromkeys(quantity.render(float(entry), unit) for entry in array.ravel()[:12]))
            else:
                text = str(value)
            rows.append((name.replace("_", " "), text))
        return rows


class _Measures:
    """Figures of the measures that come with simwrap, as editors complete them; others are found alike."""

    balance: View
    bias: View
    distortion: View
    equalisation: View
    headroom: View
    heater_hum: View
    impedance: View
    load_lines: View
    noise: View
    overload: View
    power: View
    recovery: View
    rejection: View
    response: View
    square_wave: View
    stability: View
    supply: View
    tone_curves: View


@dataclass(frozen=True, repr=False, eq=False)
class Measurement(Shown, _Figures, _Measures):
    """What was measured of one stage: a mapping from measures to their figures.

    A figure has one name everywhere, its path: ``found.response.gain`` is ``found["response"]["gain"]``,
    ``found["response.gain"]``, and ``found.to_dataset()["response.gain"]``.

    Attributes
    ----------
    stage : Stage or Circuit
    engine : str
        The simulator that did it.
    provenance : dict
        Engine and its version, netlist hash, simwrap version.
    findings : list of Finding
        Ratings exceeded, levels that failed, measures that had to leave something out.
    results : dict of str to Result
        As the measures returned them.
    """

    stage: Stage | Circuit
    engine: str
    provenance: dict[str, str]
    findings: list[Finding]
    results: dict[str, Result]

    @property
    def warnings(self) -> list[str]:
        """The sentences of the findings."""
        return [finding.text for finding in self.findings]

    @property
    def reason(self) -> str:
        """Why a part of it couldn't be simulated, "" where all of it could."""
        codes = ("nothing_came", "lost_to_instability")
        return next((each.detail("reason") for each in self.findings if each.code in codes), "")

    @cached_property
    def figures(self) -> dict[str, Variable]:
        """Every figure and curve by name; the first axis of the values is the point, of which there is one."""
        return labelled(self.results)

    @cached_property
    def axes(self) -> dict[str, Variable]:
        """Every axis of a curve by name."""
        return axes_of(self.results)

    def _at(self, path: str) -> Any:
        if path in self.figures:
            value = np.asarray(self.figures[path].values)[0]
        elif path in self.axes:
            value = np.asarray(self.axes[path].values)
        elif path in self.results or any(name.startswith(f"{path}.") for name in self.figures):
            return View(self, path)
        else:
            raise KeyError(path)
        return value.item() if isinstance(value, np.generic) else value

    def _lacks(self, key: str) -> str:
        return f"{key} was not measured; there is {', '.join(self.results)}"

    def __iter__(self) -> Iterator[str]:
        return iter(self.results)

    def _ipython_key_completions_(self) -> list[str]:
        return [*self, *self.figures]

    def __eq__(self, other: object) -> bool:
        """Whether it is the same of the same stage; who simulated it doesn't matter."""
        if not isinstance(other, Measurement):
            return NotImplemented
        return self.stage == other.stage and self.findings == other.findings and _same(self, other)

    __hash__ = None  # type: ignore[assignment]  # it holds arrays

    def __getstate__(self) -> dict[str, Any]:
        return {entry.name: getattr(self, entry.name) for entry in fields(self)}  # not what can be made again

    def to_dataset(self) -> xarray.Dataset:
        """Return a labelled Dataset of this one point: variables by name, curves along their axes."""
        from simwrap.simulation.dataset import about, make_dataset

        return make_dataset(
            self.figures,
            self.axes,
            findings=[self.findings],
            attrs={**about(self.stage, self.results), **self.provenance},
        )

    def to_dict(self) -> dict[str, Any]:
        """Return all as plain values that JSON can hold; see :mod:`simwrap.simulation.as_json`.

        What is no finite number is None: "infinite" names the figures and curves that hold an infinite value
        (the input impedance of a bare grid, a level in dB of nothing); any other None was not found, or failed.
        """
        return {
            "schema": SCHEMA,
            "stage": self.stage.name,
            "values": plain(dict(self.stage.values)),
            "engine": self.engine,
            "warnings": list(self.warnings),
            "findings": [finding.to_dict() for finding in self.findings],
            "provenance": dict(self.provenance),
            **{measure: self[measure].to_dict() for measure in self},
            "infinite": [name for name, figure in self.figures.items() if _holds_infinity(np.asarray(figure.values))],
            "conditions": {
                measure: {
                    name: {"value": plain(value), "unit": unit} for name, (value, unit) in result.conditions.items()
                }
                for measure, result in self.results.items()
            },
        }

    def plot(self, name: str | None = None, *, ax: Any = None) -> Any:
        """Draw one measure (the first that has a picture where none is named) as a figure, or in the place of axes."""
        return load("simwrap.plots:plot")(self, name, ax=ax)

    # What a builder reads first; every figure, conditions and all values of the stage when details are asked for

    def report(self) -> Iterator[Listing]:
        yield Listing(f"{self.stage.name}: {self.values_line()}", (), [])
        yield from self.tables()
        yield from (Listing(f"CAUTION: {words}", (), []) for words in self.cautions())
        yield Listing(f"simulated by {self.provenance.get('engine', self.engine)}", (), [])
        yield from (table._replace(details=True) for table in self.tables(details=True))

    def tables(self, *, details: bool = False) -> Iterator[Listing]:
        """Yield its tables in the order in which they are read."""
        line = self._limits_line()
        if line:
            yield Listing(line, (), [])
        if rows := [(finding.mark, finding.text) for finding in ordered(self.findings)]:
            yield Listing("" if line else "to look at", ("", ""), rows)
        views = [self[name] for name in self.results]
        if details:
            for view in views:
                yield from view.tables()
                yield Listing(f"{view.name}: measured under", ("", ""), [*view.conditions()])
            values = [(name, symbol, value) for symbol, _, name, value in self.stage.rows()]
            yield Listing(f"{self.stage.name}: {self.stage.summary}", ("parameter", "symbol", "value"), values)
            return
        own = [view for view in views if view.has_tables]
        yield from (table for view in own for table in view.tables() if not table.details)
        if first := [row for view in views if view not in own for row in _headlines(view)]:
            yield Listing("", ("", "", "", ""), first)

    def _limits_line(self) -> str:
        """Return how many ratings were checked, and how many are exceeded or near; "" where none could be."""
        checked = {limit for result in self.results.values() for limit in result.checked}
        unknown = {limit for result in self.results.values() for limit in result.unrated}
        if not checked and not unknown:
            return ""
        marks = [finding.mark for finding in self.findings]
        said = [f"{count} {mark}" for mark in MARKS[:2] if (count := marks.count(mark))]
        limits = "limit" if len(checked) == 1 else "limits"
        line = f"{len(checked)} {limits} checked: {', '.join(said) or 'none exceeded, none near'}"
        return line + (f"; {len(unknown)} have no published rating" if unknown else "")

    def values_line(self) -> str:
        """Return the values of the parts that are there and matter with the choices made, in one line."""
        shown = []
        for symbol, _, name, value in self.stage.rows():
            parameter = self.stage.parameters.get(name)
            same = parameter is not None and parameter.same and value == SAME
            if same or value == "none" or value.partition(" ")[0] in ("0", "0.0"):
                continue
            drives = parameter is not None and name.rpartition(".")[2] == "drive" and "power" in self
            if parameter is not None and parameter.numeric and not drives and not devices_moved(self.stage, name):
                continue
            where = f"{name.rpartition('.')[0]}." if "." in name else ""
            shown.append(f"{where}{symbol} {value}" if symbol else f"{name} {value}")
        return ", ".join(shown)

    def cautions(self) -> list[str]:
        """Return what is dangerous about what was measured."""
        known = measures_by_name()
        return [words for name in self.results if name in known and (words := known[name].caution)]


def _headlines(view: View) -> Iterator[tuple[str, ...]]:
    """Yield a row for each figure that a measure puts first, the measure's name before the first one."""
    for place, (words, text) in enumerate(view.headline()):
        number, _, unit = text.partition(" ") if text[:1] in "0123456789-+∞" else ("", "", text)
        yield "" if place else view.name, words, number, unit


def _holds_infinity(values: Any) -> bool:
    return values.dtype.kind in "fc" and bool(np.isinf(values).any())


def plots_its_sweeps() -> None:
    """Let ``swept.plot("bias")`` draw what ``simwrap.plot(swept, "bias")`` does; other Datasets plot as they did."""
    from xarray.plot.accessor import DatasetPlotAccessor

    theirs = DatasetPlotAccessor.__call__
    if hasattr(theirs, "of_simwrap"):
        return

    def draw(self: Any, *args: Any, **keywords: Any) -> Any:
        if "simwrap_version" not in self._ds.attrs:
            return theirs(self, *args, **keywords)
        return load("simwrap.plots:plot")(self._ds, *args, **keywords)

    draw.of_simwrap = True  # type: ignore[attr-defined]
    DatasetPlotAccessor.__call__ = draw  # type: ignore[method-assign]


def _same(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Whether two mappings hold equal values, NaN equal to NaN."""
    return list(one) == list(other) and all(_equal(value, other[key]) for key, value in one.items())


def _equal(one: Any, other: Any) -> bool:
    if isinstance(one, View) or isinstance(other, View):
        return bool(one == other)
    one, other = np.asarray(one), np.asarray(other)
    return bool(np.array_equal(one, other, equal_nan=one.dtype.kind in "fc" and other.dtype.kind in "fc"))


def _keep_netlist(stage: Stage | Circuit) -> tuple[str, str]:
    """Write the netlist of a failed stage where the user finds it; return its file ("" if it can't be), and say so."""
    title = re.sub(r"\W+", "_", stage.name, flags=re.ASCII)[:40]  # any title, but not any name of a file
    try:
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", prefix=f"simwrap-{title}-", suffix=".cir", delete=False
        ) as file:
            file.write(render(stage).complete())
    except OSError as fault:
        return "", f"the netlist can't be kept ({fault.strerror or fault}); `simwrap netlist` prints it"
    return file.name, f"the netlist is kept in {file.name}"


def _all_missing(result: Result) -> bool:
    """Return whether nothing came of a measure: its single figures (or else its curves) are all NaN."""
    numbers = [v for v in result.variables.values() if np.asarray(v.values).dtype.kind in "fc"]
    single = [v for v in numbers if not v.dims] or numbers
    return bool(single) and all(np.isnan(np.asarray(v.values)).all() for v in single)


def _told(outcome: Outcome, failed: Sequence[str]) -> list[Finding]:
    said = list(outcome.findings[0])
    said += [Finding.of("measure_left_out", reason=why) for why in outcome.refused.values()]
    if reason := outcome.reasons[0]:
        code = "lost_to_instability" if status_of(reason) is Status.UNSTABLE else "nothing_came"
        said.append(Finding.of(code, measures=failed, reason=reason))
    return said


@spelled_out(Run)
def measure(
    stage: Stage | Circuit,
    measures: MeasureChoice = None,
    **run: Unpack[RunKeywords],
) -> Measurement:
    """Measure one stage.

    Parameters
    ----------
    stage : Stage or Circuit
        Made by :func:`simwrap.stage` or :func:`simwrap.circuit`.
    measures : sequence of str, or mapping of str to options, optional
        What to measure, such as ``["bias", "response"]`` or
        ``{"headroom": {"nominal_level": 1.0}}``; without it, what the stage's header names.
    engine : str
        "auto", "neospice" or "ngspice".
    time_limit : float
        Longest time for one simulator run [s].
    workers : int, optional
        How many processes, of this machine, where no executor is given; one for a single point, else one a core.
    executor : concurrent.futures.Executor, optional
        Where to run instead.
    progress : bool or callable
        Of a sweep: True draws a bar; a callable gets (points done, points in all).

    Returns
    -------
    Measurement

    Raises
    ------
    UnknownNameError
        No such measure or option.
    EngineError
        If nothing came of a measure; its netlist is kept in a file that the sentence names.
    NoEngineError
        If there is no simulator.

    Examples
    --------
    >>> import simwrap
    >>> line = simwrap.stage("triode_gain", valve="6SL7GT", supply="250 V", cathode_resistor="1k8")
    >>> result = simwrap.measure(line, ["bias", "response"])
    >>> print(f"{result.bias.valves.v1.anode_voltage:.0f} V, gain {result.response.gain_db:.0f} dB at 1 kHz")
    156 V, gain 33 dB at 1 kHz
    """
    how = Run.of(run)
    names = chosen_measures(stage, measures)
    outcome = evaluate(PointTable(stage), names, replace(how, workers=how.workers or 1))
    hopeless = status_of(outcome.reasons[0]).hopeless
    failed = [
        name for name, result in outcome.results.items() if _all_missing(result) or (hopeless and name in outcome.large)
    ]
    if outcome.reasons[0] and failed and len(failed) == len(outcome.results):
        kept, words = _keep_netlist(stage)
        raise EngineError(f"{stage.name}: {', '.join(failed)} failed ({outcome.reasons[0]}); {words}", netlist=kept)
    used = outcome.engines[0]
    origin = provenance(used, outcome.netlists[0], outcome.small_signals)
    results = {name: result for name, result in outcome.results.items() if name not in failed or not outcome.reasons[0]}
    return Measurement(stage, used, origin, _told(outcome, failed), results)
