"""Harmonic and intermodulation distortion at one level."""

from __future__ import annotations

import math
from typing import Annotated, Any

import numpy as np

from simwrap.engine.protocol import Sine
from simwrap.errors import RangeError
from simwrap.measures.common import (
    Floats,
    StageLike,
    axis,
    bench_value,
    count,
    decibels,
    port,
    scalar,
    stated,
    vector,
)
from simwrap.measures.noise import BAND, noise_densities
from simwrap.measures.numerics import harmonics
from simwrap.measures.numerics.level_sweep import ORDERS
from simwrap.measures.numerics.weighting import band_rms
from simwrap.measures.options import Frequency, Level, Option, Port
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Op, Result, Steady, Variable

#: Pairs of tones for modulation distortion [Hz], both 4:1.
PAIRS = {"smpte": (60.0, 7000.0), "din": (250.0, 8000.0)}
#: So many samples a cycle of the highest tone that what folds back is of the 30th order and above.
_SAMPLES_A_CYCLE = 32
#: Longest period of two tones, in cycles of the higher.
_MOST_CYCLES = 500
#: Distortion that a linear stage reads at most: what an engine's steady state leaves over.
FLOOR = 1e-5


@measure(
    "distortion",
    summary="harmonics, THD, THD+N, SMPTE and twin-tone intermodulation at one level",
    headline=("thd", "modulation"),
    picture="simwrap.plots.measures.distortion:draw",
)
def distortion(
    stage: StageLike,
    *,
    level: Level | None = None,
    frequency: Frequency = 1000.0,
    pair: Annotated[str, Option(choices=("din", "smpte"))] = "din",
    twin: Annotated[tuple[float, ...], Option("Hz", least=1.0, most=1e6, entries=(2, 2))] = (19e3, 20e3),
    with_noise: bool = True,
    at: Port = "output",
) -> Steps:
    """Measure distortion in the steady state.

    Parameters
    ----------
    level : float, optional
        E.m.f. of the source [V r.m.s.]; by default the stage's ``drive``, or else 0.5 V.
        Both intermodulation signals have the peak value of a sine of this level.
    frequency : float
        Of the sine [Hz].
    pair : str
        Tones of the SMPTE method, 4:1: "din" is 250 Hz and 8 kHz (DIN 45403), "smpte" is 60 Hz and 7 kHz
        (SMPTE RP 120; a period of 50 ms takes some ten times longer to settle).
    twin : tuple of float
        The two equal tones of the difference-frequency method [Hz].
    with_noise : bool
        Whether to find the noise too, for THD+N.
    at : str
        Port to listen at: "output", or "output_b" for the other side of a splitter.

    Results
    -------
    harmonics, harmonics_db
        2 to 10, relative to the fundamental [%, dB].
    thd, thd_total
        Relative to the fundamental (common practice), and to the whole signal (IEC 60268-3) [%].
    thd_plus_noise
        Harmonics and noise between 22 Hz and 22 kHz, relative to the whole signal [%].
    output_rms
        At this level [V].
    modulation, modulation_spectrum
        Sidebands of the high tone relative to it, pairs added coherently (IEC 60268-3) and by
        power [%].
    difference_2, difference_3
        Difference-frequency distortion of second and third order [%] (IEC 60268-3).

    Raises
    ------
    InputError
        For twin tones that are no two whole numbers of hertz, whose difference tones coincide, or
        that together repeat only after more than 500 cycles; or a pair without a name.
    """
    output = port(stage, at, "distortion")
    low, high = PAIRS[pair]
    _check_twin(twin)
    op = yield Op()
    points = count(op)
    chosen = bench_value(stage, "input", "drive", points, 0.5) if level is None else np.full(points, float(level))
    peak = np.sqrt(2.0) * chosen[:, None]
    sine, mixed, two = yield [
        _tones(output, peak, (frequency, 1.0)),
        _tones(output, peak, (low, 0.8), (high, 0.2)),
        _tones(output, peak, (twin[0], 0.5), (twin[1], 0.5)),
    ]
    wave = vector(sine, output)[:, 0]
    variables = _of_sine(chosen, wave)
    unit = _unit(low, high)
    lines = harmonics.spectrum(vector(mixed, output)[:, 0])
    tones = (round(low / unit), round(high / unit))
    variables["modulation"] = scalar(
        100.0 * harmonics.modulation(lines, *tones), "%", "modulation distortion, pairs of sidebands"
    )
    variables["modulation_spectrum"] = scalar(
        100.0 * harmonics.modulation(lines, *tones, coherent=False), "%", "modulation distortion, by power"
    )
    unit = _unit(*twin)
    lines = harmonics.spectrum(vector(two, output)[:, 0])
    second, third = harmonics.difference_tones(lines, round(twin[0] / unit), round(twin[1] / unit))
    variables["difference_2"] = scalar(100.0 * second, "%", "difference-frequency distortion, second order")
    variables["difference_3"] = scalar(100.0 * third, "%", "difference-frequency distortion, third order")
    if with_noise:
        found = yield from noise_densities(stage, output)
        total = _with_noise(wave, frequency, band_rms(found.frequency, found.output))
        variables["thd_plus_noise"] = scalar(100.0 * total, "%", "distortion and noise of the whole signal")
    conditions: dict[str, tuple[Any, str]] = {
        "measured_at": (at, ""),
        "level": (stated(chosen), "V"),
        "frequency": (frequency, "Hz"),
        "input": ("e.m.f. of the signal source", ""),
        "modulation_tones": (f"{low:g} Hz and {high:g} Hz, 4:1, two pairs of sidebands", ""),
        "twin_tones": (f"{twin[0]:g} Hz and {twin[1]:g} Hz", ""),
        "intermodulation_level": ("same peak as the sine", ""),
        "read_down_to": (f"{100.0 * FLOOR:g} % of the tones, what the steady state is settled to", ""),
        "noise_band": (f"{BAND[0]:g} Hz to {BAND[1] / 1e3:g} kHz, without flicker", ""),
    }
    return Result(variables, coords={"harmonic": axis(ORDERS, "", "harmonic")}, conditions=conditions)


