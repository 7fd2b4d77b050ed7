"""What a netlist's resistors and capacitors bear, by their names."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.measures.common import Floats, scalar, vector
from simwrap.measures.numerics.discharge import WIRE
from simwrap.measures.requests import Variable
from simwrap.netlist.element import Element, Role
from simwrap.netlist.groups import Groups
from simwrap.report.model import Listing

#: A resistance that stands for nothing at all [ohm].
OPEN = 0.9e9
#: A resistor above this isn't there when the valves are cold [ohm].
_NOTHING = 1e12
#: Part of its rated wattage that a resistor is loaded with at most (common practice, no source).
LOADED = 0.5
#: A table shows resistors from this dissipation on [W].
_SHOWN_FROM = 1e-3
#: Wattages [W] and voltages [V] in which parts are commonly sold (common practice, no source).
WATTAGES = (0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 25.0, 50.0, 100.0, 200.0)
VOLTAGES = (6.3, 10.0, 16.0, 25.0, 35.0, 50.0, 63.0, 100.0, 160.0, 200.0, 250.0, 350.0, 400.0, 450.0, 500.0, 630.0,
            800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3000.0)  # fmt: skip


def netlist_parts(elements: Iterable[Element], points: int = 1) -> dict[str, Element]:
    """Return by name what joins two nodes with something known: resistors, capacitors, coils, and what holds a voltage.

    Each has a value a point; controlled voltages have none that counts.
    """
    return {
        each.name: replace(each, nodes=each.nodes[:2], value=np.broadcast_to(np.asarray(each.value, float), (points,)))
        for each in elements
        if each.kind in "rcl" or each.holds_voltage
    }


def wired(parts: Mapping[str, Element]) -> dict[str, str]:
    """Return one name for every node of a netlist: nodes that a wire joins have the same one.

    A wire is a resistor that stands for one, at every point.
    """
    wires = [part.nodes for part in parts.values() if part.kind == "r" and np.all(part.value <= WIRE)]
    name: dict[str, str] = {node: node for part in parts.values() for node in part.nodes}
    for one, other in wires:
        kept, gone = sorted((name[one], name[other]), key=lambda node: node != "0")
        name = {node: kept if own == gone else own for node, own in name.items()}
    return name


def collect(into: dict[str, Element], elements: Iterable[Element], indices: NDArray[np.intp], points: int) -> None:
    """Add the elements of some points to those of all; where one isn't there its value is NaN."""
    for name, part in netlist_parts(elements, len(indices)).items():
        if name not in into:
            into[name] = replace(part, value=np.full(points, np.nan))
        into[name].value[indices] = part.value


def bought(parts: Mapping[str, Element], kind: str) -> dict[str, Element]:
    """Return the resistors ("r"), capacitors ("c") or coils ("l") that a builder buys, by their path: "driver.anode".

    One that is a wire, or open, isn't there: NaN at those points, and left out where it is so at all.
    """
    found = {}
    for part in parts.values():
        if part.kind == kind and part.role is Role.PART:
            with np.errstate(invalid="ignore"):
                real = (part.value > WIRE) & (part.value < OPEN) if kind == "r" else part.value > 0.0
            if real.any():
                found[part.path] = replace(part, value=np.where(real, part.value, np.nan))
    return found


def voltages(reply: Any, part: Element) -> Floats:
    """Return the voltage across a part [V], shaped as the reply's vectors."""
    one, other = (vector(reply, node) for node in part.nodes)
    across: Floats = one - other
    return across


def next_of(series: tuple[float, ...], least: Floats) -> Floats:
    """Return the smallest of a series that is at least as large; NaN beyond its end."""
    ends = np.array([*series, np.nan])
    place = np.searchsorted(series, np.where(np.isfinite(least), least, np.inf))
    return np.where(np.isfinite(least), ends[place], np.nan)


def dissipated(path: str, power: Floats, most: Floats | None = None) -> dict[str, Variable]:
    """Return a resistor's dissipation [W], and the next common wattage of which it, or ``most``, is no more than half.

    ``most`` [W] is that in a less favourable state.
    """
    words = path.replace("_", " ")
    return {
        f"resistors.{path}.dissipation": scalar(power, "W", f"dissipation of the {words} resistor"),
        f"resistors.{path}.rating_needed": scalar(
            next_of(WATTAGES, (power if most is None else most) / LOADED),
            "W",
            f"wattage that the {words} resistor needs",
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


def cold(parts: Mapping[str, Element]) -> dict[str, Floats]:
    """Return the voltage across every capacitor before the valves conduct [V], by path, each of shape (points,)."""
    at = cold_nodes(parts)
    capacitors = [part for part in parts.values() if part.kind == "c" and part.path]
    return {part.path: at[part.nodes[0]] - at[part.nodes[1]] for part in capacitors}


def cold_nodes(parts: Mapping[str, Element]) -> dict[str, Floats]:
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


def _kind_of(part: Element) -> NDArray[np.intp]:
    """Return what a part is at each point: 0 nothing, 1 a resistor, 2 what sets the voltage between its ends."""
    there = np.isfinite(part.value)
    if part.kind != "r":
        return np.where(there, 2, 0)
    return np.where(there & (part.value <= _NOTHING), np.where(part.value <= WIRE, 2, 1), 0)


_Links = list[tuple[tuple[str, ...], Floats]]


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
                row, column = place[feet[0]], place[feet[1]]
                matrix[:, row, column] -= 1.0 / ohms
                matrix[:, column, row] -= 1.0 / ohms
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
