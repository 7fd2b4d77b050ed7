"""What beginners get wrong though every rating is kept: each fault is a finding, and what is usual isn't accused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import brentq, root

import simwrap
from simwrap.amplifier.audit import Audit
from simwrap.findings.finding import Finding

AT_REST = {"grid_positive", "near_cut_off", "splitter_unequal", "hum_over_stated"}


def checked(folder: Path, text: str) -> Audit:
    path = folder / "design.toml"
    path.write_text(f"simwrap_design = 1\n{text}", encoding="utf-8")
    return simwrap.check(path, quick=True)


def told(audit: Audit, code: str) -> list[Finding]:
    return [finding for finding in audit.findings if finding.code == code]


def lines(audit: Audit, name: str) -> dict[str, float]:
    return {line.name: line.value for section in audit.sections if section.name == name for line in section.lines}


# A splitter's sides

SPLIT = """
joins = ["splitter.output -> power.input", "splitter.output_b -> power.input_b"]
main_input = "splitter.input"
main_output = "power.output"
[stages.splitter]
supply = "285 V"
{splitter}
[stages.power]
stage = "push_pull_output"
supply = "250 V"
screen_supply = "250 V"
grid_leak = "220k"
speaker_impedance = "8 ohm"
[levels]
rated_power = "1 W"
"""


def parallel(*ohms: float) -> float:
    return 1.0 / sum(1.0 / each for each in ohms)


@pytest.mark.parametrize(("anode", "named"), [(22e3, False), (24e3, False), (26e3, True), (68e3, True)])
def test_unequal_sides_of_a_split_load_are_named(anode: float, named: bool, tmp_path: Path) -> None:
    """One current flows through both loads, so that the sides are as the loads with what hangs on them."""
    splitter = f'stage = "cathodyne"\nbias = "self"\ncathode_resistor = "22k"\nanode_resistor = {anode}'
    found = told(checked(tmp_path, SPLIT.format(splitter=splitter)), "splitter_unequal")
    apart = 20.0 * np.log10(parallel(anode, 220e3) / parallel(22e3, 220e3))
    assert [finding.subject for finding in found] == ["splitter"] * named == ["splitter"] * bool(apart > 1.0)
    for finding in found:
        assert finding.value == pytest.approx(apart, abs=0.1)
        assert (finding.limit, finding.unit, finding.mark) == (1.0, "dB", "near")
        assert all(level in finding.text for level in finding.detail("levels"))


@pytest.mark.parametrize(("tail", "named"), [("47k", False), ("2k2", True)])
def test_a_pair_on_a_short_tail_is_named(tail: str, named: bool, tmp_path: Path) -> None:
    """Kirchhoff at the cathodes: the second half has (mu + 1) Rt of (mu + 1) Rt + ra + RL (closed form)."""
    splitter = f'stage = "long_tailed_pair"\nvalve = "6SL7GT"\ntail_resistor = "{tail}"'
    audit = checked(tmp_path, SPLIT.format(splitter=splitter))
    found = told(audit, "splitter_unequal")
    (bias,) = (section for section in audit.sections if section.name == "bias")
    row = next(row for row in bias.tables[-1].to_list() if row["valve"] == "splitter.v1")
    small = simwrap.valve("6SL7GT").small_signal(row["anode_voltage"], row["grid_voltage"])
    mu, ra = float(small.mu), float(small.ra)
    whole = (mu + 1.0) * (1200.0 + simwrap.units.quantity.parse(tail, "ohm"))
    apart = -20.0 * np.log10(whole / (whole + ra + parallel(100e3, 220e3)))
    assert bool(found) is named is bool(apart > 1.0)
    assert [finding.value for finding in found] == pytest.approx([apart] * named, rel=0.05)


# Grids

FOLLOWER = """
main_output = "follower.output"
[stages.follower]
stage = "cathode_follower"
valve = "12AU7"
bias = "direct"
supply = "300 V"
grid_voltage = {grid}
cathode_resistor = {cathode}
source_resistance = "10k"
"""


def follower(grid: float, cathode: float, source: float = 10e3) -> tuple[float, float]:
    """Grid and cathode to each other and to ground by the valve's law, grid current through the source's resistance."""
    valve = simwrap.valve("12AU7")

    def off(state: np.ndarray) -> list[float]:
        own, foot = state
        flow = valve.currents(300.0 - foot, own)
        return [grid - source * float(flow.grid) - own - foot, float(flow.cathode) - foot / cathode]

    solved = root(off, [0.0, grid], tol=1e-12)
    assert solved.success
    return float(solved.x[0]), float(solved.x[1])


def test_a_directly_coupled_grid_just_above_its_cathode_is_named(tmp_path: Path) -> None:
    """The cathode resistor that leads to +0.15 V by the valve's law, and one that leads to an ordinary bias."""
    cathode = brentq(lambda ohms: follower(120.0, ohms)[0] - 0.15, 2e3, 20e3)
    (finding,) = told(checked(tmp_path, FOLLOWER.format(grid=120, cathode=cathode)), "grid_positive")
    assert (finding.subject, finding.unit, finding.state) == ("follower.v1", "V", "at rest")
    assert finding.value == pytest.approx(0.15, abs=0.005)
    assert finding.mark == "near"
    assert "follower.v1 (12AU7): its grid is positive at rest, 150 mV from the cathode" in finding.text
    for ohms in (15e3, 22e3, 47e3):
        assert follower(120.0, ohms)[0] < -0.5
        assert told(checked(tmp_path, FOLLOWER.format(grid=120, cathode=ohms)), "grid_positive") == []


