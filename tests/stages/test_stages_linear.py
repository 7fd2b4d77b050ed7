"""Linear stages against a nodal solution of our own, worked examples and standards' curves."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from nodal import Network, decibels
from stage_runs import at, curve, printed_curve, small_signal

from simwrap import measure
from simwrap.circuits.stage import Stage, stage
from simwrap.circuits.template_functions import CONNECTION, OPEN, SMALLEST_RESISTANCE, tapped_legs
from simwrap.errors import InputError, UnknownNameError
from simwrap.measures.equalisation import standard_transfer

POSITIONS = (0.0, 0.25, 0.5, 0.75, 1.0)
AUDIO_AND_BEYOND = (5.0, 110e3, 15)


def fraction_of(position: float, kind: str) -> float:
    """Two straight segments through the resistance fraction at mid-travel, written out again."""
    middle = {"linear": 0.5, "logarithmic": 0.1, "reverse_logarithmic": 0.9}[kind]
    if position <= 0.5:
        return middle * position / 0.5
    return middle + (1.0 - middle) * (position - 0.5) / 0.5


def track(network: Network, total: float, fraction: float, high: str, wiper: str, low: str) -> None:
    """Add a potentiometer; an end stop is a milliohm, as the stage's own end stops are."""
    network.add("resistor", high, wiper, max(total * (1.0 - fraction), SMALLEST_RESISTANCE))
    network.add("resistor", wiper, low, max(total * fraction, SMALLEST_RESISTANCE))


def assert_same(made: Stage, network: Network, *, output: str = "out") -> None:
    frequencies, simulated = curve(made, *AUDIO_AND_BEYOND)
    assert frequencies[0] == pytest.approx(5.0)
    assert frequencies[-1] > 99e3
    np.testing.assert_allclose(
        decibels(simulated), decibels(network.gain(frequencies, output=output)), rtol=0.0, atol=0.001
    )


@pytest.mark.parametrize(("bass", "treble"), list(itertools.product(POSITIONS, POSITIONS)))
def test_passive_two_knob_network_at_25_positions(bass, treble):
    made = stage("tone_passive", bass=bass, treble=treble)
    v = made.values
    network = Network().add("resistor", "signal", "source", v["source_resistance"])
    network.add("resistor", "source", "high", v["bass_upper_resistor"])
    track(network, v["bass_pot"], fraction_of(bass, v["bass_taper"]), "high", "wiper", "low")
    network.add("resistor", "low", "0", v["bass_lower_resistor"])
    network.add("capacitor", "high", "wiper", v["bass_upper_capacitor"])
    network.add("capacitor", "wiper", "low", v["bass_lower_capacitor"])
    network.add("resistor", "wiper", "out", v["mixing_resistor"])
    network.add("capacitor", "source", "treble_high", v["treble_upper_capacitor"])
    track(network, v["treble_pot"], fraction_of(treble, v["treble_taper"]), "treble_high", "out", "treble_low")
    network.add("capacitor", "treble_low", "0", v["treble_lower_capacitor"])
    network.add("resistor", "out", "0", v["load_resistor"]).add("capacitor", "out", "0", v["load_capacitance"])
    assert_same(made, network)


JAMES = {
    # The worked example has a source of 1 ohm and states the wipers as parts of the resistance. It
    # says "no load", but its digits are those of a load of 1 Gohm: with none at all two of the 17
    # entries would be printed otherwise (-20.775 dB for -20.78, -1.264 dB for -1.27).
    "source_resistance": 1.0,
    "load_resistor": 1e9,
    "load_capacitance": 0.0,
    "bass_taper": "linear",
    "treble_taper": "linear",
}
SETTINGS = {
    "flat": (0.0935, 0.0935),
    "bass_max": (1.0, 0.5),
    "bass_min": (0.0, 0.5),
    "treble_max": (0.5, 1.0),
    "treble_min": (0.5, 0.0),
}


@pytest.mark.parametrize("setting", SETTINGS)
def test_james_worked_example_to_its_printed_digits(setting):
    bass, treble = SETTINGS[setting]
    made = stage("tone_passive", bass=bass, treble=treble, **JAMES)
    for frequency, printed in zip(*printed_curve("james", setting), strict=True):
        assert 20.0 * np.log10(abs(at(made, frequency))) == pytest.approx(printed, abs=0.005), frequency


