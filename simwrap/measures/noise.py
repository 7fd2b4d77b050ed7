"""Noise of a stage: resistors, shot and partition noise of the valves, and flicker."""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray

from simwrap.engine.protocol import Reply
from simwrap.findings.finding import Finding
from simwrap.measures.bias import operating_point
from simwrap.measures.common import (
    BOLTZMANN,
    CHARGE,
    TEMPERATURE,
    Floats,
    StageLike,
    axis,
    divide,
    per_point,
    port,
    scalar,
    vector,
)
from simwrap.measures.numerics.crossings import at_frequency
from simwrap.measures.numerics.weighting import a_weighting, band_rms, itu_468_weighting, refined
from simwrap.measures.options import Option, PerDecade, Port
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Noise, Op, Result, Variable

Array = NDArray[Any]

#: The band of all totals [Hz].
BAND = (22.0, 22e3)
_PER_DECADE = 20
#: Frequencies a decade at which a weighting curve is taken.
_FINE = 60
_REFERENCE = 1000.0


@dataclass
class Densities:
    """Noise over frequency [V/rtHz], each array of shape (points, frequencies).

    ``output`` holds the thermal noise of resistors, and the shot and partition noise of the valves; ``flicker`` is the
    valves' 1/f noise at the output; ``gain`` is from the source's e.m.f.; ``valves`` is the valves' part of
    ``output``; ``equivalent`` has each valve's equivalent noise resistance at its grid [ohm], shape (points,);
    ``findings`` what there is to say of each point.
    """

    frequency: Floats
    output: Floats
    gain: Floats
    flicker: Floats
    valves: Floats
    equivalent: dict[str, Floats]
    findings: list[list[Finding]]


@dataclass
class _Tube:
    """A valve at rest: currents of its electrodes [A], slopes of those but the grid [S], and its smoothing."""

    currents: dict[str, Floats]
    slopes: dict[str, Floats]
    smoothing: Floats
    bottomed: Array

    @classmethod
    def of(cls, op: Reply, stage: StageLike, name: str, use: Any) -> _Tube:
        """Return that of an operating point."""
        state = operating_point(op, name, use)
        given = [state[f"{role}_voltage"] for role in ("anode", "grid", "screen") if f"{role}_voltage" in state]
        points = len(given[0])
        spread = {key: per_point(stage, f"{name}.{key}", points, 1.0) for key in ("emission", "mu")}
        slopes = {"anode": use.valve.small_signal(*given, **spread).gm}
        currents = {
            role: state[f"{role}_current"] for role in ("anode", "screen", "grid") if f"{role}_current" in state
        }
        if "screen" in currents:
            slopes["screen"] = use.valve.small_signal(*given, tap=1.0, **spread).gm - slopes["anode"]
        smoothing = use.valve.smoothing(*given, temperature=TEMPERATURE, **spread)
        return cls(currents, slopes, smoothing, np.asarray(use.valve.is_bottomed(*given)))

    def powers(self, follow: Mapping[str, Array]) -> tuple[Array, Array, Array]:
        """Return the power at the output [V2/Hz] of smoothed shot noise, of partition, and of the grid's share in it.

        Parameters
        ----------
        follow : mapping of str to ndarray, shape (points, frequencies)
            The output for 1 A from each electrode to the cathode [ohm].
        """
        cathode = np.sum(list(self.currents.values()), axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):
            shares = {role: np.where(cathode > 0.0, current / cathode, 0.0) for role, current in self.currents.items()}
        full = 2.0 * CHARGE * cathode[:, None]
        whole = sum(share[:, None] * follow[role] for role, share in shares.items())
        smoothed = full * self.smoothing[:, None] * np.abs(whole) ** 2
        parted, by_grid = np.zeros_like(smoothed), np.zeros_like(smoothed)
        for one, other in combinations(shares, 2):
            power = full * (shares[one] * shares[other])[:, None] * np.abs(follow[one] - follow[other]) ** 2
            parted += power
            by_grid += power * ("grid" in (one, other))
        return smoothed, parted, by_grid

    def equivalent(self, power: Array, follow: Mapping[str, Array]) -> Array:
        """Return the resistance at the grid [ohm] whose noise makes that power of the output."""
        driven = sum(slope[:, None] * follow[role] for role, slope in self.slopes.items())
        return divide(power, 4.0 * BOLTZMANN * TEMPERATURE * np.abs(driven) ** 2)


