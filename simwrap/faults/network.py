"""A whole circuit reduced to what a fault changes: thousands of faulty circuits solved at once, in numpy.

All that is linear is solved once (modified nodal analysis): how each voltage between two nodes follows a current that
is drawn between any other two. A part of another value is a current in proportion to its voltage, so that a fault costs
a matrix of its own rank (M. A. Woodbury, Inverting modified matrices, 1950; from memory), and only the valves' laws
are left for Newton's iteration. All voltages are counted from the healthy operating point, where it starts from. About
each solution the circuit is linear again: signals, how readings scatter with parts and valves, and what a meter takes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.engine import DEFAULT, Run, protocol
from simwrap.engine.linearised import Linearised
from simwrap.errors import EngineError
from simwrap.faults.bed import HEALTHY
from simwrap.faults.joints import Jointed
from simwrap.forking import cached_property
from simwrap.netlist import allow_list
from simwrap.netlist.allow_list import Parsed
from simwrap.netlist.element import Element
from simwrap.valves import laws

Floats = NDArray[np.float64]
Array = NDArray[Any]
Pair = tuple[str, str]
_NOWHERE: Pair = ("0", "0")

#: Electrodes whose currents are solved for, each to the cathode.
ELECTRODES = ("anode", "grid", "screen")
#: Places in one circuit that a fault changes at most.
MOST = 3
#: Conductance that holds a node which only valves hold [S].
_HELD = 1e-11
_ITERATIONS, _CLOSE = 120, 1e-6
#: Longest steps of the first attempt, and of the second [V].
_LEAPS = (25.0, 4.0)
#: Steps of the slopes [V]: of Newton's iteration, and of the slopes' own changes; and of factors.
_STEP, _WIDE_STEP = 1e-4, 2e-2
_FACTOR_STEP = 1e-3
#: A cathode is no colder than this share of its emission.
_COLDEST = 1e-4
#: Below this share of its emission a cathode limits the grid's current too.
_COLD = 0.1
_TINY = 1e-30
#: A lead of this resistance passes no signal: the electrode's capacitance takes it [ohm].
_NO_SIGNAL = 1e8


@dataclass
class Faulty:
    """Circuits that each differ from the healthy one in some values.

    Attributes
    ----------
    pair : ndarray of int, shape (points, MOST)
        Between which nodes, as the network counts them.
    siemens, farads : ndarray, shape (points, MOST)
        More there [S], [F].
    within : ndarray of int, shape (points, MOST)
        The valve within which that is, counted from 1: + where the current flows to its cathode, - where it flows away
        from it; 0: in none.
    emission, mu, gas : ndarray, shape (points, valves)
        Factors; of gas the grid's current for each anode's.
    in_series : ndarray, shape (points, valves, 4)
        In the leads of anode, grid, screen and cathode [ohm].
    volts : ndarray, shape (points, sources)
        By how much each supply is higher [V].
    """

    pair: Array
    siemens: Floats
    farads: Floats
    within: Array
    emission: Floats
    mu: Floats
    gas: Floats
    in_series: Floats
    volts: Floats

    @classmethod
    def none(cls, points: int, valves: int, sources: int) -> Faulty:
        """Return healthy circuits."""
        slots, each = (points, MOST), (points, valves)
        return cls(np.full(slots, 3 * valves), np.zeros(slots), np.zeros(slots), np.zeros(slots, dtype=int),
                   np.ones(each), np.ones(each), np.zeros(each), np.zeros((*each, 4)),
                   np.zeros((points, sources)))  # fmt: skip

    def __len__(self) -> int:
        return len(self.pair)

    def at(self, rows: Any) -> Faulty:
        """Return some of them."""
        return Faulty(*(value[rows] for value in vars(self).values()))


@dataclass
class Solved:
    """Operating points.

    Attributes
    ----------
    faulty : Faulty
    ports : ndarray, shape (points, valves, 3)
        Voltages of the electrodes within the valves [V].
    currents : ndarray, shape (points, valves, 3)
        [A]
    good : ndarray of bool, shape (points,)
        Whether Newton's iteration came to rest.
    """

    faulty: Faulty
    ports: Floats
    currents: Floats
    good: Array


@dataclass(frozen=True)
class _Linear:
    """Every pair's voltage by a current drawn at each (impedance), and by each source."""

    impedance: Array
    by_source: Array


