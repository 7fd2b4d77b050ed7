"""The periodic steady state as the fixed point of a map, found without waiting for the coupling capacitors.

One period, run from a given state (all node voltages and inductor currents), is a map from the state at its beginning
to that at its end (:class:`PeriodMap`), and the steady state is its fixed point. It is approached by Newton's method
(the shooting method): from how one period answers to a small change of its beginning follows the beginning at which
the slow states (capacitors that need hundreds of periods) would stop moving. That answer, the Jacobian, comes with the
linear period that a map computes along a period that was run; it costs less than a period. Periods that come after
improve it by what they add (the multi-secant form of Broyden's update).

Along the same linear period it is known what a Newton step would still change in the waveforms. Once a step has
come out as foretold, a level is settled when the next one would change so little that the linear period can say it
well enough; that little is added. Until then a step is confirmed by the plain period that follows it. Where the
steps do not come to rest, plain periods alone are run ("brute force"). A steady state that the circuit would run away
from is refused.

Nothing here knows an engine: :mod:`simwrap.engine.steady` has the map of a circuit.

Sources: T. J. Aprille and T. N. Trick, "Steady-state analysis of nonlinear circuits with periodic
inputs", Proc. IEEE 60 (1972) 108; C. G. Broyden, Math. Comp. 19 (1965) 577; V. Eyert, "A comparative
study on methods for convergence acceleration of iterative vector sequences", J. Comput. Phys. 124 (1996) 271;
P. Deuflhard, Newton Methods for Nonlinear Problems, Springer 2004 (steps judged by the length of the next one).
"""

from __future__ import annotations

import enum
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np

from simwrap.engine.protocol import Array
from simwrap.forking import cached_property

#: A Newton step that leaves more than this share of the way asks for a new Jacobian; one that leaves more than the
#: second is no step.
POOR, VAIN = 0.1, 0.8
#: What is left of a step that led nowhere, or to where no period can start, and the shortest that is tried of each.
SHORTER, SHORT, SHORTEST = 0.3, 0.1, 0.01
#: Plain periods after steps that led nowhere.
PLAIN = 2
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
    """One period that was run.

    Attributes
    ----------
    waves : ndarray, shape (vectors, samples)
        On a uniform grid; in the steady state the end is also the beginning.
    last : ndarray, shape (vectors,)
        Their values at the very end.
    begin, end : ndarray, shape (names,)
        States at its ends.
    trace : Any
        What the map needs to make itself linear along it.
    """

    waves: Array
    last: Array
    begin: Array
    end: Array
    trace: Any = None

    @cached_property
    def spectra(self) -> Array:
        """Amplitudes of the harmonics, shape (vectors, harmonics)."""
        return _spectra(self.waves)


def _spectra(waves: Array) -> Array:
    return np.asarray(np.abs(np.fft.rfft(waves, axis=1)) / waves.shape[1] * 2.0)


class LinearPeriod(Protocol):
    """A period made linear: what a small change of its beginning does, both in true states."""

    @property
    def jacobian(self) -> Array:
        """Change of the end for each change of the beginning, shape (states, states)."""

    def moved(self, change: Array) -> tuple[Array, Array]:
        """Return what a change of the beginning adds to the waves on their grid, and to their last values."""


class PeriodMap(Protocol):
    """One period as a map from the state at its beginning to that at its end.

    A state has a value for each name; the true state, in which distances count, is the matrix ``state`` times that.
    """

    @property
    def state(self) -> Array:
        """Matrix from the names to the true state, shape (states, names)."""

    @property
    def count(self) -> int:
        """Periods that were run of this level."""

    @property
    def seen(self) -> int:
        """Harmonics that the steps of a linear period are short enough for."""

    def run(self, begin: Array) -> Period:
        """Run one period; RuntimeError where it can't start there, TimeoutError where there is no time for it."""

    def linear(self, period: Period, fine: bool) -> LinearPeriod | None:
        """Return the linear period along one that was run, None where there is none; ``fine`` in finer steps."""


