from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from measure_fakes import make_reply, make_stage, make_use, run

import simwrap
from simwrap.amplifier.bearing import HIGH, bearing
from simwrap.amplifier.supply_match import supply_parameters
from simwrap.circuits.design_file import Design
from simwrap.measures.numerics.parts import VOLTAGES, WATTAGES, cold, netlist_parts, next_of
from simwrap.measures.registry import get_measure
from simwrap.netlist.text import read


def reply_for(pentode=False):
    values = {
        "n_a_v1": [151.5, 251.5],
        "n_g_v1": [0.0, 0.0],
        "n_k_v1": [1.5, 1.5],
        "n_v1_ia": [1.0, 4.0],
        "n_v1_ig": [0.0, 0.0],
        "i(v_supply)": [-1e-3, -4e-3],
    }
    if pentode:
        values |= {"n_s_v1": [101.5, 151.5], "n_v1_ig2": [0.3, 1.0]}
    return lambda request: make_reply(values)


def test_bias_of_a_triode_by_hand():
    stage = make_stage(valves={"v1": make_use(anode_dissipation_max=1.0, anode_voltage_max=300.0)})
    result = run(get_measure("bias"), stage, reply_for())
    got = {key: variable.values for key, variable in result.variables.items()}
    assert got["valves.v1.anode_voltage"] == pytest.approx([150.0, 250.0])
    assert got["valves.v1.grid_voltage"] == pytest.approx([-1.5, -1.5])
    assert got["valves.v1.anode_current"] == pytest.approx([1e-3, 4e-3])
    assert got["valves.v1.cathode_current"] == pytest.approx([1e-3, 4e-3])
    assert got["valves.v1.anode_dissipation"] == pytest.approx([0.15, 1.0])
    assert got["valves.v1.anode_dissipation_share"] == pytest.approx([15.0, 100.0])
    assert got["nodes.n_a_v1"] == pytest.approx([151.5, 251.5])
    assert "valves.v1.screen_voltage" not in got
    assert not any(key.startswith("nodes.i(") for key in got)


def test_bias_of_a_pentode_counts_the_screen():
    stage = make_stage(valves={"v1": make_use("pentode")})
    result = run(get_measure("bias"), stage, reply_for(pentode=True))
    got = {key: variable.values for key, variable in result.variables.items()}
    assert got["valves.v1.screen_voltage"] == pytest.approx([100.0, 150.0])
    assert got["valves.v1.screen_dissipation"] == pytest.approx([0.03, 0.15])
    assert got["valves.v1.cathode_current"] == pytest.approx([1.3e-3, 5e-3])
    assert np.isnan(got["valves.v1.anode_dissipation_share"]).all()  # no rating in the record


def test_warnings_name_the_point_the_value_and_the_rating():
    stage = make_stage(valves={"v1": make_use(anode_dissipation_max=0.8, anode_voltage_max=260.0)})
    result = run(get_measure("bias"), stage, reply_for())
    assert result.warnings[0] == []
    assert len(result.warnings[1]) == 2
    assert "anode voltage 250 V is within 10 % of its rating of 260 V" in result.warnings[1][0]
    assert "anode dissipation 1 W exceeds its rating of 800 mW" in result.warnings[1][1]


def test_what_was_checked_and_what_could_not_be_is_said_and_nothing_is_called_safe():
    stage = make_stage(valves={"v1": make_use(anode_dissipation_max=0.8)})
    result = run(get_measure("bias"), stage, reply_for())
    assert result.conditions["limits_checked"][0] == "v1 anode dissipation"
    assert "v1 anode voltage" in result.conditions["limits_without_a_rating"][0]
    assert "safe" not in repr(result).lower()


def test_a_valve_at_ground_and_a_failed_point():
    use = make_use()
    use.nodes["cathode"] = "0"
    values = {
        "n_a_v1": [100.0, np.nan],
        "n_g_v1": [-2.0, np.nan],
        "n_v1_ia": [1.0, np.nan],
        "n_v1_ig": [0, np.nan],
    }
    result = run(get_measure("bias"), make_stage(valves={"v1": use}), lambda request: make_reply(values))
    assert result.variables["valves.v1.anode_voltage"].values == pytest.approx([100.0, np.nan], nan_ok=True)
    assert result.warnings == [[], []]


