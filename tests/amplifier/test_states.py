"""States of a builder's day, each against figures that were found in another way."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy.linalg import expm

import simwrap
from simwrap.amplifier import kept
from simwrap.amplifier.amplifier import Amplifier
from simwrap.amplifier.discharge_times import Discharge
from simwrap.amplifier.states import State
from simwrap.amplifier.supply_match import highest, match
from simwrap.circuits.design_file import Design, read_whole_design
from simwrap.measures.numerics.discharge import Branch, highest_after

DESIGNS = Path(__file__).parent / "designs"
VALVES = ["driver.v1", "power.v1"]


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "folder", lambda: tmp_path / "cache")


@cache
def design(name: str = "single_ended_el84") -> Design:
    return read_whole_design(DESIGNS / f"{name}.toml", complete=True)


@cache
def amplifier(name: str = "single_ended_el84") -> Amplifier:
    return Amplifier(design(name))


def state(name: str) -> State:
    return amplifier().states[name]


def test_every_state_of_the_day_is_there_and_found_once() -> None:
    names = {"cold", "half supply", "warming", "at rest", "rated output", "mains 0.9", "mains 1.1",
             "after switching off", *(f"{valve} pulled" for valve in VALVES)}  # fmt: skip
    states = amplifier().states
    assert set(states) == names
    assert states["cold"] is states["cold"]
    stated = Amplifier(replace(design(), supply=None, feeds=(), levels=type(design().levels)()))
    assert set(stated.states) == names - {"half supply", "rated output"}
    with pytest.raises(KeyError):
        stated.states["half supply"]


def test_cold_no_current_flows_and_all_rails_stand_where_the_unloaded_supply_does() -> None:
    """Ohm's law: without a current there is no drop."""
    found, supply = state("cold"), amplifier().supply
    assert supply is not None
    unloaded = float(supply.supply.supply.before_warm_up.output_voltage)
    for path in ("driver.n_anode", "power.n_anode", "power.n_screen"):
        assert found.nodes[path] == pytest.approx(unloaded, rel=1e-6)
    assert found.currents == dict.fromkeys(VALVES, 0.0)
    assert found.capacitors["driver.coupling"] == pytest.approx(unloaded, rel=1e-6)
    assert found.dissipations["driver.anode"] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("name", "part", "emission"), [("half supply", 0.5, 1.0), ("mains 1.1", 1.1, 1.0), ("warming", None, 0.5)]
)
def test_without_a_signal_it_is_the_circuit_at_that_voltage(name: str, part: float | None, emission: float) -> None:
    found, rail = state(name), amplifier().rail
    volts = found.nodes["driver.n_supply"] if part is None else part * rail
    circuit = amplifier().at(volts).with_values({f"{valve}.emission": emission for valve in VALVES})
    bias = simwrap.measure(circuit, ["bias"]).bias
    for path, value in found.nodes.items():
        assert value == pytest.approx(float(bias.nodes[path]), rel=1e-6, abs=1e-3)
    for valve in VALVES:
        assert found.currents[valve] == pytest.approx(bias.valves[valve].cathode_current, rel=1e-6)
        assert found.dissipations[f"{valve}.anode"] == pytest.approx(bias.valves[valve].anode_dissipation, rel=1e-6)


def test_while_it_warms_up_the_rail_lies_above_where_supply_and_half_emission_agree() -> None:
    """The least favourable side: found again by the crossing of the supply's curve with what such valves draw."""
    weak = design().circuit.with_values({f"{valve}.emission": 0.5 for valve in VALVES})
    agreed = match(replace(design(), circuit=weak))
    rail = state("warming").nodes["driver.n_supply"]
    assert amplifier().rail < agreed.voltage < rail < state("cold").nodes["driver.n_supply"]


@pytest.mark.parametrize(("name", "part"), [("mains 0.9", 0.9), ("mains 1.1", 1.1)])
def test_on_other_mains_it_is_the_design_whose_winding_gives_as_much(name: str, part: float) -> None:
    """The supply simulated anew: what its curve bends moves a voltage by less than half a per cent."""
    supply = design().supply
    assert supply is not None
    moved = replace(design(), supply=supply.replace(winding_voltage=part * float(supply.values["winding_voltage"])))
    bias = simwrap.measure(match(moved).circuit, ["bias"]).bias
    found = state(name)
    for path in ("driver.n_anode", "power.n_anode", "power.n_screen", "power.n_cathode"):
        assert found.nodes[path] == pytest.approx(float(bias.nodes[path]), rel=5e-3)
    for valve in VALVES:
        assert found.currents[valve] == pytest.approx(bias.valves[valve].cathode_current, rel=5e-3)


def test_at_rest_it_is_what_the_audit_tells() -> None:
    found = state("at rest")
    section = next(each for each in simwrap.check(amplifier(), quick=True).sections if each.name == "bias")
    for row in section.tables[0].to_list():
        assert found.dissipations[f"{row['valve']}.anode"] == row["anode_dissipation"]
        cathode = found.nodes[f"{row['valve'].partition('.')[0]}.n_cathode"]
        anode = found.nodes[f"{row['valve'].partition('.')[0]}.n_anode"]
        assert row["anode_voltage"] == pytest.approx(anode - cathode, rel=1e-9)


@pytest.mark.parametrize("valve", VALVES)
def test_what_is_out_of_its_socket_draws_nothing_and_passes_no_rating(valve: str) -> None:
    """Its anode has the rail, less nothing; the other valve carries more than on high mains, on a higher rail."""
    found = state(f"{valve} pulled")
    (other,) = set(VALVES) - {valve}
    own = valve.partition(".")[0]
    # Nothing through its anode, whose voltage says so; a model's grid still draws its own few microamperes.
    assert found.nodes[f"{own}.n_anode"] == pytest.approx(found.nodes["driver.n_supply"], rel=1e-3)
    assert found.currents[valve] < 0.02 * state("at rest").currents[valve]
    assert found.currents[other] >= state("mains 1.1").currents[other]
    assert valve not in [finding.subject for finding in found.findings]


