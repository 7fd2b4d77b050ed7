"""Whether an operating point is one: the currents at a node add up to nothing (Kirchhoff), voltages are as stated.

An engine's own word isn't enough: a grid that hardly any current holds once made one say that it had converged where
0.6 mA were missing at another node; a valve on a constant current once had a current that its law didn't say.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from simwrap.engine.protocol import Array
from simwrap.netlist.allow_list import Parsed
from simwrap.netlist.element import Element
from simwrap.netlist.expressions import evaluate

#: What may be missing at a node: this share of all that flows there, or this current [A] (rounding over milliohms).
SHARE, LEAST = 1e-3, 1e-7
#: By so much a voltage may differ from what its own expression says: a share of it (what is steep, as a diode is,
#: moves by 1 % within what engines settle to), or [V] (some stand for mA, and are as small).
VOLTS_SHARE, LEAST_VOLTS = 1e-2, 1e-4
#: Parts whose current follows from node voltages; a node with any other one isn't looked at.
_KNOWN = frozenset("rcig")


def missing(parsed: Parsed, values: Mapping[str, Array], state: Mapping[str, Array]) -> list[str]:
    """Return for each point the node at which currents don't add up worst, or whose voltage isn't as stated; or "".

    Parameters
    ----------
    parsed : Parsed
        A checked netlist.
    values : mapping of str to ndarray, shape (points,)
        Element values that replace those in the text.
    state : mapping of str to ndarray, shape (points,)
        Node voltages of operating points [V]; NaN where there is none.
    """
    points = len(next(iter(state.values())))
    at = {"0": np.zeros(points), **state}
    known, unknown = [], {"0"}
    for device in parsed.devices.values():
        if _computable(device, at):
            known.append(device)
        elif device.kind != "k":
            unknown |= {*device.nodes[:2]}
    total, size = ({node: np.zeros(points) for node in parsed.nodes if node not in unknown} for _ in range(2))
    for device in known:
        ends = device.nodes[:2]
        if device.kind == "c" or not any(node in total for node in ends):
            continue
        current = _current(device, values, at)
        for node, sign in zip(ends, (1.0, -1.0), strict=True):
            if node in total:
                total[node] += sign * current
                size[node] += np.abs(current)
    said, worst = [""] * points, np.zeros(points)
    for device in parsed.devices.values():
        if device.kind == "b" and not device.current and all(node in at for node in (*device.nodes[:2], *device.reads)):
            one, other = (at[node] for node in device.nodes[:2])
            meant = np.asarray(evaluate(device.program, at)[0])
            off = np.abs(one - other - meant) / np.maximum(VOLTS_SHARE * np.abs(meant), LEAST_VOLTS)
            for point in np.flatnonzero((off > 1.0) & (off > worst)).tolist():
                said[point], worst[point] = device.nodes[0], off[point]
    for node, left in total.items():
        off = np.abs(left) / np.maximum(SHARE * size[node], LEAST)
        for point in np.flatnonzero((off > 1.0) & (off > worst)).tolist():
            said[point], worst[point] = node, off[point]
    return said


def _computable(device: Element, at: Mapping[str, Array]) -> bool:
    if device.kind == "b":
        return device.current and all(read in at for read in device.reads)
    return device.kind in _KNOWN


def _current(device: Element, values: Mapping[str, Array], at: Mapping[str, Array]) -> Array:
    """Return what flows through a device from its first node to its second [A]."""
    if device.kind == "b":
        return np.asarray(evaluate(device.program, at)[0])
    value = np.asarray(values.get(device.name, device.value), float)
    if device.kind == "i":
        return value
    one, other = (at[node] for node in (device.nodes[2:] if device.kind == "g" else device.nodes))
    return np.asarray((one - other) / value if device.kind == "r" else (one - other) * value)