SECOND = {"second_valve": "12AU7", "second_grid_leak": "2M2"}


@pytest.mark.parametrize(
    ("name", "values", "said"),
    [
        ("push_pull_output", {"bias": "fixed", "grid_leak": "220k"}, ["v1 (6V6GT)", "v2 (6V6GT)"]),
        ("push_pull_output", {"bias": "cathode", "grid_leak": "220k"}, []),
        ("single_ended_output", {"grid_leak": "1M"}, ["v1 (6V6GT): grid leak (cathode bias) 1 MΩ exceeds"]),
        ("cathode_follower", {"valve": "12AU7", "bias": "direct", "grid_leak": "10M"}, []),
        ("cathodyne", {"valve": "12AU7", "bias": "self", "grid_leak": "2M2"}, ["v1 (12AU7): grid leak (cathode bias)"]),
        ("two_stage_preamplifier", SECOND | {"volume_taper": "none"}, ["v2 (12AU7): grid leak"]),
        ("two_stage_preamplifier", SECOND | {"volume_taper": "linear"}, []),
    ],
)  # fmt: skip
def test_the_grid_leak_of_every_valve_is_held_to_its_rating(name, values, said):
    found = simwrap.measure(simwrap.stage(name, **values), "bias")
    told = [text for text in found.warnings if "grid leak" in text]
    assert len(told) == len(said)
    for text, start in zip(told, said, strict=True):
        assert text.startswith(start)


def test_within_the_fits_error_a_value_is_at_its_rating():
    """A fit whose currents are 3 % off in the median says no more than that: 1 W of 0.98 W is at it, of 0.9 W over."""
    for most, how in (
        (0.98, "is at its rating of 980 mW"),
        (0.9, "exceeds"),
        (1.02, "is at"),
        (1.08, "is within 10 %"),
    ):
        use = make_use(anode_dissipation_max=most)
        errors = [{"quantity": "anode_current", "error": error} for error in (0.01, -0.03, 0.2)]
        use.valve.fitted = SimpleNamespace(errors=[*errors, {"quantity": "gm", "error": 0.5}])
        result = run(get_measure("bias"), make_stage(valves={"v1": use}), reply_for())
        (text,) = result.warnings[1]
        assert how in text


def test_a_grid_leak_at_its_limit_is_no_alarm():
    """1 Mohm is what the sheet of the 12AU7 allows with cathode bias: no point of a sweep is warned for it."""
    found = simwrap.measure(simwrap.stage("triode_gain", valve="12AU7", grid_leak="1M"), "bias")
    assert [text for text in found.warnings if "grid leak" in text] == []
    over = simwrap.measure(simwrap.stage("triode_gain", valve="12AU7", grid_leak="1M1"), "bias")
    assert any("grid leak (cathode bias) 1.1 MΩ exceeds" in text for text in over.warnings)


def test_resistors_and_capacitors_are_held_against_ohm():
    """V squared over R; a coupling capacitor that stands the whole supply before the valve draws current."""
    made = simwrap.stage("triode_gain", anode_resistor="100k", supply="300 V")
    found = simwrap.measure(made, "bias").to_dict()["bias"]
    current = found["valves"]["v1"]["anode_current"]
    assert found["resistors"]["anode"]["dissipation"] == pytest.approx(current**2 * 100e3, rel=1e-6)
    assert found["resistors"]["anode"]["rating_needed"] == 0.5  # 0.11 W, and 0.13 W on mains 10 % high
    coupling = found["capacitors"]["coupling"]
    assert coupling["voltage"] == pytest.approx(300.0 - current * 100e3, rel=1e-3)
    assert coupling["voltage_cold"] == pytest.approx(300.0, rel=1e-6)
    assert coupling["rating_needed"] == 350.0
    assert found["capacitors"]["cathode"]["voltage_cold"] == pytest.approx(0.0, abs=1e-6)
    assert not {"load", "source"} & {*found["resistors"]}


