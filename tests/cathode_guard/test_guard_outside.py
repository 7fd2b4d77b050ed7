"""The guard against builds that it doesn't know: faults of the kit, by ``ngspice -b``, warmed by other curves.

Nothing of the guard's own proof is used but the loop and the converter: currents and dissipations at each warmth of
the cathodes come from the kit's netlists, how a cathode warms up from curves written down here, and what a valve bears
is three times its rated dissipation for ten seconds, by the ratings in its file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from fault_kit.build import Build, Design, Fault
from fault_kit.dangers import ratings
from fault_kit.kinds import faults
from fault_kit.spice import NoAnswerError, Script, run
from numpy.typing import NDArray

from simwrap.cathode_guard.guard import Guard
from simwrap.cathode_guard.loop import STATES, Memory, replay

ROOM = Path(__file__).resolve().parents[2] / "simwrap" / "amplifier" / "reading_room.toml"
Floats = NDArray[np.float64]

#: Shares of the emission at which a build is simulated.
WARMTHS = (1e-4, 0.05, 0.15, 0.3, 0.5, 0.7, 0.85, 1.0)
#: Heat beyond the rating that a valve bears: (3 - 1) ratings for 10 s.
BEARS = 20.0
WATCHED, UNTIL = 60.0, 120.0
MOMENTS = (0.02, 0.2, 0.5, 1.0, 2.0, 4.0, 7.0, 10.0, 13.0, 16.0, 20.0, 28.0, 40.0, 60.0, 90.0, 119.0)
OFF = {"cold": None, "warm": 10.0, "hot": 2.0}


def warmth(start: str, times: Floats) -> Floats:
    """Return the share of its current that a cathode gives so long after the mains has come (common practice)."""
    if start == "cold":  # nothing for some seconds, half of it after 13 s, all after 20 s
        return 1.0 / (1.0 + np.exp(-(times - 13.0) / 1.3))
    begin, slowness = (0.3, 3.0) if start == "warm" else (0.96, 3.0)
    return 1.0 - (1.0 - begin) * np.exp(-times / slowness)


@dataclass(frozen=True)
class Known:
    """What a build does at each of WARMTHS: currents in its sense resistors [A], and its valves' largest load."""

    currents: Floats
    loads: Floats

    def at(self, shares: Floats) -> tuple[Floats, Floats]:
        current = np.stack([np.interp(shares, WARMTHS, column) for column in self.currents.T], axis=-1)
        return current, np.interp(shares, WARMTHS, self.loads)


def simulated(design: Design, build: Build, sense: float) -> Known:
    """Simulate a build at each warmth of all its cathodes."""
    deck = build.deck
    for name in [name for name in deck.devices if name.startswith("g_")]:
        lead = deck[name]
        deck.add(f"b_kit_warm_{name}", (f"kit_warm_{name}", "0"), f"v=v({lead.nodes[2]})*v(kit_warm)")
        lead.nodes[2] = f"kit_warm_{name}"
    for side in "ab":
        deck[f"r_power__sense_{side}"].value *= sense / 0.01
    netlist, _ = design.supplied(build)
    valves = {path: valve for path, valve in deck.valves.items() if path.startswith("power.")}
    script, places, watts = Script(), [], []
    for share in reversed(WARMTHS):
        script.do(f"alter v_kit_warm = {share:g}")
        script.do("op")
        for side in "ab":
            one, other = deck[f"r_power__sense_{side}"].nodes
            places.append(script.ask(f"v({one})-v({other})"))
        for valve in valves.values():
            most = ratings(valve.type)
            for role in ("anode", "screen"):
                pin, rated = valve.pins[role], float(most[f"{role}_dissipation_max"])
                lead = f"v_{pin}" if f"v_{pin}" in deck.devices else f"v_kit_v_{pin}"
                watts.append(script.ask(f"(v({pin})-v({valve.pins['cathode']}))*i({lead})/{rated}"))
    found = np.array(
        run(f"{netlist}\nv_kit_warm kit_warm 0 1", script.lines, options="itl1=500 reltol=1e-3 gmin=1e-11")
    )
    ohms = np.array([deck[f"r_power__sense_{side}"].value for side in "ab"])
    currents = found[places].reshape(len(WARMTHS), 2)[::-1] / ohms
    return Known(currents, found[watts].reshape(len(WARMTHS), -1)[::-1].max(axis=1))


def volts(guard: Guard, currents: Floats, before: Floats) -> Floats:
    """Return what is at the pins [V] behind the filter, from what it held; shape (samples, valves)."""
    way, held, found = guard.converter, before.copy(), np.empty_like(currents)
    part = 1.0 - np.exp(-1.0 / (way.rate * way.filter_time))
    for sample, now in enumerate(currents * guard.bed.sense * way.gain):
        held = held + part * (now - held)
        found[sample] = held
    return found


