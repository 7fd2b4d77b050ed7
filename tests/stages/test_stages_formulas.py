"""Closed forms of circuit theory: first their printed numbers, then the simulated stages.

gm, ra and mu are the valve's slopes at the simulated operating point. Sources are named at each
test; the worked numbers are in tests/reference/circuit_theory. Where a formula knows no reactance,
the stage is given capacitors too large, or strays too small, to matter.
"""

from __future__ import annotations

import numpy as np
import pytest
from stage_runs import assert_printed, at, curve, operating, small_signal, worked

from simwrap import measure
from simwrap.circuits.stage import stage

FARAD = 1.0  # a capacitor that is a short circuit at any frequency of interest
OPEN = 1e9  # a load that isn't there [ohm]


def parallel(*resistances: float) -> float:
    return 1.0 / sum(1.0 / value for value in resistances)


def printed(name: str) -> float:
    return worked()[name]


def common_cathode_gain(mu, ra, load, unbypassed=0.0):
    """A = mu*RL/(ra + RL + (mu+1)*Rk) (Langford-Smith, Radio Designer's Handbook, 4th ed., ch. 12)."""
    return mu * load / (ra + load + (mu + 1.0) * unbypassed)


def common_cathode_output(mu, ra, anode_resistor, unbypassed=0.0):
    """Zout = Ra || (ra + (mu+1)*Rk) (Radio Designer's Handbook ch. 12)."""
    return parallel(anode_resistor, ra + (mu + 1.0) * unbypassed)


def shelf(mu, ra, load, cathode_resistor, cathode_capacitor):
    """Zero and pole of a partly bypassed cathode [Hz] (Radio Designer's Handbook ch. 12)."""
    zero = 1.0 / (2.0 * np.pi * cathode_resistor * cathode_capacitor)
    return zero, zero * (1.0 + (mu + 1.0) * cathode_resistor / (ra + load))


def follower_gain(mu, ra, cathode_resistor):
    """A = mu*Rk/(ra + (mu+1)*Rk) (Radio Designer's Handbook ch. 7; Reich)."""
    return mu * cathode_resistor / (ra + (mu + 1.0) * cathode_resistor)


def follower_output(mu, ra, cathode_resistor):
    """Zout = Rk || ra/(mu+1) (Radio Designer's Handbook ch. 7; Reich)."""
    return parallel(cathode_resistor, ra / (mu + 1.0))


def cathodyne_gain(mu, ra, load):
    """A = mu*R/(ra + (mu+2)*R) to either output (Radio Designer's Handbook ch. 7; Preisman 1960)."""
    return mu * load / (ra + (mu + 2.0) * load)


def cathodyne_outputs(mu, ra, load):
    """Balanced, anode alone, cathode alone [ohm] (Radio Designer's Handbook ch. 7; Preisman 1960)."""
    return (
        parallel(load, ra / (mu + 2.0)),
        parallel(load, ra + (mu + 1.0) * load),
        parallel(load, (ra + load) / (mu + 1.0)),
    )


def long_tailed_pair(mu, ra, load, tail):
    """Return A1, A2 with the second grid at signal ground (Radio Designer's Handbook ch. 7)."""
    ratio = 1.0 + (ra + load) / ((mu + 1.0) * tail)
    difference = -mu * load / (ra + load)
    second = -difference / (1.0 + ratio)
    return -ratio * second, second


def balancing_load(mu, ra, load, tail):
    """Return RL2 that makes both outputs equal: RL2/RL1 = 1 + (ra+RL2)/((mu+1)*Rt)."""
    reach = (mu + 1.0) * tail
    return load * (1.0 + ra / reach) / (1.0 - load / reach)


