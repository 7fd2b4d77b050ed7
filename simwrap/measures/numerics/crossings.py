"""Reading curves between their points: corners, values at a frequency or level."""

from __future__ import annotations

import numpy as np

from simwrap.measures.common import Array, Floats

#: A corner is where the output has half the power: 3.01 dB down.
HALF_POWER_DB = float(10.0 * np.log10(2.0))


def _cubic_weights(position: Floats, knots: int) -> tuple[Array, Floats]:
    """Return indices and Lagrange weights of the 4 knots round each position.

    ``position`` counts knots from 0; the knots are evenly spaced. Shapes: (..., 4).
    """
    width = min(4, knots)
    start = np.clip(np.floor(position).astype(int) - (width // 2 - 1), 0, knots - width)
    local = position - start
    weights = np.ones((*position.shape, width))
    for i in range(width):
        for j in range(width):
            if j != i:
                weights[..., i] *= (local - j) / (i - j)
    return start[..., None] + np.arange(width), weights


def at_frequency(frequency: Floats, curve: Array, wanted: float | Floats) -> Array:
    """Return the values of curves at given frequencies, by cubic interpolation over log frequency.

    Parameters
    ----------
    frequency : ndarray, shape (frequencies,)
        Evenly spaced in its logarithm [Hz].
    curve : ndarray, shape (..., frequencies)
        Real or complex.
    wanted : float or ndarray, shape (...)
        One frequency for all curves, or one for each [Hz]; NaN gives NaN.

    Returns
    -------
    ndarray, shape (...)
        NaN outside of the range.
    """
    knots = len(frequency)
    target = np.broadcast_to(np.asarray(wanted, dtype=float), curve.shape[:-1])
    if knots == 1:
        return np.where(np.isclose(target, frequency[0], rtol=1e-9), curve[..., 0], np.nan)
    step = np.log(frequency[-1] / frequency[0]) / (knots - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        position = np.log(target / frequency[0]) / step
    nearest = np.round(position)
    position = np.where(np.abs(position - nearest) < 1e-6, nearest, position)
    inside = (position >= 0) & (position <= knots - 1)
    indices, weights = _cubic_weights(np.where(inside, position, 0.0), knots)
    # A knot that was hit is taken as it is: weights of 0 would still spread a neighbour's NaN.
    exact = np.take_along_axis(curve, np.where(inside, nearest, 0).astype(int)[..., None], -1)[..., 0]
    with np.errstate(invalid="ignore"):
        mixed = (np.take_along_axis(curve, indices, -1) * weights).sum(-1)
    value = np.where(position == nearest, exact, mixed)
    return np.where(inside, value, np.nan)


def corners(
    frequency: Floats,
    level_db: Floats,
    reference: Floats,
    *,
    drop: float = HALF_POWER_DB,
    centre: float = 1000.0,
) -> tuple[Floats, Floats]:
    """Return the nearest frequencies below and above ``centre`` where the level has dropped.

    Parameters
    ----------
    frequency : ndarray, shape (frequencies,)
        Evenly spaced in its logarithm [Hz].
    level_db : ndarray, shape (points, frequencies)
    reference : ndarray, shape (points,)
        Level from which the drop is counted [dB].
    drop : float
        [dB]; half power by default.
    centre : float
        Where the search starts [Hz].

    Returns
    -------
    low, high : ndarray, shape (points,)
        [Hz]; NaN where the level doesn't drop so far inside the range.
    """
    with np.errstate(invalid="ignore"):  # nothing comes through: -inf less -inf is NaN, and no corner
        above = level_db - (reference - drop)[:, None]
    middle = int(np.argmin(np.abs(np.log(frequency / centre))))
    return _crossing_out(frequency, above, middle, -1), _crossing_out(frequency, above, middle, 1)


def _crossing_out(frequency: Floats, above: Floats, middle: int, way: int) -> Floats:
    """Walk from ``middle`` down or up to where ``above`` turns negative; refine on a cubic."""
    with np.errstate(invalid="ignore"):
        under = above < 0
    side = under[:, middle::-1] if way < 0 else under[:, middle:]
    found = side.any(axis=1) & ~side[:, 0] & np.isfinite(above[:, middle])
    step = np.argmax(side, axis=1)
    outer = middle + way * step  # first index under the level
    inner = outer - way
    low = np.where(found, np.minimum(outer, inner), 0).astype(float)
    rising = way < 0
    knots = len(frequency)
    log_frequency = np.log(frequency)
    finite = np.where(np.isfinite(above), above, -1e3)  # -inf dB would spoil the cubic's weights
    indices, _ = _cubic_weights(low, knots)
    near = np.take_along_axis(finite, indices, 1)
    # The cubic's coefficients: its knots are whole numbers, counted from the first of them.
    powers = np.vander(np.arange(indices.shape[1], dtype=float), increasing=True)
    cubic = np.linalg.solve(powers, near.T)[::-1]
    first = indices[:, 0]
    left = low - first
    right = left + 1.0
    for _ in range(48):
        half = (left + right) / 2.0
        value = cubic[0]
        for coefficient in cubic[1:]:
            value = value * half + coefficient
        is_left = (value < 0) == rising
        left, right = np.where(is_left, half, left), np.where(is_left, right, half)
    left = left + first
    result = np.exp(log_frequency[0] + left * (log_frequency[-1] - log_frequency[0]) / max(knots - 1, 1))
    return np.where(found, result, np.nan)


def interpolate(x: Floats, y: Floats, wanted: Floats) -> Floats:
    """Return each row of ``y`` at ``wanted``, straight on log-log paper; NaN outside.

    Parameters
    ----------
    x, y : ndarray, shape (points, levels)
        Positive, ``x`` rising; NaN in ``y`` is passed over.
    wanted : ndarray, shape (points,)
    """
    x = np.where(np.isfinite(y), x, np.nan)
    order = np.argsort(x, axis=1)
    x, y = np.take_along_axis(x, order, 1), np.take_along_axis(y, order, 1)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        index = np.clip((x <= wanted[:, None]).sum(axis=1) - 1, 0, x.shape[1] - 2)[:, None]
        x0, x1 = (np.take_along_axis(x, index + k, 1)[:, 0] for k in (0, 1))
        y0, y1 = (np.take_along_axis(y, index + k, 1)[:, 0] for k in (0, 1))
        share = np.log(wanted / x0) / np.log(x1 / x0)
        inside = (share >= -1e-12) & (share <= 1 + 1e-12)
        value = y0 * (y1 / y0) ** share
    return np.where(inside, value, np.nan)
