"""How far two runs are apart: arrays made by hand, and both engines at a node of 0 V."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

import simwrap
from simwrap.simulation.spot_check import disagreement
from simwrap.simulation.sweep import SPOT_CHECK_TOLERANCE

ALL = np.arange(3)


def apart(one: dict[str, list[float]], two: dict[str, list[float]], unit: str = "V") -> tuple[float, str]:
    figures, again = ({name: np.array(row) for name, row in each.items()} for each in (one, two))
    return disagreement(figures, again, ALL, dict.fromkeys(one, unit))


def test_a_node_at_nothing_is_no_disagreement_whatever_is_left_there() -> None:
    """Beside 300 V an operating point is good for some 1e-10 V: 0.3 and 0.9 nV are both 0 V, and three times apart."""
    supply, nothing = [300.0, 300.0, 300.0], [3e-10, 3e-10, 3e-10]
    worst, _ = apart({"supply": supply, "out": nothing}, {"supply": supply, "out": [9e-10, 3e-10, 3.005e-10]})
    assert worst < 0.01 * SPOT_CHECK_TOLERANCE + 0.002
    worst, where = apart({"out": nothing}, {"out": [9e-10, 3e-10, 3.005e-10]})
    assert (worst, where) == (pytest.approx(2.0), "out")  # alone it is a figure like any other


@pytest.mark.parametrize("volts", [300.0, 1.0, 10e-3])
def test_a_node_that_has_a_voltage_is_held_to_it(volts: float) -> None:
    given = {"supply": [300.0] * 3, "node": [volts] * 3}
    worst, where = apart(given, {"supply": [300.0] * 3, "node": [volts, volts, 1.002 * volts]})
    assert (worst, where) == (pytest.approx(2e-3, rel=1e-6), "node")
    assert worst > SPOT_CHECK_TOLERANCE


def test_a_phase_has_no_ends_and_other_units_no_share_in_it() -> None:
    assert apart({"phase": [-180.0, 90.0, 0.0]}, {"phase": [180.0, 90.0, 0.0]}, "degree")[0] == 0.0
    one = {"volts": np.array([300.0] * 3), "amperes": np.array([1e-9] * 3)}
    two = {"volts": np.array([300.0] * 3), "amperes": np.array([2e-9] * 3)}
    assert disagreement(one, two, ALL, {"volts": "V", "amperes": "A"}) == (pytest.approx(1.0), "amperes")


@pytest.mark.filterwarnings("error")
def test_what_never_ends_is_the_same_in_both_runs_or_told() -> None:
    figures, units = {"discharge": np.array([np.inf, 12.0])}, {"discharge": "s"}
    assert disagreement(figures, {"discharge": np.array([np.inf, 12.0])}, np.array([0, 1]), units) == (0.0, "")
    much, where = disagreement(figures, {"discharge": np.array([10.0, 12.0])}, np.array([0, 1]), units)
    assert (much, where) == (np.inf, "discharge")
    levels = {"level": np.array([-np.inf, 0.0])}
    assert disagreement(levels, {"level": np.array([-310.0, 0.0])}, np.array([0, 1]), {"level": "dB"}) == (0.0, "")


def test_only_points_that_were_run_again_count() -> None:
    figures = {"node": np.array([1.0, 2.0, np.nan, 4.0])}
    assert disagreement(figures, {"node": np.array([4.0])}, np.array([3]), {"node": "V"}) == (0.0, "")
    assert disagreement(figures, {"node": np.array([np.nan])}, np.array([2]), {"node": "V"})[0] == 0.0


@pytest.mark.ngspice
@pytest.mark.parametrize("stage", ["triode_gain", "cathodyne", "pentode_gain"])
def test_no_sweep_is_warned_of_for_its_nodes_at_nothing(stage: str) -> None:
    """Behind a coupling capacitor, and on a grid leak, engines leave what they like of 0 V."""
    grid = np.linspace(0.8, 1.2, 12)
    name = "supply"
    made = simwrap.stage(stage)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        swept = simwrap.sweep(made, {name: grid * made.values[name]}, ["bias"], spot_check=12)
    assert "12 points again" in swept.attrs["spot_check"]
    nodes = [str(each) for each in swept if str(each).startswith("bias.nodes.")]
    assert any(np.abs(swept[each].values).max() < 1e-3 for each in nodes), "no node at 0 V was looked at"
    assert swept.attrs["spot_check_disagreement"] < SPOT_CHECK_TOLERANCE
