"""Finding valves, checking files, the user's own folder, plug-ins, facts, curves and pictures."""

from __future__ import annotations

import copy
import dataclasses
import pickle
import re
import subprocess
import sys
import tomllib
from importlib.metadata import EntryPoint
from pathlib import Path

import numpy as np
import pytest
from published_rows import SECTIONS, printed

from simwrap import registry
from simwrap.errors import FileProblemsError, InputError, UnknownNameError
from simwrap.fitting.rebuild import ACCURACY, accuracy
from simwrap.plots.valve_curves import PICTURES, contact_sheet, curves_figure
from simwrap.valves import (
    facts,
    get_valve,
    library,
    models_folder,
    operating_point,
    schema,
    valve_file,
    valve_names,
)
from simwrap.valves.curves import anode_family, dissipation_hyperbola, drop_curve, round_steps, transfer_family
from simwrap.valves.datasheet import verdict

#: Types that a builder looks for, and another name that each has to be found by ("" where there is none).
WANTED = {
    "12AX7": "ECC83", "12AU7": "ECC82", "12AT7": "ECC81", "6SN7GTB": "6SN7", "6SL7GT": "6SL7", "12AY7": "6072",
    "6DJ8": "ECC88", "6AU6": "EF94", "EF86": "6267", "6SJ7": "6SJ7GT", "EL84": "6BQ5", "EL34": "6CA7",
    "6V6GT": "6V6", "6L6GC": "", "KT88": "", "6550": "", "ECL82": "6BM8", "ECL86": "6GW8", "2A3": "",
    "300B": "", "GZ34": "5AR4", "EZ80": "6V4", "EZ81": "6CA4", "5U4GB": "", "5Y3GT": "5Y3", "1N4007": "",
    "6922": "E88CC", "12BH7A": "12BH7", "KT66": "",
}  # fmt: skip

MINIMAL = """name = "reading room triode"
designations = ["RR1"]
[sources]
mine = "measured on the bench"
[triode]
points = [{ anode_voltage = 100, grid_voltage = -1, anode_current = 1e-3, source = "mine" }]
[triode.constants]
grid_perveance = 5e-4
grid_onset = 0.0
perveance = 1e-3
mu = 50.0
exponent = 1.45
tail_share = 0.1
tail_drop = 0.7
width = 0.2
width_slope = 0.001
contact = 0.5
knee = 20.0
"""


@pytest.mark.parametrize("name", WANTED)
def test_every_wanted_type_is_there(name: str) -> None:
    """By its name in any case, and by another designation."""
    assert get_valve(name.lower()).name == name
    if WANTED[name]:
        other = get_valve(WANTED[name])
        assert other.type_name == name
        assert other.constants == get_valve(name).constants
    content, _ = valve_file(name)
    assert content.summary
    assert content.sources


@pytest.mark.parametrize(("name", "kind"), SECTIONS)
def test_files_hold_what_they_should(name: str, kind: str) -> None:
    """Ratings with their system, a source for every row, capacitances of valves with grids, words of trust."""
    valve = get_valve(name, kind=kind)
    assert valve.ratings.rating_system
    assert valve.ratings.source
    assert valve.points
    assert valve.trust
    if kind != "rectifier":
        assert valve.ratings.anode_dissipation_max
        assert valve.ratings.anode_voltage_max
        assert valve.capacitances.grid_anode > 0
        assert valve.capacitances.grid_cathode > 0
        assert valve.base
        assert valve.heater
    for row in (*valve.points, *valve.charts, *valve.outputs):
        assert row.source in valve.sources
        if row.contradicts or row.use == "contradicts":
            assert row.note, "a row that contradicts others says why"


def test_names_are_found_in_any_spelling() -> None:
    """Case, blanks and hyphens don't matter; sections of triode-pentodes are picked by kind."""
    assert get_valve("ecc 83").name == get_valve("ECC-83").name == "12AX7"
    assert get_valve("ECL82").kind == "triode"
    assert get_valve("6bm8", kind="pentode").kind == "pentode"
    with pytest.raises(InputError, match="has no section of kind"):
        get_valve("12AX7", kind="pentode")


