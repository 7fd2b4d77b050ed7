"""A checked netlist made linear about one state or many, in numpy alone: no simulator.

Small changes of a circuit obey ``conductance @ x + capacitance @ dx/dt = drive`` (modified nodal
analysis). Its unknowns are the node voltages [V] and those branch currents [A] that something needs.
A node that a voltage source or an expression fixes against ground is no unknown: its change follows
from the others by the chain rule, which keeps a valve's auxiliary nodes out of the matrices.

From the matrices follow the poles (what the circuit does when it is left alone: is it stable?), the
response to a source, and the map that one period of a signal is for small changes (Floquet).

Sources: C.-W. Ho, A. E. Ruehli, P. A. Brennan, "The modified nodal approach to network analysis", IEEE
Trans. CAS-22 (1975) 504; the diode as in A. Vladimirescu, The SPICE Book, Wiley 1994 (from memory);
the two-stage rule for a period: R. Alexander, SIAM J. Numer. Anal. 14 (1977) 1006 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from simwrap.engine.protocol import Array
from simwrap.engine.stretch import Change, Stretch, answers
from simwrap.errors import NetlistError
from simwrap.netlist import allow_list
from simwrap.netlist.allow_list import Parsed
from simwrap.netlist.element import Element
from simwrap.netlist.expressions import evaluate

DRIVE = -1

#: kT at 27 Celsius [J] as both engines have it (CODATA 2014).
KT = 1.38064852e-23 * 300.15
#: kT/q [V] (a few millionths of a volt more would be seen in a diode's slope), the conductance across a junction [S],
#: and where its capacitance goes on straight.
THERMAL, LEAST, FORWARD = KT / 1.6021766208e-19, 1e-12, 0.5

#: What SPICE takes for a diode where its model doesn't say.
DIODE = {"is": 1e-14, "n": 1.0, "rs": 0.0, "bv": math.inf, "ibv": 1e-3, "cjo": 0.0, "vj": 1.0, "m": 0.5, "tt": 0.0}

#: Share of the longest time constant below which others have lost digits to it.
_BORDER = 1e-8

#: Share of a time step at which the first of its two solutions lies (the rule damps what is fast).
FIRST = 1.0 - math.sqrt(0.5)


@dataclass(frozen=True)
class Linear:
    """A circuit's matrices at one operating point.

    Attributes
    ----------
    conductance, capacitance : ndarray, shape (unknowns, unknowns)
        [S] and [F] in the rows of nodes; rows of voltage sources and coils in their own units.
    names : tuple of str
        The unknowns: nodes, and ``i(name)`` of branches.
    drive, drive_rate : ndarray, shape (unknowns,)
        The right-hand side for the sources' ``ac`` values, and what is multiplied by s in it.
    follows : dict of str to dict
        For each node that is no unknown, its factors on the unknowns (by index; -1: on the drive).
    """

    conductance: Array
    capacitance: Array
    names: tuple[str, ...]
    drive: Array
    drive_rate: Array
    follows: dict[str, dict[int, complex]]

    def response(self, frequencies: Array, vectors: tuple[str, ...]) -> dict[str, Array]:
        """Return what the sources' ac values give at nodes (or ``i(name)``).

        Parameters
        ----------
        frequencies : ndarray, shape (n,)
            [Hz]
        vectors : tuple of str
            Node names, or branch currents that are unknowns.

        Returns
        -------
        dict of str to ndarray, shape (n,)
            Complex.
        """
        s = 2j * np.pi * np.asarray(frequencies, float)[:, None]
        matrices = self.conductance + s[:, :, None] * self.capacitance
        found = np.linalg.solve(matrices, (self.drive + s * self.drive_rate)[:, :, None])[:, :, 0]
        result = {}
        for vector in vectors:
            total = np.zeros(len(s), complex)
            for index, factor in self.factors(vector).items():
                total += factor * (found[:, index] if index != DRIVE else 1.0)
            result[vector] = total
        return result

    def factors(self, vector: str) -> dict[int, complex]:
        """Return how a node (or ``i(name)``) follows the unknowns, by index, and (at -1) the drive."""
        return self.follows[vector] if vector in self.follows else {self.names.index(vector): 1.0}

    def poles(self) -> Array:
        """Return the natural frequencies s [1/s], slowest first; a real part above 0 grows.

        Those far above 1e12/s, and the infinite ones of capacitors in loops, are left out.
        """
        return natural_frequencies(self.conductance, self.capacitance)


def natural_frequencies(conductance: Array, capacitance: Array) -> Array:
    """Return what :meth:`Linear.poles` says, from the two matrices."""
    times = _time_constants(conductance, capacitance, *_stored(capacitance))[0]
    times = times[_told(times)]
    found: Array = -1.0 / times[np.argsort(-np.abs(times))]
    return found


def natural_modes(conductance: Array, capacitance: Array) -> tuple[Array, Array, Array, Array, Array]:
    """Return the modes of ``(1 + s M) x``, where M is the inverse of ``conductance`` times ``capacitance``.

    Returns
    -------
    times : ndarray, shape (modes,)
        Time constants [s], complex.
    right, left : ndarray, shapes (stores, modes) and (modes, stores)
        Eigenvectors, and the rows of the inverse of all of them.
    stores : ndarray of int
        The unknowns that store something.
    answers : ndarray, shape (unknowns, stores)
        The columns of M that aren't 0.
    """
    stores, size = _stored(capacitance)
    times, right = _time_constants(conductance, capacitance, stores, size)
    left = np.linalg.inv(right)
    told = _told(times)
    answers = np.linalg.solve(conductance, capacitance[:, stores])
    return times[told], right[:, told] / size[:, None], left[told] * size, stores, answers


def _stored(capacitance: Array) -> tuple[Array, Array]:
    """Return the unknowns that store something, and by what they are scaled; the others only follow.

    Farads stand beside henries: with each unknown scaled by the root of its own, M is that of the stored energy.
    """
    size = np.sqrt(np.abs(capacitance).max(axis=0, initial=0.0))
    stores = np.flatnonzero(size)
    return stores, size[stores]


def _time_constants(conductance: Array, capacitance: Array, stores: Array, size: Array) -> tuple[Array, Array]:
    """Return the eigenvalues of M [s] and its scaled eigenvectors, each to many digits, however far apart they are.

    An eigenvalue is exact to rounding of the largest. Those that are small beside that are found about a real
    frequency among them instead, where ``1 / (frequency + 1 / time)`` are the eigenvalues and none is large.
    """
    times, right = _eigen(conductance, capacitance, stores, size)
    border = _BORDER * np.abs(times).max(initial=0.0)
    small = np.flatnonzero(np.abs(times) < border)
    if small.size and border > 0.0:
        near, vectors = _eigen(conductance + capacitance / border, capacitance, stores, size)
        with np.errstate(divide="ignore", invalid="ignore"):
            closer = near / (1.0 - near / border)
        smallest = np.argsort(np.abs(closer))[: small.size]
        times, right = times.astype(complex), right.astype(complex)
        times[small], right[:, small] = closer[smallest], vectors[:, smallest]
    return times, right


def _eigen(conductance: Array, capacitance: Array, stores: Array, size: Array) -> tuple[Array, Array]:
    scaled = np.linalg.solve(conductance, capacitance[:, stores])[stores] * size[:, None] / size
    times, right = np.linalg.eig(scaled)
    return times, right


def _told(times: Array) -> Array:
    """Return which time constants [s] are more than rounding, as a mask."""
    largest = np.abs(times).max(initial=0.0)
    return np.asarray(np.abs(times) > max(1e-13, 1e-15 * largest))


class Linearised:
    """One circuit with its element values, ready to be made linear about any state.

    Parameters
    ----------
    parsed : Parsed
        A checked netlist.
    values : mapping of str to float or ndarray
        Element values that replace those in the text; arrays have one a state.
    drives : sequence of str
        Sources that drive it one at a time, each with an ac value of 1; none: all that have an ac value in the text,
        together.
    currents : sequence of str
        ``i(name)`` of sources whose current is asked for, so that it has to be an unknown; nodes are passed over.
    """

    def __init__(
        self,
        parsed: Parsed,
        values: Mapping[str, float | Array] | None = None,
        *,
        drives: Sequence[str] = (),
        currents: Sequence[str] = (),
    ) -> None:
        self.parsed, self.values, self.drives = parsed, dict(values or {}), tuple(drives)
        self.devices = parsed.devices
        self.junctions = {n: DIODE | parsed.models[d.refers[0]] for n, d in self.devices.items() if d.kind == "d"}
        #: Sources whose current something reads.
        self.sensed = tuple(dict.fromkeys(r for d in self.devices.values() for r in d.reads if r[:2] == "i("))
        self.fixed = self._fixed_nodes({*self.sensed, *currents})
        nodes = [node for node in parsed.nodes if node not in self.fixed]
        nodes += [_inner(name) for name, model in self.junctions.items() if model["rs"] > 0.0]
        resolved = set(self.fixed.values())
        branches = [
            f"i({n})" for n, d in self.devices.items() if d.kind == "l" or (d.holds_voltage and n not in resolved)
        ]
        self.names = tuple(nodes + branches)
        self.place = {name: index for index, name in enumerate(self.names)}
        #: What :meth:`_same_everywhere` found, from the first state on.
        self._same: tuple[Array, list[Element]] | None = None

    @property
    def needed(self) -> tuple[str, ...]:
        """What a state has to hold: every node, and the currents that expressions read."""
        return (*self.parsed.nodes, *self.sensed)

    def _fixed_nodes(self, kept: set[str]) -> dict[str, str]:
        """Return nodes that a source fixes against ground, with that source, in order of dependence."""
        fixes: dict[str, str] = {}
        for name, device in self.devices.items():
            if device.holds_voltage and "0" in device.nodes[:2] and f"i({name})" not in kept:
                fixes[device.nodes[0] if device.nodes[1] == "0" else device.nodes[1]] = name
        order: dict[str, str] = {}
        waiting = dict(fixes)
        while waiting:
            ready = [n for n, name in waiting.items() if not waiting.keys() & set(_controls(self.devices[name]))]
            # Expressions that read one another stay unknowns, with an equation each.
            for node in ready or list(waiting)[:1]:
                name = waiting.pop(node)
                if ready:
                    order[node] = name
        return order

    def value(self, device: Element) -> Array:
        """Return the value of an element [its unit], one or one a state."""
        return np.asarray(self.values.get(device.name, device.value), float)

    def at(self, state: Mapping[str, Array]) -> tuple[Array, dict[str, Change], Array]:
        """Return the conductances about states.

        Parameters
        ----------
        state : mapping of str to ndarray, shape (n,)
            A value for each of :attr:`needed` [V, A].

        Returns
        -------
        ndarray, shape (n, unknowns, unknowns + drives)
            Conductances; the last column is the first drive's, the one before it the next one's.
        dict of str to Change
            How each node and each branch current that is an unknown follows the unknowns.
        ndarray, shape (n, junctions, 2)
            Conductance [S] and capacitance [F] of each diode's junction.
        """
        state = {"0": np.zeros(len(next(iter(state.values())))), **state}
        points = len(state["0"])
        changes: dict[str, Change] = {"0": {}} | {name: {index: 1.0} for name, index in self.place.items()}
        for node, name in self.fixed.items():
            sign = 1.0 if self.devices[name].nodes[0] == node else -1.0
            changes[node] = _sum((sign, self._control(self.devices[name], changes, state)))
        junctions = np.zeros((points, len(self.junctions), 2))
        for index, (name, model) in enumerate(self.junctions.items()):
            one, other = self.devices[name].nodes
            junctions[:, index] = _slopes(model, state[one] - state[other]).T
        if self._same is None:
            self._same = self._same_everywhere(changes, state)
        same, others = self._same
        matrix = np.repeat(same, points, axis=0)
        for device in others:
            if device.kind == "d":
                conductance = junctions[:, list(self.junctions).index(device.name), 0]
                self._stamp_diode(matrix, device, changes, conductance)
            else:
                self._stamp_device(matrix, device, changes, state)
        return matrix, changes, junctions

    def _same_everywhere(
        self, changes: Mapping[str, Change], state: Mapping[str, Array]
    ) -> tuple[Array, list[Element]]:
        """Return what the conductances have about every state alike, and the devices that make the rest."""
        matrix = np.zeros((1, len(self.names), len(self.names) + max(len(self.drives), 1)))
        others = []
        fixing = set(self.fixed.values())
        for name, device in self.devices.items():
            if device.kind in "ck" or name in fixing:
                continue
            sizes = [factor for read in {*device.nodes, *device.reads} for factor in changes.get(read, {}).values()]
            if device.kind not in "bdvi":
                sizes.append(self.value(device))
            if device.kind in "bd" or any(np.ndim(size) for size in sizes):
                others.append(device)
            else:
                self._stamp_device(matrix, device, changes, state)
        return matrix, others

    def _stamp_device(
        self, matrix: Array, device: Element, changes: Mapping[str, Change], state: Mapping[str, Array]
    ) -> None:
        if f"i({device.name})" in self.place:
            self._stamp_branch(matrix, device, changes, state)
        else:
            self._stamp(matrix, device.nodes[:2], self._control(device, changes, state))

    def _control(self, device: Element, changes: Mapping[str, Change], state: Mapping[str, Array]) -> Change:
        """How the current (or, of a voltage source, the voltage) of a device follows the unknowns."""
        if device.kind == "b":
            slopes = evaluate(device.program, state)[1]
            return _sum(*((slope, changes[name]) for name, slope in slopes.items()))
        if device.kind in "vi" and self.drives:
            return {DRIVE - self.drives.index(device.name): 1.0} if device.name in self.drives else {}
        if device.kind in "vi":
            size, phase = (*device.ac, 0.0, 0.0)[:2]
            if phase % 360.0:
                raise NetlistError(f"source {device.name}: an ac phase of {phase:g} degrees can't be made linear")
            return {DRIVE: size} if size else {}
        factor = 1.0 / self.value(device) if device.kind == "r" else self.value(device)
        if device.kind in "fh":
            return _sum((factor, changes[device.reads[0]]))
        one, other = device.nodes[2:] if device.kind in "eg" else device.nodes
        return _sum((factor, changes[one]), (-factor, changes[other]))

    def _stamp(self, matrix: Array, nodes: tuple[str, ...], current: Change) -> None:
        """Let a current flow from the first node to the second."""
        for node, sign in zip(nodes, (1.0, -1.0), strict=True):
            row = self.place.get(node)
            if row is not None:
                _add(matrix, row, current, sign)

    def _stamp_branch(
        self, matrix: Array, device: Element, changes: Mapping[str, Change], state: Mapping[str, Array]
    ) -> None:
        row = self.place[f"i({device.name})"]
        self._stamp(matrix, device.nodes[:2], {row: 1.0})
        voltage = _sum((1.0, changes[device.nodes[0]]), (-1.0, changes[device.nodes[1]]))
        control = {} if device.kind == "l" else self._control(device, changes, state)
        _add(matrix, row, _sum((1.0, voltage), (-1.0, control)), 1.0)

    def _stamp_diode(self, matrix: Array, device: Element, changes: Mapping[str, Change], conductance: Array) -> None:
        one, other = device.nodes
        series = self.junctions[device.name]["rs"]
        if series > 0.0:
            inner = _inner(device.name)
            self._stamp(matrix, (one, inner), _sum((1.0 / series, changes[one]), (-1.0 / series, changes[inner])))
            one = inner
        self._stamp(matrix, (one, other), _sum((conductance, changes[one]), (-conductance, changes[other])))

    def stacked(self, state: Mapping[str, Array]) -> tuple[Array, Array, dict[str, Change]]:
        """Return the matrices about states: of conductances and capacitances, and what :meth:`at` says of changes.

        Both have the shape (n, unknowns, unknowns + drives); the last columns are the drives', the first one's last.
        """
        matrix, changes, junctions = self.at(state)
        capacitance = np.zeros_like(matrix)
        for device in self.devices.values():
            if device.kind == "c":
                one, other = (changes[node] for node in device.nodes)
                self._stamp(capacitance, device.nodes, _sum((self.value(device), one), (-self.value(device), other)))
        for index, (name, model) in enumerate(self.junctions.items()):
            nodes = (_inner(name) if model["rs"] > 0.0 else self.devices[name].nodes[0], self.devices[name].nodes[1])
            size = junctions[:, index, 1]
            self._stamp(capacitance, nodes, _sum((size, changes[nodes[0]]), (-size, changes[nodes[1]])))
        coils, inductances = inductance_matrix(self.parsed, self.values)
        rows = [self.place[f"i({name})"] for name in coils]
        down, across = np.ix_(rows, rows)
        capacitance[:, down, across] -= inductances
        return matrix, capacitance, changes

    def matrices(self, state: Mapping[str, float]) -> Linear:
        """Return the matrices about one operating point (a value for each of :attr:`needed`)."""
        given = {name: np.array([float(state[name])]) for name in self.needed}
        (whole,), (rate,), changes = self.stacked(given)
        follows = {
            node: {index: complex(np.squeeze(factor)) for index, factor in changes[node].items()} for node in self.fixed
        }
        return Linear(whole[:, :-1], rate[:, :-1], self.names, -whole[:, -1], -rate[:, -1], follows)

    def period(
        self, energy: Array, names: tuple[str, ...], times: Array, moments: Array, waves: Mapping[str, Array]
    ) -> Stretch:
        """Return what a stretch of time is for small changes of the stored energy's state.

        Parameters
        ----------
        energy : ndarray, shape (states, names)
            For each state (charge of a capacitor, flux of coils, in root joule) how it follows ``names``.
        names : tuple of str
            Nodes and ``i(coil)``, as in the columns of ``energy``.
        times : ndarray, shape (steps + 1,)
            The instants between which it is done in one step each [s].
        moments : ndarray, shape (points,)
            Instants of the waveforms [s], ascending.
        waves : mapping of str to ndarray, shape (points,)
            A waveform for each of :attr:`needed` [V, A].

        Returns
        -------
        Stretch
            Junctions' capacitances are left out.
        """
        steps = np.diff(times)
        instants = np.stack((times[:-1] + FIRST * steps, times[1:]), axis=1).ravel()
        matrix, changes, _ = self.at({name: np.interp(instants, moments, waves[name]) for name in self.needed})
        unknowns = len(self.names)
        seen = np.zeros((1, len(energy), unknowns + 1))
        stored = [name for name, column in zip(names, energy.T, strict=True) if column.any()]
        if any(np.ndim(factor) for name in stored for factor in changes[name].values()):
            seen = np.repeat(seen, len(instants), axis=0)
        enters = np.zeros((unknowns, len(energy)))
        for column, name in enumerate(names):
            rows = np.flatnonzero(energy[:, column])
            for row in rows.tolist():
                _add(seen, row, changes[name], energy[row, column])
            if rows.size and name in self.place:
                enters[self.place[name]] = energy[:, column] * (-1.0 if name[:2] == "i(" else 1.0)
        rate = 1.0 / (FIRST * np.repeat(steps, 2))[:, None, None]
        solved, given = answers(matrix[:, :, :-1], seen[:, :, :-1], enters, rate)
        ahead = (1.0 - FIRST) / FIRST
        whole = np.eye(len(energy))
        through = [whole]
        for first, second in zip(solved[::2], solved[1::2], strict=True):
            through.append(whole + ahead * (first @ whole - whole))
            whole = second @ through[-1]
        moments = np.append(instants[0], times[1:])
        return Stretch(whole, moments, changes, given, np.array(through))


def matrices(text: str, operating_point: Mapping[str, float]) -> Linear:
    """Return a netlist's matrices at an operating point.

    Parameters
    ----------
    text : str
        A netlist as in :class:`simwrap.engine.protocol.NetlistTable`.
    operating_point : mapping of str to float
        The voltage of every node [V], and ``i(v_name)`` [A] of every source whose current an
        expression reads (:func:`needed` names them).

    Returns
    -------
    Linear

    Raises
    ------
    NetlistError
        When the netlist breaks the rules, or the operating point leaves something out.
    """
    circuit = Linearised(allow_list.check(text))
    absent = [name for name in circuit.needed if name not in operating_point]
    if absent:
        raise NetlistError(
            f"operating point: {', '.join(absent[:10])} missing; every node and sensed current is needed"
        )
    return circuit.matrices(operating_point)


def needed(text: str) -> tuple[str, ...]:
    """Return the vectors that :func:`matrices` needs, for an :class:`~simwrap.engine.protocol.OpRun`."""
    return Linearised(allow_list.check(text)).needed


def poles(text: str, operating_point: Mapping[str, float]) -> Array:
    """Return a netlist's poles at an operating point [1/s]; see :meth:`Linear.poles`."""
    return matrices(text, operating_point).poles()


