"""Noise of a stage: resistors, shot and partition noise of the valves, and flicker."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from simwrap.measures.bias import operating_point
from simwrap.measures.common import (
    BOLTZMANN,
    TEMPERATURE,
    Floats,
    StageLike,
    axis,
    divide,
    port,
    scalar,
    vector,
)
from simwrap.measures.corners import at_frequency
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Noise, Op, Result, Variable
from simwrap.measures.weighting import a_weighting, band_rms, itu_468_weighting

#: The band of all totals [Hz].
BAND = (22.0, 22e3)
_PER_DECADE = 20
_REFERENCE = 1000.0


@dataclass
class Densities:
    """Noise over frequency [V/rtHz], each array of shape (points, frequencies).

    ``output`` holds the thermal noise of resistors, and the shot and partition noise of the
    valves; ``flicker`` is the valves' 1/f noise at the output, for a corner of 1 Hz; ``gain`` is
    from the source's e.m.f.; ``valves`` is the valves' part of ``output``; ``equivalent`` has
    each valve's equivalent noise resistance [ohm], shape (points,).
    """

    frequency: Floats
    output: Floats
    gain: Floats
    flicker: Floats
    valves: Floats
    equivalent: dict[str, Floats]


def noise_densities(stage: StageLike, output: str) -> Generator[Any, Any, Densities]:
    """Ask for the bias, then for the noise with each valve's equivalent noise resistance."""
    op = yield Op()
    equivalent: dict[str, Floats] = {}
    for instance, use in stage.valves.items():
        if use.valve.kind == "rectifier":
            continue
        state = operating_point(op, instance, use)
        given = [state["anode_voltage"], state["grid_voltage"]]
        if "screen_voltage" in state:
            given.append(state["screen_voltage"])
        equivalent[instance] = np.asarray(use.valve.noise_resistance(*given), dtype=float)
    # A cut-off valve has no gain and so no finite equivalent at its grid: a point without a
    # figure must not stop the others, so it's run with any value and marked afterwards.
    known = {name: np.isfinite(value) & (value > 0) for name, value in equivalent.items()}
    resistances = {name: np.where(known[name], value, 1.0) for name, value in equivalent.items()}
    extra = {"noise_resistance": resistances} if equivalent else {}
    excited = ["signal", *(f"{instance}_noise" for instance in equivalent)]
    sweep = Ac(start=BAND[0], stop=BAND[1], per_decade=_PER_DECADE, vectors=(output,), extra=extra)
    replies = yield [
        Noise(start=BAND[0], stop=BAND[1], per_decade=_PER_DECADE, output=output, extra=extra),
        *(replace(sweep, excite=source) for source in excited),
    ]
    noise, signal, *transfers = replies
    density = np.asarray(noise.values["output_density"], dtype=float)
    flicker, valves = np.zeros_like(density), np.zeros_like(density)
    frequency = np.asarray(noise.axis, dtype=float)
    for instance, reply in zip(equivalent, transfers, strict=True):
        resistance = resistances[instance][:, None]
        # 1 A through the noise resistance: the transfer from the grid is this over that.
        transfer = np.abs(vector(reply, output)) / resistance
        own = 4.0 * BOLTZMANN * TEMPERATURE * resistance * transfer**2
        valves += own
        flicker += own / frequency
        density = np.where(known[instance][:, None], density, np.nan)
    gain = np.abs(vector(signal, output))
    return Densities(frequency, density, gain, np.sqrt(flicker), np.sqrt(valves), equivalent)


