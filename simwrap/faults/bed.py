"""Faults of single parts, as element values of one netlist.

A :class:`TestBed` is a rendered circuit in which every part can be made faulty by values alone: leaks and shorts are
resistors of a teraohm until a fault needs them, ionised gas is a current that is zero until then. So all faults, each
with as many drawn builds as are wanted, are one table and one run of the engine.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.circuit import Circuit, in_netlist
from simwrap.circuits.render import render
from simwrap.design.tolerance import Factor, draw, read_tolerance
from simwrap.engine import protocol
from simwrap.forking import cached_property
from simwrap.measures.numerics.parts import bought, netlist_parts
from simwrap.netlist.element import Element, Role, named
from simwrap.netlist.text import text_of

Floats = NDArray[np.float64]

#: Resistances that stand for a broken and for a shorted part [ohm], and for a leak that isn't there.
OPEN, SHORT, NO_LEAK = 1e11, 1.0, 1e13
#: A capacitance that stands for a broken one [F], and how a leaky one leaks: so much for each farad of it, but never
#: more than this [ohm]. An electrolytic of 47 uF that draws some mA, a film capacitor of a megohm (common practice).
BROKEN, LEAKY_OHM_FARAD, LEAKY_MOST = 1e-15, 1.0, 2e6
#: A weak valve's emission, one that has next to none, and the grid current of a gassy one as a share of the anode's
#: (common practice, no source; handbooks call a microampere of grid current a sign of gas).
WEAK, DEAD, GAS = 0.5, 1e-4, 3e-4
#: Node and devices of a supply that several ports hang on.
RAIL, RAIL_SOURCE, RAIL_RESISTOR = "n_fault_rail", "v_fault_rail", "r_fault_rail"

_SHORTS = {("grid", "cathode"): "grid touches cathode", ("heater", "cathode"): "cathode touches the heater",
           ("screen", "grid"): "screen touches grid", ("anode", "cathode"): "anode arcs to cathode"}  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """One part that isn't as the diagram has it.

    Attributes
    ----------
    part, kind : str
        Such as "driver.anode_resistor" and "open".
    values : mapping of str to float
        Elements that get a value of their own.
    factors : mapping of str to float
        Elements that are multiplied.
    """

    part: str
    kind: str
    values: Mapping[str, float] = field(default_factory=dict)
    factors: Mapping[str, float] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """Such as "driver.anode_resistor open"."""
        return f"{self.part} {self.kind}"


HEALTHY = Fault("every part", "as it should be")


@dataclass(frozen=True, kw_only=True)
class Rail:
    """A supply that several ports hang on.

    Attributes
    ----------
    devices : tuple of str
        The bench's sources at those ports, which the rail takes the place of.
    voltage, resistance : float
        Without load [V], and its slope [ohm].
    capacitance : float
        Across it [F]; 0: none.
    """

    devices: tuple[str, ...]
    voltage: float
    resistance: float = 0.1
    capacitance: float = 0.0


@dataclass(frozen=True, kw_only=True)
class Varied:
    """What varies from build to build, part by part, so that two alike aren't equal.

    Attributes
    ----------
    resistors, capacitors, emission, mu, mains : str or float
        Tolerances as :func:`simwrap.design.tolerance.read_tolerance` reads them.
    distribution : str
        "uniform" or "normal" (3 standard deviations to the tolerance).
    """

    resistors: Any = "5 %"
    capacitors: Any = "20 %"
    emission: Any = "20 %"
    mu: Any = "10 %"
    mains: Any = "10 %"
    distribution: str = "uniform"


@dataclass(frozen=True)
class TestBed:
    """A netlist whose parts can all be made faulty by values.

    Attributes
    ----------
    circuit : Circuit
    elements : mapping of str to Element
        By name.
    resistors, capacitors : mapping of str to str
        Element by the part's path ("driver.anode").
    leaks : mapping of str to str
        By capacitor's path the resistor across it.
    shorts : mapping of (str, str, str) to str
        Resistor between two electrodes of a valve, by valve and electrodes.
    supplies : mapping of str to str
        Source by name.
    nominal : mapping of str to float
        Value of each element that can be changed.
    """

    __test__: ClassVar[bool] = False  # pytest takes what begins with "Test" for tests

    circuit: Circuit
    elements: Mapping[str, Element]
    resistors: Mapping[str, str]
    capacitors: Mapping[str, str]
    leaks: Mapping[str, str]
    shorts: Mapping[tuple[str, str, str], str]
    supplies: Mapping[str, str]
    nominal: Mapping[str, float]

    def dictionary(self) -> list[Fault]:
        """Return every single fault of a part, a valve or a supply; wrong types of valves are not values."""
        found: list[Fault] = []
        for path, element in self.resistors.items():
            part = f"{path} resistor"
            found += [Fault(part, "open", {element: OPEN}), Fault(part, "shorted", {element: SHORT})]
            found += [Fault(part, words, {}, {element: times}) for words, times in (("50 % low", 0.5),
                                                                                     ("50 % high", 1.5))]  # fmt: skip
        for path, element in self.capacitors.items():
            part, leak = f"{path} capacitor", self.leaks[path]
            ohms = min(LEAKY_MOST, LEAKY_OHM_FARAD / self.nominal[element])
            found.append(Fault(part, "open", {element: BROKEN}))
            found += [Fault(part, "shorted", {leak: SHORT}), Fault(part, "leaky", {leak: ohms})]
        for valve in self.circuit.valves:
            found += self._of_valve(valve)
        found += [Fault(f"{name} supply", "missing", {device: 1e-3}) for name, device in self.supplies.items()]
        return found

    def _of_valve(self, valve: str) -> list[Fault]:
        own = {key: element_of(valve, key) for key in ("emission", "gas")}
        found = [Fault(valve, "without emission", {own["emission"]: DEAD}),
                 Fault(valve, "weak", {}, {own["emission"]: WEAK})]  # fmt: skip
        if own["gas"] in self.nominal:
            found.append(Fault(valve, "gassy", {own["gas"]: GAS}))
        return found + [
            Fault(valve, f"shorted: {words}", {self.shorts[valve, *pair]: SHORT})
            for pair, words in _SHORTS.items()
            if (valve, *pair) in self.shorts
        ]

    def factors(self, varied: Varied) -> list[Factor]:
        """Return what varies from build to build, one factor an element (the supplies together)."""
        found = []
        for kind, elements in (("resistors", self.resistors), ("capacitors", self.capacitors)):
            ends = read_tolerance(getattr(varied, kind), kind)
            found += [Factor(element, (element,), *ends) for element in elements.values()]
        for key in ("emission", "mu"):
            ends = read_tolerance(getattr(varied, key), key)
            found += [Factor(name, (name,), *ends) for v in self.circuit.valves if (name := element_of(v, key))]
        if self.supplies:
            ends = read_tolerance(varied.mains, "mains")
            found.append(Factor("mains", tuple(self.supplies.values()), *ends))
        return [factor for factor in found if factor.high > factor.low]

    def draw(self, varied: Varied, builds: int, seed: int = 0) -> dict[str, Floats]:
        """Return the element values of drawn builds, each of shape (builds,)."""
        factors = self.factors(varied)
        if not factors:
            return {}
        positions = draw(factors, builds, seed, varied.distribution)
        return {
            element: self.nominal[element] * (1.0 + factor.change(positions[:, number]))
            for number, factor in enumerate(factors)
            for element in factor.parameters
        }

    def table(self, builds: Mapping[str, Floats], faults: Sequence[Fault]) -> protocol.NetlistTable:
        """Return the circuit of every build with its fault, point by point.

        Parameters
        ----------
        builds : mapping of str to ndarray, shape (points,)
            As :meth:`draw` returns them.
        faults : sequence of Fault
            One a point.
        """
        points = len(faults)
        columns = {name: np.array(column, dtype=float) for name, column in builds.items()}
        for element in {name for fault in faults for name in (*fault.values, *fault.factors)}:
            columns.setdefault(element, np.full(points, self.nominal[element]))
        for number, fault in enumerate(faults):
            for element, factor in fault.factors.items():
                columns[element][number] *= factor
            for element, value in fault.values.items():
                columns[element][number] = value
        return protocol.NetlistTable(self.text, columns, points)

    @cached_property
    def text(self) -> str:
        """What an engine takes."""
        return text_of(self.elements.values())

    def with_elements(self, added: Iterable[Element]) -> TestBed:
        """Return a bed with some elements more, or others in place of those of the same name."""
        elements = {**self.elements, **named(added)}
        return replace(self, elements=MappingProxyType(elements), nominal=MappingProxyType(_nominal(elements)))


def element_of(valve: str, what: str) -> str:
    """Return the source of a test bed that is a valve's "emission", "mu" or "gas"."""
    stage, _, instance = valve.rpartition(".")
    return in_netlist(stage, f"v_{instance}_{what}")


