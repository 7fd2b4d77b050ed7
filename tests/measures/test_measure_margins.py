"""Margins of loop gains that are quotients of polynomials, against the roots of 1 + kT: numerator and denominator."""

from __future__ import annotations

import numpy as np
import pytest

from simwrap.measures.stability import margins

FREQUENCY = 1e-2 * 10.0 ** (np.arange(10 * 200 + 1) / 200.0)


def loop(numerator, denominator):
    """Polynomials in s [rad/s], and T over the frequency."""
    s = 2j * np.pi * FREQUENCY
    return np.polyval(numerator, s) / np.polyval(denominator, s)


def growing(numerator, denominator, decibels=0.0):
    """How many roots of 1 + kT lie to the right."""
    roots = np.roots(np.polyadd(10.0 ** (decibels / 20.0) * np.asarray(numerator), denominator))
    return int((roots.real > 1e-9 * np.abs(roots)).sum())


def found(numerator, denominator, middle=1e3):
    count = np.array([growing(numerator, denominator)])
    high, low, changes = margins(FREQUENCY, loop(numerator, denominator)[None], count, middle)
    return high, low, {name: float(value[0]) for name, value in changes.items()}


def conditional(gain):
    """Three poles at 100/s and two zeros at 1e5/s: the phase passes 180 degrees and comes back."""
    zeros = np.polymul([1e-5, 1.0], [1e-5, 1.0])
    poles = np.polymul(np.polymul([1e-2, 1.0], [1e-2, 1.0]), [1e-2, 1.0])
    return gain * zeros, poles


def test_a_conditionally_stable_loop_is_told_with_both_its_edges():
    """Stable at a gain of 1e10 and at 4; unstable from 8 (three equal poles, the classic) to a second edge."""
    numerator, denominator = conditional(1e10)
    assert growing(numerator, denominator) == 0
    high, _, changes = found(numerator, denominator, middle=0.1)
    assert changes["gain_rise_db"] == np.inf
    fall = changes["gain_fall_db"]
    assert np.isfinite(fall)
    assert growing(numerator, denominator, -fall + 0.05) == 0
    assert growing(numerator, denominator, -fall - 0.05) == 2
    assert high.gain_margin_db[0] == np.inf
    assert high.phase_margin[0] > 0.0
    assert changes["open_loop_growing"] == 0.0
    numerator, denominator = conditional(4.0)
    _, _, changes = found(numerator, denominator, middle=0.1)
    assert changes["gain_rise_db"] == pytest.approx(20.0 * np.log10(8.0 / 4.0), abs=0.1)
    assert changes["gain_fall_db"] == np.inf


def test_between_its_edges_the_margin_is_negative_and_the_nearer_way_out():
    numerator, denominator = conditional(12.0)
    assert growing(numerator, denominator) == 2
    high, _, changes = found(numerator, denominator, middle=0.1)
    assert high.gain_margin_db[0] == pytest.approx(-20.0 * np.log10(12.0 / 8.0), abs=0.1)
    assert high.phase_margin[0] < 0.0
    assert np.isnan([changes["gain_rise_db"], changes["gain_fall_db"]]).all()
    # Near its upper edge more gain is the nearer way out.
    edge = found(*conditional(1e10))[2]["gain_fall_db"]
    numerator, denominator = conditional(1e10 * 10.0 ** (-(edge + 3.0) / 20.0))
    assert growing(numerator, denominator) == 2
    assert found(numerator, denominator)[0].gain_margin_db[0] == pytest.approx(-3.0, abs=0.05)


def test_an_open_loop_that_grows_is_told():
    """1/(s - 1): stable only with a gain above 1, from where the direct voltage comes back as itself."""
    _, _, changes = found([4.0 * 10.0], [1.0, -10.0])
    assert changes["open_loop_growing"] == 1.0
    assert changes["gain_fall_db"] == pytest.approx(20.0 * np.log10(4.0), abs=0.05)
    assert changes["gain_rise_db"] == np.inf


@pytest.mark.parametrize("seed", range(60))
def test_least_changes_of_random_loops(seed):
    """At each edge the number of roots to the right changes, and nearer than it, it doesn't."""
    dice = np.random.default_rng(seed)
    poles = dice.choice([10.0 ** dice.uniform(1.0, 6.0) for _ in range(5)], 4)
    denominator = np.poly(-poles) / np.prod(poles)
    zeros = [10.0 ** dice.uniform(2.0, 6.0) for _ in range(dice.integers(0, 4))]
    numerator = 10.0 ** dice.uniform(-1.0, 5.0) * np.atleast_1d(np.poly([-z for z in zeros])) / np.prod(zeros or [1.0])
    if dice.random() < 0.5:  # a coupling capacitor or two
        for corner in 10.0 ** dice.uniform(0.0, 2.0, dice.integers(1, 4)):
            numerator, denominator = np.polymul(numerator, [1.0, 0.0]), np.polymul(denominator, [1.0, corner])
    now = growing(numerator, denominator)
    high, low, changes = found(numerator, denominator)
    least = min(high.gain_margin_db[0], low.gain_margin_db[0])
    scan = np.arange(-140.0, 140.0, 0.25)
    counts = np.array([growing(numerator, denominator, each) for each in scan])
    if now == 0:
        rise, fall = changes["gain_rise_db"], changes["gain_fall_db"]
        bad = scan[counts > 0]
        up, down = bad[bad > 0], -bad[bad < 0]
        assert rise == pytest.approx(up.min() if up.size else np.inf, abs=0.3)
        assert fall == pytest.approx(down.min() if down.size else np.inf, abs=0.3)
        assert least > 0.0
        assert least == pytest.approx(rise, abs=1e-9)
    else:
        out = np.abs(scan[counts == 0])
        assert least < 0.0
        assert -least == pytest.approx(out.min(), abs=0.3)
    assert changes["open_loop_growing"] == 0.0
