"""Legends and the names of curves stand beside the data."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from picture_rules import assert_apart, assert_readable, covered, curve_names

from simwrap.plots.labels import legend_across, legend_below, name_curves
from simwrap.plots.valve_curves import contact_sheet, curves_figure
from simwrap.valves import get_valve, valve_names

X = np.linspace(0.0, 100.0, 201)


def panels(count: int = 1, labels: int = 3, words: str = "curve") -> tuple[Figure, Any]:
    figure = Figure(figsize=(6.0, 4.0), layout="constrained")
    figure.suptitle("title")
    axes = figure.subplots(1, count, squeeze=False)[0]
    for panel in axes:
        for k in range(labels):
            panel.plot(X, k * X, color=f"C{k % 10}", linestyle=["-", "--"][k // 10], label=f"{words} {k}")
        panel.set_xlabel("voltage [V]")
        panel.set_ylabel("current [mA]")
    return figure, axes


@pytest.mark.parametrize("count", [1, 2])
@pytest.mark.parametrize(("labels", "words"), [(1, "curve"), (4, "a rather long name of one curve"), (15, "curve")])
def test_a_legend_is_below_and_the_panel_keeps_its_height(count: int, labels: int, words: str) -> None:
    bare, axes = panels(count, labels, words)
    FigureCanvasAgg(bare).draw()
    before = axes[0].get_window_extent().height
    figure, axes = panels(count, labels, words)
    legend_below(*axes)
    assert_readable(figure)
    assert len(axes[-1].get_legend().get_texts()) == labels
    assert axes[0].get_window_extent().height == pytest.approx(before, rel=0.08)


def test_one_legend_for_panels_side_by_side() -> None:
    figure, axes = panels(2, 11)
    legend_across(figure, list(axes))
    assert_readable(figure)
    (legend,) = figure.legends
    assert [text.get_text() for text in legend.get_texts()] == [f"curve {k}" for k in range(11)]


def test_without_labels_there_is_no_legend() -> None:
    figure, axes = panels(1, 0)
    height = figure.get_figheight()
    legend_below(*axes)
    legend_across(figure, list(axes))
    assert axes[0].get_legend() is None
    assert not figure.legends
    assert figure.get_figheight() == height


def test_names_stand_where_curves_leave_the_panel_and_crowded_ones_are_left_out() -> None:
    figure, (axes,) = panels(1, 0)
    axes.set_xlim(0.0, 100.0)
    axes.set_ylim(0.0, 10.0)
    steep = [(f"s{k}", X, X * (10.0 - k)) for k in range(3)]  # leave within 5 % of each other at the top
    flat = [("high", X, 0.09 * X), ("low", X, 0.002 * X), ("lower", X, 0.001 * X)]
    name_curves(axes, [*steep, ("half", X, 0.2 * X), *flat, ("outside", X, 20.0 + X)], colour="blue")
    FigureCanvasAgg(figure).draw()
    places = {text.get_text(): text.xy for text in axes.texts}
    assert set(places) == {"s0", "half", "high", "low"}
    assert places["half"] == pytest.approx((50.0, 10.0))
    assert places["s0"] == pytest.approx((1.0, 10.0))
    assert places["high"] == pytest.approx((100.0, 9.0))
    names = curve_names(axes, "blue")
    assert_apart(names)
    assert not any(covered(box, axes) for _, box in names)


@pytest.mark.parametrize("name", [*valve_names(), "ECL82 triode", "ECL86 triode"])
def test_curves_of_every_valve_are_readable(name: str) -> None:
    valve = get_valve(name.split()[0], kind="triode" if "triode" in name else None)
    for what in ("anode", "transfer") if valve.kind != "rectifier" else ("anode",):
        figure = curves_figure(valve, what=what)
        assert_readable(figure)
        names = curve_names(figure.axes[0], "#0072B2")
        assert_apart(names)
        assert len(names) >= 3 or valve.kind == "rectifier"


@pytest.mark.parametrize("what", ["anode", "triode-connected", "ultra-linear"])
def test_a_load_line_and_its_point_are_readable(what: str) -> None:
    figure = curves_figure(get_valve("EL34"), what=what, supply=400.0, anode_resistor=5e3, cathode_resistor=470.0)
    assert_readable(figure)
    assert_readable(contact_sheet([get_valve("EL34"), get_valve("GZ34"), get_valve("12AX7")], columns=2))
