"""Six designs of different kinds: a figure that two commands print is one number, whoever prints it.

Check, sheet, guard, readings, `measure FILE` and choose each have their own way to a figure; here they are laid side by
side. The designs are invented; what is compared is their agreement, not whether they sound well.
"""

from __future__ import annotations

import contextlib
import io
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property
from html import unescape
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import simwrap
from simwrap.amplifier import kept
from simwrap.amplifier.amplifier import Amplifier
from simwrap.amplifier.audit import Audit
from simwrap.build_sheet.sheet import Sheet
from simwrap.circuits.design_file import read_whole_design
from simwrap.cli import main
from simwrap.doors import GuardPaper
from simwrap.fault_finding.readings import FaultFinder
from simwrap.units.quantity import parse, render

FOLDER = Path(__file__).parent / "designs"
#: The small ones, and the whole amplifier of the reading room: a push-pull pair in a loop of feedback.
SMALL = ["line_stage", "equalising_preamplifier", "single_ended_el84", "headphone_follower", "single_ended_300b"]
LARGE = "reading_room"
#: Those that are looked at in each run, and all.
FEW = ["line_stage", "single_ended_el84"]
EVERY = [*(pytest.param(name, marks=[] if name in FEW else [pytest.mark.long]) for name in [*SMALL, LARGE])]
GUARDED = [pytest.param(name, marks=[] if name in FEW else [pytest.mark.long])
           for name in ("single_ended_el84", "single_ended_300b", LARGE)]  # fmt: skip


@pytest.fixture(scope="module", autouse=True)
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    folder = tmp_path_factory.mktemp("cache")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(kept, "folder", lambda: folder)
        yield
        told.cache_clear()


def run(*arguments: object) -> str:
    """Run a command that has to end well, and return what it printed."""
    text = io.StringIO()
    quiet = contextlib.redirect_stderr(io.StringIO())
    with contextlib.redirect_stdout(text), quiet, pytest.raises(SystemExit) as end:
        main(list(map(str, arguments)))
    assert not end.value.code, arguments
    return text.getvalue()


def printed_tables(page: str) -> dict[str, list[list[str]]]:
    """Return the cells of the rows of every table of a page, by its caption."""
    found: dict[str, list[list[str]]] = {}
    for table in re.findall(r"<table>(.*?)</table>", page, re.DOTALL):
        caption = re.search(r"<caption>(.*?)</caption>", table)
        rows = [re.findall(r"<td[^>]*>(.*?)</td>", row) for row in re.findall(r"<tr>(.*?)</tr>", table, re.DOTALL)]
        if caption:
            found[unescape(caption[1])] = [[unescape(cell) for cell in row] for row in rows if row]
    return found


@dataclass
class Told:
    """What every command tells of one design, each asked when it is needed and once."""

    name: str

    @cached_property
    def path(self) -> Path:
        if self.name == LARGE:
            return Path(str(files("simwrap.amplifier").joinpath("reading_room.toml")))
        return FOLDER / f"{self.name}.toml"

    @cached_property
    def amplifier(self) -> Amplifier:
        return Amplifier(read_whole_design(self.path, complete=True), quick=True)

    @cached_property
    def check(self) -> Audit:
        return simwrap.check(self.amplifier)

    @cached_property
    def lines(self) -> dict[str, Any]:
        return {f"{s.name}.{line.name}": line.value for s in self.check.sections for line in s.lines}

    @cached_property
    def sheet(self) -> Sheet:
        return simwrap.sheet(self.amplifier)

    @cached_property
    def finder(self) -> FaultFinder:
        return simwrap.fault_finder(self.amplifier)

    @cached_property
    def guard(self) -> GuardPaper:
        return simwrap.guard(self.amplifier, builds=20)

    @cached_property
    def measured(self) -> dict[str, Any]:
        asked = [each for name in ("bias", "response", "impedance") for each in ("--measure", name)]
        return dict(json.loads(run("measure", self.path, *asked, "--json")))

    def table(self, section: str, key: str) -> list[dict[str, Any]]:
        """Return the rows of the check's tables that have a column."""
        found = next(each for each in self.check.sections if each.name == section)
        return [row for table in found.tables for row in table.to_list() if key in row]

    def chart(self, title: str) -> dict[str, Any]:
        """Return the readings of a step of the sheet by any of their names."""
        step = next(each for each in self.sheet.steps if each.title.startswith(title))
        return {name: row for row in step.readings
                for name in re.sub(r"[()]|also |,", " ", row.name).split()}  # fmt: skip


@cache
def told(name: str) -> Told:
    return Told(name)


def same(one: Any, other: Any) -> None:
    """The same figure: what is measured together changes the order of sums, and no more."""
    assert one == pytest.approx(other, rel=1e-9, abs=1e-12, nan_ok=True)


