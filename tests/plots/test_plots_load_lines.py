"""Load lines against the parts round each valve, and against what a small signal finds there."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from stage_runs import at, operating

import simwrap
from simwrap.errors import InputError
from simwrap.plots.measures.anode_curves import lines_of as lines_in
from simwrap.plots.reader import Reader

#: Reactances at 1 kHz that the closed forms leave out: capacitors of 20 to 60 pF at the outputs, coupling and bypass
#: capacitors that are no shorts, the follower's bootstrapped leak (0.4 %), a transformer's leakage and capacitances
#: (0.35 %, and beside 540 ohm at the cathodes 0.6 %).
MIDBAND = 0.007


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
    data = simwrap.measure(stage, ["bias", "load_lines"]).to_dataset()
    return lines_in(Reader("bias", data, stage), instance)


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


DIRECTLY_HEATED = {"valve": "300B", "supply": 370.0, "cathode_resistor": 1e3, "anode_load": 3.5e3}
UNBYPASSED = {"cathode_connection": "separate", "cathode_resistor": 540.0, "cathode_capacitor": 0.0}

#: Stages whose d.c. line is the whole way of the current, so that it ends at the supply, and the resistances that
#: their parts add up to for slow changes and for the signal: capacitors open and shorts, windings their wire.
CASES: list[tuple[str, str, dict[str, Any], float, float]] = [
    ("triode_gain", "v1", {}, 101.5e3, 100e3 / 1.1),
    ("triode_gain", "v1", {"cathode_capacitor": 0.0}, 101.5e3, 100e3 / 1.1 + 1500.0),
    ("triode_gain", "v1", {"unbypassed_resistor": 680.0, "load_resistor": 220e3}, 102.18e3, 69.43e3),
    ("pentode_gain", "v1", {}, 221.43e3, 180.33e3),
    ("pentode_gain", "v1", {"cathode_capacitor": 0.0}, 221.43e3, 181.75e3),
    ("two_stage_preamplifier", "v1", {}, 124.2e3, 100e3 / (1 + 10 / 47)),
    ("two_stage_preamplifier", "v2", {}, 48.5e3, 33.473e3),
    ("two_stage_preamplifier", "v1", {"volume_taper": "logarithmic"}, 124.2e3, 100e3 / (1 + 10 / 47)),
    ("cathodyne", "v1", {}, 44e3, 2 * 22e3 / (1 + 22 / 470)),
    ("cathodyne", "v1", {"bias": "self", "bias_capacitor": 100e-6}, 45.2e3, 2 * 22e3 / (1 + 22 / 470)),
    ("cathode_follower", "v1", {}, 23e3, 18.699e3),
    ("cathode_follower", "v1", {"bias": "direct"}, 22e3, 22e3 / 1.22),
    ("cathode_follower", "v1", {"bias": "direct", "anode_resistor": 4.7e3}, 26.7e3, 22e3 / 1.22 + 4.7e3),
    ("single_ended_output", "v1", {}, 597.3, 5288.0),
    ("single_ended_output", "v1", {"connection": "triode"}, 570.0, 5288.0),
    ("single_ended_output", "v1", {"connection": "ultra_linear"}, 584.6, 5288.0),
    ("single_ended_output", "v1", {"transformer": "ideal", "bias": "fixed"}, 0.0, 5000.0),
    ("single_ended_output", "v1", DIRECTLY_HEATED, 1300.0, 3844.7),
    ("push_pull_output", "v1", {}, 742.1, 4180.7),
    ("push_pull_output", "v2", {"bias": "fixed", "sense_resistor": 10.0}, 161.0, 4191.7),
    ("push_pull_output", "v1", UNBYPASSED, 742.1, 4772.9),
    ("push_pull_output", "v1", {"connection": "ultra_linear"}, 718.4, 4180.7),
    ("push_pull_output", "v1", {"connection": "triode", "transformer": "ideal"}, 540.0, 4000.0),
]  # fmt: skip


@pytest.mark.parametrize(("name", "instance", "values", "slow", "signal"), CASES)
def test_lines_are_those_of_the_parts_and_of_what_the_valve_sees(
    name: str, instance: str, values: dict[str, Any], slow: float, signal: float
) -> None:
    stage = simwrap.stage(name, **values)
    lines = lines_of(stage, instance)
    direct, alternating = lines[0], next(line for line in lines if not line.direct)
    assert direct.volts == pytest.approx(float(stage.values["supply"]), rel=2e-3)
    # A screen's current doesn't change as the anode's does: the chord to no current at all counts it by their values at
    # rest (0.4 % of the small resistance of a winding and a cathode). The ideal winding's wire is 0.02 ohm at 1e-5 Hz.
    assert direct.resistance == pytest.approx(
        slow, rel=5e-3 if "screen" in stage.valves[instance].nodes else 1e-4, abs=0.03
    )
    assert alternating.resistance == pytest.approx(signal, rel=MIDBAND)
    assert alternating.resistance == pytest.approx(seen(stage, instance), rel=0.015)
    assert alternating.name.startswith("a.c. load, ")


@pytest.mark.parametrize("transformer", ["real", "ideal"])
def test_one_valve_alone_sees_a_quarter_of_the_load(transformer: str) -> None:
    """Both lines of a pair meet where the current has doubled: there the other valve is left without any."""
    stage = simwrap.stage("push_pull_output", transformer=transformer)
    both, alone = (line for line in lines_of(stage) if not line.direct)
    rest, flow = rest_of(stage, "v1")
    doubled = 2.0 * float(flow.anode)
    assert both.volts - doubled * both.resistance == pytest.approx(alone.volts - doubled * alone.resistance, abs=0.05)
    assert both.volts - float(flow.anode) * both.resistance == pytest.approx(rest["anode"], rel=1e-3)
    assert "both valves conduct" in both.name
    assert "the other is cut off" in alone.name
    if transformer == "ideal":
        # Half and a quarter of 8 kohm; the ideal core's 0.2 Hz are 5000 times below.
        assert (both.resistance, alone.resistance) == pytest.approx((4000.0, 2000.0), rel=1e-5)
        # Without drop in a winding, one valve alone starts where both are at rest.
        assert alone.volts == pytest.approx(rest["anode"], rel=1e-4)
    else:
        assert alone.resistance == pytest.approx(2165.4, rel=MIDBAND)


def test_a_valve_whose_twin_is_cut_off_sees_a_quarter_of_the_load() -> None:
    """The second valve biased to nothing: the first one's small signal finds a quarter of the load."""
    stage = simwrap.stage("push_pull_output", transformer="ideal", bias="fixed", bias_difference=-100.0)
    assert float(rest_of(stage, "v2")[1].anode) < 1e-6
    (alone,) = (line for line in lines_of(stage) if not line.direct)
    assert alone.resistance == pytest.approx(2000.0, rel=1e-4)
    assert alone.resistance == pytest.approx(seen(stage), rel=0.015)


