"""Anode curves with the operating point and the load lines."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from simwrap.errors import InputError
from simwrap.plots.curves import add_title
from simwrap.plots.labels import legend_below, name_curves
from simwrap.plots.load_lines import Bias, load_lines
from simwrap.plots.readers import Reader
from simwrap.plots.style import COLOURS, FAINT, label_of, line_style, new_figure
from simwrap.units import quantity
from simwrap.valves.curves import round_steps


def draw_bias(reader: Reader) -> Figure:
    """Draw the anode curves of valves that aren't alike, with operating point and load lines."""
    valves = {} if reader.stage is None else dict(reader.stage.valves)
    groups: dict[Any, list[str]] = {}
    for instance, use in valves.items():
        if f"valves.{instance}.grid_voltage" in reader:
            point = [f"{float(reader[key][0]):.4g}" for key in reader.keys(f"valves.{instance}.")]
            groups.setdefault((use.valve.name, *point), []).append(instance)
    if not groups:
        raise InputError("plot: bias has a picture only for a stage with valves that have a grid")
    figure = new_figure(max(5.6 * len(groups), 7.0), 4.8)
    panels = figure.subplots(1, len(groups), squeeze=False)[0]
    for axes, instances in zip(panels, groups.values(), strict=True):
        _anode_curves(axes, reader, instances)
    legend_below(*panels)
    add_title(figure, reader, "operating point")
    return figure


def _tap_of(values: Any) -> float:
    """Return how much of the anode's swing the screen takes part in."""
    connection = values.get("connection")
    return 1.0 if connection == "triode" else float(values["screen_tap"]) if connection == "ultra_linear" else 0.0


def _anode_curves(axes: Axes, reader: Reader, instances: list[str]) -> None:
    stage, instance = reader.stage, instances[0]
    valve = stage.valves[instance].valve

    def at(quantity_name: str) -> float:
        return float(reader[f"valves.{instance}.{quantity_name}"][0])

    volts, grid, tap = at("anode_voltage"), at("grid_voltage"), 0.0
    amps = at("anode_current")
    has_screen = f"valves.{instance}.screen_voltage" in reader
    if has_screen:
        tap = _tap_of(stage.values)
        amps += tap * at("screen_current")
    share = at("cathode_current") / amps if amps else 1.0
    lines = load_lines(stage, instance, Bias(volts, amps, share))
    span = np.linspace(0.0, 1.08 * max((line.volts for line in lines), default=1.85 * volts), 301)
    # The steepest lines are those of the signal; a winding's d.c. line has no use for the height.
    steep = [line for line in lines if not line.direct] or lines
    top = 1.1e3 * max([2.2 * amps, *(line.volts / line.resistance for line in steep if line.resistance > 0)])
    top = top if np.isfinite(top) and top > 0 else 1.0
    axes.set_xlim(0, span[-1])
    axes.set_ylim(0, top)

    def current(x: Any, grids: Any) -> NDArray[Any]:
        screens = None if not has_screen else at("screen_voltage") + tap * (x - volts) + 0.0 * grids
        flow = valve.currents(x + 0.0 * grids, grids + 0.0 * x, screens)
        return 1e3 * np.asarray(flow.anode + tap * flow.screen if tap else flow.anode)

    candidates = np.linspace(0.0, -max(10.0 * abs(grid), 2.0), 1001)
    flows = np.flatnonzero(current(span[-1], candidates) > 0.02 * top)
    cut_off = -float(candidates[flows[-1]]) if flows.size else 1.0
    step = round_steps(max(cut_off, 1.2 * abs(grid)), 9)
    grids = 0.0 - step * np.arange(int(max(cut_off, 1.2 * abs(grid)) / step) + 1)
    family = current(span, grids[:, None])
    axes.plot(span, family.T, color=COLOURS[0], linewidth=1.2)
    names = [f"{voltage:g} V" for voltage in grids]
    name_curves(axes, zip(names, [span] * len(names), family, strict=True), colour=COLOURS[0])
    for number, line in enumerate(lines):
        ends = [line.volts - 1e-3 * top * line.resistance, line.volts]
        look = line_style(number + 1) | ({"linestyle": (0, (8, 2))} if number == 2 else {})
        axes.plot(ends, [top, 0.0], label=line.name, **look)
    rating = getattr(valve.ratings, "anode_dissipation_max", None)
    if rating:
        away = span[span > 0]
        seen = bool((1e3 * rating / away < top).any())
        words = f"{rating:g} W, rated dissipation" + ("" if seen else " (above the picture)")
        axes.plot(away, 1e3 * rating / away, color=FAINT, linestyle=":", label=words)
    words = f"at rest: {volts:.0f} V, {quantity.render(amps, 'A', digits=3)}, grid {grid:.2f} V"
    axes.plot([volts], [1e3 * amps], "o", color="black", markersize=7, label=words, zorder=5)
    axes.set_xlabel(label_of("anode to cathode", "V"))
    flowing = (
        "anode current" if not tap else "anode and screen current" if tap == 1 else f"anode + {tap:g} screen current"
    )
    axes.set_ylabel(label_of(flowing, "mA"))
    how = ""
    if has_screen:
        rest = f"screen at {at('screen_voltage'):.0f} V"
        how = f", {rest}" if not tap else ", triode-connected" if tap == 1 else f", tap {tap:g}, {rest} at rest"
    axes.set_title(f"{' and '.join(instances)}: {valve.name}{how}; grid voltage at each curve", pad=16)
