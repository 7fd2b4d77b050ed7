"""The anode supply: voltages, ripple, regulation, what the rectifier bears, and switching on cold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Annotated, Any

import numpy as np

from simwrap.engine.protocol import Reply, Sine
from simwrap.errors import InputError
from simwrap.findings.finding import Finding
from simwrap.measures.bias import Limits, compare, limits_note, rating_of
from simwrap.measures.common import (
    MAINS_UPPER,
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
from simwrap.measures.numerics.discharge import Branch, time_above
from simwrap.measures.numerics.parts import LOADED, VOLTAGES, WATTAGES, bought, dissipated, next_of, voltages
from simwrap.measures.options import MainsFrequency, Option
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Op, Result, Steady, Transient, Variable
from simwrap.netlist.element import Element, Role
from simwrap.netlist.groups import GROUND

#: Peak of the 1 V r.m.s. that stands for the nominal mains.
_MAINS = np.sqrt(2.0)
_SAMPLES = 1024
#: What counts as settled, relative to the ripple: it may be a few millionths of the voltage that it rides on,
#: no more than an engine's transient is good for.
_TOLERANCE = 1e-2
_STARTING_SAMPLES = 8192
#: Periods over which the start is looked at closely: the first surge, and the charging pulses that follow.
_CLOSELY = (0.02, 4.0)
#: What the loads are while their valves are cold.
_NO_LOAD = {
    name: np.zeros(1) for name in ("load_share", "load_resistor", "first_dropper_current", "second_dropper_current")
}
#: Highest mean that a steady state may have, relative to the winding's peak, and beyond that [V].
_HIGHEST, _INITIAL = 1.001, 1.0
#: How far to either side of the set load the slope there is taken, as a part of it.
_BESIDE = 0.05
_PLACES = {
    "output": "output voltage",
    "reservoir": "voltage at the reservoir",
    "first": "voltage after the first dropper",
    "second": "voltage after the second dropper",
}
#: The capacitor at each place, from the rectifier on.
_CAPACITORS = {
    "reservoir": "reservoir_capacitor",
    "output": "filter_capacitor",
    "first": "first_dropper_capacitor",
    "second": "second_dropper_capacitor",
}
_AT = {
    "reservoir": "at the reservoir",
    "output": "at the output",
    "first": "after the first dropper",
    "second": "after the second dropper",
}
#: The parameters of what lies across a rectifier: its own capacitance and the winding's, which nobody buys; a snubber.
ACROSS, SNUBBER = "rectifier_capacitance", "snubber_capacitor"
#: Voltage to which a supply should have discharged [V d.c.].
_DISCHARGED = 60.0


@measure(
    "supply",
    summary="voltage, ripple, regulation, rectifier currents and cold start",
    ports=("output", "reservoir"),
    headline=("output_voltage", "before_warm_up.output_voltage", "ripple", "discharge_time"),
    picture="simwrap.plots.measures.supply:draw",
    caution=(
        "These voltages kill, also after the mains is off. Before the valves warm up the output stands higher, and "
        "every capacitor has to stand that. Bleeders fail open: verify with a meter. Resistors have voltage ratings "
        "too: put several in series. An isolation transformer keeps the chassis off the mains; between the high "
        "voltage and ground it protects nobody."
    ),
)
def supply(
    stage: StageLike,
    *,
    mains_frequency: MainsFrequency = 50.0,
    mains: Annotated[float, Option(least=0.01, most=2.0)] = 1.0,
    loads: Annotated[tuple[float, ...], Option(above=0.0, most=10.0, entries=(1, 100))] = (0.25, 0.5, 0.75, 1.0, 1.25),
    starting: Annotated[float, Option("s", above=0.0, most=100.0, zero="not switched on")] = 2.0,
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
        How long to watch after switching on [s]; 0: it isn't, and what that alone tells is NaN.
    switch_on_phase : float
        Phase of the mains at that instant [degree]; 90 is the peak, the worst for the first surge.

    Results
    -------
    output_voltage, reservoir_voltage, first_voltage, second_voltage
        Means [V]; the last two where the droppers are there.
    before_warm_up.output_voltage, .reservoir_voltage, .first_voltage, .second_voltage
        Means while the loads draw nothing: their valves are cold, the rectifier is hot or silicon [V].
    ripple, ripple_rms, ripple_fundamental
        At the output: peak to peak, r.m.s., and the r.m.s. of twice the mains frequency [V].
    reservoir_ripple
        Peak to peak [V].
    rectifier_current, rectifier_current_peak, rectifier_current_rms
        Mean, peak and r.m.s. of all rectifiers together [A].
    inverse_voltage_peak
        Largest across any one rectifier, with and without load [V].
    load, output_curve, ripple_curve
        Regulation: load current [A], mean [V] and ripple [V peak to peak] at the output.
    output_resistance, regulation
        Source resistance: fall of the output over rise of the load, 5 % to either side of the set load [ohm],
        whatever ``loads`` are; and the rise from the set load to the lightest of the curve, as a part of the
        former [%].
    surge.current_peak, surge.output_peak, surge.time
        From a cold start: largest rectifier current [A], largest output voltage [V], and when the
        output first reaches 95 % of its settled value [s]. The rectifier is hot and the loads draw their
        current at once: a heater that warms up slowly makes the output higher for a while.
    capacitors.<name>.voltage, .rating_needed
        What each capacitor must stand: its highest voltage in any of these states and when switched on without load
        on mains at their upper limit, 10 % high, or the winding's peak then where that is more behind a reservoir;
        and the next common working voltage [V].
    resistors.<name>.dissipation, .dissipation_highest, .rating_needed
        At the set load, and on mains 10 % high with the load or without it, whichever is more [W]; and the next common
        wattage that is loaded to no more than half by the latter.
    discharge_from, discharge_time, discharge.<place>
        The highest voltage that the capacitors may hold at switching off: the winding's peak on mains at their upper
        limit, 10 % high and without load, or what was higher [V]; how long the slowest of them, and each, stays above
        60 V [s] with nothing but the bleeder to drain them, through the filter's and the droppers' resistances; inf
        without a bleeder. Leakage is not counted on.

    A mean above the winding's peak is refused, with a warning: those figures are NaN.

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
    parts = op.extras.get("parts", {})
    places = {"output": output, "reservoir": reservoir} | _droppers(parts)
    rectifiers, current = _rectifiers(stage, parts)
    bought_parts = {kind: bought(parts, kind) for kind in ("r", "c")}
    ends = [node for chosen in bought_parts.values() for part in chosen.values() for node in part.nodes]
    vectors = wanted(*places.values(), current, *sum(rectifiers.values(), ()), *ends)
    amplitude = np.full((points, 1), _MAINS * mains)
    tones = (Sine(1.0, mains_frequency),)
    steady = Steady(fundamental=mains_frequency, tones=tones, amplitude=amplitude, vectors=vectors, samples=_SAMPLES,
                    tolerance=_TOLERANCE)  # fmt: skip
    settled, cold = yield [steady, replace(steady, vary=_NO_LOAD)]
    upper = max(mains, MAINS_UPPER)
    starts: Any = []
    if starting:
        starts = yield _starts(mains_frequency, mains, upper, switch_on_phase, starting, vectors)
    peak = np.sqrt(2.0) * per_point(stage, "winding_voltage", points) * mains
    upper_peak = peak * upper / mains
    findings: list[list[Finding]] = [[] for _ in range(points)]
    means, cold_means = (
        _possible(
            findings, {name: vector(reply, node)[:, 0].mean(axis=-1) for name, node in places.items()}, peak, words
        )
        for reply, words in ((settled, "at the set load"), (_only(cold), "without load"))
    )
    refused = np.isnan(means["output"])
    volts, held = vector(settled, output)[:, 0], vector(settled, reservoir)[:, 0]
    volts, held, amps = (
        np.where(refused[:, None], np.nan, wave) for wave in (volts, held, vector(settled, current)[:, 0])
    )
    mean = means["output"]
    inverse = _inverse(rectifiers, ((settled, mean), (_only(cold), cold_means["output"])))
    named = {name: words for name, words in _PLACES.items() if name in places}
    variables: dict[str, Variable] = {f"{name}_voltage": scalar(means[name], "V", named[name]) for name in named}
    variables |= {
        f"before_warm_up.{name}_voltage": scalar(cold_means[name], "V", f"{words} before the valves warm up")
        for name, words in named.items()
    }
    variables |= _of_waves(volts, held, amps)
    variables["inverse_voltage_peak"] = scalar(inverse, "V", "peak inverse voltage of a rectifier")
    more, coords = yield from _regulation(stage, output, tones, amplitude, mean, loads, peak)
    surge, risen, reached, charged = np.full((4, points), np.nan)
    if starts:
        surge = np.max([_flat(reply, current).max(axis=-1) for reply in (starts[0], *starts[2:])], axis=0)
        rising = vector(starts[0], output)
        risen, reached = rising.max(axis=-1), _reached(np.asarray(starts[0].axis), rising, 0.95 * mean)
        highest = np.fmax.reduce([_flat(reply, node).max(axis=-1) for reply in starts for node in places.values()])
        charged = np.fmax.reduce([upper_peak, volts.max(axis=-1), highest])
    variables |= more
    variables |= {
        "surge.current_peak": scalar(surge, "A", "rectifier current at switching on, peak"),
        "surge.output_peak": scalar(risen, "V", "output voltage after switching on, peak"),
        "surge.time": scalar(reached, "s", "time to 95 % of output"),
        "discharge_from": scalar(charged, "V", "highest voltage that the capacitors may hold at switching off"),
    }
    variables |= _discharge(stage, points, charged)
    reverse = np.fmax(inverse, peak if stage.values.get("rectification") == "bridge" else 2.0 * peak)
    variables |= _borne(bought_parts, [settled, cold], starts, peak, upper / mains, reverse, refused)
    said, checked, unrated = _ratings(stage, points, inverse, surge, amps.max(axis=-1), amps.mean(axis=-1), mains)
    conditions: dict[str, tuple[Any, str]] = {
        "mains_frequency": (mains_frequency, "Hz"),
        "mains": (mains, ""),
        "mains_upper": (upper, ""),
        "switch_on_phase": (switch_on_phase, "degree"),
        "rectifier": ("hot from the start", ""),
        "discharge_by": ("the bleeder alone, down to 60 V", ""),
    }
    conditions |= limits_note(checked, unrated)
    findings = [one + other for one, other in zip(findings, said, strict=True)]
    return Result(variables, coords, conditions, findings, tuple(checked), tuple(unrated))


def _droppers(parts: Mapping[str, Element]) -> dict[str, str]:
    """Return the nodes behind the droppers that are there."""
    behind = {part.parameter: part.nodes[0] for part in parts.values() if part.kind == "c"}
    return {name: behind[_CAPACITORS[name]] for name in ("first", "second") if _CAPACITORS[name] in behind}


def _rectifiers(stage: StageLike, parts: Mapping[str, Element]) -> tuple[dict[str, tuple[str, ...]], str]:
    """Return the ends of each rectifier, anode first, and the vector that is the current of all.

    Raises
    ------
    InputError
        If nothing says where they are.
    """
    across = [part.nodes for part in parts.values() if part.parameter == ACROSS]
    if not across:
        raise InputError(f"supply: no capacitor with the parameter {ACROSS} says where the stage's rectifiers are")
    end = across[0][1]
    current = next(f"i({part.name})" for part in parts.values() if part.role is Role.SENSE and end in part.nodes)
    return dict(zip(list(stage.valves) or ("v1", "v2"), across, strict=False)), current


def _inverse(rectifiers: Mapping[str, tuple[str, ...]], found: Sequence[tuple[Reply, Floats]]) -> Floats:
    """Return the peak inverse voltage of a rectifier, of replies that each have their mean voltage [V]."""
    inverse = np.zeros(len(found[0][1]))
    for anode, cathode in rectifiers.values():
        for reply, fine in found:
            worst = -between(reply, anode, cathode)[:, 0].min(axis=-1)
            inverse = np.fmax(inverse, np.where(np.isnan(fine), np.nan, worst))
    return inverse


def _of_waves(volts: Floats, held: Floats, amps: Floats) -> dict[str, Variable]:
    """Return ripple and rectifier current from a period at the output and at the reservoir [V], and of current [A]."""
    fundamental = np.abs(np.fft.rfft(volts, axis=-1))[:, 2] * np.sqrt(2.0) / _SAMPLES
    return {
        "ripple": scalar(np.ptp(volts, axis=-1), "V", "ripple at the output, peak to peak"),
        "ripple_rms": scalar(volts.std(axis=-1), "V", "ripple at the output, r.m.s."),
        "ripple_fundamental": scalar(fundamental, "V", "ripple of twice the mains frequency at the output, r.m.s."),
        "reservoir_ripple": scalar(np.ptp(held, axis=-1), "V", "ripple at the reservoir, peak to peak"),
        "rectifier_current": scalar(amps.mean(axis=-1), "A", "rectifier current, mean"),
        "rectifier_current_peak": scalar(amps.max(axis=-1), "A", "rectifier current, peak"),
        "rectifier_current_rms": scalar(np.sqrt(np.mean(amps**2, axis=-1)), "A", "rectifier current, r.m.s."),
    }


def _starts(
    frequency: float, mains: float, upper: float, phase: float, starting: float, vectors: tuple[str, ...]
) -> list[Transient]:
    """Return the cold starts: whole with the loads, without them on high mains; the first instants and periods closely.

    The first charging pulses are what the samples of the whole are too coarse for.
    """
    whole = Transient(
        stop=starting,
        step=1.0 / (200.0 * frequency),
        vectors=vectors,
        terms=(Sine(_MAINS * mains, frequency, phase),),
        samples=_STARTING_SAMPLES,
        initial="zero",
    )
    close = [
        replace(whole, stop=periods / frequency, step=periods / frequency / 1000.0, vary=_NO_LOAD, samples=4096)
        for periods in _CLOSELY
    ]
    high = replace(whole, terms=(Sine(_MAINS * upper, frequency, phase),), vary=_NO_LOAD)
    return [whole, high, *close]


@dataclass(frozen=True)
class _Setting:
    """A reply to one setting, as if it had been asked without settings."""

    values: dict[str, Any]
    reasons: list[str]


def _only(reply: Any) -> Any:
    return _Setting({name: array[:, 0] for name, array in reply.values.items()}, reply.reasons)


def _flat(reply: Any, node: str) -> Floats:
    """Return a vector with all that came after the point axis in one axis."""
    array = vector(reply, node)
    return np.asarray(array.reshape(len(array), -1), dtype=float)


def _possible(findings: list[list[Finding]], means: dict[str, Floats], peak: Floats, words: str) -> dict[str, Floats]:
    """Return the means, NaN with a finding where one is more than the winding can give.

    In a steady state no mean is above the winding's peak: a choke has no mean voltage, and while a rectifier
    conducts, what follows it is no higher than the winding. The margin is for a valve's initial electrons.
    """
    wrong = np.any([mean > _HIGHEST * peak + _INITIAL for mean in means.values()], axis=0)
    for point in np.flatnonzero(wrong):
        most = max(float(mean[point]) for mean in means.values())
        findings[point].append(Finding.of("no_steady_supply", "supply", "", most, peak[point], "V", words))
    return {name: np.where(wrong, np.nan, mean) for name, mean in means.items()}


def _regulation(
    stage: StageLike,
    output: str,
    tones: tuple[Sine, ...],
    amplitude: Floats,
    mean: Floats,
    loads: tuple[float, ...],
    peak: Floats,
) -> Any:
    """Return the curve of the output over load current."""
    points = len(mean)
    shares = np.sort(np.asarray(loads, dtype=float))
    beside = np.array([1.0 - _BESIDE, 1.0 + _BESIDE])
    if not per_point(stage, "load_current", points).any():
        shares, beside = shares[-1:], beside[:0]  # all shares of no current are the same
    every, place = np.unique([*shares, *beside], return_inverse=True)
    reply = yield Steady(
        fundamental=tones[0].frequency,
        tones=tones,
        amplitude=amplitude,
        vectors=(output,),
        samples=_SAMPLES,
        tolerance=_TOLERANCE,
        vary={"load_share": every},
    )
    waves = vector(reply, output)[:, :, 0]
    impossible = waves.mean(axis=-1) > (_HIGHEST * peak + _INITIAL)[:, None]
    waves = np.where(impossible[..., None], np.nan, waves)[:, place]
    levels = waves.mean(axis=-1)
    set_amps = per_point(stage, "load_current", points)
    slope = np.full(points, np.nan)
    if len(beside):
        slope = divide(levels[:, -2] - levels[:, -1], 2.0 * _BESIDE * set_amps)
    waves, levels = waves[:, : len(shares)], levels[:, : len(shares)]
    amps = set_amps[:, None] * shares
    variables = {
        "load": Variable(("share",), amps, "A", "load current"),
        "output_curve": Variable(("share",), levels, "V", "output voltage"),
        "ripple_curve": Variable(("share",), np.ptp(waves, axis=-1), "V", "ripple at the output, peak to peak"),
        "output_resistance": scalar(slope, "ohm", "source resistance: fall of the output over rise of the load"),
        "regulation": scalar(
            100.0 * divide(levels[:, 0] - mean, mean), "%", "regulation: rise of the output at the lightest load"
        ),
    }
    return variables, {"share": axis(shares, "", "load current over the set one")}


def _reached(times: Floats, rising: Floats, level: Floats) -> Floats:
    """Return when each row first reaches its level [s], NaN where it doesn't."""
    above = rising >= level[:, None]
    first = times[np.argmax(above, axis=-1)]
    return np.where(above.any(axis=-1), first, np.nan)


