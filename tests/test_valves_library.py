"""Finding valves, checking files, the user's own folder, plug-ins, facts, curves and pictures."""

from __future__ import annotations

import subprocess
import sys
from importlib.metadata import EntryPoint
from pathlib import Path

import numpy as np
import pytest
from published_rows import SECTIONS

from simwrap import registry
from simwrap.errors import FileProblemsError, InputError, UnknownNameError
from simwrap.valves import (
    curves_figure,
    facts,
    get_valve,
    library,
    models_folder,
    operating_point,
    valve_file,
    valve_names,
)
from simwrap.valves.build import ACCURACY, accuracy
from simwrap.valves.curves import anode_family, dissipation_hyperbola, drop_curve, round_steps, transfer_family
from simwrap.valves.draw import PICTURES, contact_sheet

#: The types of issue 3 and another name that each has to be found by ("" where there is none).
WANTED = {
    "12AX7": "ECC83", "12AU7": "ECC82", "12AT7": "ECC81", "6SN7GTB": "6SN7", "6SL7GT": "6SL7", "12AY7": "6072",
    "6DJ8": "ECC88", "6AU6": "EF94", "EF86": "6267", "6SJ7": "6SJ7GT", "EL84": "6BQ5", "EL34": "6CA7",
    "6V6GT": "6V6", "6L6GC": "", "KT88": "", "6550": "", "ECL82": "6BM8", "ECL86": "6GW8", "2A3": "",
    "300B": "", "GZ34": "5AR4", "EZ80": "6V4", "EZ81": "6CA4", "5U4GB": "", "5Y3GT": "5Y3", "1N4007": "",
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
        assert get_valve(WANTED[name]).name == name
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
    """`simwrap show` has what issue 3 asks for."""
    tables = {table.title: table for table in facts(get_valve("12AX7"))}
    assert ("anode dissipation, largest", "1.2 W") in tables["ratings"].rows
    assert len(tables["published numbers beside the law"].rows) == len(get_valve("12AX7").fitted.errors)
    assert any("Philips" in row[1] for row in tables["sources"].rows)
    assert any("56.5" in row[1] for row in tables["rows that contradict others"].rows)
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
    np.testing.assert_allclose(hyperbola, [1.2 / 100, 1.2 / 200])
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
    figure = curves_figure(valve, what=what, supply=285.0, anode_resistor=5000.0, cathode_resistor=220.0)
    (axes,) = figure.axes
    assert "6V6GT" in axes.get_title()
    assert "[V]" in axes.get_xlabel()
    assert "[mA]" in axes.get_ylabel()
    labels = axes.get_legend_handles_labels()[1]
    if what != "transfer":
        assert any("12 W" in label for label in labels)
        assert "load line" in labels
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