@dataclass(frozen=True, eq=False)
class FaultNetwork:
    """A circuit ready to be made faulty; :meth:`of` makes it.

    Attributes
    ----------
    valves : tuple of str
    ends : tuple of (str, str)
        The pairs of nodes that it knows, the valves' electrodes first.
    sources : tuple of str
        Supplies, whose voltages may change.
    constants : tuple
        Of each valve's law.
    rest : ndarray, shape (pairs,)
        Voltages of the healthy operating point [V].
    at_rest : ndarray, shape (valves, 3)
        Currents there [A].
    state : dict of str to float
        All of it.
    """

    valves: tuple[str, ...]
    ends: tuple[Pair, ...]
    sources: tuple[str, ...]
    constants: tuple[Any, ...]
    rest: Floats
    at_rest: Floats
    state: Mapping[str, float]
    _parsed: Parsed
    _whole: Parsed
    _signal: str
    _linear: dict[float, _Linear] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, joined: Jointed, pairs: Sequence[Pair], *, run: Run = DEFAULT) -> FaultNetwork:
        """Reduce a test bed.

        Parameters
        ----------
        joined : Jointed
        pairs : sequence of (str, str)
            Nodes between which something may change or be read.
        run : Run
            For the one operating point from which all is counted.

        Raises
        ------
        EngineError
            If the healthy circuit has none.
        """
        bed = joined.bed
        parsed = allow_list.check(bed.text)
        (reply,) = engines.run(bed.table({}, [HEALTHY]), [protocol.OpRun(Linearised(parsed).needed)],
                               replace(run, workers=1))  # fmt: skip
        if reply.reasons[0]:
            raise EngineError(f"readings: {reply.reasons[0]}")
        uses = {name: use for name, use in bed.circuit.valves.items() if use.valve.kind in ("triode", "pentode")}
        devices = {name: device for name, device in parsed.devices.items() if not _of_law(name, bed.elements, uses)}
        nodes = tuple(dict.fromkeys(node for device in devices.values() for node in device.nodes if node != "0"))
        # The ports stand first, also where two of them are the same pair; then what changes nothing.
        pins = [joined.pins[name] for name in uses]
        ends = [(own[electrode], own["cathode"]) if electrode in own else _NOWHERE
                for own in pins for electrode in ELECTRODES]  # fmt: skip
        ends += [_NOWHERE, *dict.fromkeys(pairs)]
        state = {name: float(np.ravel(value)[0]) for name, value in reply.values.items()}
        at = {"0": 0.0, **state}
        rest = np.array([at[one] - at[other] for one, other in ends])
        signal = next((name for name, device in devices.items() if any(device.ac)), "")
        made = cls(tuple(uses), tuple(ends), tuple(bed.supplies.values()),
                   tuple(use.valve.constants for use in uses.values()), rest, np.zeros((len(uses), 3)), state,
                   Parsed(devices, nodes, parsed.models, parsed.cards), parsed, signal)  # fmt: skip
        ones = np.ones((1, len(uses)))
        made.at_rest[:] = made.currents(made.rest[: 3 * len(uses)].reshape(1, -1, 3), ones, ones, 0.0 * ones)[0]
        return made

    def with_values(self, values: Mapping[str, float]) -> FaultNetwork:
        """Return the network with other values of elements that carry nothing at rest (a transformer's turns)."""
        devices, whole = {**self._parsed.devices}, {**self._whole.devices}
        for name, value in values.items():
            devices[name] = whole[name] = replace(devices[name], value=value)
        state = {**self.state}
        for name, value in values.items():
            if devices[name].kind == "v":
                state[devices[name].nodes[0]] = value
        return replace(self, _parsed=replace(self._parsed, devices=devices), state=state, _linear={},
                       _whole=replace(self._whole, devices=whole))  # fmt: skip

    @property
    def grows(self) -> bool:
        """Whether something grows by itself about the healthy operating point: it oscillates."""
        poles = Linearised(self._whole).matrices(self.state).poles()
        return bool((np.real(poles) > 1e-3 * np.abs(poles)).any())

    def with_constants(self, valve: str, constants: Any) -> FaultNetwork:
        """Return the network with another type in a socket."""
        every = tuple(constants if name == valve else own
                      for name, own in zip(self.valves, self.constants, strict=True))  # fmt: skip
        return replace(self, constants=every)

    def value(self, element: str) -> float:
        """Return the value of an element."""
        return float(self._parsed.devices[element].value)

    def linear(self, frequency: float) -> _Linear:
        """Return what all pairs' voltages follow, at a frequency [Hz] or at rest (0)."""
        if frequency not in self._linear:
            self._linear[frequency] = self._reduced(frequency)
        return self._linear[frequency]

    def _reduced(self, frequency: float) -> _Linear:
        """Solve the linear part for a current drawn at every pair, and for every source."""
        drawn = [Element(f"i_pair_{k}", pair) for k, pair in enumerate(self.ends)]
        sources = [*self.sources] if not frequency else [self._signal] if self._signal else []
        devices = self._parsed.devices | {e.name: e for e in drawn}
        drives = [*(e.name for e in drawn), *sources]
        ready = Linearised(Parsed(devices, self._parsed.nodes, self._parsed.models, ()), drives=drives)
        whole, rate, changes = ready.stacked({name: np.array([self.state[name]]) for name in ready.needed})
        count, s = len(ready.names), 2j * np.pi * frequency if frequency else 0.0
        matrix = (whole + s * rate)[0]
        system, right = matrix[:, :count].copy(), -matrix[:, : count - 1 : -1]
        nodes = [k for k, name in enumerate(ready.names) if not name.startswith("i(")]
        system[nodes, nodes] += _HELD
        answers = np.linalg.solve(system, right)

        def at(node: str) -> Array:
            row = np.zeros(len(drives), dtype=answers.dtype)
            for index, factor in changes[node].items():
                if index >= 0:
                    row = row + np.ravel(factor)[0] * answers[index]
                else:
                    row[-1 - index] += np.ravel(factor)[0]
            return row

        found = {node: at(node) for node in {node for e in drawn for node in e.nodes}}
        rows = np.array([found[e.nodes[0]] - found[e.nodes[1]] for e in drawn])
        return _Linear(rows[:, : len(drawn)], rows[:, len(drawn) :])

    @cached_property
    def pairs(self) -> dict[Pair, int]:
        """Place of each pair in :attr:`ends`."""
        found: dict[Pair, int] = {}
        for number, pair in enumerate(self.ends):
            found.setdefault(pair, number)
        return found

    @property
    def nowhere(self) -> int:
        """The pair that changes nothing."""
        return 3 * len(self.valves)

    def currents(self, ports: Floats, emission: Floats, mu: Floats, gas: Floats) -> Floats:
        """Return the currents into the electrodes [A], shape (..., valves, 3); ``ports`` may be complex."""
        found = np.zeros_like(ports)
        for k, constants in enumerate(self.constants):
            va, vg, vs = (ports[..., k, e] for e in range(3))
            ma = laws.evaluate(constants, va, vg, vs, np.maximum(emission[..., k], _COLDEST), mu[..., k])
            found[..., k, 0] = ma.anode
            # A cathode that is cold feeds no grid either.
            found[..., k, 1] = np.minimum(1.0, emission[..., k] / _COLD) * ma.grid - gas[..., k] * ma.anode
            if ma.screen is not None:
                found[..., k, 2] = ma.screen
        return 1e-3 * found

    def slopes(self, ports: Floats, emission: Floats, mu: Floats, gas: Floats) -> tuple[Floats, Floats]:
        """Return the currents and their slopes, shapes (points, valves, 3) and (points, valves, 3, 3)."""
        higher = ports + _STEP * np.concatenate([np.zeros((1, 3)), np.eye(3)])[:, None, None, :]
        with np.errstate(all="ignore"):
            i, *others = self.currents(higher, *(np.broadcast_to(v, higher.shape[:-1]) for v in (emission, mu, gas)))
        return i, np.stack([(other - i) / _STEP for other in others], axis=-1)

    def bends(self, ports: Floats, faulty: Faulty) -> tuple[Floats, Floats, Floats, tuple[Floats, Floats]]:
        """Return currents, slopes, how slopes follow each voltage, and how both follow emission and mu.

        Shapes (points, valves, 3), (points, valves, 3, 3), (points, valves, 3, 3, 3), and for both factors
        (points, 2, valves, 3) and (points, 2, valves, 3, 3).
        """
        factors = (faulty.emission, faulty.mu, faulty.gas)
        i, gm = self.slopes(ports, *factors)
        bend = []
        for step in _WIDE_STEP * np.eye(3):
            up, down = (self.slopes(ports + sign * step, *factors)[1] for sign in (1.0, -1.0))
            bend.append((up - down) / (2.0 * _WIDE_STEP))
        flows, slopes = [], []
        for which in range(2):
            moved = [factor * (1.0 + _FACTOR_STEP) if number == which else factor
                     for number, factor in enumerate(factors)]  # fmt: skip
            other, steeper = self.slopes(ports, *moved)
            flows.append((other - i) / _FACTOR_STEP)
            slopes.append((steeper - gm) / _FACTOR_STEP)
        return i, gm, np.stack(bend, axis=-1), (np.stack(flows, axis=1), np.stack(slopes, axis=1))

    def in_series(self, through: Array, faulty: Faulty) -> Array:
        """Return the valves' impedances with what is in their leads; an open one carries no signal past the strays."""
        lead = faulty.in_series
        if np.iscomplexobj(through):
            lead = np.where(lead > _NO_SIGNAL, _NO_SIGNAL**2, lead)
        diagonal = np.arange(through.shape[1])
        through[:, diagonal, diagonal] -= lead[:, :, :3].reshape(len(lead), -1)
        for k in range(lead.shape[1]):
            through[:, 3 * k : 3 * k + 3, 3 * k : 3 * k + 3] -= lead[:, k, 3, None, None]
        return through

    def reach(self, faulty: Faulty, frequency: float) -> Reach:
        """Return how a set of pairs follows others in each faulty circuit, valves aside."""
        linear = self.linear(frequency)
        siemens = faulty.siemens + 2j * np.pi * frequency * faulty.farads if frequency else faulty.siemens
        inner = linear.impedance[faulty.pair[:, :, None], faulty.pair[:, None, :]]
        # The changed places' currents for the voltages that would be there without them.
        matrix = np.eye(MOST) - inner * siemens[:, None, :]
        weight = siemens[:, :, None] * np.linalg.inv(matrix)
        return Reach(linear, faulty, weight)

    def solve(self, faulty: Faulty, start: Floats | None = None) -> Solved:
        """Find the operating points.

        Parameters
        ----------
        faulty : Faulty
        start : ndarray, shape (points, valves, 3), optional
            Where to begin [V]; otherwise at the healthy operating point.
        """
        points, valves = faulty.emission.shape
        size = 3 * valves
        ports = np.arange(size)
        reach = self.reach(faulty, 0.0)
        through = self.in_series(reach.between(ports, ports), faulty)
        lead = faulty.in_series
        # What series resistances change at the healthy currents.
        calm = reach.level(self.rest, faulty.volts)[:, :size] if size else np.zeros((points, 0))
        healthy = self.at_rest.reshape(-1)
        drop = lead[:, :, :3] * self.at_rest + (lead[:, :, 3] * self.at_rest.sum(axis=1))[:, :, None]
        calm = calm - drop.reshape(points, size)
        first = np.broadcast_to(self.rest[:size], (points, size)) if start is None else start
        v = first.reshape(points, size).copy()
        good = np.zeros(points, dtype=bool)
        for longest in _LEAPS:
            rows = np.flatnonzero(~good)
            if len(rows):
                v[rows] = self.rest[:size] if longest != _LEAPS[0] or start is None else v[rows]
                near = v[rows]
                good[rows] = _newton(self, near, (through[rows], calm[rows], healthy), faulty.at(rows), longest)
                v[rows] = near
        i = self.currents(v.reshape(points, valves, 3), faulty.emission, faulty.mu, faulty.gas)
        return Solved(faulty, v.reshape(points, valves, 3), i, good)

    def voltages(self, solved: Solved, at: Array) -> Floats:
        """Return pairs' voltages at operating points, shape (points, at) [V]."""
        reach, ports = self.reach(solved.faulty, 0.0), np.arange(3 * len(self.valves))
        drawn = (solved.currents - self.at_rest).reshape(len(solved.good), -1, 1)
        level = reach.level(self.rest, solved.faulty.volts)[:, at]
        return np.asarray(level + (reach.between(at, ports) @ drawn)[:, :, 0])


