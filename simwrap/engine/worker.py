"""What the child does with one chunk of points: load once, then solve point after point."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simwrap.engine import currents, natural, small_signal
from simwrap.engine.backends.base import Backend
from simwrap.engine.deck import Deck
from simwrap.engine.protocol import AcRun, Analysis, Array, NoiseRun, OpRun, SteadyRun, TransientRun
from simwrap.engine.resample import onto
from simwrap.engine.steady import Settled, Solver
from simwrap.findings.status import Reason, Status, reworded
from simwrap.netlist import allow_list


@dataclass(frozen=True)
class Job:
    """A chunk of points for one child.

    ``values`` has shape (points, len(names)); ``runs`` hold only this chunk's amplitudes.
    ``time_limit`` [s] is that of one point of one run on this engine, ``asked`` what the user gave for all of
    it. ``skip`` lists (run, point, level) that killed a
    child or ran out of time before.
    """

    text: str
    names: tuple[str, ...]
    values: Array
    runs: tuple[Analysis, ...]
    time_limit: float
    asked: float
    skip: frozenset[tuple[int, int, int]] = frozenset()

    @property
    def over(self) -> Reason:
        """What is said of a point that has used up its time."""
        return Reason(f"more than the time limit of {self.asked:g} s", Status.LATE)

    @property
    def alone(self) -> bool:
        """Whether it is one point of one run, so that the time spent on it is all that point's."""
        return len(self.values) == 1 and len(self.runs) == 1


@dataclass
class ChunkResult:
    """The result of one run over a chunk."""

    values: dict[str, Array]
    axis: Array | None
    reasons: list[str]
    extras: dict[str, Array]


#: Told where the work is: (run, point, level).
Beat = Callable[[int, int, int], None]
#: Given each level that came to rest: (level, what was found).
Tell = Callable[[int, Settled], None]


def empty(run: Analysis, points: int) -> ChunkResult:
    """Return a part of the right shape, filled with NaN and without reasons."""
    axis: Array | None = None
    extras: dict[str, Array] = {}
    kind: type = float
    names: tuple[str, ...]
    shape: tuple[int, ...]
    if isinstance(run, OpRun):
        names, shape = run.vectors, (points,)
        extras = natural.blank(run, points)
    elif isinstance(run, AcRun | NoiseRun):
        axis = run.frequencies
        shape = (points, len(axis))
        names = run.vectors if isinstance(run, AcRun) else ("output_density", "input_density")[: 1 if run.linear else 2]
        kind = complex if isinstance(run, AcRun) else float
    elif isinstance(run, SteadyRun):
        levels = run.amplitude.shape[1]
        axis = np.arange(run.samples) / (run.samples * run.fundamental)
        names, shape = run.vectors, (points, levels, run.samples)
        extras = {
            "periods": np.zeros((points, levels), int),
            "method": np.full((points, levels), "", "<U12"),
        }
    else:
        axis = run.start + (run.stop - run.start) * np.arange(run.samples) / (run.samples - 1)
        names, shape = run.vectors, (points, run.samples)
    blank = complex(np.nan, np.nan) if kind is complex else np.nan
    return ChunkResult({name: np.full(shape, blank, kind) for name in names}, axis, [""] * points, extras)


def solve(host: Backend, job: Job, beat: Beat, tell: Tell) -> list[ChunkResult]:
    """Solve every point of a chunk; a point that fails gets NaN and a reason."""
    points = len(job.values)
    deck = Deck(allow_list.check(job.text))
    parts = [empty(run, points) for run in job.runs]
    small = [k for k, run in enumerate(job.runs) if isinstance(run, OpRun | AcRun | NoiseRun)]
    if small:
        _solve_small(host, job, beat, deck, parts, small)
    host.unload()
    for k, run in enumerate(job.runs):
        for point in range(points):
            values = dict(zip(job.names, job.values[point].tolist(), strict=True))
            if isinstance(run, SteadyRun):
                _solve_steady(host, job, (beat, tell), deck, parts[k], k, point, values)
            elif isinstance(run, TransientRun) and (k, point, 0) not in job.skip:
                beat(k, point, 0)
                try:
                    _solve_transient(host, deck, run, parts[k], point, values)
                except Exception as error:
                    _fail(parts[k], point, _reason(error))
    return parts


