"""The guard: healthy cathode currents, the levels at which a microcontroller warns and trips, and how long each lasts.

Every level comes from simulated builds: the window at rest holds all of them with the mains 10 % low to 10 % high, and
its upper end is raised by what the average rises at full power. From there on it is arithmetic: sense resistor, gain,
filter, converter, counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.amplifier.amplifier import as_amplifier
from simwrap.cathode_guard.bench import GuardBed, Sensed, guard_bed
from simwrap.cathode_guard.faults import faults_of, overloads
from simwrap.cathode_guard.levels import (
    MINUTE,
    Converter,
    Level,
    StageGuard,
    SupplyGuard,
    stage_guard,
    supply_guard,
)  # fmt: skip
from simwrap.cathode_guard.loop import RUNNING, Check, Loop
from simwrap.cathode_guard.network import Network
from simwrap.cathode_guard.starts import surges
from simwrap.circuits.design_file import Design
from simwrap.engine import Run, protocol
from simwrap.errors import EngineError
from simwrap.faults.bed import HEALTHY, Fault, Varied
from simwrap.faults.rails import supplied
from simwrap.findings.status import late

Floats = NDArray[np.float64]

#: What healthy builds differ in where nothing is said (common practice for new output valves, no source).
VARIED = Varied(emission="20 %", mu="5 %")
#: Levels of drive at which the average current is looked up, as parts of the one that small signals ask for.
_DRIVES = (0.25, 0.5, 0.75, 1.0, 1.15, 1.3)
#: How long there may be no current until it counts as a mains that is off, and how long that may last [s].
_DARK_HOLD, PATIENCE = 0.1, 60.0
#: What a clamp may have to carry at the pin [A] (common practice for an input's own diodes, no source).
PIN_CURRENT = 1e-3
#: Builds that are started for the levels.
_STARTED = 16


@dataclass(frozen=True)
class Unseen:
    """A fault that overloads a valve while the guard doesn't trip.

    Attributes
    ----------
    fault : str
    share : float
        Largest load of an anode or a screen then, as a share of its rating.
    builds : int
        In how many of those that were tried.
    tried : int
    warned : bool
        Whether the guard warns of it in all of them.
    """

    fault: str
    share: float
    builds: int
    tried: int
    warned: bool


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
    unseen : tuple of Unseen
        Faults that overload a valve's anode or screen and that the guard may not act on, or say nothing of.
    supply : SupplyGuard or None
        Levels of the supply, where it is watched.
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
    unseen: tuple[Unseen, ...] = ()
    notes: tuple[str, ...] = ()
    supply: SupplyGuard | None = None

    @property
    def pairs(self) -> list[str]:
        """Output stages of all channels whose valves are in two halves."""
        valves = self.bed.valves
        return [
            pair
            for pair in dict.fromkeys(valve.pair for valve in valves)
            if {valve.half for valve in valves if valve.pair == pair} == {"a", "b"}
        ]

    @property
    def may_be_unseen(self) -> set[str]:
        """Names of the faults on the list, of valves alike in all channels."""
        return {each.fault for each in self.unseen}

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
        if (rail := self.supply) is not None:
            held = max(1, round(rail.hold * rate))
            for name, below, volts in (("supply_low", True, rail.low), ("supply_high", False, rail.high)):
                found.append(Check(name, "smooth", len(valves), below, RUNNING, rail.counts(volts), held, "warn"))
        halves = tuple(
            tuple({"a": 1, "b": -1}.get(v.half, 0) if v.pair == pair else 0 for v in valves) for pair in self.pairs
        )
        return Loop(
            valves=len(valves), checks=tuple(found), halves=halves, shift=way.shift or 0,
            warming=round(way.warming * rate), dark=dark, patience=round(PATIENCE * rate),
            slow=round(MINUTE * rate), period=round(1e6 / rate),
            supply=self.supply.counts(self.supply.present) if self.supply else 0,
        )  # fmt: skip


def guard(
    given: Any,
    converter: Converter | None = None,
    *,
    varied: Varied | None = None,
    builds: int = 200,
    seed: int = 0,
    **how: Any,
) -> Guard:
    """Compute the guard of an amplifier's output valves, whatever its audit finds.

    Parameters
    ----------
    given : path, Design, Circuit, Stage or Amplifier
    converter : Converter, optional
    varied : Varied, optional
        What healthy builds differ in.
    builds : int
        How many are drawn for the windows.
    seed : int
    **how
        As for :func:`~simwrap.amplifier.amplifier.as_amplifier`.

    Raises
    ------
    InputError
        If there is no output stage, or its currents don't fit the converter.
    EngineError
        If there is no operating point.
    """
    way, varied = converter or Converter(), varied or VARIED
    amplifier = as_amplifier(given, **how)
    tell, run = amplifier.tell, amplifier.run
    tell("supply and operating point")
    design, source = amplifier.design, supplied(amplifier)
    bed = guard_bed(source, design.channels, sense=way.sense, gain=way.gain, resistance=way.resistance,
                    capacitance=way.capacitance, supply_share=way.supply_share, run=run)  # fmt: skip
    way = Converter(**{**vars(way), "sense": bed.sense})
    tell(f"{builds} healthy builds at rest")
    columns = bed.draw(varied, builds, seed, way.sense_tolerance)
    resting = _rest(bed, columns, [HEALTHY] * builds, run)
    quiet = bed.currents(resting, columns)
    nominal = bed.currents(_rest(bed, {}, [HEALTHY], run))[0]
    tell("average currents over drive")
    drive, loud, swing = _full_power(design, bed, run)
    rail = None
    if bed.supply_pin:
        drop = source.resistance * float(np.maximum(loud - nominal, 0.0).sum())
        rail = supply_guard(resting[bed.supply_pin] / way.supply_share, drop, way)
    tell("cold, warm and hot starts")
    first = {name: column[:_STARTED] for name, column in columns.items()}
    started = surges(Network(bed, run), first, min(builds, _STARTED), seed)
    stages = {}
    for stage in dict.fromkeys(valve.stage for valve in bed.valves):
        own = [number for number, valve in enumerate(bed.valves) if valve.stage == stage]
        rise = float((loud / nominal)[own].max())
        apart = _apart(bed, stage, quiet)
        stages[stage] = stage_guard(stage, nominal[own], quiet[:, own], rise, apart, float(swing[own].max()), way,
                                    [pins[:, :, own] / (way.gain * way.sense) for pins in started])  # fmt: skip
    tell("what a fault can put on a pin")
    pin, common = _worst(bed, run)
    made = Guard(design.circuit.name, way, bed, varied, builds, stages, drive, pin, common, supply=rail)
    return replace(made, unseen=_unseen(made, run))


def _apart(bed: GuardBed, stage: str, quiet: Floats) -> Floats | None:
    """Return how far the halves of a stage's pairs are apart in every build [A], None where it has no halves."""
    found = []
    for pair in dict.fromkeys(valve.pair for valve in bed.valves if valve.stage == stage):
        signs = np.array([{"a": 1.0, "b": -1.0}.get(v.half, 0.0) if v.pair == pair else 0.0 for v in bed.valves])
        if signs.min() < 0.0 < signs.max():
            found.append(np.abs(quiet @ signs))
    return np.concatenate(found) if found else None