def _discharge(stage: StageLike, points: int, start: Floats) -> dict[str, Variable]:
    """Return how long the capacitors stay above 60 V: a ladder of the filter and the droppers with the bleeder."""
    places = list(_CAPACITORS)
    farads = np.stack([per_point(stage, name, points) for name in _CAPACITORS.values()], axis=1)
    farads[:, 3] = np.where(farads[:, 2] > 0.0, farads[:, 3], 0.0)  # no second dropper without the first
    filter_ohms = "choke_resistance" if stage.values.get("filter") == "choke" else "filter_resistor"
    series = [per_point(stage, name, points) for name in (filter_ohms, "first_dropper", "second_dropper")]
    bleeder = per_point(stage, "bleeder", points)
    times = np.full(farads.shape, np.nan)
    for point in np.flatnonzero(np.isfinite(start)):
        drains = [Branch(places[at], places[at + 1], float(ohms[point])) for at, ohms in enumerate(series)]
        if bleeder[point] > 0.0:
            drains.append(Branch("output", GROUND, float(bleeder[point])))
        there = np.flatnonzero(farads[point] > 0.0)
        held = [Branch(places[at], GROUND, float(farads[point, at])) for at in there]
        full = np.full(len(held), start[point])
        times[point, there] = time_above(held, drains, np.zeros(len(held)), full, _DISCHARGED)
    variables = {
        "discharge_time": scalar(np.fmax.reduce(times, axis=1), "s", "time until every capacitor is below 60 V")
    }
    for place, each in zip(_CAPACITORS, times.T, strict=True):
        if not np.isnan(each).all():
            variables[f"discharge.{place}"] = scalar(each, "s", f"time until the capacitor {_AT[place]} is below 60 V")
    return variables


