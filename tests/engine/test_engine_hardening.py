"""Threads, forks, other people's folders and variables, odd numbers, and storms of signals."""

from __future__ import annotations

import asyncio
import concurrent.futures
import multiprocessing
import os
import random
import signal
import subprocess
import sys
import tempfile
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engine_circuits import DIVIDER, stage

from simwrap import engine
from simwrap.engine import (
    AcRun,
    NetlistTable,
    NoiseRun,
    OpRun,
    Pulse,
    Reply,
    Run,
    Sine,
    SteadyRun,
    TransientRun,
    run,
)
from simwrap.errors import NetlistError, RangeError

BOTH = ("neospice", "ngspice")
ROOT = Path(__file__).resolve().parents[2]
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="sends signals")


@pytest.fixture(params=BOTH)
def name(request: pytest.FixtureRequest) -> str:
    if engine.backends.discovery.missing(request.param):
        pytest.skip(engine.backends.discovery.missing(request.param))
    return str(request.param)


@pytest.mark.parametrize(
    ("wrong", "part"),
    [
        ({"engine": None}, "engine"),
        ({"time_limit": 0.0}, "time_limit"),
        ({"time_limit": -1}, "time_limit"),
        ({"time_limit": float("nan")}, "time_limit"),
        ({"time_limit": float("inf")}, "time_limit"),
        ({"time_limit": "60"}, "time_limit"),
        ({"time_limit": True}, "time_limit"),
        ({"time_limit": [1]}, "time_limit"),
        ({"workers": 0}, "workers"),
        ({"workers": 1.5}, "workers"),
        ({"workers": True}, "workers"),
        ({"executor": "pool"}, "executor"),
    ],
)
def test_options_that_are_none_say_so_in_one_sentence(wrong: dict[str, Any], part: str) -> None:
    with pytest.raises(RangeError, match=f"^{part} is .*; give ") as refusal:
        Run(**wrong)
    assert "\n" not in str(refusal.value)


def test_options_of_numpy_are_numbers_too() -> None:
    options = Run(time_limit=np.float64(3.0), workers=np.int64(1))  # type: ignore[arg-type]
    assert run(NetlistTable(DIVIDER), [OpRun(("n_out",))], options)[0].reasons == [""]


# Odd numbers: refused at once, or ended by their limit.


@pytest.mark.parametrize(
    ("request_", "part"),
    [
        (SteadyRun(1e-300, (Sine(1.0, 1e-300),), np.ones((1, 1)), ("n_out",)), "fundamental"),
        (SteadyRun(1e300, (Sine(1.0, 1e300),), np.ones((1, 1)), ("n_out",)), "fundamental"),
        (SteadyRun(1.0, (Sine(1.0, 1e6),), np.ones((1, 1)), ("n_out",)), "harmonic"),
        (SteadyRun(1e3, (Sine(1.0, 1e3),), np.ones((1, 1)), ("n_out",), samples=2**40), "samples"),
        (SteadyRun(1e3, (Sine(1.0, 1e3),), np.ones((1, 1)), ("n_out",), tolerance=0.0), "tolerance"),
        (TransientRun(1.0, 1.0 / 200e9, ("n_out",)), "time steps"),
        (TransientRun(1e300, 1e298, ("n_out",)), "stop"),
        (TransientRun(1.0, 1e-3, ("n_out",), start=0.999, samples=1), "samples"),
        (TransientRun(1.0, 1e-3, ("n_out",), (Sine(1.0, 1e12),)), "periods of a sine"),
        (TransientRun(1.0, 1e-3, ("n_out",), (Pulse(0, 1, 0, 1e-12, 1e-12, 1e-10, 1e-9),)), "periods of a pulse"),
        (AcRun(1e-300, 1e300, 100000, ("n_out",)), "frequencies"),
        (NoiseRun(1.0, 1e6, 10**9, "n_out"), "frequencies"),
    ],
)
def test_what_could_not_be_done_in_any_time_is_refused_at_once(request_: engine.Analysis, part: str) -> None:
    begin = time.monotonic()
    with pytest.raises(NetlistError, match=part):
        run(NetlistTable(DIVIDER), [request_])
    assert time.monotonic() - begin < 1.0


