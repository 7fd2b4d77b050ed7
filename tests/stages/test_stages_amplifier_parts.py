"""What whole amplifiers need of stages: networks against nodal analysis, shared parts against circuits without."""

from __future__ import annotations

import numpy as np
import pytest
from nodal import Network
from stage_runs import at, curve, operating

import simwrap
from simwrap.circuits.stage import stage
from simwrap.circuits.template_functions import CONNECTION

FREQUENCIES = (20.0, 200.0, 1000.0, 5000.0, 20000.0)


def assert_same(made, network):
    """Insist on 0.001 dB at a few frequencies."""
    expected = network.gain(FREQUENCIES, output="out")
    found = np.array([at(made, frequency) for frequency in FREQUENCIES])
    assert np.abs(20.0 * np.log10(np.abs(found / expected))).max() < 1e-3


@pytest.mark.parametrize(("bass", "treble"), [(0.1, 0.9), (0.5, 0.5), (0.9, 0.2)])
def test_treble_and_bass_with_a_shunt(bass, treble):
    made = stage("tone_treble_bass", bass=bass, treble=treble, bright_capacitor="47p")
    v = made.values
    network = Network().add("resistor", "signal", "in", v["source_resistance"])
    network.add("capacitor", "in", "top", v["input_capacitor"]).add("resistor", "top", "0", v["shunt_resistor"])
    network.add("resistor", "top", "middle", v["upper_resistor"]).add("resistor", "middle", "out", v["lower_resistor"])
    network.add("resistor", "middle", "0", bass * v["bass_pot"])
    network.add("resistor", "middle", "bass", (1 - bass) * v["bass_pot"]).add(
        "capacitor", "bass", "0", v["bass_capacitor"]
    )
    network.add("capacitor", "top", "treble", v["treble_upper_capacitor"])
    network.add("resistor", "treble", "out", (1 - treble) * v["treble_pot"])
    network.add("capacitor", "treble", "out", 47e-12)
    network.add("resistor", "out", "low", treble * v["treble_pot"]).add(
        "capacitor", "low", "0", v["treble_lower_capacitor"]
    )
    network.add("resistor", "out", "0", v["load_resistor"]).add("capacitor", "out", "0", v["load_capacitance"])
    assert_same(made, network)


def test_coupling():
    made = stage("coupling", capacitor="10n", resistor="430k", bridging_capacitor="10p", shunt_resistor="50k",
                 shunt_capacitor="1n5")  # fmt: skip
    network = Network().add("resistor", "signal", "in", 10e3).add("capacitor", "in", "inner", 10e-9)
    network.add("resistor", "inner", "out", 430e3).add("capacitor", "inner", "out", 10e-12)
    network.add("resistor", "out", "0", 50e3).add("capacitor", "out", "0", 1.5e-9)
    network.add("resistor", "out", "0", 1e6).add("capacitor", "out", "0", 50e-12)
    assert_same(made, network)


def test_mixer_loads_each_input_with_the_other():
    made = stage("mixer", resistor="220k", resistor_b="470k", capacitor="33n", source_resistance_b="47k")
    network = Network().add("resistor", "signal", "in", 10e3).add("capacitor", "in", "inner", 33e-9)
    network.add("resistor", "inner", "out", 220e3).add("resistor", "out", "0", 470e3 + 47e3)
    network.add("resistor", "out", "0", 1e6).add("capacitor", "out", "0", 50e-12)
    assert_same(made, network)


def test_bright_capacitor_and_loaded_wiper():
    made = stage("volume_control", pot="1M", pot_taper="linear", position=0.3, bright_capacitor="100p",
                 wiper_resistor="130k")  # fmt: skip
    network = Network().add("resistor", "signal", "in", 1e3).add("resistor", "in", "out", 700e3)
    network.add("capacitor", "in", "out", 100e-12).add("resistor", "out", "0", 300e3 + CONNECTION)
    network.add("resistor", "out", "0", 130e3)
    network.add("resistor", "out", "0", 1e6).add("capacitor", "out", "0", 100e-12)
    assert_same(made, network)


@pytest.mark.parametrize(("presence", "position"), [("series", 0.25), ("wiper", 0.25), ("wiper", 1.0)])
def test_presence(presence, position):
    made = stage("feedback_path", resistor="47k", shunt_resistor="5k", presence=presence, presence_position=position,
                 presence_capacitor="100n", presence_pot="25k", presence_resistor=100, load_resistor=0)  # fmt: skip
    network = Network().add("resistor", "signal", "out", 47e3 + CONNECTION)
    if presence == "series":
        network.add("resistor", "out", "0", 5e3).add("resistor", "out", "low", 100.0 + 25e3 * (1 - position))
    else:
        network.add("resistor", "out", "wiper", max(5e3 * (1 - position), 1e-3))
        network.add("resistor", "wiper", "0", 5e3 * position).add("resistor", "wiper", "low", 100.0)
    network.add("capacitor", "low", "0", 100e-9)
    assert_same(made, network)


