"""How long a network of capacitors and resistors stays charged, by its structure and its time constants.

What drains is found from the graph, never from a matrix that is nearly singular: wires are merged, and a group of
nodes that no resistor joins to ground keeps its charge. What is left is solved over time constants, not rates, so that
the slow modes, which are the ones that hurt, are the ones found best.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from simwrap.measures.common import Array, Floats
from simwrap.netlist.groups import GROUND, Groups

#: A resistance up to this is a wire [ohm].
WIRE = 0.011
#: Time constants below this share of the longest are gone at once.
_FASTEST = 1e-12
#: Moments at which a curve is looked at, from its fastest to its slowest, and halvings of the bracket found.
_MOMENTS, _HALVINGS = 600, 50
#: After so many of the longest time constants all is over.
_OVER = 60.0


@dataclass(frozen=True)
class Branch:
    """A resistor or a capacitor between two nodes: its value is in ohm or farad."""

    start: str
    end: str
    value: float


def time_above(
    capacitors: Sequence[Branch], resistors: Iterable[Branch], low: Floats, high: Floats, level: float
) -> Array:
    """Return when each capacitor is below a level for good, whatever the capacitors hold at first within their bounds.

    For every capacitor and moment the least favourable start counts: each of the others holds what of its range
    keeps this one up most.

    Parameters
    ----------
    capacitors, resistors : sequence of Branch
        The network; a resistor of next to nothing is a wire, one of infinite value isn't there.
    low, high : ndarray, shape (capacitors,)
        Bounds of the voltage of each at first, from its start to its end [V].
    level : float
        [V].

    Returns
    -------
    ndarray, shape (capacitors,)
        [s]; 0 where it never is above, inf where it stays above.
    """
    response = _response(capacitors, list(resistors))
    final = _most(response.final, low, high)
    times = np.zeros(len(capacitors))
    if not len(response.constants):
        return np.where(final > level, np.inf, times)
    longest = float(response.constants.max())
    moments = np.append(0.0, np.geomspace(float(response.constants.min()) * 1e-3, _OVER * longest, _MOMENTS))
    levels = np.stack([_most(response.at(moment), low, high) for moment in moments])
    for number in range(len(capacitors)):
        above = np.flatnonzero(levels[:, number] > level)
        if final[number] > level or (len(above) and above[-1] == len(moments) - 1):
            times[number] = np.inf
        elif len(above):
            early, late = moments[above[-1]], moments[above[-1] + 1]
            for _ in range(_HALVINGS):
                middle = (early + late) / 2.0
                higher = _most(response.at(middle), low, high)[number] > level
                early, late = (middle, late) if higher else (early, middle)
            times[number] = late
    return times


def highest_after(
    capacitors: Sequence[Branch], resistors: Iterable[Branch], low: Floats, high: Floats, moment: float
) -> Floats:
    """Return the most that each capacitor may still hold after some time, as :func:`time_above` looks at it [V]."""
    return _most(_response(capacitors, list(resistors)).at(moment), low, high)


@dataclass(frozen=True)
class _Response:
    """Each capacitor's voltage from what each of them held: ``final`` and what decays with the time constants."""

    constants: Floats
    final: Floats
    modes: Floats
    scale: Floats

    def at(self, moment: float) -> Floats:
        """Return the voltages after some time, a row for each capacitor and a column for what each held."""
        decayed = (self.modes * np.exp(-moment / self.constants)) @ self.modes.T
        return np.asarray(self.final + decayed / self.scale[:, None] * self.scale, dtype=np.float64)


def _most(response: Floats, low: Floats, high: Floats) -> Floats:
    """Return the largest magnitude that any start between the bounds leads to."""
    above = np.maximum(response * low, response * high).sum(axis=1)
    below = np.minimum(response * low, response * high).sum(axis=1)
    return np.asarray(np.maximum(above, -below), dtype=np.float64)


