"""The library against published rows, stages simulated by the engines.

Goals are those of issue 3. Rows that contradict others are left out and named here; each such row
says why in its valve's file. Sources stand in tests/reference/valves/.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from published_rows import chart_rows, distortion_at, gain_and_currents, median_and_worst, number, printed

from simwrap.valves import get_valve
from simwrap.valves.record import Chart

#: Type in the reference files, name here.
TRIODES = {
    "12AX7/ECC83": "12AX7",
    "12AU7/ECC82": "12AU7",
    "12AT7/ECC81": "12AT7",
    "12AY7": "12AY7",
    "6DJ8/ECC88": "6DJ8",
    "6SN7GTB": "6SN7GTB",
    "6SL7GT": "6SL7GT",
    "ECL82/6BM8": "ECL82",
    "ECL86": "ECL86",
}


def chart_of(name: str, row: dict[str, str]) -> Chart:
    """Return the row of the valve's file that is this printed row."""
    wanted = [number(row, column) for column in ("Vbb_V", "Ra_ohm", "Rk_ohm", "Rg_next_ohm")]
    found = [
        chart
        for chart in get_valve(name).charts
        if [chart.supply, chart.anode_resistor, chart.cathode_resistor, chart.next_grid_leak] == wanted
    ]
    assert len(found) == 1, wanted
    return found[0]


@cache
def errors(name: str, printed_type: str, use: str) -> dict[str, tuple[float, ...]]:
    """Return the errors of all rows of one use: gain and current relative, distortion in points."""
    valve = get_valve(name)
    found: dict[str, list[float]] = {"gain": [], "current": [], "distortion": []}
    for row in chart_rows([printed_type]):
        if valve.kind == "pentode" and not row["Rg2_ohm"]:
            continue  # the same row is printed again, with its screen resistor
        chart = chart_of(name, row)
        if chart.use != use:
            continue
        gain, anode, cathode = gain_and_currents(valve, row)
        if row["gain"] and "gain" not in chart.contradicts:
            found["gain"].append(gain / float(row["gain"]) - 1.0)
        if row["Ia_mA"]:
            found["current"].append(1e3 * anode / float(row["Ia_mA"]) - 1.0)
        if row["Ik_mA"]:
            found["current"].append(1e3 * cathode / float(row["Ik_mA"]) - 1.0)
        if row["dist_pct"] and use == "check" and valve.kind == "triode":
            found["distortion"].append(distortion_at(valve, row) - float(row["dist_pct"]))
    return {quantity: tuple(values) for quantity, values in found.items()}


@pytest.mark.parametrize("use", ["check", "calibrate"])
@pytest.mark.parametrize(
    ("name", "printed_type", "median", "worst"),
    [
        ("12AX7", "12AX7/ECC83", 0.015, 0.05),
        ("6SL7GT", "6SL7GT", 0.015, 0.05),
        ("12AU7", "12AU7/ECC82", 0.025, 0.08),
    ],
)
def test_chart_gain(name: str, printed_type: str, median: float, worst: float, use: str) -> None:
    """Gain of resistance-coupled stages, rows that did not calibrate and rows that did."""
    found = median_and_worst(errors(name, printed_type, use)["gain"])
    assert found[0] <= median, found
    assert found[1] <= worst, found


SMALL_PENTODES = [("EF86", "EF86/6267"), ("6AU6", "6AU6"), ("6SJ7", "6SJ7")]


@pytest.mark.parametrize(("name", "printed_type"), SMALL_PENTODES)
def test_small_pentode_chart_gain_worst(name: str, printed_type: str) -> None:
    """Gain of pentode stages with their screen resistors, rows that did not calibrate."""
    assert median_and_worst(errors(name, printed_type, "check")["gain"])[1] <= 0.07


@pytest.mark.parametrize(
    ("name", "printed_type"),
    [
        ("EF86", "EF86/6267"),
        ("6AU6", "6AU6"),
        ("6SJ7", "6SJ7"),
    ],
)
def test_small_pentode_chart_gain_median(name: str, printed_type: str) -> None:
    """The same, median."""
    assert median_and_worst(errors(name, printed_type, "check")["gain"])[0] <= 0.025


