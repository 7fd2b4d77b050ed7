"""Measures on simulated stages against closed forms; gm and ra come from the law at the simulated bias."""

from __future__ import annotations

import numpy as np
import pytest

import simwrap
import simwrap.errors
from simwrap.measures.distortion import FLOOR

K, T = 1.380649e-23, 300.15


def slopes(found):
    """gm and ra of the first valve at its simulated bias."""
    at = found.bias.valves.v1
    use = found.stage.valves["v1"]
    slope = use.valve.small_signal(at.anode_voltage, at.grid_voltage)
    return float(slope.gm), float(slope.ra), float(slope.mu)


def parallel(*resistances):
    return 1.0 / sum(1.0 / r for r in resistances)


@pytest.mark.parametrize("source_resistance", [1e3, 68e3])
def test_input_noise_is_the_hand_sum_of_its_sources(source_resistance):
    """Thermal noise of the source, 2.5/gm of the valve, anode and load resistors; within 0.1 dB."""
    stage = simwrap.stage("triode_gain", source_resistance=source_resistance, load_capacitance=0.0)
    found = simwrap.measure(stage, ["bias", "noise", "response"])
    values = stage.values
    gm, ra, _ = slopes(found)
    division = values["grid_leak"] / (values["grid_leak"] + source_resistance)
    from_grid = found.response.gain / division
    load = parallel(values["anode_resistor"], values["load_resistor"])
    grid = parallel(source_resistance, values["grid_leak"]) + 2.5 / gm
    power = 4 * K * T * (grid * from_grid**2 + parallel(ra, load) ** 2 / load)
    by_hand = np.sqrt(power) / found.response.gain
    assert 20 * np.log10(found.noise.input_density_1khz / by_hand) == pytest.approx(0.0, abs=0.1)


def test_output_impedance_of_a_common_cathode_stage():
    """Zout = Ra || ra bypassed, Ra || (ra + (mu + 1) Rk) unbypassed (RDH4 ch. 12): within 0.5 %."""
    parts = {"load_capacitance": 0.0, "coupling_capacitor": 10e-6}
    bypassed = simwrap.measure(simwrap.stage("triode_gain", cathode_capacitor=0.01, **parts), ["bias", "impedance"])
    _, ra, _ = slopes(bypassed)
    assert bypassed.impedance.output == pytest.approx(parallel(100e3, ra), rel=5e-3)
    bare = simwrap.measure(simwrap.stage("triode_gain", cathode_capacitor=0.0, **parts), ["bias", "impedance"])
    _, ra, mu = slopes(bare)
    assert bare.impedance.output == pytest.approx(parallel(100e3, ra + (mu + 1) * 1.5e3), rel=5e-3)


@pytest.mark.parametrize(
    ("name", "values", "limit"),
    [
        ("triode_gain", {"cathode_resistor": 470.0}, "grid current"),
        ("triode_gain", {"cathode_resistor": 10e3, "load_resistor": 100e3}, "cut-off"),
        ("pentode_gain", {"anode_resistor": 470e3, "load_resistor": 1e6, "screen_resistor": 1e6}, "bottoming"),
    ],
)
def test_each_limit_is_recognised_on_a_stage_built_to_reach_it_first(name, values, limit):
    found = simwrap.measure(simwrap.stage(name, **values), {"headroom": {"levels": 18}})
    assert found.headroom.first_limit == limit
    assert found.headroom.clipping_input_rms > 0


def test_rise_time_and_tilt_agree_with_the_corners():
    """Rise time 0.35/f2, tilt pi f1/f (Millman and Halkias), for single poles far from 1 kHz: within 3 %."""
    stage = simwrap.stage("triode_gain", cathode_capacitor=0.0, load_capacitance=50e-12, source_resistance=0.0)
    found = simwrap.measure(stage, ["response", "square_wave"])
    assert found.square_wave.rise_time == pytest.approx(0.3497 / found.response.high_corner, rel=0.03)
    assert found.square_wave.tilt == pytest.approx(100 * np.pi * found.response.low_corner / 1000, rel=0.03)
    assert found.square_wave.overshoot == pytest.approx(0.0, abs=0.1)
    assert found.square_wave.output_step == pytest.approx(-0.1 * found.response.gain, rel=0.01)


