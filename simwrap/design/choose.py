"""Choosing part values so that stated goals are met.

:func:`choose` first solves with values as they come (least squares, the gradient measured by
batches of runs), then tries every combination of preferred values round the solution, and
says what is reached, or by how much it isn't.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.header import Parameter
from simwrap.circuits.point_table import Table
from simwrap.circuits.stage import Stage, find_parameter
from simwrap.design.goals import Goal, read_goals
from simwrap.design.limits import Known
from simwrap.errors import InputError, RangeError, UnknownNameError
from simwrap.measures.results import full_name
from simwrap.simulation.evaluate import Options, Outcome, evaluate
from simwrap.simulation.measurement import chosen_measures
from simwrap.tables import html_table, text_table
from simwrap.units import eseries, quantity

Floats = NDArray[np.float64]

#: A free value is looked for within this factor of where it stands, unless bounds are given.
REACH = 30.0
#: Largest number of combinations of preferred values, and the same where a run is slow.
MOST_COMBINATIONS = 4096
MOST_SLOW_COMBINATIONS = 64
#: Starting points that are tried for each free value, and altogether where a run is slow.
SCAN, SLOW_SCAN = 32, 12
#: Weight of staying where the stage stands: it settles what the goals leave open, and no more.
STAY = 1e-2
#: A sum of squared misses that no search would better.
NOTHING = 1e-9
#: How far values are moved to measure the gradient: a share of their range. Steady-state figures
#: are read between levels, and need a wider step.
STEP, SLOW_STEP = 1e-3, 1e-2


@dataclass(frozen=True)
class Candidate:
    """One combination of values: what it reaches, and its misses in tolerances."""

    values: dict[str, float]
    reached: dict[str, float]
    misses: dict[str, float]
    met: bool

    @property
    def cost(self) -> float:
        """Sum of the squared misses."""
        return float(sum(miss * miss for miss in self.misses.values()))


@dataclass(frozen=True)
class Choice:
    """What :func:`choose` found.

    Attributes
    ----------
    stage : Stage
        With the best values.
    goals : tuple of Goal
    candidates : tuple of Candidate
        Preferred values, the best first.
    trade : dict of str to Candidate
        For each goal, the combination that comes closest to it alone.
    continuous : Candidate
        The solution with values as they come.
    ends : tuple of str
        Free values that stand at an end of their range.
    met : bool
        Whether the best keeps all goals.
    warnings : tuple of str
        Ratings that the best exceeds or comes near to.
    series : str
    """

    stage: Stage
    goals: tuple[Goal, ...]
    candidates: tuple[Candidate, ...]
    trade: dict[str, Candidate]
    continuous: Candidate
    ends: tuple[str, ...]
    met: bool
    warnings: tuple[str, ...]
    series: str

    @property
    def best(self) -> dict[str, float]:
        """The best values by parameter."""
        return self.candidates[0].values

    @property
    def summary(self) -> str:
        """What was reached, in words."""
        named = ", ".join(f"{name} {self._shown(name, value)}" for name, value in self.best.items())
        if self.met:
            return f"{named}: all goals are met"
        missed = "; ".join(self._missed(self.candidates[0]))
        if self.continuous.met:
            between = ", ".join(f"{name} {self._shown(name, value)}" for name, value in self.continuous.values.items())
            return f"no {self.series} values meet all goals, though {between} would; nearest: {named}, where {missed}"
        why = "; ".join(self._missed(self.continuous)) or missed
        text = f"the goals can't be met with these parts, whatever their values: at best {why}"
        if self.ends:
            text += f" ({' and '.join(self.ends)} at the end of the range)"
        return f"{text}; nearest in {self.series}: {named}, where {missed}"

    def _missed(self, candidate: Candidate) -> list[str]:
        said = []
        for goal in self.goals:
            value = candidate.reached[goal.variable]
            off = goal.departure(value)
            if off:
                said.append(f"{goal.variable} is {quantity.render(value, goal.unit)}, {off} from {goal.text}")
        return said

    def _shown(self, name: str, value: float) -> str:
        return quantity.render(value, self.stage.parameters[name].unit)

    def rows(self) -> list[tuple[str, ...]]:
        """Return one row a combination: what it is, its values, and what it reaches."""
        shown = [(("best" if n == 0 else f"{n + 1}."), one) for n, one in enumerate(self.candidates)]
        shown += [(f"closest in {name}", one) for name, one in self.trade.items() if one not in self.candidates]
        shown.append(("values as they come", self.continuous))
        rows = []
        for what, one in shown:
            values = [self._shown(name, value) for name, value in one.values.items()]
            reached = []
            for goal in self.goals:
                value = one.reached[goal.variable]
                off = goal.departure(value)
                reached.append(quantity.render(value, goal.unit) + (f" ({off})" if off else ""))
            rows.append((what, *values, *reached, "yes" if one.met else "no"))
        return rows

    @property
    def _head(self) -> tuple[str, ...]:
        return ("", *self.best, *[goal.text for goal in self.goals], "all met")

    def __repr__(self) -> str:
        return "\n".join([text_table(self.summary, self._head, self.rows()), *self.warnings])

    def _repr_html_(self) -> str:
        import html

        notes = "".join(f"<p>{html.escape(text)}</p>" for text in self.warnings)
        return html_table(self.summary, self._head, self.rows()) + notes


@dataclass(frozen=True)
class _Free:
    """A free value: where it may be, and the preferred values it may take (series "": any)."""

    parameter: Parameter
    low: float
    high: float
    start: float
    series: str

    @property
    def logarithmic(self) -> bool:
        return self.low > 0

    def inside(self, share: Any) -> Any:
        """Return the value at 0..1 of the range."""
        if self.logarithmic:
            return self.low * (self.high / self.low) ** share
        return self.low + (self.high - self.low) * share

    def share(self, value: float) -> float:
        """Return where in its range a value is, 0..1."""
        if self.logarithmic:
            return math.log(value / self.low) / math.log(self.high / self.low)
        return (value - self.low) / (self.high - self.low)

    def preferred(self, value: float, steps: int) -> list[float]:
        """Return up to ``steps`` preferred values on each side of a value, the nearest at least."""
        if not self.series:
            return [value]
        near = {eseries.step(value, self.series, n) for n in range(-steps, steps + 1)}
        return sorted(v for v in near if self.low <= v <= self.high) or [value]


class _Problem:
    """Runs points and turns them into misses."""

    def __init__(
        self,
        stage: Stage,
        goals: Sequence[Goal],
        places: Sequence[tuple[str, str]],
        measures: Mapping[str, Mapping[str, Any]],
        free: Sequence[_Free],
        options: Options,
    ) -> None:
        self.stage, self.goals, self.places = stage, goals, places
        self.measures, self.free, self.options = measures, free, options

    def reach(self, values: Floats) -> Floats:
        """Return the goals' variables for free values of shape (points, free): (points, goals)."""
        columns = {part.parameter.name: values[:, k] for k, part in enumerate(self.free)}
        outcome = evaluate(Table(self.stage, columns, len(values)), self.measures, self.options)
        return np.stack(
            [np.asarray(outcome.results[m].variables[key].values, dtype=float) for m, key in self.places], axis=1
        )

    def values(self, shares: Floats) -> Floats:
        return np.stack([part.inside(shares[:, k]) for k, part in enumerate(self.free)], axis=1)

    def misses(self, reached: Floats) -> Floats:
        return np.stack([goal.misses(reached[:, k]) for k, goal in enumerate(self.goals)], axis=1)

    def moved(self, values: Floats) -> Floats:
        """Return a small cost of how far values are from where the stage stands, shape (points,)."""
        apart = [
            [part.share(float(v)) - part.share(part.start) for part, v in zip(self.free, row, strict=True)]
            for row in values
        ]
        return np.asarray(((STAY * np.array(apart)) ** 2).sum(axis=1))

    def candidate(self, values: Floats, reached: Floats) -> Candidate:
        misses = self.misses(reached[None])[0]
        return Candidate(
            {part.parameter.name: float(value) for part, value in zip(self.free, values, strict=True)},
            {goal.variable: float(value) for goal, value in zip(self.goals, reached, strict=True)},
            {goal.variable: float(miss) for goal, miss in zip(self.goals, misses, strict=True)},
            all(goal.met(float(value)) for goal, value in zip(self.goals, reached, strict=True)),
        )

    def solve(self, slow: bool, seed: int) -> Floats:
        """Return the best shares of the ranges, from the best of many starting points."""
        from scipy.optimize import least_squares

        count = len(self.free)
        scan, step = (SLOW_SCAN, SLOW_STEP) if slow else (SCAN * count, STEP)
        draws = np.random.default_rng(seed)
        # One point in each of as many slices along every axis, and where the stage stands.
        slices = np.stack([(draws.permutation(scan) + 0.5) / scan for _ in range(count)], axis=1)
        given = np.array([[part.share(part.start) for part in self.free]])
        tried = np.concatenate([given, slices])
        cost = (self.misses(self.reach(self.values(tried))) ** 2).sum(axis=1) + self.moved(self.values(tried))
        best: Floats = tried[int(np.argmin(cost))]
        least = float(cost.min())
        known: dict[bytes, tuple[Floats, Floats]] = {}

        def both(shares: Floats) -> tuple[Floats, Floats]:
            """Misses and their gradient, from one batch of points."""
            place = shares.tobytes()
            if place not in known:
                ahead = np.minimum(shares + step, 1.0)
                behind = np.maximum(shares - step, 0.0)
                moved = [np.where(np.arange(count) == k, end, shares) for k in range(count) for end in (ahead, behind)]
                batch = np.stack([shares, *moved])
                found = self.misses(self.reach(self.values(batch)))
                apart = (ahead - behind)[:, None]
                gradient = ((found[1::2] - found[2::2]) / apart).T
                stay = STAY * (shares - given[0])
                known[place] = np.concatenate([found[0], stay]), np.concatenate([gradient, STAY * np.eye(count)])
            return known[place]

        for start in np.argsort(cost, kind="stable")[: 1 if slow else 2]:
            if least < NOTHING:
                break
            inside = np.clip(tried[start], 1e-6, 1 - 1e-6)
            solved = least_squares(
                lambda shares: both(shares)[0], inside, jac=lambda shares: both(shares)[1], bounds=(0.0, 1.0),
                xtol=1e-3 if slow else 1e-7, ftol=1e-3 if slow else 1e-9, max_nfev=8 if slow else 40,
            )  # fmt: skip
            if 2 * solved.cost < least:
                best, least = solved.x, 2 * float(solved.cost)
        return best

    def neighbours(self, around: Floats, most: int) -> Floats:
        """Return combinations of preferred values round a solution, shape (points, free)."""
        for steps in (2, 1):
            columns = [part.preferred(float(v), steps) for part, v in zip(self.free, around, strict=True)]
            if math.prod(map(len, columns)) <= most:
                return np.array(list(product(*columns)), dtype=np.float64)
        columns = [part.preferred(float(v), 1) for part, v in zip(self.free, around, strict=True)]
        for k, value in enumerate(around.tolist()):  # the nearest two, the nearest first
            columns[k] = (
                [columns[k][n] for n in np.argsort(np.abs(np.log(np.array(columns[k]) / value)))[:2]]
                if len(columns[k]) > 1
                else columns[k]
            )
        while math.prod(map(len, columns)) > most:  # the nearest value only, from the last part on
            longest = max(k for k, column in enumerate(columns) if len(column) > 1)
            columns[longest] = columns[longest][:1]
        return np.array(list(product(*columns)), dtype=np.float64)