def test_a_limit_is_a_limit_over_levels_retries_and_engines() -> None:
    """Twenty levels of which none can come to rest in the time: together they take the limit, not a multiple."""
    request = SteadyRun(50.0, (Sine(1.0, 1.5e5),), np.geomspace(0.01, 5.0, 20)[None, :], ("n_out",))
    run(NetlistTable(DIVIDER), [OpRun()])
    begin = time.monotonic()
    (reply,) = run(NetlistTable(stage()), [request], Run(time_limit=2.0, workers=1))
    assert time.monotonic() - begin < 2.0 + 2.0  # a child may have to be started for the other engine
    assert "time limit" in reply.reasons[0]
    assert np.isnan(reply.values["n_out"][0, -1]).all()


@POSIX
def test_levels_that_were_done_before_the_limit_stay(monkeypatch: pytest.MonkeyPatch) -> None:
    """The engine hangs in its third level (as a stopped one would, were that not seen): the first two are kept."""
    monkeypatch.setenv("SIMWRAP_WITHOUT", "ngspice")
    if engine.backends.discovery.missing("neospice"):
        pytest.skip("the embedded engine is not there")
    # A long last level: 60,000 steps a period, so that the limit falls into a single period of it.
    request = SteadyRun(1000.0, (Sine(1.0, 1e3), Sine(1e-3, 2.9e6)), np.array([[0.01, 0.02, 0.03]]), ("n_out",))
    (whole,) = run(NetlistTable(DIVIDER), [request], Run(time_limit=60.0, workers=1))
    assert whole.reasons == [""]
    monkeypatch.setattr(engine.process.Child, "look", _after_two_levels(engine.process.Child.look))
    (cut,) = run(NetlistTable(DIVIDER), [request], Run(time_limit=60.0, workers=1))
    done = ~np.isnan(cut.values["n_out"][0]).any(axis=1)
    assert done[0]
    assert not done[2]
    assert "time limit" in cut.reasons[0]
    np.testing.assert_array_equal(cut.values["n_out"][0, done], whole.values["n_out"][0, done])


def _after_two_levels(look: Callable[..., None]) -> Callable[..., None]:
    def ending(child: Any, now: float, pause: float) -> None:
        if child._beat()[3] >= 1 and child.deadline is not None:
            child.deadline = now - 1.0
        look(child, now, pause)

    return ending


# Many callers.


def own_circuit(number: int) -> tuple[NetlistTable, float]:
    """A circuit that no other number has, and its closed form."""
    upper = 1000.0 + 7.0 * number
    text = f"v_a n_a{number} 0 dc {3.0 + number}\nr_a n_a{number} n_b 1000.0\nr_b n_b 0 2000.0\n"
    return NetlistTable(text, {"r_a": np.array([upper])}), (3.0 + number) * 2000.0 / (2000.0 + upper)


def own_runs(first: int, count: int) -> list[str]:
    wrong = []
    for number in range(first, first + count):
        circuit, expected = own_circuit(number)
        (op,) = run(circuit, [OpRun()])
        found = op.values.get("n_b", np.array([np.nan]))[0]
        if op.reasons != [""] or set(op.values) != {f"n_a{number}", "n_b"} or abs(found - expected) > 1e-9 * expected:
            wrong.append(f"{number}: {op.reasons} {found} for {expected}")
    return wrong


def test_two_thousand_runs_from_32_threads_are_not_mixed_up() -> None:
    before = sys.getswitchinterval()
    sys.setswitchinterval(1e-5)
    try:
        with concurrent.futures.ThreadPoolExecutor(32) as pool:
            wrong = [text for part in pool.map(lambda k: own_runs(100 * k, 63), range(32)) for text in part]
    finally:
        sys.setswitchinterval(before)
    assert wrong == []
    # No more children than cores, for each engine: not one a thread.
    assert len(engine.children()) <= 2 * engine.process.cores()


