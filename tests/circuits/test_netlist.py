"""Rendering: one text for a table of values, plain numbers only, nothing smuggled in."""

from __future__ import annotations

import re
from types import MappingProxyType

import numpy as np
import pytest

from simwrap.circuits.point_table import PointTable
from simwrap.circuits.render import render, render_table
from simwrap.circuits.stage import Stage, stage
from simwrap.circuits.template import read_template
from simwrap.errors import FileProblemsError, NetlistError

NUMBER = re.compile(r"-?\d+(\.\d+)?(e-?\d+)?\Z")


def test_values_are_plain_numbers():
    text = render(stage("triode_gain", anode_resistor="4k7", cathode_capacitor="22u")).circuit.text
    assert "r_anode n_supply n_anode 4700.0\n" in text
    for line in text.splitlines():
        if line[0] in "rc":
            assert NUMBER.match(line.split()[3]), line


def test_a_zero_capacitor_is_not_there():
    text = render(stage("triode_gain", cathode_capacitor=0, load_capacitance="0")).circuit.text
    assert "c_cathode" not in text
    assert "c_load" not in text
    assert "c_coupling" in text


def test_a_table_is_rendered_once():
    made = stage("triode_gain")
    column = np.linspace(5e4, 2e5, 50)
    (batch,) = render_table(PointTable(made, {"anode_resistor": column}, 50))
    assert list(batch.netlist.circuit.table) == ["r_anode"]
    np.testing.assert_array_equal(batch.netlist.circuit.table["r_anode"], column)


def test_derived_values_are_tabulated_too():
    made = stage("tone_passive", bass_taper="linear")
    column = np.linspace(0.0, 1.0, 5)
    (batch,) = render_table(PointTable(made, {"bass": column}, 5))
    table = batch.netlist.circuit.table
    np.testing.assert_allclose(table["r_bass_pot_upper"] + table["r_bass_pot_lower"], 1e6, rtol=1e-8)
    np.testing.assert_allclose(table["r_bass_pot_lower"][1:], column[1:] * 1e6)


def test_points_with_and_without_a_part_get_texts_of_their_own():
    made = stage("triode_gain")
    columns = {
        "cathode_capacitor": np.array([0.0, 1e-6, 0.0, 2e-6]),
        "anode_resistor": np.array([1e5, 2e5, 3e5, 4e5]),
    }
    batches = render_table(PointTable(made, columns, 4))
    assert sorted(tuple(batch.indices) for batch in batches) == [(0, 2), (1, 3)]
    for batch in batches:
        np.testing.assert_array_equal(batch.netlist.circuit.table["r_anode"], columns["anode_resistor"][batch.indices])


def test_each_batch_equals_a_rendering_of_its_own():
    made = stage("triode_gain")
    columns = {
        "valve": np.array(["12AX7", "12AU7", "12AX7"]),
        "cathode_resistor": np.array([1e3, 2e3, 3e3]),
        "v1.emission": np.array([0.9, 1.0, 1.1]),
    }
    table = PointTable(made, columns, 3)
    for batch in render_table(table):
        for position, index in enumerate(batch.indices):
            alone = render(table.at(int(index))).circuit.text.splitlines()
            together = batch.netlist.circuit.text.splitlines()
            for name, column in batch.netlist.circuit.table.items():
                for number, line in enumerate(together):
                    words = line.split()
                    if words[0] == name:
                        words[4 if name[0] == "v" else 3] = repr(float(column[position]))
                        together[number] = " ".join(words)
            assert together == alone


def _own_template(tmp_path, body, header=""):
    path = tmp_path / "own.cir.j2"
    path.write_text(
        "{#toml\nsummary = 's'\n[ports]\nend = { node = 'n_out' }\n"
        "[parameters.r]\nunit = 'ohm'\ndefault = 1.0\nlabel = 'r'\n"
        f"{header}#}}\n{body}"
    )
    template = read_template(path)
    return Stage(template, MappingProxyType({name: p.default for name, p in template.parameters.items()}))


def test_an_undefined_name_is_refused(tmp_path):
    with pytest.raises(FileProblemsError, match='uses "colour", which is no parameter'):
        render(_own_template(tmp_path, "r_a n_out 0 {{ colour }}\n"))


def test_text_that_is_no_plain_name_is_refused(tmp_path):
    with pytest.raises(NetlistError, match="neither a number nor a plain name"):
        render(_own_template(tmp_path, "r_a n_out 0 {{ '1\\n.control' }}\n"))


@pytest.mark.parametrize("number", ["1e308", "-1e308"])
def test_a_number_that_is_not_finite_is_refused(tmp_path, number):
    with pytest.raises(NetlistError, match="no netlist can hold"):
        render(_own_template(tmp_path, f"r_a n_out 0 {{{{ r * {number} * 1e308 }}}}\n"))


def test_an_array_that_decides_a_branch_is_rendered_point_by_point(tmp_path):
    made = _own_template(
        tmp_path, "r_c n_out 0 1\n{% if r > 5 %}\nr_a n_out 0 {{ r }}\n{% else %}\nr_b n_out 0 {{ r }}\n{% endif %}\n"
    )
    batches = render_table(PointTable(made, {"r": np.array([1.0, 9.0])}, 2))
    lines = [batch.netlist.circuit.text.splitlines()[1] for batch in batches]
    assert lines == ["r_b n_out 0 1.0", "r_a n_out 0 9.0"]


def test_a_complete_netlist_has_title_analyses_and_end():
    lines = render(stage("triode_gain")).complete().splitlines()
    assert lines[0].startswith("* simwrap triode_gain")
    assert lines[-1] == ".end"
    assert ".op" in lines
    assert all(line.isascii() for line in lines)
    assert not any("{" in line for line in lines)
