"""What sweeps, tolerances, targets and sliders cost: ``make bench`` prints every figure.

Ratios are between runs of one and the same session. The machine should be idle.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simwrap

CONTROL = {"bass": np.linspace(0.0, 1.0, 21), "treble": np.linspace(0.0, 1.0, 21)}
#: 200 frequencies.
FAMILY = {"response": {"start": 10.0, "stop": 10.0 * 10 ** (199 / 50), "per_decade": 50}}
SPREAD = {"valve_spread": {"emission": "20 %", "mu": "10 %"}, "supply_variation": "10 %"}


def timed(what: Callable[[], Any], rounds: int = 3) -> tuple[float, Any]:
    """Median seconds after a first call that isn't counted, and the last result."""
    result = what()
    seconds = []
    for _ in range(rounds):
        start = time.perf_counter()
        result = what()
        seconds.append(time.perf_counter() - start)
    return statistics.median(seconds), result


def test_a_thousand_points_on_one_process_against_a_bare_sweep_call() -> None:
    neospice = pytest.importorskip("neospice")
    from simwrap.circuits.render import render

    stage = simwrap.stage("triode_gain")
    values = np.geomspace(47e3, 220e3, 1000)
    measures = {"bias": {}, "response": {"start": 10.0, "stop": 1e5, "per_decade": 20}}

    def bare() -> Any:
        text = "\n".join(["* stage", render(stage).circuit.text, ".ac dec 20 10 100k", ".end", ""])
        points = []
        for value in values:
            point = neospice.SweepPoint()
            point.device_values = {"r_anode": float(value)}
            points.append(point)
        options = neospice.SweepOptions()
        options.workers = 1
        return neospice.Simulator().run_sweep(text, points, options)

    def ours(workers: int) -> Any:
        return simwrap.sweep(stage, {"anode_resistor": values}, measures, workers=workers)

    ratios = []
    for _ in range(3):  # in turn, so that a busy moment hits both
        one, _ = timed(lambda: ours(1), 1)
        two, _ = timed(lambda: ours(2), 1)
        other, _ = timed(bare, 1)
        ratios.append((one / other, one, two, other))
    ratio, one, two, other = sorted(ratios)[1]
    print(f"\n1000 points of op + ac into a Dataset: one process {one:.3f} s, two {two:.3f} s; "
          f"the engine's own sweep call (ac only) {other:.3f} s: x {ratio:.2f}")  # fmt: skip
    assert ratio <= 2.5


def test_two_cores_for_a_grid_of_headroom() -> None:
    stage = simwrap.stage("triode_gain")
    grid = {"anode_resistor": np.geomspace(47e3, 220e3, 12), "cathode_resistor": np.geomspace(820.0, 3300.0, 12)}

    def run(workers: int) -> float:
        start = time.perf_counter()
        data = simwrap.sweep(stage, grid, ["headroom"], workers=workers, curves=False)
        assert (data["status"] == "").all()
        return time.perf_counter() - start

    simwrap.sweep(stage, {"supply": [250, 300]}, ["headroom"], workers=2)
    two, one = run(2), run(1)
    print(f"\nheadroom over 12 x 12: one process {one:.1f} s, two {two:.1f} s: x {one / two:.2f}")
    assert one / two >= 1.7


def test_the_whole_family_of_a_tone_control() -> None:
    stage = simwrap.stage("tone_passive")
    seconds, data = timed(lambda: simwrap.sweep(stage, CONTROL, FAMILY), 5)
    assert data["response.curve_db"].shape == (21, 21, 200)
    print(f"\ntone control, 21 x 21 settings x 200 frequencies: {seconds:.3f} s")
    assert seconds < 0.25


def test_ten_thousand_builds_of_a_preamplifier() -> None:
    stage = simwrap.stage("two_stage_preamplifier")
    start = time.perf_counter()
    data = simwrap.spread(stage, None, ["bias", "response"], builds=10_000, seed=1, **SPREAD)
    seconds = time.perf_counter() - start
    assert (data["status"] == "").all()
    print(f"\n10,000 builds of two_stage_preamplifier, bias, gain and corners, first call: {seconds:.2f} s")
    assert seconds < 6.0


def test_memory_over_a_hundred_thousand_points() -> None:
    script = """
    import numpy as np
    import psutil
    import simwrap
    held = {}
    process = psutil.Process()
    def tell(done, total):
        held[done] = process.memory_info().rss + sum(child.memory_info().rss for child in process.children())
    simwrap.sweep(simwrap.stage("triode_gain"), {"cathode_resistor": np.linspace(1e3, 3e3, 100_000)},
                  ["bias", "response"], spot_check=0, curves=False, progress=tell)
    marks = sorted(held)
    first = next(mark for mark in marks if mark > 1000)
    print((held[marks[-1]] - held[first]) / 1e6, (max(held.values()) - held[first]) / 1e6)
    """
    done = subprocess.run([sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, check=True)
    grown, most = map(float, done.stdout.split())
    print(f"\n100,000 points: memory grew by {grown:.1f} MB after the first 1,000 (at most {most:.1f} MB)")
    assert grown < 20.0


def test_a_slider_of_a_tone_control() -> None:
    panel = simwrap.sliders(simwrap.stage("tone_passive"))
    seconds = []
    for position in np.linspace(0.0, 1.0, 51):
        start = time.perf_counter()
        panel.controls["bass"].value = float(position)
        seconds.append(time.perf_counter() - start)
    middle, slow = statistics.median(seconds), float(np.quantile(seconds, 0.95))
    print(f"\ntone control, one move of a slider: median {1e3 * middle:.1f} ms, 95 % within {1e3 * slow:.1f} ms")
    assert panel.whole_drawings == 1
    assert middle < 0.05


def test_published_stages_proposed_again() -> None:
    """The share of the handbook's rows; what the goals are is said in tests/test_targets.py."""
    sys.path.insert(0, str(Path(__file__).parents[1]))
    import test_targets

    rows = test_targets.published_rows()
    start = time.perf_counter()
    apart = [test_targets.steps_apart(test_targets.proposed(row), float(row["Rk_ohm"])) for row in rows]
    seconds = time.perf_counter() - start
    current = [off for off, row in zip(apart, rows, strict=True) if row["Ia_mA"] or row["Ik_mA"]]
    for name, part in (("with a printed current", current), ("all", apart)):
        good = sum(off <= 1 for off in part)
        print(f"\ncathode resistor within one E12 step, rows {name}: {good} of {len(part)}")
        assert good >= 0.8 * len(part)
    print(f"{1e3 * seconds / len(rows):.0f} ms a row")
