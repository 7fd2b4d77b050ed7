"""Sweeping the drive level in the steady state, and telling what clips. Shared by measures."""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, field
from functools import reduce
from typing import Any

import numpy as np

from simwrap.engine.protocol import Reply, Sine
from simwrap.measures.common import (
    Array,
    Floats,
    StageLike,
    between,
    count,
    current_nodes,
    divide,
    valve_vectors,
    vector,
    wanted,
)
from simwrap.measures.numerics import harmonics
from simwrap.measures.numerics.closing_in import Curve, filled, first_reached, lost_from, next_levels
from simwrap.measures.requests import Ac, Op, Steady

#: A limit is reached where its sign reaches 1; see :func:`limit_signs`.
LIMITS = ("grid current", "cut-off", "bottoming")
NO_LIMIT = "none in range"
GRID_SHARE = 0.001
CUT_OFF_SHARE = 0.05
BOTTOMING_SHARE = 0.1
#: Part of the swing's curvature that is left at its lowest point where a pentode counts as bottoming.
FLATTENED = 0.5
CRITERIA = (
    "grid current: its peak reaches 0.1 % of the zero-signal cathode current; "
    "cut-off: the anode current falls to 5 % of its zero-signal value "
    "(not counted where two output valves share the load); "
    "bottoming: the anode-cathode voltage falls to 10 % of its zero-signal value, or, in a pentode, "
    "its lowest point is flattened: half as curved as its fundamental's"
)
#: Lowest and highest level of the first round, relative to the expected onset of clipping.
_SPAN = (0.02, 3.0)
#: How far above the highest level a mark is looked for next that isn't reached, as a factor.
_BEYOND = 2.0
#: Rounds that close in on what is looked for.
ROUNDS = 3
#: When a steady state counts as settled: below the expected onset of clipping, where distortion is
#: small, and beyond it, where the ringing of an output transformer leaves a jitter of its own.
FINE, COARSE = 1e-5, 1e-4
#: The same in words; what is tiny counts as in :mod:`simwrap.engine.shooting`.
SETTLED = f"{FINE:g} of the fundamental (or of 1 % of the largest signal, where that is more)"
#: Least share of the anode's limits that the grid's counts with as the expected onset of clipping.
_LEAST_BIAS = 0.1
#: Peak volts taken as the onset in a stage that has nothing to clip.
_PASSIVE_ONSET = 2.0
_MIDDLE = 1000.0


@dataclass
class LevelSweep:
    """Steady-state figures over level, levels rising.

    Attributes
    ----------
    level_in : ndarray, shape (points, levels)
        R.m.s. e.m.f. of the source [V].
    level_out : ndarray, shape (outputs, points, levels)
        R.m.s. at each output, without the mean [V].
    thd : ndarray, shape (outputs, points, levels)
        A ratio to the fundamental.
    harmonics : ndarray, shape (outputs, points, levels, orders)
        Harmonics 2 .. 10 as ratios to the fundamental.
    signs : dict of str to ndarray, shape (points, levels)
        One entry a limit: 1 or more where it is reached.
    periods : ndarray, shape (points, levels)
        Periods until the state was steady.
    at_rest : dict of str to ndarray, shape (points,)
        The signs without a signal.
    """

    level_in: Floats
    level_out: Floats
    thd: Floats
    harmonics: Floats
    signs: dict[str, Floats] = field(default_factory=dict)
    periods: Array = field(default_factory=lambda: np.zeros(0))
    at_rest: dict[str, Floats] = field(default_factory=dict)


ORDERS = np.arange(2, 11)


def expected_onset(
    stage: StageLike, frequency: float = _MIDDLE, *, operating_point: Reply | None = None
) -> Generator[Any, Any, tuple[Floats, Reply]]:
    """Estimate the source's peak voltage at which something clips, from bias and gains alone.

    Yields requests; returns the estimate of shape (points,) [V], and the operating point.
    """
    op = operating_point if operating_point is not None else (yield Op())
    valves = stage.valves
    points = count(op)
    if not valves:
        return np.full(points, _PASSIVE_ONSET), op
    ac = yield Ac(start=frequency, stop=frequency, per_decade=1, vectors=valve_vectors(valves))
    grid_onset, onset, failed = np.full(points, np.inf), np.full(points, np.inf), np.zeros(points, dtype=bool)
    for instance, use in valves.items():
        nodes = use.nodes
        if "grid" not in nodes:
            continue
        current = current_nodes(instance, use)["anode"]
        grid, anode = ((nodes[role], nodes["cathode"]) for role in ("grid", "anode"))
        bias = divide(np.abs(between(op, *grid)), np.abs(between(ac, *grid)[:, 0]))
        grid_onset = np.fmin(grid_onset, bias)
        for rest, swing in (
            (between(op, *anode), between(ac, *anode)[:, 0]),
            (vector(op, current), vector(ac, current)[:, 0]),
        ):
            onset = np.fmin(onset, divide(np.maximum(np.abs(rest), 1e-3), np.abs(swing)))
        failed |= np.isnan(vector(op, current))
    # A grid without bias conducts at once, but that is no clipping yet.
    onset = np.fmin(onset, np.fmax(grid_onset, _LEAST_BIAS * onset))
    onset = np.where(np.isfinite(onset), np.clip(onset, 1e-6, 1e4), _PASSIVE_ONSET)
    return np.where(failed, np.nan, onset), op


