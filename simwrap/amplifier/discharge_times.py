"""How long what is charged stays dangerous after switching off, and which bleeders shorten that."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.amplifier.supply_match import fed
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.circuits.render import render
from simwrap.measures.numerics.discharge import time_above
from simwrap.measures.numerics.parts import WATTAGES, WIRE, Part, bought, cold_nodes, netlist_parts, next_of
from simwrap.units import eseries

Floats = NDArray[np.float64]

#: Voltage below which a capacitor counts as discharged [V d.c.] (common practice, no source).
DISCHARGED = 60.0
#: A bleeder is chosen from this series, so that it is fast enough, and loaded to half its wattage at most.
SERIES, LOADED = "E12", 0.5
#: From this capacitance to ground on a capacitor is a reservoir, across which a bleeder belongs [F].
RESERVOIR = 1e-6
#: A time that only the netlist's own huge resistances bound is for ever [s].
_FOR_EVER = 1e7
#: Part of a voltage with which a place follows one capacitor's.
_FOLLOWS = 0.99


@dataclass(frozen=True)
class Charged:
    """A capacitor that is above 60 V at switching off.

    Attributes
    ----------
    path : str
        "screens.decoupling", or "supply.reservoir".
    capacitance : float
        [F].
    start : float
        Highest voltage at switching off [V].
    time : float
        How long it stays above 60 V with the bleeders that are fitted, its valves drawing nothing [s]; infinite where
        nothing discharges it, NaN where that isn't known.
    bleeder, bleeder_wattage : float
        The resistor across it that brings it below 60 V in the stated time by itself [ohm], and its least rating [W];
        NaN where one would change the circuit: across a coupling capacitor, or a small one.
    """

    path: str
    capacitance: float
    start: float
    time: float
    bleeder: float
    bleeder_wattage: float

    @property
    def energy(self) -> float:
        """What it holds [J]."""
        return 0.5 * self.capacitance * self.start**2


def charged(design: Design, circuit: Circuit, supply: Any, *, within: float) -> list[Charged]:
    """Return the capacitors that are above 60 V at switching off, the ones that stay there longest first.

    Parameters
    ----------
    design : Design
    circuit : Circuit
        One channel at the voltage before the valves warm up, which is the highest.
    supply : Measurement or None
        Of the design's supply.
    within : float
        Time in which a bleeder is to discharge each capacitor [s].

    Notes
    -----
    All capacitors start from the highest voltage that any of them may hold, and the valves draw nothing: cold, out of
    their sockets, or without emission. That is the worst case. Leakage isn't counted on.
    """
    parts = _network(design, circuit)
    cold = cold_nodes(netlist_parts(render(circuit).circuit))
    levels = {node: float(np.max(np.abs(level))) for node, level in cold.items()}
    highest = max(levels.values(), default=0.0)
    if supply is not None:
        highest = max(highest, float(supply.supply.discharge_from))
    big = {name: part for name, part in parts.items() if part.kind == "c" and "0" in part.nodes}
    solved = _times(parts, big, highest)
    found = []
    for name, part in parts.items():
        if part.kind != "c":
            continue
        start = max(levels.get(node, highest) for node in part.nodes)
        start = highest if name.startswith("c_supply__") else start
        if start <= DISCHARGED:
            continue
        ends = [node for node in part.nodes if node != "0" and levels.get(node, highest) > DISCHARGED]
        time = max(solved.get(node, np.nan) for node in ends)
        farads = float(part.value[0]) / (1 if name.startswith("c_supply__") else design.channels)
        # A resistor across a coupling capacitor, or a small one at a screen, would change the circuit.
        fits = name in big and farads >= RESERVOIR
        own = bleeder(farads, start, within) if fits else (np.nan, np.nan)
        found.append(Charged(name[2:].replace("__", "."), farads, start, time, *own))
    return sorted(found, key=lambda each: (-each.energy, each.path))


def bleeder(capacitance: float, start: float, within: float) -> tuple[float, float]:
    """Return the resistor that discharges a capacitor to 60 V in a time, and the wattage that it needs.

    Closed form: t = R C ln(V / 60 V); the next lower value of E12. Where every capacitor has its own, all fall with one
    time constant, and none charges another.
    """
    most = within / (capacitance * np.log(start / DISCHARGED))
    near = eseries.nearest(most, SERIES)
    ohms = near if near <= most else eseries.step(near, SERIES, -1)
    return ohms, float(next_of(WATTAGES, np.array([start**2 / ohms / LOADED]))[0])


def _network(design: Design, circuit: Circuit) -> dict[str, Part]:
    """Return resistors and capacitors of all channels, side by side, and of the supply."""
    rail = {circuit.placed_ports[port].node for port, _ in fed(design)} if design.supply is not None else set()
    found: dict[str, Part] = {}
    for name, part in _passive(circuit).items():
        nodes = tuple("n_supply__out" if node in rail else node for node in part.nodes)
        share = design.channels if part.kind == "c" else 1.0 / design.channels
        found[name] = Part(part.kind, (nodes[0], nodes[1]), part.value * share)
    if design.supply is not None:
        for name, part in _passive(design.supply.circuit).items():
            nodes = tuple(node if node == "0" else f"n_supply__{node[2:]}" for node in part.nodes)
            found[f"{name[:2]}supply__{name[2:]}"] = Part(part.kind, (nodes[0], nodes[1]), part.value)
    return found


def _passive(circuit: Circuit) -> dict[str, Part]:
    """Return what lies between capacitors while the valves are off: resistors, and coils and windings as wires."""
    parts = netlist_parts(render(circuit).circuit)
    real = {f"c_{path.replace('.', '__')}" for path in bought(parts, "c", circuit.valves)}
    sources = set(circuit.supplies.values())
    found = {}
    for name, part in parts.items():
        if part.kind == "c":
            if name in real:
                found[name] = part
        elif part.kind == "r":
            if "leakage" not in name:
                found[name] = part
        elif name not in sources and not (part.kind == "v" and part.value.any()):
            found[name] = Part("r", part.nodes, np.array([WIRE]))
    return found


def _times(parts: Mapping[str, Part], big: Mapping[str, Part], start: float) -> dict[str, float]:
    """Return how long each node stays above 60 V [s], capacitors to ground holding it up."""
    nodes = sorted({node for part in parts.values() for node in part.nodes} - {"0"})
    place = {node: number for number, node in enumerate(nodes)}
    matrix = np.zeros((len(nodes), len(nodes)))
    held = np.zeros(len(nodes))
    for part in parts.values():
        value = float(part.value[0])
        ends = [place[node] for node in part.nodes if node != "0"]
        if part.kind == "r":
            for one in ends:
                matrix[one, one] += 1.0 / max(value, WIRE)
            if len(ends) == 2:
                matrix[ends[0], ends[1]] -= 1.0 / max(value, WIRE)
                matrix[ends[1], ends[0]] -= 1.0 / max(value, WIRE)
    for part in big.values():
        held[next(place[node] for node in part.nodes if node != "0")] += float(part.value[0])
    kept, others = np.flatnonzero(held > 0.0), np.flatnonzero(held == 0.0)
    if not len(kept):
        return {}
    matrix[others, others] += 1e-15  # a node that nothing leads to
    inner = np.linalg.solve(matrix[np.ix_(others, others)], matrix[np.ix_(others, kept)])
    reduced = matrix[np.ix_(kept, kept)] - matrix[np.ix_(kept, others)] @ inner
    times = time_above(held[kept][None], reduced[None], np.array([start]), DISCHARGED)[0]
    times = np.where(times > _FOR_EVER, np.inf, times)
    found = {nodes[number]: float(time) for number, time in zip(kept, times, strict=True)}
    for number, weights in zip(others, -inner, strict=True):
        strongest = int(np.argmax(weights))
        if weights[strongest] > _FOLLOWS:
            found[nodes[number]] = float(times[strongest])
        elif weights.sum() * start < DISCHARGED:
            found[nodes[number]] = 0.0
    return found


def longest(found: Iterable[Charged]) -> float:
    """Return the longest time [s]."""
    return max((each.time for each in found if np.isfinite(each.time)), default=0.0)


__all__ = ["DISCHARGED", "Charged", "bleeder", "charged", "longest"]
