"""The periodic steady state, found without waiting for the coupling capacitors.

One period is run at a time from a given state (all node voltages and inductor currents), so a period
is a map from the state at its beginning to that at its end, and the steady state is its fixed point.
The fixed point is approached by Newton's method: from how one period answers to a small change of its
beginning follows the beginning at which the slow states (capacitors that need hundreds of periods) would
stop moving. The first such Jacobian is that of the quiet circuit, a period of which costs little, and
every later period improves it by what it adds (the multi-secant form of Broyden's update). A level
starts from the state and the Jacobian of the level before.

Whatever a Newton step says is confirmed by the plain period that follows it. Where the steps do not come
to rest, plain periods alone are run ("brute force"). A steady state that the circuit would run away from
is refused.

Sources: T. J. Aprille and T. N. Trick, "Steady-state analysis of nonlinear circuits with periodic
inputs", Proc. IEEE 60 (1972) 108; C. G. Broyden, Math. Comp. 19 (1965) 577; V. Eyert, "A comparative
study on methods for convergence acceleration of iterative vector sequences", J. Comput. Phys. 124 (1996) 271;
P. Deuflhard, Newton Methods for Nonlinear Problems, Springer 2004 (steps judged by the length of the next one).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simwrap.engine.deck import Deck
from simwrap.engine.protocol import Array, OpRun, SteadyRun
from simwrap.engine.resample import onto

if TYPE_CHECKING:
    from simwrap.engine.worker import Host

#: Steps of a period, and at least so many of the fastest tone's.
STEPS, STEPS_FASTEST = 200, 60
#: Periods remembered by the extrapolation.
MEMORY = 20
RCOND = 1e-3
#: After so many periods within the tolerance, changes of the distortion are taken for an engine's jitter.
JITTER = 6
#: Periods in which a nudge shows whether a steady state is stable.
GROWTH = 24
#: Looks at a Jacobian's largest eigenvalue before that, and the value from which on it would grow.
LOOKS, GROWS = 6, 1.001
#: Part of a nudge down to which it has died away.
DIED_AWAY = 0.1
#: A signal smaller than this share of the largest needs to be as steady as one of that share.
SMALL = 1e-2
#: Changes that an engine's own tolerance leaves [V or A, mA for a valve's currents].
RESOLVED = 1e-8
#: Steps of a period of the quiet circuit.
QUIET_STEPS = 50
#: Part of the source's peak at which it is held for a beginning near to the peak's.
NEARLY = 0.97
#: Periods after which the extrapolation is given up.
PATIENCE = 90


@dataclass
class Period:
    """One period: waveforms resampled, their spectra, and the state at its end."""

    waves: list[Array]
    spectra: Array
    begin: Array
    end: Array
    miss: Array


@dataclass
class Settled:
    """A level that came to rest."""

    waves: list[Array]
    periods: int
    method: str


class Solver:
    """The levels of one point, one after the other."""

    def __init__(self, host: Host, deck: Deck, run: SteadyRun, values: Mapping[str, float], seconds: float) -> None:
        self.host, self.deck, self.run, self.values, self.seconds = host, deck, run, dict(values), seconds
        parsed = deck.parsed
        self.coils = [f"i({name})" for name in parsed.kind("l")]
        self.names = [*parsed.nodes, *self.coils]
        self.vectors = list(dict.fromkeys([*self.names, *run.vectors]))
        self.period = 1.0 / run.fundamental
        fastest = max([run.fundamental, *(tone.frequency for tone in run.tones)])
        steps = max(STEPS, STEPS_FASTEST * fastest / run.fundamental, run.samples / 4)
        self.step = self.period / steps
        self.grid = np.arange(run.samples) * (self.period / run.samples)
        self.state = _true_state(deck, self.names, self.values)
        self.back = np.linalg.pinv(self.state)
        self.jacobian = np.zeros((len(self.state), len(self.state)))
        self.known = False
        self.start: Array | None = None
        self.count = 0

    def rest(self, held: float | None = None) -> Array:
        """Return the state of the quiet circuit, or of one whose source is held at a voltage."""
        out = [np.empty(1) for _ in self.names]
        self.host.load(self.deck, self.values if held is None else self.values | {self.run.source: held})
        self.host.op(OpRun(tuple(self.names)), out, 0)
        self.host.unload()
        state = np.concatenate(out)
        if not np.isfinite(state).all():
            raise RuntimeError("the operating point is not a finite number")
        return state

    def one_period(self, state: Array) -> Period:
        """Run one period from a state."""
        if time.monotonic() > self.until:
            raise TimeoutError(f"no steady state within {self.seconds:.3g} s ({self.count} periods)")
        self.count += 1
        given = dict(zip(self.names, state.tolist(), strict=True))
        lines = self.deck.initial(given, self.lines, self.host.own_flux_only)
        times, found = self.host.transient(self.deck, lines, self.vectors, self.period, self.step, 0.0, True)
        if abs(times[-1] - self.period) > 1e-9 * self.period:
            raise RuntimeError(f"a period ended at {times[-1]:.6g} s instead of {self.period:.6g} s")
        by_name = dict(zip(self.vectors, found, strict=True))
        end = np.array([by_name[name][-1] for name in self.names])
        if not np.isfinite(end).all():
            raise RuntimeError("the state after a period is not a finite number")
        waves = [self._whole(times, by_name[name]) for name in self.run.vectors]
        spectra = np.abs(np.fft.rfft(waves, axis=1)) / self.run.samples * 2.0
        return Period(waves, spectra, state, end, self.state @ (end - state))

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
        self.until = time.monotonic() + self.seconds
        self.count = 0
        self.amplitude = abs(amplitude)
        if amplitude == 0.0:
            return self._silence()
        tones = [tone.scaled(amplitude) for tone in self.run.tones]
        source = self.run.source
        self.lines = self.deck.lines(self.values, {source: self.deck.drive(source, self.values, tones)})
        begins = [self._charged, self.rest] if self.run.charged else [self.rest]
        if self.start is not None:
            known = self.start
            begins = [lambda: known]
        found = self._from(begins[0])
        for begin in begins[1:]:
            if found is None:
                self._forget()
                found = self._from(begin)
        method = "extrapolated"
        if found is None:
            method = "brute force"
            found = self._brute(self.rest())
        self._stays(found)
        self.start = found.end
        return Settled(found.waves, self.count, method)

    def _charged(self) -> Array:
        """Return the state that the source's peak charges the circuit to, a little less.

        From below, the charge of one period falls off ever more slowly on the way up, so that Newton's steps stay
        short of the end; from above there is nothing but leakage to go by.
        """
        return self.rest(NEARLY * self.amplitude)

    def _from(self, begin: Callable[[], Array]) -> Period | None:
        """Return the steady state found from a beginning, None where Newton's steps don't come to rest."""
        found = None
        for _ in range(2):
            loosened = self.host.loosened
            try:
                found = self._extrapolated(begin())
            except TimeoutError:
                raise
            except RuntimeError:
                found = None  # an extrapolated state may be one that the engine can't start from
            if self.host.loosened == loosened:
                break
            self._forget()
        return found

    def _forget(self) -> None:
        self.known, self.jacobian = False, np.zeros_like(self.jacobian)

    def _silence(self) -> Settled:
        """Without a signal the steady state is the operating point."""
        levels = [np.empty(1) for _ in self.run.vectors]
        self.host.load(self.deck, self.values)
        self.host.op(OpRun(self.run.vectors), levels, 0)
        self.host.unload()
        if not np.isfinite(levels).all():
            raise RuntimeError("the operating point is not a finite number")
        return Settled([np.full(self.run.samples, level[0]) for level in levels], 0, "at rest")

    def change(self, one: Period, other: Period, fine: bool = False) -> float:
        """Largest change of a harmonic in units of what is allowed; below 1 is settled.

        ``fine`` allows the distortion to change by no more than a thousandth of itself.
        """
        if not other.spectra.size:
            return 0.0
        reference = other.spectra[:, 1:].max(axis=1)
        # What is tiny beside the largest signal, an engine doesn't resolve as finely.
        largest = max(self.amplitude, float(reference.max()))
        reference = np.maximum(reference, max(SMALL * largest, RESOLVED / self.run.tolerance))
        moved = np.abs(one.spectra - other.spectra) / reference[:, None]
        largest = float(moved.max()) / self.run.tolerance
        if fine:
            distortion = np.sqrt((other.spectra[:, 2:] ** 2).sum(axis=1)) / reference
            allowed = np.clip(1e-3 * distortion, 1e-3 * self.run.tolerance, self.run.tolerance)
            largest = max(largest, float((moved[:, 2:] / allowed[:, None]).max(initial=0.0)))
        return largest

    def _extrapolated(self, start: Array) -> Period | None:
        """Newton with a Jacobian that every period improves; None when it doesn't come to rest."""
        given_up = min(self.count + PATIENCE + len(self.jacobian), self.run.max_periods)
        if not self.known:
            if self.run.charged:
                self._jacobian_at(start)
            else:
                self._quiet_jacobian()
            self.known = True
        base = self.one_period(start)
        past = [base]
        plain, rejected, short = 1, 0, 1.0
        calm, near = False, 0
        while self.count < given_up:
            self._learn(base, past)
            step = "plain" if plain > 0 or calm else "slope" if rejected in (2, 4) else "newton"
            begin = base.end if step == "plain" else self._next(base, step == "slope", short)
            try:
                trial = self.one_period(begin)
            except TimeoutError:
                raise
            except RuntimeError:
                # The engine can't start from such a state: go less far.
                short, rejected = 0.3 * short, rejected + 1
                if step == "plain" or short < 0.01:
                    return None
                continue
            past = [*past, trial][-MEMORY:]
            moved = self.change(base, trial, fine=near < JITTER)
            if calm and moved < 1.0:
                # A whole Newton step and the plain period after it left the harmonics where they were.
                return trial
            calm = step == "newton" and moved < 1.0 and short == 1.0
            near = near + 1 if self.change(base, trial) < 1.0 else 0
            plain -= 1
            if step == "plain" or self._away(trial) < 0.8 * self._away(base) or calm:
                base, rejected, short = trial, 0, 1.0
            else:
                rejected += 1
                if rejected > 4:
                    plain, rejected = 2, 0
        return None

    def _quiet_jacobian(self) -> None:
        """What one period does to small changes of the quiet circuit: the first guess of the Jacobian."""
        lines, step, until = self.lines, self.step, self.until
        self.lines = self.deck.lines(self.values)
        self.step = self.period / QUIET_STEPS
        try:
            self._jacobian_at(self.rest())
        finally:
            self.lines, self.step, self.until = lines, step, until

    def _jacobian_at(self, begin: Array) -> None:
        """What one period does to small changes of a beginning, one way after the other."""
        # A thousandth of the largest voltage; of a coil's current, what is a thousandth of the largest current
        # or a milliampere: an ampere through a large coil would be hundreds of volts.
        coils = np.array([name.startswith("i(") for name in self.names])
        scale = np.where(
            coils,
            1e-3 * max(1e-3, float(np.abs(begin[coils]).max(initial=0.0))),
            1e-3 * max(1.0, float(np.abs(begin[~coils]).max(initial=0.0))),
        )
        undisturbed = self.one_period(begin).end
        basis, sizes, _ = np.linalg.svd(self.state, full_matrices=False)
        for way in basis.T[sizes > 1e-9 * sizes.max(initial=0.0)]:
            change = self.back @ way
            change /= float(np.max(np.abs(change) / scale))
            moved = self.state @ change
            try:
                answer = self.state @ (self.one_period(begin + change).end - undisturbed)
            except TimeoutError:
                raise
            except RuntimeError:
                continue  # the engine can't start there: that way counts as one that forgets at once
            self.jacobian += np.outer(answer - self.jacobian @ moved, moved) / (moved @ moved)

    def _newton(self, period: Period) -> Array:
        """Return the change of a period's beginning after which its end would be its beginning."""
        found: Array = np.linalg.lstsq(np.eye(len(period.miss)) - self.jacobian, period.miss, rcond=1e-12)[0]
        return found

    def _away(self, period: Period) -> float:
        """How far a period is from the steady state: a small miss of a slow part counts for its whole way."""
        return float(np.linalg.norm(self._newton(period)))

    def _next(self, base: Period, slope: bool, short: float) -> Array:
        """Return the state at which the slow parts would stop moving, or one close to ``base`` on the way."""
        step = self._newton(base)
        if slope:
            # Two secants along this way were no good: ask for the slope at the base itself.
            return np.asarray(base.begin + 0.01 * (self.back @ step))
        return np.asarray(base.end + short * (self.back @ (step - base.miss)))

    def _learn(self, base: Period, past: list[Period]) -> None:
        """Multi-secant update: what changes of the beginning did to the end, near ``base``."""
        moved = np.array([self.state @ (other.begin - base.begin) for other in past if other is not base]).T
        if not moved.size:
            return
        answer = np.array([self.state @ (other.end - base.end) for other in past if other is not base]).T
        length = np.linalg.norm(moved, axis=0)
        length[length == 0.0] = 1.0
        moved, answer = moved / length, answer / length
        self.jacobian += (answer - self.jacobian @ moved) @ np.linalg.pinv(moved, rcond=RCOND)

    def _stays(self, found: Period) -> None:
        """Refuse a steady state that the circuit would run away from: it oscillates by itself."""
        # The Jacobian is only learnt, so look: a small nudge along its growing way shows whether it does grow there.
        for _ in range(LOOKS):
            power, ways = np.linalg.eig(self.jacobian)
            largest = int(np.argmax(np.abs(power))) if power.size else 0
            if not power.size or abs(power[largest]) < GROWS:
                return
            nudge = self.back @ np.real(ways[:, largest])
            nudge *= 1e-4 * max(1.0, float(np.abs(found.end).max())) / max(float(np.abs(nudge).max()), 1e-30)
            self._learn(found, [self.one_period(found.end + nudge)])
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
        """Run plain periods until blocks of ten agree, with what is still to come reckoned in."""
        state, block = start, 10
        marks: list[Period] = []
        while self.count < self.run.max_periods:
            period = self.one_period(state)
            state = period.end
            if self.count % block == 0:
                marks.append(period)
                if len(marks) >= 3:
                    now, before = self.change(marks[-1], marks[-2]), self.change(marks[-2], marks[-3])
                    ratio = min(now / before, 0.99) if before > 0.0 else 0.0
                    if now * max(1.0, ratio / (1.0 - ratio)) < 1.0:
                        return period
        raise RuntimeError(f"no steady state within {self.count} periods")


