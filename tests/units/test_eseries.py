"""Preferred values against the printed series, the rules of IEC 60063 and PyPI eseries."""

from __future__ import annotations

import math
import warnings

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simwrap.errors import InputError, UnknownNameError
from simwrap.units.eseries import SERIES, nearest, step, values

with warnings.catch_warnings():
    # The oracle loads Python 2 helpers that Python deprecates.
    warnings.simplefilter("ignore", DeprecationWarning)
    import eseries as oracle

# Source: IEC 60063 by way of handbook/standards.md section 1 [seen].
PRINTED = {
    "E6": "10 15 22 33 47 68",
    "E12": "10 12 15 18 22 27 33 39 47 56 68 82",
    "E24": "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91",
}
NAMES = ["E3", "E6", "E12", "E24", "E48", "E96", "E192"]


@pytest.mark.parametrize("name", PRINTED)
def test_printed_series(name: str) -> None:
    assert SERIES[name] == tuple(int(figure) for figure in PRINTED[name].split())


@pytest.mark.parametrize(("coarse", "fine"), [("E6", "E12"), ("E12", "E24"), ("E48", "E96"), ("E96", "E192")])
def test_each_series_is_every_second_member_of_the_next(coarse: str, fine: str) -> None:
    # Source: standards.md section 1 [seen].
    assert SERIES[coarse] == SERIES[fine][::2]


def test_e192_rule_and_its_one_exception() -> None:
    # Source: standards.md section 1 [memory]: 10**(n/192) to three figures, but n = 185 is 9.20.
    formula = [round(100 * 10 ** (n / 192)) for n in range(192)]
    different = [n for n in range(192) if SERIES["E192"][n] != formula[n]]
    assert different == [185]
    assert (SERIES["E192"][185], formula[185]) == (920, 919)


def test_e24_has_eight_historical_values() -> None:
    # Source: standards.md section 1 [memory; computed].
    formula = [round(10 * 10 ** (n / 24)) for n in range(24)]
    different = {SERIES["E24"][n]: formula[n] for n in range(24) if SERIES["E24"][n] != formula[n]}
    assert different == {27: 26, 30: 29, 33: 32, 36: 35, 39: 38, 43: 42, 47: 46, 82: 83}


def test_e96_printed_start_and_end() -> None:
    # Source: standards.md section 1 (first column seen, end computed). It prints "9.31 9.53 9.76".
    assert SERIES["E96"][:6] == (100, 102, 105, 107, 110, 113)
    assert SERIES["E96"][-3:] == (931, 953, 976)
    assert len(set(SERIES["E96"])) == 96


@pytest.mark.parametrize("name", NAMES)
def test_figures_agree_with_the_oracle(name: str) -> None:
    assert SERIES[name] == tuple(oracle.series(oracle.ESeries[name]))


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("low", "high"), [(1.0, 10.0), (47.0, 4700.0), (101.0, 102.9), (1e3, 1e6)])
def test_ranges_agree_with_the_oracle(name: str, low: float, high: float) -> None:
    expected = list(oracle.erange(oracle.ESeries[name], low, high))
    assert values(name, low, high) == expected


@given(value=st.floats(1e-12, 1e9), name=st.sampled_from(NAMES))
def test_nearest_agrees_with_the_oracle_where_ratio_and_difference_do(value: float, name: str) -> None:
    found = nearest(value, name)
    by_difference = oracle.find_nearest(oracle.ESeries[name], value)
    # The oracle goes by difference, we by ratio: never further off in ratio than its answer.
    assert abs(math.log(found / value)) <= abs(math.log(by_difference / value)) + 1e-12
    if not math.isclose(found, by_difference, rel_tol=1e-9):
        low, high = sorted((found, by_difference))
        assert math.sqrt(low * high) * (1 - 1e-9) <= value <= (low + high) / 2 * (1 + 1e-9)


@given(value=st.floats(1e-12, 1e9), name=st.sampled_from(NAMES))
def test_one_step_agrees_with_the_oracle(value: float, name: str) -> None:
    key = oracle.ESeries[name]
    up, down = step(value, name, 1), step(value, name, -1)
    assert down < value < up
    # No member between the two but, perhaps, the value itself.
    between = [found for found in values(name, down, up) if found not in (down, up)]
    assert between in ([], [value])
    greater = oracle.find_greater_than(key, value)
    if greater is not None and not math.isclose(greater, value, rel_tol=1e-9):
        assert math.isclose(up, greater, rel_tol=1e-9)


@pytest.mark.parametrize(
    ("value", "name", "n", "expected"),
    [
        (4700.0, "E12", 1, 5600.0),
        (4700.0, "E12", -1, 3900.0),
        (4700.0, "E12", 0, 4700.0),
        (4700.0, "E12", 12, 47000.0),
        (8.2e-9, "E12", 1, 10e-9),
        (1.0e-9, "E12", -1, 0.82e-9),
        (5000.0, "E12", 1, 5600.0),
        (5000.0, "E12", -1, 4700.0),
        (5000.0, "e12", 0, 4700.0),
        (5000.0, "E96", 0, 4990.0),
    ],
)
def test_steps(value: float, name: str, n: int, expected: float) -> None:
    assert step(value, name, n) == expected


def test_a_range_without_a_member_is_empty() -> None:
    assert values("E3", 1.1, 2.1) == []
    assert values("E3", 5.0, 2.0) == []


def test_unknown_series_names_the_nearest() -> None:
    with pytest.raises(UnknownNameError, match=r'"E13"; did you mean .*E12'):
        nearest(1.0, "E13")


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_values_without_a_logarithm_are_refused(bad: float) -> None:
    with pytest.raises(InputError, match="finite value above zero"):
        nearest(bad, "E12")
    with pytest.raises(InputError, match="finite value above zero"):
        values("E12", 1.0, bad)
    with pytest.raises(InputError, match="finite value above zero"):
        values("E12", bad, 1.0)
