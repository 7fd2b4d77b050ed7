"""Output stages: a quasi-static solution of our own, closed forms of push-pull and transformers."""

from __future__ import annotations

import re

import numpy as np
import pytest
from stage_runs import assert_printed, at, checked, curve, harmonics, operating, small_signal, steady, thd

import simwrap
from simwrap import measure
from simwrap.circuits import template_functions
from simwrap.circuits.render import render
from simwrap.circuits.stage import stage
from simwrap.engine import run
from simwrap.engine.protocol import AcRun, NetlistTable, Sine, SteadyRun
from simwrap.errors import RangeError
from simwrap.fitting.output_stage import OutputStage, five_point_harmonics, solve_stage
from simwrap.valves import get_valve

FARAD = 1.0
PUBLISHED = {"transformer": "ideal", "grid_stopper": 0}
CASES = {
    # stage, its values, and the same conditions for the solution without reactances
    "pair, shared cathode resistor": (
        "push_pull_output",
        {"drive": 10},
        {"push_pull": True, "supply": 285, "load": 8e3, "cathode_resistor": 540, "drive": 10},
    ),
    "pair, cathode resistor each": (
        "push_pull_output",
        {"drive": 10, "cathode_connection": "separate", "cathode_resistor": 600},
        {"push_pull": True, "supply": 285, "load": 8e3, "cathode_resistor": 600, "drive": 10},
    ),
    "pair, fixed bias, screen resistors": (
        "push_pull_output",
        {"drive": 13, "bias": "fixed", "grid_bias": -22, "screen_resistor": 100, "common_screen_resistor": 470},
        {"push_pull": True, "supply": 285, "load": 8e3, "grid_bias": -22, "drive": 13, "screen_resistor": 100,
         "common_screen_resistor": 470},
    ),
    "pair, ultra-linear": (
        "push_pull_output",
        {"drive": 10, "connection": "ultra_linear", "screen_tap": 0.3, "screen_resistor": 150},
        {"push_pull": True, "supply": 285, "load": 8e3, "cathode_resistor": 540, "drive": 10, "screen_tap": 0.3,
         "screen_resistor": 150},
    ),
    "pair, triode connection": (
        "push_pull_output",
        {"drive": 10, "connection": "triode"},
        {"push_pull": True, "supply": 285, "load": 8e3, "cathode_resistor": 540, "drive": 10, "screen_tap": 1.0},
    ),
    "single, pentode": (
        "single_ended_output",
        {"drive": 6},
        {"supply": 265, "load": 5e3, "cathode_resistor": 270, "drive": 6},
    ),
    "single, ultra-linear": (
        "single_ended_output",
        {"drive": 7, "connection": "ultra_linear", "screen_tap": 0.43},
        {"supply": 265, "load": 5e3, "cathode_resistor": 270, "drive": 7, "screen_tap": 0.43},
    ),
    "single, triode connection": (
        "single_ended_output",
        {"drive": 7, "connection": "triode"},
        {"supply": 265, "load": 5e3, "cathode_resistor": 270, "drive": 7, "screen_tap": 1.0},
    ),
}  # fmt: skip


def law_of(name: str):
    valve = get_valve(name)

    def law(anode, grid, screen):
        flow = valve.currents(anode, grid, screen)
        return flow.anode, flow.screen

    return law


@pytest.mark.parametrize("case", CASES)
def test_power_currents_and_distortion_agree_with_a_quasi_static_solution(case):
    """Power and currents within 0.1 %, distortion within 0.02 points: no constants, the same law."""
    name, values, conditions = CASES[case]
    made = stage(name, **values, **PUBLISHED)
    oracle = solve_stage(law_of("6V6GT"), OutputStage(**conditions), phases=96)
    assert oracle.converged
    assert oracle.grid_voltage_max < -1.0, "with grid current the two aren't the same problem"
    valves = list(made.valves)
    anodes, screens = [f"n_{v}_ia" for v in valves], [f"n_{v}_ig2" for v in valves]
    still = operating(made)
    moving = steady(made, np.sqrt(2.0) * values["drive"], "n_speaker", *anodes, *screens)
    speaker = moving["n_speaker"]

    def milliamps(nodes, of):
        return sum(float(np.mean(of[node])) for node in nodes)

    assert np.mean(speaker**2) / made.values["speaker_impedance"] == pytest.approx(oracle.output_power, rel=1e-3)
    assert milliamps(anodes, still) == pytest.approx(1e3 * oracle.anode_current_zero_signal, rel=1e-3)
    assert milliamps(screens, still) == pytest.approx(1e3 * oracle.screen_current_zero_signal, rel=1e-3)
    assert milliamps(anodes, moving) == pytest.approx(1e3 * oracle.anode_current, rel=1e-3)
    assert milliamps(screens, moving) == pytest.approx(1e3 * oracle.screen_current, rel=1e-3)
    assert 100.0 * thd(speaker) == pytest.approx(100.0 * oracle.thd, abs=0.02)