def test_a_grid_on_the_anode_before_it_is_named_too(tmp_path: Path) -> None:
    """Joined, as it is built: the first anode stands too high for the second cathode."""
    text = """
joins = ["first.output -> second.input"]
[stages.first]
stage = "triode_gain"
valve = "12AX7"
supply = "300 V"
coupling_capacitor = 0
[stages.second]
stage = "cathode_follower"
valve = "12AU7"
bias = "direct"
supply = "300 V"
cathode_resistor = "{}"
"""
    for ohms, subjects in (("8k2", ["second.v1"]), ("47k", [])):
        found = told(checked(tmp_path, text.format(ohms)), "grid_positive")
        assert [finding.subject for finding in found] == subjects


@pytest.mark.parametrize(("cathode", "named"), [("1k5", False), ("4k7", False), ("100k", True)])
def test_a_valve_near_cut_off_is_named(cathode: str, named: bool, tmp_path: Path) -> None:
    """The resting point on the two resistors' line, by the valve's law and Kirchhoff."""
    ohms = simwrap.units.quantity.parse(cathode, "ohm")
    valve = simwrap.valve("12AX7")
    current = brentq(
        lambda flow: float(valve.currents(300.0 - flow * (100e3 + ohms), -flow * ohms).anode) - flow, 0.0, 2e-3
    )
    share = 100.0 * current / float(valve.currents(300.0 - current * (100e3 + ohms), 0.0).anode)
    text = f'[stages.line]\nstage = "triode_gain"\nvalve = "12AX7"\nsupply = "300 V"\ncathode_resistor = "{cathode}"\n'
    found = told(checked(tmp_path, text), "near_cut_off")
    assert bool(found) is named is bool(share < 4.0)
    for finding in found:
        assert (finding.subject, finding.unit, finding.mark) == ("line.v1", "A", "near")
        assert finding.value == pytest.approx(current, rel=0.01)
        assert finding.detail("share") == pytest.approx(share, rel=0.02)


#: Those with valves that rest: a rectifier doesn't.
RESTING = [
    name for name in simwrap.stage_names() if any("grid" in use.nodes for use in simwrap.stage(name).valves.values())
]


@pytest.mark.parametrize("name", RESTING)
def test_no_stage_of_the_library_is_accused_as_it_stands(name: str) -> None:
    stage = simwrap.stage(name)
    assert [finding.text for finding in simwrap.check(stage, quick=True).findings if finding.code in AT_REST] == []


