"""Square waves: closed forms of first- and second-order low- and high-pass, tau/T from 1e-6 to 0.3, on both engines."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from measure_fakes import make_reply, make_stage, make_use, run
from scipy.optimize import brentq

import simwrap
from simwrap.measures.registry import get_measure
from simwrap.measures.requests import Op, Step, Transient

PERIOD = 1e-3
HALF = PERIOD / 2.0
ENGINES = ["neospice", pytest.param("ngspice", marks=pytest.mark.ngspice)]


def measured(poles, residues, direct=0.0, gain=1.0):
    """Figures of a circuit with the transfer direct + the sum of residue/(s + pole), a complex one with its conjugate.

    A step of 1 V gives direct + the sum of residue/pole (1 - exp(-pole t)): partial fractions over s.
    """
    rates, amplitudes = [0.0], [direct]
    for pole, residue in zip(poles, residues, strict=True):
        for p, r in {(pole, residue), (np.conj(pole), np.conj(residue))} if np.imag(pole) else {(pole, residue)}:
            amplitudes[0] += r / p
            rates.append(-p)
            amplitudes.append(-r / p)

    def reply(request):
        if isinstance(request, Op):
            return make_reply({"n_out": np.zeros(1)})
        assert isinstance(request, Step)  # a circuit without valves has small signals only
        rows = np.array([rates], complex)
        grows = np.zeros(rows.shape, bool)
        return make_reply({"n_out": gain * np.array([amplitudes], complex), "rates": rows, "growing": grows})

    result = run(get_measure("square_wave"), make_stage(), reply)
    return {key: variable.values[0] for key, variable in result.variables.items()}, result


@pytest.mark.parametrize("share", np.geomspace(2e-6, 0.6, 13))
def test_a_low_pass_rises_in_2197_of_its_time_constant(share):
    """ln 9 tau, however far the half-period lets it come; it goes on from where the half-period before it ended."""
    tau = share * HALF
    found, result = measured([1.0 / tau], [1.0 / tau], gain=-40.0)
    assert found["rise_time"] == pytest.approx(np.log(9.0) * tau, rel=1e-4)
    assert found["overshoot"] == pytest.approx(0.0, abs=1e-6)
    assert found["output_step"] == pytest.approx(-2.0 * (1.0 + np.tanh(0.5 / share)), rel=1e-9)
    assert found["tilt"] == pytest.approx(0.0, abs=1e-6)
    assert result.warnings == [[]]
    # Its wave is that of the differential equation: tanh(half/(2 tau)) at the ends of the tops.
    assert np.abs(found["output_wave"]).max() == pytest.approx(2.0 * np.tanh(0.5 / share), rel=2e-2)


@pytest.mark.parametrize("share", np.geomspace(2e-6, 200.0, 13))
def test_a_high_pass_tilts_by_its_exponential(share):
    """200 tanh(half/(2 tau)), and 100 pi f1/f where that is small; however much it tilts, it doesn't overshoot."""
    tau = share * HALF
    found, _ = measured([1.0 / tau], [-1.0 / tau], direct=1.0)
    exact = 200.0 * np.tanh(0.5 / share)
    assert found["tilt"] == pytest.approx(exact, rel=1e-6)
    assert found["overshoot"] == pytest.approx(0.0, abs=1e-6)
    assert found["output_step"] == pytest.approx(0.1, rel=1e-6)
    if share > 100.0:
        low_corner = 1.0 / (2.0 * np.pi * tau)
        assert exact == pytest.approx(100.0 * np.pi * low_corner * PERIOD, rel=1e-4)
    assert found["rise_time"] == 0.0


@pytest.mark.parametrize("low", [2.0, 30.0, 300.0])
@pytest.mark.parametrize("high", [30e3, 300e3])
def test_both_together(low, high):
    """A band-pass: the tilt of its low corner and the rise of its high one, as far as they are apart."""
    slow, fast = 2.0 * np.pi * low, 2.0 * np.pi * high
    # s/(s+slow) * fast/(s+fast) in partial fractions
    residues = [-slow * fast / (fast - slow), fast * fast / (fast - slow)]
    found, _ = measured([slow, fast], residues)
    assert found["rise_time"] == pytest.approx(np.log(9.0) / fast, rel=3.0 * low / high)
    assert found["tilt"] == pytest.approx(200.0 * np.tanh(slow * HALF / 2.0), rel=1e-3)
    assert found["overshoot"] == pytest.approx(0.0, abs=0.1)


