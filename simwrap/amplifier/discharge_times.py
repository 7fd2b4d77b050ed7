"""How long what is charged stays dangerous after switching off, and which bleeders shorten that."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.amplifier.supply_match import fed
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import Design
from simwrap.circuits.render import render
from simwrap.engine import DEFAULT, Run
from simwrap.errors import EngineError
from simwrap.forking import cached_property
from simwrap.measures.numerics.discharge import Branch, highest_after, time_above
from simwrap.measures.numerics.parts import WATTAGES, bought, cold_nodes, netlist_parts, next_of
from simwrap.measures.supply import ACROSS, SNUBBER
from simwrap.netlist.element import Element, Role
from simwrap.simulation.simulate import all_at_rest
from simwrap.units import eseries

Floats = NDArray[np.float64]

#: Voltage below which a capacitor counts as discharged [V d.c.] (common practice, no source).
DISCHARGED = 60.0
#: A bleeder is chosen from this series, so that it is fast enough, and loaded to half its wattage at most.
SERIES, LOADED = "E12", 0.5
#: From this capacitance to ground on a capacitor is a reservoir, across which a bleeder belongs [F].
RESERVOIR = 1e-6


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


@dataclass(frozen=True)
class Discharge:
    """All that may be charged at switching off, and what drains it.

    At first each capacitor holds whatever, between nothing and its highest voltage before the valves warm up and while
    they conduct, keeps the one that is looked at up longest. Then the valves draw nothing: cold, out of their
    sockets, or without emission. Leakage isn't counted on.

    Attributes
    ----------
    parts : dict of str to Element
        Resistors and capacitors of all channels, side by side, and of the supply.
    of_supply : collection of str
        Which of them are the supply's.
    low, high : dict of str to float
        Bounds of what each capacitor holds at first [V].
    channels : int
    """

    parts: dict[str, Element]
    of_supply: Collection[str]
    low: dict[str, float]
    high: dict[str, float]
    channels: int

    @classmethod
    def of(cls, design: Design, circuit: Circuit, supply: Any, *, run: Run = DEFAULT) -> Discharge:
        """Return that of a design.

        Parameters
        ----------
        design : Design
        circuit : Circuit
            One channel at the highest voltage of its supply: mains at their upper limit, without load.
        supply : Measurement or None
            Of the design's supply.
        run : Run
        """
        parts, of_supply = _network(design, circuit)
        return cls(parts, of_supply, *_bounds(circuit, parts, of_supply, supply, run), design.channels)

    def after(self, seconds: float) -> dict[str, float]:
        """Return the most that each capacitor may still hold so long after switching off, by its path [V]."""
        held = highest_after(*self._solved, seconds)
        return {self._path(name): float(volts) for name, volts in zip(self._names, held, strict=True)}

    @cached_property
    def times(self) -> dict[str, float]:
        """How long each capacitor stays above 60 V, by its name in :attr:`parts` [s]."""
        times = dict(zip(self._names, map(float, time_above(*self._solved, DISCHARGED)), strict=True))
        # Whatever its charge, a rectifier conducts before more than its reservoir's voltage lies across it.
        longest = max((time for name, time in times.items() if name in self.of_supply), default=np.nan)
        return times | {name: longest for name, part in self.parts.items()
                        if part.kind == "c" and _across_rectifier(part)}  # fmt: skip

    def rows(self, within: float) -> list[Charged]:
        """Return the capacitors that are above 60 V at switching off, the ones that stay there longest first.

        Parameters
        ----------
        within : float
            Time in which a bleeder is to discharge each capacitor [s].
        """
        found = []
        for name, time in self.times.items():
            part, start = self.parts[name], max(-self.low[name], self.high[name])
            if start <= DISCHARGED:
                continue
            farads = float(part.value[0]) / (1 if name in self.of_supply else self.channels)
            # A resistor across a coupling capacitor, or a small one at a screen, would change the circuit.
            fits = not _across_rectifier(part) and "0" in part.nodes and farads >= RESERVOIR
            own = bleeder(farads, start, within) if fits else (np.nan, np.nan)
            found.append(Charged(self._path(name), farads, start, time, *own))
        return sorted(found, key=lambda each: (-each.time, -each.energy, each.path))

    def _path(self, name: str) -> str:
        path = self.parts[name].path
        return f"supply.{path}" if name in self.of_supply else path

    @property
    def _names(self) -> list[str]:
        return [name for name, part in self.parts.items() if part.kind == "c" and not _across_rectifier(part)]

    @property
    def _solved(self) -> tuple[list[Branch], list[Branch], Floats, Floats]:
        drains = [_branch(part) for part in self.parts.values() if part.kind == "r"]
        low, high = (np.array([each[name] for name in self._names]) for each in (self.low, self.high))
        return [_branch(self.parts[name]) for name in self._names], drains, low, high


def charged(design: Design, circuit: Circuit, supply: Any, *, within: float, run: Run = DEFAULT) -> list[Charged]:
    """Return the rows of :class:`Discharge` for what :meth:`Discharge.of` takes."""
    return Discharge.of(design, circuit, supply, run=run).rows(within)


def _branch(part: Element) -> Branch:
    return Branch(part.nodes[0], part.nodes[1], float(part.value[0]))


def _across_rectifier(part: Element) -> bool:
    return part.parameter in (ACROSS, SNUBBER)


def _bounds(
    circuit: Circuit, parts: Mapping[str, Element], of_supply: Collection[str], supply: Any, run: Run
) -> tuple[dict[str, float], dict[str, float]]:
    """Return the lowest and the highest voltage that each capacitor may hold at switching off [V], 0 between them.

    Without an operating point any capacitor may hold what the highest does.
    """
    cold = {
        node: float(np.ravel(level)[0]) for node, level in cold_nodes(netlist_parts(render(circuit).elements)).items()
    }
    highest = max(map(abs, cold.values()), default=0.0)
    inverse = highest
    if supply is not None:
        highest = max(highest, float(supply.supply.discharge_from))
        conditions = supply.results["supply"].conditions
        inverse = float(supply.supply.inverse_voltage_peak) * conditions["mains_upper"][0] / conditions["mains"][0]
    try:
        named = {path: node for path, node in circuit.node_paths.items() if node in cold}
        warm = dict(zip(named.values(), all_at_rest(circuit, list(named), run=run), strict=True))
    except EngineError:
        warm = None
    low, high = {}, {}
    for name, part in parts.items():
        if part.kind != "c":
            continue
        if name in of_supply:
            low[name], high[name] = 0.0, inverse if _across_rectifier(part) else highest
            continue
        across = [_between(cold, part)]
        if warm is not None:
            across.append(_between(cold | warm, part))
        low[name], high[name] = min(0.0, *across), max(0.0, *across)
        if warm is None:
            low[name], high[name] = (0.0 if "0" in part.nodes else -highest), highest
    return low, high


def _between(levels: Mapping[str, float], part: Element) -> float:
    one, other = (levels.get(node, 0.0) for node in part.nodes)
    return one - other


def bleeder(capacitance: float, start: float, within: float) -> tuple[float, float]:
    """Return the resistor that discharges a capacitor to 60 V in a time, and the wattage that it needs.

    Closed form: t = R C ln(V / 60 V); the next lower value of E12. Where every capacitor has its own, all fall with one
    time constant, and none charges another.
    """
    most = within / (capacitance * np.log(start / DISCHARGED))
    near = eseries.nearest(most, SERIES)
    ohms = near if near <= most else eseries.step(near, SERIES, -1)
    return ohms, float(next_of(WATTAGES, np.array([start**2 / ohms / LOADED]))[0])


def _network(design: Design, circuit: Circuit) -> tuple[dict[str, Element], set[str]]:
    """Return resistors and capacitors of all channels, side by side, and of the supply; and which are the supply's."""
    rail = {circuit.placed_ports[port].node for port, _ in fed(design)} if design.supply is not None else set()
    found: dict[str, Element] = {}
    for name, part in _passive(circuit).items():
        nodes = tuple("n_supply__out" if node in rail else node for node in part.nodes)
        share = design.channels if part.kind == "c" else 1.0 / design.channels
        found[name] = replace(part, nodes=nodes, value=part.value * share)
    channels = set(found)
    if design.supply is not None:
        for name, part in _passive(design.supply.circuit).items():
            nodes = tuple(node if node == "0" else f"n_supply__{node[2:]}" for node in part.nodes)
            found[f"{name[:2]}supply__{name[2:]}"] = replace(part, nodes=nodes)
    return found, set(found) - channels


def _passive(circuit: Circuit) -> dict[str, Element]:
    """Return what lies between capacitors while the valves are off: resistors, and coils and windings as wires.

    A stated supply leads nowhere, but for a grid bias: whatever makes that has a potentiometer to ground.
    """
    parts = netlist_parts(render(circuit).elements)
    real = {part.name for part in bought(parts, "c").values()}
    sources = set(circuit.supplies.values())
    found = {}
    for name, part in parts.items():
        bias = name in sources and float(part.value[0]) < 0.0
        if part.kind == "c":
            if name in real or _across_rectifier(part):
                found[name] = part
        elif part.kind == "r":
            if part.role is not Role.STRAY:
                found[name] = part
        elif bias or (name not in sources and not (part.kind == "v" and part.value.any())):
            found[name] = Element(f"r_{name[2:]}", part.nodes, np.zeros(1))
    return found


__all__ = ["DISCHARGED", "Charged", "Discharge", "bleeder", "charged"]
