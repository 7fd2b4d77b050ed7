"""Every trap that the two simulators are known to set, closed: one test each."""

from __future__ import annotations

import importlib.util
import os
from pathlib import Path

import numpy as np
import pytest
from engine_circuits import DIVIDER, push_pull, stage

from simwrap import engine
from simwrap.engine import (
    AcRun,
    NetlistTable,
    OpRun,
    Run,
    Sine,
    SteadyRun,
    TransientRun,
    run,
)
from simwrap.errors import NetlistError
from simwrap.netlist import allow_list, expressions

BOTH = ("neospice", "ngspice")


@pytest.fixture(params=BOTH)
def name(request: pytest.FixtureRequest) -> str:
    if engine.backends.discovery.missing(request.param):
        pytest.skip(engine.backends.discovery.missing(request.param))
    return str(request.param)


#: What must not reach an engine, and a word of the refusal.
REFUSED = {
    "resistor with a field missing (read as 1 milliohm)": ("r_x n_a 0", "fields"),
    "a field too many": ("r_x n_a 0 1.0 2.0", "fields"),
    "undefined parameter (taken as 0)": ("r_x n_a 0 {rx}", "plain number"),
    "4k7 (read as 4000)": ("r_x n_a 0 4k7", "plain number"),
    "1M (read as a milliohm)": ("r_x n_a 0 1M", "lower case"),
    "1m": ("r_x n_a 0 1m", "plain number"),
    "4,7k (read as 7000)": ("r_x n_a 0 4,7k", "plain number"),
    "1_000 (read as 1)": ("r_x n_a 0 1_000", "plain number"),
    "1f (read as 1e-15)": ("c_x n_a 0 1f", "plain number"),
    "1e400 (read as infinity)": ("r_x n_a 0 1e400", "finite"),
    "nan": ("r_x n_a 0 nan", "plain number"),
    "zero ohm": ("r_x n_a 0 0.0", "above 0"),
    "negative capacitance": ("c_x n_a 0 -1e-09", "below 0"),
    "a node named time (replaced by the axis)": ("r_x time 0 1.0", "node"),
    "a node named frequency": ("r_x frequency 0 1.0", "node"),
    "a device without its prefix": ("rx n_a 0 1.0", "element"),
    "upper case (names are folded)": ("R_x n_a 0 1.0", "lower case"),
    "two devices of one name": ("r_x n_a 0 1.0\nr_x n_a 0 2.0", "again"),
    "a control block with shell in it": (".control\nshell touch /tmp/simwrap-was-here\n.endc", "not allowed"),
    "a command in a comment": ("r_x n_a 0 1.0\n*\x0cshell", "printable"),
    "an include": (".include /etc/passwd", "not allowed"),
    "options": (".options interp", "not allowed"),
    "a subcircuit": ("x_1 n_a 0 thing", "element"),
    "a backtick": ("r_x n_a 0 `id`", "plain number"),
    "a dollar": ("r_x n_a 0 1.0 $ note", "fields"),
    "a semicolon": ("r_x n_a 0 1.0;quit", "plain number"),
    "a continuation": ("r_x n_a 0\n+ 1.0", "fields"),
    "carriage return (parts lines)": ("r_x n_a 0 1.0\r.control", "printable"),
    "form feed (parts lines)": ("r_x n_a 0 1.0\x0c.control", "printable"),
    "U+2028 (parts lines)": ("r_x n_a 0 1.0\u2028.control", "printable"),
    "U+0085 (parts lines)": ("r_x n_a 0 1.0\x85.control", "printable"),
    "a digit that isn't ASCII": ("r_x n_a 0 \u0661.0", "printable"),
    "a tab": ("r_x\tn_a 0 1.0", "printable"),
    "time in an expression": ("b_x n_x 0 v=time\nr_y n_x 0 1.0", "functions"),
    "an unknown function": ("b_x n_x 0 v=limit(1.0,2.0,3.0)\nr_y n_x 0 1.0", "functions"),
    "a step function that differs at 0": ("b_x n_x 0 v=u(v(n_a))\nr_y n_x 0 1.0", "functions"),
    "a choice that one engine can't read": ("b_x n_x 0 v=(v(n_a)>0.0?1.0:2.0)\nr_y n_x 0 1.0", "expression"),
    "a sign before a power (two readings)": ("b_x n_x 0 v=-v(n_a)^2.0\nr_y n_x 0 1.0", "power"),
    "a power of a power (two readings)": ("b_x n_x 0 v=2.0^v(n_a)^2.0\nr_y n_x 0 1.0", "power"),
    "a suffix in an expression": ("b_x n_x 0 v=4k7*v(n_a)\nr_y n_x 0 1.0", "operator"),
    "an argument missing": ("b_x n_x 0 v=max(v(n_a))\nr_y n_x 0 1.0", '","'),
    "a bracket missing": ("b_x n_x 0 v=(v(n_a)\nr_y n_x 0 1.0", "needed"),
    "an expression that reads no node there is": ("b_x n_x 0 v=v(n_nowhere)\nr_y n_x 0 1.0", "n_nowhere"),
    "the current of no source": ("b_x n_x 0 v=i(v_nowhere)\nr_y n_x 0 1.0", "v_nowhere"),
    "a node between two capacitors (0.5 V or 0.0196 V)": ("c_x n_a n_m 1e-09\nc_y n_m 0 1e-09", "floating"),
    "a node that only current sources reach": ("i_x 0 n_m dc 1.0\nc_y n_m 0 1e-09", "floating"),
    "an island": ("r_x n_m n_p 1.0\nr_y n_m n_p 1.0", "floating"),
    "a lead that ends in the air": ("r_x n_a n_m 1.0", "only connection"),
    "two sources in parallel": ("v_x n_a 0 dc 1.0", "loop"),
    "an inductor across a source": ("l_x n_a 0 1.0", "loop"),
    "a coupling of no inductor": ("k_x l_a l_b 0.5", "l_a"),
    "a diode without a model": ("d_x n_a 0 none", "model"),
    "a model with a subcircuit in it": (".model x d(is=1e-14 file=1)", "file"),
    "a source without dc": ("i_x n_a 0 1.0", "dc"),
    "a transient in a source": ("i_x n_a 0 dc 0.0 sin(0 1 1000)", "dc"),
}


