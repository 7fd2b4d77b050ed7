"""What measures ask, merged: the plan, and the arrays that are filled part by part."""

from __future__ import annotations

import numpy as np
import pytest

from simwrap.measures.common import StageLike, scalar
from simwrap.measures.requests import Ac, Noise, Op, Poles, Steady
from simwrap.simulation.answers import ByPoint
from simwrap.simulation.conduct import StageView
from simwrap.simulation.plan import Group, fingerprint, plan


def sweep(excite: str = "signal", **more: object) -> Ac:
    return Ac(start=1.0, stop=10.0, per_decade=1, vectors=("n_a",), excite=excite, **more)  # type: ignore[arg-type]


def steady(level: float) -> Steady:
    return Steady(fundamental=1e3, tones=(), amplitude=np.array([[level]]), vectors=("n_a",))


def kinds(groups: list[Group]) -> list[list[str]]:
    return [[type(request).__name__ for request in group.requests] for group in groups]


def test_a_request_that_two_measures_make_is_run_once() -> None:
    (group,) = plan([sweep(), Op(), sweep()], 2)
    assert kinds([group]) == [["Ac", "Op"]]


def test_sweeps_about_one_point_share_a_netlist_where_there_are_enough() -> None:
    requests = [sweep("signal"), sweep("output")]
    assert [group.linear for group in plan(requests, 2)] == [True]
    assert [group.linear for group in plan(requests, np.inf)] == [False, False]


@pytest.mark.parametrize("least", [2, np.inf])
def test_the_operating_point_rides_along_and_does_not_say_what_is_excited(least: float) -> None:
    (group,) = plan([Op(), sweep("output")], least)
    assert group.requests[0].excite == "output"
    assert kinds([group]) == [["Ac", "Op"]]


def test_other_settings_and_large_signals_go_apart() -> None:
    vary = {"bass": np.array([0.0, 1.0])}
    noise = Noise(start=1.0, stop=10.0, per_decade=1, output="n_a", vary=vary)
    groups = plan([Op(), steady(1.0), noise, Poles(), steady(2.0)], np.inf)
    assert sorted(map(sorted, kinds(groups))) == [["Noise"], ["Op", "Poles"], ["Steady", "Steady"]]
    assert [group.at_rest for group in groups if kinds([group]) == [["Steady", "Steady"]]] == [True]


def test_arrays_tell_requests_apart() -> None:
    assert fingerprint(steady(1.0)) == fingerprint(steady(1.0)) != fingerprint(steady(2.0))


# Values by point


def test_what_never_arrives_is_nothing() -> None:
    found = ByPoint(4)
    words = np.array(["a", "b"])
    found.put(np.array([2, 0]), {"x": [1.0, 2.0], "z": [1j, 2j], "word": words, "mark": [True, True], "count": [1, 2]})
    np.testing.assert_array_equal(found.arrays["x"], [2.0, np.nan, 1.0, np.nan])
    np.testing.assert_array_equal(found.arrays["z"], [2j, np.nan, 1j, np.nan])
    assert found.arrays["word"].tolist() == ["b", "", "a", ""]
    assert found.arrays["mark"].tolist() == [True, False, True, False]
    np.testing.assert_array_equal(found.arrays["count"], [2, np.nan, 1, np.nan])


def test_longer_axes_widen_what_is_there() -> None:
    found = ByPoint(3)
    found.put(np.array([0]), {"x": [[1.0, 2.0]]})
    found.put(np.array([1]), {"x": [[3.0, 4.0, 5.0]]})
    found.put(np.array([2]), {"x": [[6.0]]})
    np.testing.assert_array_equal(found.arrays["x"], [[1.0, 2.0, np.nan], [3.0, 4.0, 5.0], [6.0, np.nan, np.nan]])


def test_a_view_has_what_a_measure_may_see_and_no_more() -> None:
    seen = {name for name in vars(StageLike) if not name.startswith("_")}
    assert set(StageView.__dataclass_fields__) == seen


def test_longer_words_may_follow() -> None:
    found = ByPoint(2)
    found.put(np.array([0, 1]), {"word": np.array(["a", "b"])})
    found.put(np.array([1]), {"word": np.array(["unheard of"])})
    assert found.arrays["word"].tolist() == ["a", "unheard of"]


def test_counts_and_marks_are_numbers_that_may_be_missing() -> None:
    found = ByPoint(2)
    found.put_figures(np.array([1]), {"n": scalar(np.array([3]), "", "count"), "m": scalar([True], "", "mark")})
    np.testing.assert_array_equal(found.arrays["n"], [np.nan, 3.0])
    np.testing.assert_array_equal(found.arrays["m"], [np.nan, 1.0])