def bed_of(circuit: Circuit, *, rail: Rail | None = None, meters: Iterable[str] = ()) -> TestBed:
    """Make the test bed of a circuit.

    Parameters
    ----------
    circuit : Circuit
    rail : Rail, optional
        Takes the place of the sources that hang on one supply.
    meters : iterable of str
        Nodes at which a voltmeter may stand: ``r_meter_<node>`` of a teraohm.
    """
    spreads = {
        f"{valve}.{key}": 1.0
        for valve in circuit.valves
        for key in ("emission", "mu")
        if f"{valve}.{key}" not in circuit.values
    }
    ready = circuit.with_values(spreads)
    elements = named(render(ready).elements)
    parts = netlist_parts(elements.values())
    supplies = dict(ready.supplies)
    if rail is not None:
        elements |= named(_on_rail(elements, rail))
        supplies = {"main": RAIL_SOURCE} | {n: d for n, d in supplies.items() if d not in rail.devices}
    resistors, capacitors = ({path: part.name for path, part in bought(parts, kind).items()} for kind in "rc")
    leaks = {}
    for path, element in capacitors.items():
        leaks[path] = f"r_fault_{element}"
        elements[leaks[path]] = Element(leaks[path], parts[element].nodes, NO_LEAK)
    shorts: dict[tuple[str, str, str], str] = {}
    for valve in ready.valves:
        elements |= named(_valve_faults(ready, valve, shorts))
    elements |= named(Element(f"r_meter_{node[2:]}", (node, "0"), NO_LEAK) for node in dict.fromkeys(meters))
    nominal = _nominal(elements)
    live = {name: device for name, device in supplies.items() if nominal.get(device)}
    maps = (elements, resistors, capacitors, leaks, shorts, live, nominal)
    return TestBed(ready, *(MappingProxyType(each) for each in maps))


