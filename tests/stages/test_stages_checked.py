"""Every stage beside the closed forms of theory, and the table of the documentation that says how near it comes."""

from __future__ import annotations

import re
from pathlib import Path

import forms_of_amplifiers  # these register their checks
import forms_of_outputs
import forms_of_preamplifiers
import forms_of_splitters
import pytest
from closed_forms import CHECKS, Check, parallel, slopes

import simwrap

PAGE = Path(__file__).parents[2] / "docs" / "checked_stages.md"
MODULES = (forms_of_amplifiers, forms_of_outputs, forms_of_preamplifiers, forms_of_splitters)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: f"{check.stage}: {check.figure}"[:60])
def test_closed_form(check: Check) -> None:
    found, wanted = check.both(check.made())
    assert found == pytest.approx(wanted, rel=check.percent / 100.0)


def test_the_page_has_the_table() -> None:
    """The rows in the page, in its order, are those of the checks: what each stage is held to, and how closely."""
    rows = [line for line in PAGE.read_text(encoding="utf-8").splitlines() if line.startswith("| `")]
    assert sorted(rows) == sorted(check.row() for check in CHECKS)


# Each stage at rest, with its defaults

AT_REST = re.compile(r"(v\d+) (\S+) ([\d.]+) V, ([\d.]+) mA, ([\d.]+) %")
#: The screens of an output pair stand on its anodes' supply.
NEAR = {"push_pull_output": {"screen voltage"}}


def rows_at_rest() -> dict[str, str]:
    """Return the second table of the page: stage, and its valves at rest."""
    _, _, table = PAGE.read_text(encoding="utf-8").partition("## At rest")
    return dict(re.findall(r"^\| (\w+) \| (v1 .*) \|$", table, re.MULTILINE))


@pytest.mark.parametrize("name", sorted(rows_at_rest()))
def test_the_defaults_bias_well(name: str) -> None:
    """As the page says; no rating is exceeded or near, no grid draws current, no anode is at an end of its swing."""
    found = simwrap.measure(simwrap.stage(name), "bias")
    told = {valve: rest for valve, *rest in AT_REST.findall(rows_at_rest()[name])}
    assert set(told) == set(found.stage.valves)
    for valve, (kind, *numbers) in told.items():
        state = found.bias.valves[valve]
        figures = [state.anode_voltage, 1e3 * state.anode_current, state.anode_dissipation_share]
        assert kind == state.type
        assert [float(number) for number in numbers] == pytest.approx(figures, rel=0.02)
        assert state.grid_voltage < -0.5
        assert abs(state.grid_current) < 1e-6
        assert 0.15 < state.anode_voltage / found.stage.values["supply"] < 0.97
        assert state.anode_dissipation_share < 90.0
    assert {finding.quantity for finding in found.findings} == NEAR.get(name, set())


# A follower before a tone network


def test_a_bootstrapped_follower_before_a_tone_network() -> None:
    """Its input is Rg/(1 - A), A the gain from the grid to the foot of the bias resistor, to which the leak returns.

    And the network has the curve that a source of the follower's output impedance gives it (Radio Designer's
    Handbook ch. 7, bootstrapped followers; from memory).
    """
    open_ends = {"coupling_capacitor": 1.0, "input_capacitor": 1.0, "source_resistance": 0, "load_capacitance": 0}
    follower = simwrap.stage("cathode_follower", **open_ends, load_resistor=1e9)
    tone = simwrap.stage("tone_passive", bass=0.8, treble=0.2)
    joined = simwrap.circuit(follower=follower, tone=tone, joins=["follower.output -> tone.input"])
    valve, v = slopes(follower), follower.values
    beneath = parallel(v["cathode_resistor"], v["grid_leak"])
    inside = valve.ra + (valve.mu + 1.0) * v["bias_resistor"]
    gain_to_foot = (valve.mu / inside + 1.0 / v["grid_leak"]) / (1.0 / beneath + (valve.mu + 1.0) / inside)
    found = simwrap.measure(follower, "impedance").impedance.input
    assert found == pytest.approx(v["grid_leak"] / (1.0 - gain_to_foot), rel=0.01)
    assert simwrap.measure(joined, "impedance").impedance.input > 5.0 * v["grid_leak"]
    source = simwrap.measure(follower, "impedance").impedance.output
    alone = simwrap.measure(tone.replace(source_resistance=source), {"response": {"per_decade": 5}}).response
    both = simwrap.measure(joined, {"response": {"per_decade": 5}}).response
    level = simwrap.measure(follower, "response").response.gain_db
    heard = (alone.frequency >= 20.0) & (alone.frequency <= 20e3)
    assert both.curve_db[heard] - alone.curve_db[heard] == pytest.approx(level, abs=0.02)