@pytest.mark.parametrize("name", ["push_pull_output", "single_ended_output"])
def test_an_ideal_transformer_drops_no_direct_voltage_and_has_the_stated_ratio(name):
    made = stage(name, transformer="ideal")
    voltages = operating(made)
    for use in made.valves.values():
        assert voltages[use.nodes["anode"]] == pytest.approx(made.values["supply"], abs=1e-6)
    assert voltages["n_speaker"] == pytest.approx(0.0, abs=1e-9)
    if name == "push_pull_output":
        assert_printed(np.sqrt(6600.0 / 8.0), "transformer_ratio", 5e-4)
        made = made.replace(anode_to_anode_load=6600)
        a, b, speaker = at(made, 1000.0, "n_anode_a", "n_anode_b", "n_speaker")
        assert_printed(abs(a - b) / abs(speaker), "transformer_ratio", 5e-4)
    else:
        anode, speaker = at(made, 1000.0, "n_anode", "n_speaker")
        assert abs(anode) / abs(speaker) == pytest.approx(np.sqrt(5000.0 / 8.0), rel=1e-6)


@pytest.mark.parametrize("name", ["push_pull_output", "single_ended_output"])
@pytest.mark.parametrize("connection", ["pentode", "ultra_linear", "triode"])
def test_the_output_is_in_phase_and_the_ideal_response_is_flat(name, connection):
    made = stage(name, transformer="ideal", connection=connection, cathode_capacitor=FARAD)
    _, gain = curve(made, 20.0, 20e3, 3)
    assert (np.real(gain) > 0.0).all()
    # The core reaches down to 0.2 Hz and the valves' capacitances up past the audio range.
    assert np.ptp(20.0 * np.log10(np.abs(gain))) < 0.05


def test_each_valve_sees_half_the_load_in_class_a_and_a_quarter_alone():
    """Raa/2, and Raa/4 with the other cut off (Thompson, Proc. IRE, April 1933; RDH ch. 13)."""
    made = stage("push_pull_output", anode_to_anode_load=6600, **PUBLISHED)
    anode, current = at(made, 1000.0, "n_anode_a", "n_v1_ia")
    assert abs(anode / (1e-3 * current)) == pytest.approx(3300.0, rel=0.01)
    alone = made.replace(bias="fixed", grid_bias=-15, bias_difference=-85)
    anode, current, other = at(alone, 1000.0, "n_anode_a", "n_v1_ia", "n_v2_ia")
    assert abs(other) < 1e-6 * abs(current)
    assert abs(anode / (1e-3 * current)) == pytest.approx(1650.0, rel=0.01)


def ultra_linear(ra: float, gm: float, mu_screen: float, tap: float) -> float:
    """1/ra' = 1/ra + x*gm/mu(g2,g1), screen current neglected (Hafler and Keroes, 1951; elementary)."""
    return 1.0 / (1.0 / ra + tap * gm / mu_screen)


def test_ultra_linear_formula_gives_the_printed_numbers():
    for tap, name, digits in ((0.0, "0", 0.5), (0.2, "20", 0.5), (0.43, "43", 0.05), (1.0, "100", 0.05)):
        assert_printed(ultra_linear(15e3, 11e-3, 11, tap), f"ultra_linear_{name}", digits)
    found = ultra_linear(38e3, 11.3e-3, 19, 1.0)
    assert_printed(found, "ultra_linear_el84_triode", 0.05)