def test_half_of_a_pair_may_rest_near_cut_off(tmp_path: Path) -> None:
    """Class B: one half works while the other rests; 35 V of bias leave a 6V6GT next to nothing."""
    text = """
[stages.power]
stage = "push_pull_output"
bias = "fixed"
grid_bias = "-30 V"
supply = "250 V"
screen_supply = "250 V"
speaker_impedance = "8 ohm"
"""
    audit = checked(tmp_path, text)
    assert told(audit, "near_cut_off") == []
    law = simwrap.valve("6V6GT")
    assert float(law.currents(250.0, -30.0, 250.0).anode) < 0.04 * float(law.currents(250.0, 0.0, 250.0).anode)


# Hum

HUM = """
[stages.line]
stage = "triode_gain"
valve = "6SN7GT"
supply = "275 V"
anode_resistor = "47k"
load_resistor = "100k"
cathode_capacitor = "1000u"
[levels]
rated_output = "5 V"
[supply]
feeds = ["line.supply"]
rectifier = "EZ80"
winding_voltage = "210 V"
winding_resistance = "300 ohm"
load_current = "2 mA"
filter = "resistor"
filter_resistor = "1k"
filter_capacitor = "{}"
first_dropper_capacitor = 0
"""


@pytest.mark.parametrize(("filter_capacitor", "named"), [("3u3", True), ("47u", False)])
def test_hum_above_minus_sixty_decibels_is_named(filter_capacitor: str, named: bool, tmp_path: Path) -> None:
    """The supply's ripple through the divider of anode load and anode resistance (closed form)."""
    audit = checked(tmp_path, HUM.format(filter_capacitor))
    (bias,) = (section for section in audit.sections if section.name == "bias")
    row = bias.tables[-1].to_list()[0]
    lower = parallel(float(simwrap.valve("6SN7GT").small_signal(row["anode_voltage"], row["grid_voltage"]).ra), 100e3)
    below = 20.0 * np.log10(5.0 / (lines(audit, "supply")["ripple"] * lower / (lower + 47e3)))
    found = told(audit, "hum_over_stated")
    assert bool(found) is named is bool(below < 60.0)
    assert lines(audit, "noise")["signal_to_noise"] == pytest.approx(below, abs=0.4)
    for finding in found:
        assert finding.value == pytest.approx(below, abs=0.1)
        assert finding.value == pytest.approx(49.0, abs=1.0)
        assert (finding.limit, finding.unit, finding.mark) == (60.0, "dB", "near")
        assert finding.detail("cause") == "supply ripple"


FILAMENT = """
[stages.power]
stage = "single_ended_output"
supply = "320 V"
screen_supply = "230 V"
anode_load = "3k"
speaker_impedance = "8 ohm"
valve = "{}"
cathode_resistor = "{}"
[levels]
rated_power = "1 W"
"""


@pytest.mark.parametrize(("valve", "cathode", "direct"), [("300B", "1k", True), ("6V6GT", "470", False)])
def test_filaments_on_alternating_current_stand_under_what_was_not_checked(
    valve: str, cathode: str, direct: bool, tmp_path: Path
) -> None:
    audit = checked(tmp_path, FILAMENT.format(valve, cathode))
    said = [words for words in audit.not_checked if "filaments" in words]
    assert said == ["hum of directly heated filaments on a.c. (power.v1)"] * direct
    assert "filaments on a.c." in "\n".join(audit.page()) or not direct
    (noise,) = (section for section in audit.sections if section.name == "noise")
    causes = {row["cause"] for row in noise.tables[0].to_list()}
    # What has no heater apart leaks nothing into a cathode, and 0 would be a claim.
    assert ("heater-cathode leakage" in causes) is not direct
    ratio = next(line for line in noise.lines if line.name == "signal_to_noise")
    assert ("without its filaments' hum" in ratio.text) is direct