def test_formulas_give_the_printed_numbers():
    load = parallel(100e3, 1e6)
    assert_printed(common_cathode_gain(100, 62.5e3, load), "common_cathode_gain_bypassed", 5e-4)
    assert_printed(common_cathode_gain(100, 62.5e3, load, 1.5e3), "common_cathode_gain_unbypassed", 5e-4)
    assert_printed(common_cathode_output(100, 62.5e3, 100e3), "common_cathode_output_bypassed", 0.5)
    assert_printed(common_cathode_output(100, 62.5e3, 100e3, 1.5e3), "common_cathode_output_unbypassed", 0.5)
    for name, mu, ra, anode_load in (
        ("gain_mu100_ra80k", 100, 80e3, parallel(220e3, 470e3)),
        ("gain_12au7_3k", 17, 7.7e3, 3e3),
        ("gain_12av7_3k", 41, 4.8e3, 3e3),
        ("gain_12ax7_3k", 100, 80e3, 3e3),
    ):
        digits = 0.05 if printed(name) > 10 else 0.005
        assert_printed(common_cathode_gain(mu, ra, anode_load), name, digits)
    zero, pole = shelf(100, 62.5e3, load, 1.5e3, 1e-6)  # RL 90.9k stands for 100k parallel 1M
    assert_printed(zero, "shelf_zero", 5e-4)
    assert_printed(pole, "shelf_pole", 5e-4)
    assert_printed(20.0 * np.log10(pole / zero), "shelf_height", 5e-4)
    assert_printed(follower_gain(100, 62.5e3, 100e3), "follower_gain_12ax7", 5e-6)
    assert_printed(follower_output(100, 62.5e3, 100e3), "follower_output_12ax7", 5e-3)
    assert_printed(follower_gain(17, 7.7e3, 22e3), "follower_gain_12au7", 5e-6)
    assert_printed(follower_output(17, 7.7e3, 22e3), "follower_output_12au7", 5e-3)
    assert_printed(cathodyne_gain(17, 7.7e3, 22e3), "cathodyne_gain", 5e-6)
    for value, name, digits in zip(
        cathodyne_outputs(17, 7.7e3, 22e3), ("balanced", "anode", "cathode"), (5e-3, 0.05, 5e-3), strict=True
    ):
        assert_printed(value, f"cathodyne_output_{name}", digits)
    first, second = long_tailed_pair(100, 62.5e3, 100e3, 47e3)
    assert_printed(first, "long_tailed_pair_first_gain", 5e-5)
    assert_printed(second, "long_tailed_pair_second_gain", 5e-5)
    assert_printed(-first / second, "long_tailed_pair_ratio", 5e-6)
    assert_printed(first - second, "long_tailed_pair_difference", 5e-5)
    assert_printed(balancing_load(100, 62.5e3, 100e3, 47e3) / 100e3, "long_tailed_pair_balanced_loads", 5e-5)


def test_published_gain_of_the_12at7_is_rounded_down():
    """The source prints 12.9 for 12.950: its last digit is cut off, not rounded."""
    gain = common_cathode_gain(60, 10.9e3, 3e3)
    assert gain == pytest.approx(12.950, abs=5e-4)
    assert np.floor(gain * 10.0) / 10.0 == printed("gain_12at7_3k")


TRIODES = ["12AX7", "6SL7GT", "12AU7", "6SN7GT"]
MIDBAND = {
    "source_resistance": 0,
    "cathode_capacitor": FARAD,
    "coupling_capacitor": FARAD,
    "load_capacitance": 0,
}


@pytest.mark.parametrize("valve", TRIODES)
def test_triode_gain_bypassed_within_half_a_percent(valve):
    made = stage("triode_gain", valve=valve, **MIDBAND)
    slopes = small_signal(made)
    load = parallel(made.values["anode_resistor"], made.values["load_resistor"])
    assert -np.real(at(made, 1000.0)) == pytest.approx(common_cathode_gain(slopes.mu, slopes.ra, load), rel=0.005)


@pytest.mark.parametrize("valve", TRIODES)
def test_triode_gain_unbypassed_within_half_a_percent(valve):
    made = stage("triode_gain", valve=valve, **(MIDBAND | {"cathode_capacitor": 0}))
    slopes = small_signal(made)
    load = parallel(made.values["anode_resistor"], made.values["load_resistor"])
    wanted = common_cathode_gain(slopes.mu, slopes.ra, load, made.values["cathode_resistor"])
    assert -np.real(at(made, 1000.0)) == pytest.approx(wanted, rel=0.005)


