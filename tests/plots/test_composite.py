"""Composite curves of a pair, held to the circuit: what they foretell is what a simulation finds."""

from __future__ import annotations

import re

import numpy as np
import pytest
from picture_rules import assert_readable

import simwrap
from simwrap.plots.measures.composite import alike, difference, meeting, pair_of
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


def watts_of(figure: object) -> float:
    return float(re.search(r"([\d.]+) W in the load", figure.get_suptitle())[1])


def test_the_watts_in_the_load_leave_out_copper_and_core() -> None:
    """Closed form of the losses, and the peak that a steady state has at the loudspeaker with that drive."""
    pair = PAIR.replace(
        transformer="real",
        connection="triode",
        primary_resistance=100,
        secondary_resistance=0.8,
        core_loss_resistor="40k",
    )
    found = simwrap.measure(pair, {"load_lines": {}, "bias": {}})
    lines = found.load_lines.valves.v1
    # In terms of a half primary, which has a quarter of the impedance: 50 ohm, then 10 kohm across 2000 + 200 ohm.
    beside = 1.0 / (1.0 / 10e3 + 1.0 / 2200.0)
    assert lines.alone_load == pytest.approx(50.0 + beside, rel=2e-3)
    assert lines.output_share == pytest.approx((beside / 2200.0) ** 2 * 2000.0 / (50.0 + beside), rel=2e-3)
    # Where both valves conduct, the copper of either half carries half of the current that the picture takes it for.
    told = watts_of(found.plot("load_lines"))
    waves = simwrap.simulate(pair, "period", nodes=["output"], level=17.0 / np.sqrt(2.0))
    assert told == pytest.approx(0.5 * float(waves["output"].max()) ** 2 / 8.0, rel=0.03)


def test_both_halves_of_unlike_valves_are_shown() -> None:
    """The peaks of both half waves, and their power, against a steady state of the two valves."""
    pair = PAIR.replace(second_valve="6L6GC", connection="triode")
    found = simwrap.measure(pair, ["load_lines", "bias"])
    assert not alike(Reader("load_lines", found.to_dataset(), pair), ["v1", "v2"])
    figure = found.plot("load_lines")
    assert_readable(figure)
    labels = figure.axes[0].get_legend_handles_labels()[1]
    assert any(label.startswith("peak of v2's half") for label in labels)
    waves = simwrap.simulate(pair, "period", nodes=["output"], level=17.0 / np.sqrt(2.0))
    peaks = [float(waves["output"].max()), -float(waves["output"].min())]
    told = sorted(float(re.search(r", ([\d.]+) mA", label)[1]) for label in labels if label.startswith("peak "))
    volts = [1e-3 * amps * 2e3 * np.sqrt(8.0 / 2e3) for amps in told]
    assert volts == pytest.approx(sorted(peaks), rel=0.05)
    assert watts_of(figure) == pytest.approx(0.5 * np.mean(peaks) ** 2 / 8.0, rel=0.05)
