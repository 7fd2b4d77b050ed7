"""What stands on the drawing of a stage, read from its netlist: parts with their pins, ports, rails.

Whatever a builder buys is one item: a potentiometer is one, though the netlist has two resistors for it, and a
transformer is one, though the netlist has the model of a core. Wires (a resistor of 10 milliohms, a source of 0 V that
only senses a current) are gone, strays and what helps the model only aren't drawn.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from simwrap.circuits.circuit import Circuit, in_netlist, joined_name
from simwrap.circuits.render import render
from simwrap.circuits.stage import Stage
from simwrap.measures.numerics.discharge import WIRE
from simwrap.measures.numerics.parts import bought, netlist_parts
from simwrap.netlist.element import Element, Role, named
from simwrap.netlist.groups import Groups
from simwrap.units.quantity import render as written

Kind = Literal[
    "resistor", "variable", "potentiometer", "capacitor", "inductor", "valve", "transformer", "voltage", "current",
    "controlled", "diode", "transistor", "box",
]  # fmt: skip

#: Letters of reference designators, IEEE 315 (from memory); a valve is V as the trade has it.
LETTERS: Mapping[Kind, str] = {
    "resistor": "R", "variable": "VR", "potentiometer": "VR", "capacitor": "C", "inductor": "L", "valve": "V",
    "transformer": "T", "voltage": "U", "current": "I", "controlled": "A", "diode": "D", "transistor": "Q",
    "box": "N",
}  # fmt: skip
_UNITS = {"r": "ohm", "c": "F", "l": "H", "v": "V", "i": "A"}
_KINDS: Mapping[str, Kind] = {"r": "resistor", "c": "capacitor", "l": "inductor", "v": "voltage", "i": "current",
                              "d": "diode", "b": "controlled", "e": "controlled", "g": "controlled",
                              "f": "controlled", "h": "controlled", "k": "box"}  # fmt: skip
#: From which capacitance on, and with which voltage, a capacitor is drawn as an electrolytic one [F, V].
ELECTROLYTIC, _POLARISED = 1e-6, 0.3
#: How far a position is turned to see what it moves, from where to where.
_TURNED = (0.4, 0.41)


@dataclass(frozen=True)
class Item:
    """Something that is drawn once.

    Attributes
    ----------
    kind : str
    path : str
        As ``bias.resistors`` and the like have it: "driver.anode"; of a valve its name.
    pins : mapping of str to str
        Net by role. Two-terminal parts have "one" and "other", potentiometers "high", "wiper", "low" and perhaps
        "tap", transformers "primary_1", "secondary_1_1" and so on from top to bottom.
    value : tuple of str
        Lines beside it, such as ("100 kΩ",).
    devices : tuple of str
        The netlist's elements that it stands for.
    parts : tuple of str
        Paths of a potentiometer's legs.
    parameter : str
        What sets its value, where that is one parameter of the stage.
    valve_kind : str
        Of a valve: "triode", "pentode", "rectifier" or "stabiliser"; of a diode or transistor what it is.
    positive : str
        Of an electrolytic capacitor the pin that is positive, "one" or "other".
    reference : str
        Designator, such as "R12".
    dots : tuple of str
        Of a transformer the pins that go up together: the beginnings of its windings.
    """

    kind: Kind
    path: str
    pins: Mapping[str, str]
    value: tuple[str, ...] = ()
    devices: tuple[str, ...] = ()
    parameter: str = ""
    parts: tuple[str, ...] = ()
    valve_kind: str = ""
    positive: str = ""
    reference: str = ""
    dots: tuple[str, ...] = ()


@dataclass(frozen=True)
class Terminal:
    """Where a stage's wires go on: a net, its side of the drawing, and lines of text."""

    net: str
    side: Literal["left", "right", "rail"]
    text: tuple[str, ...]


@dataclass
class Diagram:
    """A stage as it is to be drawn: items, terminals, and the voltage of each net [V], of those that are known."""

    name: str
    title: str
    items: list[Item] = field(default_factory=list)
    terminals: list[Terminal] = field(default_factory=list)
    volts: dict[str, float] = field(default_factory=dict)
    left_out: list[str] = field(default_factory=list)

    def nets(self) -> dict[str, list[tuple[str, str]]]:
        """Return (path, role) of every pin by net, ground left out."""
        found: dict[str, list[tuple[str, str]]] = {}
        for item in self.items:
            for role, net in item.pins.items():
                if net != "0":
                    found.setdefault(net, []).append((item.path, role))
        return found