@pytest.mark.parametrize("capacitor", [0, FARAD])
def test_triode_output_impedance_within_half_a_percent(capacitor):
    made = stage("triode_gain", **(MIDBAND | {"cathode_capacitor": capacitor, "load_resistor": OPEN}))
    slopes = small_signal(made)
    unbypassed = 0.0 if capacitor else made.values["cathode_resistor"]
    wanted = common_cathode_output(slopes.mu, slopes.ra, made.values["anode_resistor"], unbypassed)
    assert abs(at(made, 100.0, excite="output")) == pytest.approx(wanted, rel=0.005)


def crossing(frequencies, gain, level: float) -> float:
    """Return where the magnitude passes ``level`` [Hz], on straight lines in decibels over octaves."""
    over = 20.0 * np.log10(np.abs(gain) / level)
    place = int(np.flatnonzero(np.diff(np.sign(over)))[0])
    x = np.log(frequencies)
    return float(np.exp(x[place] - over[place] * (x[place + 1] - x[place]) / (over[place + 1] - over[place])))


def test_low_corner_by_the_coupling_capacitor_within_half_a_percent():
    """f = 1/(2 pi C (Zout + Rg)) (Radio Designer's Handbook ch. 12)."""
    assert_printed(1.0 / (2.0 * np.pi * 22e-9 * (38.46e3 + 1e6)), "coupling_corner", 5e-4)
    made = stage("triode_gain", **(MIDBAND | {"coupling_capacitor": "22n"}))
    slopes = small_signal(made)
    output = common_cathode_output(slopes.mu, slopes.ra, made.values["anode_resistor"])
    wanted = 1.0 / (2.0 * np.pi * 22e-9 * (output + made.values["load_resistor"]))
    frequencies, gain = curve(made, 2.0, 30.0, 200)
    middle = abs(at(made, 2000.0))
    assert crossing(frequencies, gain, middle / np.sqrt(2.0)) == pytest.approx(wanted, rel=0.005)


@pytest.mark.parametrize("valve", ["12AX7", "6SL7GT"])
def test_partial_bypass_shelf_within_half_a_percent(valve):
    """Height, and the whole curve: |A| = unbypassed gain * |1 + jf/fz| / |1 + jf/fp|."""
    made = stage("triode_gain", valve=valve, **(MIDBAND | {"cathode_capacitor": "1u"}))
    v = made.values
    slopes = small_signal(made)
    load = parallel(v["anode_resistor"], v["load_resistor"])
    zero, pole = shelf(slopes.mu, slopes.ra, load, v["cathode_resistor"], v["cathode_capacitor"])
    frequencies, gain = curve(made, 1.0, 20e3, 10)
    height = 20.0 * np.log10(abs(gain[-1]) / abs(gain[0]))
    assert height == pytest.approx(20.0 * np.log10(pole / zero), rel=0.005)
    low = common_cathode_gain(slopes.mu, slopes.ra, load, v["cathode_resistor"])
    wanted = low * np.abs(1.0 + 1j * frequencies / zero) / np.abs(1.0 + 1j * frequencies / pole)
    np.testing.assert_allclose(np.abs(gain), wanted, rtol=0.005)


def miller(made, slopes) -> float:
    """Cin = Cgk + Cga*(1 + |A|) (J. M. Miller, 1920; Radio Designer's Handbook ch. 2)."""
    load = parallel(made.values["anode_resistor"], made.values["load_resistor"])
    amplification = common_cathode_gain(slopes.mu, slopes.ra, load)
    capacitances = made.valves["v1"].valve.capacitances
    return capacitances.grid_cathode + capacitances.grid_anode * (1.0 + amplification)


@pytest.mark.parametrize("valve", TRIODES)
def test_miller_capacitance_within_half_a_percent(valve):
    made = stage("triode_gain", valve=valve, grid_leak=OPEN, **(MIDBAND | {"source_resistance": "1M"}))
    grid = at(made, 1000.0, "n_grid")
    admittance = (1.0 - grid) / (grid * 1e6)
    found = np.imag(admittance) / (2.0 * np.pi * 1000.0)
    assert found == pytest.approx(miller(made, small_signal(made)), rel=0.005)