@pytest.mark.parametrize("tap", [0.2, 0.43, 0.7])
def test_ultra_linear_anode_resistance_within_one_percent(tap):
    """The anode current's own resistance, as the formula neglects the screen's."""
    made = stage("single_ended_output", connection="ultra_linear", screen_tap=tap, cathode_capacitor=FARAD, **PUBLISHED)
    slopes = small_signal(made)
    voltages = operating(made)
    va, vg, vs = (voltages[node] - voltages["n_cathode"] for node in ("n_anode", "n_grid", "n_screen"))
    step = 1e-3
    up, down = (made.valves["v1"].valve.currents(va, vg, vs + sign * step).anode for sign in (1.0, -1.0))
    mu_screen = slopes.gm / ((up - down) / (2.0 * step))
    anode, current, cathode, grid = at(made, 200.0, "n_anode", "n_v1_ia", "n_cathode", "n_grid", excite="output")
    assert abs(grid - cathode) < 1e-3 * abs(anode)  # the grid takes no part
    found = abs((anode - cathode) / (1e-3 * current))
    assert found == pytest.approx(ultra_linear(float(slopes.ra), float(slopes.gm), float(mu_screen), tap), rel=0.01)


@pytest.mark.parametrize("tap", [0.0, 0.2, 0.43, 1.0])
def test_output_impedance_follows_the_tap_with_the_screen_current(tap):
    """Both currents flow in the winding: Zout = Rsp/RL times 1/(d(Ia + x*Ig2)/dVa)."""
    made = stage("single_ended_output", connection="ultra_linear", screen_tap=tap, cathode_capacitor=FARAD, **PUBLISHED)
    impedance = at(made, 200.0, excite="output")
    load = made.values["speaker_impedance"]
    alone = 1.0 / (1.0 / impedance - 1.0 / load)
    wanted = float(small_signal(made, tap=tap).ra) * load / made.values["anode_load"]
    assert np.real(alone) == pytest.approx(wanted, rel=0.01)


def test_damping_factor_of_a_triode_connected_pair_within_one_percent():
    """DF = Raa/(2 ra), class A, no feedback (Radio Designer's Handbook ch. 13)."""
    assert_printed(2.0 * 910.0 * 8.0 / 5000.0, "damping_triode_output", 5e-4)
    assert_printed(5000.0 / (2.0 * 910.0), "damping_triode", 5e-4)
    assert_printed(2.0 * 15e3 * 8.0 / 6600.0, "damping_pentode_output", 5e-3)
    assert_printed(6600.0 / (2.0 * 15e3), "damping_pentode", 5e-4)
    made = stage(
        "push_pull_output", connection="triode", cathode_capacitor=FARAD, anode_to_anode_load=5000, **PUBLISHED
    )
    impedance = at(made, 200.0, excite="output")
    alone = 1.0 / np.real(1.0 / impedance - 1.0 / 8.0)
    ra = float(small_signal(made, tap=1.0).ra)
    assert 8.0 / alone == pytest.approx(5000.0 / (2.0 * ra), rel=0.01)


def test_load_line_formulas_give_the_printed_numbers():
    """Po = (Imax-Imin)^2*RL/8 and D2 = (Imax+Imin-2*I0)/(2*(Imax-Imin)) (RCA tube manuals)."""
    assert_printed((0.110 - 0.015) ** 2 * 2500.0 / 8.0, "load_line_power", 5e-5)
    assert_printed(100.0 * (110 + 15 - 2 * 60) / (2 * (110 - 15)), "load_line_second_harmonic", 5e-5)
    found = five_point_harmonics([100e-3, 78e-3, 50e-3, 24e-3, 8e-3])
    for value, order in zip(found, range(1, 5), strict=True):
        assert_printed(value, f"five_point_b{order}", 5e-7)


