"""The supply: a time-domain worked example, the light-ripple formula, and what parts do."""

from __future__ import annotations

import numpy as np
import pytest
from stage_runs import assert_printed, checked, steady, worked

from simwrap.circuits.stage import Stage, stage
from simwrap.engine.protocol import Sine, TransientRun

#: What counts as settled, relative to the ripple: it may be a few millionths of the voltage that it rides on,
#: no more than an engine's transient is good for. Where the ripple is large, more is asked for.
SETTLED = 1e-2
FINELY = 1e-4
MAINS = np.sqrt(2.0)  # peak of the 1 V rms that stands for the nominal mains
#: Time constant of each electrolytic capacitor's leakage [s], as the template says.
LEAKAGE = 1000.0
#: Reservoir and load alone.
PLAIN = {
    "rectifier_law": "ideal",
    "filter": "resistor",
    "filter_resistor": 0,
    "filter_capacitor": 0,
    "bleeder": 0,
    "load_current": 0,
    "first_dropper_capacitor": 0,
}
SCHADE = PLAIN | {
    "winding_voltage": 300,
    "winding_resistance": 100,
    "reservoir_capacitor": "50u",
    "load_resistor": "3k",
}


@pytest.mark.parametrize("engine", ["neospice", "ngspice"])
def test_capacitor_input_filter_against_the_time_domain_example(engine):
    """Ideal diodes, 300 V rms a side, 100 ohm, 50 uF, 3 kohm, 50 Hz (Schade's axes: wCR 47, Rs/R 3.3 %).

    The worked values were computed independently; Schade's chart itself (Proc. IRE, July 1943) wasn't read.
    """
    found = steady(
        stage("supply", **SCHADE),
        MAINS,
        "n_reservoir",
        "i(v_rectified)",
        frequency=50.0,
        tolerance=FINELY,
        samples=2048,
        engine=engine,
    )
    volts, amps = found["n_reservoir"], found["i(v_rectified)"]
    hundred = np.abs(np.fft.rfft(volts))[2] * 2.0 / len(volts) / np.sqrt(2.0)
    assert volts.mean() == pytest.approx(worked()["rectifier_mean"], rel=0.001)
    assert np.ptp(volts) == pytest.approx(worked()["rectifier_ripple"], rel=0.003)
    assert volts.std() == pytest.approx(worked()["rectifier_ripple_rms"], rel=0.003)
    assert hundred == pytest.approx(worked()["rectifier_ripple_100hz"], rel=0.003)
    assert amps.max() == pytest.approx(worked()["rectifier_peak_current"], rel=0.003)
    assert np.sqrt(np.mean(amps**2)) == pytest.approx(worked()["rectifier_rms_current"], rel=0.003)


def test_light_ripple_within_one_percent():
    """Vpp = I/(2 f C) full-wave (Radio Designer's Handbook ch. 30; Schade, Proc. IRE, July 1943).

    The formula lets the reservoir discharge for the whole half period: the less ripple, the truer.
    """
    assert_printed(0.1 / (2.0 * 50.0 * 50e-6), "ripple_light", 5e-4)
    made = stage("supply", **(PLAIN | {"winding_voltage": 2000, "winding_resistance": 0, "reservoir_capacitor": "1000u",
                                       "load_current": "10m"}))  # fmt: skip
    volts = steady(made, MAINS, "n_reservoir", frequency=50.0, tolerance=FINELY, samples=4096)["n_reservoir"]
    leaking = volts.mean() * 1000e-6 / LEAKAGE
    assert np.ptp(volts) == pytest.approx((0.010 + leaking) / (2.0 * 50.0 * 1000e-6), rel=0.01)


@pytest.mark.parametrize("engine", ["neospice", "ngspice"])
def test_a_supply_that_hardly_discharges_comes_to_rest(engine):
    """Behind large droppers and without load, where the slowest time constants are those of the leakage."""
    made = stage("supply", load_current=0, bleeder="220k", first_dropper="47k", second_dropper="220k",
                 first_dropper_capacitor="100u", second_dropper_capacitor="47u", first_dropper_current=0,
                 second_dropper_current=0)  # fmt: skip
    found = steady(made, MAINS, "n_out", "n_second", "n_reservoir", frequency=50.0, tolerance=SETTLED,
                   samples=512, engine=engine)  # fmt: skip
    mean = {node: wave.mean() for node, wave in found.items()}
    assert 0.97 * MAINS * 265.0 < mean["n_out"] < MAINS * 265.0
    # What leaks at the end of the droppers flows through both: a direct current in a steady state.
    first = mean["n_second"] * 47e-6 / LEAKAGE
    second = first + (mean["n_second"] + 220e3 * first) * 100e-6 / LEAKAGE
    assert mean["n_out"] - mean["n_second"] == pytest.approx(220e3 * first + 47e3 * second, rel=0.001)


