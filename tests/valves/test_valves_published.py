"""The library against published rows, stages simulated by the engines.

Goals are what a builder can use: a few percent, as parts and makers differ by more. Rows that contradict others are
left out and named here; each such row says why in its valve's file. Sources stand in tests/reference/valves/.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from published_rows import (
    SECTIONS,
    assert_reached,
    chart_rows,
    distortion_at,
    gain_and_currents,
    median_and_worst,
    number,
    printed,
)
from scipy.optimize import brentq

from simwrap.valves import Valve, get_valve
from simwrap.valves.schema import Chart

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


#: Goals of chart gains that the library misses, and by what: (type, use of the rows, median or worst).
CHART_GAIN_MISSES = {
    ("12AX7", "check", "median"): 0.0174,
    ("12AU7", "check", "median"): 0.033,
    ("12AU7", "calibrate", "median"): 0.049,
    ("12AU7", "exchanged", "median"): 0.049,
    ("12AU7", "exchanged", "worst"): 0.087,
}


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
    """Gain of resistance-coupled stages, rows that did not calibrate and rows that did.

    12AX7: the median is met by the rows that calibrate and missed by the others, since whole families of two makers'
    curves calibrate too. 12AU7: the RCA chart and the Philips table of what is nearly the same stage lie 10 to 15 %
    apart; the law lies between, 4 to 6 % from either.
    """
    found = median_and_worst(errors(name, printed_type, use)["gain"])
    assert_reached(found[0], median, CHART_GAIN_MISSES.get((name, use, "median")))
    assert_reached(found[1], worst, CHART_GAIN_MISSES.get((name, use, "worst")))


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


@pytest.mark.xfail(
    reason="0.34 points: the maker's table distorts less at 400 V and more at 200 V than the law", strict=True
)
def test_12ax7_distortion_median() -> None:
    """The goal of 0.3 points is not reached with this half; with the halves exchanged it is (0.16)."""
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
    missed = CHART_GAIN_MISSES if quantity == "gain" else {}
    assert_reached(found[0], median, missed.get((name, "exchanged", "median")))
    assert_reached(found[1], worst, missed.get((name, "exchanged", "worst")))


@pytest.mark.xfail(reason="3.5 %: the maker's currents at 220 k are 3 to 6 % lower than the law's")
def test_halves_exchanged_12ax7_current() -> None:
    """The goal of 2 % is met by the shipped half and missed by the other."""
    rows = [row for row in get_valve("12AX7").fitted.exchanged if row["quantity"] == "anode_current"]
    assert median_and_worst([row["error"] for row in rows if row["row"].startswith("charts")])[0] <= 0.02


#: Output valves and pentodes: type in the reference files, name here.
OTHERS = {
    "6AU6": "6AU6", "EF86/6267": "EF86", "6SJ7": "6SJ7", "EL84/6BQ5": "EL84", "EL34/6CA7": "EL34", "6V6GT": "6V6GT",
    "6L6GC": "6L6GC", "KT88": "KT88", "6550": "6550", "2A3": "2A3", "300B": "300B",
}  # fmt: skip

COLUMNS = {"Ia_mA": "anode_current", "gm_mS": "gm", "rp_ohm": "ra"}

#: Printed numbers that are more than 5 % off, with the error found: (type, Va, Vg2, Vg or Rk, column). Nobody's
#: law has to meet them all: by type, two printed rows pull the same constant to either side.
OVER_FIVE_PERCENT = {
    # Rounded guide values at 1.6 mA, against the GE sheet's seen curves of gm, ra and mu, which now calibrate.
    ("12AT7/ECC81", "140", "-", "-2.4", "gm_mS"): 0.175,
    ("12AT7/ECC81", "200", "-", "-1", "rp_ohm"): -0.052,
    # Rounded guide value; and 3.1 mS at 100 V, 0 V beside curves and charts of three makers.
    ("12AU7/ECC82", "85", "-", "-3.3", "Ia_mA"): -0.096,
    ("12AU7/ECC82", "100", "-", "0", "gm_mS"): 0.114,
    # 1.3 mA from memory of another maker; the seen curves pass 1.55 mA at the same drive.
    ("6SN7GTB", "250", "-", "-12.5", "Ia_mA"): -0.132,
    # Printed to one digit; the chart says more.
    ("6AU6", "100", "100", "150", "rp_ohm"): -0.206,
    ("6SJ7", "100", "100", "-3", "rp_ohm"): -0.053,
    # A pentode's and a triode-connected row of the same sheet; the triode is graded med.
    ("6V6GT", "250", "250", "-12.5", "gm_mS"): -0.091,
    # Graded med, at odds with the maker's other row (and with the charts).
    ("EF86/6267", "250", "140", "-2.0", "gm_mS"): -0.055,
    ("EF86/6267", "250", "140", "-2.0", "rp_ohm"): 0.076,
    # Printed gm 11 mS; the same sheet's output stages, power and distortion, need 11.5 to 12.5 mS.
    ("EL34/6CA7", "250", "250", "-12.2", "gm_mS"): 0.120,
    # Anode resistances: the slope of a nearly flat curve, printed to two digits.
    ("EL84/6BQ5", "250", "250", "-7.3", "rp_ohm"): -0.090,
    ("6L6GC", "250", "250", "-14", "rp_ohm"): 0.114,
    ("6L6GC", "300", "200", "-12.5", "rp_ohm"): -0.105,
    ("KT88", "250", "250", "-15", "rp_ohm"): -0.091,
    ("6550", "250", "250", "-14", "rp_ohm"): 0.077,
    ("6550", "400", "225", "-16.5", "rp_ohm"): -0.058,
    ("6L6GC", "250", "250", "-20", "Ia_mA"): 0.055,
    # The price of a cut-off without a shoulder: its few rows ask for one.
    ("KT88", "250", "250", "-15", "Ia_mA"): 0.071,
    # Two sheet points and four output rows pull to either side.
    ("6550", "250", "250", "-14", "gm_mS"): 0.058,
    ("6550", "400", "225", "-16.5", "gm_mS"): 0.078,
}


def bias_of(valve: Valve, row: dict[str, str], anode: float, screen: float | None) -> float:
    """Return the printed grid voltage, or the one that the printed cathode resistor gives."""
    if row["Vg1_V"]:
        return float(row["Vg1_V"])
    resistor = float(row["Rk_ohm"])

    def excess(grid: float) -> float:
        flow = valve.currents(anode, grid, screen)
        return float(flow.anode + flow.screen) * resistor + grid

    return float(brentq(excess, -100.0, 0.0, xtol=1e-9))


@cache
def sheet_errors(types: tuple[tuple[str, str], ...]) -> dict[tuple[str, str, str, str, str], float]:
    """Return relative errors of Ia, gm and ra at all printed points above cut-off that no other row contradicts."""
    found = {}
    names = dict(types)
    for row in printed("characteristics"):
        if row["type"] not in names or not row["Va_V"] or row["Ia_mA"] == "0.01" or not (row["Vg1_V"] or row["Rk_ohm"]):
            continue
        if row["how_known"] == "seen" and row["type"] in OTHERS:
            continue  # printed again below, with all its numbers
        joined = row["connection"] == "triode-connected"
        kind = "triode" if row["connection"] == "triode" else "pentode"
        valve = get_valve(names[row["type"]], kind=kind)
        anode = float(row["Va_V"])
        screen = None if kind == "triode" else anode if joined else float(row["Vg2_V"])
        tap = 1.0 if joined else 0.0
        grid = bias_of(valve, row, anode, screen)
        flow, slopes = valve.currents(anode, grid, screen), valve.small_signal(anode, grid, screen, tap=tap)
        law = {
            "Ia_mA": 1e3 * (flow.anode + tap * flow.screen),
            "gm_mS": 1e3 * slopes.gm,
            "rp_ohm": slopes.ra,
        }
        for column, value in law.items():
            if not row[column]:
                continue
            point = [
                each
                for each in valve.points
                if each.anode_voltage == anode
                and (each.grid_voltage == number(row, "Vg1_V") or not row["Vg1_V"])
                and (joined or each.screen_voltage == number(row, "Vg2_V"))
                and each.connection == ("triode-connected" if joined else "normal")
                and getattr(each, COLUMNS[column])
                == pytest.approx(float(row[column]) * (1.0 if column == "rp_ohm" else 1e-3))
            ]
            assert point, (row, column)
            if not any(each.use == "contradicts" or COLUMNS[column] in each.contradicts for each in point):
                key = (row["type"], row["Va_V"], row["Vg2_V"] or "-", row["Vg1_V"] or row["Rk_ohm"], column)
                found[key] = float(value) / float(row[column]) - 1.0
    return found


BOTH = [tuple(TRIODES.items()), tuple(OTHERS.items())]


@pytest.mark.parametrize("types", BOTH, ids=["triodes", "output valves and pentodes"])
def test_sheet_points_median(types: tuple[tuple[str, str], ...]) -> None:
    """Ia, gm and (of triodes) ra at the printed points: median within 2 % each."""
    found = sheet_errors(types)
    assert len(found) >= 60
    for column in ("Ia_mA", "gm_mS", "rp_ohm") if types == BOTH[0] else ("Ia_mA", "gm_mS"):
        assert median_and_worst([error for key, error in found.items() if key[4] == column])[0] <= 0.02


def test_anode_resistance_of_pentodes_median() -> None:
    """The goal of 2 % isn't reached for the anode resistance of pentodes alone: it is 4.2 %."""
    found = sheet_errors(BOTH[1])
    assert median_and_worst([error for key, error in found.items() if key[4] == "rp_ohm"])[0] <= 0.05


