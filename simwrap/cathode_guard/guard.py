"""The guard: healthy cathode currents, the levels at which a microcontroller warns and trips, and how long each lasts.

Every level comes from simulated builds: the window at rest holds all of them with the mains 10 % low to 10 % high, and
its upper end is raised by what the average rises at full power. From there on it is arithmetic: sense resistor, gain,
filter, converter, counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.cathode_guard.bench import GuardBed, Sensed, guard_bed
from simwrap.cathode_guard.faults import faults_of, overloads
from simwrap.cathode_guard.loop import ALWAYS, RUNNING, STARTING, Check, Loop
from simwrap.circuits.design_file import Design
from simwrap.engine import protocol
from simwrap.errors import EngineError, InputError, RangeError
from simwrap.faults.bed import HEALTHY, Fault, Varied
from simwrap.faults.rails import supplied

Floats = NDArray[np.float64]

#: What healthy builds differ in where nothing is said (common practice for new output valves, no source).
VARIED = Varied(emission="20 %", mu="5 %")
#: Sense resistor where the design has none [ohm].
SENSE = 10.0
#: By how much a level lies outside the window that it guards, as a share of the current at rest: the fit of the valves'
#: laws, drift and what else isn't drawn (common practice, no source).
_MARGIN = 0.05
#: A trip level, as a share of the warning level; where a valve does no longer work; what only a short can draw.
_TRIP, _DEAD, _SHORT = 1.2, 0.4, 1.6
#: Time over which the loop smooths where nothing is said [s].
_SMOOTHING = 0.064
#: Counts at the least between a window and its level.
_LEAST_COUNTS = 4
#: Levels of drive at which the average current is looked up, as parts of the one that small signals ask for.
_DRIVES = (0.25, 0.5, 0.75, 1.0, 1.15, 1.3)
#: By how much slow changes of the mains move a current at rest, as a share (common practice, no source).
_MAINS_SHARE = 0.1
#: How long the trip level has to be passed while the valves warm up [s]: as long as a restart on hot cathodes lasts.
START_HOLD = 1.0
#: How long there may be no current until it counts as a mains that is off, and how long that may last [s].
_DARK_HOLD, _PATIENCE = 0.1, 60.0
#: How long a converter's neighbour counts may stay the same [s], and samples at the least; from which noise on [counts
#: r.m.s.] that says anything.
_STILL, _STILL_SAMPLES, _STILL_NOISE = 10.0, 2500, 0.25
#: Time over which a mean is taken for the warning of a drift [s].
_MINUTE = 60.0
#: What a clamp may have to carry at the pin [A] (common practice for an input's own diodes, no source).
PIN_CURRENT = 1e-3


@dataclass(frozen=True, kw_only=True)
class Converter:
    """The way from a sense resistor into the microcontroller, and how it is read.

    Attributes
    ----------
    sense : float
        Sense resistor [ohm], where the design has none of its own.
    sense_tolerance : float
        As a share.
    bits : int
    reference : float
        [V].
    reference_tolerance : float
        As a share.
    gain : float
        From the sense resistor to the pin: below 1 a divider, above 1 an amplifier.
    resistance, capacitance : float
        Filter before the pin [ohm, F].
    rate : int
        Samples a second of each pin.
    shift : int, optional
        The loop smooths over 2 to the power of it samples; by itself over about 64 ms.
    warming : float
        From the first current of a start until all levels are live [s].
    noise : float
        Of the converter and its reference at the pin [V r.m.s.] (common practice, no source).
    """

    sense: float = SENSE
    sense_tolerance: float = 0.01
    bits: int = 12
    reference: float = 3.3
    reference_tolerance: float = 0.01
    gain: float = 1.0
    resistance: float = 10e3
    capacitance: float = 4.7e-6
    rate: int = 250
    shift: int | None = None
    warming: float = 45.0
    noise: float = 2.5e-4

    def __post_init__(self) -> None:
        """Refuse what no converter can be."""
        bounds: dict[str, tuple[float, float, str]] = {
            "sense": (0.1, 1e3, "from 0.1 to 1000 ohm"), "sense_tolerance": (0.0, 0.2, "a share from 0 to 0.2"),
            "bits": (6, 16, "from 6 to 16"), "reference": (0.5, 10.0, "from 0.5 to 10 V"),
            "reference_tolerance": (0.0, 0.2, "a share from 0 to 0.2"), "gain": (1e-3, 1e3, "from 0.001 to 1000"),
            "resistance": (10.0, 1e7, "from 10 ohm to 10 Mohm"), "capacitance": (1e-10, 1e-3, "from 100 pF to 1 mF"),
            "rate": (20, 20000, "from 20 to 20000 a second"), "shift": (0, 10, "from 0 to 10"),
            "warming": (0.0, 600.0, "from 0 to 600 s"), "noise": (0.0, 1.0, "from 0 to 1 V"),
        }  # fmt: skip
        if self.shift is None:
            object.__setattr__(self, "shift", int(np.clip(round(np.log2(max(self.rate * _SMOOTHING, 1.0))), 0, 10)))
        for name, (low, high, words) in bounds.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise RangeError(name, value, words, "guard")

    @property
    def full_scale(self) -> int:
        """Largest count."""
        return int(2**self.bits - 1)

    @property
    def amperes(self) -> float:
        """Current of one count [A], with :attr:`sense`."""
        return float(self.reference / 2**self.bits / self.gain / self.sense)

    @property
    def filter_time(self) -> float:
        """Time constant of the filter [s]."""
        return self.resistance * self.capacitance

    @property
    def smoothing_time(self) -> float:
        """Time constant of the smoothing [s]."""
        return float(2 ** (self.shift or 0) / self.rate)

    def counts(self, volts: Any, references: Any = 1.0, random: np.random.Generator | None = None) -> NDArray[np.int64]:
        """Return what is converted at a pin [V]; ``references`` are the true ones, relative to :attr:`reference`.

        With ``random`` the converter's noise is added.
        """
        volts = np.nan_to_num(np.asarray(volts, dtype=float))
        if random is not None:
            volts = volts + self.noise * random.standard_normal(volts.shape)
        steps = np.floor(volts / (self.reference * references) * 2**self.bits)
        return np.asarray(np.clip(steps, 0, self.full_scale), dtype=np.int64)

    def passed(self, frequency: float) -> float:
        """Return which part of a sine's amplitude the filter lets through."""
        return float(1.0 / np.hypot(1.0, 2.0 * np.pi * frequency * self.filter_time))


