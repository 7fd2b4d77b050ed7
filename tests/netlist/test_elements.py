"""A rendered circuit is a list of elements that say what they are."""

from __future__ import annotations

import copy
import pickle
import re
from pathlib import Path

import numpy as np
import pytest

import simwrap
from simwrap.circuits.render import render
from simwrap.circuits.template import read_template
from simwrap.drawing.items import diagram
from simwrap.drawing.schematic import schematic
from simwrap.errors import FileProblemsError
from simwrap.faults.bed import bed_of
from simwrap.measures.numerics.parts import bought, netlist_parts
from simwrap.netlist.element import Element, Role, named
from simwrap.netlist.text import NotTabular, read, read_with, text_of

PACKAGE = Path(simwrap.__file__).parent

OWN = """{#toml
summary = "A pad"
references = ["common practice, no source"]
ELEMENTS
[ports]
input = { node = "n_top" }
output = { node = "n_out", load = {} }

[parameters]
load_upper = { unit = "ohm", default = "9k", minimum = 1.0, label = "upper resistor", symbol = "R1" }
#}
r_load_upper n_top n_out {{ load_upper }} ; a name that begins as a load's does
r_winding n_out 0 {{ load_upper }}
"""


def parts_of(circuit: simwrap.Circuit, kind: str) -> dict[str, Element]:
    return bought(netlist_parts(render(circuit).elements), kind)


def own(tmp_path, elements: str) -> simwrap.Stage:
    path = tmp_path / "my_pad.cir.j2"
    path.write_text(OWN.replace("ELEMENTS", elements))
    return simwrap.stage(str(path))


def test_a_part_is_one_whatever_its_name_begins_with(tmp_path):
    assert set(parts_of(own(tmp_path, ""), "r")) == {"load_upper", "winding"}
    told = own(tmp_path, '[elements]\nmodel = ["r_winding"]\n')
    assert set(parts_of(told, "r")) == {"load_upper"}


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('[elements]\nmodle = ["r_winding"]', '"modle" is no role of an element'),
        ('[elements]\nmodel = ["r_windnig"]', "did you mean r_winding?"),
        ('[elements]\nmodel = ["r_winding"]\nstray = ["r_winding"]', "r_winding stands under model too"),
        ('[sides]\na = ["v9"]', 'there is no element "v9"'),
        ('[sides]\nc = ["r_winding"]', "sides.c"),
    ],
)
def test_an_unknown_role_side_or_name_is_refused(tmp_path, table, words):
    with pytest.raises(FileProblemsError) as caught:
        own(tmp_path, table)
    assert words in str(caught.value)
    assert len(str(caught.value).splitlines()) == 1


def test_the_tap_resistor_is_a_part_of_its_own():
    pair = simwrap.stage("long_tailed_pair", tap_resistor="10k")
    tap = parts_of(pair, "r")["tap"]
    assert (tap.parameter, tap.side, tap.value.tolist()) == ("tap_resistor", "a", [10e3])


def test_the_tap_resistor_is_in_figures_faults_and_drawing():
    pair = simwrap.stage("long_tailed_pair", tap_resistor="10k")
    found = simwrap.measure(pair, ["bias"]).bias
    # By hand: it carries V1's anode current.
    current = float(found.valves.v1.anode_current)
    assert float(found.resistors.tap.dissipation) == pytest.approx(current**2 * 10e3, rel=1e-4)
    assert "tap resistor open" in [fault.name for fault in bed_of(pair.circuit).dictionary()]
    drawn = diagram(pair.circuit, "", {})
    tap = next(item for item in drawn.items if item.path == "tap")
    anode = next(item for item in drawn.items if item.path == "v1").pins["anode"]
    assert (tap.kind, tap.value) == ("resistor", ("10 kΩ",))
    assert anode in tap.pins.values()
    assert len(drawn.nets()[anode]) >= 2


def test_a_grid_on_ground_is_drawn(tmp_path):
    """A 10 milliohm resistor is a wire: the grid has ground's symbol, and no pin that a wire could lead to."""
    source = simwrap.stage("triode_gain").template.source
    path = tmp_path / "earthed.cir.j2"
    path.write_text(
        source.replace("#}\n{% if grid_leak", "#}\nr_earthing n_grid 0 {{ resistance(0) }}\n{% if grid_leak")
    )
    made = diagram(simwrap.stage(str(path)).circuit, "", {})
    assert next(item for item in made.items if item.kind == "valve").pins["grid"] == "0"
    assert schematic(made).startswith("<svg")


