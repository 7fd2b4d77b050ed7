"""Parameter values of many points, and which of them can share one netlist text."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.circuit import Circuit, as_circuit, bench_parameters, joined_name
from simwrap.circuits.stage import Stage
from simwrap.errors import RangeError

_PRESENT = re.compile(r"(\w+) is present")


@dataclass(frozen=True, init=False)
class PointTable:
    """Parameter values of many points of a circuit (or of a stage, which is a circuit of one).

    Attributes
    ----------
    circuit : Circuit
        Gives every value that isn't in ``columns``.
    columns : mapping of str to ndarray, shape (points,)
        Checked values by canonical parameter name.
    points : int
    """

    circuit: Circuit
    columns: Mapping[str, NDArray[Any]]
    points: int

    def __init__(
        self, design: Circuit | Stage, columns: Mapping[str, NDArray[Any]] = MappingProxyType({}), points: int = 1
    ) -> None:
        for name, value in (("circuit", as_circuit(design)), ("columns", columns), ("points", points)):
            object.__setattr__(self, name, value)

    def at(self, index: int) -> Circuit:
        """Return the circuit of one point."""
        if not self.columns:
            return self.circuit
        picked = {name: column[index] for name, column in self.columns.items()}
        plain = {name: str(v) if isinstance(v, str) else float(v) for name, v in picked.items()}
        return self.circuit.with_values(plain)

    def take(self, indices: NDArray[np.intp]) -> PointTable:
        """Return the table of some of its points, in that order."""
        return PointTable(self.circuit, {name: column[indices] for name, column in self.columns.items()}, len(indices))

    def groups(self) -> list[NDArray[np.intp]]:
        """Split points by what surely changes the text: words, and which parts are there."""
        if self.points == 1:
            return [np.zeros(1, dtype=np.intp)]
        asked_for = _asked_for(self.circuit)
        keys = []
        for name, column in self.columns.items():
            if column.dtype.kind == "f":
                if name in asked_for:
                    keys.append((column != 0).astype(np.intp))
            else:
                keys.append(np.unique(column, return_inverse=True)[1].astype(np.intp))
        return grouped(keys, self.points)


def _asked_for(circuit: Circuit) -> set[str]:
    """Return the parameters of which it matters whether they are 0."""
    names = {
        joined_name(stage, name)
        for stage, made in circuit.stages.items()
        for name in _PRESENT.findall(made.template.body)
    }
    for port in circuit.placed_ports.values():
        if not port.joined:
            names |= {joined_name(port.stage, name) for name in bench_parameters(port.port)}
    return names


def grouped(keys: list[NDArray[np.intp]], points: int) -> list[NDArray[np.intp]]:
    """Return the indices of points whose keys are all the same, a group each."""
    if not keys:
        return [np.arange(points)]
    _, labels = np.unique(np.stack(keys), axis=1, return_inverse=True)
    labels = labels.ravel()
    order = np.argsort(labels, kind="stable")
    return np.split(order, np.flatnonzero(np.diff(labels[order])) + 1)


def check_column(circuit: Any, name: str, given: Iterable[Any]) -> tuple[str, NDArray[Any]]:
    """Return the canonical name and checked values of one swept parameter.

    A float array passes as it is (after the range check); text entries are parsed one by one.
    """
    entries = list(given) if not isinstance(given, np.ndarray) else given
    if len(entries) == 0:
        raise RangeError(name, "[]", "at least one value", circuit.name)
    if isinstance(entries, np.ndarray) and entries.dtype.kind == "f":
        # The ends of the range stand for all that lies between them; NaN and infinity would not.
        picked = np.flatnonzero(~np.isfinite(entries))[:1].tolist() or [entries.argmin(), entries.argmax()]
        names = [circuit.check(name, float(entries[index]))[0] for index in picked]
        return names[0], np.array(entries, dtype=float)
    checked = [circuit.check(name, entry) for entry in entries]
    return checked[0][0], np.array([value for _, value in checked])