@pytest.mark.parametrize("stage", ["triode_gain", "push_pull_output", "pentode_gain", "cathode_follower"])
def test_what_parts_need_is_for_mains_ten_per_cent_high(stage):
    """The same stage on supplies that are 10 % higher, by a measurement of its own, and what a design's audit says."""
    bias = {"bias": "fixed", "sense_resistor": "10"} if stage == "push_pull_output" else {}
    made = simwrap.stage(stage, **bias)
    names = supply_parameters(made.circuit).values()
    high = simwrap.measure(made.replace(**{name: 1.1 * made.values[name] for name in names}), "bias").bias
    here = simwrap.measure(made, "bias").bias
    borne = bearing(Design(made.circuit), made.circuit, None, warm=simwrap.measure(made, "bias"), plan=None)
    kinds = {path.split(".")[1] for path in here.paths if path.startswith("resistors.")}
    for name in kinds:
        watts = high.resistors[name].dissipation
        assert here.resistors[name].rating_needed == next((w for w in WATTAGES if w >= 2.0 * watts), np.nan)
        assert borne.of("r", name)[HIGH] == pytest.approx(watts, rel=1e-4)
    capacitors = {path.split(".")[1] for path in here.paths if path.startswith("capacitors.")}
    for name in capacitors:
        volts = max(high.capacitors[name].voltage, high.capacitors[name].voltage_cold)
        assert here.capacitors[name].rating_needed == next((v for v in VOLTAGES if v >= volts * (1.0 - 1e-12)), np.nan)
        assert borne.of("c", name)[HIGH] == pytest.approx(high.capacitors[name].voltage, rel=1e-4, abs=1e-6)
    assert kinds
    assert capacitors or bias


def test_parts_of_a_stage_without_one_are_not_there():
    swept = simwrap.sweep(simwrap.stage("triode_gain"), {"cathode_capacitor": [0.0, 47e-6]}, measures=["bias"])
    name = next(name for name in swept if name.replace(".", "_").endswith("capacitors_cathode_voltage"))
    assert np.isnan(swept[name].values[0])
    assert swept[name].values[1] > 1.0


def test_cold_voltages_of_a_divider_by_hand():
    """300 V over 100k and 200k: 200 V across the capacitor; one between two grounded leaks has none."""
    text = (
        "v_supply n_b 0 dc 300.0 ac 0.0\nr_upper n_b n_m 100000.0\nr_lower n_m 0 200000.0\nc_one n_m 0 1e-06\n"
        "c_two n_m n_x 1e-07\nr_leak n_x 0 1000000.0\nc_three n_y n_z 1e-07\nr_y n_y 0 1e6\nr_z n_z 0 1e6\n"
        "l_choke n_b n_c 5.0\nc_four n_c 0 1e-06\n"
    )
    supply, *others = map(read, text.splitlines())
    elements = [replace(supply, value=np.array([300.0, 150.0])), *(replace(e, path=e.name[2:]) for e in others)]
    found = cold(netlist_parts(elements, 2))
    assert found["one"] == pytest.approx([200.0, 100.0], rel=1e-6)
    assert found["two"] == pytest.approx([200.0, 100.0], rel=1e-6)
    assert found["three"] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert found["four"] == pytest.approx([300.0, 150.0], rel=1e-6)


def test_the_next_common_size():
    assert next_of(WATTAGES, np.array([0.0, 0.25, 0.26, 1e9, np.nan])) == pytest.approx(
        [0.25, 0.25, 0.5, np.nan, np.nan], nan_ok=True
    )


def test_elevated_heaters_are_nearer_to_the_cathode_of_a_splitter():
    """The cathode of a cathodyne stands at some 75 V: from ground that is near a rating of 90 V, from 60 V it isn't."""
    stage = simwrap.stage("cathodyne", valve="6SN7GT", grid_voltage=82.0)
    rated = stage.valves["v1"].valve.ratings.heater_cathode_voltage_max
    cathode = float(simwrap.measure(stage, ["bias"]).bias.nodes.n_cathode)
    assert 0.9 * rated < cathode < rated + 60.0
    assert any("heater at ground" in text for text in simwrap.measure(stage, ["bias"]).warnings)
    found = simwrap.measure(stage, {"bias": {"heater_elevation": "60 V"}})
    assert not any("heater" in text for text in found.warnings)
    assert "heater-cathode voltage (heater at 60 V)" in str(found.bias.conditions())


