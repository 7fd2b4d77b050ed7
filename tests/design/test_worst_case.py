"""Worst case: corners without a value are looked for further out, and counted where they stay without one."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

import simwrap
from simwrap.design.tolerance import Tolerances
from simwrap.design.worst_case import WorstCase, worst_case

PARTS = {"resistors": "5 %", "capacitors": "10 %"}


def low_pass(capacitor: Any) -> Any:
    """One resistor and one capacitor: its corner is 1 / (2 pi R C)."""
    return simwrap.stage(
        "fm_deemphasis", source_resistance=0, series_resistor="50k", capacitor=capacitor, load_resistor=0,
        load_capacitance=0,
    )  # fmt: skip


def corner(capacitor: float) -> float:
    return 1.0 / (2.0 * math.pi * 50e3 * capacitor)


def test_corners_beyond_the_usual_frequencies_are_found() -> None:
    """Half of the corners lie above 1 MHz, where a response usually ends; the closed form has them all."""
    found = worst_case(low_pass("3p2"), PARTS, ["response"])
    low, high = found["high_corner"]
    assert low == pytest.approx(corner(3.2e-12) / (1.05 * 1.10), rel=1e-3)
    assert high == pytest.approx(corner(3.2e-12) / (0.95 * 0.90), rel=1e-3)
    assert low < 1e6 < high
    assert found.missing("high_corner") == 0
    assert "no value" not in found.summary


def test_the_nominal_value_is_found_further_out_too() -> None:
    found = worst_case(low_pass("1p"), PARTS, ["response"])
    assert found.nominal["response.high_corner"] == pytest.approx(corner(1e-12), rel=1e-3)


def test_corners_without_a_value_are_counted_and_said() -> None:
    """A range that was asked for is kept: what lies outside of it has no value, and the summary says so."""
    given = {"response": {"start": 10.0, "stop": 1.05e6, "per_decade": 40, "reference_frequency": 10.0}}
    found = worst_case(low_pass("3p2"), PARTS, given)
    exact = [corner(3.2e-12) / (r * c) for r in (0.95, 1.05) for c in (0.9, 1.1)]
    outside = sum(value > 1.05e6 for value in exact)
    assert 0 < outside < 4
    assert found.missing("high_corner") == outside
    assert f"high_corner has no value at {outside} corners" in found.summary
    assert "may lie further out" in found.summary
    row = next(row for row in found.rows() if row[0] == "response.high_corner")
    assert row[-1] == str(outside)


def test_corners_that_fail_are_told_apart_from_those_without_a_value() -> None:
    found = worst_case(low_pass("1n"), PARTS, ["response"])
    data = found.data.copy(deep=True)
    data["status"] = data["status"].astype("<U20")
    data["status"].values[0] = "did not converge"
    data["response.high_corner"].values[0] = np.nan
    failed = WorstCase(data, found.method, found.nominal)
    assert failed.failed == 1
    assert "1 of 4 corners could not be simulated" in failed.summary
    assert "no value" not in failed.summary


def test_all_that_varies_may_come_as_one_object() -> None:
    stage = simwrap.stage("triode_gain")
    one = worst_case(stage, Tolerances(valves={"mu": "10 %"}, supplies="5 %"), ["bias"])
    other = worst_case(stage, None, ["bias"], valve_spread={"mu": "10 %"}, supply_variation="5 %")
    assert one.data.identical(other.data)
