"""Valves as measured: factors from a reading or two, and sets that go together in a design."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from simwrap.circuits.design_file import Design, read_whole_design
from simwrap.cli import main
from simwrap.errors import FileProblemsError, InputError
from simwrap.fault_finding.measured_valves import factors, match, read_measured
from simwrap.valves import get_valve

ROOM = Path(__file__).resolve().parents[2] / "simwrap" / "amplifier" / "reading_room.toml"
PENTODE, TRIODE = get_valve("6V6GT"), get_valve("6SN7GT")


@pytest.fixture(scope="module")
def design() -> Design:
    return read_whole_design(ROOM, complete=True)


@pytest.mark.parametrize(("emission", "mu"), [(1.0, 1.0), (0.7, 1.1), (1.3, 0.9), (0.4, 1.0)])
def test_two_readings_give_back_what_they_were_made_of(emission: float, mu: float) -> None:
    pentode = [(250.0, grid, 250.0, float(PENTODE.currents(250.0, grid, 250.0, emission, mu).anode))
               for grid in (-12.5, -8.0)]  # fmt: skip
    assert factors(PENTODE, pentode) == pytest.approx((emission, mu), rel=1e-4)
    triode = [(250.0, grid, None, float(TRIODE.currents(250.0, grid, None, emission, mu).anode))
              for grid in (-8.0, -5.0)]  # fmt: skip
    assert factors(TRIODE, triode) == pytest.approx((emission, mu), rel=1e-4)


def test_one_reading_gives_the_emission() -> None:
    current = float(TRIODE.currents(250.0, -8.0, None, 0.8).anode)
    # At given voltages the current is the published one times the emission, nearly.
    assert factors(TRIODE, [(250.0, -8.0, None, current)]) == pytest.approx((0.8, 1.0), rel=1e-4)


def test_an_empty_screen_is_at_the_anode() -> None:
    current = float(PENTODE.currents(250.0, -12.5, 250.0, 0.9).anode)
    assert factors(PENTODE, [(250.0, -12.5, None, current)])[0] == pytest.approx(0.9, rel=1e-4)


@pytest.mark.parametrize("current", [10.0, 1e-7])
def test_a_reading_that_no_valve_of_the_type_shows(current: float) -> None:
    with pytest.raises(InputError, match="no 6V6GT shows such currents"):
        factors(PENTODE, [(250.0, -12.5, 250.0, current)])


def table(folder: Path, valves: dict[str, tuple[float, float]]) -> Path:
    lines = ["name;anode_voltage;grid_voltage;screen_voltage;anode_current"]
    for name, (emission, mu) in valves.items():
        for grid in (-12.5, -9.0):
            current = float(PENTODE.currents(250.0, grid, 250.0, emission, mu).anode)
            lines.append(f"{name};250 V;{grid} V;250;{1e3 * current:.3f} mA".replace(".", ","))
    file = folder / "valves.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


VALVES = {"A": (1.0, 1.0), "B": (0.8, 1.0), "C": (1.01, 1.0), "D": (1.3, 0.95), "E": (0.81, 1.0), "F": (1.1, 1.1)}


def test_valves_from_a_file(tmp_path: Path) -> None:
    found = {m.name: (m.emission, m.mu) for m in read_measured(table(tmp_path, VALVES), PENTODE)}
    for name, given in VALVES.items():
        assert found[name] == pytest.approx(given, rel=2e-3)


def test_pairs_for_two_channels_are_those_that_are_alike(design: Design, tmp_path: Path) -> None:
    _, sets = match(design, table(tmp_path, VALVES))
    assert {frozenset(made.names) for made in sets} == {frozenset("AC"), frozenset("BE")}
    for made in sets:
        assert abs(made.currents[0] - made.currents[1]) == pytest.approx(made.imbalance)
        assert made.imbalance < 0.02 * made.currents[0]


def test_the_predicted_currents_are_those_of_the_design(design: Design, tmp_path: Path) -> None:
    """The whole channel with these factors set as parameters, by another way through the code."""
    from simwrap.faults.rails import supplied
    from simwrap.simulation.simulate import at_rest

    _, sets = match(design, table(tmp_path, {"A": (1.0, 1.0), "B": (0.8, 1.0)}))
    circuit = supplied(design).circuit.with_values({"power.v1.emission": 1.0, "power.v2.emission": 0.8})
    for valve, current in zip(("v1", "v2"), sets[0].currents, strict=True):
        parts = sum(at_rest(circuit, f"power.{valve}.{part}_current") for part in ("anode", "screen", "grid"))
        # The supply rises a little as the weak one draws less.
        assert current == pytest.approx(parts, rel=0.02)


def test_quads(design: Design, tmp_path: Path) -> None:
    from dataclasses import replace

    four = replace(design, circuit=design.circuit.replace(**{"power.valves": "four"}), channels=1)
    _, (made,) = match(four, table(tmp_path, VALVES))
    assert len(set(made.names)) == 4
    v1, v2, v3, v4 = made.currents
    assert abs(v1 + v3 - v2 - v4) == pytest.approx(made.imbalance)
    assert made.imbalance < 0.1 * v1


def test_quads_are_alike_inside_as_well(design: Design, tmp_path: Path) -> None:
    """Four strong and four weak valves: halves of a strong and a weak one would balance, and share their work badly."""
    from dataclasses import replace

    four = replace(design, circuit=design.circuit.replace(**{"power.valves": "four"}), channels=2)
    strong = {f"S{k}": (1.25 + 0.01 * k, 1.0) for k in range(4)}
    weak = {f"W{k}": (0.75 + 0.01 * k, 1.0) for k in range(4)}
    _, sets = match(four, table(tmp_path, strong | weak))
    assert {frozenset(made.names) for made in sets} == {frozenset(strong), frozenset(weak)}
    for made in sets:
        v1, v2, v3, v4 = made.currents
        assert made.within == pytest.approx(max(abs(v1 - v3), abs(v2 - v4)))
        assert max(made.currents) < 1.05 * min(made.currents)


def test_one_reading_a_valve_is_said_to_tell_little(
    design: Design, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two valves that show the same at one point, their mus 7 % low and high: at rest they are milliamperes apart."""
    from simwrap.faults.rails import supplied
    from simwrap.simulation.simulate import at_rest

    truth = {"A": 0.93, "B": 1.07}
    emission = {name: factors(PENTODE, [(250.0, -9.0, 250.0, 60e-3)], mu=mu)[0] for name, mu in truth.items()}
    lines = ["name,anode_voltage,grid_voltage,screen_voltage,anode_current", *(f"{n},250,-9,250,60 mA" for n in truth)]
    file = tmp_path / "single.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    _, (made,) = match(design, file)
    assert made.imbalance < 1e-4
    spread = {f"power.v{k}.{key}": value[name] for k, name in ((1, "A"), (2, "B"))
              for key, value in (("emission", emission), ("mu", truth))}  # fmt: skip
    circuit = supplied(design).circuit.with_values(spread)
    true = [sum(at_rest(circuit, f"power.{v}.{part}_current") for part in ("anode", "screen")) for v in ("v1", "v2")]
    apart = abs(true[0] - true[1])
    assert apart > 1e-3
    assert apart < made.doubt < 3.0 * apart
    with pytest.raises(SystemExit) as left:
        main(["match", str(ROOM), str(file)])
    assert left.value.code == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Caution: one reading of A, B tells nothing of mu" in out
    assert "perhaps" in out


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("name,anode_voltage,grid_voltage,anode_current\nA,250,12.5,40 mA\n", "isn't negative"),
        ("name,anode_voltage,grid_voltage,anode_current\nA,250 mA,-12.5,40 mA\n", "line 2: anode_voltage"),
        (
            "name,anode_voltage,grid_voltage,anode_current\nA,250,-12,40 mA\nA,250,-12,41 mA\n",
            "all at one grid voltage",
        ),
        ("name,anode_voltage,grid_voltage,anode_current\nA,250,-12,-1 mA\n", "tells nothing"),
        ("name,anode_voltage,grid_voltage,anode_current\nA,1e308,-12,1 mA\n", "can't be meant"),
        ("name,anode_voltage,grid_voltage,anode_current\nA,250,-1e308,1 mA\n", "can't be meant"),
        ("name,anode_voltage\nA,250\n", "doesn't name the column"),
    ],
)
def test_what_cannot_be_meant(tmp_path: Path, text: str, says: str) -> None:
    file = tmp_path / "valves.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(FileProblemsError) as told:
        read_measured(file, PENTODE)
    assert says in str(told.value)


def test_too_few_valves(design: Design, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="has 1 valves, and the stage has 2 sockets"):
        match(design, table(tmp_path, {"A": (1.0, 1.0)}))


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = table(tmp_path, VALVES)
    with pytest.raises(SystemExit) as left:
        main(["match", str(ROOM), str(file), "--json"])
    assert left.value.code == 0
    told = json.loads(capsys.readouterr().out)
    assert len(told["sets"]) == 2
    assert np.isfinite([s["imbalance"] for s in told["sets"]]).all()
    with pytest.raises(SystemExit) as left:
        main(["match", str(ROOM), str(file), "--stage", "powr"])
    assert left.value.code == 2
    assert 'no stage with valves "powr"' in capsys.readouterr().err
