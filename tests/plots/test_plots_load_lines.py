"""Load lines against what the valve sees in its stage: at rest on every supply voltage, and for a small signal."""

from __future__ import annotations

from typing import Any

import pytest
from simwrap.plots.load_lines import Bias, load_lines
from stage_runs import at, operating

import simwrap


def rest_of(stage: Any, instance: str) -> tuple[dict[str, float], Any]:
    """Return voltages to the cathode and the valve's currents at rest, from the nodes of the stage."""
    nodes, volts = stage.valves[instance].nodes, operating(stage)
    to_cathode = {name: volts[node] - volts[nodes["cathode"]] for name, node in nodes.items() if node in volts}
    valve = stage.valves[instance].valve
    return to_cathode, valve.currents(to_cathode["anode"], to_cathode["grid"], to_cathode.get("screen"))


def tap_of(stage: Any) -> float:
    tap = {"triode": 1.0, "ultra_linear": stage.values.get("screen_tap")}.get(stage.values.get("connection"), 0.0)
    return float(tap) if stage.valves["v1"].valve.kind == "pentode" else 0.0


def lines_of(stage: Any, instance: str = "v1") -> list[Any]:
    volts, flow = rest_of(stage, instance)
    amps = float(flow.anode + tap_of(stage) * flow.screen)
    share = float(flow.anode + flow.screen + flow.grid) / amps
    return load_lines(stage, instance, Bias(volts["anode"], amps, share))


def seen(stage: Any, instance: str = "v1", frequency: float = 1000.0) -> float:
    """Return the resistance [ohm] that a small signal finds: anode-cathode voltage over the valve's own current."""
    valve, nodes = stage.valves[instance].valve, stage.valves[instance].nodes
    rest, _ = rest_of(stage, instance)
    names = [name for name in ("anode", "grid", "screen") if name in rest]
    signal = dict(zip([*names, "cathode"], at(stage, frequency, *(nodes[n] for n in [*names, "cathode"])), strict=True))
    change = {name: complex(signal[name] - signal["cathode"]) for name in names}
    current = 0.0j
    for name in names:
        step = 1e-4 * max(abs(rest[name]), 1.0)
        up, down = (valve.currents(*(rest.get(n, 0.0) + sign * step * (n == name) for n in ("anode", "grid", "screen")))
                    for sign in (1, -1))  # fmt: skip
        slope = ((up.anode + tap_of(stage) * up.screen) - (down.anode + tap_of(stage) * down.screen)) / (2.0 * step)
        current += float(slope) * change[name]
    resistance = -change["anode"] / current
    assert abs(resistance.imag) < 0.1 * abs(resistance.real)
    return float(abs(resistance))


#: Stages whose d.c. line is the whole way of the current, so that it ends at the supply.
CASES: list[tuple[str, str, dict[str, Any]]] = [
    ("triode_gain", "v1", {}),
    ("triode_gain", "v1", {"cathode_capacitor": 0.0}),
    ("triode_gain", "v1", {"unbypassed_resistor": 680.0, "load_resistor": 220e3}),
    ("pentode_gain", "v1", {}),
    ("pentode_gain", "v1", {"cathode_capacitor": 0.0}),
    ("two_stage_preamplifier", "v1", {}),
    ("two_stage_preamplifier", "v2", {}),
    ("two_stage_preamplifier", "v1", {"volume_taper": "logarithmic"}),
    ("cathodyne", "v1", {}),
    ("cathodyne", "v1", {"bias": "self", "bias_capacitor": 100e-6}),
    ("cathode_follower", "v1", {}),
    ("cathode_follower", "v1", {"bias": "direct"}),
    ("cathode_follower", "v1", {"bias": "direct", "anode_resistor": 4.7e3}),
    ("single_ended_output", "v1", {}),
    ("single_ended_output", "v1", {"connection": "triode"}),
    ("single_ended_output", "v1", {"connection": "ultra_linear"}),
    ("single_ended_output", "v1", {"transformer": "ideal", "bias": "fixed"}),
    ("single_ended_output", "v1", {"valve": "300B", "supply": 370.0, "cathode_resistor": 1e3, "anode_load": 3.5e3}),
    ("push_pull_output", "v1", {}),
    ("push_pull_output", "v2", {"bias": "fixed", "sense_resistor": 10.0}),
    ("push_pull_output", "v1", {"cathode_connection": "separate", "cathode_resistor": 540.0, "cathode_capacitor": 0.0}),
    ("push_pull_output", "v1", {"connection": "ultra_linear"}),
    ("push_pull_output", "v1", {"connection": "triode", "transformer": "ideal"}),
]