def diagram(circuit: Circuit, stage: str, volts: Mapping[str, float]) -> Diagram:
    """Return what stands on the drawing of one stage.

    Parameters
    ----------
    circuit : Circuit
    stage : str
        Name of the stage in it, "" in a circuit of one.
    volts : mapping of str to float
        Voltage by netlist node [V].
    """
    drawn = render(circuit).elements
    elements = _elements(stage, drawn)
    made = circuit.stages[stage]
    pots = list(_potentiometers(stage, made, elements))
    turned = {device for pot in pots for device in pot.devices}
    same = _joined(circuit, stage, {n: d for n, d in elements.items() if n not in turned})
    left = {name: device for name, device in elements.items() if name not in turned and not _is_wire(device)}
    parts = netlist_parts(drawn)
    real = {part.name: part for kind in "rc" for part in bought(parts, kind).values()}
    hidden = _hidden(circuit, stage, left, same, real.values())
    blocks, left = _blocks(circuit, stage, left, same, hidden)
    items = [*_valves(circuit, stage), *_components(circuit, stage), *pots, *blocks]
    gone = []
    for name, device in left.items():
        if device.kind in "rc" and name not in real:
            gone.append(device.path)
            continue
        pins = dict(zip(("one", "other"), device.nodes[:2], strict=False))
        value = (written(device.value, _UNITS[device.kind], digits=4),) if device.kind in _UNITS else ()
        items.append(Item(_KINDS[device.kind], device.path, pins, value, (name,)))
    items = [replace(item, pins={role: same.get(net, net) for role, net in item.pins.items()}) for item in items]
    items = [item for item in items if len(set(item.pins.values())) > 1]
    shown = {same.get(node, node): value for node, value in volts.items()} | {"0": 0.0}
    items = [_polarised(item, left, shown) for item in items]
    title = f"{stage}: {made.template.summary}" if stage else made.template.summary
    outer = _outer(drawn)
    terminals = list(_terminals(circuit, stage, same, outer, {net for item in items for net in item.pins.values()}))
    return Diagram(stage or made.name, title, items, terminals, shown, gone)


def _polarised(item: Item, elements: Mapping[str, Element], volts: Mapping[str, float]) -> Item:
    """Return a capacitor with its positive pin where it is large and has a direct voltage."""
    if item.kind != "capacitor" or elements[item.devices[0]].value < ELECTROLYTIC:
        return item
    across = volts.get(item.pins["one"], np.nan) - volts.get(item.pins["other"], np.nan)
    if not abs(across) > _POLARISED:
        return item
    return replace(item, positive="one" if across > 0.0 else "other")


def numbered(diagrams: Iterable[Diagram]) -> list[Diagram]:
    """Return drawings whose items have designators, counted through all of them."""
    counts: dict[str, int] = {}
    found = []
    for each in diagrams:
        items = []
        for item in each.items:
            letter = LETTERS[item.kind]
            counts[letter] = counts.get(letter, 0) + 1
            items.append(replace(item, reference=f"{letter}{counts[letter]}"))
        found.append(replace(each, items=items))
    return found


def _elements(stage: str, drawn: Iterable[Element]) -> dict[str, Element]:
    """Return the elements of a stage, with the capacitor that the bench puts in front of an open input."""
    own = [each for each in drawn if each.stage == stage and not each.valve and each.kind != "."]
    return named(each for each in own if not each.bench or each.role is Role.PART)


def _is_wire(device: Element) -> bool:
    """Whether an element joins its nodes and does nothing else."""
    if device.role in (Role.WIRE, Role.SENSE):
        return True
    return bool(device.value <= WIRE if device.kind == "r" else device.kind == "v" and device.value == 0.0)


def _joined(circuit: Circuit, stage: str, elements: Mapping[str, Element]) -> dict[str, str]:
    """Return one name for every node: nodes that a wire joins have the same one.

    A supply that isn't in use is a wire to ground too.
    """
    idle = {in_netlist(port.stage, f"v_{port.name}"): port for port in circuit.placed_ports.values()
            if port.port.kind == "supply" and not port.joined and port.full not in circuit.supplies}  # fmt: skip
    wires = [device.nodes[:2] for device in elements.values() if _is_wire(device)]
    wires += [(port.node, "0") for port in idle.values() if port.stage == stage]
    name: dict[str, str] = {}
    for one, other in wires:
        first, second = name.get(one, one), name.get(other, other)
        kept, gone = sorted((first, second), key=lambda node: (node != "0", not node.startswith("n_"), node))
        name = {node: kept if own == gone else own for node, own in name.items()}
        name |= {one: kept, other: kept, gone: kept}
    return name