def _borne(
    chosen: dict[str, dict[str, Element]],
    steady: list[Any],
    starts: Any,
    peak: Floats,
    rise: float,
    inverse: Floats,
    refused: Floats,
) -> dict[str, Variable]:
    """Return what capacitors must stand and resistors dissipate, with the least part that does it."""
    variables: dict[str, Variable] = {}
    for path, part in chosen["c"].items():
        across = [voltages(reply, part) for reply in (*steady, *starts)]
        most = np.fmax.reduce([np.abs(each.reshape(len(each), -1)).max(axis=-1) for each in across])
        if part.parameter in _CAPACITORS.values():
            # It is left standing there when the loads go, or charged to it at once: the winding can do it.
            most = np.fmax(most, rise * peak)
        elif part.parameter == SNUBBER:
            most = np.fmax(most, rise * inverse)  # twice the peak of half a winding, the peak of a whole one
        most = np.where(np.isnan(part.value) | refused | (not starts), np.nan, most)
        words = path.replace("_", " ")
        variables[f"capacitors.{path}.voltage"] = scalar(most, "V", f"highest voltage across the {words} capacitor")
        variables[f"capacitors.{path}.rating_needed"] = scalar(
            next_of(VOLTAGES, most), "V", f"working voltage that the {words} capacitor needs"
        )
    for path, part in chosen["r"].items():
        loaded, unloaded = (np.mean(voltages(reply, part) ** 2, axis=-1).reshape(-1) / part.value for reply in steady)
        most = np.where(refused, np.nan, rise**2 * np.fmax(loaded, unloaded))
        words = f"dissipation of the {path.replace('_', ' ')} resistor on high mains, loaded or not"
        variables |= dissipated(path, np.where(refused, np.nan, loaded))
        variables |= {
            f"resistors.{path}.dissipation_highest": scalar(most, "W", words),
            f"resistors.{path}.rating_needed": scalar(
                next_of(WATTAGES, most / LOADED), "W", f"wattage that the {path.replace('_', ' ')} resistor needs"
            ),
        }
    return variables


