"""What a design task measures, and how it is run: the same for every batch of its points."""

from __future__ import annotations

import math
import warnings
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.circuit import Circuit, as_circuit
from simwrap.circuits.point_table import PointTable
from simwrap.circuits.stage import Stage
from simwrap.design.limits import Known
from simwrap.engine import Run, RunKeywords
from simwrap.errors import InputError, RangeError
from simwrap.findings.status import Status, status_of
from simwrap.measures.registry import get_measure
from simwrap.measures.requests import Variable
from simwrap.measures.results import labelled, split_name
from simwrap.simulation.conduct import evaluate
from simwrap.simulation.dataset import done, single_figures, unit_of
from simwrap.simulation.measurement import MeasureChoice, chosen_measures
from simwrap.simulation.outcome import Outcome
from simwrap.simulation.sweep import make_grid, sweep
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

#: What a design task is about.
Design = Stage | Circuit
Measures = Mapping[str, Mapping[str, Any]]
Floats = NDArray[np.float64]

#: How much further each way a range of frequencies is looked at where a figure lies outside of it, and how often.
WIDER, WIDENINGS = 10.0, 2
#: Counts of levels that are tried in place of a measure's own, and how near to one another figures count as alike.
FEWER_LEVELS, ALIKE = (0, 4, 6), 0.005


@dataclass(frozen=True)
class Runs:
    """A stage with what is measured of it.

    Attributes
    ----------
    stage : Stage or Circuit
    measures : mapping of str to mapping
        Measure names with their options.
    options : Run
        How to run.
    absent : frozenset of str
        Frequencies that the stage as it stands doesn't have however far one looks, such as the lower corner of
        a low-pass: they aren't looked for.
    """

    stage: Design
    measures: Measures
    options: Run = field(default_factory=Run)
    absent: frozenset[str] = frozenset()

    @classmethod
    def of(cls, stage: Design, measures: MeasureChoice, **run: Unpack[RunKeywords]) -> Runs:
        """Return runs of the measures that were named, or else of the stage's own.

        Parameters
        ----------
        stage, measures
            As for :func:`simwrap.measure`.
        **run
            Fields of a :class:`~simwrap.engine.Run`, or a whole one as ``run``.

        Raises
        ------
        InputError
        """
        return cls(stage, chosen_measures(stage, measures), Run.of(run))

    def nominal(self) -> Known:
        """Measure the stage as it stands: what limits and goals can be about.

        Raises
        ------
        InputError
            If a measure has no meaning for this stage.
        """
        return self._nominal()[0]

    def _nominal(self) -> tuple[Known, Mapping[str, str]]:
        """Return the figures of the stage as it stands, and the measures that have no meaning for it, with why."""
        outcome = evaluate(PointTable(self.stage), self.measures, self.options)
        units, nominal = {}, {}
        for name, variable in labelled(outcome.results).items():
            values = np.asarray(variable.values)
            if variable.dims:
                continue
            units[name] = "word" if values.dtype.kind in "OUS" else variable.unit
            if values.dtype.kind in "fiu":
                nominal[name] = float(values[0])
        return Known(units, nominal, self.stage.name), outcome.refused

    def begin(self) -> tuple[Runs, Known]:
        """Measure the stage as it stands, and let the runs that follow learn from it.

        Measures that turn out to have no meaning for the stage are left out, each with a warning; where there is
        only one it is an error. Where a frequency lies outside of those that were looked at, more are looked at.

        Raises
        ------
        InputError
            If no measure is left, or for a slip in the options of one.
        """
        known, refused = self._nominal()
        for why in refused.values():
            warnings.warn(f"{why}; left out", stacklevel=3)
        left = {name: options for name, options in self.measures.items() if name not in refused}
        runs = replace(self, measures=left)
        for name in left:
            for wider in self._wider(name):
                lost = _lost(known, name)
                if not lost:
                    break
                further = replace(runs, measures={**runs.measures, name: wider})
                seen = further.nominal()
                if len(_lost(seen, name)) < len(lost):  # else it would be looked at in vain at every point
                    runs, known = further, seen
        return replace(runs, absent=frozenset(name for m in left for name in _lost(known, m))), known

    def _wider(self, name: str) -> Iterator[Mapping[str, Any]]:
        """Yield options with which a measure looks at ever more frequencies; none where these were asked for."""
        entry, options = get_measure(name), self.measures[name]
        if not {"start", "stop"} <= set(entry.options) or {"start", "stop"} & set(options):
            return
        for step in range(1, WIDENINGS + 1):
            start, stop = (float(entry.options[end].default) for end in ("start", "stop"))
            more = {"start": start / WIDER**step, "stop": stop * WIDER**step}
            try:
                entry.check(more)
            except RangeError:  # that is as far as it goes
                return
            yield {**options, **more}

    def lean(self, known: Known) -> Runs:
        """Return runs that take fewer levels for the same figures, where a measure can do with fewer.

        Each is tried on the stage as it stands, and taken where all its figures in ``known`` come out alike. What is
        read off a curve over level is closed in on, so that it hardly depends on the curve.
        """
        measures = dict(self.measures)
        for name, given in self.measures.items():
            if "levels" not in get_measure(name).options or "levels" in given:
                continue
            for levels in FEWER_LEVELS:
                fewer = replace(self, measures={name: {**given, "levels": levels}})
                try:
                    found = fewer.nominal()
                except InputError:  # a measure that takes no fewer
                    continue
                wanted = {figure: value for figure, value in known.nominal.items() if split_name(figure)[0] == name}
                if all(_alike(value, found.nominal.get(figure)) for figure, value in wanted.items()):
                    measures |= fewer.measures
                    break
        return replace(self, measures=measures)

    def sweep(self, columns: Mapping[str, Any], dim: str, **more: Any) -> xarray.Dataset:
        """Measure points whose values stand side by side, along a dim; ``more`` as for :func:`simwrap.sweep`."""
        return sweep(self.stage, columns, self.measures, zipped=dim, **{"run": self.options, **more})

    def figures(self, columns: Mapping[str, Any], dim: str = "point", **more: Any) -> xarray.Dataset:
        """Measure points, and look further where a frequency lies outside of those that were looked at.

        Only what has no value is filled in; the attribute "range.<measure>" then says how far was looked.
        """
        data = self.sweep(columns, dim, **more)
        for name in self.measures:
            for wider in self._wider(name):
                missing = [np.isnan(data.variables[figure].values) for figure in self._frequencies(data, name)]
                if not missing:
                    break
                lost = np.flatnonzero(np.any(missing, axis=0) & done(data))
                if not len(lost):
                    break
                picked = {column: np.asarray(values)[lost] for column, values in columns.items()}
                quiet = replace(self.options, progress=False)
                again = replace(self, measures={name: wider}, options=quiet).sweep(
                    picked, dim, curves=False, spot_check=0
                )
                for figure in self._frequencies(data, name):
                    values = data[figure].values
                    values[lost] = np.where(np.isnan(values[lost]), again[figure].values, values[lost])
                start, stop = (quantity.render(wider[end], "Hz") for end in ("start", "stop"))
                data.attrs[f"range.{name}"] = f"{start} to {stop}"
        return data

    def numbers(
        self, columns: Mapping[str, Any], names: Collection[str]
    ) -> tuple[dict[str, Floats], NDArray[np.bool_]]:
        """Measure points whose values stand side by side, for a search: some figures as plain arrays.

        It looks further as :meth:`figures` does, for these figures only; no Dataset is made, which would take as
        long as the run of a few points.

        Returns
        -------
        tuple of dict of str to ndarray, ndarray of bool
            Figures by name, and which points were measured, each of shape (points,).
        """
        outcome, found = self._numbers(columns, names)
        good = np.array([status_of(reason) is Status.DONE for reason in outcome.reasons])
        for measure in self.measures:
            for wider in self._wider(measure):
                sought = [
                    name for name, variable in found.items()
                    if split_name(name)[0] == measure and variable.unit == "Hz" and name not in self.absent
                ]  # fmt: skip
                missing = np.any([np.isnan(found[name].values) for name in sought], axis=0)
                lost = np.flatnonzero(missing & good)
                if not len(lost):
                    break
                picked = {column: np.asarray(values)[lost] for column, values in columns.items()}
                again = replace(self, measures={measure: wider})._numbers(picked, sought)[1]
                for name in sought:
                    values = found[name].values
                    values[lost] = np.where(np.isnan(values[lost]), again[name].values, values[lost])
        return {name: np.asarray(variable.values) for name, variable in found.items()}, good

    def _numbers(self, columns: Mapping[str, Any], names: Collection[str]) -> tuple[Outcome, dict[str, Variable]]:
        outcome = evaluate(make_grid(as_circuit(self.stage), columns, zipped=True).table, self.measures, self.options)
        every = labelled(outcome.results)
        return outcome, {
            name: replace(every[name], values=numbers)
            for name in names
            if name in every and (numbers := as_numbers(every[name].values)) is not None
        }

    def _frequencies(self, data: xarray.Dataset, measure: str) -> list[str]:
        names = [name for name in single_numbers(data, measure) if unit_of(data.variables[name]) == "Hz"]
        return [name for name in names if name not in self.absent]


