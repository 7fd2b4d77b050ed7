"""corners.py and response against closed forms of simple filters."""

from __future__ import annotations

import numpy as np
import pytest
from measure_fakes import frequencies, make_reply, make_stage, run

from simwrap.errors import InputError
from simwrap.measures.numerics.closing_in import Curve, first_reached
from simwrap.measures.numerics.crossings import at_frequency, corners, interpolate
from simwrap.measures.registry import get_measure


def band(f, gain, low, high):
    """One high-pass and one low-pass pole: the closed form is its own oracle."""
    return gain * (1j * f / low) / (1 + 1j * f / low) / (1 + 1j * f / high)


def replier(gains, lows, highs):
    def reply(request):
        f = frequencies(request)
        curves = [band(f, *three) for three in zip(gains, lows, highs, strict=True)]
        return make_reply({"n_out": np.array(curves)}, f)

    return reply


def test_response_of_a_band_pass_gives_its_gain_and_corners():
    gains, lows, highs = [-59.3, 10.0], [6.966, 20.0], [22496.0, 3e5]
    result = run(get_measure("response"), make_stage(), replier(gains, lows, highs))
    got = {key: variable.values for key, variable in result.variables.items()}
    exact = np.array([abs(band(1000.0, *three)) for three in zip(gains, lows, highs, strict=True)])
    assert got["gain"] == pytest.approx(exact, rel=1e-12)
    assert got["gain_db"] == pytest.approx(20 * np.log10(exact), abs=1e-9)
    # Poles this far apart move each other's corner by less than the square of their ratio to 1 kHz.
    assert got["low_corner"] == pytest.approx(lows, rel=3e-3)
    assert got["high_corner"] == pytest.approx(highs, rel=3e-3)
    assert got["midband_gain"] == pytest.approx(np.abs(gains), rel=1e-3)
    phases = [np.degrees(np.angle(band(1000.0, *three))) for three in zip(gains, lows, highs, strict=True)]
    assert (got["phase"] - phases) % 360.0 == pytest.approx([0.0, 0.0], abs=1e-9)
    assert got["phase"][0] == pytest.approx(-180.0, abs=5.0)  # the first stage inverts
    assert np.abs(np.diff(got["phase_deg"], axis=1)).max() < 20  # no jumps of 360 degrees


@pytest.mark.parametrize("per_decade", [10, 20, 50])
@pytest.mark.parametrize("corner", [3.33, 17.0, 240.0])
def test_corner_of_a_single_pole_is_found_between_points(per_decade, corner):
    f = 10 ** (np.arange(7 * per_decade + 1) / per_decade)
    level = 20 * np.log10(np.abs(1 / (1 - 1j * corner / f)))[None]
    low, high = corners(f, level, np.zeros(1), centre=1e5)
    assert low == pytest.approx([corner], rel=1e-3 if per_decade == 10 else 1e-4)
    assert np.isnan(high).all()


def test_failed_points_are_nan_and_leave_the_others_alone():
    def reply(request):
        f = frequencies(request)
        curve = np.array([np.full(len(f), np.nan), band(f, 10.0, 20.0, 2e4)])
        return make_reply({"n_out": curve}, f)

    result = run(get_measure("response"), make_stage(), reply)
    assert np.isnan(result.variables["gain"].values[0])
    assert np.isnan(result.variables["low_corner"].values[0])
    assert result.variables["low_corner"].values[1] == pytest.approx(20.0, rel=1e-2)


def test_reference_frequency_between_points_is_interpolated():
    result = run(get_measure("response"), make_stage(), replier([5.0], [20.0], [2e4]), reference_frequency=437.0)
    assert result.variables["gain"].values == pytest.approx([abs(band(437.0, 5.0, 20.0, 2e4))], rel=1e-6)


def test_a_stage_without_an_output_is_refused():
    with pytest.raises(InputError, match='no port "output"'):
        next(get_measure("response")(make_stage(ports={"input": "n_in"})))


def test_at_frequency_is_exact_for_a_cubic_and_nan_outside():
    f = 10 ** (np.arange(21) / 5)
    u = np.log10(f)
    curve = np.stack([u**3 - 2 * u, 1j * u**2])
    x = np.log10(123.0)
    assert at_frequency(f, curve, 123.0) == pytest.approx([x**3 - 2 * x, 1j * x**2])
    assert np.isnan(at_frequency(f, curve, 2e4)).all()
    assert at_frequency(f[:1], curve[:, :1], 1.0) == pytest.approx(curve[:, 0])


def test_first_crossing_of_a_power_law_is_exact():
    x = np.geomspace(0.01, 10, 12)[None].repeat(3, axis=0)
    y = np.stack([0.02 * x[0] ** 1.5, np.full(12, 0.5), 1e-6 * x[2]])
    y[0, 4] = np.nan  # a level that failed is passed over
    crossing = first_reached(x, Curve(y / 0.03))
    assert crossing[0] == pytest.approx(1.5 ** (1 / 1.5))
    assert np.isnan(crossing[1:]).all()  # starts above; never gets there
    assert interpolate(x, y, np.array([1.234, 0.5, 99.0])) == pytest.approx(
        [0.02 * 1.234**1.5, 0.5, np.nan], nan_ok=True
    )
