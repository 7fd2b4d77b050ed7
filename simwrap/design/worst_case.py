"""The extremes of every figure at the corners of the tolerances."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.circuit import as_circuit
from simwrap.design.runs import Design, Runs, single_numbers
from simwrap.design.tolerance import KEYWORDS, HowKeywords, Tolerances, columns_of
from simwrap.engine import Run, spelled_out
from simwrap.measures.results import find_name, split_name
from simwrap.report.bars import bars
from simwrap.report.json import plain
from simwrap.report.model import Listing
from simwrap.report.shown import Shown, labelled
from simwrap.simulation.dataset import done, unit_of
from simwrap.simulation.measurement import MeasureChoice
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

#: Up to so many factors every corner is run; of more, all corners of those that matter most to a figure.
ALL_CORNERS, MOST = 10, 8
#: How often a figure's worst corners are left by one factor or two, while that makes them worse.
_ROUNDS = 4
#: How a figure's extremes were found, in words beside it.
ALL, BY_SLOPE = "all corners", "the two corners that its slopes point to"


@dataclass(frozen=True, repr=False)
class WorstCase(Shown):
    """The extremes that were found at the corners of the tolerances.

    Attributes
    ----------
    data : xarray.Dataset
        Every corner that was run, dim "corner".
    method : str
        Which corners were taken, in words; beside each figure stands how its own were (:meth:`found_by`).
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

    def found_by(self, variable: str) -> str:
        """Return in words how the extremes of a figure were found."""
        return str(self.data[find_name(variable, self.nominal)].attrs.get("found_by", self.method))

    def _ipython_key_completions_(self) -> list[str]:
        return [name for name in self.nominal if name in self.data]

    def missing(self, variable: str) -> int:
        """Return how many corners have no value: outside of what was looked at, or not simulated."""
        return int(np.isnan(self._values(variable)).sum())

    def _values(self, variable: str) -> NDArray[np.float64]:
        return np.asarray(self.data[find_name(variable, self.nominal)].values, dtype=float)

    @property
    def failed(self) -> int:
        """How many corners could not be simulated."""
        return int((~done(self.data)).sum())

    @property
    def summary(self) -> str:
        """What was run, and what has no value."""
        text = f"worst case, {self.method}"
        if self.failed:
            text += f"; {self.failed} of {self.data['outcome'].size} corners could not be simulated"
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
        """Return one row a variable, as ``HEAD`` says."""
        rows = []
        for name in self._shown:
            cells, sign = quantity.alike([self.nominal[name], *self[name]], unit_of(self.data[name]))
            rows.append((name, sign, *cells, self.found_by(name), str(self.missing(name) or "")))
        return rows

    def to_dict(self) -> dict[str, Any]:
        """Return the lowest and highest value of each figure by name, how they were found, and corners without one."""
        names = self._ipython_key_completions_()
        without = {name: count for name in self.nominal if (count := self.missing(name))}
        found_by = {name: self.found_by(name) for name in names}
        ends = {name: self[name] for name in names}
        return dict(plain({"method": self.method, "found_by": found_by, **ends, "without_value": without}))

    def to_dataset(self) -> xarray.Dataset:
        """Return nominal, lowest and highest value of each figure, dim "extreme"; :attr:`data` has every corner."""
        columns = {name: ([self.nominal[name], *self[name]], unit_of(self.data[name]), name)
                   for name in self._ipython_key_completions_()}  # fmt: skip
        return labelled("extreme", ["nominal", "lowest", "highest"], columns, method=self.method)

    def plot(self, *, ax: Any = None) -> Any:
        """Draw how far each figure gets from its nominal value, in per cent of it; those that are 0 have no bar."""
        names = [name for name in self._shown if self.nominal[name]]
        moved = [[100.0 * (end / self.nominal[name] - 1.0) for end in self[name]] for name in names]
        ends = [(min(pair), max(pair)) for pair in moved]
        widest = [max(pair, key=abs) for pair in ends]
        return bars(names, widest, "furthest from nominal [%]", "worst case", ends=ends, ax=ax)

    HEAD = ("variable", "unit", "nominal", "lowest", "highest", "found by", "no value")

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

    Up to 10 factors, all 2^n corners are run. Beyond that each factor is moved alone to both ends. For each
    variable all 256 corners of the eight factors that move it most are run, with the rest where their slopes point;
    from the worst of these, every one and every two factors are then moved to their other ends as long as that makes
    it worse. A still worse mixture may be missed, and an extreme inside of the tolerances is. Beside
    each variable stands how its extremes were found. A corner of the response that lies outside of the
    frequencies that are looked at is looked for a hundred times further out.

    Parameters
    ----------
    stage, tolerances, measures, valve_spread, supply_variation, matched, matching, distribution
        As for :func:`spread`.
    engine, executor, workers, time_limit, progress
        As for :func:`simwrap.sweep`.

    Returns
    -------
    WorstCase
        Says for each variable how its extremes were found, and how many corners have no value.

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
        for name in single_numbers(data):
            data[name].attrs["found_by"] = ALL
    else:
        data, method = _CornerSearch(run, count, nominal).found(), f"{count} factors, {_by_most(count)}"
    data.attrs["worst_case"] = method
    return WorstCase(data, method, nominal)