def test_one_module_takes_netlist_lines_apart():
    """A line is split into its words in one place; two take a text apart into lines."""
    rooms = (
        "netlist",
        "circuits",
        "engine",
        "faults",
        "cathode_guard",
        "build_sheet",
        "measures/numerics",
        "amplifier",
    )
    words = re.compile(r"\bline\.(split|partition|rpartition)\(|\bwords\[\d\]|\.text\.split")
    files = [file for room in rooms for file in (PACKAGE / room).rglob("*.py")]
    found = {str(file.relative_to(PACKAGE)) for file in files if words.search(file.read_text())}
    # The simulators' own messages are lines too.
    assert found - {"engine/backends/ngspice.py"} == {"netlist/text.py"}


def test_two_parts_that_share_a_parameter_are_two_elements():
    pair = simwrap.circuit(power=simwrap.stage("push_pull_output", cathode_connection="separate"))
    cathodes = [e for e in render(pair).elements if e.parameter == "power.cathode_resistor"]
    assert [(e.name, e.path, e.side, e.stage) for e in cathodes] == [
        ("r_power__cathode_a", "power.cathode_a", "a", "power"),
        ("r_power__cathode_b", "power.cathode_b", "b", "power"),
    ]
    assert {e.role for e in cathodes} == {Role.PART}


def test_the_legs_of_a_track_say_so():
    legs = [e for e in render(simwrap.stage("volume_control")).elements if e.track]
    assert [(e.name, e.parameter) for e in legs] == [("r_pot_upper", "pot"), ("r_pot_lower", "pot")]


def test_what_is_computed_has_no_parameter():
    elements = named(render(simwrap.stage("push_pull_output")).elements)
    core = elements["l_core"]
    assert (core.role, core.parameter) == (Role.MODEL, "")
    assert elements["r_grid_leak_a"].parameter == "grid_leak"


def test_a_valve_s_inside_is_a_model_whatever_the_valve_is_called():
    inside = [e for e in render(simwrap.stage("long_tailed_pair")).elements if e.valve]
    assert {e.role for e in inside} == {Role.MODEL}
    assert {(e.valve, e.side) for e in inside} == {("v1", "a"), ("v2", "b")}


def test_a_swept_value_is_a_column_of_its_elements():
    table = simwrap.sweep(simwrap.stage("triode_gain"), {"anode_resistor": [47e3, 100e3]}, measures=["bias"])
    anode = table["bias.resistors.anode.dissipation"].values
    drop = table["bias.nodes.n_supply"].values - table["bias.nodes.n_anode"].values
    assert anode == pytest.approx(drop**2 / np.array([47e3, 100e3]), rel=1e-9)


@pytest.mark.parametrize("name", simwrap.stage_names())
def test_printing_and_reading_are_inverse(name):
    elements = render(simwrap.stage(name)).elements
    again = [read(line) for line in text_of(elements).splitlines()]
    assert text_of(again) == text_of(elements)
    for one, other in zip(elements, again, strict=True):
        same = ("name", "nodes", "value", "expression", "refers", "ac")
        assert [getattr(one, key) for key in same] == [getattr(other, key) for key in same]


def test_a_template_can_be_pickled_and_copied():
    template = simwrap.stage("triode_gain").template
    for other in (pickle.loads(pickle.dumps(template)), copy.copy(template), copy.deepcopy(template)):
        assert other.path == template.path
        assert other.header == template.header
    assert read_template(template.path).source == template.source


@pytest.mark.parametrize("line", ["k_core l_one l_two {0}", "e_winding n_a 0 n_b 0 {0}", "f_winding 0 n_a v_sense {0}"])
def test_a_coupling_or_a_factor_is_no_column(line: str) -> None:
    """Engines can alter parts and sources only; a table of points is then rendered point by point."""
    with pytest.raises(NotTabular):
        read_with(line.format("word"), {"word": np.array([0.5, 0.6])})
    element, _ = read_with(line.format("word"), {"word": 0.5})
    assert element.value == 0.5
