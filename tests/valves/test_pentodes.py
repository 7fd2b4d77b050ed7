"""Output valves against published output-stage rows, each row left out of its own fit, and the rows in the engine.

Goals are what a builder can use, as parts and makers differ by more. The rows as printed stand in
tests/reference/valves/output_stage.csv; each valve's file gives their source, how they are known, and why a row
contradicts others.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from published_rows import assert_reached, median_and_worst, number, printed, row_conditions, solve_row
from stage_runs import operating, steady, thd

from simwrap.circuits.stage import stage
from simwrap.errors import InputError
from simwrap.fitting.cross_validation import LeftOut, leave_out, twins
from simwrap.fitting.fit import fit_section
from simwrap.fitting.output_rows import drive_of, label_of, stage_of
from simwrap.fitting.rebuild import read_hand_part
from simwrap.valves import get_valve, models_folder
from simwrap.valves.schema import OutputRow


def summary(table: list[LeftOut]) -> dict[str, NDArray[np.float64]]:
    """Return quantity -> [median and worst error calibrated, median and worst left out], without contradicting rows."""
    out = {}
    for quantity in dict.fromkeys(row.number.quantity for row in table if row.counts):
        pairs = np.abs([(r.calibrated, r.left_out) for r in table if r.counts and r.number.quantity == quantity])
        out[quantity] = np.array([np.median(pairs[:, 0]), pairs[:, 0].max(), np.median(pairs[:, 1]), pairs[:, 1].max()])
    return out


#: Type in the reference file, name and kind here.
TYPES = {
    "EL84/6BQ5": ("EL84", "pentode"),
    "EL34/6CA7": ("EL34", "pentode"),
    "6V6GT": ("6V6GT", "pentode"),
    "6L6GC": ("6L6GC", "pentode"),
    "KT88": ("KT88", "pentode"),
    "6550": ("6550", "pentode"),
    "ECL82/6BM8": ("ECL82", "pentode"),
    "ECL86": ("ECL86", "pentode"),
    "2A3": ("2A3", "triode"),
    "300B": ("300B", "triode"),
}

#: Left-out rows that miss a goal for the worst row, why, and the largest error found (relative, or points).
KNOWN_MISSES = {
    # The sheet contradicts itself: its triode-connected curves pass 13 mA at 300 V and -15 V, where this row has 8.3 mA
    # at -14.7 V (anode and screen). With the curves in the fit it can't be met, nor its power.
    ("EL84", "pair, 300 V, g2 300 V, -14.7 V, load 8000 ohm", "anode_current_zero"): 0.562,
    ("EL84", "pair, 300 V, g2 300 V, -14.7 V, load 8000 ohm", "power"): 0.125,
    ("EL84", "single, triode-connected, 250 V, 270 ohm, load 3500 ohm", "power"): 0.125,
    # The only push-pull row of its type; a cut-off without a shoulder has less current there.
    ("KT88", "pair, 560 V, g2 300 V, -34 V, load 4500 ohm", "anode_current_zero"): 0.105,
    # 10 % is printed; the law, which meets the same sheet's 170 V row to 0.3 points, gives 12.2 %.
    ("ECL82", "single, 200 V, g2 200 V, -16 V, load 5600 ohm", "distortion"): 2.7,
    # 5 % is printed at full power; the law clips more gently. The single ones print 10 and 8 % and get 2 points more.
    ("EL34", "single, 250 V, g2 265 V, -13.5 V, load 2000 ohm", "distortion"): 2.35,
    ("EL34", "single, triode-connected, 375 V, 370 ohm, load 3000 ohm", "distortion"): 2.25,
    ("EL34", "pair, supply 375 V, 130 ohm, load 3400 ohm", "distortion"): 2.4,
    ("EL34", "pair, supply 800 V, g2 400 V, -39 V, load 11000 ohm", "distortion"): 2.1,
    ("EL34", "single, 250 V, g2 265 V, -13.5 V, load 2000 ohm", "power"): 0.122,
    # With the seen curves at 50 V in the fit the knee is softer than these rows ask for.
    ("6V6GT", "single, 180 V, g2 180 V, -8.5 V, load 5500 ohm", "distortion"): 2.4,
    ("6V6GT", "pair, 250 V, g2 250 V, -15 V, load 10000 ohm", "distortion"): 4.24,
}


@cache
def left_out(quantity: str) -> dict[tuple[str, str, str], float]:
    """Return the error of each number of one quantity of output stages, its row left out of the fit."""
    found = {}
    for name, kind in TYPES.values():
        for entry in get_valve(name, kind=kind).fitted.left_out:
            if entry["row"].startswith("outputs") and entry["quantity"] == quantity and entry["use"] != "contradicts":
                found[name, f"{entry['row']} {entry['label']}", quantity] = float(entry["error"])
    return found


def known(key: tuple[str, str, str]) -> float | None:
    return KNOWN_MISSES.get((key[0], key[1].split(" ", 1)[1], key[2]))


@pytest.mark.parametrize(
    ("quantity", "count", "median", "worst"),
    [
        ("anode_current_zero", 40, 0.025, 0.10),
        ("power", 30, 0.03, 0.10),
        ("distortion", 30, 1.0, 2.0),
    ],
)
def test_output_stages_left_out(quantity: str, count: int, median: float, worst: float) -> None:
    """Zero-signal current, power and distortion at the printed drive; medians over all rows, known misses too.

    The goal of 3 % for power is just missed.
    """
    found = left_out(quantity)
    assert len(found) >= count
    assert_reached(median_and_worst(list(found.values()))[0], median, {"power": 0.0312}.get(quantity))
    over = {key: error for key, error in found.items() if abs(error) > worst and known(key) is None}
    assert over == {}


@pytest.mark.parametrize(("name", "label", "quantity"), KNOWN_MISSES)
def test_known_misses_are_what_they_are_said_to_be(name: str, label: str, quantity: str) -> None:
    """No worse than said, and still a miss: else they leave the list."""
    errors = [abs(error) for key, error in left_out(quantity).items() if key[0] == name and key[1].endswith(label)]
    assert errors
    assert max(errors) <= KNOWN_MISSES[name, label, quantity]
    assert max(errors) > {"anode_current_zero": 0.10, "power": 0.10, "distortion": 2.0}[quantity]


@pytest.mark.parametrize("quantity", ["screen_current_zero", "screen_current_max"])
def test_screen_currents_left_out_median(quantity: str) -> None:
    """Median within 10 % at rest, and 11.5 % with drive, which is missed: curves at low anode voltage ask for more."""
    found = median_and_worst(list(left_out(quantity).values()))
    goal, miss = {"screen_current_zero": (0.10, None), "screen_current_max": (0.115, 0.153)}[quantity]
    assert_reached(found[0], goal, miss)


@pytest.mark.parametrize("quantity", ["anode_current", "gm"])
def test_sheet_points_of_power_valves_left_out(quantity: str) -> None:
    """Each point left out of its own fit. The goal of 2 % is for points in the fit; left out it is 2.0 to 2.7 %."""
    errors = [
        abs(float(entry["error"]))
        for name, kind in TYPES.values()
        for entry in get_valve(name, kind=kind).fitted.left_out
        if entry["row"].startswith("points")
        and entry["quantity"] == quantity
        and entry["published"] > 20e-6
        and "reading_error" not in entry
    ]
    assert len(errors) > 20
    assert np.median(errors) <= 0.028


def test_left_out_tables_are_what_a_fresh_run_gives() -> None:
    """The smallest file, fitted and left out again."""
    section = read_hand_part(models_folder() / "ecl86.toml").pentode
    assert section is not None
    result = fit_section(section, "pentode")
    table = leave_out(section, "pentode", result)
    stored = {(e["row"], e["quantity"]): float(e["error"]) for e in get_valve("ECL86", kind="pentode").fitted.left_out}
    fresh = {(each.number.row, each.number.quantity): each.left_out for each in table}
    assert stored.keys() == fresh.keys()
    for key, error in fresh.items():
        assert stored[key] == pytest.approx(error, abs=2e-3), key
    medians = summary(table)
    assert medians["power"][2] == pytest.approx(abs(fresh["outputs[0]", "power"]))


def test_rows_printed_twice_are_left_out_together() -> None:
    section = read_hand_part(models_folder() / "6l6gc.toml").pentode
    assert section is not None
    groups = twins(section)
    same = [f"outputs[{index}]" for index, row in enumerate(section.outputs) if row.grid_voltage == -37]
    assert len(same) == 2
    assert len({groups[name] for name in same}) == 1


def test_files_hold_the_rows_as_printed() -> None:
    """Every row of the reference file that can be run is in its valve's file, with the printed numbers."""
    seen = 0
    for row in printed("output_stage"):
        va, supply = number(row, "Va_V"), number(row, "Vb_V")
        load = number(row, "RL_or_Raa_ohm")
        grid, cathode = number(row, "Vg1_V"), number(row, "Rk_ohm")
        if load is None or (va is None and supply is None) or (grid is None and cathode is None):
            continue
        if row["type"] == "EL34/6CA7" and row["how_known"] == "seen":
            continue  # the 800 V row again, with its anode voltage
        name, kind = TYPES[row["type"]]
        wanted = (row["topology"][:2], load, number(row, "Po_W"), number(row, "drive_V"), grid, cathode)
        voltages = {va, supply}
        found = [
            each
            for each in get_valve(name, kind=kind).outputs
            if (each.topology, each.load, each.power, each.grid_voltage, each.cathode_resistor)
            == (wanted[0], wanted[1], wanted[2], wanted[4], wanted[5])
            and (each.drive == wanted[3] or wanted[3] is None)
            and (each.supply if each.supply is not None else each.anode_voltage) in voltages
        ]
        assert found, wanted
        for quantity, column in (
            ("anode_current_zero", "Ia0_mA"),
            ("anode_current_max", "Ia_max_mA"),
            ("screen_current_zero", "Ig2_0_mA"),
            ("screen_current_max", "Ig2_max_mA"),
        ):
            assert getattr(found[0], quantity) == pytest.approx(
                None if number(row, column) is None else 1e-3 * float(row[column])
            )
        assert found[0].distortion == number(row, "THD_pct")
        seen += 1
    assert seen >= 45


