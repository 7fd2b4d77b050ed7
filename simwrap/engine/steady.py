"""Steady states of a circuit's levels: one period of it as a map, and what is known from one level to another.

The fixed point is found by :mod:`simwrap.engine.shooting`. A level starts from the states of levels before. A circuit
that oscillates while it is quiet is refused before anything is run.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from simwrap.engine.backends.base import Backend
from simwrap.engine.deck import Deck
from simwrap.engine.linearised import Linearised, inductance_matrix
from simwrap.engine.protocol import Array, OpRun, SteadyRun
from simwrap.engine.resample import onto
from simwrap.engine.shooting import LinearPeriod, Period, Shooting
from simwrap.engine.stretch import Stretch
from simwrap.errors import NetlistError

#: Steps of a period, and at least so many of the fastest tone's.
STEPS, STEPS_FASTEST = 200, 60
#: Steps of the linear period: at least and at most, and so many of the fastest tone's.
LINEAR_STEPS, MOST_LINEAR_STEPS, LINEAR_STEPS_FASTEST = 50, 400, 12
#: Levels from which the steady state at another is expected, and the most that their weights may add up to.
EXPECTED_FROM, MOST_WEIGHT = 5, 10.0
#: How far apart these are, at least, as a part of how far the wanted level is from the further one.
APART = 0.3
#: Share of its rate at which a quiet circuit's oscillation has to grow to be one for sure.
OSCILLATES = 1e-3
#: Share of the time limit after which no further period is begun: one that hangs costs the whole process.
SOON = 0.9


@dataclass
class Settled:
    """A level that came to rest, with the state at its phase 0 (None: it is at rest anyway)."""

    waves: list[Array]
    periods: int
    method: str
    state: Array | None = None


@dataclass(frozen=True)
class _LinearCircuit:
    """The linear period of a circuit; see :class:`~simwrap.engine.shooting.LinearPeriod`."""

    stretch: Stretch
    vectors: tuple[str, ...]
    grid: Array

    @property
    def jacobian(self) -> Array:
        """Change of the end for each change of the beginning."""
        return self.stretch.whole

    def moved(self, change: Array) -> tuple[Array, Array]:
        """Return what a change of the beginning adds to the waves on their grid, and to their last values."""
        moved = self.stretch.waves(self.vectors, change)
        on_grid = [np.interp(self.grid, self.stretch.times, wave) for wave in moved]
        return np.array(on_grid).reshape(-1, len(self.grid)), moved[:, -1]


class CircuitMap:
    """One period of a circuit; see :class:`~simwrap.engine.shooting.PeriodMap`."""

    def __init__(self, host: Backend, deck: Deck, run: SteadyRun, values: Mapping[str, float], limit: float) -> None:
        self._host, self._deck, self._run, self._values = host, deck, run, dict(values)
        self._until = time.monotonic() + SOON * limit
        self.linearised = Linearised(deck.parsed, self._values, currents=run.vectors)
        self.names = (*deck.parsed.nodes, *(f"i({name})" for name in deck.parsed.kind("l")))
        self._vectors = list(dict.fromkeys((*self.names, *self.linearised.sensed, *run.vectors)))
        self._period = 1.0 / run.fundamental
        fastest = max([run.fundamental, *(tone.frequency for tone in run.tones)]) / run.fundamental
        self._step = self._period / max(STEPS, STEPS_FASTEST * fastest, run.samples / 4)
        steps = int(np.clip(LINEAR_STEPS_FASTEST * fastest, LINEAR_STEPS, MOST_LINEAR_STEPS))
        self._coarse = np.linspace(0.0, self._period, steps + 1)
        self._grid = np.arange(run.samples) * (self._period / run.samples)
        self.state = _true_state(deck, self.names, self._values)
        self.seen = len(self._coarse) // 2
        self.count = 0

    def begin_level(self, amplitude: float) -> None:
        """Drive the circuit with another level."""
        self.count = 0
        tones = [tone.scaled(amplitude) for tone in self._run.tones]
        source = self._run.source
        self._lines = self._deck.lines(self._values, self._deck.drive(source, self._values, tones))

    def run(self, begin: Array) -> Period:
        """Run one period from a state."""
        if time.monotonic() > self._until:
            raise TimeoutError(f"no steady state in time ({self.count} periods)")
        self.count += 1
        given = dict(zip(self.names, begin.tolist(), strict=True))
        lines = self._deck.initial(given, self._lines, self._values, self._host.own_flux_only)
        times, found = self._host.transient(self._deck, lines, self._vectors, self._period, self._step, 0.0, True)
        if abs(times[-1] - self._period) > 1e-9 * self._period:
            raise RuntimeError(f"a period ended at {times[-1]:.6g} s instead of {self._period:.6g} s")
        by_name = dict(zip(self._vectors, found, strict=True))
        end = np.array([by_name[name][-1] for name in self.names])
        if not np.isfinite(end).all():
            raise RuntimeError("the state after a period is not a finite number")
        waves = np.array([by_name[name] for name in self._run.vectors]).reshape(-1, len(times))
        last = waves[:, -1]
        trace = (times, by_name)
        # In the steady state the end is also the beginning, which the engine doesn't return exactly.
        if times[0] > 0.0:
            times, waves = np.concatenate(([0.0], times)), np.concatenate((last[:, None], waves), axis=1)
        return Period(onto(self._grid, times, waves), last, begin, end, trace)

    def linear(self, period: Period, fine: bool) -> LinearPeriod | None:
        """Make the circuit linear along a period; None where that has no single solution.

        ``fine`` follows the engine's own time points, which lie close where a rectifier begins to conduct.
        """
        times, (own, given) = self._coarse, period.trace
        if fine:
            inner = own[:: max(1, len(own) // MOST_LINEAR_STEPS)]
            times = np.concatenate(([0.0], inner[(inner > 0.0) & (inner < self._period)], [self._period]))
        try:
            found = self.linearised.period(self.state, self.names, times, own, given)
        except np.linalg.LinAlgError:
            return None
        return _LinearCircuit(found, self._run.vectors, self._grid)

    def quiet(self, vectors: tuple[str, ...]) -> Array:
        """Return the operating point, a value for each vector [V, A]."""
        out = [np.empty(1) for _ in vectors]
        self._host.load(self._deck, self._values)
        self._host.op(OpRun(vectors), out, 0)
        self._host.unload()
        found = np.array([one[0] for one in out])
        if not np.isfinite(found).all():
            raise RuntimeError("the operating point is not a finite number")
        return found


class Solver:
    """The levels of one point, one after the other."""

    def __init__(self, host: Backend, deck: Deck, run: SteadyRun, values: Mapping[str, float], limit: float) -> None:
        self._host, self._run = host, run
        self._map = CircuitMap(host, deck, run, values, limit)
        self._shooting = Shooting(self._map, run.tolerance, run.max_periods)
        self._known: list[tuple[float, Array]] = []

    def level(self, amplitude: float) -> Settled:
        """Find the steady state at one drive level.

        Raises
        ------
        RuntimeError, TimeoutError
            When it does not come to rest, with the reason.
        """
        if amplitude == 0.0:
            return self._silence()
        if not self._known:
            self._refuse_oscillator()
            self._known.append((0.0, self._map.quiet(self._map.names)))
        self._map.begin_level(amplitude)
        shooting = self._shooting
        shooting.begin_level(amplitude)
        found = None
        # Should shooting not come to rest from where it is expected, the nearest level's state is the safer beginning.
        for count in (EXPECTED_FROM, 1, 1):
            loosened = self._host.loosened
            try:
                found = shooting.shoot(self._expected(amplitude, count))
            except TimeoutError:
                raise
            except RuntimeError:
                found = None  # a state reckoned ahead may be one that the engine can't start from
            if self._host.loosened == loosened and (found is not None or count == 1):
                break
        method = "shooting"
        if found is None:
            method = "brute force"
            # What shooting came close to is a better beginning than rest.
            found = shooting.wait(self._map.quiet(self._map.names) if shooting.close is None else shooting.close)
        shooting.refuse_unstable(found)
        # What is left of the way, too little to be seen in the waves, is the better beginning of another level.
        state = shooting.next(found) if method == "shooting" else found.end
        self._known.append((amplitude, state))
        return Settled(list(found.waves), self._map.count, method, state)

    def remember(self, levels: Array, states: Array) -> None:
        """Take over states of levels that were run before, of shapes (known,) and (known, states); NaN is none."""
        for level, state in zip(levels.tolist(), states, strict=True):
            if np.isfinite(state).all():
                self._known.append((level, state))
                self._shooting.sure = True

    def _expected(self, amplitude: float, most: int) -> Array:
        """Return where the steady state is expected from those at up to so many levels; the quiet circuit is level 0.

        What follows the signal goes as the level, what its even harmonics shift as the square of it, and both bend
        slowly: a polynomial through a few of the nearest levels comes close.
        """
        by_level = dict(self._known)  # of a level that was run twice, the later
        nearest: list[float] = []
        for level in sorted(by_level, key=lambda level: abs(level - amplitude)):
            # Two that lie side by side tell nothing of what lies far from both.
            apart = min((abs(level - other) for other in nearest), default=np.inf)
            if len(nearest) < most and apart > APART * abs(level - amplitude):
                nearest.append(level)
        for count in range(len(nearest), 1, -1):
            levels = np.array(nearest[:count])
            others = [np.delete(levels, k) for k in range(count)]
            # Lagrange's weights; large ones would enlarge what isn't known.
            weights = [np.prod((amplitude - o) / (level - o)) for o, level in zip(others, levels, strict=True)]
            if np.abs(weights).sum() < MOST_WEIGHT:
                return np.asarray(weights @ np.array([by_level[level] for level in nearest[:count]]))
        return by_level[nearest[0]]

    def _refuse_oscillator(self) -> None:
        """No signal comes to rest in a circuit that oscillates while it is quiet."""
        point = self._map.quiet(self._map.linearised.needed)
        try:
            poles = self._map.linearised.matrices(dict(zip(self._map.linearised.needed, point, strict=True))).poles()
        except (np.linalg.LinAlgError, NetlistError):
            return  # a look ahead only: the periods themselves will tell
        growing = poles[(poles.real > OSCILLATES * np.abs(poles)) & (poles.imag > OSCILLATES * np.abs(poles))]
        if growing.size:
            worst = growing[np.argmax(growing.real)]
            raise RuntimeError(
                f"the circuit is unstable: without a signal it oscillates by itself at about "
                f"{worst.imag / (2.0 * np.pi):.3g} Hz"
            )

    def _silence(self) -> Settled:
        """Without a signal the steady state is the operating point."""
        levels = self._map.quiet(self._run.vectors)
        return Settled([np.full(self._run.samples, level) for level in levels], 0, "at rest")


def _true_state(deck: Deck, names: tuple[str, ...], values: Mapping[str, float]) -> Array:
    """Return the matrix from all names to the true state, whose square is twice the stored energy [J].

    One row a capacitor (sqrt(C) times its voltage) and one a coil (of a factor of the matrix of
    inductances, times the currents). In this measure a passive circuit never moves away from its steady
    state, and small fast capacitors don't drown large slow ones.
    """
    place = {name: index for index, name in enumerate(names)}
    size = {n: float(values.get(n, deck.parsed.devices[n].value)) for n in deck.parsed.kind("c")}
    rows = []
    for name in deck.parsed.kind("c"):
        if size[name] > 0.0:
            row = np.zeros(len(names))
            for node, sign in zip(deck.parsed.devices[name].nodes, (1.0, -1.0), strict=True):
                if node in place:
                    row[place[node]] += sign * np.sqrt(size[name])
            rows.append(row)
    coils, inductances = inductance_matrix(deck.parsed, values)
    power, ways = np.linalg.eigh(inductances)
    for value, way in zip(power, ways.T, strict=True):
        row = np.zeros(len(names))
        row[[place[f"i({name})"] for name in coils]] = np.sqrt(max(value, 1e-9 * power[-1])) * way
        rows.append(row)
    return np.array(rows).reshape(-1, len(names))