def _hidden(
    circuit: Circuit, stage: str, elements: Mapping[str, Element], same: Mapping[str, str], real: Iterable[Element]
) -> set[str]:
    """Return the nets that only help the model: all of their nodes are hidden, no valve and no part ends there."""
    own = {in_netlist(stage, node) for node in circuit.stages[stage].template.header.hidden_nodes}
    nodes = {node for device in elements.values() for node in (*device.nodes, *_read(device))} | set(same)
    open_ = {same.get(node, node) for node in nodes if node not in own}
    pins = [use.nodes for use in circuit.valves.values()] + [use.nodes for use in circuit.components.values()]
    open_ |= {same.get(net, net) for nodes in pins for net in nodes.values()}
    open_ |= {same.get(node, node) for part in real for node in part.nodes}
    return {same.get(node, node) for node in nodes} - open_ - {"0"}


def _read(device: Element) -> list[str]:
    """Return the nodes that an element reads."""
    return [*device.nodes[2:], *(node for node in device.reads if not node.startswith("i("))]


def _blocks(
    circuit: Circuit, stage: str, elements: Mapping[str, Element], same: Mapping[str, str], hidden: set[str]
) -> tuple[list[Item], dict[str, Element]]:
    """Return an item for every group of elements that hang together by hidden nets or a core, and the others."""
    cores = Groups()
    for device in elements.values():
        if device.kind == "k":
            cores.join(*device.refers)
    coupled = {coil for device in elements.values() if device.kind == "k" for coil in device.refers}
    groups: list[tuple[set[str], dict[str, Element]]] = []
    left: dict[str, Element] = {}
    senses = {f"i({name})": device for name, device in elements.items()}
    for name, device in elements.items():
        reads = [*_read(device), *(n for key in device.reads if key in senses for n in senses[key].nodes)]
        touched = {same.get(node, node) for node in (*device.nodes, *reads)} & hidden
        if name in coupled or device.kind == "k":
            touched.add(f"core of {cores.of(device.refers[0] if device.kind == 'k' else name)}")
        if not touched:
            left[name] = device
            continue
        nets, members = set(touched), {name: device}
        for other in [group for group in groups if group[0] & touched]:
            nets |= other[0]
            members = {**other[1], **members}
            groups.remove(other)
        groups.append((nets, members))
    return [_block(circuit, stage, members, same, nets) for nets, members in groups], left


def _block(
    circuit: Circuit, stage: str, members: Mapping[str, Element], same: Mapping[str, str], hidden: set[str]
) -> Item:
    """Return a group as a transformer, a choke, a load, or a box with pins."""
    names = tuple(members)
    ends = _nets((node for device in members.values() for node in device.nodes[:2]), same, hidden)
    reads = _nets((node for device in members.values() for node in _read(device)), same, {*hidden, *ends})
    value = _told(stage, circuit.stages[stage], set(names))
    windings = list(_windings(members, same, hidden))
    driven = [net for net in reads if net in {port.node for port in circuit.placed_ports.values()
                                              if port.port.kind == "source" and port.stage == stage}]  # fmt: skip
    if driven and windings:  # fed by an input that is no signal but the mains
        return Item("transformer", joined_name(stage, "transformer"), _secondaries(windings), value, names)
    if len(windings) > 1:
        pins = {f"primary_{number}": net for number, net in enumerate(windings[0], 1)} | _secondaries(windings[1:])
        dots = _coil_dots(members, pins, same) or _dots(circuit, stage, pins, same)
        return Item("transformer", joined_name(stage, "transformer"), pins, value, names, dots=dots)
    if len(ends) == 2 and not reads:
        coil = any(device.kind == "l" for device in members.values())
        first = next((name for name, each in members.items() if each.kind in ("l" if coil else "bi")), names[0])
        pins = dict(zip(("one", "other"), (same.get(node, node) for node in members[first].nodes[:2]), strict=True))
        if set(pins.values()) != set(ends):
            pins = dict(zip(("one", "other"), ends, strict=True))
        words = tuple(each.partition(" ")[2] for each in value)  # one part alone: without the symbols
        path = members[first].path
        if not coil:
            words = (path.rpartition(".")[2].replace("_", " "), *words)
        return Item("inductor" if coil else "current", path, pins, words, names)
    pins = {f"in_{number}": net for number, net in enumerate(reads, 1)}
    pins |= {f"out_{number}": net for number, net in enumerate((net for net in ends if net != "0"), 1)}
    return Item("box", members[names[0]].path, pins, value, names)


