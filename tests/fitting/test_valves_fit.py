"""Fitting: recovers what made the data, says what the data can't tell, and repeats."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from picture_rules import assert_readable
from published_rows import SECTIONS

from simwrap.errors import FileProblemsError, InputError, UnknownNameError
from simwrap.fitting import fit_tables
from simwrap.fitting.fit import fit_section, proof
from simwrap.fitting.read_table import read_table
from simwrap.fitting.rebuild import differences, main, read_hand_part, rebuilt
from simwrap.fitting.rows import ChartRows
from simwrap.fitting.write_file import fit_file
from simwrap.plots.valve_curves import fit_figure
from simwrap.valves import get_valve, valve_file
from simwrap.valves.laws import PentodeConstants, TriodeConstants, evaluate
from simwrap.valves.library import models_folder
from simwrap.valves.schema import Point, ValveSystem

#: A triode that is no shipped one.
MADE_UP = TriodeConstants(
    perveance=1.6e-3, mu=44.0, exponent=1.47, tail_share=0.2, tail_drop=0.8, width=0.3, width_slope=0.002,
    contact=0.6, knee=17.0,
)  # fmt: skip


def write(path: Path, header: list[str], rows: list[list[object]]) -> Path:
    """Write a table."""
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([header, *rows])
    return path


def test_curve_tracer_table_with_noise(tmp_path: Path) -> None:
    """A table with 2 % noise gives the curves back within 2 % over its range."""
    rng = np.random.default_rng(11)
    rows = []
    for grid in np.arange(0.0, -8.5, -1.0):
        for anode in np.arange(20.0, 320.0, 15.0):
            current = float(evaluate(MADE_UP, anode, grid, None, 1.0, 1.0).anode)
            if 0.1 <= current <= 20.0:
                rows.append([f"{anode:g}", f"{grid:g}", f"{current * (1 + 0.02 * rng.standard_normal()):.5g}"])
    table = write(tmp_path / "trace.csv", ["anode_voltage", "grid_voltage", "anode_current_ma"], rows)
    steps: list[tuple[int, int]] = []
    result = fit_file(table, tmp_path / "made_up.toml", progress=lambda done, of: steps.append((done, of)))
    assert steps[-1][0] == steps[-1][1] > 1
    valve = get_valve("MADE_UP", folders=[tmp_path])
    for anode, grid, _ in rows:
        true = float(evaluate(MADE_UP, float(anode), float(grid), None, 1.0, 1.0).anode)
        assert 1e3 * valve.currents(float(anode), float(grid)).anode == pytest.approx(true, rel=0.02)
    assert result.numbers == len(rows)
    assert not [w for w in result.warnings if "proves nothing" in w]


def test_pentode_tracer_table(tmp_path: Path) -> None:
    """The same for a pentode, above the knee and through it, with 1 % noise on both currents."""
    true = PentodeConstants(
        perveance=2e-3, mu=36.0, exponent=1.45, tail_share=0.15, tail_drop=0.7, width=0.25, width_slope=0.003,
        contact=0.6, anode_reach=0.004, division=2.6, division_slope=0.12, division_drive=0.2,
        knee_sharpness=3.3, knee_perveance=10 * 2e-3 * 36.0**-1.45,
    )  # fmt: skip
    rng = np.random.default_rng(4)
    rows: list[list[object]] = []
    for screen in (75.0, 100.0, 150.0):
        for grid in (0.0, -0.5, -1.0, -1.5, -2.0, -3.0):
            for anode in (10.0, 25.0, 50.0, 100.0, 150.0, 250.0):
                ma = evaluate(true, anode, grid, screen, 1.0, 1.0)
                if ma.anode > 0.05:
                    noise = 1 + 0.01 * rng.standard_normal(2)
                    rows.append([anode, grid, screen, float(ma.anode) * noise[0], float(ma.screen) * noise[1]])
    head = ["anode_voltage", "grid_voltage", "screen_voltage", "anode_current_ma", "screen_current_ma"]
    fit_file(write(tmp_path / "p.csv", head, rows), tmp_path / "p.toml", family="small pentode")
    valve = get_valve("P", folders=[tmp_path])
    wrong = []
    for anode, grid, screen, _, _ in rows:
        ma = evaluate(true, anode, grid, screen, 1.0, 1.0)
        flow = valve.currents(anode, grid, screen)
        wrong.append([1e3 * flow.anode / ma.anode - 1, 1e3 * flow.screen / ma.screen - 1])
    assert np.median(np.abs(wrong)) < 0.01
    assert np.max(np.abs(wrong)) < 0.06


def test_two_points_prove_nothing(tmp_path: Path) -> None:
    """A fit of two points succeeds with tiny residuals, and says that they prove nothing."""
    table = write(
        tmp_path / "two.csv",
        ["anode_voltage", "grid_voltage", "anode_current"],
        [[250, -8, "9 mA"], [90, 0, "10 mA"]],
    )
    result = fit_file(table, tmp_path / "two.toml")
    assert result.errors("calibrate").max() < 0.01
    assert any("only 2 numbers" in warning and "proves nothing" in warning for warning in result.warnings)
    assert {"exponent", "tail_share", "width"} <= set(result.undetermined)
    assert "proves nothing" in get_valve("two", folders=[tmp_path]).trust.replace("proves\nnothing", "proves nothing")
    assert np.sum(result.singular_values > 1.0) <= 2
    tables = {table.caption: table for table in fit_tables(result)}
    assert len(tables["numbers beside the model, the worst first"].rows) == 2
    assert {row[2] for row in tables["what the numbers determine"].rows if row[0] in ("exponent", "width")} == {
        "the prior"
    }
    assert "proves nothing" in tables["warnings"].rows[0][0]
    figure = fit_figure(result)
    assert_readable(figure, bare=("number",))
    (axes,) = figure.axes
    assert "2 numbers" in axes.get_title()
    assert "[%" in axes.get_ylabel()


def test_a_bad_row_does_not_bend_the_law() -> None:
    """One current that is twice too high moves the curves by less than 2 %."""
    points = [
        Point("made up", anode_voltage=a, grid_voltage=g, grade="high",
              anode_current=1e-3 * float(evaluate(MADE_UP, a, g, None, 1.0, 1.0).anode))
        for a in (100.0, 150.0, 200.0, 250.0) for g in (-1.0, -2.0, -3.0)
    ]  # fmt: skip
    bad = [*points[:-1], Point("made up", anode_voltage=250.0, grid_voltage=-3.0, grade="high",
                               anode_current=2.0 * float(points[-1].anode_current or 0))]  # fmt: skip
    fitted = fit_section(ValveSystem(points=tuple(bad)), "triode").constants
    found = [float(evaluate(fitted, p.anode_voltage, p.grid_voltage, None, 1.0, 1.0).anode) for p in points[:-1]]
    np.testing.assert_allclose(found, [1e3 * (p.anode_current or 0) for p in points[:-1]], rtol=0.02)


def test_rows_left_out_are_only_checked() -> None:
    """leave_out moves a row from calibrating to checked."""
    section = valve_file("6SL7GT")[0].triode
    assert section is not None
    result = fit_section(section, "triode", leave_out=["charts[0]"])
    uses = {r.number.row: r.use for r in result.residuals}
    assert uses["charts[0]"] == "check"
    assert uses["charts[2]"] == "calibrate"


@pytest.mark.parametrize(("name", "kind"), SECTIONS)
def test_files_are_up_to_date(name: str, kind: str) -> None:
    """The constants of each file are the optimum of its own rows, and its proof is what they give.

    This needs no new fit: at the optimum the step that a fit would still make is zero.
    """
    content, path = valve_file(name)
    section = getattr(content, kind)
    residuals, distance = proof(section, kind)
    assert distance < 1e-6, f"run `make models TYPES={path.stem}`"
    stored = {(e["row"], e["quantity"]): e for e in section.fitted.errors}
    found = {(r.number.row, r.number.quantity): r for r in residuals if np.isfinite(r.law)}
    assert stored.keys() == found.keys()
    for key, entry in stored.items():
        assert entry["law"] == pytest.approx(found[key].law, rel=2e-4)
        assert entry["use"] == found[key].use
        assert entry["published"] == pytest.approx(found[key].number.published)


@pytest.mark.parametrize("name", ["6SL7GT", "GZ34"])
def test_rebuild_repeats(name: str) -> None:
    """A whole new fit gives the same constants to 1e-6."""
    path = models_folder() / f"{name.lower()}.toml"
    text, results = rebuilt(path)
    assert differences(path, results) == []
    assert text.startswith(path.read_text(encoding="utf-8").split("[triode.constants]")[0][:200])


def test_rebuild_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`python -m simwrap.fitting.rebuild` writes files, and --check finds a changed constant."""
    original = (models_folder() / "gz34.toml").read_text(encoding="utf-8")
    path = tmp_path / "gz34.toml"
    path.write_text(original, encoding="utf-8")
    assert main(["--folder", str(tmp_path), "--check"]) == 1, "the accuracy tables aren't there yet"
    assert "rectifier." not in capsys.readouterr().err
    assert main(["--folder", str(tmp_path)]) == 0
    original = path.read_text(encoding="utf-8")
    assert main(["--folder", str(tmp_path), "--check"]) == 0
    perveance = str(get_valve("GZ34", folders=[tmp_path]).constants.perveance)
    path.write_text(original.replace(f"perveance = {perveance}", "perveance = 0.5"), encoding="utf-8")
    assert main(["--folder", str(tmp_path), "--check", "gz34"]) == 1
    assert "rectifier.perveance is 0.5" in capsys.readouterr().err
    assert main(["--folder", str(tmp_path)]) == 0
    assert path.read_text(encoding="utf-8") == original
    assert read_hand_part(path).name == "GZ34"


