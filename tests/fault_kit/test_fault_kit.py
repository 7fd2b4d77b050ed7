"""The kit of faulty builds against closed forms; and, `long`, some builds that the fault finder reads."""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from fault_kit.bench import METER, Found, Place, measure, shown
from fault_kit.build import Build, Design, Fault
from fault_kit.dangers import dangers
from fault_kit.folder import Kit, Truth, chosen, read_truth
from fault_kit.kinds import capacitors, digits_exchanged, off, resistors, transformer, valves
from fault_kit.netlist import Deck
from fault_kit.reading import names, read_folder, size_off, table
from fault_kit.supply import Curve, curve

pytestmark = pytest.mark.usefixtures("ngspice_program")

DESIGNS = Path(__file__).parent / "designs"

#: A cathode follower with a valve of straight curves, gm = 2 mA/V and mu = 20, whose grid stands at half the supply.
FOLLOWER = """
* stage.valve = 12AU7 (valve)
v_signal in 0 dc 0 ac 1
i_stage__output 0 foot dc 0
v_stage__supply rail 0 dc 200
r_stage__upper rail grid 1000000
r_stage__lower grid 0 1000000
c_stage__input in grid 1e-06
b_stage__v1_ia ia 0 v=(2*(v(grid,foot)+v(rail,foot)/20))
b_stage__v1_ig ig 0 v=0
g_stage__v1_anode rail foot ia 0 0.001
g_stage__v1_grid grid foot ig 0 0.001
r_stage__cathode foot 0 20000
"""
GM, MU, VOLTS, FOOT = 2e-3, 20.0, 200.0, 20e3


def by_hand(text: str) -> Design:
    """Return a design of a netlist by hand, on a supply that never sags."""
    design = object.__new__(Design)
    design.deck, design.supply, design.channels, design.load, design.hertz = Deck(text), Deck(""), 1, 0.01, 50.0
    design.table, design.feeds, design.volts = {"main_output": "stage.output"}, ["stage.supply"], VOLTS
    design.healthy_curve = Curve((0.0, 1.0), (VOLTS, VOLTS - 1e-6), (0.0, 0.0), (0.01, 0.01))
    port = design.deck["v_stage__supply"]
    port.nodes, port.rest = ["kit_rail", "rail"], "dc 0"
    design.deck.add("v_kit_rail", ("kit_open", "kit_rail"), "dc 0")
    return design


GRID, CATHODE = Place("stage.v1.grid", "V", "grid"), Place("stage.v1.cathode", "V", "foot")
SIGNAL = Place("stage.output", "V", "foot", 1000.0)


def read(design: Design, fault: Fault | None = None) -> Found:
    build = Build(design.deck.copy(), design.supply)
    if fault is not None:
        fault.change(build)
    current = Place("stage.v1.cathode_current", "A", "v_pin_stage__v1_cathode")
    return measure(design, build, [GRID, CATHODE, current, SIGNAL], level=0.1)


def fault_of(design: Design, kind: str, part: str) -> Fault:
    chance = np.random.default_rng(1)
    return next(fault for make in (resistors, capacitors, valves, transformer) for fault in make(design, chance)
                if (fault.kind, fault.part) == (kind, part))  # fmt: skip


def cathode(grid: float, resistance: float = FOOT, gm: float = GM) -> float:
    """Return the follower's cathode voltage: current through the resistor is the valve's."""
    return gm * (grid + VOLTS / MU) / (1.0 / resistance + gm * (1.0 + 1.0 / MU))


def test_a_divider_and_a_cathode_follower_as_a_meter_reads_them() -> None:
    found = read(by_hand(FOLLOWER)).readings
    # A divider of two megohms at 200 V with a meter of 10 megohm across its lower half.
    assert found[GRID] == pytest.approx(100.0 * METER / (METER + 0.5e6), rel=1e-4)
    assert found[CATHODE] == pytest.approx(cathode(100.0), rel=1e-4)
    assert next(v for p, v in found.items() if p.unit == "A") == pytest.approx(cathode(100.0) / FOOT, rel=1e-4)
    # Gain of a follower: gm*R/(1 + gm*R*(1 + 1/mu)).
    assert found[SIGNAL] == pytest.approx(0.1 * GM * FOOT / (1.0 + GM * FOOT * (1.0 + 1.0 / MU)), rel=1e-3)


