"""Worst case: corners without a value are looked for further out, and counted where they stay without one."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest

import simwrap
from simwrap.circuits.render import render
from simwrap.cli import main
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
    data["outcome"] = data["outcome"].astype("<U20")
    data["outcome"].values[0] = "failed"
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


def every_corner(circuit: Any, share: float, hertz: float) -> Any:
    """Return the gain [V/V] of a passive circuit at all corners of its parts, by nodal analysis in numpy."""
    elements = [each for each in render(circuit).elements if each.kind in "rc"]
    names = [factor.name for factor in Tolerances(parts={"resistors": share, "capacitors": share}).factors(circuit)]
    ends = 1.0 + share * (1.0 - 2.0 * ((np.arange(2 ** len(names))[:, None] >> np.arange(len(names))) & 1))
    nodes = {node: k for k, node in enumerate(dict.fromkeys(n for each in elements for n in each.nodes if n != "0"))}
    whole = np.zeros((len(ends), len(nodes), len(nodes)), dtype=complex)
    for each in elements:
        value = float(each.value) * (ends[:, names.index(each.parameter)] if each.parameter in names else 1.0)
        flow = 1.0 / value if each.kind == "r" else 2j * np.pi * hertz * value
        places = [(nodes[n], sign) for n, sign in zip(each.nodes, (1.0, -1.0), strict=True) if n != "0"]
        for row, one in places:
            for column, other in places:
                whole[:, row, column] += one * other * flow
    given, wanted = nodes["n_replay__signal"], nodes[circuit.ports["output"]]
    free = [k for k in range(len(nodes)) if k != given]
    solved = np.linalg.solve(whole[:, free][:, :, free], -whole[:, free, given][..., None])[..., 0]
    return np.abs(solved[:, free.index(wanted)])


@pytest.mark.parametrize(("share", "hertz"), [(0.1, 1e3), (0.4, 1e3), (0.4, 60.0), (0.4, 8e3)])
def test_the_worst_of_fourteen_parts_is_that_of_all_their_corners(share: float, hertz: float) -> None:
    """16,384 corners by a nodal solution of our own; at 40 % the slopes at the middle alone point to other ones."""
    chain = simwrap.circuit(
        {"replay": simwrap.stage("riaa_passive"), "tone": simwrap.stage("tone_passive", bass=0.8, treble=0.3)},
        joins=["replay.output -> tone.input"],
    )
    exact = every_corner(chain, share, hertz)
    assert len(exact) == 2**14
    found = worst_case(chain, {"resistors": share, "capacitors": share}, {"response": {"reference_frequency": hertz}})
    assert found["response.gain"] == pytest.approx((exact.min(), exact.max()), rel=1e-5)
    assert found.data.sizes["corner"] < 2**13


def test_how_extremes_were_found_stands_beside_them() -> None:
    chain = simwrap.stage("two_stage_preamplifier")
    many = worst_case(chain, PARTS, ["bias"])
    words = "corners of 8 of 12 factors, the rest by their slope"
    assert many.found_by("v1.anode_current") == words
    assert words in many.summary
    node = next(name for name in many.nominal if name.startswith("bias.nodes."))
    assert many.found_by(node) == "the two corners that its slopes point to"
    assert many.HEAD[5] == "found by"
    assert {row[5] for row in many.rows()} == {words}
    assert many.data["bias.valves.v1.anode_current"].attrs["found_by"] == words
    few = worst_case(simwrap.stage("coupling"), PARTS, ["response"])
    assert {row[5] for row in few.rows()} == {"all corners"}


def test_json_says_how_extremes_were_found(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["tolerance", "coupling", "--builds", "5", "--measure", "response", "--worst", "--json"])
    told = json.loads(capsys.readouterr().out)["worst_case"]
    assert told["found_by"]["response.gain"] == "all corners"
    with pytest.raises(SystemExit):
        main(["tolerance", "coupling", "--builds", "5", "--measure", "response", "--worst"])
    assert "all corners" in " ".join(capsys.readouterr().out.split())