def test_small_distortion_of_a_triode_follows_its_law():
    """Second harmonic at small level: A d2Va/dVg2 / (4 dVa/dVg) along the load line, by numerical slopes."""
    stage = simwrap.stage("triode_gain", cathode_capacitor=0.01, coupling_capacitor=10e-6)
    found = simwrap.measure(stage, {"bias": {}, "distortion": {"level": 0.02, "with_noise": False}})
    at, values = found.bias.valves.v1, stage.values
    valve = stage.valves["v1"].valve
    load = parallel(values["anode_resistor"], values["load_resistor"])

    def anode(grid):
        """The anode voltage on the a.c. load line through the bias, by bisection."""
        low, high = 0.0, 400.0
        for _ in range(80):
            middle = (low + high) / 2
            current = float(valve.currents(middle, grid).anode)
            on_line = at.anode_voltage - (current - at.anode_current) * load
            low, high = (middle, high) if on_line > middle else (low, middle)
        return low

    step = 0.05
    up, rest, down = (anode(at.grid_voltage + k * step) for k in (1, 0, -1))
    slope, bend = (up - down) / (2 * step), (up - 2 * rest + down) / step**2
    peak = 0.02 * np.sqrt(2) * values["grid_leak"] / (values["grid_leak"] + values["source_resistance"])
    assert found.distortion.harmonics[0] == pytest.approx(100 * abs(peak * bend / (4 * slope)), rel=0.01)


def test_rejection_of_a_common_cathode_stage():
    """Output for 1 V of supply ripple: r'/(r' + Ra), r' = ra || load (RDH4 ch. 12, divider)."""
    stage = simwrap.stage("triode_gain", cathode_capacitor=0.1, coupling_capacitor=10e-6, load_capacitance=0.0)
    found = simwrap.measure(stage, {"bias": {}, "rejection": {"ripple_frequency": 1000.0}})
    _, ra, _ = slopes(found)
    below = parallel(ra, stage.values["load_resistor"])
    assert found.rejection.supplies.supply.transfer == pytest.approx(below / (below + 100e3), rel=5e-3)


def test_blocking_after_overload():
    """A big input capacitor and grid leak hold the charge of the burst: tau = C R."""
    slow = simwrap.stage("triode_gain", input_capacitor="100n", grid_leak="1M", source_resistance="1k")
    quick = simwrap.stage("triode_gain", input_capacitor="1n", grid_leak="1M", source_resistance="1k")
    options = {"recovery": {"overload_db": 20.0, "window": 0.6}}
    times = [simwrap.measure(stage, options).recovery for stage in (slow, quick)]
    assert times[0].bias_shift < -1.0
    assert times[0].recovery_time > 5 * times[1].recovery_time
    # From the shift to a tenth of the bias at the time constant 0.1 s of the grid, once the cathode is back.
    bias = simwrap.measure(slow, ["bias"]).bias.valves.v1.grid_voltage
    assert times[0].recovery_time == pytest.approx(0.101 * np.log(times[0].bias_shift / (0.1 * bias)), rel=0.25)


def test_a_triode_connected_pentode_has_no_partition_noise():
    """2.5/gm of both currents together; as a pentode the same valve is noisier (Harris, RCA Review, 1941; memory)."""
    for connection, least in (("triode", 0.999), ("pentode", 1.5)):
        stage = simwrap.stage("single_ended_output", connection=connection, valve="6V6GT", transformer="ideal")
        found = simwrap.measure(stage, ["bias", "noise"])
        point = found.bias.valves.v1
        valve = stage.valves["v1"].valve
        gm = valve.small_signal(point.anode_voltage, point.grid_voltage, point.screen_voltage, tap=1.0).gm
        ratio = float(found.noise.noise_resistance.v1 * gm / 2.5)
        assert ratio >= least
        if connection == "triode":
            assert ratio < 1.05


