"""The guard in front of the engines, and of everything that leaves as text: an allow-list for netlists.

Both engines accept a malformed netlist without complaint, and one runs shell commands out of a ``.control`` block. So
nothing reaches them, nor a file that a builder gives to another simulator, that isn't read completely here.

Allowed lines: ``*`` comments, elements r c l k v i b e g f h d, and ``.model <name> d(...)``.
Expressions of b sources may hold numbers, ``v(node)``, ``v(node,node)``, ``i(v_name)``,
+ - * / and powers, brackets, and the functions of :data:`simwrap.netlist.expressions.FUNCTIONS`,
which both engines read alike.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable
from dataclasses import dataclass, field

from simwrap.errors import NetlistError, shown
from simwrap.netlist import text as lines_of_text
from simwrap.netlist.element import Element
from simwrap.netlist.groups import GROUND, Groups


@dataclass(frozen=True)
class Parsed:
    """A netlist that passed: its elements by name, nodes in order of appearance, diode models, and their cards."""

    devices: dict[str, Element]
    nodes: tuple[str, ...]
    models: dict[str, dict[str, float]]
    cards: tuple[str, ...]

    def kind(self, kind: str) -> list[str]:
        """Names of the devices of one kind."""
        return [name for name, device in self.devices.items() if device.kind == kind]


@dataclass
class _Building:
    lines: list[str] = field(default_factory=list)
    devices: dict[str, Element] = field(default_factory=dict)
    numbers: dict[str, int] = field(default_factory=dict)
    models: dict[str, dict[str, float]] = field(default_factory=dict)
    cards: list[str] = field(default_factory=list)

    def refuse(self, name: str, why: str) -> NetlistError:
        """Return the error about an element."""
        return _refuse(self.numbers[name], self.lines[self.numbers[name] - 1], why)


def _refuse(number: int, line: str, why: str) -> NetlistError:
    device = lines_of_text.begins_with(line)
    return NetlistError(f"netlist line {number}: {shown(line)} {why}", device, why)


def _check_references(building: _Building, known: Iterable[str]) -> None:
    devices, nodes, refuse = building.devices, {"0", *known}, building.refuse
    for device in devices.values():
        for read in device.reads:
            if read.startswith("i("):
                name = read[2:-1]
                if devices.get(name) is None or devices[name].kind != "v":
                    raise refuse(device.name, f"reads the current of {shown(name)}, not a v source here")
            elif read not in nodes:
                raise refuse(device.name, f"reads the node {shown(read)}, which nothing is connected to")
        if device.kind == "k":
            for name in device.refers:
                if name not in devices or devices[name].kind != "l":
                    raise refuse(device.name, f"couples {shown(name)}, which is not an inductor here")
            if device.refers[0] == device.refers[1]:
                raise refuse(device.name, "couples an inductor with itself")
        if device.kind == "d" and device.refers[0] not in building.models:
            raise refuse(device.name, f"has no .model card for {shown(device.refers[0])}")


def _check_paths(building: _Building) -> None:
    """Every node needs two connections and a direct-current path to ground; no loops of sources."""
    touched: dict[str, list[Element]] = {}
    paths, stiff = Groups(), Groups()
    read = {node for device in building.devices.values() for node in device.reads}
    for device in building.devices.values():
        if device.kind == "k":
            continue
        for node in device.nodes:
            touched.setdefault(node, []).append(device)
        one, other = device.nodes[:2]
        blind = device.kind in "ci" or (device.kind == "b" and device.current and not device.reads)
        if not blind:
            paths.join(one, other)
        if (device.kind == "l" or device.holds_voltage) and not stiff.join(one, other):
            raise building.refuse(
                device.name, "closes a loop of voltage sources and inductors, which no resistance limits"
            )
    if "0" not in touched:
        raise NetlistError("netlist: nothing is connected to ground (node 0)")
    for node, devices in touched.items():
        if paths.of(node) != GROUND:
            raise building.refuse(
                devices[0].name,
                f"leaves node {node} floating: it has no direct-current path to ground (only capacitors or "
                "current sources reach it); add a resistor",
            )
        source = devices[0].kind in "vbeh"
        if len(devices) == 1 and not source and node not in read and node != "0":
            raise building.refuse(devices[0].name, f"is the only connection of node {node}")


@functools.lru_cache(maxsize=64)
def check(text: str) -> Parsed:
    """Read a netlist text completely and refuse what isn't on the allow-list.

    Parameters
    ----------
    text : str
        Element lines, as in :class:`simwrap.engine.protocol.NetlistTable`.

    Returns
    -------
    Parsed
        Elements and nodes.

    Raises
    ------
    NetlistError
        With the number of the line, the line, and what is wrong with it.
    """
    building = _Building()
    # Only \n parts lines: str.splitlines would also split on \r, \x0c and U+2028.
    for number, line in enumerate(text.split("\n"), 1):
        building.lines.append(line)
        try:
            _read(lines_of_text.plain(line), number, building)
        except lines_of_text.Refused as fault:
            raise _refuse(number, line, str(fault)) from None
    nodes = tuple(dict.fromkeys(node for d in building.devices.values() for node in d.nodes if node != "0"))
    if not building.devices:
        raise NetlistError("netlist: it has no elements")
    _check_references(building, nodes)
    _check_paths(building)
    return Parsed(building.devices, nodes, building.models, tuple(building.cards))


def _read(line: str, number: int, building: _Building) -> None:
    if not line.strip():
        return
    if line != line.strip() or line != line.lower():
        raise lines_of_text.Refused("must be lower case and start at the margin")
    device = lines_of_text.read(line)
    if device.kind == ".":
        building.models[device.name[1:]] = lines_of_text.model_values(device.expression)
        building.cards.append(line)
        return
    if device.name in building.devices:
        why = "another line has it, or the bench at a port; choose another"
        raise lines_of_text.Refused(f"uses the name {device.name} again: {why}")
    building.devices[device.name], building.numbers[device.name] = device, number


def check_vectors(parsed: Parsed, vectors: Iterable[str]) -> tuple[str, ...]:
    """Check that each vector is a node of the circuit, or ``i(v_name)`` of one of its v sources."""
    checked = []
    for vector in vectors:
        name = vector.lower()
        if name.startswith("i(") and name.endswith(")"):
            device = parsed.devices.get(name[2:-1])
            good = device is not None and device.kind in "vl"
        else:
            good = name in parsed.nodes
        if not good:
            raise NetlistError(f"vector {shown(vector)}: the circuit has no such node or source; nodes: "
                               + ", ".join(parsed.nodes[:30]))  # fmt: skip
        checked.append(name)
    return tuple(dict.fromkeys(checked))
