"""The engines through the one door ``run``: numbers, parity, faults, executors, provenance."""

from __future__ import annotations

import importlib.metadata
import os
import pickle
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from engine_circuits import DIVIDER, push_pull, stage, two_stages

from simwrap import engine
from simwrap.engine import AcRun, NetlistTable, NoiseRun, OpRun, Pulse, Pwl, Run, Sine, SteadyRun, TransientRun, run
from simwrap.errors import NetlistError, NoEngineError, UnknownNameError

BOTH = ("neospice", "ngspice")
NONE_THERE = {"SIMWRAP_WITHOUT": "neospice ngspice"}


def needs(name: str) -> None:
    if engine.backends.discovery.missing(name):
        pytest.skip(engine.backends.discovery.missing(name))


@pytest.fixture(params=BOTH)
def name(request: pytest.FixtureRequest) -> str:
    needs(request.param)
    return str(request.param)


def swept(points: int, seed: int = 3) -> NetlistTable:
    rng = np.random.default_rng(seed)
    table = {
        "r_anode": rng.uniform(5e4, 2e5, points),
        "R_CATHODE": rng.uniform(500.0, 3000.0, points),
        "c_in": rng.uniform(1e-9, 1e-7, points),
        "v_supply": rng.uniform(150.0, 350.0, points),
    }
    return NetlistTable(stage(), table, points)


SMALL = (OpRun(("n_anode", "n_cathode", "i(v_supply)")), AcRun(10.0, 1e5, 20, ("n_out",)))


def same(one: list[engine.Reply], other: list[engine.Reply]) -> bool:
    return all(
        np.array_equal(a.values[vector], b.values[vector], equal_nan=True)
        for a, b in zip(one, other, strict=True)
        for vector in a.values
    )


def alone(text: str, values: dict[str, float], runs: tuple[engine.Analysis, ...], name: str) -> list[engine.Reply]:
    """The same point written into the text, nothing altered."""
    lines = []
    for line in text.splitlines():
        fields = line.split()
        for element, value in values.items():
            if fields[0] == element.lower():
                fields[4 if element[0] in "vi" else 3] = repr(float(value))
        lines.append(" ".join(fields))
    return run(NetlistTable("\n".join(lines)), runs, Run(engine=name, workers=1))


def test_divider_and_corner_are_the_closed_forms(name: str) -> None:
    for check in engine.self_check(name):
        assert check.passed, check


def test_altered_values_equal_a_fresh_text_at_every_point(name: str) -> None:
    circuit = swept(70)
    op, ac = run(circuit, SMALL, Run(engine=name))
    assert not op.failed.any()
    assert not ac.failed.any()
    assert set(op.engines) == {name}
    for point in (0, 1, 33, 63, 64, 69):
        values = {key: float(column[point]) for key, column in circuit.table.items()}
        fresh_op, fresh_ac = alone(circuit.text, values, SMALL, name)
        for vector, array in op.values.items():
            np.testing.assert_allclose(array[point], fresh_op.values[vector][0], rtol=1e-9)
        np.testing.assert_allclose(ac.values["n_out"][point], fresh_ac.values["n_out"][0], rtol=1e-9)


def test_inductor_and_current_source_values_can_be_swept(name: str) -> None:
    text = "i_test 0 n_a dc 0.001 ac 1.0\nr_a n_a n_b 100.0\nl_b n_b 0 1.0\n"
    inductance = np.array([0.5, 1.0, 2.0])
    current = np.array([1e-3, 2e-3, 5e-3])
    op, ac = run(
        NetlistTable(text, {"l_b": inductance, "i_test": current}, 3),
        [OpRun(("n_a",)), AcRun(50.0, 50.0, 1, ("n_a",))],
        Run(engine=name),
    )
    np.testing.assert_allclose(op.values["n_a"], 100.0 * current, rtol=1e-9)
    np.testing.assert_allclose(ac.values["n_a"][:, 0], 100.0 + 2j * np.pi * 50.0 * inductance, rtol=1e-9)


