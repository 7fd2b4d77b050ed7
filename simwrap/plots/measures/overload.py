"""Picture of a chain over level: distortion over output, and the margin of every valve above the rated output."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from simwrap.plots.labels import legend_below
from simwrap.plots.panels import add_title, chosen_points
from simwrap.plots.reader import Reader
from simwrap.plots.style import COLOURS, FAINT, label_of, log_axis, new_figure


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``overload``: margins of the first point where there are several."""
    figure = new_figure(7.5, 6.0)
    upper, lower = figure.subplots(2, 1)
    for point, label, style in chosen_points(reader):
        out, thd = reader["level_out"][point], reader["thd"][point]
        upper.plot(out, thd, marker=".", label=label or "total harmonic distortion", **style)
    log_axis(upper, "x", plain=True)
    log_axis(upper, "y", plain=True)
    upper.set_xlabel(label_of("output, r.m.s.", "V"))
    upper.set_ylabel(label_of("distortion", "%"))
    legend_below(upper)
    paths = reader.paths("valves.", ".margin_db")
    names = [path.removeprefix("valves.").removesuffix(".margin_db") for path in paths]
    margins = np.array([float(reader[path][0]) for path in paths])
    places = np.arange(len(names))[::-1]
    lower.barh(places, np.nan_to_num(margins), color=COLOURS[0])
    lower.set_yticks(places, names)
    lower.set_ylabel("valve")
    lower.axvline(0.0, color=FAINT, linewidth=1.2)
    lower.grid(False, axis="y")
    lower.set_xlabel(label_of("margin above the rated output until a limit of the valve", "dB"))
    first = str(reader["clipping.first_valve"][0]) if "clipping.first_valve" in reader else ""
    watts = reader.said("clipping.output_power")
    finding = f"{first} clips first, at {watts[0]}" if first and watts else ""
    add_title(figure, reader, "overload margins", finding)
    return figure
