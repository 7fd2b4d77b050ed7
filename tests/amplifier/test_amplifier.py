"""One amplifier: what the papers and commands tell of a design is the same, and nothing is told of what isn't there."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simwrap
from simwrap.amplifier import amplifier as room
from simwrap.amplifier import kept
from simwrap.amplifier.amplifier import Amplifier
from simwrap.amplifier.papers import DESPITE
from simwrap.amplifier.sections import SECTIONS
from simwrap.circuits.circuit import joined_name
from simwrap.circuits.design_file import Design, read_whole_design
from simwrap.cli import main
from simwrap.errors import FindingsError
from simwrap.findings import wording
from simwrap.findings.codes import CODES

SUPPLY = """
[supply]
feeds = ["line.supply"]
winding_voltage = "260 V"
load_current = "3 mA"
filter = "resistor"
filter_resistor = "4k7"
filter_capacitor = "47u"
bleeder = "220k"
"""
LINE = """
simwrap_design = 1
title = "line stage of the reading room"
channels = 2
joins = ["volume.output -> line.input"]
[stages.volume]
stage = "volume_control"
[stages.line]
stage = "triode_gain"
valve = "6SL7GT"
cathode_resistor = "1k8"
supply = "280 V"
[levels]
rated_output = "2 V"
volume = "volume.position"
sources = { tuner = "500 mV" }
"""
#: Small designs: a supply and none, a volume control and none. `test_agreement.py` has those of different kinds.
DESIGNS = {
    "line": LINE + SUPPLY,
    "stiff": LINE,
    "no volume": LINE.replace('volume = "volume.position"\n', "") + SUPPLY,
    "no levels": LINE.partition("[levels]")[0] + SUPPLY,
}
LATCH = """
simwrap_design = 1
title = "multivibrator"
joins = ["one.output -> two.input", "two.output -> back.input", "back.output -> one.n_grid"]
main_output = "two.output"
[stages.one]
stage = "triode_gain"
valve = "12AX7"
supply = "280 V"
input_capacitor = "10n"
[stages.two]
stage = "triode_gain"
valve = "12AX7"
supply = "280 V"
[stages.back]
stage = "feedback_path"
resistor = "4M7"
"""


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as end:
        main(list(map(str, arguments)))
    return int(end.value.code or 0)


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "design.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "folder", lambda: tmp_path / "cache")


def lines(found: Any) -> Iterator[tuple[str, Any]]:
    yield from ((f"{s.name}.{line.name}", line.value) for s in found for line in s.lines)


# Sections are pure functions


@pytest.mark.parametrize("text", [DESIGNS["line"], LATCH, DESIGNS["no levels"]], ids=["line", "unstable", "no levels"])
def test_each_section_is_built_alone(tmp_path: Path, text: str) -> None:
    """In any order, and of an amplifier that nothing else was asked of: the same figures, findings and notes."""
    design = read_whole_design(written(tmp_path, text))
    shared = Amplifier(design, quick=True)
    together = [section(shared) for section in SECTIONS]
    for section, expected in zip(reversed(SECTIONS), reversed(together), strict=True):
        alone = section(Amplifier(design, quick=True))
        assert [finding.text for finding in alone.findings] == [finding.text for finding in expected.findings]
        np.testing.assert_equal(dict(lines([alone])), dict(lines([expected])))
        assert (alone.name, alone.notes, alone.not_checked) == (expected.name, expected.notes, expected.not_checked)
        assert [section(shared).notes] == [expected.notes]  # asked again, nothing was appended to


# Sentences say, and decide nothing


def test_reworded_sentences_change_no_exit_code_mark_or_order(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    leaky = DESIGNS["line"].replace('valve = "6SL7GT"', 'valve = "12AU7"\ngrid_leak = "22M"')
    texts = [leaky, LATCH, DESIGNS["stiff"]]
    told = []
    for nonsense in (False, True):
        if nonsense:
            monkeypatch.setattr(
                wording, "SENTENCES", {code: f"safe exceeds unstable {n}." for n, code in enumerate(CODES)}
            )
        for number, text in enumerate(texts):
            path = written(tmp_path, text)
            exit_code = run("check", str(path), "--quick", "--json")
            found = json.loads(capsys.readouterr().out)
            marks = [(each["mark"], each["severity"], each["code"], each["subject"]) for each in found["findings"]]
            refused = (
                run("sheet", str(path), "--quick", "-o", str(tmp_path / f"{nonsense}{number}.html")) if number else None
            )
            capsys.readouterr()
            told.append((exit_code, found["clean"], [verdict["mark"] for verdict in found["verdicts"]], marks, refused))
            assert all(v["text"].startswith("safe") == nonsense for v in found["verdicts"])
    assert told[:3] == told[3:]
    assert [each[0] for each in told[:3]] == [1, 1, 0]
    assert told[1][-1] == 1


# Papers for what must not be built


def test_no_paper_of_an_unstable_design_unless_it_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, page = written(tmp_path, LATCH), tmp_path / "sheet.html"
    bench = tmp_path / "bench.csv"
    bench.write_text("point,value\none.v1.anode,180 V\n", encoding="utf-8")
    for command in (["sheet", path, "-o", page], ["readings", path, bench], ["guard", path]):
        assert run(*command) == 1
        said = capsys.readouterr().err.strip().splitlines()[-1]
        assert "must not be built: The circuit is unstable" in said
        assert "--despite-findings" in said
    assert not page.exists()
    assert run("sheet", str(path), "-o", str(page), "--quick", "--despite-findings") == 0
    text = page.read_text(encoding="utf-8")
    assert DESPITE in text
    assert text.index("The circuit is unstable") < text.index("<svg")
    with pytest.raises(FindingsError, match="unstable"):
        simwrap.sheet(path)


def test_the_guard_of_what_must_not_be_built_says_so_in_json_and_header() -> None:
    stage = simwrap.stage("single_ended_output", grid_leak="10M")
    with pytest.raises(FindingsError, match="grid leak"):
        simwrap.guard(stage, builds=20, quick=True)
    paper = simwrap.guard(stage, builds=20, quick=True, despite_findings=True)
    assert paper.to_dict()["despite_findings"] == DESPITE
    assert any(finding["code"] == "over_rating" for finding in paper.to_dict()["findings"])
    comment = paper.header.partition("*/")[0]
    assert DESPITE in comment
    assert "grid leak" in comment
    assert DESPITE in paper.page()


# What is kept


def test_a_second_command_takes_its_figures_from_the_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path, DESIGNS["line"])
    first = simwrap.check(path, quick=True)
    with monkeypatch.context() as patch:
        patch.setattr(room, "measure", None)
        patch.setattr(room, "match", None)
        patch.setattr(room, "plan", None)
        assert simwrap.check(path, quick=True).to_dict() == first.to_dict()
        with pytest.raises(TypeError):
            simwrap.check(path, quick=True, fresh=True)
        with pytest.raises(TypeError):
            simwrap.check(written(tmp_path, DESIGNS["line"].replace('"1k8"', '"1k5"')), quick=True)


def test_a_spoilt_cache_is_ignored_quietly(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = written(tmp_path, DESIGNS["stiff"])
    first = simwrap.check(path, quick=True).to_dict()
    (file,) = (tmp_path / "cache").glob("*.amplifier")
    for spoilt in (b"", b"\0" * 100, file.read_bytes()[:-1]):
        file.write_bytes(spoilt)
        assert simwrap.check(path, quick=True).to_dict() == first
    for each in (tmp_path / "cache").iterdir():
        each.unlink()
    (tmp_path / "cache").rmdir()
    (tmp_path / "cache").write_text("a file where the folder would be")
    assert simwrap.check(path, quick=True).to_dict() == first
    assert capsys.readouterr().err == ""


def test_the_cache_lies_where_the_platform_has_it(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.undo()
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    monkeypatch.setattr("sys.platform", "linux")
    assert kept.folder() == tmp_path / "simwrap"
    monkeypatch.setenv("XDG_CACHE_HOME", "not/absolute")
    assert kept.folder() == Path.home() / ".cache" / "simwrap"
    monkeypatch.setattr("sys.platform", "darwin")
    assert kept.folder() == Path.home() / "Library" / "Caches" / "simwrap"
    monkeypatch.setattr("sys.platform", "win32")
    monkeypatch.setenv("LOCALAPPDATA", os.fspath(tmp_path))
    assert kept.folder() == tmp_path / "simwrap" / "cache"


# One truth


def same(one: float, other: float) -> None:
    """The same figure: what is measured together changes the order of sums, and no more."""
    assert one == pytest.approx(other, rel=1e-9)


@pytest.mark.parametrize("name", ["stiff", "no volume", "no levels"])
def test_what_two_tell_is_the_same_number(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Check, sheet, readings and `measure FILE`: operating points, gain, corner, supply voltage."""
    path = written(tmp_path, DESIGNS[name])
    checked = simwrap.check(path, quick=True)
    told = dict(lines(checked.sections))
    assert run("measure", str(path), "--measure", "bias", "--measure", "response", "--json") == 0
    measured = json.loads(capsys.readouterr().out)
    valve = measured["bias"]["valves"]["line"]["v1"]
    same(told["performance.gain"], measured["response"]["gain_db"])
    same(told["performance.low_corner"], measured["response"]["low_corner"])
    (row,) = next(section for section in checked.sections if section.name == "bias").tables[0].to_list()
    same(row["anode_voltage"], valve["anode_voltage"])
    same(row["anode_current"], valve["anode_current"])
    finder = simwrap.fault_finder(path, quick=True)
    points = {point.name: point for point in finder.points}
    same(points["line.v1.cathode_current"].expected, valve["cathode_current"])
    if "supply.voltage" in told:
        same(measured["values"]["line.supply"], told["supply.voltage"])
        same(points["line.supply"].expected, told["supply.voltage"])