def test_faulty_table_names_every_fault(tmp_path: Path) -> None:
    """Unknown columns with the nearest name, and each unreadable cell with its line."""
    table = write(
        tmp_path / "bad.csv",
        ["anode_voltge", "grid_voltage", "anode_current"],
        [[250, "minus 2", "1.2 mA"], [100, -1, "5 mV"]],
    )
    with pytest.raises(FileProblemsError) as failure:
        read_table(table)
    assert len(failure.value.problems) == 3
    assert "anode_voltage" in failure.value.problems[0]
    assert "line 2" in failure.value.problems[1]
    assert "line 3" in failure.value.problems[2]


def test_table_units_and_kinds(tmp_path: Path) -> None:
    """Text with units, columns with units and plain SI values mean the same; charts are told from points."""
    head = "anode_voltage grid_voltage anode_current_ma gm supply anode_resistor_kohm cathode_resistor gain".split()
    point = ["250 V", "-2", "1.2", "1.6 mS", "", "", "", ""]
    chart = ["", "", "", "", "300", "100", "1k5", "52"]
    rows = read_table(write(tmp_path / "t.csv", head, [point, chart])).rows
    assert rows["points"][0]["anode_current"] == pytest.approx(1.2e-3)
    assert rows["points"][0]["gm"] == pytest.approx(1.6e-3)
    assert rows["charts"][0]["anode_resistor"] == pytest.approx(100e3)
    assert rows["charts"][0]["cathode_resistor"] == pytest.approx(1500)
    assert rows["charts"][0]["how_known"] == "measured"