@pytest.mark.parametrize("instance", ["v1", "v2"])
def test_the_halves_of_a_long_tailed_pair(instance: str) -> None:
    """With cathodes that stand still: the anode's resistor, and its load beside it for the signal."""
    stage = simwrap.stage("long_tailed_pair", anode_resistor_b=120e3)
    anode = 100e3 if instance == "v1" else 120e3
    direct, signal = lines_of(stage, instance)
    assert direct.resistance == pytest.approx(anode, rel=1e-4)
    assert signal.resistance == pytest.approx(anode * 470e3 / (anode + 470e3), rel=MIDBAND)


def test_a_direct_coupled_load_is_part_of_the_d_c_line() -> None:
    stage = simwrap.stage("triode_gain", coupling_capacitor=0.0)
    direct, signal = lines_of(stage)
    joined = 1.0 / (1.0 / 100e3 + 1.0 / 1e6)
    assert direct.resistance == pytest.approx(joined + 1500.0, rel=1e-5)
    assert signal.resistance == pytest.approx(joined, rel=MIDBAND)
    assert direct.volts == pytest.approx(300.0 * 10.0 / 11.0, rel=2e-3)


def test_a_load_that_goes_with_the_frequency_has_no_line() -> None:
    stage = simwrap.stage("tone_feedback", amplifier="triode")
    (direct,) = lines_of(stage)
    assert direct.direct
    assert direct.volts == pytest.approx(285.0, rel=2e-3)
    with pytest.raises(InputError, match="no valve with a grid"):
        simwrap.measure(simwrap.stage("tone_passive"), ["load_lines"])


def test_the_tap_is_read_from_the_circuit() -> None:
    """Within 1 %: leakage and capacitances of the transformer at 1 kHz."""
    for name in ("push_pull_output", "single_ended_output"):
        for connection, tap in (("pentode", 0.0), ("triode", 1.0), ("ultra_linear", 0.43)):
            found = simwrap.measure(simwrap.stage(name, connection=connection), ["load_lines"])
            assert found.load_lines.valves.v1.tap == pytest.approx(tap, rel=0.01, abs=1e-9)


def test_a_sweep_has_a_slope_at_every_point() -> None:
    resistors = [47e3, 100e3, 220e3]
    data = simwrap.sweep(simwrap.stage("triode_gain"), {"anode_resistor": resistors}, ["load_lines"])
    direct = data["load_lines.valves.v1.direct_load"]
    np.testing.assert_allclose(direct.values, np.array(resistors) + 1500.0, rtol=1e-5)
    assert direct.attrs["units"] == "ohm"


@pytest.mark.parametrize("far", [-1400.0, 0.0, 50_000.0])
def test_the_axes_are_those_of_the_valve_wherever_a_line_ends(monkeypatch, far):
    """A grid that conducts gave a line that ends at -1400 V, and axes from 0 to there."""
    from simwrap.plots.measures import anode_curves

    found = simwrap.measure(simwrap.stage("triode_gain"), ["bias", "load_lines"])
    rest = found.bias.valves.v1
    line = anode_curves.LoadLine("a.c. load", 1e3, far, direct=False)
    monkeypatch.setattr(anode_curves, "lines_of", lambda *_, **__: [line])
    (axes,) = found.plot("bias").axes
    left, right = axes.get_xlim()
    assert left == 0.0
    assert rest.anode_voltage < right < 5.0 * rest.anode_voltage
    assert 1e3 * rest.anode_current < axes.get_ylim()[1] < 25e3 * rest.anode_current
