"""Connections of a test bed as parts of their own, so that a wire that isn't there is a value too.

What a stage has at a node that it is joined at gets a node of its own, a wire away; so has what it has at ground.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from simwrap.faults.bed import RAIL, TestBed
from simwrap.netlist.element import Element, Role, named

#: Resistance of a wire [ohm].
WIRE = 1e-3


@dataclass(frozen=True)
class Jointed:
    """A test bed with its connections.

    Attributes
    ----------
    bed : TestBed
    pins : mapping of str to mapping of str to str
        Nodes of each valve's electrodes.
    wires : mapping of str to str
        Element by the connection's name: "early.output -> driver.supply", "driver.ground".
    """

    bed: TestBed
    pins: Mapping[str, Mapping[str, str]]
    wires: Mapping[str, str]


def jointed(bed: TestBed) -> Jointed:
    """Return a test bed with a wire wherever a stage is joined to another one or to ground."""
    elements = dict(bed.elements)
    pins = {name: dict(use.nodes) for name, use in bed.circuit.valves.items()}
    wires: dict[str, str] = {}
    for words, stage, node in [*_joins(bed), *_grounds(bed)]:
        apart = f"n_joint_{stage}_{node[2:]}" if node != "0" else f"n_joint_{stage}_ground"
        moved = [e.name for e in elements.values() if e.stage == stage and not e.bench and node in e.nodes
                 and (node != "0" or (e.kind in "rc" and not e.valve and e.role is Role.PART))]  # fmt: skip
        left = any(node in e.nodes and e.name not in moved and (e.stage != stage or e.bench) for e in elements.values())
        if not moved or not left or (node == "0" and len(moved) < 2):
            continue
        for name in moved:
            if node == "0":
                elements[name] = replace(elements[name], nodes=tuple(apart if n == "0" else n
                                                                     for n in elements[name].nodes))  # fmt: skip
            else:
                elements[name] = _renamed(elements[name], node, apart)
        if node != "0":
            for valve, use in bed.circuit.valves.items():
                if use.stage == stage:
                    pins[valve] = {role: apart if own == node else own for role, own in pins[valve].items()}
        wire = Element(f"r_joint_{len(wires)}", (node, apart), WIRE, role=Role.WIRE)
        elements |= named([wire])
        wires[words] = wire.name
    for element in bed.elements.values():
        if element.kind == "v" and element.role is Role.SENSE and element.side == "" and "half" in element.name:
            apart, before = f"n_joint_{element.name[2:]}", elements[element.name].nodes[0]
            elements[element.name] = replace(elements[element.name],
                                             nodes=(apart, elements[element.name].nodes[1]))  # fmt: skip
            wire = Element(f"r_joint_{len(wires)}", (before, apart), WIRE, role=Role.WIRE)
            elements |= named([wire])
            wires[f"{element.stage}.transformer: {element.path.rpartition('.')[2]}"] = wire.name
    # Leaks of the bed's own hang on the nodes of the parts that they are across.
    for path, leak in bed.leaks.items():
        elements[leak] = replace(elements[leak], nodes=elements[bed.capacitors[path]].nodes)
    nominal = {**bed.nominal, **dict.fromkeys(wires.values(), WIRE)}
    made = replace(bed, elements=MappingProxyType(elements), nominal=MappingProxyType(nominal))
    return Jointed(made, MappingProxyType(pins), MappingProxyType(wires))


def _renamed(element: Element, node: str, apart: str) -> Element:
    return element.renamed(lambda name: apart if name == node else name)


def _joins(bed: TestBed) -> list[tuple[str, str, str]]:
    """Return name, stage and node of every join, of its end that takes."""
    ports = bed.circuit.placed_ports
    found = []
    for join in bed.circuit.joins:
        place = ports.get(join.end)
        if place is not None and place.stage:
            found.append((str(join), place.stage, place.node))
    for name in bed.circuit.supplies:
        place = ports[name]
        if place.stage and any(RAIL in e.nodes for e in bed.elements.values()):
            found.append((f"{name} connection", place.stage, place.node))
    return found


def _grounds(bed: TestBed) -> list[tuple[str, str, str]]:
    return [(f"{stage}.ground", stage, "0") for stage in bed.circuit.stages]


__all__ = ["WIRE", "Jointed", "jointed"]
