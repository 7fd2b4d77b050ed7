"""balance, impedance, rejection and noise on linear circuits with known answers."""

from __future__ import annotations

import numpy as np
import pytest
from measure_fakes import frequencies, make_reply, make_stage, make_use, run

import simwrap
from simwrap.errors import InputError
from simwrap.measures.registry import get_measure
from simwrap.measures.requests import Ac, Noise, Op

K, T = 1.380649e-23, 300.15


def values_of(name, stage, replier, **options):
    result = run(get_measure(name), stage, replier, **options)
    return {key: variable.values for key, variable in result.variables.items()}, result


def test_balance_of_a_long_tailed_pair():
    """RDH4 ch. 7 (circuits.md section 5): A1 = -31.2870, A2 = +30.2514, ratio 1.03423."""

    def reply(request):
        f = frequencies(request)
        pole = 1 / (1 + 1j * f / 50e3)
        values = {"n_a": [-31.2870 * np.ones(len(f))], "n_b": [30.2514 * pole]}
        return make_reply(values, f)

    stage = make_stage(ports={"output": "n_a", "output_b": "n_b"})
    got, _ = values_of("balance", stage, reply, levels=0)
    pole = abs(1 + 1j * 1000 / 50e3)
    assert 10 ** (got["ratio_db"] / 20) == pytest.approx([1.03423 * pole], abs=6e-6)
    assert got["phase_error_deg"] == pytest.approx([np.degrees(np.arctan(1000 / 50e3))], abs=1e-4)
    assert got["gain"] == pytest.approx([31.2870])
    at_corner = np.argmin(np.abs(got["phase_error_curve_deg"] - 45.0))
    assert at_corner == pytest.approx(np.log10(50e3 / 10) * 20, abs=1)


def test_balance_needs_two_outputs():
    with pytest.raises(InputError, match='no port "output_b"'):
        next(get_measure("balance")(make_stage()))


def impedance_replier(output, load, capacitance, entry):
    """Thevenin output impedance in parallel with the load, and an input behind 10 kohm."""

    def reply(request):
        f = frequencies(request)
        if request.excite == "output":
            y = 1 / output(f) + (1 / load if load else 0) + 2j * np.pi * f * capacitance
            return make_reply({"n_out": [1 / y]}, f)
        return make_reply({"i(v_signal)": [-1 / (10e3 + entry(f))]}, f)

    return reply


def test_impedances_are_without_the_load_and_the_source():
    """Zout of a follower, RDH4 ch. 7 (circuits.md section 3): 615.01 ohm."""
    stage = make_stage({"source_resistance": 10e3, "load_resistor": 47e3, "load_capacitance": 1e-9})
    miller = lambda f: 1 / (1e-6 + 2j * np.pi * f * 104.04e-12)  # noqa: E731
    reply = impedance_replier(lambda f: 615.01 + 0j * f, 47e3, 1e-9, miller)
    got, result = values_of("impedance", stage, reply)
    assert got["output"] == pytest.approx([615.01], rel=1e-9)
    assert "damping_factor" not in got  # no loudspeaker
    assert got["output_midband"] == pytest.approx([615.01], rel=1e-9)
    assert result.warnings == [[]]
    assert got["input"] == pytest.approx([abs(miller(1000.0))], rel=1e-6)
    assert got["input_phase_deg"][0, -1] < -85
    assert result.conditions["output_without"][0] == "load_resistor and load_capacitance"


def test_a_coupling_capacitor_that_hides_the_output_impedance_is_said():
    """615 ohm behind 22 nF are 7.26 kohm at 1 kHz; the valve is behind it, where its strays don't shunt it yet."""
    stage = make_stage({"source_resistance": 10e3, "load_resistor": 47e3, "load_capacitance": 1e-9})

    def behind(f):
        return 1.0 / (2j * np.pi * f * 22e-9) + 615.01 / (1.0 + 2j * np.pi * f * 2e-11 * 615.01)

    reply = impedance_replier(behind, 47e3, 1e-9, lambda f: 1e6 + 0 * f)
    got, result = values_of("impedance", stage, reply)
    assert got["output"] == pytest.approx([abs(behind(1000.0))], rel=1e-6)
    assert got["output"][0] > 7e3
    assert got["output_midband"] == pytest.approx([615.01], rel=0.01)
    assert "mostly the coupling capacitor's; behind it are 61" in result.warnings[0][0]


def test_damping_factor_of_a_push_pull_pair():
    """circuits.md section 11: triode pair, Zout 2.912 ohm into 8 ohm: DF 2.747."""
    stage = make_stage({"speaker_impedance": 8.0}, ports={"input": "n_in", "output": "n_out", "speaker": "n_out"})
    reply = impedance_replier(lambda f: 2.912 + 0j * f, 8.0, 0.0, lambda f: 1e6 + 0 * f)
    got, _ = values_of("impedance", stage, reply)
    assert got["damping_factor"] == pytest.approx([2.747], abs=5e-4)


def test_no_load_and_no_input_current():
    stage = make_stage({"load_resistor": 0.0})

    def reply(request):
        f = frequencies(request)
        if request.excite == "output":
            return make_reply({"n_out": [np.full(len(f), 100.0 + 0j)]}, f)
        return make_reply({"i(v_signal)": [np.zeros(len(f), dtype=complex)]}, f)

    got, _ = values_of("impedance", stage, reply)
    assert got["output"] == pytest.approx([100.0])
    assert "damping_factor" not in got
    assert np.isinf(got["input"]).all()


