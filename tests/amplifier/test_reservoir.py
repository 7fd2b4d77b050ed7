"""A supply that feeds from its reservoir: against a netlist of our own in ngspice, nodal analysis, and closed forms."""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest
import scipy.linalg
from mna import Circuit as Oracle

import simwrap
from simwrap.amplifier import hum_budget
from simwrap.amplifier.amplifier import Amplifier
from simwrap.amplifier.discharge_times import charged
from simwrap.circuits.design_file import Design, read_whole_design
from simwrap.circuits.render import render
from simwrap.engine import OpRun, Run, run
from simwrap.errors import FileProblemsError
from simwrap.simulation.simulate import all_at_rest, transfer

TEXT = """
simwrap_design = 1
title = "one channel, its output stage on the reservoir"
[stages.line]
stage = "triode_gain"
[stages.power]
stage = "single_ended_output"
supply = "280 V"
speaker_impedance = "8 ohm"
sense_resistor = "10 ohm"
[levels]
rated_power = "1 W"
[supply]
feeds = ["line.supply", "power.screen_supply"]
from_reservoir = ["power.supply"]
rectifier_law = "ideal"
winding_voltage = "215 V"
winding_resistance = "100 ohm"
reservoir_capacitor = "33u"
filter = "choke"
choke_inductance = "8 H"
choke_resistance = "400 ohm"
filter_capacitor = "22u"
first_dropper_capacitor = 0
bleeder = "150k"
"""


def read(folder: Path, *changes: tuple[str, str]) -> Design:
    text = TEXT
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = folder / "d.toml"
    path.write_text(text)
    return read_whole_design(path, complete=True)


@pytest.fixture(scope="module")
def amplifier(tmp_path_factory: pytest.TempPathFactory) -> Amplifier:
    return Amplifier(read(tmp_path_factory.mktemp("reservoir")), quick=True)


@pytest.fixture(scope="module")
def waves(amplifier: Amplifier, ngspice_program: str, tmp_path_factory: pytest.TempPathFactory) -> np.ndarray:
    """Time, reservoir and filtered rail by a transient of a netlist of the test's own, with the currents drawn."""
    straight, behind = currents(amplifier)
    lines = ["one channel", "v_a a 0 sin(0 304.056 50)", "v_b b 0 sin(0 -304.056 50)", "r_a a ha 100", "r_b b hb 100"]
    lines += [f"b_{x} h{x} res i=0.05*(max(v(h{x},res)/0.01,0)+ln(1+exp(0-abs(v(h{x},res)/0.01))))" for x in "ab"]
    lines += [f"c_{x} h{x} res 1n" for x in "ab"]
    lines += ["c_1 res 0 33u ic=270", "r_l1 res 0 30.3meg", "r_choke res k 400", "c_2 out 0 22u ic=262"]
    lines += [f"l_choke k out 8 ic={behind + 1.7e-3!r}", "r_bleeder out 0 150k"]
    lines += [f"i_1 res 0 {straight!r}", f"i_2 out 0 {behind!r}"]
    folder = tmp_path_factory.mktemp("waves")
    lines += [".tran 20u 3 2.9 20u uic", ".options reltol=1e-5", ".control", "run", "set wr_vecnames",
              "wrdata waves.txt v(res) v(out)", ".endc", ".end"]  # fmt: skip
    (folder / "n.cir").write_text("\n".join(lines))
    subprocess.run([ngspice_program, "-b", "n.cir"], cwd=folder, capture_output=True, check=False, timeout=300)
    return np.loadtxt(folder / "waves.txt", skiprows=1)[:, [0, 1, 3]]


def currents(amplifier: Amplifier) -> tuple[float, float]:
    """Return what hangs on the reservoir, and what behind the filter, draws at rest [A]."""
    straight, behind = all_at_rest(amplifier.circuit, ["power.supply.current", "filter.input.current"])
    return straight, behind - all_at_rest(amplifier.circuit, ["filter.output"])[0] / 150e3


def spectrum(waves: np.ndarray, column: int) -> tuple[float, complex]:
    """Return mean and 100 Hz [V r.m.s.] of the last four periods of the mains."""
    time = np.linspace(2.92, 3.0, 8192, endpoint=False)
    volts = np.interp(time, waves[:, 0], waves[:, column])
    return float(volts.mean()), complex(np.sqrt(2.0) * np.mean(volts * np.exp(-2j * np.pi * 100.0 * time)))


def test_reservoir_and_filtered_rail_stand_where_a_transient_puts_them(amplifier: Amplifier, waves: np.ndarray) -> None:
    rail = all_at_rest(amplifier.circuit, ["filter.output"])[0]
    assert spectrum(waves, 1)[0] == pytest.approx(amplifier.supply.voltage, rel=2e-3)
    assert spectrum(waves, 2)[0] == pytest.approx(rail, rel=2e-3)
    straight, behind = currents(amplifier)
    assert amplifier.supply.voltage - rail == pytest.approx(400.0 * (behind + rail / 150e3), rel=1e-3)
    assert straight > 5.0 * behind