def test_faults_are_what_they_are_called() -> None:
    design = by_hand(FOLLOWER)
    rest = read(design).volts
    assert rest["grid"] == pytest.approx(100.0, rel=1e-4)
    assert read(design, fault_of(design, "resistor: open", "stage.lower")).volts["grid"] == pytest.approx(200, rel=0.01)
    tenfold = read(design, fault_of(design, "resistor: ten times the value", "stage.cathode")).volts
    assert tenfold["foot"] == pytest.approx(cathode(100.0, 10.0 * FOOT), rel=1e-4)
    weak = fault_of(design, "valve: weak emission", "stage.v1")
    assert 0.4 <= weak.size <= 0.7
    assert read(design, weak).volts["foot"] == pytest.approx(cathode(100.0, gm=weak.size * GM), rel=1e-4)
    gas = fault_of(design, "valve: gas", "stage.v1")
    gassy = read(design, gas)
    anode_current = gassy.pins["stage.v1"]["anode"][1]
    # Out of the grid flows its share of the anode's current, into half a megohm; the share counts what it adds.
    assert gassy.volts["grid"] - 100.0 == pytest.approx(0.5e6 * gas.size * anode_current, rel=1e-2)
    leak = fault_of(design, "capacitor: leaky", "stage.input")
    assert read(design, leak).volts["grid"] == pytest.approx(200.0 / (1.0 + 1e6 * (1e-6 + 1.0 / leak.size)), rel=1e-3)
    touching = read(design, fault_of(design, "valve: cathode touches grid", "stage.v1")).volts
    assert touching["foot"] == pytest.approx(touching["grid"], abs=0.1)
    pulled = read(design, fault_of(design, "valve: pulled", "stage.v1"))
    assert pulled.volts["foot"] == pytest.approx(0.0, abs=0.01)
    assert pulled.readings[SIGNAL] == pytest.approx(0.0, abs=1e-6)


def test_a_broken_lead_takes_its_current_along() -> None:
    deck = Deck("v_one a b dc 0\nr_b b 0 10\nf_copy 0 c v_one 1.0\nb_twice d 0 v=2*i(v_one)\n")
    build = Build(deck, deck)
    off("v_one", build)
    assert deck["f_copy"].rest == "v_kit_v_one 1.0"
    assert deck["b_twice"].rest == "v=2*i(v_kit_v_one)"
    assert "v_one" not in deck.devices


def test_dangers_come_from_the_build() -> None:
    design = by_hand(FOLLOWER)
    design.table["parts"] = {"wattage": "0.5 W"}
    healthy = read(design)
    assert dangers(design, Build(design.deck, design.supply), healthy, healthy) == []
    build = Build(design.deck.copy(), design.supply)
    fault_of(design, "resistor: a tenth of the value", "stage.cathode").change(build)
    faulty = measure(design, build, [], level=0.1)
    watts = cathode(100.0, 0.1 * FOOT) ** 2 / (0.1 * FOOT)
    assert watts > 1.0
    assert any(word.startswith(f"stage.cathode: {watts:.3g} W") for word in dangers(design, build, healthy, faulty))
    # The 12AU7 is rated for 2.75 W of a triode (design-centre, as its file has it).
    amps = cathode(100.0, 0.1 * FOOT) / (0.1 * FOOT)
    assert (VOLTS - cathode(100.0, 0.1 * FOOT)) * amps > 1.25 * 2.75
    assert any("stage.v1: anode dissipation" in word for word in dangers(design, build, healthy, faulty))


#: Two silicon diodes on a centre tap, a reservoir, a choke: the names are those of the netlist of a supply.
SUPPLY = """
v_signal n_signal 0 dc 0
v_winding n_winding 0 dc 200
b_winding_a n_winding_a 0 v=v(n_signal)*v(n_winding)
b_winding_b n_winding_b 0 v=0-v(n_signal)*v(n_winding)
r_winding_a n_winding_a n_hot_a 10
r_winding_b n_winding_b n_hot_b 10
g_v1_anode n_hot_a n_reservoir ia 0 1
b_v1 ia 0 v=max(0,v(n_hot_a,n_reservoir))*0.1
g_v2_anode n_hot_b n_reservoir ib 0 1
b_v2 ib 0 v=max(0,v(n_hot_b,n_reservoir))*0.1
c_reservoir n_reservoir 0 220u
r_choke n_reservoir n_out 100
c_filter n_out 0 1u
v_load n_load 0 dc 0
b_load n_out 0 i=v(n_load)*v(n_out)/sqrt(v(n_out)*v(n_out)+25)
"""


