"""Where a curve over level first reaches a mark, and which level to try next to know it better.

A bracket of two neighbours is closed in on by inverse quadratic interpolation through them and the nearest third
level, wherever that is sure to stay inside; else it is divided. At last it is read on a
cubic. Everything is done for all points at once, on log-log
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
#: Halvings of a bracket that is read.
_HALVINGS = 45
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
        it isn't reached, is exceeded at the lowest level and nothing is said of what is below, or where a level that
        isn't known may have reached it before (:func:`lost_from`).
    """
    level, below = _looked_up(levels, curve)
    found = level if curve.rest is None else np.where(np.isnan(level), below, level)
    return np.where((found > 0.0) & np.isfinite(lost_from(levels, curve)), np.nan, found)


def lost_from(levels: Floats, curve: Curve) -> Floats:
    """Return the lowest level, shape (points,), that isn't known and from which on the mark may be reached.

    One that lies between the last that doesn't reach the mark and the first that does, or beyond the last where none
    does; inf where there is none. What has a level of 0 wasn't looked for.
    """
    known, tried = np.isfinite(curve.values), np.isfinite(levels) & (levels > 0.0)
    with np.errstate(invalid="ignore"):
        reached = np.where(known & (curve.values >= 1.0), levels, np.inf).min(axis=1)
        under = known & (curve.values < 1.0) & (levels < reached[:, None])
    last = np.where(under, levels, -np.inf).max(axis=1)
    between = tried & ~known & (levels > last[:, None]) & (levels < reached[:, None])
    lowest: Floats = np.where(between, levels, np.inf).min(axis=1)
    return lowest


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
    found = (_inside if careful else _read)(x, y, np.argmax(up, axis=1))
    below = x[:, 0] * np.clip(divide(1.0 - rest, y[:, 0] - rest), 0.0, 1.0)
    at_rest = np.isfinite(y[:, 0]) & (rest >= 1.0)
    level = np.where(up.any(axis=1) & ~always & ~at_rest, found, np.nan)
    return level, np.where(at_rest, 0.0, np.where(always, below, np.nan))


@dataclass(frozen=True)
class _Bracket:
    """Logarithms of levels and values at the ends of a bracket (a, b), and at their outer neighbours."""

    left: Floats
    a: Floats
    b: Floats
    right: Floats
    f_left: Floats
    fa: Floats
    fb: Floats
    f_right: Floats
    no_left: NDArray[np.bool_]
    no_right: NDArray[np.bool_]

    @classmethod
    def of(cls, x: Floats, y: Floats, index: NDArray[np.intp]) -> _Bracket:
        """Return the bracket between the levels ``index`` and ``index + 1``."""
        last = x.shape[1] - 1
        where, height = np.log(x), np.log(np.maximum(y, _LEAST))

        def at(array: Floats) -> list[Floats]:
            places = (np.clip(index + k, 0, last)[:, None] for k in (-1, 0, 1, 2))
            return [np.take_along_axis(array, place, 1)[:, 0] for place in places]

        left, a, b, right = at(where)
        f_left, fa, fb, f_right = at(height)
        no_left = (index < 1) | (f_left <= np.log(_LEAST))
        no_right = (index + 2 > last) | ~np.isfinite(right)
        return cls(left, a, b, right, f_left, fa, fb, f_right, no_left, no_right)


def _read(x: Floats, y: Floats, index: NDArray[np.intp]) -> Floats:
    """Return the crossing between two levels, on a cubic that never leaves what its neighbours span.

    Slopes as F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300 (from memory).
    """
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        of = _Bracket.of(x, y, index)
        width = of.b - of.a
        secant = (of.fb - of.fa) / width

        def slope(outer: Floats, gap: Floats, absent: NDArray[np.bool_]) -> Floats:
            weights = (2.0 * width + gap, width + 2.0 * gap)
            mean = sum(weights) / (weights[0] / secant + weights[1] / outer)
            return np.where(absent, secant, np.where(outer > 0.0, mean, 0.0))

        before = slope((of.fa - of.f_left) / (of.a - of.left), of.a - of.left, of.no_left) * width
        after = slope((of.f_right - of.fb) / (of.right - of.b), of.right - of.b, of.no_right) * width
        low, high = np.zeros_like(width), np.ones_like(width)
        for _ in range(_HALVINGS):
            t = (low + high) / 2.0
            value = (1.0 - t) ** 2 * ((1.0 + 2.0 * t) * of.fa + t * before)
            value = value + t**2 * ((3.0 - 2.0 * t) * of.fb + (t - 1.0) * after)
            low, high = np.where(value < 0.0, t, low), np.where(value < 0.0, high, t)
        return np.asarray(np.exp(of.a + high * width))


def _inside(x: Floats, y: Floats, index: NDArray[np.intp]) -> Floats:
    """Return a level inside of a bracket that is sure to make it smaller."""
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        of = _Bracket.of(x, y, index)
        a, b, fa, fb = of.a, of.b, of.fa, of.fb
        use_left = ~of.no_left & (of.no_right | (a - of.left < of.right - b))
        c, fc = np.where(use_left, of.left, of.right), np.where(use_left, of.f_left, of.f_right)
        straight = divide(-fa, fb - fa)
        plain = divide(1.0 - np.exp(fa), np.exp(fb) - np.exp(fa))
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
        sure = ~(of.no_left & of.no_right) & (phi**2 < xi) & ((1.0 - phi) ** 2 < 1.0 - xi)
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