def inductance_matrix(parsed: Parsed, values: Mapping[str, float | Array]) -> tuple[list[str], Array]:
    """Return the names of the coils and their matrix of inductances [H], one or (where values differ) one a state."""
    coils = parsed.kind("l")
    size = {n: np.asarray(values.get(n, d.value), float) for n, d in parsed.devices.items() if d.kind in "lk"}
    shape = np.broadcast_shapes(*(each.shape for each in size.values()))
    found = np.zeros((*shape, len(coils), len(coils)))
    for place, name in enumerate(coils):
        found[..., place, place] = size[name]
    for name in parsed.kind("k"):
        one, other = (coils.index(coil) for coil in parsed.devices[name].refers)
        found[..., one, other] += size[name] * np.sqrt(found[..., one, one] * found[..., other, other])
        found[..., other, one] = found[..., one, other]
    return coils, found


def _controls(device: Element) -> tuple[str, ...]:
    return device.nodes[2:] if device.kind == "e" else device.reads


def _sum(*parts: tuple[Array | float, Change]) -> Change:
    total: Change = {}
    for factor, change in parts:
        for index, value in change.items():
            total[index] = total.get(index, 0.0) + factor * value
    return total


def _add(matrix: Array, row: int, change: Change, sign: float) -> None:
    for index, value in change.items():
        # The drives' columns are the last ones: -1 is the first drive's.
        matrix[:, row, index] += sign * np.asarray(value)


