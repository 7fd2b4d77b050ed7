"""Readings against windows, causes from the fault dictionary, responses: on a stage that simulates in a blink."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from picture_rules import assert_readable

from simwrap.circuits.design_file import Design, read_whole_design
from simwrap.cli import main
from simwrap.engine import DEFAULT, AcRun, OpRun, run
from simwrap.errors import FileProblemsError
from simwrap.fault_finding.diagnosis import Dictionary, Place, fault_dictionary, simulated
from simwrap.fault_finding.measured_response import overlay
from simwrap.fault_finding.readings import read, resting_places, signal_places
from simwrap.faults.bed import HEALTHY, Fault, TestBed, Varied, bed_of, element_of
from simwrap.faults.rails import Supplied, supplied

LINE = """
simwrap_design = 1
title = "line stage of the reading room"
joins = ["line.output -> second.input", "dropper.output -> line.supply"]
[stages.line]
stage = "triode_gain"
valve = "6SL7GT"
anode_resistor = "220k"
cathode_resistor = "2k2"
cathode_capacitor = "47u"
coupling_capacitor = "47n"
[stages.second]
stage = "triode_gain"
valve = "6SN7GT"
supply = "280 V"
coupling_capacitor = "220n"
[stages.dropper]
stage = "dropper"
resistor = "22k"
capacitor = "22u"
supply = "280 V"
[levels]
rated_output = "2 V"
"""


@pytest.fixture(scope="module")
def design(tmp_path_factory: pytest.TempPathFactory) -> Design:
    file = tmp_path_factory.mktemp("line") / "line.toml"
    file.write_text(LINE, encoding="utf-8")
    return read_whole_design(file)


@pytest.fixture(scope="module")
def source(design: Design) -> Supplied:
    return supplied(design)


@pytest.fixture(scope="module")
def places(source: Supplied) -> list[Place]:
    return resting_places(source) + signal_places(source.circuit, (30.0, 1e3, 20e3), 0.05)


@pytest.fixture(scope="module")
def dictionary(source: Supplied, places: list[Place]) -> Dictionary:
    return fault_dictionary(source.circuit, places, wrong_types=False, builds=120, faulty_builds=6)


@pytest.fixture(scope="module")
def bed(source: Supplied) -> TestBed:
    return bed_of(source.circuit)


def shown(bed: TestBed, places: Sequence[Place], faults: Sequence[Fault], seed: int = 99) -> np.ndarray:
    """What a meter with 1 % of noise shows of builds with other tolerances."""
    other = Varied(resistors="3 %", capacitors="10 %", emission="15 %", mu="6 %", mains="5 %", distribution="normal")
    values, reasons = simulated(bed.table(bed.draw(other, len(faults), seed), faults), places, DEFAULT)
    assert not any(reasons)
    return values * (1.0 + 0.01 * np.random.default_rng(seed).standard_normal(values.shape))


def read_as(places: Sequence[Place], row: np.ndarray) -> dict[str, float]:
    return {place.name: float(value) for place, value in zip(places, row, strict=True)}


# The test bed


def test_a_test_bed_without_a_fault_is_the_circuit(source: Supplied, bed: TestBed) -> None:
    from simwrap.circuits.render import render

    node = source.circuit.ports["output"]
    runs = [OpRun(), AcRun(1e3, 1e3, 1, (node,))]
    rest, signal = run(render(source.circuit).circuit, runs)
    own, heard = run(bed.table({}, [HEALTHY]), runs)
    for name, value in rest.values.items():
        assert own.values[name] == pytest.approx(value, rel=1e-4, abs=1e-3), name
    assert abs(heard.values[node]) == pytest.approx(abs(signal.values[node]), rel=1e-4)


def test_faults_are_what_their_names_say(bed: TestBed, source: Supplied) -> None:
    faults = {fault.name: fault for fault in bed.dictionary()}
    anode, supply, cathode = (source.circuit.ports.get(n) or source.circuit.node_paths[n] for n in (
        "line.n_anode", "dropper.output", "line.n_cathode"))  # fmt: skip
    chosen = [faults[name] for name in ("line.anode resistor open", "line.anode resistor shorted",
                                        "line.cathode capacitor shorted", "line.v1 without emission")]  # fmt: skip
    (reply,) = run(bed.table({}, chosen), [OpRun((anode, supply, cathode))])
    assert reply.values[anode][0] < 2.0
    assert reply.values[anode][1] == pytest.approx(reply.values[supply][1], abs=0.01)
    assert reply.values[cathode][2] < 0.01
    # No current: the whole supply at the anode.
    assert reply.values[anode][3] == pytest.approx(reply.values[supply][3], rel=1e-3)


def test_gas_lifts_the_grid(bed: TestBed, source: Supplied) -> None:
    """The ions' current through the grid leak, by Ohm's law."""
    fault = Fault("line.v1", "gassy", {element_of("line.v1", "gas"): 1e-3})
    use = source.circuit.valves["line.v1"]
    nodes = (use.nodes["grid"], use.currents["anode"])
    (reply,) = run(bed.table({}, [fault]), [OpRun(nodes)])
    leak = source.circuit.values["line.grid_leak"]
    ions = 1e-3 * 1e-3 * float(reply.values[nodes[1]][0])
    assert 0.0 < float(reply.values[nodes[0]][0]) <= ions * leak


def test_every_part_has_its_faults(bed: TestBed) -> None:
    names = {fault.name for fault in bed.dictionary()}
    assert len(names) == len(bed.dictionary())
    for path in bed.resistors:
        assert {f"{path} resistor {kind}" for kind in ("open", "shorted", "50 % low", "50 % high")} <= names
    for path in bed.capacitors:
        assert {f"{path} capacitor {kind}" for kind in ("open", "shorted", "leaky")} <= names
    for valve in ("line.v1", "second.v1"):
        assert {f"{valve} {kind}" for kind in ("without emission", "weak", "gassy")} <= names
    assert any(name.endswith("supply missing") for name in names)


# Causes


def test_random_faults_are_found(dictionary: Dictionary, places: list[Place], bed: TestBed) -> None:
    faults = bed.dictionary()
    truth = [faults[k] for k in np.random.default_rng(7).integers(0, len(faults), 40)]
    ranks = []
    for fault, row in zip(truth, shown(bed, places, truth), strict=True):
        causes = dictionary.diagnose(read_as(places, row), most=200).causes
        ranks.append(next(rank for rank, cause in enumerate(causes) if fault in cause.faults))
    assert sum(rank < 3 for rank in ranks) >= 0.9 * len(ranks)
    assert sum(rank == 0 for rank in ranks) >= 0.7 * len(ranks)


def test_healthy_builds_are_called_healthy(dictionary: Dictionary, places: list[Place], bed: TestBed) -> None:
    rows = shown(bed, places, [HEALTHY] * 60, seed=5)
    said = [dictionary.diagnose(read_as(places, row)).healthy for row in rows]
    assert sum(said) >= 0.95 * len(said)


def test_a_readable_fault_is_not_called_healthy(dictionary: Dictionary, places: list[Place], bed: TestBed) -> None:
    faults = {fault.name: fault for fault in bed.dictionary()}
    (row,) = shown(bed, places, [faults["line.anode resistor 50 % high"]])
    said = dictionary.diagnose(read_as(places, row))
    assert not said.healthy
    assert said.explained
    assert "line.anode resistor 50 % high" in [fault.name for fault in said.causes[0].faults]


def test_causes_that_no_reading_tells_apart_are_one(dictionary: Dictionary, places: list[Place], bed: TestBed) -> None:
    """At rest an open coupling capacitor is nothing: it is named with the healthy build."""
    faults = {fault.name: fault for fault in bed.dictionary()}
    fault = faults["second.coupling capacitor open"]
    (row,) = shown(bed, places, [fault])
    whole = read_as(places, row)
    rest = {place.name: whole[place.name] for place in places if not place.frequency}
    blind = dictionary.diagnose(rest, most=100)
    assert blind.healthy
    assert any(cause.healthy and fault in cause.faults for cause in blind.causes)
    sharp = dictionary.diagnose(whole)
    assert not sharp.healthy
    assert fault in sharp.causes[0].faults
    assert not sharp.causes[0].healthy


def test_what_would_tell_the_first_two_apart_does(dictionary: Dictionary, places: list[Place], bed: TestBed) -> None:
    faults = {fault.name: fault for fault in bed.dictionary()}
    fault = faults["line.anode resistor open"]
    (row,) = shown(bed, places, [fault])
    whole = read_as(places, row)
    said = dictionary.diagnose({"second.v1.cathode": whole["second.v1.cathode"]}
                               if "second.v1.cathode" in whole else dict([next(iter(whole.items()))]))  # fmt: skip
    assert said.tell_apart
    name, one, other = said.tell_apart[0]
    assert name in whole
    assert one != pytest.approx(other, rel=0.01)


def test_separation_of_two_normal_causes_is_the_closed_form() -> None:
    """Two causes 3 standard deviations apart in one reading: the choice is wrong with the probability of 1.5 sigma."""
    place = Place("a", "V", ("n_a", "0"))
    means, covariances = np.array([[10.0], [13.0], [10.5]]), np.ones((3, 1, 1))
    faults = (HEALTHY, Fault("x", "open"), Fault("y", "open"))
    made = Dictionary((place,), faults, means, covariances, np.array([9.0]), np.array([11.0]), ())
    assert made.separations([0])[0] == pytest.approx([0.0, 3.0, 0.5])
    causes = made.diagnose({"a": 13.2}).causes
    assert [fault.name for fault in causes[0].faults] == ["x open"]
    assert causes[1].healthy
    assert len(causes[1].faults) == 2


def test_readings_of_another_amplifier_are_not_explained(dictionary: Dictionary, places: list[Place]) -> None:
    said = dictionary.diagnose({place.name: 3.3 * (1 + k) for k, place in enumerate(places) if place.unit == "V"})
    assert not said.healthy
    assert not said.explained


# Files


def bench(folder: Path, rows: dict[str, str], head: str = "point,value") -> Path:
    file = folder / "bench.csv"
    file.write_text("\n".join([head, *(f"{name},{value}" for name, value in rows.items())]) + "\n", encoding="utf-8")
    return file


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ({"line.v1.anod": "100 V"}, 'line 2: there is no test point "line.v1.anod"; did you mean line.v1.anode'),
        ({"line.v1.anode": "100 mA"}, 'line 2: line.v1.anode: "100 mA"'),
        ({"line.v1.anode": "a lot"}, 'line 2: line.v1.anode: "a lot"'),
        ({"left.v7.plate": "1 V", "right.v7.plate": "2 V"}, "2 of 2 points aren't this design's"),
    ],
)
def test_readings_that_cannot_be_this_designs(design: Design, tmp_path: Path, rows: dict[str, str], says: str) -> None:
    with pytest.raises(FileProblemsError) as told:
        read(design, bench(tmp_path, rows))
    assert says in str(told.value)
    assert "\n" not in str(told.value)


def test_a_signal_needs_its_level(design: Design, tmp_path: Path) -> None:
    with pytest.raises(FileProblemsError, match="needs the level of its source"):
        read(design, bench(tmp_path, {"line.output": "1 V,1 kHz"}, "point,value,frequency"))


def test_the_command_finds_an_open_cathode_capacitor(
    design: Design, places: list[Place], bed: TestBed, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    faults = {fault.name: fault for fault in bed.dictionary()}
    (row,) = shown(bed, places, [faults["line.anode resistor 50 % high"]])
    rest = {p.name: f"{v:.5g} {p.unit}" for p, v in zip(places, row, strict=True) if not p.frequency}
    file = tmp_path / "line.toml"
    file.write_text(LINE, encoding="utf-8")
    with pytest.raises(SystemExit) as left:
        main(["readings", str(file), str(bench(tmp_path, rest)), "--json"])
    told = json.loads(capsys.readouterr().out)
    assert left.value.code == 1
    assert len(told["readings"]) == len(rest)
    assert {entry["verdict"] for entry in told["readings"]} <= {"inside", "doubtful", "outside"}
    assert "line.anode resistor 50 % high" in [name for cause in told["causes"][:3] for name in cause["faults"]]


def test_a_page_says_what_is_outside(design: Design, places: list[Place], bed: TestBed, tmp_path: Path) -> None:
    (row,) = shown(bed, places, [HEALTHY])
    rest = {p.name: f"{v:.5g} {p.unit}" for p, v in zip(places, row, strict=True) if not p.frequency}
    found = read(design, bench(tmp_path, rest), varied=Varied())
    lines = found.page(10_000)
    assert found.diagnosis.healthy
    assert any("what a healthy build may show" in line for line in lines)
    assert sum("inside" in line for line in lines) >= 0.8 * len(rest)


def test_a_response_with_a_small_coupling_capacitor(
    source: Supplied, design: Design, bed: TestBed, tmp_path: Path
) -> None:
    node = source.circuit.ports["output"]
    (reply,) = run(
        bed.table({}, [Fault("", "", {bed.capacitors["line.coupling"]: 47e-12})]), [AcRun(10.0, 1e5, 5, (node,))]
    )
    level = 20.0 * np.log10(np.abs(reply.values[node][0]))
    rows = {f"{f:.6g}": f"{v:.3f} dB" for f, v in zip(np.asarray(reply.axis), level, strict=True)}
    found = overlay(design, bench(tmp_path, rows, "frequency,level"))
    assert not found.diagnosis.healthy
    assert found.outside.max() > 3.0
    data = found.to_dataset()
    assert data["outside"].values == pytest.approx(found.outside)
    assert (data["measured"].attrs["units"], data["frequency"].attrs["units"]) == ("dB", "Hz")
    picture = found.plot()
    assert_readable(picture)
    assert f"{found.outside.max():.1f} dB outside" in picture.axes[0].get_title()
    assert any("line.coupling capacitor" in fault.name for cause in found.diagnosis.causes for fault in cause.faults)
    (reply,) = run(bed.table({}, [HEALTHY]), [AcRun(10.0, 1e5, 5, (node,))])
    volts = np.abs(reply.values[node][0])
    rows = {f"{f:.6g}": f"{v:.6g} V" for f, v in zip(np.asarray(reply.axis), volts, strict=True)}
    found = overlay(design, bench(tmp_path, rows, "frequency,level"))
    assert found.diagnosis.healthy
    assert found.measured == pytest.approx(found.predicted, abs=0.3)
    assert found.outside.max() == 0.0
    assert found.plot().axes[0].get_title() == "the shape of a healthy build"


def test_another_type_in_a_socket_is_a_cause_and_another_name_is_none(source: Supplied, places: list[Place]) -> None:
    rest = [place for place in places if not place.frequency]
    made = fault_dictionary(source.circuit, rest, builds=40, faulty_builds=2)
    wrong = {fault.kind for fault in made.faults if fault.part == "second.valve"}
    assert "a 12AX7, not a 6SN7GT" in wrong
    assert not any("6SN7GTB" in words for words in wrong)