def test_findings_name_their_state() -> None:
    """An EL84's screen (300 V at most, from its sheet) on mains 10 % high is near its rating."""
    told = {finding.quantity: finding for finding in state("mains 1.1").findings if finding.subject == "power.v1"}
    assert told["screen voltage"].state == "at rest, mains 10 % high"
    assert told["screen voltage"].value == pytest.approx(
        state("mains 1.1").nodes["power.n_screen"] - state("mains 1.1").nodes["power.n_cathode"], rel=1e-9
    )
    assert "mains 10 % high" in told["screen voltage"].text


# After switching off


@pytest.mark.parametrize("seconds", [0.0, 1.0, 17.0, 300.0])
def test_one_capacitor_falls_as_the_closed_form(seconds: float) -> None:
    """V exp(-t / RC)."""
    held = highest_after([Branch("a", "0", 47e-6)], [Branch("a", "0", 220e3)], np.zeros(1), np.array([400.0]), seconds)
    assert held[0] == pytest.approx(400.0 * np.exp(-seconds / (220e3 * 47e-6)), rel=1e-9)


@pytest.mark.parametrize("seconds", [0.5, 5.0, 40.0])
def test_of_two_capacitors_the_worst_start_counts(seconds: float) -> None:
    """Two behind one another: the matrix exponential, from every corner of what both may hold."""
    one, other, between, bleeder = 100e-6, 22e-6, 47e3, 220e3
    rates = -np.array([[1 / between / one, -1 / between / one],
                       [-1 / between / other, (1 / between + 1 / bleeder) / other]])  # fmt: skip
    low, high = np.array([-20.0, 0.0]), np.array([350.0, 330.0])
    ends = [np.abs(expm(rates * seconds) @ np.array(start)) for start in product(*zip(low, high, strict=True))]
    held = highest_after(
        [Branch("a", "0", one), Branch("b", "0", other)], [Branch("a", "b", between), Branch("b", "0", bleeder)],
        low, high, seconds,
    )  # fmt: skip
    assert held == pytest.approx(np.max(ends, axis=0), rel=1e-9)


def test_a_minute_after_switching_off_an_amplifier_is_where_its_bleeder_brought_it() -> None:
    """Closed form of reservoir and filter on one bleeder: the choke and 90 ohm between them are nothing beside it."""
    supply, found = amplifier().supply, state("after switching off")
    assert supply is not None
    values = supply.supply.stage.values
    farads = float(values["reservoir_capacitor"]) + float(values["filter_capacitor"])
    expected = float(supply.supply.supply.discharge_from) * np.exp(-60.0 / (float(values["bleeder"]) * farads))
    assert found.capacitors["supply.filter"] == pytest.approx(expected, rel=0.02)
    assert found.capacitors["supply.filter"] >= expected  # coupling capacitors hold a little more
    assert found.findings == ()
    rows = amplifier().discharge.rows(within=30.0)
    last = rows[0]
    assert amplifier().discharge.after(last.time)[last.path] == pytest.approx(60.0, rel=1e-6)
    again = Discharge.of(design(), highest(design(), supply), supply.supply).rows(within=30.0)
    assert [(row.path, row.time) for row in rows] == [(row.path, row.time) for row in again]


def test_without_a_bleeder_the_state_says_that_it_stays_charged() -> None:
    supply = design().supply
    assert supply is not None
    bare = Amplifier(replace(design(), supply=supply.replace(bleeder=0)), quick=True)
    found = bare.states["after switching off"]
    assert [finding.code for finding in found.findings] == ["never_discharged"]
    assert found.capacitors["supply.filter"] > 300.0
    checked = next(section for section in simwrap.check(bare).sections if section.name == "supply")
    assert set(found.findings) <= set(checked.findings)


# With a signal


@pytest.mark.slow
def test_at_the_rated_output_valves_draw_what_the_supply_gives() -> None:
    """Kirchhoff: the means of all cathodes are the supply's current, which the audit prints; so do its watts."""
    made = amplifier("line_stage")
    found, (drawn, voltage) = made.states["rated output"], made.rated_rail
    assert made.design.channels * sum(found.currents.values()) == pytest.approx(drawn, rel=1e-3)
    assert found.nodes["line.n_anode"] == pytest.approx(
        voltage - found.currents["line.v1"] * float(made.circuit.values["line.anode_resistor"]), rel=1e-3
    )
    told = {line.name: line.value for section in simwrap.check(made).sections for line in section.lines}
    assert (told["rated.current"], told["rated.voltage"]) == (drawn, voltage)
    asked = ["line.n_anode", "line.n_cathode", "line.v1.anode_current"]
    emf = made.levels.overload.rated.source_emf
    level = simwrap.simulate(made.on_supply, "period", nodes=asked, level=emf)
    volts = (level["line.n_anode"] - level["line.n_cathode"]).values
    watts = float((volts * level["line.v1.anode_current"].values).mean())
    assert found.dissipations["line.v1.anode"] == pytest.approx(watts, rel=0.02)


def test_a_state_shows_itself_and_is_plain_data() -> None:
    found = state("at rest")
    assert found.to_dict()["currents"] == found.currents
    assert "power.v1" in repr(found)
    assert "<table>" in found._repr_html_()
    assert "mains 0.9" in repr(amplifier().states)
    assert "mains 0.9" in amplifier().states._ipython_key_completions_()
