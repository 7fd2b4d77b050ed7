"""Picture of the harmonics at one level."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from simwrap.plots.labels import legend_below
from simwrap.plots.panels import LEAST_THD, add_title, chosen_points, say
from simwrap.plots.reader import Reader
from simwrap.plots.style import label_of, new_figure

#: Lowest level of a harmonic that is drawn [dB].
_FLOOR = -120.0


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``distortion``."""
    figure = new_figure(7.0, 4.2)
    axes = figure.subplots()
    orders = np.asarray(reader["harmonic"], dtype=float)
    points = chosen_points(reader)
    width = 0.8 / len(points)
    levels = np.asarray([reader["harmonics_db"][point] for point, _, _ in points], dtype=float)
    for number, (_, label, style) in enumerate(points):
        level = np.maximum(levels[number], _FLOOR)
        place = orders + (number - (len(points) - 1) / 2) * width
        axes.bar(place, level - _FLOOR, width=width, bottom=_FLOOR, color=style["color"], label=label)
    seen = levels[np.isfinite(levels)]
    if not (seen > _FLOOR).any():
        say(axes, f"every harmonic is below {_FLOOR:g} dB")
    axes.set_xticks(orders)
    axes.grid(False, axis="x")
    axes.set_ylim(_FLOOR, max(0.0, 10.0 * np.ceil(seen.max() / 10.0)) if seen.size else 0.0)
    axes.set_xlabel("harmonic")
    axes.set_ylabel(label_of("level relative to the fundamental", "dB"))
    legend_below(axes)
    thd = ""
    if len(reader.labels) == 1:
        total = float(reader["thd"][0])
        thd = f", total {total:.3g} %" if not total < LEAST_THD else f", total below {LEAST_THD:.4f} %"
    level_in = reader.stated("level")
    add_title(figure, reader, f"harmonics{f' at {level_in} input' if level_in else ''}{thd}")
    return figure
