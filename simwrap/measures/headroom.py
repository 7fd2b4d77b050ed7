"""How much level a stage takes before it distorts, and what clips first."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

import numpy as np

from simwrap.findings.finding import Finding
from simwrap.measures.common import Floats, StageLike, axis, decibels, divide, port, scalar
from simwrap.measures.numerics.closing_in import Curve, first_reached
from simwrap.measures.numerics.crossings import interpolate
from simwrap.measures.numerics.level_sweep import COARSE, CRITERIA, ORDERS, SETTLED, first_limit, sweep_levels
from simwrap.measures.options import Frequency, Level, Option, Port
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Result, Variable


@measure(
    "headroom",
    summary="output and input at 1 %, 3 % and at the onset of clipping, and what clips first",
    headline=("output_rms_1pct", "output_rms_3pct", "first_limit"),
    picture="simwrap.plots.measures.headroom:draw",
)
def headroom(
    stage: StageLike,
    *,
    frequency: Frequency = 1000.0,
    levels: Annotated[int, Option(least=18, most=200)] = 18,
    nominal_level: Level = 0.5,
    at: Port = "output",
) -> Steps:
    """Measure distortion over level, in the steady state.

    Parameters
    ----------
    frequency : float
        Of the sine [Hz].
    levels : int
        Number of levels, 18 or more. The first ones span the range from far below to well beyond the onset
        of clipping that bias and gains lead one to expect; nine others close in on 1 %, 3 % and
        the first limit, and look for them below and beyond that range where they aren't in it.
    nominal_level : float
        Level of the source [V r.m.s.] above which headroom is counted (a consumer source's
        rated 0.5 V, IEC 61938).
    at : str
        Port to listen at: "output", or "output_b" for the other side of a splitter.

    Results
    -------
    output_rms_1pct, output_rms_3pct
        Output at which the total harmonic distortion reaches 1 % and 3 % [V r.m.s.].
    input_rms_1pct, input_rms_3pct
        E.m.f. of the source there [V r.m.s.].
    headroom_1pct_db, headroom_3pct_db
        The same above the nominal level.
    first_limit
        "grid current", "cut-off", "bottoming" or "none in range"; see the condition ``criteria``.
    clipping_input_rms, clipping_output_rms
        Where that limit is reached [V r.m.s.]; 0, with a warning, where it is reached without a signal.
    level_in, level_out, thd
        The sweep [V r.m.s., V r.m.s., %]; ``thd`` refers to the fundamental.
    harmonics
        2 to 10, over level [% of the fundamental].
    periods
        How many periods the steady state took.

    NaN where a figure isn't reached in the range, is exceeded at its lowest level, or failed.
    """
    output = port(stage, at, "headroom")
    found = yield from sweep_levels(stage, (output,), frequency=frequency, levels=levels)
    level_in, level_out, thd = found.level_in, found.level_out[0], found.thd[0]
    inputs = {percent: first_reached(level_in, Curve(thd / (percent / 100.0))) for percent in (1, 3)}
    limit, onset = first_limit(found)
    variables = _at_distortion(inputs, level_in, level_out, nominal_level) | {
        "first_limit": scalar(limit, "", "what clips first"),
        "clipping_input_rms": scalar(onset, "V", "input at the onset of clipping, r.m.s."),
        "clipping_output_rms": scalar(
            np.where(onset == 0.0, 0.0, interpolate(level_in, level_out, onset)),
            "V",
            "output at the onset of clipping, r.m.s.",
        ),
        "level_in": Variable(("level",), level_in, "V", "input, r.m.s."),
        "level_out": Variable(("level",), level_out, "V", "output, r.m.s."),
        "thd": Variable(("level",), 100.0 * thd, "%", "total harmonic distortion"),
        "harmonics": Variable(("level", "harmonic"), 100.0 * found.harmonics[0], "%", "harmonic"),
        "periods": Variable(("level",), found.periods, "", "periods to the steady state"),
    }
    findings: list[list[Finding]] = [[] for _ in onset]
    for point in np.flatnonzero(onset == 0.0):
        findings[point].append(Finding.of("limited_without_signal", quantity=str(limit[point]), measure="headroom"))
    return Result(
        variables,
        coords={
            "level": axis(np.arange(level_in.shape[1]), "", "level"),
            "harmonic": axis(ORDERS, "", "harmonic"),
        },
        conditions={
            "measured_at": (at, ""),
            "frequency": (frequency, "Hz"),
            "input": ("e.m.f. of the signal source", ""),
            "nominal_level": (nominal_level, "V"),
            "distortion": ("all harmonics, relative to the fundamental", ""),
            "settled_within": (
                f"{SETTLED}, {COARSE:g} beyond the onset of clipping",
                "",
            ),
            "criteria": (CRITERIA, ""),
        },
        findings=findings,
    )


def _at_distortion(
    inputs: Mapping[int, Floats], level_in: Floats, level_out: Floats, nominal_level: float
) -> dict[str, Variable]:
    """Return input, output and headroom at the levels where the distortion reaches so many percent."""
    variables = {}
    for percent, level in inputs.items():
        name = f"{percent}pct"
        variables[f"output_rms_{name}"] = scalar(
            interpolate(level_in, level_out, level), "V", f"output at {percent} % distortion, r.m.s."
        )
        variables[f"input_rms_{name}"] = scalar(level, "V", f"input at {percent} % distortion, r.m.s.")
        variables[f"headroom_{name}_db"] = scalar(
            decibels(divide(level, nominal_level)),
            "dB",
            f"headroom: level at {percent} % distortion above the nominal level",
        )
    return variables
