"""Where a curve over level first reaches a mark, and which level to try next to know it better.

A bracket of two neighbours is closed in on by inverse quadratic interpolation through them and the nearest third
level, wherever that is sure to stay inside; else it is divided. Everything is done for all points at once, on log-log
paper, on which distortion is nearly straight.

Source: T. R. Chandrupatla, "A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear function
without using derivatives", Advances in Engineering Software 28 (1997) 145 (when a quadratic may be trusted).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simwrap.measures.common import Floats, divide

#: Least part of a mark that counts: below, a curve says no more than that it isn't reached.
_LEAST = 1e-3
#: Part of the level expected below the lowest that is tried: to have it in a bracket.
_SHY = 0.7
#: Least share of a bracket that is cut off.
_INNER = 0.25
#: Levels nearer than this to another tell nothing new.
_SAME = 1e-4


@dataclass(frozen=True)
class Curve:
    """Something that rises with level.

    Attributes
    ----------
    values : ndarray, shape (points, levels)
        As parts of the mark: 1 where it is reached. NaN is passed over.
    rest : ndarray, shape (points,), or None
        The same without a signal; None where nothing is said about it.
    """

    values: Floats
    rest: Floats | None = None


def _sorted(levels: Floats, values: Floats) -> tuple[Floats, Floats]:
    """Return rising levels, and values, with what isn't known moved to the end as NaN."""
    levels = np.where(np.isfinite(values), levels, np.nan)
    order = np.argsort(levels, axis=1)
    return np.take_along_axis(levels, order, 1), np.take_along_axis(values, order, 1)


def first_reached(levels: Floats, curve: Curve) -> Floats:
    """Return the level at which a curve first reaches its mark, shape (points,).

    Parameters
    ----------
    levels : ndarray, shape (points, levels)
        Positive, in any order.
    curve : Curve

    Returns
    -------
    ndarray
        0 where the mark is reached without a signal; between that and the lowest level on a straight line; NaN where
        it isn't reached, or is exceeded at the lowest level and nothing is said of what is below.
    """
    level, below = _looked_up(levels, curve)
    return level if curve.rest is None else np.where(np.isnan(level), below, level)


def _looked_up(levels: Floats, curve: Curve, *, careful: bool = False) -> tuple[Floats, Floats]:
    """Return where a mark is reached between two levels, and where below the lowest; NaN where it isn't.

    ``careful``: a bracket in which a quadratic isn't to be trusted is divided between where a secant on log paper and
    one on plain paper say, well inside of it: a secant alone may leave one end where it is for ever.
    """
    x, y = _sorted(levels, curve.values)
    rest = np.zeros(len(x)) if curve.rest is None else curve.rest
    with np.errstate(invalid="ignore"):
        up = (y[:, :-1] < 1.0) & (y[:, 1:] >= 1.0)
        always = y[:, 0] >= 1.0
    found = _inside(x, y, np.argmax(up, axis=1), careful)
    below = x[:, 0] * np.clip(divide(1.0 - rest, y[:, 0] - rest), 0.0, 1.0)
    at_rest = np.isfinite(y[:, 0]) & (rest >= 1.0)
    level = np.where(up.any(axis=1) & ~always & ~at_rest, found, np.nan)
    return level, np.where(at_rest, 0.0, np.where(always, below, np.nan))