@pytest.mark.parametrize("what", REFUSED)
def test_refused_before_any_engine_sees_it(what: str) -> None:
    text, word = REFUSED[what]
    with pytest.raises(NetlistError) as refusal:
        run(NetlistTable("v_a n_a 0 dc 1.0 ac 1.0\nr_a n_a 0 1000.0\n" + text), [OpRun()])
    assert word in str(refusal.value)
    assert "\n" not in str(refusal.value)
    assert "\r" not in str(refusal.value)
    assert not os.path.exists("/tmp/simwrap-was-here")


def test_nothing_connected_to_ground() -> None:
    with pytest.raises(NetlistError, match="ground"):
        allow_list.check("r_a n_a n_b 1.0\nr_b n_a n_b 1.0")


def test_a_comment_that_is_a_command_stays_behind(name: str, tmp_path: Path) -> None:
    target = tmp_path / "made"
    text = f"*# shell touch {target}\n* {{x}} `id`\n" + DIVIDER
    (op,) = run(NetlistTable(text, {"v_signal": np.array([1.0])}), [OpRun(("n_out",))], Run(engine=name))
    assert op.values["n_out"][0] == pytest.approx(0.5)
    assert not target.exists()


def test_the_first_element_is_not_eaten_as_a_title(name: str) -> None:
    (op,) = run(NetlistTable("v_a n_a 0 dc 1.0\nr_a n_a 0 1000.0"), [OpRun(("n_a", "i(v_a)"))], Run(engine=name))
    assert op.values["n_a"][0] == pytest.approx(1.0)
    assert op.values["i(v_a)"][0] == pytest.approx(-1e-3)


@pytest.mark.parametrize("vector", ["time", "frequency", "c", "e", "i", "pi", "kelvin", "yes", "boltz", "const.pi"])
def test_a_missing_vector_is_no_constant(vector: str) -> None:
    with pytest.raises(NetlistError, match="no such node"):
        run(NetlistTable(DIVIDER), [OpRun((vector,))])


def test_nodes_named_like_constants_are_themselves(name: str) -> None:
    text = "v_a n_time 0 dc 3.0\nr_a n_time n_pi 1000.0\nr_b n_pi 0 2000.0\n"
    op, tran = run(
        NetlistTable(text),
        [OpRun(("n_time", "n_pi")), TransientRun(1e-3, 1e-5, ("n_time",), (), "v_a")],
        Run(engine=name),
    )
    assert op.values["n_time"][0] == pytest.approx(3.0)
    assert op.values["n_pi"][0] == pytest.approx(2.0)
    np.testing.assert_allclose(tran.values["n_time"][0], 3.0, rtol=1e-9)


def test_names_are_found_in_any_case(name: str) -> None:
    (op,) = run(
        NetlistTable(DIVIDER, {"R_A": np.array([3e3]), "V_Signal": np.array([8.0])}),
        [OpRun(("N_OUT",))],
        Run(engine=name),
    )
    assert op.values["n_out"][0] == pytest.approx(2.0)