@pytest.mark.parametrize("valve", ["12AX7", "6SL7GT"])
def test_miller_roll_off_within_half_a_percent(valve):
    """A source so high that the input is the only pole that counts."""
    made = stage("triode_gain", valve=valve, grid_leak=OPEN, **(MIDBAND | {"source_resistance": "1M"}))
    frequencies, gain = curve(made, 200.0, 20e3, 200)
    wanted = 1.0 / (2.0 * np.pi * 1e6 * miller(made, small_signal(made)))
    assert crossing(frequencies, gain, abs(at(made, 10.0)) / np.sqrt(2.0)) == pytest.approx(wanted, rel=0.005)


@pytest.mark.parametrize("valve", ["12AX7", "6SL7GT"])
def test_roll_off_with_an_ordinary_source_within_half_a_percent(valve):
    """With 68k the output's own time constant Zout*(Cga + Cak) counts too: 1.2 % and 2.6 % here."""
    made = stage("triode_gain", valve=valve, **(MIDBAND | {"source_resistance": "68k"}))
    slopes = small_signal(made)
    output = parallel(slopes.ra, made.values["anode_resistor"], made.values["load_resistor"])
    capacitances = made.valves["v1"].valve.capacitances
    total = parallel(68e3, made.values["grid_leak"]) * miller(made, slopes)
    total += output * (capacitances.grid_anode + capacitances.anode_cathode)
    frequencies, gain = curve(made, 1e3, 200e3, 200)
    found = crossing(frequencies, gain, abs(at(made, 100.0)) / np.sqrt(2.0))
    assert found == pytest.approx(1.0 / (2.0 * np.pi * total), rel=0.005)


def test_miller_formula_gives_the_printed_numbers():
    capacitance = 1.6e-12 + 1.7e-12 * (1.0 + 59.26)
    assert_printed(capacitance, "miller_capacitance", 5e-15)
    assert_printed(1.0 / (2.0 * np.pi * 68e3 * capacitance), "miller_corner", 1.0)


@pytest.mark.parametrize("valve", ["6AU6"])
def test_pentode_gain_within_one_percent(valve):
    """A = gm*(ra || RL), gm at the actual current (Radio Designer's Handbook ch. 12)."""
    made = stage("pentode_gain", valve=valve, screen_capacitor=FARAD, **MIDBAND)
    slopes = small_signal(made)
    load = parallel(made.values["anode_resistor"], made.values["load_resistor"], slopes.ra)
    assert -np.real(at(made, 1000.0)) == pytest.approx(slopes.gm * load, rel=0.01)


@pytest.mark.parametrize("valve", TRIODES)
def test_cathode_follower_gain_and_output_impedance_within_one_percent(valve):
    made = stage("cathode_follower", valve=valve, bias="direct", grid_voltage=100, source_resistance=0,
                 cathode_resistor="47k", coupling_capacitor=FARAD, load_resistor=OPEN, load_capacitance=0)  # fmt: skip
    slopes = small_signal(made)
    assert np.real(at(made, 1000.0)) == pytest.approx(follower_gain(slopes.mu, slopes.ra, 47e3), rel=0.01)
    wanted = follower_output(slopes.mu, slopes.ra, 47e3)
    assert abs(at(made, 1000.0, excite="output")) == pytest.approx(wanted, rel=0.01)


def test_self_biased_follower_raises_its_grid_leak():
    """The leak's foot follows the signal: Rin = Rg/(1 - A'), with A' the gain to that foot."""
    made = stage("cathode_follower", source_resistance=0, input_capacitor=FARAD, coupling_capacitor=FARAD,
                 load_resistor=OPEN, load_capacitance=0)  # fmt: skip
    grid, source, foot = at(made, 10.0, "n_grid", "n_signal", "n_tap")
    current = (grid - foot) / made.values["grid_leak"]
    slow = stage("cathode_follower", source_resistance="10M", input_capacitor=FARAD, coupling_capacitor=FARAD,
                 load_resistor=OPEN, load_capacitance=0)  # fmt: skip
    behind = at(slow, 10.0, "n_grid")
    measured = 10e6 * abs(behind) / abs(1.0 - behind)
    assert abs(source) == pytest.approx(1.0)
    assert measured == pytest.approx(abs(grid / current), rel=0.01)
    assert measured > 5.0 * made.values["grid_leak"]


