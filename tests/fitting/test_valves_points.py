"""Tables of points: what divides cells, decimal commas, symbols, slips, and faults by line."""

from __future__ import annotations

from pathlib import Path

import pytest

from simwrap.errors import FileProblemsError, InputError
from simwrap.fitting.read_table import PublishedTable, read_table
from simwrap.fitting.write_file import fit_file


def table_of(folder: Path, *lines: str) -> PublishedTable:
    """Read a table with these lines."""
    path = folder / "t.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_table(path)


def problems_of(folder: Path, *lines: str) -> list[str]:
    """Return why a table with these lines is refused."""
    with pytest.raises(FileProblemsError) as failure:
        table_of(folder, *lines)
    return failure.value.problems


@pytest.mark.parametrize("divider", [",", ";", "\t"])
def test_cells_are_divided_as_the_first_line_shows(tmp_path: Path, divider: str) -> None:
    """Commas, semicolons and tabs mean the same; a divider at the end of each line adds no cell."""
    lines = ["anode_voltage,grid_voltage,anode_current_ma", "250,-2,1.25", "", "100,-1,0.5"]
    lines = [line.replace(",", divider) for line in lines]
    for end in ("", divider):
        table = table_of(tmp_path, *(line + end if line else line for line in lines))
        assert [row["anode_voltage"] for row in table.rows["points"]] == [250.0, 100.0]
        assert table.rows["points"][0]["anode_current"] == pytest.approx(1.25e-3)
        assert table.lines["points"] == [2, 4], "blank lines count"


def test_decimal_commas(tmp_path: Path) -> None:
    """Taken where they can only be that; otherwise each is a fault of its line."""
    header = "anode_voltage;grid_voltage;anode_current_ma;gm"
    table = table_of(tmp_path, header, "250;-1,5;1,234;1,6 mS", "100;-1;0,5;")
    assert table.rows["points"][0]["anode_current"] == pytest.approx(1.234e-3)
    assert table.rows["points"][0]["gm"] == pytest.approx(1.6e-3)
    assert table.rows["points"][1]["anode_current"] == pytest.approx(0.5e-3)
    (grouped,) = problems_of(tmp_path, header, "250;-1;1,234;", "100;-1;5;")
    assert grouped.startswith('line 2, anode_current_ma: the comma of "1,234"')
    (mixed,) = problems_of(tmp_path, header, "250;-1.5;1,2;")
    assert 'the comma of "1,2"' in mixed


def test_lines_with_too_few_or_too_many_cells(tmp_path: Path) -> None:
    """Both are named by their line."""
    short, long = problems_of(
        tmp_path, "anode_voltage,grid_voltage,anode_current", "250,-2", "250,-2,1 mA", "100,-1,0.5,9,9"
    )
    assert short.startswith("line 2: there are 2 cells, and the first line names 3 columns")
    assert long.startswith("line 4: there are 5 cells")
    assert "decimals take a point" in long


def test_two_columns_for_one_quantity(tmp_path: Path) -> None:
    """The last doesn't win."""
    (problem,) = problems_of(
        tmp_path, "anode_voltage,grid_voltage,anode_current,anode_current_ma", "250,-2,0.001,1"
    )  # fmt: skip
    assert problem == 'columns "anode_current" and "anode_current_ma" both give anode_current; keep one'


@pytest.mark.parametrize(
    ("symbol", "meant"),
    [
        ("Ia", "anode_current"), ("Ia (mA)", "anode_current_ma"), ("Ia/mA", "anode_current_ma"),
        ("Ia [\u00b5A]", "anode_current_ua"), ("Ig2", "screen_current"), ("Va", "anode_voltage"),
        ("Vg", "grid_voltage"), ("Vg1", "grid_voltage"), ("Vg2_V", "screen_voltage_v"), ("Rk", "cathode_resistor"),
        ("Ra", "anode_resistor or ra"), ("Ra_kohm", "anode_resistor_kohm or ra_kohm"), ("Rg2", "screen_resistor"),
        ("S", "gm"), ("Vb", "supply"),
    ],
)  # fmt: skip
def test_usual_symbols_get_the_column_they_mean(tmp_path: Path, symbol: str, meant: str) -> None:
    """A symbol isn't taken for a column, but told which one it may be."""
    (problem,) = problems_of(tmp_path, f"{symbol},mu", "1,20")
    assert problem == f'column "{symbol}" is not known; did you mean {meant}?'


