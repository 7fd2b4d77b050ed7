"""How long the heavier measures take, on one engine process. Figures are printed, none is asserted."""

from __future__ import annotations

import subprocess
import sys
import time

import numpy as np

import simwrap
from simwrap.circuits.render import render
from simwrap.engine import Run, Sine, SteadyRun, TransientRun, run


def timed(stage, measures):
    """Return the seconds of the second of two runs (the first warms the engine), and the result."""
    simwrap.measure(stage, measures)
    start = time.perf_counter()
    found = simwrap.measure(stage, measures)
    return time.perf_counter() - start, found


def test_headroom_of_a_triode_stage():
    seconds, found = timed(simwrap.stage("triode_gain"), {"headroom": {"levels": 20}})
    assert len(found.headroom.level_in) == 20
    print(f"\nheadroom of triode_gain, 20 levels: {seconds:.2f} s")


def test_power_curve_of_a_pair():
    seconds, found = timed(simwrap.stage("push_pull_output"), {"power": {"levels": 15}})
    assert found.power.output_power > 1.0
    print(f"\npower curve of push_pull_output, 15 levels: {seconds:.2f} s")


#: Measures of splitters, output stages, equalisers, tone controls and supplies.
OTHER_STAGES = ("balance", "equalisation", "power", "supply", "tone_curves")


def test_all_measures_of_a_triode_stage():
    made = simwrap.stage("triode_gain")
    kinds = [m for m in simwrap.measure_names() if m not in OTHER_STAGES]
    seconds, found = timed(made, kinds)
    assert set(found.results) == set(kinds)
    print(f"\nall {len(kinds)} measures of triode_gain that apply: {seconds:.2f} s")


def test_the_steady_state_against_400_plain_periods():
    for name, levels in (
        ("triode_gain", (0.05, 5.0)),
        ("two_stage_preamplifier", (0.01, 1.0)),
        ("push_pull_output", (5.0, 30.0)),
    ):
        made = simwrap.stage(name)
        circuit, output = render(made).circuit, made.ports["output"]
        start = time.perf_counter()
        (reply,) = run(circuit, [SteadyRun(1e3, (Sine(1.0, 1e3),), np.array([levels]), (output,))], Run(workers=1))
        middle = time.perf_counter()
        for level in levels:
            run(
                circuit,
                [TransientRun(0.4, 5e-6, (output,), (Sine(level, 1e3),), start=0.397, samples=769)],
                Run(workers=1),
            )
        plain = time.perf_counter() - middle
        assert not reply.failed[0]
        print(f"\nsteady state of {name}, two levels: {middle - start:.2f} s, 400 plain periods each {plain:.2f} s")


def test_the_import():
    code = "import time; start = time.perf_counter(); import simwrap; print(time.perf_counter() - start)"
    seconds = [float(subprocess.check_output([sys.executable, "-c", code])) for _ in range(5)]
    print(f"\nimport simwrap: {min(seconds):.3f} s, best of 5")