@dataclass(frozen=True)
class Level:
    """A level of one stage's valves, or of how far the halves of a pair are apart.

    Attributes
    ----------
    name : str
        "trip_high", "warn_imbalance" and the like.
    current : float
        [A].
    volts : float
        Across the sense resistor.
    counts : int
    hold : float
        How long it must last [s].
    within : float
        How soon after the current has passed it the guard acts [s]: filter, smoothing and the hold.
    event : str
        "warn", "trip" or "short".
    below : bool
        Whether it is met below.
    source : str
        What it looks at, see :data:`~simwrap.cathode_guard.loop.SOURCES`.
    phases : int
        When it is live: :data:`~simwrap.cathode_guard.loop.STARTING`, ``RUNNING`` or both.
    """

    name: str
    current: float
    volts: float
    counts: int
    hold: float
    within: float
    event: str
    below: bool = False
    source: str = "smooth"
    phases: int = RUNNING

    @property
    def of_pair(self) -> bool:
        """Whether it is about the halves of a pair."""
        return self.source == "apart"


@dataclass(frozen=True)
class StageGuard:
    """What is known of one output stage's valves, and their levels.

    Attributes
    ----------
    stage : str
    expected : float
        Cathode current of each valve at rest [A].
    window : tuple of float
        Of healthy builds at rest [A].
    loud : float
        Highest average of a healthy build at full power [A].
    rise : float
        Average at full power as a share of that at rest.
    apart : float
        How far the halves of a healthy pair are apart at most [A], 0 where there are none.
    swing : float
        Largest amplitude of a signal current at full power [A].
    levels : tuple of Level
    """

    stage: str
    expected: float
    window: tuple[float, float]
    loud: float
    rise: float
    apart: float
    swing: float
    levels: tuple[Level, ...]

    def level(self, name: str) -> Level:
        """Return a level by name."""
        return next(level for level in self.levels if level.name == name)