@pytest.mark.parametrize("name", EVERY)
def test_check_and_measure_tell_the_same_operating_points_gain_and_supply(name: str) -> None:
    found = told(name)
    valves = found.measured["bias"]["valves"]
    for row in found.table("bias", "anode_voltage"):
        stage, _, own = row["valve"].rpartition(".")
        figures = valves[stage][own]
        for key in ("anode_voltage", "anode_current", "anode_dissipation", "screen_voltage", "grid_voltage"):
            if row[key] is not None:
                same(row[key], figures[key])
    same(found.lines["performance.gain"], found.measured["response"]["gain_db"])
    same(found.lines["performance.high_corner"], found.measured["response"]["high_corner"])
    same(found.lines["performance.output_impedance"], found.measured["impedance"]["output"])
    design = found.amplifier.design
    port = design.feeds[0]
    place = design.circuit.placed_ports[port]
    same(found.lines["supply.voltage"], found.measured["values"][f"{place.stage}.{place.port.supply}"])


@pytest.mark.parametrize("name", EVERY)
def test_sheet_and_readings_have_the_check_s_voltages_and_one_window(name: str) -> None:
    found = told(name)
    chart, points = found.chart("Quiescent"), {point.name: point for point in found.finder.points}
    for point in points.values():
        row = chart[point.name]
        assert (row.expected, row.shown, row.low, row.high) == (point.expected, point.shown, point.low, point.high)
    same(chart["supply.output"].expected, float(found.amplifier.supply.supply.supply.output_voltage))
    rows = found.table("bias", "anode_current")
    for row in rows:
        figures = found.amplifier.warm[f"bias.valves.{row['valve']}"]
        same(chart[f"{row['valve']}.cathode_current"].expected, figures.cathode_current)
        cathode = chart.get(f"{row['valve']}.cathode")
        same(chart[f"{row['valve']}.anode"].expected - (cathode.expected if cathode else 0.0), row["anode_voltage"])
    assert len(rows) == len(found.amplifier.circuit.valves)
    feed = found.amplifier.design.feeds[0]
    same(chart[feed].expected, found.lines["supply.voltage"])
    # What the supply gives at the current that was found, and where both agree: as near as that was looked for.
    assert chart["supply.output"].expected == pytest.approx(found.lines["supply.voltage"], rel=2e-3)
    same(found.chart("High voltage")[feed].expected, found.lines["supply.before_warm_up"])


@pytest.mark.parametrize("name", EVERY)
def test_sheet_and_check_tell_the_same_levels_discharge_and_parts(name: str) -> None:
    found = told(name)
    rated = found.chart("Full power")
    source = next(iter(found.amplifier.plan.sources))
    levels = {row["place"]: row[source] for row in found.table("levels", "place")}
    assert levels
    for place, level in levels.items():
        assert rated[place].expected == pytest.approx(level, rel=1e-6)
    longest = max((each.time for each in found.sheet.discharge), default=np.nan)
    same(longest, found.lines.get("supply.discharge_time", np.nan))
    reasons = {(drawing, row.kind, row.role): row.reason for drawing, rows in found.sheet.parts for row in rows}
    compared = 0
    tables = next(each for each in found.check.sections if each.name == "parts").tables
    for table in tables:
        kind, unit = table.columns[0][1], table.columns[3][2]
        for row in table.to_list():
            stage, _, role = row["name"].rpartition(".")
            reason = reasons.get((stage, kind, role.replace("_", " ")))
            if reason is not None:
                assert f"{render(row['most'], unit, digits=3)} {row['when']}" in reason
                compared += 1
    assert compared or not tables  # the audit lists no part where all are rated and within that
    assert found.sheet.findings == tuple(found.check.ordered())


@pytest.mark.parametrize("name", EVERY)
def test_what_the_sheet_prints_is_what_its_objects_hold(name: str) -> None:
    """Every row of the chart of test points as the page has it: four figures with their units."""
    tables = printed_tables(told(name).sheet.html)
    rows = [row for step in told(name).sheet.steps for row in tables.get(f"{step.title}: readings", [])]
    printed = [(row[0], [parse(cell, "V" if cell.endswith("V") else "A") for cell in row[2:6]]) for row in rows]
    held = [row for step in told(name).sheet.steps for row in step.readings]
    assert [text for text, _ in printed] == [row.name for row in held]
    for (_, numbers), row in zip(printed, held, strict=True):
        values = [row.expected, row.shown, row.low, row.high]
        assert numbers == pytest.approx(values, rel=6e-3, abs=1e-3 if row.unit == "V" else 1e-9)