def test_ringing_overshoots_beside_a_tilt():
    """exp(-pi zeta/sqrt(1 - zeta^2)) = 16.3 % at zeta 0.5, above the line of a top that tilts by 31 %."""
    zeta, natural, slow = 0.5, 2.0 * np.pi * 50e3, 2.0 * np.pi * 50.0
    pole = natural * (zeta + 1j * np.sqrt(1.0 - zeta**2))
    # s/(s+slow) * natural^2/((s+pole)(s+conj pole))
    at_slow = -slow * natural**2 / ((pole - slow) * (np.conj(pole) - slow))
    at_pole = -pole * natural**2 / ((slow - pole) * (np.conj(pole) - pole))
    found, _ = measured([slow, pole], [at_slow, at_pole])
    assert found["overshoot"] == pytest.approx(16.3, rel=0.005)
    assert found["tilt"] == pytest.approx(200.0 * np.tanh(slow * HALF / 2.0), rel=1e-3)


def test_what_never_stands_has_no_figures():
    """A low-pass that goes up and down as a triangle: 60 half-periods would have to pass before it is a top."""
    tau = 60.0 * HALF
    found, result = measured([1.0 / tau], [1.0 / tau])
    assert np.isnan([found[name] for name in ("rise_time", "tilt", "overshoot", "output_step")]).all()
    assert "no top stands at 1 kHz" in result.warnings[0][0]


def test_a_lift_after_the_edge_is_a_tilt_the_other_way():
    """A shelf that gives 1.25 times as much below 100 Hz: the top rises after a clean edge; no overshoot, no rise."""
    slow = 2.0 * np.pi * 100.0
    found, _ = measured([slow], [0.25 * slow], direct=1.0)
    assert found["tilt"] < -5.0
    assert found["overshoot"] == pytest.approx(0.0, abs=0.1)
    assert found["output_step"] == pytest.approx(0.1, rel=1e-9)
    assert found["rise_time"] == 0.0


NETWORKS = {
    "low_1": "r_a n_in n_out {{ r }}\nc_a n_out 0 {{ c }}",
    "high_1": "c_a n_in n_out {{ c }}\nr_a n_out 0 {{ r }}",
    "low_2": "r_a n_in n_b {{ r }}\nl_a n_b n_out {{ l }}\nc_a n_out 0 {{ c }}",
    "high_2": "r_a n_in n_b {{ r }}\nc_a n_b n_out {{ c }}\nl_a n_out 0 {{ l }}",
}
HEADER = """{#toml
summary = "network of the tests"
references = ["common practice, no source"]
[ports]
input = { node = "n_in", source = { resistance = "rs" } }
output = { node = "n_out", load = { resistor = "rl" } }
[parameters]
rs = { unit = "ohm", default = 0.0, minimum = 0.0, maximum = 1e9, label = "source", symbol = "Rs" }
rl = { unit = "ohm", default = 0.0, minimum = 0.0, maximum = 1e12, label = "load", symbol = "RL" }
r = { unit = "ohm", default = 1000.0, minimum = 1e-3, maximum = 1e9, label = "resistor", symbol = "R1" }
c = { unit = "F", default = 1e-9, minimum = 1e-18, maximum = 10.0, label = "capacitor", symbol = "C1" }
l = { unit = "H", default = 1e-3, minimum = 1e-12, maximum = 1e4, label = "coil", symbol = "L1" }
#}
"""


def network(folder, kind, **values):
    path = folder / f"{kind}.cir.j2"
    path.write_text(HEADER + NETWORKS[kind] + "\n", encoding="utf-8")
    return simwrap.stage(str(path), **values)


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("ratio", [1e-6, 1e-4, 2e-4, 1e-2, 0.1, 0.3])
def test_first_order_circuits(tmp_path, engine, ratio):
    """Half a per cent over five decades of tau/T: ln 9 tau, and 200 tanh(T/(4 tau)) (elementary)."""
    for frequency in (20.0, 1000.0):
        tau = ratio / frequency
        options = {"square_wave": {"frequency": frequency}}
        low = simwrap.measure(network(tmp_path, "low_1", c=tau / 1000.0), options, engine=engine).square_wave
        assert low.rise_time == pytest.approx(np.log(9.0) * tau, rel=5e-3)
        assert (low.tilt, low.overshoot) == pytest.approx((0.0, 0.0), abs=0.01)
        high = simwrap.measure(network(tmp_path, "high_1", c=tau / 1000.0), options, engine=engine).square_wave
        assert high.tilt == pytest.approx(200.0 * np.tanh(0.25 / ratio), rel=5e-3)
        assert (high.rise_time, high.overshoot) == pytest.approx((0.0, 0.0), abs=0.01)


