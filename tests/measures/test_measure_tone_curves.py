"""tone_curves against closed forms of shelving filters whose flat positions are known."""

from __future__ import annotations

import numpy as np
import pytest
from measure_fakes import frequencies, make_reply, make_stage, run
from scipy.optimize import differential_evolution

import simwrap
from simwrap.circuits.point_table import PointTable
from simwrap.errors import InputError
from simwrap.measures.numerics.crossings import at_frequency
from simwrap.measures.registry import get_measure
from simwrap.simulation.conduct import evaluate

FLAT = {"bass": np.array([0.37, 0.55]), "treble": np.array([0.62, 0.5])}


def shelf(f, bass, treble, flat_bass, flat_treble):
    """Gain 0.1; shelves at 200 Hz and 3 kHz of up to about +-20 dB, level at the flat position."""
    k, m = 10 ** (2 * (bass - flat_bass)), 10 ** (2 * (treble - flat_treble))
    low = (1j * f + 200 * np.sqrt(k)) / (1j * f + 200 / np.sqrt(k))
    high = (1 + 1j * f * np.sqrt(m) / 3000) / (1 + 1j * f / np.sqrt(m) / 3000)
    return 0.1 * low * high


def replier(request):
    f = frequencies(request)
    varied = [np.asarray(v, dtype=float) for v in request.vary.values()]
    settings = varied[0].shape[-1] if varied else None
    values = []
    for point in range(2):
        got = {}
        for name in ("bass", "treble"):
            setting = np.asarray(request.vary.get(name, 0.5), dtype=float)
            setting = setting[point] if setting.ndim == 2 else setting
            got[name] = np.broadcast_to(setting, (settings,) if settings else ())
        flat = FLAT["bass"][point], FLAT["treble"][point]
        values.append(shelf(f, got["bass"][..., None], got["treble"][..., None], *flat))
    return make_reply({"n_out": np.array(values)}, f)


@pytest.fixture(scope="module")
def result():
    return run(get_measure("tone_curves"), make_stage({"bass": 0.5, "treble": 0.5}), replier)


def test_flattest_setting_of_each_point_is_found(result):
    assert result.variables["flattest.bass"].values == pytest.approx(FLAT["bass"], abs=1.5e-3)
    assert result.variables["flattest.treble"].values == pytest.approx(FLAT["treble"], abs=1.5e-3)
    assert (result.variables["flattest.deviation_db"].values < 0.05).all()
    assert result.variables["flattest.insertion_loss_db"].values == pytest.approx([20.0, 20.0], abs=0.05)


def test_boost_and_cut_are_relative_to_1_khz(result):
    for name, spots in (("bass", [20, 50, 100]), ("treble", [5e3, 10e3, 20e3])):
        for what, setting in (("boost", 1.0), ("cut", 0.0)):
            for point in range(2):
                at = {"bass": 0.5, "treble": 0.5, name: setting}
                flat = FLAT["bass"][point], FLAT["treble"][point]
                f = np.array([*spots, 1000.0])
                level = 20 * np.log10(np.abs(shelf(f, at["bass"], at["treble"], *flat)))
                got = result.variables[f"{name}_{what}_db"].values[point]
                assert got == pytest.approx(level[:3] - level[3], abs=1e-3)
    assert result.coords["bass_frequency"].values.tolist() == [20, 50, 100]
    assert result.coords["treble_frequency"].values.tolist() == [5e3, 1e4, 2e4]


def test_families_hold_every_setting(result):
    family = result.variables["bass_curves_db"]
    assert family.dims == ("bass_setting", "frequency")
    assert family.values.shape[:2] == (2, 11)
    assert (np.diff(family.values[:, :, 0], axis=1) > 0).all()
    # The middle setting of the family is the curve as it is set.
    assert family.values[:, 5] == pytest.approx(result.variables["curve_db"].values)


def test_one_control_is_enough_and_none_is_refused():
    one = run(get_measure("tone_curves"), make_stage({"treble": 0.5}), replier)
    assert "treble_boost_db" in one.variables
    assert not any(key.startswith("bass") for key in one.variables)
    with pytest.raises(InputError, match="no bass, middle or treble"):
        next(get_measure("tone_curves")(make_stage()))


def test_three_knobs_have_three_families():
    """A family's end is the response with that control at its end, the others as set; so is the flattest setting."""
    stage = simwrap.stage("tone_three_knob", bass=0.4, middle=0.3, treble=0.6)
    found = simwrap.measure(stage, "tone_curves").tone_curves
    options = {"response": {"start": 10.0, "stop": 1e5, "per_decade": 20}}
    for name in ("bass", "middle", "treble"):
        for place, position in ((0, 0.0), (-1, 1.0)):
            alone = simwrap.measure(stage.replace(**{name: position}), options).response
            assert found[f"{name}_curves_db"][place] == pytest.approx(alone.curve_db, abs=1e-6)
    ends = [simwrap.measure(stage.replace(middle=position), options).response for position in (0.0, 1.0)]
    level = [np.interp(np.log([250.0, 500.0, 1000.0]), np.log(end.frequency), end.curve_db) for end in ends]
    assert found.middle_range_db == pytest.approx(level[1] - level[0], abs=0.1)
    best = found.flattest
    flat = stage.replace(bass=best.bass, middle=best.middle, treble=best.treble)
    curve = simwrap.measure(flat, {"response": {"start": 20.0, "stop": 20e3, "per_decade": 20}}).response
    at_1khz = np.interp(np.log(1000.0), np.log(curve.frequency), curve.curve_db)
    assert np.abs(curve.curve_db - at_1khz).max() == pytest.approx(best.deviation_db, abs=0.02)
    assert best.deviation_db < 1.5


def test_the_flattest_of_three_knobs_is_the_flattest_of_all():
    """Against scipy's differential evolution over all three at once: no other setting departs less."""
    made = simwrap.stage("tone_three_knob")
    frequency = 20.0 * 10.0 ** (np.arange(61) / 20.0)

    def departure(settings):
        places = {
            name: np.clip(row, 0.0, 1.0) for name, row in zip(("bass", "middle", "treble"), settings, strict=True)
        }
        asked = {"response": {"start": 20.0, "stop": 20e3, "per_decade": 20}}
        found = evaluate(PointTable(made, places, settings.shape[1]), asked).results["response"].variables
        curves = found["curve_db"].values
        return np.abs(curves - at_frequency(frequency, curves, 1000.0)[:, None]).max(axis=1)

    best = differential_evolution(departure, [(0.0, 1.0)] * 3, vectorized=True, updating="deferred", popsize=20,
                                  maxiter=120, seed=1, tol=1e-9, polish=False)  # fmt: skip
    found = simwrap.measure(made, "tone_curves").tone_curves.flattest
    assert found.deviation_db == pytest.approx(best.fun, abs=0.01)