def as_numbers(values: Any) -> NDArray[np.float64] | None:
    """Return a figure's values as numbers: "yes" and "no" are 1 and 0, the least over all that isn't the point's.

    None for one that has other words, and for numbers with more than the point's axis.
    """
    array = np.asarray(values)
    if array.dtype.kind in "fi":
        return array.astype(float) if array.ndim == 1 else None
    words = np.char.lower(array.astype(str))
    if array.dtype.kind not in "OUS" or not np.isin(words, ["yes", "no", ""]).all() or (words == "").all():
        return None
    truth = np.where(words == "yes", 1.0, np.where(words == "no", 0.0, np.nan))
    return np.asarray(truth.reshape(len(truth), -1).min(axis=1), dtype=float)


def _alike(one: float, other: float | None) -> bool:
    """Whether two values of a figure are the same for a builder; both may have none."""
    if other is None or math.isnan(one) or math.isnan(other):
        return other is not None and math.isnan(one) and math.isnan(other)
    return math.isclose(one, other, rel_tol=ALIKE)


def single_numbers(data: xarray.Dataset, measure: str | None = None) -> list[str]:
    """Return the names of the numbers with one value a point, of one measure or of all."""
    names = [name for name in single_figures(data) if measure in (None, split_name(name)[0])]
    return [name for name in names if data.variables[name].dtype.kind == "f"]


def _lost(known: Known, measure: str) -> list[str]:
    """Return the frequencies of a measure that have no value."""
    names = [name for name, unit in known.units.items() if unit == "Hz" and split_name(name)[0] == measure]
    return [name for name in names if math.isnan(known.nominal[name])]


__all__ = ["Runs", "as_numbers", "single_numbers"]