def _rest(bed: GuardBed, columns: Mapping[str, Floats], faults: list[Fault], run: Run) -> Mapping[str, Any]:
    table = bed.bed.table(columns, faults)
    (reply,) = engines.run(table, [protocol.OpRun(bed.vectors)], run)
    if why := late(reply.reasons) or (reply.reasons[0] if all(reply.reasons) else ""):
        raise EngineError(f"guard: {why}")
    return reply.values


def _full_power(design: Design, bed: GuardBed, run: Run) -> tuple[float, Floats, Floats]:
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
    driven = bed.driven()
    (small,) = engines.run(driven, [protocol.AcRun(1e3, 1e3, 1, (speaker,))], run)
    gain = float(np.abs(small.values[speaker][0, 0]))
    bias = _grid_bias(bed, run)
    first = rated * np.sqrt(2.0) / gain if rated else bias
    drives = np.array([_DRIVES]) * first
    asked = protocol.SteadyRun(1e3, (protocol.Sine(1.0, 1e3),), drives, (speaker, *bed.vectors), samples=128)
    (reply,) = engines.run(driven, [asked], run)
    if why := late(reply.reasons):
        raise EngineError(f"guard: no steady state at full power ({why})")
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


def _grid_bias(bed: GuardBed, run: Run) -> float:
    use = bed.bed.circuit.valves[bed.valves[0].name]
    nodes = (use.nodes["grid"], use.nodes["cathode"])
    (reply,) = engines.run(bed.bed.table({}, [HEALTHY]), [protocol.OpRun(nodes)], run)
    return float(abs(reply.values[nodes[0]][0] - reply.values[nodes[1]][0]))


