"""The level everywhere in a chain at its rated output, how far each valve is from its limits, and what clips first."""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, fields
from typing import Annotated, Any

import numpy as np

from simwrap.engine.protocol import Reply, Sine
from simwrap.errors import InputError
from simwrap.measures.bias import rating_of
from simwrap.measures.common import (
    Floats,
    StageLike,
    axis,
    between,
    count,
    decibels,
    divide,
    load_of,
    port,
    scalar,
    stated,
    valve_vectors,
    vector,
    wanted,
)
from simwrap.measures.numerics import harmonics
from simwrap.measures.numerics.closing_in import Curve, first_reached, next_levels
from simwrap.measures.numerics.crossings import interpolate
from simwrap.measures.numerics.level_sweep import (
    COARSE,
    CRITERIA,
    NO_LIMIT,
    earliest,
    limit_curves,
    limit_signs,
    signs_at_rest,
)
from simwrap.measures.options import Frequency, Level, Option
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Op, Result, Steady, Variable

#: Lowest and highest level of the curve, relative to that which the gain asks for at the rated output.
_SPAN = (0.1, 1.6)
#: Rounds of levels that close in on the marks.
_ROUNDS = 2
#: What a level is settled to, at most, of each signal.
COARSEST = 1e-3
#: Words for where a margin comes from.
WAVES, GAINS = "waveforms", "bias and gains"


@dataclass
class _OverLevels:
    """Over level, levels rising; arrays of shape (points, levels)."""

    level: Floats
    output: Floats
    thd: Floats  # %
    signs: dict[str, dict[str, Floats]]  # by valve and limit
    currents: dict[str, Floats]  # by supply [A]
    dissipation: dict[str, Floats]  # by valve, of the anode [W]

    def at(self, values: Floats, level: Floats) -> Floats:
        """Return values at a level, NaN outside of the range."""
        return interpolate(self.level, values, level)

    def marks(self, rated_output: float, stated_thd: float, rest: Mapping[str, Any]) -> list[list[Curve]]:
        """Return the curves whose marks are looked for: rated output, stated distortion, first limit of any valve."""
        limits = [curve for name, signs in self.signs.items() for curve in limit_curves(signs, rest[name])]
        return [[Curve(self.output / rated_output)], [Curve(self.thd / stated_thd)], limits]


def _joined(one: Any, other: Any, order: Any) -> Any:
    """Return two parts of curves as one with rising levels."""
    if isinstance(one, dict):
        return {key: _joined(value, other[key], order) for key, value in one.items()}
    return np.take_along_axis(np.concatenate([one, other], axis=1), order, 1)


