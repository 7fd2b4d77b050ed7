"""Choosing part values so that stated goals are met.

:func:`choose` first solves with values as they come (least squares, the gradient measured by
batches of runs), then follows the combinations of preferred values that come near the goals. It says
what is reached, or by how much it isn't.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Unpack

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.circuit import as_circuit
from simwrap.circuits.point_table import PointTable
from simwrap.design.choice import Candidate, Choice
from simwrap.design.combinations import SLOW, Explored, Extent, explore
from simwrap.design.goals import YES_NO, Goal, read_goals
from simwrap.design.hold import Judge, beyond, has_bias, stability_options
from simwrap.design.hold import held as held_of
from simwrap.design.limits import Known
from simwrap.design.runs import Design, Runs, as_numbers
from simwrap.design.search import Free, Problem, free_parts
from simwrap.engine import Run, RunKeywords, spelled_out
from simwrap.errors import InputError, RangeError, UnknownNameError
from simwrap.findings.finding import Finding
from simwrap.measures.registry import get_measure
from simwrap.measures.registry import measures as registered
from simwrap.measures.results import full_name, split_name
from simwrap.simulation.conduct import evaluate
from simwrap.simulation.measurement import chosen_measures
from simwrap.units import quantity

Floats = NDArray[np.float64]

#: So many of the best combinations have their free voltages and wiper positions set once more.
POLISHED = 6
#: So many combinations that keep all goals are held against ratings and looked at for stability, at most.
LOOKED_AT = 32
#: So many of these, at most, are put before a whole amplifier's audit.
ASKED = 8


@spelled_out(Run)
def choose(
    stage: Design | Judge,
    goals: Mapping[str, Any],
    free: Iterable[str] | Mapping[str, Any],
    *,
    series: str | Mapping[str, str] = "E12",
    measures: Mapping[str, Mapping[str, Any]] | Iterable[str] | None = None,
    best: int = 5,
    seed: int = 0,
    **run: Unpack[RunKeywords],
) -> Choice:
    """Choose part values from a series so that goals are met; as :func:`simwrap.choose`, which reads designs too.

    Parameters
    ----------
    stage : Stage, Circuit or Judge
        Gives every value that isn't free, and where the search starts; a judge's audit has to pass what is chosen.
    goals, free, series, measures, best, seed, **run
        As for :func:`simwrap.choose`.

    Returns
    -------
    Choice
    """
    from simwrap.design.tolerance import whole_number

    judge = stage if isinstance(stage, Judge) else None
    stage = stage.circuit if isinstance(stage, Judge) else stage
    as_circuit(stage, "choose")
    if not isinstance(goals, Mapping):
        raise RangeError("goals", goals, 'goals by figure, such as {"gain": 50}', stage.name)
    if not goals:
        raise InputError(f'{stage.name}: choose needs at least one goal, such as {{"gain": 50}}')
    whole_number("best", best, 1, 1000)
    whole_number("seed", seed, 0)
    options = Run.of(run)
    parts, held = free_parts(stage, free, series)
    stage = stage.replace(**held)
    nominal = _nominal(stage, goals, measures, options)
    read, parts, notes = _with_drive(stage, nominal.goals(goals, stage), parts, held, nominal)
    problem = _problem(stage, read, parts, nominal, options)
    problem.solve(seed)
    solution, solved = problem.best()
    explored = _combinations(problem)
    points, reached = explored.values, explored.reached
    order, findings, checked = _holding(problem, stage, judge, explored, options)
    made = stage.replace(**_by_name(parts, points[order[0]]))
    ranked = [_candidate(problem, points[k], reached[k]) for k in order[:best]]
    ends = [
        part.parameter.name
        for part, value in zip(parts, solution, strict=True)
        if not 1e-3 <= float(part.share(value)) <= 1 - 1e-3
    ]
    label = " and ".join(dict.fromkeys(part.series for part in parts if part.series)) or "range"
    return Choice(
        made, tuple(read), tuple(ranked), _trade(problem, points, reached), _candidate(problem, solution, solved),
        tuple(ends), ranked[0].met, len(points), explored.every, (*notes, *_beyond_onset(made, nominal, read, options)),
        (*[finding.text for finding in findings], *filter(None, [checked])), label, tuple(findings),
    )  # fmt: skip


def _holding(
    problem: Problem, stage: Design, judge: Judge | None, explored: Explored, options: Run
) -> tuple[NDArray[np.intp], list[Finding], str]:
    """Return the places of the points in order, what is found of the first one, and which limits were looked at.

    Of those that keep all goals the first is one that holds its ratings and is stable, if there is one among the first
    :data:`LOOKED_AT`; and, of a whole amplifier, one that its audit passes, if there is one among :data:`ASKED`.
    """
    points, reached = explored.values, explored.reached
    order = problem.preference(points, reached)
    met = order[problem.met(reached[order])]
    looked = met[:LOOKED_AT] if len(met) else order[:1]
    columns = {part.parameter.name: points[looked, k] for k, part in enumerate(problem.free)}
    findings, checked = held_of(stage, columns, options)
    best = sorted(range(len(looked)), key=lambda n: bool(beyond(findings[n])))
    if judge is not None:
        borne_out: set[str] = set()  # codes that an audit has had too: whom they are found of need no audit to fail
        for n in best[:ASKED]:  # where none passes, the first stays so, with what remains of it
            before = _codes(findings[n])
            if before & borne_out:
                continue
            findings[n] = judge.findings_with(_by_name(problem.free, points[looked[n]]))
            if not beyond(findings[n]):
                best.insert(0, best.pop(best.index(n)))
                break
            borne_out |= before & _codes(findings[n])
    order = np.concatenate([looked[best], order[~np.isin(order, looked)]])
    return order, findings[best[0]], checked


def _codes(findings: list[Finding]) -> set[str]:
    return {finding.code for finding in beyond(findings)}


def _by_name(parts: Iterable[Free], values: Floats) -> dict[str, float]:
    return {part.parameter.name: float(value) for part, value in zip(parts, values, strict=True)}


def _candidate(problem: Problem, values: Floats, reached: Floats) -> Candidate:
    misses = problem.misses(reached[None])[0]
    names = [goal.variable for goal in problem.goals]
    return Candidate(
        _by_name(problem.free, values),
        dict(zip(names, map(float, reached), strict=True)),
        dict(zip(names, map(float, misses), strict=True)),
        bool(problem.met(reached[None])[0]),
    )


def _trade(problem: Problem, points: Floats, reached: Floats) -> dict[str, Candidate]:
    """Return for each of several goals the combination that comes closest to it alone."""
    trade = {}
    misses, costs = problem.misses(reached), problem.costs(points, reached)
    for number, goal in enumerate(problem.goals):
        closest = int(np.lexsort((costs, np.round(np.abs(misses[:, number]), 9)))[0])
        trade[goal.variable] = _candidate(problem, points[closest], reached[closest])
    return trade if len(trade) > 1 else {}


def _combinations(problem: Problem) -> Explored:
    """Run combinations of preferred values; the one there is where no part has a series is the solution itself."""
    if not any(part.series for part in problem.free):
        values, reached = problem.best()
        return Explored(values[None], reached[None], every=False)
    explored = explore(problem, SLOW if problem.slow.measures else Extent())
    if all(part.series for part in problem.free):
        return explored
    points, reached = explored.values, explored.reached
    best = problem.order(points, reached)[:POLISHED]
    again = problem.followed(points[best], reached[best])
    for place, values, figures in zip(best, again, problem.reach(again), strict=True):
        if problem.order(np.stack([values, points[place]]), np.stack([figures, reached[place]]))[0] == 0:
            points[place], reached[place] = values, figures
    return explored


@dataclass
class _Nominal:
    """The stage as it stands: every figure of one number, and which measures are slow."""

    values: dict[str, float]
    units: dict[str, str]
    slow: set[str]
    used: dict[str, Mapping[str, Any]]
    named: dict[str, str]

    def add(self, stage: Design, name: str, given: Mapping[str, Any], options: Run) -> None:
        """Take over the figures of one measure."""
        outcome = evaluate(PointTable(stage), {name: given}, options)
        if outcome.slow:
            self.slow.add(name)
        for key, variable in outcome.results[name].variables.items():
            values = as_numbers(variable.values)
            if values is None:
                continue
            figure, words = full_name(name, key), np.asarray(variable.values).dtype.kind not in "fi"
            self.values[figure], self.units[figure] = float(values[0]), YES_NO if words else variable.unit
        self.used[name] = given

    def known(self, stage: Design) -> Known:
        """Return what goals can be about."""
        return Known(self.units, self.values, stage.name)

    def find(self, stage: Design, goals: Iterable[str]) -> None:
        """Note the figure of every goal that is there by now: that of the first measure which has one."""
        for goal in goals:
            if goal in self.named:
                continue
            try:
                first, *others = self.known(stage).find(goal)
            except UnknownNameError:
                continue
            self.named[goal] = goal if others else first

    def goals(self, goals: Mapping[str, Any], stage: Design) -> list[Goal]:
        """Read the goals; one that names no figure is refused here."""
        named = [self.named.get(str(name), str(name)) for name in goals]
        for name in named:
            if named.count(name) > 1:
                raise InputError(f"{stage.name}: there are two goals for {name}")
        return read_goals(dict(zip(named, goals.values(), strict=True)), self.known(stage))


def _nominal(stage: Design, goals: Mapping[str, Any], measures: Any, options: Run) -> _Nominal:
    """Measure the stage as it stands until every goal's figure has been seen."""
    found = _Nominal({}, {}, set(), {}, {})
    given = chosen_measures(stage, measures) if measures is not None else {}
    wanted = [str(name).strip().casefold().replace(" ", "_") for name in goals]
    # A goal such as "headroom.output_rms_1pct" names its measure; then the stage's own ones.
    named = [m for m in registered() if any(w.startswith((f"{m}.", f"{m}_")) for w in wanted)]
    order = dict.fromkeys([*given, *named, "bias", "response"])
    if measures is None:
        # Those that tell such a figure first: "feedback_db" needn't wait for all that large signals tell.
        others = list(dict.fromkeys([*stage.measures, *registered()]))
        order |= dict.fromkeys(sorted(others, key=lambda name: not _tells(name, wanted)))
    for name in order:
        found.find(stage, map(str, goals))
        if len(found.named) == len(goals):
            break
        try:
            chosen_measures(stage, [name])
            usual = stability_options(stage) if name == "stability" else {}
            found.add(stage, name, given.get(name, usual), options)
        except InputError:  # this measure has no meaning for this stage
            if name in given:
                raise
    found.find(stage, map(str, goals))
    if "stability" in found.used and "stability" not in given and not any(map(_of_loads, found.named.values())):
        found.used["stability"] = {}  # other loads are looked at where values are held to them, not at every point
    return found


