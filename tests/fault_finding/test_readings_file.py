"""Tables from the bench: what spreadsheets and meters make of a CSV file is read, and what can't be is told at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from simwrap.errors import FileProblemsError
from simwrap.fault_finding.readings_file import read_readings, read_response, read_rows


def written(folder: Path, data: bytes | str) -> Path:
    file = folder / "bench.csv"
    file.write_bytes(data if isinstance(data, bytes) else data.encode())
    return file


PLAIN = "point,value,unit\ndriver.v1.anode,66.5,V\npower.v1.cathode_current,36.2,mA\n"


@pytest.mark.parametrize(
    "data",
    [
        PLAIN,
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", ";").replace("66.5", "66,5").replace("36.2", "36,2"),
        PLAIN.replace("66.5", '"66,5"').replace("36.2", '"36,2"'),
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("point,value,unit", "Point, Value ,UNIT"),
        "# a bench in the library\n\n" + PLAIN + "\n,,\n",
        b"\xef\xbb\xbf" + PLAIN.encode(),
        PLAIN.encode("utf-16"),
    ],
    ids=["commas", "semicolons", "tabs", "decimal commas", "quoted commas", "CRLF", "capitals", "comments", "BOM",
         "UTF-16"],
)  # fmt: skip
def test_the_same_table_in_other_hands(tmp_path: Path, data: bytes | str) -> None:
    one, other = read_readings(written(tmp_path, data))
    assert (one.point, one.text.replace(" ", "")) == ("driver.v1.anode", "66.5V")
    assert (other.point, other.text.replace(" ", "")) == ("power.v1.cathode_current", "36.2mA")


def test_units_in_cells_and_signals(tmp_path: Path) -> None:
    (found,) = read_readings(written(tmp_path, "point;value;frequency;level\nline.output;1,25 V;1 kHz;100 mV\n"))
    assert found.text == "1.25 V"
    assert (found.frequency, found.level) == (1000.0, 0.1)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ("", "is empty"),
        ("point,value\n", "no rows"),
        ("point,volts\na,1\n", 'there is no column "volts"'),
        ("value\n1\n", "doesn't name the column point"),
        ("point,point,value\na,a,1\n", "the column point is there twice"),
        ("point,value\na,66,5\n", "line 2 has 3 cells where the first line names 2; a decimal comma needs semicolons"),
        ("point,value\na,\n", "line 2 has no value"),
        ("point;value\na;1,250\n", 'line 2: "1,250" may be 1250 or 1.250'),
        ("point,value\na,1\nA,2\n", "line 3: A is in line 2 already"),
        ("point,value,frequency\na,1,fast\n", 'line 2: frequency: "fast"'),
        ("point,value,frequency\na,1,-5\n", "can't be meant"),
        (b"point,value\na,\x00\n", "holds zero bytes"),
        (b"\xff\xfe\x00", "is no text"),
    ],
)
def test_what_cannot_be_read_is_one_sentence(tmp_path: Path, data: bytes | str, says: str) -> None:
    with pytest.raises(FileProblemsError) as told:
        read_readings(written(tmp_path, data))
    assert says in str(told.value)
    assert "\n" not in str(told.value)


def test_all_problems_at_once(tmp_path: Path) -> None:
    with pytest.raises(FileProblemsError) as told:
        read_rows(written(tmp_path, "point,value\n,1\nb,\nc,1,2\n"), ("point", "value"))
    assert len(told.value.problems) == 3


def test_thousands_are_clear_where_another_cell_has_a_decimal_comma(tmp_path: Path) -> None:
    one, _ = read_readings(written(tmp_path, "point;value\na;1,250\nb;0,5\n"))
    assert one.text == "1.250"


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileProblemsError, match="can't be read"):
        read_readings(tmp_path / "no.csv")


def test_responses(tmp_path: Path) -> None:
    frequencies, levels, kind = read_response(written(tmp_path, "frequency,level\n1k,0 dB\n20,-3.1\n20 kHz,-1dB\n"))
    assert (frequencies, levels, kind) == ([20.0, 1000.0, 20000.0], [-3.1, 0.0, -1.0], "dB")
    frequencies, levels, kind = read_response(written(tmp_path, "frequency;level\n20;0,41 V\n1k;0,9 V\n20k;600 mV\n"))
    assert (levels, kind) == ([0.41, 0.9, 0.6], "V")


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ("frequency,level\n20,1\n1k,2 V\n2k,3\n", "some levels are in dB and some in volts"),
        ("frequency,level\n20,0 V\n1k,2 V\n2k,3 V\n", "has no decibels"),
        ("frequency,level\n20,1\n20,2\n2k,3\n", "a frequency is there twice"),
        ("frequency,level\n20,1\n1k,2\n", "fewer than 3 frequencies"),
        ("frequency,level\n20,1 A\n1k,2\n2k,3\n", '"1 A"'),
    ],
)
def test_responses_that_make_no_sense(tmp_path: Path, data: str, says: str) -> None:
    with pytest.raises(FileProblemsError) as told:
        read_response(written(tmp_path, data))
    assert says in str(told.value)


@pytest.mark.parametrize(
    ("level", "says"),
    [("1e308 dB", "can't be meant"), ("-1e9", "can't be meant"), ("1e300 V", "can't be meant"),
     ("\u0663", "level"), ("1.2.3", "give a number")],
)  # fmt: skip
def test_levels_that_cannot_be_meant(tmp_path: Path, level: str, says: str) -> None:
    file = tmp_path / "response.csv"
    file.write_text(f"frequency,level\n20,-1\n1000,{level}\n20000,-2\n", encoding="utf-8")
    with pytest.raises(FileProblemsError, match=says) as told:
        read_response(file)
    assert "line 3" in str(told.value)


def test_a_cell_longer_than_a_table_has(tmp_path: Path) -> None:
    """Python's csv gives up at 131,072 characters, with an error of its own."""
    file = tmp_path / "long.csv"
    file.write_text("point,value\n" + "x" * 140_000 + ",1 V\n", encoding="utf-8")
    with pytest.raises(FileProblemsError, match="line 2 has more than 10000 characters"):
        read_readings(file)