@pytest.mark.parametrize("types", BOTH, ids=["triodes", "output valves and pentodes"])
def test_sheet_points_worst(types: tuple[tuple[str, str], ...]) -> None:
    """No printed point that isn't contradicted is further off than 5 %, but for those named above."""
    over = {key: error for key, error in sheet_errors(types).items() if abs(error) > 0.05}
    named = {key: error for key, error in OVER_FIVE_PERCENT.items() if key[0] in dict(types)}
    assert over == {key: pytest.approx(error, abs=0.005) for key, error in named.items()}


def test_cut_offs() -> None:
    """Printed grid voltages for 10 uA: within 20 % in current; one 6AU6 row of three is 27 % off.

    The three are printed to 0.1 V as approximate; 0.05 V are 15 % of the current there.
    """
    found = {}
    for name in [*TRIODES.values(), *OTHERS.values()]:
        for kind in ("triode", "pentode"):
            if (name, kind) not in SECTIONS:
                continue
            valve = get_valve(name, kind=kind)
            for point in valve.points:
                if point.anode_current is not None and point.anode_current < 20e-6:
                    assert point.grid_voltage is not None
                    law = valve.currents(point.anode_voltage, point.grid_voltage, point.screen_voltage).anode
                    found[name, point.anode_voltage, point.grid_voltage] = float(law) / point.anode_current - 1.0
    assert len(found) >= 9
    assert {key for key, error in found.items() if abs(error) > 0.2} == {("6AU6", 100.0, -4.2)}
    assert found["6AU6", 100.0, -4.2] < 0.27


def test_6sn7_chart_gain_is_off_as_said() -> None:
    """Gains of 13 to 14, and the seen slopes (mu 18.9 to 20.1 down to 1 mA), which ask for 15.5 to 16.5: 20 % apart.

    So the goal of 15 % for the worst is missed.
    """
    assert_reached(median_and_worst(errors("6SN7GTB", "6SN7GT", "check")["gain"])[1], 0.15, 0.196)
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
