"""The anode supply: voltages, ripple, regulation, what the rectifier bears, and switching on cold."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np

from simwrap.engine.protocol import Reply, Sine
from simwrap.measures.bias import compare, limits_note, rating_of
from simwrap.measures.common import (
    Floats,
    StageLike,
    axis,
    between,
    count,
    divide,
    per_point,
    port,
    scalar,
    vector,
    wanted,
)
from simwrap.measures.options import MainsFrequency, Option
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Op, Result, Steady, Transient, Variable

#: Peak of the 1 V r.m.s. that stands for the nominal mains.
_MAINS = np.sqrt(2.0)
_CURRENT = "i(v_rectified)"
_SAMPLES = 1024
#: What counts as settled, relative to the ripple: it may be a few millionths of the voltage that it rides on,
#: no more than an engine's transient is good for.
_TOLERANCE = 1e-2
_STARTING_SAMPLES = 8192
#: Voltage to which a supply should have discharged [V d.c.].
_DISCHARGED = 60.0


@measure(
    "supply",
    summary="voltage, ripple, regulation, rectifier currents and cold start",
    ports=("output", "reservoir"),
    headline=("output_voltage", "ripple", "rectifier_current_peak"),
    picture="simwrap.plots.measures.supply:draw",
)
def supply(
    stage: StageLike,
    *,
    mains_frequency: MainsFrequency = 50.0,
    mains: Annotated[float, Option(least=0.01, most=2.0)] = 1.0,
    loads: Annotated[tuple[float, ...], Option(above=0.0, most=10.0, entries=(1, 100))] = (0.25, 0.5, 0.75, 1.0, 1.25),
    starting: Annotated[float, Option("s", above=0.0, most=100.0)] = 2.0,
    switch_on_phase: Annotated[float, Option("degree", least=-360.0, most=360.0)] = 90.0,
) -> Steps:
    """Measure an anode supply in the steady state, over its load, and from a cold start.

    Parameters
    ----------
    mains_frequency : float
        [Hz].
    mains : float
        Mains voltage relative to its nominal value.
    loads : tuple of float
        Load currents of the regulation curve, relative to ``load_current``.
    starting : float
        How long to watch after switching on [s].
    switch_on_phase : float
        Phase of the mains at that instant [degree]; 90 is the peak, the worst for the first surge.

    Results
    -------
    output_voltage, reservoir_voltage, first_voltage, second_voltage
        Means [V]; the last two where the droppers are there.
    ripple, ripple_rms, ripple_fundamental
        At the output: peak to peak, r.m.s., and the r.m.s. of twice the mains frequency [V].
    reservoir_ripple
        Peak to peak [V].
    rectifier_current, rectifier_current_peak, rectifier_current_rms
        Mean, peak and r.m.s. of all rectifiers together [A].
    inverse_voltage_peak
        Largest across any one rectifier [V].
    load, output_curve, ripple_curve
        Regulation: load current [A], mean [V] and ripple [V peak to peak] at the output.
    output_resistance, regulation
        Fall of the output over rise of the load, about the set load [ohm], and the rise from the set load to
        the lightest of the curve, as a part of the former [%].
    surge.current_peak, surge.output_peak, surge.time
        From a cold start: largest rectifier current [A], largest output voltage [V], and when the
        output first reaches 95 % of its settled value [s]. The rectifier is hot and the loads draw their
        current at once: a heater that warms up slowly makes the output higher for a while.
    discharge_from, discharge_time
        The highest voltage that the capacitors may hold at switching off: the winding's peak, or what was higher
        [V]; and how long the bleeder alone takes from there to bring all of them down to 60 V [s]: R*C*ln(V/60),
        inf without one.

    Raises
    ------
    InputError
        If the stage has no reservoir.

    Warnings name the rectifier's ratings that are exceeded or near; the surge is held against the rating
    of a silicon rectifier only, since a valve's heater warms up first. Where the series resistance and the output
    current are rated by the winding's voltage, those of the next higher printed voltage count.
    """
    output, reservoir = port(stage, "output", "supply"), port(stage, "reservoir", "supply")
    op = yield Op()
    points = count(op)
    droppers = {name: f"n_{name}" for name in ("first", "second") if f"n_{name}" in op.values}
    rectifiers = _rectifiers(stage, op)
    vectors = wanted(output, reservoir, *droppers.values(), _CURRENT, *sum(rectifiers.values(), ()))
    amplitude = np.full((points, 1), _MAINS * mains)
    tones = (Sine(1.0, mains_frequency),)
    settled, started = yield [
        Steady(
            fundamental=mains_frequency,
            tones=tones,
            amplitude=amplitude,
            vectors=vectors,
            samples=_SAMPLES,
            tolerance=_TOLERANCE,
        ),
        Transient(
            stop=starting,
            step=1.0 / (200.0 * mains_frequency),
            vectors=wanted(output, _CURRENT),
            terms=(Sine(_MAINS * mains, mains_frequency, switch_on_phase),),
            samples=_STARTING_SAMPLES,
            initial="zero",
        ),
    ]
    volts, held = vector(settled, output)[:, 0], vector(settled, reservoir)[:, 0]
    amps = vector(settled, _CURRENT)[:, 0]
    mean = volts.mean(axis=-1)
    fundamental = np.abs(np.fft.rfft(volts, axis=-1))[:, 2] * np.sqrt(2.0) / _SAMPLES
    variables: dict[str, Variable] = {
        "output_voltage": scalar(mean, "V", "output voltage"),
        "reservoir_voltage": scalar(held.mean(axis=-1), "V", "voltage at the reservoir"),
        **{
            f"{name}_voltage": scalar(vector(settled, node)[:, 0].mean(axis=-1), "V", f"voltage after {name} dropper")
            for name, node in droppers.items()
        },
        "ripple": scalar(np.ptp(volts, axis=-1), "V", "ripple at the output, peak to peak"),
        "ripple_rms": scalar(volts.std(axis=-1), "V", "ripple at the output, r.m.s."),
        "ripple_fundamental": scalar(fundamental, "V", "ripple of twice the mains frequency at the output, r.m.s."),
        "reservoir_ripple": scalar(np.ptp(held, axis=-1), "V", "ripple at the reservoir, peak to peak"),
        "rectifier_current": scalar(amps.mean(axis=-1), "A", "rectifier current, mean"),
        "rectifier_current_peak": scalar(amps.max(axis=-1), "A", "rectifier current, peak"),
        "rectifier_current_rms": scalar(np.sqrt(np.mean(amps**2, axis=-1)), "A", "rectifier current, r.m.s."),
    }
    inverse = np.zeros(points)
    for anode, cathode in rectifiers.values():
        inverse = np.fmax(inverse, -between(settled, anode, cathode)[:, 0].min(axis=-1))
    variables["inverse_voltage_peak"] = scalar(inverse, "V", "peak inverse voltage of a rectifier")
    more, coords = yield from _regulation(stage, output, tones, amplitude, mean, loads)
    surge = vector(started, _CURRENT).max(axis=-1)
    rising = vector(started, output)
    # Without its loads the supply stands at the winding's peak when it is switched off, or where the choke threw it.
    unloaded = np.sqrt(2.0) * per_point(stage, "winding_voltage", points) * mains
    charged = np.maximum(unloaded, np.maximum(volts.max(axis=-1), rising.max(axis=-1)))
    variables |= more
    variables |= {
        "surge.current_peak": scalar(surge, "A", "rectifier current at switching on, peak"),
        "surge.output_peak": scalar(rising.max(axis=-1), "V", "output voltage after switching on, peak"),
        "surge.time": scalar(_reached(np.asarray(started.axis), rising, 0.95 * mean), "s", "time to 95 % of output"),
        "discharge_from": scalar(charged, "V", "highest voltage that the capacitors may hold at switching off"),
        "discharge_time": scalar(
            _discharge(stage, points, charged), "s", "time from there to 60 V by the bleeder alone"
        ),
    }
    warnings, note = _warnings(stage, points, inverse, surge, amps.max(axis=-1), amps.mean(axis=-1), mains)
    conditions: dict[str, tuple[Any, str]] = {
        "mains_frequency": (mains_frequency, "Hz"),
        "mains": (mains, ""),
        "switch_on_phase": (switch_on_phase, "degree"),
        "rectifier": ("hot from the start", ""),
    }
    return Result(variables, coords, conditions | note, warnings)


def _rectifiers(stage: StageLike, op: Reply) -> dict[str, tuple[str, str]]:
    """Return anode and cathode of each rectifier; ideal ones stand where the first valves would."""
    found = {name: (use.nodes["anode"], use.nodes["cathode"]) for name, use in stage.valves.items()}
    return found or {"v1": ("n_hot_a", "n_rectified"), "v2": ("n_hot_b", "n_rectified")}


def _regulation(
    stage: StageLike, output: str, tones: tuple[Sine, ...], amplitude: Floats, mean: Floats, loads: tuple[float, ...]
) -> Any:
    """Return the curve of the output over load current."""
    points = len(mean)
    shares = np.sort(np.asarray(loads, dtype=float))
    reply = yield Steady(
        fundamental=tones[0].frequency,
        tones=tones,
        amplitude=amplitude,
        vectors=(output,),
        samples=_SAMPLES,
        tolerance=_TOLERANCE,
        vary={"load_share": shares},
    )
    waves = vector(reply, output)[:, :, 0]
    levels = waves.mean(axis=-1)
    amps = per_point(stage, "load_current", points)[:, None] * shares
    fall = divide(levels[:, 0] - levels[:, -1], amps[:, -1] - amps[:, 0])
    variables = {
        "load": Variable(("share",), amps, "A", "load current"),
        "output_curve": Variable(("share",), levels, "V", "output voltage"),
        "ripple_curve": Variable(("share",), np.ptp(waves, axis=-1), "V", "ripple at the output, peak to peak"),
        "output_resistance": scalar(fall, "ohm", "fall of the output over rise of the load"),
        "regulation": scalar(100.0 * divide(levels[:, 0] - mean, mean), "%", "rise of the output at the lightest load"),
    }
    return variables, {"share": axis(shares, "", "load current over the set one")}


def _reached(times: Floats, rising: Floats, level: Floats) -> Floats:
    """Return when each row first reaches its level [s], NaN where it doesn't."""
    above = rising >= level[:, None]
    first = times[np.argmax(above, axis=-1)]
    return np.where(above.any(axis=-1), first, np.nan)