RUN_IN_ENGINE = [
    ("EL84", "pentode", "single, 250 V, g2 250 V, -7.3 V, load 5200 ohm"),
    ("EL84", "pentode", "pair, triode-connected, 250 V, 270 ohm, load 10000 ohm"),
    ("EL34", "pentode", "pair, supply 375 V, 130 ohm, load 3400 ohm"),
    ("6V6GT", "pentode", "pair, 250 V, g2 250 V, -15 V, load 10000 ohm"),
    ("6L6GC", "pentode", "single, triode-connected, 250 V, -20 V, load 5000 ohm"),
    ("2A3", "triode", "pair, 300 V, -62 V, load 3000 ohm"),
]


@pytest.mark.parametrize(("name", "kind", "label"), RUN_IN_ENGINE)
def test_published_rows_in_the_engine(name: str, kind: str, label: str) -> None:
    """The stage templates give what the quasi-static solution gives: 0.1 %, 0.02 points of distortion."""
    valve = get_valve(name, kind=kind)
    row = next(each for each in valve.outputs if label_of(each) == label)  # the first: full drive
    oracle = solve_row(valve.constants, row)
    assert oracle.converged
    assert oracle.grid_voltage_max < 0.2, "grid current would make another problem of it"
    conditions = row_conditions(row, cathode_voltage=float(oracle.cathode_voltage_zero_signal))
    made = stage(conditions.pop("template"), valve=name, **conditions)
    valves = list(made.valves)
    anodes = [f"n_{each}_ia" for each in valves]
    screens = [f"n_{each}_ig2" for each in valves] if kind == "pentode" else []
    still = operating(made, engine="ngspice")
    drive = drive_of(row)
    assert drive is not None
    moving = steady(made, np.sqrt(2.0) * drive, "n_speaker", *anodes, *screens, engine="ngspice")
    speaker = moving["n_speaker"]
    found = {
        "output_power": float(np.mean(speaker**2)) / made.values["speaker_impedance"],
        "anode_current_zero_signal": 1e-3 * sum(still[node] for node in anodes),
        "screen_current_zero_signal": 1e-3 * sum(still[node] for node in screens),
        "anode_current": 1e-3 * sum(float(np.mean(moving[node])) for node in anodes),
        "screen_current": 1e-3 * sum(float(np.mean(moving[node])) for node in screens),
    }
    for quantity, value in found.items():
        assert value == pytest.approx(float(getattr(oracle, quantity)), rel=1e-3, abs=1e-9), quantity
    assert 100 * thd(speaker) == pytest.approx(100 * float(oracle.thd), abs=0.02)


