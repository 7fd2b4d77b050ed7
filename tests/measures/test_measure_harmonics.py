from __future__ import annotations

import numpy as np
import pytest

from simwrap.measures.numerics import harmonics

T = np.arange(256) / 256
TURN = 2 * np.pi * T


def test_polynomial_reads_its_exact_harmonics():
    """x + a x^2 + b x^3 of a sine: the closed form is trigonometry."""
    a, b, amplitude = 0.02, -0.01, 0.7
    x = amplitude * np.sin(TURN)
    lines = harmonics.spectrum(x + a * x**2 + b * x**3)
    assert abs(lines[1]) == pytest.approx(amplitude + 3 * b * amplitude**3 / 4, rel=1e-12)
    assert abs(lines[2]) == pytest.approx(a * amplitude**2 / 2, rel=1e-10)
    assert abs(lines[3]) == pytest.approx(abs(b) * amplitude**3 / 4, rel=1e-10)
    assert lines[0] == pytest.approx(a * amplitude**2 / 2)


def test_pure_sine_reads_below_minus_250_db():
    assert 20 * np.log10(harmonics.thd(harmonics.spectrum(3.0 * np.sin(TURN)))) < -250


def test_the_two_definitions_differ_as_iec_60268_3_says():
    """d_total = d / sqrt(1 + d^2): 0.5 % of the value at d = 10 % (standards.md section 5)."""
    lines = harmonics.spectrum(np.sin(TURN) + 0.1 * np.sin(2 * TURN))
    fundamental, total = harmonics.thd(lines), harmonics.thd(lines, total=True)
    assert fundamental == pytest.approx(0.1)
    assert total == pytest.approx(0.1 / np.sqrt(1.01))
    assert 1 - total / fundamental == pytest.approx(0.005, abs=1e-4)


def test_all_harmonics_of_a_sampled_square_wave_count():
    """Those above half the samples fold back and still count: sqrt(pi^2/8 - 1), more than up to the 32nd."""
    samples = 256
    wave = np.where((np.arange(samples) + 0.5) < samples / 2, 1.0, -1.0)
    exact = np.sqrt(np.pi**2 / 8.0 - 1.0)
    assert harmonics.thd(harmonics.spectrum(wave)) == pytest.approx(exact, rel=1e-3)


def test_square_wave_without_aliases():
    """Fourier series of a square wave: odd harmonics 1/n; THD of all is sqrt(pi^2/8 - 1)."""
    wave = sum(np.sin(n * TURN) / n for n in range(1, 33, 2))
    exact = np.sqrt(sum(1 / n**2 for n in range(3, 33, 2)))
    assert harmonics.thd(harmonics.spectrum(wave)) == pytest.approx(exact, rel=1e-12)


def test_five_points_of_a_load_line_agree_with_the_spectrum():
    """Espley's five-point example of RDH4 ch. 13 (circuits.md section 11): B1 48.667, B2 2, B3 -2.667.

    A polynomial of 4th order through the five currents has exactly those harmonics.
    """
    drive = np.array([1.0, 0.5, 0.0, -0.5, -1.0])
    current = np.array([100.0, 78.0, 50.0, 24.0, 8.0])
    wave = np.polyval(np.polyfit(drive, current, 4), np.cos(TURN))
    lines = harmonics.spectrum(wave)
    assert lines[1].real == pytest.approx(48.667, abs=5e-4)
    assert lines[2].real == pytest.approx(2.000, abs=5e-4)
    assert lines[3].real == pytest.approx(-2.667, abs=5e-4)
    assert lines[4].real == pytest.approx(0.000, abs=5e-4)
    assert 100 * harmonics.relative(lines, np.array([2, 3])) == pytest.approx([4.110, 5.479], abs=5e-4)


def test_modulation_distortion_of_a_square_law():
    """y = x + a x^2 with tones A1, A2: each sideband is a A1 A2; the coherent pair is 2 a A1 of A2."""
    a, low, high = 0.01, 1, 32
    x = 0.8 * np.sin(low * TURN) + 0.2 * np.sin(high * TURN)
    lines = harmonics.spectrum(x + a * x**2)
    assert harmonics.modulation(lines, low, high) == pytest.approx(2 * a * 0.8, rel=1e-9)
    assert harmonics.modulation(lines, low, high, coherent=False) == pytest.approx(np.sqrt(2) * a * 0.8, rel=1e-9)


def test_difference_tones_of_a_cubic():
    """A(f2-f1) = a A^2 and A(2f1-f2) = 3/4 b A^3 for equal tones A (trigonometry)."""
    a, b, first, second, level = 0.02, 0.03, 19, 20, 0.5
    x = level * (np.sin(first * TURN) + np.sin(second * TURN))
    lines = harmonics.spectrum(x + a * x**2 + b * x**3)
    d2, d3 = harmonics.difference_tones(lines, first, second)
    tones = 2 * level + 2 * (9 / 4) * b * level**3
    assert d2 == pytest.approx(a * level**2 / tones, rel=1e-9)
    assert d3 == pytest.approx(2 * 0.75 * b * level**3 / tones, rel=1e-9)


def test_rms_leaves_the_mean_out():
    assert harmonics.rms(5 + np.sqrt(2) * np.sin(TURN)) == pytest.approx(1.0)
    assert harmonics.rms(5 + np.sqrt(2) * np.sin(TURN), with_mean=True) == pytest.approx(np.sqrt(26))


def test_silence_and_failure_have_no_distortion_figure():
    assert np.isnan(harmonics.thd(harmonics.spectrum(np.zeros(64))))
    assert np.isnan(harmonics.thd(harmonics.spectrum(np.full(64, np.nan))))
