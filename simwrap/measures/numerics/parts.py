"""What a netlist's resistors and capacitors bear: read from its element lines, with the parts' names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.engine.protocol import Circuit
from simwrap.measures.common import Floats, scalar, vector
from simwrap.measures.numerics.discharge import WIRE, Groups
from simwrap.measures.requests import Variable
from simwrap.report.model import Listing

#: Names of elements that stand for no part that a builder buys by its wattage or voltage: sources, loads, the insides
#: of a transformer, leakage and strays.
_NO_PARTS = (
    "cable choke core earth gain interwinding internal leakage load primary secondary source speaker tap winding"
).split()
#: A resistance that stands for nothing at all [ohm].
_OPEN = 0.9e9
#: A resistor above this isn't there when the valves are cold [ohm].
_NOTHING = 1e12
#: A capacitance below this is a stray [F].
_STRAY = 8e-12
#: Part of its rated wattage that a resistor is loaded with at most (common practice, no source).
LOADED = 0.5
#: A table shows resistors from this dissipation on [W].
_SHOWN_FROM = 1e-3
#: Wattages [W] and voltages [V] in which parts are commonly sold (common practice, no source).
WATTAGES = (0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 25.0, 50.0, 100.0, 200.0)
VOLTAGES = (6.3, 10.0, 16.0, 25.0, 35.0, 50.0, 63.0, 100.0, 160.0, 200.0, 250.0, 350.0, 400.0, 450.0, 500.0, 630.0,
            800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3000.0)  # fmt: skip


@dataclass
class Part:
    """One element of a netlist.

    Attributes
    ----------
    kind : str
        The letter of its name: "r", "c", "l", "v", or "short" for a controlled voltage source.
    nodes : tuple of str
    value : ndarray, shape (points,)
        Ohm, farad, henry or volt; NaN where the element isn't there.
    """

    kind: str
    nodes: tuple[str, str]
    value: Floats = field(default_factory=lambda: np.zeros(0))


def netlist_parts(circuit: Circuit) -> dict[str, Part]:
    """Return the two-pole elements of a rendered circuit by their names."""
    found: dict[str, Part] = {}
    for line in circuit.text.splitlines():
        words = line.split()
        name = words[0] if words else ""
        kind = name[:1]
        if kind in ("r", "c", "l") and len(words) >= 4:
            printed = words[3]
        elif kind == "v" and len(words) >= 5 and words[3] == "dc":
            printed = words[4]
        elif kind == "e" or (kind == "b" and len(words) > 3 and words[3].startswith("v=")):
            kind, printed = "short", "0"
        else:
            continue
        value = circuit.table.get(name, np.full(circuit.points, float(printed)))
        found[name] = Part(kind, (words[1], words[2]), np.asarray(value, dtype=float))
    return found


def wired(parts: Mapping[str, Part]) -> dict[str, str]:
    """Return one name for every node of a netlist: nodes that a wire joins have the same one.

    A wire is a resistor that stands for one, at every point.
    """
    wires = [part.nodes for part in parts.values() if part.kind == "r" and np.all(part.value <= WIRE)]
    name: dict[str, str] = {node: node for part in parts.values() for node in part.nodes}
    for one, other in wires:
        kept, gone = sorted((name[one], name[other]), key=lambda node: node != "0")
        name = {node: kept if own == gone else own for node, own in name.items()}
    return name


def collect(into: dict[str, Part], circuit: Circuit, indices: NDArray[np.intp], points: int) -> None:
    """Add the parts of some points to those of all."""
    for name, part in netlist_parts(circuit).items():
        whole = into.setdefault(name, Part(part.kind, part.nodes, np.full(points, np.nan)))
        whole.value[indices] = part.value


def bought(parts: Mapping[str, Part], kind: str, valves: Mapping[str, Any]) -> dict[str, Part]:
    """Return the resistors ("r") or capacitors ("c") that a builder buys, by their path: "driver.anode"."""
    found = {}
    for name, part in parts.items():
        path = _path(name)
        words = path.rpartition(".")[2].split("_")
        if part.kind != kind or words[0] in _NO_PARTS or path.replace(".", "_").startswith(_inside(valves)):
            continue
        with np.errstate(invalid="ignore"):
            real = (part.value > WIRE) & (part.value < _OPEN) if kind == "r" else part.value > _STRAY
        if real.any():
            found[path] = Part(kind, part.nodes, np.where(real, part.value, np.nan))
    return found


def _path(name: str) -> str:
    """Return the path of a device: "driver.anode" for r_driver__anode."""
    return name[2:].replace("__", ".")


def _inside(valves: Mapping[str, Any]) -> tuple[str, ...]:
    return tuple(f"{instance.replace('.', '_')}_" for instance in valves)


def voltages(reply: Any, part: Part) -> Floats:
    """Return the voltage across a part [V], shaped as the reply's vectors."""
    one, other = (vector(reply, node) for node in part.nodes)
    across: Floats = one - other
    return across


