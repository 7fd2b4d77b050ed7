"""The laws: finite, smooth and rising wherever a solver may wander; slopes exact; grid current as specified."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published_rows import SECTIONS

from simwrap.errors import InputError
from simwrap.valves import get_valve
from simwrap.valves.laws import (
    GRID_ONSET_CURRENT,
    GRID_ONSET_PULL,
    TriodeConstants,
    evaluate,
    grid_onset_sum,
)

GRIDDED = [section for section in SECTIONS if section[1] != "rectifier"]
POWER = {"EL84", "EL34", "6V6GT", "6L6GC", "KT66", "KT88", "6550", "2A3", "300B", "ECL82", "ECL86", "6SN7GTB"}


@pytest.mark.parametrize(("name", "kind"), GRIDDED)
@given(
    anode=st.floats(-50, 500),
    grid=st.floats(-150, 20),
    screen=st.floats(-10, 500),
    step=st.floats(1e-3, 50),
)
def test_currents_finite_and_rising(
    name: str, kind: str, anode: float, grid: float, screen: float, step: float
) -> None:
    """Every current is finite and not negative; the anode's rises with anode, grid and emission."""
    valve = get_valve(name, kind=kind)
    if name in POWER:
        anode, screen = 1.6 * anode, 1.4 * screen
    here = valve.currents(anode, grid, screen)
    for current in here:
        assert np.isfinite(current)
        assert current >= 0.0
    slack = 1e-12 + 1e-9 * float(here.anode)
    assert valve.currents(anode + step, grid, screen).anode >= here.anode - slack
    assert valve.currents(anode, grid + step, screen).anode >= here.anode - slack
    assert valve.currents(anode, grid + step, screen).grid >= here.grid
    assert valve.currents(anode, grid, screen, emission=1.2).anode >= here.anode
    assert valve.currents(anode, grid, screen + step).cathode >= here.cathode - slack


@pytest.mark.parametrize(("name", "kind"), GRIDDED)
def test_slopes_have_no_jump(name: str, kind: str) -> None:
    """Over a fine sweep each slope changes little from one step to the next: no kinks.

    The shortest length in any law is 0.1 V (rounding of the voltages at zero), so a step of 1 mV
    may change a slope by a few percent of the largest one nearby, and no more.
    """
    valve = get_valve(name, kind=kind)
    for grid in (-8.0, -1.0, 0.0, 3.0):
        for start in (-1.0, 0.0, 20.0, 100.0):
            anode = start + np.arange(0.0, 1.5, 1e-3)
            slope = 1.0 / valve.small_signal(anode, grid, 150.0).ra
            assert np.all(np.isfinite(slope))
            assert np.all(slope > 0)
            assert np.max(np.abs(np.diff(slope))) < 0.05 * np.max(slope)
    for centre in (-5.0, -1.0, 0.0):
        sweep = centre + np.arange(-0.7, 0.7, 1e-3)
        gm = valve.small_signal(120.0, sweep, 120.0).gm
        assert np.max(np.abs(np.diff(gm))) < 0.02 * np.max(gm)


@pytest.mark.parametrize(("name", "kind"), GRIDDED)
def test_slopes_are_the_derivatives(name: str, kind: str) -> None:
    """Complex-step slopes agree with central differences."""
    valve = get_valve(name, kind=kind)
    rng = np.random.default_rng(3)
    anode, grid, screen = rng.uniform(20, 300, 40), rng.uniform(-10, 1, 40), rng.uniform(50, 250, 40)
    found = valve.small_signal(anode, grid, screen)
    h = 1e-4
    gm = (valve.currents(anode, grid + h, screen).anode - valve.currents(anode, grid - h, screen).anode) / (2 * h)
    ga = (valve.currents(anode + h, grid, screen).anode - valve.currents(anode - h, grid, screen).anode) / (2 * h)
    np.testing.assert_allclose(found.gm, gm, rtol=1e-5, atol=1e-10)
    np.testing.assert_allclose(1.0 / found.ra, ga, rtol=1e-4, atol=1e-9)
    np.testing.assert_allclose(found.mu, found.gm * found.ra)


@pytest.mark.parametrize(("name", "kind"), [section for section in SECTIONS if section[1] == "rectifier"])
def test_rectifiers_finite_and_rising(name: str, kind: str) -> None:
    """A rectifier blocks backwards, conducts forwards, and its current always rises."""
    valve = get_valve(name, kind=kind)
    voltage = np.concatenate([np.linspace(-1500, -1, 500), np.linspace(-1, 2, 3001), np.linspace(2, 200, 500)])
    current = valve.currents(voltage).anode
    assert np.all(np.isfinite(current))
    assert np.all(current >= 0)
    assert np.all(np.diff(current) >= 0)
    assert current[0] < 1e-7  # below the leakage of any real diode
    assert valve.currents(60.0).anode > 0.1