def test_what_passes_a_rating_by_its_own_numbers_is_never_healthy(tmp_path: Path) -> None:
    """A cathode current far above its window: outside, over the dissipation by the readings; off at once."""
    finder = simwrap.fault_finder(written(tmp_path, DESIGNS["line"]), quick=True)
    found = finder.read(
        [{"point": "line.v1.anode", "value": "270 V"}, {"point": "line.v1.cathode_current", "value": "9 mA"}]
    )
    assert found.verdict == "faulty"
    assert not found.clean
    over = {finding.quantity: finding for finding in found.findings}["anode dissipation"]
    cathode = next(p.shown for p in finder.points if "line.v1.cathode" in (p.name, *p.also))
    assert over.value == pytest.approx((270.0 - cathode) * 9e-3, rel=1e-3)  # a triode: all of it is the anode's
    assert all(text.startswith("Switch off") for text in found.dangers)
    assert found.causes[0].names
    assert 0.0 <= found.causes[0].share <= 1.0
    live = [name for name in found.next_places if not name.endswith(", cold")]
    assert set(live) <= {place.name for place in finder._seen([]).places}
    assert len(live) < len(found.next_places)  # what can be read with the power off is told too


# What beginners do


def test_a_heater_on_a_raised_voltage_is_held_to_that(tmp_path: Path) -> None:
    """The cathode of a cathodyne at some 75 V is near its rating of 90 V from ground, and not from 60 V."""
    text = """simwrap_design = 1
main_output = "splitter.output"
[stages.splitter]
stage = "cathodyne"
valve = "6SN7GT"
grid_voltage = 82.0
"""
    low, raised = (
        Amplifier(read_whole_design(written(tmp_path, text.replace("main_output", f"{more}main_output"))), quick=True)
        for more in ("", 'heater_elevation = "60 V"\n')
    )
    near = [[f for f in each.warm.findings if f.quantity.startswith("heater")] for each in (low, raised)]
    assert [finding.code for finding in near[0]] == ["near_rating"]
    assert near[1] == []
    assert ("splitter.v1", "heater-cathode voltage (heater at 60 V)") in raised.warm.results["bias"].checked


def test_a_circuit_a_design_and_a_path_are_all_taken(tmp_path: Path) -> None:
    path = written(tmp_path, DESIGNS["stiff"])
    design = read_whole_design(path)
    assert isinstance(design, Design)
    texts = [[f.text for f in simwrap.check(given, quick=True).findings] for given in (path, str(path), design)]
    assert texts[0] == texts[1] == texts[2]
    assert simwrap.check(design.circuit, quick=True).title == design.circuit.name
    assert joined_name("line", "supply") in design.circuit.values