def _nets(nodes: Iterable[str], same: Mapping[str, str], without: Iterable[str]) -> list[str]:
    """Return the nets of nodes in their order, each once, but for some."""
    return [net for net in dict.fromkeys(same.get(node, node) for node in nodes) if net not in set(without)]


def _dots(circuit: Circuit, stage: str, pins: Mapping[str, str], same: Mapping[str, str]) -> tuple[str, ...]:
    """Return the pins of an output transformer that go up together.

    In phase, the secondary's hot end rises while the first valve's anode falls: it goes with the primary's other end.
    """
    phase = circuit.stages[stage].values.get("secondary_phase")
    valve = circuit.valves.get(joined_name(stage, "v1"))
    if phase is None or valve is None:
        return ()
    anode = same.get(valve.nodes["anode"], valve.nodes["anode"])
    primary = [role for role in pins if role.startswith("primary")]
    found = [primary[-1] if pins[primary[0]] == anode else primary[0]]
    windings: dict[str, list[str]] = {}
    for role in pins:
        if role.startswith("secondary"):
            windings.setdefault(role.rpartition("_")[0], []).append(role)
    for roles in windings.values():
        found += [role for role in roles if (pins[role] == "0") == (phase == "reversed")][:1]
    return tuple(found)


def _coil_dots(members: Mapping[str, Element], pins: Mapping[str, str], same: Mapping[str, str]) -> tuple[str, ...]:
    """Return the pins at which coupled coils begin: of each winding one."""
    ways = {refer: np.sign(device.value) for device in members.values() if device.kind == "k"
            for refer in device.refers[1:]}  # fmt: skip
    coupled = {refer for device in members.values() if device.kind == "k" for refer in device.refers}
    found: dict[str, str] = {}
    for name in (name for name in members if name in coupled):
        start = members[name].nodes[0 if ways.get(name, 1.0) > 0 else 1]
        for role, net in pins.items():
            if net == same.get(start, start):
                found.setdefault(role.rpartition("_")[0], role)
    return tuple(found.values())


def _secondaries(windings: list[list[str]]) -> dict[str, str]:
    """Return the pins of windings; two with one end on ground are one with its centre there."""
    if len(windings) == 2 and all(len(each) == 2 and each[1] == "0" for each in windings):
        windings = [[windings[0][0], "0", windings[1][0]]]
    return {f"secondary_{number}_{turn}": net for number, winding in enumerate(windings, 1)
            for turn, net in enumerate(winding, 1)}  # fmt: skip


def _windings(members: Mapping[str, Element], same: Mapping[str, str], hidden: set[str]) -> Iterator[list[str]]:
    """Yield the ends and taps of each winding in their order: what voltages and small resistances join."""
    links: dict[str, list[str]] = {}
    earthed = set()
    for device in members.values():
        if device.kind not in "rl" and not device.holds_voltage:
            continue
        one, other = (same.get(node, node) for node in device.nodes[:2])
        if "0" in (one, other):
            earthed.add(other if one == "0" else one)
        else:
            links.setdefault(one, []).append(other)
            links.setdefault(other, []).append(one)
    for node in earthed:
        links.setdefault(node, [])
    seen: set[str] = set()
    # From the ends inwards, so that a winding is walked from one end to the other.
    for start in sorted(links, key=lambda node: (node in hidden, len(links[node]) > 1)):
        if start in seen:
            continue
        walk, stack = [], [start]
        while stack:
            node = stack.pop()
            if node in seen:
                continue
            seen.add(node)
            walk.append(node)
            stack += links[node]
        taps = [node for node in walk if node not in hidden]
        if taps:
            yield [*taps, "0"] if earthed & set(walk) else taps


def _told(stage: str, made: Stage, devices: set[str]) -> tuple[str, ...]:
    """Return the parameters that describe a group of elements, each as "symbol value"."""
    lines = []
    for name, parameter in made.parameters.items():
        value = made.values.get(name)
        if not (parameter.numeric and value and parameter.unit):
            continue
        if _moved(stage, made, name, float(value) * 1.001).keys() & devices:
            lines.append(f"{parameter.symbol or parameter.name} {written(float(value), parameter.unit, digits=3)}")
    return tuple(lines)


