"""The build sheet of the reading room's amplifier: its voltages against ngspice by itself, its HTML, its command."""

from __future__ import annotations

import itertools
import re
import subprocess
from collections.abc import Iterator
from functools import cache
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from simwrap.amplifier.amplifier import Amplifier
from simwrap.amplifier.supply_match import at_voltage
from simwrap.amplifier.test_points import Allowance, places
from simwrap.build_sheet.powering_up import FIRST, PowerUpStep
from simwrap.build_sheet.sheet import Sheet, gathered
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.design_file import read_whole_design
from simwrap.circuits.render import render
from simwrap.cli import main
from simwrap.errors import EXIT_BAD_INPUT

EXAMPLE = Path(str(files("simwrap.amplifier").joinpath("reading_room.toml")))
#: Agreement that the sheet's voltages are held to, and a voltage that counts as none [V].
CLOSE, NOTHING = 1e-3, 1e-5


@cache
def made() -> Sheet:
    return gathered(read_whole_design(EXAMPLE, complete=True), allowance=Allowance(builds=60))


@cache
def page() -> str:
    return made().html


def by_ngspice(program: str, folder: Path, text: str, nodes: list[str]) -> dict[str, float]:
    """Run a netlist by itself and return what it prints of nodes at the operating point."""
    (folder / "run.cir").write_text(text, encoding="ascii")
    done = subprocess.run(
        [program, "-b", "run.cir"], cwd=folder, capture_output=True, text=True, timeout=300, check=False
    )
    printed = dict(re.findall(r"^\s*(n_\w+)\s+(\S+)\s*$", done.stdout, re.MULTILINE))
    assert set(nodes) <= set(printed), done.stdout[-2000:] + done.stderr[-2000:]
    return {node: float(printed[node]) for node in nodes}


def operating_point(circuit: Circuit) -> str:
    return render(circuit).complete(sweep="")


def without_valves(circuit: Circuit) -> str:
    """The netlist with every valve pulled out: its elements are gone."""
    inside = tuple(f"{name.replace('.', '__')}_" for name in circuit.valves)
    lines = operating_point(circuit).splitlines()
    return (
        "\n".join(line for line in lines if line.startswith("*") or not line.split()[0][2:].startswith(inside)) + "\n"
    )


def step(title: str) -> PowerUpStep:
    return next(each for each in made().steps if each.title.startswith(title))


def compared(circuit: Circuit, read: PowerUpStep, text: str, program: str, folder: Path) -> int:
    """Hold every voltage of a step against ngspice; return how many there are."""
    points = {point.name: point for point in places(circuit, made().design.feeds) if point.nodes}
    wanted = {row.name.partition(" (also")[0]: row for row in read.readings if row.unit == "V"}
    wanted = {name: row for name, row in wanted.items() if name in points}
    nodes = sorted({node for name in wanted for node in points[name].nodes if node != "0"})
    printed = by_ngspice(program, folder, text, nodes) | {"0": 0.0}
    for name, row in wanted.items():
        one, other = points[name].nodes
        there = printed[one] - printed[other]
        assert row.expected == pytest.approx(there, rel=CLOSE, abs=NOTHING), name
        # And with the meter: a resistor in the netlist.
        if name == "driver.v1.screen":
            meter = f"r_meter {one} {other} {made().allowance.meter!r}\n"
            loaded = by_ngspice(program, folder, text.replace(".op\n", f"{meter}.op\n"), nodes) | {"0": 0.0}
            assert row.shown == pytest.approx(loaded[one] - loaded[other], rel=CLOSE)
            assert row.shown < row.expected
    return len(wanted)


@pytest.mark.slow
def test_quiescent_voltages_are_those_of_ngspice_by_itself(tmp_path: Path, ngspice_program: str) -> None:
    circuit = made().circuit
    count = compared(circuit, step("Quiescent"), operating_point(circuit), ngspice_program, tmp_path)
    assert count >= 20


@pytest.mark.slow
def test_voltages_at_half_the_supply_are_those_of_ngspice_by_itself(tmp_path: Path, ngspice_program: str) -> None:
    assert made().supply is not None
    circuit = made().amplifier.at(FIRST * made().supply.voltage)  # type: ignore[union-attr]  # controls as set
    count = compared(circuit, step("First power"), operating_point(circuit), ngspice_program, tmp_path)
    assert count >= 20


@pytest.mark.slow
def test_voltages_before_the_valves_conduct_are_those_of_ngspice_without_valves(
    tmp_path: Path, ngspice_program: str
) -> None:
    highest = float(made().supply.supply.supply.before_warm_up.output_voltage)  # type: ignore[union-attr]
    circuit = at_voltage(made().design, highest)
    text = without_valves(circuit)
    assert "g_driver" not in text
    assert compared(circuit, step("High voltage"), text, ngspice_program, tmp_path) >= 8


