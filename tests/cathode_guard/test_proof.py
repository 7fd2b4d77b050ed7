"""Starts, faults and programme in time: healthy amplifiers are left alone, faults are acted on before harm is done."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simwrap._paths import template_folders
from simwrap.cathode_guard import paper
from simwrap.cathode_guard.bench import GuardBed, guard_bed
from simwrap.cathode_guard.faults import faults_of
from simwrap.cathode_guard.guard import STRAIN, Converter, Guard, guard
from simwrap.cathode_guard.loop import RUNNING, STATES
from simwrap.cathode_guard.network import Network
from simwrap.cathode_guard.proof import (
    Watch,
    prove_converter,
    prove_faults,
    prove_mains,
    prove_programme,
    prove_starts,
    prove_tones,
    resting,
    started,
)  # fmt: skip
from simwrap.circuits.design_file import read_whole_design
from simwrap.faults.bed import Fault, element_of
from simwrap.faults.rails import supplied
from simwrap.report.text import as_text

ROOM = Path(__file__).resolve().parents[2] / "simwrap" / "amplifier" / "reading_room.toml"

SMALL = """
simwrap_design = 1
title = "one valve in the reading room"
[stages.power]
stage = "single_ended_output"
valve = "6V6GT"
supply = "265 V"
screen_supply = "250 V"
coupling_capacitor = "100n"
speaker_impedance = "8 ohm"
{more}
[levels]
rated_power = "2 W"
"""


def named(bed: GuardBed, words: str) -> Fault:
    """The first fault whose name has these words."""
    return next(fault for fault in faults_of(bed, bed.valves[0]) if words in fault.name)


def with_levels(room: Guard, factor: float) -> Guard:
    """The same guard with its upper levels elsewhere."""
    stages = {
        name: replace(stage, levels=tuple(
            replace(level, counts=round(level.counts * factor), current=level.current * factor)
            if level.source in ("smooth", "raw") and not level.below else level for level in stage.levels))
        for name, stage in room.stages.items()
    }  # fmt: skip
    return replace(room, stages=stages)


# Healthy


def test_a_hot_restart_trips_nothing(room: Guard, network: Network) -> None:
    """Mains off for 2 s and on again: once it tripped 0.22 s later."""
    watch = started(room, network, [2.0] * 20, 1)
    watch.run(4.0)
    assert watch.tripped == [""] * 20
    # It is a start, not a run: the guard saw the mains go.
    assert (watch.memory.state == STATES.index("warming")).all()


def test_starts_of_all_kinds_trip_nothing(room: Guard, network: Network) -> None:
    found = prove_starts(room, network, 40, 2)
    assert (found.trips, found.builds) == (0, 40)


def test_a_short_level_within_a_healthy_start_would_trip(room: Guard, network: Network) -> None:
    """The proof of healthy starts can fail."""
    assert prove_starts(with_levels(room, 0.7), network, 20, 2, seconds=10.0).trips > 0


def test_programme_tones_and_mains_trip_nothing(room: Guard, network: Network) -> None:
    found = [prove_programme(room, network, 8, 3, seconds=1.0), *prove_tones(room, network, 1, 4),
             prove_mains(room, network, 6, 5)]  # fmt: skip
    assert [each.trips for each in found] == [0] * len(found)


@pytest.mark.long
def test_a_thousand_healthy_starts(room: Guard, network: Network) -> None:
    found = [prove_starts(room, network, 250, seed) for seed in range(4)]
    assert sum(each.builds for each in found) == 1000
    assert [each.trips for each in found] == [0] * 4


@pytest.mark.long
def test_an_hour_of_programme_at_clipping(room: Guard, network: Network) -> None:
    parts = [prove_programme(room, network, 150, seed, seconds=6.0) for seed in range(4)]
    assert sum(each.builds * each.seconds for each in parts) == 3600.0
    assert [each.trips for each in parts] == [0] * 4


# Faults


@pytest.mark.long
def test_every_fault_at_many_moments(room: Guard, network: Network) -> None:
    runs = [run for seed in range(4) for run in prove_faults(room, network, seed=50 + seed)]
    assert [run for run in runs if not run.right] == []
    assert len(runs) > 1000


def test_a_leaking_coupling_capacitor_trips_while_the_valves_warm_up(room: Guard, network: Network) -> None:
    """2 Mohm: 95 mA and 23 W in a valve of 12 W, once let alone for all of the 45 s."""
    bed = room.bed
    watch = started(room, network, [None] * 8, 6)
    leak = replace(named(bed, "leaks 1 Mohm"), values={bed.drives["power_1.input"]: 2e6})
    watch.builds.broken([leak] * 8)
    watch.run(60.0)
    hot = watch.strain.max(axis=1)
    assert (hot < STRAIN).all()
    assert sum(bool(level) for level in watch.tripped) >= 6  # a weak valve bears it
    warm_again = 60.0
    assert np.nanmin(watch.when) < warm_again
    assert {"start_high", "start_long"} & set(watch.tripped)


@pytest.mark.parametrize("off", [None, 10.0, 2.0])
@pytest.mark.parametrize("moment", [0.05, 1.0, 12.0, 30.0])
def test_a_short_trips_at_once_at_any_time(room: Guard, network: Network, off: float | None, moment: float) -> None:
    watch = started(room, network, [off], 7)
    watch.run(moment)
    begin = watch.now
    watch.builds.broken([named(room.bed, "shorted: anode to cathode")])
    watch.run(1.0)
    assert watch.tripped == ["short_high"]
    assert watch.when[0] - begin < 0.2


def test_faults_after_starts_are_acted_on_in_time_or_listed(room: Guard, network: Network) -> None:
    runs = prove_faults(room, network, each=2, most=14)
    assert [run for run in runs if not run.right] == []
    assert sum(run.acted for run in runs) > len(runs) / 3
    assert {run.start for run in runs} == {"cold", "warm", "hot"}


def test_a_deaf_guard_fails_the_proof(room: Guard, network: Network) -> None:
    """What is needed comes from what the valve bears: levels out of reach don't make the proof content."""
    runs = prove_faults(with_levels(room, 4.0), network, each=1, most=10)
    assert any(not run.right for run in runs)