def _by_most(count: int) -> str:
    return f"corners of {MOST} of {count} factors, the rest by their slope"


class _CornerSearch:
    """The search for extremes among too many corners for all of them: each corner is run once."""

    def __init__(self, run: Callable[[NDArray[Any]], xarray.Dataset], count: int, nominal: Mapping[str, float]) -> None:
        self._run, self._count, self._nominal = run, count, nominal
        self._parts: list[xarray.Dataset] = []
        self._corners: list[NDArray[np.float64]] = []
        self._known: set[bytes] = set()

    def found(self) -> xarray.Dataset:
        """Return all that was run, each figure with how its extremes were found."""
        import xarray

        count = self._count
        alone = self._run(np.concatenate([np.eye(count), -np.eye(count)]))
        names = single_numbers(alone)
        told = [name for name in names if not name.startswith("bias.nodes.")]
        steps = {name: np.asarray(alone[name].values, dtype=float).reshape(2, count) for name in names}
        signs = {name: np.where(np.nan_to_num(high - low) < 0, -1.0, 1.0) for name, (high, low) in steps.items()}
        tried = [way * sign for sign in signs.values() for way in (1.0, -1.0)]
        for name in told:
            tried += self._of_most(signs[name], np.abs(steps[name] - self._nominal.get(name, np.nan)))
        self._add(np.array(tried))
        for _ in range(_ROUNDS):
            if not self._add(np.array([each for name in told for each in self._beside(name)])):
                break
        data = xarray.concat([alone, *self._parts], "corner", combine_attrs="override")  # the later has looked as far
        for name in names:
            data[name].attrs["found_by"] = _by_most(count) if name in told else BY_SLOPE
        return data

    def _of_most(self, sign: NDArray[np.float64], moves: NDArray[np.float64]) -> list[NDArray[np.float64]]:
        """Return all corners of the factors that move a figure most, the rest by their slope to either side."""
        most = np.argsort(-np.nan_to_num(moves).max(axis=0), kind="stable")[:MOST]
        every = 1.0 - 2.0 * ((np.arange(2**MOST)[:, None] >> np.arange(MOST)) & 1)
        found = []
        for way in (1.0, -1.0):
            corners = np.tile(way * sign, (len(every), 1))
            corners[:, most] = every
            found += list(corners)
        return found

    def _beside(self, name: str) -> list[NDArray[np.float64]]:
        """Return the corners that differ from the worst so far of a figure in one factor, or in two."""
        values = np.concatenate([np.asarray(part[name].values, dtype=float) for part in self._parts])
        if np.isnan(values).all():
            return []
        corners = np.concatenate(self._corners)
        ends = (corners[np.nanargmin(values)], corners[np.nanargmax(values)])
        places = range(self._count)
        turned = [np.isin(places, pair) for pair in combinations_with_replacement(places, 2)]
        return [end * np.where(factors, -1.0, 1.0) for end in ends for factors in turned]

    def _add(self, corners: NDArray[np.float64]) -> bool:
        """Run those of some corners that are new; return whether there were any."""
        new = [each for each in np.unique(corners, axis=0) if each.tobytes() not in self._known] if len(corners) else []
        if not new:
            return False
        self._known |= {each.tobytes() for each in new}
        self._corners.append(np.array(new))
        self._parts.append(self._run(self._corners[-1]))
        return True


__all__ = ["WorstCase", "worst_case"]