def _ratings(
    stage: StageLike, points: int, inverse: Floats, surge: Floats, peak: Floats, mean: Floats, mains: float
) -> tuple[list[list[Finding]], Limits, Limits]:
    """Return what is found by point, the limits that were checked, and those without a rating."""
    findings: list[list[Finding]] = [[] for _ in range(points)]
    checked: list[tuple[str, str]] = []
    unrated: list[tuple[str, str]] = []
    volts = per_point(stage, "winding_voltage", points) * mains
    for use in list(stage.valves.values())[:1]:
        most, least = _by_voltage(use, volts)
        # A valve's peak rating is of each charging pulse, a silicon diode's of one surge.
        pulse = ("peak current", peak) if use.valve.heater else ("peak current at switching on", surge)
        # A silicon diode's is an absolute limit, that of a valve has the mains' variation in it.
        inverse = inverse if use.valve.heater else inverse * max(1.0, MAINS_UPPER / mains)
        for words, values, rating, unit in (
            ("peak inverse voltage", inverse, rating_of(use, "peak_inverse_voltage_max"), "V"),
            (*pulse, None if np.isnan(pulse[1]).all() else rating_of(use, "peak_current_max"), "A"),
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
                unrated.append(("rectifier", words))
                continue
            checked.append(("rectifier", words))
            about = Finding.of("near_rating", "rectifier", words, unit=unit, type=use.valve.name)
            # A capacitor is what it is: one of the largest value that is allowed needs no word.
            compare(findings, about, values, rating, near=unit != "F")
        if least is None:
            unrated.append(("rectifier", "series resistance"))
            continue
        # The rating limits the charging pulses of a reservoir: a choke at the input limits them by itself.
        pulsed = per_point(stage, "reservoir_capacitor", points) > 0.0
        if not pulsed.any():
            continue
        checked.append(("rectifier", "series resistance"))
        given = per_point(stage, "winding_resistance", points) + per_point(stage, "rectifier_resistor", points)
        for point in np.flatnonzero((given < least) & pulsed):
            at = f"at {volts[point]:.4g} V r.m.s." if use.valve.ratings.by_voltage else ""
            about = Finding.of("below_least", "rectifier", "series resistance", given[point], least[point], "ohm", at,
                          type=use.valve.name)  # fmt: skip
            findings[point].append(about)
    return findings, checked, unrated


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
