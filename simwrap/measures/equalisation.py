"""How far an equalising network departs from its standard's curve."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import numpy as np

from simwrap.errors import InputError
from simwrap.measures.common import (
    Array,
    Floats,
    StageLike,
    axis,
    check_inside,
    decibels,
    divide,
    port,
    scalar,
    vector,
)
from simwrap.measures.numerics.crossings import at_frequency
from simwrap.measures.options import Option, PerDecade, SweepEnd
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Result, Variable
from simwrap.registry import find
from simwrap.units import quantity


@measure(
    "equalisation",
    summary="departure of a replay or de-emphasis network from its standard's curve",
    ports=("output",),
    headline=("deviation_db", "deviation_at"),
    picture="simwrap.plots.measures.equalisation:draw",
)
def equalisation(
    stage: StageLike,
    *,
    curve: Annotated[str, Option()] = "",
    start: SweepEnd = 20.0,
    stop: SweepEnd = 20e3,
    per_decade: PerDecade = 20,
    reference_frequency: SweepEnd = 1000.0,
) -> Steps:
    """Measure the response against the curve that a standard's time constants give.

    Parameters
    ----------
    curve : str
        Which of the stage's standard curves ("50us" or "75us" of ``fm_deemphasis``); by default its first. A circuit is
        held, from its input to its output, to a curve of a stage in it ("replay.iec60098").
    start, stop : float
        Range [Hz].
    per_decade : int
        Points a decade.
    reference_frequency : float
        Where the departure counts as 0 [Hz].

    Results
    -------
    deviation_db
        Largest departure from the curve in the range, relative to that at the reference frequency [dB], signed.
    deviation_at
        Where that is [Hz].
    insertion_loss_db
        From the source's e.m.f., at the reference frequency [dB].
    deviation_curve_db, standard_db
        Over frequency: the departure, and the curve itself relative to the reference frequency [dB].

    Raises
    ------
    InputError
        If the stage has no standard curve, or none of that name.
    """
    output = port(stage, "output", "equalisation")
    curves = stage.standard_curves
    if not curves:
        raise InputError(f"equalisation: {stage.name} follows no standard's curve")
    tails = [name.rpartition(".")[2] for name in curves]
    known = {tail: name for tail, name in zip(tails, curves, strict=True) if tails.count(tail) == 1}
    chosen = (
        find("curve", curve, known | {name: name for name in curves}, "equalisation") if curve else next(iter(curves))
    )
    check_inside("equalisation", "reference_frequency", reference_frequency, start, stop)
    reply = yield Ac(start=start, stop=stop, per_decade=per_decade, vectors=(output,))
    frequency = np.asarray(reply.axis, dtype=float)
    transfer = vector(reply, output)
    standard = standard_transfer(frequency, **curves[chosen])
    level, wanted = decibels(transfer), decibels(standard)[None]
    at_reference = at_frequency(frequency, level, reference_frequency)
    # The quotient is smooth where the response isn't: it is what is read between the points.
    quotient = decibels(divide(transfer, standard))
    deviation = quotient - at_frequency(frequency, quotient, reference_frequency)[:, None]
    worst = np.argmax(np.where(np.isfinite(deviation), np.abs(deviation), -1.0), axis=1)[:, None]
    largest = np.take_along_axis(deviation, worst, 1)[:, 0]
    place = np.where(np.isfinite(largest), frequency[worst[:, 0]], np.nan)
    at_words = quantity.render(reference_frequency, "Hz")
    return Result(
        {
            "deviation_db": scalar(largest, "dB", "largest departure from the standard's curve"),
            "deviation_at": scalar(place, "Hz", "frequency of the largest departure"),
            "insertion_loss_db": scalar(-at_reference, "dB", f"insertion loss at {at_words}"),
            "deviation_curve_db": Variable(("frequency",), deviation, "dB", "departure from the standard's curve"),
            "standard_db": Variable(
                ("frequency",),
                np.broadcast_to(wanted - at_frequency(frequency, wanted, reference_frequency)[:, None], level.shape),
                "dB",
                "the standard's curve",
            ),
        },
        coords={"frequency": axis(frequency, "Hz", "frequency")},
        conditions={
            "curve": (f"{chosen}: {_words(**curves[chosen])}", ""),
            "reference_frequency": (reference_frequency, "Hz"),
            "range": (f"{start:g} Hz to {stop:g} Hz", ""),
            "from": ("e.m.f. of the signal source", ""),
        },
    )


def standard_transfer(
    frequency: Floats, poles: Sequence[float], zeros: Sequence[float] = (), high_passes: Sequence[float] = ()
) -> Array:
    """Return the transfer of time constants [s].

    The product of (1 + s T) of the zeros over that of the poles, and of s T / (1 + s T) of the high-passes.
    """
    s = 2j * np.pi * frequency
    transfer = np.ones_like(s)
    for time in zeros:
        transfer *= 1.0 + s * time
    for time in poles:
        transfer /= 1.0 + s * time
    for time in high_passes:
        transfer *= s * time / (1.0 + s * time)
    return transfer


def _words(poles: Sequence[float], zeros: Sequence[float] = (), high_passes: Sequence[float] = ()) -> str:
    parts = (("falling from", poles), ("rising from", zeros), ("high-pass of", high_passes))
    return ", ".join(f"{words} {' and '.join(f'{1e6 * t:g}' for t in given)} us" for words, given in parts if given)