def test_a_supply_at_its_peak_and_below() -> None:
    found = curve(Deck(SUPPLY), 0.05)
    assert found.volts[0] == pytest.approx(math.sqrt(2.0) * 200.0, rel=2e-3)
    # A conductance of the diodes of 0.1 S and 10 ohm of copper are 20 ohm in the way of pulses; the filter's 100 ohm
    # carry the load. Ripple of a reservoir: below I/(2*f*C) peak to peak.
    drop = found.volts[0] - found.volts[2]
    assert 0.04 * 100.0 + 0.04 * 20.0 < drop < 40.0
    assert 0.0 < found.ripples[2] < 0.04 / (2.0 * 50.0 * 220e-6)
    assert found.copper[2] > 0.04 / 2.0
    assert found.scaled(1.1).volts[0] == pytest.approx(1.1 * found.volts[0])


def test_a_short_in_the_supply_takes_the_fuse() -> None:
    design = by_hand(FOLLOWER)
    design.supply, design.load = Deck(SUPPLY), 0.05
    design.healthy_curve = curve(design.supply, design.load)
    healthy, shorted = (Build(design.deck.copy(), design.supply.copy(), supply_changed=True) for _ in range(2))
    shorted.supply.add("r_short", ("n_reservoir", "0"), "0.5")
    assert design.supplied(healthy)[1].volts == pytest.approx(design.healthy_curve.volts)
    assert max(design.supplied(shorted)[1].volts) < 0.1


def test_sizes_are_held_to_what_was_meant() -> None:
    def off(size: float, meant: float, unit: str, true: float) -> float:
        suspect = SimpleNamespace(part="a.b resistor", kind="too high", size=size, meant=meant, unit=unit)
        truth = Truth("", "", "a.b", ("a.b",), true, (), False)
        return size_off(SimpleNamespace(faults=(suspect,)), truth)

    assert off(1500.0, 1000.0, "ohm", 1.5) == pytest.approx(0.0)
    assert off(1200.0, 1000.0, "ohm", 1.5) == pytest.approx(0.2)
    assert off(1e4, math.nan, "ohm", 2e4) == pytest.approx(0.5)  # a leak
    assert off(0.5, math.nan, "", 0.4) == pytest.approx(0.25)  # a share of what is usual
    assert math.isnan(off(math.nan, 1.0, "ohm", 1.5))


def test_meters_err_within_their_marks() -> None:
    found = Found({CATHODE: 100.0, SIGNAL: 1.0})
    read = [shown(found, np.random.default_rng(seed)) for seed in range(200)]
    assert all(abs(each[CATHODE] - 100.0) <= 1.0 + 0.06 for each in read)
    assert all(abs(each[SIGNAL] - 1.0) <= 0.03 + 0.001 for each in read)
    assert np.std([each[SIGNAL] for each in read]) > 0.01


@pytest.mark.parametrize(("given", "wrong"), [(180.0, 810.0), (4700.0, 7400.0), (1e5, 1e6), (220.0, 2200.0)])
def test_exchanged_digits(given: float, wrong: float) -> None:
    assert digits_exchanged(given) == pytest.approx(wrong)


def test_naming_is_by_part() -> None:
    assert names("driver.anode resistor", ["driver.anode"])
    assert names("driver.anode_resistor", ["driver.anode"])
    assert names("power.valve", ["power.v1", "power.valve"])
    assert not names("driver.anode resistor", ["driver.cathode"])
    assert not names("every part", ["power.v1"])


def test_every_kind_comes_before_any_comes_twice() -> None:
    given = [Fault(kind, part, (part,), lambda build: None) for kind in "abc" for part in ("x.1", "y.1", "z.1")]
    found = [fault.kind for fault in chosen(given, 6, np.random.default_rng(0), "y")]
    assert sorted(found) == ["a", "a", "b", "b", "c", "c"]
    assert sorted(found[:3]) == ["a", "b", "c"]


@pytest.mark.long
@pytest.mark.parametrize("design", ["reading_room", "single_ended_300b", "headphone", "el84_pair"])
def test_builds_that_the_finder_reads(design: str, tmp_path: Path) -> None:
    kit = Kit(DESIGNS / f"{design}.toml", 7)
    assert design != "reading_room" or len({fault.kind for fault in kit.faults}) >= 60
    written = kit.write(tmp_path, 30, 25)
    assert [t.row() for t in read_truth(tmp_path)] == [t.row() for t in written]
    assert len(written) >= 27
    answers = read_folder(kit.design.path, tmp_path, [12])
    print(*table(answers), sep="\n")
    faulty = [answer for answer in answers if answer.truth.kind != "healthy"]
    assert sum(answer.rank == 1 for answer in faulty) > 0.2 * len(faulty)
