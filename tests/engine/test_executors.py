"""Sweeps on executors: the same numbers everywhere, and what happens when something dies or is interrupted."""

from __future__ import annotations

import concurrent.futures
import os
import random
import signal
import subprocess
import sys
import textwrap
import threading
import time
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simwrap
from simwrap import engine
from simwrap import engine as engines
from simwrap.design.tolerance import spread
from simwrap.simulation import sweep

STAGE = simwrap.stage("triode_gain")
MEASURES = ["bias", "response"]


@pytest.fixture(scope="module")
def drawn() -> Any:
    """The Dataset that every executor has to give, from one process."""
    return builds(workers=1)


def builds(**where: Any) -> Any:
    return spread(
        STAGE, None, MEASURES, builds=300, seed=7, valve_spread={"emission": "20 %", "mu": "10 %"},
        supply_variation="10 %", spot_check=0, **where,
    )  # fmt: skip


def same(one: Any, other: Any) -> bool:
    """Whether two Datasets are the same bit for bit, attributes included."""
    return bool(one.identical(other)) and all(
        one[name].values.tobytes() == other[name].values.tobytes()
        for name in one.data_vars
        if one[name].dtype.kind == "f"
    )


@pytest.mark.parametrize("workers", [1, 2, None])
def test_any_number_of_workers_gives_the_same_bits(drawn: Any, workers: int | None) -> None:
    assert same(builds(workers=workers), drawn)


@pytest.mark.parametrize("kind", [concurrent.futures.ThreadPoolExecutor, concurrent.futures.ProcessPoolExecutor])
def test_executors_of_the_standard_library_give_the_same_bits(drawn: Any, kind: Any) -> None:
    import multiprocessing

    more = (
        {"mp_context": multiprocessing.get_context("spawn")} if kind is concurrent.futures.ProcessPoolExecutor else {}
    )
    with kind(max_workers=2, **more) as executor:
        assert same(builds(executor=executor), drawn)


def test_loky_gives_the_same_bits(drawn: Any) -> None:
    from loky import get_reusable_executor

    executor = get_reusable_executor(max_workers=2)
    try:
        assert same(builds(executor=executor), drawn)
    finally:
        executor.shutdown(wait=True, kill_workers=True)


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """A real cluster of two worker processes on this machine."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the cluster's own, about ports and the like
        from distributed import Client, LocalCluster

        with (
            LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as local,
            Client(local) as client,
        ):
            yield client


@pytest.mark.filterwarnings("ignore")
def test_dask_gives_the_same_bits(drawn: Any, cluster: Any) -> None:
    with cluster.get_executor() as executor:
        assert same(builds(executor=executor), drawn)


@pytest.mark.filterwarnings("ignore")
def test_a_slow_measure_on_dask_gives_the_same_bits(cluster: Any) -> None:
    values = {"cathode_resistor": ["1k", "2k2"]}
    options = {"headroom": {"levels": 18}}
    alone = simwrap.sweep(STAGE, values, options, workers=1)
    with cluster.get_executor() as executor:
        assert same(simwrap.sweep(STAGE, values, options, executor=executor), alone)


def test_killed_engines_cost_no_point_and_change_none() -> None:
    """kill -9 at random during 2,000 points: every one arrives or has its reason, none is wrong."""
    values = {"anode_resistor": np.geomspace(47e3, 470e3, 2000)}
    measures = {"bias": {}, "response": {"per_decade": 150}}
    engine.stop_all()
    begin = time.monotonic()
    simwrap.measure(STAGE, ["bias"])
    started = time.monotonic() - begin
    calm = simwrap.sweep(STAGE, values, measures, workers=2, spot_check=0, curves=False)
    assert (calm["status"] == "").all()
    done = threading.Event()
    killed = []

    def kill() -> None:
        chance = random.Random(1)
        # Faster than an engine starts, nothing could ever be done.
        while not done.wait(max(chance.uniform(0.1, 0.3), started)):
            for number in chance.sample(engine.children(), k=min(1, len(engine.children()))):
                os.kill(number, signal.SIGKILL)
                killed.append(number)

    killer = threading.Thread(target=kill)
    killer.start()
    try:
        shaken = simwrap.sweep(STAGE, values, measures, workers=2, spot_check=0, curves=False)
    finally:
        done.set()
        killer.join()
    assert len(killed) >= 3
    arrived = (shaken["status"] == "").values
    # Points are retried, so that most arrive; what is killed again and again has its reason.
    assert arrived.sum() >= 1000
    assert all(len(reason) > 10 for reason in shaken["status"].values[~arrived])
    for name, variable in calm.data_vars.items():
        if variable.dtype.kind == "f":
            # A point that two engines in a row died on came from the other simulator.
            np.testing.assert_allclose(
                shaken[name].values[arrived], variable.values[arrived], rtol=1e-4, atol=1e-9, err_msg=str(name)
            )
            # Of a failed point there may be what another run found, and that is right.
            left = ~arrived & np.isfinite(shaken[name].values)
            np.testing.assert_allclose(shaken[name].values[left], variable.values[left], rtol=1e-4, atol=1e-9)


def test_a_point_that_hangs_costs_only_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    """One point stops its engine (as a hung one would stand still); its neighbours arrive."""
    stopped: list[int] = []
    begun = threading.Event()

    def freeze() -> None:
        begun.wait(60)
        time.sleep(0.03)  # into the second block
        stopped.extend(engine.children())
        for number in stopped:
            os.kill(number, signal.SIGSTOP)

    values = {"anode_resistor": np.geomspace(47e3, 470e3, 1500)}
    engine.stop_all()  # what other tests left would be stopped too, and nobody would miss it
    simwrap.sweep(STAGE, {"anode_resistor": [1e5]}, MEASURES, workers=1)
    freezer = threading.Thread(target=freeze)
    freezer.start()
    try:
        data = simwrap.sweep(
            STAGE, values, MEASURES, workers=1, spot_check=0, time_limit=1.0, progress=lambda *_: begun.set()
        )
    finally:
        begun.set()
        freezer.join()
    assert stopped
    assert not set(stopped) & set(engine.children())
    failed = (data["status"] != "").values
    assert failed.sum() <= 1
    assert np.isfinite(data["response.gain"].values[~failed]).all()


def counted(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Count the points that go to an engine."""
    points: list[int] = []
    run = engine.run

    def counting(circuit: Any, runs: Any, options: Any) -> Any:
        points.append(circuit.points)
        return run(circuit, runs, options)

    monkeypatch.setattr(engines, "run", counting)
    return points