def _of_loads(figure: str) -> bool:
    return figure.startswith("stability.loads.")


def _tells(measure: str, wanted: Iterable[str]) -> bool:
    """Return whether a measure's first figures have the last part of a wanted name."""
    told = {figure.rpartition(".")[2] for figure in get_measure(measure).headline}
    return any(name.rpartition(".")[2] in told for name in wanted)


def _with_drive(
    stage: Design, goals: list[Goal], parts: list[Free], held: Mapping[str, float], nominal: _Nominal
) -> tuple[list[Goal], list[Free], list[str]]:
    """Free the drive where the most output power is asked for: at a fixed drive that would be another question.

    Nothing is freed where the drive was named among the free values, or given as an option of the measure.
    """
    power, thd = "power.output_power", "power.thd"
    most = any(goal.variable == power and goal.extreme == "most" for goal in goals)
    drive = as_circuit(stage).bench_part("input", "drive")
    options = nominal.used.get("power", {})
    if not most or not drive or "drive" in options:
        return goals, parts, []
    notes = []
    if drive not in held and drive not in [part.parameter.name for part in parts]:
        parts = [*parts, *free_parts(stage, [drive], "")[0]]
        notes.append(
            f"{drive} is free too, since the most power depends on it; to hold it, free it from one value to the same"
        )
    if not any(goal.variable == thd for goal in goals):
        stated = options.get("stated_thd", get_measure("power").options["stated_thd"].default)
        goals = [*goals, *read_goals({thd: f"<= {stated} %"}, nominal.known(stage))]
        notes.append(f"{thd} is kept within {stated:g} %, the stated distortion, since no goal bounds it")
    return goals, parts, notes