def _solve_small(host: Backend, job: Job, beat: Beat, deck: Deck, parts: list[ChunkResult], small: list[int]) -> None:
    names, table = job.names, job.values.tolist()
    columns = dict(zip(names, job.values.T, strict=True))
    linear = [k for k in small if isinstance(run := job.runs[k], AcRun | NoiseRun) and run.linear]
    # All that want the operating point are served by the same one.
    resting = [k for k in small if isinstance(job.runs[k], OpRun)] + linear
    wanted = [name for k in resting if isinstance(run := job.runs[k], OpRun) for name in run.vectors]
    wanted += small_signal.needed(deck.parsed) if linear else ()
    state = {name: np.full(len(table), np.nan) for name in wanted}
    steps: list[_Step] = [(resting, host.op, OpRun(tuple(state)), list(state.values()))] if resting else []
    for k in small:
        run = job.runs[k]
        if isinstance(run, AcRun | NoiseRun) and not run.linear:
            steps.append(([k], host.ac if isinstance(run, AcRun) else host.noise, run, list(parts[k].values.values())))
    _run_steps(host, job, beat, deck, parts, steps)
    for k in resting:
        if isinstance(run := job.runs[k], OpRun):
            parts[k].values = {name: state[name].copy() for name in run.vectors}
    if set(deck.parsed.nodes) <= state.keys():
        _refuse_false_points(deck.parsed, columns, parts, small, state)
    if linear:
        _solve_linear(job, beat, deck.parsed, columns, state, parts, linear)
    for k in small:
        run = job.runs[k]
        if isinstance(run, OpRun) and run.natural:
            poles, ringing, lost = natural.frequencies(deck.parsed, columns, parts[k].values)
            for place in lost:
                _fail(parts[k], place, "natural frequencies: the linearised circuit has no single solution")
            parts[k].extras |= {"poles": poles, "ringing": ringing}
        if isinstance(run, OpRun) and run.source:
            for place in natural.steps(deck.parsed, columns, parts[k].values, run, parts[k].extras):
                _fail(parts[k], place, "step: the modes of the linearised circuit don't tell its response")
        for name, array in parts[k].values.items():
            good = np.isfinite(array).reshape(len(table), -1).all(axis=1)
            for place in np.flatnonzero(~good).tolist():
                if not parts[k].reasons[place] and (k, place, 0) not in job.skip:
                    _fail(parts[k], place, f"{name} is not a finite number")


#: One analysis: the runs that it serves, how it is done, what is asked, and where the vectors go.
_Step = tuple[list[int], Callable[..., None], Analysis, list[Array]]


def _run_steps(
    host: Backend, job: Job, beat: Beat, deck: Deck, parts: list[ChunkResult], steps: Sequence[_Step]
) -> None:
    """Let the engine do its analyses at point after point."""
    names, alter = job.names, host.alter
    loaded = False
    for point, row in enumerate(job.values.tolist()):
        # Once a point: the engine then keeps the operating point for the sweep that follows.
        fresh = False
        for served, solver, run, out in steps:
            if (served[0], point, 0) in job.skip:
                for k in served[1:]:
                    parts[k].reasons[point] = "there is no operating point"
                continue
            beat(served[0], point, 0)
            # A second try starts from a fresh load: what failed before it may have left its mark.
            for attempt in range(2):
                try:
                    if not loaded:
                        host.load(deck, dict(zip(names, row, strict=True)))
                        loaded, fresh = True, False
                    if not fresh:
                        alter(names, row)
                        fresh = True
                    solver(run, out, point)
                    break
                except Exception as error:
                    loaded = False
                    if attempt:
                        for array in out:
                            array[point] = np.nan
                        for k in served:
                            _fail(parts[k], point, _reason(error))