def feedback_network(v, bass: float, *, ideal: bool = True) -> Network:
    network = Network().add("resistor", "signal", "source", CONNECTION)
    network.add("resistor", "source", "bass_high", v["bass_end_resistor"])
    track(network, v["bass_pot"], bass, "bass_high", "bass_wiper", "bass_low")
    network.add("resistor", "bass_low", "out", v["bass_end_resistor"])
    network.add("capacitor", "bass_high", "bass_wiper", v["bass_capacitor"])
    network.add("capacitor", "bass_wiper", "bass_low", v["bass_capacitor"])
    network.add("resistor", "bass_wiper", "virtual", v["bass_wiper_resistor"])
    network.add("resistor", "source", "treble_high", v["treble_end_resistor"])
    network.add("resistor", "treble_low", "out", v["treble_end_resistor"])
    network.add("capacitor", "treble_wiper", "virtual", v["treble_capacitor"])
    if not ideal:
        return network
    # An ideal amplifier, near enough: gain A from a conductance of 1 MS into the output.
    siemens = 1e6
    network.transconductance("out", "0", "virtual", "0", siemens * v["amplifier_gain"])
    return network.add("resistor", "out", "0", 1.0 / siemens)


@pytest.mark.parametrize(("bass", "treble"), list(itertools.product(POSITIONS, POSITIONS)))
def test_feedback_control_with_ideal_amplifier_at_25_positions(bass, treble):
    made = stage("tone_feedback", bass=bass, treble=treble)
    network = feedback_network(made.values, bass)
    track(network, made.values["treble_pot"], treble, "treble_high", "treble_wiper", "treble_low")
    assert_same(made, network)


@pytest.mark.parametrize("treble", [0.0, 0.2, 0.5, 0.7, 1.0])
def test_feedback_control_with_earthed_centre_tap(treble):
    """The track's middle is on ground: two tracks of half the resistance, the wiper on one of them."""
    made = stage("tone_feedback", treble=treble, treble_tap="earthed")
    network = feedback_network(made.values, 0.5)
    half = made.values["treble_pot"] / 2.0
    if treble >= 0.5:
        track(network, half, 2.0 * (treble - 0.5), "treble_high", "treble_wiper", "0")
        network.add("resistor", "treble_low", "0", half)
    else:
        network.add("resistor", "treble_high", "0", half)
        track(network, half, 1.0 - 2.0 * treble, "treble_low", "treble_wiper", "0")
    assert_same(made, network)


def test_legs_of_a_tapped_track_are_vectorised():
    legs = tapped_legs(100e3, np.array([0.25, 0.5, 1.0]))
    np.testing.assert_allclose(legs.wiper_tap, [25e3, SMALLEST_RESISTANCE, 50e3])
    np.testing.assert_allclose(legs.high_wiper, [OPEN, 50e3, SMALLEST_RESISTANCE])
    np.testing.assert_allclose(legs.low_wiper, [25e3, OPEN, OPEN])
    np.testing.assert_allclose(legs.high_tap, [50e3, OPEN, OPEN])
    np.testing.assert_allclose(legs.low_tap, [OPEN, 50e3, 50e3])


@pytest.mark.parametrize(("bass", "treble"), [(0.5, 0.5), (1.0, 0.3), (0.2, 1.0)])
def test_feedback_control_around_a_triode(bass, treble):
    """The valve as gm and ra at its simulated point, with its capacitances and all parts around it."""
    made = stage("tone_feedback", amplifier="triode", bass=bass, treble=treble)
    v = made.values
    slopes = small_signal(made)
    capacitances = made.valves["v1"].valve.capacitances
    network = feedback_network(v, bass, ideal=False)
    track(network, v["treble_pot"], treble, "treble_high", "treble_wiper", "treble_low")
    network.add("capacitor", "virtual", "grid", v["grid_capacitor"]).add("resistor", "grid", "0", v["grid_leak"])
    network.transconductance("anode", "cathode", "grid", "cathode", float(slopes.gm))
    network.add("resistor", "anode", "cathode", float(slopes.ra)).add("resistor", "anode", "0", v["anode_resistor"])
    network.add("capacitor", "grid", "anode", capacitances.grid_anode)
    network.add("capacitor", "grid", "cathode", capacitances.grid_cathode)
    network.add("capacitor", "anode", "cathode", capacitances.anode_cathode)
    network.add("resistor", "cathode", "0", v["cathode_resistor"])
    network.add("capacitor", "cathode", "0", v["cathode_capacitor"])
    network.add("capacitor", "anode", "out", v["coupling_capacitor"])
    network.add("resistor", "out", "0", v["load_resistor"]).add("capacitor", "out", "0", v["load_capacitance"])
    assert_same(made, network)