def test_operating_point_after_a_transient_with_coupled_coils(name: str) -> None:
    circuit = NetlistTable(push_pull(), {"r_k": np.array([200.0, 250.0])}, 2)
    point = OpRun(("n_aa", "n_k"))
    transient = TransientRun(2e-3, 2e-5, ("n_out",), (Sine(5.0, 1000.0),))
    (before,) = run(circuit, [point], Run(engine=name, workers=1))
    run(circuit, [transient], Run(engine=name, workers=1))
    _, after = run(circuit, [transient, point], Run(engine=name, workers=1))
    for vector, values in before.values.items():
        np.testing.assert_array_equal(values, after.values[vector])
        assert (np.abs(values) < 400.0).all()


def test_coupled_coils_go_on_from_given_currents(name: str) -> None:
    # One engine takes only a coil's own flux from ic=, and multiplied currents by 1/(1 - k).
    request = SteadyRun(1000.0, (Sine(1.0, 1000.0),), np.array([[10.0]]), ("n_out", "n_k"))
    (reply,) = run(NetlistTable(push_pull()), [request], Run(engine=name))
    assert not reply.failed[0]
    assert (np.abs(reply.values["n_out"]) < 20.0).all()
    assert reply.extras["periods"][0, 0] < 60


def test_a_steep_exponential_is_not_clipped_in_a_softplus(name: str) -> None:
    # ln(1 + exp(x)) stops at 227.956 where exp is clipped; this form can't overflow.
    text = (
        "v_a n_a 0 dc 1.0\nr_a n_a 0 1000.0\nb_x n_x 0 v=max(v(n_a),0.0)+ln(1.0+exp(-abs(v(n_a))))\nr_x n_x 0 1000.0\n"
    )
    values = np.array([-800.0, -3.0, 0.0, 3.0, 300.0, 5000.0])
    (op,) = run(NetlistTable(text, {"v_a": values}, len(values)), [OpRun(("n_x",))], Run(engine=name))
    np.testing.assert_allclose(op.values["n_x"], np.logaddexp(0.0, values), rtol=1e-9, atol=1e-12)


def test_all_allowed_functions_are_read_alike() -> None:
    for name in BOTH:
        if engine.backends.discovery.missing(name):
            pytest.skip(engine.backends.discovery.missing(name))
    text = ["v_a n_a 0 dc 0.4", "r_a n_a 0 1000.0"]
    for function, count in expressions.FUNCTIONS.items():
        argument = "(1.3+0.2*v(n_a))" if function in ("ln", "log", "log10", "sqrt", "pow", "pwr") else "(0.9*v(n_a))"
        arguments = argument if count == 1 else argument + ",1.5"
        text += [f"b_{function} n_{function} 0 v={function}({arguments})", f"r_{function} n_{function} 0 1000.0"]
    text += ["b_hat n_hat 0 v=3.0-(v(n_a)+2.0)^2.0/4.0/2.0-1.0", "r_hat n_hat 0 1.0"]
    text += ["b_star n_star 0 v=2.0**-v(n_a)*3.0", "r_star n_star 0 1.0"]
    circuit = NetlistTable("\n".join(text), {"v_a": np.array([-1.0, -0.3, 0.2, 0.9])}, 4)
    one, other = (run(circuit, [OpRun()], Run(engine=name))[0] for name in BOTH)
    assert set(one.engines) == {"neospice"}
    assert set(other.engines) == {"ngspice"}
    for vector, values in one.values.items():
        np.testing.assert_allclose(values, other.values[vector], rtol=1e-6, atol=1e-9, err_msg=vector)
    x = circuit.table["v_a"]
    np.testing.assert_allclose(one.values["n_log"], np.log(1.3 + 0.2 * x), rtol=1e-6)
    np.testing.assert_allclose(one.values["n_hat"], 3 - (x + 2) ** 2 / 8 - 1, rtol=1e-6)
    np.testing.assert_allclose(one.values["n_star"], 2.0**-x * 3, rtol=1e-6)


def memory(pid: int) -> float:
    """Resident memory of a process [MB]."""
    with open(f"/proc/{pid}/statm") as file:
        return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


@pytest.mark.skipif(not os.path.exists("/proc/self/statm"), reason="needs /proc")
def test_memory_of_a_child_is_flat(name: str) -> None:
    engine.stop_all()
    points = 512
    circuit = NetlistTable(stage(), {"r_anode": np.linspace(5e4, 2e5, points)}, points)
    runs = [OpRun(("n_anode",)), AcRun(10.0, 1e5, 10, ("n_out",))]
    run(circuit, runs, Run(engine=name, workers=1))
    (pid,) = engine.children()
    before = memory(pid)
    for _ in range(4):
        run(circuit, runs, Run(engine=name, workers=1))
    assert engine.children() == [pid]
    # Without remcirc and destroy it would be 47 to 170 kB a cycle.
    assert memory(pid) - before < 3.0


