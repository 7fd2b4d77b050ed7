"""Picture of distortion and level against one another."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from simwrap.plots.labels import legend_across, legend_below
from simwrap.plots.panels import add_title, chosen_points, say
from simwrap.plots.reader import Reader
from simwrap.plots.style import COLOURS, FAINT, label_of, line_style, log_axis, new_figure


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``headroom``."""
    figure = new_figure(9.5, 4.6)
    left, right = figure.subplots(1, 2)
    single = len(reader.labels) == 1
    for point, label, style in chosen_points(reader):
        out, thd = reader["level_out"][point], reader["thd"][point]
        look = {"color": "black", "linewidth": 2.2} if single else style
        left.plot(out, thd, label=label or "total", marker=".", markersize=4, **look)
        right.plot(reader["level_in"][point], out, label=label, marker=".", markersize=4, **style)
    if single and "harmonics" in reader:
        for k, order in enumerate((2, 3, 4, 5)):
            level = reader["harmonics"][0, :, k]
            if (level > 1e-3).any():
                left.plot(reader["level_out"][0], level, linewidth=1.3, label=f"harmonic {order}", **line_style(k))
    if single and np.isfinite(float(reader["clipping_output_rms"][0])):
        limit, volts = str(reader["first_limit"][0]), float(reader["clipping_output_rms"][0])
        left.axvline(volts, color=FAINT, linewidth=1.2, linestyle="--", label=f"first limit: {limit}")
        right.plot(
            [float(reader["clipping_input_rms"][0])], [volts], "o", color=COLOURS[1], label=f"first limit: {limit}"
        )
    for axes in (left, right):
        log_axis(axes, "x", plain=True)
    log_axis(left, "y", plain=True)
    log_axis(right, "y", plain=True)
    largest = float(np.nanmax(reader["thd"])) if np.isfinite(reader["thd"]).any() else 0.0
    left.set_ylim(1e-3, 10.0 if largest < 9.0 else max(100.0, 1.05 * largest))
    for percent in (1, 3):
        left.axhline(percent, color=FAINT, linewidth=1.0, linestyle=":")
        left.annotate(
            f"{percent} %", (1.0, percent), xycoords=("axes fraction", "data"), xytext=(3, 0),
            textcoords="offset points", fontsize=9, ha="left", va="center", annotation_clip=False,
        )  # fmt: skip
    if largest < 1e-3:
        left.lines[0].set_label("_nolegend_")
        say(left, "distortion below 0.001 % at every level")
    left.set_xlabel(label_of("output, r.m.s.", "V"))
    left.set_ylabel(label_of("distortion", "%"))
    right.set_xlabel(label_of("input, r.m.s.", "V"))
    right.set_ylabel(label_of("output, r.m.s.", "V"))
    if single:
        legend_below(left, right)
    else:
        legend_across(figure, [left])
    frequency = reader.stated("frequency")
    words = f"level and distortion{f' at {frequency}' if frequency else ''}"
    reached = reader.said("clipping_output_rms") if single else []
    add_title(figure, reader, words, f"{reached[0]} r.m.s. until {reader['first_limit'][0]}" if reached else "")
    return figure
