"""Closing in on marks: curves whose crossings are known (power laws, a kink, a Fourier integral, saturation)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from simwrap.measures.numerics.closing_in import Curve, filled, first_reached, lost_from, next_levels, without_known
from simwrap.measures.numerics.level_sweep import curvature, earliest

TURN = 2.0 * np.pi * (np.arange(4096) + 0.5) / 4096


def clipped_thd(level):
    """THD of a sine that is cut off below -1.5 V peak, as a part of 5 %."""
    wave = np.maximum(np.sqrt(2.0) * level * np.sin(TURN), -1.5)
    lines = np.abs(np.fft.rfft(wave))
    return np.sqrt((lines[2:33] ** 2).sum()) / lines[1] / 0.05


CURVES = {
    "power law": (lambda level: (level / 0.7) ** 1.7, 1e-9),
    "two powers": (lambda level: 0.4 * level + 0.9 * level**6, 1e-6),
    "clipping": (clipped_thd, 1e-3),
    "a kink from nothing": (lambda level: max(level - 1.0, 0.0) * 500.0, 2e-2),
    "saturation": (lambda level: min(level, 1.3) / 1.25, 2e-2),
}


@pytest.mark.parametrize("name", CURVES)
def test_three_levels_close_in_on_a_mark(name):
    function, within = CURVES[name]
    exact = brentq(lambda level: function(level) - 1.0, 0.02, 3.0, xtol=1e-12)
    levels = np.geomspace(0.02, 3.0, 9)[None]
    values = np.array([[function(level) for level in levels[0]]])
    for _ in range(3):
        (new,) = next_levels(levels, [[Curve(values)]])[0]
        levels, values = np.append(levels, [[new]], 1), np.append(values, [[function(new)]], 1)
    assert first_reached(levels, Curve(values)) == pytest.approx([exact], rel=within)


def test_a_mark_reached_without_a_signal_is_at_no_level():
    levels, values = np.geomspace(0.1, 10.0, 5)[None], np.full((1, 5), 7.0)
    assert first_reached(levels, Curve(values, np.array([2.0]))) == pytest.approx([0.0])
    assert np.isnan(next_levels(levels, [[Curve(values, np.array([2.0]))]])).all()
    # Nothing said of what is below: no figure, but a level below to learn it.
    assert np.isnan(first_reached(levels, Curve(values))).all()
    assert 0.0 < next_levels(levels, [[Curve(values)]])[0, 0] < 0.1 / 7.0


def test_between_rest_and_the_lowest_level_it_is_straight():
    """From 0.5 at rest to 1.5 at 0.1 V: 1 at 0.05 V."""
    levels = np.array([[0.1, 1.0]])
    assert first_reached(levels, Curve(np.array([[1.5, 9.0]]), np.array([0.5]))) == pytest.approx([0.05])


def test_beyond_the_highest_only_where_asked_and_where_it_worked():
    levels = np.array([[1.0, 2.0], [1.0, 2.0]])
    curve = Curve(np.array([[0.1, 0.2], [0.1, np.nan]]))
    assert np.isnan(next_levels(levels, [[curve]])).all()
    found = next_levels(levels, [[curve]], beyond=2.0)
    assert found[0, 0] == 4.0
    assert np.isnan(found[1, 0])  # a level beyond one that failed would fail too


def test_levels_all_differ_and_what_is_known_is_left_out():
    levels = np.array([[1.0, 2.0, 8.0]])
    found = filled(levels, np.array([[2.0, 2.0, np.nan]]))[0]
    assert len({*levels[0], *found}) == 6
    assert found[:2] == pytest.approx(2.0, rel=1e-3)
    assert found[2] == pytest.approx(4.0, rel=1e-3)  # the middle of the widest gap
    assert np.isnan(without_known(levels, np.array([[2.001, 3.0]]), 0.002)).tolist() == [[True, False]]


def test_the_curvature_of_a_sine_is_one_and_of_a_flat_bottom_none():
    """cos 2t of a part b bends the bottom of -cos t by 1 - 4 b of itself and no more."""
    turn = 2.0 * np.pi * np.arange(256) / 256
    waves = np.stack([np.sin(turn), np.maximum(np.sin(turn), -0.8), np.sin(turn) - 0.05 * np.cos(2.0 * turn)])
    found = curvature(waves[None] * 37.0 + 100.0)[0]
    assert found[0] == pytest.approx(1.0, abs=1e-6)
    assert found[1] == pytest.approx(0.0, abs=1e-9)
    assert found[2] == pytest.approx(1.0 - 4.0 * 0.05, abs=0.01)
    assert np.isnan(curvature(np.full((1, 1, 256), 100.0))).all()


def test_a_mark_beside_a_lost_level_is_not_read():
    """82 W and not 49: where a level ran out of time, the power at the mark isn't interpolated across it."""
    levels = np.array([[1.0, 2.0, 4.0, 8.0, 16.0]] * 5)
    values = levels / 5.0
    values[1, 2] = np.nan  # between the last below the mark and the first above it
    values[2, 0] = np.nan  # far below
    values[3, 4] = np.nan  # above
    values[4, 3:] = np.nan  # the mark may lie among those that are lost
    assert first_reached(levels, Curve(values)) == pytest.approx([5.0, np.nan, 5.0, 5.0, np.nan], nan_ok=True)
    assert list(lost_from(levels, Curve(values))) == [np.inf, 4.0, np.inf, np.inf, 8.0]
    # What wasn't looked for has a level of 0, and isn't lost.
    levels[1, 2] = 0.0
    assert first_reached(levels, Curve(values))[1] == pytest.approx(5.0)


def test_what_clips_first_is_not_told_where_a_lost_level_may_have_clipped_before():
    levels = np.array([[1.0, 2.0, 4.0, 8.0]] * 2)
    grid, bottom = levels / 3.0, levels / 6.0
    grid[1, 1], bottom[1, 1] = np.nan, np.nan
    words, level = earliest(levels, {"grid current": grid, "bottoming": bottom}, {})
    assert list(words) == ["grid current", ""]
    assert level == pytest.approx([3.0, np.nan], nan_ok=True)