def test_engines_agree() -> None:
    needs("neospice")
    needs("ngspice")
    circuit = swept(40)
    one, other = (run(circuit, SMALL, Run(engine=name)) for name in BOTH)
    for vector in one[0].values:
        np.testing.assert_allclose(one[0].values[vector], other[0].values[vector], rtol=1e-6)
    decibels = 20 * np.log10(np.abs(one[1].values["n_out"] / other[1].values["n_out"]))
    assert np.abs(decibels).max() < 1e-4
    for text in (two_stages(), push_pull()):
        one, other = (
            run(NetlistTable(text), [OpRun(), AcRun(10.0, 1e5, 10, ("n_out",))], Run(engine=name)) for name in BOTH
        )
        for vector, value in one[0].values.items():
            np.testing.assert_allclose(value, other[0].values[vector], rtol=1e-6, atol=1e-9)
        decibels = 20 * np.log10(np.abs(one[1].values["n_out"] / other[1].values["n_out"]))
        assert np.abs(decibels).max() < 1e-4


def test_controlled_sources_and_diodes_agree() -> None:
    needs("neospice")
    needs("ngspice")
    text = (
        "v_a n_a 0 dc 2.0 ac 1.0\nr_a n_a n_b 1000.0\nd_1 n_b 0 small\n.model small d(is=1e-12 n=1.8)\n"
        "e_1 n_e 0 n_b 0 3.0\nr_e n_e 0 1000.0\ng_1 0 n_g n_b 0 0.002\nr_g n_g 0 500.0\n"
        "f_1 0 n_f v_a 2.0\nr_f n_f 0 100.0\nh_1 n_h 0 v_a 50.0\nr_h n_h 0 1000.0\n"
    )
    replies = [
        run(NetlistTable(text), [OpRun(), AcRun(100.0, 1e3, 1, ("n_b", "n_f"))], Run(engine=name)) for name in BOTH
    ]
    for vector, value in replies[0][0].values.items():
        np.testing.assert_allclose(value, replies[1][0].values[vector], rtol=1e-6)
    v_b = replies[0][0].values["n_b"][0]
    assert replies[0][0].values["n_e"][0] == pytest.approx(3.0 * v_b, rel=1e-9)
    assert replies[0][0].values["n_g"][0] == pytest.approx(v_b, rel=1e-9)
    np.testing.assert_allclose(replies[0][1].values["n_f"], replies[1][1].values["n_f"], rtol=1e-6)


def test_all_nodes_come_when_none_is_named(name: str) -> None:
    (op,) = run(NetlistTable(DIVIDER), [OpRun()], Run(engine=name))
    assert list(op.values) == ["n_in", "n_out"]
    assert op.axis is None


@pytest.mark.parametrize(
    ("start", "stop", "count"), [(10.0, 1e5, 81), (10.0, 1.5e5, 84), (1e3, 1e3, 1), (20.0, 2e4, 61)]
)
def test_frequencies_are_start_times_powers_of_ten(name: str, start: float, stop: float, count: int) -> None:
    text = "v_signal n_in 0 dc 0.0 ac 1.0\nr_a n_in n_out 10000.0\nc_a n_out 0 1e-08\n"
    (ac,) = run(NetlistTable(text), [AcRun(start, stop, 20, ("n_out",))], Run(engine=name))
    assert ac.axis is not None
    assert len(ac.axis) == count
    np.testing.assert_allclose(ac.axis, start * 10 ** (np.arange(count) / 20), rtol=1e-12)
    np.testing.assert_allclose(ac.values["n_out"][0], 1 / (1 + 2e-4j * np.pi * ac.axis), rtol=1e-8)