@pytest.mark.parametrize(
    "name",
    [
        "EF86",
        "6AU6",
        pytest.param("6SJ7", marks=pytest.mark.xfail(reason="the chart's own rows scatter by 5 %, four calibrate")),
    ],
)
def test_small_pentode_chart_gain_with_halves_exchanged(name: str) -> None:
    """The same goals for constants fitted to the other half, as recorded by the rebuild."""
    rows = [row for row in get_valve(name).fitted.exchanged if row["quantity"] == "gain"]
    found = median_and_worst([row["error"] for row in rows])
    assert found[0] <= 0.025, found
    assert found[1] <= 0.07, found


@pytest.mark.xfail(reason="the row at 200 V with 220 k (graded low) is 7.6 % off, the median 2.2 %")
def test_ef86_chart_current() -> None:
    """Cathode current of stages, rows that did not calibrate."""
    found = median_and_worst(errors("EF86", "EF86/6267", "check")["current"])
    assert found[0] <= 0.02, found
    assert found[1] <= 0.06, found


def test_12ax7_chart_current() -> None:
    """Anode current of stages, rows that did not calibrate."""
    found = median_and_worst(errors("12AX7", "12AX7/ECC83", "check")["current"])
    assert found[0] <= 0.02, found
    assert found[1] <= 0.06, found


def test_12ax7_distortion_worst() -> None:
    """THD at the printed output, simulated in time, rows that did not calibrate."""
    assert median_and_worst(errors("12AX7", "12AX7/ECC83", "check")["distortion"])[1] <= 0.8


@pytest.mark.xfail(reason="0.40 points: the maker's table distorts less at 400 V and more at 200 V than the law")
def test_12ax7_distortion_median() -> None:
    """The goal of 0.3 points is not reached with this half; with the halves exchanged it is (0.23)."""
    assert median_and_worst(errors("12AX7", "12AX7/ECC83", "check")["distortion"])[0] <= 0.3


@pytest.mark.parametrize(
    ("name", "quantity", "median", "worst"),
    [
        ("12AX7", "gain", 0.015, 0.05),
        ("12AX7", "distortion", 0.3, 0.8),
        ("6SL7GT", "gain", 0.015, 0.05),
        ("12AU7", "gain", 0.025, 0.08),
    ],
)
def test_halves_exchanged(name: str, quantity: str, median: float, worst: float) -> None:
    """The same goals for constants fitted to the other half, as recorded by the rebuild."""
    rows = [row for row in get_valve(name).fitted.exchanged if row["quantity"] == quantity]
    assert {row["use"] for row in rows} == {"check"}
    found = median_and_worst([row["error"] for row in rows if row["row"].startswith("charts")])
    assert found[0] <= median, found
    assert found[1] <= worst, found


@pytest.mark.xfail(reason="3.5 %: the maker's currents at 220 k are 3 to 6 % lower than the law's")
def test_halves_exchanged_12ax7_current() -> None:
    """The goal of 2 % is met by the shipped half and missed by the other."""
    rows = [row for row in get_valve("12AX7").fitted.exchanged if row["quantity"] == "anode_current"]
    assert median_and_worst([row["error"] for row in rows if row["row"].startswith("charts")])[0] <= 0.02