@measure("noise", summary="noise density and totals at the output and referred to the input")
def noise(stage: StageLike, *, flicker_corner: float = 5000.0) -> Steps:
    """Measure the noise, with the source's resistance in place and its e.m.f. at zero.

    The valve's shot noise, smoothed by the space charge, and the partition noise of a pentode are
    its equivalent noise resistance: 2.5/gm for a triode (Thompson, North and Harris, RCA Review,
    1940), with the pentode's partition term after Harris (RCA Review, April 1941). Flicker noise
    differs from specimen to specimen and is in no data sheet here: the figures without it are
    given first, then those with it for the stated corner.

    Parameters
    ----------
    flicker_corner : float
        Where the flicker noise of each valve equals its shot noise [Hz]; audio valves lie roughly
        between 1 and 10 kHz and more.

    Results
    -------
    input_density_1khz, output_density_1khz
        At 1 kHz without flicker [V/rtHz]; the first as an e.m.f. at the source.
    output_rms, output_rms_a_weighted, output_rms_468
        22 Hz to 22 kHz, unweighted, and weighted by A (IEC 61672-1) and by ITU-R BS.468-4 (its
        curve, but r.m.s. and not quasi-peak), without flicker [V r.m.s.].
    input_rms, input_rms_a_weighted
        The same over the gain at 1 kHz [V r.m.s.].
    with_flicker.<the same names>
        The same with flicker.
    valve_share_1khz
        The valves' share of the noise power at 1 kHz, without flicker [%].
    noise_resistance.<valve>
        Equivalent noise resistance at the bias [ohm].
    output_density, input_density, output_density_flicker
        Over frequency, with flicker; and the flicker alone [V/rtHz].

    NaN where a valve is cut off, so that it has no equivalent noise resistance.
    """
    output = port(stage, "output", "noise")
    found = yield from noise_densities(stage, output)
    frequency = found.frequency
    flicker = found.flicker * np.sqrt(flicker_corner)
    with_flicker = np.hypot(found.output, flicker)
    gain_1khz = at_frequency(frequency, found.gain, _REFERENCE)
    variables = _figures("", "without flicker", frequency, found.output, gain_1khz)
    variables |= _figures("with_flicker.", "with flicker", frequency, with_flicker, gain_1khz)
    share = divide(at_frequency(frequency, found.valves, _REFERENCE), variables["output_density_1khz"].values)
    variables["valve_share_1khz"] = scalar(100.0 * share**2, "%", "valves' share of the noise power at 1 kHz")
    for instance, values in found.equivalent.items():
        variables[f"noise_resistance.{instance}"] = scalar(values, "ohm", f"{instance} equivalent noise resistance")
    for key, density, words in (
        ("output_density", with_flicker, "output noise density with flicker"),
        ("input_density", divide(with_flicker, found.gain), "input noise density with flicker"),
        ("output_density_flicker", flicker, "output noise density, flicker alone"),
    ):
        variables[key] = Variable(("frequency",), density, "V/rtHz", words)
    conditions: dict[str, tuple[Any, str]] = {
        "temperature": (TEMPERATURE, "K"),
        "band": (f"{BAND[0]:g} Hz to {BAND[1] / 1e3:g} kHz", ""),
        "flicker_corner": (flicker_corner, "Hz"),
        "flicker": ("not in the figures unless they say so", ""),
        "source": ("its resistance in place, e.m.f. zero", ""),
        "detector": ("r.m.s., also of the BS.468 weighting", ""),
    }
    return Result(variables, coords={"frequency": axis(frequency, "Hz", "frequency")}, conditions=conditions)


def _figures(prefix: str, words: str, frequency: Floats, density: Floats, gain: Floats) -> dict[str, Variable]:
    at_1khz = at_frequency(frequency, density, _REFERENCE)
    total = band_rms(frequency, density)
    a_weighted = band_rms(frequency, density, a_weighting(frequency))
    itu_468 = band_rms(frequency, density, itu_468_weighting(frequency))
    rows = (
        ("input_density_1khz", divide(at_1khz, gain), "V/rtHz", "input noise density at 1 kHz"),
        ("output_density_1khz", at_1khz, "V/rtHz", "output noise density at 1 kHz"),
        ("output_rms", total, "V", "output noise, 22 Hz to 22 kHz"),
        ("output_rms_a_weighted", a_weighted, "V", "output noise, A-weighted"),
        ("output_rms_468", itu_468, "V", "output noise, weighted by BS.468, r.m.s."),
        ("input_rms", divide(total, gain), "V", "input noise, 22 Hz to 22 kHz"),
        ("input_rms_a_weighted", divide(a_weighted, gain), "V", "input noise, A-weighted"),
    )
    return {f"{prefix}{key}": scalar(values, unit, f"{name}, {words}") for key, values, unit, name in rows}