def test_five_point_harmonics_of_a_simulated_stage_within_one_percent():
    """Currents at +1, +1/2, 0, -1/2 and -1 of the drive against the spectrum (Espley, Proc. IRE, 1933).

    Five points know four harmonics; with a moderate drive there are hardly any others.
    """
    made = stage("single_ended_output", cathode_capacitor=FARAD, **PUBLISHED)
    wave = steady(made, 4.0, "n_v1_ia", samples=2048)["n_v1_ia"]
    spectrum = np.fft.rfft(wave) / len(wave)

    def current(phase: float) -> float:
        orders = np.arange(1, 40)
        return float(np.real(spectrum[0] + 2.0 * np.sum(spectrum[1:40] * np.exp(1j * orders * phase))))

    degrees = np.radians([90.0, 30.0, 0.0, -30.0, -90.0])
    points = five_point_harmonics([current(phase) for phase in degrees])
    found = harmonics(wave, 4)
    assert abs(points[0]) == pytest.approx(found[0], rel=0.01)
    assert abs(points[1]) == pytest.approx(found[1], rel=0.01)
    assert abs(points[2]) == pytest.approx(found[2], rel=0.01)
    power = (current(np.pi / 2) - current(-np.pi / 2)) ** 2 * 1e-6 * 5000.0 / 8.0
    assert power == pytest.approx(found[0] ** 2 * 1e-6 / 2.0 * 5000.0, rel=0.02)


BARE = {
    # A transformer and nothing else: the valves are cut off.
    "bias": "fixed",
    "grid_bias": -400,
    "primary_resistance": 0,
    "secondary_resistance": 0,
    "primary_capacitance": 0,
    "interwinding_capacitance": 0,
    "core_loss_resistor": 0,
}


def primary_impedance(values: dict, load: float, frequency: float) -> complex:
    """Return what 1 A into the whole primary meets [ohm], with another resistor as the load."""
    circuit = render(stage("push_pull_output", **values)).circuit
    text = re.sub(r"^(r_load \S+ \S+) \S+$", rf"\g<1> {load!r}", circuit.text, flags=re.MULTILINE)
    text = text.replace("v_signal n_signal n_bias_a dc 0.0 ac 1.0", "v_signal n_signal n_bias_a dc 0.0 ac 0.0")
    text += "i_test n_anode_a n_anode_b dc 0 ac 1.0\n"
    (reply,) = run(NetlistTable(text), [AcRun(frequency, frequency * 1.01, 1, ("n_anode_a", "n_anode_b"))])
    assert reply.reasons == [""]
    return complex(reply.values["n_anode_b"][0][0] - reply.values["n_anode_a"][0][0])


def test_open_and_shorted_inductance_and_the_coupling_they_mean():
    """k = sqrt(1 - Lleakage/Lprimary): what open and short circuit would measure."""
    omega = 2.0 * np.pi * 50.0  # the cut-off valves' capacitances resonate far above
    opened = np.imag(primary_impedance(BARE, 1e9, 50.0)) / omega
    shorted = np.imag(primary_impedance(BARE, 1e-6, 50.0)) / omega
    assert opened == pytest.approx(60.0, rel=0.005)
    assert shorted == pytest.approx(40e-3, rel=0.005)
    assert np.sqrt(1.0 - shorted / opened) == pytest.approx(np.sqrt(1.0 - 40e-3 / 60.0), rel=1e-5)


def test_winding_resistances_and_core_loss_are_where_they_should_be():
    values = BARE | {"primary_resistance": 300, "secondary_resistance": 0.4, "leakage_inductance": 1e-6}
    found = primary_impedance(values | {"primary_inductance": 1e4}, 8.0, 1000.0)
    assert np.real(found) == pytest.approx(300.0 + 8.4 * 1000.0, rel=1e-3)  # 8 kohm to 8 ohm
    lossy = primary_impedance(values | {"primary_inductance": 1e4, "core_loss_resistor": 50e3}, 1e9, 1000.0)
    assert np.real(lossy) == pytest.approx(50.3e3, rel=0.01)


def test_direct_voltage_drop_of_the_windings():
    made = stage("push_pull_output", primary_resistance=400)
    voltages = operating(made)
    drop = made.values["supply"] - voltages["n_anode_a"]
    assert drop == pytest.approx(200.0 * 1e-3 * voltages["n_v1_ia"], rel=1e-6)
    split = stage("push_pull_output", primary_resistance=400, connection="ultra_linear", screen_tap=0.5)
    voltages = operating(split)
    tap = split.values["supply"] - voltages["n_tap_a"]
    assert tap == pytest.approx(100.0 * 1e-3 * (voltages["n_v1_ia"] + voltages["n_v1_ig2"]), rel=1e-6)


