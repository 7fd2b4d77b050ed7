"""Cold, warm and hot starts in time: how cathodes warm up and cool, and what the guard's pins see of it.

The cathode is a mass that its heater warms and that loses heat by radiation (Stefan and Boltzmann), so it cools ever
more slowly. What it can emit follows Richardson and Dushman: O. W. Richardson, Phil. Mag. 28 (1914) 633, and S.
Dushman, Phys. Rev. 21 (1923) 623 (from memory); hot, it can emit many times what the space charge lets go. The work
function of oxide cathodes is about 1 eV (handbooks of electronics, from memory). The temperature (1050 K), the reserve
of emission and the time constants, such that valves are ready 8 to 30 s after switching on, are common practice, no
source. High voltage and bias are there at once, and gone at once with the mains but for what the reservoir holds, as
with silicon rectifiers: slower ones are kinder.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simwrap.cathode_guard.network import Moment, Network, Reduced
from simwrap.faults.bed import RAIL_RESISTOR, RAIL_SOURCE, Fault, element_of

Floats = NDArray[np.float64]
Counts = NDArray[np.uint16]

#: Temperature of a hot cathode and of the room [K]; work function over Boltzmann's constant [K] (1.0 eV).
HOT, ROOM, WORK = 1050.0, 300.0, 11604.5
#: How often the current that flows at rest a hot cathode can emit.
RESERVE = 20.0
#: Time constants of heating, drawn for each valve [s].
SLOWNESS = (3.0, 8.5)
#: Quick things are over so long after something happens [s]; largest steps until then, and afterwards [s].
QUICK, SHORT_STEP, LONG_STEP = 1.5, 0.004, 0.1

#: Dips of the mains that healthy starts are tried after [s].
DIPS = (0.1, 0.2, 0.3, 0.5, 1.0, 2.0, 5.0)


def warmed(temperature: Floats, slowness: Floats, step: float, mains: bool) -> Floats:
    """Return cathode temperatures a step later [K].

    Parameters
    ----------
    temperature, slowness : ndarray
        [K], and the time constants about the hot state [s].
    step : float
        [s]
    mains : bool
        Whether the heaters have their voltage.
    """
    power = HOT**4 - ROOM**4 if mains else 0.0
    rate = (power - (temperature**4 - ROOM**4)) / (4.0 * HOT**3)
    return np.asarray(temperature + step / slowness * rate)


def warmth(temperature: Floats) -> Floats:
    """Return which share of its current a cathode gives at a temperature [K]; 1 where it is hot."""
    can = RESERVE * (temperature / HOT) ** 2 * np.exp(WORK * (1.0 / HOT - 1.0 / temperature))
    return np.asarray(can / (1.0 + can) * (1.0 + RESERVE) / RESERVE)


@dataclass
class Builds:
    """Drawn amplifiers in time, all at once.

    Attributes
    ----------
    network : Network
    values : dict of str to ndarray, shape (points,)
        Element values, each point's own.
    slowness, temperature : ndarray, shape (points, valves)
        Of the cathodes [s, K].
    moment : Moment
    """

    network: Network
    values: dict[str, Floats]
    slowness: Floats
    temperature: Floats
    moment: Moment
    _matrices: dict[tuple[float, bool], Reduced] = field(default_factory=dict)

    @property
    def points(self) -> int:
        """How many."""
        return len(self.temperature)

    def at(self, points: NDArray[np.intp]) -> Builds:
        """Return some of them, in a given order and as often as given."""
        made = Builds(self.network, {name: value[points] for name, value in self.values.items()},
                      self.slowness[points], self.temperature[points], self.moment.at(points))  # fmt: skip
        made._matrices = {key: matrices.at(points) for key, matrices in self._matrices.items()}
        return made

    def broken(self, faults: list[Fault]) -> None:
        """Give each point its fault, from now on."""
        changed = False
        for number, fault in enumerate(faults):
            for element in (*fault.values, *fault.factors):
                if element not in self.values:
                    self.values[element] = np.full(self.points, self.network.nominal[element])
            for element, factor in fault.factors.items():
                self.values[element][number] *= factor
            for element, value in fault.values.items():
                self.values[element][number] = value
            changed = changed or bool(fault.values or fault.factors)
        if changed:
            self._matrices.clear()

    def factors(self, what: str) -> Floats:
        """Return each valve's "emission", "mu" or "gas", shape (points, valves)."""
        names = (element_of(valve, what) for valve in self.network.names)
        return np.stack(
            [self.values.get(name, np.full(self.points, self.network.nominal.get(name, 0.0))) for name in names], axis=1
        )

    def run(
        self, seconds: float, rate: int, *, mains: bool = True, quick: float = QUICK, finest: float = SHORT_STEP,
        signal: Callable[[float], Floats] | None = None, each: Callable[[float, Moment], None] | None = None,
    ) -> Floats:  # fmt: skip
        """Go on for some time; return the pins' voltages at every sample [V], shape (points, samples, pins).

        Parameters
        ----------
        seconds : float
        rate : int
            Samples a second.
        mains : bool
            Whether it is on.
        quick : float
            For so long steps are of ``finest`` [s]; then of 0.1 s, and the samples between them lie on lines.
        finest : float
        signal : callable, optional
            The signal at a time [V], shape (points,).
        each : callable, optional
            Told the length of each step [s] and the moment after it.
        """
        samples = max(1, round(seconds * rate))
        pins = np.zeros((self.points, samples, len(self.network.pins)))
        ohms = np.stack([self.values.get(v.element, np.full(self.points, self.network.bed.sense))
                         for v in self.network.bed.valves], axis=1)  # fmt: skip
        emission, mu, gas = (self.factors(what) for what in ("emission", "mu", "gas"))
        inputs = np.tile([1.0, 1.0 if mains else 0.0, 0.0], (self.points, 1))
        done = 0
        while done < samples:
            largest = finest if done < quick * rate else LONG_STEP
            count = min(max(1, round(largest * rate)), samples - done)
            parts = max(1, round(count / rate / largest))
            step = count / rate / parts
            before = self.network.pin_volts(self.moment).copy()
            for part in range(parts):
                if signal is not None:
                    inputs[:, 2] = signal(done / rate + (part + 1) * step)
                self.temperature = warmed(self.temperature, self.slowness, step, mains)
                share = emission * warmth(self.temperature)
                self.network.step(self.moment, self._of(step, mains), inputs, (share, mu, gas), ohms)
                if each is not None:
                    each(step, self.moment)
            line = np.arange(1, count + 1)[None, :, None] / count
            after = self.network.pin_volts(self.moment)
            pins[:, done : done + count] = before[:, None] + (after - before)[:, None] * line
            done += count
        return pins

    def _of(self, step: float, mains: bool) -> Reduced:
        key = (round(step, 9), mains)
        if key not in self._matrices:
            if len(self._matrices) > 6:
                self._matrices.clear()
            self._matrices[key] = self.network.reduced(self.values, self.points, step, mains)
        return self._matrices[key]


