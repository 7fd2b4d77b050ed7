"""What a builder reads first: marked warnings, a row a valve, headlines; the rest with the details."""

from __future__ import annotations

import simwrap
from simwrap.simulation.report import marked, tables, values_line


def test_warnings_come_first_and_are_marked():
    hot = simwrap.stage("push_pull_output", cathode_resistor="120 ohm", supply="380 V", screen_supply="310 V")
    found = simwrap.measure(hot, ["bias"])
    first, second, *_ = tables(found)
    marks = [row[0] for row in first.rows]
    assert marks[0] == "OVER"
    assert marks == sorted(marks, key=["OVER", "near", "note"].index)
    assert [row[0] for row in second.rows] == ["v1", "v2"]


def test_details_are_left_out_until_they_are_asked_for():
    found = simwrap.measure(simwrap.stage("triode_gain"), ["bias", "response"])
    brief, whole = (list(tables(found, details=details)) for details in (False, True))
    assert not any("measured under" in table.caption for table in brief)
    assert any("measured under" in table.caption for table in whole)
    response = next(table for table in brief if table.caption == "response")
    assert len(response.rows) == 3
    assert len(next(table for table in whole if table.caption == "response").rows) > 3
    # What no meter shows is zero.
    nodes = dict(next(table for table in brief if table.caption == "voltages to ground").rows)
    assert nodes["n_grid"] == "0 V"
    assert "<details>" in found._repr_html_()


def test_values_stand_once_and_only_where_a_part_is_there():
    line = values_line(simwrap.measure(simwrap.stage("triode_gain", cathode_capacitor=0), ["bias"]))
    assert "Ra 100 kΩ" in line
    assert "Ck" not in line
    assert "Rk' " not in line


def test_marks():
    assert marked("v1: anode dissipation 3 W exceeds its rating of 2 W.") == "OVER"
    assert marked("v1: anode voltage 290 V is within 10 % of its rating of 300 V.") == "near"
    assert marked("something else") == "note"