def _of_sine(level: Floats, wave: Floats) -> dict[str, Variable]:
    """Return the figures of one period of the output with a sine of a level [V r.m.s.]."""
    lines = harmonics.spectrum(wave)
    ratios = harmonics.relative(lines, ORDERS)
    return {
        "harmonics": Variable(("harmonic",), 100.0 * ratios, "%", "harmonic"),
        "harmonics_db": Variable(("harmonic",), decibels(ratios), "dB", "harmonic"),
        "thd": scalar(100.0 * harmonics.thd(lines), "%", "total harmonic distortion"),
        "thd_total": scalar(
            100.0 * harmonics.thd(lines, total=True), "%", "total harmonic distortion of the whole signal"
        ),
        "input_rms": scalar(level, "V", "input, r.m.s."),
        "output_rms": scalar(harmonics.rms(wave), "V", "output, r.m.s."),
    }


def _check_twin(twin: tuple[float, ...]) -> None:
    """Refuse pairs of tones whose difference tones can't be told, or not within a useful time."""
    given = ",".join(f"{tone:g}" for tone in twin)
    rising = len(twin) == 2 and twin[0] < twin[1] and all(tone == round(tone) for tone in twin)
    if not rising:
        raise RangeError("twin", given, "two rising whole numbers of hertz, such as 19000,20000", "distortion")
    one, other = twin
    lines = {one, other, other - one, abs(2 * one - other), 2 * other - one}
    if len(lines - {0.0}) < 5:
        accepted = "tones whose difference tones fall on neither of them nor on one another, such as 19000,20000"
        raise RangeError("twin", given, accepted, "distortion")
    if other / _unit(one, other) > _MOST_CYCLES:
        accepted = f"tones with a common divisor of {math.ceil(other / _MOST_CYCLES)} Hz or more, such as 19000,20000"
        raise RangeError("twin", given, accepted, "distortion")


def _unit(*tones: float) -> float:
    """Return the repetition frequency of tones of whole numbers of hertz [Hz]."""
    return float(math.gcd(*(round(tone) for tone in tones)))


def _tones(output: str, peak: Floats, *tones: tuple[float, float]) -> Steady:
    unit = tones[0][0] if len(tones) == 1 else _unit(*(tone for tone, _ in tones))
    cycles = max(tone for tone, _ in tones) / unit
    samples = max(256, 2 ** int(np.ceil(np.log2(_SAMPLES_A_CYCLE * cycles))))
    return Steady(
        fundamental=unit,
        tones=tuple(Sine(amplitude, tone) for tone, amplitude in tones),
        amplitude=peak,
        vectors=(output,),
        samples=samples,
    )


def _with_noise(wave: Floats, frequency: float, noise: Floats) -> Floats:
    """Return harmonics and noise relative to the whole signal, in the band of the noise."""
    power = np.abs(harmonics.spectrum(wave)) ** 2 / 2.0
    orders = np.arange(2, max(2, min(power.shape[-1], int(BAND[1] / frequency) + 1)))
    rest = power[..., orders].sum(axis=-1) + noise**2
    ratio: Floats = np.sqrt(rest / (power[..., 1] + rest))
    return ratio