def test_conditions_follow_what_is_printed() -> None:
    common = {"source": "s", "load": 8000.0}
    row = OutputRow(topology="PP", supply=300.0, cathode_resistor=130.0, drive=10.0, **common)
    conditions = row_conditions(row)
    assert conditions["supply"] == conditions["screen_supply"] == 300.0
    assert conditions["bias"] == "cathode"
    assert conditions["cathode_resistor"] == 130.0
    assert conditions["cathode_connection"] == "shared"
    assert float(stage_of(row).cathode_resistor) == 260.0
    to_cathode = OutputRow(
        topology="PP", anode_voltage=250.0, screen_voltage=200.0, cathode_resistor=100.0, anode_current_zero=0.08,
        screen_current_zero=0.02, **common,
    )  # fmt: skip
    assert row_conditions(to_cathode)["supply"] == pytest.approx(260.0)
    assert row_conditions(to_cathode)["screen_supply"] == pytest.approx(210.0)
    assert row_conditions(to_cathode, cathode_voltage=12.0)["supply"] == pytest.approx(262.0)
    both = OutputRow(topology="SE", anode_voltage=250.0, grid_voltage=-7.3, cathode_resistor=135.0, **common)
    assert row_conditions(both)["bias"] == "fixed"
    assert row_conditions(both)["supply"] == 250.0
    tapped = OutputRow(topology="PP", supply=430.0, connection="ultra-linear", tap=0.43, grid_voltage=-30.0, **common)
    assert row_conditions(tapped)["screen_tap"] == 0.43
    assert "screen_supply" not in row_conditions(tapped)
    for kind, factor in (("peak", 0.5**0.5), ("peak g-g", 0.5**1.5), ("rms per grid", 1.0)):
        printed_drive = OutputRow(topology="SE", supply=1.0, drive=2.0, drive_kind=kind, **common)
        assert drive_of(printed_drive) == pytest.approx(2 * factor)