@dataclass(frozen=True)
class Guard:
    """A design's guard.

    Attributes
    ----------
    title : str
    converter : Converter
    bed : GuardBed
        What it was computed and is proved on.
    varied : Varied
        What the healthy builds were drawn from.
    builds : int
    stages : mapping of str to StageGuard
    drive : float
        Amplitude of the drive at full power [V].
    worst_pin : tuple of (str, float)
        The fault that lifts a pin furthest, and its voltage without a clamp [V].
    worst_common : tuple of (str, float)
        The same of the lower ends of the sense resistors.
    unseen : tuple of (str, float)
        Faults that overload a valve's anode or screen while no cathode current passes a level, with the load as a
        share of the rating.
    notes : tuple of str
    """

    title: str
    converter: Converter
    bed: GuardBed
    varied: Varied
    builds: int
    stages: Mapping[str, StageGuard]
    drive: float
    worst_pin: tuple[str, float]
    worst_common: tuple[str, float]
    unseen: tuple[tuple[str, float], ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def pairs(self) -> list[str]:
        """Output stages of all channels whose valves are in two halves."""
        valves = self.bed.valves
        return [
            pair
            for pair in dict.fromkeys(valve.pair for valve in valves)
            if {valve.half for valve in valves if valve.pair == pair} == {"a", "b"}
        ]

    def levels_of(self, valve: Sensed) -> tuple[Level, ...]:
        """Return the levels of a valve, those of its pair among them."""
        return self.stages[valve.stage].levels

    def loop(self) -> Loop:
        """Return the checks and states."""
        way, valves, rate = self.converter, self.bed.valves, self.converter.rate

        def checks(signal: int, levels: Iterable[Level]) -> list[Check]:
            return [
                Check(level.name, level.source, signal, level.below, level.phases, level.counts,
                      max(1, round(level.hold * rate)), level.event)
                for level in levels
            ]  # fmt: skip

        found = []
        for number, valve in enumerate(valves):
            found += checks(number, (level for level in self.levels_of(valve) if not level.of_pair))
        for number, pair in enumerate(self.pairs):
            first = next(valve for valve in valves if valve.pair == pair)
            found += checks(number, (level for level in self.levels_of(first) if level.of_pair))
        dark = min(stage.level("trip_low").counts for stage in self.stages.values())
        found.append(Check("dark", "most", 0, True, RUNNING, dark, max(1, round(_DARK_HOLD * rate)), "dark"))
        halves = tuple(
            tuple({"a": 1, "b": -1}.get(v.half, 0) if v.pair == pair else 0 for v in valves) for pair in self.pairs
        )
        return Loop(
            valves=len(valves), checks=tuple(found), halves=halves, shift=way.shift or 0,
            warming=round(way.warming * rate), dark=dark, patience=round(_PATIENCE * rate),
            slow=round(_MINUTE * rate), period=round(1e6 / rate),
        )  # fmt: skip


def guard(
    design: Design,
    converter: Converter | None = None,
    *,
    varied: Varied | None = None,
    builds: int = 200,
    seed: int = 0,
    engine: str = "auto",
    progress: Callable[[str], None] | None = None,
) -> Guard:
    """Compute the guard of a design's output valves.

    Parameters
    ----------
    design : Design
    converter : Converter, optional
    varied : Varied, optional
        What healthy builds differ in.
    builds : int
        How many are drawn for the windows.
    seed : int
    engine : str
    progress : callable, optional
        Told what is being done.

    Raises
    ------
    InputError
        If there is no output stage, or its currents don't fit the converter.
    EngineError
        If there is no operating point.
    """
    tell = progress or (lambda words: None)
    way, varied = converter or Converter(), varied or VARIED
    tell("supply and operating point")
    source = supplied(design, engine=engine)
    bed = guard_bed(source, design.channels, sense=way.sense, gain=way.gain, resistance=way.resistance,
                    capacitance=way.capacitance, engine=engine)  # fmt: skip
    way = Converter(**{**vars(way), "sense": bed.sense})
    tell(f"{builds} healthy builds at rest")
    columns = bed.draw(varied, builds, seed, way.sense_tolerance)
    quiet = bed.currents(_rest(bed, columns, [HEALTHY] * builds, engine), columns)
    nominal = bed.currents(_rest(bed, {}, [HEALTHY], engine))[0]
    tell("average currents over drive")
    drive, loud, swing = _full_power(design, bed, engine)
    stages = {}
    for stage in dict.fromkeys(valve.stage for valve in bed.valves):
        own = [number for number, valve in enumerate(bed.valves) if valve.stage == stage]
        rise = float((loud / nominal)[own].max())
        apart = _apart(bed, stage, quiet)
        stages[stage] = stage_guard(stage, nominal[own], quiet[:, own], rise, apart, float(swing[own].max()), way)
    tell("what a fault can put on a pin")
    pin, common = _worst(bed, engine)
    made = Guard(design.circuit.name, way, bed, varied, builds, stages, drive, pin, common)
    return replace(made, unseen=_unseen(made, engine))


def _apart(bed: GuardBed, stage: str, quiet: Floats) -> Floats | None:
    """Return how far the halves of a stage's pairs are apart in every build [A], None where it has no halves."""
    found = []
    for pair in dict.fromkeys(valve.pair for valve in bed.valves if valve.stage == stage):
        signs = np.array([{"a": 1.0, "b": -1.0}.get(v.half, 0.0) if v.pair == pair else 0.0 for v in bed.valves])
        if signs.min() < 0.0 < signs.max():
            found.append(np.abs(quiet @ signs))
    return np.concatenate(found) if found else None


def _rest(bed: GuardBed, columns: Mapping[str, Floats], faults: list[Fault], engine: str) -> Mapping[str, Any]:
    table = bed.bed.table(columns, faults)
    (reply,) = engines.run(table, [protocol.OpRun(bed.vectors)], engines.Run(engine))
    if all(reply.reasons):
        raise EngineError(f"guard: {reply.reasons[0]}")
    return reply.values


def _full_power(design: Design, bed: GuardBed, engine: str) -> tuple[float, Floats, Floats]:
    """Return the drive [V peak] for the rated output, and each valve's average and amplitude there [A].

    Where no output is rated, or it isn't reached, it is the largest drive that was looked at.
    """
    stage = next(iter(bed.inputs))
    circuit = bed.bed.circuit
    speaker = circuit.ports[f"{stage}.output"]
    part = circuit.bench_part(f"{stage}.output", "resistor")
    ohms = float(circuit.values.get(part, 0.0)) or 8.0
    levels = design.levels
    rated = np.sqrt((levels.rated_power or 0.0) * ohms) or levels.rated_output or 0.0
    text = bed.driven()
    options = engines.Run(engine)
    (small,) = engines.run(protocol.Circuit(text), [protocol.AcRun(1e3, 1e3, 1, (speaker,))], options)
    gain = float(np.abs(small.values[speaker][0, 0]))
    bias = _grid_bias(bed, engine)
    first = rated * np.sqrt(2.0) / gain if rated else bias
    drives = np.array([_DRIVES]) * first
    run = protocol.SteadyRun(1e3, (protocol.Sine(1.0, 1e3),), drives, (speaker, *bed.vectors), samples=128)
    (reply,) = engines.run(protocol.Circuit(text), [run], options)
    heard = reply.values[speaker][0].std(axis=-1)
    currents = bed.currents({name: reply.values[name][0] for name in bed.vectors})  # (drives, samples, valves)
    good = np.isfinite(heard)
    if not good.any():
        raise EngineError(f"guard: no steady state at full power ({reply.reasons[0]})")
    averages, swings = currents[good].mean(axis=1), np.ptp(currents[good], axis=1) / 2.0
    reached, drives = np.maximum.accumulate(heard[good]), drives[0][good]
    drive = float(np.interp(rated, reached, drives)) if rated else float(drives[-1])
    columns = range(averages.shape[1])
    # The average need not rise all the way: the highest up to full power counts.
    highest = np.maximum.accumulate(averages, axis=0)
    loud = np.array([np.interp(drive, drives, highest[:, k]) for k in columns])
    swing = np.array([np.interp(drive, drives, swings[:, k]) for k in columns])
    return drive, loud, swing


def _grid_bias(bed: GuardBed, engine: str) -> float:
    use = bed.bed.circuit.valves[bed.valves[0].name]
    nodes = (use.nodes["grid"], use.nodes["cathode"])
    (reply,) = engines.run(bed.bed.table({}, [HEALTHY]), [protocol.OpRun(nodes)], engines.Run(engine))
    return float(abs(reply.values[nodes[0]][0] - reply.values[nodes[1]][0]))


def stage_guard(
    stage: str, nominal: Floats, quiet: Floats, rise: float, apart: Floats | None, swing: float, way: Converter
) -> StageGuard:
    """Return the levels of one stage's valves.

    Parameters
    ----------
    stage : str
    nominal : ndarray, shape (valves,)
        Currents at rest [A].
    quiet : ndarray, shape (builds, valves)
        Those of healthy builds [A].
    rise : float
        Average at full power as a share of that at rest.
    apart : ndarray, shape (builds,), optional
        How far the halves are apart [A]; None where there are none.
    swing : float
        Amplitude of a signal current at full power [A].
    way : Converter
    """
    expected = float(nominal.mean())
    low, high = float(np.nanmin(quiet)), float(np.nanmax(quiet))
    loud = high * max(rise, 1.0)
    # What the converter itself adds to a reading: its reference, and a filter's rest of the lowest tones.
    margin = _MARGIN * expected + way.reference_tolerance * expected
    settle = 4.0 * (way.filter_time + way.smoothing_time)

    def level(name: str, current: float, hold: float, event: str, below: bool = False, **more: Any) -> Level:
        counts = round(current / way.amperes)
        within = hold + (4.0 * way.filter_time if event == "short" else settle) + 2.0 / way.rate
        return Level(name, current, current * way.sense, counts, hold, within, event, below, **more)

    warn_high = max(loud + margin, loud + _LEAST_COUNTS * way.amperes)
    trip_high = _TRIP * warn_high
    warn_low = max(min(low * min(rise, 1.0) - margin, low - _LEAST_COUNTS * way.amperes), 2.0 * way.amperes)
    # A true pin can't change faster between two samples than its filter lets it; the rest is the converter's noise.
    rough = max(swing / (way.rate * way.filter_time), 0.0) + 3.0 * way.noise / way.gain / way.sense
    drift = (max(rise, 1.0) - 1.0) * high + _MAINS_SHARE * expected + margin
    levels = [
        level("short_high", _SHORT * trip_high, 0.03, "short", source="raw", phases=ALWAYS),
        level("start_high", trip_high, START_HOLD, "trip", phases=STARTING),
        level("trip_high", trip_high, 0.25, "trip"),
        level("warn_high", warn_high, 3.0, "warn"),
        level("warn_low", warn_low, 3.0, "warn", True),
        level("trip_low", _DEAD * warn_low, 1.0, "trip", True),
        level("trip_rough", rough + _LEAST_COUNTS * way.amperes, 0.5, "trip", source="rough", phases=ALWAYS),
        level("warn_drift", drift, _MINUTE, "warn", source="drift"),
    ]
    if way.noise * 2**way.bits / way.reference >= _STILL_NOISE:
        samples = max(round(_STILL * way.rate), _STILL_SAMPLES)
        levels.append(Level("trip_still", 0.0, 0.0, samples, 0.0, (samples + 2.0) / way.rate, "trip", source="still",
                            phases=ALWAYS))  # fmt: skip
    widest = 0.0
    if apart is not None:
        widest = float(np.nanmax(apart))
        warn = widest * max(rise, 1.0) + margin
        levels += [
            level("warn_imbalance", warn, 3.0, "warn", source="apart"),
            level("trip_imbalance", warn + 0.3 * expected, 0.5, "trip", source="apart"),
        ]
    made = StageGuard(stage, expected, (low, high), loud, rise, widest, swing, tuple(levels))
    _fits(made, way)
    return made


def _fits(made: StageGuard, way: Converter) -> None:
    """Refuse a converter that a stage's currents are too large or too small for."""
    top = made.level("short_high")
    if top.counts > 0.97 * way.full_scale:
        volts = top.volts * way.gain
        raise InputError(
            f"guard: {made.stage} reaches {volts:.3g} V at the pin at its highest level, and the converter ends at "
            f"{way.reference:g} V; give a smaller gain than {way.gain:g}, such as {0.9 * way.reference / top.volts:.2g}"
        )
    if made.level("trip_low").counts < 2 * _LEAST_COUNTS:
        raise InputError(
            f"guard: one count is {way.amperes * 1e3:.3g} mA, too coarse for {made.stage} at "
            f"{made.expected * 1e3:.3g} mA; give more bits, a larger gain or a larger sense resistor"
        )


def _worst(bed: GuardBed, engine: str) -> tuple[tuple[str, float], tuple[str, float]]:
    """Return the fault that lifts a pin, and the one that lifts a sense resistor's lower end, furthest [V]."""
    faults = [*bed.bed.dictionary()]
    faults += [Fault(f"{port} coupling capacitor", "shorted", {element: 1.0}) for port, element in bed.drives.items()]
    values = _rest(bed, {}, faults, engine)
    pins = np.nan_to_num(np.abs(bed.pins(values))).max(axis=-1)
    lows = [np.nan_to_num(np.abs(values[v.ends[1]])) if v.ends[1] != "0" else np.zeros(len(faults)) for v in bed.valves]
    low = np.max(lows, axis=0)
    found = [(faults[int(np.argmax(entry))].name, float(np.max(entry))) for entry in (pins, low)]
    return found[0], found[1]


#: From this share of a rating on a fault counts as an overload: a hot but healthy build may be a little over.
_OVERLOAD = 1.25


def _unseen(guard: Guard, engine: str) -> tuple[tuple[str, float], ...]:
    """Return the faults that overload a valve without passing a level, worst first."""
    bed, loop = guard.bed, guard.loop()
    faults = [fault for valve in bed.valves for fault in faults_of(bed, valve)]
    currents, load = overloads(bed, faults, engine)
    apart = np.abs(currents @ np.array(loop.halves, dtype=float).reshape(-1, len(bed.valves)).T)
    signals = {"smooth": currents, "raw": currents, "apart": apart}
    counts = {source: values / guard.converter.amperes for source, values in signals.items()}
    met = [
        counts[check.source][:, check.signal] < check.counts
        if check.below
        else counts[check.source][:, check.signal] > check.counts
        for check in loop.checks
        if check.source in counts and check.phases & RUNNING
    ]
    quiet = ~np.any(met, axis=0) & (load > _OVERLOAD)
    # Channels are alike: a fault is told once, at the first valve that has it.
    found: dict[str, float] = {}
    for place in np.flatnonzero(quiet).tolist():
        found.setdefault(faults[place].name, float(load[place]))
    return tuple(sorted(found.items(), key=lambda entry: -entry[1]))


__all__ = ["Converter", "Guard", "Level", "StageGuard", "guard", "stage_guard"]