class Mode(enum.Enum):
    """What the next period is for."""

    NEWTON = "a Newton step, or a part of one"
    PLAIN = "a plain period, since steps led nowhere"
    CONFIRM = "the plain period after a whole step that left the harmonics where they were"
    FOUND = "none: the last is the steady state"
    LOST = "none: it does not come to rest"


class Shooting:
    """Newton's method on a map, period by period: a state machine with what it has learnt of the map.

    Parameters
    ----------
    period_map : PeriodMap
    tolerance : float
        Largest change of a harmonic, relative to the largest of its wave, that counts as settled.
    most : int
        Most periods of a level.

    Attributes
    ----------
    mode : Mode
    base : Period
        The period that the next step starts from; in the end what was found.
    sure : bool
        Whether what the linear period foretold came true.
    close : ndarray or None
        A state that came close to rest at this level.
    """

    def __init__(self, period_map: PeriodMap, tolerance: float, most: int) -> None:
        self._map, self._tolerance, self._most = period_map, tolerance, most
        self._back = np.linalg.pinv(period_map.state)
        self._jacobian = np.zeros((len(period_map.state), len(period_map.state)))
        #: The last linear period, and the period that the Jacobian was computed along.
        self._linear: LinearPeriod | None = None
        self._along: Period | None = None
        self._amplitude = 0.0
        self.sure = False
        self.close: Array | None = None

    def begin_level(self, amplitude: float) -> None:
        """Begin with another drive level; what is known of the map stays."""
        self._amplitude, self.close = abs(amplitude), None

    def shoot(self, start: Array) -> Period | None:
        """Return the steady state, None when it doesn't come to rest from where it starts."""
        self.start(start)
        while self.mode not in (Mode.FOUND, Mode.LOST):
            self.advance()
        return self.base if self.mode is Mode.FOUND else None

    def start(self, start: Array) -> None:
        """Run the first period."""
        self.base = self._map.run(start)
        self._past = [self.base]
        self._short, self._plain, self._near = 1.0, 0, 0
        self._fine, self._foresees = False, True
        self.mode = Mode.NEWTON
        #: Whether the Jacobian was computed along the base.
        self._fresh = self._linearise(self.base)
        if self._fresh and (there := self._there(self.base)):
            self.base, self.mode = there, Mode.FOUND

    def advance(self) -> None:
        """Run one more period, and decide what the next is for."""
        if self._map.count >= min(PATIENCE, self._most):
            self.mode = Mode.LOST
            return
        base, newton, whole = self.base, self.mode is Mode.NEWTON, self._short == 1.0
        if not self._fresh:
            self._learn()
        expected = _spectra(self._foretold(base))
        try:
            trial = self._map.run(self.next(base, self._short) if newton else base.end)
        except TimeoutError:
            raise
        except RuntimeError:
            # The engine can't start from such a state: go less far.
            self._short *= SHORTER
            if not newton or self._short < SHORTEST:
                self.mode = Mode.LOST
            return
        self._past = [*self._past, trial][-MEMORY:]
        moved = self.change(base.spectra, trial.spectra, fine=self._near < JITTER)
        if self.mode is Mode.CONFIRM and moved < 1.0:
            self.base, self.mode = trial, Mode.FOUND
            return
        left = self._away(trial) / max(self._away(base), 1e-300)
        if newton and whole and (there := self._judged(trial, expected, left)):
            self.base, self.mode = there, Mode.FOUND
            return
        # Of a whole Newton step, what it leaves over has to be small beside what is allowed. A step that left a
        # small share of the way foretells the next one; where a plain period has said otherwise, it counts no more.
        self._foresees = self._foresees and self.mode is not Mode.CONFIRM
        least = 0.0 if self._foresees and left < POOR else 1.0
        calm = newton and whole and moved * max(least, 10.0 * left) < 1.0
        self._note_how_close(trial)
        self._go_on(trial, left, newton, calm)

    def _judged(self, trial: Period, expected: Array, left: float) -> Period | None:
        """Return the steady state after a whole Newton step, if that is it; learn whether it came out as foretold."""
        off = self.change(expected, trial.spectra, fine=True)
        true = off < max(1.0, POOR * self.change(self.base.spectra, trial.spectra, fine=True))
        self.sure = true or (self.sure and left < POOR)
        there = self._there(trial)
        if there and left >= POOR:
            there = self._there(trial) if self._linearise(trial, fine=True) else None
        return there

    def _note_how_close(self, trial: Period) -> None:
        rough = self.change(self.base.spectra, trial.spectra)
        self._near = self._near + 1 if rough < 1.0 else 0
        if rough * self._tolerance < CLOSE:
            self.close = trial.end

    def _go_on(self, trial: Period, left: float, newton: bool, calm: bool) -> None:
        """Take over a step, or a shorter one, or let plain periods follow."""
        self._plain = max(self._plain - 1, 0)
        if not newton or left < VAIN or calm:
            self.base, self._short = trial, 1.0
            self._fine = self._fine or (newton and left > POOR)
            self._fresh = not calm and (not newton or left > POOR) and self._linearise(trial, self._fine)
        elif self._short > SHORT:
            # The way was right at its beginning: go less far along it.
            self._fresh, self._short = False, SHORTER * self._short
        else:
            self._fresh, self._plain, self._short = False, PLAIN, 1.0
        self.mode = Mode.CONFIRM if calm else Mode.PLAIN if self._plain else Mode.NEWTON

    def _there(self, period: Period) -> Period | None:
        """Return a period that a Newton step would change so little that the linear period can say by how much.

        None where it would change more, or where what was said of such steps before didn't come true.
        """
        if not self.sure:
            return None
        found = replace(period, waves=self._foretold(period))
        before, after = period.spectra, found.spectra
        quick = before.copy()
        quick[:, self._map.seen :] = after[:, self._map.seen :]
        if not self.change(before, quick, fine=True) < UNSEEN:
            return None
        if not self.change(before, after, fine=True) < NEAR:
            return None
        if self._along is period:
            self._along = found
        return found

    def _linearise(self, period: Period, fine: bool = False) -> bool:
        """Compute the Jacobian along a period; False (and no change) where it can't be."""
        found = self._map.linear(period, fine)
        if found is None or not np.isfinite(found.jacobian).all():
            return False
        self._linear, self._along, self._jacobian = found, period, found.jacobian.copy()
        return True

    def _miss(self, period: Period) -> Array:
        return np.asarray(self._map.state @ (period.end - period.begin))

    def _newton(self, period: Period) -> Array:
        """Return the change of a period's beginning after which its end would be its beginning."""
        miss = self._miss(period)
        found: Array = np.linalg.lstsq(np.eye(len(miss)) - self._jacobian, miss, rcond=1e-12)[0]
        return found

    def _away(self, period: Period) -> float:
        """How far a period is from the steady state: a small miss of a slow part counts for its whole way."""
        return float(np.linalg.norm(self._newton(period)))

    def _foretold(self, period: Period) -> Array:
        """Return the waves that are expected after a Newton step."""
        if self._linear is None:
            return np.full_like(period.waves, np.nan)
        moved, at_the_end = self._linear.moved(self._newton(period))
        found = period.waves + moved
        found[:, 0] = period.last + at_the_end  # the beginning is also the end, as far as the step goes
        return found

    def next(self, base: Period, share: float = 1.0) -> Array:
        """Return the state at which the slow parts would stop moving, or one on the way there."""
        return np.asarray(base.end + share * (self._back @ (self._newton(base) - self._miss(base))))

    def _learn(self) -> None:
        """Multi-secant update: what changes of the beginning did to the end, near the base."""
        base, state = self.base, self._map.state
        others = [other for other in self._past if other is not base]
        if not others:
            return
        moved = np.array([state @ (other.begin - base.begin) for other in others]).T
        answer = np.array([state @ (other.end - base.end) for other in others]).T
        length = np.linalg.norm(moved, axis=0)
        length[length == 0.0] = 1.0
        moved, answer = moved / length, answer / length
        self._along = None
        self._jacobian += (answer - self._jacobian @ moved) @ np.linalg.pinv(moved, rcond=RCOND)

    def change(self, one: Array, other: Array, fine: bool = False) -> float:
        """Largest change of a harmonic from one spectrum to another, in units of what is allowed; below 1 is settled.

        ``fine`` allows the distortion to change by no more than a thousandth of itself.
        """
        if not other.size:
            return 0.0
        reference = other[:, 1:].max(axis=1)
        # What is tiny beside the largest signal, an engine doesn't resolve as finely.
        largest = max(self._amplitude, float(reference.max()))
        reference = np.maximum(reference, max(SMALL * largest, RESOLVED / self._tolerance))
        moved = np.abs(one - other) / reference[:, None]
        largest = float(moved.max()) / self._tolerance
        if fine:
            distortion = np.sqrt((other[:, 2:] ** 2).sum(axis=1)) / reference
            allowed = np.clip(1e-3 * distortion, 1e-3 * self._tolerance, self._tolerance)
            largest = max(largest, float((moved[:, 2:] / allowed[:, None]).max(initial=0.0)))
        return largest

    def refuse_unstable(self, found: Period) -> None:
        """Refuse a steady state that the circuit would run away from: it oscillates by itself."""
        if self._along is not found:
            self._linearise(found)
        power, ways = np.linalg.eig(self._jacobian)
        largest = int(np.argmax(np.abs(power))) if power.size else 0
        if not power.size or abs(power[largest]) < GROWS:
            return
        nudge = self._back @ np.real(ways[:, largest])
        nudge *= 1e-4 * max(1.0, float(np.abs(found.end).max())) / max(float(np.abs(nudge).max()), 1e-30)
        # What grows at first may still die away, so it is followed over a whole turn of its phase.
        turn = 2.0 * np.pi / max(abs(float(np.angle(power[largest]))), 1e-9)
        state = found.end + nudge
        size: list[float] = []
        for length in (GROWTH, GROWTH * int(np.clip(1.5 * turn / GROWTH, 2, 12))):
            while len(size) < length:
                size.append(float(np.linalg.norm(self._map.state @ (state - found.end))))
                if size[-1] < DIED_AWAY * size[0]:
                    return
                state = self._map.run(state).end
            third = length // 3
            first, middle, last = (max(size[k : k + third]) for k in range(0, length, third))
            least = 1.0 + 0.5 * (float(np.abs(power[largest])) ** third - 1.0)
            if not last > least * middle > least**2 * first:
                return
        raise RuntimeError("the steady state is unstable: the circuit oscillates by itself or drifts away")

    def wait(self, start: Array) -> Period:
        """Run plain periods until blocks of them agree, with what is still to come reckoned in."""
        state = start
        marks: list[Period] = []
        changes: list[float] = []
        while self._map.count < self._most:
            period = self._map.run(state)
            state = period.end
            if self._map.count % BLOCK == 0:
                marks = [*marks[-1:], period]
                if len(marks) == 2:
                    changes.append(self.change(marks[0].spectra, marks[1].spectra))
                if len(changes) >= 2:
                    ratio = min(changes[-1] / changes[-2], 0.99) if changes[-2] > 0.0 else 0.0
                    if changes[-1] * max(1.0, ratio / (1.0 - ratio)) < 1.0:
                        return period
                self._give_up(changes)
        raise RuntimeError(f"no steady state within {self._map.count} periods")

    def _give_up(self, changes: list[float]) -> None:
        """Give up early when at the rate of the last blocks it would need more periods than there are."""
        if len(changes) <= OUTLOOK or changes[-1] <= 0.0:
            return
        # Halves of the outlook are compared, so that a single quiet block decides nothing.
        half = OUTLOOK // 2
        before, now = max(changes[-OUTLOOK:-half]), max(changes[-half:])
        fall = np.log(before / now) / half if now > 0.0 else np.inf
        if max(np.log(changes[-1]), 0.0) > fall * (self._most - self._map.count) / BLOCK:
            raise RuntimeError(
                f"no steady state: after {self._map.count} periods it still changes by "
                f"{100.0 * changes[-1] * self._tolerance:.2g} % in ten, and hardly less than before"
            )