def _worst(bed: GuardBed, run: Run) -> tuple[tuple[str, float], tuple[str, float]]:
    """Return the fault that lifts a pin, and the one that lifts a sense resistor's lower end, furthest [V]."""
    faults = [*bed.bed.dictionary()]
    faults += [Fault(f"{port} coupling capacitor", "shorted", {element: 1.0}) for port, element in bed.drives.items()]
    values = _rest(bed, {}, faults, run)
    pins = np.nan_to_num(np.abs(bed.pins(values))).max(axis=-1)
    lows = [np.nan_to_num(np.abs(values[v.ends[1]])) if v.ends[1] != "0" else np.zeros(len(faults)) for v in bed.valves]
    low = np.max(lows, axis=0)
    found = [(faults[int(np.argmax(entry))].name, float(np.max(entry))) for entry in (pins, low)]
    return found[0], found[1]


#: From this share of a rating on a fault counts as an overload, where it is its own doing by so much: a hot but healthy
#: build may be a little over.
_OVERLOAD, _MORE = 1.1, 0.1
#: What a valve bears beyond its rated dissipation, in ratings times seconds: three times the rating for ten seconds;
#: and a share of the rating that comes near to it within a minute.
STRAIN = 20.0
_DANGEROUS = 1.0 + 0.6 * STRAIN / 60.0
#: Builds in which each fault is looked for.
_TRIED = 24


def _unseen(guard: Guard, run: Run) -> tuple[Unseen, ...]:
    """Return the faults that overload a valve without a trip in any of some builds, worst first."""
    bed, loop = guard.bed, guard.loop()
    every = (fault for valve in bed.channel for fault in faults_of(bed, valve))
    # What two valves share breaks once.
    faults = list({(f.name, *f.values.items(), *f.factors.items()): f for f in every}.values())
    columns = bed.draw(guard.varied, _TRIED, 17, guard.converter.sense_tolerance)
    healthy, usual = overloads(bed, [HEALTHY] * _TRIED, run, columns)
    repeated = {name: np.tile(column, len(faults)) for name, column in columns.items()}
    currents, load = overloads(bed, [fault for fault in faults for _ in range(_TRIED)], run, repeated)
    apart = np.abs(currents @ np.array(loop.halves, dtype=float).reshape(-1, len(bed.valves)).T)
    rise = currents - np.tile(healthy, (len(faults), 1))
    seen = {"smooth": currents, "raw": currents, "apart": apart, "drift": rise}
    shape = (len(faults), _TRIED)

    def met(events: tuple[str, ...]) -> NDArray[np.bool_]:
        found = np.zeros(len(currents), dtype=bool)
        for check in loop.checks:
            of_valves = check.source in seen and check.signal < seen[check.source].shape[1]
            if of_valves and check.event in events and check.phases & RUNNING:
                value = seen[check.source][:, check.signal] / guard.converter.amperes
                found |= value < check.counts if check.below else value > check.counts
        return found.reshape(shape)

    load = np.nan_to_num(load, nan=0.0).reshape(shape)
    tripped, warned = met(("trip", "short")), met(("warn", "trip", "short"))
    quiet = ~tripped & ((load > _DANGEROUS) | (~warned & (load > _OVERLOAD))) & (load > usual + _MORE)
    # What is shared by two valves is told once.
    found: dict[str, Unseen] = {}
    for number in np.flatnonzero(quiet.any(axis=1)).tolist():
        rows = quiet[number]
        found.setdefault(faults[number].name, Unseen(faults[number].name, float(load[number][rows].max()),
                         int(rows.sum()), _TRIED, bool(warned[number][rows].all())))  # fmt: skip
    return tuple(sorted(found.values(), key=lambda entry: -entry.share))


__all__ = [
    "PATIENCE",
    "PIN_CURRENT",
    "STRAIN",
    "Converter",
    "Guard",
    "Level",
    "StageGuard",
    "SupplyGuard",
    "Unseen",
    "guard",
]
