"""How fast a sweep is, against other ways of doing the same: ``make bench``.

The job: one triode stage, 1000 values of its anode resistor, operating point and small-signal
response at 81 frequencies (10 Hz to 100 kHz, 20 a decade). All ways run in turn, several times
over, so that a busy moment of the machine hits all of them; the ratios of the medians count.
"""

from __future__ import annotations

import json
import math
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import simwrap
from simwrap.circuits.render import render

POINTS = 1000
ROUNDS = 5
VALUES = np.geomspace(47e3, 220e3, POINTS)
NAME = "r_anode"
MEASURES = {"bias": {}, "response": {"start": 10.0, "stop": 1e5, "per_decade": 20}}
SCRIPT = Path(__file__).with_name("pyspice_documented.py")

Way = Callable[[], tuple[float, float, float]]


def lines() -> list[str]:
    """Element lines of the stage with plain numbers."""
    return [line for line in render(simwrap.stage("triode_gain")).circuit.text.splitlines() if line.strip()]


def sweep(engine: str) -> tuple[float, float, float]:
    """simwrap.sweep into a Dataset; seconds, and the last point's anode voltage and gain at 1 kHz."""
    stage = simwrap.stage("triode_gain")
    start = time.perf_counter()
    found = simwrap.sweep(stage, {"anode_resistor": VALUES}, measures=MEASURES, engine=engine)
    seconds = time.perf_counter() - start
    assert (found["status"] == "").all()
    return seconds, float(found["bias.nodes.n_anode"][-1]), float(found["response.gain"][-1])


def pyspice_documented() -> tuple[float, float, float]:
    """PySpice, one circuit a point, in a process of its own (its start-up is not counted)."""
    job = {"lines": lines(), "name": NAME, "values": VALUES.tolist()}
    done = subprocess.run(
        [sys.executable, "-W", "ignore", str(SCRIPT)],
        input=json.dumps(job),
        capture_output=True,
        text=True,
        check=True,
    )
    told = json.loads(done.stdout.splitlines()[-1])
    return told["seconds"], told["anode"], told["gain"]


def ngspice_alter(folder: Path) -> tuple[float, float, float]:
    """One ngspice -b whose control loop alters the resistor, and keeps no result but the last."""
    ratio = float((VALUES[-1] / VALUES[0]) ** (1.0 / (POINTS - 1)))
    control = f"""
.control
set numdgt=12
let value = {float(VALUES[0])!r}
repeat {POINTS}
destroy all
alter {NAME} = const.value
op
ac dec 20 10 100k
let const.value = const.value * {ratio!r}
end
print op1.n_anode
print mag(v(n_out)[40])
quit
.endc
.end
"""
    return run_ngspice(folder / "alter.cir", "\n".join(["* stage", *lines()]) + control)


def ngspice_processes(folder: Path, points: int = 50) -> tuple[float, float, float]:
    """One ngspice -b process a point; the time of some points, scaled to all."""
    told = (0.0, 0.0, 0.0)
    seconds = 0.0
    for value in VALUES[-points:]:
        own = [f"{line.rpartition(' ')[0]} {float(value)!r}" if line.startswith(NAME) else line for line in lines()]
        control = """
.control
set numdgt=12
op
ac dec 20 10 100k
print op1.n_anode
print mag(v(n_out)[40])
quit
.endc
.end
"""
        told = run_ngspice(folder / "one.cir", "\n".join(["* stage", *own]) + control)
        seconds += told[0]
    return seconds * POINTS / points, told[1], told[2]


def run_ngspice(path: Path, text: str) -> tuple[float, float, float]:
    """Run a file with ngspice -b; seconds, and the two numbers that it printed."""
    path.write_text(text, encoding="ascii")
    start = time.perf_counter()
    done = subprocess.run(["ngspice", "-b", str(path)], capture_output=True, text=True, check=False)
    seconds = time.perf_counter() - start
    printed = [line.partition(" = ")[2] for line in done.stdout.splitlines() if " = " in line]
    return seconds, float(printed[-2]), float(printed[-1])