def second_order_wave(time, zeta, natural, half, *, high):
    """The periodic answer of a second-order section (zeta < 1) from an edge on: a sum over all edges before, by hand.

    Its step response is 1 - exp(-zeta w t)(cos(wd t) + zeta w/wd sin(wd t)) as a low-pass and
    exp(-zeta w t)(cos(wd t) - zeta w/wd sin(wd t)) as a high-pass (Millman and Halkias, from memory).
    """
    damped = natural * np.sqrt(1.0 - zeta**2)
    total = np.zeros_like(time)
    edges = 1 + int(60.0 / (zeta * natural * half))
    for number in range(edges):
        t = time + number * half
        swing = zeta * natural / damped * np.sin(damped * t)
        decay = np.exp(-zeta * natural * t) * (np.cos(damped * t) + (-swing if high else swing))
        total += (-1.0) ** number * (decay if high else -decay)
    return total + (0.0 if high else 0.5)


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("ratio", [1e-6, 1e-4, 1e-2, 0.1, 0.3])
def test_second_order_circuits(tmp_path, engine, ratio):
    """Rise time, overshoot and tilt of the periodic closed form, tau = 1/w and zeta 0.5, within half a per cent."""
    frequency, zeta = 100.0, 0.5
    half, natural = 0.5 / frequency, frequency / ratio
    values = {"r": 1000.0, "l": 1000.0 / (2.0 * zeta * natural), "c": 2.0 * zeta / (1000.0 * natural)}
    options = {"square_wave": {"frequency": frequency, "level": 1.0}}
    low = simwrap.measure(network(tmp_path, "low_2", **values), options, engine=engine).square_wave

    def wave(time, high=False):
        return second_order_wave(np.asarray(time, float), zeta, natural, half, high=high)

    base = -float(wave(half))
    time = np.linspace(0.0, min(half, 20.0 / natural), 200_001)
    over = (wave(time).max() - 0.5) / (0.5 - base)
    assert low.output_step == pytest.approx(0.5 - base, rel=5e-3)
    assert low.overshoot == pytest.approx(max(100.0 * over, 0.0), rel=5e-3, abs=1e-3)
    if ratio < 0.01:
        assert low.overshoot == pytest.approx(100.0 * np.exp(-np.pi * zeta / np.sqrt(1.0 - zeta**2)), rel=5e-3)
    times = [
        brentq(lambda t, share=share: float(wave(t)) - base - share * (0.5 - base), 0.0, 3.0 / natural, xtol=1e-16)
        for share in (0.1, 0.9)
    ]
    assert low.rise_time == pytest.approx(times[1] - times[0], rel=5e-3)
    assert low.tilt == pytest.approx(0.0, abs=1e-6)
    high = simwrap.measure(network(tmp_path, "high_2", **values), options, engine=engine).square_wave
    ends = wave(np.array([0.0, half]), high=True)
    assert ends[0] + ends[1] == pytest.approx(1.0, rel=1e-6)  # the jump
    assert high.tilt == pytest.approx(200.0 * (ends[0] - ends[1]), rel=5e-3)
    assert (high.rise_time, high.overshoot) == pytest.approx((0.0, 0.0), abs=0.01)


@pytest.mark.parametrize("engine", ENGINES)
def test_a_coupling_capacitor_does_not_overshoot(engine):
    """1 uF into 1 Mohm behind the stage's own source at 100 Hz: no overshoot, and a tilt of 200 tanh(T/(4 tau))."""
    stage = simwrap.stage("coupling", capacitor="1u", load_capacitance=0)
    resistance = stage.values["resistor"] + stage.values["source_resistance"]
    resistance += 0.0 if stage.values["load_resistor"] == 0 else stage.values["load_resistor"]
    found = simwrap.measure(stage, {"square_wave": {"frequency": 100.0}, "response": {"start": 0.01}}, engine=engine)
    assert found.square_wave.overshoot == pytest.approx(0.0, abs=1e-6)
    tau = 1.0 / (2.0 * np.pi * found.response.low_corner)
    assert found.square_wave.tilt == pytest.approx(200.0 * np.tanh(0.0025 / tau), rel=5e-3)


