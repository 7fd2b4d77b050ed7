"""Circuits in which no large signal has a meaning: what oscillates by itself, and where no valve conducts."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.circuit import joined_name
from simwrap.circuits.point_table import PointTable
from simwrap.findings.status import Reason, Status
from simwrap.findings.wording import grows_through, growth
from simwrap.measures.stability import unstable

#: The reason of a point in which nothing can move.
UNFED = Reason("every supply is 0 V, so that no valve conducts", Status.UNFED)


def unfed_points(table: PointTable) -> NDArray[np.bool_]:
    """Return at which points a circuit with valves has supplies, and none of them gives a positive voltage."""
    circuit = table.circuit
    ports = [circuit.placed_ports[name] for name in circuit.supplies]
    names = [joined_name(port.stage, port.port.supply) for port in ports if port.port.supply]
    if not names or not any("grid" in use.nodes for use in circuit.valves.values()):
        return np.zeros(table.points, dtype=bool)
    fed = [np.asarray(table.columns.get(name, circuit.values[name])) > 0 for name in names]
    return np.broadcast_to(~np.any(np.broadcast_arrays(*fed), axis=0), (table.points,))


def unstable_words(growing: NDArray[np.complex128], loops: Sequence[str]) -> Reason:
    """Return the reason that names an unstable circuit: what it does, and the loops that it has."""
    fields = unstable(growing, loops=loops).fields()
    return Reason(f"unstable: it {growth(fields)}; {grows_through(loops)}", Status.UNSTABLE)