def test_power_bandwidth_ends_where_the_core_distorts():
    """At the low end of the power bandwidth half the power comes with the stated distortion (IEC 60268-3)."""
    stage = simwrap.stage("single_ended_output", transformer="real", saturation_voltage=100.0, connection="triode")
    full = simwrap.measure(stage, {"power": {"bandwidth": True, "levels": 0, "stated_thd": 8.0}}).power
    low = float(full.bandwidth.low)
    assert 15.0 < low < 200.0
    plain = simwrap.measure(
        simwrap.stage("single_ended_output", transformer="real", connection="triode"),
        {"power": {"bandwidth": True, "levels": 0, "stated_thd": 8.0}},
    ).power
    assert not low <= float(plain.bandwidth.low)  # without saturation lower, or not in the band at all
    drives = float(full.drive) * np.linspace(0.6, 0.9, 4)
    halves = [
        simwrap.measure(stage, {"power": {"drive": float(drive), "frequency": low, "levels": 0}}).power
        for drive in drives
    ]
    power = [float(each.output_power) for each in halves]
    half = float(full.output_power) / 2.0
    assert power[0] < half < power[-1]
    assert np.interp(half, power, [float(each.thd) for each in halves]) == pytest.approx(8.0, rel=0.15)


@pytest.mark.parametrize("engine", ["ngspice", "neospice"])
def test_heater_hum_of_an_unbypassed_cathode(engine):
    """Leakage current into the cathode: i RL (mu+1) Rk / ((mu+1) Rk + ra + RL), elementary."""
    stage = simwrap.stage("triode_gain", valve="12AX7", cathode_capacitor=0.0)
    found = simwrap.measure(stage, ["bias", "heater_hum"], engine=engine)
    at, values, valve = found.bias.valves.v1, stage.values, stage.valves["v1"].valve
    slopes = valve.small_signal(float(at.anode_voltage), float(at.grid_voltage))
    ra, mu = float(slopes.ra), float(slopes.mu)
    load = 1.0 / (1.0 / values["anode_resistor"] + 1.0 / values["load_resistor"])
    cathode = values["cathode_resistor"]
    leak = abs(
        1.0 / valve.leakage.heater_cathode_resistance + 2j * np.pi * 50.0 * valve.leakage.heater_cathode_capacitance
    )
    hum = 6.3 * leak * load * (mu + 1.0) * cathode / ((mu + 1.0) * cathode + ra + load)
    assert float(found.heater_hum.output_rms) == pytest.approx(hum, rel=0.02)
    bypassed = simwrap.measure(simwrap.stage("triode_gain", valve="12AX7"), "heater_hum", engine=engine)
    assert float(bypassed.heater_hum.output_rms) < 0.3 * hum


@pytest.mark.parametrize("engine", ["ngspice", "neospice"])
def test_square_wave_of_a_coupling_capacitor(engine):
    """A CR of 50 ms falls by 1 - exp(-0.5 ms / 50 ms) in half a period, and has no overshoot (elementary)."""
    bare = {"position": 1.0, "input_capacitor": 100e-9, "load_resistor": 1e6, "pot": 1e6, "source_resistance": 0.0}
    stage = simwrap.stage("volume_control", load_capacitance=0.0, **bare)
    found = simwrap.measure(stage, "square_wave", engine=engine).square_wave
    assert float(found.output_step) == pytest.approx(0.1, rel=0.01)
    assert float(found.tilt) == pytest.approx(1.0, rel=0.05)
    assert float(found.overshoot) < 0.5


def test_power_needs_a_valve_to_drive():
    with pytest.raises(simwrap.errors.InputError, match="no valve that could be driven"):
        simwrap.measure(simwrap.stage("riaa_passive"), {"power": {"drive": 1.0}})


@pytest.mark.parametrize("name", sorted(set(simwrap.measure_names()) - {"supply"}))
def test_a_supply_is_only_measured_as_one(name):
    """Its rectifiers are at rest without the mains: gains and noise there would be numbers without a meaning."""
    with pytest.raises(simwrap.errors.InputError, match="no meaning for supply"):
        simwrap.measure(simwrap.stage("supply"), name)


def test_no_other_stage_is_measured_as_a_supply():
    with pytest.raises(simwrap.errors.InputError, match="no port reservoir"):
        simwrap.measure(simwrap.stage("triode_gain"), "supply")