def next_of(series: tuple[float, ...], least: Floats) -> Floats:
    """Return the smallest of a series that is at least as large; NaN beyond its end."""
    ends = np.array([*series, np.nan])
    place = np.searchsorted(series, np.where(np.isfinite(least), least, np.inf))
    return np.where(np.isfinite(least), ends[place], np.nan)


def dissipated(path: str, power: Floats) -> dict[str, Variable]:
    """Return a resistor's dissipation [W], and the next common wattage of which it is no more than half."""
    words = path.replace("_", " ")
    return {
        f"resistors.{path}.dissipation": scalar(power, "W", f"dissipation of the {words} resistor"),
        f"resistors.{path}.rating_needed": scalar(
            next_of(WATTAGES, power / LOADED), "W", f"wattage that the {words} resistor needs"
        ),
    }


def part_tables(found: Any) -> list[Listing]:
    """Return tables of what resistors dissipate, from a milliwatt on, and of what capacitors stand."""
    tables = []
    for kind, columns in (
        ("resistors", {"dissipation": "dissipation", "rating_needed": "needs"}),
        ("capacitors", {"voltage": "voltage", "voltage_cold": "valves cold", "rating_needed": "needs"}),
    ):
        main = next(iter(columns))
        names = [path.split(".", 1)[1].rpartition(".")[0] for path in found.paths
                 if path.startswith(f"{kind}.") and path.endswith(f".{main}")]  # fmt: skip
        if kind == "resistors":
            names = [name for name in names if float(found[f"{kind}.{name}.{main}"]) >= _SHOWN_FROM]
        had = {key: words for key, words in columns.items() if any(f"{kind}.{n}.{key}" in found.paths for n in names)}
        rows = [(name.replace("_", " "), *(found.text(f"{kind}.{name}.{key}") for key in had)) for name in names]
        if rows:
            tables.append(Listing(kind, ("", *had.values()), rows, details=True))
    return tables


def cold(parts: Mapping[str, Part]) -> dict[str, Floats]:
    """Return the voltage across every capacitor before the valves conduct [V], by path, each of shape (points,)."""
    at = cold_nodes(parts)
    return {_path(name): at[part.nodes[0]] - at[part.nodes[1]] for name, part in parts.items() if part.kind == "c"}