def test_nothing_to_fit_and_no_overwriting(tmp_path: Path) -> None:
    """Clear refusals."""
    table = write(tmp_path / "v.csv", ["anode_voltage", "grid_voltage"], [[250, -2]])
    with pytest.raises(InputError, match="no number to calibrate with"):
        fit_file(table, tmp_path / "v.toml")
    (tmp_path / "there.toml").write_text("")
    with pytest.raises(InputError, match="is there already"):
        fit_file(table, tmp_path / "there.toml")
    with pytest.raises(InputError, match="no folder"):
        fit_file(table, tmp_path / "nowhere" / "v.toml")
    good = write(tmp_path / "g.csv", ["anode_voltage", "grid_voltage", "anode_current"], [[250, -2, 0.001]])
    with pytest.raises(UnknownNameError, match="triode"):
        fit_file(good, tmp_path / "g.toml", family="triodes")


def refusal(path: Path, header: str, *lines: str, **options: str) -> list[str]:
    """Return the problems for which a table is refused, having written nothing."""
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    target = path.with_suffix(".toml")
    with pytest.raises(FileProblemsError) as failure:
        fit_file(path, target, **options)
    assert not target.exists()
    return failure.value.problems


@pytest.mark.parametrize(
    ("header", "lines", "kind", "said"),
    [
        ("anode_voltage,grid_voltage,anode_current_ma", ["250,-8,9", "90,0,10"], "pentode",
         "lines 2, 3: screen_voltage is missing"),
        ("anode_voltage,grid_voltage,screen_voltage,anode_current_ma", ["250,-2,100,3", "250,-3,,2"], None,
         "line 3: screen_voltage is missing"),
        ("anode_voltage,grid_voltage,anode_current_ma", ["250,-2,1", ",-3,2"], None,
         "line 3: anode_voltage is missing"),
        ("anode_voltage,grid_voltage,anode_current_ma", ["250,,1", "250,-3,2"], None,
         "line 2: grid_voltage or cathode_resistor is missing"),
        ("anode_voltage,grid_voltage,mu", ["250,,20"], None, "line 2: grid_voltage, cathode_resistor or anode_current"),
        ("anode_voltage,grid_voltage,anode_current_ma,screen_current_ma", ["250,-2,1,0.2"], "triode",
         "line 2: a triode has no screen_current"),
        ("anode_voltage,grid_voltage,screen_voltage,anode_current_ma", ["250,-2,100,1"], "triode",
         "line 2: a triode has no screen_voltage"),
        ("anode_voltage,anode_current_ma,gm_ms", ["20,90,2"], "rectifier", "line 2: a rectifier has no gm"),
        ("connection,anode_voltage,anode_current_ma", ["drop,20,90"], "triode", 'line 2: connection "drop" is a rect'),
        ("supply,anode_resistor,cathode_resistor,gain", ["250,100k,1k,90"], "pentode",
         "line 2: screen_resistor is missing"),
        ("topology,load,grid_voltage,anode_voltage,anode_current_zero", ["SE,5k,-12,250,45 mA", "SE,5k,-12,,45 mA"],
         "pentode", "line 3: neither supply nor anode_voltage is given"),
        ("topology,load,anode_voltage,anode_current_zero", ["SE,5k,250,45 mA"], "pentode",
         "line 2: neither grid_voltage nor cathode_resistor is given"),
    ],
)  # fmt: skip
def test_rows_that_lack_what_they_need_are_named(
    tmp_path: Path, header: str, lines: list[str], kind: str | None, said: str
) -> None:
    """Before a fit: a number that no law could be held to is a fault of its line, not dropped in silence."""
    (problem,) = refusal(tmp_path / "t.csv", header, *lines, **({"kind": kind} if kind else {}))
    assert problem.startswith(said)


