"""How long capacitors stay charged, and bleeders: against closed forms."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest

from simwrap.amplifier.discharge_times import DISCHARGED, bleeder, charged
from simwrap.amplifier.supply_match import highest, match
from simwrap.circuits.design_file import read_whole_design


@pytest.mark.parametrize(
    ("farads", "volts", "within"), [(100e-6, 450.0, 30.0), (47e-6, 320.0, 10.0), (22e-6, 61.0, 1.0)]
)
def test_a_bleeder_is_quick_enough_and_the_next_value_up_is_not(farads: float, volts: float, within: float) -> None:
    """Closed form: t = R C ln(V / 60)."""
    ohms, watts = bleeder(farads, volts, within)
    assert ohms * farads * np.log(volts / DISCHARGED) <= within * (1 + 1e-9)
    assert 1.25 * ohms * farads * np.log(volts / DISCHARGED) > within  # E12 rises by 22 % at most
    assert watts >= 2.0 * volts**2 / ohms  # loaded to half


def test_the_readmes_example() -> None:
    """220 kilohm across 100 microfarad need 44 s from 450 V down to 60 V."""
    assert 220e3 * 100e-6 * np.log(450.0 / 60.0) == pytest.approx(44.3, abs=0.1)
    assert bleeder(100e-6, 450.0, 44.4)[0] == 220e3


@pytest.mark.slow
def test_all_that_hangs_on_one_bleeder_discharges_through_it() -> None:
    """Droppers are small beside the bleeder: closed form of all capacitance on it, near the network's own answer."""
    design = read_whole_design(Path(str(files("simwrap.amplifier").joinpath("reading_room.toml"))), complete=True)
    found = match(design)
    rows = {each.path: each for each in charged(design, highest(design, found), found.supply, within=30.0)}
    start = float(found.supply.supply.discharge_from)
    reservoirs = 100e-6 + 47e-6 + design.channels * 3 * 47e-6
    together = 100e3 * reservoirs * np.log(start / DISCHARGED)
    assert rows["supply.filter"].time == pytest.approx(together, rel=0.03)
    # Behind two droppers it lags by about their time constants.
    assert rows["preamplifier.decoupling"].time > rows["early.decoupling"].time > rows["supply.filter"].time
    assert rows["preamplifier.decoupling"].time == pytest.approx(together, rel=0.06)
    assert rows["supply.filter"].start == pytest.approx(start, rel=1e-12)
    assert np.isnan(rows["line.coupling"].bleeder)  # one across a coupling capacitor would change the circuit
    assert "line.cathode" not in rows  # a few volts
