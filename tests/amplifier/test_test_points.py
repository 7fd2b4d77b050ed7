"""Test points: names, values, what a meter takes away from them, and the window of healthy builds."""

from __future__ import annotations

import numpy as np
import pytest

import simwrap
from simwrap.amplifier.test_points import Allowance, quiescent_points
from simwrap.simulation.simulate import metered

FEW = Allowance(builds=40)


@pytest.fixture(scope="module")
def room() -> simwrap.circuits.circuit.Circuit:
    stages = {
        "dropper": simwrap.stage("dropper", resistor="10k", supply="300 V"),
        "driver": simwrap.stage("pentode_gain", valve="6AU6", coupling_capacitor=0, anode_resistor="150k",
                                screen_resistor="330k", cathode_resistor="680 ohm"),
        "splitter": simwrap.stage("cathodyne", valve="6SN7GT"),
    }  # fmt: skip
    joins = [
        "driver.output -> splitter.input",
        "dropper.output -> driver.supply",
        "dropper.output -> splitter.supply",
    ]
    return simwrap.circuit(stages, joins=joins)


def test_names_and_values_are_those_of_the_bias(room: simwrap.circuits.circuit.Circuit) -> None:
    points = {point.name: point for point in quiescent_points(room, allowance=FEW, workers=1)}
    bias = simwrap.measure(room, ["bias"]).bias
    assert points["dropper.input"].expected == pytest.approx(300.0, rel=1e-6)
    assert points["driver.v1.anode"].expected == bias.nodes["driver.n_anode"]
    assert points["driver.v1.anode"].figure == "bias.nodes.driver.n_anode"
    assert points["driver.v1.anode"].also == ("splitter.v1.grid",)  # one place, as no capacitor is between
    assert points["driver.v1.cathode_current"].expected == bias.valves["driver.v1"].cathode_current
    across = points["driver.anode_resistor"]
    assert across.expected == pytest.approx(bias.nodes["dropper.n_out"] - bias.nodes["driver.n_anode"], rel=1e-12)


def test_windows_hold_the_nominal_build_and_grow_with_what_varies(room: simwrap.circuits.circuit.Circuit) -> None:
    wide = quiescent_points(room, allowance=FEW, workers=1)
    narrow = quiescent_points(
        room, allowance=Allowance(builds=40, resistors="1 %", emission="2 %", mu="1 %", mains="1 %"), workers=1
    )
    for one, other in zip(wide, narrow, strict=True):
        assert one.low < one.shown < one.high, one.name
        if abs(one.expected) > 1.0:
            assert one.low < other.low < other.high < one.high, one.name


def test_a_meter_loads_as_a_resistor_does() -> None:
    """Closed form: 100 kilohm on each side of a node, and a meter of 100 kilohm, leave a third of the supply."""
    stage = simwrap.stage("dropper", supply="300 V", resistor="100k", load_resistor="100k", capacitor=0)
    (name,) = (node for path, node in stage.circuit.node_paths.items() if path == "n_out")
    shown = metered(stage.circuit, [(name, "0"), ("n_supply", name)], 100e3)
    np.testing.assert_allclose(shown, [100.0, 100.0], rtol=1e-6)


def test_one_rail_is_one_place() -> None:
    stages = {
        "one": simwrap.stage("triode_gain", supply="250 V"),
        "other": simwrap.stage("triode_gain", supply="250 V"),
    }
    both = simwrap.circuit(stages)
    apart = [point.name for point in quiescent_points(both, allowance=FEW, workers=1)]
    joined = {
        p.name: p.also for p in quiescent_points(both, rail=["one.supply", "other.supply"], allowance=FEW, workers=1)
    }
    assert {"one.supply", "other.supply"} <= set(apart)
    assert joined["one.supply"] == ("other.supply",)
    assert "other.supply" not in joined
