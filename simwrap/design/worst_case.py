"""The extremes of every figure at the corners of the tolerances."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.circuit import as_circuit
from simwrap.design.runs import Design, Runs, single_numbers
from simwrap.design.tolerance import KEYWORDS, HowKeywords, Tolerances, columns_of
from simwrap.engine import Run, spelled_out
from simwrap.measures.results import find_name, split_name
from simwrap.report.model import Listing
from simwrap.report.shown import Shown
from simwrap.simulation.dataset import unit_of
from simwrap.simulation.measurement import MeasureChoice
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

#: Up to so many factors every corner is run.
ALL_CORNERS = 10


@dataclass(frozen=True, repr=False)
class WorstCase(Shown):
    """The extremes that were found at the corners of the tolerances.

    Attributes
    ----------
    data : xarray.Dataset
        Every corner that was run, dim "corner".
    method : str
        Which corners were taken, in words.
    nominal : dict of str to float
        Values of the nominal build.
    """

    data: xarray.Dataset
    method: str
    nominal: dict[str, float]

    def __getitem__(self, variable: str) -> tuple[float, float]:
        """Return the lowest and the highest value of a figure, by its name or tail, NaN where no corner has one."""
        values = self._values(variable)
        if np.isnan(values).all():
            return float("nan"), float("nan")
        return float(np.nanmin(values)), float(np.nanmax(values))

    def missing(self, variable: str) -> int:
        """Return how many corners have no value: outside of what was looked at, or not simulated."""
        return int(np.isnan(self._values(variable)).sum())

    def _values(self, variable: str) -> NDArray[np.float64]:
        return np.asarray(self.data[find_name(variable, self.nominal)].values, dtype=float)

    @property
    def failed(self) -> int:
        """How many corners could not be simulated."""
        return int((self.data["status"].values != "").sum())

    @property
    def summary(self) -> str:
        """What was run, and what has no value."""
        text = f"worst case, {self.method}"
        if self.failed:
            text += f"; {self.failed} of {self.data['status'].size} corners could not be simulated"
        for name in self._shown:
            lost = self.missing(name) - self.failed
            if lost > 0 and not np.isnan(self[name][0]):  # what is nowhere has no extremes that could mislead
                text += f"; {name} has no value at {lost} corners{self._where(name)}"
        return text

    def _where(self, name: str) -> str:
        """Say where it was looked for in vain; the extremes that are shown then aren't the worst."""
        looked = self.data.attrs.get(f"range.{split_name(name)[0]}")
        between = f" from {looked}" if looked else ""
        return f"{between}, so that its extremes may lie further out than those that are shown"

    @property
    def _shown(self) -> list[str]:
        return [name for name in self.nominal if name in self.data and not name.startswith("bias.nodes.")]

    def rows(self) -> list[tuple[str, ...]]:
        """Return one row a variable: name, unit, nominal, lowest and highest value, corners without a value."""
        rows = []
        for name in self._shown:
            cells, sign = quantity.alike([self.nominal[name], *self[name]], unit_of(self.data[name]))
            rows.append((name, sign, *cells, str(self.missing(name) or "")))
        return rows

    HEAD = ("variable", "unit", "nominal", "lowest", "highest", "no value")

    def report(self) -> list[Listing]:
        return [Listing(self.summary, self.HEAD, self.rows())]


@spelled_out(Run, **KEYWORDS)
def worst_case(
    stage: Design,
    tolerances: Tolerances | Mapping[str, Any] | None = None,
    measures: MeasureChoice = None,
    **how: Unpack[HowKeywords],
) -> WorstCase:
    """Return the extremes of every variable at the corners of the tolerances.

    Up to 10 factors, all 2^n corners are run. Beyond that each factor is moved alone to both
    ends, and for each variable the two corners are run that these changes point to: exact
    where a variable rises or falls steadily with each part, whatever the others are;
    otherwise a worse mixture may be missed. An extreme inside of the tolerances is missed by
    both. A corner of the response that lies outside of the frequencies that are looked at is
    looked for a hundred times further out.

    Parameters
    ----------
    stage, tolerances, measures, valve_spread, supply_variation, matched, matching, distribution
        As for :func:`spread`.
    engine, executor, workers, time_limit, progress
        As for :func:`simwrap.sweep`.

    Returns
    -------
    WorstCase
        Says for each variable how many corners have no value.

    Raises
    ------
    InputError, NoEngineError
        As for :func:`spread`.

    Examples
    --------
    >>> import simwrap
    >>> extremes = simwrap.worst_case(simwrap.stage("triode_gain"), {"anode_resistor": "5 %"}, ["response"])
    >>> least, most = extremes["response.gain"]
    >>> least < most
    True
    """
    as_circuit(stage, "worst_case")
    varied, run_options = Tolerances.of(tolerances, how)
    factors = varied.factors(stage)
    runs = Runs.of(stage, measures, **run_options)
    runs, known = runs.begin()
    nominal = dict(known.nominal)

    def run(positions: NDArray[Any]) -> xarray.Dataset:
        return runs.figures(columns_of(stage, factors, positions), "corner", curves=False, spot_check=0)

    count = len(factors)
    if count <= ALL_CORNERS:
        positions = 1.0 - 2.0 * ((np.arange(2**count)[:, None] >> np.arange(count)) & 1)
        data, method = run(positions), f"all {2**count} corners of {count} factors"
    else:
        data = _directed(run, count)
        method = (
            f"{count} factors, corners directed by the change with each factor alone (a worse mixture may be missed)"
        )
    data.attrs["worst_case"] = method
    return WorstCase(data, method, nominal)


def _directed(run: Callable[[NDArray[Any]], xarray.Dataset], count: int) -> xarray.Dataset:
    """Move each factor alone, and then run the corners that each variable's changes point to."""
    import xarray

    alone = run(np.concatenate([np.eye(count), -np.eye(count)]))
    corners = []
    for name in single_numbers(alone):
        values = np.asarray(alone[name].values, dtype=float)
        sign = np.where(np.nan_to_num(values[:count] - values[count:]) < 0, -1.0, 1.0)
        corners += [sign, -sign]
    directed = run(np.unique(np.array(corners, dtype=np.float64), axis=0))
    return xarray.concat([alone, directed], "corner", combine_attrs="override")  # the later has looked as far


__all__ = ["WorstCase", "worst_case"]