CATHODYNE = {"source_resistance": 0, "coupling_capacitor": FARAD, "load_capacitance": 0}


@pytest.mark.parametrize(("valve", "load"), [("12AU7", 22e3), ("6SN7GT", 22e3), ("6SL7GT", 100e3)])
def test_cathodyne_gain_within_one_percent(valve, load):
    made = stage("cathodyne", valve=valve, anode_resistor=load, cathode_resistor=load, load_resistor=OPEN,
                 load_resistor_b=OPEN, **CATHODYNE)  # fmt: skip
    slopes = small_signal(made)
    anode, cathode = at(made, 1000.0, "n_out", "n_out_b")
    wanted = cathodyne_gain(slopes.mu, slopes.ra, load)
    assert np.real(anode) == pytest.approx(-wanted, rel=0.01)
    assert np.real(cathode) == pytest.approx(wanted, rel=0.01)


@pytest.mark.parametrize("valve", ["12AU7", "6SN7GT"])
def test_cathodyne_output_impedances_within_one_percent(valve):
    made = stage("cathodyne", valve=valve, load_resistor=OPEN, load_resistor_b=OPEN, **CATHODYNE)
    slopes = small_signal(made)
    balanced, anode, cathode = cathodyne_outputs(slopes.mu, slopes.ra, 22e3)
    assert abs(at(made, 100.0, "n_out", excite="output")) == pytest.approx(anode, rel=0.01)
    assert abs(at(made, 100.0, "n_out_b", excite="output_b")) == pytest.approx(cathode, rel=0.01)
    loaded = made.replace(load_resistor="10k", load_resistor_b="10k")
    for node in ("n_out", "n_out_b"):
        drop = abs(at(made, 100.0, node)) / abs(at(loaded, 100.0, node))
        assert 10e3 * (drop - 1.0) == pytest.approx(balanced, rel=0.01), node
    # The measure takes loads off again, equal or not.
    for one in (made, loaded, made.replace(load_resistor="10k", load_resistor_b="33k")):
        found = measure(one, {"impedance": {"reference_frequency": 100.0}}).impedance
        assert found.output_balanced == pytest.approx(balanced, rel=0.01)
    found = measure(made, {"impedance": {"reference_frequency": 100.0}}).impedance
    assert found.output == pytest.approx(anode, rel=0.01)
    assert found.output_b == pytest.approx(cathode, rel=0.01)


def test_cathodyne_input_resistance_with_the_leak_at_the_tap():
    """Rin = Rg*(ra+(mu+2)R)/(ra+2R) (livinginthepast-audioweb.co.uk/cfi-impedance.html: 6.1 M)."""
    assert_printed(500e3 * (10e3 + 30 * 20e3) / (10e3 + 2 * 20e3), "cathodyne_input_resistance", 1e-3)
    # No bias resistor in the signal's way: it is bypassed.
    made = stage("cathodyne", bias="self", bias_capacitor=FARAD, input_capacitor=FARAD, load_resistor=OPEN,
                 load_resistor_b=OPEN, **(CATHODYNE | {"source_resistance": "1M"}))  # fmt: skip
    slopes = small_signal(made)
    behind = at(made, 10.0, "n_grid")
    wanted = made.values["grid_leak"] * (slopes.ra + (slopes.mu + 2.0) * 22e3) / (slopes.ra + 2.0 * 22e3)
    assert 1e6 * abs(behind) / abs(1.0 - behind) == pytest.approx(wanted, rel=0.01)


PAIR = {
    "bias": "direct",
    "source_resistance": 0,
    "grid_capacitor": FARAD,
    "coupling_capacitor": FARAD,
    "load_resistor": OPEN,
    "load_capacitance": 0,
}