@dataclass(frozen=True)
class Reach:
    """How pairs follow currents that are drawn at others in faulty circuits without their valves."""

    linear: _Linear
    faulty: Faulty
    weight: Array

    def between(self, one: Array, other: Array) -> Array:
        """Return the impedances from currents at ``other`` to voltages at ``one``, shape (points, one, other) [ohm]."""
        z, pair = self.linear.impedance, self.faulty.pair
        out = z[one[None, :, None], pair[:, None, :]]
        into = z[pair[:, :, None], other[None, None, :]]
        return np.asarray(z[np.ix_(one, other)] + out @ (self.weight @ into))

    def itself(self, at: Array) -> Array:
        """Return the impedance that each pair sees of itself, shape (points, at) [ohm]."""
        z, pair = self.linear.impedance, self.faulty.pair
        out = z[at[None, :, None], pair[:, None, :]]
        into = z[pair[:, None, :], at[None, :, None]]
        return np.asarray(z[at, at] + ((out @ self.weight) * into).sum(axis=2))

    def level(self, rest: Floats, volts: Floats) -> Array:
        """Return all pairs' voltages at the healthy currents of all valves, shape (points, pairs) [V]."""
        z, pair = self.linear.impedance, self.faulty.pair
        calm = rest + volts @ self.linear.by_source.T
        there = np.take_along_axis(calm, pair, axis=1)
        drawn = (self.weight @ there[:, :, None])[:, :, 0]
        return np.asarray(calm + np.einsum("pkq,pk->pq", z.T[pair], drawn))

    def heard(self) -> Array:
        """Return all pairs' voltages by the signal alone, valves silent, shape (points, pairs)."""
        z, pair = self.linear.impedance, self.faulty.pair
        calm = self.linear.by_source[:, 0]
        drawn = (self.weight @ calm[pair][:, :, None])[:, :, 0]
        return np.asarray(calm + np.einsum("pkq,pk->pq", z.T[pair], drawn))


