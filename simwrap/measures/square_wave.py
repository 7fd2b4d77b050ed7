"""The answer to a square wave: rise time, tilt, overshoot."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import replace
from typing import Annotated, Any, NamedTuple

import numpy as np

from simwrap.engine.protocol import Pulse
from simwrap.findings.finding import Finding
from simwrap.measures.common import Array, Floats, StageLike, axis, count, divide, port, scalar, vector, wanted
from simwrap.measures.numerics.square_modes import Modes, read
from simwrap.measures.options import Frequency, Level, Option, Port
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Op, Result, Step, Transient, Variable

_SAMPLES = 8192
#: A signal is small while it moves no valve's anode current by more than this share of that at rest.
_SMALL = 0.25
#: Anode current [mA] up to which a valve counts as cut off.
_CUT_OFF = 1e-3
#: Rise of the source's edge, relative to the period, and the part of it between 10 % and 90 %.
_EDGE = 2e-5
_OWN_RISE = 0.8 * _EDGE
#: Rise times below this many times the source's own can't be told from it.
_TOLD_APART = 3.0
#: Window round an edge that is sampled closely, before and after it, relative to the period, and its samples.
_CLOSE = (0.002, 0.01)
_CLOSE_SAMPLES = 8192
#: Stretches to which a top's line is fitted, relative to the half-period: the first that tells the rest of the top.
_STRETCHES = ((0.02, 0.98), (0.02, 0.2), (0.1, 0.98), (0.3, 0.98), (0.5, 0.98))
_TOP_END = 0.98
#: A top that moves less, relative to the step, is level: an engine's tolerance is not read for a droop.
_LEVEL = 1e-5
#: Departure from its line, relative to the step, with which a top counts as settled from there on; and at the last.
_FITS, _FITS_AT_LAST = 1e-4, 0.05
#: Part of the whole way that the edge itself makes: up to the first, the top is still the rise; from the second
#: on, what follows is the droop (or lift) of a top. What lies between is neither.
_STILL_RISING, _STANDS = 0.1, 0.5
#: Of the step: what may be left of the rise at the end of the half-period for the top to count as flat.
_LEFT = 0.01


class Edges(NamedTuple):
    """Figures of an edge, each of shape (points,): [s], a share, a share, [V]."""

    rise_time: Floats
    tilt: Floats
    overshoot: Floats
    step: Floats


@measure(
    "square_wave",
    summary="rise time, tilt and overshoot of a square wave",
    headline=("rise_time", "tilt", "overshoot"),
    picture="simwrap.plots.measures.waves:draw_square_wave",
)
def square_wave(
    stage: StageLike,
    *,
    frequency: Frequency = 1000.0,
    level: Level = 0.1,
    periods: Annotated[int, Option(least=2, most=10_000)] = 10,
    at: Port = "output",
) -> Steps:
    """Measure the answer to a square wave.

    A small signal is answered by the linearised circuit, in its periodic steady state, with edges that take no time;
    one that moves a valve's anode current by more than a quarter of that at rest by a transient. The condition
    "signal" says which.

    Parameters
    ----------
    frequency : float
        Of the square wave [Hz].
    level : float
        E.m.f. of the source, peak to peak [V].
    periods : int
        Periods before the one that is read, of a large signal.
    at : str
        Port to listen at: "output", or "output_b" for the other side of a splitter.

    Results
    -------
    rise_time
        10 % to 90 % of the way from the base to the top's line [s]; 0 where the output jumps. It goes on beyond the
        half-period where the rise isn't over by then. Of a large signal NaN where it isn't reached within the
        half-period, or can't be told from the source's own (1.6e-5 of a period).
    tilt
        Fall of the top's line over half a period, relative to half the step [%]: 200 tanh(pi/2 times the
        ratio of low corner to frequency) for one coupling capacitor, 100 pi times that ratio where it is small.
    overshoot
        Above the top's line, relative to the step [%].
    output_step
        Height of the step, from the base to where the top's line begins; negative in an inverting stage [V].
    time, output_wave
        From a quarter of a period before the rising edge to a whole one after it [V].

    The top's line is what the slow modes of the circuit make (of a large signal: an exponential through the settled
    part). Where the top is the end of the rise itself, it is level at what the rise goes to. Rise time and tilt of a
    large signal are means of both edges: what is left of the coupling capacitors' settling adds to the one tilt what
    it takes from the other. NaN, with a warning, where nothing is a top: the wave never stands.
    """
    output = port(stage, at, "square_wave")
    currents = {name: use.currents["anode"] for name, use in stage.valves.items() if "anode" in use.currents}
    op, step = yield [Op(), Step(vectors=wanted(output, *currents.values()))]
    period = 1.0 / frequency
    time = np.linspace(0.0, 1.25 * period, _SAMPLES)
    edge, wave, swings = _linear(step, op, output, list(currents.values()), level, time, period)
    large = swings > _SMALL
    findings: list[list[Finding]] = [[] for _ in large]
    if large.any():
        traced, waves = yield from _traced(op, output, np.where(large, level, 0.0), periods, period)
        edge = Edges(*(np.where(large, one, other) for one, other in zip(traced, edge, strict=True)))
        wave = np.where(large[:, None], waves, wave)
    for point in np.flatnonzero(np.isnan(edge.step) & np.isfinite(wave).all(axis=1)):
        findings[point].append(Finding.of("no_top_stands", value=frequency, unit="Hz", measure="square_wave"))
    for point in np.flatnonzero(np.asarray(step.values["growing"]).any(axis=1)):
        reason = "the circuit is unstable, so that nothing repeats itself"
        findings[point].append(Finding.of("lost_to_instability", measures=["square_wave"], reason=reason))
    how = "small: the linearised circuit" if not large.any() else "large: a transient"
    return Result(
        {
            "rise_time": scalar(edge.rise_time, "s", "rise time, 10 % to 90 %"),
            "tilt": scalar(100.0 * edge.tilt, "%", "tilt of the top"),
            "overshoot": scalar(100.0 * edge.overshoot, "%", "overshoot"),
            "output_step": scalar(edge.step, "V", "step of the output"),
            "output_wave": Variable(("time",), wave, "V", "output"),
        },
        coords={"time": axis(time, "s", "time")},
        conditions={
            "measured_at": (at, ""),
            "frequency": (frequency, "Hz"),
            "level": (level, "V peak to peak"),
            "signal": (how if large.all() or not large.any() else "differs by point", ""),
        }
        | (
            {
                "source_edge": (_EDGE * period, "s"),
                "read_after": (f"{periods} periods; the means of a rising and a falling edge", ""),
            }
            if large.any()
            else {}
        ),
        findings=findings,
    )


def _linear(
    reply: Any, op: Any, output: str, currents: list[str], level: float, time: Floats, period: float
) -> tuple[Edges, Floats, Floats]:
    """Return the figures of each point in the linearised circuit, the wave, and by what share a valve's current moves.

    NaN where the circuit has no modes or one that grows.
    """
    half = period / 2.0
    points = count(op)
    table = np.full((4, points), np.nan)
    wave = np.full((points, len(time)), np.nan)
    swings = np.zeros(points)
    rates = np.asarray(reply.values["rates"])
    for point in np.flatnonzero(np.isfinite(rates[:, 0]) & ~np.asarray(reply.values["growing"]).any(axis=1)):
        here = np.isfinite(rates[point])
        modes = {
            name: Modes(rates[point, here], level * np.asarray(reply.values[name])[point, here]).periodic(half)
            for name in wanted(output, *currents)
        }
        table[:, point] = read(modes[output], half)
        wave[point] = modes[output].square(time + 0.75 * period, half)
        for name in currents:
            moves = np.abs(modes[name].at(np.append(0.0, np.geomspace(1e-6, 1.0, 200) * half))).max()
            rest = float(np.abs(vector(op, name)[point]))
            # What is cut off may do anything.
            swings[point] = max(swings[point], moves / rest if rest > _CUT_OFF else np.inf)
    return Edges(*table), wave, swings


def _traced(
    op: Any, output: str, level: Floats, periods: int, period: float
) -> Generator[Any, Any, tuple[Edges, Floats]]:
    """Ask for transients at levels [V peak to peak] of shape (points,); return figures of both edges, and the wave."""
    # The first edge is at 0; the window starts a quarter of a period before a later one.
    start = (periods - 0.25) * period
    edge = _EDGE * period
    half = period / 2.0
    whole = Transient(
        stop=start + 1.25 * period,
        step=period / 500.0,
        vectors=(output,),
        terms=(Pulse(-0.5, 0.5, 0.0, edge, edge, half - edge, period),),
        start=start,
        samples=_SAMPLES,
        amplitude=level[:, None],
    )
    instants = [start + place * period for place in (0.25, 0.75)]
    closely = [
        replace(whole, start=at_ - _CLOSE[0] * period, stop=at_ + _CLOSE[1] * period, samples=_CLOSE_SAMPLES)
        for at_ in instants
    ]
    reply, *close = yield [whole, *closely]
    rest = vector(op, output)[:, None]
    wave = vector(reply, output) - rest
    instant = np.asarray(reply.axis, dtype=float)
    up, down = (
        edge_figures(instant, wave, at_, half, close=(np.asarray(near.axis, dtype=float), vector(near, output) - rest))
        for at_, near in zip(instants, close, strict=True)
    )
    own = _OWN_RISE * period
    rise = (up.rise_time + down.rise_time) / 2.0
    # Rises of a chain add by their squares, nearly (Elmore, J. Appl. Phys. 19 (1948) 55).
    rise = np.where(rise > _TOLD_APART * own, np.sqrt(np.maximum(rise**2 - own**2, 0.0)), np.nan)
    both = (up.tilt + down.tilt) / 2.0, np.maximum(up.overshoot, down.overshoot), up.step
    return Edges(rise, *both), wave


def edge_figures(
    time: Floats, wave: Array, edge: float, half: float, *, close: tuple[Floats, Array] | None = None
) -> Edges:
    """Return the figures of the edge at ``edge`` [s] of a wave with the half-period ``half`` [s].

    Parameters
    ----------
    time : ndarray, shape (samples,)
        Evenly spaced [s]; holds at least the time from before the edge to half a period after it.
    wave : ndarray, shape (points, samples)
        [V].
    edge, half : float
        [s].
    close : tuple of ndarray, optional
        Time and wave from shortly before the edge on, sampled more closely.
    """
    base = wave[:, int(np.searchsorted(time, edge)) - 1]
    if close is not None:
        base = close[1][:, int(np.searchsorted(close[0], edge)) - 1]
    level, swing, rate = _top(time, wave, edge, half, base)
    whole, first = level - base, level + swing - base
    with np.errstate(invalid="ignore"):
        made = divide(first, whole)  # what the edge itself makes of the way to where the top goes
        level_top = np.abs(made) < _STILL_RISING
        stands = np.abs(made) > _STANDS
    step = np.where(level_top, whole, np.where(stands, first, np.nan))
    left = divide(np.abs(swing * np.exp(-rate)), np.abs(whole))
    tilt = np.where(level_top, np.where(left < _LEFT, 0.0, np.nan), divide(-2.0 * swing * np.expm1(-rate), step))
    parts = [(time, wave)] if close is None else [close, (time, wave)]
    rise, overshoot = np.full(len(wave), np.nan), np.zeros(len(wave))
    for instants, values in parts:
        top = (instants >= edge) & (instants < edge + half)
        since = (instants[top] - edge) / half
        moved = np.where(level_top[:, None], 0.0, swing[:, None] * np.expm1(-rate[:, None] * since))
        moved = divide(moved, step[:, None])  # how far the line has gone by then
        relative = divide(values[:, top] - base[:, None], step[:, None])
        share = divide(relative, 1.0 + moved)
        reached = _reached(instants[top], share, 0.9) - _reached(instants[top], share, 0.1)
        rise = np.where(np.isnan(rise), reached, rise)
        overshoot = np.maximum(overshoot, (relative - moved).max(axis=1) - 1.0)
    # No more than the step itself can ring above it: that is a top which has fallen away before it could be read.
    with np.errstate(invalid="ignore"):
        told = overshoot < 1.0
    figures = (rise, tilt, np.maximum(overshoot, 0.0), step)
    return Edges(*(np.where(told, figure, np.nan) for figure in figures))


def _top(time: Floats, wave: Array, edge: float, half: float, base: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the level to which a top goes, its distance from there at the edge [V], and the rate in 1/half-period.

    The means of three thirds of a stretch tell an exponential exactly: their differences are as exp(-rate/3 of the
    stretch). The stretch is the first that tells the rest of the top. NaN where it never is.
    """
    level, swing, rate = (np.full(len(wave), np.nan) for _ in range(3))
    for begin, end in _STRETCHES:
        last = (begin, end) == _STRETCHES[-1]
        top = (time >= edge + begin * half) & (time < edge + _TOP_END * half)
        since = (time[top] - edge) / half
        each = int((since < end).sum()) // 3
        thirds = wave[:, top][:, : 3 * each].reshape(len(wave), 3, each).mean(axis=-1)
        differences = np.diff(thirds, axis=1)
        flat = np.abs(differences).max(axis=1) < _LEVEL * np.abs(thirds - base[:, None]).max(axis=1)
        ratio = divide(differences[:, 1], differences[:, 0])
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            # A straight line is an exponential that hardly bends.
            ratio = np.where(np.abs(ratio - 1.0) < 1e-7, 1.0 - 1e-7, ratio)
            found = np.where(flat, 0.0, -np.log(np.where(ratio > 0, ratio, np.nan)) / (since[each] - since[0]))
            shape = np.exp(-found[:, None] * since)
            means = shape[:, : 3 * each].reshape(len(wave), 3, each).mean(axis=-1)
            amount = np.where(flat, 0.0, divide(thirds[:, 0] - thirds[:, 2], means[:, 0] - means[:, 2]))
            goes_to = thirds[:, 1] - amount * means[:, 1]
            off = np.abs(wave[:, top] - goes_to[:, None] - amount[:, None] * shape).max(axis=1)
            size = np.maximum(np.abs(goes_to + amount - base), np.abs(goes_to - base))
            takes = np.isnan(level) & (off < (_FITS_AT_LAST if last else _FITS) * size)
        level, swing, rate = (
            np.where(takes, new, old) for new, old in ((goes_to, level), (amount, swing), (found, rate))
        )
    return level, swing, rate


def _reached(time: Floats, relative: Floats, share: float) -> Floats:
    """Return when each row first reaches a share, straight between samples; NaN if never."""
    over = relative >= share
    index = np.argmax(over, axis=1)
    rows = np.arange(len(relative))
    low = np.maximum(index - 1, 0)
    y0, y1 = relative[rows, low], relative[rows, index]
    part = np.where(index > 0, divide(share - y0, y1 - y0), 0.0)
    moment = time[low] + part * (time[index] - time[low])
    return np.where(over.any(axis=1), moment, np.nan)