def test_unknown_name_gives_the_nearest() -> None:
    """One sentence with near matches."""
    with pytest.raises(UnknownNameError) as failure:
        get_valve("12AX8")
    assert "12AX7" in failure.value.matches
    assert "did you mean" in str(failure.value)


def test_own_folder_and_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A builder's folder comes first; SIMWRAP_VALVES does the same; a folder that isn't there is named."""
    (tmp_path / "rr1.toml").write_text(MINIMAL)
    assert get_valve("rr1", folders=[tmp_path]).name == "reading room triode"
    assert "reading room triode" in valve_names(folders=[tmp_path])
    assert "reading room triode" not in valve_names()
    (tmp_path / "12ax7.toml").write_text(MINIMAL.replace("reading room triode", "12AX7").replace("RR1", "ECC83"))
    assert get_valve("ecc83", folders=[tmp_path]).constants.mu == 50.0
    monkeypatch.setenv("SIMWRAP_VALVES", str(tmp_path))
    assert get_valve("RR1").constants.mu == 50.0
    with pytest.raises(InputError, match="nowhere"):
        get_valve("RR1", folders=[tmp_path / "nowhere"])


def test_faulty_file_names_every_fault(tmp_path: Path) -> None:
    """Each fault is a clause of one error."""
    bad = (
        MINIMAL.replace("anode_current = 1e-3", "anode_current = -1e-3")
        .replace('source = "mine" }', 'source = "yours", colour = "red" }')
        .replace("mu = 50.0", 'mu = "fifty"')
    )
    (tmp_path / "bad.toml").write_text(bad)
    with pytest.raises(FileProblemsError) as failure:
        get_valve("bad", folders=[tmp_path])
    text = "; ".join(failure.value.problems)
    assert "anode_current" in text
    assert "colour" in text
    assert "fifty" in text
    assert '"yours"' in text
    assert len(failure.value.problems) == 4
    (tmp_path / "bad.toml").write_text(
        MINIMAL.replace('source = "mine" }', 'source = "yours" }').replace("knee = 20.0", "kne = 20.0")
    )
    with pytest.raises(FileProblemsError) as failure:
        get_valve("bad", folders=[tmp_path])
    text = "; ".join(failure.value.problems)
    assert "unknown kne" in text
    assert "missing knee" in text
    assert '"yours"' in text
    (tmp_path / "worse.toml").write_text("name = [")
    with pytest.raises(FileProblemsError, match="can't be read as TOML"):
        get_valve("worse", folders=[tmp_path])
    # A faulty file doesn't hide the others.
    assert get_valve("12AX7", folders=[tmp_path]).name == "12AX7"


def test_every_kind_of_fault_is_named_at_once(tmp_path: Path) -> None:
    """A fault of type hides neither unknown nor missing constants, a value out of range nor an unknown source."""
    (tmp_path / "bad.toml").write_text(
        MINIMAL.replace("anode_current = 1e-3", 'anode_current = "much"')
        .replace('source = "mine" }', 'source = "yours" }')
        .replace("knee = 20.0", "kne = 20.0")
        .replace("width = 0.2", "width = 0")
    )
    with pytest.raises(FileProblemsError) as failure:
        get_valve("bad", folders=[tmp_path])
    text = "; ".join(failure.value.problems)
    assert len(failure.value.problems) == 5
    for words in ("anode_current", "unknown kne", "missing knee", "width is 0", 'source "yours"'):
        assert words in text
    # What isn't even a table is named once, and nothing breaks.
    (tmp_path / "bad.toml").write_text(
        'name = "bad"\nsources = 3\ntriode = { constants = 1, points = [2], charts = 4 }'
    )
    with pytest.raises(FileProblemsError, match=r"triode\.points\.0"):
        get_valve("bad", folders=[tmp_path])


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("mu = 50.0", "mu = -5", "mu is -5; it has to be above 0"),
        ("mu = 50.0", 'mu = "-5"', "mu is -5; it has to be above 0"),
        ("perveance = 1e-3", "perveance = 0", "perveance is 0; it has to be above 0"),
        ("exponent = 1.45", "exponent = -1.45", "exponent is -1.45; it has to be above 0"),
        ("width = 0.2", "width = 0", "width is 0; it has to be above 0"),
        ("knee = 20.0", "knee = 0.0", "knee is 0; it has to be above 0"),
        ("tail_drop = 0.7", "tail_drop = -0.7", "tail_drop is -0.7; it has to be 0 or above"),
        ("width_slope = 0.001", "width_slope = -1e-3", "width_slope is -0.001; it has to be 0 or above"),
        ("grid_perveance = 5e-4", "grid_perveance = -1", "grid_perveance is -1; it has to be 0 or above"),
        ("tail_share = 0.1", "tail_share = 1", "tail_share is 1; it has to be 0 or above and below 1"),
        ("tail_share = 0.1", "tail_share = -0.1", "tail_share is -0.1; it has to be 0 or above and below 1"),
        ("grid_onset = 0.0", "grid_onset = 0.0\ngrid_share = 1.5", "grid_share is 1.5; it has to be above 0 and at"),
        ("mu = 50.0", "mu = nan", "triode.constants.mu: input should be a finite number"),
    ],
)
def test_constants_that_no_law_can_have(tmp_path: Path, before: str, after: str, said: str) -> None:
    """A constant out of the law's range is refused with the range, as one fault."""
    assert f"\n{before}\n" in MINIMAL
    (tmp_path / "bad.toml").write_text(MINIMAL.replace(f"\n{before}\n", f"\n{after}\n"))
    with pytest.raises(FileProblemsError) as failure:
        get_valve("bad", folders=[tmp_path])
    (fault,) = failure.value.problems
    assert said in fault


