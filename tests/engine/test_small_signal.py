"""Small signals of the linearised circuit: against both engines' own analyses, LAPACK, and closed forms."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from engine_circuits import amplifier, push_pull

import simwrap
from simwrap import engine
from simwrap.amplifier import shared_supply
from simwrap.amplifier.supply_match import match
from simwrap.circuits import bench
from simwrap.circuits.circuit import as_circuit
from simwrap.circuits.design_file import read_whole_design
from simwrap.circuits.point_table import PointTable
from simwrap.circuits.render import excited, render
from simwrap.engine import AcRun, NetlistTable, NoiseRun, Run, elimination, run, small_signal
from simwrap.engine.backends.discovery import missing
from simwrap.errors import NetlistError, SimwrapError
from simwrap.measures.results import labelled
from simwrap.netlist import allow_list
from simwrap.simulation.conduct import evaluate
from simwrap.simulation.outcome import Outcome

ENGINES = [
    pytest.param(name, marks=pytest.mark.skipif(bool(missing(name)), reason="that engine is not there"))
    for name in engine.NAMES
]
BOLTZMANN, TEMPERATURE = 1.380649e-23, 300.15
DIVIDER = "v_signal n_in 0 dc 0.0 ac 1.0\nr_a n_in n_out 1000.0\nr_b n_out 0 3000.0\nc_b n_out 0 1e-08\n"
QUICK = Run(workers=1)


def both(text: str, sweep: AcRun | NoiseRun, source: str, options: Run) -> list[Any]:
    """Return the engine's own analysis, and that of the linearised circuit."""
    linear = replace(sweep, linear=True) if isinstance(sweep, NoiseRun) else replace(sweep, linear=True, source=source)
    replies = run(NetlistTable(text), [sweep, linear], options)
    assert [reply.reasons for reply in replies] == [[""], [""]]
    return replies


def assert_alike(text: str, sweep: AcRun | NoiseRun, source: str, options: Run) -> None:
    """Every value within a millionth of the engine's own, or of what rounding leaves it of its largest ones.

    An engine's unknowns are voltages; a current through a wire of 10 milliohms is a hundred times the difference of
    two of them: with 16 digits of 1 V, about 1e-14 A are lost.
    """
    own, linear = both(text, sweep, source, options)
    largest = max(1.0, *(float(np.abs(linear.values[name]).max()) for name in linear.values))
    rounding = 1e-13 * largest if isinstance(sweep, AcRun) else 0.0
    for name, values in linear.values.items():
        expected = own.values[name]
        off = np.abs(values - expected) - 1e-6 * np.abs(expected) - rounding
        assert (off <= 0.0).all(), (name, values[off > 0.0], expected[off > 0.0])


@pytest.mark.parametrize("name", ENGINES)
@pytest.mark.parametrize("stage", simwrap.stage_names())
def test_every_stage_as_the_engines_have_it(stage: str, name: str) -> None:
    """From every source that its bench has, to every port and to the source's current: 0.1 Hz to 10 MHz."""
    try:
        circuit = as_circuit(simwrap.stage(stage))
        texts = {source: render(circuit, excite=source) for source in bench.devices(circuit)}
    except SimwrapError as error:
        pytest.skip(f"no circuit of its own: {error}")
    options = Run(name, workers=1)
    for source, netlist in texts.items():
        text, device = netlist.circuit.text, excited(circuit, source)[0]
        parsed = allow_list.check(text)
        if device not in parsed.devices:
            continue
        nodes = tuple(dict.fromkeys(node for node in circuit.ports.values() if node in parsed.nodes))
        vectors = (*nodes, *(["i(v_signal)"] if "v_signal" in parsed.devices else []))
        assert_alike(text, AcRun(0.1, 1e7, 4, vectors), device, options)
    if "output" in circuit.ports and "v_signal" in parsed.devices and not small_signal.unknown(parsed, device, True):
        text = texts["signal"].circuit.text
        assert_alike(text, NoiseRun(22.0, 22e3, 6, circuit.ports["output"]), "v_signal", options)