def neospice_sweep_call() -> tuple[float, float, float]:
    """neospice's own sweep call in this process: it takes one analysis, so ac alone."""
    neospice = pytest.importorskip("neospice")
    text = "\n".join(["* stage", *lines(), ".ac dec 20 10 100k", ".end", ""])
    start = time.perf_counter()
    points = []
    for value in VALUES:
        point = neospice.SweepPoint()
        point.device_values = {NAME: float(value)}
        points.append(point)
    options = neospice.SweepOptions()
    options.workers = 1
    samples = neospice.Simulator().run_sweep(text, points, options).samples
    seconds = time.perf_counter() - start
    return seconds, math.nan, abs(complex(samples[-1].result.ac.voltage("n_out")[40]))


def neospice_loop() -> tuple[float, float, float]:
    """neospice in this process: parsed once, then op and ac after each change, two vectors read."""
    neospice = pytest.importorskip("neospice")
    start = time.perf_counter()
    simulator = neospice.Simulator()
    circuit = simulator.parse("\n".join(["* stage", *lines(), ".end", ""]))
    anode, output = 0.0, np.zeros(81, dtype=complex)
    for value in VALUES:
        circuit.update_param(NAME, float(value))
        anode = simulator.re_solve(circuit).voltage("n_anode")
        found = simulator.re_solve_ac(circuit, neospice.ACMode.DEC, 20, 10.0, 1.00001e5)
        output = np.asarray(found.voltage("n_out"))
    return time.perf_counter() - start, anode, abs(complex(output[40]))


@pytest.fixture(scope="module")
def medians(tmp_path_factory: pytest.TempPathFactory) -> dict[str, float]:
    """Median seconds of every way, after a first round that is not counted; prints the ratios."""
    if shutil.which("ngspice") is None:
        pytest.skip("the program ngspice is not installed")
    folder = tmp_path_factory.mktemp("bench")
    ways: dict[str, Way] = {
        "simwrap.sweep (auto)": lambda: sweep("auto"),
        "simwrap.sweep (ngspice)": lambda: sweep("ngspice"),
        "PySpice as documented": pyspice_documented,
        "ngspice -b, alter loop": lambda: ngspice_alter(folder),
        "ngspice -b, a process a point": lambda: ngspice_processes(folder),
        "neospice, bare loop": neospice_loop,
        "neospice, its sweep call, ac only": neospice_sweep_call,
    }
    told = {name: way() for name, way in ways.items()}
    first_call = told["simwrap.sweep (auto)"][0]
    anode, gain = told["ngspice -b, alter loop"][1:]
    for name, (_, own_anode, own_gain) in told.items():
        # A way that computes something else is no comparison.
        assert math.isnan(own_anode) or own_anode == pytest.approx(anode, rel=1e-5), name
        assert own_gain == pytest.approx(gain, rel=1e-4), name
    seconds: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(ROUNDS):
        for name, way in ways.items():
            seconds[name].append(way()[0])
    found = {name: statistics.median(each) for name, each in seconds.items()}
    ours = found["simwrap.sweep (auto)"]
    print(f"\n{POINTS} points of op + ac (81 frequencies), median of {ROUNDS} rounds, all in this run")
    print(f"  first call of simwrap.sweep, child process started: {first_call:.3f} s")
    for name, each in found.items():
        print(f"  {name:34s} {each:8.3f} s  {1e3 * each / POINTS:7.3f} ms a point  x {each / ours:7.2f}")
    return found


def test_ten_times_faster_than_pyspice_as_documented(medians: dict[str, float]) -> None:
    assert medians["PySpice as documented"] / medians["simwrap.sweep (auto)"] >= 10.0


def test_no_slower_than_one_ngspice_loop(medians: dict[str, float]) -> None:
    assert medians["simwrap.sweep (auto)"] <= medians["ngspice -b, alter loop"]


def test_reading_a_quantity(benchmark: Callable[..., object]) -> None:
    from simwrap.units.quantity import parse

    assert benchmark(parse, "4k7", "ohm") == 4700.0


def test_rendering_a_netlist(benchmark: Callable[..., object]) -> None:
    stage = simwrap.stage("triode_gain")
    assert benchmark(render, stage).circuit.points == 1
