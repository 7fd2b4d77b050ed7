"""Input and output impedance over frequency, and the damping factor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from simwrap.findings.finding import Finding
from simwrap.measures.common import (
    Array,
    Floats,
    StageLike,
    axis,
    bench_value,
    check_inside,
    divide,
    load_of,
    port,
    scalar,
    stated,
    vector,
    wanted,
)
from simwrap.measures.numerics.crossings import at_frequency
from simwrap.measures.options import PerDecade, SweepEnd
from simwrap.measures.registry import Steps, measure
from simwrap.measures.requests import Ac, Result, Variable

_WORDS = {
    "input": "input",
    "output": "output",
    "output_b": "second output",
    "output_balanced": "balanced output (of each side)",
}


@measure(
    "impedance",
    summary="input and output impedance over frequency, and the damping factor",
    ports=("output",),
    headline=("output", "input"),
    picture="simwrap.plots.measures.impedance:draw",
)
def impedance(
    stage: StageLike,
    *,
    start: SweepEnd = 10.0,
    stop: SweepEnd = 1e5,
    per_decade: PerDecade = 20,
    reference_frequency: SweepEnd = 1000.0,
) -> Steps:
    """Measure what the source and the load see.

    The output impedance is that of the stage without its load: 1 A of test current flows into the
    output with the signal's e.m.f. at zero, and the admittance of the load resistor (or
    loudspeaker) and load capacitance is taken off. The input impedance is what the source with
    its own resistance sees. A splitter's outputs are measured one at a time, the other one loaded as in
    the stage; and balanced: both without their loads, with opposite test currents, each side's share
    (Preisman, Audio, April 1960).

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
    output_b, output_balanced
        Of a stage with two outputs, see above [ohm].
    output_midband, output_b_midband, ..., output_midband_frequency, ...
        Magnitude of an output's impedance where it is most nearly a resistance [ohm], and that frequency [Hz]:
        what stands behind a coupling capacitor.
    damping_factor
        Loudspeaker over output impedance; only in a stage with a loudspeaker.
    <each of these>_curve
        Magnitude over frequency [ohm].
    <each of these>_phase_deg
        Over frequency [degree].
    """
    check_inside("impedance", "reference_frequency", reference_frequency, start, stop)
    nodes = {"output": port(stage, "output", "impedance")}
    if "output_b" in stage.ports:
        nodes["output_b"] = stage.ports["output_b"]
    sweep = Ac(start=start, stop=stop, per_decade=per_decade, vectors=("i(v_signal)",))
    tests = [replace(sweep, vectors=wanted(*nodes.values()), excite=side) for side in nodes]
    reply, *tested = yield [sweep, *tests]
    frequency = np.asarray(reply.axis, dtype=float)
    current = vector(reply, "i(v_signal)")
    points = len(current)
    source = bench_value(stage, "input", "resistance", points)
    # The current of a voltage source flows into its + end: out of it, it is negative.
    entry = divide(-1.0, current) - source[:, None]
    curves = {"input": np.where(current == 0, np.inf, entry)}
    name, load = load_of(stage, points)
    own = [_admittance(stage, side, points, frequency) for side in nodes]
    # Shape (points, frequencies, outputs, outputs): the voltage at each for a current into each.
    matrix = np.stack([np.stack([vector(answer, node) for node in nodes.values()], -1) for answer in tested], -1)
    for number, side in enumerate(nodes):
        loaded = matrix[..., number, number]
        # No voltage for 1 A is no impedance, whatever the load.
        curves[side] = np.where(loaded == 0, 0.0, divide(1.0, divide(1.0, loaded) - own[number]))
    if len(nodes) == 2:
        curves["output_balanced"] = _balanced(matrix, own)
    variables = {}
    for key, curve in curves.items():
        at_reference = at_frequency(frequency, np.abs(curve), reference_frequency)
        variables[key] = scalar(at_reference, "ohm", f"{_WORDS[key]} impedance")
    findings: list[list[Finding]] = [[] for _ in range(points)]
    for key in curves:
        if key != "input":
            variables |= _behind(key, curves[key], frequency, reference_frequency, findings)
    if "speaker" in stage.ports:
        variables["damping_factor"] = scalar(divide(load, variables["output"].values), "", "damping factor")
    variables |= _over_frequency(curves)
    capacitance = bench_value(stage, "output", "capacitance", points)
    without = [name] * bool(np.isfinite(load).any())
    without += [stage.bench_part("output", "capacitance")] * bool(capacitance.any())
    conditions: dict[str, tuple[Any, str]] = {
        "reference_frequency": (reference_frequency, "Hz"),
        "level": ("small signal", ""),
        "output_without": (" and ".join(without) or "nothing: it has no load", ""),
    }
    if "damping_factor" in variables and np.isfinite(load).any():
        conditions["damping_factor_load"] = (stated(load), "ohm")
    coords = {"frequency": axis(frequency, "Hz", "frequency")}
    return Result(variables, coords=coords, conditions=conditions, findings=findings)


def _admittance(stage: StageLike, side: str, points: int, frequency: Floats) -> Array:
    """Return what the bench's own load at an output conducts, shape (points, frequencies)."""
    value, capacitance = load_of(stage, points, side)[1], bench_value(stage, side, "capacitance", points)
    conductance = np.where(np.isnan(value), 0.0, divide(1.0, value))
    return np.asarray(conductance[:, None] + 2j * np.pi * frequency * capacitance[:, None])


