"""Square waves: closed forms of RC low- and high-pass over four decades, of both together, and of a ringing one."""

from __future__ import annotations

import numpy as np
import pytest
from measure_fakes import make_reply, make_stage, run

from simwrap.measures.registry import get_measure
from simwrap.measures.requests import Op
from simwrap.measures.square_wave import _EDGE

PERIOD = 1e-3
HALF = PERIOD / 2.0


def periodic(poles, residues, direct=0.0, instants=None):
    """The steady state of a square wave of 1 V peak to peak through direct + the sum of residue/(s + pole).

    After an instant edge a pole gives residue/pole (1/2 - exp(-pole t)/(1 + exp(-pole half))), and the negative of
    that after the edge down; an edge that takes a while gives the mean of that over as long.
    """
    length = _EDGE * PERIOD
    phase = np.asarray(instants) % PERIOD
    sign = np.where(phase < HALF, 1.0, -1.0)
    since = phase % HALF
    part = np.minimum(since, length)
    wave = direct * (part / length - 0.5)
    for pole, residue in zip(poles, residues, strict=True):
        ends = 1.0 / (1.0 + np.exp(-pole * HALF))
        after = part / 2.0 - ends * np.exp(-pole * since) * np.expm1(pole * part) / pole
        rest = length - part
        before = rest / 2.0 - ends * np.exp(-pole * HALF) * np.expm1(pole * rest) / pole
        wave = wave + np.real(residue / pole * (after - before)) / length
    return sign * wave


def measured(poles, residues, direct=0.0, gain=1.0):
    def reply(request):
        if isinstance(request, Op):
            return make_reply({"n_out": np.zeros(1)})
        time = np.linspace(request.start, request.stop, request.samples)
        return make_reply({"n_out": gain * periodic(poles, residues, direct, time)[None]}, time)

    result = run(get_measure("square_wave"), make_stage(), reply)
    return {key: variable.values[0] for key, variable in result.variables.items()}, result


def test_the_closed_form_itself():
    """Of a low-pass that is slow beside the edge: tanh(half/(2 tau)) at the ends of the tops."""
    tau = 0.3 * HALF
    wave = periodic([1.0 / tau], [1.0 / tau], 0.0, np.linspace(0.0, PERIOD, 2001)[:-1])
    assert wave.max() == pytest.approx(0.5 * np.tanh(HALF / (2.0 * tau)), rel=1e-3)
    assert wave.mean() == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("share", np.geomspace(1e-4, 0.4, 13))
def test_a_low_pass_rises_in_2197_of_its_time_constant(share):
    """From a time constant of 50 ns, a hundredth of a sample of the whole wave, to one that hardly gets to 90 %."""
    tau = share * HALF
    found, result = measured([1.0 / tau], [1.0 / tau], gain=-40.0)
    assert found["rise_time"] == pytest.approx(np.log(9.0) * tau, rel=0.01)
    assert found["overshoot"] == pytest.approx(0.0, abs=0.02)
    # From where it was when the half-period before was over to where it goes.
    assert found["output_step"] == pytest.approx(-20.0 * (1.0 + np.tanh(0.5 / share)), rel=1e-3)
    if share < 0.21:
        assert found["tilt"] == pytest.approx(0.0, abs=0.01)
    else:
        assert np.isnan(found["tilt"])  # the top hasn't stopped rising when the half-period is over
    assert result.warnings == [[]]


@pytest.mark.parametrize("share", np.geomspace(0.02, 200.0, 13))
def test_a_high_pass_tilts_by_its_exponential(share):
    """200 tanh(half/(2 tau)), and pi f1/f where that is small; however much it tilts, it doesn't overshoot."""
    tau = share * HALF
    found, _ = measured([1.0 / tau], [-1.0 / tau], direct=1.0)
    exact = 200.0 * np.tanh(HALF / (2.0 * tau))
    assert found["tilt"] == pytest.approx(exact, rel=2e-3)
    assert found["overshoot"] == pytest.approx(0.0, abs=0.1)
    assert found["output_step"] == pytest.approx(1.0, rel=2e-3)
    if share > 100.0:
        low_corner = 1.0 / (2.0 * np.pi * tau)
        assert exact == pytest.approx(100.0 * np.pi * low_corner * PERIOD, rel=1e-4)
    assert np.isnan(found["rise_time"])  # no slower than the source


@pytest.mark.parametrize("low", [2.0, 30.0, 300.0])
@pytest.mark.parametrize("high", [30e3, 300e3])
def test_both_together(low, high):
    """A band-pass: the tilt of its low corner and the rise of its high one, as far as they are apart."""
    slow, fast = 2.0 * np.pi * low, 2.0 * np.pi * high
    # s/(s+slow) * fast/(s+fast) in partial fractions
    residues = [-slow * fast / (fast - slow), fast * fast / (fast - slow)]
    found, _ = measured([slow, fast], residues)
    assert found["rise_time"] == pytest.approx(np.log(9.0) / fast, rel=0.01 + 3.0 * low / high)
    assert found["tilt"] == pytest.approx(200.0 * np.tanh(slow * HALF / 2.0), rel=5e-3)
    assert found["overshoot"] == pytest.approx(0.0, abs=0.1)


def test_ringing_overshoots_beside_a_tilt():
    """exp(-pi zeta/sqrt(1 - zeta^2)) = 16.3 % at zeta 0.5, above the line of a top that tilts by 31 %."""
    zeta, natural, slow = 0.5, 2.0 * np.pi * 50e3, 2.0 * np.pi * 50.0
    pole = natural * (zeta + 1j * np.sqrt(1.0 - zeta**2))
    # s/(s+slow) * natural^2/((s+pole)(s+conj pole))
    at_slow = -slow * natural**2 / ((pole - slow) * (np.conj(pole) - slow))
    at_pole = -pole * natural**2 / ((slow - pole) * (np.conj(pole) - pole))
    found, _ = measured([slow, pole], [at_slow, 2.0 * at_pole])
    assert found["overshoot"] == pytest.approx(16.3, rel=0.02)
    assert found["tilt"] == pytest.approx(200.0 * np.tanh(slow * HALF / 2.0), rel=0.01)


def test_a_top_that_does_not_settle_has_no_figures():
    """A low-pass that is nowhere near its end, and a top that has fallen away in a hundredth of the half-period."""
    tau = 3.0 * HALF
    found, _ = measured([1.0 / tau], [1.0 / tau])
    assert np.isnan(found["rise_time"])
    spike = 0.001 * HALF
    found, result = measured([1.0 / spike], [-1.0 / spike], direct=1.0)
    assert np.isnan([found[name] for name in ("rise_time", "tilt", "overshoot", "output_step")]).all()
    assert "doesn't settle in half a period of 1000 Hz" in result.warnings[0][0]


def test_a_lift_after_the_edge_is_a_tilt_the_other_way():
    """A shelf that gives 1.25 times as much below 100 Hz: the top rises after a clean edge; no overshoot, no rise."""
    slow = 2.0 * np.pi * 100.0
    found, _ = measured([slow], [0.25 * slow], direct=1.0)
    assert found["tilt"] < -5.0
    assert found["overshoot"] == pytest.approx(0.0, abs=0.1)
    assert found["output_step"] == pytest.approx(1.0, rel=1e-3)
