"""The answer to a square wave: rise time, tilt, overshoot."""

from __future__ import annotations

from typing import Annotated, NamedTuple

import numpy as np

from simwrap.engine.protocol import Pulse
from simwrap.measures.common import Array, Floats, StageLike, axis, divide, port, scalar, vector
from simwrap.measures.options import Frequency, Level, Option, Port
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Op, Result, Transient, Variable

_SAMPLES = 8192
#: Rise of the source's edge, relative to the period.
_EDGE = 2e-5
#: Of the step: a doubt about the top's height from which on it hasn't settled.
_UNSETTLED = 0.05


class Edge(NamedTuple):
    """Figures of one edge, each of shape (points,): [s], a share, a share, [V]."""

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

    Parameters
    ----------
    frequency : float
        Of the square wave [Hz].
    level : float
        E.m.f. of the source, peak to peak [V].
    periods : int
        Periods before the one that is read.
    at : str
        Port to listen at: "output", or "output_b" for the other side of a splitter.

    Results
    -------
    rise_time
        10 % to 90 % of the step [s]. The step is counted to the top's line, drawn back to the edge;
        the source's own edge takes 2e-5 of a period. NaN where it isn't reached within the half-period.
    tilt
        Fall of the top over half a period, relative to half the peak-to-peak value [%]: pi times the
        ratio of low corner to frequency where that is small.
    overshoot
        Above the top's line at the edge, relative to the step [%].
    output_step
        Height of the step; negative in an inverting stage [V].
    time, output_wave
        From a quarter of a period before the rising edge to a whole one after it [V].

    Rise time and tilt are means of both edges: what is left of the coupling capacitors' settling
    adds to the one tilt what it takes from the other. All are NaN where the top doesn't settle in half a period.
    """
    output = port(stage, at, "square_wave")
    op = yield Op()
    period = 1.0 / frequency
    # The first edge is at 0; the window starts a quarter of a period before a later one.
    start = (periods - 0.25) * period
    edge = _EDGE * period
    reply = yield Transient(
        stop=start + 1.25 * period,
        step=period / 500.0,
        vectors=(output,),
        terms=(Pulse(-level / 2.0, level / 2.0, 0.0, edge, edge, period / 2.0 - edge, period),),
        start=start,
        samples=_SAMPLES,
    )
    time = np.asarray(reply.axis, dtype=float)
    wave = vector(reply, output) - vector(op, output)[:, None]
    time = time - time[0]
    up, down = (edge_figures(time, wave, place * period, period / 2.0) for place in (0.25, 0.75))
    return Result(
        {
            "rise_time": scalar((up.rise_time + down.rise_time) / 2.0, "s", "rise time, 10 % to 90 %"),
            "tilt": scalar(50.0 * (up.tilt + down.tilt), "%", "tilt of the top"),
            "overshoot": scalar(100.0 * np.maximum(up.overshoot, down.overshoot), "%", "overshoot"),
            "output_step": scalar(up.step, "V", "step of the output"),
            "output_wave": Variable(("time",), wave, "V", "output"),
        },
        coords={"time": axis(time, "s", "time")},
        conditions={
            "measured_at": (at, ""),
            "frequency": (frequency, "Hz"),
            "level": (level, "V peak to peak"),
            "source_edge": (edge, "s"),
            "read_after": (f"{periods} periods; the means of a rising and a falling edge", ""),
        },
    )


def edge_figures(time: Floats, wave: Array, edge: float, half: float) -> Edge:
    """Return the figures of the edge at ``edge`` [s] of a wave with the half-period ``half`` [s].

    Parameters
    ----------
    time : ndarray, shape (samples,)
        Evenly spaced [s]; holds at least the time from before the edge to half a period after it.
    wave : ndarray, shape (points, samples)
        [V].
    edge, half : float
        [s].
    """
    before = int(np.searchsorted(time, edge)) - 1
    top = (time >= edge) & (time < edge + half)
    # A parabola through the settled half follows a droop, which is an exponential, well enough.
    settled = (time >= edge + 0.5 * half) & (time < edge + 0.98 * half)
    local = (time[settled] - edge) / half
    basis = np.stack([np.ones_like(local), local, local**2], axis=1)
    weights = np.linalg.pinv(basis)
    coefficients = wave[:, settled] @ weights.T
    first, last = coefficients[:, 0], coefficients.sum(axis=1)
    # Where a cubic would draw the top back to another height, it hasn't settled: then there is no line to count from.
    cubic = wave[:, settled] @ np.linalg.pinv(np.column_stack([basis, local**3])).T
    base = wave[:, before]
    step = first - base
    step = np.where(np.abs(cubic[:, 0] - first) > _UNSETTLED * np.abs(step), np.nan, step)
    relative = divide(wave[:, top] - base[:, None], step[:, None])
    instants = time[top]
    rise = _reached(instants, relative, 0.9) - _reached(instants, relative, 0.1)
    tilt = divide(first - last, step / 2.0)
    overshoot = np.maximum(relative.max(axis=1) - 1.0, 0.0)
    return Edge(rise, tilt, overshoot, step)


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
