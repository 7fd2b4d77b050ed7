"""How long a network of capacitors and resistors takes to discharge: a closed form over its modes."""

from __future__ import annotations

import numpy as np

from simwrap.measures.common import Array, Floats

#: Halvings of the bracket in time: to 1e-12 of it.
_HALVINGS = 40
#: Modes faster than this share of the slowest are gone at once.
_FASTEST = 1e-12


def ladder(series: Floats, shunt: Floats) -> Floats:
    """Return the conductance matrix of a ladder, shape (points, nodes, nodes).

    Parameters
    ----------
    series : ndarray, shape (points, nodes - 1)
        Conductances between neighbouring nodes [S].
    shunt : ndarray, shape (points, nodes)
        Conductances from each node to ground [S].
    """
    points, nodes = shunt.shape
    matrix = np.zeros((points, nodes, nodes))
    every = np.arange(nodes)
    matrix[:, every, every] = shunt
    for node in range(nodes - 1):
        link = series[:, node]
        matrix[:, node, node] += link
        matrix[:, node + 1, node + 1] += link
        matrix[:, node, node + 1] -= link
        matrix[:, node + 1, node] -= link
    return matrix


def time_above(capacitances: Floats, conductances: Floats, start: Floats, level: float) -> Array:
    """Return how long each capacitor stays above a level, all of them having started from one voltage.

    With x = sqrt(C) v and the network's resistance matrix R, dx/dt = -M^-1 x, where M = sqrt(C) R sqrt(C) is
    symmetric; its eigenvalues are the time constants. From equal voltages every capacitor falls all the time.

    Parameters
    ----------
    capacitances : ndarray, shape (points, nodes)
        From each node to ground [F]; 0 where none is.
    conductances : ndarray, shape (points, nodes, nodes)
        Of the resistors [S]; see :func:`ladder`.
    start : ndarray, shape (points,)
        Voltage of every capacitor at first [V].
    level : float
        [V].

    Returns
    -------
    ndarray, shape (points, nodes)
        [s]; 0 where the start is below the level, inf where nothing discharges it, NaN without a capacitor.
    """
    there = capacitances > 0.0
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        drained = np.linalg.cond(conductances) < 1e15
    nodes = conductances.shape[-1]
    resistances = np.linalg.inv(np.where(drained[:, None, None], conductances, np.eye(nodes)))
    root = np.sqrt(capacitances)
    constants, modes = np.linalg.eigh(root[:, :, None] * resistances * root[:, None, :])
    slow = constants > _FASTEST * constants.max(axis=-1, keepdims=True)
    constants = np.where(slow, constants, np.inf)
    share = np.einsum("pnm,pn->pm", modes, root) * start[:, None]
    weights = np.einsum("pij,pj,pjm,pm->pim", resistances, root, modes, np.where(slow, share / constants, 0.0))
    longest = np.where(slow, constants, 0.0).max(axis=-1)
    early = np.zeros(capacitances.shape)
    late = early + (longest * (np.log(np.maximum(start / level, 1.0)) + 5.0))[:, None]
    for _ in range(_HALVINGS):
        middle = (early + late) / 2.0
        volts = (weights * np.exp(-middle[..., None] / constants[:, None, :])).sum(axis=-1)
        early, late = np.where(volts > level, middle, early), np.where(volts > level, late, middle)
    time = np.where((start > level)[:, None], late, 0.0)
    time = np.where(drained[:, None] | (start <= level)[:, None], time, np.inf)
    return np.where(there, time, np.nan)