@pytest.mark.parametrize("valve", ["2A3", "300B"])
def test_small_signals_of_valves_whose_transients_stop(valve):
    """0.35/f2 for a first-order corner (Millman and Halkias); the leakage inductance's is nearly one."""
    stage = simwrap.stage("single_ended_output", valve=valve)
    found = simwrap.measure(stage, ["square_wave", "response"])
    assert found.square_wave.rise_time == pytest.approx(0.3497 / found.response.high_corner, rel=0.03)
    assert found.square_wave.overshoot == pytest.approx(0.0, abs=0.1)


def test_the_rise_of_an_amplifier_is_the_same_at_all_frequencies():
    """Of the reading room's amplifier, whose top never stands still: the edge knows nothing of the repetition."""
    room = simwrap.read_design(Path(simwrap.__file__).parent / "amplifier" / "reading_room.toml")
    rises = [
        simwrap.measure(room, {"square_wave": {"frequency": f, "level": 0.01}}).square_wave.rise_time
        for f in (50.0, 100.0, 200.0, 1000.0)
    ]
    assert rises == pytest.approx([rises[0]] * 4, rel=5e-3)


def test_equal_poles_one_after_the_other():
    """(1 + t/tau) exp(-t/tau) of two equal low-passes with a valve between: 10 % to 90 % in 3.3577 tau (by brentq)."""
    exact = np.diff([brentq(lambda t, y=y: 1.0 - (1.0 + t) * np.exp(-t) - y, 0.0, 20.0) for y in (0.1, 0.9)])[0]
    pair = simwrap.circuit(
        {"a": simwrap.stage("cathode_follower"), "b": simwrap.stage("cathode_follower")}, joins=["a.output -> b.input"]
    )
    assert exact == pytest.approx(3.3577, rel=1e-4)
    close = 1.0 + 1e-7
    tau = 1e-6
    # Partial fractions of two poles that differ in the seventh digit: amplitudes of 1e7 that cancel.
    one, other = 1.0 / tau, close / tau
    found, _ = measured([one, other], [one * other / (other - one), -one * other / (other - one)])
    assert found["rise_time"] == pytest.approx(exact * tau, rel=1e-3)
    assert simwrap.measure(pair, "square_wave").square_wave.rise_time > 0.0


def test_a_large_signal_is_traced():
    """A valve whose current moves by more than a quarter of that at rest: a transient says what it does then."""
    asked = []

    def reply(request):
        if isinstance(request, Op):
            return make_reply({"n_out": np.full(2, 3.0), "n_v1_ia": np.array([1.0, 1.0])})
        if isinstance(request, Step):
            rates = np.array([[0.0], [0.0]], complex)
            # 100 mV peak to peak move the first point's current by 0.05 mA of 1 mA, the second's by 0.5 mA.
            values = {"n_out": np.array([[20.0], [20.0]]), "n_v1_ia": np.array([[1.0], [10.0]])}
            return make_reply(values | {"rates": rates, "growing": np.zeros((2, 1), bool)})
        assert isinstance(request, Transient)
        asked.append(request)
        assert request.amplitude == pytest.approx(np.array([[0.0], [0.1]]))
        time = np.linspace(request.start, request.stop, request.samples)
        wave = 3.0 + np.where((time * 1000.0) % 1.0 < 0.5, 1.0, -1.0)
        # The whole wave from a quarter of a period before the eleventh edge, and closely round it and the next.
        assert request.start == pytest.approx(9.75e-3) or request.start + 2e-6 == pytest.approx(10e-3, abs=0.51e-3)
        return make_reply({"n_out": np.stack([0.0 * wave, wave])}, time)

    result = run(get_measure("square_wave"), make_stage(valves={"v1": make_use()}), reply)
    assert len(asked) == 3
    got = {key: variable.values for key, variable in result.variables.items()}
    assert got["output_step"] == pytest.approx([2.0, 2.0])
    assert got["rise_time"][0] == 0.0
    assert np.isnan(got["rise_time"][1])  # no slower than the source
    assert got["tilt"] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert result.conditions["signal"][0] == "differs by point"
    assert result.conditions["level"] == (0.1, "V peak to peak")


def test_an_unstable_circuit_has_no_steady_state():
    def reply(request):
        if isinstance(request, Op):
            return make_reply({"n_out": np.zeros(1)})
        rates = np.array([[0.0, 50.0]], complex)
        grows = np.array([[False, True]])
        return make_reply({"n_out": np.ones((1, 2), complex), "rates": rates, "growing": grows})

    result = run(get_measure("square_wave"), make_stage(), reply)
    assert np.isnan(result.variables["rise_time"].values[0])
    assert "unstable" in result.warnings[0][0]
