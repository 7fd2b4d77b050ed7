"""Natural frequencies of every point of a table: does the circuit stay at rest when it is left alone?"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from simwrap.engine import allow_list
from simwrap.engine.linearised import Linearised, natural_frequencies, needed
from simwrap.engine.protocol import Array, Circuit, OpRun

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


def operating_run(circuit: Circuit) -> OpRun:
    """Return the operating point that :func:`frequencies` needs of a circuit."""
    return OpRun(needed(circuit.text))


def frequencies(circuit: Circuit, state: Mapping[str, Array]) -> tuple[Array, Array]:
    """Return the natural frequencies with the largest real parts [1/s], that first, and the one that rings longest.

    Parameters
    ----------
    circuit : Circuit
    state : mapping of str to ndarray, shape (points,)
        The reply to :func:`operating_run`.

    Returns
    -------
    ndarray of complex, shape (points, KEPT)
        NaN where a point has no operating point, or fewer natural frequencies.
    ndarray of complex, shape (points,)
        Of those that swing, the one that loses least a turn; NaN where none does.
    """
    parsed = allow_list.check(circuit.text)
    rightmost = np.full((circuit.points, KEPT), np.nan, dtype=complex)
    ringing = np.full(circuit.points, np.nan, dtype=complex)
    at = {name: np.asarray(values, float) for name, values in state.items()}
    good = np.flatnonzero(np.isfinite([*at.values()]).all(axis=0))
    for start in range(0, len(good), TOGETHER):
        points = good[start : start + TOGETHER]
        values = {name: np.asarray(column, float)[points] for name, column in circuit.table.items()}
        linear = Linearised(parsed, values)
        whole, rate, _ = linear.stacked({name: at[name][points] for name in linear.needed})
        for point, conductance, capacitance in zip(points, whole[:, :, :-1], rate[:, :, :-1], strict=True):
            poles = natural_frequencies(conductance, capacitance)
            poles = poles[np.abs(poles) < FASTEST]
            kept = poles[np.argsort(-poles.real)][:KEPT]
            rightmost[point, : len(kept)] = kept
            swing = poles[poles.imag > SWINGS * np.abs(poles)]
            if swing.size:
                ringing[point] = swing[np.argmin(damped(swing))]
    return rightmost, ringing


def damped(pole: Array) -> Array:
    """Return the damping of natural frequencies [1/s]: 1 doesn't swing, 0 swings for ever, below 0 grows."""
    with np.errstate(invalid="ignore"):
        return np.asarray(-pole.real / np.abs(pole))


def growing(poles: Array) -> Array:
    """Return which natural frequencies [1/s] grow, as a mask."""
    with np.errstate(invalid="ignore"):
        return np.asarray(poles.real > np.maximum(GROWTH * np.abs(poles), LEAST))
