"""Every measure on every registered stage: a value, or one sentence why not; never a NaN without a reason."""

from __future__ import annotations

import pytest
from matrix import SMALL, drawn, tried

from simwrap.circuits.library import find_template, stage_names
from simwrap.measures.registry import measures

LARGE = [name for name in measures() if name not in SMALL]


@pytest.mark.parametrize("name", stage_names())
def test_small_signals_at_the_defaults(name: str) -> None:
    row = tried(name)
    assert row.faults == []
    assert row.came or not find_template(name).header.other_measures
    assert all(sentence and "\n" not in sentence for sentence in row.refused.values())
    assert set(row.came) | set(row.refused) == set(SMALL)


@pytest.mark.long
@pytest.mark.parametrize("name", stage_names())
def test_small_signals_at_random_values(name: str) -> None:
    """20 drawn sets of values, the same ones in every run."""
    told = {}
    for turn in range(20):
        values = drawn(name, turn)
        if faults := tried(name, **values).faults:
            told[turn] = (faults, values)
    assert told == {}


@pytest.mark.long
@pytest.mark.parametrize("name", stage_names())
def test_large_signals_at_the_defaults(name: str) -> None:
    row = tried(name, LARGE)
    assert [fault for fault in row.faults if "without a reason" not in fault] == []
    assert set(row.came) | set(row.refused) == set(LARGE)
