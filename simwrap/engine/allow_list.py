"""The guard in front of the engines: an allow-list for netlist text.

Both engines accept a malformed netlist without complaint: one takes an undefined parameter as 0
and skips what it can't read, the other reads ``1M`` as a milliohm, takes a resistor with a field
missing as 1 milliohm and runs shell commands out of a ``.control`` block. So nothing reaches
them that this module has not read completely itself.

Allowed lines: ``*`` comments, elements r c l k v i b e g f h d, and ``.model <name> d(...)``.
Expressions of b sources may hold numbers, ``v(node)``, ``v(node,node)``, ``i(v_name)``,
+ - * / and powers, brackets, and the functions of :data:`simwrap.engine.expressions.FUNCTIONS`,
which both engines read alike.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field

from simwrap.engine import expressions
from simwrap.errors import NetlistError, shown

#: Parameters of a diode model that may be given.
DIODE_PARAMETERS = frozenset("is n rs bv ibv cjo vj m tt".split())

_NUMBER_LINE = re.compile(r"[+-]?" + expressions.NUMBER + r"\Z")
_NODE = re.compile(r"(?:0|n_[a-z0-9_]+)\Z")
_DEVICE = re.compile(r"[rclkvibegfhd]_[a-z0-9_]+\Z")
_MODEL = re.compile(r"\.model ([a-z][a-z0-9_]*) d\(([a-z0-9_=.+ -]*)\)\Z")
_PRINTABLE = re.compile(r"[\x20-\x7e]*\Z")


@dataclass(frozen=True)
class Device:
    """One element line: its kind (SPICE letter), nodes, fields, and what it reads (nodes, ``i(v_name)``)."""

    name: str
    kind: str
    line: int
    nodes: tuple[str, ...]
    fields: tuple[str, ...]
    reads: tuple[str, ...] = ()
    current: bool = False
    program: expressions.Program = ()


@dataclass(frozen=True)
class Parsed:
    """A netlist that passed: its lines, devices by name, nodes in order of appearance, diode models."""

    lines: tuple[str, ...]
    devices: dict[str, Device]
    nodes: tuple[str, ...]
    models: dict[str, dict[str, float]]

    def kind(self, kind: str) -> list[str]:
        """Names of the devices of one kind."""
        return [name for name, device in self.devices.items() if device.kind == kind]


@dataclass
class _Building:
    lines: list[str] = field(default_factory=list)
    devices: dict[str, Device] = field(default_factory=dict)
    models: dict[str, dict[str, float]] = field(default_factory=dict)


def _refuse(number: int, line: str, why: str) -> NetlistError:
    return NetlistError(f"netlist line {number}: {shown(line)} {why}")


def _number(text: str, line: int, whole: str) -> float:
    if not _NUMBER_LINE.match(text):
        raise _refuse(line, whole, f"has {shown(text)} where a plain number is needed, such as 4700.0 or 2.2e-08")
    value = float(text)
    if not math.isfinite(value):
        raise _refuse(line, whole, f"has {shown(text)}, which is not a finite number")
    return value


def _source_fields(fields: list[str], number: int, line: str) -> None:
    """``dc X`` with an optional ``ac Y`` and an optional phase [degree]."""
    rest = fields[3:]
    shape = [word if word in ("dc", "ac") else "" for word in rest]
    if shape not in (["dc", ""], ["dc", "", "ac", ""], ["dc", "", "ac", "", ""]):
        raise _refuse(number, line, 'needs its value as "dc X" or "dc X ac Y"')
    for word in rest:
        if word not in ("dc", "ac"):
            _number(word, number, line)


#: Fields of an element line after its name: n a node, v a number, s a v source, l an inductor, m a model.
_FIELDS = {
    "r": "nnv", "c": "nnv", "l": "nnv", "k": "llv", "e": "nnnnv", "g": "nnnnv", "f": "nnsv", "h": "nnsv", "d": "nnm",
}  # fmt: skip
_MEANING = {"n": "node", "v": "value", "s": "v source", "l": "inductor", "m": "model"}


@functools.lru_cache(maxsize=4096)
def _element(number: int, line: str) -> Device:
    fields = line.split()
    name, kind = fields[0], fields[0][0]
    if not _DEVICE.match(name):
        raise _refuse(
            number, line, "is not an element; names look like r_anode, the letter one of r c l k v i b e g f h d"
        )
    if kind in "vib":
        if len(fields) < 4:
            raise _refuse(number, line, "has a field missing")
        nodes: tuple[str, ...] = tuple(fields[1:3])
        reads: tuple[str, ...] = ()
        program: expressions.Program = ()
        current = False
        if kind == "b":
            what, equals, expression = line.split(None, 3)[3].partition("=")
            if what.strip() not in ("v", "i") or not equals:
                raise _refuse(number, line, 'needs "v=" or "i=" and an expression')
            program = expressions.parse(expression, functools.partial(_refuse, number, line))
            reads, current = expressions.reads(program), what.strip() == "i"
        else:
            _source_fields(fields, number, line)
            current = kind == "i"
        found = Device(name, kind, number, nodes, tuple(fields), reads, current, program)
    else:
        shape = _FIELDS[kind]
        if len(fields) != len(shape) + 1:
            wanted = ", ".join(_MEANING[letter] for letter in shape)
            raise _refuse(number, line, f"has {len(fields) - 1} fields after its name; needed: {wanted}")
        reads = tuple(f"i({word})" for word, letter in zip(fields[1:], shape, strict=True) if letter == "s")
        nodes = tuple(word for word, letter in zip(fields[1:], shape, strict=True) if letter == "n")
        if "v" in shape:
            problem = value_problem(kind, _number(fields[-1], number, line))
            if problem:
                raise _refuse(number, line, problem)
        found = Device(name, kind, number, nodes, tuple(fields), reads, kind in "fg")
    for node in found.nodes:
        if not _NODE.match(node):
            raise _refuse(number, line, f"has the node {shown(node)}; nodes are 0 or look like n_grid")
    if len(found.nodes) >= 2 and found.nodes[0] == found.nodes[1] and kind in "vbeh":
        raise _refuse(number, line, "has both ends on one node")
    return found


def value_problem(kind: str, value: float) -> str:
    """Say what is wrong with the value of an element of one kind ("" if nothing)."""
    if not math.isfinite(value):
        return "has a value that is not a finite number"
    if kind in "rl" and value <= 0.0:
        return "needs a value above 0"
    if kind == "c" and value < 0.0:
        return "has a capacitance below 0"
    if kind == "k" and not 0.0 < abs(value) <= 1.0:
        return "needs a coupling between -1 and 1, not 0"
    return ""


def _model(line: str, number: int, building: _Building) -> None:
    match = _MODEL.match(line)
    if match is None:
        raise _refuse(number, line, 'is not allowed; the only card with a dot is ".model name d(is=1e-14 n=1.5)"')
    values = {}
    for word in match[2].split():
        name, equals, value = word.partition("=")
        if name not in DIODE_PARAMETERS or not equals:
            raise _refuse(number, line, f"has {shown(word)}; known: {', '.join(sorted(DIODE_PARAMETERS))}")
        values[name] = _number(value, number, line)
    building.models[match[1]] = values


class _Groups:
    """Nodes joined into groups (union-find)."""

    def __init__(self) -> None:
        self.parent: dict[str, str] = {}

    def find(self, node: str) -> str:
        parent = self.parent.setdefault(node, node)
        while parent != node:
            node, parent = parent, self.parent.setdefault(parent, parent)
        return node

    def join(self, one: str, other: str) -> bool:
        """Join two nodes; False when they were joined before."""
        first, second = self.find(one), self.find(other)
        self.parent[first] = second
        return first != second


def _check_references(building: _Building, known: Iterable[str]) -> None:
    devices, nodes = building.devices, {"0", *known}
    for device in devices.values():
        line = building.lines[device.line - 1]
        for read in device.reads:
            if read.startswith("i("):
                name = read[2:-1]
                if devices.get(name) is None or devices[name].kind != "v":
                    raise _refuse(device.line, line, f"reads the current of {shown(name)}, not a v source here")
            elif read not in nodes:
                raise _refuse(device.line, line, f"reads the node {shown(read)}, which nothing is connected to")
        if device.kind == "k":
            for name in device.fields[1:3]:
                if name not in devices or devices[name].kind != "l":
                    raise _refuse(device.line, line, f"couples {shown(name)}, which is not an inductor here")
            if device.fields[1] == device.fields[2]:
                raise _refuse(device.line, line, "couples an inductor with itself")
        if device.kind == "d" and device.fields[3] not in building.models:
            raise _refuse(device.line, line, f"has no .model card for {shown(device.fields[3])}")


def _check_paths(building: _Building) -> None:
    """Every node needs two connections and a direct-current path to ground; no loops of sources."""
    touched: dict[str, list[Device]] = {}
    paths, stiff = _Groups(), _Groups()
    read = {node for device in building.devices.values() for node in device.reads}
    for device in building.devices.values():
        if device.kind == "k":
            continue
        for node in device.nodes:
            touched.setdefault(node, []).append(device)
        one, other = device.nodes[:2]
        blind = device.kind in "ci" or (device.kind == "b" and device.current and not device.reads)
        # A grid that only its own current could hold drifts to where hardly any flows: there is no operating point.
        blind |= device.kind == "g" and device.name.endswith("_grid")
        if not blind:
            paths.join(one, other)
        if (device.kind in "vleh" or (device.kind == "b" and not device.current)) and not stiff.join(one, other):
            raise _refuse(
                device.line,
                building.lines[device.line - 1],
                "closes a loop of voltage sources and inductors, which no resistance limits",
            )
    if "0" not in touched:
        raise NetlistError("netlist: nothing is connected to ground (node 0)")
    ground = paths.find("0")
    for node, devices in touched.items():
        if paths.find(node) != ground:
            first = devices[0]
            raise _refuse(
                first.line,
                building.lines[first.line - 1],
                f"leaves node {node} floating: it has no direct-current path to ground (only capacitors or "
                "current sources reach it); add a resistor",
            )
        source = devices[0].kind in "vbeh"
        if len(devices) == 1 and not source and node not in read and node != "0":
            first = devices[0]
            raise _refuse(first.line, building.lines[first.line - 1], f"is the only connection of node {node}")


@functools.lru_cache(maxsize=64)
def check(text: str) -> Parsed:
    """Read a netlist text completely and refuse what isn't on the allow-list.

    Parameters
    ----------
    text : str
        Element lines, as in :class:`simwrap.engine.protocol.Circuit`.

    Returns
    -------
    Parsed
        Lines, devices and nodes.

    Raises
    ------
    NetlistError
        With the number of the line, the line, and what is wrong with it.
    """
    building = _Building()
    # Only \n parts lines: str.splitlines would also split on \r, \x0c and U+2028.
    for number, line in enumerate(text.split("\n"), 1):
        building.lines.append(line)
        if not _PRINTABLE.match(line):
            raise _refuse(number, line, "holds a character that is not printable ASCII")
        if len(line) > 4000:
            raise _refuse(number, line, f"is {len(line)} characters long; at most 4000 are accepted")
        if not line.strip() or line.startswith("*"):
            continue
        if line != line.strip() or line != line.lower():
            raise _refuse(number, line, "must be lower case and start at the margin")
        if line.startswith("."):
            _model(line, number, building)
            continue
        device = _element(number, line)
        if device.name in building.devices:
            raise _refuse(number, line, f"uses the name {device.name} again")
        building.devices[device.name] = device
    nodes = tuple(dict.fromkeys(node for d in building.devices.values() for node in d.nodes if node != "0"))
    if not building.devices:
        raise NetlistError("netlist: it has no elements")
    _check_references(building, nodes)
    _check_paths(building)
    return Parsed(tuple(building.lines), building.devices, nodes, building.models)


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


def value_field(device: Device) -> int:
    """Index of the field that holds the value which a table may replace (-1: none)."""
    if device.kind in "rcl":
        return 3
    return 4 if device.kind in "vi" else -1