def _inner(name: str) -> str:
    return f"{name}:junction"


def _slopes(model: Mapping[str, float], voltage: Array) -> Array:
    """Return conductance and capacitance of a junction for the voltage across diode and series resistance."""
    scale, current, series = model["n"] * THERMAL, model["is"], model["rs"]
    inner = voltage
    if series > 0.0:
        # From above, where the current is too large, Newton's steps come down to the root one after the other.
        inner = np.minimum(voltage, scale * np.log1p(np.maximum(voltage, 0.0) / (series * current)))
        for _ in range(60):
            slope = current / scale * np.exp(inner / scale) + LEAST
            over = inner + series * (current * np.expm1(inner / scale) + LEAST * inner) - voltage
            inner = inner - over / (1.0 + series * slope)
    forward = np.exp(np.minimum(inner / scale, 700.0))
    # Beyond three of these voltages backward SPICE goes on with a cube in place of the exponential.
    backward = np.minimum(inner, -3.0 * scale)
    cube = (3.0 * scale / (backward * math.e)) ** 3
    conductance = np.where(inner < -3.0 * scale, 3.0 * current * cube / backward, current / scale * forward)
    if math.isfinite(model["bv"]):
        conductance = conductance + current / scale * np.exp(np.minimum(-(model["bv"] + inner) / scale, 700.0))
    edge = FORWARD * model["vj"]
    ahead = np.maximum(inner, edge)
    depletion = (1.0 - np.minimum(inner, edge) / model["vj"]) ** -model["m"]
    depletion = depletion * (1.0 + model["m"] * (ahead - edge) / (model["vj"] * (1.0 - FORWARD)))
    return np.stack((conductance + LEAST, model["cjo"] * depletion + model["tt"] * conductance))