@pytest.mark.parametrize("name", ["response", "headroom", "distortion", "noise", "rejection"])
def test_either_side_of_a_splitter_is_measured(name):
    """With equal loads a cathodyne's sides have equal gains, but not the rest; a port must be there."""
    stage = simwrap.stage("cathodyne")
    one, other = (simwrap.measure(stage, {name: {"at": at}})[name] for at in ("output", "output_b"))
    key = {
        "response": "gain",
        "headroom": "output_rms_1pct",
        "distortion": "thd",
        "noise": "output_rms",
        "rejection": "supplies.supply.transfer",
    }[name]
    alike = name in ("response", "distortion")
    assert (float(one[key]) == pytest.approx(float(other[key]), rel=0.02)) == alike
    assert other.result.conditions["measured_at"] == ("output_b", "")
    with pytest.raises(simwrap.errors.InputError, match=r"its ports are .*output, output_b"):
        simwrap.measure(stage, {name: {"at": "left"}})


def test_marks_of_the_power_curve_do_not_depend_on_the_set_drive():
    """Far beyond clipping as well as just there: each mark within 1 %, and the power bandwidth's rated power."""
    stage = simwrap.stage("single_ended_output", transformer="ideal")
    near, far = (simwrap.measure(stage, {"power": {"drive": drive}}).power for drive in (8.8, 400.0))
    assert near.clipping.first_limit == far.clipping.first_limit
    for mark in ("clipping", "at_stated_thd"):
        assert far[mark].drive == pytest.approx(near[mark].drive, rel=0.01)
        assert far[mark].output_power == pytest.approx(near[mark].output_power, rel=0.015)
    banded = {"power": {"bandwidth": True, "drive": 400.0, "levels": 0}}
    found = simwrap.measure(stage, banded)
    assert np.isnan(found.power.bandwidth.power)
    assert any("isn't found" in text for text in found.warnings)


def test_headroom_without_grid_bias_finds_its_distortion():
    """A grid at zero bias conducts at once; 1 % and 3 % are where the distortion measure has them."""
    stage = simwrap.stage("triode_gain", cathode_resistor=0.0)
    found = simwrap.measure(stage, "headroom").headroom
    for percent in (1, 3):
        level = float(found[f"input_rms_{percent}pct"])
        alone = simwrap.measure(stage, {"distortion": {"level": level, "with_noise": False}}).distortion
        assert alone.thd == pytest.approx(percent, rel=0.01)


def test_recovery_does_not_depend_on_the_window():
    """A window ten times as long reads the same; one too short says so instead of a time."""
    stage = simwrap.stage("triode_gain", input_capacitor="100n", source_resistance="10k")
    runs = {w: simwrap.measure(stage, {"recovery": {"window": w}}) for w in (0.1, 0.6, 6.0)}
    for key in ("recovery_time", "output_recovery_time", "bias_shift"):
        assert runs[6.0].recovery[key] == pytest.approx(float(runs[0.6].recovery[key]), rel=0.01)
        assert key == "bias_shift" or np.isnan(runs[0.1].recovery[key])
    assert any("longer one" in text for text in runs[0.1].warnings)
    assert not runs[6.0].warnings


def test_a_pair_is_not_called_back_because_its_shifts_cancel():
    parts = {"coupling_capacitor": "100n", "grid_leak": "470k", "source_resistance": "10k"}
    found = simwrap.measure(simwrap.stage("push_pull_output", **parts), "recovery").recovery
    assert found.bias_shift < -5.0
    assert found.recovery_time > 0.02
    assert np.isnan(found.output_recovery_time)
    assert "cancel" in found.result.conditions["output"][0]


@pytest.mark.parametrize(
    ("name", "values", "supplies"),
    [
        ("single_ended_output", {}, ["supply", "screen_supply"]),
        ("single_ended_output", {"bias": "fixed"}, ["supply", "screen_supply", "bias_supply"]),
        ("push_pull_output", {"connection": "triode"}, ["supply"]),
        ("push_pull_output", {"valve": "2A3"}, ["supply"]),
        ("long_tailed_pair", {}, ["supply"]),
        ("long_tailed_pair", {"tail": "negative_supply"}, ["supply", "negative_supply"]),
    ],
)
def test_rejection_names_the_supplies_that_feed_something(name, values, supplies):
    found = simwrap.measure(simwrap.stage(name, **values), "rejection").rejection
    assert list(found.supplies) == supplies