def sweep_levels(
    stage: StageLike,
    outputs: tuple[str, ...],
    *,
    frequency: float,
    levels: int,
    targets: tuple[float, ...] = (0.01, 0.03),
) -> Generator[Any, Any, LevelSweep]:
    """Sweep the drive from far below clipping to well beyond it.

    The first round spans a range round the onset that bias and gains lead one to expect. Each round after it puts
    a level where each target of distortion (at the first output), and the first limit, are expected by then.
    """
    onset, op = yield from expected_onset(stage)
    onset = np.where(np.isfinite(onset), onset, 1.0)
    marks = len(targets) + 1
    factors = np.geomspace(*_SPAN, levels - ROUNDS * marks)
    settled = np.where(factors < 1.0, FINE, COARSE)
    found = yield from _steady(stage, outputs, frequency, onset[:, None] * factors, settled, op)
    if not stage.valves:
        return found
    # To find 1 % or 3 % it is enough to know them to a hundredth of themselves.
    settled = np.clip([*(0.01 * target for target in targets), COARSE], FINE, COARSE)
    for _ in range(ROUNDS):
        curves = [[Curve(found.thd[0] / target)] for target in targets]
        curves.append(limit_curves(found.signs, found.at_rest) or curves[-1])
        tries = filled(found.level_in, next_levels(found.level_in, curves, beyond=_BEYOND))
        amplitude = np.sqrt(2.0) * tries
        found = _merge(found, (yield from _steady(stage, outputs, frequency, amplitude, settled, op)))
    return found


def limit_curves(signs: Mapping[str, Floats], at_rest: Mapping[str, Floats]) -> list[Curve]:
    """Return the signs of the limits as curves to be closed in on, in the order of ``LIMITS``."""
    return [Curve(signs[name], at_rest.get(name)) for name in LIMITS if name in signs]


def _merge(one: LevelSweep, other: LevelSweep) -> LevelSweep:
    level_in = np.concatenate([one.level_in, other.level_in], axis=1)
    order = np.argsort(level_in, axis=1)

    def joined(a: Array, b: Array, axis: int) -> Array:
        both = np.concatenate([a, b], axis=axis)
        index = order.reshape((1,) * (axis - 1) + order.shape + (1,) * (both.ndim - axis - 1))
        return np.take_along_axis(both, index, axis)

    return LevelSweep(
        joined(one.level_in, other.level_in, 1),
        joined(one.level_out, other.level_out, 2),
        joined(one.thd, other.thd, 2),
        joined(one.harmonics, other.harmonics, 2),
        {name: joined(sign, other.signs[name], 1) for name, sign in one.signs.items()},
        joined(one.periods, other.periods, 1),
        one.at_rest,
    )


def _steady(
    stage: StageLike, outputs: tuple[str, ...], frequency: float, amplitude: Floats, settled: Floats, op: Reply
) -> Generator[Any, Any, LevelSweep]:
    """Run levels (columns of ``amplitude``) to the tolerance that each has in ``settled``."""
    valves = stage.valves
    groups = [amplitude[:, settled == tolerance] for tolerance in np.unique(settled)]
    replies = yield [
        Steady(
            fundamental=frequency,
            tones=(Sine(1.0, frequency),),
            amplitude=group,
            vectors=wanted(*outputs, *valve_vectors(valves)),
            tolerance=float(tolerance),
        )
        for tolerance, group in zip(np.unique(settled), groups, strict=True)
    ]
    parts = [_read(stage, outputs, valves, group, reply, op) for group, reply in zip(groups, replies, strict=True)]
    return reduce(_merge, parts)


def _read(
    stage: StageLike,
    outputs: tuple[str, ...],
    valves: Mapping[str, Any],
    amplitude: Floats,
    reply: Reply,
    op: Reply,
) -> LevelSweep:
    waves = np.stack([vector(reply, node) for node in outputs])
    lines = harmonics.spectrum(waves)
    periods = reply.extras.get("periods")
    return LevelSweep(
        amplitude / np.sqrt(2.0),
        harmonics.rms(waves),
        harmonics.thd(lines),
        harmonics.relative(lines, ORDERS),
        limit_signs(stage, valves, reply, op),
        np.full(amplitude.shape, np.nan) if periods is None else np.asarray(periods, dtype=float),
        signs_at_rest(stage, valves, op),
    )


def fallen(wave: Floats, rest: Floats, share: float) -> Floats:
    """Return how far the least of a wave has fallen from its value at rest, 1 at ``share`` of that."""
    sign: Floats = (1.0 - divide(wave.min(axis=-1), rest)) / (1.0 - share)
    return sign


