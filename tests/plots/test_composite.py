"""Composite curves of a pair, held to the circuit: what they foretell is what a simulation finds."""

from __future__ import annotations

import numpy as np
import pytest
from picture_rules import assert_readable

import simwrap
from simwrap.plots.measures.composite import difference, meeting, pair_of
from simwrap.plots.reader import Reader

#: Fixed bias: no signal shifts it, and the curves are those at rest.
PAIR = simwrap.stage(
    "push_pull_output",
    transformer="ideal",
    bias="fixed",
    grid_bias="-17 V",
    anode_to_anode_load="8k",
    speaker_impedance=8.0,
)


@pytest.fixture(scope="module", params=["pentode", "ultra_linear", "triode"])
def pair(request: pytest.FixtureRequest) -> simwrap.Stage:
    return PAIR.replace(connection=request.param)


def test_their_slope_at_rest_is_the_output_resistance(pair: simwrap.Stage) -> None:
    """4 V of the whole primary for 1 V of a half, over the current: transformed to the loudspeaker's side."""
    found = simwrap.measure(pair, ["load_lines", "bias", "impedance"])
    reader = Reader("load_lines", found.to_dataset(), pair)
    names = pair_of(reader)
    assert names == ["v1", "v2"]
    rest = found.bias.valves.v1.anode_voltage
    current = difference(reader, names)
    assert float(current(rest, 0.0)) == pytest.approx(0.0, abs=1e-9)
    slope = float(current(rest + 0.5, 0.0) - current(rest - 0.5, 0.0))
    assert 4.0 / slope * 8.0 / 8e3 == pytest.approx(found.impedance.output_midband, rel=0.02)


def test_they_meet_the_load_line_where_the_signal_has_its_peak(pair: simwrap.Stage) -> None:
    found = simwrap.measure(pair, ["load_lines", "bias"])
    reader = Reader("load_lines", found.to_dataset(), pair)
    rest = found.bias.valves.v1.anode_voltage
    load = found.load_lines.valves.v1.alone_load
    assert load == pytest.approx(2e3, rel=0.03)  # a quarter of the load from anode to anode
    waves = simwrap.simulate(pair, "period", nodes=["n_anode_a"], level=8.0)  # V r.m.s. at each grid
    lowest = float(waves["n_anode_a"].min()) - float(found.bias.valves.v1.cathode_to_ground)
    swing = rest - meeting(difference(reader, ["v1", "v2"]), rest, load, 8.0 * np.sqrt(2.0))
    assert rest - lowest == pytest.approx(swing, rel=0.02)


def test_the_picture_can_be_read_and_says_what_the_curves_give() -> None:
    figure = simwrap.measure(PAIR, ["load_lines"]).plot()
    assert_readable(figure)
    assert "W in the load while no grid conducts" in figure.get_suptitle()
    alone = simwrap.measure(simwrap.stage("triode_gain"), ["load_lines"]).plot()
    assert "composite" not in alone.get_suptitle()
