"""The guard's loop on counts made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simwrap.cathode_guard.loop import ALWAYS, EVENTS, NEXT, RUNNING, STARTING, STATES, Check, Loop, replay

CHECKS = (
    Check("short_high", "raw", 0, False, ALWAYS, 900, 3, "short"),
    Check("trip_high", "smooth", 0, False, RUNNING, 600, 10, "trip"),
    Check("start_high", "smooth", 0, False, STARTING, 600, 30, "trip"),
    Check("warn_high", "smooth", 0, False, RUNNING, 500, 20, "warn"),
    Check("warn_low", "smooth", 0, True, RUNNING, 100, 20, "warn"),
    Check("trip_low", "smooth", 0, True, RUNNING, 50, 40, "trip"),
    Check("short_high", "raw", 1, False, ALWAYS, 900, 3, "short"),
    Check("trip_imbalance", "apart", 0, False, RUNNING, 200, 10, "trip"),
    Check("trip_rough", "rough", 0, False, ALWAYS, 60, 30, "trip"),
    Check("trip_still", "still", 0, False, ALWAYS, 400, 1, "trip"),
    Check("dark", "most", 0, True, RUNNING, 50, 5, "dark"),
)
LOOP = Loop(valves=2, checks=CHECKS, halves=((1, -1),), shift=2, warming=50, dark=50, patience=100, slow=10**6)


def trace(*levels: tuple[int, int, int]) -> np.ndarray:
    """Counts of two valves: (samples, first, second) after one another."""
    return np.concatenate([np.tile([[one, other]], (samples, 1)) for samples, one, other in levels])[None]


def test_nothing_happens_in_a_quiet_amplifier() -> None:
    said = replay(LOOP, trace((200, 300, 310)))
    assert (said.states[0, :49] == STATES.index("warming")).all()
    assert (said.states[0, 49:] == STATES.index("running")).all()
    assert said.tripped_by == [""]


def test_while_warming_a_short_counts_at_once_and_an_overload_soon() -> None:
    assert replay(LOOP, trace((29, 300, 800))).first("tripped")[0] == -1
    said = replay(LOOP, trace((10, 300, 300), (5, 950, 300)))
    assert said.first("tripped")[0] == 12  # the third sample above it
    assert said.tripped_by == ["short_high"]
    said = replay(LOOP, trace((49, 700, 300)))
    assert said.first("tripped")[0] == 29  # the thirtieth sample above it, not the fiftieth
    assert said.tripped_by == ["start_high"]


def with_supply(*levels: tuple[int, int, int]) -> np.ndarray:
    """Counts of two valves and of the supply: both valves alike."""
    return np.concatenate([np.tile([[both, both, rail]], (samples, 1)) for samples, both, rail in levels])[None]


def test_a_supply_that_is_there_tells_dead_valves_from_a_mains_that_is_off() -> None:
    """Heaters that go out, or a converter that reads nothing of all valves: once a new start, and no trip."""
    watched = replace(LOOP, supply=200)
    assert watched.pins == 3
    out = with_supply((50, 300, 400), (60, 0, 420))
    assert replay(watched, out, warm=True).tripped_by == ["trip_low"]
    assert replay(LOOP, out[:, :, :2], warm=True).tripped_by == [""]
    # The mains goes, and with it the supply: a start follows.
    off = replay(watched, with_supply((50, 300, 400), (60, 0, 20), (10, 0, 400), (90, 300, 400)), warm=True)
    assert off.tripped_by == [""]
    assert STATES.index("warming") in off.states[0]
    # While cold cathodes have no current yet, the supply is there, and nothing is amiss.
    assert replay(watched, with_supply((60, 0, 420), (90, 300, 400))).tripped_by == [""]


def test_the_warming_up_begins_with_the_first_current() -> None:
    said = replay(LOOP, trace((60, 0, 0), (200, 300, 310)))
    assert said.first("running")[0] == 60 + 49
    # Without any current for longer than a start may wait, a valve doesn't work.
    said = replay(LOOP, trace((300, 0, 0)))
    assert said.first("tripped")[0] == 100 + 49 + 39
    assert said.tripped_by == ["trip_low"]


def test_a_mains_that_goes_is_a_new_start_and_one_dead_valve_is_not() -> None:
    gone = replay(LOOP, trace((20, 300, 310), (60, 0, 0), (30, 700, 700), (200, 300, 310)), warm=True)
    assert STATES.index("warming") in gone.states[0]
    assert gone.states[0, -1] == STATES.index("running")
    dead = replay(LOOP, trace((20, 150, 310), (60, 0, 180)), warm=True)
    assert dead.tripped_by == ["trip_low"]


def test_a_converter_that_stands_still_or_is_noise() -> None:
    said = replay(LOOP, trace((600, 300, 310)))
    assert said.tripped_by == ["trip_still"]
    assert said.first("tripped")[0] == 400
    alive = trace((600, 300, 310))
    alive[0, ::7, 0] += 1
    assert replay(LOOP, alive).tripped_by == [""]
    # An open wire with 50 Hz, 250 samples a second, about the healthy count.
    wave = trace((600, 300, 310))
    wave[0, :, 0] += np.rint(250 * np.sin(2 * np.pi * 50 / 250 * np.arange(600))).astype(int)
    assert replay(LOOP, wave, warm=True).tripped_by == ["trip_rough"]


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