def test_two_triodes_on_one_cathode_resistor_are_two_on_twice_that_each():
    values = {"valve": "12AX7", "anode_resistor": "100k"}
    alone = stage("triode_gain", cathode_resistor=2 * 820.0, **values)
    pair = simwrap.circuit(
        one=stage("triode_gain", cathode_resistor=820.0, **values),
        other=stage("triode_gain", cathode_resistor=1.0, **values),  # not there: it is the other one's
        joins=["one.cathode -> other.shared_cathode"],
        main_input="one.input",
        main_output="one.output",
    )
    together = simwrap.measure(pair, ["bias"]).bias.valves
    expected = simwrap.measure(alone, ["bias"]).bias.valves.v1.anode_current
    for name in ("one", "other"):
        assert together[f"{name}.v1.anode_current"] == pytest.approx(expected, rel=1e-6)


def test_unbypassed_a_shared_cathode_carries_the_signal_over():
    """One grid driven, the other at ground: a common cathode resistor makes a pair of them, anodes in opposition."""
    values = {"valve": "12AX7", "anode_resistor": "100k", "cathode_capacitor": 0, "cathode_resistor": "47k"}
    pair = simwrap.circuit(
        one=stage("triode_gain", **values),
        other=stage("triode_gain", **values),
        joins=["one.cathode -> other.shared_cathode"],
        main_input="one.input",
        main_output="one.output",
    )
    first, second = at(pair, 1000.0, pair.ports["one.output"], pair.ports["other.output"])
    assert np.real(first) < 0.0 < np.real(second)
    assert 0.7 < abs(second / first) < 1.0


@pytest.mark.parametrize("bias", ["fixed", "cathode"])
@pytest.mark.parametrize("cathodes", ["shared", "separate"])
def test_four_valves_are_two_pairs_side_by_side(bias, cathodes):
    """Twice the current into half the load through half the common parts: every valve at the same point."""
    values = {"bias": bias, "cathode_connection": cathodes, "transformer": "ideal", "screen_resistor": "470",
              "grid_bias": -19}  # fmt: skip
    two = stage("push_pull_output", anode_to_anode_load=8000.0, cathode_resistor=270.0, **values)
    shared = bias == "cathode" and cathodes == "shared"
    four = stage(
        "push_pull_output", valves="four", anode_to_anode_load=4000.0, cathode_capacitor=940e-6 if shared else 470e-6,
        cathode_resistor=135.0 if shared else 270.0, **values,
    )  # fmt: skip
    assert list(four.valves) == ["v1", "v2", "v3", "v4"]
    wanted = simwrap.measure(two, ["bias"]).bias.valves.v1.anode_current
    found = simwrap.measure(four, ["bias"]).bias.valves
    for name in four.valves:
        # A cathode at ground stands on 10 milliohms; where two share them, a third of a millivolt higher.
        assert found[name].anode_current == pytest.approx(wanted, rel=1e-4)
    # The same voltage at the anodes is 1/sqrt(2) of the turns: sqrt(2) times the voltage in the same loudspeaker.
    assert abs(at(four, 1000.0) / at(two, 1000.0)) == pytest.approx(np.sqrt(2.0), rel=1e-3)


def test_common_sense_resistor_carries_both_currents():
    made = stage("push_pull_output", bias="fixed", common_sense_resistor=1.0)
    both = sum(simwrap.measure(made, ["bias"]).bias.valves[name].cathode_current for name in made.valves)
    assert operating(made)["n_common"] == pytest.approx(both, rel=1e-4)


def test_a_tap_has_the_voltage_of_its_turns():
    made = stage("push_pull_output", transformer="ideal", tap_impedance=4.0, speaker_impedance=8.0)
    speaker, tap = at(made, 1000.0, made.ports["speaker"], made.ports["tap"])
    assert tap / speaker == pytest.approx(np.sqrt(0.5), rel=1e-6)


