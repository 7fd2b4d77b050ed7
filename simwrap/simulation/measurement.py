"""Measuring one stage: ``measure`` and the :class:`Measurement` that it returns."""

from __future__ import annotations

import html
import tempfile
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from simwrap.circuits.circuit import Circuit, as_circuit
from simwrap.circuits.point_table import Table
from simwrap.circuits.render import render
from simwrap.circuits.stage import Stage
from simwrap.errors import EngineError, InputError, RangeError
from simwrap.measures.requests import Result, Variable
from simwrap.simulation.evaluate import Options, Outcome, evaluate, provenance
from simwrap.units import quantity

MeasureChoice = Sequence[str] | Mapping[str, Mapping[str, Any]] | None


def chosen_measures(stage: Stage | Circuit, measures: MeasureChoice) -> dict[str, Mapping[str, Any]]:
    """Return measure names with their options; None gives those that the stage's header names.

    Raises
    ------
    UnknownNameError
        If there is no such measure.
    InputError
        If it has no meaning for such a stage.
    """
    from simwrap.measures.registry import get_measure

    circuit = as_circuit(stage, "measure")
    if measures is None:
        measures = circuit.measures
    if isinstance(measures, str):
        measures = [measures]
    if not isinstance(measures, Mapping | Iterable):
        raise RangeError("measures", measures, 'names, such as ["bias", "response"], or options by name')
    given = measures if isinstance(measures, Mapping) else {name: {} for name in map(str, measures)}
    chosen = {}
    for name, options in given.items():
        measure = get_measure(str(name))
        if not isinstance(options, Mapping):
            raise RangeError(f"options of {measure.name}", options, 'options by name, such as {"frequency": 1000}')
        if measure.kinds and any(template.name not in measure.kinds for template in circuit.templates):
            raise InputError(f"{measure.name}: has no meaning for {circuit.name}, only for {', '.join(measure.kinds)}")
        if not circuit.other_measures and measure.name not in circuit.measures:
            accepted = ", ".join(circuit.measures)
            raise InputError(f"{measure.name}: has no meaning for {circuit.name}; give {accepted}")
        chosen[measure.name] = options
    return chosen


def measure_names() -> list[str]:
    """Return the names of all measures, sorted."""
    from simwrap.measures.registry import measures

    return list(measures())


def plain(value: Any) -> Any:
    """Return numpy values as JSON has them: NaN and infinity become None."""
    if isinstance(value, Mapping):
        return {key: plain(entry) for key, entry in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(entry) for entry in value.tolist()] if value.ndim else plain(value.item())
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    if isinstance(value, complex):
        return [plain(value.real), plain(value.imag)]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    return value


@dataclass(frozen=True, repr=False)
class View:
    """One measure's result for one stage: ``view["gain"]`` or ``view.gain``, nested by dots."""

    name: str
    result: Result
    prefix: str = ""

    def _variable(self, key: str) -> Variable | None:
        return self.result.variables.get(key) or self.result.coords.get(key)

    def __getitem__(self, key: str) -> Any:
        full = f"{self.prefix}{key}"
        if full in self.result.variables:
            value = np.asarray(self.result.variables[full].values)[0]
        elif full in self.result.coords:
            value = np.asarray(self.result.coords[full].values)
        elif any(name.startswith(full + ".") for name in self.result.variables):
            return View(self.name, self.result, full + ".")
        else:
            raise KeyError(full)
        return value.item() if isinstance(value, np.generic) else value

    def __getattr__(self, key: str) -> Any:
        try:
            return self[key]
        except KeyError:
            raise AttributeError(f"{self.name} has no {self.prefix}{key}; it has {', '.join(self)}") from None

    def __iter__(self) -> Iterator[str]:
        seen = dict.fromkeys(
            name[len(self.prefix) :].partition(".")[0]
            for name in [*self.result.variables, *self.result.coords]
            if name.startswith(self.prefix)
        )
        return iter(seen)

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self]

    def to_dict(self) -> dict[str, Any]:
        """Return nested plain values."""
        found: dict[str, Any] = {}
        for key in self:
            value = self[key]
            found[key] = value.to_dict() if isinstance(value, View) else plain(value)
        return found

    def rows(self) -> list[tuple[str, str]]:
        """Return words and value of every single number (curves are left out)."""
        rows = []
        for variable in self.result.variables.values():
            value = np.asarray(variable.values)[0]
            if np.ndim(value) == 0:
                text = value if isinstance(value, str) else quantity.render(float(value), variable.unit)
                rows.append((variable.long_name, str(text)))
        return rows

    def __repr__(self) -> str:
        return f"{self.name}: " + ", ".join(f"{words} {text}" for words, text in self.rows())

    def conditions(self) -> list[tuple[str, str]]:
        """Return the conditions that were measured under, each with its unit."""
        rows = []
        for name, (value, unit) in self.result.conditions.items():
            array = np.asarray(value)
            if array.dtype.kind in "fi" and array.size:
                text = ", ".join(dict.fromkeys(quantity.render(float(entry), unit) for entry in array.ravel()[:12]))
            else:
                text = str(value)
            rows.append((name.replace("_", " "), text))
        return rows