INTERRUPTED = """
import sys
import simwrap
from simwrap.simulation import sweep
sweep.BLOCK = 50
def tell(done, total):
    print(done, flush=True)
simwrap.sweep(simwrap.stage("triode_gain"), {"cathode_resistor": list(range(1000, 3000))}, ["bias"],
              file=sys.argv[1], workers=1, spot_check=0, progress=tell)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="sends SIGINT")
def test_ctrl_c_keeps_what_is_done_and_a_resume_runs_only_the_rest(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "sweep.nc"
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(INTERRUPTED), str(file)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert child.stdout is not None
    told = 0
    while told < 200:
        line = child.stdout.readline()
        assert line.strip().isdigit(), line
        told = int(line)
    child.send_signal(signal.SIGINT)
    child.communicate(timeout=60)
    assert child.returncode != 0
    kept = sweep.load(file)
    finished = int((kept["status"] == "").sum())
    assert told - 50 <= finished < 2000  # of the block that was running nothing is kept
    assert int((kept["status"] == sweep.PENDING).sum()) == 2000 - finished
    assert np.isfinite(kept["bias.valves.v1.anode_current"].values).sum() == finished

    monkeypatch.setattr(sweep, "BLOCK", 50)
    values = {"cathode_resistor": list(range(1000, 3000))}
    points = counted(monkeypatch)
    whole = simwrap.sweep(STAGE, values, ["bias"], file=file, workers=1, spot_check=0)
    assert sum(points) == 2 * (2000 - finished)  # bias has two operating points: as it is, and on high mains
    assert (whole["status"] == "").all()
    points.clear()
    fresh = simwrap.sweep(STAGE, values, ["bias"], workers=1, spot_check=0)
    assert sum(points) == 2 * 2000
    assert same(whole, fresh)
    points.clear()
    again = simwrap.sweep(STAGE, values, ["bias"], file=file, workers=1)
    assert points == []
    assert (again["status"] == "").all()


def test_memory_stays_flat() -> None:
    """20,000 points after the first 2,000 (the benchmarks run 100,000)."""
    script = """
    import gc, resource, sys
    import numpy as np
    import psutil
    import simwrap
    held = {}
    process = psutil.Process()
    def tell(done, total):
        children = sum(child.memory_info().rss for child in process.children())
        held[done] = process.memory_info().rss + children
    simwrap.sweep(simwrap.stage("triode_gain"), {"cathode_resistor": np.linspace(1e3, 3e3, 20000)}, ["bias"],
                  workers=1, spot_check=0, curves=False, progress=tell)
    marks = sorted(held)
    first = next(mark for mark in marks if mark > 2000)
    print((held[marks[-1]] - held[first]) / 1e6)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(script)], capture_output=True, text=True, timeout=120, check=True
    )
    assert float(done.stdout) < 20.0


def test_time_limits_and_executors_reach_the_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Any] = []
    run = engine.run

    def watching(circuit: Any, runs: Any, options: Any) -> Any:
        seen.append(options)
        return run(circuit, runs, options)

    monkeypatch.setattr(engines, "run", watching)
    with concurrent.futures.ThreadPoolExecutor(1) as executor:
        simwrap.sweep(STAGE, {"cathode_resistor": ["1k", "2k"]}, ["bias"], executor=executor, time_limit=12.0)
    assert {(call.executor, call.time_limit) for call in seen} == {(executor, 12.0)}