def choose(
    stage: Stage,
    goals: Mapping[str, Any],
    free: Iterable[str] | Mapping[str, Any],
    *,
    series: str | Mapping[str, str] = "E12",
    measures: Mapping[str, Mapping[str, Any]] | Sequence[str] | None = None,
    best: int = 5,
    seed: int = 0,
    engine: str = "auto",
    executor: Any = None,
    workers: int | None = None,
    time_limit: float = 60.0,
) -> Choice:
    """Choose part values from a series so that goals are met.

    Parameters
    ----------
    stage : Stage
        Gives every value that isn't free, and where the search starts.
    goals : mapping of str to object
        By figure ("response.gain", or "gain"; "v1.anode_current", without the valve's
        name where there is one valve): a value such as 50 or "1 mA" (met within 5 %, 0.5 dB
        or 5 degrees), "50 +/- 2 %", ("<", 20), "45 to 55", "least" or "most".
    free : iterable of str, or mapping of str to (low, high)
        Parameters to choose; without ends, within a factor of 30.
    series : str or mapping of str to str
        For all, or by parameter (the others E12). Wiper positions and voltages aren't bound
        to a series.
    measures : sequence of str or mapping, optional
        Where the goals' variables come from, with options; found by itself where left out.
    best : int
        How many combinations are reported.
    seed : int
        For the starting points.
    engine, executor, workers, time_limit
        As for :func:`simwrap.sweep`.

    Returns
    -------
    Choice
        ``.stage`` has the best values; printed, it shows the best few, and what each gives up.

    Raises
    ------
    InputError
        For a goal or a free parameter that can't be used.
    NoEngineError
        If there is no simulator.
    """
    options = Options(engine=engine, time_limit=time_limit, workers=workers, executor=executor)
    if not goals:
        raise InputError(f'{stage.name}: choose needs at least one goal, such as {{"gain": 50}}')
    parts = _free_parts(stage, free, series)
    nominal, chosen, named = _nominal(stage, goals, measures, options)
    read = read_goals(goals, Known(nominal.units, nominal.values, stage.name), named)
    places = [nominal.places[goal.variable] for goal in read]
    used = {name: chosen[name] for name in dict.fromkeys(measure for measure, _ in places)}
    problem = _Problem(stage, read, places, used, parts, options)
    slow = bool(nominal.slow & set(used))
    shares = problem.solve(slow, seed)
    solution = problem.values(shares[None])[0]
    points = problem.neighbours(solution, MOST_SLOW_COMBINATIONS if slow else MOST_COMBINATIONS)
    reached = problem.reach(np.concatenate([points, solution[None]]))
    misses = problem.misses(reached[:-1])
    costs = (misses**2).sum(axis=1) + problem.moved(points)
    order = np.argsort(costs, kind="stable")
    ranked = [problem.candidate(points[k], reached[k]) for k in order[:best]]
    trade = {}
    for number, goal in enumerate(read):
        nearest = np.abs(misses[:, number])
        closest = int(np.lexsort((costs, np.round(nearest, 9)))[0])
        trade[goal.variable] = problem.candidate(points[closest], reached[closest])
    made = stage.replace(**ranked[0].values)
    ends = [part.parameter.name for part, share in zip(parts, shares, strict=True) if share < 1e-3 or share > 1 - 1e-3]
    label = " and ".join(dict.fromkeys(part.series for part in parts if part.series)) or "range"
    return Choice(
        made, tuple(read), tuple(ranked), trade if len(read) > 1 else {}, problem.candidate(solution, reached[-1]),
        tuple(ends), ranked[0].met, tuple(_ratings(made, options)), label,
    )  # fmt: skip