def test_feedback_into_the_foot_of_a_pair_is_subtracted_from_the_input():
    """Tail and second grid stand on the foot: what is put there works against the driven grid, anode by anode."""
    pair = stage("long_tailed_pair", foot_resistor="4k7", source_resistance=0)
    path = stage("feedback_path", resistor="47k")
    made = simwrap.circuit(pair=pair, path=path, joins=["path.output -> pair.foot"], main_input="pair.input",
                           main_output="pair.output")  # fmt: skip
    _, forward = curve(made, 1000.0, 1001.0, 1)
    _, back = curve(made, 1000.0, 1001.0, 1, excite="path.input")
    share = 4.7 / (47.0 + 4.7)
    assert back[0] / forward[0] == pytest.approx(-share, rel=0.05)


def test_output_at_a_tap_of_the_load():
    made = stage("long_tailed_pair", anode_resistor="91k", tap_resistor="9k1", coupling_capacitor="1u")
    anode, out = at(made, 1000.0, made.valves["v1"].nodes["anode"], made.ports["output"])
    # The tap sees 91 k beside the load of 470 k.
    upper = 1.0 / (1.0 / 91e3 + 1.0 / 470e3)
    assert abs(out / anode) == pytest.approx(upper / (upper + 9.1e3), rel=1e-3)


def test_a_fixed_grid_and_the_foot_of_the_load_make_different_inputs():
    """A leak that returns to the foot, which follows the signal, loads far less than one that returns to a voltage."""
    made = {bias: stage("cathodyne", bias=bias, grid_leak="1M", source_resistance="1M") for bias in ("self", "fixed")}
    loss = {bias: abs(at(entry, 1000.0, entry.valves["v1"].nodes["grid"])) for bias, entry in made.items()}
    assert loss["fixed"] < 0.55
    assert loss["self"] > 0.8
    assert operating(made["fixed"])["n_grid"] == pytest.approx(70.0, rel=0.02)


def test_a_step_network_lowers_the_treble():
    plain, stepped = (stage("triode_gain", source_resistance=0, step_resistor="4k7", step_capacitor=value)
                      for value in (0, "200p"))  # fmt: skip
    assert abs(at(stepped, 100.0) / at(plain, 100.0)) == pytest.approx(1.0, abs=0.001)
    # Far above its corner the load is 4.7 k beside the anode's resistances: gain = gm times that.
    _, gain = curve(stepped, 1e6, 1.01e6, 1)
    _, before = curve(plain, 1e3, 1.01e3, 1)
    assert abs(gain[0]) < 0.2 * abs(before[0])


def test_screen_decoupled_to_the_cathode():
    """With an unbypassed cathode resistor, a screen held at the cathode takes its part of the feedback away."""
    ground, cathode = (
        stage("pentode_gain", screen_decoupling=where, cathode_capacitor=0, cathode_resistor="2k2")
        for where in ("ground", "cathode")
    )
    assert abs(at(cathode, 1000.0)) > abs(at(ground, 1000.0))
    assert operating(cathode)["n_anode"] == pytest.approx(operating(ground)["n_anode"], rel=1e-9)


@pytest.mark.parametrize("valve", ["6AU6", "6SJ7", "EF86"])
def test_a_pentode_joined_to_its_anode_is_a_triode(valve):
    """Gain of a triode stage mu R / (ra + R), with mu and ra of both electrodes together (Langford-Smith ch. 12)."""
    stage = simwrap.stage(
        "pentode_gain", valve=valve, connection="triode", anode_resistor="100k", cathode_resistor="1k5"
    )
    found = simwrap.measure(stage, ["bias", "response"])
    point = found.bias.valves.v1
    assert point.screen_voltage == pytest.approx(point.anode_voltage, abs=1e-3)
    law = simwrap.valve(valve).small_signal(point.anode_voltage, point.grid_voltage, point.screen_voltage, tap=1.0)
    load = 1.0 / (1.0 / 100e3 + 1.0 / 1e6)
    assert found.response.gain == pytest.approx(float(law.mu * load / (law.ra + load)), rel=2e-3)


@pytest.mark.parametrize(("taper", "at_half", "share"), [
    ("logarithmic", 0.1, 0.1), ("logarithmic", 0.2, 0.2), ("reverse_logarithmic", 0.15, 0.85), ("linear", 0.2, 0.5),
])  # fmt: skip
def test_a_track_has_its_own_share_at_half_travel(taper, at_half, share):
    """An unloaded divider: the gain at half travel is the share of the track, from a source without resistance."""
    stage = simwrap.stage(
        "volume_control",
        pot_taper=taper,
        track_at_half=at_half,
        source_resistance=0,
        load_resistor=0,
        load_capacitance=0,
    )
    assert simwrap.measure(stage, ["response"]).response.gain == pytest.approx(share, rel=1e-6)
