"""The periodic steady state, found without waiting for the coupling capacitors.

One period is run at a time from a given state (all node voltages and inductor currents), so a period
is a map from the state at its beginning to that at its end, and the steady state is its fixed point.
The fixed point is approached by Anderson's multi-secant method: the last few periods tell how the slow
states (capacitors that need hundreds of periods) answer to a change, and the next start is put where
they would stop moving. A level starts from the state of the level before.

Whatever the extrapolation says is confirmed by plain periods that follow from it. Where it does not
come to rest, plain periods alone are run ("brute force").

Source: D. G. Anderson, "Iterative procedures for nonlinear integral equations", J. ACM 12 (1965) 547.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from .deck import Deck
from .protocol import Array, OpRun, Sine, SteadyRun
from .resample import onto

if TYPE_CHECKING:
    from .work import Host

#: Steps of a period, and at least so many of the fastest tone's.
STEPS, STEPS_FASTEST = 200, 60
#: Periods remembered by the extrapolation, and plain ones at the start of a level.
MEMORY, PLAIN = 8, 2
#: Periods after which the extrapolation is given up.
PATIENCE = 90


@dataclass
class Period:
    """One period: waveforms resampled, their spectra, and the state at its end."""

    waves: list[Array]
    spectra: Array
    end: Array


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
        self.true_state = _differences(deck, self.names)
        self.start: Array | None = None
        self.count = 0

    def rest(self) -> Array:
        """Return the state of the quiet circuit."""
        out = [np.empty(1) for _ in self.names]
        self.host.load(self.deck, self.values)
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
        lines = self.deck.initial(dict(zip(self.names, state.tolist(), strict=True)), self.lines)
        times, found = self.host.transient(self.deck, lines, self.vectors, self.period, self.step, 0.0, True)
        if abs(times[-1] - self.period) > 1e-9 * self.period:
            raise RuntimeError(f"a period ended at {times[-1]:.6g} s instead of {self.period:.6g} s")
        by_name = dict(zip(self.vectors, found, strict=True))
        end = np.array([by_name[name][-1] for name in self.names])
        if not np.isfinite(end).all():
            raise RuntimeError("the state after a period is not a finite number")
        waves = [self._whole(times, by_name[name]) for name in self.run.vectors]
        spectra = np.abs(np.fft.rfft(waves, axis=1)) / self.run.samples * 2.0
        return Period(waves, spectra, end)

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
        tones = [Sine(tone.amplitude * amplitude, tone.frequency, tone.phase) for tone in self.run.tones]
        self.lines = self.deck.lines(self.values, {self.run.source: self.deck.drive(self.run.source, self.values, tones)})
        start = self.rest() if self.start is None else self.start
        found = None
        try:
            found = self._extrapolated(start)
        except TimeoutError:
            raise
        except RuntimeError:
            pass  # an extrapolated state may be one that the engine can't start from
        method = "extrapolated"
        if found is None:
            method = "brute force"
            found = self._brute(self.rest())
        self.start = found.end
        return Settled(found.waves, self.count, method)

    def change(self, one: Period, other: Period) -> float:
        """Largest change of a harmonic in units of what is allowed; below 1 is settled."""
        reference = other.spectra[:, 1:].max(axis=1) if other.spectra.size else np.ones(0)
        reference = np.maximum(reference, max(1e-3 * reference.max(initial=0.0), 1e-12))
        moved = np.abs(one.spectra - other.spectra) / reference[:, None]
        return float(moved.max(initial=0.0)) / self.run.tolerance

    def _extrapolated(self, start: Array) -> Period | None:
        size = self.true_state
        states: list[Array] = []
        ends: list[Array] = []
        last: Period | None = None
        state, best, plain = start, np.inf, PLAIN
        calm = 0
        while self.count < min(PATIENCE, self.run.max_periods):
            period = self.one_period(state)
            miss = size(period.end - state)
            far = float(np.linalg.norm(miss))
            if far > 4.0 * best and plain <= 0:
                # It was led astray: forget the past and let a few plain periods pass.
                states, ends, plain = [], [], PLAIN + 1
            best = min(best, far)
            moved = self.change(last, period) if last is not None else np.inf
            last = period
            calm = calm + 1 if moved < 1.0 else 0
            if calm >= 3:
                return period
            states.append(state)
            ends.append(period.end)
            states, ends = states[-MEMORY - 1 :], ends[-MEMORY - 1 :]
            plain -= 1
            # The last periods before an answer are plain ones, as a proof.
            if plain > 0 or calm >= 1 and self.proved(states, ends):
                state = period.end
            else:
                state = self._next(states, ends)
        return None

    def proved(self, states: list[Array], ends: list[Array]) -> bool:
        return False

    def _next(self, states: list[Array], ends: list[Array]) -> Array:
        """Return the state at which the slow parts would stop moving."""
        misses = np.array([self.true_state(end - state) for state, end in zip(states, ends, strict=True)])
        if len(misses) < 2:
            return ends[-1]
        steps = np.diff(misses, axis=0).T
        scale = np.linalg.norm(steps, axis=0)
        scale[scale == 0.0] = 1.0
        weights = np.linalg.lstsq(steps / scale, misses[-1], rcond=1e-9)[0] / scale
        return np.asarray(ends[-1] - weights @ np.diff(np.array(ends), axis=0))

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


def _differences(deck: Deck, names: list[str]):  # type: ignore[no-untyped-def]
    """Return a function from a change of all names to that of capacitor voltages and coil currents."""
    place = {name: index for index, name in enumerate(names)}
    ends = []
    for name in deck.parsed.kind("c"):
        one, other = deck.parsed.devices[name].nodes
        ends.append((place.get(one, len(names)), place.get(other, len(names))))
    pairs = np.array(ends, dtype=int).reshape(-1, 2)
    coils = np.array([place[f"i({name})"] for name in deck.parsed.kind("l")], dtype=int)

    def of(change: Array) -> Array:
        padded = np.append(change, 0.0)
        # A milliampere in a coil counts as a volt.
        return np.concatenate((padded[pairs[:, 0]] - padded[pairs[:, 1]], 1e3 * padded[coils]))

    return of
