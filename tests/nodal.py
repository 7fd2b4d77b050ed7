"""Nodal analysis of small linear networks in numpy: the oracle of the linear stages.

It knows nothing of simwrap: a test writes its network down by hand, as an admittance matrix is
set up on paper.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray


class Network:
    """Resistors, capacitors, inductors, transconductances; ground is the node "0"."""

    def __init__(self) -> None:
        self.nodes: dict[str, int] = {}
        self.stamps: list[tuple[str, str, str, str, str, float]] = []

    def add(self, kind: str, one: str, other: str, value: float) -> Network:
        """Add a "resistor" [ohm], "capacitor" [F] or "inductor" [H] between two nodes."""
        self.stamps.append((kind, one, other, one, other, value))
        return self

    def transconductance(self, out: str, out_return: str, plus: str, minus: str, siemens: float) -> Network:
        """Add a current ``siemens`` * (v(plus) - v(minus)) that flows from ``out`` to ``out_return``."""
        self.stamps.append(("transconductance", out, out_return, plus, minus, siemens))
        return self

    def _index(self, node: str) -> int:
        return -1 if node == "0" else self.nodes.setdefault(node, len(self.nodes))

    def matrix(self, frequencies: Sequence[float]) -> NDArray[np.complex128]:
        """Return the admittance matrices, shape (frequencies, nodes, nodes)."""
        omega = 2.0 * np.pi * np.asarray(frequencies, dtype=float)
        places = [tuple(self._index(node) for node in stamp[1:5]) for stamp in self.stamps]
        found = np.zeros((len(omega), len(self.nodes), len(self.nodes)), dtype=complex)
        for stamp, (one, other, plus, minus) in zip(self.stamps, places, strict=True):
            kind, value = stamp[0], stamp[5]
            admittance = {
                "resistor": lambda v: np.full(len(omega), 1.0 / v, dtype=complex),
                "capacitor": lambda v: 1j * omega * v,
                "inductor": lambda v: 1.0 / (1j * omega * v),
                "transconductance": lambda v: np.full(len(omega), v, dtype=complex),
            }[kind](value)
            for row, sign in ((one, 1.0), (other, -1.0)):
                for column, other_sign in ((plus, 1.0), (minus, -1.0)):
                    if row >= 0 and column >= 0:
                        found[:, row, column] += sign * other_sign * admittance
        return found

    def gain(self, frequencies: Sequence[float], *, output: str, source: str = "signal") -> NDArray[np.complex128]:
        """Return v(output) with 1 V from ground to ``source``, shape (frequencies,)."""
        whole = self.matrix(frequencies)
        given, wanted = self.nodes[source], self.nodes[output]
        free = [index for index in range(len(self.nodes)) if index != given]
        right = -whole[:, free, given]
        solved = np.linalg.solve(whole[:, free][:, :, free], right[..., None])[..., 0]
        return solved[:, free.index(wanted)]


def decibels(gain: NDArray[np.complex128]) -> NDArray[np.float64]:
    """Return 20*log10 of the magnitude."""
    return 20.0 * np.log10(np.abs(gain))