def test_feedback_control_around_a_pentode_is_nearly_level_at_mid_travel():
    """Its gain is finite, so that the level is a little below 0 dB, and the output is inverted."""
    made = stage("tone_feedback", amplifier="pentode")
    _, gain = curve(made, 100.0, 10e3, 5)
    assert (decibels(gain) < 0.0).all()
    assert (decibels(gain) > -2.0).all()
    assert (np.real(gain) < 0.0).all()


@pytest.mark.parametrize(("bass", "treble"), list(itertools.product((0.0, 0.4, 1.0), (0.0, 0.6, 1.0))))
def test_passive_three_knob_network(bass, treble):
    middle = 0.3
    made = stage("tone_three_knob", bass=bass, middle=middle, treble=treble)
    v = made.values
    network = Network().add("resistor", "signal", "source", v["source_resistance"])
    network.add("resistor", "source", "slope", v["slope_resistor"])
    network.add("capacitor", "source", "treble_high", v["treble_capacitor"])
    track(network, v["treble_pot"], fraction_of(treble, v["treble_taper"]), "treble_high", "out", "bass_high")
    network.add("capacitor", "slope", "bass_high", v["bass_capacitor"])
    bass_part = max(v["bass_pot"] * fraction_of(bass, v["bass_taper"]), SMALLEST_RESISTANCE)
    network.add("resistor", "bass_high", "middle_high", bass_part)
    track(network, v["middle_pot"], fraction_of(middle, v["middle_taper"]), "middle_high", "middle_wiper", "0")
    network.add("capacitor", "slope", "middle_wiper", v["middle_capacitor"])
    network.add("resistor", "out", "0", v["load_resistor"]).add("capacitor", "out", "0", v["load_capacitance"])
    assert_same(made, network)


@pytest.mark.parametrize("kind", ["linear", "logarithmic", "reverse_logarithmic"])
@pytest.mark.parametrize("position", POSITIONS)
def test_volume_control_with_loads_on_both_sides(kind, position):
    made = stage("volume_control", pot_taper=kind, position=position, source_resistance="22k", load_resistor="220k")
    v = made.values
    network = Network().add("resistor", "signal", "source", v["source_resistance"])
    track(network, v["pot"], fraction_of(position, kind), "source", "out", "low")
    network.add("resistor", "low", "0", CONNECTION)
    network.add("resistor", "out", "0", v["load_resistor"]).add("capacitor", "out", "0", v["load_capacitance"])
    assert_same(made, network)


def test_volume_control_halves_at_the_middle_of_a_linear_track():
    made = stage("volume_control", pot_taper="linear", source_resistance=0, load_resistor=0, load_capacitance=0)
    assert abs(at(made, 1000.0)) == pytest.approx(0.5, rel=1e-6)


def test_input_selector_attenuates_as_stated():
    made = stage("input_selector", source_resistance=0, load_resistor=0, internal_capacitance=0, attenuation=12)
    assert 20.0 * np.log10(abs(at(made, 1000.0))) == pytest.approx(-12.0, abs=1e-4)


def test_input_selector_with_source_cable_and_load():
    made = stage("input_selector", source_resistance="2k2", cable_capacitance="1n")
    v = made.values
    ratio = 10.0 ** (-v["attenuation"] / 20.0)
    network = Network().add("resistor", "signal", "input", v["source_resistance"])
    network.add("capacitor", "input", "0", v["cable_capacitance"])
    network.add("resistor", "input", "out", v["input_resistance"] * (1.0 - ratio))
    network.add("resistor", "out", "0", v["input_resistance"] * ratio)
    network.add("resistor", "out", "0", v["load_resistor"]).add("capacitor", "out", "0", v["internal_capacitance"])
    assert_same(made, network)


def replay_curve(frequencies, *, high_pass: bool = False):
    """IEC 60098 replay: (1 + 318 us s) / ((1 + 3180 us s)(1 + 75 us s)), with 7950 us on request."""
    s = 2j * np.pi * np.asarray(frequencies)
    found = (1.0 + 318e-6 * s) / ((1.0 + 3180e-6 * s) * (1.0 + 75e-6 * s))
    return found * (7950e-6 * s / (1.0 + 7950e-6 * s)) if high_pass else found