def test_workers_and_executors_give_the_same_bits(name: str) -> None:
    circuit = swept(130)
    one = run(circuit, SMALL, Run(engine=name, workers=1))
    assert same(one, run(circuit, SMALL, Run(engine=name, workers=3)))
    with ThreadPoolExecutor(2) as executor:
        assert same(one, run(circuit, SMALL, Run(engine=name, executor=executor)))


def test_a_process_executor_gives_the_same_bits() -> None:
    loky = pytest.importorskip("loky")
    circuit = swept(70)
    with loky.ProcessPoolExecutor(2) as executor:
        assert same(run(circuit, SMALL), run(circuit, SMALL, Run(executor=executor)))


def test_the_task_of_an_executor_can_be_pickled() -> None:
    assert pickle.loads(pickle.dumps(engine.pool.solve_chunk)) is engine.pool.solve_chunk


def test_noise_of_a_divider_and_a_helper_resistance(name: str) -> None:
    # 4 k T R of 1 kohm parallel 1 kohm at 300.15 K (CODATA Boltzmann constant; both engines' 27 Celsius).
    (noise,) = run(NetlistTable(DIVIDER), [NoiseRun(100.0, 1e4, 5, "n_out")], Run(engine=name))
    expected = np.sqrt(4 * 1.380649e-23 * 300.15 * 500.0)
    np.testing.assert_allclose(noise.values["output_density"], expected, rtol=1e-4)
    np.testing.assert_allclose(noise.values["input_density"], 2 * expected, rtol=1e-4)


def test_transient_of_an_rc_follows_its_exponential(name: str) -> None:
    text = "v_signal n_in 0 dc 0.0 ac 1.0\nr_a n_in n_out 1000.0\nc_a n_out 0 1e-06\n"
    step = TransientRun(5e-3, 2e-6, ("n_out",), (Pulse(0.0, 1.0, 1e-4, 1e-9, 1e-9, 1.0, 2.0),), samples=501)
    (reply,) = run(NetlistTable(text), [step], Run(engine=name))
    assert reply.axis is not None
    expected = np.where(reply.axis > 1e-4, 1 - np.exp(-(reply.axis - 1e-4) / 1e-3), 0.0)
    np.testing.assert_allclose(reply.values["n_out"][0], expected, atol=2e-4)
    ramp = TransientRun(2e-3, 2e-6, ("n_in",), (Pwl((0.0, 1e-3, 2e-3), (0.0, 2.0, 0.5)),), samples=5)
    np.testing.assert_allclose(
        run(NetlistTable(text), [ramp], Run(engine=name))[0].values["n_in"][0], [0, 1, 2, 1.25, 0.5], atol=1e-6
    )


def test_a_cold_start_begins_with_everything_empty(name: str) -> None:
    text = "v_signal n_in 0 dc 10.0\nr_a n_in n_out 1000.0\nc_a n_out 0 1e-06\n"
    warm, cold = (TransientRun(2e-3, 2e-6, ("n_out",), initial=how, samples=101) for how in ("operating point", "zero"))
    first, second = run(NetlistTable(text), [warm, cold], Run(engine=name))
    np.testing.assert_allclose(first.values["n_out"][0], 10.0, rtol=1e-6)
    assert second.axis is not None
    np.testing.assert_allclose(second.values["n_out"][0], 10 * (1 - np.exp(-second.axis / 1e-3)), atol=5e-3)


def test_several_terms_add_up_and_a_current_source_can_drive(name: str) -> None:
    terms = (Sine(1.0, 1000.0), Sine(0.5, 3000.0, 90.0))
    (reply,) = run(NetlistTable(DIVIDER), [TransientRun(2e-3, 2e-6, ("n_out",), terms, samples=401)], Run(engine=name))
    t = reply.axis
    expected = 0.5 * (np.sin(2e3 * np.pi * t) + 0.5 * np.cos(6e3 * np.pi * t))
    np.testing.assert_allclose(reply.values["n_out"][0][1:], expected[1:], atol=1e-5)
    text = "i_test 0 n_out dc 0.0\nr_b n_out 0 1000.0\n"
    run_ = TransientRun(2e-3, 2e-6, ("n_out",), (Sine(1e-3, 1000.0), Sine(5e-4, 2000.0)), "i_test", samples=401)
    (reply,) = run(NetlistTable(text), [run_], Run(engine=name))
    expected = np.sin(2e3 * np.pi * t) + 0.5 * np.sin(4e3 * np.pi * t)
    np.testing.assert_allclose(reply.values["n_out"][0], expected, atol=1e-5)