@measure(
    "overload",
    summary="levels in a chain at its rated output, the margin of every valve, and what clips first",
    ports=("output",),
    headline=("source_emf", "clipping.first_valve", "clipping.output_power", "at_stated_thd.output_power"),
    picture="simwrap.plots.measures.overload:draw",
)
def overload(
    stage: StageLike,
    *,
    rated_output: Level = 1.0,
    frequency: Frequency = 1000.0,
    levels: Annotated[int, Option(least=6, most=100, zero="without large signals")] = 10,
    stated_thd: Annotated[float, Option("%", above=0.0, most=100.0)] = 5.0,
) -> Steps:
    """Measure a chain at its rated output, and over level in the periodic steady state.

    Parameters
    ----------
    rated_output : float
        At the output [V r.m.s.].
    frequency : float
        Of the sine [Hz].
    levels : int
        Levels of the curve, from a tenth of the rated one to 1.6 times; 0 leaves large signals out: what needs
        them is NaN.
    stated_thd : float
        Distortion for which level and power are looked up [%].

    Results
    -------
    gain
        From the source's e.m.f. to the output, small signal.
    source_emf
        For the rated output, by the gain [V r.m.s.].
    places.<port>
        Level at each stage's outputs at the rated output, by the gain [V r.m.s.].
    valves.<name>.margin_db, limit, margin_from
        By how much the level may rise above that of the rated output before the valve reaches a limit, which one, and
        whether that was read in the waveforms, or, where they don't reach so far, foretold from bias and gains.
    rated.source_emf, rated.thd
        Where the output is the rated one in the waveforms [V r.m.s., %]; NaN where it isn't reached.
    rated.supplies.<name>.current, rest.supplies.<name>.current
        Mean current of each supply there, and at the lowest level [A].
    rated.valves.<name>.anode_dissipation, anode_dissipation_share
        The highest at any level up to there [W, % of the rating].
    clipping.first_valve, first_limit, source_emf, output_rms, output_power
        The first limit that is reached.
    at_stated_thd.source_emf, output_rms, output_power
        Where the distortion first rises to the stated one.
    level_in, level_out, thd
        The curve [V r.m.s., V r.m.s., %].
    """
    node = port(stage, "output", "overload")
    valves = {name: use for name, use in stage.valves.items() if use.valve.kind != "rectifier"}
    if not valves:
        raise InputError(f"overload: {stage.name} has no valve that could be driven")
    places = {name: place for name, place in stage.ports.items() if name.rpartition(".")[2] in ("output", "output_b")}
    nodes = wanted(node, *places.values(), *valve_vectors(valves))
    op, small = yield [Op(), Ac(start=frequency, stop=frequency, per_decade=1, vectors=nodes)]
    points = count(op)
    gain = np.abs(vector(small, node)[:, 0])
    emf = divide(rated_output, gain)
    load = load_of(stage, points)[1]
    variables: dict[str, Variable] = {
        "gain": scalar(gain, "", "gain from the source's e.m.f."),
        "source_emf": scalar(emf, "V", "source e.m.f. for the rated output, by the gain, r.m.s."),
    }
    for name, place in places.items():
        level = emf * np.abs(vector(small, place)[:, 0])
        variables[f"places.{name}"] = scalar(level, "V", f"level at {name} at the rated output, r.m.s.")
    foretold = {name: _foretold(use, op, small, emf) for name, use in valves.items()}
    coords = {}
    conditions: dict[str, tuple[Any, str]] = {}
    if levels:
        rest = {name: signs_at_rest(stage, {name: use}, op) for name, use in valves.items()}
        settled = settled_within(stated_thd)
        first = emf[:, None] * np.geomspace(*_SPAN, levels)
        curve = yield from _driven(stage, node, valves, op, frequency, first, settled)
        for _ in range(_ROUNDS):
            tries = next_levels(curve.level, curve.marks(rated_output, stated_thd, rest))
            # What has no mark is looked at between two levels: it costs little, and keeps the points alike.
            tries = np.where(np.isnan(tries), emf[:, None] * (0.15, 0.25, 0.4), tries)
            part = yield from _driven(stage, node, valves, op, frequency, tries, settled)
            order = np.argsort(np.concatenate([curve.level, part.level], axis=1), axis=1)
            curve = _OverLevels(
                *(_joined(getattr(curve, f.name), getattr(part, f.name), order) for f in fields(_OverLevels))
            )
        more = _large(curve, valves, foretold, rest, rated_output, stated_thd, load)
        conditions["settled_within"] = (f"{settled:g}", "")
        coords["level"] = axis(np.arange(curve.level.shape[1]), "", "level")
    else:
        more = {}
        for name, (limit, margin) in foretold.items():
            more |= _margin(name, margin, limit, np.full(points, GAINS))
    conditions |= {
        "rated_output": (rated_output, "V"),
        "frequency": (frequency, "Hz"),
        "load": (stated(load), "ohm"),
        "stated_thd": (stated_thd, "%"),
        "source": ("e.m.f. of the signal source", ""),
        "criteria": (CRITERIA, ""),
    }
    return Result(variables | more, coords, conditions)


def settled_within(stated_thd: float) -> float:
    """Return what a level is settled to: to find a distortion [%] it is enough to know it to a hundredth of itself."""
    return float(np.clip(1e-4 * stated_thd, COARSE, COARSEST))


def _foretold(use: Any, op: Reply, small: Reply, emf: Floats) -> tuple[Any, Floats]:
    """Return which limit a valve reaches first by bias and gains, and the margin above the rated output [dB]."""
    nodes, current = use.nodes, use.currents["anode"]
    peak = np.sqrt(2.0) * emf
    room = {"grid current": divide(np.abs(between(op, nodes["grid"], nodes["cathode"])),
                                   peak * np.abs(between(small, nodes["grid"], nodes["cathode"])[:, 0]))}  # fmt: skip
    if not use.shares_load:
        room["cut-off"] = divide(vector(op, current), peak * np.abs(vector(small, current)[:, 0]))
    swing = peak * np.abs(between(small, nodes["anode"], nodes["cathode"])[:, 0])
    room["bottoming"] = divide(between(op, nodes["anode"], nodes["cathode"]), swing)
    table = np.stack(list(room.values()))
    first = np.argmin(np.where(np.isnan(table), np.inf, table), axis=0)
    return np.array(list(room))[first], decibels(table.min(axis=0))