@pytest.mark.parametrize("name", ["push_pull_output", "single_ended_output"])
def test_bandwidth_of_a_real_transformer_within_one_percent(name):
    """Low corner R/(2 pi Lp), R load parallel source; high corner (load + source)/(2 pi Ls) (RDH ch. 5)."""
    clean = {key: value for key, value in BARE.items() if key not in ("bias", "grid_bias")}
    made = stage(name, connection="triode", cathode_capacitor=FARAD, grid_stopper=0, **clean)
    v = made.values
    ra = float(small_signal(made, tap=1.0).ra)
    pair = name == "push_pull_output"
    source = 2.0 * ra if pair else ra
    load = v["anode_to_anode_load"] if pair else v["anode_load"]
    frequencies, gain = curve(made, 1.0, 200e3, 200)
    level = np.abs(gain) / abs(at(made, 1000.0))
    above = np.flatnonzero(level > 1.0 / np.sqrt(2.0))

    def corner(inside: int, outside: int) -> float:
        share = (level[inside] - 1.0 / np.sqrt(2.0)) / (level[inside] - level[outside])
        return float(frequencies[inside] * (frequencies[outside] / frequencies[inside]) ** share)

    low, high = corner(above[0], above[0] - 1), corner(above[-1], above[-1] + 1)
    core = v["primary_inductance"] - v["leakage_inductance"]
    assert low == pytest.approx(load * source / (load + source) / (2.0 * np.pi * core), rel=0.01)
    # Only the anodes' few picofarads are left out here.
    assert high == pytest.approx((load + source) / (2.0 * np.pi * v["leakage_inductance"]), rel=0.01)


def test_the_core_saturates_where_it_says():
    """At the stated voltage of 20 Hz the peak of the magnetising current doubles."""
    inductance, voltage = 15.0, 100.0
    peak = np.sqrt(2.0) * voltage / (2.0 * np.pi * 20.0 * inductance)
    assert peak * template_functions.core_scale(inductance, voltage) == pytest.approx(1.0)


@pytest.mark.parametrize("name", ["push_pull_output", "single_ended_output"])
def test_a_saturating_core_distorts_the_bass_and_both_engines_agree(name):
    drive = {"push_pull_output": 12.0, "single_ended_output": 8.0}[name]
    limit = {"push_pull_output": 160.0, "single_ended_output": 120.0}[name]
    made = stage(name)
    saturating = made.replace(saturation_voltage=limit)
    clean = steady(made, drive, frequency=20.0)["n_speaker"]
    found = [
        steady(saturating, drive, frequency=20.0, engine=engine)["n_speaker"] for engine in ("neospice", "ngspice")
    ]
    assert thd(found[0]) == pytest.approx(thd(found[1]), rel=0.01)
    assert harmonics(found[0])[0] < 0.97 * harmonics(clean)[0]
    if name == "push_pull_output":  # with one valve, whose core is magnetised to one side, it may also cancel some
        assert thd(found[0]) > 1.3 * thd(clean)
    treble = thd(steady(saturating, drive, frequency=2000.0)["n_speaker"])
    assert treble == pytest.approx(thd(steady(made, drive, frequency=2000.0)["n_speaker"]), rel=0.02)


def test_even_harmonics_cancel_until_the_halves_differ():
    made = stage("push_pull_output", **PUBLISHED)
    matched = harmonics(steady(made, 12.0)["n_speaker"])
    assert matched[1] < 1e-5 * matched[0]
    for values in ({"drive_imbalance": 0.1}, {"v2.emission": 1.2}, {"bias": "fixed", "bias_difference": 2.0}):
        unlike = harmonics(steady(made.replace(**values), 12.0)["n_speaker"])
        assert unlike[1] > 1e-3 * unlike[0], values


def test_mismatched_valves_magnetise_the_core():
    made = stage("push_pull_output")
    voltages = operating(made.replace(**{"v2.emission": 1.3}))
    currents = voltages["n_v2_ia"] - voltages["n_v1_ia"]
    assert currents > 3.0
    assert abs(operating(made)["n_v1_ia"] - operating(made)["n_v2_ia"]) < 1e-6


def test_sense_resistors_show_the_cathode_currents():
    made = stage("push_pull_output", sense_resistor=10)
    voltages = operating(made)
    current = voltages["n_v1_ia"] + voltages["n_v1_ig2"] + voltages["n_v1_ig"]
    assert voltages["n_cathode_a"] - voltages["n_foot_a"] == pytest.approx(10e-3 * current, rel=1e-6)


