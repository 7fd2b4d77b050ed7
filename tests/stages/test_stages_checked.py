"""Every stage beside the closed forms of theory, and the table of the documentation that says how near it comes."""

from __future__ import annotations

import re
from pathlib import Path

import forms_of_amplifiers  # these register their checks
import forms_of_outputs
import forms_of_preamplifiers
import forms_of_splitters
import pytest
from closed_forms import CHECKS, Check

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
