"""Picture of an output stage: power over drive, distortion over power, currents and dissipation."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from simwrap.errors import InputError
from simwrap.plots.labels import legend_below
from simwrap.plots.panels import add_title, chosen_points, smooth
from simwrap.plots.reader import Reader
from simwrap.plots.style import COLOURS, FAINT, label_of, line_style, log_axis, new_figure


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``power``."""
    if "drive_in" not in reader:
        raise InputError("plot: power was measured without its curve; measure it with levels above 0")
    figure = new_figure(10.0, 7.0)
    (power, distortion), (current, dissipation) = figure.subplots(2, 2)
    single, several = len(reader.labels) == 1, len(reader.paths("valves.", ".grid_drive")) > 1
    drive_words = "drive (e.m.f. of the source), r.m.s."
    of_all = " of all valves" if several else ""
    for point, label, style in chosen_points(reader):
        drive, watts = reader["drive_in"][point], reader["power_curve"][point]
        curve(power, drive, watts, label=label, **style)
        curve(distortion, watts, reader["thd_curve"][point], **style)
        if not single:
            curve(current, drive, 1e3 * reader["anode_current_curve"][point], **style)
            curve(dissipation, drive, _largest(reader, point), **style)
    if single:
        _one_point(reader, power, distortion, current, dissipation)
    power.set(xlabel=label_of(drive_words, "V"), ylabel=label_of("output power", "W"))
    distortion.set(xlabel=label_of("output power", "W"), ylabel=label_of("distortion", "%"))
    current.set(xlabel=label_of(drive_words, "V"))
    current.set_ylabel(label_of(f"{'current' if single else 'anode current'}{of_all}", "mA"))
    dissipation.set(xlabel=label_of(drive_words, "V"))
    hottest = " of the hottest valve" if several else ""
    dissipation.set_ylabel(label_of(f"{'dissipation' if single else 'anode dissipation'}{hottest}", "W"))
    for axes in (power, current, dissipation):
        axes.set_ylim(bottom=0)
        axes.set_xlim(left=0)
    log_axis(distortion, "x", plain=True)
    log_axis(distortion, "y", plain=True)
    legend_below(current, sources=[power, current])
    load = reader.stated("load")
    into = f" into {load}" if load else ""
    most = reader.said("clipping.output_power")
    add_title(figure, reader, f"power{into}", f"{most[0]}{into} at the onset of clipping" if most else "")
    return figure


def curve(axes: Axes, x: Any, y: Any, **style: Any) -> None:
    """Draw a smooth line through points, and the points that were measured."""
    axes.plot(*smooth(x, y), **style)
    dots = {"color": style["color"]} if "color" in style else {}
    axes.plot(x, y, ".", markersize=4, **dots)


def _largest(reader: Reader, point: int) -> Any:
    """Return the largest dissipation of an anode at each drive [W]."""
    paths = reader.paths("dissipation_curve.", ".anode")
    return np.max([reader[path][point] for path in paths], axis=0)


def _one_point(reader: Reader, power: Axes, distortion: Axes, current: Axes, dissipation: Axes) -> None:
    """Draw what there is room for where a single point is drawn: marks, and both electrodes."""
    drive = reader["drive_in"][0]
    for number, electrode in enumerate(("anode", "screen")):
        style = line_style(number)
        amount = 1e3 * reader[f"{electrode}_current_curve"][0]
        if np.nanmax(np.abs(amount)) > 0:
            curve(current, drive, amount, label=electrode, **style)
        paths = reader.paths("dissipation_curve.", f".{electrode}")
        if paths:
            curve(dissipation, drive, np.max([reader[path][0] for path in paths], axis=0), **style)
    power_at, thd_at = smooth(reader["power_curve"][0], reader["thd_curve"][0])
    for mark, words, shape, colour in (
        ("clipping", "onset of clipping", "o", COLOURS[3]),
        ("class_a", "end of class A", "s", COLOURS[2]),
    ):
        place, watts = (float(reader[f"{mark}.{key}"][0]) for key in ("drive", "output_power"))
        if np.isfinite(place):
            style = {"marker": shape, "linestyle": "", "color": colour}
            power.plot([place], [watts], label=words, **style)
            distortion.plot([watts], [np.interp(watts, power_at, thd_at)], **style)
    set_drive = float(reader["drive"][0])
    for axes in (power, current, dissipation):
        axes.axvline(
            set_drive, color=FAINT, linestyle="--", linewidth=1.2, label="set drive" if axes is power else None
        )