#: Printed numbers that contradict others: (type, Va, Vg or Rk, quantities).
CONTRADICTING = {
    # 1.05 mA in 1.5 k is 1.575 V, not 1.6 V; gm * ra is 12 % above the printed mu.
    ("12AX7/ECC83", "195", "-1.6"): {"Ia_mA", "gm_mS", "rp_ohm"},
    # gm 0.8 mS and 18 k fit no other row.
    ("12AU7/ECC82", "85", "-3.3"): {"gm_mS", "rp_ohm"},
    # 3.0 mA where the other maker prints 3.7 mA.
    ("12AT7/ECC81", "100", "-1"): {"Ia_mA", "gm_mS", "rp_ohm"},
    ("12AT7/ECC81", "100", ""): {"Ia_mA", "gm_mS", "rp_ohm"},
    # 22.8 k and mu 40 here, 25 k and 44 at the same point by another maker.
    ("12AY7", "250", "-4"): {"rp_ohm"},
    # mu 42 at 140 V and 1.6 mA (guide values) against 45 to 52 read off the maker's curves at 1.1 mA.
    ("12AT7/ECC81", "140", "-2.4"): {"Ia_mA", "gm_mS", "rp_ohm"},
}


def sheet_errors(cut_off: bool) -> dict[tuple[str, ...], float]:
    """Return errors of Ia, gm and ra at all printed triode points, or of the cut-off currents."""
    found = {}
    for row in printed("characteristics"):
        kind = row["connection"]
        if row["type"] not in TRIODES or kind != "triode" or not row["Va_V"] or not (row["Vg1_V"] or row["Rk_ohm"]):
            continue
        valve = get_valve(TRIODES[row["type"]], kind="triode")
        anode = float(row["Va_V"])
        grid = float(row["Vg1_V"]) if row["Vg1_V"] else -1e-3 * float(row["Ia_mA"]) * float(row["Rk_ohm"])
        slopes = valve.small_signal(anode, grid)
        law = {
            "Ia_mA": 1e3 * valve.currents(anode, grid).anode,
            "gm_mS": 1e3 * slopes.gm,
            "rp_ohm": slopes.ra,
        }
        left_out = CONTRADICTING.get((row["type"], row["Va_V"], row["Vg1_V"]), set())
        for column, value in law.items():
            if row[column] and column not in left_out and (row["Ia_mA"] == "0.01") == cut_off:
                found[row["type"], row["Va_V"], row["Vg1_V"], column, row["variant"]] = (
                    float(value) / float(row[column]) - 1
                )
    return found


def test_sheet_points_median() -> None:
    """Ia, gm and ra of all triodes at the printed points."""
    found = sheet_errors(False)
    assert len(found) > 40
    assert median_and_worst(list(found.values()))[0] <= 0.02


def test_sheet_points_worst() -> None:
    """No printed point that isn't contradicted is further off than 5 %."""
    assert {key: error for key, error in sheet_errors(False).items() if abs(error) > 0.05} == {}


#: Output valves and pentodes: type in the reference files, name here.
OTHERS = {
    "6AU6": "6AU6", "EF86/6267": "EF86", "6SJ7": "6SJ7", "EL84/6BQ5": "EL84", "EL34/6CA7": "EL34", "6V6GT": "6V6GT",
    "6L6GC": "6L6GC", "KT88": "KT88", "6550": "6550", "2A3": "2A3", "300B": "300B",
}  # fmt: skip


@cache
def other_sheet_errors(column: str) -> tuple[float, ...]:
    """Return the errors of one printed quantity of all pentodes and directly heated triodes."""
    found = []
    for row in printed("characteristics"):
        if row["type"] not in OTHERS or not row["Va_V"] or not row[column] or row["Ia_mA"] == "0.01":
            continue
        if not (row["Vg1_V"] or (row["Rk_ohm"] and row["Ia_mA"])):
            continue
        valve = get_valve(OTHERS[row["type"]])
        quantity = {"Ia_mA": "anode_current", "gm_mS": "gm"}[column]
        contradicted = any(
            point.anode_voltage == float(row["Va_V"]) and quantity in point.contradicts for point in valve.points
        )
        if contradicted or row["how_known"] == "seen":
            continue  # a row that was seen is printed again, with all its numbers
        joined = row["connection"] == "triode-connected"
        anode = float(row["Va_V"])
        screen = None if valve.kind == "triode" else anode if joined else float(row["Vg2_V"])
        total = float(row["Ia_mA"]) + float(row["Ig2_mA"] or 0)
        grid = float(row["Vg1_V"]) if row["Vg1_V"] else -1e-3 * total * float(row["Rk_ohm"])
        tap = 1.0 if joined else 0.0
        flow = valve.currents(anode, grid, screen)
        law = {
            "Ia_mA": 1e3 * (flow.anode + tap * flow.screen),
            "gm_mS": 1e3 * valve.small_signal(anode, grid, screen, tap=tap).gm,
        }
        found.append(float(law[column]) / float(row[column]) - 1.0)
    return tuple(found)


