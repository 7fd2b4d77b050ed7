"""Places that a meter is laid at, and what it shows there of thousands of faulty circuits, with how that scatters.

About each operating point the circuit is linear: how a reading follows every part's tolerance, every valve's spread and
the mains is one product of matrices, and its scatter from build to build their sum of squares, with the meter's error.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.faults.bed import TestBed, Varied
from simwrap.faults.network import FaultNetwork, Faulty, Pair, Reach, Solved, blocks

Floats = NDArray[np.float64]
Array = NDArray[Any]

#: A meter's error: standard deviation as a share, and at the least [V, A].
METER_SHARE, METER_LEAST = 0.01, {"V": 0.01, "A": 10e-6}
#: Its input resistance [ohm].
METER_OHMS = 10e6
#: A signal below this share of the source's e.m.f. is none.
_SIGNAL_FLOOR = 1e-4
#: What a signal's meter shows of nothing [V].
_LEAST_SIGNAL = 3e-4
#: What the laws and the small signals leave open, as shares of a reading: at rest, of a signal.
_LAW_SHARE, _SIGNAL_SHARE = 0.004, 0.02
#: Standard deviations to a tolerance: parts lie evenly within theirs, while few valves and hardly ever the mains are as
#: far out as a tolerance has to allow for (common practice, no source).
_DEVIATIONS = {"part": np.sqrt(3.0), "valve": 2.0, "mains": 3.0}
#: A signal's logarithm scatters no more than this.
_MOST_SCATTER = 3.0
#: Points that are made linear together.
_ROOM = 256


@dataclass(frozen=True)
class Place:
    """Something that a meter can show.

    Attributes
    ----------
    name : str
        As in the test points, with " at 1 kHz" where it is a signal.
    unit : str
        "V" or "A".
    nodes : tuple of str
        Of both leads ("0": ground).
    valve : str
        Whose cathode current it is; "" for a voltage.
    frequency : float
        Of the signal [Hz]; 0: none.
    level : float
        E.m.f. of its source [V r.m.s.].
    reference : float
        Frequency whose level it is divided by [Hz]; 0: none.
    low, high : float
        Window; NaN where it comes from the healthy builds' scatter.
    expected : float
        NaN likewise.
    """

    name: str
    unit: str
    nodes: tuple[str, ...]
    valve: str = ""
    frequency: float = 0.0
    level: float = 1.0
    reference: float = 0.0
    low: float = np.nan
    high: float = np.nan
    expected: float = np.nan

    @property
    def pair(self) -> Pair:
        """Its two nodes."""
        one, other = self.nodes
        return one, other

    @property
    def floor(self) -> float:
        """What is no signal [V, or a share]: below it one is as small as another."""
        return _SIGNAL_FLOOR if self.reference else max(_SIGNAL_FLOOR * self.level, _LEAST_SIGNAL)

    def scaled(self, value: Any) -> Floats:
        """Return a reading as the likelihood takes it: a signal by its logarithm."""
        if self.frequency:
            return np.asarray(np.log(np.abs(value) + self.floor))
        return np.asarray(value, dtype=float)

    def plain(self, scaled: Any) -> Floats:
        """Return what the meter shows, from what :meth:`scaled` made of it."""
        return np.asarray(np.exp(scaled) - self.floor if self.frequency else scaled)

    def error(self, scaled: Any) -> Floats:
        """Return the standard deviation of meter and model at a scaled reading."""
        if self.frequency:
            volts = np.exp(np.asarray(scaled))
            least = 0.0 if self.reference else _LEAST_SIGNAL
            return np.asarray(np.hypot(np.hypot(METER_SHARE, _SIGNAL_SHARE), least / volts))
        share = np.hypot(METER_SHARE, _LAW_SHARE)
        return np.asarray(np.hypot(share * np.asarray(scaled), METER_LEAST[self.unit]))


@dataclass(frozen=True)
class Seen:
    """What a meter shows of faulty circuits.

    Attributes
    ----------
    means : ndarray, shape (points, places)
        Scaled.
    covariances : ndarray, shape (points, places, places)
        From build to build, with the meter's error.
    """

    means: Floats
    covariances: Floats


@dataclass(frozen=True)
class Scatter:
    """What differs from build to build, as the network counts it, each by a standard deviation.

    Attributes
    ----------
    pairs : ndarray of int, shape (parts,)
    siemens, farads : ndarray, shape (parts,)
        Of one deviation [S], [F].
    base : ndarray, shape (parts,)
        What each has [S or F].
    emission, mu : float
    volts : ndarray, shape (sources,)
        All supplies together [V].
    """

    pairs: Array
    siemens: Floats
    farads: Floats
    base: Floats
    emission: float
    mu: float
    volts: Floats

    @classmethod
    def of(cls, network: FaultNetwork, bed: TestBed, varied: Varied) -> Scatter:
        """Return what varies in a test bed."""
        pairs, siemens, farads, base = [], [], [], []
        shares = {"emission": 0.0, "mu": 0.0}
        volts = np.zeros(len(network.sources))
        even = varied.distribution == "uniform"
        for factor in bed.factors(varied):
            half = 0.5 * (factor.high - factor.low)
            for name in factor.parameters:
                element = bed.elements[name]
                kind = "mains" if name in network.sources else "part" if element.kind in "rc" else "valve"
                share = half / (_DEVIATIONS[kind] if even else 3.0)
                if name in network.sources:
                    volts[network.sources.index(name)] = share * bed.nominal[name]
                elif element.kind in "rc":
                    pairs.append(network.pairs[element.nodes[0], element.nodes[1]])
                    siemens.append(-share / bed.nominal[name] if element.kind == "r" else 0.0)
                    farads.append(share * bed.nominal[name] if element.kind == "c" else 0.0)
                    base.append(bed.nominal[name] if element.kind == "c" else 1.0 / bed.nominal[name])
                else:
                    shares["mu" if name.endswith("_mu") else "emission"] = share
        return cls(np.array(pairs, dtype=int), np.array(siemens), np.array(farads), np.array(base), **shares,
                   volts=volts)  # fmt: skip

    def left(self, faulty: Faulty) -> Floats:
        """Return how much of each part is left, shape (points, parts): what is open has no tolerance."""
        found = np.ones((len(faulty), len(self.pairs)))
        for slot in range(faulty.pair.shape[1]):
            here = faulty.pair[:, slot, None] == self.pairs
            more = np.where(self.farads > 0.0, faulty.farads[:, slot, None], faulty.siemens[:, slot, None])
            found = np.where(here, np.clip(1.0 + more / self.base, 0.0, found), found)
        return found


def shown(network: FaultNetwork, solved: Solved, places: Sequence[Place], scatter: Scatter) -> Seen:
    """Return what a meter shows of operating points, and how that scatters; NaN where there is none."""
    count = len(solved.good)
    parts = [_Tangent(network, _at(solved, slice(k, k + _ROOM)), scatter).shown(places) for k in range(0, count, _ROOM)]
    means, covariances = (np.concatenate(each) for each in zip(*parts, strict=True))
    means[~solved.good] = np.nan
    return Seen(means, covariances)


def _at(solved: Solved, rows: slice) -> Solved:
    return Solved(solved.faulty.at(rows), solved.ports[rows], solved.currents[rows], solved.good[rows])


class _Tangent:
    """Operating points made linear: how everything follows what varies."""

    def __init__(self, network: FaultNetwork, solved: Solved, scatter: Scatter) -> None:
        self.network, self.solved, self.scatter = network, solved, scatter
        own = solved.faulty
        self.size = 3 * len(network.valves)
        self.ports = np.arange(self.size)
        self.i, self.gm, self.bend, self.by_factor = network.bends(solved.ports, own)
        self.conduct = blocks(self.gm)
        reach = network.reach(own, 0.0)
        self.through = network.in_series(reach.between(self.ports, self.ports), own)
        self.gain = np.linalg.inv(np.eye(self.size) - self.conduct @ self.through)
        self.drawn = (solved.currents - network.at_rest).reshape(len(own), self.size, 1)
        level = reach.level(network.rest, own.volts)
        parts = scatter.pairs
        across = level[:, parts] + (reach.between(parts, self.ports) @ self.drawn)[:, :, 0]
        #: Current that each part draws more for one deviation.
        self.left = scatter.left(own)
        self.more = scatter.siemens * self.left * across
        mains = reach.level(np.zeros_like(network.rest), np.broadcast_to(scatter.volts, own.volts.shape))
        open_ = np.concatenate([reach.between(self.ports, parts) * self.more[:, None, :],
                                np.zeros((len(own), self.size, 2 * len(network.valves))),
                                mains[:, self.ports, None]], axis=2)  # fmt: skip
        self.direct = self._direct(self.by_factor[0])
        self.reach, self.level, self.mains = reach, level, mains
        #: How the valves' currents and voltages follow each of what varies.
        self.flow = self.gain @ (self.conduct @ open_ + self.direct)
        self.swing = open_ + self.through @ self.flow

    def _direct(self, by_factor: Floats) -> Floats:
        """Return the currents that each of what varies changes by itself, shape (points, ports, varied)."""
        points, valves, parts = len(self.solved.good), len(self.network.valves), len(self.scatter.pairs)
        found = np.zeros((points, self.size, parts + 2 * valves + 1), dtype=by_factor.dtype)
        for number, share in enumerate((self.scatter.emission, self.scatter.mu)):
            for k in range(valves):
                found[:, 3 * k : 3 * k + 3, parts + number * valves + k] = share * by_factor[:, number, k]
        return found

    def shown(self, places: Sequence[Place]) -> tuple[Floats, Floats]:
        """Return means and covariances of the places, scaled."""
        points = len(self.solved.good)
        means = np.zeros((points, len(places)))
        follows = np.zeros((points, len(places), self.flow.shape[2]))
        for k, place in enumerate(places):
            if place.valve:
                own = 3 * self.network.valves.index(place.valve)
                means[:, k] = self.solved.currents[:, own // 3].sum(axis=1)
                follows[:, k] = self.flow[:, own : own + 3].sum(axis=1)
                self._beside(own // 3, means[:, k], follows[:, k])
        self._rest(places, means, follows)
        heard: dict[float, tuple[Array, Array]] = {}
        for frequency in {f for place in places for f in (place.frequency, place.reference) if f}:
            heard[frequency] = self._heard(frequency, places)
        for k, place in enumerate(places):
            if place.frequency:
                means[:, k], follows[:, k] = _ratio(place, k, heard)
        covariance = follows @ follows.swapaxes(1, 2)
        every = np.arange(len(places))
        covariance[:, every, every] += np.stack([p.error(means[:, k]) for k, p in enumerate(places)], axis=-1) ** 2
        return means, covariance

    def _beside(self, valve: int, means: Floats, follows: Floats) -> None:
        """Add what flows to a cathode's lead beside the cathode: through a touch, or away to the heater."""
        own = self.solved.faulty
        rows, slots = np.nonzero(np.abs(own.within) == valve + 1)
        for pair in sorted(set(own.pair[rows, slots].tolist())):
            at, chosen = np.array([pair]), own.pair[rows, slots] == pair
            points = rows[chosen]
            factor = np.sign(own.within[points, slots[chosen]]) * own.siemens[points, slots[chosen]]
            out = self.reach.between(at, self.ports)
            volts = self.level[:, at] + (out @ self.drawn)[:, :, 0]
            turn = (out @ self.flow)[:, 0]
            turn[:, : len(self.scatter.pairs)] += self.reach.between(at, self.scatter.pairs)[:, 0] * self.more
            turn[:, -1] += self.mains[:, pair]
            means[points] += factor * volts[points, 0]
            follows[points] += factor[:, None] * turn[points]

    def _rest(self, places: Sequence[Place], means: Floats, follows: Floats) -> None:
        """Fill in voltages at rest, as the meter loads them."""
        rows = [k for k, place in enumerate(places) if not place.frequency and not place.valve]
        if not rows:
            return
        at = np.array([self.network.pairs[places[k].pair] for k in rows])
        out = self.reach.between(at, self.ports)
        parts = self.scatter.pairs
        means[:, rows] = self.level[:, at] + (out @ self.drawn)[:, :, 0]
        follows[:, rows] = out @ self.flow
        follows[:, rows, : len(parts)] += self.reach.between(at, parts) * self.more[:, None, :]
        follows[:, rows, -1] += self.mains[:, at]
        into = self.reach.between(self.ports, at)
        own = self.reach.itself(at) + np.einsum("pok,pko->po", out, self.gain @ (self.conduct @ into))
        loaded = 1.0 / (1.0 + np.maximum(-own, 0.0) / METER_OHMS)
        means[:, rows] *= loaded
        follows[:, rows] *= loaded[:, :, None]

    def _heard(self, frequency: float, places: Sequence[Place]) -> tuple[Array, Array]:
        """Return the signals at all places, and how they follow what varies."""
        network, own = self.network, self.solved.faulty
        reach: Reach = network.reach(own, frequency)
        through = network.in_series(reach.between(self.ports, self.ports), own)
        gain = np.linalg.inv(np.eye(self.size) - self.conduct @ through)
        silent = reach.heard()
        flow = gain @ (self.conduct @ silent[:, self.ports, None])
        v = (silent[:, self.ports, None] + through @ flow)[:, :, 0].reshape(len(own), -1, 3)
        parts = self.scatter.pairs
        at = np.array([network.pairs[p.pair] if p.frequency else network.nowhere for p in places])
        across = silent[:, parts] + (reach.between(parts, self.ports) @ flow)[:, :, 0]
        more = (self.scatter.siemens + 2j * np.pi * frequency * self.scatter.farads) * self.left * across
        # A slope that changes draws a current of its own: by its valve's swing at rest, and by its factors.
        valves = len(network.valves)
        swing = self.swing.reshape(len(own), valves, 3, -1)
        bent = np.einsum("pvecj,pvc->pvej", self.bend, v)
        direct = (bent @ swing).reshape(len(own), self.size, -1)
        direct = direct + self._direct(np.einsum("pfvec,pvc->pfve", self.by_factor[1], v))
        inner = self.conduct @ (reach.between(self.ports, parts) * more[:, None, :])
        direct[:, :, : len(parts)] += inner
        out = reach.between(at, self.ports)
        follows = out @ (gain @ direct)
        follows[:, :, : len(parts)] += reach.between(at, parts) * more[:, None, :]
        return silent[:, at] + (out @ flow)[:, :, 0], follows


def _ratio(place: Place, k: int, heard: Mapping[float, tuple[Array, Array]]) -> tuple[Floats, Floats]:
    """Return the logarithm of a signal, or of its share of another, and how it follows what varies."""
    y, follows = (each[:, k] for each in heard[place.frequency])
    size = np.maximum(np.abs(y), 1e-15)
    turn = np.real(follows * np.conj(y)[:, None]) / size[:, None] ** 2
    if place.reference:
        other, beside = (each[:, k] for each in heard[place.reference])
        ground = np.maximum(np.abs(other), 1e-15)
        turn = turn - np.real(beside * np.conj(other)[:, None]) / ground[:, None] ** 2
        size = size / ground
    else:
        size = size * place.level
    turn = turn * (size / (size + place.floor))[:, None]
    # Where next to nothing is left what it follows has no bounds: a logarithm that scatters more says no less.
    most = np.linalg.norm(turn, axis=1)
    return place.scaled(size), turn * (_MOST_SCATTER / np.maximum(most, _MOST_SCATTER))[:, None]


__all__ = ["Place", "Scatter", "Seen", "shown"]
