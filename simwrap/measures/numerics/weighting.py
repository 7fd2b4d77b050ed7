"""Weighting curves for noise, and integrating a density over a band. Pure functions."""

from __future__ import annotations

import numpy as np

from simwrap.measures.common import Floats

# IEC 61672-1: the four corner frequencies of the A and C curves [Hz].
_F1, _F2, _F3, _F4 = 20.598997, 107.65265, 737.86223, 12194.217


def _normalised(ratio: Floats, at_1khz: float) -> Floats:
    level: Floats = 20.0 * np.log10(ratio / at_1khz)
    return level


def _a(f: Floats) -> Floats:
    square = f**2
    ratio: Floats = (
        _F4**2 * square**2 / ((square + _F1**2) * np.sqrt((square + _F2**2) * (square + _F3**2)) * (square + _F4**2))
    )
    return ratio


def a_weighting(frequency: Floats) -> Floats:
    """Return the A-weighting [dB], 0 at 1 kHz (IEC 61672-1)."""
    return _normalised(_a(np.asarray(frequency, dtype=float)), float(_a(np.array(1000.0))))


def itu_468_weighting(frequency: Floats) -> Floats:
    """Return the weighting of ITU-R BS.468-4 [dB], 0 at 1 kHz.

    The usual rational form of the network, within 0.1 dB of the table of the Recommendation.
    """
    f = np.asarray(frequency, dtype=float)
    h1 = -4.737338981378384e-24 * f**6 + 2.043828333606125e-15 * f**4 - 1.363894795463638e-7 * f**2 + 1.0
    h2 = 1.306612257412824e-19 * f**5 - 2.118150887518656e-11 * f**3 + 5.559488023498642e-4 * f
    level: Floats = 18.2 + 20.0 * np.log10(1.246332637532143e-4 * f / np.hypot(h1, h2))
    return level


def band_rms(frequency: Floats, density: Floats, weighting_db: Floats | None = None) -> Floats:
    """Return the rms of a noise over the whole range of its frequencies.

    Between points the density is a power of the frequency, so that white noise and 1/f noise
    are integrated exactly.

    Parameters
    ----------
    frequency : ndarray, shape (frequencies,)
        Rising [Hz].
    density : ndarray, shape (..., frequencies)
        [V/rtHz].
    weighting_db : ndarray, shape (frequencies,), optional
        [dB].

    Returns
    -------
    ndarray, shape (...)
        [V].
    """
    power = density**2 if weighting_db is None else density**2 * 10.0 ** (weighting_db / 10.0)
    share = power * frequency
    low, high = share[..., :-1], share[..., 1:]
    steps = np.diff(np.log(frequency))
    with np.errstate(divide="ignore", invalid="ignore"):
        # The logarithmic mean; where both ends are nearly the same it is their mean.
        mean = (high - low) / np.log(high / low)
    even = np.isclose(low, high, rtol=1e-6, atol=0.0) | (np.minimum(low, high) <= 0)
    mean = np.where(even, (low + high) / 2.0, mean)
    value: Floats = np.sqrt((mean * steps).sum(axis=-1))
    return value


def refined(frequency: Floats, density: Floats, per_decade: int) -> tuple[Floats, Floats]:
    """Return a density at more frequencies, those given among them; between them it is a power of the frequency.

    Parameters
    ----------
    frequency : ndarray, shape (frequencies,)
        Evenly spaced in its logarithm [Hz].
    density : ndarray, shape (..., frequencies)
        [V/rtHz].
    per_decade : int
        At least so many frequencies a decade, where there are two or more.

    Returns
    -------
    tuple of ndarray, shapes (more,) and (..., more)
    """
    gaps = len(frequency) - 1
    if gaps < 1:
        return frequency, density
    parts = int(np.ceil(per_decade * np.log10(frequency[-1] / frequency[0]) / gaps - 1e-9))
    place = np.arange(gaps * parts + 1) / parts
    before = np.minimum(place.astype(int), gaps - 1)
    share = place - before
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log(density)
        between = np.exp(logs[..., before] * (1.0 - share) + logs[..., before + 1] * share)
    # No power leads to or from 0: there it is a straight line.
    straight = density[..., before] * (1.0 - share) + density[..., before + 1] * share
    between = np.where(np.minimum(density[..., before], density[..., before + 1]) > 0.0, between, straight)
    more = np.exp(np.log(frequency)[before] * (1.0 - share) + np.log(frequency)[before + 1] * share)
    return more, between
