"""Transconductance against bias: it falls all the way to cut-off, without a shoulder or an elbow.

Common practice, no source: what a valve engineer looks for on a transfer curve. The slope of the logarithm of gm may
ease a little where the less steep part of a cathode takes over, as published curves show; a fifth of its steepest is
allowed, until 2 % of the current at zero bias is left.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from published_rows import SECTIONS

from simwrap.valves import Valve, get_valve

GRIDDED = [section for section in SECTIONS if section[1] != "rectifier"]


def on_the_way(valve: Valve, anode: float, screen: float | None) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return 200 grid voltages [V] from 0 to where 2 % of the current is left, and gm [S] there."""
    grid = -np.linspace(0.0, 300.0, 60_001)
    current = valve.currents(anode, grid, screen).anode
    end = grid[np.argmax(current < 0.02 * current[0])]
    assert end < 0, "never cut off"
    steps = np.linspace(0.0, end, 200)
    return steps, valve.small_signal(anode, steps, screen).gm


@pytest.mark.parametrize(("name", "kind"), GRIDDED)
@pytest.mark.parametrize("share", [0.4, 0.7, 1.0])
def test_gm_falls_smoothly(name: str, kind: str, share: float) -> None:
    """At three anode voltages up to the rating (500 V), a pentode's screen at the anode's voltage up to its rating."""
    valve = get_valve(name, kind=kind)
    anode = share * min(valve.ratings.anode_voltage_max or 300.0, 500.0)
    screen = min(anode, valve.ratings.screen_voltage_max or 200.0, 300.0) if kind == "pentode" else None
    grid, gm = on_the_way(valve, anode, screen)
    assert np.all(np.diff(gm) < 0), "gm rises on the way to cut-off"
    rate = -np.gradient(np.log(gm), -grid)
    eased = 1.0 - rate / np.maximum.accumulate(rate)
    assert np.max(eased) < 0.2, f"elbow at {grid[np.argmax(eased)]:.2f} V"


def test_the_check_finds_an_elbow() -> None:
    """Two sections far apart with little width, as an EL84 was once fitted, don't pass."""
    from dataclasses import replace

    valve = get_valve("EL84")
    constants = replace(valve.constants, tail_share=0.034, tail_drop=0.98, width=0.25, width_slope=0.0022, mu=22.3)
    grid, gm = on_the_way(replace(valve, constants=constants), 290.0, 290.0)
    rate = -np.gradient(np.log(gm), -grid)
    assert np.max(1.0 - rate / np.maximum.accumulate(rate)) > 0.3