def test_constants_of_pentodes_and_rectifiers_have_ranges_too(tmp_path: Path) -> None:
    """Each with a range, and none for those that may have any sign."""
    text = (models_folder() / "ef86.toml").read_text(encoding="utf-8").replace("EF86", "bad")
    head, mark, constants = text.partition("[pentode.constants]")
    lines = [
        line if line.startswith("grid_perveance") or not (name := line.partition(" = ")[0]).isidentifier()
        else f"{name} = -2.0"
        for line in constants.split("[pentode.fitted]")[0].splitlines()
    ]  # fmt: skip
    (tmp_path / "bad.toml").write_text(head + mark + "\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(FileProblemsError) as failure:
        get_valve("bad", folders=[tmp_path])
    faulty = {fault.split()[1] for fault in failure.value.problems}
    every = set(get_valve("EF86").constants.__dataclass_fields__)
    assert every - faulty == {"contact", "division_drive", "grid_onset", "grid_perveance"}
    (tmp_path / "bad.toml").write_text(
        'name = "bad"\n[rectifier.constants]\nperveance = 0\nexponent = 0\nonset = -0.7\nwidth = -1\n'
    )
    with pytest.raises(FileProblemsError) as failure:
        get_valve("bad", folders=[tmp_path])
    assert [fault.split()[1] for fault in failure.value.problems] == ["perveance", "exponent", "width"]


def test_plugins_of_folders(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An entry point may be a path; one that fails to load or is something else warns and names itself."""
    (tmp_path / "rr1.toml").write_text(MINIMAL)
    (tmp_path / "plugin_for_test.py").write_text(f"folder = {str(tmp_path)!r}\nnumber = 3\n")
    monkeypatch.syspath_prepend(tmp_path)
    points = [
        EntryPoint("good", "plugin_for_test:folder", "simwrap.valves"),
        EntryPoint("broken", "no_such_module_at_all:folder", "simwrap.valves"),
        EntryPoint("odd", "plugin_for_test:number", "simwrap.valves"),
    ]
    monkeypatch.setattr("importlib.metadata.entry_points", lambda group: points if group == "simwrap.valves" else [])
    caches = (registry.plugins, library.plugin_folders)  # what is installed is looked up once a process
    for cached in caches:
        cached.cache_clear()
    try:
        with pytest.warns(UserWarning, match="simwrap.valves") as caught:
            assert get_valve("rr1").name == "reading room triode"
    finally:
        for cached in caches:
            cached.cache_clear()
    words = " ".join(str(warning.message) for warning in caught)
    assert '"broken"' in words
    assert '"odd"' in words


def test_looking_up_a_valve_is_light() -> None:
    """Looking up a valve loads no plotting, fitting or simulator code."""
    code = (
        "import sys; from simwrap.valves import get_valve; get_valve('12AX7').currents(250, -2); "
        "print([m for m in ('matplotlib', 'scipy', 'PySpice', 'xarray', 'pandas') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_facts_hold_ratings_proof_and_sources() -> None:
    """`simwrap show` has ratings, proof and sources."""
    tables = {table.caption: table for table in facts(get_valve("12AX7"))}
    assert ("anode dissipation, largest", "1 W") in tables["ratings"].rows
    assert len(tables["published numbers beside the model"].rows) == len(get_valve("12AX7").fitted.errors)
    assert any("Philips" in row[1] for row in tables["sources"].rows)
    assert any(row[1] == "56" for row in tables["rows that contradict others"].rows)
    for name, kind in SECTIONS:
        for table in facts(get_valve(name, kind=kind)):
            assert all(len(row) == len(table.head) and all(isinstance(cell, str) for cell in row) for row in table.rows)


def test_accuracy_tables_are_up_to_date() -> None:
    """models/ACCURACY.md is what the files give."""
    folder = models_folder()
    assert (folder / ACCURACY).read_text(encoding="utf-8") == accuracy(folder)


def test_anode_family_is_the_law() -> None:
    """Each curve is the law's current; the ultra-linear family lies between pentode and triode."""
    triode = get_valve("12AU7")
    family = anode_family(triode, anode_voltage=[50.0, 100.0], grid_voltage=[0.0, -4.0])
    np.testing.assert_allclose(family.current[1], triode.currents([50.0, 100.0], -4.0).anode)
    pentode = get_valve("6V6GT")
    x = [100.0, 250.0, 400.0]
    plain, joined, tapped = (
        anode_family(pentode, anode_voltage=x, grid_voltage=[-12.5], screen_voltage=250.0, tap=tap, screen_supply=250.0)
        for tap in (0.0, 1.0, 0.43)
    )
    assert plain.current[0, 2] < tapped.current[0, 2] < joined.current[0, 2]
    assert plain.current[0, 0] > tapped.current[0, 0] > joined.current[0, 0]
    flow = pentode.currents(x, -12.5, x)
    np.testing.assert_allclose(joined.current[0], flow.anode + flow.screen)
    with pytest.raises(InputError, match="only a pentode"):
        anode_family(triode, tap=1.0)
    with pytest.raises(InputError, match="drop_curve"):
        anode_family(get_valve("GZ34"))


def test_transfer_hyperbola_and_drop() -> None:
    """Transfer curves rise; the hyperbola is the rated power; a rectifier is drawn to its peak."""
    family = transfer_family(get_valve("6AU6"))
    assert np.all(np.diff(family.current, axis=1) >= 0)
    assert np.all(np.diff(family.current[:, -1]) > 0)
    hyperbola = dissipation_hyperbola(get_valve("12AX7"), [100.0, 200.0])
    assert hyperbola is not None
    np.testing.assert_allclose(hyperbola, [1.0 / 100, 1.0 / 200])
    drop, current = drop_curve(get_valve("GZ34"))
    assert current[-1] >= 0.75
    assert np.all(np.diff(current) > 0)
    assert drop[0] == 0
    assert [round_steps(x, 8) for x in (8.0, 17.0, 60.0)] == [1.0, 2.5, 10.0]


def test_operating_point_meets_both_lines() -> None:
    """The point lies on the load line, on the cathode's line and on the law."""
    valve = get_valve("12AX7")
    point = operating_point(valve, supply=300.0, anode_resistor=100e3, cathode_resistor=1500.0)
    assert point.anode_current * 1500.0 == pytest.approx(-point.grid_voltage, rel=1e-9)
    assert point.anode_voltage + point.anode_current * 101.5e3 == pytest.approx(300.0, rel=1e-9)
    assert valve.currents(point.anode_voltage, point.grid_voltage).anode == pytest.approx(point.anode_current, rel=1e-9)
    assert point.mu == pytest.approx(point.gm * point.ra)
    fixed = operating_point(
        get_valve("6V6GT"), supply=285.0, anode_resistor=200.0, grid_voltage=-15.0, screen_voltage=285.0
    )
    assert fixed.grid_voltage == -15.0
    assert fixed.screen_current > 0


@pytest.mark.parametrize("what", PICTURES)
def test_pictures_say_what_they_show(what: str) -> None:
    """Axes with units, the valve's name, the published points and the dissipation limit."""
    valve = get_valve("6V6GT")
    line = {} if what == "transfer" else {"supply": 285.0, "anode_resistor": 5000.0, "cathode_resistor": 220.0}
    figure = curves_figure(valve, what=what, **line)
    (axes,) = figure.axes
    assert "6V6GT" in axes.get_title()
    assert "[V]" in axes.get_xlabel()
    assert "[mA]" in axes.get_ylabel()
    labels = axes.get_legend_handles_labels()[1]
    if what != "transfer":
        assert any("12 W" in label for label in labels)
        assert "load line, 5.22 kΩ" in labels
    if what in ("anode", "triode-connected"):
        assert any(label.startswith("published") for label in labels)


def test_pictures_of_rectifiers_and_refusals() -> None:
    """A rectifier's drop; a triode can't be triode-connected; unknown pictures are named."""
    (axes,) = curves_figure(get_valve("GZ34")).axes
    assert "GZ34" in axes.get_title()
    assert "drop" in axes.get_xlabel()
    with pytest.raises(InputError, match="only a pentode"):
        curves_figure(get_valve("12AX7"), what="ultra-linear")
    with pytest.raises(UnknownNameError, match="picture"):
        curves_figure(get_valve("12AX7"), what="anodes")
    assert len(contact_sheet([get_valve("12AX7"), get_valve("GZ34")], columns=2).axes) == 2


#: Designation to the row of limits.csv (variant, maker's section) whose ratings it has to carry.
RATED = {
    "6SN7GTB": ("6SN7GTB", "unit 1"), "6SN7GT": ("6SN7GT", "per triode"), "6SN7": ("6SN7GT", "per triode"),
    "12AX7": ("Philips ECC83", "per triode"), "ECC83": ("Philips ECC83", "per triode"),
    "12AX7A": ("RCA 12AX7A", "unit 1"), "12AU7": ("Philips ECC82", "per triode"),
    "ECC82": ("Philips ECC82", "per triode"), "12AU7A": ("RCA 12AU7A", "unit 1"),
    "ECC81": ("Philips ECC81", "per triode"), "5U4GB": ("5U4GB", "rectifier"), "5U4G": ("5Z3 = 5U4G", "rectifier"),
    "5U4": ("5Z3 = 5U4G", "rectifier"),
}  # fmt: skip


@pytest.mark.parametrize("name", RATED)
def test_ratings_are_those_of_the_designation(name: str) -> None:
    """What limits.csv prints for a variant is what a valve of that name is held to."""
    variant, section = RATED[name]
    (row,) = [row for row in printed("limits") if row["variant"] == variant and row["section"] == section]
    ratings = get_valve(name).ratings
    assert ratings.rating_system == row["rating_system"]
    if section == "rectifier":
        pairs = {"output_current_max": float(row["Ik_max_mA"]) * 1e-3}
    else:
        columns = {"anode_voltage_max": ("Va_max_V", 1.0), "anode_dissipation_max": ("Pa_max_W", 1.0),
                   "cathode_current_max": ("Ik_max_mA", 1e-3), "heater_cathode_voltage_max": ("Vhk_max_V", 1.0),
                   "grid_leak_max_cathode": ("Rg1_max_cathode_Mohm", 1e6)}  # fmt: skip
        pairs = {key: float(row[column]) * unit for key, (column, unit) in columns.items() if row[column]}
        assert len(pairs) >= 3
    for key, value in pairs.items():
        assert getattr(ratings, key) == pytest.approx(value), key


def test_a_designation_with_its_own_ratings_keeps_its_name() -> None:
    """The law is the file's, also in facts; what isn't printed for it is taken over, and the note says so."""
    own, base = get_valve("6sn7-gt"), get_valve("6SN7GTB")
    assert (own.name, own.type_name, base.name) == ("6SN7GT", "6SN7GTB", "6SN7GTB")
    assert own.constants == base.constants
    assert "6SN7GTB" in own.designations
    assert "6SN7GT" not in own.designations
    tables = {table.caption: table for table in facts(own)}
    assert ("anode dissipation, largest", "2.5 W") in tables["ratings"].rows
    by_type = {table.caption: table for table in facts(base)}
    accuracy_title = "accuracy, median / worst (how many)"
    assert tables[accuracy_title] == by_type[accuracy_title]
    taken = get_valve("6AU6A").ratings
    assert (taken.anode_dissipation_max, taken.screen_voltage_max) == (3.5, 150)
    assert "taken from 6AU6" in taken.note
    assert "screen voltage" in taken.note
    assert "anode voltage" not in taken.note


def test_faulty_ratings_of_designations_are_named(tmp_path: Path) -> None:
    """A designation that isn't there, no rating system, an unknown source, steps out of order."""
    steps = ", ".join(
        f'{{ anode_voltage_rms = {volts}, series_resistance_min = 100, source = "mine" }}' for volts in (300, 250)
    )
    own = f'[triode.ratings_of."RR2"]\nanode_voltage_max = 100\nsource = "yours"\nby_voltage = [{steps}]\n'
    (tmp_path / "rr1.toml").write_text(MINIMAL + own)
    with pytest.raises(FileProblemsError) as failure:
        get_valve("rr1", folders=[tmp_path])
    text = "; ".join(failure.value.problems)
    for words in ('"RR2": isn\'t one of designations: RR1', "rating_system", '"yours"', "has to rise"):
        assert words in text
    assert len(failure.value.problems) == 4


def test_rectifier_steps_are_as_printed() -> None:
    """Series resistance and current by transformer voltage, from the notes in limits.csv."""
    notes = {row["variant"]: row["note"] for row in printed("limits")}
    for name in ("GZ34", "EZ80", "EZ81"):
        steps = get_valve(name).ratings.by_voltage
        volts = "/".join(f"{step.anode_voltage_rms:g}" for step in steps)
        ohms = "/".join(f"{step.series_resistance_min:g}" for step in steps)
        assert f"{ohms} ohm at {volts} V" in notes[name]
        assert {step.grade for step in steps} == {re.search(r"conf=(\w+)\)", notes[name]).group(1)}  # type: ignore[union-attr]
    currents = {step.anode_voltage_rms: step.current_max for step in get_valve("GZ34").ratings.by_voltage}
    assert currents == {300: 0.25, 350: 0.25, 400: 0.25, 450: 0.25, 500: 0.2, 550: 0.16}


def _texts(value: object) -> list[str]:
    if isinstance(value, dict):
        return [text for each in value.values() for text in _texts(each)]
    if isinstance(value, list):
        return [text for each in value for text in _texts(each)]
    return [value] if isinstance(value, str) else []


def test_no_note_is_cut_off() -> None:
    """Brackets that open also close, and a note is more than one word."""
    for path in sorted(models_folder().glob("*.toml")):
        content = tomllib.loads(path.read_text("utf-8"))
        for text in _texts(content):
            assert text.count("(") == text.count(")"), f"{path.name}: {text}"
        for kind in ("triode", "pentode", "rectifier"):
            note = content.get(kind, {}).get("ratings", {}).get("note")
            assert note is None or len(note.split()) > 2, f"{path.name}: {note}"


def test_capacitances_are_graded_as_the_handbook_grades_them() -> None:
    """limits.csv calls those of the ECL82 triode and of both systems of the ECL86 low."""
    low = {(row["variant"], row["section"]) for row in printed("limits") if "capacitances conf=low" in row["note"]}
    low = {entry for entry in low if entry in SECTIONS}
    assert len(low) == 3
    for name, kind in low:
        assert get_valve(name, kind=kind).capacitances.grade == "low"  # type: ignore[arg-type]


#: Words of the windows in characteristics.csv, to quantity and unit.
WINDOW_WORDS = {"Ia": ("anode_current", 1e-3), "Ig2": ("screen_current", 1e-3), "gm": ("gm", 1e-3), "mu": ("mu", 1.0),
                "Po": ("power", 1.0), "heater": ("heater_current", 1.0), "filament": ("heater_current", 1.0),
                "g1 cut-off": ("cut_off_grid_voltage", 1.0)}  # fmt: skip


def test_every_printed_window_is_in_its_file() -> None:
    """Each number after "window:" in characteristics.csv."""
    found = 0
    for row in printed("characteristics"):
        if "window:" not in row["note"]:
            continue
        kind = "triode" if "triode" in row["connection"] else "pentode"
        valve = get_valve(row["type"].split("/")[0], kind=kind)  # type: ignore[arg-type]
        has = [(w.quantity, w.low, w.high) for w in valve.windows]
        for part in row["note"].partition("window:")[2].partition("(")[0].split(","):
            match = re.match(
                r" *(Ia at -18 V|[A-Za-z0-9]+(?: cut-off)?) (?:about )?(>=|<=)? ?(-?[\d.]+)(?:-([\d.]+))? ?(\w*)", part
            )
            assert match, part
            word, sign, first, second, unit = match.groups()
            quantity, factor = WINDOW_WORDS[word.split(" at ")[0]]
            factor = {"uA": 1e-6, "mA": 1e-3, "A": 1.0}.get(unit, factor)
            low = None if sign == "<=" else float(first) * factor
            high = float(first) * factor if sign == "<=" else None if second is None else float(second) * factor
            assert (quantity, pytest.approx(low), pytest.approx(high)) in has, f"{row['variant']}: {part}"
            found += 1
    assert found == 22


def test_facts_show_spread_noise_and_leakage() -> None:
    """Windows with units; where there are none, that none is known; flicker corner and insulation with notes."""
    windows = {table.caption: table for table in facts(get_valve("ECL82"))}[
        "spread to expect: makers' acceptance windows"
    ]
    assert ("1.3 mA", "3.7 mA") in [row[2:4] for row in windows.rows]
    assert ("1.3 mS", "3.7 mS") in [row[2:4] for row in windows.rows]
    for name, kind in SECTIONS:
        valve = get_valve(name, kind=kind)  # type: ignore[arg-type]
        titles = {table.caption: table for table in facts(valve)}
        spread = titles.get("spread to expect: no published window known")
        assert (spread is None) == bool(valve.windows)
        assert spread is None or "common practice, no source" in spread.rows[0][-1]
        if kind != "rectifier":
            shown = titles["noise and leakage"].rows
            assert shown[0][2] == (valve.noise.note or shown[0][2])
            assert len(shown) == (1 if valve.heater is None or valve.heater.direct else 3)
            assert all(row[2] for row in shown)
    noise = {table.caption: table for table in facts(get_valve("12AX7"))}["noise and leakage"].rows
    assert noise[0][1] == "3 kHz"
    assert "1.8 uV" in noise[0][2]
    assert noise[1][:2] == ("heater to cathode resistance", "100 MΩ")


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("5Y3GT", "fitted to the only published number known, so that nothing checks it"),
        ("1N4007", "of the 4 published numbers that it is fitted to, too few to check it"),
        ("12AX7", "had no part in the fit"),
    ],
)
def test_the_verdict_claims_no_more_than_the_numbers_say(name: str, words: str) -> None:
    assert words in verdict(get_valve(name))
    assert "within 0 %" not in verdict(get_valve(name))


def test_a_copied_valve_is_equal_to_the_original() -> None:
    valve, other = get_valve("12AX7"), get_valve("12AU7")
    for again in (copy.copy(valve), copy.deepcopy(valve), pickle.loads(pickle.dumps(valve))):
        assert again == valve
        assert hash(again) == hash(valve)
        assert again != other
    assert dataclasses.replace(valve, constants=other.constants) != valve
    assert valve != "12AX7"


@pytest.mark.parametrize("row", ["points[900]", "points[-1]", "pints[0]", "points", ""])
def test_a_proof_of_a_deleted_point_is_refused(tmp_path: Path, row: str) -> None:
    """Whoever deletes a point by hand is told to fit again, where a traceback stood."""
    text = (Path(__file__).parents[2] / "models" / "12ax7.toml").read_text(encoding="utf-8")
    assert text.count('{ row = "points[3]"') >= 1
    file = tmp_path / "12ax7.toml"
    file.write_text(text.replace('{ row = "points[3]"', f'{{ row = "{row}"', 1), encoding="utf-8")
    with pytest.raises(FileProblemsError, match="there is no row") as told:
        schema.read(file)
    assert "writes what stands below the mark again" in str(told.value)
