from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simwrap.measures.numerics.weighting import a_weighting, band_rms, itu_468_weighting, refined

REFERENCE = Path(__file__).parents[1] / "reference"


def table(name):
    lines = [line for line in (REFERENCE / name).read_text().splitlines() if not line.startswith("#")]
    rows = np.array([[float(cell) for cell in line.split(",")] for line in lines[1:]])
    return rows[:, 0], rows[:, 1]


def exact(nominal):
    """Nominal third-octave frequencies stand for 1000*10^(n/10) (IEC 61672-1)."""
    return 1000.0 * 10 ** (np.round(10 * np.log10(nominal / 1000.0)) / 10)


def test_a_weighting_agrees_with_all_34_rows_of_iec_61672():
    frequency, level = table("iec_61672/a_weighting.csv")
    assert len(frequency) == 34
    assert a_weighting(exact(frequency)) == pytest.approx(level, abs=0.1)


def test_468_weighting_agrees_with_all_21_rows_of_itu_r_bs_468():
    frequency, level = table("itu_bs468/weighting.csv")
    assert len(frequency) == 21
    assert itu_468_weighting(frequency) == pytest.approx(level, abs=0.1)


def test_a_weighting_is_0_db_at_1_khz():
    assert a_weighting(1000.0) == pytest.approx(0.0, abs=1e-9)


def test_white_and_1_over_f_noise_are_integrated_exactly():
    """White: e sqrt(f2 - f1); 1/f power: e1 sqrt(ln(f2/f1))."""
    f = np.geomspace(22.0, 22e3, 61)
    density = np.stack([np.full(61, 5e-9), 3e-7 / np.sqrt(f), np.zeros(61), np.full(61, np.nan)])
    assert band_rms(f, density) == pytest.approx(
        [5e-9 * np.sqrt(22e3 - 22.0), 3e-7 * np.sqrt(np.log(1000.0)), 0.0, np.nan], rel=1e-9, nan_ok=True
    )


def test_a_weighted_white_noise_agrees_with_a_fine_integration():
    f = np.geomspace(22.0, 22e3, 61)
    fine = np.linspace(22.0, 22e3, 400_001)
    exact_power = np.trapezoid(10 ** (a_weighting(fine) / 10), fine)
    got = band_rms(f, np.ones((1, 61)), a_weighting(f))
    assert 20 * np.log10(got[0]) == pytest.approx(10 * np.log10(exact_power), abs=0.01)


def test_weighted_white_noise_from_a_few_frequencies_once_they_are_refined():
    few = np.geomspace(22.0, 22e3, 16)
    fine = np.linspace(22.0, 22e3, 400_001)
    for weighting in (a_weighting, itu_468_weighting):
        exact_power = np.trapezoid(10 ** (weighting(fine) / 10), fine)
        f, density = refined(few, np.ones((1, 16)), 60)
        got = band_rms(f, density, weighting(f))
        assert 20 * np.log10(got[0]) == pytest.approx(10 * np.log10(exact_power), abs=0.01)


def test_refined_densities_are_powers_of_the_frequency_and_keep_what_was_given():
    few = np.geomspace(10.0, 1e4, 7)
    given = np.stack([few**-0.5, few**2.0, np.zeros(7), np.full(7, np.nan)])
    f, density = refined(few, given, 30)
    assert np.diff(np.log10(f)).max() <= 1 / 30 + 1e-12
    assert density == pytest.approx(np.stack([f**-0.5, f**2.0, 0.0 * f, f * np.nan]), rel=1e-12, nan_ok=True)
    assert density[:, ::15] == pytest.approx(given, rel=1e-12, nan_ok=True)
    assert f[::15] == pytest.approx(few, rel=1e-12)
    for same, kept in ((few[:1], given[:, :1]), (few, given)):
        assert refined(same, kept, 1)[1] == pytest.approx(kept, rel=1e-12, nan_ok=True)
