"""The periodic steady state, found without waiting for the coupling capacitors.

One period is run at a time from a given state (all node voltages and inductor currents), so a period
is a map from the state at its beginning to that at its end, and the steady state is its fixed point.
The fixed point is approached by Newton's method (the shooting method): from how one period answers to a
small change of its beginning follows the beginning at which the slow states (capacitors that need hundreds
of periods) would stop moving. That answer, the Jacobian, is computed from the waveforms of a period that was
run, by making the circuit linear along them (:mod:`simwrap.engine.linearised`); it costs less than a period.
Periods that come after improve it by what they add (the multi-secant form of Broyden's update). A level
starts from the states of levels before.

Along the same linear period it is known what a Newton step would still change in the waveforms. Once a step has
come out as foretold, a level is settled when the next one would change so little that the linear period can say it
well enough; that little is added. Until then a step is confirmed by the plain period that follows it. Where the
steps do not come to rest, plain periods alone are run ("brute force"). A circuit that oscillates while it is quiet
is refused before anything is run, and so is a steady state that the circuit would run away from.

Sources: T. J. Aprille and T. N. Trick, "Steady-state analysis of nonlinear circuits with periodic
inputs", Proc. IEEE 60 (1972) 108; C. G. Broyden, Math. Comp. 19 (1965) 577; V. Eyert, "A comparative
study on methods for convergence acceleration of iterative vector sequences", J. Comput. Phys. 124 (1996) 271;
P. Deuflhard, Newton Methods for Nonlinear Problems, Springer 2004 (steps judged by the length of the next one).
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from simwrap.engine.backends.base import Backend
from simwrap.engine.deck import Deck
from simwrap.engine.linearised import Linearised, Stretch, inductance_matrix
from simwrap.engine.protocol import Array, OpRun, SteadyRun
from simwrap.engine.resample import onto
from simwrap.errors import NetlistError

#: Steps of a period, and at least so many of the fastest tone's.
STEPS, STEPS_FASTEST = 200, 60
#: Steps of the linear period: at least and at most, and so many of the fastest tone's.
LINEAR_STEPS, MOST_LINEAR_STEPS, LINEAR_STEPS_FASTEST = 50, 400, 12
#: A Newton step that leaves more than this share of the way asks for a new Jacobian.
POOR = 0.1
#: Levels from which the steady state at another is expected, and the most that their weights may add up to.
EXPECTED_FROM, MOST_WEIGHT = 5, 10.0
#: How far apart these are, at least, as a part of how far the wanted level is from the further one.
APART = 0.3
#: Largest change of the harmonics by a Newton step, in units of what is allowed, that is taken from the linear period.
NEAR = 10.0
#: The same for harmonics that its steps are too long for.
UNSEEN = 0.1
#: Periods remembered by the secant update.
MEMORY = 20
RCOND = 1e-3
#: After so many periods within the tolerance, changes of the distortion are taken for an engine's jitter.
JITTER = 6
#: Periods in which a nudge shows whether a steady state is stable.
GROWTH = 24
#: An eigenvalue of the Jacobian from which on a nudge would grow.
GROWS = 1.001
#: Part of a nudge down to which it has died away.
DIED_AWAY = 0.1
#: Share of its rate at which a quiet circuit's oscillation has to grow to be one for sure.
OSCILLATES = 1e-3
#: Share of the time limit after which no further period is begun: one that hangs costs the whole process.
SOON = 0.9
#: A signal smaller than this share of the largest needs to be as steady as one of that share.
SMALL = 1e-2
#: Changes that an engine's own tolerance leaves [V or A, mA for a valve's currents].
RESOLVED = 1e-8
#: Periods after which Newton's method is given up, and those of a block of plain ones.
PATIENCE, BLOCK = 50, 10
#: Change of a harmonic (of the fundamental) below which a state is close enough for plain periods to go on from it.
CLOSE = 0.01
#: Blocks from whose changes it is reckoned how many more are needed.
OUTLOOK = 8


@dataclass
class Period:
    """One period: waveforms resampled, their spectra, the states at its ends, and what the engine gave."""

    waves: Array
    spectra: Array
    begin: Array
    end: Array
    miss: Array
    times: Array
    given: dict[str, Array]


@dataclass
class Settled:
    """A level that came to rest, with the state at its phase 0 (None: it is at rest anyway)."""

    waves: list[Array]
    periods: int
    method: str
    state: Array | None = None


class Solver:
    """The levels of one point, one after the other."""

    def __init__(self, host: Backend, deck: Deck, run: SteadyRun, values: Mapping[str, float], limit: float) -> None:
        self.host, self.deck, self.run, self.values = host, deck, run, dict(values)
        self.until = time.monotonic() + SOON * limit
        parsed = deck.parsed
        self.linear = Linearised(parsed, self.values, currents=run.vectors)
        self.names = (*parsed.nodes, *(f"i({name})" for name in parsed.kind("l")))
        self.vectors = list(dict.fromkeys((*self.names, *self.linear.sensed, *run.vectors)))
        self.period = 1.0 / run.fundamental
        fastest = max([run.fundamental, *(tone.frequency for tone in run.tones)]) / run.fundamental
        self.step = self.period / max(STEPS, STEPS_FASTEST * fastest, run.samples / 4)
        steps = int(np.clip(LINEAR_STEPS_FASTEST * fastest, LINEAR_STEPS, MOST_LINEAR_STEPS))
        self.coarse = np.linspace(0.0, self.period, steps + 1)
        self.grid = np.arange(run.samples) * (self.period / run.samples)
        self.state = _true_state(deck, self.names, self.values)
        self.back = np.linalg.pinv(self.state)
        self.jacobian = np.zeros((len(self.state), len(self.state)))
        #: The last linear period, the period that it was computed along, and whether what it foretold came true.
        self.stretch: Stretch | None = None
        self.along: Period | None = None
        self.sure = False
        self.known: list[tuple[float, Array]] = []
        self.count = 0

    def quiet(self, vectors: tuple[str, ...]) -> Array:
        """Return the operating point, a value for each vector [V, A]."""
        out = [np.empty(1) for _ in vectors]
        self.host.load(self.deck, self.values)
        self.host.op(OpRun(vectors), out, 0)
        self.host.unload()
        found = np.array([one[0] for one in out])
        if not np.isfinite(found).all():
            raise RuntimeError("the operating point is not a finite number")
        return found

    def one_period(self, state: Array) -> Period:
        """Run one period from a state."""
        if time.monotonic() > self.until:
            raise TimeoutError(f"no steady state in time ({self.count} periods)")
        self.count += 1
        given = dict(zip(self.names, state.tolist(), strict=True))
        lines = self.deck.initial(given, self.lines, self.values, self.host.own_flux_only)
        times, found = self.host.transient(self.deck, lines, self.vectors, self.period, self.step, 0.0, True)
        if abs(times[-1] - self.period) > 1e-9 * self.period:
            raise RuntimeError(f"a period ended at {times[-1]:.6g} s instead of {self.period:.6g} s")
        by_name = dict(zip(self.vectors, found, strict=True))
        end = np.array([by_name[name][-1] for name in self.names])
        if not np.isfinite(end).all():
            raise RuntimeError("the state after a period is not a finite number")
        waves = np.array([self._whole(times, by_name[name]) for name in self.run.vectors])
        waves = waves.reshape(-1, self.run.samples)
        return Period(waves, self._spectra(waves), state, end, self.state @ (end - state), times, by_name)

    def _spectra(self, waves: Array) -> Array:
        return np.asarray(np.abs(np.fft.rfft(waves, axis=1)) / self.run.samples * 2.0)

    def _whole(self, times: Array, wave: Array) -> Array:
        # In the steady state the end is also the beginning, which the engine doesn't return exactly.
        if times[0] > 0.0:
            times, wave = np.concatenate(([0.0], times)), np.concatenate(([wave[-1]], wave))
        return onto(self.grid, times, wave)

    def level(self, amplitude: float) -> Settled:
        """Find the steady state at one drive level.

        Raises
        ------
        RuntimeError, TimeoutError
            When it does not come to rest, with the reason.
        """
        self.count = 0
        self.close: Array | None = None
        self.amplitude = abs(amplitude)
        if amplitude == 0.0:
            return self._silence()
        if not self.known:
            self._refuse_oscillator()
            self.known.append((0.0, self.quiet(self.names)))
        tones = [tone.scaled(amplitude) for tone in self.run.tones]
        source = self.run.source
        self.lines = self.deck.lines(self.values, self.deck.drive(source, self.values, tones))
        found = None
        # Should shooting not come to rest from where it is expected, the nearest level's state is the safer beginning.
        for count in (EXPECTED_FROM, 1, 1):
            loosened = self.host.loosened
            try:
                found = self._shoot(self._expected(amplitude, count))
            except TimeoutError:
                raise
            except RuntimeError:
                found = None  # a state reckoned ahead may be one that the engine can't start from
            if self.host.loosened == loosened and (found is not None or count == 1):
                break
        method = "shooting"
        if found is None:
            method = "brute force"
            # What shooting came close to is a better beginning than rest.
            found = self._brute(self.quiet(self.names) if self.close is None else self.close)
        self._stays(found)
        # What is left of the way, too little to be seen in the waves, is the better beginning of another level.
        state = self._next(found, 1.0) if method == "shooting" else found.end
        self.known.append((amplitude, state))
        return Settled(list(found.waves), self.count, method, state)

    def remember(self, levels: Array, states: Array) -> None:
        """Take over states of levels that were run before, of shapes (known,) and (known, states); NaN is none."""
        for level, state in zip(levels.tolist(), states, strict=True):
            if np.isfinite(state).all():
                self.known.append((level, state))
                self.sure = True

    def _expected(self, amplitude: float, most: int) -> Array:
        """Return where the steady state is expected from those at up to so many levels; the quiet circuit is level 0.

        What follows the signal goes as the level, what its even harmonics shift as the square of it, and both bend
        slowly: a polynomial through a few of the nearest levels comes close.
        """
        by_level = dict(self.known)  # of a level that was run twice, the later
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
        point = self.quiet(self.linear.needed)
        try:
            poles = self.linear.matrices(dict(zip(self.linear.needed, point, strict=True))).poles()
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
        levels = self.quiet(self.run.vectors)
        return Settled([np.full(self.run.samples, level) for level in levels], 0, "at rest")

    def change(self, one: Array, other: Array, fine: bool = False) -> float:
        """Largest change of a harmonic from one spectrum to another, in units of what is allowed; below 1 is settled.

        ``fine`` allows the distortion to change by no more than a thousandth of itself.
        """
        if not other.size:
            return 0.0
        reference = other[:, 1:].max(axis=1)
        # What is tiny beside the largest signal, an engine doesn't resolve as finely.
        largest = max(self.amplitude, float(reference.max()))
        reference = np.maximum(reference, max(SMALL * largest, RESOLVED / self.run.tolerance))
        moved = np.abs(one - other) / reference[:, None]
        largest = float(moved.max()) / self.run.tolerance
        if fine:
            distortion = np.sqrt((other[:, 2:] ** 2).sum(axis=1)) / reference
            allowed = np.clip(1e-3 * distortion, 1e-3 * self.run.tolerance, self.run.tolerance)
            largest = max(largest, float((moved[:, 2:] / allowed[:, None]).max(initial=0.0)))
        return largest

    def _shoot(self, start: Array) -> Period | None:
        """Newton's method, each step judged by the one that would follow it; None when it doesn't come to rest."""
        base = self.one_period(start)
        past = [base]
        fresh, plain, short = self._linear_period(base), 0, 1.0
        calm, fine, near, foretold = False, False, 0, True
        if fresh and (there := self._there(base)):
            return there
        while self.count < min(PATIENCE, self.run.max_periods):
            if not fresh:
                self._learn(base, past)
            newton = not (plain or calm)
            expected = self._spectra(self._foretold(base))
            try:
                trial = self.one_period(self._next(base, short) if newton else base.end)
            except TimeoutError:
                raise
            except RuntimeError:
                # The engine can't start from such a state: go less far.
                short *= 0.3
                if not newton or short < 0.01:
                    return None
                continue
            past = [*past, trial][-MEMORY:]
            moved = self.change(base.spectra, trial.spectra, fine=near < JITTER)
            if calm and moved < 1.0:
                # A whole Newton step and the plain period after it left the harmonics where they were.
                return trial
            left = self._away(trial) / max(self._away(base), 1e-300)
            if newton and short == 1.0:
                off = self.change(expected, trial.spectra, fine=True)
                true = off < max(1.0, POOR * self.change(base.spectra, trial.spectra, fine=True))
                self.sure = true or (self.sure and left < POOR)
                there = self._there(trial)
                if there and left >= POOR:
                    there = self._there(trial) if self._linear_period(trial, fine=True) else None
                if there:
                    return there
            # Of a whole Newton step, what it leaves over has to be small beside what is allowed. A step that left a
            # small share of the way foretells the next one; where a plain period has said otherwise, it counts no more.
            foretold = foretold and not calm
            least = 0.0 if foretold and left < POOR else 1.0
            calm = newton and moved * max(least, 10.0 * left) < 1.0 and short == 1.0
            rough = self.change(base.spectra, trial.spectra)
            near = near + 1 if rough < 1.0 else 0
            if rough * self.run.tolerance < CLOSE:
                self.close = trial.end
            plain = max(plain - 1, 0)
            if not newton or left < 0.8 or calm:
                base, short = trial, 1.0
                fine = fine or (newton and left > POOR)
                fresh = not calm and (not newton or left > POOR) and self._linear_period(base, fine)
            elif short > 0.1:
                # The way was right at its beginning: go less far along it.
                fresh, short = False, 0.3 * short
            else:
                fresh, plain, short = False, 2, 1.0
        return None

    def _there(self, period: Period) -> Period | None:
        """Return a period that a Newton step would change so little that the linear period can say by how much.

        None where it would change more, or where what was said of such steps before didn't come true.
        """
        if not self.sure:
            return None
        waves = self._foretold(period)
        spectra = self._spectra(waves)
        quick = period.spectra.copy()
        quick[:, len(self.coarse) // 2 :] = spectra[:, len(self.coarse) // 2 :]
        if not self.change(period.spectra, quick, fine=True) < UNSEEN:
            return None
        if not self.change(period.spectra, spectra, fine=True) < NEAR:
            return None
        found = replace(period, waves=waves, spectra=spectra)
        if self.along is period:
            self.along = found
        return found

    def _linear_period(self, period: Period, fine: bool = False) -> bool:
        """Compute the Jacobian along a period; False (and no change) where it can't be.

        ``fine`` follows the engine's own time points, which lie close where a rectifier begins to conduct.
        """
        times = self.coarse
        if fine:
            inner = period.times[:: max(1, len(period.times) // MOST_LINEAR_STEPS)]
            times = np.concatenate(([0.0], inner[(inner > 0.0) & (inner < self.period)], [self.period]))
        try:
            found = self.linear.period(self.state, self.names, times, period.times, period.given)
        except np.linalg.LinAlgError:
            return False
        if not np.isfinite(found.whole).all():
            return False
        self.stretch, self.along, self.jacobian = found, period, found.whole.copy()
        return True

    def _newton(self, period: Period) -> Array:
        """Return the change of a period's beginning after which its end would be its beginning."""
        found: Array = np.linalg.lstsq(np.eye(len(period.miss)) - self.jacobian, period.miss, rcond=1e-12)[0]
        return found

    def _away(self, period: Period) -> float:
        """How far a period is from the steady state: a small miss of a slow part counts for its whole way."""
        return float(np.linalg.norm(self._newton(period)))

    def _foretold(self, period: Period) -> Array:
        """Return the waves that are expected after a Newton step."""
        if self.stretch is None:
            return np.full_like(period.waves, np.nan)
        moved = self.stretch.waves(self.run.vectors, self._newton(period))
        found = period.waves.copy()
        # The beginning is also the end, as far as the step goes.
        found[:, 0] = [period.given[name][-1] for name in self.run.vectors]
        for row, wave in zip(found, moved, strict=True):
            row += np.interp(self.grid, self.stretch.times, wave)
        found[:, 0] += moved[:, -1] - moved[:, 0]
        return found

    def _next(self, base: Period, short: float) -> Array:
        """Return the state at which the slow parts would stop moving, or one on the way there."""
        return np.asarray(base.end + short * (self.back @ (self._newton(base) - base.miss)))

    def _learn(self, base: Period, past: list[Period]) -> None:
        """Multi-secant update: what changes of the beginning did to the end, near ``base``."""
        moved = np.array([self.state @ (other.begin - base.begin) for other in past if other is not base]).T
        if not moved.size:
            return
        answer = np.array([self.state @ (other.end - base.end) for other in past if other is not base]).T
        length = np.linalg.norm(moved, axis=0)
        length[length == 0.0] = 1.0
        moved, answer = moved / length, answer / length
        self.along = None
        self.jacobian += (answer - self.jacobian @ moved) @ np.linalg.pinv(moved, rcond=RCOND)

    def _stays(self, found: Period) -> None:
        """Refuse a steady state that the circuit would run away from: it oscillates by itself."""
        if self.along is not found:
            self._linear_period(found)
        power, ways = np.linalg.eig(self.jacobian)
        largest = int(np.argmax(np.abs(power))) if power.size else 0
        if not power.size or abs(power[largest]) < GROWS:
            return
        nudge = self.back @ np.real(ways[:, largest])
        nudge *= 1e-4 * max(1.0, float(np.abs(found.end).max())) / max(float(np.abs(nudge).max()), 1e-30)
        # What grows at first may still die away, so it is followed over a whole turn of its phase.
        turn = 2.0 * np.pi / max(abs(float(np.angle(power[largest]))), 1e-9)
        state = found.end + nudge
        size: list[float] = []
        for length in (GROWTH, GROWTH * int(np.clip(1.5 * turn / GROWTH, 2, 12))):
            while len(size) < length:
                size.append(float(np.linalg.norm(self.state @ (state - found.end))))
                if size[-1] < DIED_AWAY * size[0]:
                    return
                state = self.one_period(state).end
            third = length // 3
            first, middle, last = (max(size[k : k + third]) for k in range(0, length, third))
            least = 1.0 + 0.5 * (float(np.abs(power[largest])) ** third - 1.0)
            if not last > least * middle > least**2 * first:
                return
        raise RuntimeError("the steady state is unstable: the circuit oscillates by itself or drifts away")

    def _brute(self, start: Array) -> Period:
        """Run plain periods until blocks of them agree, with what is still to come reckoned in."""
        state = start
        marks: list[Period] = []
        changes: list[float] = []
        while self.count < self.run.max_periods:
            period = self.one_period(state)
            state = period.end
            if self.count % BLOCK == 0:
                marks = [*marks[-1:], period]
                if len(marks) == 2:
                    changes.append(self.change(marks[0].spectra, marks[1].spectra))
                if len(changes) >= 2:
                    ratio = min(changes[-1] / changes[-2], 0.99) if changes[-2] > 0.0 else 0.0
                    if changes[-1] * max(1.0, ratio / (1.0 - ratio)) < 1.0:
                        return period
                self._hopeless(changes)
        raise RuntimeError(f"no steady state within {self.count} periods")

    def _hopeless(self, changes: list[float]) -> None:
        """Give up early when at the rate of the last blocks it would need more periods than there are."""
        if len(changes) <= OUTLOOK or changes[-1] <= 0.0:
            return
        # Halves of the outlook are compared, so that a single quiet block decides nothing.
        half = OUTLOOK // 2
        before, now = max(changes[-OUTLOOK:-half]), max(changes[-half:])
        fall = np.log(before / now) / half if now > 0.0 else np.inf
        if max(np.log(changes[-1]), 0.0) > fall * (self.run.max_periods - self.count) / BLOCK:
            raise RuntimeError(
                f"no steady state: after {self.count} periods it still changes by "
                f"{100.0 * changes[-1] * self.run.tolerance:.2g} % in ten, and hardly less than before"
            )


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
