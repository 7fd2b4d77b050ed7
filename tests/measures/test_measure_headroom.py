"""headroom on memoryless stages whose distortion and limits are known beforehand."""

from __future__ import annotations

import numpy as np
import pytest
from measure_fakes import frequencies, make_reply, make_stage, make_use, run

import simwrap
from simwrap.measures.registry import get_measure
from simwrap.measures.requests import Ac, Op, Steady

GRID, ANODE, CURRENT, LOAD = -2.0, 150.0, 1.0, 100.0  # V, V, mA, kohm


def amplifier(gm=1.0, bias=GRID, square=0.02, kind="triode", bottom=None, screen=False, load=LOAD):
    """A valve with the anode current I0 (1 + gm v + square v^2), no less than 0, into a load."""

    def wave(v):
        current = np.maximum(CURRENT * (1 + gm * v + square * v**2), 0.0)
        anode = ANODE - load * (current - CURRENT)
        if bottom is not None:
            anode = np.maximum(anode, bottom)
            current = CURRENT + (ANODE - anode) / load
        values = {
            "n_g_v1": v + bias,
            "n_k_v1": np.zeros_like(v),
            "n_a_v1": anode,
            "n_out": anode - ANODE,
            "n_v1_ia": current,
            "n_v1_ig": 0.5 * np.maximum(v + bias, 0.0),
        }
        if screen:
            wish = CURRENT * (1 + gm * v)
            values |= {
                "n_v1_ig2": 0.3 * current + np.maximum(wish - current, 0),
                "n_s_v1": np.full_like(v, 100.0),
            }
        return values

    def reply(request):
        if isinstance(request, Op):
            return make_reply(wave(np.zeros(2)))
        if isinstance(request, Ac):
            f = frequencies(request)
            small = {
                name: (wave(np.full((2, 1), 1e-6))[name] - wave(np.zeros((2, 1)))[name]) / 1e-6 + 0j
                for name in request.vectors
            }
            return make_reply(small, f)
        assert isinstance(request, Steady)
        turn = 2 * np.pi * np.arange(request.samples) / request.samples
        v = request.amplitude[..., None] * np.sin(turn)
        waves = wave(v)
        return make_reply({name: waves[name] for name in request.vectors}, periods=np.full(request.amplitude.shape, 7))

    return make_stage(valves={"v1": make_use(kind)}), reply


def values_of(stage_and_replier, **options):
    stage, replier = stage_and_replier
    result = run(get_measure("headroom"), stage, replier, **options)
    return {key: variable.values for key, variable in result.variables.items()}, result


def test_square_law_reaches_one_and_three_percent_where_algebra_says():
    """I = 1 + g v + s v^2: second harmonic s A/(2 g), so A = 2 g d/s peak volts."""
    got, _ = values_of(amplifier(gm=0.05, square=0.001, bias=-30.0))
    for percent in (1, 3):
        peak = 2 * 0.05 * percent / 100 / 0.001
        assert got[f"input_rms_{percent}pct"] == pytest.approx(peak / np.sqrt(2) * np.ones(2), rel=2e-3)
        first, second = LOAD * 0.05 * peak, LOAD * 0.001 * peak**2 / 2
        exact = np.hypot(first, second) / np.sqrt(2)
        assert got[f"output_rms_{percent}pct"] == pytest.approx(exact * np.ones(2), rel=2e-3)
        exact_db = 20 * np.log10(peak / np.sqrt(2) / 0.5)
        assert got[f"headroom_{percent}pct_db"] == pytest.approx([exact_db, exact_db], abs=0.02)


def test_the_sweep_is_sorted_and_has_the_levels_asked_for():
    got, result = values_of(amplifier(), levels=20)
    assert got["level_in"].shape == got["thd"].shape == (2, 20)
    assert (np.diff(got["level_in"], axis=1) > 0).all()
    assert got["harmonics"].shape == (2, 20, 9)
    assert (got["periods"] == 7).all()
    # With 2nd and 3rd only, the total is the root of the sum of their squares.
    assert result.conditions["frequency"] == (1000.0, "Hz")


@pytest.mark.parametrize("levels", [30, 20, 18])
def test_grid_current_first(levels):
    got, _ = values_of(amplifier(gm=0.2, bias=-1.0), levels=levels)
    assert got["first_limit"].tolist() == ["grid current"] * 2
    # The grid conducts from 1 V peak on; 0.1 % of 1 mA flows 2 mV later.
    assert got["clipping_input_rms"] == pytest.approx(1.002 / np.sqrt(2) * np.ones(2), rel=0.1)


