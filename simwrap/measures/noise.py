"""Noise of a stage: resistors, shot and partition noise of the valves, and flicker."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, replace
from typing import Annotated, Any

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
from simwrap.measures.numerics.crossings import at_frequency
from simwrap.measures.numerics.weighting import a_weighting, band_rms, itu_468_weighting, refined
from simwrap.measures.options import Option, PerDecade, Port
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Noise, Op, Result, Variable

#: The band of all totals [Hz].
BAND = (22.0, 22e3)
_PER_DECADE = 20
#: Frequencies a decade at which a weighting curve is taken.
_FINE = 60
_REFERENCE = 1000.0


@dataclass
class Densities:
    """Noise over frequency [V/rtHz], each array of shape (points, frequencies).

    ``output`` holds the thermal noise of resistors, and the shot and partition noise of the
    valves; ``flicker`` is the valves' 1/f noise at the output; ``gain`` is from the source's
    e.m.f.; ``valves`` is the valves' part of ``output``; ``equivalent`` has each valve's
    equivalent noise resistance at its grid [ohm], shape (points,).
    """

    frequency: Floats
    output: Floats
    gain: Floats
    flicker: Floats
    valves: Floats
    equivalent: dict[str, Floats]


def _sources(op: Any, stage: StageLike) -> dict[str, dict[str, Floats]]:
    """Return what the netlist takes for the valves' noise: "noise" and "partition" resistances [ohm] by valve."""
    shot: dict[str, Floats] = {}
    partition: dict[str, Floats] = {}
    for instance, use in stage.valves.items():
        if use.valve.kind == "rectifier":
            continue
        state = operating_point(op, instance, use)
        given = [state["anode_voltage"], state["grid_voltage"]]
        if "screen_voltage" in state:
            given.append(state["screen_voltage"])
        found = use.valve.noise_sources(*given, temperature=TEMPERATURE)
        shot[instance] = np.asarray(found.shot, dtype=float)
        if found.partition is not None:
            partition[instance] = np.asarray(found.partition, dtype=float)
    return {"noise": shot, "partition": partition}


def noise_densities(
    stage: StageLike, output: str, flicker_corner: float | None = None, per_decade: int = _PER_DECADE
) -> Generator[Any, Any, Densities]:
    """Ask for the bias, then for the noise with each valve's own sources in place.

    ``flicker_corner`` [Hz] is that of every valve; None: each has its own.
    """
    op = yield Op()
    sources = _sources(op, stage)
    shot = sources["noise"]
    # A cut-off valve has no gain and so no finite equivalent at its grid: a point without a
    # figure must not stop the others, so it's run with any value and marked afterwards.
    known = {name: np.isfinite(value) & (value > 0) for name, value in shot.items()}
    resistances = {
        kind: {name: np.where(known[name] & (value > 0), value, 1.0) for name, value in values.items()}
        for kind, values in sources.items()
    }
    extra = {f"{kind}_resistance": values for kind, values in resistances.items() if values}
    pairs = [(kind, name) for kind, values in resistances.items() for name in values]
    excited = ["signal", *(f"{name}_{kind}" for kind, name in pairs)]
    sweep = Ac(start=BAND[0], stop=BAND[1], per_decade=per_decade, vectors=(output,), extra=extra)
    replies = yield [
        Noise(start=BAND[0], stop=BAND[1], per_decade=per_decade, output=output, extra=extra),
        *(replace(sweep, excite=source) for source in excited),
    ]
    noise, signal, *transfers = replies
    density = np.asarray(noise.values["output_density"], dtype=float)
    frequency = np.asarray(noise.axis, dtype=float)
    own = {
        # 1 A through the resistance: the transfer from its voltage is this over that.
        (kind, name): 4.0
        * BOLTZMANN
        * TEMPERATURE
        / resistances[kind][name][:, None]
        * np.abs(vector(reply, output)) ** 2
        for (kind, name), reply in zip(pairs, transfers, strict=True)
    }
    flicker, equivalent = np.zeros_like(density), {}
    for name, use in stage.valves.items():
        if name not in shot:
            continue
        corner = use.valve.noise.flicker_corner if flicker_corner is None else flicker_corner
        flicker += own["noise", name] * corner / frequency
        density = np.where(known[name][:, None], density, np.nan)
        shot_1khz, partition_1khz = (
            at_frequency(frequency, own[kind, name], _REFERENCE) if (kind, name) in own else 0.0
            for kind in ("noise", "partition")
        )
        equivalent[name] = shot[name] * (1.0 + partition_1khz / shot_1khz)
    gain = np.abs(vector(signal, output))
    valves = np.sqrt(sum(own.values(), np.zeros_like(density)))
    return Densities(frequency, density, gain, np.sqrt(flicker), valves, equivalent)