def test_a_converter_that_fails_is_told(room: Guard) -> None:
    found = {run.fault: run for run in prove_converter(room)}
    assert all(np.isfinite(run.seconds) for run in found.values())
    assert found["every pin: stuck inside the window"].seconds < 10.5
    assert found["every pin: saturated"].seconds < 0.1
    assert found["one pin: reads nothing"].seconds < 1.5
    assert found["every pin: an open wire that picks up 50 Hz"].seconds < 1.0


def test_gas_that_grows_over_minutes_warns(room: Guard, network: Network) -> None:
    """Slow runaway below the warning level: the trend over minutes tells."""
    bed = room.bed
    watch = Watch.of(room, started(room, network, [5.0], 9).builds, 9, "running")
    watch.run(130.0)  # the first minute is what later ones are held against
    assert watch.warned == [""]
    gas = named(bed, "gassy")
    (source,) = gas.values
    watch.builds.broken([Fault("", "", {source: 4.5e-4})])
    watch.run(185.0)
    level = room.stages["power"].level("warn_high").current
    assert watch.builds.moment.sensed[0, 0] < level
    assert watch.tripped == [""]
    assert "warn_drift" in watch.warned[0]


# A supply with a pin of its own


def test_a_watched_supply(room: Guard, network: Network) -> None:
    """Starts, dips and programme trip nothing with it; heaters that go out and a mute converter do."""
    found = guard(read_whole_design(ROOM, complete=True), Converter(supply_share=0.005), builds=8)
    rail = found.supply
    assert rail is not None
    # What the supply gives both channels, as the audit has it: 307 V.
    assert rail.expected == pytest.approx(307.0, rel=0.03)
    own = Network(found.bed)
    assert prove_starts(found, own, 6, 2, seconds=12.0).trips == 0
    assert prove_programme(found, own, 4, 3, seconds=1.0).trips == 0
    said = {run.fault: run for run in prove_converter(found, seconds=30.0)}
    assert said["every cathode's pin: reads nothing"].seconds < 1.5
    for made, each, tripped in ((found, own, ["trip_low"]), (room, network, [""])):
        watch = resting(made, each, 1, 9)
        watch.run(1.0)
        cold = {element_of(valve.name, "emission"): 1e-3 for valve in found.bed.valves}
        watch.builds.broken([Fault("heaters", "out", {}, cold)])
        watch.run(3.0)
        assert watch.tripped == tripped
    text = json.dumps(paper.to_dict(found))
    assert f'"present": {{"voltage": {rail.present}' in text
    assert "a pin of its own" in as_text([paper.section(found)], 10_000)


# What stands on the paper


def test_silent_faults_are_on_every_paper(room: Guard) -> None:
    """Half of a primary open, and 10 uA of gas in both halves: no cathode current trips or warns in every build."""
    listed = {each.fault: each for each in room.unseen}
    primary = listed["primary winding or anode lead of power_1.v1 open"]
    assert primary.share > 2.0
    gas = next(each for name, each in listed.items() if "gas in every valve" in name)
    assert not gas.warned
    told = json.dumps(paper.to_dict(room))
    header, page = paper.header(room), as_text([paper.section(room)], 10_000)
    for name in (primary.fault, gas.fault):
        assert all(name in text for text in (told, header, page))


def test_a_level_that_is_none_for_starts_is_not_counted(room: Guard) -> None:
    """A start's longer hold must not make the list shorter."""
    assert all(check.phases & RUNNING for check in room.loop().checks if check.name in ("trip_high", "short_high"))


# Other designs


def test_one_valve_alone(tmp_path: Path) -> None:
    file = tmp_path / "small.toml"
    file.write_text(SMALL.replace("{more}", 'bias = "fixed"\ngrid_bias = "-14 V"'), encoding="utf-8")
    found = guard(read_whole_design(file, complete=True), Converter(sense=4.7, gain=2.0), builds=20)
    network = Network(found.bed)
    assert prove_starts(found, network, 10, 1, seconds=30.0).trips == 0
    assert [run for run in prove_faults(found, network, each=1, most=12) if not run.right] == []
    assert all(np.isfinite(run.seconds) for run in prove_converter(found))


def test_halves_are_told_by_their_signals_not_by_names(room: Guard, tmp_path: Path) -> None:
    """The nodes of the output stage under other names: the same halves."""
    file = next(file for folder in template_folders() if (file := folder / "push_pull_output.cir.j2").exists())
    text = file.read_text(encoding="utf-8")
    for old, new in (("n_anode_a", "n_upper"), ("n_anode_b", "n_lower"), ("n_cathode_a", "n_one"),
                     ("n_cathode_b", "n_other")):  # fmt: skip
        text = text.replace(old, new)
    (tmp_path / "named.cir.j2").write_text(text, encoding="utf-8")
    design = ROOM.read_text(encoding="utf-8").replace('stage = "push_pull_output"', 'stage = "named.cir.j2"')
    (tmp_path / "room.toml").write_text(design, encoding="utf-8")
    source = supplied(read_whole_design(tmp_path / "room.toml", complete=True))
    bed = guard_bed(source, 2, sense=10.0, gain=1.0, resistance=10e3, capacitance=4.7e-6)
    assert [valve.half for valve in bed.valves] == [valve.half for valve in room.bed.valves] == ["a", "b", "a", "b"]
