"""The reduced network and the cathodes' heat, held against simulators and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simwrap import engine as engines
from simwrap.cathode_guard.bench import GuardBed
from simwrap.cathode_guard.faults import faults_of, overloads
from simwrap.cathode_guard.guard import Guard
from simwrap.cathode_guard.network import Network
from simwrap.cathode_guard.starts import HOT, ROOM, SLOWNESS, at_rest, drawn, warmed, warmth
from simwrap.engine import protocol
from simwrap.faults.bed import HEALTHY, Fault

ONSET = "n_test_onset"


def in_time(bed: GuardBed, fault: Fault) -> str:
    """The netlist for a simulator in which a fault comes as the voltage of a switch goes from 0 to 1."""
    nominal = bed.bed.nominal
    change = {name: nominal[name] * factor for name, factor in fault.factors.items()} | dict(fault.values)
    found = []
    for line in bed.bed.text.rstrip("\n").split("\n"):
        name, one, other, *rest = line.split()
        if name not in change:
            found.append(line)
            continue
        start, end = nominal[name], change[name]
        if name[0] == "r":
            across = (
                f"v({one},{other})" if "0" not in (one, other) else f"v({one})" if other == "0" else f"0-v({other})"
            )
            low, high = 1.0 / start, 1.0 / end
            found.append(f"b_{name[2:]} {one} {other} i=({across})*({low!r}+{high - low!r}*v({ONSET}))")
        else:
            assert name[0] == "v", rest
            found.append(f"b_{name[2:]} {one} {other} v={start!r}+{end - start!r}*v({ONSET})")
    return "\n".join([*found, f"v_test_onset {ONSET} 0 dc 0.0 ac 0.0", f"r_test_onset {ONSET} 0 1000.0"]) + "\n"


@pytest.fixture(scope="module")
def still(room: Guard) -> Network:
    """Without what stands before the coupling capacitors: the simulator's netlist doesn't move that."""
    return Network(replace(room.bed, drives={}))


def test_rest_is_the_simulators_operating_point(room: Guard, network: Network) -> None:
    bed = room.bed
    columns = bed.draw(room.varied, 20, 4, 0.01)
    builds = drawn(network, columns, 20, 1)
    for name in ("v_fault_rail", "r_fault_rail"):
        builds.values[name] = columns.get(name, np.full(20, bed.bed.nominal[name]))
    at_rest(builds)
    expected, load = overloads(bed, [HEALTHY] * 20, engines.Run(), columns)
    assert builds.moment.sensed == pytest.approx(expected, rel=1e-3)
    assert network.load(builds.moment).max(axis=1) == pytest.approx(load, rel=1e-3)


def test_a_stiffer_supply_has_the_same_rest(network: Network) -> None:
    builds = drawn(network, {}, 8, 1)
    at_rest(builds)
    assert len(np.unique(builds.values["r_fault_rail"])) == 8
    assert builds.moment.sensed == pytest.approx(np.tile(network.bed.rest, (8, 1)), rel=2e-3)


def test_every_fault_ends_at_the_simulators_operating_point(room: Guard, still: Network) -> None:
    bed = room.bed
    faults = faults_of(bed, bed.valves[0])
    builds = drawn(still, {}, len(faults), 1)
    builds.values.clear()
    at_rest(builds)
    builds.broken(faults)
    builds.run(1.5, 250)
    builds.run(12.0, 250, quick=0.0)
    expected, load = overloads(bed, faults, engines.Run())
    # An open grid is nowhere in particular, and a capacitor behind an open dropper has hours.
    nowhere = [fault.kind == "open" and ("stopper" in fault.part or "dropper" in fault.part) for fault in faults]
    clear = ~np.array(nowhere) & np.isfinite(load)
    near = np.isclose(builds.moment.sensed, expected, rtol=0.02, atol=2e-4).all(axis=1)
    assert clear.sum() > 40
    assert [faults[k].name for k in np.flatnonzero(clear & ~near)] == []


@pytest.mark.parametrize("words", ["anode to cathode", "leaks 100 kohm", "half of its value", "without emission"])
def test_faults_in_time_are_the_simulators(room: Guard, still: Network, words: str) -> None:
    bed = room.bed
    fault = next(fault for fault in faults_of(bed, bed.valves[0]) if words in fault.name)
    samples, rate = 376, 250
    switch = protocol.Pwl((0.0, 0.5, 0.501), (0.0, 0.0, 1.0))
    pins = tuple(valve.pin for valve in bed.valves)
    run = protocol.TransientRun((samples - 1) / rate, 0.004, pins, (switch,), "v_test_onset", samples=samples)
    (reply,) = engines.run(protocol.NetlistTable(in_time(bed, fault)), [run], engines.Run(workers=1))
    assert reply.reasons == [""]
    expected = np.stack([reply.values[pin][0] for pin in pins], axis=-1)[126:]
    builds = drawn(still, {}, 1, 1)
    builds.values.clear()
    at_rest(builds)
    builds.broken([fault])
    found = builds.run(1.0, rate, quick=1.0, finest=0.001)[0]
    # Steps of a millisecond and a switch of as much: some per cent of the change while it is quick.
    change = np.abs(expected[-1] - expected[0]).max() + 0.02
    assert np.abs(found - expected[:250]).max() < 0.06 * change + 0.02 * expected.max()
    assert found[-1] == pytest.approx(expected[249], rel=0.01, abs=0.01 * change)


def test_a_hot_start_is_the_simulators(room: Guard, still: Network) -> None:
    """All capacitors empty, cathodes hot, and the mains comes at once."""
    bed = room.bed
    pins = tuple(valve.pin for valve in bed.valves)
    run = protocol.TransientRun(249 / 250, 0.002, pins, samples=250, initial="zero")
    (reply,) = engines.run(protocol.NetlistTable(bed.bed.text), [run], engines.Run(workers=1))
    assert reply.reasons == [""]
    expected = np.stack([reply.values[pin][0] for pin in pins], axis=-1)
    builds = drawn(still, {}, 1, 1)
    builds.values.clear()
    builds.temperature[:] = HOT
    found = builds.run(1.0, 250, quick=1.0, finest=0.001)[0]
    assert found.max() == pytest.approx(expected.max(), rel=0.03)
    assert np.abs(found[:-1] - expected[1:]).max() < 0.05 * expected.max()


# Heat


def test_a_cathode_cools_by_radiation() -> None:
    # dT/dt = -T^4/(4 T0^3 tau) gives T = T0 (1 + 3t/(4 tau))^(-1/3); the room's own radiation is a hundredth of a
    # cathode's at half of its temperature.
    temperature, slowness = np.full((1, 1), HOT), np.full((1, 1), 10.0)
    for _ in range(2000):
        temperature = warmed(temperature, slowness, 0.01, False)
    assert temperature[0, 0] == pytest.approx(HOT * 2.5 ** (-1.0 / 3.0), rel=0.01)


def test_a_cathode_warms_up_to_its_temperature() -> None:
    temperature, slowness = np.full((1, 3), ROOM), np.array([[SLOWNESS[0], 6.0, SLOWNESS[1]]])
    ready = np.zeros(3)
    for k in range(18000):
        temperature = warmed(temperature, slowness, 0.01, True)
        ready = np.where((ready == 0.0) & (warmth(temperature)[0] > 0.9), 0.01 * (k + 1), ready)
    assert temperature == pytest.approx(np.full((1, 3), HOT), rel=0.01)
    # Common practice, no source: valves are ready 8 to 30 s after switching on.
    assert (ready > 8.0).all()
    assert (ready < 32.0).all()


def test_emission_follows_richardson_and_dushman() -> None:
    assert warmth(np.array([HOT]))[0] == pytest.approx(1.0)
    # Where little is emitted all of it flows: the ratio of two cold cathodes is T^2 exp(-phi/kT), 1 eV = 11604.5 K.
    low, high = 500.0, 520.0
    ratio = warmth(np.array([high]))[0] / warmth(np.array([low]))[0]
    assert ratio == pytest.approx((high / low) ** 2 * np.exp(11604.518 * (1.0 / low - 1.0 / high)), rel=1e-3)
    assert warmth(np.array([ROOM]))[0] < 1e-9
