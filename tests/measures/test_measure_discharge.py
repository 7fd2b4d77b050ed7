"""How long capacitors hold: against R*C*ln(V/60), and against a matrix exponential (scipy)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

import simwrap
from simwrap.measures.numerics.discharge import ladder, time_above


def test_one_capacitor_is_an_exponential():
    """t = R*C*ln(V0/V); without anything to drain it, for ever; below the level, no time at all."""
    start = np.array([450.0, 450.0, 50.0])
    conductances = ladder(np.zeros((3, 0)), np.array([[1.0 / 220e3], [0.0], [0.0]]))
    found = time_above(np.full((3, 1), 100e-6), conductances, start, 60.0)[:, 0]
    assert found == pytest.approx([220e3 * 100e-6 * np.log(450.0 / 60.0), np.inf, 0.0])
    # 44 s, as the README says for 220 kohm, 100 uF and 450 V.
    assert found[0] == pytest.approx(44.3, abs=0.05)


@pytest.mark.parametrize("seed", range(6))
def test_a_ladder_against_the_matrix_exponential(seed):
    draw = np.random.default_rng(seed)
    capacitances = 10.0 ** draw.uniform(-6, -3.5, (1, 4))
    series = 10.0 ** -draw.uniform(1.0, 5.5, (1, 3))
    shunt = np.array([[0.0, 10.0 ** -draw.uniform(4, 6), 0.0, 0.0]])
    matrix = ladder(series, shunt)
    found = time_above(capacitances, matrix, np.array([400.0]), 60.0)[0]
    for node, moment in enumerate(found):
        volts = expm(-matrix[0] / capacitances[0][:, None] * moment) @ np.full(4, 400.0)
        assert volts[node] == pytest.approx(60.0, rel=1e-6)


def test_a_node_without_a_capacitor_has_no_time_and_does_not_disturb():
    """The middle of three: the others see the two resistors in series."""
    ohms = 10e3
    shunt = np.array([[1.0 / 100e3, 0.0, 0.0]])
    three = ladder(np.full((1, 2), 1.0 / ohms), shunt)
    two = ladder(np.full((1, 1), 0.5 / ohms), shunt[:, :2])
    start = np.array([300.0])
    first = time_above(np.array([[50e-6, 0.0, 20e-6]]), three, start, 60.0)[0]
    second = time_above(np.array([[50e-6, 20e-6]]), two, start, 60.0)[0]
    assert np.isnan(first[1])
    assert first[[0, 2]] == pytest.approx(second, rel=1e-9)


def test_the_supply_counts_its_droppers():
    """A large capacitor behind two large droppers is the last above 60 V; integrated with scipy beside it."""
    made = simwrap.stage(
        "supply", first_dropper="47k", first_dropper_capacitor="100u", second_dropper="220k", load_current="20m",
        second_dropper_capacitor="47u", bleeder="220k", first_dropper_current=0, second_dropper_current=0,
    )  # fmt: skip
    found = simwrap.measure(made, measures={"supply": {"loads": (1.0,), "starting": 0.2}}).to_dict()["supply"]
    farads = np.array([47e-6, 100e-6, 100e-6, 47e-6])
    ohms = np.array([90.0, 47e3, 220e3])

    def change(_, volts):
        along = -np.diff(volts) / ohms
        out = np.append(along, 0.0) - np.append(0.0, along)
        out[1] += volts[1] / 220e3
        return -out / farads

    def above(_, volts):
        return volts[3] - 60.0

    above.terminal = True
    run = solve_ivp(change, (0, 1000), np.full(4, found["discharge_from"]), events=above, method="BDF", rtol=1e-8)
    assert found["discharge_time"] == pytest.approx(run.t_events[0][0], rel=1e-4)
    assert found["discharge_time"] == max(found["discharge"].values()) == found["discharge"]["second"]
    # With the bleeder and all capacitors at one place it would be said a fifth too short.
    alone = 220e3 * farads.sum() * np.log(found["discharge_from"] / 60.0)
    assert found["discharge_time"] > 1.05 * alone
