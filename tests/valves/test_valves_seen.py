"""The laws beside whole families of curves, charts and grid currents read by eye from scans of makers' sheets.

Rows as printed, each with its source and reading error, in tests/reference/valves/seen.csv; all were seen. The curve
points calibrate the constants; the rebuild also fits without each half of them, and the goals are asked of the points
that were left out as well (``left_out`` in each valve's file).
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from published_rows import assert_reached, printed

from simwrap.valves import get_valve

#: Type in the reference file -> type here, and its section.
TYPES = {
    "12AT7": ("12AT7", "triode"),
    "12AU7": ("12AU7", "triode"),
    "12AX7": ("12AX7", "triode"),
    "6SN7GT": ("6SN7GT", "triode"),
    "6L6GC": ("6L6GC", "pentode"),
    "6V6GT": ("6V6GT", "pentode"),
    "EL84": ("EL84", "pentode"),
}
SI = {"mA": 1e-3, "uA": 1e-6, "A": 1.0}


@dataclass(frozen=True)
class Read:
    """One current read off a curve: what the sheet says [A], the law's error, and that of the fit without its half."""

    type: str
    quantity: str
    condition: str
    published: float
    error: float
    left_out: float


def volts(condition: str, name: str) -> float | None:
    """Return the voltage called ``name`` in a printed condition."""
    found = re.search(rf"\b{name} ([+-]?[0-9.]+) V", condition)
    return float(found[1]) if found else None


@cache
def curves() -> list[Read]:
    """Return every current that was read off a family of curves at a printed anode and grid voltage."""
    found = []
    for row in printed("seen"):
        quantity, condition = row["quantity"], row["condition"]
        anode, grid = volts(condition, "Va"), volts(condition, "Vg1?")
        if row["type"] not in TYPES or row["kind"] != "characteristic" or "read off" not in row["note"]:
            continue
        if quantity not in ("anode_current", "screen_current", "grid_current") or anode is None or grid is None:
            continue
        name, kind = TYPES[row["type"]]
        valve = get_valve(name, kind=kind)
        joined = condition.startswith("triode-connected")
        flow = valve.currents(anode, grid, anode if joined else volts(condition, "Vg2"))
        law = getattr(flow, quantity.removesuffix("_current")) + (flow.screen if joined else 0.0)
        published = float(row["value"]) * SI[row["unit"]]
        rows = [
            f"points[{index}]"
            for index, p in enumerate(valve.points)
            if p.reading_error
            and (p.connection == "triode-connected") == joined
            and (p.anode_voltage, p.grid_voltage) == (anode, grid)
            and p.screen_voltage == (None if joined else volts(condition, "Vg2"))
            and getattr(p, quantity) == pytest.approx(published, rel=1e-6)
        ]
        (left_out,) = (
            entry["error"]
            for entry in valve.fitted.left_out
            if entry["row"] in rows[:1] and entry["quantity"] == quantity
        )
        found.append(Read(row["type"], quantity, condition, published, float(law) / published - 1.0, left_out))
    return found


def of_type(quantity: str, *, above: float = 0.0) -> dict[str, list[Read]]:
    """Return the points by type, those above a share of the largest current of their type."""
    groups = defaultdict(list)
    for read in curves():
        if read.quantity == quantity:
            groups[read.type].append(read)
    return {
        name: [r for r in reads if r.published >= above * max(s.published for s in reads)]
        for name, reads in groups.items()
    }


def medians(groups: dict[str, list[Read]], error: str) -> dict[str, float]:
    """Return the median magnitude of an error by type."""
    return {name: float(np.median([abs(getattr(r, error)) for r in reads])) for name, reads in groups.items()}


def test_anode_current_over_curves() -> None:
    """Goals: mean of the types' medians 3 %, worst type's median 6 %."""
    found = medians(of_type("anode_current", above=0.1), "error")
    assert len(found) == len(TYPES)
    assert np.mean(list(found.values())) <= 0.03, found
    assert max(found.values()) <= 0.06, found