def _driven(
    stage: StageLike, node: str, valves: Mapping[str, Any], op: Reply, frequency: float, levels: Floats, settled: float
) -> Generator[Any, Any, _OverLevels]:
    """Run some levels to their steady state."""
    supplies = {name: f"i({device})" for name, device in stage.supplies.items()}
    reply = yield Steady(
        fundamental=frequency,
        tones=(Sine(1.0, frequency),),
        amplitude=np.sqrt(2.0) * levels,
        vectors=wanted(node, *valve_vectors(valves), *supplies.values()),
        tolerance=settled,
    )
    wave = vector(reply, node)
    dissipation = {}
    for name, use in valves.items():
        volts = between(reply, use.nodes["anode"], use.nodes["cathode"])
        dissipation[name] = (1e-3 * vector(reply, use.currents["anode"]) * volts).mean(axis=-1)
    return _OverLevels(
        levels,
        harmonics.rms(wave),
        100.0 * harmonics.thd(harmonics.spectrum(wave)),
        {name: limit_signs(stage, {name: use}, reply, op) for name, use in valves.items()},
        {name: -vector(reply, device).mean(axis=-1) for name, device in supplies.items()},
        dissipation,
    )


def _margin(name: str, margin: Any, limit: Any, origin: Any) -> dict[str, Variable]:
    return {
        f"valves.{name}.margin_db": scalar(margin, "dB", f"margin of {name} above the rated output"),
        f"valves.{name}.limit": scalar(limit, "", f"limit that {name} reaches first"),
        f"valves.{name}.margin_from": scalar(origin, "", f"where the margin of {name} comes from"),
    }


def _large(
    curve: _OverLevels,
    valves: Mapping[str, Any],
    foretold: Mapping[str, tuple[Any, Floats]],
    rest: Mapping[str, Any],
    rated_output: float,
    stated_thd: float,
    load: Floats,
) -> dict[str, Variable]:
    """Return the figures that waveforms tell."""
    (output,), (distortion,), _ = curve.marks(rated_output, stated_thd, rest)
    rated = first_reached(curve.level, output)
    variables: dict[str, Variable] = {
        "rated.source_emf": scalar(rated, "V", "source e.m.f. at the rated output, r.m.s."),
        "rated.thd": scalar(curve.at(curve.thd, rated), "%", "total harmonic distortion at the rated output"),
    }
    for name, amps in curve.currents.items():
        variables[f"rest.supplies.{name}.current"] = scalar(amps[:, 0], "A", f"current of {name} at a low level")
        variables[f"rated.supplies.{name}.current"] = scalar(
            curve.at(amps, rated), "A", f"current of {name} at the rated output"
        )
    onsets, limits = [], []
    for name, use in valves.items():
        limit, onset = earliest(curve.level, curve.signs[name], rest[name])
        seen = np.isfinite(onset)
        margin = np.where(seen, decibels(divide(onset, rated)), foretold[name][1])
        variables |= _margin(name, margin, np.where(seen, limit, foretold[name][0]), np.where(seen, WAVES, GAINS))
        onsets.append(np.where(seen, onset, np.inf))
        limits.append(limit)
        up_to = np.where(curve.level <= rated[:, None] * (1.0 + 1e-9), curve.dissipation[name], -np.inf)
        most = np.where(np.isnan(rated), np.nan, up_to.max(axis=-1))
        words = f"highest anode dissipation of {name} up to the rated output"
        rating = rating_of(use, "anode_dissipation_max")
        place = f"rated.valves.{name}.anode_dissipation"
        variables[place] = scalar(most, "W", words)
        share = 100.0 * most / (np.nan if rating is None else rating)
        variables[f"{place}_share"] = scalar(share, "%", f"{words}, of its rating")
    onset, first = np.min(onsets, axis=0), np.argmin(onsets, axis=0)
    lost = (np.stack(limits) == "").any(axis=0)  # a level that isn't known may have clipped before
    onset = np.where(lost, np.inf, onset)
    none = ~np.isfinite(onset)
    which = np.array(list(valves))[first]
    what = np.take_along_axis(np.stack(limits), first[None], 0)[0]
    variables["clipping.first_valve"] = scalar(np.where(none, "", which), "", "valve that clips first")
    variables["clipping.first_limit"] = scalar(
        np.where(lost, "", np.where(none, NO_LIMIT, what)), "", "what clips first"
    )
    for key, level, words in (
        ("clipping", np.where(none, np.nan, onset), "the onset of clipping"),
        ("at_stated_thd", first_reached(curve.level, distortion), "the stated distortion"),
    ):
        volts = curve.at(curve.output, level)
        variables[f"{key}.source_emf"] = scalar(level, "V", f"source e.m.f. at {words}, r.m.s.")
        variables[f"{key}.output_rms"] = scalar(volts, "V", f"output at {words}, r.m.s.")
        variables[f"{key}.output_power"] = scalar(volts**2 / load, "W", f"output power at {words}")
    return variables | {
        "level_in": Variable(("level",), curve.level, "V", "source e.m.f., r.m.s."),
        "level_out": Variable(("level",), curve.output, "V", "output, r.m.s."),
        "thd": Variable(("level",), curve.thd, "%", "total harmonic distortion"),
    }
