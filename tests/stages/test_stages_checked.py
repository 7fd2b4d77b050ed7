"""Every stage beside the closed forms of theory, and the table of the documentation that says how near it comes."""

from __future__ import annotations

from pathlib import Path

import forms_of_amplifiers  # these register their checks
import forms_of_outputs
import forms_of_preamplifiers
import forms_of_splitters
import pytest
from closed_forms import CHECKS, Check

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
