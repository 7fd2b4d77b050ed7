"""How far two runs of the same points are apart."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: What an operating point leaves of nothing, by unit: the voltage across a capacitor that nothing charges.
_ROUNDING = {"V": 1e-12, "A": 1e-18, "W": 1e-18}
#: Share of the largest figure of a unit that is nothing beside it: what an operating point's tolerance leaves.
_NOTHING = 1e-9
#: Share of a figure's largest value from which on a smaller one is held to itself.
_SMALL = 1e-3


def disagreement(
    figures: Mapping[str, NDArray[Any]],
    again: Mapping[str, NDArray[Any]],
    picked: NDArray[np.intp],
    units: Mapping[str, str],
) -> tuple[float, str]:
    """Return how far the same points are apart at most in two runs, as a part of their value, and in which figure.

    Parameters
    ----------
    figures : mapping of str to ndarray, shape (points,)
        Of the first run.
    again : mapping of str to ndarray, shape (picked,)
        Of the second.
    picked : ndarray of int
        The points of the first that the second has.
    units : mapping of str to str
        Of each figure: what is nothing beside the largest figure of its unit, a node at 0 V beside one at 300 V, has no
        value that it could be a part of.
    """
    worst, where = 0.0, ""
    biggest: dict[str, float] = {}
    for name, array in figures.items():
        most = np.max(np.abs(array), where=np.isfinite(array), initial=0.0)
        biggest[units[name]] = max(biggest.get(units[name], 0.0), float(most))
    for name, array in figures.items():
        one, unit = array[picked], units[name]
        other = np.asarray(again[name], dtype=float)
        with np.errstate(invalid="ignore"):
            # What never ends in both runs (a discharge, a margin that nothing uses up) is the same there.
            apart = np.where(one == other, 0.0, np.abs(one - other))
        if unit == "degree":  # -180 and 180 degrees are the same
            apart = np.minimum(apart, 360.0 - apart)
        largest = np.max(np.abs(array), where=np.isfinite(array), initial=0.0)
        least = max(_ROUNDING.get(unit, 1e-30), _NOTHING * biggest[unit])
        scale = np.maximum(largest * _SMALL, np.maximum(np.abs(one), least))
        # Nothing at all is minus infinity in decibels, beside what rounding leaves.
        endless = np.isinf(apart) & (unit != "dB")
        with np.errstate(invalid="ignore"):
            off = np.inf if endless.any() else np.max(apart / scale, where=np.isfinite(apart), initial=0.0)
        if off > worst:
            worst, where = float(off), name
    return worst, where