def _nominal(elements: Mapping[str, Element]) -> dict[str, float]:
    """Return the value of each element that can be changed."""
    return {name: float(part.value[0]) for name, part in netlist_parts(elements.values()).items()}


def _on_rail(elements: Mapping[str, Element], rail: Rail) -> Iterator[Element]:
    """Yield what hangs the ports of a supply on one rail."""
    for name in rail.devices:
        yield replace(elements[name], nodes=(elements[name].nodes[0], RAIL), value=0.0, role=Role.WIRE)
    yield Element(RAIL_SOURCE, ("n_fault_source", "0"), rail.voltage, ac=(0.0,), role=Role.SOURCE)
    yield Element(RAIL_RESISTOR, ("n_fault_source", RAIL), rail.resistance)
    if rail.capacitance:
        yield Element("c_fault_rail", (RAIL, "0"), rail.capacitance)


def _valve_faults(circuit: Circuit, valve: str, shorts: dict[tuple[str, str, str], str]) -> Iterator[Element]:
    """Yield the elements that make a valve shorted or gassy, noting the shorts."""
    use = circuit.valves[valve]
    tail = re.sub(r"\W", "__", valve)
    nodes = {**use.nodes, "heater": "0"}
    for one, other in _SHORTS:
        if one in nodes and nodes[one] != nodes[other]:
            shorts[valve, one, other] = f"r_fault_{one}_{other}_{tail}"
            yield Element(shorts[valve, one, other], (nodes[one], nodes[other]), NO_LEAK)
    if "grid" in nodes:
        level = "n" + element_of(valve, "gas")[1:]
        yield Element(element_of(valve, "gas"), (level, "0"))
        flow = f"i=0.001*v({use.currents['anode']})*v({level})"
        yield Element(f"b_gas_{tail}", (nodes["cathode"], nodes["grid"]), expression=flow)


__all__ = ["HEALTHY", "Fault", "Rail", "TestBed", "Varied", "bed_of", "element_of"]