def limit_signs(stage: StageLike, valves: Mapping[str, Any], reply: Reply, op: Reply) -> dict[str, Floats]:
    """Return how near each limit is in the waveforms, 1 or more where it is reached.

    Parameters
    ----------
    stage : Stage
    valves : mapping
        Its valves.
    reply : Reply
        Of a steady-state run with the vectors of :func:`~simwrap.measures.common.valve_vectors`.
    op : Reply
        The operating point.

    Returns
    -------
    dict of str to ndarray, shape (points, levels)
        By the names in ``LIMITS``, the largest over the valves; see ``CRITERIA``.
    """
    signs: dict[str, Floats] = {}
    for instance, use in valves.items():
        nodes, currents = use.nodes, current_nodes(instance, use)
        if "grid" not in currents:
            continue
        anode, grid = vector(reply, currents["anode"]), vector(reply, currents["grid"])
        voltage = between(reply, nodes["anode"], nodes["cathode"])
        rest = {name: vector(op, node)[:, None] for name, node in currents.items()}
        rest_voltage = between(op, nodes["anode"], nodes["cathode"])[:, None]
        cathode = sum(rest.values(), start=np.zeros_like(rest_voltage))
        # Its fourth root: exponential at first and then a power, a grid current bends too much to interpolate.
        now = {"grid current": np.maximum(divide(grid.max(axis=-1), GRID_SHARE * cathode), 0.0) ** 0.25}
        # Both fall in proportion to the level until they are reached: good to interpolate.
        if not use.shares_load:
            now["cut-off"] = fallen(anode, rest["anode"], CUT_OFF_SHARE)
        bottoming = fallen(voltage, rest_voltage, BOTTOMING_SHARE)
        if "screen" in currents:
            bottoming = np.fmax(bottoming, (1.0 - curvature(voltage)) / (1.0 - FLATTENED))
        now["bottoming"] = bottoming
        for name, sign in now.items():
            signs[name] = np.fmax(signs[name], sign) if name in signs else sign
    return signs


def signs_at_rest(stage: StageLike, valves: Mapping[str, Any], op: Reply) -> dict[str, Floats]:
    """Return the signs of :func:`limit_signs` without a signal, each of shape (points,)."""
    values = {name: np.asarray(values)[:, None, None] for name, values in op.values.items()}
    quiet = Reply(values, None, op.reasons, [])
    return {name: sign[:, 0] for name, sign in limit_signs(stage, valves, quiet, op).items()}


def curvature(wave: Floats) -> Floats:
    """Return how curved a wave is at its lowest point, as a part of what its fundamental alone would be.

    1 for a sine; 0 where its bottom is flat. A twelfth of a radian either side is looked at.

    Parameters
    ----------
    wave : ndarray, shape (points, levels, samples)
        One period; NaN where it doesn't move.
    """
    samples = wave.shape[-1]
    apart = max(1, samples // 32)
    # The middle of a flat bottom, not its first sample.
    around = wave + np.roll(wave, apart, axis=-1) + np.roll(wave, -apart, axis=-1)
    lowest = around.argmin(axis=-1)[..., None]
    low, before, after = (
        np.take_along_axis(wave, (lowest + shift) % samples, -1)[..., 0] for shift in (0, -apart, apart)
    )
    fundamental = np.abs(harmonics.spectrum(wave)[..., 1]) if samples > 2 else np.zeros(wave.shape[:-1])
    bend = 2.0 * fundamental * (1.0 - np.cos(2.0 * np.pi * apart / samples))
    return divide(before + after - 2.0 * low, np.where(bend > 1e-9, bend, np.nan))


def first_limit(found: LevelSweep) -> tuple[Array, Floats]:
    """Return which limit is reached first, and at which level [V r.m.s.], each of shape (points,).

    0 V for a limit that is reached without a signal. "none in range" and NaN where none is reached, "" and NaN where
    the point failed.
    """
    failed = np.isnan(found.thd[0]).all(axis=1) & np.isnan(found.level_out[0]).all(axis=1)
    words, level = earliest(found.level_in, found.signs, found.at_rest)
    return np.where(failed, "", words), level


def earliest(levels: Floats, signs: Mapping[str, Floats], at_rest: Mapping[str, Floats]) -> tuple[Array, Floats]:
    """Return which sign reaches 1 first over rising levels, and where; see :func:`first_limit`.

    "" and NaN where a level that isn't known may have reached one before.
    """
    names = [name for name in LIMITS if name in signs]
    if not names:
        return np.full(len(levels), NO_LIMIT), np.full(len(levels), np.nan)
    curves = limit_curves(signs, at_rest)
    onsets = [first_reached(levels, curve) for curve in curves]
    reached = np.where(np.isnan(onsets), np.inf, onsets)
    level = reached.min(axis=0)
    lost = (level > 0.0) & (np.min([lost_from(levels, curve) for curve in curves], axis=0) < level)
    none = ~np.isfinite(level)
    words = np.where(none, NO_LIMIT, np.array(names)[np.argmin(reached, axis=0)])
    return np.where(lost & np.isfinite(levels).any(axis=1), "", words), np.where(none | lost, np.nan, level)
