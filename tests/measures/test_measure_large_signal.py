"""distortion, power, recovery and square_wave on memoryless or first-order stages."""

from __future__ import annotations

import numpy as np
import pytest
from measure_fakes import frequencies, make_reply, make_stage, make_use, run
from scipy.optimize import brentq

import simwrap
from simwrap.errors import InputError
from simwrap.measures.registry import get_measure
from simwrap.measures.requests import Ac, Noise, Op, Steady, Transient
from simwrap.measures.square_wave import edge_figures


def values_of(name, stage, replier, **options):
    result = run(get_measure(name), stage, replier, **options)
    return {key: variable.values for key, variable in result.variables.items()}, result


def drive_of(request):
    """The source's wave of a steady-state request, shape (points, levels, samples)."""
    turn = 2 * np.pi * np.arange(request.samples) / request.samples
    wave = sum(t.amplitude * np.sin(round(t.frequency / request.fundamental) * turn) for t in request.tones)
    return request.amplitude[..., None] * wave


A, B, NOISE = 0.02, 0.01, 2e-6


def polynomial(request):
    """y = 10 (x + A x^2 + B x^3) with white noise."""
    if isinstance(request, Op):
        return make_reply({"n_out": np.zeros(1)})
    if isinstance(request, Steady):
        x = drive_of(request)
        return make_reply({"n_out": 10 * (x + A * x**2 + B * x**3)})
    f = frequencies(request)
    ones = np.ones((1, len(f)))
    if isinstance(request, Noise):
        return make_reply({"output_density": NOISE * ones, "input_density": NOISE / 10 * ones}, f)
    return make_reply({"n_out": 10 * ones + 0j}, f)


@pytest.mark.parametrize("pair", ["din", "smpte"])
def test_distortion_of_a_polynomial_is_exact(pair):
    got, result = values_of("distortion", make_stage(), polynomial, level=0.5, pair=pair)
    peak = 0.5 * np.sqrt(2)
    first = peak + 0.75 * B * peak**3
    second, third = A * peak**2 / 2, B * peak**3 / 4
    assert got["harmonics"][0, :2] == pytest.approx([100 * second / first, 100 * third / first], rel=1e-9)
    assert (np.abs(got["harmonics"][0, 2:]) < 1e-10).all()
    thd = np.hypot(second, third) / first
    assert got["thd"] == pytest.approx([100 * thd], rel=1e-9)
    assert got["thd_total"] == pytest.approx([100 * thd / np.sqrt(1 + thd**2)], rel=1e-9)
    # Trigonometry for tones a, b: f2 +- f1 have A a b each, f2 +- 2 f1 have 3/4 B a^2 b each.
    a, b = 0.8 * peak, 0.2 * peak
    high = b + B * (0.75 * b**3 + 1.5 * a**2 * b)
    exact = np.hypot(2 * A * a * b, 1.5 * B * a**2 * b) / high
    assert got["modulation"] == pytest.approx([100 * exact], rel=1e-9)
    assert got["modulation_spectrum"] == pytest.approx([100 * exact / np.sqrt(2)], rel=1e-9)
    t = 0.5 * peak
    tones = 2 * (t + B * (0.75 + 1.5) * t**3)
    assert got["difference_2"] == pytest.approx([100 * A * t**2 / tones], rel=1e-9)
    assert got["difference_3"] == pytest.approx([100 * 1.5 * B * t**3 / tones], rel=1e-9)
    assert result.conditions["level"] == (0.5, "V")


def test_noise_adds_to_the_distortion():
    got, _ = values_of("distortion", make_stage(), polynomial, level=0.01)
    peak = 0.01 * np.sqrt(2)
    noise = NOISE * np.sqrt(22e3 - 22)
    harmonics = 10 * np.hypot(A * peak**2 / 2, B * peak**3 / 4) / np.sqrt(2)
    signal = 10 * 0.01
    exact = np.hypot(noise, harmonics) / np.sqrt(signal**2 + noise**2 + harmonics**2)
    assert got["thd_plus_noise"] == pytest.approx([100 * exact], rel=1e-5)
    without, _ = values_of("distortion", make_stage(), polynomial, with_noise=False)
    assert "thd_plus_noise" not in without


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"pair": "x"}, "din"),
        ({"twin": (2e4, 1e4)}, "rising"),
        ({"twin": 19e3}, "2 numbers from 1 Hz to 1 MHz"),
        ({"twin": (19e3, 20e3, 21e3)}, "2 numbers from 1 Hz to 1 MHz"),
        ({"twin": (19e3, 20000.5)}, "whole"),
        ({"twin": (1000.0, 3000.0)}, "fall on"),
        ({"twin": (1000.0, 2000.0)}, "fall on"),
        ({"twin": (19001.0, 20000.0)}, "common divisor of 40 Hz"),
    ],
)
def test_distortion_refuses_what_it_cannot_do(options, words):
    with pytest.raises(InputError, match=words):
        next(get_measure("distortion")(make_stage(), **options))