def _newton(network: FaultNetwork, v: Floats, linear: tuple[Floats, ...], faulty: Faulty, longest: float) -> Array:
    """Bring the valves' voltages ``v`` to rest, in place; return which points came there."""
    through, calm, healthy = linear
    points, size = v.shape
    good = np.zeros(points, dtype=bool)
    rows = np.arange(points)
    leap = np.full(points, longest)
    last = np.zeros_like(v)
    for _ in range(_ITERATIONS):
        own = faulty.at(rows)
        i, slopes = network.slopes(v[rows].reshape(len(rows), -1, 3), own.emission, own.mu, own.gas)
        matrix = through[rows] @ blocks(slopes)
        miss = calm[rows] + (through[rows] @ (i.reshape(len(rows), size) - healthy)[:, :, None])[:, :, 0] - v[rows]
        matrix = np.eye(size) - matrix
        with np.errstate(all="ignore"):
            change = np.linalg.solve(matrix, miss[:, :, None])[:, :, 0]
        change = np.where(np.isfinite(change), change, 0.0)
        largest = np.abs(change).max(axis=1, initial=0.0)
        # Where a step turns back the bend lies between: shorter ones; longer ones again where it goes on.
        back = (change * last[rows]).sum(axis=1) < 0.0
        leap[rows] = np.where(back, 0.4, 1.5) * np.minimum(leap[rows], longest)
        last[rows] = change
        v[rows] += change * np.minimum(1.0, leap[rows] / np.maximum(largest, _TINY))[:, None]
        done = largest < _CLOSE * (1.0 + np.abs(v[rows]).max(axis=1, initial=0.0))
        good[rows[done]] = True
        rows = rows[~done]
        if not len(rows):
            break
    return good


def blocks(slopes: Floats) -> Floats:
    """Return the slopes of all valves as one matrix each, shape (points, 3 valves, 3 valves)."""
    points, valves = slopes.shape[:2]
    found = np.zeros((points, 3 * valves, 3 * valves))
    for k in range(valves):
        found[:, 3 * k : 3 * k + 3, 3 * k : 3 * k + 3] = slopes[:, k]
    return found


def _of_law(name: str, elements: Mapping[str, Element], uses: Mapping[str, Any]) -> bool:
    """Whether an element is a part of a valve's law or of the bed's own faults."""
    element = elements.get(name)
    if name.startswith("b_gas_") or name.endswith("_gas") or (name.startswith("r_fault_") and name != "r_fault_rail"):
        return True
    return element is not None and element.valve in uses and element.kind in "bgv"
