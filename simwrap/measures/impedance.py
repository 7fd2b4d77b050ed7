"""Input and output impedance over frequency, and the damping factor."""

from __future__ import annotations

from typing import Any

import numpy as np

from simwrap.measures.common import Floats, StageLike, axis, divide, per_point, port, scalar, stated, vector
from simwrap.measures.corners import at_frequency
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Result, Variable


def load_of(stage: StageLike, points: int) -> tuple[str, Floats]:
    """Return the name and the value [ohm] of the resistance that loads the output; NaN without one."""
    for name in ("speaker_impedance", "load_resistor"):
        if name in stage.values:
            value = per_point(stage, name, points)
            return name, np.where(value > 0, value, np.nan)  # 0 stands for no load
    return "", np.full(points, np.nan)


@measure("impedance", summary="input and output impedance over frequency, and the damping factor")
def impedance(
    stage: StageLike,
    *,
    start: float = 10.0,
    stop: float = 1e5,
    per_decade: int = 20,
    reference_frequency: float = 1000.0,
) -> Steps:
    """Measure what the source and the load see.

    The output impedance is that of the stage without its load: 1 A of test current flows into the
    output with the signal's e.m.f. at zero, and the admittance of the load resistor (or
    loudspeaker) and load capacitance is taken off. The input impedance is what the source with
    its own resistance sees.

    Parameters
    ----------
    start, stop : float
        Range [Hz].
    per_decade : int
        Points a decade.
    reference_frequency : float
        Where the single figures are read [Hz].

    Results
    -------
    input, output
        Magnitude at the reference frequency [ohm]; inf where no current flows.
    damping_factor
        Load over output impedance; NaN where the stage has no load.
    input_curve, output_curve
        Magnitude over frequency [ohm].
    input_phase_deg, output_phase_deg
        Over frequency [degree].
    """
    node = port(stage, "output", "impedance")
    sweep = Ac(start=start, stop=stop, per_decade=per_decade, vectors=("i(v_signal)",))
    driven = Ac(start=start, stop=stop, per_decade=per_decade, vectors=(node,), excite="output")
    reply, test = yield [sweep, driven]
    frequency = np.asarray(reply.axis, dtype=float)
    current = vector(reply, "i(v_signal)")
    points = len(current)
    source = per_point(stage, "source_resistance", points, 0.0)
    # The current of a voltage source flows into its + end: out of it, it is negative.
    entry = divide(-1.0, current) - source[:, None]
    entry = np.where(current == 0, np.inf, entry)
    name, load = load_of(stage, points)
    capacitance = per_point(stage, "load_capacitance", points, 0.0)
    admittance = divide(1.0, vector(test, node))
    admittance = admittance - np.where(np.isnan(load), 0.0, 1.0 / load)[:, None]
    admittance = admittance - 2j * np.pi * frequency * capacitance[:, None]
    exit_ = divide(1.0, admittance)
    at_input, at_output = (at_frequency(frequency, np.abs(curve), reference_frequency) for curve in (entry, exit_))
    variables = {
        "input": scalar(at_input, "ohm", "input impedance"),
        "output": scalar(at_output, "ohm", "output impedance"),
        "damping_factor": scalar(divide(load, at_output), "", "damping factor"),
    }
    for key, curve in (("input", entry), ("output", exit_)):
        variables[f"{key}_curve"] = Variable(("frequency",), np.abs(curve), "ohm", f"{key} impedance")
        with np.errstate(invalid="ignore"):
            phase = np.degrees(np.angle(curve))
        variables[f"{key}_phase_deg"] = Variable(("frequency",), phase, "degree", f"phase of the {key} impedance")
    [part for part in (name, "load_capacitance" if capacitance.any() else "") if part]
    conditions: dict[str, tuple[Any, str]] = {
        "reference_frequency": (reference_frequency, "Hz"),
        "level": ("small signal", ""),
        "output_without": (
            " and ".join(filter(None, (name, "load_capacitance" if capacitance.any() else ""))),
            "",
        ),
    }
    if name:
        conditions["damping_factor_load"] = (stated(load), "ohm")
    return Result(variables, coords={"frequency": axis(frequency, "Hz", "frequency")}, conditions=conditions)