def _moved(stage: str, made: Stage, name: str, to: float, start: Mapping[str, float] | None = None) -> dict[str, bool]:
    """Return the elements of a stage that a value moves, as it is alone, and whether their own values rise."""
    base = made.with_values(start or {})
    pairs = zip(*(render(each.circuit).elements for each in (base, base.with_values({name: to}))), strict=False)
    return {in_netlist(stage, old.name): old.kind in "rcl" and bool(new.value > old.value)
            for old, new in pairs if old != new}  # fmt: skip


def _potentiometers(stage: str, made: Stage, elements: Mapping[str, Element]) -> Iterator[Item]:
    """Yield every potentiometer: resistors that one track and one position set together."""
    positions = [n for n, p in made.parameters.items() if p.unit == "" and (p.minimum, p.maximum) == (0.0, 1.0)]
    tracks = [n for n, p in made.parameters.items() if p.unit == "ohm" and made.values[n]]
    legs_of = {name for name, device in elements.items() if device.kind == "r" and device.role is Role.PART}
    for position in positions:
        start = {position: _TURNED[0]}
        moved = _moved(stage, made, position, _TURNED[1], start)
        turned = {name: rises for name, rises in moved.items() if name in legs_of}
        for track in tracks if turned else ():
            legs = sorted(_moved(stage, made, track, float(made.values[track]) * 1.001, start).keys() & legs_of,
                          key=list(elements).index)  # fmt: skip
            if not set(legs) & set(turned):
                continue
            value = (written(float(made.values[track]), "ohm", digits=3),)
            for group in _legs_together({name: elements[name].nodes for name in legs}, turned):
                pins = _tracked(elements, group, turned)
                kind: Kind = "potentiometer" if "wiper" in pins else "variable"
                path = elements[group[0]].path if kind == "variable" else joined_name(stage, track)
                # A tapped track has legs that stand for nothing in this position of the wiper.
                ends = set(pins.values())
                open_ = [name for name in legs_of - set(group)
                         if "tap" in pins and set(elements[name].nodes) <= ends]  # fmt: skip
                devices = (*group, *open_)
                paths = tuple(elements[name].path for name in devices)
                yield Item(kind, path, pins, value, devices, joined_name(stage, track), paths)


def _legs_together(ends: Mapping[str, tuple[str, ...]], turned: Mapping[str, bool]) -> list[list[str]]:
    """Return the legs of each track: those that share nodes, and a leg that never turns with those on its ground.

    Two alone, of which one grows as the other shrinks, are a track with its wiper on ground.
    """
    groups: list[tuple[set[str], list[str]]] = []
    for name, nodes in ends.items():
        own, members = set(nodes) - {"0"}, [name]
        for other in [group for group in groups if group[0] & own]:
            own |= other[0]
            members = [*other[1], *members]
            groups.remove(other)
        groups.append((own, members))
    found = [members for _, members in groups if turned.keys() & set(members)]
    lone = [members[0] for members in found if len(members) == 1 and "0" in ends[members[0]]]
    if len(found) == len(lone) == 2 and turned[lone[0]] != turned[lone[1]]:
        found = [lone]
    for _, still in [group for group in groups if not turned.keys() & set(group[1])]:
        tapped = next((legs for legs in found if any("0" in ends[leg] for leg in legs)), None)
        if tapped is not None and any("0" in ends[leg] for leg in still):
            tapped += still
    return found


def _tracked(elements: Mapping[str, Element], legs: list[str], turned: Mapping[str, bool]) -> dict[str, str]:
    """Return the pins of a track from the chain that its legs make; turned up, the wiper goes to the high end."""
    if len(legs) == 1:
        one, other = elements[legs[0]].nodes[:2]
        return {"one": one, "other": other}
    at: dict[str, list[str]] = {}
    for name in legs:
        for node in elements[name].nodes[:2]:
            at.setdefault(node, []).append(name)
    inner = [node for node, names in at.items() if len(names) > 1]
    ends = [node for node, names in at.items() if len(names) == 1]
    still = {node for name in legs if name not in turned for node in elements[name].nodes[:2]}
    tap = next((node for node in inner if node in still), "") if len(inner) > 1 else ""
    wiper = next(node for node in inner if node != tap)
    # The leg on the low end's side of the wiper grows.
    low = _beyond(elements, [name for name in at[wiper] if turned.get(name)], wiper, legs, ends)
    high = next(node for node in ends if node != low)
    return {"high": high, "wiper": wiper, "low": low} | ({"tap": tap} if tap else {})


