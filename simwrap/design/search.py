"""The search for values that meet goals: points are run in batches, and come back as misses.

Quick figures (operating point, small signal) are taken of every point. Steady states are run only
where these leave hope: the operating point was found, no valve is cut off, and the goals on quick
figures aren't missed by far more than elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.header import Parameter
from simwrap.circuits.render import devices_moved
from simwrap.circuits.stage import find_parameter
from simwrap.design.goals import Goal
from simwrap.design.runs import Design, Runs
from simwrap.errors import InputError, RangeError
from simwrap.units import eseries

Floats = NDArray[np.float64]

#: A free value is looked for within this factor of where it stands, unless bounds are given.
REACH = 30.0
#: Starting points that are tried for each free value, and altogether where a run is slow: drawn, and run.
SCAN, SLOW_DRAWN, SLOW_SCAN = 32, 256, 12
#: Weight of staying where the stage stands: it settles what the goals leave open, and no more.
STAY = 1e-2
#: A sum of squared misses that no search would better.
NOTHING = 1e-9
#: How much values that are out of the ordinary count, in tolerances for each decade from where the stage stands:
#: between combinations that keep all goals, and between others. A step to a finer series counts like so many decades.
ODD, ODD_MISSED, ORDINARY, FINER = 0.5, 0.01, ("E6", "E12", "E24"), 0.1
#: How far values are moved to measure the gradient: a share of their range. Steady-state figures
#: are read between levels, and need a wider step.
STEP, SLOW_STEP = 1e-3, 1e-2
#: Share of the nominal anode current below which a valve counts as cut off, so that no steady state is worth a run.
CUT_OFF = 0.02


@dataclass(frozen=True)
class Free:
    """A free value: where it may be, and the preferred values it may take (series "": any)."""

    parameter: Parameter
    low: float
    high: float
    start: float
    series: str

    @property
    def logarithmic(self) -> bool:
        """Whether equal steps are equal ratios."""
        return self.low > 0 and self.high / self.low > 3

    def inside(self, share: Any) -> Any:
        """Return the value at a share 0..1 of the range."""
        if self.logarithmic:
            return self.low * (self.high / self.low) ** share
        return self.low + (self.high - self.low) * share

    def share(self, value: Any) -> Any:
        """Return where in its range a value is, 0..1."""
        if self.logarithmic:
            return np.log(np.asarray(value) / self.low) / math.log(self.high / self.low)
        return (np.asarray(value) - self.low) / (self.high - self.low)

    def odd(self, values: Floats) -> Floats:
        """Return how little ordinary values are: decades from where the stage stands, and how fine their series is."""
        if not self.series:
            return np.asarray(np.abs(self.share(values) - self.share(self.start)))
        coarse = [next((n for n, name in enumerate(ORDINARY) if eseries.nearest(value, name) == value), len(ORDINARY))
                  for value in values.tolist()]  # fmt: skip
        return np.asarray(np.abs(np.log10(values / self.start)) + FINER * np.array(coarse))

    def preferred(self) -> list[float]:
        """Return every preferred value of its range; where there is none, that next to where it stands."""
        if not self.series:
            return [self.start]
        return list(eseries.values(self.series, self.low, self.high)) or [eseries.nearest(self.start, self.series)]


def free_parts(
    stage: Design, free: Iterable[str] | Mapping[str, Any], series: str | Mapping[str, str]
) -> tuple[list[Free], dict[str, float]]:
    """Read which values are free; values that are held at one place (their ends are the same) come apart.

    Raises
    ------
    InputError
    """
    parameters = stage.parameters
    accepted = 'parameters, such as ["cathode_resistor"] or {"cathode_resistor": ("1k", "10k")}'
    if isinstance(free, str):
        free = [free]
    if not isinstance(free, Iterable):
        raise RangeError("free", free, accepted, stage.name)
    given = dict(free) if isinstance(free, Mapping) else dict.fromkeys(free)
    named = {find_parameter(str(name), parameters, stage.name).name: ends for name, ends in given.items()}
    if not named:
        raise InputError(f'{stage.name}: choose needs at least one free parameter, such as ["cathode_resistor"]')
    rows = _series_by_name(stage, series)
    parts, held = [], {}
    for name, ends in named.items():
        parameter = parameters[name]
        if not parameter.numeric:
            raise RangeError("free", name, "parameters that are numbers; sweep over words instead", stage.name)
        row = ""
        if parameter.unit in ("ohm", "F", "H"):
            row = rows.get(name, rows[""])
            eseries.values(row, 1.0, 1.0)  # refuses an unknown series
            if stage.values[name] != 0 and not devices_moved(stage, name):
                raise RangeError("free", name, "parts that are in the circuit as its choices stand", stage.name)
        low, high = _range(stage, parameter, ends, row != "")
        if low == high:
            held[name] = low
            continue
        start = float(stage.values[name])
        parts.append(Free(parameter, low, high, min(max(start, low), high), row))
    if not parts:
        raise InputError(f"{stage.name}: choose needs at least one parameter that isn't held at one value")
    return parts, held


def _series_by_name(stage: Design, series: str | Mapping[str, str]) -> dict[str, str]:
    """Return the series by parameter, "" for all others."""
    if isinstance(series, str):
        return {"": series}
    if not isinstance(series, Mapping):
        raise RangeError("series", series, 'a series such as "E12", or one for each parameter', stage.name)
    found = {find_parameter(str(k), stage.parameters, stage.name).name: s for k, s in series.items()}
    for name, row in found.items():
        if not isinstance(row, str):
            raise RangeError(f"series of {name}", row, 'a series such as "E12"', stage.name)
    return {"": "E12", **found}


def _range(stage: Design, parameter: Parameter, ends: Any, on_series: bool) -> tuple[float, float]:
    """Return where a free value may be."""
    name, start = parameter.name, float(stage.values[parameter.name])
    if ends is not None:
        if isinstance(ends, str) or not isinstance(ends, Iterable) or len(pair := list(ends)) != 2:
            raise RangeError(f"range of {name}", ends, 'its lower and upper end, such as ("1k", "10k")', stage.name)
        low, high = (float(stage.check(name, end)[1]) for end in pair)
        if on_series and low <= 0:
            raise RangeError(f"range of {name}", ends, "a lower end above 0", stage.name)
    elif on_series and start == 0:
        raise RangeError(
            "free", name, "parts that are there: this one is 0, so give it a value or its range", stage.name
        )
    elif on_series:
        low, high = start / REACH, start * REACH
    elif parameter.unit == "":
        low, high = 0.0, 1.0
    else:
        low, high = sorted((start / 3.0, start * 3.0))
    low = max(low, parameter.minimum if parameter.minimum is not None else low)
    high = min(high, parameter.maximum if parameter.maximum is not None else high)
    if low > high or (low == high and ends is None):
        raise RangeError(name, f"{low:g} to {high:g}", "a range with its lower end first", stage.name)
    return low, high


@dataclass
class Problem:
    """Runs points and turns them into misses.

    Attributes
    ----------
    goals : sequence of Goal
    free : sequence of Free
    quick, slow : Runs
        What is measured of every point, and what only where that leaves hope; either may be empty.
    anode_currents : dict of str to float
        Nominal anode currents [A] by figure, for telling a valve that is cut off.
    """

    goals: Sequence[Goal]
    free: Sequence[Free]
    quick: Runs
    slow: Runs
    anode_currents: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.tried: list[tuple[Floats, Floats]] = []
        self.slope: _Slope | None = None

    def reach(self, values: Floats) -> Floats:
        """Return the goals' figures for free values of shape (points, free): (points, goals)."""
        reached, hope = self._quickly(values)
        if self.slow.measures and hope.any():
            places = np.flatnonzero(hope)
            found, _ = self.slow.numbers(self._columns(values[places]), self._figures)
            self._take(found, reached, places)
        self.tried += zip(values, reached, strict=True)
        return reached

    def _columns(self, values: Floats) -> dict[str, Floats]:
        return {part.parameter.name: values[:, k] for k, part in enumerate(self.free)}

    def _quickly(self, values: Floats) -> tuple[Floats, NDArray[np.bool_]]:
        """Return the quick figures of points, and which of them are worth a steady state."""
        reached = np.full((len(values), len(self.goals)), np.nan)
        hope = np.ones(len(values), dtype=bool)
        if self.quick.measures:
            found, hope = self.quick.numbers(self._columns(values), [*self._figures, *self.anode_currents])
            for name, nominal in self.anode_currents.items():
                hope &= np.abs(found[name]) > CUT_OFF * abs(nominal)
            self._take(found, reached, np.arange(len(values)))
        return reached, hope

    @property
    def _figures(self) -> list[str]:
        return [goal.variable for goal in self.goals]

    def _take(self, found: Mapping[str, Floats], reached: Floats, places: NDArray[np.intp]) -> None:
        for number, goal in enumerate(self.goals):
            if goal.variable in found:
                reached[places, number] = found[goal.variable]

    def values(self, shares: Floats) -> Floats:
        """Return values for shares of the ranges, shape (points, free)."""
        return np.stack([part.inside(shares[:, k]) for k, part in enumerate(self.free)], axis=1)

    def shares(self, values: Floats) -> Floats:
        """Return shares of the ranges for values, shape (points, free)."""
        return np.stack([part.share(values[:, k]) for k, part in enumerate(self.free)], axis=1)

    def misses(self, reached: Floats) -> Floats:
        """Return how far figures are from the goals, in tolerances, shape (points, goals)."""
        return np.stack([goal.misses(reached[:, k]) for k, goal in enumerate(self.goals)], axis=1)

    def met(self, reached: Floats) -> NDArray[np.bool_]:
        """Return which points keep all goals."""
        return np.asarray(np.all([goal.kept(reached[:, k]) for k, goal in enumerate(self.goals)], axis=0))

    @property
    def start(self) -> Floats:
        """Shares at which the stage stands."""
        return np.array([float(part.share(part.start)) for part in self.free])

    def costs(self, values: Floats, reached: Floats) -> Floats:
        """Return the sum of squared misses, with a small cost of how far values are from where the stage stands."""
        moved = (STAY * (self.shares(values) - self.start)) ** 2
        return np.asarray((self.misses(reached) ** 2).sum(axis=1) + moved.sum(axis=1))

    def order(self, values: Floats, reached: Floats) -> NDArray[np.intp]:
        """Return the places of the points: those that keep all goals first, then by their misses."""
        return np.lexsort((self.costs(values, reached), ~self.met(reached)))

    def preference(self, values: Floats, reached: Floats) -> NDArray[np.intp]:
        """Return the places of the points as a builder would take them: as :meth:`order`, ordinary values before odd.

        Of those that keep all goals how ordinary the values are counts for as much as a part of a tolerance does.
        """
        met = self.met(reached)
        away = np.sqrt((self.misses(reached) ** 2).sum(axis=1))
        odd = np.sum([part.odd(values[:, k]) for k, part in enumerate(self.free)], axis=0)
        return np.lexsort((away + np.where(met, ODD, ODD_MISSED) * odd, ~met))

    def best(self) -> tuple[Floats, Floats]:
        """Return the values and the figures of the best of all points that were run."""
        values, reached = (np.array(column) for column in zip(*self.tried, strict=True))
        first = self.order(values, reached)[0]
        return values[first], reached[first]

    def solve(self, seed: int) -> None:
        """Look for the best values as they come, from the best of many starting points."""
        from scipy.optimize import least_squares

        slow = bool(self.slow.measures)
        given = self.values(self.start[None])
        if self.costs(given, self.reach(given))[0] < NOTHING:
            return
        shares, costs = self._scanned(seed)
        for start in np.argsort(costs, kind="stable")[: 1 if slow else 2]:
            values, reached = self.best()
            if self.costs(values[None], reached[None])[0] < NOTHING:
                break
            least_squares(
                lambda at: self._slope_at(at).misses, np.clip(shares[start], 1e-6, 1 - 1e-6),
                jac=lambda at: self._slope_at(at).gradient, bounds=(0.0, 1.0),
                xtol=1e-3 if slow else 1e-7, ftol=1e-3 if slow else 1e-9, max_nfev=8 if slow else 40,
            )  # fmt: skip

    def _scanned(self, seed: int) -> tuple[Floats, Floats]:
        """Return starting points and their costs; of slow ones those that leave most hope."""
        from scipy.stats import qmc

        slow = bool(self.slow.measures)
        count = SLOW_DRAWN if slow else SCAN * len(self.free)
        drawn = qmc.LatinHypercube(d=len(self.free), seed=np.random.default_rng(seed)).random(count)
        if slow and self.quick.measures:
            reached, hope = self._quickly(self.values(drawn))
            quick = np.isfinite(reached).any(axis=0)
            cost = (self.misses(reached)[:, quick] ** 2).sum(axis=1) + np.where(hope, 0.0, np.inf)
            drawn = drawn[np.argsort(cost, kind="stable")]
        shares = drawn[:SLOW_SCAN] if slow else drawn
        values, reached = self.values(shares), self.reach(self.values(shares))
        given = np.array([reached for _, reached in self.tried[:1]])  # the stage itself, already run
        values, reached = np.concatenate([self.values(self.start[None]), values]), np.concatenate([given, reached])
        return np.concatenate([self.start[None], shares]), self.costs(values, reached)

    def _slope_at(self, shares: Floats) -> _Slope:
        """Return the misses and their gradient, from one batch of points; a slow one has a point less a value."""
        if self.slope is not None and np.array_equal(self.slope.shares, shares):
            return self.slope
        count, slow = len(self.free), bool(self.slow.measures)
        step = SLOW_STEP if slow else STEP
        ahead = np.where(shares + step <= 1.0, shares + step, shares - step if slow else 1.0)
        behind = shares if slow else np.maximum(shares - step, 0.0)
        ends = [ahead] if slow else [ahead, behind]
        moved = [np.where(np.arange(count) == k, end, shares) for k in range(count) for end in ends]
        reached = self.reach(self.values(np.stack([shares, *moved])))

        def change(found: Floats) -> Floats:
            other = found[:1] if slow else found[2::2]
            return np.asarray(((found[1 :: len(ends)] - other) / (ahead - behind)[:, None]).T)

        misses, stay = self.misses(reached), STAY * (shares - self.start)
        gradient = np.concatenate([change(misses), STAY * np.eye(count)])
        self.slope = _Slope(
            shares.copy(), np.concatenate([misses[0], stay]), gradient, np.nan_to_num(change(reached), nan=0.0)
        )
        return self.slope

    def followed(self, values: Floats, expected: Floats) -> Floats:
        """Let values that are bound to no series follow the others, so that the figures come close to the goals.

        Parameters
        ----------
        values : ndarray, shape (points, free)
        expected : ndarray, shape (points, goals)
            The figures at these values; how they change is taken from the solution.
        """
        loose = [k for k, part in enumerate(self.free) if not part.series]
        if not loose or self.slope is None:
            return values
        from scipy.optimize import least_squares

        slope, shares = self.slope.figures[:, loose], self.shares(values)
        for point, figures in enumerate(expected):

            def misses(at: Floats, point: int = point, figures: Floats = figures) -> Floats:
                change = at - shares[point, loose]
                return np.asarray(
                    np.concatenate([self.misses((figures + slope @ change)[None])[0], STAY * (at - self.start[loose])])
                )

            if np.isfinite(figures).all():
                begin = np.clip(shares[point, loose], 1e-6, 1 - 1e-6)
                shares[point, loose] = least_squares(misses, begin, bounds=(0.0, 1.0), max_nfev=30).x
        return np.where(np.isin(np.arange(len(self.free)), loose), self.values(shares), values)


@dataclass(frozen=True)
class _Slope:
    """Misses at some shares, and their gradient: goals first, then the costs of moving; and that of the figures."""

    shares: Floats
    misses: Floats
    gradient: Floats
    figures: Floats


__all__ = ["Free", "Problem", "free_parts"]
