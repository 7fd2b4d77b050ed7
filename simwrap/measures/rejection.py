"""How much of each supply's ripple comes out."""

from __future__ import annotations

import numpy as np

from simwrap.errors import InputError
from simwrap.measures.common import StageLike, axis, check_inside, decibels, divide, port, scalar, vector
from simwrap.measures.numerics.crossings import at_frequency
from simwrap.measures.options import PerDecade, Port, SweepEnd
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Result, Variable


@measure(
    "rejection",
    summary="ripple of each supply at the output, and referred to the input",
    headline=("supplies.*.transfer_db",),
    picture="simwrap.plots.measures.rejection:draw",
)
def rejection(
    stage: StageLike,
    *,
    ripple_frequency: SweepEnd = 100.0,
    start: SweepEnd = 10.0,
    stop: SweepEnd = 1e5,
    per_decade: PerDecade = 20,
    at: Port = "output",
) -> Steps:
    """Measure the transfer from each supply to the output, one supply at a time.

    Parameters
    ----------
    ripple_frequency : float
        Where the single figures are read [Hz]: 100 or 120 behind a full-wave rectifier.
    start, stop : float
        Range [Hz].
    per_decade : int
        Points a decade.
    at : str
        Port to listen at: "output", or "output_b" for the other side of a splitter.

    Results
    -------
    supplies.<name>.transfer, transfer_db
        Output for 1 V at the supply, at the ripple frequency.
    supplies.<name>.input_referred_db
        The same over the gain of the signal there: small (very negative) is good.
    supplies.<name>.curve_db
        Transfer over frequency [dB].

    Raises
    ------
    InputError
        If the stage has no supply.
    """
    check_inside("rejection", "ripple_frequency", ripple_frequency, start, stop)
    output = port(stage, at, "rejection")
    if not stage.supplies:
        raise InputError(f"rejection: {stage.name} has no supply")
    names = list(stage.supplies)
    replies = yield [
        Ac(start=start, stop=stop, per_decade=per_decade, vectors=(output,), excite=name) for name in ("signal", *names)
    ]
    frequency = np.asarray(replies[0].axis, dtype=float)
    gain = at_frequency(frequency, np.abs(vector(replies[0], output)), ripple_frequency)
    variables: dict[str, Variable] = {}
    for name, reply in zip(names, replies[1:], strict=True):
        curve = np.abs(vector(reply, output))
        transfer = at_frequency(frequency, curve, ripple_frequency)
        key, words = f"supplies.{name}", f"transfer from {name} to the output"
        variables[f"{key}.transfer"] = scalar(transfer, "", words)
        variables[f"{key}.transfer_db"] = scalar(decibels(transfer), "dB", words)
        variables[f"{key}.input_referred_db"] = scalar(
            decibels(divide(transfer, gain)), "dB", f"transfer from {name}, referred to the input"
        )
        variables[f"{key}.curve_db"] = Variable(("frequency",), decibels(curve), "dB", words)
    return Result(
        variables,
        coords={"frequency": axis(frequency, "Hz", "frequency")},
        conditions={
            "measured_at": (at, ""),
            "ripple_frequency": (ripple_frequency, "Hz"),
            "level": ("small signal", ""),
            "other_supplies": ("without ripple", ""),
        },
    )