@pytest.mark.parametrize("name", ENGINES)
def test_every_element_as_the_engines_have_it(name: str) -> None:
    text = (
        "v_signal n_a 0 dc 2.0 ac 1.0\nr_a n_a n_b 1000.0\nd_1 n_b 0 small\n"
        ".model small d(is=1e-12 n=1.8 rs=3.0 cjo=2e-11 vj=0.7 m=0.4 tt=1e-08)\nr_c n_c 0 5000.0\nc_c n_b n_c 1e-08\n"
        "e_1 n_e 0 n_b 0 3.0\nr_e n_e n_e2 1000.0\nc_e n_e2 0 1e-08\ng_1 0 n_g n_b n_c 0.002\nr_g n_g 0 500.0\n"
        "f_1 0 n_f v_signal 2.0\nr_f n_f 0 100.0\nh_1 n_h 0 v_signal 50.0\nr_h n_h n_i 1000.0\nl_h n_i 0 0.1\n"
        "l_2 n_j 0 0.4\nk_h l_h l_2 0.95\nr_j n_j 0 300.0\nb_x n_x n_g v=i(v_signal)*v(n_b)+0.5*v(n_e,n_h)\n"
        "r_x n_x 0 1000.0\nc_x n_x n_a 1e-09\n"
    )
    sweep = AcRun(1.0, 1e7, 5, ("n_b", "n_c", "n_e2", "n_f", "n_i", "n_j", "n_x", "i(v_signal)", "i(l_2)"))
    assert_alike(text, sweep, "v_signal", Run(name, workers=1))


@pytest.mark.parametrize("name", ENGINES)
@pytest.mark.parametrize("text", [push_pull(), amplifier(2200.0)], ids=["push-pull", "feedback"])
def test_amplifiers_as_the_engines_have_them(text: str, name: str) -> None:
    parsed = allow_list.check(text)
    source = next(device for device in parsed.kind("v") if parsed.devices[device].ac)
    assert_alike(text, AcRun(1.0, 1e6, 6, parsed.nodes), source, Run(name, workers=1))


def whole_amplifier() -> Any:
    design = read_whole_design(Path(str(files("simwrap.amplifier").joinpath("reading_room.toml"))), complete=True)
    agreed = match(design)
    return shared_supply.all_channels(design, agreed, agreed.circuit)


def figures(outcome: Outcome) -> dict[str, Any]:
    assert not any(outcome.reasons)
    return {name: np.asarray(variable.values) for name, variable in labelled(outcome.results).items()}


@pytest.mark.parametrize("name", ENGINES)
def test_the_reading_room_as_the_engines_have_it(name: str) -> None:
    """Both channels on one supply: every figure and curve of response, impedance, rejection, margins and noise."""
    table = PointTable(whole_amplifier())
    measures = {
        "response": {}, "impedance": {}, "stability": {"start": 1.0, "stop": 1e6, "per_decade": 10},
        "noise": {"per_decade": 10}, "load_lines": {}, "rejection": {"per_decade": 4},
    }  # fmt: skip
    linear, own = (evaluate(table, measures, Run(name, small_signals=how)) for how in ("auto", "engine"))
    assert (linear.small_signals, own.small_signals) == ({"linearised"}, {"engine"})
    found, expected = figures(linear), figures(own)
    assert found.keys() == expected.keys()
    for figure, values in expected.items():
        if values.dtype.kind != "f":
            assert (found[figure] == values).all(), figure
            continue
        assert (np.isnan(values) == np.isnan(found[figure])).all(), figure
        # Decibels and degrees near 0 are held to a millionth of one.
        floor = 1.0 if figure.endswith(("_db", "_deg", "phase", "phase_margin")) else 0.0
        # The other channel's valves are heard here through the supply alone, some 1e-4 of what they do at home, and the
        # engines solve to 1e-6 of that (ngspice with reltol 1e-11 is 6e-8 from the linearised circuit).
        relative = 2e-5 if figure.startswith("noise.noise_resistance.second_") else 1e-6
        np.testing.assert_allclose(found[figure], values, rtol=relative, atol=1e-6 * floor, err_msg=figure)