@pytest.mark.slow
def test_voltages_on_the_drawings_are_those_of_ngspice_by_itself(tmp_path: Path, ngspice_program: str) -> None:
    circuit = made().circuit
    nodes = sorted({node for use in circuit.valves.values() for node in use.nodes.values()})
    printed = by_ngspice(ngspice_program, tmp_path, operating_point(circuit), nodes)
    drawings = {drawing.name: drawing for drawing, _ in made().drawings}
    count = 0
    for use in circuit.valves.values():
        volts = drawings[use.stage].volts
        for node in use.nodes.values():
            if node in volts:
                count += 1
                assert volts[node] == pytest.approx(printed[node], rel=CLOSE, abs=NOTHING), (use.stage, node)
    assert count >= 14


@pytest.mark.slow
def test_levels_at_full_power_are_those_of_ngspice_by_itself(tmp_path: Path, ngspice_program: str) -> None:
    circuit = made().circuit
    ports = {row.name: circuit.ports[row.name] for row in step("Full power").readings if row.name in circuit.ports}
    prints = " ".join(f"vm({node})" for node in ports.values())
    text = render(circuit).complete([], "lin 1 1000 1000")
    lines = [line for line in text.splitlines() if not line.startswith(".print")]
    results = []
    for node in sorted(set(ports.values())):
        body = "\n".join([*lines[:-1], f".print ac vm({node})", ".end", ""])
        (tmp_path / "run.cir").write_text(body, encoding="ascii")
        done = subprocess.run([ngspice_program, "-b", "run.cir"], cwd=tmp_path, capture_output=True, text=True,
                              timeout=300, check=False)  # fmt: skip
        (row,) = re.findall(r"^0\s+1.0+e\+03\s+(\S+)", done.stdout, re.MULTILINE)
        results.append((node, float(row)))
    gains = dict(results)
    assert prints
    emf = next(row.expected for row in step("Full power").readings if row.name.startswith("source"))
    for row in step("Full power").readings:
        if row.name in ports:
            assert row.expected == pytest.approx(emf * gains[ports[row.name]], rel=CLOSE), row.name
    assert emf * gains[circuit.ports["output"]] == pytest.approx(np.sqrt(10.0 * 8.0), rel=CLOSE)  # 10 W into 8 ohm


@pytest.mark.slow
def test_the_supplys_voltages_are_those_of_ngspice_by_itself(tmp_path: Path, ngspice_program: str) -> None:
    """From switching on until it has settled, and then the mean over one period of the mains."""
    found = made().supply
    assert found is not None
    assert made().design.supply is not None
    loaded = made().design.supply.replace(load_current=found.current)  # type: ignore[union-attr]
    circuit = loaded.circuit
    nodes = {place: circuit.ports[place] for place in ("reservoir", "output")}
    text = render(circuit).complete([".tran 20u 4 0 20u"], "")
    text = text.replace("v_signal n_signal 0 dc 0.0 ac 1.0", "v_signal n_signal 0 sin(0 1.4142135623731 50)")
    asked = [f".meas tran mean_{place} avg v({node}) from=3.98 to=4" for place, node in nodes.items()]
    (tmp_path / "run.cir").write_text(text.replace(".end", "\n".join([*asked, ".end"])), encoding="ascii")
    done = subprocess.run(
        [ngspice_program, "-b", "run.cir"], cwd=tmp_path, capture_output=True, text=True, timeout=600, check=False
    )
    printed = dict(re.findall(r"^mean_(\w+)\s+=\s+(\S+)", done.stdout, re.MULTILINE))
    rows = {row.name: row.expected for row in step("Quiescent").readings}
    for place in nodes:
        assert rows[f"supply.{place}"] == pytest.approx(float(printed[place]), rel=CLOSE), place


@pytest.mark.slow
def test_the_chart_is_in_the_order_of_powering_up_and_every_window_holds_what_is_expected() -> None:
    titles = [each.title.split(",")[0].split(":")[0] for each in made().steps]
    assert titles == [
        "Before the valves are in", "Heaters only", "High voltage before the valves conduct", "First power",
        "Quiescent", "Full power",
    ]  # fmt: skip
    rows = [row for each in made().steps for row in each.readings]
    assert len(rows) > 60
    assert [row.name for row in rows if not row.low <= row.shown <= row.high] == []