def test_the_reservoir_s_ripple_reaches_what_hangs_there(amplifier: Amplifier, waves: np.ndarray) -> None:
    """Behind the filter it is as much less as the transient says; at the output both parts add up by their phases."""
    ripple = float(amplifier.supply.supply.supply.ripple_fundamental)
    assert ripple == pytest.approx(abs(spectrum(waves, 1)[1]), rel=0.02)
    ports = ["power.supply", "filter.input"]
    assert sorted(amplifier.design.feeds) == sorted(ports)
    filtered = ripple * abs(sum(transfer(amplifier.circuit, "filter.output", excite=p, frequency=100.0) for p in ports))
    assert filtered == pytest.approx(abs(spectrum(waves, 2)[1]), rel=0.03)
    assert filtered < 0.1 * ripple
    (rest,) = run(render(amplifier.circuit).circuit, [OpRun()], Run(workers=1))
    whole = 0j
    for port in ports:
        oracle = Oracle(render(amplifier.circuit, excite=port).complete())
        state = oracle.operating_point({node: float(volts[0]) for node, volts in rest.values.items()})
        whole += oracle.transfer(100.0, amplifier.circuit.ports["output"], state)[0]
    causes = {cause.name: cause.level for cause in amplifier.causes}
    assert causes[hum_budget.RIPPLE] == pytest.approx(ripple * abs(whole), rel=1e-4)


def test_all_behind_the_filter_there_is_less_ripple_at_the_anode(amplifier: Amplifier, tmp_path: Path) -> None:
    port = "ripple through power.supply"
    feeds = ('"line.supply", "power.screen_supply"]', '"line.supply", "power.screen_supply", "power.supply"]')
    other = Amplifier(read(tmp_path, feeds, ('from_reservoir = ["power.supply"]\n', "")), quick=True)
    levels = [{cause.name: cause.level for cause in each.causes}[port] for each in (amplifier, other)]
    assert levels[0] > 5.0 * levels[1]


def test_the_choke_lets_both_capacitors_discharge_through_one_bleeder(amplifier: Amplifier) -> None:
    """Two capacitors, the choke's resistance and the bleeder: by the matrix exponential."""
    rows = {row.path: row for row in charged(amplifier.design, amplifier.highest, amplifier.supply.supply, within=60.0)}
    start = max(rows["supply.reservoir"].start, rows["filter.decoupling"].start)
    rates = np.array([[-1 / 400 / 33e-6, 1 / 400 / 33e-6], [1 / 400 / 22e-6, -(1 / 400 + 1 / 150e3) / 22e-6]])
    seconds = rows["supply.reservoir"].time
    assert np.isfinite(seconds)
    left = scipy.linalg.expm(rates * seconds) @ np.array([start, start])
    assert left[0] == pytest.approx(60.0, rel=0.02)


def test_check_sheet_guard_and_readings_take_it(amplifier: Amplifier) -> None:
    found = simwrap.check(amplifier)
    lines = {line.name: line.value for section in found.sections for line in section.lines}
    assert lines["voltage"] == pytest.approx(amplifier.supply.voltage)
    assert np.isfinite(lines["discharge_time"])
    assert "never_discharged" not in {finding.code for finding in found.findings}
    finder = simwrap.fault_finder(amplifier, despite_findings=True)
    rail = all_at_rest(amplifier.circuit, ["filter.output"])[0]
    (point,) = [each for each in finder.points if "filter.output" in (each.name, *each.also)]
    assert point.low < rail < point.high
    assert point.expected == pytest.approx(rail, rel=1e-3)
    guard = simwrap.guard(amplifier, builds=20, despite_findings=True)
    (current,) = guard.guard.bed.rest
    assert current == pytest.approx(float(amplifier.warm["bias.valves.power.v1.cathode_current"]), rel=0.01)
    paper = simwrap.sheet(amplifier, despite_findings=True)
    named = [reading.name for step in paper.steps for reading in step.readings]
    assert any("filter.output" in name for name in named)
    assert {"supply.reservoir", "filter.decoupling"} <= {each.path for each in paper.discharge}


STRAIGHT = 'from_reservoir = ["power.supply"]'


@pytest.mark.parametrize(("old", "new", "said"), [
    ("[levels]", "[levels]\nsources = {}\n", ""),
    ('title = "one', 'channels = 2\ntitle = "one', "2 channels behind one filter aren't known"),
    (STRAIGHT, 'from_reservoir = "power.supply"', "is no list of ports"),
    (STRAIGHT, 'from_reservoir = ["power.suply"]', 'supply.from_reservoir: there is no port of power "suply"'),
    (STRAIGHT, 'from_reservoir = ["power.output"]', "supply.from_reservoir: power.output is no supply port"),
    (STRAIGHT, 'from_reservoir = ["power.supply", "line.supply"]', "line.supply can't hang behind"),
    ('"triode_gain"', '"triode_gain"\nsupply = "280 V"', "the voltage of line.supply follows from the filter"),
    ("first_dropper_capacitor = 0", 'first_dropper_capacitor = "47u"', "supply.first_dropper_capacitor: give 0"),
    ("stages.line]", "stages.filter]", "that name is the supply's filter's"),
])  # fmt: skip
def test_what_can_t_be_is_refused_in_a_sentence(old: str, new: str, said: str, tmp_path: Path) -> None:
    changes = [(old, new)] + ([("line.supply", "filter.supply")] if "stages.filter" in new else [])
    if not said:
        assert read(tmp_path, *changes).feeds == ("power.supply", "filter.input")
        return
    with pytest.raises(FileProblemsError) as fault:
        read(tmp_path, *changes)
    assert said in str(fault.value)
