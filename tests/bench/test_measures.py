"""How long the heavier measures take, on one engine process. Figures are printed, none is asserted."""

from __future__ import annotations

import time

import simwrap


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


def test_all_measures_of_a_triode_stage():
    made = simwrap.stage("triode_gain")
    kinds = [m for m in simwrap.measure_names() if m not in ("balance", "power", "tone_curves", "supply")]
    seconds, found = timed(made, kinds)
    assert set(found.results) == set(kinds)
    print(f"\nall {len(kinds)} measures of triode_gain that apply: {seconds:.2f} s")