def test_many_rows_with_one_fault_are_one_clause(tmp_path: Path) -> None:
    """The first lines are named, the others counted."""
    lines = [f"{volts},-2,1" for volts in range(100, 180, 10)]
    (problem,) = refusal(tmp_path / "t.csv", "anode_voltage,grid_voltage,anode_current_ma", *lines, kind="pentode")
    assert problem.startswith("lines 2, 3, 4, 5, 6 and 3 more: screen_voltage")


def test_points_that_need_less() -> None:
    """Triode-connected points need no screen, an anode current says where mu was read; both are fitted."""
    joined = Point("made up", anode_voltage=250.0, cathode_resistor=270.0, anode_current=0.034,
                   connection="triode-connected")  # fmt: skip
    read_at = Point("made up", anode_voltage=250.0, screen_voltage=250.0, anode_current=0.02, screen_mu=19.0)
    result = fit_section(ValveSystem(points=(joined, read_at)), "pentode")
    assert result.numbers == 2
    assert result.errors("calibrate").max() < 0.01
    with pytest.raises(InputError, match=r"points\[1\]: screen_voltage is missing"):
        fit_section(ValveSystem(points=(joined, Point("made up", anode_voltage=250.0, grid_voltage=-7.0, gm=0.01))),
                    "pentode")  # fmt: skip


