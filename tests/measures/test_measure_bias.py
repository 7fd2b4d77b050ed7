from __future__ import annotations

import numpy as np
import pytest
from measure_fakes import make_reply, make_stage, make_use, run

import simwrap
from simwrap.measures.registry import get_measure


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
        ("single_ended_output", {"grid_leak": "1M"}, ["v1 (6V6GT): grid leak (cathode bias) 1 Mohm exceeds"]),
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