def test_a_bad_value_fails_its_point_only(name: str) -> None:
    circuit = NetlistTable(DIVIDER, {"r_a": np.array([1e3, np.nan, 3e3, 0.0])}, 4)
    (op,) = run(circuit, [OpRun(("n_out",))], Run(engine=name))
    assert op.failed.tolist() == [False, True, False, True]
    assert "r_a" in op.reasons[1]
    assert "above 0" in op.reasons[3]
    assert np.isnan(op.values["n_out"][[1, 3]]).all()
    assert np.isfinite(op.values["n_out"][[0, 2]]).all()


#: Only one engine gets through this: the other clips or overflows in the exponential.
STEEP = "v_a n_a 0 dc 1.0\nr_a n_a 0 1000.0\nb_x n_x 0 v=exp(300.0*v(n_a))\nr_x n_x 0 1000.0\n"


def test_a_point_that_one_engine_cannot_do_goes_to_the_other() -> None:
    needs("neospice")
    needs("ngspice")
    circuit = NetlistTable(STEEP, {"v_a": np.array([0.01, 1.0])}, 2)
    (op,) = run(circuit, [OpRun(("n_x",))], Run(engine="neospice"))
    assert op.engines == ["neospice", "ngspice"]
    assert not op.failed.any()
    assert op.values["n_x"][0] == pytest.approx(np.exp(3.0), rel=1e-6)


def test_reasons_of_both_engines_are_kept() -> None:
    needs("neospice")
    needs("ngspice")
    # x = x^2 + 1 has no real solution.
    (op,) = run(NetlistTable("b_x n_x 0 v=v(n_x)*v(n_x)+1.0\nr_x n_x 0 1000.0\n"), [OpRun(("n_x",))])
    assert op.failed[0]
    assert np.isnan(op.values["n_x"][0])
    assert "neospice" in op.reasons[0]
    assert "ngspice" in op.reasons[0]


def test_choice_of_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    needs("ngspice")
    monkeypatch.setenv("SIMWRAP_ENGINE", "ngspice")
    assert run(NetlistTable(DIVIDER), [OpRun()])[0].engines == ["ngspice"]
    monkeypatch.setenv("SIMWRAP_ENGINE", "ngspicee")
    with pytest.raises(UnknownNameError, match="ngspice"):
        run(NetlistTable(DIVIDER), [OpRun()])
    monkeypatch.delenv("SIMWRAP_ENGINE")
    monkeypatch.setenv("SIMWRAP_WITHOUT", "ngspice")
    assert engine.choose() == ("neospice",)
    with pytest.raises(NoEngineError, match="ngspice"):
        run(NetlistTable(DIVIDER), [OpRun()], Run(engine="ngspice"))