@measure(
    "noise",
    summary="noise density and totals at the output and referred to the input",
    headline=("output_rms_a_weighted", "input_density_1khz"),
    picture="simwrap.plots.measures.noise:draw",
)
def noise(
    stage: StageLike,
    *,
    flicker_corner: Annotated[float, Option("Hz", least=0.0, most=1e6)] | None = None,
    at: Port = "output",
    per_decade: PerDecade = _PER_DECADE,
) -> Steps:
    """Measure the noise, with the source's resistance in place and its e.m.f. at zero.

    A valve's shot noise, smoothed by the space charge, is that of 2.5/gm at its grid (Thompson,
    North and Harris, RCA Review, 1940); a pentode's partition noise flows between screen and anode
    with the density 2 q Ia Ig2/(Ia+Ig2) (Harris, RCA Review, April 1941), so that it vanishes in
    triode connection. Flicker noise differs from specimen to specimen: the figures without it are
    given first, then those with it.

    Parameters
    ----------
    flicker_corner : float, optional
        Where the flicker noise of each valve equals its shot noise [Hz], 0 or more. Default: the
        typical one in each valve's file (`simwrap show` prints it), mostly an assumption.
    at : str
        Port to listen at: "output", or "output_b" for the other side of a splitter.
    per_decade : int
        Points a decade.

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
        Equivalent noise resistance at the grid: shot and partition noise, at 1 kHz [ohm].
    output_density, input_density, output_density_flicker
        Over frequency, with flicker; and the flicker alone [V/rtHz].

    NaN where a valve is cut off, so that it has no equivalent noise resistance.
    """
    output = port(stage, at, "noise")
    found = yield from noise_densities(stage, output, flicker_corner, per_decade)
    frequency, flicker = found.frequency, found.flicker
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
        "measured_at": (at, ""),
        "temperature": (TEMPERATURE, "K"),
        "band": (f"{BAND[0]:g} Hz to {BAND[1] / 1e3:g} kHz", ""),
        "flicker_corner": (_corners(stage, flicker_corner), "Hz"),
        "flicker": ("not in the figures unless they say so", ""),
        "source": ("its resistance in place, e.m.f. zero", ""),
        "detector": ("r.m.s., also of the BS.468 weighting", ""),
    }
    return Result(variables, coords={"frequency": axis(frequency, "Hz", "frequency")}, conditions=conditions)


def _corners(stage: StageLike, given: float | None) -> float | str:
    """Return the flicker corner of the valves [Hz], or all of them as words where they differ."""
    valves = [use.valve for use in stage.valves.values() if use.valve.kind != "rectifier"]
    corners = sorted({valve.noise.flicker_corner if given is None else given for valve in valves})
    return corners[0] if len(corners) == 1 else " and ".join(f"{corner:g}" for corner in corners) or "no valve"


def _figures(prefix: str, words: str, frequency: Floats, density: Floats, gain: Floats) -> dict[str, Variable]:
    at_1khz = at_frequency(frequency, density, _REFERENCE)
    total = band_rms(frequency, density)
    # A density is smooth, a weighting curve isn't: few frequencies tell the one, and the other is known at all.
    fine, between = refined(frequency, density, _FINE)
    a_weighted = band_rms(fine, between, a_weighting(fine))
    itu_468 = band_rms(fine, between, itu_468_weighting(fine))
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