def _beyond(elements: Mapping[str, Element], start: list[str], wiper: str, legs: list[str], ends: list[str]) -> str:
    """Return the end of a track that a leg from the wiper leads to."""
    seen, node, leg = {wiper}, wiper, next(iter(start), "")
    while leg:
        node = next(each for each in elements[leg].nodes[:2] if each not in seen)
        seen.add(node)
        leg = next((name for name in legs if name != leg and node in elements[name].nodes[:2]
                    and not set(elements[name].nodes[:2]) <= seen), "")  # fmt: skip
    return node if node in ends else ends[-1]


def _valves(circuit: Circuit, stage: str) -> Iterator[Item]:
    for name, use in circuit.valves.items():
        if use.stage == stage:
            yield Item("valve", name, dict(use.nodes), (use.valve.name,), valve_kind=use.valve.kind)


#: What stands on a drawing in the place of an anode, a grid and a cathode.
_ROLES = {"collector": "anode", "drain": "anode", "base": "grid", "gate": "grid", "emitter": "cathode",
          "source": "cathode"}  # fmt: skip


def _components(circuit: Circuit, stage: str) -> Iterator[Item]:
    for name, use in circuit.components.items():
        if use.stage != stage:
            continue
        kind, value = use.component.kind, (use.component.name,)
        if kind in ("diode", "led", "zener"):
            pins = {"one": use.nodes["anode"], "other": use.nodes["cathode"]}
            yield Item("diode", name, pins, value, valve_kind=kind)
        else:
            pins = {_ROLES.get(role, role): node for role, node in use.nodes.items()}
            yield Item("valve" if kind == "stabiliser" else "transistor", name, pins, value, valve_kind=kind)


def _terminals(
    circuit: Circuit, stage: str, same: Mapping[str, str], outer: Mapping[str, str], nets: set[str]
) -> Iterator[Terminal]:
    """Yield where the stage's wires go on: open ports, joined ends, supplies."""
    ports = {name: port for name, port in circuit.placed_ports.items() if port.stage == stage}
    text: dict[tuple[str, str], list[str]] = {}

    def say(node: str, side: str, *words: str) -> None:
        net = same.get(node, node)
        if net in nets and net != "0":
            lines = text.setdefault((net, side), [])
            lines += [line for line in words if line not in lines]

    for port in ports.values():
        joins = _neighbours(circuit, port.full)
        if port.port.kind == "supply":
            say(port.node, "rail", port.name.replace("_", " "), *joins)
        elif port.port.kind == "source":
            say(outer.get(port.node, port.node), "left", port.name.replace("_", " "), *joins)
        elif port.port.kind == "load":
            say(port.node, "right", port.name.replace("_", " "), *joins)
        elif joins:
            say(port.node, "left", port.name.replace("_", " "), *joins)
    for join in circuit.joins:  # at a node that is no port
        for place, other, side in ((join.start, join.end, "right"), (join.end, join.start, "left")):
            name, _, own = place.partition(".")
            if name == stage and place not in circuit.placed_ports:
                say(circuit.place(place), side, own.removeprefix("n_"), f"to {other}" if side == "right" else other)
    for net, side in list(text):  # a net that goes on at the right needs no second end at the left
        if side == "left" and (net, "right") in text:
            lines = text[net, "right"]
            lines += [line for line in text.pop((net, side)) if line not in lines]
    rails = {net for net, side in text if side == "rail"}
    for (net, side), lines in text.items():
        if side == "rail" or net not in rails:
            yield Terminal(net, side, tuple(lines))  # type: ignore[arg-type]


def _neighbours(circuit: Circuit, port: str) -> list[str]:
    """Return where the joins of a port lead, as "from ..." and "to ..."."""
    found = [f"from {join.start.partition('.')[0]}" for join in circuit.joins if join.end == port]
    return found + [f"to {join.end.partition('.')[0]}" for join in circuit.joins if join.start == port]


def _outer(drawn: Iterable[Element]) -> dict[str, str]:
    """Return the node in front of the capacitor that the bench puts before an open input, by the input's node."""
    return {each.nodes[1]: each.nodes[0] for each in drawn if each.bench and each.role is Role.PART}