# A single-ended stage as in the RCA tube manuals' load-line example: 60 mA at rest, linear.
REST, LOAD, SUPPLY = 60.0, 2500.0, 250.0


def output_stage(limit=True):
    valves = {"v1": make_use("pentode", anode_dissipation_max=14.0)}
    stage = make_stage(
        {"drive": 5.0, "speaker_impedance": 8.0, "supply": SUPPLY},
        {"input": "n_in", "output": "n_out", "speaker": "n_out"},
        valves,
        {"supply": "v_supply"},
    )

    def wave(v):
        current = REST + 8.0 * v
        current = np.clip(current, 0, None) if limit else current
        return {
            "n_out": 1e-3 * (current - REST) * np.sqrt(LOAD * 8.0),
            "n_a_v1": SUPPLY - 1e-3 * (current - REST) * LOAD,
            "n_k_v1": np.zeros_like(v),
            "n_g_v1": v - 7.2,
            "n_s_v1": np.full_like(v, 200.0),
            "n_v1_ia": current,
            "n_v1_ig": np.maximum(v - 7.2, 0.0),
            "n_v1_ig2": 0.1 * current,
            "i(v_supply)": -1e-3 * current,
        }

    def reply(request):
        if isinstance(request, Op):
            return make_reply(wave(np.zeros(1)))
        if isinstance(request, Ac):
            f = frequencies(request)
            return make_reply({"n_out": np.ones((1, len(f))) * 8e-3 * np.sqrt(LOAD * 8.0) + 0j}, f)
        got = wave(drive_of(request))
        return make_reply({name: got[name] for name in request.vectors})

    return stage, reply


def test_power_of_a_linear_single_ended_stage():
    stage, reply = output_stage()
    got, result = values_of("power", stage, reply)
    swing = 8e-3 * 5.0 * np.sqrt(2)
    exact = swing**2 / 2 * LOAD  # (Imax - Imin)^2 R / 8, RCA tube manuals
    assert got["output_power"] == pytest.approx([exact], rel=1e-9)
    assert got["thd"] == pytest.approx([0.0], abs=1e-9)
    assert got["anode_current"] == pytest.approx([60e-3])
    assert got["anode_current_zero_signal"] == pytest.approx([60e-3])
    assert got["screen_current"] == pytest.approx([6e-3])
    assert got["supply_power"] == pytest.approx([15.0])
    assert got["efficiency"] == pytest.approx([100 * exact / 15.0])
    # What doesn't go to the load heats the anode.
    assert got["valves.v1.anode_dissipation"] == pytest.approx([15.0 - exact])
    assert got["drive_in"].shape == got["power_curve"].shape == (1, 15)
    assert got["drive_in"][0, [0, -1]] == pytest.approx([0.5, 6.25])
    assert result.conditions["load"] == (8.0, "ohm")


def test_landmarks_of_the_power_curve():
    """15 levels and those that close in find a mark within 0.1 %."""
    stage, reply = output_stage()
    got, _ = values_of("power", stage, reply)
    # Grid current of 0.1 % of 66 mA flows from 7.27 V peak on; class A ends at 0.95 * 7.5 V.
    assert got["clipping.drive"] == pytest.approx([0.95 * 7.5 / np.sqrt(2)], rel=1e-3)
    assert got["clipping.first_limit"].tolist() == ["cut-off"]
    assert got["class_a.drive"] == pytest.approx([0.95 * 7.5 / np.sqrt(2)], rel=1e-3)
    top = (8e-3 * got["class_a.drive"]) ** 2 * LOAD
    assert got["class_a.output_power"] == pytest.approx(top, rel=1e-3)
    # A sine cut off below -7.5 V: its THD over drive from the Fourier integral.
    turn = 2 * np.pi * (np.arange(4096) + 0.5) / 4096

    def distortion(drive):
        wave = np.maximum(np.sqrt(2) * drive * np.sin(turn), -7.5)
        lines = np.abs(np.fft.rfft(wave))
        return np.sqrt((lines[2:33] ** 2).sum()) / lines[1]

    exact = brentq(lambda drive: distortion(drive) - 0.05, 5.31, 7.0)
    assert got["at_stated_thd.drive"] == pytest.approx([exact], rel=1e-3)
    # Two marks of the same point don't depend on one another: no 50 % here, the others stay.
    other, _ = values_of("power", stage, reply, stated_thd=50.0)
    assert np.isnan(other["at_stated_thd.drive"]).all()
    assert other["class_a.drive"] == pytest.approx(got["class_a.drive"], rel=1e-3)