@pytest.mark.parametrize("name", EVERY)
def test_the_sheet_s_own_values_are_healthy(name: str, tmp_path: Path) -> None:
    """What a meter shows of the nominal build, as the sheet prints it, handed to `simwrap readings`: exit code 0."""
    found = told(name)
    step = next(each for each in found.sheet.steps if each.title.startswith("Quiescent"))
    printed = [
        (row[0].partition(" ")[0], row[3]) for row in printed_tables(found.sheet.html)[f"{step.title}: readings"]
    ]
    # The supply's own two rows are no points of a channel.
    lines = [f"{name},{value}" for name, value in printed if name not in ("supply.reservoir", "supply.output")]
    assert len(lines) > 3
    assert found.finder.read(
        [dict(zip(("point", "value"), line.split(","), strict=True)) for line in lines]
    ).verdict == "healthy"  # fmt: skip
    if name in FEW:
        file = tmp_path / "bench.csv"
        file.write_text("\n".join(["point,value", *lines]), encoding="utf-8")
        assert "healthy" in run("readings", found.path, file)


@pytest.mark.parametrize("name", GUARDED)
def test_the_guard_watches_the_current_that_check_and_sheet_tell(name: str) -> None:
    """The guard's own resistors lie in the cathodes; where the design has them the current is the same number.

    Where it hasn't, 10 ohm more in the cathode lead lower a current by no more than their share of what is there.
    """
    found = told(name)
    assert found.guard.findings == found.sheet.findings
    for stage, levels in found.guard.guard.stages.items():
        circuit = found.amplifier.circuit
        currents = [found.amplifier.states["at rest"].currents[valve] for valve in circuit.valves
                    if valve.startswith(f"{stage}.")]  # fmt: skip
        expected = float(np.mean(currents))
        share = 2.0 * found.guard.guard.bed.sense / float(circuit.values[f"{stage}.cathode_resistor"])
        assert (1.0 - share) * expected < levels.expected <= expected * (1 + 1e-6)
        low, high = levels.window
        assert low < levels.expected < high
        printed = "\n".join(found.guard.page())
        assert f"{stage}: {render(levels.expected, 'A', digits=3)} expected at rest" in printed
        assert found.guard.to_dict()["stages"][stage]["expected"] == levels.expected


def test_with_a_sense_resistor_of_its_own_a_stage_has_one_current(tmp_path: Path) -> None:
    path = tmp_path / "sensed.toml"
    text = (FOLDER / "single_ended_el84.toml").read_text(encoding="utf-8")
    path.write_text(text.replace('valve = "EL84"', 'valve = "EL84"\nsense_resistor = "10 ohm"'), encoding="utf-8")
    made = Amplifier(read_whole_design(path, complete=True), quick=True)
    paper = simwrap.guard(made, builds=20)
    # The guard's netlist has the rail behind the supply's resistance, set from a current that was found before.
    assert paper.guard.stages["power"].expected == pytest.approx(made.states["at rest"].currents["power.v1"], rel=1e-5)


@pytest.mark.parametrize(
    ("goals", "free", "changed"),
    [
        ({"line.v1.anode_current": "1.5 mA"}, ["line.cathode_resistor"], {}),
        ({"line.v1.anode_current": "3.2 mA"}, ["line.cathode_resistor", "line.anode_resistor"], {"line.supply": 400.0}),
    ],
    ids=["within", "near its rating"],
)
def test_what_choose_calls_good_is_good_in_check_or_it_says_what_remains(
    goals: dict[str, str], free: list[str], changed: dict[str, float]
) -> None:
    """The figures that it says are reached are those of `measure`; what it calls good, the check calls clean."""
    circuit = told("line_stage").amplifier.circuit.with_values(changed)
    chosen = simwrap.choose(circuit, goals, free)
    reached = simwrap.measure(chosen.stage, ["bias"])
    for figure, value in chosen.candidates[0].reached.items():
        assert value == pytest.approx(float(reached[figure]), rel=1e-6)
    checked = simwrap.check(chosen.stage, quick=True)
    over = {finding.code for finding in checked.findings if finding.severity.beyond}
    remains = {finding.code for finding in chosen.findings if finding.severity.beyond}
    assert chosen.good == (chosen.met and not remains)
    assert over - {"never_discharged"} == remains  # a circuit alone has nothing that discharges it
    for finding in chosen.findings:
        if finding.severity.beyond:
            assert finding.text in chosen.summary


@pytest.mark.long
@pytest.mark.parametrize("name", FEW)
def test_with_large_signals_too(name: str) -> None:
    """The rail at the rated output, by check and sheet; and each reads the same distortion."""
    made = Amplifier(read_whole_design(told(name).path, complete=True))
    lines = {f"{s.name}.{line.name}": line.value for s in simwrap.check(made).sections for line in s.lines}
    (step,) = (each for each in simwrap.sheet(made).steps if each.title.startswith("Full power"))
    (row,) = (each for each in step.readings if each.name == "supply.output")
    same(row.expected, lines["supply.rated.voltage"])
    valve = "line.v1" if name == "line_stage" else "power.v1"
    watts = made.levels.overload.rated[f"valves.{valve}.anode_dissipation"]
    same(made.states["rated output"].dissipations[f"{valve}.anode"], watts)