@pytest.mark.parametrize(("name", "instance", "values"), CASES)
def test_lines_are_those_that_the_valve_sees(name: str, instance: str, values: dict[str, Any]) -> None:
    stage = simwrap.stage(name, **values)
    lines = lines_of(stage, instance)
    direct, signal = lines[0], next((line for line in lines if not line.direct), lines[0])
    assert direct.volts == pytest.approx(float(stage.values["supply"]), rel=2e-3)
    assert signal.resistance == pytest.approx(seen(stage, instance), rel=0.015)
    assert signal.name.startswith("a.c. load, ")


@pytest.mark.parametrize("transformer", ["real", "ideal"])
def test_one_valve_alone_sees_a_quarter_of_the_load(transformer: str) -> None:
    """Both lines of a pair meet where the current has doubled: there the other valve is left without any."""
    stage = simwrap.stage("push_pull_output", transformer=transformer)
    both, alone = (line for line in lines_of(stage) if not line.direct)
    rest, flow = rest_of(stage, "v1")
    doubled = 2.0 * float(flow.anode)
    assert both.volts - doubled * both.resistance == pytest.approx(alone.volts - doubled * alone.resistance)
    assert both.volts - float(flow.anode) * both.resistance == pytest.approx(rest["anode"])
    assert "Raa/2" in both.name
    assert "both valves conduct" in both.name
    assert "Raa/4" in alone.name
    assert "the other is cut off" in alone.name
    if transformer == "ideal":
        assert (both.resistance, alone.resistance) == (4000.0, 2000.0)
        assert "losses" not in alone.name
        # Without drop in a winding, one valve alone starts where both are at rest.
        assert alone.volts == pytest.approx(rest["anode"])


def test_the_alone_line_holds_for_a_valve_whose_twin_is_cut_off() -> None:
    """The second valve biased to nothing: the first one's small signal finds a quarter of the load."""
    stage = simwrap.stage("push_pull_output", transformer="ideal", bias="fixed", bias_difference=-100.0)
    assert float(rest_of(stage, "v2")[1].anode) < 1e-6
    alone = next(line for line in lines_of(stage) if "Raa/4" in line.name)
    assert alone.resistance == pytest.approx(seen(stage), rel=0.015)


@pytest.mark.parametrize("instance", ["v1", "v2"])
def test_the_halves_of_a_long_tailed_pair(instance: str) -> None:
    """With cathodes that stand still: the anode's resistor, and its load beside it for the signal."""
    stage = simwrap.stage("long_tailed_pair", anode_resistor_b=120e3)
    anode = 100e3 if instance == "v1" else 120e3
    direct, signal = lines_of(stage, instance)
    assert direct.resistance == anode
    assert signal.resistance == pytest.approx(anode * 470e3 / (anode + 470e3))


def test_a_direct_coupled_load_is_part_of_the_d_c_line() -> None:
    stage = simwrap.stage("triode_gain", coupling_capacitor=0.0)
    direct, signal = lines_of(stage)
    joined = 1.0 / (1.0 / 100e3 + 1.0 / 1e6)
    assert direct.resistance == pytest.approx(joined + 1500.0)
    assert signal.resistance == pytest.approx(joined)
    assert direct.volts == pytest.approx(300.0 * 10.0 / 11.0, rel=2e-3)


def test_a_load_that_goes_with_the_frequency_has_no_line() -> None:
    (direct,) = lines_of(simwrap.stage("tone_feedback", amplifier="triode"))
    assert direct.direct
    assert direct.volts == pytest.approx(285.0, rel=2e-3)
    nothing = type("Bare", (), {"values": {"filter": "choke"}})()
    assert load_lines(nothing, "v1", Bias(100.0, 1e-3)) == []