def test_rows_that_cannot_be_run_say_why() -> None:
    with pytest.raises(InputError, match="neither supply nor anode_voltage"):
        stage_of(OutputRow(topology="SE", load=5000.0, source="s", grid_voltage=-10.0))
    with pytest.raises(InputError, match="neither grid_voltage nor cathode_resistor"):
        stage_of(OutputRow(topology="SE", load=5000.0, source="s", supply=250.0))
    with pytest.raises(InputError, match='"average" isn\'t known'):
        drive_of(OutputRow(topology="SE", load=5000.0, source="s", drive=1.0, drive_kind="average"))
    with pytest.raises(InputError, match="give cathode_voltage"):
        row_conditions(OutputRow(topology="SE", load=5000.0, source="s", anode_voltage=250.0, cathode_resistor=100.0))


@pytest.mark.parametrize("name", ["6AU6", "EF86", "6V6GT", "EL34"])
def test_a_screen_below_its_cathode_takes_no_current(name):
    """A positive electrode current at a negative electrode would be a source of energy (elementary)."""
    from simwrap.valves import get_valve

    valve = get_valve(name)
    screens = np.linspace(-100.0, 100.0, 401)
    current = np.asarray(valve.currents(150.0, 0.0, screens).screen)
    assert current[screens <= -1.0].max() < 2e-2 * current[-1]
    assert current[screens <= -50.0].max() < 1e-4 * current[-1]
    assert (np.diff(current) >= 0).all()


@pytest.mark.parametrize("name", ["EL84", "6V6GT", "6L6GC", "EF86"])
def test_what_the_anode_turns_back_lowers_the_cathode_current(name: str) -> None:
    """A part of it never left the cathode: below the knee the sum falls, with none of it the screen has it all."""
    from dataclasses import replace

    valve = get_valve(name)
    part = float(valve.constants.turned_back)
    assert 0.0 < part < 1.0
    anode = np.array([1.0, 10.0, 300.0])
    all_land = replace(valve, constants=replace(valve.constants, turned_back=0.0))
    found, kept = valve.currents(anode, 0.0, 250.0), all_land.currents(anode, 0.0, 250.0)
    np.testing.assert_allclose(found.anode, kept.anode, rtol=1e-12)
    missing = (kept.anode + kept.screen) - (found.anode + found.screen)
    assert min(missing[0], missing[1]) > 3.0 * missing[2] >= 0.0
    assert missing[1] > 0.3 * part * kept.anode[2]