def test_noise_and_response_of_a_divider_are_closed_forms() -> None:
    """Nyquist: 4kT times the real part of the impedance, whatever makes it."""
    runs = [NoiseRun(1.0, 1e6, 3, "n_out", linear=True), AcRun(1.0, 1e6, 3, ("n_out",), "v_signal", linear=True)]
    noise, sweep = run(NetlistTable(DIVIDER), runs, QUICK)
    omega = 2.0 * np.pi * runs[0].frequencies
    impedance = 1.0 / (1.0 / 750.0 + 1j * omega * 1e-8)
    np.testing.assert_allclose(
        noise.values["output_density"][0], np.sqrt(4.0 * BOLTZMANN * TEMPERATURE * impedance.real), rtol=1e-6
    )
    np.testing.assert_allclose(sweep.values["n_out"][0], impedance / 1000.0, rtol=1e-12)


def test_elimination_solves_as_lapack_does_and_says_where_it_cannot() -> None:
    draw = np.random.default_rng(5)
    for size in (1, 2, 5, 30):
        points, sides, s = 7, 3, 2j * np.pi * np.array([1.0, 30.0, 4000.0])
        pattern = (draw.random((size, size)) < 4.0 / size) | np.eye(size, dtype=bool)
        slow = pattern & (draw.random((size, size)) < 0.3)
        constant = draw.normal(size=(points, size, size)) * pattern
        rate = 1e-3 * draw.normal(size=(points, size, size)) * slow
        steps = elimination.plan(constant[0] + s[1] * rate[0], slow)
        assert steps is not None
        given = draw.normal(size=(sides, points, size))
        right = {k: given[:, :, k, None] for k in range(size)}
        found = elimination.solve(steps, constant, rate, slow, s, right)
        exact = np.linalg.solve(
            constant[:, None] + s[:, None, None] * rate[:, None], given.transpose(1, 2, 0)[:, None].astype(complex)
        )
        for k in range(size):
            ours = np.broadcast_to(found[k], (sides, points, len(s)))
            np.testing.assert_allclose(ours, exact[:, :, k].transpose(2, 0, 1), rtol=1e-6, atol=1e-9)
    none = np.zeros((2, 2), dtype=bool)
    assert elimination.plan(np.array([[1.0, 2.0], [2.0, 4.0]]), none) is None
    assert elimination.plan(np.array([[0.0, 1.0], [0.0, 1.0]]), none) is None


def test_points_of_very_different_values_are_all_solved() -> None:
    """Two gyrators between a source and a capacitor: what holds a node at the first point is nothing at the others."""
    text = "v_signal n_in 0 dc 0.0 ac 1.0\nr_in n_in n_a 1000.0\nr_a n_a 0 10.0\ng_1 n_a 0 n_b 0 0.5\n" \
        "g_2 0 n_b n_a 0 0.5\nr_b n_b 0 10.0\nc_b n_b 0 1e-09\n"  # fmt: skip
    table = {"r_a": np.array([10.0, 1e14, 3.0]), "r_b": np.array([10.0, 1e14, 1e14])}
    sweep = AcRun(1.0, 1e5, 2, ("n_a", "n_b"), "v_signal", linear=True)
    (reply,) = run(NetlistTable(text, table, 3), [sweep], QUICK)
    omega = 2.0 * np.pi * sweep.frequencies
    for point, (ra, rb) in enumerate(zip(table["r_a"], table["r_b"], strict=True)):
        below = 1.0 / rb + 1j * omega * 1e-9
        expected = 1e-3 / (1e-3 + 1.0 / ra + 0.25 / below)
        np.testing.assert_allclose(reply.values["n_a"][point], expected, rtol=1e-7)
        np.testing.assert_allclose(reply.values["n_b"][point], 0.5 * expected / below, rtol=1e-7)


