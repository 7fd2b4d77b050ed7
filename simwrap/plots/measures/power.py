"""Picture of power, distortion and currents over drive."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from simwrap.errors import InputError
from simwrap.plots.labels import legend_below
from simwrap.plots.panels import add_title, chosen_points
from simwrap.plots.reader import Reader
from simwrap.plots.style import COLOURS, FAINT, label_of, line_style, log_axis, new_figure


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``power``."""
    if "drive_in" not in reader:
        raise InputError("plot: power was measured without its curve; measure it with levels above 0")
    figure = new_figure(7.5, 7.0)
    top, middle, bottom = figure.subplots(3, 1, sharex=True)
    single, several = len(reader.labels) == 1, len(reader.paths("valves.", ".grid_drive")) > 1
    for point, label, style in chosen_points(reader):
        drive = reader["drive_in"][point]
        dots = {"marker": ".", "markersize": 4, **style}
        top.plot(drive, reader["power_curve"][point], label=label, **dots)
        middle.plot(drive, reader["thd_curve"][point], **dots)
        if not single:
            bottom.plot(drive, 1e3 * reader["anode_current_curve"][point], **dots)
    if single:
        drive = reader["drive_in"][0]
        of_all = ", all valves" if several else ""
        for number, electrode in enumerate(("anode", "screen")):
            current = 1e3 * reader[f"{electrode}_current_curve"][0]
            if np.nanmax(np.abs(current)) > 0:
                bottom.plot(drive, current, label=f"{electrode} current{of_all}, average", **line_style(number))
        for mark, words in (("clipping", "onset of clipping"), ("class_a", "end of class A")):
            place = float(reader[f"{mark}.drive"][0])
            if np.isfinite(place):
                number = 1 if mark == "clipping" else 2
                top.plot([place], [float(reader[f"{mark}.output_power"][0])], "o", color=COLOURS[number], label=words)
        for axes in (top, middle, bottom):
            axes.axvline(float(reader["drive"][0]), color=FAINT, linestyle="--", linewidth=1.2, label="set drive")
    top.set_ylabel(label_of("output power", "W"))
    middle.set_ylabel(label_of("distortion", "%"))
    bottom.set_ylabel(label_of("current", "mA") if single else label_of("anode current", "mA"))
    bottom.set_xlabel(label_of(f"drive at {'each' if several else 'the'} grid, r.m.s.", "V"))
    for axes in (top, bottom):
        axes.set_ylim(bottom=0)
    log_axis(middle, "y", plain=True)
    legend_below(bottom, sources=[top, bottom])
    load = reader.stated("load")
    add_title(figure, reader, f"power into {load}" if load else "power")
    return figure
