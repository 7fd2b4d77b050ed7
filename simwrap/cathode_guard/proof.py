"""The proof of a guard: healthy amplifiers that it has to leave alone, and faults that it has to act on in time.

What a fault needs comes from what the valve bears, not from the guard's own levels: an anode or a screen above its
rated dissipation stores heat, and has had enough when that has come to three times the rating for ten seconds. A fault
that no trip level tells stands on the guard's paper.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.cathode_guard.faults import faults_of
from simwrap.cathode_guard.guard import STRAIN, Guard
from simwrap.cathode_guard.loop import STATES, Memory, replay
from simwrap.cathode_guard.network import Moment, Network
from simwrap.cathode_guard.starts import QUICK, Builds, at_rest, drawn, joined
from simwrap.engine import DEFAULT, Run
from simwrap.faults.bed import RAIL_SOURCE, Fault

Floats = NDArray[np.float64]
Tell = Callable[[str], None]

#: Longest piece that is simulated at once [s].
_PIECE = 4.0
#: For so long a fault is watched [s], and for so long after the mains has come one may begin.
WATCHED, FAULTS_UNTIL = 60.0, 120.0
#: Starts by name: for how long the mains was off [s]; None: cold.
STARTS: Mapping[str, float | None] = {"cold": None, "warm": 10.0, "hot": 2.0}
#: Builds of each kind of start in which faults happen, and moments at which they do.
_BUILDS, _MOMENTS = 6, 12


@dataclass
class Watch:
    """Builds with their guards, in time.

    Attributes
    ----------
    guard : Guard
    builds : Builds
    memory : Memory
        Of each guard's loop.
    reference : ndarray, shape (points, 1, 1)
        True reference of each converter, relative.
    tripped, warned : list of str
        Level that tripped first, "" where none did; levels that warned.
    when : ndarray, shape (points,)
        When it tripped [s], NaN where it didn't.
    strain : ndarray, shape (points, valves)
        Heat beyond the rating, in ratings times seconds, up to the trip.
    now : float
        [s]
    """

    guard: Guard
    builds: Builds
    memory: Memory
    reference: Floats
    tripped: list[str]
    warned: list[str]
    when: Floats
    strain: Floats
    now: float = 0.0

    @classmethod
    def of(cls, guard: Guard, builds: Builds, seed: int, state: str = "warming") -> Watch:
        """Return one that begins now."""
        points = builds.points
        drawn_ = np.random.default_rng([seed, 5]).uniform(-1.0, 1.0, (points, 1, 1))
        return cls(
            guard,
            builds,
            Memory(guard.loop(), points, state),
            1.0 + guard.converter.reference_tolerance * drawn_,
            [""] * points,
            [""] * points,
            np.full(points, np.nan),
            np.zeros((points, len(guard.bed.valves))),
        )

    def at(self, points: NDArray[np.intp]) -> Watch:
        """Return some of them, in a given order and as often as given."""
        return Watch(self.guard, self.builds.at(points), self.memory.at(points), self.reference[points],
                     [self.tripped[k] for k in points], [self.warned[k] for k in points], self.when[points],
                     self.strain[points], self.now)  # fmt: skip

    def run(self, seconds: float, *, quick: float = QUICK, **more: Any) -> None:
        """Go on for some time; ``more`` is what :meth:`~simwrap.cathode_guard.starts.Builds.run` takes."""
        way, done = self.guard.converter, 0.0
        random = np.random.default_rng([round(self.now * 1000.0), self.builds.points])
        signal = more.pop("signal", None)
        while done < seconds - 1e-9:
            piece = min(_PIECE, seconds - done)
            times, strains = [0.0], [self.strain.copy()]

            def each(step: float, moment: Moment, times: list[float] = times, strains: list[Floats] = strains) -> None:
                times.append(times[-1] + step)
                strains.append(strains[-1] + step * np.maximum(self.builds.network.load(moment) - 1.0, 0.0))

            later = None if signal is None else partial(_later, signal, done)
            pins = self.builds.run(piece, way.rate, quick=max(0.0, quick - done), each=each, signal=later, **more)
            said = replay(self.guard.loop(), way.counts(pins, self.reference, random), memory=self.memory)
            self._note(said.states, said.tripped_by, said.warned_by, np.array(times), np.array(strains))
            done += piece
            self.now += piece

    def _note(
        self, states: NDArray[np.int64], tripped: list[str], warned: list[set[str]], times: Floats, strains: Floats
    ) -> None:
        until = np.full(self.builds.points, times[-1])
        for point in np.flatnonzero((states[:, -1] == STATES.index("tripped")) & np.isnan(self.when)).tolist():
            sample = int((states[point] == STATES.index("tripped")).argmax())
            until[point] = (sample + 1) / self.guard.converter.rate
            self.when[point] = self.now + until[point]
            self.tripped[point] = tripped[point]
        done = ~np.isnan(self.when) & (self.when <= self.now)
        for point, names in enumerate(warned):
            self.warned[point] = ", ".join(sorted({*self.warned[point].split(", "), *names} - {""}))
        at = np.clip(np.searchsorted(times, until - 1e-9), 0, len(times) - 1)
        now = strains[at, np.arange(len(at))]
        self.strain = np.where(done[:, None], self.strain, now)


def _later(signal: Callable[[float], Floats], begin: float, time: float) -> Floats:
    return signal(begin + time)


def together(parts: Sequence[Watch]) -> Watch:
    """Return all points of several as one."""
    memory = parts[0].memory.at(slice(0, 0))
    for name, value in vars(memory).items():
        if isinstance(value, np.ndarray):
            setattr(memory, name, np.concatenate([getattr(part.memory, name) for part in parts]))
    reference, when, strain = (
        np.concatenate([getattr(part, name) for part in parts]) for name in ("reference", "when", "strain")
    )
    tripped, warned = ([word for part in parts for word in getattr(part, name)] for name in ("tripped", "warned"))
    builds = joined([part.builds for part in parts])
    return Watch(parts[0].guard, builds, memory, reference, tripped, warned, when, strain, parts[0].now)


def resting(guard: Guard, network: Network, builds: int, seed: int) -> Watch:
    """Return healthy builds that have been on for long, their guards running."""
    columns = guard.bed.draw(guard.varied, builds, seed, guard.converter.sense_tolerance)
    found = drawn(network, columns, builds, seed)
    at_rest(found)
    return Watch.of(guard, found, seed, "running")


def started(guard: Guard, network: Network, off: Sequence[float | None], seed: int) -> Watch:
    """Return healthy builds at the moment at which the mains comes: cold ones, and those from which it was off a while.

    Parameters
    ----------
    guard : Guard
    network : Network
    off : sequence of float, optional
        For each build how long the mains was off [s]; None: it is cold.
    seed : int
    """
    times = np.array([np.nan if time is None else time for time in off])
    columns = guard.bed.draw(guard.varied, len(off), seed, guard.converter.sense_tolerance)
    whole = drawn(network, columns, len(off), seed)
    order, parts = [], []
    cold, rest = np.flatnonzero(np.isnan(times)), np.flatnonzero(~np.isnan(times))
    if len(cold):
        order.append(cold)
        parts.append(Watch.of(guard, whole.at(cold), seed))
    if len(rest):
        left, gone = rest, 0.0
        builds = whole.at(rest)
        at_rest(builds)
        watch = Watch.of(guard, builds, seed + 1, "running")
        watch.run(0.4, quick=0.0)
        for time in np.unique(times[rest]):
            watch.run(time - gone, mains=False, quick=max(0.0, 1.0 - gone))
            gone = time
            here = times[left] <= time
            order.append(left[here])
            parts.append(watch.at(np.flatnonzero(here)))
            left, watch = left[~here], watch.at(np.flatnonzero(~here))
    for part in parts:
        part.now = 0.0
    return together(parts).at(np.argsort(np.concatenate(order)))


# Healthy builds


@dataclass(frozen=True)
class Healthy:
    """Healthy builds under one condition.

    Attributes
    ----------
    scenario : str
    builds, trips, warnings : int
    seconds : float
        Of each.
    by : tuple of str
        What tripped or warned.
    """

    scenario: str
    builds: int
    trips: int
    warnings: int
    seconds: float
    by: tuple[str, ...]


def _healthy(scenario: str, watch: Watch, seconds: float) -> Healthy:
    by = sorted({name for names in (*watch.tripped, *watch.warned) for name in names.split(", ")} - {""})
    trips, warnings = sum(map(bool, watch.tripped)), sum(map(bool, watch.warned))
    return Healthy(scenario, len(watch.tripped), trips, warnings, seconds, tuple(by))


def prove_starts(guard: Guard, network: Network, builds: int, seed: int, *, seconds: float = 60.0) -> Healthy:
    """Start healthy builds: a fifth of them cold, the others after the mains was off for 0.1 to 30 s."""
    random = np.random.default_rng([seed, 21])
    dips = np.exp(random.uniform(np.log(0.1), np.log(30.0), builds))
    steps = np.unique(np.round(np.geomspace(0.1, 30.0, 24), 2))  # as many moments as a run is worth
    off = [None if k % 5 == 0 else float(steps[np.abs(steps - dip).argmin()]) for k, dip in enumerate(dips)]
    watch = started(guard, network, off, seed)
    watch.run(seconds)
    return _healthy("cold starts, and mains that was off for 0.1 to 30 s", watch, seconds)


def prove_programme(guard: Guard, network: Network, builds: int, seed: int, *, seconds: float = 2.0) -> Healthy:
    """Play noise from 25 to 250 Hz whose peaks go up to twice full power's: the amplifier clips."""
    watch = resting(guard, network, builds, seed)
    random = np.random.default_rng([seed, 23])
    tones = 12
    frequencies = np.exp(random.uniform(np.log(25.0), np.log(250.0), (builds, tones)))
    phases = random.uniform(0.0, 2.0 * np.pi, (builds, tones))
    # Gaussian noise is beyond twice its r.m.s. for a twentieth of the time.
    level = guard.drive * np.sqrt(2.0 / tones)
    watch.run(seconds, quick=seconds, finest=0.001,
              signal=lambda t: level * np.sin(2.0 * np.pi * frequencies * t + phases).sum(axis=1))  # fmt: skip
    return _healthy("noise-like programme at clipping", watch, seconds)