def _inside(x: Floats, y: Floats, index: NDArray[np.intp], careful: bool) -> Floats:
    """Return the crossing between neighbours ``index`` and ``index + 1``."""
    last = x.shape[1] - 1
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        where, height = np.log(x), np.log(np.maximum(y, _LEAST))

        def at(array: Floats, place: NDArray[np.intp]) -> Floats:
            picked: Floats = np.take_along_axis(array, np.clip(place, 0, last)[:, None], 1)[:, 0]
            return picked

        a, b = at(where, index), at(where, index + 1)
        fa, fb = at(height, index), at(height, index + 1)
        left, right = at(where, index - 1), at(where, index + 2)
        no_left = (index < 1) | (at(height, index - 1) <= np.log(_LEAST))
        no_right = (index + 2 > last) | ~np.isfinite(right)
        use_left = ~no_left & (no_right | (a - left < right - b))
        c = np.where(use_left, left, right)
        fc = np.where(use_left, at(height, index - 1), at(height, index + 2))
        straight = divide(-fa, fb - fa)
        if careful:
            plain = divide(1.0 - at(y, index), at(y, index + 1) - at(y, index))
            straight = np.clip(0.5 * (straight + plain), _INNER, 1.0 - _INNER)
        quadratic = (
            fb * fc / ((fa - fb) * (fa - fc)) * a
            + fa * fc / ((fb - fa) * (fb - fc)) * b
            + fa * fb / ((fc - fa) * (fc - fb)) * c
        )
        # Chandrupatla's test, with the third level beyond the end of the bracket that it lies at.
        near, far = np.where(use_left, a, b), np.where(use_left, b, a)
        f_near, f_far = np.where(use_left, fa, fb), np.where(use_left, fb, fa)
        xi, phi = divide(near - far, c - far), divide(f_near - f_far, fc - f_far)
        sure = ~(no_left & no_right) & (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi)
        sure &= (quadratic >= a) & (quadratic <= b)
        crossing: Floats = np.exp(np.where(sure, quadratic, a + straight * (b - a)))
    return crossing


def next_levels(levels: Floats, marks: Sequence[Sequence[Curve]], *, beyond: float | None = None) -> Floats:
    """Return a level for each mark that tells more of it, shape (points, marks); NaN where none does.

    Parameters
    ----------
    levels : ndarray, shape (points, levels)
    marks : sequence of sequences of Curve
        A mark is the first of its curves to be reached.
    beyond : float, optional
        How far above the highest level a mark is looked for that isn't reached, as a factor; by default it isn't.
    """
    tries = []
    for curves in marks:
        level = np.full(len(levels), np.nan)
        for curve in curves:
            between, below = _looked_up(levels, curve, careful=True)
            level = np.fmin(level, np.fmin(between, _SHY * below))
        if beyond is not None:
            highest = np.fmax.reduce(np.where(np.isfinite(curves[0].values), levels, np.nan), axis=1)
            # Where the highest level failed, a higher one would too.
            level = np.where(np.isnan(level) & (highest == levels.max(axis=1)), beyond * highest, level)
        tries.append(np.where(level > 0.0, level, np.nan))
    return np.stack(tries, axis=1)


def without_known(levels: Floats, tries: Floats, near: float) -> Floats:
    """Return tries with NaN where a level is as near as that, relative to it: there the mark is known."""
    with np.errstate(invalid="ignore"):
        known = (np.abs(levels[:, :, None] / tries[:, None, :] - 1.0) < near).any(axis=1)
    return np.where(known, np.nan, tries)


def filled(levels: Floats, tries: Floats) -> Floats:
    """Return tries that all differ from the levels and from each other; NaN goes to the middle of the widest gap."""
    known = levels
    for level in tries.T:
        level = np.where(np.isnan(level), _widest(known), level)
        for _ in range(known.shape[1]):
            near = (np.abs(known / level[:, None] - 1.0) < _SAME).any(axis=1)
            level = np.where(near, level * (1.0 + 1.5 * _SAME), level)
        known = np.column_stack([known, level])
    return known[:, levels.shape[1] :]


def _widest(levels: Floats) -> Floats:
    """Return the middle of the widest gap between levels, on a logarithmic scale."""
    rising = np.log(np.sort(levels, axis=1))
    gap = np.argmax(np.diff(rising, axis=1), axis=1)[:, None]
    middle: Floats = np.exp((np.take_along_axis(rising, gap, 1) + np.take_along_axis(rising, gap + 1, 1)) / 2.0)[:, 0]
    return middle