def test_rejection_of_each_supply():
    def reply(request):
        f = frequencies(request)
        size = {"signal": 60.0, "supply": 0.4, "bias": 2.0}[request.excite]
        return make_reply({"n_out": [size * 1j * f / (1j * f + 5.0)]}, f)

    stage = make_stage(supplies={"supply": "v_supply", "bias": "v_bias"})
    got, result = values_of("rejection", stage, reply)
    corner = abs(100j / (100j + 5))
    assert got["supplies.supply.transfer"] == pytest.approx([0.4 * corner], rel=1e-6)
    assert got["supplies.bias.transfer_db"] == pytest.approx([20 * np.log10(2 * corner)], abs=1e-5)
    assert got["supplies.supply.input_referred_db"] == pytest.approx([20 * np.log10(0.4 / 60)], abs=1e-6)
    assert result.conditions["ripple_frequency"] == (100.0, "Hz")
    with pytest.raises(InputError, match="has no supply"):
        next(get_measure("rejection")(make_stage()))


def noise_replier(gain=50.0, source=1000.0, milliamps=1.0):
    """An amplifier whose only noise is that of its source and its valve, of 1 mA and 1 mA/V."""

    def reply(request):
        if isinstance(request, Op):
            nodes = ("n_a_v1", "n_g_v1", "n_k_v1")
            currents = {"n_v1_ia": milliamps * np.ones(2), "n_v1_ig": np.zeros(2)}
            return make_reply({**dict.fromkeys(nodes, np.array([100.0, 100.0])), **currents})
        assert request.extra["sources"]["v1"] is True
        f = frequencies(request)
        ones = np.ones((2, len(f)))
        if isinstance(request, Noise):
            return make_reply({"output_density": gain * np.sqrt(4 * K * T * source) * ones}, f)
        assert isinstance(request, Ac)
        size = {"signal": gain, "v1_anode": gain / 1e-3, "v1_grid": 1e5}[request.excite]
        return make_reply({"n_out": -size * ones + 0j}, f)

    return reply


def test_noise_of_a_source_and_a_valve():
    """Hand sum 4kT(Rs + Req); 1 kohm and 2.5 kohm at 300.15 K: 7.62 nV/rtHz."""
    stage = make_stage(valves={"v1": make_use()})
    got, result = values_of("noise", stage, noise_replier(), flicker_corner=1000.0)
    density = np.sqrt(4 * K * T * 3500.0)
    assert density == pytest.approx(7.6169e-9, rel=1e-3)
    assert got["input_density_1khz"] == pytest.approx(density * np.ones(2), rel=1e-9)
    assert got["output_density_1khz"] == pytest.approx(50 * density * np.ones(2), rel=1e-9)
    assert got["output_rms"] == pytest.approx(50 * density * np.sqrt(22e3 - 22) * np.ones(2), rel=1e-9)
    assert got["input_rms"] == pytest.approx(density * np.sqrt(22e3 - 22) * np.ones(2), rel=1e-9)
    assert (got["output_rms_a_weighted"] < got["output_rms"]).all()
    assert (got["output_rms_468"] > got["output_rms"]).all()
    assert got["valve_share_1khz"] == pytest.approx([500 / 7, 500 / 7])
    assert got["noise_resistance.v1"] == pytest.approx([2500.0, 2500.0])
    # At its corner the flicker noise equals the valve's own: 4kT(1k + 2.5k + 2.5k).
    with_flicker = np.sqrt(4 * K * T * 6000.0)
    assert got["with_flicker.input_density_1khz"] == pytest.approx(with_flicker * np.ones(2), rel=1e-6)
    flicker_band = np.sqrt(4 * K * T * 2500.0 * 1000.0 * np.log(1000.0))
    total = np.hypot(density * np.sqrt(22e3 - 22), flicker_band)
    assert got["with_flicker.input_rms"] == pytest.approx(total * np.ones(2), rel=1e-3)
    assert result.conditions["temperature"] == (300.15, "K")
    assert result.conditions["flicker_corner"] == (1000.0, "Hz")
    own, result = values_of("noise", stage, noise_replier())
    assert result.conditions["flicker_corner"] == (3000.0, "Hz")  # the valve's own
    assert own["output_density_flicker"] == pytest.approx(np.sqrt(3.0) * got["output_density_flicker"])


def test_a_cut_off_valve_has_no_noise_and_stops_nobody():
    got, _ = values_of("noise", make_stage(valves={"v1": make_use()}), noise_replier(milliamps=np.array([0.0, 1.0])))
    assert got["input_density_1khz"] == pytest.approx(np.sqrt(4 * K * T * np.array([1000.0, 3500.0])), rel=1e-9)


def test_noise_of_a_passive_stage_is_thermal():
    def reply(request):
        if isinstance(request, Op):
            return make_reply({"n_out": np.zeros(1)})
        f = frequencies(request)
        density = np.full((1, len(f)), np.sqrt(4 * K * 290.0 * 1000.0))
        if isinstance(request, Noise):
            return make_reply({"output_density": density, "input_density": density}, f)
        return make_reply({"n_out": np.ones((1, len(f))) + 0j}, f)

    got, _ = values_of("noise", make_stage(), reply)
    # 1 kohm at 290 K: 4.0019 nV/rtHz (standards.md section 7, computed from CODATA k).
    assert got["input_density_1khz"] == pytest.approx([4.0019e-9], rel=1e-4)
    assert got["with_flicker.output_rms"] == pytest.approx(got["output_rms"])
    assert got["valve_share_1khz"] == pytest.approx([0.0])


@pytest.mark.ngspice
@pytest.mark.parametrize("name", ["dropper", "sagging_supply"])
def test_where_no_signal_comes_through_a_response_is_refused(name):
    """What goes into a supply's port has no gain to its output."""
    with pytest.raises(InputError, match="no signal reaches output"):
        simwrap.measure(simwrap.stage(name), "response")