def _measure(goal: Goal) -> str:
    return split_name(goal.variable)[0]


def _problem(stage: Design, goals: list[Goal], parts: list[Free], nominal: _Nominal, options: Run) -> Problem:
    """Divide what is measured into what is run of every point, and what only where there is hope."""
    measures = dict.fromkeys(_measure(goal) for goal in goals)
    quick = {name: nominal.used[name] for name in measures if name not in nominal.slow}
    slow = {
        name: _lean(stage, name, nominal, [goal for goal in goals if _measure(goal) == name], options)
        for name in measures
        if name in nominal.slow
    }
    currents = {}
    if slow and has_bias(stage):
        quick.setdefault("bias", {})
        if "bias" not in nominal.used:
            nominal.add(stage, "bias", {}, options)
        currents = {
            name: value
            for name, value in nominal.values.items()
            if split_name(name)[0] == "bias" and name.endswith(".anode_current") and value
        }
    wanted = {goal.variable for goal in goals}
    absent = frozenset(name for name, value in nominal.values.items() if np.isnan(value) and name not in wanted)
    return Problem(goals, parts, Runs(stage, quick, options, absent), Runs(stage, slow, options, absent), currents)


def _lean(stage: Design, name: str, nominal: _Nominal, goals: list[Goal], options: Run) -> Mapping[str, Any]:
    """Return options with which a slow measure gives the goals' figures in fewer levels, if there are such."""
    runs = Runs(stage, {name: nominal.used[name]}, options)
    wanted = {goal.variable: nominal.values[goal.variable] for goal in goals}
    return runs.lean(Known(nominal.units, wanted, stage.name)).measures[name]


