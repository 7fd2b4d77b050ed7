"""How long capacitors hold: against R*C*ln(V/60), and against a matrix exponential (scipy)."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

import simwrap
from simwrap.measures.numerics.discharge import Branch, time_above


def to_ground(*farads):
    return [Branch(f"n{number}", "0", value) for number, value in enumerate(farads)]


def test_one_capacitor_is_an_exponential():
    """t = R*C*ln(V0/V); without anything to drain it, for ever; below the level, no time at all."""
    for ohms, start, expected in (
        (220e3, 450.0, 220e3 * 100e-6 * np.log(450.0 / 60.0)), (None, 450.0, np.inf), (220e3, 50.0, 0.0),
        (np.inf, 450.0, np.inf), (np.inf, 50.0, 0.0), (0.0, 450.0, 0.0),
    ):  # fmt: skip
        resistors = [] if ohms is None else [Branch("0", "n0", ohms)]
        (found,) = time_above(to_ground(100e-6), resistors, np.zeros(1), np.full(1, start), 60.0)
        assert found == pytest.approx(expected, rel=1e-9)
    # 44 s, as the README says for 220 kohm, 100 uF and 450 V.
    assert 220e3 * 100e-6 * np.log(450.0 / 60.0) == pytest.approx(44.3, abs=0.05)


@pytest.mark.parametrize("seed", range(6))
def test_a_ladder_against_the_matrix_exponential(seed):
    draw = np.random.default_rng(seed)
    farads = 10.0 ** draw.uniform(-6, -3.5, 4)
    ohms = 10.0 ** draw.uniform(1.0, 5.5, 3)
    leak = 10.0 ** draw.uniform(4, 6)
    series = [Branch(f"n{number}", f"n{number + 1}", value) for number, value in enumerate(ohms)]
    found = time_above(to_ground(*farads), [*series, Branch("n1", "0", leak)], np.zeros(4), np.full(4, 400.0), 60.0)
    matrix = np.diag([0.0, 1.0 / leak, 0.0, 0.0])
    for number, value in enumerate(ohms):
        matrix[np.ix_([number, number + 1], [number, number + 1])] += np.array([[1, -1], [-1, 1]]) / value
    for node, moment in enumerate(found):
        volts = expm(-matrix / farads[:, None] * moment) @ np.full(4, 400.0)
        assert volts[node] == pytest.approx(60.0, rel=1e-6)


@pytest.mark.parametrize("seed", range(8))
def test_no_start_within_the_bounds_stays_longer(seed):
    """Capacitors between any nodes, the nodal equations by scipy's expm, and every corner of the box of starts."""
    draw = np.random.default_rng(seed)
    names = ["0", "a", "b", "c", "d"]
    tree = [Branch("a", "0", 50e-6), Branch("b", "a", 0.2e-6), Branch("c", "0", 20e-6), Branch("d", "c", 1e-6)]
    resistors = [Branch(*names_of, 10.0 ** draw.uniform(3, 6.5)) for names_of in combinations(names, 2)]
    low, high = np.array([0.0, -150.0, 0.0, 0.0]), np.array([400.0, 300.0, 350.0, 250.0])
    found = time_above(tree, resistors, low, high, 60.0)
    place = {name: number - 1 for number, name in enumerate(names)}
    conductance, capacitance, across = np.zeros((4, 4)), np.zeros((4, 4)), np.zeros((4, 4))
    for into, branches in ((conductance, [(b, 1.0 / b.value) for b in resistors]),
                           (capacitance, [(b, b.value) for b in tree])):  # fmt: skip
        for branch, value in branches:
            row = np.zeros(4)
            for node, sign in ((branch.start, 1.0), (branch.end, -1.0)):
                if node != "0":
                    row[place[node]] += sign
            into += value * np.outer(row, row)
            if into is capacitance:
                across[tree.index(branch)] = row
    corners = np.array(list(product(*zip(low, high, strict=True)))).T
    rates = -np.linalg.solve(capacitance, conductance)

    def highest(moment):
        return np.abs(across @ expm(rates * moment) @ np.linalg.solve(across, corners)).max(axis=1)

    for number, moment in enumerate(found):
        assert moment > 0.0
        assert highest(moment)[number] == pytest.approx(60.0, rel=1e-5)
        assert all(highest(times * moment)[number] < 60.0 for times in (1.01, 1.1, 1.5, 2.0, 4.0, 20.0))


def test_what_shares_its_charge_and_never_loses_it():
    """C1 leads through C2 and a resistor to ground: both end at V*C1/(C1+C2), closed form."""
    capacitors = [Branch("a", "0", 10e-6), Branch("a", "b", 10e-6)]
    resistors = [Branch("b", "0", 1e6)]
    low, high = np.zeros(2), np.array([119.0, 0.0])
    # Both end at 59.5 V: the first comes down from 119 V with 5 s, 60 = 59.5 (1 + exp(-t/5)).
    first, second = time_above(capacitors, resistors, low, high, 60.0)
    assert first == pytest.approx(-5.0 * np.log(0.5 / 59.5), rel=1e-6)
    assert second == 0.0
    assert np.isinf(time_above(capacitors, resistors, low, np.array([121.0, 0.0]), 60.0)).all()


def test_a_group_that_hangs_in_the_air_keeps_its_charge_beside_one_that_drains():
    capacitors = [Branch("a", "0", 100e-6), Branch("x", "y", 1e-6), Branch("y", "a", 1e-9)]
    resistors = [Branch("a", "0", 100e3), Branch("x", "z", 1.0), Branch("z", "x", 0.0)]
    times = time_above(capacitors, resistors, np.zeros(3), np.array([300.0, 100.0, 0.0]), 60.0)
    assert times[0] == pytest.approx(10.0 * np.log(5.0), rel=1e-4)
    assert np.isinf(times[1])


def test_values_of_many_decades():
    """A wire of 10 milliohm and a leak of 100 gigohm in one network: closed form of what is left."""
    resistors = [Branch("n0", "n1", 0.01), Branch("n1", "n2", 1e-3), Branch("n2", "0", 1e11), Branch("n2", "g", 47.0)]
    capacitors = [*to_ground(47e-6, 1e-9), Branch("g", "0", 1e-12)]
    times = time_above(capacitors, resistors, np.zeros(3), np.full(3, 400.0), 60.0)
    assert times == pytest.approx(np.full(3, 1e11 * 47.001001e-6 * np.log(400.0 / 60.0)), rel=1e-6)


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