def test_separate_cathode_resistors_of_twice_the_value_make_the_same_bias():
    shared = operating(stage("push_pull_output", cathode_resistor=270))
    separate = operating(stage("push_pull_output", cathode_resistor=540, cathode_connection="separate"))
    assert separate["n_v1_ia"] == pytest.approx(shared["n_v1_ia"], rel=1e-6)


def test_coupled_grids_shift_their_bias_when_they_draw_current():
    direct = stage("push_pull_output", bias="fixed", grid_bias=-12, grid_stopper=0)
    coupled = direct.replace(coupling_capacitor="100n")
    kept = steady(direct, 20.0, "n_grid_a", "n_bias_a")
    shifted = steady(coupled, 20.0, "n_grid_a", "n_bias_a")
    assert np.mean(kept["n_grid_a"]) == pytest.approx(-12.0, abs=1e-3)
    assert np.mean(shifted["n_grid_a"]) < np.mean(kept["n_grid_a"]) - 0.5


def test_triodes_have_no_screens():
    made = stage("push_pull_output", valve="6SN7GT", connection="ultra_linear", supply=250, cathode_resistor=500,
                 anode_to_anode_load="20k")  # fmt: skip
    text = render(made).circuit.text
    assert "screen_a" not in text
    assert "n_tap" not in text
    assert operating(made)["n_v1_ia"] > 1.0


@pytest.mark.parametrize("engine", ["neospice", "ngspice"])
@pytest.mark.parametrize("frequency", [15e3, 20e3])
def test_a_real_pair_comes_to_rest_at_high_frequencies(frequency, engine):
    """The cathode capacitor needs thousands of periods there; at rest it carries no mean current (Kirchhoff)."""
    made = stage("push_pull_output")
    currents = [f"n_{v}_{part}" for v in ("v1", "v2") for part in ("ia", "ig2", "ig")]
    run = SteadyRun(
        frequency, (Sine(1.0, frequency),), np.array([[16.0 * np.sqrt(2)]]), ("n_cathode_a", *currents), tolerance=1e-4
    )
    (reply,) = checked(made, [run], engine=engine)
    assert reply.extras["method"][0, 0] == "shooting"
    assert reply.extras["periods"][0, 0] <= 60
    through_resistor = reply.values["n_cathode_a"].mean() / made.values["cathode_resistor"]
    assert through_resistor == pytest.approx(1e-3 * sum(reply.values[node].mean() for node in currents), rel=1e-3)


def test_without_a_drive_the_pair_is_at_rest():
    found = measure(stage("push_pull_output", drive=0.0), "power").power
    assert found.output_power == 0.0
    assert np.isnan(found.thd)
    assert found.anode_current == pytest.approx(found.anode_current_zero_signal, rel=1e-9)


@pytest.mark.parametrize("name", ["push_pull_output", "single_ended_output"])
def test_triodes_give_power_too(name):
    """A 2A3 at 250 V, -45 V into 2500 ohm: 60 mA, 3.5 W, 5 % (r-type.org, from the data sheet; seen).

    The sheet has no drive: taken is a peak as large as the bias, which leaves the power its 10 %. A pair gives more
    than twice that, and is cleaner, because even harmonics cancel (common practice, no source).
    """
    load = {"anode_load": 2500.0} if name == "single_ended_output" else {"anode_to_anode_load": 5000.0}
    made = stage(name, valve="2A3", supply=250.0, bias="fixed", grid_bias=-45.0, transformer="ideal", **load)
    found = measure(made, {"power": {"drive": 45.0 / np.sqrt(2)}}).power
    if name == "single_ended_output":
        assert found.output_power == pytest.approx(3.5, rel=0.1)
        assert found.anode_current_zero_signal == pytest.approx(60e-3, rel=0.025)
    else:
        assert found.output_power > 7.0
        assert found.thd < 2.0
    assert found.screen_current == 0.0
    assert not [key for key in found.valves.v1 if "screen" in key]


@pytest.mark.xfail(reason="3.8 %: the sheet prints no drive, and its distortions contradict one another", strict=True)
def test_a_single_2a3_distorts_as_printed():
    """5 % at the same point (r-type.org, from the data sheet; seen)."""
    made = stage(
        "single_ended_output",
        valve="2A3",
        supply=250.0,
        bias="fixed",
        grid_bias=-45.0,
        transformer="ideal",
        anode_load=2500.0,
    )
    assert measure(made, {"power": {"drive": 45.0 / np.sqrt(2)}}).power.thd == pytest.approx(5.0, abs=1.0)