def test_cut_off_first():
    got, _ = values_of(amplifier(gm=0.5, square=0.0, bias=-4.0))
    assert got["first_limit"].tolist() == ["cut-off"] * 2
    assert got["clipping_input_rms"] == pytest.approx(1.9 / np.sqrt(2) * np.ones(2), rel=0.02)
    assert got["input_rms_1pct"][0] > 1.9 / np.sqrt(2)


def test_bottoming_first_of_a_triode():
    got, _ = values_of(amplifier(gm=0.8, square=0.0, bias=-9.0, bottom=10.0, load=300.0))
    assert got["first_limit"].tolist() == ["bottoming"] * 2
    # 10 % of 150 V are reached at 1.45 mA, that is at 0.45/0.8 V peak.
    assert got["clipping_input_rms"] == pytest.approx(0.45 / 0.8 / np.sqrt(2) * np.ones(2), rel=0.05)


def test_bottoming_first_of_a_pentode_shows_in_the_screen_current():
    got, _ = values_of(amplifier(gm=0.5, square=0.0, bias=-9.0, bottom=120.0, kind="pentode", screen=True))
    assert got["first_limit"].tolist() == ["bottoming"] * 2


def test_a_passive_stage_never_clips():
    def reply(request):
        turn = 2 * np.pi * np.arange(request.samples) / request.samples
        return make_reply({"n_out": 0.1 * request.amplitude[..., None] * np.sin(turn)})

    stage = make_stage()
    steps = {}

    def with_op(request):
        steps[type(request)] = True
        return make_reply({"n_out": np.zeros(2)}) if isinstance(request, Op) else reply(request)

    got, _ = values_of((stage, with_op))
    assert got["first_limit"].tolist() == ["none in range"] * 2
    assert np.isnan(got["output_rms_1pct"]).all()
    assert np.isnan(got["clipping_input_rms"]).all()
    assert (got["thd"] < 1e-10).all()
    assert got["level_out"] == pytest.approx(0.1 * got["level_in"])


def test_a_failed_point_is_nan_and_leaves_the_other_alone():
    stage, replier = amplifier(gm=0.05, square=0.001, bias=-30.0)

    def reply(request):
        made = replier(request)
        values = {name: np.array(v, dtype=complex if np.iscomplexobj(v) else float) for name, v in made.values.items()}
        for array in values.values():
            array[0] = np.nan
        return make_reply(values, made.axis, **made.extras)

    got, _ = values_of((stage, reply))
    assert np.isnan(got["output_rms_1pct"][0])
    assert np.isfinite(got["output_rms_1pct"][1])
    assert got["first_limit"][0] == ""
    assert got["input_rms_1pct"][1] == pytest.approx(1 / np.sqrt(2), rel=5e-3)


def test_grid_current_at_rest_is_no_level_at_all():
    """A grid at +0.1 V conducts without a signal: 0 V, not the lowest level that was looked at; and it is said."""
    got, result = values_of(amplifier(gm=0.2, bias=0.1))
    assert got["first_limit"].tolist() == ["grid current"] * 2
    assert got["clipping_input_rms"] == pytest.approx([0.0, 0.0])
    assert got["clipping_output_rms"] == pytest.approx([0.0, 0.0])
    assert "grid current without a signal" in result.warnings[0][0]


def test_a_limit_beyond_the_expected_range_is_still_found():
    """A valve that takes 20 times what its slopes lead one to expect, because it hardly moves there."""

    stage, replier = amplifier(gm=0.5, square=0.0, bias=-90.0)

    def reply(request):
        made = replier(request)
        if isinstance(request, Ac):
            return make_reply({name: 10.0 * array for name, array in made.values.items()}, made.axis)
        return made

    # The anode would be expected to run out ten times too soon. Two rounds go up by factors of 2, one closes in.
    got, _ = values_of((stage, reply))
    assert got["first_limit"].tolist() == ["cut-off"] * 2
    assert got["clipping_input_rms"] == pytest.approx(1.9 / np.sqrt(2) * np.ones(2), rel=0.1)


def test_the_mark_of_a_curve_that_bends_sharply_is_read_well():
    """3 % of a follower that begins to clip: with as few levels as there are, where ten times as many have it."""
    stage = simwrap.stage("cathode_follower")
    few, many = (simwrap.measure(stage, {"headroom": {"levels": levels}}).headroom for levels in (18, 60))
    assert few.input_rms_3pct == pytest.approx(many.input_rms_3pct, rel=5e-4)
    assert few.input_rms_1pct == pytest.approx(many.input_rms_1pct, rel=1e-3)
