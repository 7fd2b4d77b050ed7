"""The guard's bed in time, for thousands of builds and faults at once: what is linear reduced to its valves' ends.

A simulator takes a third of a second for six seconds of one build. Here all that is linear (modified nodal analysis,
with capacitors and coils as the backward Euler rule has them) is solved once for every step size, down to the voltages
at the valves' electrodes; what is left at each step is Newton's iteration over a handful of currents, in numpy, for all
builds together. Steps of some milliseconds suffice for what a guard behind its filter sees. Currents at rest and in
time are held against the simulators' by the tests.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.cathode_guard.bench import GuardBed
from simwrap.engine import DEFAULT, Run, protocol
from simwrap.errors import EngineError
from simwrap.faults.bed import HEALTHY, RAIL, RAIL_RESISTOR, RAIL_SOURCE, element_of
from simwrap.measures.bias import rating_of
from simwrap.netlist import expressions
from simwrap.netlist.element import Element
from simwrap.valves import laws

Floats = NDArray[np.float64]

#: Capacitances and inductances below these are strays: quicker than a guard.
_STRAY_FARADS, _STRAY_HENRIES = 1e-9, 1e-3
#: A rectifier that the mains doesn't feed [ohm].
BLOCKED = 1e9
#: Electrodes of a valve whose currents are solved for.
ELECTRODES = ("anode", "grid", "screen")
#: A valve's cathode is no colder than this share of its emission.
_COLDEST = 1e-4
_ITERATIONS, _CLOSE, _STEP = 40, 1e-4, 1e-4
#: Largest change within a step of what is at rest, as a part of the largest voltage.
_RESTS = 1e-12
#: Largest change of a voltage within one iteration [V].
_LEAP = 40.0
#: What drives the network: the constant sources, the mains (1: as it should be), the signal [V].
INPUTS = ("constant", "mains", "signal")
#: Points whose matrices are made at once.
_BATCH = 200


class _Real:
    """Operations of the laws on real arrays."""

    exp, log, sqrt, abs = np.exp, np.log, np.sqrt, np.abs
    larger, smaller = np.maximum, np.minimum

    @staticmethod
    def power(base: Any, exponent: Any) -> Any:
        return np.exp(exponent * np.log(base))

    @staticmethod
    def node(name: str, value: Any) -> Any:
        return value


@dataclass
class Reduced:
    """The linear part at one step size, for every point.

    Attributes
    ----------
    from_state : ndarray, shape (points, outputs, states)
    from_input : ndarray, shape (points, outputs, inputs)
    from_current : ndarray, shape (points, outputs, ports)
        Outputs are the ports' voltages [V], the next states [V, A], and the voltages across the sense resistors [V].
    """

    from_state: Floats
    from_input: Floats
    from_current: Floats

    def take(self, into: Reduced, rows: Any) -> None:
        """Copy some points into another one."""
        into.from_state[rows] = self.from_state[rows]
        into.from_input[rows] = self.from_input[rows]
        into.from_current[rows] = self.from_current[rows]

    def at(self, points: Any) -> Reduced:
        """Return that of some points, copied."""
        return Reduced(self.from_state[points], self.from_input[points], self.from_current[points])


@dataclass
class Moment:
    """Where every point is: what goes on from step to step.

    Attributes
    ----------
    state : ndarray, shape (points, states)
        Voltages of capacitors, currents of coils.
    ports : ndarray, shape (points, valves, 3)
        Voltages of anode, grid, screen to the cathode [V].
    currents : ndarray, shape (points, valves, 3)
        [A]
    sensed : ndarray, shape (points, valves)
        Currents in the sense resistors [A].
    """

    state: Floats
    ports: Floats
    currents: Floats
    sensed: Floats

    def at(self, points: Any) -> Moment:
        """Return that of some points, copied."""
        return Moment(*(value[points].copy() for value in vars(self).values()))


class Network:
    """A guard's bed, ready to be reduced.

    Parameters
    ----------
    bed : GuardBed
    run : Run
        For the one operating point about which what isn't linear outside the valves is made so.
    """

    def __init__(self, bed: GuardBed, run: Run = DEFAULT) -> None:
        self.bed = bed
        self.names = [valve.name for valve in bed.valves]
        self.uses = [bed.bed.circuit.valves[name] for name in self.names]
        constants = [use.valve.constants for use in self.uses]
        self._alike = [
            (one, [n for n, other in enumerate(constants) if other == one]) for one in dict.fromkeys(constants)
        ]
        inside = tuple(kind + element_of(name, "")[1:] for name in self.names for kind in "bg")
        factors = {element_of(name, key) for name in self.names for key in ("emission", "mu", "gas")}
        every = list(bed.bed.elements.values())
        self.elements = [
            e for e in every
            if not e.name.startswith((*inside, "b_gas_")) and e.name not in factors
            and not (e.kind == "c" and float(e.value) < _STRAY_FARADS)
        ]  # fmt: skip
        self.elements = self._lifted(self.elements)
        self.nominal = {e.name: float(e.value) for e in every}
        self.ratings = np.array(
            [[rating_of(use, f"{electrode}_dissipation_max") or np.inf for electrode in ("anode", "screen")]
             for use in self.uses]
        )  # fmt: skip
        nodes = dict.fromkeys(node for e in self.elements for node in e.nodes if node != "0")
        nodes |= dict.fromkeys(node for use in self.uses for node in use.nodes.values() if node != "0")
        self.place = {node: number for number, node in enumerate(nodes)}
        for e in self.elements:
            if e.holds_voltage or self._coil_is_wire(e):
                self.place[f"i({e.name})"] = len(self.place)
        self.stores = [e for e in self.elements if e.kind == "c" or (e.kind == "l" and not self._coil_is_wire(e))]
        self.pins = [self._index_of_pin(pin) for pin in (*(v.pin for v in bed.valves), bed.supply_pin) if pin]
        self.ports = [
            (use.nodes.get(electrode, ""), use.nodes["cathode"]) for use in self.uses for electrode in ELECTRODES
        ]
        self._slopes = self._made_linear(run)
        #: Which share of the supply's voltage is lost in its slope at rest.
        self.sag = self._sag()

    def _sag(self) -> float:
        """Bring one nominal build to rest, and look at its rail."""
        rail = next((n for n, e in enumerate(self.stores) if e.kind == "c" and RAIL in e.nodes), None)
        if rail is None or RAIL_SOURCE not in self.nominal:
            return 0.0
        now, ones = self.start(1), np.ones((1, len(self.names)))
        for step in (0.004, 0.1):
            matrices = self.reduced({}, 1, step)
            for _ in range(150):
                before = now.state
                self.step(now, matrices, np.array([[1.0, 1.0, 0.0]]), (ones, ones, 0.0 * ones), ones * self.bed.sense)
                if np.abs(now.state - before).max() < _RESTS * np.abs(before).max():
                    break
        return 1.0 - float(now.state[0, rail]) / self.nominal[RAIL_SOURCE]

    def _coil_is_wire(self, element: Element) -> bool:
        return element.kind == "l" and float(element.value) < _STRAY_HENRIES

    def _index_of_pin(self, pin: str) -> int:
        return next(number for number, e in enumerate(self.stores) if e.kind == "c" and e.nodes[0] == pin)

    def _lifted(self, elements: list[Element]) -> list[Element]:
        """Let what stands before a coupling capacitor rise and fall with the supply, as its own anode does."""
        rail = next((e for e in elements if e.name == RAIL_SOURCE), None)
        if rail is None:
            return elements
        found = list(elements)
        volts = {e.nodes[0]: float(e.value) for e in elements if e.name.startswith("v_guard_drive")}
        for leak in self.bed.drives.values():
            drive, node = next(e.nodes for e in elements if e.name == leak)
            for number, e in enumerate(found):
                if e.kind == "c" and node in e.nodes and "__" in e.name and not e.name.startswith("c_guard"):
                    far = e.nodes[0] if e.nodes[1] == node else e.nodes[1]
                    lift = f"n_lift_{e.name}"
                    found[number] = Element(e.name, (lift, node), e.value)
                    gain = volts[drive] / float(rail.value)
                    found.append(Element(f"e_lift_{e.name}", (lift, far, RAIL, "0"), gain))
                    break
        return found

    def _made_linear(self, run: Run) -> dict[str, tuple[float, dict[str, float]]]:
        """Return value and slopes of each expression outside the valves at the healthy operating point."""
        others = [e for e in self.elements if e.kind == "b"]
        if not others:
            return {}
        reads = tuple(dict.fromkeys(name for e in others for name in e.reads))
        (reply,) = engines.run(self.bed.bed.table({}, [HEALTHY]), [protocol.OpRun(reads)], replace(run, workers=1))
        if reply.reasons[0]:
            raise EngineError(f"guard: {reply.reasons[0]}")
        given = {name: np.atleast_1d(reply.values[name]) for name in reads}
        found = {}
        for e in others:
            value, slopes = expressions.evaluate(e.program, given)
            factors = {name: float(slope[0]) for name, slope in slopes.items()}
            rest = float(value[0]) - sum(factor * float(given[name][0]) for name, factor in factors.items())
            found[e.name] = (rest, factors)
        return found

    def reduced(self, values: Mapping[str, Any], points: int, step: float, mains: bool = True) -> Reduced:
        """Return the linear part for a step size [s], with the element values of every point; without mains the
        rectifier blocks.
        """
        parts = []
        for begin in range(0, points, _BATCH):
            rows = slice(begin, min(begin + _BATCH, points))
            own = {name: np.asarray(value)[rows] for name, value in values.items() if np.ndim(value)}
            parts.append(self._reduced(own, rows.stop - begin, step, mains))
        return Reduced(*(np.concatenate([getattr(part, key) for part in parts])
                         for key in ("from_state", "from_input", "from_current")))  # fmt: skip

    def _reduced(self, values: Mapping[str, Floats], points: int, step: float, mains: bool) -> Reduced:
        size, stores, place = len(self.place), self.stores, self.place
        matrix = np.zeros((points, size, size))
        right = np.zeros((points, size, len(stores) + len(INPUTS) + len(self.ports)))
        inputs = len(stores)

        def into(node: str, column: int, amount: Any) -> None:
            if node != "0":
                right[:, place[node], column] += amount

        def conduct(nodes: tuple[str, ...], siemens: Any) -> None:
            for one, sign in zip(nodes[:2], (1.0, -1.0), strict=True):
                for other, turn in zip(nodes[-2:], (1.0, -1.0), strict=True):
                    if one != "0" and other != "0":
                        matrix[:, place[one], place[other]] += sign * turn * siemens

        for e in self.elements:
            value: Any = values.get(e.name, float(e.value))
            if e.name == RAIL_RESISTOR and not mains:
                value = BLOCKED
            if e.kind == "r":
                conduct(e.nodes, 1.0 / np.maximum(value, 1e-3))
            elif e in stores:
                column = stores.index(e)
                siemens = value / step if e.kind == "c" else step / value
                conduct(e.nodes, siemens)
                amount = siemens if e.kind == "c" else -1.0
                into(e.nodes[0], column, amount)
                into(e.nodes[1], column, -amount)
            elif e.kind == "g":
                conduct(e.nodes, value)
            elif f"i({e.name})" in place:
                self._branch(matrix, right, e, value, inputs)
            elif e.kind == "f":
                for node, sign in zip(e.nodes[:2], (1.0, -1.0), strict=True):
                    if node != "0":
                        matrix[:, place[node], place[f"i({e.refers[0]})"]] += sign * value
            elif e.kind in "ib":
                rest, slopes = self._slopes.get(e.name, (value, {}))
                for node, sign in zip(e.nodes[:2], (1.0, -1.0), strict=True):
                    into(node, inputs, -sign * rest)
                    if node != "0":
                        for name, slope in slopes.items():
                            matrix[:, place[node], place[name]] += sign * slope
        for number, (node, cathode) in enumerate(self.ports):
            if node:
                into(node, inputs + len(INPUTS) + number, -1.0)
                into(cathode, inputs + len(INPUTS) + number, 1.0)
        # A node that nothing holds is held by next to nothing.
        nodes = [number for name, number in place.items() if not name.startswith("i(")]
        matrix[:, nodes, nodes] += 1e-12
        return self._outputs(np.asarray(np.linalg.solve(matrix, right), dtype=np.float64), values, step)

    def _branch(self, matrix: Floats, right: Floats, e: Element, value: Any, inputs: int) -> None:
        """Add a source of voltage, or a coil that is a wire."""
        place, row = self.place, self.place[f"i({e.name})"]
        for node, sign in zip(e.nodes[:2], (1.0, -1.0), strict=True):
            if node != "0":
                matrix[:, place[node], row] += sign
                matrix[:, row, place[node]] += sign
        if e.kind == "e":
            for node, sign in zip(e.nodes[2:], (1.0, -1.0), strict=True):
                if node != "0":
                    matrix[:, row, place[node]] -= sign * value
        elif e.kind == "h":
            matrix[:, row, place[f"i({e.refers[0]})"]] -= value
        elif e.kind == "b":
            rest, slopes = self._slopes[e.name]
            right[:, row, inputs] += rest
            for name, slope in slopes.items():
                matrix[:, row, place[name]] -= slope
        elif e.kind == "v":
            live = e.name in self.bed.bed.supplies.values()
            right[:, row, inputs + (1 if live else 0)] += value
            if e.name in self.bed.inputs.values():
                right[:, row, inputs + 2] += 1.0

    def _outputs(self, solved: Floats, values: Mapping[str, Floats], step: float) -> Reduced:
        """Take the outputs from the solution of every column."""
        zero = np.zeros_like(solved[:, :1, :])

        def at(node: str) -> Floats:
            return zero[:, 0] if node in ("0", "") else solved[:, self.place[node]]

        rows = [at(node) - at(cathode) if node else zero[:, 0] for node, cathode in self.ports]
        for number, e in enumerate(self.stores):
            across = at(e.nodes[0]) - at(e.nodes[1])
            if e.kind == "l":
                across = np.asarray(values.get(e.name, float(e.value)) ** -1.0 * step)[..., None] * across
                across[:, number] += 1.0
            rows.append(across)
        rows += [at(valve.ends[0]) - at(valve.ends[1]) for valve in self.bed.valves]
        outputs = np.stack(rows, axis=1)
        states, ports = len(self.stores), len(self.stores) + len(INPUTS)
        return Reduced(outputs[:, :, :states].copy(), outputs[:, :, states:ports].copy(), outputs[:, :, ports:].copy())

    def start(self, points: int) -> Moment:
        """Return a moment at which nothing is charged."""
        shape = (points, len(self.names), 3)
        return Moment(np.zeros((points, len(self.stores))), np.zeros(shape), np.zeros(shape), np.zeros(shape[:2]))

    def currents(self, ports: Floats, emission: Floats, mu: Floats, gas: Floats) -> Floats:
        """Return the currents into each valve's electrodes [A], shape (..., valves, 3), as the law has them."""
        found = np.zeros_like(ports)
        for constants, own in self._alike:
            va, vg, vs = (ports[..., own, k] for k in range(3))
            em, factor = np.maximum(emission[..., own], _COLDEST), mu[..., own]
            if isinstance(constants, laws.PentodeConstants):
                ma = laws.pentode(_Real, constants, va, vg, vs, em, factor)
                found[..., own, 2] = ma.screen
            elif isinstance(constants, laws.TriodeConstants):
                ma = laws.triode(_Real, constants, va, vg, em, factor)
            else:
                continue
            found[..., own, 0] = ma.anode
            found[..., own, 1] = ma.grid - gas[..., own] * ma.anode
        return 1e-3 * found

    def step(self, now: Moment, matrices: Reduced, inputs: Floats, valves: tuple[Floats, ...],
             ohms: Floats) -> None:  # fmt: skip
        """Go on by one step.

        Parameters
        ----------
        now : Moment
            Changed.
        matrices : Reduced
        inputs : ndarray, shape (points, inputs)
        valves : tuple of ndarray, each of shape (points, valves)
            Emission, amplification factor, gas.
        ohms : ndarray, shape (points, valves)
            Sense resistors.
        """
        points, count = len(now.state), 3 * len(self.names)
        open_ = (matrices.from_state @ now.state[:, :, None] + matrices.from_input @ inputs[:, :, None])[:, :, 0]
        through = matrices.from_current[:, :count]
        v = now.ports.reshape(points, count).copy()
        current = now.currents.reshape(points, count).copy()
        rows = np.arange(points)
        for _ in range(_ITERATIONS):
            own = tuple(factor[rows] for factor in valves)
            i, slopes = self._with_slopes(v[rows].reshape(-1, len(self.names), 3), own)
            current[rows] = i
            miss = open_[rows, :count] + (through[rows] @ i[:, :, None])[:, :, 0] - v[rows]
            matrix = np.eye(count) - through[rows] @ slopes
            change = np.linalg.solve(matrix, miss[:, :, None])[:, :, 0]
            largest = np.abs(change).max(axis=1)
            change *= np.minimum(1.0, _LEAP / np.maximum(largest, _LEAP))[:, None]
            v[rows] += change
            current[rows] += (slopes @ change[:, :, None])[:, :, 0]
            rows = rows[largest > _CLOSE * (1.0 + np.abs(v[rows]).max(axis=1))]
            if not len(rows):
                break
        found = open_ + (matrices.from_current @ current[:, :, None])[:, :, 0]
        states = len(self.stores)
        now.state = found[:, count : count + states]
        now.ports = found[:, :count].reshape(points, -1, 3)
        now.currents = current.reshape(points, -1, 3)
        now.sensed = found[:, count + states :] / ohms

    def _with_slopes(self, ports: Floats, valves: tuple[Floats, ...]) -> tuple[Floats, Floats]:
        """Return the currents and their slopes with all ports' voltages, shapes (points, n) and (points, n, n)."""
        points, count, _ = ports.shape
        # As they are, and with each voltage a little higher, in one go.
        moved = ports + _STEP * np.concatenate([np.zeros((1, 3)), np.eye(3)])[:, None, None, :]
        i, *higher = self.currents(moved, *valves)
        slopes = np.zeros((points, 3 * count, 3 * count))
        for k, other in enumerate(higher):
            slope = (other - i) / _STEP
            for number in range(count):
                slopes[:, 3 * number : 3 * number + 3, 3 * number + k] = slope[:, number]
        return i.reshape(points, -1), slopes

    def load(self, now: Moment) -> Floats:
        """Return the largest dissipation of an anode or a screen as a share of its rating, shape (points, valves)."""
        watts = now.ports[:, :, (0, 2)] * now.currents[:, :, (0, 2)]
        return np.asarray((watts / self.ratings).max(axis=2))

    def pin_volts(self, now: Moment) -> Floats:
        """Return the voltages at the converter's pins [V], shape (points, pins): valves, then a watched supply."""
        return now.state[:, self.pins]


__all__ = ["BLOCKED", "ELECTRODES", "INPUTS", "Moment", "Network", "Reduced"]