def _free_parts(stage: Stage, free: Iterable[str] | Mapping[str, Any], series: str | Mapping[str, str]) -> list[_Free]:
    parameters = stage.parameters
    given = free if isinstance(free, Mapping) else dict.fromkeys([free] if isinstance(free, str) else free)
    named = {find_parameter(name, parameters, stage.name).name: ends for name, ends in given.items()}
    if not named:
        raise InputError(f'{stage.name}: choose needs at least one free parameter, such as ["cathode_resistor"]')
    rows = (
        {}
        if isinstance(series, str)
        else {find_parameter(k, parameters, stage.name).name: s for k, s in series.items()}
    )
    parts = []
    for name, ends in named.items():
        parameter = parameters[name]
        if not parameter.numeric:
            raise RangeError("free", name, "parameters that are numbers; sweep over words instead", stage.name)
        start = float(stage.values[name])
        on_series = parameter.unit in ("ohm", "F", "H")
        row = (series if isinstance(series, str) else rows.get(name, "E12")) if on_series else ""
        if row:
            eseries.values(row, 1.0, 1.0)  # refuses an unknown series
        if ends is not None:
            low, high = (stage.check(name, end)[1] for end in ends)
        elif on_series:
            if start == 0:
                raise RangeError(
                    "free", name, "parts that are there: this one is 0, so give it a value or its range", stage.name
                )
            low, high = start / REACH, start * REACH
        else:
            low, high = (0.0, 1.0) if parameter.unit == "" else (start / 3.0, start * 3.0)
        low = max(low, parameter.minimum if parameter.minimum is not None else low)
        high = min(high, parameter.maximum if parameter.maximum is not None else high)
        if not low < high:
            raise RangeError(name, f"{low:g} to {high:g}", "a range with its lower end first", stage.name)
        parts.append(_Free(parameter, low, high, min(max(start, low), high), row))
    return parts