def _true_state(deck: Deck, names: list[str], values: Mapping[str, float]) -> Array:
    """Return the matrix from all names to the true state, whose square is twice the stored energy [J].

    One row a capacitor (sqrt(C) times its voltage) and one a coil (of a factor of the matrix of
    inductances, times the currents). In this measure a passive circuit never moves away from its steady
    state, and small fast capacitors don't drown large slow ones.
    """
    place = {name: index for index, name in enumerate(names)}
    size = {n: float(values.get(n, d.fields[3])) for n, d in deck.parsed.devices.items() if d.kind in "clk"}
    rows = []
    for name in deck.parsed.kind("c"):
        if size[name] > 0.0:
            row = np.zeros(len(names))
            for node, sign in zip(deck.parsed.devices[name].nodes, (1.0, -1.0), strict=True):
                if node in place:
                    row[place[node]] += sign * np.sqrt(size[name])
            rows.append(row)
    coils = deck.parsed.kind("l")
    inductances = np.diag([size[name] for name in coils])
    for name in deck.parsed.kind("k"):
        one, other = (coils.index(coil) for coil in deck.parsed.devices[name].fields[1:3])
        inductances[one, other] += size[name] * np.sqrt(inductances[one, one] * inductances[other, other])
        inductances[other, one] = inductances[one, other]
    power, ways = np.linalg.eigh(inductances)
    for value, way in zip(power, ways.T, strict=True):
        row = np.zeros(len(names))
        row[[place[f"i({name})"] for name in coils]] = np.sqrt(max(value, 1e-9 * power[-1])) * way
        rows.append(row)
    return np.array(rows).reshape(-1, len(names))