def test_an_ideal_amplifier_has_no_supply():
    with pytest.raises(simwrap.errors.InputError, match="has no supply"):
        simwrap.measure(simwrap.stage("tone_feedback"), "rejection")


def test_a_half_of_a_12_volt_heater_has_6_volts():
    """A 12AX7's pins have 12.6 V across both halves, or 6.3 V with the halves side by side (sheet)."""
    stage = simwrap.stage("triode_gain", valve="12AX7", cathode_capacitor=0.0)
    own, half, whole = (
        simwrap.measure(stage, {"heater_hum": o}).heater_hum.output_rms
        for o in ({}, {"heater_voltage": 6.3}, {"heater_voltage": 12.6})
    )
    assert own == pytest.approx(float(half), rel=1e-9)
    assert own == pytest.approx(0.5 * float(whole), rel=1e-9)


def test_a_valve_without_a_cathode_of_its_own_does_not_cancel_the_other_measures():
    found = simwrap.measure(simwrap.stage("single_ended_output", valve="300B"), ["response", "heater_hum"])
    assert found.response.gain > 0
    assert np.isnan(found.heater_hum.output_rms)
    assert any("no valve with a cathode apart from its heater" in text for text in found.warnings)


def test_a_pentode_bottoms_before_it_distorts_much():
    """EF86 at 250 V, 100k, 390k, 1k: the swing flattens at 3 % of distortion; one knee further on it is 13 %."""
    stage = simwrap.stage("pentode_gain", valve="EF86", supply=250, anode_resistor="100k", screen_resistor="390k",
                          cathode_resistor="1k")  # fmt: skip
    found = simwrap.measure(stage, "headroom").headroom
    assert found.first_limit == "bottoming"
    onset = {"distortion": {"level": float(found.clipping_input_rms), "with_noise": False}}
    assert 1.0 < simwrap.measure(stage, onset).distortion.thd < 4.0


@pytest.mark.parametrize(
    ("name", "within"), [("triode_gain", 0.002), ("pentode_gain", 0.002), ("cathode_follower", 0.01)]
)
def test_headroom_is_where_the_distortion_measure_has_it(name, within):
    """1 % and 3 % lie in a bracket of levels so narrow, read by another measure: of a sharp knee, 1 %."""
    stage = simwrap.stage(name)
    found = simwrap.measure(stage, "headroom").headroom
    for percent in (1, 3):
        level = float(found[f"input_rms_{percent}pct"])
        below, above = (
            simwrap.measure(stage, {"distortion": {"level": level * factor, "with_noise": False}}).distortion.thd
            for factor in (1.0 - within, 1.0 + within)
        )
        assert below < percent < above


def test_a_linear_stage_reads_no_more_distortion_than_is_declared():
    """A potentiometer: no tone of its own anywhere, so what is read is what the steady state leaves over."""
    found = simwrap.measure(simwrap.stage("volume_control"), {"distortion": {"level": 1.0, "with_noise": False}})
    for name in ("thd", "modulation", "difference_2", "difference_3"):
        assert found.distortion[name] < 100.0 * FLOOR, name


def test_a_filament_has_no_heater_to_insulate():
    found = simwrap.measure(simwrap.stage("single_ended_output", valve="2A3"), "bias")
    told = " ".join(str(value) for value, _ in found.bias.result.conditions.values())
    assert "heater" not in told


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("response", {"reference_frequency": 1e7}),
        ("impedance", {"start": 2000.0}),
        ("rejection", {"ripple_frequency": 1.0}),
        ("headroom", {"levels": 1_000_000_000}),
        ("recovery", {"cycles": 1_000_000}),
        ("distortion", {"frequency": 1e9}),
    ],
)
def test_what_would_find_nothing_or_never_end_is_refused(name, options):
    with pytest.raises(simwrap.errors.RangeError, match=name):
        simwrap.measure(simwrap.stage("triode_gain"), {name: options})
