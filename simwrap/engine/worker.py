"""What the child does with one chunk of points: load once, then solve point after point."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from simwrap.engine import allow_list, shooting
from simwrap.engine.backends.base import Backend
from simwrap.engine.deck import Deck, decades
from simwrap.engine.protocol import AcRun, Array, NoiseRun, OpRun, Run, SteadyRun, TransientRun
from simwrap.engine.resample import onto


@dataclass(frozen=True)
class Job:
    """A chunk of points for one child.

    ``values`` has shape (points, len(names)); ``runs`` hold only this chunk's amplitudes.
    ``skip`` lists (run, point, level) that killed a child or ran out of time before.
    """

    text: str
    names: tuple[str, ...]
    values: Array
    runs: tuple[Run, ...]
    time_limit: float
    skip: frozenset[tuple[int, int, int]] = frozenset()


@dataclass
class Part:
    """The result of one run over a chunk."""

    values: dict[str, Array]
    axis: Array | None
    reasons: list[str]
    extras: dict[str, Array]


Beat = Callable[[int, int, int], None]


def empty(run: Run, points: int) -> Part:
    """Return a part of the right shape, filled with NaN and without reasons."""
    axis: Array | None = None
    extras: dict[str, Array] = {}
    kind: type = float
    names: tuple[str, ...]
    shape: tuple[int, ...]
    if isinstance(run, OpRun):
        names, shape = run.vectors, (points,)
    elif isinstance(run, AcRun | NoiseRun):
        count = decades(run.start, run.stop, run.per_decade)
        axis = run.start * 10.0 ** (np.arange(count) / run.per_decade)
        shape = (points, count)
        names = run.vectors if isinstance(run, AcRun) else ("output_density", "input_density")
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
    return Part({name: np.full(shape, blank, kind) for name in names}, axis, [""] * points, extras)


def solve(host: Backend, job: Job, beat: Beat) -> list[Part]:
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
                _solve_steady(host, job, beat, deck, parts[k], k, point, values)
            elif isinstance(run, TransientRun) and (k, point, 0) not in job.skip:
                beat(k, point, 0)
                try:
                    _solve_transient(host, deck, run, parts[k], point, values)
                except Exception as error:
                    _fail(parts[k], point, _reason(error))
    return parts


def _solve_small(host: Backend, job: Job, beat: Beat, deck: Deck, parts: list[Part], small: list[int]) -> None:
    names, table = job.names, job.values.tolist()
    alter = host.alter
    steps: list[tuple[int, Callable[..., None], Run, list[Array]]] = []
    for k in small:
        run = job.runs[k]
        solver = host.op if isinstance(run, OpRun) else host.ac if isinstance(run, AcRun) else host.noise
        steps.append((k, solver, run, list(parts[k].values.values())))
    loaded = False
    for point, row in enumerate(table):
        # Once a point: the engine then keeps the operating point for the sweep that follows.
        fresh = False
        for k, solver, run, out in steps:
            if (k, point, 0) in job.skip:
                continue
            beat(k, point, 0)
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
                        _fail(parts[k], point, _reason(error))
    for k in small:
        for name, array in parts[k].values.items():
            good = np.isfinite(array).reshape(len(table), -1).all(axis=1)
            for place in np.flatnonzero(~good).tolist():
                if not parts[k].reasons[place] and (k, place, 0) not in job.skip:
                    _fail(parts[k], place, f"{name} is not a finite number")


def _solve_transient(
    host: Backend, deck: Deck, run: TransientRun, part: Part, point: int, values: dict[str, float]
) -> None:
    factor = 1.0 if run.amplitude is None else float(run.amplitude[point, 0])
    terms = [term.scaled(factor) for term in run.terms]
    lines = deck.lines(values, {run.source: deck.drive(run.source, values, terms)})
    zero = run.initial == "zero"
    if zero:
        lines = deck.initial(dict.fromkeys(deck.parsed.nodes, 0.0)
                             | {f"i({name})": 0.0 for name in deck.parsed.kind("l")}, lines)  # fmt: skip
    grid, waves = host.transient(deck, lines, run.vectors, run.stop, run.step, run.start, zero)
    assert part.axis is not None
    if abs(grid[-1] - run.stop) > 1e-6 * run.stop:
        raise RuntimeError(f"the transient ended at {grid[-1]:.6g} s instead of {run.stop:.6g} s")
    for name, wave in zip(run.vectors, waves, strict=True):
        if not np.isfinite(wave).all():
            raise RuntimeError(f"{name} is not a finite number")
        part.values[name][point] = onto(part.axis, grid, wave)


def _solve_steady(
    host: Backend, job: Job, beat: Beat, deck: Deck, part: Part, k: int, point: int, values: dict[str, float]
) -> None:
    run = job.runs[k]
    assert isinstance(run, SteadyRun)
    solver = shooting.Solver(host, deck, run, values, 0.9 * job.time_limit)
    reasons = []
    wasted = 0.0
    for level, amplitude in enumerate(run.amplitude[point].tolist()):
        if (k, point, level) in job.skip:
            continue
        beat(k, point, level)
        if wasted > solver.seconds:
            reasons.append(f"not tried from level {level} on: {wasted:.3g} s went into levels without a steady state")
            break
        start = time.monotonic()
        try:
            found = solver.level(amplitude)
        except Exception as error:
            wasted += time.monotonic() - start
            reasons.append(f"level {level} ({amplitude:.6g} V): {_reason(error)}")
            continue
        part.extras["periods"][point, level] = found.periods
        part.extras["method"][point, level] = found.method
        for name, wave in zip(run.vectors, found.waves, strict=True):
            part.values[name][point, level] = wave
    part.reasons[point] = "; ".join(reasons)


def _fail(part: Part, point: int, reason: str) -> None:
    for array in part.values.values():
        array[point] = complex(np.nan, np.nan) if array.dtype.kind == "c" else np.nan
    part.reasons[point] = reason


def _reason(error: BaseException) -> str:
    text = " ".join(str(error).split()) or type(error).__name__
    return text[:300]


def as_reply(part: Part) -> dict[str, Any]:
    """Return a part as plain data."""
    return {"values": part.values, "axis": part.axis, "reasons": part.reasons, "extras": part.extras}