def joined(parts: Sequence[Builds]) -> Builds:
    """Return all builds of several as one."""
    first = parts[0]
    names = dict.fromkeys(name for part in parts for name in part.values)
    values = {
        name: np.concatenate(
            [part.values.get(name, np.full(part.points, first.network.nominal[name])) for part in parts]
        )
        for name in names
    }
    moment = Moment(*(np.concatenate([getattr(part.moment, key) for part in parts]) for key in vars(first.moment)))
    return Builds(first.network, values, np.concatenate([part.slowness for part in parts]),
                  np.concatenate([part.temperature for part in parts]), moment)  # fmt: skip


def drawn(network: Network, columns: Mapping[str, Floats], points: int, seed: int) -> Builds:
    """Return builds with cold cathodes and nothing charged, each valve as quick to warm up as it is drawn.

    A supply's slope at its load is larger than what stands between it and its reservoir as that is charged: each has
    from a quarter of it up to all, with the same voltage at rest.
    """
    random = np.random.default_rng([seed, 11])
    slowness = random.uniform(*SLOWNESS, (points, len(network.names)))
    values = dict(columns)
    if network.sag:
        stiff = random.uniform(0.25, 1.0, points)
        emf = values.get(RAIL_SOURCE, np.full(points, network.nominal[RAIL_SOURCE]))
        values[RAIL_SOURCE] = emf * (1.0 - (1.0 - stiff) * network.sag)
        values[RAIL_RESISTOR] = stiff * network.nominal[RAIL_RESISTOR]
    return Builds(network, values, slowness, np.full_like(slowness, ROOM), network.start(points))


def at_rest(builds: Builds, rate: int = 250) -> None:
    """Bring builds to their rest, hot."""
    builds.temperature[:] = HOT
    builds.run(0.6, rate)
    builds.run(4.0, rate, quick=0.0)


def surges(network: Network, columns: Mapping[str, Floats], points: int, seed: int) -> list[Floats]:
    """Return the pins' voltages of healthy starts [V], each (points, samples, pins) at 250 a second.

    Cold ones of a minute, and the first seconds after dips of the mains, :data:`DIPS`.
    """
    cold = drawn(network, columns, points, seed)
    # A pair's current flows in the half that is warm first: the quickest beside the slowest are the least favourable.
    first = np.array([valve.half != "b" for valve in network.bed.valves])
    turn = (np.arange(points) % 2 == 0)[:, None]
    cold.slowness = np.where(first == turn, *SLOWNESS)
    alone = cold.run(60.0, 250, quick=0.0)
    off = drawn(network, columns, points, seed)
    at_rest(off)
    gone, dipped = 0.0, []
    for dip in DIPS:
        off.run(dip - gone, 250, mains=False, quick=max(0.0, 1.0 - gone))
        gone = dip
        dipped.append(off.at(np.arange(points)))
    return [alone, joined(dipped).run(3.0, 250, quick=1.0)]


__all__ = ["DIPS", "HOT", "LONG_STEP", "QUICK", "ROOM", "SHORT_STEP", "Builds", "at_rest", "drawn", "joined", "surges",
           "warmed", "warmth"]  # fmt: skip