def cold_nodes(parts: Mapping[str, Part]) -> dict[str, Floats]:
    """Return the voltage of every node before the valves conduct [V], each of shape (points,).

    A nodal solve of the resistors and direct voltages alone: coils, ideal windings and controlled voltages are
    wires, current sources draw nothing. What no resistor holds is at ground.
    """
    points = max((len(part.value) for part in parts.values()), default=0)
    joining = {name: part for name, part in parts.items() if part.kind != "c"}
    nodes = sorted({node for part in parts.values() for node in part.nodes} - {"0"})
    found = {"0": np.zeros(points), **{node: np.zeros(points) for node in nodes}}
    kinds = np.array([_kind_of(part) for part in joining.values()]).reshape(len(joining), points)
    patterns, member = np.unique(kinds, axis=1, return_inverse=True)
    for number, pattern in enumerate(patterns.T):
        at = np.flatnonzero(member.ravel() == number)
        there = list(zip(joining.values(), pattern, strict=True))
        drains = [(part.nodes, part.value[at]) for part, kind in there if kind == 1]
        links = [(part.nodes, part.value[at] * (part.kind == "v")) for part, kind in there if kind == 2]
        for node, level in _levels(nodes, links, drains, len(at)).items():
            found[node][at] = level
    return found


def _kind_of(part: Part) -> NDArray[np.intp]:
    """Return what a part is at each point: 0 nothing, 1 a resistor, 2 what sets the voltage between its ends."""
    there = np.isfinite(part.value)
    if part.kind != "r":
        return np.where(there, 2, 0)
    return np.where(there & (part.value <= _NOTHING), np.where(part.value <= WIRE, 2, 1), 0)


_Links = list[tuple[tuple[str, str], Floats]]


def _levels(nodes: list[str], links: _Links, drains: _Links, points: int) -> dict[str, Floats]:
    """Return the level of every node [V]: those that links join are one unknown, each at its own height above it."""
    foot, height = _feet(nodes, links, points)
    between = [(tuple(foot[node] for node in pair), pair, ohms) for pair, ohms in drains]
    groups = Groups()
    for (one, other), _, _ in between:
        groups.join(one, other)
    level = {"0": np.zeros(points)} | {node: np.zeros(points) for node in nodes if foot[node] == node}
    islands: dict[str, list[str]] = {}
    for node in level:
        islands.setdefault(groups.of(node), []).append(node)
    for name, members in islands.items():
        inner = members[1:]  # ground's own, or the node that an island in the air is pinned at
        place = {node: number for number, node in enumerate(inner)}
        matrix = np.zeros((points, len(inner), len(inner)))
        right = np.zeros((points, len(inner)))
        for feet, pair, ohms in between:
            if groups.of(feet[0]) != name or feet[0] == feet[1]:
                continue
            lift = height[pair[1]] - height[pair[0]]
            for node, sign in zip(feet, (1.0, -1.0), strict=True):
                if node in place:
                    matrix[:, place[node], place[node]] += 1.0 / ohms
                    right[:, place[node]] += sign * lift / ohms
            if feet[0] in place and feet[1] in place:
                one, other = place[feet[0]], place[feet[1]]
                matrix[:, one, other] -= 1.0 / ohms
                matrix[:, other, one] -= 1.0 / ohms
        if inner:
            size = 1.0 / np.sqrt(np.diagonal(matrix, axis1=1, axis2=2))
            scaled = matrix * size[:, :, None] * size[:, None, :]
            solved = size * np.linalg.solve(scaled, (right * size)[..., None])[..., 0]
            level |= {node: solved[:, number] for node, number in place.items()}
    return {node: level[foot[node]] + height[node] for node in nodes}


def _feet(nodes: list[str], links: _Links, points: int) -> tuple[dict[str, str], dict[str, Floats]]:
    """Return for each node the one that it stands on by links, ground where it can, and how high above that [V]."""
    beside: dict[str, list[tuple[str, Floats]]] = {node: [] for node in ["0", *nodes]}
    for (one, other), volts in links:
        beside[one].append((other, -volts))
        beside[other].append((one, volts))
    foot: dict[str, str] = {}
    height: dict[str, Floats] = {}
    for start in beside:
        if start in foot:
            continue
        foot[start], height[start] = start, np.zeros(points)
        reached = [start]
        for node in reached:
            for neighbour, volts in beside[node]:
                if neighbour not in foot:
                    foot[neighbour], height[neighbour] = start, height[node] + volts
                    reached.append(neighbour)
    return foot, height