def test_a_thread_whose_run_is_refused_disturbs_no_other() -> None:
    def refused(_: int) -> None:
        with pytest.raises(NetlistError):
            run(NetlistTable("r_a n_a 0"), [OpRun()])

    with concurrent.futures.ThreadPoolExecutor(8) as pool:
        good = [pool.submit(own_runs, 1000 * k, 20) for k in range(4)]
        list(pool.map(refused, range(100)))
        assert [text for future in good for text in future.result()] == []


def test_from_asyncio() -> None:
    async def many() -> list[list[str]]:
        return await asyncio.gather(*(asyncio.to_thread(own_runs, 50 * k, 10) for k in range(8)))

    assert asyncio.run(many()) == [[]] * 8


@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
@pytest.mark.parametrize("how", [h for h in ("fork", "spawn") if h in multiprocessing.get_all_start_methods()])
def test_after_fork_and_under_spawn(how: str) -> None:
    """A forked process has no use for the children of its parent, and takes none of them along."""
    own_runs(0, 2)
    mine = engine.children()
    with concurrent.futures.ProcessPoolExecutor(2, mp_context=multiprocessing.get_context(how)) as pool:
        assert list(pool.map(own_runs, [0, 100, 200, 300], [5] * 4)) == [[]] * 4
        theirs = list(pool.map(_children_of, range(2)))
    assert all(not set(mine) & set(others) for others in theirs)
    assert own_runs(500, 5) == []
    assert set(mine) <= set(engine.children())


def _children_of(_: int) -> list[int]:
    return engine.children()


@POSIX
@pytest.mark.filterwarnings("ignore:.*fork.*:DeprecationWarning")
def test_a_fork_in_the_middle_of_a_run_does_not_hang() -> None:
    """Another thread holds the locks of the pool at the moment of the fork."""
    with concurrent.futures.ThreadPoolExecutor(4) as pool:
        busy = [pool.submit(own_runs, 100 * k, 60) for k in range(4)]
        for _ in range(5):
            number = os.fork()
            if number == 0:
                # No return into pytest from here.
                code = 1
                try:
                    code = int(own_runs(7, 2) != [])
                finally:
                    engine.stop_all()
                    os._exit(code)
            until = time.monotonic() + 30.0
            done, status = os.waitpid(number, os.WNOHANG)
            while not done and time.monotonic() < until:
                time.sleep(0.01)
                done, status = os.waitpid(number, os.WNOHANG)
            if not done:
                os.kill(number, signal.SIGKILL)
                os.waitpid(number, 0)
            assert done
            assert status == 0
        assert [text for future in busy for text in future.result()] == []


# Nothing of the user's home, working folder or environment gets into a child.

SPICEINIT = "set ngbehavior=psa\nset interp\noption temp=85\noption reltol=0.5\nshell touch {mark}\n"
MODULE = "open({mark!r}, 'w').close()\nraise RuntimeError('this is not the module')\n"


