"""What a design task measures, and how it is run: the same for every batch of its points."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.point_table import Table
from simwrap.circuits.stage import Stage
from simwrap.design.limits import Known
from simwrap.errors import InputError, QuantityError, RangeError, UnknownNameError
from simwrap.measures.registry import get_measure
from simwrap.simulation.evaluate import Options, evaluate
from simwrap.simulation.measurement import MeasureChoice, chosen_measures
from simwrap.simulation.sweep import dataset_name, sweep

if TYPE_CHECKING:
    import xarray

Measures = Mapping[str, Mapping[str, Any]]

#: How much further each way a range of frequencies is looked at where a figure lies outside of it, and how often.
WIDER, WIDENINGS = 10.0, 2
#: A slip in the options of a measure, as against a measure that has no meaning for a stage.
SLIPS = (QuantityError, RangeError, UnknownNameError)


@dataclass(frozen=True)
class Runs:
    """A stage with what is measured of it.

    Attributes
    ----------
    stage : Stage
    measures : mapping of str to mapping
        Measure names with their options.
    options : Options
        How to run.
    """

    stage: Stage
    measures: Measures
    options: Options = Options()

    @classmethod
    def of(cls, stage: Stage, measures: MeasureChoice, **how: Any) -> Runs:
        """Return runs of the measures that were named, or else of the stage's own.

        Parameters
        ----------
        stage, measures
            As for :func:`simwrap.measure`.
        **how
            Fields of :class:`~simwrap.simulation.evaluate.Options`.

        Raises
        ------
        InputError
        """
        if not isinstance(stage, Stage):
            raise RangeError("stage", stage, 'a stage, such as simwrap.stage("triode_gain")')
        return cls(stage, chosen_measures(stage, measures), Options(**how))

    def nominal(self) -> Known:
        """Measure the stage as it stands: what limits and goals can be about.

        Raises
        ------
        InputError
            If a measure has no meaning for this stage.
        """
        outcome = evaluate(Table(self.stage), self.measures, self.options)
        units, nominal = {}, {}
        for measure, result in outcome.results.items():
            for key, variable in result.variables.items():
                values = np.asarray(variable.values)
                if variable.dims:
                    continue
                name = dataset_name(measure, key, variable)
                units[name] = "word" if values.dtype.kind in "OUS" else variable.unit
                if values.dtype.kind in "fiu":
                    nominal[name] = float(values[0])
        return Known(units, nominal, self.stage.name)

    def begin(self) -> tuple[Runs, Known]:
        """Measure the stage as it stands, without the measures that turn out to have no meaning for it.

        Each of them is a warning; where there is only one it is an error.

        Raises
        ------
        InputError
            If no measure is left, or for a slip in the options of one.
        """
        try:
            return self, self.nominal()
        except SLIPS:
            raise
        except InputError:
            if len(self.measures) < 2:
                raise
        left, said = {}, []
        for name, options in self.measures.items():
            try:
                replace(self, measures={name: options}).nominal()
            except InputError as fault:
                said.append(str(fault))
                continue
            left[name] = options
        if not left:
            raise InputError("; ".join(said))
        for text in said:
            warnings.warn(f"{text}; left out", stacklevel=4)
        fewer = replace(self, measures=left)
        return fewer, fewer.nominal()

    def sweep(self, columns: Mapping[str, Any], dim: str, **more: Any) -> xarray.Dataset:
        """Measure points whose values stand side by side, along a dim; ``more`` as for :func:`simwrap.sweep`."""
        how = self.options
        return sweep(
            self.stage, columns, self.measures, zipped=dim, engine=how.engine, executor=how.executor,
            workers=how.workers, time_limit=how.time_limit, **more,
        )  # fmt: skip

    def figures(self, columns: Mapping[str, Any], dim: str = "point") -> tuple[xarray.Dataset, dict[str, float]]:
        """Measure points, and look further where a figure lies outside of the frequencies that were looked at.

        Returns
        -------
        data : xarray.Dataset
            Single numbers along ``dim``.
        reach : dict of str to float
            By how much ``start`` and ``stop`` of a measure were moved, by its name, where they were.
        """
        data = self.sweep(columns, dim, curves=False, spot_check=0)
        reach: dict[str, float] = {}
        for name, options in self.measures.items():
            limits = {key: get_measure(name).options.get(key) for key in ("start", "stop")}
            if None in limits.values() or set(limits) & set(options):
                continue  # it looks at no range of frequencies, or at one that was asked for
            for step in range(1, WIDENINGS + 1):
                lost = np.flatnonzero(_without(data, name).any(axis=0) & (data["status"].values == ""))
                if not len(lost):
                    break
                wider = WIDER**step
                try:
                    get_measure(name).check(moved := {"start": limits["start"] / wider, "stop": limits["stop"] * wider})
                except RangeError:  # that is as far as it goes
                    break
                again = replace(self, measures={name: {**options, **moved}})
                _fill(data, again.sweep(_picked(columns, lost), dim, curves=False, spot_check=0), name, lost)
                reach[name] = wider
        return data, reach


def single_numbers(data: xarray.Dataset, measure: str | None = None) -> list[str]:
    """Return the names of the numbers with one value a point, of one measure or of all."""
    dims = data["status"].dims
    return [
        str(name)
        for name, variable in data.data_vars.items()
        if variable.dims == dims and variable.dtype.kind == "f" and measure in (None, variable.attrs.get("measure"))
    ]


def _without(data: xarray.Dataset, measure: str) -> NDArray[np.bool_]:
    """Return where the numbers of a measure have no value, shape (numbers, points)."""
    return np.array([np.isnan(data[name].values) for name in single_numbers(data, measure)]).reshape(
        -1, data["status"].size
    )


def _picked(columns: Mapping[str, Any], places: NDArray[np.intp]) -> dict[str, Any]:
    return {name: np.asarray(column)[places] for name, column in columns.items()}


def _fill(data: xarray.Dataset, found: xarray.Dataset, measure: str, places: NDArray[np.intp]) -> None:
    for name in single_numbers(data, measure):
        values = data[name].values
        values[places] = np.where(np.isnan(values[places]), found[name].values, values[places])


__all__ = ["Runs", "single_numbers"]
