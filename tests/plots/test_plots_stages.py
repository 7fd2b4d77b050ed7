"""Every picture of every stage at its defaults: curves are seen, words are apart, axes have units."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from picture_rules import assert_apart, assert_readable, covered, curve_names

import simwrap
from simwrap.circuits.library import stage_names
from simwrap.plots import drawable, plot, plot_sweep
from simwrap.plots.style import COLOURS
from simwrap.units import quantity

#: Besides those of a stage's own list.
OTHERS = {
    "long_tailed_pair": ["heater_hum"],
    "tone_three_knob": ["tone_curves", "impedance", "noise", "headroom"],
    "triode_gain": ["heater_hum", "impedance", "noise", "rejection", "distortion", "square_wave"],
}
#: Coarser than usual, or left out: what takes long and looks the same.
COARSE: dict[str, dict[str, Any]] = {"headroom": {"levels": 18}, "power": {"levels": 6}, "square_wave": {"periods": 2}}
#: Their pictures of large signals are those of any gain stage.
ALIKE = (
    "srpp", "mu_follower", "cascode", "anode_follower", "cathode_coupled", "grounded_grid", "parallel_triodes",
    "paraphase", "line_output", "transformer_splitter", "totem_pole", "rumble_filter", "scratch_filter",
)  # fmt: skip
LEFT_OUT = {"push_pull_output": ["distortion"]} | {name: ["headroom", "distortion"] for name in ALIKE}


def measured(name: str, *more: str, **values: Any) -> Any:
    stage = simwrap.stage(name, **values)
    names = more or [*stage.template.measures, *OTHERS.get(name, [])]
    chosen = [measure for measure in names if measure not in LEFT_OUT.get(name, [])]
    return simwrap.measure(stage, {measure: COARSE.get(measure, {}) for measure in chosen})


@pytest.mark.parametrize("name", stage_names())
def test_every_picture_of_a_stage_is_readable(name: str) -> None:
    found = measured(name)
    assert all(drawable(measure) for measure in found.results)
    for measure in found.results:
        figure = plot(found, measure)
        assert_readable(figure)
        if measure == "bias":
            assert_apart([words for axes in figure.axes for words in curve_names(axes, COLOURS[0])])


@pytest.mark.parametrize(
    "values",
    [
        {"connection": "triode"},
        {"connection": "ultra_linear"},
        {"valve": "2A3", "bias": "fixed", "grid_bias": -60.0, "anode_to_anode_load": 3e3, "supply": 300.0},
        {"bias": "fixed", "transformer": "ideal", "bias_difference": 1.5},
    ],
)
def test_curves_of_a_pair_are_those_of_its_connection(values: dict[str, Any]) -> None:
    figure = plot(measured("push_pull_output", "bias", **values))
    assert_readable(figure)
    assert len(figure.axes) == (2 if "bias_difference" in values else 1)  # valves that are alike share a panel
    for axes in figure.axes:
        assert_apart(curve_names(axes, COLOURS[0]))
        # The point at rest lies between the curves of the grid voltages on either side of its own.
        (rest,) = [line for line in axes.lines if line.get_label().startswith("at rest")]
        (volts,), (current,) = rest.get_data()
        grid = float(rest.get_label().split("grid ")[1].removesuffix(" V"))
        named = sorted(float(words.removesuffix(" V")) for words, _ in curve_names(axes, COLOURS[0]))
        step = float(np.diff(named).min())
        more, less = (axes.lines[int(-grid / step) + k].get_data() for k in (0, 1))
        assert np.interp(volts, *less) <= current <= np.interp(volts, *more)


def test_a_supply_that_is_not_used_has_no_entry() -> None:
    for tail, names in (("resistor", ["supply"]), ("negative_supply", ["supply", "negative supply"])):
        (axes,) = plot(measured("long_tailed_pair", "rejection", tail=tail)).axes
        assert [text.get_text() for text in axes.get_legend().get_texts()] == names
        assert len(axes.lines) == len(names)


def test_a_picture_without_curves_says_why() -> None:
    figure = plot(measured("tone_passive", "headroom"))
    assert_readable(figure)
    assert "distortion below 0.001 % at every level" in [text.get_text() for text in figure.axes[0].texts]


def test_what_hardly_changes_is_not_drawn_as_a_change() -> None:
    gain, phase = plot(measured("tone_feedback", "response")).axes
    assert np.ptp(gain.get_ylim()) >= 3.0
    assert np.ptp(phase.get_ylim()) >= 60.0


OVER = {"cathode_resistor": [470.0, 1e3, 2.2e3, 4.7e3], "valve": ["12AX7", "12AU7"]}


def test_pictures_of_a_sweep_are_readable() -> None:
    names = ["response", "noise", "impedance", "rejection", "heater_hum", "headroom", "square_wave"]
    measures = {name: COARSE.get(name, {}) for name in names}
    data = simwrap.sweep(simwrap.stage("triode_gain"), OVER, measures, curves=True)
    for measure in measures:
        figure = plot(data, measure)
        assert_readable(figure)
        assert figure.get_suptitle().startswith("triode gain: ")
    # Colours tell points and dashes curves, each named once.
    legend = plot(data, "impedance").axes[0].get_legend()
    assert [text.get_text() for text in legend.get_texts()][-2:] == ["input", "output"]
    assert len(legend.get_texts()) == 8 + 2
    # Each measure has its own frequencies.
    assert plot(data, "noise").axes[0].lines[0].get_xdata()[0] == pytest.approx(22.0)
    figure = plot_sweep(data)
    assert_readable(figure)
    assert [label.get_text() for label in figure.axes[-1].get_xticklabels()] == ["470", "1k", "2.2k", "4.7k"]


def test_what_has_no_order_is_not_joined() -> None:
    zipped = {"valve": ["12AX7", "12AU7"], "anode_resistor": [100e3, 47e3]}
    figure = plot_sweep(simwrap.sweep(simwrap.stage("triode_gain"), zipped, ["response"], zipped=True))
    assert_readable(figure, bare=("", "valve, anode resistor"))
    assert [label.get_text() for label in figure.axes[-1].get_xticklabels()] == ["12AX7, 100 kΩ", "12AU7, 47 kΩ"]
    assert {line.get_linestyle() for axes in figure.axes for line in axes.lines} == {"None"}


def test_the_rule_sees_a_legend_on_curves() -> None:
    figure = plot(measured("tone_three_knob", "tone_curves"))
    axes = figure.axes[1]
    axes.legend(loc="lower center")
    with pytest.raises(AssertionError, match="legend"):
        assert_readable(figure)
    assert covered(axes.get_legend().get_window_extent(), axes) > 10


def test_builds_are_counted_and_numbered() -> None:
    data = simwrap.spread(simwrap.stage("triode_gain"), builds=20, measures=["response", "bias"], curves=True)
    figure = plot_sweep(data, ["gain_db", "high_corner"])
    assert_readable(figure, bare=("", "builds"))
    assert [axes.get_xlabel() for axes in figure.axes][1] == "upper -3 dB corner [kHz]"
    for axes, name, scale in zip(figure.axes, ("gain_db", "high_corner"), (1.0, 1e-3), strict=True):
        assert sum(bar.get_height() for bar in axes.patches) == 20
        edges = [bar.get_x() for bar in axes.patches]
        assert min(edges) == pytest.approx(scale * float(data[f"response.{name}"].min()))
    curves = plot(data, "response")
    assert_readable(curves)
    assert curves.axes[1].get_legend().get_texts()[0].get_text() == "build 1"


def test_a_title_says_what_was_found_and_of_a_sweep_what_is_drawn():
    stage = simwrap.stage("triode_gain")
    found = simwrap.measure(stage, {"response": {"reference_frequency": 400.0}, "headroom": {}})
    gain, low, high = (
        quantity.render(found.response[key], unit, digits=3)
        for key, unit in (("gain_db", "dB"), ("low_corner", "Hz"), ("high_corner", "Hz"))
    )
    title = found.plot("response").get_suptitle()
    assert title == f"triode gain: {gain} at 400 Hz, {low} to {high} within 3 dB"
    reached = quantity.render(found.headroom.clipping_output_rms, "V", digits=3)
    assert found.plot("headroom").get_suptitle() == f"triode gain: {reached} r.m.s. until {found.headroom.first_limit}"
    swept = simwrap.sweep(stage, {"cathode_resistor": ["1k", "2k2"]}, ["response"])
    assert simwrap.plot(swept, "response").get_suptitle() == "triode gain: response"
    assert swept["response.gain"].attrs["long_name"] == "gain at 1 kHz"
    without = simwrap.measure(stage, {"response": {"stop": 2e4}})  # the upper corner is beyond
    low = quantity.render(without.response.low_corner, "Hz", digits=3)
    assert without.plot("response").get_suptitle().endswith(f", 3 dB less at {low}")