def output(made: Stage, mains: float = 1.0) -> dict[str, np.ndarray]:
    return steady(made, MAINS * mains, "n_reservoir", "n_out", frequency=50.0, tolerance=SETTLED, samples=512)


def test_a_choke_filters_as_a_divider_of_impedances():
    """100 Hz ripple after the choke: divided by the choke's reactance over the capacitor's, less 1."""
    made = stage("supply", first_dropper_capacitor=0, bleeder=0)
    found = output(made)
    before, after = (np.abs(np.fft.rfft(found[node]))[2] for node in ("n_reservoir", "n_out"))
    omega = 2.0 * np.pi * 100.0
    branch = 90.0 + 1j * omega * 5.0
    capacitor = 1.0 / (1j * omega * 100e-6)
    assert after / before == pytest.approx(abs(capacitor / (branch + capacitor)), rel=0.01)


def test_droppers_and_choke_drop_what_ohm_says():
    made = stage("supply")
    found = steady(
        made, MAINS, "n_reservoir", "n_out", "n_first", "n_second", frequency=50.0, tolerance=SETTLED, samples=512
    )
    mean = {node: wave.mean() for node, wave in found.items()}
    last = 1e-3 + mean["n_second"] * 22e-6 / LEAKAGE
    first = last + 5e-3 + mean["n_first"] * 47e-6 / LEAKAGE
    assert mean["n_first"] - mean["n_second"] == pytest.approx(22e3 * last, rel=0.001)
    assert mean["n_out"] - mean["n_first"] == pytest.approx(4.7e3 * first, rel=0.001)
    bleeder = mean["n_out"] / 100e3
    assert mean["n_reservoir"] - mean["n_out"] == pytest.approx(90.0 * (0.166 + bleeder), rel=0.001)


def test_regulation_and_mains_variation():
    """More load, less voltage; 10 % more mains, 10 % more of it where everything is linear but the diodes."""
    made = stage("supply", first_dropper_capacitor=0)
    light, heavy = (output(made.replace(load_current=amps))["n_out"].mean() for amps in (0.08, 0.16))
    assert light > heavy + 10.0
    linear = made.replace(rectifier_law="ideal", load_current=0, load_resistor="2k")
    nominal, high = (output(linear, mains)["n_out"].mean() for mains in (1.0, 1.1))
    assert high / nominal == pytest.approx(1.1, abs=0.001)


def test_a_silicon_bridge_gives_more_than_a_valve():
    valve = stage("supply")
    silicon = valve.replace(rectification="bridge", rectifier="1N4007")
    ideal = valve.replace(rectification="bridge", rectifier_law="ideal")
    low, middle, high = (output(made)["n_out"].mean() for made in (valve, silicon, ideal))
    assert low + 5.0 < middle < high
    assert high - middle < 4.0  # two junctions


@pytest.mark.parametrize("engine", ["neospice", "ngspice"])
def test_surge_at_cold_start(engine):
    """Uncharged capacitors and a hot rectifier: the first peaks are several times the settled ones."""
    made = stage("supply", rectification="bridge", rectifier="1N4007")
    start = TransientRun(
        0.3, 5e-5, ("i(v_rectified)", "n_reservoir"), (Sine(MAINS, 50.0),), samples=8192, initial="zero"
    )
    (reply,) = checked(made, [start], engine=engine)
    surge = float(np.max(reply.values["i(v_rectified)"][0]))
    settled = float(
        steady(made, MAINS, "i(v_rectified)", frequency=50.0, tolerance=SETTLED, samples=1024)["i(v_rectified)"].max()
    )
    assert surge > 3.0 * settled
    # Nothing but the winding's resistance limits it.
    assert surge < MAINS * made.values["winding_voltage"] / made.values["winding_resistance"]
    assert float(reply.values["n_reservoir"][0][0]) == pytest.approx(0.0, abs=1.0)
