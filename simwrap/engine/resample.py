"""Uneven time points onto a uniform grid, by cubic interpolation."""

from __future__ import annotations

import numpy as np

from simwrap.engine.protocol import Array

#: Ratio of neighbouring steps above which the engine has put points at an edge of a source.
_JUMP = 20.0

#: Of the wave's span: a cubic that leaves the straight line by more near an edge is not followed.
_SWING = 1e-3


def onto(grid: Array, times: Array, wave: Array) -> Array:
    """Interpolate with the cubic through the four nearest points.

    Linear interpolation alone puts a floor of -127 to -141 dB under distortion figures.

    Parameters
    ----------
    grid : ndarray, shape (samples,)
        Instants wanted [s], ascending.
    times : ndarray, shape (n,)
        The points of an engine, ascending; instants outside take the nearest value.
    wave : ndarray, shape (..., n)

    Returns
    -------
    ndarray, shape (..., samples)
    """
    # Points closer than rounding (engines put extra ones at break points) would divide by zero.
    keep = np.concatenate(([True], np.diff(times) > 1e-12 * max(abs(times[-1]), 1e-30)))
    if not keep.all():
        times, wave = times[keep], wave[..., keep]
    if len(times) < 4:
        return _straight(grid, times, wave)
    x = np.clip(grid, times[0], times[-1])
    first = np.clip(np.searchsorted(times, x, side="right") - 2, 0, len(times) - 4)
    at = [times[first + k] for k in range(4)]
    value = np.zeros((*wave.shape[:-1], len(grid)))
    for k in range(4):
        weight = np.ones(len(grid))
        for j in range(4):
            if j != k:
                weight *= (x - at[j]) / (at[k] - at[j])
        value += weight * wave[..., first + k]
    # Where the spacing jumps an edge is near: a cubic across it would swing on both sides.
    gaps = np.array([at[k + 1] - at[k] for k in range(3)])
    edge = np.flatnonzero(gaps.max(axis=0) > _JUMP * gaps.min(axis=0))
    straight = _straight(x[edge], times, wave)
    swings = np.abs(value[..., edge] - straight) > _SWING * np.ptp(wave, axis=-1)[..., None]
    value[..., edge] = np.where(swings, straight, value[..., edge])
    return value


def _straight(grid: Array, times: Array, wave: Array) -> Array:
    rows = [np.interp(grid, times, row) for row in wave.reshape(-1, len(times))]
    return np.array(rows).reshape(*wave.shape[:-1], len(grid))
