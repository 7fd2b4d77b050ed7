"""Gain and phase against frequency, with the corners."""

from __future__ import annotations

from typing import Any

import numpy as np

from simwrap.errors import InputError
from simwrap.findings.finding import Finding
from simwrap.measures.common import Floats, StageLike, axis, check_inside, decibels, port, scalar, vector
from simwrap.measures.numerics.crossings import HALF_POWER_DB, at_frequency, corners
from simwrap.measures.options import PerDecade, Port, SweepEnd
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Result, Variable
from simwrap.units import quantity


@measure(
    "response",
    summary="gain and phase over frequency, at 1 kHz and mid-band, and the -3 dB corners",
    headline=("gain_db", "low_corner", "high_corner"),
    picture="simwrap.plots.measures.response:draw",
)
def response(
    stage: StageLike,
    *,
    start: SweepEnd = 1.0,
    stop: SweepEnd = 1e6,
    per_decade: PerDecade = 20,
    reference_frequency: SweepEnd = 1000.0,
    at: Port = "output",
) -> Steps:
    """Measure the small-signal response from the source's e.m.f. to the output.

    Parameters
    ----------
    start, stop : float
        Range [Hz].
    per_decade : int
        Points a decade.
    reference_frequency : float
        Where ``gain`` is read and from where the corners are counted [Hz] (IEC 60268-3: the
        range within 3 dB of the gain at 1 kHz). It is read between points where it isn't one.
    at : str
        Port to listen at: "output", or "output_b" for the other side of a splitter.

    Results
    -------
    gain, gain_db, phase
        Magnitude (a ratio; dB) and phase [degree] at the reference frequency.
    midband_gain, midband_gain_db
        At the geometric mean of the corners (or of an end of the range where there is no corner).
    low_corner, high_corner
        Half power (-3.01 dB) relative to the reference frequency [Hz]; NaN where the curve
        doesn't fall so far within the range.
    curve_db, phase_deg
        Over frequency; the phase is continuous, and between -225 and 135 degrees at the reference, so
        that stages that invert are all near -180 degrees.
    """
    check_inside("response", "reference_frequency", reference_frequency, start, stop)
    output = port(stage, at, "response")
    reply = yield Ac(start=start, stop=stop, per_decade=per_decade, vectors=(output,))
    frequency = np.asarray(reply.axis, dtype=float)
    transfer = vector(reply, output)
    if not np.any(transfer):  # what has no source of a signal, such as a dropper
        raise InputError(f"response: has no meaning for {stage.name}: no signal reaches {at}")
    level = decibels(transfer)
    phase = unwrapped_degrees(transfer, frequency, reference_frequency)
    reference_db = at_frequency(frequency, level, reference_frequency)
    low, high = corners(frequency, level, reference_db, centre=reference_frequency)
    middle = np.sqrt(np.where(np.isnan(low), frequency[0], low) * np.where(np.isnan(high), frequency[-1], high))
    midband_db = at_frequency(frequency, level, middle)
    bare = [name for name, use in stage.valves.items() if _without_capacitances(use.valve)]
    findings: list[list[Finding]] = [[] for _ in level]
    for point in np.flatnonzero(np.isnan(high) & np.isfinite(reference_db)) if bare else ():
        findings[point].append(Finding.of("corner_not_told", measure="response", valves=bare))
    at_words = quantity.render(reference_frequency, "Hz")
    return Result(
        {
            "gain": scalar(10 ** (reference_db / 20), "", f"gain at {at_words}"),
            "gain_db": scalar(reference_db, "dB", f"gain at {at_words}"),
            "phase": scalar(
                at_frequency(frequency, phase, reference_frequency),
                "degree",
                f"phase at {at_words}",
            ),
            "reference_frequency": scalar(np.full(len(level), reference_frequency), "Hz", "reference frequency"),
            "midband_gain": scalar(10 ** (midband_db / 20), "", "gain at mid-band"),
            "midband_gain_db": scalar(midband_db, "dB", "gain at mid-band"),
            "low_corner": scalar(low, "Hz", "lower -3 dB corner"),
            "high_corner": scalar(high, "Hz", "upper -3 dB corner"),
            "curve_db": Variable(("frequency",), level, "dB", "gain"),
            "phase_deg": Variable(("frequency",), phase, "degree", "phase"),
        },
        coords={"frequency": axis(frequency, "Hz", "frequency")},
        conditions={
            "measured_at": (at, ""),
            "reference_frequency": (reference_frequency, "Hz"),
            "corner_drop": (HALF_POWER_DB, "dB"),
            "from": ("e.m.f. of the signal source", ""),
            "level": ("small signal", ""),
            "range": (f"{frequency[0]:g} Hz to {frequency[-1]:g} Hz", ""),
        },
        findings=findings,
    )


def _without_capacitances(valve: Any) -> bool:
    held = getattr(valve, "capacitances", None)
    names = ("grid_anode", "grid_cathode", "anode_cathode")
    return held is not None and valve.kind != "rectifier" and not any(getattr(held, name, 0.0) for name in names)


def unwrapped_degrees(transfer: Floats, frequency: Floats, reference: float) -> Floats:
    """Return the continuous phase [degree], within -225 .. 135 at the frequency nearest the reference."""
    phase = np.degrees(np.unwrap(np.angle(transfer), axis=-1))
    middle = int(np.argmin(np.abs(np.log(frequency / reference))))
    turns = np.floor((phase[..., middle] + 225.0) / 360.0)
    degrees: Floats = phase - 360.0 * turns[..., None]
    return degrees