def noise_densities(
    stage: StageLike, output: str, flicker_corner: float | None = None, per_decade: int = _PER_DECADE
) -> Generator[Any, Any, Densities]:
    """Ask for the bias, then for the noise of resistors and for how the output follows each electrode's current.

    ``flicker_corner`` [Hz] is that of every valve; None: each has its own.
    """
    op = yield Op()
    uses = {name: use for name, use in stage.valves.items() if use.valve.kind != "rectifier"}
    tubes = {name: _Tube.of(op, stage, name, use) for name, use in uses.items()}
    extra = {"sources": dict.fromkeys(tubes, True)} if tubes else {}
    pairs = [(name, role) for name, tube in tubes.items() for role in tube.currents]
    sweep = Ac(start=BAND[0], stop=BAND[1], per_decade=per_decade, vectors=(output,), extra=extra)
    noise, signal, *transfers = yield [
        Noise(start=BAND[0], stop=BAND[1], per_decade=per_decade, output=output, extra=extra),
        *(replace(sweep, excite=source) for source in ("signal", *(f"{name}_{role}" for name, role in pairs))),
    ]
    frequency = np.asarray(noise.axis, dtype=float)
    power = np.asarray(noise.values["output_density"], dtype=float) ** 2
    follow = {pair: vector(reply, output) for pair, reply in zip(pairs, transfers, strict=True)}
    flicker, valves, equivalent = np.zeros_like(power), np.zeros_like(power), {}
    silent = [
        Finding.of("noise_left_out", name, measure="noise", type=use.component.name)
        for name, use in stage.components.items()
        if use.component.kind not in ("diode", "led")  # theirs is the shot noise that the engine has
    ]
    findings: list[list[Finding]] = [[*silent] for _ in range(len(power))]
    for name, tube in tubes.items():
        own = {role: follow[name, role] for role in tube.currents}
        smoothed, parted, by_grid = tube.powers(own)
        corner = uses[name].valve.noise.flicker_corner if flicker_corner is None else flicker_corner
        flicker += smoothed * corner / frequency
        valves += smoothed + parted
        resistance = tube.equivalent(smoothed + parted - by_grid, own)
        equivalent[name] = at_frequency(frequency, resistance, _REFERENCE)
        said = Finding.of("noise_below_knee", name, measure="noise", type=uses[name].valve.name)
        for point in np.flatnonzero(tube.bottomed):
            findings[point].append(said)
    return Densities(frequency, np.sqrt(power + valves), np.abs(vector(signal, output)), np.sqrt(flicker),
                     np.sqrt(valves), equivalent, findings)  # fmt: skip


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

    The shot noise of a valve's cathode current, smoothed by the space charge, is that of 2.5/gm at its grid (Thompson,
    North and Harris, RCA Review, 1940). Chance divides it between the electrodes (D. O. North, RCA Review, October
    1940, from memory): between any two flows a partition noise of the density 2 q I1 I2/Ik. So a small grid current
    has its full shot noise 2 q Ig, which the anode lacks; a screen's is Harris's (RCA Review, April 1941), and
    vanishes in triode connection. Below the knee, where most electrons turn back before the anode, no source says
    what is left of the smoothing: the figures are by the same formulas there, and a finding says so. Nor is there
    noise of gas, of which the laws know nothing. Flicker noise differs from specimen to specimen: the figures
    without it are given first, then those with it.

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
        Equivalent noise resistance at the grid: shot and partition noise but that of grid current, at 1 kHz [ohm].
    output_density, input_density, output_density_flicker
        Over frequency, with flicker; and the flicker alone [V/rtHz].

    A valve that is cut off has no equivalent noise resistance: it is NaN.
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
    coords = {"frequency": axis(frequency, "Hz", "frequency")}
    return Result(variables, coords, conditions, found.findings)


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