def prove_tones(guard: Guard, network: Network, builds: int, seed: int) -> list[Healthy]:
    """Play a sine of 20 Hz and bursts at full power, and one so near to the sampling rate that it looks slow."""
    found = []
    near = guard.converter.rate + 1.3
    for words, frequency, turn in (
        ("full-power sine of 20 Hz", 20.0, 0.0), ("bursts of 60 Hz at full power, twice a second", 60.0, 2.0),
        ("full-power sine beside the sampling rate", near, 0.0),
    ):  # fmt: skip
        watch = resting(guard, network, builds, seed)
        step = min(0.001, 1.0 / (16.0 * frequency))

        def signal(t: float, frequency: float = frequency, turn: float = turn) -> Floats:
            level = guard.drive * np.sin(2.0 * np.pi * frequency * t) * np.cos(np.pi * turn * t) ** 4
            return np.full(builds, level)

        watch.run(1.0, quick=1.0, finest=step, signal=signal)
        found.append(_healthy(words, watch, 1.0))
    return found


def prove_mains(guard: Guard, network: Network, builds: int, seed: int) -> Healthy:
    """Step the mains 10 % up and down."""
    watch = resting(guard, network, builds, seed)
    # The steps are the mains' own variation: the builds are at its middle.
    rail = np.full(builds, network.nominal[RAIL_SOURCE]) if RAIL_SOURCE in watch.builds.values else None
    for factor in (1.1, 1.0, 0.9, 1.0):
        if rail is not None:
            watch.builds.broken([Fault("mains", "", {RAIL_SOURCE: float(volts * factor)}) for volts in rail])
        watch.run(4.0)
    return _healthy("steps of the mains by 10 %", watch, 16.0)