def test_wrong_solutions_are_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pivots that spoil everything change nothing but the time: the equations are checked, and solved anew."""
    right = run_here(DIVIDER)

    def spoilt(*given: Any) -> dict[int, Any]:
        return {index: 1.001 * found for index, found in elimination.solve(*given).items()}

    monkeypatch.setattr(small_signal, "solve", spoilt)
    np.testing.assert_allclose(run_here(DIVIDER), right, rtol=1e-12)
    monkeypatch.setattr(small_signal, "plan", lambda *_: None)
    np.testing.assert_allclose(run_here(DIVIDER), right, rtol=1e-12)


def run_here(text: str, state: float = 0.0) -> Any:
    parsed = allow_list.check(text)
    at = {name: np.array([state]) for name in small_signal.needed(parsed)}
    found, lost = small_signal.sweeps_of(parsed, {}, at, [AcRun(1.0, 1e6, 2, ("n_out",), "v_signal", linear=True)])
    assert not lost
    return found[0]["n_out"][0]


def test_points_without_a_solution_are_named_and_take_no_other_down() -> None:
    parsed = allow_list.check(DIVIDER + "g_x n_out 0 n_out 0 0.1\n")
    # 1/1000 + 1/3000 - gain = 0, and no capacitor: nothing holds the node at the middle point.
    parsed = allow_list.check(DIVIDER.replace("1e-08", "0.0") + "b_x n_out 0 i=0.5*v(n_out)*v(n_out)\n")
    at = {"n_in": np.zeros(4), "n_out": np.array([0.0, -(1 / 1000 + 1 / 3000), np.nan, 0.0])}
    sweep = AcRun(1.0, 10.0, 1, ("n_out",), "v_signal", linear=True)
    (found,), lost = small_signal.sweeps_of(parsed, {}, at, [sweep])
    assert lost == [1]
    np.testing.assert_allclose(found["n_out"][[0, 3]], 0.75, rtol=1e-12)
    assert np.isnan(found["n_out"][1:3]).all()


def test_what_cannot_be_made_linear_is_left_to_the_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    diode = allow_list.check(DIVIDER + "d_1 n_out 0 small\n.model small d(is=1e-12)\n")
    assert small_signal.unknown(diode, "v_signal", noise=False) == ""
    assert "the noise of a diode" in small_signal.unknown(diode, "v_signal", noise=True)
    assert "an ac value of its own" in small_signal.unknown(diode, "v_other", noise=False)
    made = simwrap.stage("triode_gain")
    measures: dict[str, dict[str, Any]] = {"response": {}, "impedance": {}, "noise": {"per_decade": 4}}
    table = PointTable(made, {"cathode_resistor": np.array([1e3, 1.5e3, 2.2e3])}, 3)
    linear = evaluate(table, measures)
    monkeypatch.setattr(small_signal, "KNOWN", small_signal.KNOWN.replace("c", ""))
    own = evaluate(table, measures)
    assert (linear.small_signals, own.small_signals) == ({"linearised"}, {"engine"})
    found, expected = figures(linear), figures(own)
    for name in ("response.gain", "impedance.input", "impedance.output", "noise.output_rms", "noise.input_density"):
        np.testing.assert_allclose(found[name], expected[name], rtol=1e-6)


def test_a_single_sweep_is_the_engines_own() -> None:
    assert evaluate(PointTable(simwrap.stage("triode_gain")), {"response": {}}).small_signals == {"engine"}


def test_how_it_was_found_stands_beside_the_numbers() -> None:
    found = simwrap.measure(simwrap.stage("triode_gain"), ["response", "noise"])
    assert "linearised about the engine's operating point" in found.provenance["small_signals"]
    data = simwrap.spread(simwrap.stage("triode_gain"), None, ["noise"], builds=6, seed=1, spot_check=2)
    assert "linearised" in data.attrs["small_signals"]
    assert "by its own analyses" in data.attrs["spot_check"]
    assert 0.0 <= data.attrs["spot_check_disagreement"] < 1e-5


def test_a_sweep_that_takes_too_long_ends_with_its_reason() -> None:
    """A million frequencies of an amplifier take some seconds, and every block of them is watched."""
    parsed = allow_list.check(amplifier(2200.0))
    seen: list[int] = []
    long = AcRun(1.0, 1e6, 160_000, (parsed.nodes[-1],), "v_signal", linear=True)
    (reply,) = run(NetlistTable(amplifier(2200.0)), [long], Run(engine.choose()[0], time_limit=0.3, workers=1))
    assert "more than the time limit" in reply.reasons[0]
    assert np.isnan(reply.values[parsed.nodes[-1]]).all()
    state = {name: np.zeros(40) for name in ("n_in", "n_out")}
    sweep = replace(long, vectors=("n_out",), per_decade=100)
    small_signal.sweeps_of(allow_list.check(DIVIDER), {}, state, [sweep], seen.append)
    assert seen[0] == 0
    assert len(set(seen)) > 2
    assert seen == sorted(seen)


def test_a_linear_sweep_needs_its_source() -> None:
    for sweep in (AcRun(1.0, 10.0, 1, ("n_out",), linear=True), AcRun(1.0, 10.0, 1, ("n_out",), "v_signal")):
        with pytest.raises(NetlistError, match="source"):
            run(NetlistTable(DIVIDER), [sweep], QUICK)


def test_a_few_frequencies_are_enough_for_the_noise() -> None:
    """Totals from 5 frequencies a decade are within 0.05 dB of those from 100: the density is smooth."""
    for stage in ("two_stage_preamplifier", "pentode_gain", "riaa_passive"):
        circuit = simwrap.stage(stage)
        few, dense = (figures(evaluate(PointTable(circuit), {"noise": {"per_decade": number}})) for number in (5, 100))
        for name in ("output_rms", "output_rms_a_weighted", "output_rms_468", "with_flicker.output_rms"):
            apart = 20.0 * np.log10(few[f"noise.{name}"] / dense[f"noise.{name}"])
            assert abs(float(apart[0])) < 0.05, (stage, name)


def test_the_order_of_pivots_is_that_of_a_search_through_all_of_them() -> None:
    """Kept from step to step it costs less, and is the same: Markowitz' least product at every step (brute force)."""
    dice = np.random.default_rng(3)
    for _ in range(20):
        count = int(dice.integers(4, 14))
        sample = np.where(dice.random((count, count)) < 0.3, dice.normal(size=(count, count)), 0.0)
        sample += np.diag(dice.uniform(1.0, 2.0, count))
        steps = elimination.plan(sample, np.zeros((count, count), bool))
        assert steps is not None
        left = sample.copy()
        live = np.ones((count, count), bool)
        pattern = sample != 0.0
        for step in steps:
            entries, best = pattern & live, np.inf
            for i, j in np.argwhere(entries):
                largest = np.abs(left[entries[:, j], j]).max()
                if abs(left[i, j]) >= 0.1 * largest > 0.0:
                    best = min(best, (entries[i].sum() - 1) * (entries[:, j].sum() - 1))
            assert (entries[step.row].sum() - 1) * (entries[:, step.column].sum() - 1) == best
            for other in step.below:
                left[other] -= left[other, step.column] / left[step.row, step.column] * left[step.row]
                pattern[other] |= pattern[step.row]
                pattern[other, step.column] = False
            live[step.row, :] = live[:, step.column] = False


def test_a_large_system_by_itself_is_solved_as_a_sparse_one() -> None:
    dice = np.random.default_rng(4)
    matrix = np.where(dice.random((300, 300)) < 0.02, dice.normal(size=(300, 300)), 0.0) + 3.0 * np.eye(300) + 0j
    right = dice.normal(size=(300, 2)) + 0j
    assert small_signal.solved_apart(matrix, right) == pytest.approx(np.linalg.solve(matrix, right), rel=1e-9)