@pytest.mark.slow
def test_every_part_of_the_drawings_is_in_the_list_once_with_its_rating() -> None:
    drawn = [item.reference for drawing, _ in made().drawings for item in drawing.items if item.kind != "current"]
    listed = [row.reference for _, rows in made().parts for row in rows]
    assert sorted(drawn) == sorted(listed)
    assert len(set(listed)) == len(listed)
    rows = {row.reference: row for _, group in made().parts for row in group}
    ratings = [row for row in rows.values() if row.kind in ("resistor", "capacitor")]
    assert [row.reference for row in ratings if not row.rating] == []
    assert sum(total.count for total in made().totals) == sum(row.count for row in rows.values())
    (bias,) = [row for row in rows.values() if row.role == "cathode a" and row.kind == "resistor"]
    # 74 mA through 240 ohm are 1.3 W, and some 1.6 W with the mains 10 % high: loaded to half, the next rating is 5 W.
    assert bias.rating == "5 W"


class _Page(HTMLParser):
    """Collects what a page holds."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def tags(name: str) -> Iterator[dict[str, str | None]]:
    parser = _Page()
    parser.feed(page())
    yield from (attributes for tag, attributes in parser.tags if tag == name)


@pytest.mark.slow
def test_the_page_is_one_file_that_asks_the_network_for_nothing() -> None:
    assert len(page().encode()) < 3e6
    for name, key in (("link", "href"), ("script", "src"), ("img", "src"), ("image", "xlink:href"), ("iframe", "src")):
        assert [each[key] for each in tags(name) if key in each] == []
    assert not re.search(r"url\(\s*['\"]?(?!#)", page())
    assert "@import" not in page()
    assert [each["href"] for each in tags("a") if not str(each["href"]).startswith("#")] == []


@pytest.mark.slow
def test_the_page_can_be_read_without_seeing_it() -> None:
    levels = [int(level) for level in re.findall(r"<h([1-6])[ >]", page())]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))
    assert page().count("<table") == page().count("<caption") > 10
    assert [each for each in tags("th") if each.get("scope") not in ("col", "row")] == []
    pictures = list(tags("svg"))
    assert len(pictures) == len(made().drawings) + len(made().curves)
    assert all(each.get("role") == "img" for each in pictures)
    assert all(each.get("aria-label") or each.get("aria-labelledby") for each in pictures)
    names = re.findall(r'\bid="([^"]+)"', page())
    assert sorted({name for name in names if names.count(name) > 1}) == []
    for name in re.findall(r'aria-labelledby="([^"]+)"', page()):
        assert set(name.split()) <= set(names)
    for link in tags("a"):
        assert str(link["href"])[1:] in names
    assert page().index("Cautions") < page().index("<svg")
    assert " safe" not in re.sub(r"nothing safe|a design safe", "", re.sub(r"<[^>]+>", " ", page()))


@pytest.mark.slow
def test_names_on_the_page_are_escaped() -> None:
    from dataclasses import replace

    odd = replace(made().design, circuit=replace(made().design.circuit, title="<b>R&D</b>"))
    text = replace(made(), amplifier=Amplifier(odd, quick=True)).html
    assert "<b>R" not in text
    assert "&lt;b&gt;R&amp;D" in text


def run(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    return int(ended.value.code or 0)


@pytest.mark.slow
def test_the_command_writes_the_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    more = ("--quick", "--meter", "100k", "--discharge", "10 s")
    assert run("sheet", EXAMPLE, "-o", tmp_path / "sheet.html", *more) == 0
    text = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "voltmeter of 100 kΩ" in " ".join(text.split())
    assert "in 10 s by itself" in text
    assert "Large signals were left out" in text
    assert "written" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("-o", "sheet.pdf"), "ends in .htm or .html"),
        (("-o", "sheet.html", "--meter", "5"), "from 1 kohm"),
        (("-o", "sheet.html", "--meter", "often"), "--meter"),
        (("-o", "sheet.html", "--discharge", "3 V"), "--discharge"),
        ((), "output"),
    ],
)
def test_a_slip_gets_one_sentence(arguments: tuple[str, ...], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("sheet", EXAMPLE, *arguments) == EXIT_BAD_INPUT
    told = capsys.readouterr().err
    assert words in told
    assert "Traceback" not in told


def test_a_design_that_is_not_there_gets_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("sheet", tmp_path / "none.toml", "-o", tmp_path / "sheet.html") == EXIT_BAD_INPUT
    assert "none.toml" in capsys.readouterr().err
    assert not (tmp_path / "sheet.html").exists()


@pytest.mark.slow
def test_a_small_design_without_supply_or_levels_has_a_sheet_too(tmp_path: Path) -> None:
    (tmp_path / "line.toml").write_text(
        'simwrap_design = 1\n[stages.line]\nstage = "triode_gain"\nsupply = "250 V"\n', encoding="utf-8"
    )
    assert run("sheet", tmp_path / "line.toml", "-o", tmp_path / "sheet.html") == 0
    text = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    assert "has no [supply]" in text
    assert "states no rated output" in text
    assert "Quiescent" in text