# Faults


@dataclass(frozen=True)
class FaultRun:
    """One fault of one valve at one moment, and what the guard made of it.

    Attributes
    ----------
    fault, valve, start : str
        "cold", "warm" or "hot": the start after which it happened.
    moment : float
        How long after the mains had come [s].
    level : str
        What tripped (or warned).
    seconds : float
        From the fault to the trip, NaN where none came.
    strain : float
        Heat beyond the rating that a valve has had by then (or by the end), in ratings times seconds.
    listed : bool
        Whether the paper says that it may be unseen.
    """

    fault: str
    valve: str
    start: str
    moment: float
    level: str
    seconds: float
    strain: float
    listed: bool

    @property
    def acted(self) -> bool:
        """Whether the guard tripped before the valve had had enough."""
        return self.seconds == self.seconds and self.strain < STRAIN

    @property
    def right(self) -> bool:
        """Whether the guard acted in time, or nothing was in danger; a fault on the list needs something else."""
        return self.acted or self.strain < STRAIN or self.listed


def prove_faults(
    guard: Guard, network: Network, *, each: int = 3, most: int | None = None, seed: int = 1, tell: Tell | None = None
) -> list[FaultRun]:
    """Let every fault of a channel's valves happen at moments of the two minutes after a start.

    Parameters
    ----------
    guard : Guard
    network : Network
    each : int
        So many moments a fault; starts take turns.
    most : int, optional
        So many faults a valve, evenly from the list.
    seed : int
    tell : callable, optional
    """
    bed = guard.bed
    cases: list[tuple[str, Fault]] = []
    for valve in bed.channel:
        faults = faults_of(bed, valve)
        if most is not None and most < len(faults):
            faults = [faults[k] for k in np.linspace(0, len(faults) - 1, most).round().astype(int)]
        cases += [(valve.name, fault) for fault in faults]
    cases = [case for case in cases for _ in range(each)]
    random = np.random.default_rng([seed, 31])
    names = list(STARTS)
    kind = np.array([(k % each + k // each) % len(names) for k in range(len(cases))])
    # Most happens in the first half minute.
    soon = np.linspace(0.02, 2.0, _MOMENTS // 3)
    moments = np.round([*soon, *np.geomspace(4.0, FAULTS_UNTIL, _MOMENTS - len(soon))], 2)
    moment = random.integers(0, len(moments), len(cases))
    build = random.integers(0, _BUILDS, len(cases))
    order, parts = [], []
    for number, name in enumerate(names):
        if tell:
            tell(f"faults after {name} starts")
        watch = started(guard, network, [STARTS[name]] * _BUILDS, seed + number)
        for k, time in enumerate(moments):
            watch.run(time - watch.now, quick=max(0.0, QUICK - watch.now))
            mine = np.flatnonzero((kind == number) & (moment == k))
            if len(mine):
                order.append(mine)
                parts.append(watch.at(build[mine]))
    for part in parts:
        part.now, part.strain[:] = 0.0, 0.0
    if tell:
        tell(f"{len(cases)} faults in time")
    places = np.concatenate(order)
    watch = together(parts)
    watch.builds.broken([cases[k][1] for k in places])
    runs = _watched(watch)
    listed = guard.may_be_unseen
    return [
        FaultRun(cases[k][1].name, cases[k][0], names[kind[k]], float(moments[moment[k]]), *runs[n],
                 (cases[k][1].name) in listed)
        for n, k in sorted(enumerate(places.tolist()), key=lambda pair: pair[1])
    ]  # fmt: skip


def _watched(watch: Watch) -> list[tuple[str, float, float]]:
    """Watch faults, those that tripped only until then; return level, time of the trip, and strain."""
    found: list[tuple[str, float, float]] = [("", np.nan, 0.0)] * len(watch.tripped)
    left = np.arange(len(watch.tripped))
    for until in (QUICK, 6.0, 20.0, WATCHED):
        watch.run(until - watch.now, quick=max(0.0, QUICK - watch.now))
        strain = watch.strain.max(axis=1)
        for point, place in enumerate(left.tolist()):
            level = watch.tripped[point] or watch.warned[point]
            found[place] = (level, float(watch.when[point]), float(strain[point]))
        # What has had enough needs no longer look.
        keep = np.flatnonzero(np.isnan(watch.when) & (strain < STRAIN))
        if not len(keep):
            break
        left, watch = left[keep], watch.at(keep)
    return found


# The converter


@dataclass(frozen=True)
class ConverterRun:
    """A fault of the converter, and how long the guard needed [s]; NaN: it didn't trip."""

    fault: str
    level: str
    seconds: float


def prove_converter(guard: Guard, *, seconds: float = 125.0) -> list[ConverterRun]:
    """Let the converter of a resting amplifier fail; all pins at once, and one alone."""
    way, loop = guard.converter, guard.loop()
    random = np.random.default_rng(41)
    samples = round(seconds * way.rate)
    rest = [guard.stages[v.stage].expected * way.sense * way.gain for v in guard.bed.valves]
    if guard.supply is not None:
        rest.append(guard.supply.expected * guard.supply.share)
    volts = np.tile(rest, (samples, 1))
    healthy = way.counts(volts, random=random)
    wave = np.sin(2.0 * np.pi * 50.0 * np.arange(samples) / way.rate)[:, None]
    one = np.arange(len(rest)) == 0
    cathodes = np.arange(len(rest)) < len(guard.bed.valves)
    wrong: dict[str, NDArray[np.int64]] = {
        "stuck inside the window": np.broadcast_to(healthy[:1], healthy.shape),
        "saturated": np.full_like(healthy, way.full_scale),
        "reads nothing": np.zeros_like(healthy),
        "reads noise": random.integers(0, 2 * healthy[0].max(), healthy.shape),
        "an open wire that picks up 50 Hz": way.counts(volts * (1.0 + wave), random=random),
    }
    which = {"every pin": np.ones_like(one), "one pin": one}
    if not cathodes.all():
        which["every cathode's pin"] = cathodes
    names = [f"{pins}: {words}" for words in wrong for pins in which]
    masks = which.values()
    said = replay(loop, np.stack([np.where(mask, counts, healthy) for counts in wrong.values() for mask in masks]),
                  warm=True)  # fmt: skip
    at = said.first("tripped")
    return [ConverterRun(name, level, float(sample) / way.rate if sample >= 0 else np.nan)
            for name, level, sample in zip(names, said.tripped_by, at, strict=True)]  # fmt: skip


# All of it


@dataclass(frozen=True)
class Proof:
    """What was proved.

    Attributes
    ----------
    faults : list of FaultRun
    healthy : list of Healthy
    converter : list of ConverterRun
    """

    faults: list[FaultRun]
    healthy: list[Healthy]
    converter: list[ConverterRun]

    @property
    def good(self) -> bool:
        """Whether nothing that has to hold failed."""
        return (
            all(run.right for run in self.faults)
            and not any(each.trips for each in self.healthy)
            and all(run.seconds == run.seconds for run in self.converter)
        )


def prove(guard: Guard, *, builds: int = 200, seed: int = 1000, run: Run = DEFAULT, tell: Tell | None = None) -> Proof:
    """Prove a guard.

    Parameters
    ----------
    guard : Guard
    builds : int
        Healthy ones that are started.
    seed : int
        Another than the windows were drawn with.
    run : Run
    tell : callable, optional
        Told what is being done.
    """
    say = tell or (lambda words: None)
    network = Network(guard.bed, run)
    faults = prove_faults(guard, network, seed=seed, tell=say)
    say(f"{builds} healthy starts")
    healthy = [prove_starts(guard, network, builds, seed)]
    say("programme, tones, mains")
    healthy += [prove_programme(guard, network, min(builds, 24), seed + 1)]
    healthy += prove_tones(guard, network, min(builds, 3), seed + 2)
    healthy += [prove_mains(guard, network, min(builds, 24), seed + 3)]
    say("the converter")
    return Proof(faults, healthy, prove_converter(guard))


def words(proof: Proof) -> Iterable[str]:
    """Yield the proof in sentences."""
    acted = [run.seconds for run in proof.faults if run.acted]
    late = [run for run in proof.faults if not run.acted and run.strain >= STRAIN]
    soon = sum(seconds < 2.0 for seconds in acted)
    yield (f"faults: {len(proof.faults)} at moments of the two minutes after cold, warm and hot starts; the guard "
           f"tripped on {len(acted)} before a valve had had enough ({soon} within 2 s); on {len(late)} it didn't, "
           f"{sum(run.listed for run in late)} of them listed; {len(proof.faults) - len(acted) - len(late)} overload "
           f"no valve")  # fmt: skip
    for run in proof.faults:
        if not run.right:
            yield (f"  not acted on: {run.fault}, {run.moment:g} s into a {run.start} start: "
                   f"{run.strain:.2g} s times the rating beyond it")  # fmt: skip
    for each in proof.healthy:
        yield (f"healthy, {each.scenario}: {each.trips} trips and {each.warnings} warnings in {each.builds} builds of "
               f"{each.seconds:g} s" + (f" ({', '.join(each.by)})" if each.by else ""))  # fmt: skip
    for fault in proof.converter:
        when = f"trips after {fault.seconds:.2g} s" if fault.seconds == fault.seconds else "doesn't trip"
        yield f"converter, {fault.fault}: {when}"


def as_dict(proof: Proof) -> dict[str, Any]:
    """Return it as plain data."""

    def number(value: float) -> float | None:
        return None if value != value else value

    return {
        "good": proof.good,
        "faults": [
            {"fault": r.fault, "valve": r.valve, "start": r.start, "moment": r.moment,
             "level": r.level, "seconds": number(r.seconds), "strain": r.strain, "listed": r.listed, "right": r.right}
            for r in proof.faults
        ],
        "healthy": [{**vars(h), "by": list(h.by)} for h in proof.healthy],
        "converter": [{"fault": r.fault, "level": r.level, "seconds": number(r.seconds)} for r in proof.converter],
        "words": list(words(proof)),
    }  # fmt: skip


__all__ = [
    "STARTS", "WATCHED", "ConverterRun", "FaultRun", "Healthy", "Proof", "Watch", "as_dict", "prove", "prove_converter",
    "prove_faults", "prove_mains", "prove_programme", "prove_starts", "prove_tones", "resting", "started", "words",
]  # fmt: skip