def started(guard: Guard, healthy: Known, start: str) -> dict[float, tuple[Memory, Floats]]:
    """Return the loop's memory, and what the pins hold, at each of MOMENTS after a start of a healthy build."""
    rate, random = guard.converter.rate, np.random.default_rng(3)
    times = np.arange(1, round(UNTIL * rate) + 1) / rate
    current, _ = healthy.at(warmth(start, times))
    off = OFF[start]
    if off is not None:
        rest, _ = healthy.at(np.ones(2 * rate))
        gone = np.exp(-np.arange(round(off * rate)) / rate / 0.2)[:, None] * rest[:1]
        current = np.concatenate([rest, gone, current])
    both = np.concatenate([current, np.tile(healthy.currents[-1:], (len(current), 1)) *
                           (current / healthy.currents[-1])], axis=1)  # fmt: skip
    pins = volts(guard, both, both[0] * guard.bed.sense if off is not None else np.zeros(4))
    counts = guard.converter.counts(pins, random=random)
    memory = Memory(guard.loop(), 1, "running" if off is not None else "warming")
    done, found = len(current) - len(times), {}
    replay(guard.loop(), counts[None, :done], memory=memory)
    for moment in MOMENTS:
        end = len(current) - len(times) + round(moment * rate)
        replay(guard.loop(), counts[None, done:end], memory=memory)
        done = end
        assert STATES[memory.state[0]] in ("warming", "running"), (start, moment)
        found[moment] = memory.at(np.array([0])), pins[end - 1]
    return found


def joined(memories: Sequence[Memory]) -> Memory:
    made = memories[0].at(np.array([0]))
    for name, value in vars(made).items():
        if isinstance(value, np.ndarray):
            setattr(made, name, np.concatenate([getattr(memory, name) for memory in memories]))
    return made


@dataclass(frozen=True)
class Outcome:
    fault: Fault
    start: str
    moment: float
    level: str
    seconds: float
    heat: float


def outcomes(guard: Guard, healthy: Known, broken: Sequence[tuple[Fault, Known]]) -> list[Outcome]:
    """Let every fault happen at each of MOMENTS after each start, and say what the guard and the valve made of it."""
    rate = guard.converter.rate
    samples, cases, memories, counts, loads = round(WATCHED * rate), [], [], [], []
    random = np.random.default_rng(4)
    for start in OFF:
        at = started(guard, healthy, start)
        for moment, (memory, held) in at.items():
            shares = warmth(start, moment + np.arange(1, samples + 1) / rate)
            right, _ = healthy.at(shares)
            for fault, known in broken:
                current, load = known.at(shares)
                pins = volts(guard, np.concatenate([current, right], axis=1), held)
                cases.append((fault, start, moment))
                memories.append(memory)
                counts.append(guard.converter.counts(pins, random=random).astype(np.uint16))
                loads.append(load)
    said = replay(guard.loop(), np.stack(counts), memory=joined(memories))
    trips = said.first("tripped")
    found = []
    for (fault, start, moment), load, trip, level in zip(cases, loads, trips, said.tripped_by, strict=True):
        until = trip + 1 if trip >= 0 else samples
        heat = float(np.maximum(load[:until] - 1.0, 0.0).sum() / rate)
        found.append(Outcome(fault, start, moment, level, (trip + 1) / rate if trip >= 0 else np.nan, heat))
    return found


def known_of(design: Design, fault: Fault | None, chance: np.random.Generator, sense: float) -> Known:
    build = design.draw(chance)
    if fault is not None:
        fault.change(build)
    return simulated(design, build, sense)


#: What the guard's list calls faults of the kit that look the same to it, by kind.
LISTED = {
    "transformer: primary open": "primary winding or anode lead of power_1",
    "valve: anode pin not touching": "primary winding or anode lead of power_1",
}


@pytest.mark.long
@pytest.mark.usefixtures("ngspice_program")
def test_dangerous_faults_at_every_moment_are_acted_on_in_time_or_listed(room: Guard) -> None:
    design, chance = Design(ROOM), np.random.default_rng(11)
    healthy = known_of(design, None, chance, room.bed.sense)
    assert healthy.loads.max() < 1.1
    broken, unsolved = [], []
    for fault in faults(design, chance):
        if fault.part.partition(".")[0] not in ("power", "splitter", "screens", "mains", "supply"):
            continue
        try:
            known = known_of(design, fault, chance, room.bed.sense)
        except NoAnswerError:
            unsolved.append(fault)
            continue
        if known.loads.max() > 1.0 + BEARS / WATCHED:
            broken.append((fault, known))
    print(f"{len(broken)} faults that a valve doesn't bear for a minute; {len(unsolved)} unsolved:",
          *(f"{f.kind} {f.part}" for f in unsolved), sep="\n  ")  # fmt: skip
    found = outcomes(room, healthy, broken)
    late = [each for each in found if each.heat >= BEARS]
    lines = {}
    for each in late:
        lines.setdefault((each.fault.kind, each.fault.part, each.fault.size), []).append(each)
    for (kind, part, size), runs in lines.items():
        print(f"late: {kind} {part} {size:.3g}: {len(runs)} of {3 * len(MOMENTS)} moments, up to "
              f"{max(run.heat for run in runs):.0f}, tripped by {sorted({run.level for run in runs})}")  # fmt: skip
    acted = [each for each in found if each.seconds == each.seconds]
    print(f"{len(found)} runs, {len(acted)} tripped, {len(late)} too late or not at all")
    names = [each.fault for each in room.unseen]
    silent = [each for each in late
              if not any(name.startswith(LISTED.get(each.fault.kind, "\0")) for name in names)]  # fmt: skip
    assert len(broken) > 15
    assert not silent
