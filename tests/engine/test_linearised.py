"""Matrices and poles in numpy against ngspice's own small-signal analysis, and against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from engine_circuits import amplifier, push_pull, stage, two_stages

import simwrap
from simwrap import engine
from simwrap.circuits.render import render
from simwrap.engine import AcRun, NetlistTable, OpRun, Run, linearised, run
from simwrap.engine.stretch import answers
from simwrap.errors import NetlistError
from simwrap.netlist import allow_list, expressions

needs_ngspice = pytest.mark.skipif(
    bool(engine.backends.discovery.missing("ngspice")), reason="the reference engine is not there"
)

CIRCUITS = {"one stage": stage, "two stages": two_stages, "push-pull": push_pull, "amplifier": amplifier} | {
    "amplifier, closed loop": lambda: amplifier(2200.0)
}


def point_of(text: str, name: str = "auto") -> dict[str, float]:
    (op,) = run(NetlistTable(text), [OpRun(linearised.needed(text))], Run(engine=name, workers=1))
    assert op.reasons == [""]
    return {vector: float(array[0]) for vector, array in op.values.items()}


def assert_as_ngspice(text: str) -> None:
    """Every node at 60 frequencies, 0.1 Hz to 1 MHz, within 1e-6 of its own largest."""
    nodes = allow_list.check(text).nodes
    (low, high) = (
        run(NetlistTable(text), [AcRun(start, start * 10.0**3.4, 9, nodes)], Run("ngspice", workers=1))[0]
        for start in (0.1, 400.0)
    )
    found = linearised.matrices(text, point_of(text, "ngspice"))
    largest = max(float(np.abs(low.values[node]).max()) for node in nodes)
    for reply in (low, high):
        assert reply.axis is not None
        ours = found.response(reply.axis, nodes)
        for node in nodes:
            expected = reply.values[node][0]
            scale = max(float(np.abs(expected).max()), 1e-6 * largest)
            assert np.abs(ours[node] - expected).max() <= 1e-6 * scale, node


@needs_ngspice
@pytest.mark.parametrize("case", CIRCUITS)
def test_as_the_reference_engine(case: str) -> None:
    assert_as_ngspice(CIRCUITS[case]())


@needs_ngspice
@pytest.mark.parametrize("name", simwrap.stage_names())
def test_every_stage_as_the_reference_engine(name: str) -> None:
    try:
        text = render(simwrap.stage(name)).circuit.text
    except simwrap.errors.SimwrapError as error:
        pytest.skip(f"no circuit of its own: {error}")
    assert_as_ngspice(text)


@needs_ngspice
def test_controlled_sources_and_diodes_as_the_reference_engine() -> None:
    assert_as_ngspice(
        "v_a n_a 0 dc 2.0 ac 1.0\nr_a n_a n_b 1000.0\nd_1 n_b 0 small\n"
        ".model small d(is=1e-12 n=1.8 rs=3.0 cjo=2e-11 vj=0.7 m=0.4 tt=1e-08)\n"
        "d_2 0 n_b back\n.model back d(is=1e-14 cjo=1e-11)\nd_3 n_b n_c back\nr_c n_c 0 5000.0\n"
        "e_1 n_e 0 n_b 0 3.0\nr_e n_e n_e2 1000.0\nc_e n_e2 0 1e-08\ng_1 0 n_g n_b n_c 0.002\nr_g n_g 0 500.0\n"
        "f_1 0 n_f v_a 2.0\nr_f n_f 0 100.0\nh_1 n_h 0 v_a 50.0\nr_h n_h n_i 1000.0\nl_h n_i 0 0.1\n"
        "l_2 n_j 0 0.4\nk_h l_h l_2 0.95\nr_j n_j 0 300.0\ni_x 0 n_j dc 0.001 ac 0.001\n"
        "b_x n_x n_g v=i(v_a)*v(n_b)+0.5*v(n_e,n_h)\nr_x n_x 0 1000.0\n"
        # two expressions that read each other
        "b_p n_p 0 v=0.3*v(n_q)+v(n_b)\nr_p n_p 0 1000.0\nb_q n_q 0 v=tanh(v(n_p))\nr_q n_q 0 1000.0\n"
    )


@needs_ngspice
def test_every_function_has_the_slope_that_the_reference_engine_gives_it() -> None:
    for place in (0.4, -0.4):
        text = [f"v_a n_a 0 dc {place} ac 1.0", "r_a n_a 0 1000.0"]
        for function, count in expressions.FUNCTIONS.items():
            inner = "(1.3+0.2*v(n_a))" if function in ("ln", "log", "log10", "sqrt") else "(0.9*v(n_a))"
            text += [f"b_{function} n_{function} 0 v={function}({inner}{',1.5' if count == 2 else ''})"]
            text += [f"r_{function} n_{function} 0 1000.0"]
        text += ["b_w n_w 0 v=2.0**(-v(n_a))/(3.0+v(n_a))-v(n_a)^3.0", "r_w n_w 0 1.0"]
        assert_as_ngspice("\n".join(text) + "\n")


def test_a_value_and_its_slopes_by_hand() -> None:
    program = expressions.parse("2.0*v(n_a,n_b)*i(v_x)-exp(v(n_b))", lambda why: NetlistError(why))
    given = {"n_a": np.array([1.0, 2.0]), "n_b": np.array([0.5, 0.0]), "i(v_x)": np.array([3.0, 4.0])}
    value, slopes = expressions.evaluate(program, given)
    np.testing.assert_allclose(value, [3.0 - math.exp(0.5), 15.0])
    np.testing.assert_allclose(slopes["n_a"], [6.0, 8.0])
    np.testing.assert_allclose(slopes["n_b"], [-6.0 - math.exp(0.5), -9.0])
    np.testing.assert_allclose(slopes["i(v_x)"], [1.0, 4.0])


def test_long_and_deep_expressions_end_in_a_sentence_not_in_a_crash() -> None:
    frame = "v_a n_a 0 dc 1.0\nr_a n_a 0 1.0\nr_x n_x 0 1.0\nb_x n_x 0 v="
    long = allow_list.check(frame + "+".join(["v(n_a)"] * 500)).devices["b_x"].program
    assert expressions.evaluate(long, {"n_a": np.array([2.0])})[0][0] == 1000.0
    with pytest.raises(NetlistError, match="brackets within brackets"):
        allow_list.check(frame + "(" * 1500 + "1.0" + ")" * 1500)


def test_poles_of_closed_forms() -> None:
    # Two separate RC sections, 1 kohm with 1 uF and 10 pF: -1/(RC); a series RLC: s^2 + s R/L + 1/(LC) = 0.
    found = linearised.poles(
        "v_a n_a 0 dc 0.0\nr_a n_a n_b 1000.0\nc_b n_b 0 1e-06\nr_c n_a n_c 1000.0\nc_c n_c 0 1e-11\n"
        "r_d n_a n_d 30.0\nl_d n_d n_e 0.01\nc_e n_e 0 1e-07\n",
        dict.fromkeys(("n_a", "n_b", "n_c", "n_d", "n_e"), 0.0),
    )
    real = -30.0 / 0.02
    imag = math.sqrt(1.0 / (0.01 * 1e-7) - real**2)
    expected = [-1e3, complex(real, imag), complex(real, -imag), -1e8]
    np.testing.assert_allclose(np.sort_complex(found), np.sort_complex(expected), rtol=1e-9)


def test_an_oscillator_has_a_growing_pole_where_its_closed_form_says() -> None:
    # Three buffered RC sections and a gain of -k: (1 + s RC)^3 = -k, so s = (k^(1/3) exp(j pi/3) - 1) / RC.
    gain = 12.0
    text = ["v_a n_x 0 dc 0.0", "r_x n_x 0 1.0"]
    before = "n_3"
    for number in (1, 2, 3):
        factor = f"-{gain}" if number == 1 else "1.0"
        text += [f"e_{number} n_e{number} 0 {before} 0 {factor}", f"r_{number} n_e{number} n_{number} 10000.0"]
        text += [f"c_{number} n_{number} 0 1e-08"]
        before = f"n_{number}"
    netlist = "\n".join(text)
    point = dict.fromkeys(linearised.needed(netlist), 0.0)
    found = linearised.poles(netlist, point)
    expected = (gain ** (1 / 3) * np.exp(1j * np.pi / 3) - 1.0) / 1e-4
    assert found[np.argmax(found.imag)] == pytest.approx(expected, rel=1e-9)


def test_what_is_missing_is_named() -> None:
    with pytest.raises(NetlistError, match="n_out"):
        linearised.matrices("v_a n_a 0 dc 1.0\nr_a n_a n_out 1.0\nr_b n_out 0 1.0", {"n_a": 1.0})


def test_a_period_of_a_quiet_circuit_is_the_exponential_of_its_poles() -> None:
    # Nothing changes along the period, so its map has the eigenvalues exp(s T), the fast ones 0.
    from simwrap.engine.deck import Deck
    from simwrap.engine.steady import _true_state

    text = push_pull()
    parsed = allow_list.check(text)
    names = (*parsed.nodes, *(f"i({coil})" for coil in parsed.kind("l")))
    found = linearised.Linearised(parsed)
    (op,) = run(NetlistTable(text), [OpRun(names)], Run(workers=1))
    times = np.array([0.0, 1e-3])
    waves = {name: np.repeat(array, 2) for name, array in op.values.items()}
    energy = _true_state(Deck(parsed), names, {})
    stretch = found.period(energy, names, np.linspace(0.0, 1e-3, 201), times, waves)
    jacobian = stretch.whole
    poles = found.matrices({name: float(array[0]) for name, array in op.values.items()}).poles()
    slow = sorted(np.exp(poles[np.abs(poles) < 2e3].real * 1e-3))
    ours = sorted(np.linalg.eigvals(jacobian).real)[-len(slow) :]
    assert len(slow) >= 3
    np.testing.assert_allclose(ours, slow, rtol=1e-4)
    # What a change of the beginning is in the nodes at the end is what the state at the end says.
    change = np.linalg.pinv(energy) @ np.ones(len(energy))
    at_end = stretch.waves(names, energy @ change)[:, -1]
    np.testing.assert_allclose(energy @ at_end, jacobian @ (energy @ change), rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("farads", [1e-6, 1e-3, 1.0, 10.0])
def test_a_quick_pair_keeps_its_digits_beside_a_farad(farads):
    """A pair of 3.3e6 +/- j9.8e6 that grows, beside R C of up to a million seconds: s^2 + s g/C + 1/(LC) = 0."""
    real, imag = 3.3e6, 9.8e6
    c = 1e-10
    inductance, conductance = 1.0 / (c * (real**2 + imag**2)), 2.0 * real * c
    text = "\n".join(
        [
            "v_a n_a 0 dc 1.0 ac 1.0",
            "r_a n_a n_b 100000.0",
            f"c_big n_b 0 {farads!r}",
            "r_b n_b n_c 100000.0",
            f"c_c n_c 0 {c!r}",
            f"l_c n_c n_d {inductance!r}",
            "r_d n_d 0 1e-3",
            f"g_c 0 n_c n_c 0 {conductance + 1e-5!r}",
        ]
    )
    found = linearised.poles(text, {"n_a": 1.0, "n_b": 0.0, "n_c": 0.0, "n_d": 0.0})
    pair = found[np.argsort(-found.real)][:2]
    assert pair.real == pytest.approx([real, real], rel=1e-3)
    assert np.sort(pair.imag) == pytest.approx([-imag, imag], rel=1e-3)
    slowest = found[np.argmin(np.abs(found))]
    assert slowest.real == pytest.approx(-1.0 / (farads * 5e4), rel=1e-2)


@pytest.mark.parametrize("steps", ["alike", "uneven"])
def test_unknowns_that_change_alone_are_solved_at_each_instant(steps: str) -> None:
    """Elimination of what never changes against numpy's solution of the whole, instant by instant."""
    rng = np.random.default_rng(5)
    instants, unknowns, states = 14, 30, 4
    matrix = np.repeat(rng.normal(size=(1, unknowns, unknowns)) + 12.0 * np.eye(unknowns), instants, axis=0)
    matrix[:, 3, 5] += rng.normal(size=instants)
    matrix[:, 5, 5] += rng.normal(size=instants)
    seen, enters = rng.normal(size=(1, states, unknowns)), rng.normal(size=(unknowns, states))
    rate = np.full((instants, 1, 1), 2.0)
    if steps == "uneven":
        rate[::2] *= 1.5
    solved, found = answers(matrix, seen, enters, rate)
    whole = [np.linalg.solve(m + r * (enters @ seen[0]), r * enters) for m, r in zip(matrix, rate, strict=True)]
    np.testing.assert_allclose(solved, [seen[0] @ each for each in whole], rtol=1e-9, atol=1e-12)
    changes = rng.normal(size=(1 + instants // 2, states))
    kept = [whole[0], *whole[1::2]]
    told = [each @ change for each, change in zip(kept, changes, strict=True)]
    np.testing.assert_allclose(found.of(changes), told, rtol=1e-9, atol=1e-12)
    assert len(found.places) == (2 if steps == "alike" else unknowns)