def _beyond_onset(stage: Design, nominal: _Nominal, goals: list[Goal], options: Run) -> list[str]:
    """Say which figures of the best lie beyond the level at which a limit is reached."""
    said = []
    for name in dict.fromkeys(_measure(goal) for goal in goals):
        if name not in nominal.slow:
            continue
        runs = Runs(stage, {name: nominal.used[name]}, options)
        told = _figures(runs, name)
        first, level = told.get("first_limit", told.get("clipping.first_limit", "")), "clipping_input_rms"
        marks = {"input_rms_1pct": "1 % distortion", "input_rms_3pct": "3 % distortion"}
        if name == "power":
            level, marks = "clipping.drive", {"drive": "the set drive"}
        onset = told.get(level, np.nan)
        for goal in goals:
            for key, words in marks.items():
                concerned = name == "power" or key.rpartition("_")[2] in goal.variable
                if _measure(goal) == name and concerned and told.get(key, np.nan) > 1.005 * onset:
                    said.append(
                        f"{name}: {first} sets in at {quantity.render(onset, 'V')}, below {words} "
                        f"({quantity.render(told[key], 'V')}): what was chosen lies beyond the onset of clipping"
                    )
    return list(dict.fromkeys(said))


def _figures(runs: Runs, name: str) -> dict[str, Any]:
    """Return the single figures of one measure, by their paths."""
    result = evaluate(PointTable(runs.stage), runs.measures, runs.options).results[name]
    return {key: np.asarray(variable.values)[0] for key, variable in result.variables.items() if not variable.dims}


__all__ = ["Candidate", "Choice", "Goal", "choose"]