def test_replay_network_follows_iec_60098():
    made = stage("riaa_passive")
    frequencies, gain = curve(made, 20.0, 20e3, 20)
    wanted = decibels(replay_curve(frequencies)) - decibels(replay_curve([1000.0]))
    found = decibels(gain) - 20.0 * np.log10(abs(at(made, 1000.0)))
    np.testing.assert_allclose(found, wanted, rtol=0.0, atol=0.02)


def test_replay_network_meets_the_printed_levels():
    made = stage("riaa_passive")
    reference = 20.0 * np.log10(abs(at(made, 1000.0)))
    for frequency, printed in zip(*printed_curve("riaa", "replay"), strict=True):
        assert 20.0 * np.log10(abs(at(made, frequency))) - reference == pytest.approx(printed, abs=0.02), frequency


def test_replay_network_with_the_7950_us_high_pass():
    """A load so high that it doesn't disturb the network: 1 Gohm with 7.95 pF."""
    made = stage("riaa_passive", coupling_capacitor=7950e-6 / 1e9, load_resistor=1e9, load_capacitance=0,
                 treble_capacitor=10.288e-9)  # fmt: skip
    reference = 20.0 * np.log10(abs(at(made, 1000.0)))
    for frequency, printed in zip(*printed_curve("riaa", "with_7950us"), strict=True):
        assert 20.0 * np.log10(abs(at(made, frequency))) - reference == pytest.approx(printed, abs=0.02), frequency


@pytest.mark.parametrize(("setting", "resistor"), [("50us", "49k"), ("75us", "74k")])
def test_de_emphasis_follows_its_time_constant(setting, resistor):
    """Rec. ITU-R BS.450: 50 us and 75 us, one pole."""
    made = stage("fm_deemphasis", series_resistor=resistor)
    for frequency, printed in zip(*printed_curve("fm", setting), strict=True):
        assert 20.0 * np.log10(abs(at(made, frequency))) == pytest.approx(printed, abs=0.02), frequency
    frequencies, gain = curve(made, 20.0, 20e3, 10)
    tau = float(setting[:2]) * 1e-6
    np.testing.assert_allclose(
        decibels(gain), decibels(1.0 / (1.0 + 2j * np.pi * frequencies * tau)), rtol=0.0, atol=0.02
    )


@pytest.mark.parametrize(
    ("name", "curve", "values"),
    [
        ("riaa_passive", "iec60098", {}),
        ("fm_deemphasis", "50us", {}),
        ("fm_deemphasis", "75us", {"series_resistor": "74k"}),
    ],
)
def test_textbook_parts_follow_their_standard(name, curve, values):
    """IEC 60098 (3180, 318, 75 us) and ITU-R BS.450 (50 or 75 us): within 0.02 dB from 20 Hz to 20 kHz."""
    found = measure(stage(name, **values), {"equalisation": {"curve": curve}}).equalisation
    assert abs(found.deviation_db) < 0.02
    assert np.abs(found.deviation_curve_db).max() == pytest.approx(abs(found.deviation_db))


def test_the_standard_curve_of_records():
    """Rows of the curve as printed everywhere (common practice): 20 Hz 19.27 dB, 10 kHz -13.73, 20 kHz -19.62."""
    frequency = np.array([20.0, 1000.0, 10e3, 20e3])
    level = 20 * np.log10(np.abs(standard_transfer(frequency, [3180e-6, 75e-6], [318e-6])))
    assert level - level[1] == pytest.approx([19.274, 0.0, -13.734, -19.620], abs=0.001)
    # The amendment's 7950 us high-pass takes 3.0 dB away at its corner of 20 Hz.
    less = 20 * np.log10(np.abs(standard_transfer(frequency[:1], [], [], [7950e-6])))
    assert less == pytest.approx([-3.03], abs=0.02)


def test_a_wrong_part_departs_from_the_standard():
    """10 % more C2 moves the treble's time constant from 75 us to about 82 us, and is said with its sign."""
    made = stage("riaa_passive")
    found = measure(made.replace(treble_capacitor="11.3n"), "equalisation").equalisation
    assert found.deviation_db < -0.2
    assert found.deviation_at > 5000.0
    with pytest.raises(InputError, match="follows no standard"):
        measure(stage("triode_gain"), "equalisation")
    with pytest.raises(UnknownNameError, match="iec60098"):
        measure(made, {"equalisation": {"curve": "iec6098"}})