def test_anode_current_over_curves_that_did_not_calibrate() -> None:
    """The same points, each predicted by constants fitted without its half; the mean of 3 % is missed."""
    found = medians(of_type("anode_current", above=0.1), "left_out")
    assert_reached(float(np.mean(list(found.values()))), 0.03, 0.0302)
    assert max(found.values()) <= 0.06, found


def test_no_curve_point_is_far_off() -> None:
    """No point above a tenth of its set's largest current is further off than 20 %."""
    far = [
        (r.type, r.condition, round(100 * r.error))
        for reads in of_type("anode_current", above=0.1).values()
        for r in reads
        if abs(r.error) > 0.20
    ]
    assert not far


@pytest.mark.parametrize("error", ["error", "left_out"])
def test_grid_current_over_curves(error: str) -> None:
    """Curves with positive grid: the worst type's median is within 25 %, also where its half didn't calibrate."""
    found = medians(of_type("grid_current"), error)
    assert set(found) == {"12AT7", "12AU7"}
    assert max(found.values()) <= 0.25, found


def test_grid_current_falls_as_the_anode_pulls() -> None:
    """As on both makers' curves, and as physics has it: with the anode at the cathode the grid takes all.

    Pentodes aren't here: nothing is known of theirs, and the law lets the grid keep its share whatever the screen.
    """
    for name in ("12AT7", "12AU7", "12AX7"):
        valve = get_valve(name)
        pulled = valve.currents(np.array([0.0, 20.0, 50.0, 100.0, 200.0, 350.0]), 5.0, [0.0, 20, 50, 100, 200, 350])
        assert np.all(np.diff(pulled.grid) < 0)
        assert pulled.grid[-1] < 0.75 * pulled.grid[0]


def test_grid_current_of_published_samples() -> None:
    """A 12AX7's at +1 V lies among three measured samples.

    Dempwolf and Zoelzer, DAFx-11, Paris, 2011: Ig = Gg*(ln(1 + exp(Cg*Vg))/Cg)^xi + Ig0 with the constants of three
    samples (from memory, RSD-1 sure, the others medium).
    """
    samples = [(6.177e-4, 9.901, 1.314), (5.911e-4, 11.76, 1.358), (3.263e-4, 11.99, 1.156)]
    measured = [gg * (np.logaddexp(0.0, cg) / cg) ** xi for gg, cg, xi in samples]
    law = float(get_valve("12AX7").currents(150.0, 1.0).grid)
    assert 0.8 * min(measured) <= law <= 1.25 * max(measured)


@pytest.mark.parametrize("quantity", ["anode_current", "gain"])
def test_seen_charts_stand_in_the_files(quantity: str) -> None:
    """Every chart row of a maker with one stage and a next grid leak is in its valve's file, with what was printed."""
    rows = [
        row
        for row in printed("seen")
        if row["kind"] == "rc_stage"
        and row["quantity"] == quantity
        and "Rg 1 Mohm" in row["condition"]
        and row["type"] in TYPES
    ]
    assert len(rows) == 22
    for row in rows:
        sizes = {
            name: float(found[1]) * (1e3 if found[2] == "kohm" else 1.0)
            for name, pattern in (("supply", "Vb"), ("anode_resistor", "Ra"), ("cathode_resistor", "Rk"),
                                  ("next_grid_leak", "leak"))
            if (found := re.search(rf"\b{pattern} ([0-9.]+) (V|kohm|ohm)", row["condition"]))
        }  # fmt: skip
        charts = [
            chart
            for chart in get_valve(row["type"]).charts
            if all(getattr(chart, name) == pytest.approx(size) for name, size in sizes.items())
        ]
        value = float(row["value"]) * (1e-3 if row["unit"] == "mA" else 1.0)
        assert [getattr(chart, quantity) for chart in charts] == [pytest.approx(value)]
        assert charts[0].how_known == "seen"