def _discharge(stage: StageLike, points: int, start: Floats) -> Floats:
    """Return R*C*ln(V/60) [s] with the bleeder and all capacitors (droppers neglected)."""
    names = ("reservoir_capacitor", "filter_capacitor", "first_dropper_capacitor", "second_dropper_capacitor")
    held = [per_point(stage, name, points) for name in names]
    held[3] = np.where(held[2] > 0.0, held[3], 0.0)  # no second dropper without the first
    bleeder = per_point(stage, "bleeder", points)
    with np.errstate(divide="ignore", invalid="ignore"):
        time = bleeder * sum(held) * np.log(np.maximum(start / _DISCHARGED, 1.0))
    return np.where(bleeder > 0.0, time, np.inf)


def _warnings(
    stage: StageLike, points: int, inverse: Floats, surge: Floats, peak: Floats, mean: Floats, mains: float
) -> tuple[list[list[str]], dict[str, tuple[Any, str]]]:
    warnings: list[list[str]] = [[] for _ in range(points)]
    checked: list[str] = []
    unknown: list[str] = []
    volts = per_point(stage, "winding_voltage", points) * mains
    for use in list(stage.valves.values())[:1]:
        most, least = _by_voltage(use, volts)
        # A valve's peak rating is of each charging pulse, a silicon diode's of one surge.
        pulse = ("peak current", peak) if use.valve.heater else ("peak current at switching on", surge)
        for words, values, rating, unit in (
            ("peak inverse voltage", inverse, rating_of(use, "peak_inverse_voltage_max"), "V"),
            (*pulse, rating_of(use, "peak_current_max"), "A"),
            ("output current", mean, most, "A"),
            ("winding voltage", volts, rating_of(use, "input_voltage_rms_max"), "V"),
            (
                "reservoir capacitor",
                per_point(stage, "reservoir_capacitor", points),
                rating_of(use, "reservoir_max"),
                "F",
            ),
        ):
            if rating is None:
                unknown.append(f"rectifier {words}")
                continue
            checked.append(f"rectifier {words}")
            compare(warnings, f"{use.valve.name}: {words}", values, rating, unit)
        if least is None:
            unknown.append("rectifier series resistance")
            continue
        checked.append("rectifier series resistance")
        given = per_point(stage, "winding_resistance", points) + per_point(stage, "rectifier_resistor", points)
        for point in np.flatnonzero(given < least):
            words = f"{use.valve.name}: series resistance {given[point]:g} ohm"
            at = f" at {volts[point]:.4g} V rms" if use.valve.ratings.by_voltage else ""
            warnings[point].append(f"{words} is below the {least[point]:g} ohm that it needs{at}.")
    return warnings, limits_note(checked, unknown)


def _by_voltage(use: Any, volts: Floats) -> tuple[Floats | None, Floats | None]:
    """Return the largest output current [A] and the least series resistance [ohm] at winding voltages, None if unknown.

    Above the highest printed voltage its row counts: that the voltage is too high is said apart.
    """
    rated = rating_of(use, "output_current_max"), rating_of(use, "series_resistance_min")
    current, resistance = (None if value is None else np.full(volts.shape, value) for value in rated)
    steps = use.valve.ratings.by_voltage
    if steps:
        # Rounding of "1.1 times nominal" must not reach for the next row.
        row = np.searchsorted([step.anode_voltage_rms * (1.0 + 1e-9) for step in steps], volts)
        chosen = [steps[each] for each in np.minimum(row, len(steps) - 1)]
        resistance = np.array([step.series_resistance_min for step in chosen])
        if any(step.current_max for step in steps):
            unrated = np.nan if rated[0] is None else rated[0]
            current = np.array([step.current_max or unrated for step in chosen])
    return current, resistance