@pytest.mark.parametrize("onset", [-0.4, -0.6, -0.9, -1.3])
def test_grid_current_at_its_onset(onset: float) -> None:
    """0.3 uA at the onset by construction, with an anode that pulls as at 250 V."""
    for perveance, share in ((0.3e-3, 0.3), (1e-3, 0.55), (4e-3, 0.9)):
        constants = TriodeConstants(
            grid_perveance=perveance, grid_share=share, perveance=1e-3, mu=20.0,
            grid_onset=float(grid_onset_sum("triode", perveance, share)) - onset,
        )  # fmt: skip
        found = evaluate(constants, GRID_ONSET_PULL, onset, 0.0, 1.0, 1.0).grid
        assert 1e-3 * float(found) == pytest.approx(GRID_ONSET_CURRENT, rel=1e-3)


def test_grid_current_limits() -> None:
    """Without anode voltage a diode law of 3/2 power; high above, its share; the sum then stays the space current."""
    constants = TriodeConstants(grid_perveance=1e-3, grid_share=0.25, grid_onset=0.0, perveance=1.25e-3, mu=20.0)

    def grid(anode: float, voltage: float) -> float:
        return 1e-3 * float(evaluate(constants, anode, voltage, 0.0, 1.0, 1.0).grid)

    for voltage in (2.0, 8.0, 30.0):
        assert grid(0.0, voltage) == pytest.approx(1e-3 * voltage**1.5, rel=5e-3)
        assert grid(20.0, voltage) == pytest.approx(0.625e-3 * voltage**1.5, rel=5e-3)
        assert grid(1e5, voltage) == pytest.approx(0.25e-3 * voltage**1.5, rel=5e-3)
    without = replace(constants, grid_perveance=0.0)
    for anode, voltage in ((200.0, 5.0), (300.0, 15.0)):
        flow, free = evaluate(constants, anode, voltage, 0, 1.0, 1.0), evaluate(without, anode, voltage, 0, 1.0, 1.0)
        assert float(flow.anode + flow.grid) == pytest.approx(float(free.anode), rel=0.04)
        assert float(flow.anode) < 0.98 * float(free.anode)


def test_cathode_current_is_the_sum() -> None:
    """Kirchhoff: cathode = anode + screen + grid."""
    for name, kind in GRIDDED:
        flow = get_valve(name, kind=kind).currents([10.0, 200.0], [0.5, -2.0], [100.0, 100.0])
        np.testing.assert_allclose(flow.cathode, flow.anode + flow.screen + flow.grid)


def test_triode_connection_of_a_pentode() -> None:
    """With the screen at the anode and tap 1 the slopes are those of the cathode current."""
    valve = get_valve("6V6GT")
    h = 1e-4
    slopes = valve.small_signal(250.0, -12.5, 250.0, tap=1.0)

    def total(anode: float, grid: float) -> float:
        flow = valve.currents(anode, grid, anode)
        return float(flow.anode + flow.screen)

    assert slopes.gm == pytest.approx((total(250, -12.5 + h) - total(250, -12.5 - h)) / (2 * h), rel=1e-5)
    assert 1 / slopes.ra == pytest.approx((total(250 + h, -12.5) - total(250 - h, -12.5)) / (2 * h), rel=1e-4)


def test_noise_resistance_worked_numbers() -> None:
    """2.5/gm, and the partition formula, at the valve's own slopes (Thompson, North, Harris; RCA Review 1940-41)."""
    triode = get_valve("12AX7")
    gm = float(triode.small_signal(250, -2).gm)
    assert triode.noise_resistance(250, -2) == pytest.approx(2.5 / gm)
    pentode = get_valve("6AU6")
    flow = pentode.currents(250, -1, 125)
    gm = float(pentode.small_signal(250, -1, 125).gm)
    # Second form of the formula, Spangenberg, Vacuum Tubes, pp. 310-313.
    expected = 2.5 * flow.anode * (1 + 8 * flow.screen / gm) / (gm * (flow.anode + flow.screen))
    assert pentode.noise_resistance(250, -1, 125) == pytest.approx(float(expected))


def test_pentode_without_screen_is_refused() -> None:
    """The sentence says what to give."""
    with pytest.raises(InputError, match="needs screen_voltage"):
        get_valve("6AU6").currents(100, -1)
    with pytest.raises(InputError, match="needs a screen node"):
        get_valve("6AU6").netlist("v1", anode="n_a", grid="n_g", cathode="0")
    with pytest.raises(InputError, match="needs a grid node"):
        get_valve("12AX7").netlist("v1", anode="n_a", cathode="0")