def script_in(folder: Path, home: Path, environment: dict[str, str]) -> str:
    """Run both engines in a fresh interpreter that works in a folder; returns their numbers as text."""
    code = """
    import sys
    sys.path.insert(0, "")  # as in an interactive session
    {root}
    import numpy, simwrap.engine as engine
    from simwrap.engine import *
    text = "v_a n_a 0 dc 0.65 ac 1.0\\nd_1 n_a n_b m\\n.model m d(is=1e-12)\\nr_b n_b 0 1000.0\\nc_b n_b 0 1e-07\\n"
    runs = [OpRun(("n_b",)), NoiseRun(10.0, 1e4, 2, "n_b", "v_a"),
            TransientRun(1e-3, 1e-5, ("n_b",), (Sine(0.1, 2e3),), "v_a", samples=16)]
    for name in engine.NAMES:
        if not engine.backends.discovery.missing(name):
            for reply in run(NetlistTable(text), runs, Run(name, workers=1)):
                assert reply.reasons == [""] and reply.engines == [name], (name, reply.reasons, reply.engines)
                print(name, {{key: value.tobytes().hex() for key, value in reply.values.items()}})
    """
    root = f"sys.path.append({str(ROOT)!r})"
    done = subprocess.run(
        [sys.executable, "-P", "-c", textwrap.dedent(code).format(root=root)],
        cwd=folder,
        env={**os.environ, "HOME": str(home), **environment},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout
    return done.stdout


def test_no_file_and_no_variable_of_the_user_changes_a_figure_or_runs(tmp_path: Path) -> None:
    clean, trap, home = tmp_path / "clean", tmp_path / "trap", tmp_path / "home"
    for folder in (clean, trap, home):
        folder.mkdir()
    mark = tmp_path / "it ran"
    for folder in (trap, home):
        for file in (".spiceinit", "spice.rc"):
            (folder / file).write_text(SPICEINIT.format(mark=mark))
    (home / "spinit").write_text(SPICEINIT.format(mark=mark))
    # Modules that only a child imports: the parent's own are its interpreter's business.
    for module in ("neospice", "PySpice", "sitecustomize", "usercustomize", "cffi", "json"):
        (trap / f"{module}.py").write_text(MODULE.format(mark=str(mark)))
    (trap / "json.py").unlink()
    (trap / "start.py").write_text(MODULE.format(mark=str(mark)))
    plain = script_in(clean, clean, {})
    set_ = {
        "SPICE_LIB_DIR": str(home), "SPICE_SCRIPTS": str(home), "SPICE_USERINIT_DIR": str(home),
        "NGSPICE_INPUT_DIR": str(home), "SPICE_EXEC_DIR": str(home), "NGSPICE_TEMP": "85",
        "OMP_NUM_THREADS": "7", "LC_ALL": "de_DE.UTF-8", "LC_NUMERIC": "de_DE.UTF-8",
        "PYTHONSTARTUP": str(trap / "start.py"), "PYTHONINSPECT": "1", "PYTHONOPTIMIZE": "2",
    }  # fmt: skip
    assert script_in(trap, home, set_) == plain
    assert not mark.exists()


def test_a_child_sees_next_to_nothing_of_the_environment() -> None:
    kept = set(engine.process._environment())
    assert not {name for name in kept if name.startswith(("PYTHON", "SPICE", "LD_PRELOAD", "SIMWRAP"))}
    assert "" not in engine.backends.discovery.search_path()
    assert os.getcwd() not in engine.backends.discovery.search_path()


# Storms.

#: Signals that a storm sends at least; SIMWRAP_STRIKES asks for more.
STRIKES = int(os.environ.get("SIMWRAP_STRIKES", "4"))
LEVELS = np.array([[0.02, 0.2, 1.0]] * 12)
SWEPT = NetlistTable(stage(), {"r_anode": np.geomspace(5e4, 2e5, 12)}, 12)
MANY = NetlistTable(stage(), {"r_anode": np.geomspace(5e4, 2e5, 1500)}, 1500)
STORMS: dict[str, tuple[NetlistTable, list[engine.Analysis]]] = {
    "sweep": (MANY, [OpRun(("n_anode",)), AcRun(10.0, 1e5, 60, ("n_out",))]),
    "steady states": (SWEPT, [SteadyRun(1000.0, (Sine(1.0, 1000.0),), LEVELS, ("n_out",))]),
    "noise": (MANY, [NoiseRun(10.0, 1e5, 60, "n_out")]),
    "transients": (SWEPT, [TransientRun(0.01, 5e-6, ("n_out",), (Sine(0.5, 1e3),), samples=256)]),
}


@contextmanager
def storm(what: int, seed: int) -> Iterator[list[int]]:
    """Send a signal to a random child at random moments."""
    done, hit = threading.Event(), []

    def strike() -> None:
        chance = random.Random(seed)
        while len(hit) < 2 * STRIKES and not done.wait(chance.uniform(0.02, 0.5)):
            for number in chance.sample(engine.children(), k=min(1, len(engine.children()))):
                try:
                    os.kill(number, what)
                except ProcessLookupError:
                    continue
                hit.append(number)

    thread = threading.Thread(target=strike)
    thread.start()
    try:
        yield hit
    finally:
        done.set()
        thread.join()


def as_undisturbed(replies: list[Reply], calm: list[Reply], name: str) -> None:
    for reply, expected in zip(replies, calm, strict=True):
        for point, reason in enumerate(reply.reasons):
            other = reply.engines[point] != name
            for vector, array in reply.values.items():
                found, right = array[point], expected.values[vector][point]
                there = np.isfinite(found)
                assert there.all() or reason
                # The other engine's tolerance, and said so; or the same numbers.
                scale = np.abs(right).max() * (1e-3 if other else 1e-9)
                assert np.abs(found - right)[there].max(initial=0.0) <= scale
            assert len(reason) == 0 or len(reason) > 10


@POSIX
@pytest.mark.slow
@pytest.mark.parametrize("what", [signal.SIGKILL, signal.SIGSTOP])
@pytest.mark.parametrize("kind", STORMS)
def test_a_storm_changes_no_figure_and_leaves_nothing_behind(
    kind: str, what: int, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    circuit, runs = STORMS[kind]
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    calm = run(circuit, runs, Run(name, workers=2))
    assert all(reply.reasons == [""] * circuit.points for reply in calm)
    with storm(what, seed=len(kind) + int(what)) as hit:
        for _ in range(200):
            as_undisturbed(run(circuit, runs, Run(name, time_limit=30.0, workers=2)), calm, name)
            if len(hit) >= STRIKES:
                break
    assert len(hit) >= STRIKES
    engine.stop_all()
    assert engine.children() == []
    for number in hit:
        # Neither running nor stopped nor waiting to be collected by us.
        with pytest.raises(ChildProcessError):
            os.waitpid(number, os.WNOHANG)
    assert os.listdir(tmp_path) == []


@pytest.mark.skipif(not os.path.exists("/proc/self/fd"), reason="needs /proc")
def test_two_thousand_runs_keep_memory_and_descriptors_flat() -> None:
    def held() -> tuple[float, int]:
        with open("/proc/self/statm") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6, len(os.listdir("/proc/self/fd"))

    runs = [OpRun(), AcRun(10.0, 1e5, 10, ("n_out",))]
    for _ in range(200):
        run(NetlistTable(stage()), runs, Run(workers=1))
    memory, descriptors = held()
    for _ in range(2000):
        run(NetlistTable(stage()), runs, Run(workers=1))
    after, open_ = held()
    assert after - memory < 5.0
    assert open_ <= descriptors


def test_a_point_that_goes_on_beating_has_no_more_time_than_another(name: str) -> None:
    """Levels, or blocks of frequencies, that follow one another faster than the watch looks. It is told the time."""
    from simwrap.engine.host import HEARTBEAT
    from simwrap.engine.process import Child

    child = Child(name)
    try:
        beats = HEARTBEAT.unpack_from(child._heartbeat)[0]

        def beat(point: int) -> None:
            nonlocal beats
            beats += 1
            HEARTBEAT.pack_into(child._heartbeat, 0, beats, 0, point, 0)

        child._begin(1000.0)
        begun = time.monotonic()
        for point in (0, 1):  # each point has its own time
            beat(point)
            child.look(begun + 900.0 * point, 0.0)
            beat(point)
            child.look(begun + 900.0 * point + 999.0, 0.0)
            assert child.alive()
            assert not child.timed_out
        beat(1)
        child.look(begun + 1901.0, 0.0)
        assert child.timed_out
    finally:
        child.kill()
