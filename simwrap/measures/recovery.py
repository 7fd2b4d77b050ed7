"""How long a stage takes to come back after an overload burst."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

import numpy as np

from simwrap.engine.protocol import Pwl
from simwrap.findings.finding import Finding
from simwrap.measures.common import (
    Array,
    Floats,
    StageLike,
    axis,
    between,
    current_nodes,
    port,
    scalar,
    stated,
    valve_vectors,
    vector,
    wanted,
)
from simwrap.measures.numerics.level_sweep import CUT_OFF_SHARE, expected_onset
from simwrap.measures.options import Frequency, Level, Option, Port
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Result, Transient, Variable

_SAMPLES = 8192
_CORNERS_A_CYCLE = 32
#: Share of the window up to which a return counts.
_SURE = 2.0 / 3.0


@measure(
    "recovery",
    summary="time to come back after an overload burst, and blocking by grid current",
    headline=("recovery_time", "blocked_time"),
    picture="simwrap.plots.measures.waves:draw_recovery",
)
def recovery(
    stage: StageLike,
    *,
    overload_db: Annotated[float, Option("dB", least=-100.0, most=100.0)] = 12.0,
    level: Level | None = None,
    frequency: Frequency = 1000.0,
    cycles: Annotated[int, Option(least=2, most=1000)] = 20,
    window: Annotated[float, Option("s", above=0.0, most=100.0)] = 0.5,
    tolerance: Annotated[float, Option("%", above=0.0, most=100.0)] = 10.0,
    at: Port = "output",
) -> Steps:
    """Overload the stage with a burst of sine and watch its bias come back.

    Grid current charges the coupling capacitors during the burst; afterwards the grid is too
    negative until the charge has leaked away, and the stage may be cut off (blocked) meanwhile.

    Parameters
    ----------
    overload_db : float
        Level of the burst above the onset of clipping that bias and gains lead one to expect [dB].
    level : float, optional
        Level of the burst instead [V r.m.s.].
    frequency : float
        Of the burst [Hz].
    cycles : int
        Length of the burst.
    window : float
        How long to watch after the burst [s]; half as long as a return took, it must have lasted in the window.
    tolerance : float
        What counts as back: departure from rest [% of the grid bias; of the output's peak in the burst].
    at : str
        Port to listen at: "output", or "output_b" for the other side of a splitter.

    Results
    -------
    recovery_time
        From the end of the burst until every valve's grid-cathode voltage stays within the
        tolerance [s]; in a stage without valves, that of the output. NaN, with a warning, where it isn't
        surely reached in the window.
    output_recovery_time
        The same of the output [s]; NaN where two valves share the load, in which equal shifts cancel.
    blocked_time
        How long after the burst any valve is cut off: anode current below 5 % of its zero-signal
        value [s].
    bias_shift
        Largest change of a grid-cathode voltage just after the burst [V]; negative: more negative.
    burst_level
        Of the source's e.m.f. [V r.m.s.].
    time, output_wave
        The output over time, from the start of the burst [V].
    """
    output = port(stage, at, "recovery")
    onset, op = yield from expected_onset(stage, frequency)
    points = len(onset)
    # A point without an operating point fails whatever its burst is.
    amplitude = np.where(np.isfinite(onset), onset, 1.0) * 10.0 ** (overload_db / 20.0)
    if level is not None:
        amplitude = np.full(points, np.sqrt(2.0) * level)
    burst = cycles / frequency
    valves = {name: use for name, use in stage.valves.items() if "grid" in use.nodes}
    reply, close = yield _burst(wanted(output, *valve_vectors(valves)), amplitude, frequency, cycles, window)
    time = np.asarray(reply.axis, dtype=float)
    just_after = int(np.argmax(np.asarray(close.axis) > burst))
    after = time > burst
    share = tolerance / 100.0
    out = vector(reply, output) - vector(op, output)[:, None]
    peak = np.abs(vector(close, output) - vector(op, output)[:, None]).max(axis=1)
    output_time = _last(time, np.abs(out) > share * peak[:, None], after, burst)
    bias_time, blocked, shift = np.zeros(points), np.zeros(points), np.zeros(points)
    for instance, use in valves.items():
        grid, cathode = use.nodes["grid"], use.nodes["cathode"]
        rest = between(op, grid, cathode)
        change = between(reply, grid, cathode) - rest[:, None]
        bias_time = np.maximum(bias_time, _last(time, np.abs(change) > share * np.abs(rest)[:, None], after, burst))
        first = between(close, grid, cathode)[:, just_after] - rest
        shift = np.where(np.abs(first) > np.abs(shift), first, shift)
        node = current_nodes(instance, use)["anode"]
        cut = vector(reply, node) < CUT_OFF_SHARE * vector(op, node)[:, None]
        blocked = np.maximum(blocked, (cut & after).sum(axis=1) * (time[1] - time[0]))
    failed = np.isnan(peak)
    bias_time = bias_time if valves else output_time
    # Equal shifts of two valves cancel in their common load while both are nearly deaf.
    balanced = any(use.shares_load for use in valves.values())
    if balanced:
        output_time = np.full(points, np.nan)
    told = {"bias": bias_time} if balanced else {"bias": bias_time, "output": output_time}
    findings = [
        [
            Finding.of("not_recovered", quantity=what, limit=window, unit="s", measure="recovery")
            for what, values in told.items()
            if np.isnan(values[point]) and not failed[point]
        ]
        for point in range(points)
    ]
    figures = {
        "recovery_time": (bias_time, "s", "time until the bias is back"),
        "output_recovery_time": (output_time, "s", "time until the output is back"),
        "blocked_time": (blocked, "s", "time for which a valve is cut off after the burst"),
        "bias_shift": (shift, "V", "change of grid bias just after the burst"),
        "burst_level": (amplitude / np.sqrt(2.0), "V", "level of the burst, r.m.s."),
    }
    return Result(
        {name: scalar(np.where(failed, np.nan, values), *words) for name, (values, *words) in figures.items()}
        | {"output_wave": Variable(("time",), out, "V", "output")},
        coords={"time": axis(time, "s", "time from the start of the burst")},
        conditions={
            "measured_at": (at, ""),
            "burst_level": (stated(amplitude / np.sqrt(2.0)), "V"),
            "burst_frequency": (frequency, "Hz"),
            "burst_cycles": (cycles, ""),
            "tolerance": (tolerance, "%"),
            "window": (window, "s"),
            "read_to": (time[1] - time[0], "s"),
        }
        | ({"output": ("not told: shifts of two valves cancel in their common load", "")} if balanced else {}),
        findings=findings,
    )


def _burst(
    vectors: tuple[str, ...], amplitude: Floats, frequency: float, cycles: int, window: float
) -> list[Transient]:
    """Return what asks for the burst and the window after it, and for the burst and its end more closely.

    The samples of a long window are coarser than a cycle.
    """
    burst = cycles / frequency
    stop = burst + window
    instants = np.linspace(0.0, burst, cycles * _CORNERS_A_CYCLE + 1)
    wave = np.sin(2.0 * np.pi * frequency * instants)
    wave[-1] = 0.0
    whole = Transient(
        stop=stop,
        step=1.0 / (20.0 * frequency),
        vectors=vectors,
        terms=(Pwl((*map(float, instants), stop), (*map(float, wave), 0.0)),),
        samples=_SAMPLES,
        amplitude=amplitude[:, None],
    )
    closely = replace(whole, stop=burst + 1.0 / frequency, samples=_CORNERS_A_CYCLE * (cycles + 1) + 1)
    return [whole, closely]


def _last(time: Floats, outside: Array, after: Array, start: float) -> Floats:
    """Return when ``outside`` is true for the last time [s from ``start`` on].

    NaN if what follows is less than half as long: a wave may pass through its tolerance and leave it again.
    """
    outside = outside & after
    count = time.size - 1 - np.argmax(outside[:, ::-1], axis=1)
    moment = np.where(outside.any(axis=1), time[count] - start, 0.0)
    sure: Floats = np.where(moment <= _SURE * (time[-1] - start), moment, np.nan)
    return sure
