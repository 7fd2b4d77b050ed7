"""Natural frequencies of every point of a table: does the circuit stay at rest when it is left alone?"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from simwrap.engine.linearised import Linearised, natural_frequencies
from simwrap.engine.protocol import Array
from simwrap.netlist.allow_list import Parsed

#: How many natural frequencies of a point are kept: those with the largest real parts.
KEPT = 8
#: A real part counts as growth above this share of the natural frequency, and above this [1/s]: rounding isn't growth.
GROWTH, LEAST = 1e-6, 1e-3
#: Natural frequencies beyond this [1/s] are left out: no valve circuit holds there, and what rounding leaves of
#: capacitors in loops and of milliohms lies beyond it.
FASTEST = 1e10
#: Share of a natural frequency below which its imaginary part is rounding: it doesn't swing.
SWINGS = 1e-6
#: Points whose matrices are made together: so many that it is quick, so few that they need little room.
TOGETHER = 64


def frequencies(
    parsed: Parsed, values: Mapping[str, Array], state: Mapping[str, Array]
) -> tuple[Array, Array, list[int]]:
    """Return the natural frequencies with the largest real parts [1/s], that first, and the one that rings longest.

    Parameters
    ----------
    parsed : Parsed
        A checked netlist.
    values : mapping of str to ndarray, shape (points,)
        Element values that replace those in the text.
    state : mapping of str to ndarray, shape (points,)
        The operating points: a value for each of :attr:`~simwrap.engine.linearised.Linearised.needed`.

    Returns
    -------
    ndarray of complex, shape (points, KEPT)
        NaN where a point has no operating point, or fewer natural frequencies.
    ndarray of complex, shape (points,)
        Of those that swing, the one that loses least a turn; NaN where none does.
    list of int
        Points whose equations have no single solution, so that nothing can be said.
    """
    points = len(next(iter(state.values())))
    rightmost = np.full((points, KEPT), np.nan, dtype=complex)
    lost: list[int] = []
    ringing = np.full(points, np.nan, dtype=complex)
    at = {name: np.asarray(values, float) for name, values in state.items()}
    good = np.flatnonzero(np.isfinite([*at.values()]).all(axis=0))
    for start in range(0, len(good), TOGETHER):
        some = good[start : start + TOGETHER]
        linear = Linearised(parsed, {name: np.asarray(column, float)[some] for name, column in values.items()})
        whole, rate, _ = linear.stacked({name: at[name][some] for name in linear.needed})
        for point, conductance, capacitance in zip(some, whole[:, :, :-1], rate[:, :, :-1], strict=True):
            try:
                poles = natural_frequencies(conductance, capacitance)
            except np.linalg.LinAlgError:
                lost.append(int(point))
                continue
            poles = poles[np.abs(poles) < FASTEST]
            kept = poles[np.argsort(-poles.real)][:KEPT]
            rightmost[point, : len(kept)] = kept
            swing = poles[poles.imag > SWINGS * np.abs(poles)]
            if swing.size:
                ringing[point] = swing[np.argmin(damped(swing))]
    return rightmost, ringing, lost


def damped(pole: Array) -> Array:
    """Return the damping of natural frequencies [1/s]: 1 doesn't swing, 0 swings for ever, below 0 grows."""
    with np.errstate(invalid="ignore"):
        return np.asarray(-pole.real / np.abs(pole))


def growing(poles: Array) -> Array:
    """Return which natural frequencies [1/s] grow, as a mask."""
    with np.errstate(invalid="ignore"):
        return np.asarray(poles.real > np.maximum(GROWTH * np.abs(poles), LEAST))
