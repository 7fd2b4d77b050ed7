"""The words of the powering-up chart that keep heaters, supplies and loops apart."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

import simwrap
from simwrap.amplifier.test_points import Allowance
from simwrap.build_sheet.powering_up import _first, _heaters, _howls, cold_readings
from simwrap.circuits.design_file import Design, read_whole_design
from simwrap.drawing.items import diagram, numbered
from simwrap.drawing.schematic import described

DESIGN = """
simwrap_design = 1
joins = ["driver.output -> power.input"{join}]
[stages.driver]
stage = "triode_gain"
valve = "6SL7GT"
supply = "300 V"
cathode_capacitor = 0
foot_resistor = "100 ohm"
coupling_capacitor = "100n"
[stages.power]
stage = "single_ended_output"
valve = "{valve}"
supply = "300 V"
screen_supply = "250 V"
speaker_impedance = "8 ohm"
secondary_phase = "{phase}"
{more}
[supply]
feeds = ["power.supply", "driver.supply"]
rectifier = "{rectifier}"
"""
LOOP = '[stages.loop]\nstage = "feedback_path"\nresistor = "10k"'


def design(folder: Path, *, loop: bool = False, **values: str) -> Design:
    given = {"valve": "6V6GT", "phase": "in_phase", "rectifier": "5U4GB", "more": LOOP if loop else "",
             "join": ', "power.speaker -> loop.input", "loop.output -> driver.foot"' if loop else ""}  # fmt: skip
    file = folder / "design.toml"
    file.write_text(DESIGN.format(**(given | values)), encoding="utf-8")
    return read_whole_design(file)


def rows(made: Design) -> dict[str, str]:
    step = _heaters(SimpleNamespace(design=made, circuit=made.circuit))  # type: ignore[arg-type]
    assert all(row.low < row.expected < row.high for row in step.readings)
    return {row.name: row.lead for row in step.readings}


def test_filaments_and_rectifiers_have_windings_of_their_own(tmp_path: Path) -> None:
    """A 300B and a 5U4GB both have 5 V: one winding would join a cathode to the high voltage."""
    found = rows(design(tmp_path, valve="300B"))
    assert set(found) == {"heaters of 6SL7GT", "filament of 300B", "filament of 5U4GB"}
    assert "insulated from all others" in found["filament of 300B"]
    assert "insulated for the high voltage" in found["filament of 5U4GB"]
    found = rows(design(tmp_path, rectifier="GZ34"))
    assert set(found) == {"heaters of 6SL7GT, 6V6GT", "heater of GZ34"}
    assert "of its own" in found["heater of GZ34"]
    assert set(rows(design(tmp_path, rectifier="1N4007"))) == {"heaters of 6SL7GT, 6V6GT"}


def test_the_first_power_says_which_supply_is_half() -> None:
    words = " ".join(_first(153.0))
    assert "153 V" in words
    assert "heaters (and a fixed bias) at their full voltage" in words
    assert "halves them as well" in words


@pytest.mark.parametrize("loop", [False, True])
def test_a_loop_round_the_transformer_says_what_to_do_if_it_howls(loop: bool, tmp_path: Path) -> None:
    words = _howls(design(tmp_path, loop=loop).circuit)
    assert bool(words) == loop
    assert not loop or ("switch off at once" in words[0] and "exchange the two ends" in words[0])


@pytest.mark.parametrize("name", ["push_pull_output", "single_ended_output"])
@pytest.mark.parametrize("phase", ["in_phase", "reversed"])
def test_dots_are_at_ends_that_go_up_together(name: str, phase: str) -> None:
    """By simulation: the output's sign against the anode's, at 1 kHz; the dot of the primary is not at that anode."""
    made = simwrap.stage(name, secondary_phase=phase, transformer="ideal")
    (drawing,) = numbered([diagram(made.circuit, "", {})])
    (item,) = [each for each in drawing.items if each.kind == "transformer"]
    anode = made.circuit.valves["v1"].nodes["anode"]
    found = simwrap.simulate(made, "frequencies", nodes=["output", anode], start=1e3, stop=1e3)
    ratio = float(np.real(found["output"].values / found[anode].values)[0])
    primary, secondary = item.dots
    with_anode = item.pins[primary] == anode
    hot = item.pins[secondary] != "0"
    assert (ratio > 0) == (with_anode == hot)
    assert (ratio > 0) == (phase == "reversed")
    assert any("; dots at primary" in line for line in described(drawing))


def test_a_single_ended_stage_needs_its_secondary_reversed_for_a_loop_to_the_drivers_cathode(tmp_path: Path) -> None:
    """One stage that inverts and one that doesn't: the feedback is negative with the ends exchanged, and only so."""
    levels = {}
    for phase in ("in_phase", "reversed"):
        closed = design(tmp_path, loop=True, phase=phase).circuit
        found = simwrap.measure(closed, ["stability"]).stability
        middle = int(np.argmin(np.abs(np.log(found.frequency / 1000.0))))
        levels[phase] = np.cos(np.radians(found.loops.loop.phase_deg[middle]))
    assert levels["in_phase"] < -0.9
    assert levels["reversed"] > 0.9


def test_two_stages_on_supplies_of_their_own_have_a_chart_of_cold_voltages() -> None:
    """A leak of a femtosiemens stands beside 10 milliohms there; by hand: each anode is at its supply."""
    stages = {"first": simwrap.stage("triode_gain", supply="250 V"),
              "second": simwrap.stage("cathode_follower", supply="300 V")}  # fmt: skip
    joined = simwrap.circuit(stages, joins=["first.output -> second.input"])
    found = {row.name: row.expected for row in cold_readings(joined, (), Allowance())}
    assert found["first.supply"] == found["first.v1.anode"] == pytest.approx(250.0)
    assert min(abs(found[name] - 300.0) for name in found if name.startswith("second")) < 1e-6
    assert not any(0.0 < abs(value) < 249.0 for value in found.values())
