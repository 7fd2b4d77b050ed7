"""Natural frequencies of every point of a table: does the circuit stay at rest when it is left alone?"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from simwrap.engine import allow_list
from simwrap.engine.linearised import Linearised, needed
from simwrap.engine.protocol import Array, Circuit, OpRun

#: How many natural frequencies of a point are kept: those with the largest real parts.
KEPT = 8
#: A real part counts as growth above this share of the natural frequency, and above this [1/s]: rounding isn't growth.
GROWTH, LEAST = 1e-6, 1e-3


def operating_run(circuit: Circuit) -> OpRun:
    """Return the operating point that :func:`rightmost` needs of a circuit."""
    return OpRun(needed(circuit.text))


def rightmost(circuit: Circuit, state: Mapping[str, Array]) -> Array:
    """Return the natural frequencies with the largest real parts [1/s], that first.

    Parameters
    ----------
    circuit : Circuit
    state : mapping of str to ndarray, shape (points,)
        The reply to :func:`operating_run`.

    Returns
    -------
    ndarray of complex, shape (points, KEPT)
        NaN where a point has no operating point, or fewer natural frequencies.
    """
    parsed = allow_list.check(circuit.text)
    found = np.full((circuit.points, KEPT), np.nan, dtype=complex)
    for point in range(circuit.points):
        at = {name: float(np.asarray(values)[point]) for name, values in state.items()}
        if not np.isfinite(list(at.values())).all():
            continue
        values = {name: float(column[point]) for name, column in circuit.table.items()}
        poles = Linearised(parsed, values).matrices(at).poles()
        poles = poles[np.argsort(-poles.real)][:KEPT]
        found[point, : len(poles)] = poles
    return found


def growing(poles: Array) -> Array:
    """Return which natural frequencies [1/s] grow, as a mask."""
    with np.errstate(invalid="ignore"):
        return np.asarray(poles.real > np.maximum(GROWTH * np.abs(poles), LEAST))