@pytest.mark.ngspice
def test_engines_agree_on_the_recovery_of_an_ultra_linear_stage_with_an_ideal_transformer() -> None:
    # Leads of 10 milliohms beside a valve's capacitances stopped both engines here; wires don't.
    found = []
    for name in ("neospice", "ngspice"):
        ultra_linear = stage("single_ended_output", valve="EL84", connection="ultra_linear", transformer="ideal")
        result = measure(ultra_linear, {"recovery": {"overload_db": 20.0}}, engine=name, time_limit=20.0)
        assert result.engine == name
        found.append(result.recovery)
    one, other = found
    assert 0.0 < one.recovery_time < 0.2
    assert other.recovery_time == pytest.approx(one.recovery_time, rel=1e-3)
    assert other.bias_shift == pytest.approx(one.bias_shift, rel=1e-2)
    assert other.burst_level == pytest.approx(one.burst_level, rel=1e-6)


def test_a_triode_with_an_ideal_transformer_answers_a_square_wave() -> None:
    # 10 milliohms in the cathode's lead stopped both engines here; a wire doesn't. The step is the small signal's.
    triode = stage("single_ended_output", valve="300B", transformer="ideal")
    result = measure(triode, {"square_wave": {"level": 0.1}, "response": {}}, time_limit=20.0)
    assert abs(result.square_wave.output_step) == pytest.approx(0.1 * result.response.gain, rel=5e-3)
    assert result.square_wave.rise_time < 1e-6


# Unlike valves in the two halves


def test_unlike_valves_share_a_cathode_resistor_as_their_laws_say() -> None:
    """Both currents at one cathode voltage, which is their sum times the resistor; solved here without a simulator."""
    from scipy.optimize import brentq

    made = stage("push_pull_output", transformer="ideal", second_valve="6L6GC", cathode_resistor=270.0)
    found = measure(made, ["bias"]).bias.valves
    volts = made.values["supply"]

    def currents(name: str, cathode: float) -> tuple[float, float]:
        flow = simwrap.valve(name).currents(volts - cathode, -cathode, volts - cathode)
        return float(flow.anode), float(flow.screen)

    def left(cathode: float) -> float:
        return sum(sum(currents(name, cathode)) for name in ("6V6GT", "6L6GC")) - cathode / 270.0

    cathode = brentq(left, 1.0, 60.0)
    for instance, name in (("v1", "6V6GT"), ("v2", "6L6GC")):
        assert found[instance].type == name
        assert found[instance].anode_current == pytest.approx(currents(name, cathode)[0], rel=1e-4)
        assert found[instance].cathode_to_ground == pytest.approx(cathode, rel=1e-4)


def test_it_is_the_same_which_of_unlike_valves_is_on_which_side() -> None:
    one = stage("push_pull_output", valve="6V6GT", second_valve="6L6GC")
    other = stage("push_pull_output", valve="6L6GC", second_valve="6V6GT")
    found, swapped = (measure(made, {"power": {"levels": 0}}).power for made in (one, other))
    assert found.output_power == pytest.approx(swapped.output_power, rel=1e-3)
    assert found.thd == pytest.approx(swapped.thd, rel=1e-2)
    alike = measure(stage("push_pull_output"), {"power": {"levels": 0}}).power
    assert found.thd > 1.5 * alike.thd  # even harmonics no longer cancel


def test_a_second_valve_is_of_the_first_ones_kind_and_by_default_the_same() -> None:
    assert stage("push_pull_output", second_valve="Same") == stage("push_pull_output")
    swept = simwrap.sweep(stage("push_pull_output"), {"second_valve": ["same", "6L6GC"]}, ["bias"])
    currents = swept["bias.valves.v2.anode_current"].values
    assert currents[0] == pytest.approx(float(swept["bias.valves.v1.anode_current"][0]), rel=1e-6)
    assert currents[1] > 1.3 * currents[0]
    with pytest.raises(RangeError, match=r'second_valve is "2A3 \(triode\)"; give a pentode'):
        measure(stage("push_pull_output", second_valve="2A3"), ["bias"])