def test_what_an_engine_prints_cannot_get_into_the_pipe(name: str) -> None:
    # One node with one connection makes an engine print a warning on standard output.
    text = "v_a n_a 0 dc 1.0\nr_a n_a 0 1.0\nv_probe n_probe 0 dc 2.0\n"
    for _ in range(3):
        (op,) = run(NetlistTable(text), [OpRun(("n_probe",))], Run(engine=name, workers=1))
        assert op.values["n_probe"][0] == 2.0


@pytest.mark.skipif(importlib.util.find_spec("PySpice") is None, reason="PySpice is not installed")
@pytest.mark.skipif(engine.backends.discovery.ngspice_library() is None, reason="libngspice is not installed")
class TestJudgement:
    """What the lines of ngspice mean, whatever version writes them."""

    def judge(self, *lines: str) -> str:
        from simwrap.engine.backends.ngspice import judge

        return judge(lines)

    def test_a_pseudo_transient_point_is_never_good(self) -> None:
        assert "pseudo-transient" in self.judge(
            "Note: Transient op started", "Note: Transient op finished successfully"
        )

    @pytest.mark.parametrize(
        "line",
        [
            "Using SPARSE 1.3 as Direct Linear Solver",
            "Using KLU as Direct Linear Solver",
            "Note: Starting dynamic gmin stepping",
            "Note: Dynamic gmin stepping completed",
            "Warning: singular matrix:  check nodes n_a and n_b",
            "Note: can't find init file.",
            "Doing analysis at TEMP = 27.000000 and TNOM = 27.000000",
            "No. of Data Rows : 81",
        ],
    )
    def test_lines_that_mean_nothing(self, line: str) -> None:
        assert self.judge(line) == ""

    def test_an_overflow_on_the_way_means_nothing_once_the_point_is_reached(self) -> None:
        """Seen with two triodes in series: the direct try overflows, stepping gets to the same point as elsewhere."""
        overflow = "Error: -4.94661e+173, -4.94661e+173 out of range for *"
        assert (
            self.judge(overflow, "Note: Starting dynamic gmin stepping", "Note: Dynamic gmin stepping completed") == ""
        )
        assert self.judge(overflow, "Note: Starting dynamic gmin stepping") == overflow
        assert self.judge("Note: Dynamic gmin stepping completed", overflow) == overflow

    @pytest.mark.parametrize(
        "line",
        [
            "Error: circuit not parsed.",
            "op simulation(s) aborted",
            "doAnalyses: iteration limit reached",
            "doAnalyses: TRAN:  Timestep too small; time = 1e-9",
            "Error on line 3 or its substitute:",
            "Undefined parameter [rx]",
        ],
    )
    def test_lines_that_mean_failure(self, line: str) -> None:
        assert self.judge("fine", line) == line


@pytest.mark.skipif(bool(engine.backends.discovery.missing("ngspice")), reason="ngspice is not there")
def test_vectors_of_another_analysis_are_not_taken() -> None:
    # A sweep that fails leaves nothing that could be read in its place: the frequencies must fit.
    (ac,) = run(NetlistTable(DIVIDER), [AcRun(10.0, 1e3, 10, ("n_out",))], Run(engine="ngspice"))
    assert ac.values["n_out"].shape == (1, 21)
    assert not ac.failed[0]
    text = "v_signal n_in 0 dc 1.0 ac 1.0\nr_i n_in 0 1.0\nb_x n_x 0 v=v(n_x)*v(n_x)+1.0\nr_x n_x 0 1000.0\n"
    op, ac = run(NetlistTable(text), [OpRun(("n_x",)), AcRun(10.0, 1e3, 10, ("n_x",))], Run(engine="ngspice"))
    assert op.failed[0]
    assert ac.failed[0]
    assert np.isnan(ac.values["n_x"]).all()


@pytest.mark.skipif(bool(engine.backends.discovery.missing("neospice")), reason="neospice is not there")
def test_a_transient_with_too_many_steps_for_one_engine_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SIMWRAP_WITHOUT", "ngspice")
    (reply,) = run(NetlistTable(DIVIDER), [TransientRun(0.6, 1e-6, ("n_out",), (Sine(1.0, 1e3),), samples=8)])
    assert reply.failed[0]
    assert "500000" in reply.reasons[0]