def test_two_grids_on_one_leak_are_as_one_on_twice_of_it():
    """The currents of both grids flow through it, so that 1 M for two lifts them as 2 M lifts one."""
    own = simwrap.stage("triode_gain", valve="6922", grid_leak="1M")
    other = simwrap.stage("triode_gain", valve="6922", grid_leak=0)
    joins = ["source.output -> a.input", "source.output -> b.input"]

    def over(**stages):
        circuit = simwrap.circuit(source=simwrap.stage("coupling"), joins=joins[: len(stages)], **stages)
        findings = simwrap.measure(circuit, ["bias"]).results["bias"].findings[0]
        return {(f.subject, f.value) for f in findings if "grid leak" in f.quantity}

    assert over(a=own) == set()
    assert over(a=own, b=other) == {("a.v1", 2e6), ("b.v1", 2e6)}
    assert over(a=own.replace(grid_leak="470k"), b=other) == set()
    assert over(a=own, b=own) == set()  # two leaks of 1 M in parallel: 1 M for each
    # Four in push-pull: two on each leak (6V6GT: 100 k with fixed bias).
    quad = simwrap.stage("push_pull_output", valves="four", grid_leak="82k", bias="fixed")
    findings = simwrap.measure(quad, ["bias"]).results["bias"].findings[0]
    found = {f.subject: f.value for f in findings if "grid leak" in f.quantity}
    assert found == pytest.approx(dict.fromkeys(["v1", "v2", "v3", "v4"], 164e3))


@pytest.mark.parametrize("stage", ["push_pull_output", "single_ended_output"])
def test_a_grid_that_what_is_before_it_holds_has_no_leak_to_rate(stage):
    """0 and 1 gigohm are no leak, and change nothing at rest; 2 megohm is over the 6V6GT's 0.5 megohm."""
    found = {
        ohms: simwrap.measure(simwrap.stage(stage, grid_leak=ohms), ["bias"]) for ohms in ("0", "1G", "220k", "2M")
    }
    told = {ohms: any("grid leak" in words for words in each.warnings) for ohms, each in found.items()}
    assert told == {"0": False, "1G": False, "220k": False, "2M": True}
    currents = [each.bias.valves.v1.anode_current for each in found.values()]
    assert currents == pytest.approx([currents[0]] * 4, rel=1e-6)


def test_a_reservoir_of_the_largest_allowed_value_needs_no_word():
    """The 5U4GB's 40 uF, from its file: at it nothing is said, above it it is over."""
    most = simwrap.valve("5U4GB").ratings.reservoir_max
    said = {}
    for share in (0.95, 1.0, 1.05):
        made = simwrap.stage("supply", rectifier="5U4GB", reservoir_capacitor=share * most)
        found = simwrap.measure(made, measures={"supply": {"loads": (1.0,), "starting": 0.05}})
        said[share] = any("reservoir capacitor" in words for words in found.warnings)
    assert said == {0.95: False, 1.0: False, 1.05: True}


def test_without_parts_one_operating_point_is_enough():
    """The valves' figures stay as they are; what resistors and capacitors bear isn't told."""
    stage = simwrap.stage("triode_gain")
    whole, short = (simwrap.measure(stage, {"bias": {"with_parts": each}}) for each in (True, False))
    paths = set(short.bias.paths)
    assert paths < set(whole.bias.paths)
    left_out = {path.partition(".")[0] for path in set(whole.bias.paths) - paths}
    assert left_out == {"resistors", "capacitors"}
    assert all(short.bias[path] == whole.bias[path] for path in paths)
    stage = SimpleNamespace(supplies={"supply": "v_supply"}, valves={}, components={}, node_paths={}, values={})
    asked = get_measure("bias")(stage, with_parts=False)
    next(asked)
    with pytest.raises(StopIteration):
        asked.send(make_reply({"n_anode": [100.0]}))
