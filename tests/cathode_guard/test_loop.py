"""The guard's loop on counts made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from simwrap.cathode_guard.loop import EVENTS, NEXT, STATES, Check, Loop, replay

CHECKS = (
    Check("short_high", 0, True, False, 900, 3, "short"),
    Check("trip_high", 0, False, False, 600, 10, "trip"),
    Check("warn_high", 0, False, False, 500, 20, "warn"),
    Check("warn_low", 0, False, True, 100, 20, "warn"),
    Check("short_high", 1, True, False, 900, 3, "short"),
    Check("trip_imbalance", 2, False, False, 200, 10, "trip"),
)
LOOP = Loop(CHECKS, ((1, -1),), 2, 50)


def trace(*levels: tuple[int, int, int]) -> np.ndarray:
    """Counts of two valves: (samples, first, second) after one another."""
    return np.concatenate([np.tile([[one, other]], (samples, 1)) for samples, one, other in levels])[None]


def test_nothing_happens_in_a_quiet_amplifier() -> None:
    said = replay(LOOP, trace((200, 300, 310)))
    assert (said.states[0, :49] == STATES.index("warming")).all()
    assert (said.states[0, 49:] == STATES.index("running")).all()
    assert said.tripped_by == [""]


def test_while_warming_only_a_short_counts() -> None:
    assert replay(LOOP, trace((49, 0, 800))).first("tripped")[0] == -1
    said = replay(LOOP, trace((10, 300, 300), (5, 950, 300)))
    assert said.first("tripped")[0] == 12  # the third sample above it
    assert said.tripped_by == ["short_high"]


def test_a_level_has_to_last() -> None:
    # A step from 0 passes 600 of 700 when 1 - (3/4)^n > 6/7: at the seventh sample; the tenth above it trips.
    said = replay(LOOP, trace((1, 0, 0), (100, 700, 700)), warm=True)
    assert said.first("tripped")[0] == 7 + 10 - 1
    brief = replay(LOOP, trace((20, 300, 300), (6, 700, 700), (100, 300, 300)), warm=True)
    assert brief.first("tripped")[0] == -1


def test_a_warning_goes_and_a_trip_stays() -> None:
    said = replay(LOOP, trace((10, 300, 300), (60, 550, 550), (60, 300, 300)), warm=True)
    assert said.first("warning")[0] > 0
    assert said.states[0, -1] == STATES.index("running")
    assert said.warned_by == [{"warn_high"}]
    said = replay(LOOP, trace((10, 300, 300), (60, 700, 700), (60, 300, 300)), warm=True)
    assert said.states[0, -1] == STATES.index("tripped")


def test_halves_that_are_apart() -> None:
    assert replay(LOOP, trace((100, 450, 200)), warm=True).tripped_by == ["trip_imbalance"]
    assert replay(LOOP, trace((100, 200, 450)), warm=True).tripped_by == ["trip_imbalance"]
    assert replay(LOOP, trace((100, 450, 300)), warm=True).tripped_by == [""]


def test_points_are_independent() -> None:
    quiet, loud = trace((100, 300, 300)), trace((100, 700, 700))
    both = replay(LOOP, np.concatenate([quiet, loud]), warm=True)
    assert both.tripped_by == ["", "trip_high"]


@pytest.mark.parametrize("state", STATES)
def test_the_table_of_states(state: str) -> None:
    row = dict(zip(EVENTS, NEXT[STATES.index(state)], strict=True))
    assert row["short"] == "tripped"
    assert (set(row.values()) == {"tripped"}) == (state == "tripped")