def test_drive_is_the_sources_and_what_arrives_is_said_too():
    stage, reply = output_stage()
    got, result = values_of("power", stage, reply)
    assert got["valves.v1.grid_drive"] == pytest.approx([5.0])
    assert result.variables["drive"].long_name == "drive: e.m.f. of the source, r.m.s."
    assert not any("all valves" in variable.long_name for variable in result.variables.values())  # there is one


def test_a_screen_with_a_limit_of_its_own_at_full_signal():
    """6 mA at 200 V: 1.2 W, more than 1 W at rest, less than 2 W with a signal."""
    stage, reply = output_stage()
    ratings = stage.valves["v1"].valve.ratings
    ratings.screen_dissipation_max, ratings.screen_dissipation_signal_max = 1.0, 2.0
    _, result = values_of("power", stage, reply)
    told = [text for text in result.warnings[0] if "screen dissipation" in text]
    assert told == ["v1 (test valve): screen dissipation 1.2 W at rest exceeds its rating of 1 W."]
    ratings.screen_dissipation_max, ratings.screen_dissipation_signal_max = 2.0, 1.0
    _, result = values_of("power", stage, reply)
    told = [text for text in result.warnings[0] if "screen dissipation" in text]
    assert told == ["v1 (test valve): screen dissipation 1.2 W at a drive up to the set one exceeds its rating of 1 W."]


def test_no_power_bandwidth_where_the_middle_distorts_too_much():
    """Crossover: 10 % of the swing is missing at any level below the knee, so that half the power distorts more."""
    stage, replier = output_stage()

    def reply(request):
        made = replier(request)
        if isinstance(request, Steady):
            out = made.values["n_out"]
            made.values["n_out"] = out - np.clip(out, -0.8, 0.8)
        return made

    got, result = values_of("power", stage, reply, bandwidth=True, stated_thd=5.0)
    assert np.isnan(got["bandwidth.low"]).all()
    assert np.isnan(got["bandwidth.high"]).all()
    assert any("power bandwidth" in text for text in result.warnings[0])


def test_dissipation_over_its_rating_is_said():
    stage, reply = output_stage()
    _, result = values_of("power", stage, reply)
    assert len(result.warnings[0]) == 1
    assert "v1 (test valve): anode dissipation 15 W at rest or at a drive" in result.warnings[0][0]
    assert "exceeds its rating of 14 W" in result.warnings[0][0]
    assert result.conditions["limits_without_a_rating"][0] == "v1 screen dissipation"


def test_power_bandwidth_of_a_stage_that_clips_at_low_frequencies():
    """At every frequency half the rated power is driven, though the stage compresses."""
    stage, reply = output_stage()
    scale = 8e-3 * np.sqrt(LOAD * 8.0)
    driven = {}

    def slow(request):
        made = reply(request)
        if isinstance(request, Steady) and "n_out" in made.values:
            # A third harmonic that grows as the frequency falls: 5 % at 30 Hz..
            x = drive_of(request) / request.amplitude[..., None]
            third = 0.05 * 30.0 / request.fundamental * (3 * x - 4 * x**3)
            size = request.amplitude / (1.0 + 0.05 * request.amplitude)
            if request.fundamental > 40e3:
                size = np.minimum(size, 2.0)
            made.values["n_out"] = scale * size[..., None] * (x + third)
            driven[request.fundamental] = float((made.values["n_out"][0, 0] ** 2).mean() / 8.0)
        return made

    got, _ = values_of("power", stage, slow, levels=0, bandwidth=True)
    half = got["output_power"] / 2.0
    assert got["bandwidth.power"] == pytest.approx(half)
    assert got["bandwidth.low"] == pytest.approx([30.0], rel=0.01)
    for frequency, found in driven.items():
        if frequency < 40e3:
            assert found == pytest.approx(half[0], rel=0.005), frequency
    # Above 40 kHz the power isn't to be had at all: the band ends within a step of the grid.
    assert 38e3 < got["bandwidth.high"][0] < 41e3
    assert np.isinf(got["bandwidth.thd"][0, -1])


def test_power_needs_a_drive():
    with pytest.raises(InputError, match="no drive of its own"):
        next(get_measure("power")(make_stage()))


