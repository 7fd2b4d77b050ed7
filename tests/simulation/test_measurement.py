"""A measurement: a mapping that can be copied, compared, pickled, and turned into a Dataset or JSON."""

from __future__ import annotations

import copy
import json
import math
import pickle
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simwrap
from simwrap.errors import EngineError, InputError, NetlistError, RangeError
from simwrap.simulation import as_json
from simwrap.simulation.dataset import NOTES, conditions_of

STAGE = simwrap.stage("triode_gain")


@pytest.fixture(scope="module")
def found() -> simwrap.Measurement:
    return simwrap.measure(STAGE, ["bias", "response", "impedance"])


def leaves(tree: Mapping[str, Any], start: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in tree.items():
        flat |= leaves(value, f"{start}{key}.") if isinstance(value, Mapping) else {f"{start}{key}": value}
    return flat


def test_a_figure_has_one_name_everywhere(found: simwrap.Measurement) -> None:
    data = found.to_dataset()
    told = found.to_dict()
    names = leaves(found)
    assert set(names) == (set(data.variables) - set(NOTES))
    for name, value in names.items():
        attribute: Any = found
        branch: Any = told
        for part in name.split("."):
            attribute, branch = getattr(attribute, part), branch[part]
        np.testing.assert_array_equal(attribute, value)
        np.testing.assert_array_equal(found[name], value)
        np.testing.assert_array_equal(data[name].values, value)
        assert branch == as_json.plain(value)


def test_it_is_a_mapping(found: simwrap.Measurement) -> None:
    assert list(found) == list(found.keys()) == ["bias", "response", "impedance"]
    assert "bias" in found
    assert "headroom" not in found
    assert "gain" in found.response
    assert list(dict(found.bias.valves)) == ["v1"]
    valve = dict(found.bias.valves.v1)
    assert valve["anode_current"] == found.bias.valves.v1.anode_current
    assert len(found.response) == len(list(found.response))
    assert found.get("headroom") is None
    with pytest.raises(KeyError):
        found["headroom"]
    with pytest.raises(AttributeError, match="headroom was not measured; there is bias, response, impedance"):
        _ = found.headroom
    with pytest.raises(AttributeError, match="response has no gian"):
        _ = found.response.gian


@pytest.mark.parametrize("way", [copy.copy, copy.deepcopy, lambda one: pickle.loads(pickle.dumps(one))])
def test_copies_and_pickles_are_equal(found: simwrap.Measurement, way: Any) -> None:
    again = way(found)
    assert again == found
    assert again.to_dict() == found.to_dict()
    assert way(found.bias.valves) == found.bias.valves
    assert way(found.stage) == found.stage
    assert again != simwrap.measure(STAGE.replace(supply=250), ["bias", "response", "impedance"])
    assert again.bias != simwrap.measure(STAGE.replace(supply=250), ["bias"]).bias
    assert found != "found"
    with pytest.raises(TypeError, match="unhashable"):
        hash(again)


def measured(resistor: float) -> Any:
    stage = simwrap.stage("triode_gain", cathode_resistor=resistor)
    return stage, simwrap.measure(stage, ["bias", "response"])


def test_a_process_pool_returns_stages_and_measurements() -> None:
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for resistor, (stage, result) in zip((1e3, 2e3), pool.map(measured, (1e3, 2e3)), strict=True):
            here = measured(resistor)
            assert stage == here[0]
            assert result.stage == stage
            assert result == here[1]


def test_the_dataset_of_one_point_is_that_of_a_sweep(found: simwrap.Measurement) -> None:
    data = found.to_dataset()
    swept = simwrap.sweep(STAGE, {"supply": [300.0]}, ["bias", "response", "impedance"]).isel(supply=0)
    assert set(data.variables) == set(swept.variables) - {"supply"}
    for name, variable in data.variables.items():
        assert variable.dims == swept[name].dims
        assert variable.attrs == swept[name].attrs
        if variable.dtype.kind == "f":
            np.testing.assert_allclose(variable.values, swept[name].values, rtol=1e-9, atol=1e-15)
    assert data["response.gain"].dims == ()
    assert data["response.curve_db"].dims == ("response.frequency",)
    assert data.attrs["stage"] == "triode_gain"
    assert conditions_of(data, "response")["reference_frequency"] == "1 kHz"
    assert {data[name].attrs["units"] for name in ("response.gain", "response.midband_gain")} == {"1"}
    assert data["response.phase"].attrs["units"] == "degree"
    assert data["bias.valves.v1.anode_dissipation_share"].attrs["units"] == "%"
    assert "units" not in data["bias.valves.v1.type"].attrs


def test_a_dataset_of_one_point_lives_through_a_file(found: simwrap.Measurement, tmp_path: Path) -> None:
    from simwrap.simulation.sweep import load, save

    data = found.to_dataset()
    save(data, tmp_path / "point.nc")
    assert load(tmp_path / "point.nc").equals(data)


def test_json_is_what_its_module_says(found: simwrap.Measurement) -> None:
    """Every key is described, and what is described is there."""
    described = as_json.__doc__ or ""
    one, sweep = described.split("A sweep is one object::")
    told = found.to_dict()
    keys = {line.split()[0] for line in one.split("::\n")[1].splitlines() if line.startswith("    ")}
    assert keys - {"<measure>"} == set(told) - set(found)
    data = as_json.dataset_json(simwrap.sweep(STAGE, {"supply": [250, 300]}, ["bias"]))
    keys = {line.split()[0] for line in sweep.split("A finding")[0].splitlines() if line.startswith("    ")}
    assert keys == set(data)
    assert told["schema"] == data["schema"] == as_json.SCHEMA
    assert set(data["variables"]["bias.valves.v1.anode_current"]) == {"dims", "units", "values"}
    assert json.loads(json.dumps(told)) == told
    numbers = {name: value for name, value in leaves(found).items() if not isinstance(value, str)}
    assert told["infinite"] == [name for name, value in numbers.items() if np.isinf(value).any()]


@pytest.mark.parametrize("name", ["ECC83", "ecc83", "12AX7"])
def test_a_swept_valve_is_selected_by_the_designation_that_was_given(name: str) -> None:
    data = simwrap.sweep(STAGE, {"valve": [name, "12AU7"]}, ["bias", "response"])
    spelled = name.upper()
    assert data["valve"].values.tolist() == [spelled, "12AU7"]
    own = simwrap.measure(STAGE.replace(valve=name), ["response"])
    assert float(data["response.gain"].sel(valve=spelled)) == pytest.approx(own.response.gain, rel=1e-9)
    assert data["bias.valves.v1.type"].values.tolist() == ["12AX7", "12AU7"]
    zipped = simwrap.sweep(STAGE, {"valve": [name, "12AU7"], "supply": [200, 300]}, ["bias"], zipped=True)
    assert zipped["valve"].values.tolist() == [spelled, "12AU7"]


def test_two_designations_of_one_valve_are_two_points() -> None:
    data = simwrap.sweep(STAGE, {"valve": ["12AX7", "ECC83"]}, ["response"])
    gains = [float(data["response.gain"].sel(valve=name)) for name in ("12AX7", "ECC83")]
    assert gains[0] == gains[1]
    assert math.isfinite(gains[0])


def test_a_joined_circuit_has_the_same_names_with_its_stages_in_them() -> None:
    """Names, limits, types by designation, load lines and pictures of a chain of three stages."""
    chain = simwrap.circuit(
        driver=simwrap.stage("pentode_gain", valve="6AU6", coupling_capacitor=0),
        splitter=simwrap.stage("cathodyne", valve="6SN7GT"),
        output=simwrap.stage("push_pull_output", valve="6V6GT"),
    )
    found = simwrap.measure(chain, ["bias", "load_lines"])
    assert found["bias.valves.driver.v1.anode_current"] == found.bias.valves.driver.v1.anode_current
    assert [row[0] for row in found.bias.tables()[0].rows] == ["driver.v1", "splitter.v1", "output.v1", "output.v2"]
    assert pickle.loads(pickle.dumps(found)) == found
    # The pair's halves see half of the anode-to-anode load of 8 kohm with its losses, as they do by themselves.
    alone = simwrap.measure(simwrap.stage("push_pull_output", valve="6V6GT"), ["load_lines"])
    for name in ("direct_load", "signal_load", "alone_load"):
        assert found.load_lines.valves.output.v1[name] == pytest.approx(alone.load_lines.valves.v1[name], rel=1e-3)
    assert len(found.plot("bias").axes) == 3  # the pair shares a panel
    data = simwrap.sweep(chain, {"output.valve": ["6V6GT", "6v6"], "driver.Ra": ["220k"]}, ["bias"])
    assert data["output.valve"].values.tolist() == ["6V6GT", "6V6"]
    assert data["bias.valves.driver.v1.anode_current"].dims == ("output.valve", "driver.anode_resistor")
    kept = simwrap.yield_of(data, "driver.v1.anode_current < 2 mA, output.v2.anode dissipation < 100 %")
    assert [limit.variable for limit in kept.limits] == [
        "bias.valves.driver.v1.anode_current",
        "bias.valves.output.v2.anode_dissipation_share",
    ]
    assert float(kept) == 1.0


def test_a_measure_without_meaning_takes_nothing_else_down() -> None:
    tone = simwrap.stage("tone_passive")
    found = simwrap.measure(tone, ["rejection", "response"])
    assert list(found) == ["response"]
    assert found.warnings == ["rejection: tone_passive has no supply; left out."]
    with pytest.raises(InputError, match="has no supply"):
        simwrap.measure(tone, ["rejection"])
    with pytest.warns(UserWarning, match="rejection: tone_passive has no supply; left out"):
        data = simwrap.sweep(tone, {"bass": [0.2, 0.8]}, ["rejection", "response"])
    assert (data["status"] == "").all()
    with pytest.raises(RangeError):  # a slip in an option is an error whatever else was asked for
        simwrap.measure(tone, {"rejection": {"start": -1}, "response": {}})


def test_without_a_supply_no_large_signal_is_tried() -> None:
    pair = simwrap.stage("push_pull_output", supply=0, screen_supply=0)
    found = simwrap.measure(pair, ["bias", "power", "square_wave"])
    assert list(found) == ["bias"]
    assert found.warnings == ["Nothing came of power, square_wave: every supply is 0 V, so that no valve conducts."]
    with pytest.raises(EngineError, match="every supply is 0 V"):
        simwrap.measure(pair, ["power"])


def test_a_grid_that_nothing_holds_is_one_sentence() -> None:
    """Behind a coupling capacitor a directly coupled splitter has no grid leak: its grid would drift away."""
    chain = simwrap.circuit(
        driver=simwrap.stage("pentode_gain", valve="6AU6"), splitter=simwrap.stage("cathodyne", valve="6SN7GT")
    )
    with pytest.raises(NetlistError, match=r"grid of splitter\.v1 is held by nothing.*; join it without a coupling"):
        simwrap.measure(chain, ["bias"])
    held = chain.replace(**{"driver.coupling_capacitor": 0})
    assert simwrap.measure(held, ["bias"]).bias.valves.splitter.v1.anode_current > 0.0


@pytest.mark.parametrize("grid_leak", [0, "470k"])
def test_a_grid_without_its_leak_is_named_in_a_builders_words(grid_leak: float | str) -> None:
    made = simwrap.circuit(
        driver=simwrap.stage("triode_gain"),
        power=simwrap.stage("single_ended_output", grid_leak=grid_leak),
    )
    if grid_leak:
        assert simwrap.measure(made, ["bias"]).bias.valves.power.v1.anode_current > 0.0
        return
    with pytest.raises(NetlistError) as told:
        simwrap.measure(made, ["bias"])
    said = str(told.value)
    assert "the grid of power.v1 is held by nothing" in said
    assert "give power.grid_leak a value" in said
    assert "netlist line" not in said
    assert "n_" not in said


def test_where_no_signal_comes_in_a_measure_says_so_and_takes_nothing_else_down():
    """A dropper is fed by a supply: the path from there has an answer, noise behind a source has none."""
    dropper = simwrap.stage("dropper")
    with pytest.raises(simwrap.InputError, match=r"noise: has no meaning for dropper: no signal comes in"):
        simwrap.measure(dropper, ["noise"])
    found = simwrap.measure(dropper, ["rejection", "noise"])
    # 10 kohm and 22 uF with a load of 100 kohm, at 100 Hz.
    below = 1.0 / np.hypot(1.0 + 0.1, 2 * np.pi * 100.0 * 10e3 * 22e-6)
    assert found.rejection.supplies.input.transfer == pytest.approx(below, rel=1e-3)
    assert "noise" not in found
    assert any("no signal comes in" in words for words in found.warnings)