def test_names_that_are_columns_as_they_are(tmp_path: Path) -> None:
    """Those of a valve's own slopes."""
    table = table_of(tmp_path, "ra,mu,gm", "62.5k,100,1.6m")
    assert table.rows["points"][0]["ra"] == 62.5e3


def test_rows_without_current_are_left_out_with_a_note(tmp_path: Path) -> None:
    """A cut-off of exactly 0, or an empty cell, doesn't refuse a tracer's table, and isn't silent."""
    lines = ["anode_voltage,grid_voltage,anode_current_ma", "250,-2,1.2", "250,-9,0", "250,-3,", "250,-10,0.0"]
    table = table_of(tmp_path, *lines, "250,-1,2.4")
    assert table.lines["points"] == [2, 6]
    zero, empty = table.notes
    assert zero.startswith("2 rows are left out because no current flows")
    assert zero.endswith("lines 3, 5")
    assert empty.endswith("no current or slope is given: line 4")
    result = fit_file(tmp_path / "t.csv", tmp_path / "t.toml")
    assert zero in result.warnings
    assert result.numbers == 2
    # A screen takes current where the anode has none.
    lines = ["anode_voltage,grid_voltage,screen_voltage,anode_current_ma,screen_current_ma", "0,0,100,0,5"]
    table = table_of(tmp_path, *lines)
    assert table.rows["points"][0]["screen_current"] == pytest.approx(5e-3)
    assert "anode_current" not in table.rows["points"][0]


def test_a_negative_current_is_a_fault_of_its_line(tmp_path: Path) -> None:
    """What the checks of a valve file find is told by the table's line too, also after rows that were left out."""
    path = tmp_path / "t.csv"
    path.write_text("anode_voltage,grid_voltage,anode_current_ma\n250,-9,0\n250,-2,-1.2\n")
    with pytest.raises(FileProblemsError) as failure:
        fit_file(path, tmp_path / "t.toml")
    assert [problem.partition(":")[0] for problem in failure.value.problems] == ["line 3, anode_current"]


@pytest.mark.parametrize(
    ("header", "row", "said"),
    [
        ("anode_current", "250,-2,1.2", "did you mean mA? Name the column anode_current_ma"),
        ("anode_current", "250,-2,1.2 A", None),
        ("anode_current", "250,-2,0.9", None),
        ("anode_current_ma", "250,-2,1200", None),
        ("gm", "250,-2,1.6", "Name the column gm_ms"),
        ("anode_current_ma", "250,2,1", "grid_voltage is never below 0"),
        ("anode_current_ma", "250,0,1", None),
    ],
)
def test_likely_slips_are_remarked(tmp_path: Path, header: str, row: str, said: str | None) -> None:
    """Amperes for milliamperes and a bias without its sign: taken as they stand, with a note."""
    notes = table_of(tmp_path, f"anode_voltage,grid_voltage,{header}", row).notes
    assert len(notes) == (0 if said is None else 1)
    assert said is None or said in notes[0]
    # A bias that is negative in one row is no slip.
    assert not table_of(tmp_path, "anode_voltage,grid_voltage,anode_current_ma", "250,2,9", "250,-2,1").notes


def test_a_table_that_no_law_comes_near_is_refused(tmp_path: Path) -> None:
    """Milliamperes under a head of amperes, the last one misread: no triode, and nothing is written."""
    rows = [(50, 0, 5.1), (100, 0, 14.4), (100, -2, 7.4), (150, -2, 17.5), (150, -4, 9.9), (200, -4, 20.9),
            (200, -6, 12.7), (200, -8, 6.0), (250, -8, 15.7), (250, -10, 27.4)]  # fmt: skip
    source, target = tmp_path / "rr1.csv", tmp_path / "rr1.toml"
    lines = ["anode_voltage,grid_voltage,anode_current", *(",".join(map(str, row)) for row in rows)]
    source.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match="no triode is like that") as told:
        fit_file(source, target)
    assert "did you mean mA? Name the column anode_current_ma" in str(told.value)
    assert not target.exists()
