"""Composite curves of a push-pull pair: the picture of ``load_lines`` where two valves share a load.

Each curve is the difference of both anode currents while one anode rises by what the other falls, with the grids driven
apart by what stands at the curve. What the pair does in its load is where these curves meet one straight line, a
quarter of the load from anode to anode (B. J. Thompson, Graphical Determination of Performance of Push-Pull Audio
Amplifiers, Proc. IRE, April 1933, from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from simwrap.plots.labels import legend_below, name_curves
from simwrap.plots.measures import anode_curves
from simwrap.plots.panels import add_title
from simwrap.plots.reader import Reader
from simwrap.plots.style import COLOURS, label_of, line_style, new_figure
from simwrap.units import quantity
from simwrap.valves.curves import round_steps

Floats = NDArray[Any]
#: Steps of the drive from none to grids at the cathodes' voltage, at most.
_STEPS = 6
#: How far beyond rest the picture goes, as a part of the anode voltage there.
_BEYOND = 1.25


def draw(reader: Reader) -> Figure:
    """Draw a pair's composite curves with its load line; of all else the anode curves with theirs."""
    names = pair_of(reader)
    if not names:
        return anode_curves.draw(reader)
    bias = reader.of("bias")
    rest = anode_curves.rest_of(bias, names[0])
    load = float(reader[f"valves.{names[0]}.alone_load"][0])
    current = difference(reader, names)
    # No grid conducts up to where that of the valve with less bias is at its cathode's voltage.
    full = min(-anode_curves.rest_of(bias, name).grid for name in names)
    peak = meeting(current, rest.volts, load, full)
    figure = new_figure(7.5, 5.0)
    axes = figure.subplots()
    volts = np.linspace(0.0, _BEYOND * rest.volts, 301)
    top = 1.15e3 * (rest.volts - peak) / load
    axes.set_xlim(0.0, volts[-1])
    axes.set_ylim(0.0, top)
    step = round_steps(full, _STEPS)
    drives = np.append(np.arange(0.0, full - 0.3 * step, step), full)
    family = [1e3 * current(volts, drive) for drive in drives]
    axes.plot(volts, np.transpose(family), color=COLOURS[0], linewidth=1.2)
    name_curves(axes, [(f"{drive:.3g} V", volts, curve) for drive, curve in zip(drives, family, strict=True)],
                colour=COLOURS[0])  # fmt: skip
    words = quantity.render(load, "ohm", digits=3)
    axes.plot([rest.volts - 1e-3 * top * load, rest.volts], [top, 0.0], label=f"load of each half, {words}",
              **line_style(1))  # fmt: skip
    amps = (rest.volts - peak) / load
    reached = f"{peak:.0f} V, {quantity.render(amps, 'A', digits=3)}"
    axes.plot([peak], [1e3 * amps], "o", color="black", label=f"peak with a grid at 0 V: {reached}", zorder=5)
    amplitude = amps
    if not alike(reader, names):
        other, amplitude = _second_half(axes, reader, names, full)
        amplitude = 0.5 * (amps + amplitude)  # the fundamental of two half waves
        top = max(top, other)
        axes.set_ylim(0.0, top)
    axes.set_xlabel(label_of("anode to cathode of the valve that conducts more", "V"))
    axes.set_ylabel(label_of("difference of the anode currents", "mA"))
    axes.set_title(f"{' and '.join(names)}; drive from rest at each curve", pad=16)
    legend_below(axes)
    share = float(reader[f"valves.{names[0]}.output_share"][0])
    where = "in the load" if np.isfinite(share) else "at the anodes"
    watts = quantity.render(0.5 * amplitude**2 * load * (share if np.isfinite(share) else 1.0), "W", digits=3)
    add_title(figure, reader, "composite curves", f"composite curves, {watts} {where} while no grid conducts")
    return figure


def alike(reader: Reader, names: list[str]) -> bool:
    """Whether both halves do the same: the same type, resting at the same current within a hundredth."""
    bias = reader.of("bias")
    rests = [anode_curves.rest_of(bias, name) for name in names]
    types = {str(bias[f"valves.{name}.type"][0]) for name in names}
    return len(types) == 1 and abs(rests[0].amps - rests[1].amps) < 0.01 * max(rest.amps for rest in rests)


def _second_half(axes: Axes, reader: Reader, names: list[str], full: float) -> tuple[float, float]:
    """Draw the other half wave of two unlike valves: the outermost curve and where it meets its load line.

    Returns
    -------
    top, amps : float
        How high the axis has to be [mA], and the peak of the current [A].
    """
    turned = names[::-1]
    rest = anode_curves.rest_of(reader.of("bias"), turned[0])
    load = float(reader[f"valves.{turned[0]}.alone_load"][0])
    current = difference(reader, turned)
    peak = meeting(current, rest.volts, load, full)
    amps = (rest.volts - peak) / load
    volts = np.linspace(0.0, _BEYOND * rest.volts, 301)
    axes.plot(volts, 1e3 * current(volts, full), label=f"{turned[0]} driven by {full:.3g} V", **line_style(2))
    reached = f"{peak:.0f} V, {quantity.render(amps, 'A', digits=3)}"
    axes.plot([peak], [1e3 * amps], "s", color="black", label=f"peak of {turned[0]}'s half: {reached}", zorder=5)
    return 1.15e3 * amps, amps


def pair_of(reader: Reader) -> list[str]:
    """Return the two valves of a pair that pushes and pulls; [] where it is none, or there are several points."""
    ends = reader.paths("valves.", ".alone_load")
    names = [path.removeprefix("valves.").removesuffix(".alone_load") for path in ends]
    alone = [name for name in names if np.isfinite(float(reader[f"valves.{name}.alone_load"][0]))]
    known = all(f"valves.{name}.anode_voltage" in reader.of("bias") for name in alone)
    return alone if len(reader.labels) == 1 and len(alone) == 2 and known else []


def difference(reader: Reader, names: list[str]) -> Callable[[Any, float], Floats]:
    """Return the difference of a pair's currents [A], over the first one's anode voltage [V] and the drive [V]."""
    bias = reader.of("bias")
    rests = [anode_curves.rest_of(bias, name) for name in names]
    valves = [anode_curves.valve_of(bias, name, 0, rest.screen is not None)
              for name, rest in zip(names, rests, strict=True)]  # fmt: skip

    def flow(which: int, swing: Floats, drive: float) -> Floats:
        rest = rests[which]
        anode = np.maximum(rest.volts + swing, 0.0)
        screens = None if rest.screen is None else np.maximum(rest.screen + rest.tap * swing, 0.0)
        found = valves[which].currents(anode, rest.grid + drive + 0.0 * anode, screens)
        return np.asarray(found.anode + rest.tap * found.screen if rest.tap else found.anode)

    # What valves that differ draw more than one another at rest doesn't come through the transformer.
    at_rest = rests[0].amps - rests[1].amps

    def current(volts: Any, drive: float) -> Floats:
        swing = np.asarray(volts, float) - rests[0].volts
        both: Floats = flow(0, swing, drive) - flow(1, -swing, -drive) - at_rest
        return both

    return current


def meeting(current: Callable[[Any, float], Floats], rest: float, load: float, drive: float) -> float:
    """Return the anode voltage at which a composite curve meets the load line [V]."""
    from scipy.optimize import brentq

    return float(brentq(lambda volts: float(current(volts, drive)) - (rest - volts) / load, 0.0, rest))