def _solve_linear(
    job: Job,
    beat: Beat,
    parsed: allow_list.Parsed,
    columns: Mapping[str, Array],
    state: Mapping[str, Array],
    parts: list[ChunkResult],
    linear: list[int],
) -> None:
    """Do sweeps and noise from the circuit that is linearised about the engine's operating points."""
    failed = np.array(
        [any(parts[k].reasons[p] or (k, p, 0) in job.skip for k in linear) for p in range(len(job.values))]
    )
    resting = {name: np.where(failed, np.nan, column) for name, column in state.items()}
    sweeps = [run for k in linear if isinstance(run := job.runs[k], AcRun | NoiseRun)]
    found, lost = small_signal.sweeps_of(parsed, columns, resting, sweeps, lambda point: beat(linear[0], point, 0))
    for k, values in zip(linear, found, strict=True):
        parts[k].values = values
        for point in lost:
            _fail(parts[k], point, "small signals: the linearised circuit has no single solution")


def _refuse_false_points(
    parsed: allow_list.Parsed,
    columns: Mapping[str, Array],
    parts: list[ChunkResult],
    small: list[int],
    state: Mapping[str, Array],
) -> None:
    """Fail the points whose operating point isn't one, and what was computed about it."""
    for point, node in enumerate(currents.missing(parsed, columns, state)):
        if node:
            for k in small:
                why = f"the currents at {node} don't add up, or its voltage isn't what is stated"
                _fail(parts[k], point, f"it is no operating point: {why}")


def _solve_transient(
    host: Backend, deck: Deck, run: TransientRun, part: ChunkResult, point: int, values: dict[str, float]
) -> None:
    factor = 1.0 if run.amplitude is None else float(run.amplitude[point, 0])
    terms = [term.scaled(factor) for term in run.terms]
    lines = deck.lines(values, deck.drive(run.source, values, terms))
    zero = run.initial == "zero"
    if zero:
        nothing = dict.fromkeys([*deck.parsed.nodes, *(f"i({name})" for name in deck.parsed.kind("l"))], 0.0)
        written = deck.initial(nothing, lines, values)
    else:
        written = list(lines.values())
    grid, waves = host.transient(deck, written, run.vectors, run.stop, run.step, run.start, zero)
    assert part.axis is not None
    if abs(grid[-1] - run.stop) > 1e-6 * run.stop:
        raise RuntimeError(f"the transient ended at {grid[-1]:.6g} s instead of {run.stop:.6g} s")
    for name, wave in zip(run.vectors, waves, strict=True):
        if not np.isfinite(wave).all():
            raise RuntimeError(f"{name} is not a finite number")
        part.values[name][point] = onto(part.axis, grid, wave)


def _solve_steady(
    host: Backend, job: Job, hear: tuple[Beat, Tell], deck: Deck, part: ChunkResult, k: int, point: int,
    values: dict[str, float],
) -> None:  # fmt: skip
    beat, tell = hear
    run = job.runs[k]
    assert isinstance(run, SteadyRun)
    solver = Solver(host, deck, run, values, job.time_limit)
    if run.known_levels is not None and run.known_states is not None:
        solver.remember(run.known_levels[point], run.known_states[point])
    reasons = []
    for level, amplitude in enumerate(run.amplitude[point].tolist()):
        if (k, point, level) in job.skip:
            continue
        beat(k, point, level)
        try:
            found = solver.level(amplitude)
        except TimeoutError:
            reasons.append(reworded(f"from level {level} on: {job.over}", job.over))
            break
        except Exception as error:
            reasons.append(f"level {level} ({amplitude:.6g} V): {_reason(error)}")
            continue
        put_level(part, point, level, found)
        tell(level, found)
    part.reasons[point] = reworded("; ".join(reasons), *reasons)


def put_level(part: ChunkResult, point: int, level: int, found: Settled) -> None:
    """Write a level that came to rest into a part."""
    part.extras["periods"][point, level] = found.periods
    part.extras["method"][point, level] = found.method
    if found.state is not None:
        shape = (*part.extras["periods"].shape, len(found.state))
        part.extras.setdefault("state", np.full(shape, np.nan))[point, level] = found.state
    for array, wave in zip(part.values.values(), found.waves, strict=True):
        array[point, level] = wave


def _fail(part: ChunkResult, point: int, reason: str) -> None:
    for array in part.values.values():
        array[point] = complex(np.nan, np.nan) if array.dtype.kind == "c" else np.nan
    part.reasons[point] = reason


def _reason(error: BaseException) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text[:300]


def as_reply(part: ChunkResult) -> dict[str, Any]:
    """Return a part as plain data."""
    return {"values": part.values, "axis": part.axis, "reasons": part.reasons, "extras": part.extras}
