"""Anode curves with the operating point and the load lines."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from simwrap import quantity
from simwrap.errors import InputError
from simwrap.plots.curves import add_title
from simwrap.plots.readers import Reader
from simwrap.plots.style import COLOURS, FAINT, add_legend, label_of, line_style, new_figure


def draw_bias(reader: Reader) -> Figure:
    """Draw every valve's anode curves with its operating point, and load lines where they are resistors."""
    valves = {} if reader.stage is None else dict(reader.stage.valves)
    valves = {name: use for name, use in valves.items() if f"valves.{name}.grid_voltage" in reader}
    if not valves:
        raise InputError("plot: bias has a picture only for a stage with valves")
    figure = new_figure(max(5.2 * len(valves), 6.5), 4.8)
    panels = figure.subplots(1, len(valves), squeeze=False)[0]
    for axes, (instance, use) in zip(panels, valves.items(), strict=True):
        _anode_curves(axes, reader, instance, use.valve)
    add_title(figure, reader, "operating point")
    return figure


def _anode_curves(axes: Axes, reader: Reader, instance: str, valve: Any) -> None:
    def at(quantity_name: str) -> float:
        return float(reader[f"valves.{instance}.{quantity_name}"][0])

    volts, amps, grid = at("anode_voltage"), at("anode_current"), at("grid_voltage")
    screen = at("screen_voltage") if f"valves.{instance}.screen_voltage" in reader else None
    lines = _load_lines(reader.stage, instance)
    ends = [volts * 2.0, *(1.08 * (volts + amps * r) for name, r in lines if name.startswith("d.c."))]
    span = np.linspace(0.0, max(ends), 241)
    top = 1e3 * max([amps * 2.2, *(amps + volts / r for name, r in lines if name.startswith("d.c."))]) * 1.1
    for voltage in _grid_steps(grid):
        current = valve.currents(
            span, np.full_like(span, voltage), None if screen is None else np.full_like(span, screen)
        )
        anode = 1e3 * np.asarray(current.anode)
        axes.plot(span, anode, color=COLOURS[0], linewidth=1.2)
        inside = np.flatnonzero(anode <= top)
        if inside.size and inside[-1] > 0.03 * len(span):
            end = inside[-1]
            axes.annotate(
                f"{voltage:g} V", (span[end], anode[end]), fontsize=8, color=COLOURS[0], ha="right", va="bottom"
            )
    for number, (name, resistance) in enumerate(lines):
        axes.plot(span, 1e3 * (amps + (volts - span) / resistance), label=name, **line_style(number + 1))
    rating = getattr(valve.ratings, "anode_dissipation_max", None)
    if rating:
        away = span[span > 0]
        words = f"{rating:g} W, rated dissipation"
        axes.plot(away, 1e3 * rating / away, color=FAINT, linestyle=":", label=words)
    words = f"{volts:.0f} V, {quantity.render(amps, 'A', digits=3)}, grid {grid:.2f} V"
    axes.plot([volts], [1e3 * amps], "o", color="black", markersize=7, label=words, zorder=5)
    axes.set_xlim(0, span[-1])
    axes.set_ylim(0, top if np.isfinite(top) and top > 0 else 1.0)
    axes.set_xlabel(label_of("anode to cathode", "V"))
    axes.set_ylabel(label_of("anode current", "mA"))
    fixed = "" if screen is None else f", screen at {screen:.0f} V"
    axes.set_title(f"{instance}: {valve.name}{fixed}")
    add_legend(axes, loc="upper right")


def _grid_steps(grid: float) -> NDArray[Any]:
    """Return round grid voltages from 0 to about three times the bias."""
    most = max(3.0 * abs(grid), 1.0)
    raw = most / 8.0
    unit = 10.0 ** np.floor(np.log10(raw))
    step = unit * min((m for m in (1, 2, 5, 10) if m * unit >= raw), default=10)
    steps: NDArray[Any] = 0.0 - step * np.arange(int(most / step) + 1)
    return steps


def _load_lines(stage: Any, instance: str) -> list[tuple[str, float]]:
    """Return names and resistances [ohm] of the load lines of a valve with an anode resistor."""
    values = stage.values
    spellings = {"v1": ("anode_resistor",), "v2": ("anode_resistor_b", "second_anode_resistor")}
    name = next((n for n in spellings.get(instance, ()) if isinstance(values.get(n), float) and values[n] > 0), None)
    if name is None:
        load = values.get("anode_load")
        return [(f"load, {quantity.render(load, 'ohm', digits=3)}", load)] if isinstance(load, float) else []
    anode = values[name]
    below = 0.0
    if len(stage.valves) == 1:
        below = sum(float(values.get(n, 0.0)) for n in ("cathode_resistor", "unbypassed_resistor"))
    lines = [(f"d.c. load, {quantity.render(anode + below, 'ohm', digits=3)}", anode + below)]
    load = values.get("load_resistor")
    if len(stage.valves) == 1 and isinstance(load, float) and load > 0 and values.get("cathode_capacitor"):
        joined = anode * load / (anode + load) + float(values.get("unbypassed_resistor", 0.0))
        lines.append((f"a.c. load, {quantity.render(joined, 'ohm', digits=3)}", joined))
    return lines