@pytest.mark.parametrize("column", ["Ia_mA", "gm_mS"])
def test_sheet_points_of_pentodes_median(column: str) -> None:
    """Anode current and gm at the printed points: median within 2 %."""
    assert len(other_sheet_errors(column)) >= 15
    assert median_and_worst(other_sheet_errors(column))[0] <= 0.02


@pytest.mark.parametrize("column", ["Ia_mA", "gm_mS"])
@pytest.mark.xfail(
    reason="triode-connected EL84 and 6V6GT and the 6550's gm are 6 to 9 % off: one law for all rows of a valve"
)
def test_sheet_points_of_pentodes_worst(column: str) -> None:
    """The goal of 5 % for the worst isn't reached; models/ACCURACY.md names the rows."""
    assert median_and_worst(other_sheet_errors(column))[1] <= 0.05


def test_cut_offs() -> None:
    """Printed grid voltages for 10 uA: within 20 % in current."""
    found = sheet_errors(True)
    assert len(found) >= 5
    assert {key: error for key, error in found.items() if abs(error) > 0.2} == {}


def test_6sn7_chart_gain_is_off_as_said() -> None:
    """Gains of 13 to 14 and the sheet points are 12 % apart: no law meets both, so the goal is 15 %."""
    assert median_and_worst(errors("6SN7GTB", "6SN7GT", "check")["gain"])[1] <= 0.15
    found = errors("6SN7GTB", "6SN7GT", "check")["gain"] + errors("6SN7GTB", "6SN7GT", "calibrate")["gain"]
    assert min(found) > 0.05, "the law now meets the chart: say so in the file"


def test_acceptance_windows() -> None:
    """Makers' acceptance windows hold the law's average valve (6SN7EH data sheet)."""
    valve = get_valve("6SN7GTB")
    assert 7.0e-3 <= valve.currents(250, -8).anode <= 13.0e-3
    slopes = valve.small_signal(250, -8)
    assert 2.0e-3 <= slopes.gm <= 3.6e-3
    assert slopes.mu >= 16.5
    assert valve.currents(250, -18).anode <= 50e-6


@pytest.mark.parametrize(
    ("name", "printed_type"),
    [("GZ34", "GZ34/5AR4"), ("EZ80", "EZ80/6V4"), ("EZ81", "EZ81/6CA4"), ("5U4GB", "5U4GB"), ("5Y3GT", "5Y3GT")],
)
def test_rectifier_drops(name: str, printed_type: str) -> None:
    """Printed drops per anode within 2 % (the printed 5Y3 value of 60 V contradicts the manual's 50 V)."""
    valve = get_valve(name)
    rows = [row for row in printed("characteristics") if row["type"] == printed_type and row["variant"] != "5Y3"]
    assert rows
    for row in rows:
        current = float(row["Ia_mA"]) * 1e-3
        drop = np.linspace(0.5, 1.5, 2001) * float(row["Va_V"])
        found = float(np.interp(current, valve.currents(drop).anode, drop))
        assert found == pytest.approx(float(row["Va_V"]), rel=0.02)


def test_engines_give_the_same_stage() -> None:
    """One stage on both engines."""
    pytest.importorskip("PySpice")
    row = chart_rows(["12AX7/ECC83"])[10]
    first, second = (gain_and_currents(get_valve("12AX7"), row, engine) for engine in ("ngspice", "neospice"))
    np.testing.assert_allclose(first, second, rtol=1e-6)
