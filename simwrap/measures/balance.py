"""How alike the two outputs of a phase splitter are."""

from __future__ import annotations

from typing import Annotated

import numpy as np

from simwrap.measures.common import StageLike, axis, check_inside, decibels, divide, port, scalar, vector
from simwrap.measures.numerics.crossings import at_frequency, first_crossing, interpolate
from simwrap.measures.numerics.level_sweep import first_limit, sweep_levels
from simwrap.measures.options import Frequency, Option, PerDecade, SweepEnd
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Result, Variable


@measure(
    "balance",
    summary="level and phase difference of two outputs, and what each side gives",
    ports=("output", "output_b"),
    headline=("ratio_db", "phase_error_deg"),
    picture="simwrap.plots.measures.balance:draw",
)
def balance(
    stage: StageLike,
    *,
    start: SweepEnd = 10.0,
    stop: SweepEnd = 1e5,
    per_decade: PerDecade = 20,
    reference_frequency: Frequency = 1000.0,
    levels: Annotated[int, Option(least=18, most=200, zero="left out")] = 18,
) -> Steps:
    """Measure the balance of a stage with the ports ``output`` and ``output_b``.

    Parameters
    ----------
    start, stop : float
        Range [Hz].
    per_decade : int
        Points a decade.
    reference_frequency : float
        Where the single figures are read [Hz].
    levels : int
        Levels of the sweep that finds the largest output of each side, 18 or more; 0 leaves it out.

    Results
    -------
    ratio_db, phase_error_deg
        Level of ``output`` over ``output_b`` [dB], and how far the two are from opposite phase
        [degree], at the reference frequency.
    gain, gain_b
        From the source's e.m.f. to each side, at the reference frequency.
    ratio_curve_db, phase_error_curve_deg
        Over frequency.
    maximum.output_rms_1pct, maximum.output_b_rms_1pct (and 3pct)
        Output of each side where its own distortion reaches 1 % and 3 % [V r.m.s.].
    maximum.first_limit
        What clips first; see ``headroom``.
    """
    check_inside("balance", "reference_frequency", reference_frequency, start, stop)
    nodes = (port(stage, "output", "balance"), port(stage, "output_b", "balance"))
    reply = yield Ac(start=start, stop=stop, per_decade=per_decade, vectors=nodes)
    frequency = np.asarray(reply.axis, dtype=float)
    one, other = (vector(reply, node) for node in nodes)
    ratio = decibels(divide(one, other))
    # Wrapped round opposite phase, so that a small error is a small number.
    error = np.degrees(np.angle(divide(-one, other)))
    gains = [at_frequency(frequency, np.abs(side), reference_frequency) for side in (one, other)]
    variables = {
        "ratio_db": scalar(at_frequency(frequency, ratio, reference_frequency), "dB", "level of output over output_b"),
        "phase_error_deg": scalar(
            at_frequency(frequency, error, reference_frequency), "degree", "departure from opposite phase"
        ),
        "gain": scalar(gains[0], "", "gain to output"),
        "gain_b": scalar(gains[1], "", "gain to output_b"),
        "ratio_curve_db": Variable(("frequency",), ratio, "dB", "level of output over output_b"),
        "phase_error_curve_deg": Variable(("frequency",), error, "degree", "departure from opposite phase"),
    }
    if levels:
        found = yield from sweep_levels(stage, nodes, frequency=reference_frequency, levels=levels)
        for side, name in enumerate(("output", "output_b")):
            for percent in (1, 3):
                level = first_crossing(found.level_in, found.thd[side], percent / 100.0)[0]
                variables[f"maximum.{name}_rms_{percent}pct"] = scalar(
                    interpolate(found.level_in, found.level_out[side], level),
                    "V",
                    f"{name} at {percent} % distortion, r.m.s.",
                )
        variables["maximum.first_limit"] = scalar(first_limit(found)[0], "", "what clips first")
    return Result(
        variables,
        coords={"frequency": axis(frequency, "Hz", "frequency")},
        conditions={
            "reference_frequency": (reference_frequency, "Hz"),
            "level": ("small signal; the maximum in the steady state", ""),
            "load": ("the loads of the stage on both sides", ""),
        },
    )