def test_no_engine_at_all(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SIMWRAP_WITHOUT", "neospice,ngspice")
    with pytest.raises(NoEngineError, match="no simulator"):
        run(NetlistTable(DIVIDER), [OpRun()])
    assert [found.available for found in engine.found()] == [False, False]


def test_a_library_that_is_not_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NGSPICE_LIBRARY_PATH", "/nowhere/libngspice.so")
    found = {item.name: item for item in engine.found()}
    assert not found["ngspice"].available
    assert "not found" in found["ngspice"].detail


def test_found_says_what_is_there(name: str) -> None:
    found = {item.name: item for item in engine.found()}[name]
    assert found.available
    assert found.version


def test_provenance() -> None:
    import simwrap
    from simwrap.simulation.provenance import provenance

    record = provenance("neospice", "0" * 64)
    assert record == {
        "engine": "neospice",
        "engine_version": importlib.metadata.version("neospice"),
        "netlist_sha256": "0" * 64,
        "simwrap_version": simwrap.__version__,
    }
    assert record["engine_version"]


def test_killed_children_lose_nothing(name: str) -> None:
    circuit = swept(1500)
    engine.stop_all()
    begin = time.monotonic()
    run(NetlistTable(DIVIDER), [OpRun()], Run(engine=name, workers=1))
    started = time.monotonic() - begin
    undisturbed = run(circuit, SMALL, Run(engine=name, workers=2))
    stop = threading.Event()

    def kill() -> None:
        rng = np.random.default_rng(1)
        # Faster than an engine starts, nothing could ever be done.
        while not stop.wait(max(0.12 if name == "neospice" else 0.6, started)):
            for pid in rng.permutation(engine.children())[:1]:
                os.kill(int(pid), signal.SIGKILL)

    killer = threading.Thread(target=kill)
    killer.start()
    try:
        replies = run(circuit, SMALL, Run(engine=name, workers=2))
    finally:
        stop.set()
        killer.join()
    for reply, expected in zip(replies, undisturbed, strict=True):
        for vector, array in reply.values.items():
            good = ~reply.failed
            assert good.sum() >= len(good) - 20
            np.testing.assert_allclose(array[good], expected.values[vector][good], rtol=1e-6)
            assert all(reason for reason, failed in zip(reply.reasons, reply.failed, strict=True) if failed)


def test_a_point_past_its_limit_is_ended_and_the_others_arrive(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SIMWRAP_WITHOUT", " ".join(set(BOTH) - {name}))
    quick, endless = (TransientRun(stop, 1e-6, ("n_out",), samples=10) for stop in (1e-4, 0.45))
    begin = time.monotonic()
    replies = run(NetlistTable(stage()), [OpRun(), endless, quick], Run(engine=name, time_limit=0.3, workers=1))
    assert time.monotonic() - begin < 4.0
    assert not replies[0].failed[0]
    assert not replies[2].failed[0]
    assert "time limit of 0.3 s" in replies[1].reasons[0]
    assert np.isnan(replies[1].values["n_out"]).all()


def test_a_child_that_was_prepared_is_the_one_that_works() -> None:
    name = engine.choose()[0]
    engine.stop_all()
    for _ in range(2):  # asked twice, it comes once
        engine.process.prepare(name)
    (reply,) = run(NetlistTable(DIVIDER), [OpRun()], Run(workers=1))
    assert reply.reasons == [""]
    assert len(engine.children()) == 1
    engine.process.prepare(name)
    assert len(engine.children()) == 1


def test_a_child_that_could_not_be_prepared_is_missed_only_by_the_job(monkeypatch: pytest.MonkeyPatch) -> None:
    tried = threading.Event()

    def refuse(name: str) -> None:
        tried.set()
        raise engine.process.Unusable("no such thing")

    engine.stop_all()
    with monkeypatch.context() as broken:
        broken.setattr(engine.process, "Child", refuse)
        engine.process.prepare(engine.choose()[0])
        assert tried.wait(10.0)
    (reply,) = run(NetlistTable(DIVIDER), [OpRun()], Run(workers=1))
    assert reply.reasons == [""]


def test_ctrl_c_leaves_no_children() -> None:
    script = (
        "import threading, time, numpy as np\nfrom simwrap import engine\nfrom simwrap.engine import *\n"
        "text = 'v_signal n_in 0 dc 0.0 ac 1.0\\nr_a n_in n_out 1000.0\\nc_a n_out 0 1e-06\\n'\n"
        "def tell():\n    while len(engine.children()) < 2:\n        time.sleep(0.01)\n"
        "    print(*engine.children(), flush=True)\n"
        "circuit = NetlistTable(text, {'r_a': np.linspace(1e3, 2e3, 400)}, 400)\n"
        "threading.Thread(target=tell).start()\n"
        "try:\n    run(circuit, [TransientRun(0.05, 1e-6, ('n_out',))], Run(workers=2))\n"
        "except KeyboardInterrupt:\n    print('interrupted', engine.children(), flush=True)\n"
    )
    with subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        pids = [int(word) for word in process.stdout.readline().split()]
        process.send_signal(signal.SIGINT)
        rest = process.stdout.read()
    assert process.returncode == 0
    assert "interrupted []" in rest
    assert pids
    for pid in pids:
        assert not running(pid)


def test_children_end_with_their_parent() -> None:
    script = (
        "import os, signal\nfrom simwrap import engine\n"
        f"engine.run(engine.NetlistTable({DIVIDER!r}), [engine.OpRun()])\n"
        "print(*engine.children(), flush=True)\nos.kill(os.getpid(), signal.SIGKILL)\n"
    )
    output = subprocess.run([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True, check=False).stdout
    pids = [int(word) for word in output.split()]
    assert pids
    deadline = time.monotonic() + 5.0
    while any(running(pid) for pid in pids) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not any(running(pid) for pid in pids)


def running(pid: int) -> bool:
    """Whether a process runs (one that ended and waits to be collected doesn't)."""
    try:
        with open(f"/proc/{pid}/stat") as file:
            return file.read().rsplit(")", 1)[1].split()[0] not in "ZX"
    except OSError:
        return False


def test_importing_the_engines_loads_no_simulator() -> None:
    code = (
        "import sys, simwrap.engine\n"
        "print([name for name in sys.modules if name.split('.')[0] in ('PySpice', 'neospice', 'matplotlib', 'scipy')])"
    )
    output = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert output.strip() == "[]"


@pytest.mark.parametrize(
    ("circuit", "runs", "part"),
    [
        (NetlistTable(DIVIDER, {"r_zz": np.ones(1)}), [OpRun()], "r_zz"),
        (NetlistTable(DIVIDER, {"r_a": np.ones(2)}), [OpRun()], "shape"),
        (NetlistTable(DIVIDER), [OpRun(("n_nowhere",))], "n_nowhere"),
        (NetlistTable(DIVIDER), [OpRun(("i(r_a)",))], "r_a"),
        (NetlistTable(DIVIDER), [AcRun(0.0, 1e3, 10, ("n_out",))], "start"),
        (NetlistTable(DIVIDER), [AcRun(1e3, 1e2, 10, ("n_out",))], "sweep"),
        (NetlistTable(DIVIDER), [NoiseRun(1.0, 1e3, 10, "n_out", "r_a")], "r_a"),
        (NetlistTable(DIVIDER), [SteadyRun(1e3, (Sine(1.0, 1500.0),), np.ones((1, 1)), ("n_out",))], "multiple"),
        (NetlistTable(DIVIDER), [SteadyRun(1e3, (Sine(1.0, 1e3),), np.ones((2, 1)), ("n_out",))], "shape"),
        (NetlistTable(DIVIDER), [TransientRun(0.0, 1e-6, ("n_out",))], "stop"),
        (NetlistTable(DIVIDER), [TransientRun(1.0, 1e-3, ("n_out",), (Sine(np.inf, 1.0),))], "finite"),
        (NetlistTable(DIVIDER), [TransientRun(1.0, 1e-3, ("n_out",), (Pwl((1.0, 0.0), (0.0, 0.0)),))], "rise"),
        (NetlistTable(DIVIDER), [TransientRun(1.0, 1e-3, ("n_out",), initial="warm")], "warm"),
    ],
)
def test_requests_that_do_not_fit_the_circuit(circuit: NetlistTable, runs: list[engine.Analysis], part: str) -> None:
    with pytest.raises(NetlistError, match=part):
        run(circuit, runs)
