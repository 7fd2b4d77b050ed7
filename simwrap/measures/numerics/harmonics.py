"""Spectra of whole periods, and the distortion figures read from them. Pure functions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simwrap.measures.common import Array, Floats, divide


def spectrum(period: Array) -> NDArray[np.complex128]:
    """Return the complex peak amplitudes of one whole period.

    Parameters
    ----------
    period : ndarray, shape (..., samples)
        Evenly spaced samples of exactly one period.

    Returns
    -------
    ndarray, shape (..., samples // 2 + 1)
        Entry k is the amplitude at k times the repetition frequency; entry 0 is the mean. A
        sine has the phase -90 degrees.
    """
    lines: NDArray[np.complex128] = np.fft.rfft(period, axis=-1) / period.shape[-1]
    lines[..., 1:] *= 2.0
    return lines


def rms(period: Array, *, with_mean: bool = False) -> Floats:
    """Return the rms of one period, without its mean unless ``with_mean``."""
    wave = period if with_mean else period - period.mean(axis=-1, keepdims=True)
    value: Floats = np.sqrt((wave**2).mean(axis=-1))
    return value


def thd(lines: Array, *, fundamental: int = 1, total: bool = False) -> Floats:
    """Return the total harmonic distortion as a ratio: of all harmonics.

    What lies above half the samples folds back onto others, so that the sum of powers has it as well (Parseval); the
    line at just half of them, which would count twice, is left out.

    Parameters
    ----------
    lines : ndarray, shape (..., lines)
        From :func:`spectrum`.
    fundamental : int
        Which line the fundamental is.
    total : bool
        Refer to the rms of the whole signal (IEC 60268-3) instead of the fundamental (common
        practice). The two differ by the factor 1/sqrt(1 + d**2).

    Returns
    -------
    ndarray, shape (...)
        NaN where there is no fundamental.
    """
    power = np.abs(lines[..., fundamental:-1:fundamental]) ** 2
    first, rest = power[..., 0], power[..., 1:].sum(axis=-1)
    ratio = divide(rest, first + rest if total else first)
    return np.sqrt(np.where(first > 0, ratio, np.nan))


def relative(lines: Array, orders: Array, *, fundamental: int = 1) -> Floats:
    """Return the amplitudes of harmonics relative to the fundamental, shape (..., orders)."""
    amplitude = np.abs(lines)
    first = amplitude[..., fundamental]
    ratio: Floats = divide(amplitude[..., np.asarray(orders) * fundamental], first[..., None])
    return ratio


def modulation(lines: Array, low: int, high: int, *, pairs: int = 2, coherent: bool = True) -> Floats:
    """Return the modulation distortion of a low and a high tone (the SMPTE method) as a ratio.

    Parameters
    ----------
    lines : ndarray, shape (..., lines)
        From :func:`spectrum`.
    low, high : int
        Which lines the two tones are.
    pairs : int
        Pairs of sidebands counted, at high +- n low.
    coherent : bool
        Add the amplitudes of each pair (IEC 60268-3 modulation distortion, what a demodulating
        meter reads of amplitude modulation) or add powers (spectrum method).

    Returns
    -------
    ndarray, shape (...)
        Sidebands relative to the high tone.
    """
    amplitude = np.abs(lines)
    power = np.zeros(amplitude.shape[:-1])
    for n in range(1, pairs + 1):
        up, down = amplitude[..., high + n * low], amplitude[..., high - n * low]
        power += (up + down) ** 2 if coherent else up**2 + down**2
    ratio: Floats = divide(np.sqrt(power), amplitude[..., high])
    return ratio


def difference_tones(lines: Array, first: int, second: int) -> tuple[Floats, Floats]:
    """Return the difference-frequency distortion of order 2 and 3 as ratios.

    d2 = A(f2 - f1)/(A1 + A2); d3 = (A(2 f1 - f2) + A(2 f2 - f1))/(A1 + A2), IEC 60268-3.

    Parameters
    ----------
    lines : ndarray, shape (..., lines)
        From :func:`spectrum`.
    first, second : int
        Which lines the tones are, ``first`` the lower.
    """
    amplitude = np.abs(lines)
    both = amplitude[..., first] + amplitude[..., second]
    odd = amplitude[..., abs(2 * first - second)] + amplitude[..., 2 * second - first]
    return divide(amplitude[..., second - first], both), divide(odd, both)