def _response(capacitors: Sequence[Branch], resistors: list[Branch]) -> _Response:
    """Solve the network.

    Capacitors drive currents i = -C dx/dt into the resistors, which answer with x = Z i; with s = sqrt(C) x that is
    ds/dt = -(sqrt(C) Z sqrt(C))^-1 s. Nodes that no resistor joins to ground lie at a potential of their own and
    keep their charge: those directions of s don't change, and the others are solved beside them.
    """
    wires = Groups()
    for each in resistors:
        if each.value <= WIRE:
            wires.join(each.start, each.end)
    ends = [(wires.of(each.start), wires.of(each.end)) for each in capacitors]
    named = [Branch(wires.of(each.start), wires.of(each.end), each.value) for each in resistors]
    kept = [each for each in named if each.start != each.end and np.isfinite(each.value)]
    drains = Groups()
    for each in kept:
        drains.join(each.start, each.end)
    nodes = sorted({node for pair in [*ends, *((each.start, each.end) for each in kept)] for node in pair} - {GROUND})
    impedance = _impedance(nodes, kept, ends, drains.of)
    held = _held(ends, drains.of)
    scale = np.sqrt([each.value for each in capacitors])
    fixed = scale[:, None] * held
    fixed = fixed / np.maximum(np.linalg.norm(fixed, axis=0), np.finfo(float).tiny)
    basis, _ = np.linalg.qr(fixed, mode="complete")
    still, moving = basis[:, : fixed.shape[1]], basis[:, fixed.shape[1] :]
    constants, modes = np.linalg.eigh(moving.T @ (scale[:, None] * impedance * scale) @ moving)
    slow = constants > _FASTEST * constants.max(initial=0.0)
    final = (still @ still.T) / scale[:, None] * scale
    return _Response(constants[slow], final, moving @ modes[:, slow], scale)


def _impedance(
    nodes: list[str], resistors: list[Branch], ends: list[tuple[str, str]], group: Callable[[str], str]
) -> Floats:
    """Return what a current into each pair of ends leaves across each, group by group of what resistors join.

    In a group without ground one node stands for it: where it lies doesn't matter to what is across its capacitors.
    """
    groups: dict[str, list[str]] = {}
    for node in nodes:
        groups.setdefault(group(node), []).append(node)
    found = np.zeros((len(ends), len(ends)))
    for name, members in groups.items():
        inner = members if name == GROUND else members[1:]
        place = {node: number for number, node in enumerate(inner)}
        matrix = np.zeros((len(inner), len(inner)))
        for each in resistors:
            if group(each.start) != name:
                continue
            at = [place[node] for node in (each.start, each.end) if node in place]
            for one in at:
                for other in at:
                    matrix[one, other] += (1.0 if one == other else -1.0) / each.value
        into = np.zeros((len(inner), len(ends)))
        for number, pair in enumerate(ends):
            for node, sign in zip(pair, (1.0, -1.0), strict=True):
                if node in place:
                    into[place[node], number] += sign
        # Conductances of many decades: to a diagonal of ones first.
        size = 1.0 / np.sqrt(np.diag(matrix))[:, None]
        found += (into * size).T @ np.linalg.solve(matrix * size * size.T, into * size) if len(inner) else 0.0
    return found


def _held(ends: list[tuple[str, str]], group: Callable[[str], str]) -> Floats:
    """Return the groups that keep their charge, a column each: +1 and -1 where a capacitor leads out of it and in.

    Of groups that hang together by capacitors, and not on ground, one says nothing that the others don't.
    """
    outer = [(group(start), group(end)) for start, end in ends]
    hanging = Groups()
    for one, other in outer:
        hanging.join(one, other)
    names = sorted({name for pair in outer for name in pair if pair[0] != pair[1]} - {GROUND})
    found = {name: np.zeros(len(ends)) for name in names if hanging.of(name) == GROUND or hanging.of(name) != name}
    for number, (one, other) in enumerate(outer):
        if one != other:
            for name, sign in ((one, 1.0), (other, -1.0)):
                if name in found:
                    found[name][number] += sign
    return np.stack(list(found.values()), axis=1) if found else np.zeros((len(ends), 0))


__all__ = ["WIRE", "Branch", "highest_after", "time_above"]
