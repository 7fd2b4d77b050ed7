"""The proof of a guard: simulated faults that it has to tell, and healthy builds that it has to leave alone."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.cathode_guard.bench import Sensed, in_time, warming
from simwrap.cathode_guard.faults import faults_of
from simwrap.cathode_guard.guard import Guard, Level
from simwrap.cathode_guard.loop import RUNNING, STATES, Replayed, replay
from simwrap.engine import protocol
from simwrap.faults.bed import HEALTHY, RAIL_SOURCE, Fault, TestBed
from simwrap.measures.numerics.parts import netlist_parts

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]

#: When a fault comes, and how long it is watched [s].
_ONSET, _WATCHED = 0.5, 6.0
#: How near to a level a current is on neither side of it, as a share: what sense resistor, reference and counts allow.
_NEAR = 0.05
#: When cathodes begin to be warm, and are [s]: slow ones (common practice, no source).
_WARMING = (8.0, 30.0)


@dataclass(frozen=True)
class FaultRun:
    """One fault of one valve, and what the guard made of it.

    Attributes
    ----------
    fault : str
    valve : str
    needed, allowed : str
        The least and the most that the true currents ask for: "running", "warning" or "tripped".
    got : str
        The state in the end.
    level : str
        What tripped or warned.
    seconds : float
        From the fault to the trip (or warning), NaN where none came.
    late : float
        By how much later than stated [s]; 0: in time.
    counts : ndarray of int, shape (samples, valves)
        What was converted.
    states : ndarray of int, shape (samples,)
    reason : str
        Why it couldn't be simulated, "" where it was.
    """

    fault: str
    valve: str
    needed: str
    allowed: str
    got: str
    level: str
    seconds: float
    late: float
    counts: Integers = field(repr=False)
    states: Integers = field(repr=False)
    reason: str = ""

    @property
    def right(self) -> bool:
        """Whether the guard did what it should, in time."""
        order = STATES.index
        return not self.reason and order(self.needed) <= order(self.got) <= order(self.allowed) and self.late <= 0.0

    @property
    def told(self) -> bool:
        """Whether a cathode current passes a level at all: what changes none isn't a guard's to tell."""
        return self.needed != "running"


@dataclass(frozen=True)
class Healthy:
    """Healthy builds under one signal.

    Attributes
    ----------
    scenario : str
    builds, failed, trips, warnings : int
    highest : float
        Largest smoothed count, as a share of the trip level.
    counts : ndarray of int, shape (builds, samples, valves)
    replayed : Replayed
    """

    scenario: str
    builds: int
    failed: int
    trips: int
    warnings: int
    counts: Integers = field(repr=False)
    replayed: Replayed = field(repr=False)


def built(bed: TestBed, columns: Mapping[str, Floats], build: int) -> TestBed:
    """Return the test bed of one drawn build: its values are the nominal ones."""
    lines = []
    nominal = dict(bed.nominal)
    for line in bed.text.rstrip("\n").split("\n"):
        words = line.split()
        if words[0] in columns:
            nominal[words[0]] = float(columns[words[0]][build])
            words[3 if words[0][0] in "rcl" else 4] = repr(nominal[words[0]])
            line = " ".join(words)
        lines.append(line)
    return replace(bed, text="\n".join(lines) + "\n", nominal=nominal)


def prove_faults(
    guard: Guard, *, most: int | None = None, seed: int = 1, engine: str = "auto",
    progress: Callable[[str], None] | None = None,
) -> list[FaultRun]:  # fmt: skip
    """Simulate each fault of each valve in a healthy build of its own, and run what is converted through the loop.

    Parameters
    ----------
    guard : Guard
    most : int, optional
        So many faults a valve, evenly from the list.
    seed : int
        Of the builds; another than the windows were drawn with.
    engine : str
    progress : callable, optional
    """
    runs = []
    for number, valve in enumerate(guard.bed.valves):
        chosen = faults_of(guard.bed, valve)
        if most is not None and most < len(chosen):
            chosen = [chosen[k] for k in np.linspace(0, len(chosen) - 1, most).round().astype(int)]
        columns = guard.bed.draw(guard.varied, len(chosen), seed + number, guard.converter.sense_tolerance)
        if progress:
            progress(f"{len(chosen)} faults at {valve.name}")
        runs += [_fault_run(guard, valve, fault, columns, k, engine) for k, fault in enumerate(chosen)]
    return runs


def _fault_run(
    guard: Guard, valve: Sensed, fault: Fault, columns: Mapping[str, Floats], build: int, engine: str
) -> FaultRun:
    way, bed = guard.converter, guard.bed
    one = built(bed.bed, columns, build)
    circuit = protocol.Circuit(in_time(one, fault))
    samples = round((_ONSET + _WATCHED) * way.rate) + 1
    stop = (samples - 1) / way.rate
    switch = protocol.Pwl((0.0, _ONSET, _ONSET + 1e-3), (0.0, 0.0, 1.0))
    run = protocol.TransientRun(stop, 0.02, bed.vectors, (switch,), "v_guard_onset", samples=samples)
    (reply,) = engines.run(circuit, [run], engines.Run(engine, workers=1))
    counts = way.counts(bed.pins(reply.values), random=np.random.default_rng([build, 9]))
    if reply.reasons[0]:
        empty = np.zeros(samples, dtype=np.int64)
        return FaultRun(fault.name, valve.name, "running", "running", "running", "", np.nan, 0.0, counts[0], empty,
                        reply.reasons[0])  # fmt: skip
    truth = bed.currents(reply.values, {name: column[build : build + 1] for name, column in columns.items()})[0]
    said = replay(guard.loop(), counts, warm=True)
    needed, due = _needed(guard, truth)
    got = STATES[int(said.states[0, -1])]
    first = {state: int(said.first(state)[0]) for state in ("warning", "tripped")}
    at = first["tripped"] if got == "tripped" else first["warning"]
    late = max(0.0, (first[needed] - due) / way.rate) if needed in first and first[needed] >= 0 else 0.0
    level = said.tripped_by[0] or ", ".join(sorted(said.warned_by[0]))
    seconds = at / way.rate - _ONSET if at >= 0 else np.nan
    return FaultRun(fault.name, valve.name, needed, _allowed(guard, truth), got, level, seconds, late, counts[0],
                    said.states[0])  # fmt: skip


def _signals(guard: Guard, truth: Floats) -> list[tuple[Floats, list[Level]]]:
    """Return each current [A], of shape (samples,), that levels are about, with them."""
    valves = guard.bed.valves
    found = []
    for number, valve in enumerate(valves):
        found.append((truth[:, number], [level for level in guard.levels_of(valve) if _of_current(level)]))
    for pair, halves in zip(guard.pairs, guard.loop().halves, strict=True):
        first = next(valve for valve in valves if valve.pair == pair)
        apart = np.abs(truth @ np.array(halves, dtype=float))
        found.append((apart, [level for level in guard.levels_of(first) if level.of_pair]))
    return found


def _of_current(level: Level) -> bool:
    return level.source in ("smooth", "raw") and bool(level.phases & RUNNING)


def _passed(current: Floats, level: Level, share: float) -> NDArray[np.bool_]:
    """Where a current is beyond a level by a share of it: a negative one is before it."""
    if level.below:
        return np.asarray(current < level.current * (1.0 - share))
    return np.asarray(current > level.current * (1.0 + share))


def _state(level: Level) -> str:
    return "warning" if level.event == "warn" else "tripped"


def _needed(guard: Guard, truth: Floats) -> tuple[str, int]:
    """Return the state that the true currents ask for, and the sample at which it is due at the latest."""
    needed, due = "running", -1
    for current, levels in _signals(guard, truth):
        for level in levels:
            within = int(np.ceil(level.within * guard.converter.rate))
            sample = _lasting(_passed(current, level, _NEAR), within)
            state = _state(level)
            if sample < 0 or STATES.index(state) < STATES.index(needed):
                continue
            due = min(due, sample) if state == needed else sample
            needed = state
    return needed, due


def _lasting(met: NDArray[np.bool_], samples: int) -> int:
    """Return the end of the first run of so many samples, -1 where there is none."""
    held = 0
    for place, one in enumerate(met.tolist()):
        held = held + 1 if one else 0
        if held > samples:
            return place
    return -1


def _allowed(guard: Guard, truth: Floats) -> str:
    """Return the most that the guard may do: the highest level that any true current comes near to."""
    states = ["running"]
    for current, levels in _signals(guard, truth):
        states += [_state(level) for level in levels if _passed(current, level, -_NEAR).any()]
    return max(states, key=STATES.index)


# Healthy builds


def prove_healthy(
    guard: Guard, *, builds: int = 200, seed: int = 1000, scenarios: Sequence[str] = (), engine: str = "auto",
    progress: Callable[[str], None] | None = None,
) -> list[Healthy]:  # fmt: skip
    """Run healthy builds under every signal through the loop.

    Parameters
    ----------
    guard : Guard
    builds : int
    seed : int
        Another than the windows were drawn with.
    scenarios : sequence of str, optional
        Some of :data:`SCENARIOS`.
    engine : str
    progress : callable, optional
    """
    found = []
    columns = guard.bed.draw(guard.varied, builds, seed, guard.converter.sense_tolerance)
    for name in scenarios or SCENARIOS:
        if progress:
            progress(f"{builds} healthy builds: {name}")
        found.append(_healthy(guard, name, columns, builds, seed, engine))
    return found


def _healthy(guard: Guard, name: str, columns: Mapping[str, Floats], builds: int, seed: int, engine: str) -> Healthy:
    way, bed = guard.converter, guard.bed
    made = SCENARIOS[name](guard)
    columns = dict(columns)
    rail = bed.bed.nominal.get(RAIL_SOURCE, 0.0)
    if made.source == RAIL_SOURCE:
        columns[RAIL_SOURCE] = np.full(builds, rail)  # the steps are the mains' own variation
    table = bed.bed.table(columns, [HEALTHY] * builds)
    known = netlist_parts(protocol.Circuit(made.text))
    values = {element: column for element, column in table.table.items() if element in known}
    circuit = protocol.Circuit(made.text, values, builds)
    samples = round(made.seconds * way.rate) + 1
    run = protocol.TransientRun((samples - 1) / way.rate, made.step, bed.vectors, made.terms, made.source,
                                samples=samples)  # fmt: skip
    (reply,) = engines.run(circuit, [run], engines.Run(engine, time_limit=600.0))
    good = np.array([not reason for reason in reply.reasons])
    random = np.random.default_rng([seed, 5])
    drawn = random.uniform(-1.0, 1.0, (builds, 1, 1))
    counts = way.counts(bed.pins(reply.values), 1.0 + way.reference_tolerance * drawn, random)[good]
    said = replay(guard.loop(), counts, warm=made.warm)
    trips, warnings = (int((said.first(state) >= 0).sum()) for state in ("tripped", "warning"))
    return Healthy(name, builds, int((~good).sum()), trips, warnings, counts, said)


@dataclass(frozen=True)
class _Scenario:
    text: str
    terms: tuple[Any, ...]
    seconds: float
    step: float
    source: str = "v_signal"
    warm: bool = True


def _sine(guard: Guard, frequency: float, seconds: float) -> _Scenario:
    term = protocol.Sine(guard.drive, frequency)
    return _Scenario(guard.bed.driven(), (term,), seconds, 1.0 / (20.0 * frequency))


def _alias(guard: Guard) -> _Scenario:
    """Return a sine so near to the sampling rate that what is left of it looks like a slow change."""
    return _sine(guard, guard.converter.rate + 1.3, 0.6)


def _bursts(guard: Guard) -> _Scenario:
    """Return bursts of 60 Hz, twice a second: the carrier times the fourth power of a half cosine, as its sines."""
    # cos^4(x/2) = 3/8 + cos(x)/2 + cos(2x)/8, and a product of sines is a sum of sines.
    carrier, turn = 60.0, 2.0
    parts = {0.0: 3.0 / 8.0, turn: 0.25, -turn: 0.25, 2.0 * turn: 1.0 / 16.0, -2.0 * turn: 1.0 / 16.0}
    terms = tuple(protocol.Sine(guard.drive * share, carrier + offset) for offset, share in parts.items())
    return _Scenario(guard.bed.driven(), terms, 2.5, 1.0 / (20.0 * carrier))


def _noise(guard: Guard) -> _Scenario:
    """Return noise from 25 to 250 Hz, as many sines of random phases, whose peaks are at full power: crest 12 dB."""
    frequencies = np.unique(np.round(np.geomspace(25.0, 250.0, 24)))
    random = np.random.default_rng(3)
    level = guard.drive / 4.0 * np.sqrt(2.0 / len(frequencies))
    terms = tuple(protocol.Sine(float(level), float(f), float(random.uniform(0.0, 360.0))) for f in frequencies)
    return _Scenario(guard.bed.driven(), terms, 2.0, 1.0 / 2000.0)


def _switch_on(guard: Guard) -> _Scenario:
    """Return cathodes that warm up slowly on a supply that is there at once."""
    begin, end = _WARMING
    wave = protocol.Pwl((0.0, begin, end), (-1.0, -1.0, 0.0))
    return _Scenario(warming(guard.bed.bed), (wave,), guard.converter.warming + 8.0, 0.1, "v_guard_warmth", warm=False)


def _mains(guard: Guard) -> _Scenario:
    """Return steps of the mains, 10 % up and down."""
    step = 0.1 * guard.bed.bed.nominal.get(RAIL_SOURCE, 0.0)
    times = (0.0, 1.0, 1.01, 4.0, 4.01, 7.0, 7.01)
    wave = protocol.Pwl(times, (0.0, 0.0, step, step, -step, -step, 0.0))
    return _Scenario(guard.bed.bed.text, (wave,), 9.0, 0.02, RAIL_SOURCE)


#: What healthy builds have to bear without a trip.
SCENARIOS: Mapping[str, Callable[[Guard], _Scenario]] = {
    "full-power sine of 20 Hz": lambda guard: _sine(guard, 20.0, 2.0),
    "full-power sine beside the sampling rate": _alias,
    "tone bursts": _bursts,
    "noise with a crest factor of 12 dB": _noise,
    "switching on": _switch_on,
    "steps of the mains": _mains,
}

__all__ = ["SCENARIOS", "FaultRun", "Healthy", "prove_faults", "prove_healthy"]