@dataclass(frozen=True)
class _Nominal:
    """The stage as it stands: every single-number variable, and where it comes from."""

    values: dict[str, float]
    units: dict[str, str]
    places: dict[str, tuple[str, str]]
    slow: set[str]

    def add(self, outcome: Outcome) -> None:
        for measure, result in outcome.results.items():
            if outcome.slow:
                self.slow.add(measure)
            for key, variable in result.variables.items():
                values = np.asarray(variable.values)
                if variable.dims or values.dtype.kind not in "fi":
                    continue
                name = full_name(measure, key)
                self.values[name], self.units[name], self.places[name] = float(values[0]), variable.unit, (measure, key)


def _nominal(
    stage: Stage, goals: Mapping[str, Any], measures: Any, options: Options
) -> tuple[_Nominal, dict[str, Mapping[str, Any]], dict[str, str]]:
    """Measure the stage as it stands until every goal's figure has been seen.

    Returns what was found, the measures with their options, and the name of the figure by goal: that of the first
    measure which has one, so that what is measured for another goal can't make it ambiguous.
    """
    from simwrap.measures.registry import measures as registered

    found = _Nominal({}, {}, {}, set())
    given = chosen_measures(stage, measures) if measures is not None else {}
    wanted = [name.strip().casefold().replace(" ", "_") for name in goals]
    # The stage's own measures first; a goal such as "headroom.output_rms_1pct" names its measure.
    named = [m for m in registered() if any(w.startswith((f"{m}.", f"{m}_")) for w in wanted)]
    order = dict.fromkeys([*given, *named, "bias", "response"])
    if measures is None:
        order |= dict.fromkeys([*stage.measures, *registered()])
    used: dict[str, Mapping[str, Any]] = {}
    figures: dict[str, str] = {}
    for name in order:
        figures |= {goal: _figure(found, stage, goal) for goal in goals if not figures.get(goal)}
        if all(figures.values()):
            break
        try:
            found.add(evaluate(Table(stage), {name: given.get(name, {})}, options))
        except InputError:  # this measure has no meaning for this stage
            if name in given:
                raise
            continue
        used[name] = given.get(name, {})
    figures |= {goal: _figure(found, stage, goal) or goal for goal in goals if not figures.get(goal)}
    return found, used, figures


def _figure(found: _Nominal, stage: Stage, goal: str) -> str:
    """Return the name of a goal's figure, "" where it isn't measured yet; the goal itself for several valves."""
    try:
        first, *others = Known(found.units, {}, stage.name).find(goal)
    except UnknownNameError:
        return ""
    return goal if others else first


def _ratings(stage: Stage, options: Options) -> list[str]:
    """Return what bias says of the valves' ratings."""
    if not stage.valves:
        return []
    outcome = evaluate(Table(stage), {"bias": {}}, options)
    result = outcome.results["bias"]
    checked = result.conditions.get("limits_checked", ("", ""))[0]
    return [*(result.warnings[0] if result.warnings else []), f"limits checked: {checked}"]


__all__ = ["Candidate", "Choice", "Goal", "choose"]