def test_recovery_of_a_charged_coupling_capacitor():
    """The bias comes back as an exponential: tau ln(shift/tolerance)."""
    tau, rest, shift = 20e-3, -2.0, -5.0
    stage = make_stage(valves={"v1": make_use()})

    def reply(request):
        if isinstance(request, Op):
            one = np.ones(1)
            return make_reply(
                {
                    "n_out": 0 * one,
                    "n_g_v1": rest * one,
                    "n_k_v1": 0 * one,
                    "n_a_v1": 150 * one,
                    "n_v1_ia": one,
                    "n_v1_ig": 0 * one,
                }
            )
        if isinstance(request, Ac):
            return make_reply({name: np.ones((1, 1)) + 0j for name in request.vectors}, frequencies(request))
        assert isinstance(request, Transient)
        time = np.linspace(request.start, request.stop, request.samples)
        after = time - 0.02
        change = np.where(after > 0, shift * np.exp(-after / tau), 0.0)
        current = np.maximum(1 + 0.5 * change, 0.0)
        values = {
            "n_g_v1": [rest + change],
            "n_v1_ia": [current],
            "n_out": [-10 * change * (after > 0) + 50 * (after <= 0)],
        }
        zero = np.zeros((1, len(time)))
        return make_reply({name: values.get(name, zero) for name in request.vectors}, time)

    got, result = values_of("recovery", stage, reply)
    assert got["recovery_time"] == pytest.approx([tau * np.log(5.0 / 0.2)], rel=2e-3)
    assert got["blocked_time"] == pytest.approx([tau * np.log(5.0 / 1.9)], rel=5e-3)
    assert got["bias_shift"] == pytest.approx([shift], rel=5e-3)
    assert got["output_recovery_time"] == pytest.approx([tau * np.log(50.0 / 5.0)], rel=2e-3)
    # 1 V of grid swing a volt of drive and 2 V of bias, 1 mA of current a mA: the onset is 1 V peak.
    assert result.conditions["burst_level"][0] == pytest.approx(10 ** (12 / 20) / np.sqrt(2))


def test_rise_time_and_tilt_of_first_order_stages():
    """Rise time 2.197 tau of a low-pass; tilt pi f1/f of a high-pass (Millman and Halkias)."""
    period, tau = 1e-3, 5e-6
    time = np.linspace(0, 1.25 * period, 8192)
    edge, half = 0.25 * period, 0.5 * period
    t = np.maximum(time - edge, 0.0)
    low_pass = np.where(time > edge, 1 - 2 * np.exp(-t / tau), -1.0)
    f1 = 10.0
    w = 2 * np.pi * f1
    start = 2 / (1 + np.exp(-w * half))  # of the periodic steady state
    high_pass = np.where(time > edge, start * np.exp(-w * t), -start * np.exp(-w * (time - edge + half)))
    got = edge_figures(time, np.stack([low_pass, -7 * high_pass]), edge, half)
    assert got.rise_time[0] == pytest.approx(2.197 * tau, rel=2e-3)
    assert got.overshoot == pytest.approx([0.0, 0.0], abs=1e-4)
    assert got.tilt[0] == pytest.approx(0.0, abs=1e-6)
    assert got.tilt[1] == pytest.approx(start * (1 - np.exp(-w * half)), rel=2e-3)
    assert got.tilt[1] == pytest.approx(np.pi * f1 / 1000.0, rel=2e-3)
    assert got.step == pytest.approx([2.0, -14.0], rel=1e-3)


def test_overshoot_of_a_second_order_stage():
    """Overshoot exp(-pi zeta/sqrt(1 - zeta^2)): 16.3 % at zeta = 0.5."""
    zeta, natural = 0.5, 2 * np.pi * 50e3
    time = np.linspace(0, 1.25e-3, 8192)
    t = np.maximum(time - 0.25e-3, 0.0)
    damped = natural * np.sqrt(1 - zeta**2)
    ring = np.exp(-zeta * natural * t) * (np.cos(damped * t) + zeta * natural / damped * np.sin(damped * t))
    got = edge_figures(time, (1 - 2 * ring)[None], 0.25e-3, 0.5e-3)
    exact = np.exp(-np.pi * zeta / np.sqrt(1 - zeta**2))
    assert exact == pytest.approx(0.163, abs=5e-4)
    assert got.overshoot == pytest.approx([exact], rel=2e-3)


def test_what_resistors_dissipate_at_the_set_drive():
    """A bypassed cathode resistor has the average cathode current in it, a grid leak the drive across it: Ohm."""
    stage = simwrap.stage("push_pull_output")
    found = simwrap.measure(stage, {"power": {"levels": 0, "resistors": True}}).power
    current = found.anode_current + found.screen_current
    assert found.resistors.cathode_a.dissipation == pytest.approx(
        current**2 * stage.values["cathode_resistor"], rel=5e-3
    )
    drive = found.valves.v1.grid_drive
    assert found.resistors.grid_leak_a.dissipation == pytest.approx(drive**2 / stage.values["grid_leak"], rel=2e-3)
    assert found.resistors.cathode_a.rating_needed == 5.0