def test_a_row_that_the_law_can_not_solve_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """A number without a prediction is named in the warnings."""
    section = valve_file("6SL7GT")[0].triode
    assert section is not None
    predict = ChartRows.predict

    def unsolved(self: ChartRows, constants: TriodeConstants) -> np.ndarray:
        found = predict(self, constants)
        found[:, 0] = np.nan
        return found

    assert not any("could not be solved" in warning for warning in fit_section(section, "triode").warnings)
    monkeypatch.setattr(ChartRows, "predict", unsolved)
    assert "the law could not be solved for charts[0], which did not count" in fit_section(section, "triode").warnings


@pytest.mark.parametrize(
    ("header", "given", "family"),
    [
        ("anode_voltage,grid_voltage,screen_voltage,anode_current_ma", "250,-7,250,16", "power pentode"),
        ("anode_voltage,grid_voltage,screen_voltage,anode_current_ma", "250,-2,100,14", "small pentode"),
        ("topology,load,grid_voltage,anode_voltage,screen_voltage,anode_current_zero", "SE,5k,-9,250,250,12 mA",
         "power pentode"),
        ("anode_voltage,grid_voltage,anode_current_ma", "250,-9,40", "triode"),
    ],
)  # fmt: skip
def test_family_follows_from_the_rows(tmp_path: Path, header: str, given: str, family: str) -> None:
    """Without a family the rows choose it; result and file say which. Grid current is scaled from the cathode's."""
    (tmp_path / "t.csv").write_text(f"{header}\n{given}\n")
    result = fit_file(tmp_path / "t.csv", tmp_path / "t.toml", kind=None if family == "triode" else "pentode")
    (said,) = (warning for warning in result.warnings if "--family" in warning)
    assert f'"{family}"' in said
    valve = get_valve("t", folders=[tmp_path])
    assert f'"{family}"' in valve.trust
    section = getattr(valve_file("t", folders=[tmp_path])[0], valve.kind)
    assert section.fit["family"] == family
    part = 1e-3 * float(evaluate(valve.constants, 250.0, 1.0, 250.0, 1.0, 1.0).grid) / valve.constants.perveance
    assert 0.15 < part < 0.5
    # The file gives the same fit again, and a family that is named isn't remarked upon.
    assert differences(tmp_path / "t.toml", rebuilt(tmp_path / "t.toml")[1]) == []
    named = fit_file(tmp_path / "t.csv", tmp_path / "n.toml", kind=valve.kind, family=family)
    assert named.constants == result.constants
    assert not any("--family" in warning for warning in named.warnings)


def test_kinds(tmp_path: Path) -> None:
    """Points of a rectifier are drops without saying so; an unknown kind gives the known ones."""
    (tmp_path / "t.csv").write_text("anode_voltage,anode_current_ma\n20,90\n")
    fit_file(tmp_path / "t.csv", tmp_path / "t.toml", kind="Rectifier")
    valve = get_valve("t", folders=[tmp_path])
    assert valve.kind == "rectifier"
    assert float(valve.currents(20.0).anode) == pytest.approx(0.09, rel=1e-6)
    assert valve.points[0].connection == "drop"
    with pytest.raises(UnknownNameError, match="pentode, rectifier, triode"):
        fit_file(tmp_path / "t.csv", tmp_path / "u.toml", kind="foo")