@dataclass(frozen=True, repr=False)
class Measurement:
    """What was measured of one stage.

    Attributes
    ----------
    stage : Stage or Circuit
    engine : str
        The simulator that did it.
    provenance : dict
        Engine and its version, netlist hash, simwrap version.
    warnings : list of str
        Ratings exceeded, levels that failed, measures that had to leave something out.
    """

    stage: Stage | Circuit
    engine: str
    provenance: dict[str, str]
    warnings: list[str]
    results: dict[str, Result]

    def __getitem__(self, name: str) -> View:
        return View(name, self.results[name])

    def __getattr__(self, name: str) -> View:
        if name.startswith("__") or name not in self.results:
            raise AttributeError(f"{name} was not measured; there is {', '.join(self.results)}")
        return self[name]

    def __dir__(self) -> list[str]:
        return [*super().__dir__(), *self.results]

    def to_dict(self) -> dict[str, Any]:
        """Return all as plain values that JSON can hold.

        What is no finite number is None: "infinite" names the figures and curves that hold an infinite value
        (the input impedance of a bare grid, a level in dB of nothing); any other None was not found, or failed.
        """
        return {
            "stage": self.stage.name,
            "values": plain(dict(self.stage.values)),
            "engine": self.engine,
            "warnings": self.warnings,
            "provenance": self.provenance,
            **{name: self[name].to_dict() for name in self.results},
            "infinite": [
                f"{name}.{key}"
                for name, result in self.results.items()
                for key, variable in result.variables.items()
                if _holds_infinity(np.asarray(variable.values))
            ],
            "conditions": {
                name: {key: {"value": plain(value), "unit": unit} for key, (value, unit) in result.conditions.items()}
                for name, result in self.results.items()
            },
        }

    def plot(self, name: str | None = None) -> Any:
        """Draw one measure (the first that has a picture where none is named) as a figure."""
        from simwrap.plots import plot

        return plot(self, name)

    def __repr__(self) -> str:
        return f"Measurement of {self.stage.name}: {', '.join(self.results)} (by {self.engine})"

    def _repr_html_(self) -> str:
        parts = [self.stage._repr_html_()]
        for name in self.results:
            view = self[name]
            rows = "".join(
                f"<tr><td style='text-align:left'>{html.escape(words)}</td>"
                f"<td style='text-align:left'>{html.escape(text)}</td></tr>"
                for words, text in view.rows()
            )
            stated = "; ".join(f"{key} {text}" for key, text in view.conditions())
            parts.append(f"<table><caption>{html.escape(name)} ({html.escape(stated)})</caption>{rows}</table>")
        parts += [f"<p>{html.escape(text)}</p>" for text in self.warnings]
        return "".join(parts)


def _keep_netlist(stage: Stage | Circuit) -> Path:
    """Write the netlist of a failed stage where the user finds it."""
    with tempfile.NamedTemporaryFile("w", prefix=f"simwrap-{stage.name}-", suffix=".cir", delete=False) as file:
        file.write(render(stage).complete())
    return Path(file.name)


def _holds_infinity(values: Any) -> bool:
    return values.dtype.kind in "fc" and bool(np.isinf(values).any())


def _all_missing(result: Result) -> bool:
    arrays = [np.asarray(v.values) for v in result.variables.values()]
    numbers = [a for a in arrays if a.dtype.kind in "fc"]
    return bool(numbers) and all(np.isnan(a).all() for a in numbers)


def _told(outcome: Outcome) -> list[str]:
    said = [text for result in outcome.results.values() for point in result.warnings[:1] for text in point]
    if outcome.reasons[0]:
        said.append(f"not everything could be simulated: {outcome.reasons[0]}")
    return list(dict.fromkeys(said))


def measure(
    stage: Stage | Circuit,
    measures: MeasureChoice = None,
    *,
    engine: str = "auto",
    time_limit: float = 60.0,
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
    """
    names = chosen_measures(stage, measures)
    outcome = evaluate(Table(stage), names, Options(engine=engine, time_limit=time_limit, workers=1))
    failed = [name for name, result in outcome.results.items() if _all_missing(result)]
    if outcome.reasons[0] and failed:
        kept = _keep_netlist(stage)
        raise EngineError(
            f"{stage.name}: {', '.join(failed)} failed ({outcome.reasons[0]}); the netlist is kept in {kept}",
            netlist=str(kept),
        )
    used = outcome.engines[0]
    origin = provenance(used, outcome.netlists[0])
    return Measurement(stage, used, origin, _told(outcome), outcome.results)