def _over_frequency(curves: Mapping[str, Array]) -> dict[str, Variable]:
    """Return size and phase of each impedance over frequency."""
    variables = {}
    for key, curve in curves.items():
        variables[f"{key}_curve"] = Variable(("frequency",), np.abs(curve), "ohm", f"{_WORDS[key]} impedance")
        with np.errstate(invalid="ignore"):
            phase = np.degrees(np.angle(curve))
        words = f"phase of the {_WORDS[key]} impedance"
        variables[f"{key}_phase_deg"] = Variable(("frequency",), phase, "degree", words)
    return variables


def _behind(
    key: str, curve: Array, frequency: Array, reference_frequency: float, findings: list[list[Finding]]
) -> dict[str, Variable]:
    """Return an output's impedance where it is most nearly a resistance; say where a capacitor hides it."""
    with np.errstate(invalid="ignore", divide="ignore"):
        turned = np.abs(np.angle(curve))
    flattest = np.argmin(np.where(np.isfinite(turned), turned, np.inf), axis=1)
    rows = np.arange(len(curve))
    magnitude, place = np.abs(curve[rows, flattest]), frequency[flattest]
    # A coupling capacitor turns the phase to -90 degrees; -45 is where it has as much of it as all the rest.
    angle = at_frequency(frequency, np.angle(np.where(curve == 0, 1.0, curve)), reference_frequency)
    for point in np.flatnonzero((angle < -np.pi / 4.0) & (place > reference_frequency)):
        at = {"reference_frequency": reference_frequency, "frequency": place[point]}
        words = f"{_WORDS[key]} impedance"
        findings[point].append(
            Finding.of("hidden_by_coupling", key, words, magnitude[point], unit="ohm", measure="impedance", **at)
        )
    words = f"{_WORDS[key]} impedance where it is most nearly a resistance"
    return {
        f"{key}_midband": scalar(magnitude, "ohm", words),
        f"{key}_midband_frequency": scalar(place, "Hz", f"frequency of that {_WORDS[key]} impedance"),
    }


def _balanced(matrix: Array, own: list[Array]) -> Array:
    """Return each side's share for opposite currents, after both loads are taken off."""
    admittance = np.linalg.pinv(np.nan_to_num(matrix))
    for number, load in enumerate(own):
        admittance[..., number, number] -= load
    bare = np.linalg.pinv(admittance)
    share = (bare[..., 0, 0] - bare[..., 0, 1] - bare[..., 1, 0] + bare[..., 1, 1]) / 2.0
    return np.where(np.isfinite(matrix).all(axis=(-2, -1)), share, np.nan)
