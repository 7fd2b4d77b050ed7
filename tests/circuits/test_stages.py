"""Stages: headers, checked values, and one clear sentence for whatever is wrong."""

from __future__ import annotations

import pickle

import numpy as np
import pytest

import simwrap
from simwrap.circuits.library import find_template, stage_names
from simwrap.circuits.point_table import check_column
from simwrap.circuits.stage import stage
from simwrap.circuits.template import read_template
from simwrap.errors import FileProblemsError, InputError, QuantityError, RangeError, UnknownNameError


@pytest.mark.parametrize("name", stage_names())
def test_every_header_is_whole(name):
    template = find_template(name)
    assert template.summary
    assert template.references
    made = stage(name)
    assert list(made.values) == list(template.parameters)
    for parameter in template.parameters.values():
        assert parameter.label, parameter.name
        if parameter.numeric:
            assert isinstance(made.values[parameter.name], float)
            assert parameter.minimum is not None, parameter.name
    for node in template.ports.values():
        assert node.startswith("n_")


def test_names_are_matched_without_regard_to_case():
    made = stage("Triode_Gain", Valve="12ax7", ANODE_RESISTOR="220K")
    assert made.name == "triode_gain"
    assert made.values["valve"] == "12AX7"
    assert made.values["anode_resistor"] == 220e3


def test_other_designations_find_the_same_valve():
    assert stage("triode_gain", valve="ECC83").values["valve"] == "12AX7"


def test_a_designation_with_its_own_ratings_is_held_to_them():
    """The same circuit with a 6SN7GT (300 V, 2.5 W) and a 6SN7GTB (450 V, 5 W); the law is the same."""
    made = stage("triode_gain", valve="6sn7gt", supply=420, anode_resistor="6k8", cathode_resistor="1k2")
    assert made.values["valve"] == "6SN7GT"
    own, later = (simwrap.measure(each, measures=["bias"]) for each in (made, made.replace(valve="6SN7GTB")))
    assert own.bias.valves["v1"].anode_current == later.bias.valves["v1"].anode_current
    told = [text for text in own.warnings if "exceeds" in text]
    assert len(told) == 2
    assert told[0].startswith("v1 (6SN7GT): anode voltage")
    assert "2.5 W" in told[1]
    assert not [text for text in later.warnings if "exceeds" in text]


def test_contract_parameters_are_there():
    triode = {"valve", "supply", "anode_resistor", "cathode_resistor", "cathode_capacitor", "grid_leak"} | {
        "source_resistance", "coupling_capacitor", "load_resistor", "load_capacitance"
    }  # fmt: skip
    assert triode <= set(stage("triode_gain").values)
    assert triode | {"screen_resistor", "screen_capacitor"} <= set(stage("pentode_gain").values)
    assert {"bass", "treble", "source_resistance", "load_resistor"} <= set(stage("tone_passive").values)


@pytest.mark.parametrize(
    ("values", "fault", "sentence"),
    [
        ({"anode_resistor": "1k5k"}, QuantityError, '"1k5k"'),
        ({"anode_resistor": "22 nF"}, QuantityError, "anode_resistor"),
        ({"anode_resistor": float("nan")}, QuantityError, "anode_resistor"),
        ({"cathode_capacitor": -1e-6}, RangeError, "0 F or more|from 0 F"),
        ({"cathode_capacitor": "-22u"}, RangeError, "cathode_capacitor"),
        ({"anode_resistor": "100k\n.control"}, QuantityError, "anode_resistor"),
        ({"anode_resistor": "100k\u2028r_x a b 1"}, QuantityError, "anode_resistor"),
        ({"anode_resistor": "`100k`"}, QuantityError, "anode_resistor"),
        ({"anode_resistr": "100k"}, UnknownNameError, "did you mean anode_resistor"),
        ({"valve": "12AX8"}, UnknownNameError, "12AX7"),
        ({"valve": "6AU6"}, InputError, "triode"),
        ({"v1.colour": 1}, UnknownNameError, "v1.mu"),
        ({"v2.emission": 1}, UnknownNameError, "v1.emission"),
        ({"v1.emission": 0}, RangeError, "v1.emission"),
    ],
)
def test_bad_values_get_one_sentence(values, fault, sentence):
    with pytest.raises(fault, match=sentence) as caught:
        stage("triode_gain", **values)
    assert "\n" not in str(caught.value)


def test_an_unknown_stage_gets_the_nearest_match():
    with pytest.raises(UnknownNameError, match="did you mean triode_gain"):
        stage("triode_gian")


def test_an_unknown_choice_says_what_is_accepted():
    with pytest.raises(RangeError, match="linear or logarithmic or reverse_logarithmic"):
        stage("tone_passive", bass_taper="log")


def test_all_problems_of_a_header_come_at_once(tmp_path):
    path = tmp_path / "bad.cir.j2"
    path.write_text(
        "{#toml\n[parameters.a]\nunit = 'ohm'\nlabel = 'a'\n"
        "[parameters.b]\nunit = 'F'\ndefault = '3 ohm'\nlabel = 'b'\n#}\n"
    )
    with pytest.raises(FileProblemsError) as caught:
        read_template(path)
    said = str(caught.value)
    for part in ("summary is missing", "ports is missing", "parameters.a.default is missing", "3 ohm"):
        assert part in said
    with pytest.raises(FileProblemsError, match="can't be read"):
        read_template(tmp_path / "absent.cir.j2")


def test_a_stage_shows_its_values():
    made = stage("triode_gain", anode_resistor="220k")
    assert "220 kΩ" in made._repr_html_()
    assert "anode_resistor" in repr(made)
    assert ("Ck", "none") in [(row[0], row[3]) for row in stage("triode_gain", cathode_capacitor=0).rows()]


def test_a_stage_is_frozen_and_can_travel():
    made = stage("triode_gain", anode_resistor="220k")
    with pytest.raises(AttributeError):
        made.name = "other"
    with pytest.raises(TypeError):
        made.values["anode_resistor"] = 1.0
    again = pickle.loads(pickle.dumps(made))
    assert dict(again.values) == dict(made.values)
    assert made.replace(anode_resistor="47k").values["anode_resistor"] == 47e3
    assert made.values["anode_resistor"] == 220e3


def test_columns_are_checked_like_values():
    made = stage("triode_gain")
    name, column = check_column(made, "Cathode_Resistor", ["1k", 1500, "2k2"])
    assert name == "cathode_resistor"
    np.testing.assert_array_equal(column, [1000.0, 1500.0, 2200.0])
    with pytest.raises(RangeError):
        check_column(made, "cathode_resistor", [1000.0, -1.0])
    with pytest.raises(RangeError, match="at least one value"):
        check_column(made, "cathode_resistor", [])


def test_public_names_load_on_demand():
    for name in simwrap.__all__:
        assert getattr(simwrap, name) is not None
    with pytest.raises(AttributeError):
        simwrap.absent  # noqa: B018


@pytest.mark.parametrize("name", ["push_pull_output", "single_ended_output"])
def test_leakage_is_less_than_the_primary_inductance(name):
    """A winding can't leak more flux than it makes, alone or in a sweep."""
    words = "leakage_inductance.*give less than primary_inductance"
    with pytest.raises(RangeError, match=words):
        simwrap.stage(name, leakage_inductance="80 H")
    with pytest.raises(RangeError, match=words):
        simwrap.stage(name).replace(primary_inductance="40 mH")
    with pytest.raises(RangeError, match=words):
        simwrap.sweep(simwrap.stage(name), {"primary_inductance": [1.0, 0.02]}, ["bias"])
