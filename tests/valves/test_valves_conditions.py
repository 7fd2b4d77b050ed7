"""Published operating conditions of output valves: short names, and a stage that is like them."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

import simwrap
from simwrap.errors import InputError, UnknownNameError
from simwrap.valves import get_valve, valve_names
from simwrap.valves.conditions import _OF_A_CIRCUIT, STAGES, conditions, stage_values
from simwrap.valves.schema import OutputRow

SECTIONS = [(name, kind) for name in valve_names() for kind in get_valve(name).kinds]


@pytest.mark.parametrize(("name", "kind"), SECTIONS)
def test_names_are_unique_and_every_row_has_one(name: str, kind: Any) -> None:
    valve = get_valve(name, kind=kind)
    found = conditions(valve)
    assert len(found) <= len(valve.outputs)
    assert bool(found) == bool(valve.outputs)
    # No two are the same circuit.
    circuits = [tuple(getattr(row, key) for key in _OF_A_CIRCUIT) for row in found.values()]
    assert len(set(circuits)) == len(circuits)
    assert all(key.startswith(("single-ended", "push-pull")) and key == key.strip() for key in found)


def test_a_stage_is_as_the_sheet_has_it() -> None:
    """EL84, pair, 300 V, 130 ohm common, 8 kohm, 10 V r.m.s. at each grid (Philips EL84 sheet)."""
    made = simwrap.stage("push_pull_output", valve="EL84", like="push-pull 300 V cathode bias")
    wanted = {
        "supply": 300.0, "screen_supply": 300.0, "bias": "cathode", "cathode_resistor": 130.0,
        "cathode_connection": "shared", "anode_to_anode_load": 8000.0, "drive": 10.0, "connection": "pentode",
    }  # fmt: skip
    assert {key: made.values[key] for key in wanted} == wanted
    # What the sheet doesn't say stays as it is.
    plain = simwrap.stage("push_pull_output", valve="EL84")
    kept = set(plain.values) - set(wanted)
    assert {key: made.values[key] for key in kept} == {key: plain.values[key] for key in kept}
    # The sheet's 72 mA for the pair at rest; the model's own error there stands in its proof, 1 %.
    found = simwrap.measure(made.replace(transformer="ideal"), ["bias"]).bias.valves
    assert found.v1.anode_current + found.v2.anode_current == pytest.approx(0.072, rel=0.03)


def test_values_that_are_given_go_before() -> None:
    made = simwrap.stage("push_pull_output", valve="EL84", like="PUSH-PULL 300 v cathode bias", supply="310 V")
    assert made.values["supply"] == 310.0
    assert made.values["screen_supply"] == 300.0


def test_voltages_to_the_cathode_have_the_cathodes_added() -> None:
    """6V6GT, 250 V and -12.5 V (RCA sheet): nothing is added to a fixed bias; with a resistor its voltage is."""
    fixed = simwrap.stage("single_ended_output", valve="6V6GT", like="single-ended 250 V")
    assert (fixed.values["supply"], fixed.values["bias"], fixed.values["grid_bias"]) == (250.0, "fixed", -12.5)
    assert fixed.values["drive"] == pytest.approx(12.5 / 2**0.5)  # printed as a peak
    row = OutputRow(source="s", topology="SE", load=5e3, anode_voltage=250.0, screen_voltage=250.0, grid_voltage=-12.5,
                    cathode_resistor=250.0, anode_current_zero=0.045)  # fmt: skip
    values = stage_values(row, get_valve("6V6GT"))
    assert (values["supply"], values["screen_supply"], values["cathode_resistor"]) == (262.5, 262.5, 250.0)
    assert "drive" not in values
    assert "grid_bias" not in values
    # Without a printed bias: 270 ohm carries 45 + 4.5 mA, 13.4 V; of a pair with a resistor each, half of the pair's.
    alone = dataclasses.replace(row, grid_voltage=None, cathode_resistor=270.0, screen_current_zero=0.0045)
    assert stage_values(alone, get_valve("6V6GT"))["supply"] == pytest.approx(250 + 270 * 0.0495)
    pair = dataclasses.replace(alone, topology="PP", cathode_connection="separate")
    assert stage_values(pair, get_valve("6V6GT"))["supply"] == pytest.approx(250 + 270 * 0.0495 / 2)
    total = dataclasses.replace(alone, total_current=True)
    assert stage_values(total, get_valve("6V6GT"))["supply"] == pytest.approx(250 + 270 * 0.045)


def test_a_triode_gets_no_screen() -> None:
    values = simwrap.stage("single_ended_output", valve="300B", like="single-ended 300 V").values
    default = simwrap.stage("single_ended_output", valve="300B").values
    assert values["screen_supply"] == default["screen_supply"]
    assert values["supply"] == 300.0


@pytest.mark.parametrize(("name", "kind"), [(n, k) for n, k in SECTIONS if get_valve(n, kind=k).outputs])
def test_every_row_makes_a_stage_or_says_what_it_lacks(name: str, kind: Any) -> None:
    valve = get_valve(name, kind=kind)
    for key, row in conditions(valve).items():
        needs_current = row.supply is None and row.grid_voltage is None and row.cathode_resistor is not None
        if needs_current and row.anode_current_zero is None:
            with pytest.raises(InputError, match="quiescent current"):
                simwrap.stage(STAGES[row.topology], valve=name, like=key)
            continue
        stage = simwrap.stage(STAGES[row.topology], valve=name, like=key)
        assert stage.values["anode_to_anode_load" if row.topology == "PP" else "anode_load"] == row.load


@pytest.mark.parametrize(
    ("stage", "values", "said"),
    [
        ("triode_gain", {}, "only single_ended_output and push_pull_output have"),
        ("tone_passive", {}, "has no valve"),
        ("single_ended_output", {"valve": "6SN7GT"}, "no published operating conditions"),
    ],
)
def test_what_has_none_refuses(stage: str, values: dict[str, Any], said: str) -> None:
    with pytest.raises(InputError, match=said):
        simwrap.stage(stage, like="single-ended 250 V", **values)


def test_a_wrong_name_says_which_there_are() -> None:
    with pytest.raises(UnknownNameError) as fault:
        simwrap.stage("single_ended_output", valve="EL84", like="push-pull 300 V cathode bias")
    assert set(fault.value.accepted) == {key for key in conditions(get_valve("EL84")) if key.startswith("single-ended")}