@pytest.mark.parametrize("valve", ["12AX7", "6SL7GT"])
def test_long_tailed_pair_gains_and_ratio_within_one_percent(valve):
    made = stage("long_tailed_pair", valve=valve, **PAIR)
    slopes = small_signal(made)
    first, second = long_tailed_pair(slopes.mu, slopes.ra, 100e3, 47e3)
    found, other = at(made, 1000.0, "n_out", "n_out_b")
    assert np.real(found) == pytest.approx(first, rel=0.01)
    assert np.real(other) == pytest.approx(second, rel=0.01)
    # The imbalance itself, not only the ratio near 1.
    assert abs(found / other) - 1.0 == pytest.approx(-first / second - 1.0, rel=0.01)
    assert np.real(found - other) == pytest.approx(-slopes.mu * 100e3 / (slopes.ra + 100e3), rel=0.01)


@pytest.mark.parametrize("valve", ["12AX7", "6SL7GT"])
def test_unequal_loads_cure_the_long_tailed_pair(valve):
    made = stage("long_tailed_pair", valve=valve, **PAIR)
    slopes = small_signal(made)
    wanted = balancing_load(slopes.mu, slopes.ra, 100e3, 47e3)
    before = at(made, 1000.0, "n_out", "n_out_b")
    cured = at(made.replace(anode_resistor_b=wanted), 1000.0, "n_out", "n_out_b")
    assert abs(before[0] / before[1]) > 1.02
    assert abs(cured[0] / cured[1]) == pytest.approx(1.0, abs=0.005)
    # Not the next best resistor: the load that balances exactly is within 1 % of the formula's.
    slope = (abs(cured[0] / cured[1]) - abs(before[0] / before[1])) / (wanted - 100e3)
    assert wanted - (abs(cured[0] / cured[1]) - 1.0) / slope == pytest.approx(wanted, rel=0.01)


def test_long_tailed_pair_on_a_current_sink_is_balanced_by_itself():
    made = stage("long_tailed_pair", tail="current_sink", **(PAIR | {"bias": "self", "input_capacitor": FARAD}))
    first, second = at(made, 1000.0, "n_out", "n_out_b")
    assert abs(first / second) == pytest.approx(1.0, abs=0.001)


def test_long_tailed_pair_on_a_negative_supply():
    """The tail works like any other: its resistor decides, not where it ends."""
    made = stage("long_tailed_pair", tail="negative_supply", tail_resistor="100k", negative_supply=-150,
                 **(PAIR | {"bias": "self", "input_capacitor": FARAD}))  # fmt: skip
    slopes = small_signal(made)
    first, second = long_tailed_pair(slopes.mu, slopes.ra, 100e3, 100e3)
    found, other = at(made, 1000.0, "n_out", "n_out_b")
    assert abs(found / other) == pytest.approx(-first / second, rel=0.001)
    assert operating(made)["n_cathode"] > 0.0


def test_two_stages_multiply_their_gains():
    """The second stage's grid leak loads the first; the volume control divides by its wiper's fraction."""
    made = stage("two_stage_preamplifier", source_resistance=0, first_cathode_capacitor=FARAD,
                 interstage_capacitor=FARAD, coupling_capacitor=FARAD, decoupling_capacitor=FARAD,
                 load_capacitance=0)  # fmt: skip
    v = made.values
    first, second = small_signal(made, "v1"), small_signal(made, "v2")
    one = common_cathode_gain(first.mu, first.ra, parallel(v["first_anode_resistor"], v["second_grid_leak"]))
    two = common_cathode_gain(
        second.mu, second.ra, parallel(v["second_anode_resistor"], v["load_resistor"]), v["second_cathode_resistor"]
    )
    assert np.real(at(made, 500.0)) == pytest.approx(one * two, rel=0.005)
    quieter = made.replace(volume_taper="linear", volume_pot=v["second_grid_leak"], volume=0.25)
    assert abs(at(quieter, 500.0)) == pytest.approx(0.25 * one * two, rel=0.005)
