"""What a builder reads first: marked warnings, a row a valve, headlines; the rest with the details."""

from __future__ import annotations

import html

import pytest

import simwrap
from simwrap.report.text import text_table
from simwrap.simulation.sweep_report import sweep_tables


def test_warnings_come_first_and_are_marked():
    hot = simwrap.stage("push_pull_output", cathode_resistor="120 ohm", supply="380 V", screen_supply="310 V")
    found = simwrap.measure(hot, ["bias"])
    checked, first, second, *_ = found.tables()
    marks = [row[0] for row in first.rows]
    assert checked.caption.startswith(f"12 limits checked: {marks.count('OVER')} OVER")
    assert checked.caption.endswith("2 have no published rating")
    assert marks[0] == "OVER"
    assert marks == sorted(marks, key=["OVER", "near", "note"].index)
    assert [row[0] for row in second.rows] == ["v1", "v2"]


def test_details_are_left_out_until_they_are_asked_for():
    found = simwrap.measure(simwrap.stage("triode_gain"), ["bias", "response"])
    brief, whole = (list(found.tables(details=details)) for details in (False, True))
    assert not any("measured under" in table.caption or table.caption == "voltages to ground" for table in brief)
    assert any("measured under" in table.caption for table in whole)
    assert [row[0] for row in brief[-1].rows] == ["response", "", ""]
    assert len(next(table for table in whole if table.caption == "response").rows) > 3
    # What no meter shows is zero.
    nodes = dict(next(table for table in whole if table.caption == "voltages to ground").rows)
    assert nodes["n_grid"] == "0.0"
    assert "<details>" in found._repr_html_()


def test_valves_stand_in_a_row_each_with_one_unit_a_column():
    found = simwrap.measure(simwrap.stage("triode_gain"), ["bias"])
    table = next(table for table in found.tables() if table.caption.startswith("quiescent"))
    units = [head.rpartition("\n")[2] for head in table.head[2:]]
    assert units == ["V", "V", "V", "mA", "mW", "%"]
    ((_, kind, anode, grid, cathode, current, watts, share),) = table.rows
    valve = found.bias.valves.v1
    assert kind == "12AX7"
    assert float(anode) == pytest.approx(valve.anode_voltage, rel=1e-3)
    assert float(grid) == pytest.approx(valve.grid_voltage, rel=1e-3)
    # The grid is at ground, so its bias is what the cathode stands above it.
    assert float(cathode) == pytest.approx(-valve.grid_voltage, rel=1e-3)
    # P = U I, 1 W allowed (RCA 12AX7 sheet).
    assert float(watts) == pytest.approx(float(anode) * float(current), rel=2e-3)
    assert float(share) == pytest.approx(float(watts) / 1000 * 100, rel=2e-3)


def test_only_values_that_matter_with_the_choices_made_are_told():
    found = simwrap.measure(simwrap.stage("push_pull_output"), ["bias"])
    line = found.values_line()
    assert "Vg2b 285 V" in line  # the screens' supply, in pentode connection
    assert " x 0.43" not in line  # the tap of ultra-linear connection
    assert "Vg1" not in line  # fixed bias
    assert "drive" not in line
    tapped = simwrap.measure(simwrap.stage("push_pull_output", connection="ultra_linear", bias="fixed"), ["bias"])
    line = tapped.values_line()
    assert "x 0.43" in line
    assert "Vg1 -20 V" in line
    assert "Rk" not in line


def test_dangers_are_told_with_the_figures():
    supply = simwrap.measure(simwrap.stage("supply"), {"supply": {"starting": 0.05}})
    (words,) = supply.cautions()
    for word in ("Bleeders fail open", "warm up", "isolation transformer", "voltage ratings"):
        assert word in words
    assert words in html.unescape(supply._repr_html_())
    assert simwrap.measure(simwrap.stage("triode_gain"), ["bias"]).cautions() == []


def test_a_sweep_has_a_row_a_point_and_fits_the_line():
    stage = simwrap.stage("triode_gain")
    data = simwrap.sweep(stage, {"cathode_resistor": ["820", "1k", "1k5"]}, ["bias", "response", "headroom"])
    for width in (60, 100):
        found = list(sweep_tables(data, width=width))
        assert len(found) == {60: 2, 100: 1}[width]
        for table in found:
            assert len(table.rows) == 3
            lines = text_table("", table.head, table.rows).splitlines()
            assert max(map(len, lines)) <= width
            assert [row[0] for row in table.rows] == ["0.82", "1.00", "1.50"]
            assert table.head[0].endswith("kΩ")
    brief, whole = ({head.replace("\n", " ") for table in sweep_tables(data, details=details) for head in table.head}
                    for details in (False, True))  # fmt: skip
    assert "anode current mA" in brief
    assert not any("grid current" in head for head in brief)
    assert brief < whole
    assert any("grid current" in head for head in whole)


def test_points_of_a_sweep_are_marked():
    stage = simwrap.stage("triode_gain", valve="12AU7", cathode_resistor="100", anode_resistor="10k")
    data = simwrap.sweep(stage, {"supply": [150, 450]}, ["bias"])
    (table,) = sweep_tables(data)
    assert table.rows[1][-1] == "OVER"
    assert "exceeds" in str(data["warnings"].values[1])


def test_values_stand_once_and_only_where_a_part_is_there():
    line = simwrap.measure(simwrap.stage("triode_gain", cathode_capacitor=0), ["bias"]).values_line()
    assert "Ra 100 kΩ" in line
    assert "Ck" not in line
    assert "Rk' " not in line
