"""A supply as its load sees it: Ohm's law, what its bias does, and the real rectifier that it stands for."""

from __future__ import annotations

import numpy as np
import pytest

import simwrap
from simwrap.circuits.render import render
from simwrap.engine import run
from simwrap.engine.protocol import OpRun


def at_rest(made):
    (reply,) = run(render(made).circuit, [OpRun()])
    assert reply.reasons == [""]
    return {entry: float(volts[0]) for entry, volts in reply.values.items()}


@pytest.mark.parametrize("load", [1000.0, 3000.0, 30e3])
def test_it_falls_as_ohm_says(load):
    """400 V at 100 mA behind 250 ohm: the e.m.f. of 425 V divided; the bias falls by half of the relative fall."""
    made = simwrap.stage(
        "sagging_supply", supply=400, rest_current=0.1, source_resistance=200, filter_resistance=50, bias=-40,
        load_resistor=load,
    )  # fmt: skip
    found = at_rest(made)
    current = 425.0 / (load + 250.0)
    reservoir = 425.0 - 200.0 * current
    assert found["n_out"] == pytest.approx(load * current, rel=1e-6)
    assert found["n_reservoir"] == pytest.approx(reservoir, rel=1e-6)
    assert found["n_bias"] == pytest.approx(-40.0 * (1.0 - 0.5 * (1.0 - reservoir / 405.0)), rel=1e-6)


def test_at_its_rest_current_it_gives_what_it_states():
    made = simwrap.stage("sagging_supply", supply=400, rest_current=0.1, bias=-40, load_resistor=4000)
    found = at_rest(made)
    assert found["n_out"] == pytest.approx(400.0, rel=1e-5)  # 0 ohm is 10 milliohms
    assert found["n_bias"] == pytest.approx(-40.0, rel=1e-5)


def test_it_stands_for_a_rectifier():
    """The steady state of the rectifier itself with another load, from its source resistance at the first one."""
    loads = (1.0, 1.5)
    real = simwrap.stage(
        "supply", load_current=0.1, filter="resistor", filter_resistor=0, filter_capacitor=0,
        first_dropper_capacitor=0, bleeder=0,
    )  # fmt: skip
    figures = simwrap.measure(real, {"supply": {"loads": loads}}).supply
    rest, more = np.interp([0.1, 0.15], figures.load, figures.output_curve)
    load = more / 0.15
    made = simwrap.stage(
        "sagging_supply", supply=rest, rest_current=0.1, source_resistance=float(figures.output_resistance),
        load_resistor=load,
    )  # fmt: skip
    assert at_rest(made)["n_out"] == pytest.approx(more, rel=0.02)
