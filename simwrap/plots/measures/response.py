"""Picture of gain and phase over frequency."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from simwrap.plots.labels import legend_below
from simwrap.plots.panels import add_title, chosen_points
from simwrap.plots.reader import Reader
from simwrap.plots.style import COLOURS, frequency_axis, keep_span, label_of, new_figure, phase_axis
from simwrap.units import quantity


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``response``."""
    figure = new_figure(7.5, 5.2)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(2, 1))
    frequency = reader["frequency"]
    for point, label, style in chosen_points(reader):
        upper.plot(frequency, reader["curve_db"][point], label=label, **style)
        lower.plot(frequency, reader["phase_deg"][point], **style)
        if len(reader.labels) == 1 and "gain_db" in reader:
            _corner_marks(upper, reader, point)
    upper.set_ylabel(label_of("gain", "dB"))
    keep_span(upper, 3.0)
    phase_axis(lower)
    frequency_axis(lower, frequency)
    frequency_axis(upper, frequency)
    upper.set_xlabel("")
    legend_below(lower, sources=[upper])
    add_title(figure, reader, "response", _finding(reader))
    return figure


def _finding(reader: Reader) -> str:
    at, gain = reader.said("reference_frequency"), reader.said("gain_db")
    if not (at and gain):
        return ""
    low, high = reader.said("low_corner"), reader.said("high_corner")
    corners = f"{low[0]} to {high[0]} within 3 dB" if low and high else ""
    corners = corners or (f"3 dB less at {(low or high)[0]}" if low or high else "")
    return ", ".join(filter(None, (f"{gain[0]} at {at[0]}", corners)))


def _corner_marks(axes: Axes, reader: Reader, point: int) -> None:
    level = float(reader["gain_db"][point]) - 3.01
    for key in ("low_corner", "high_corner"):
        corner = float(reader[key][point])
        if np.isfinite(corner):
            words = f"-3 dB at {quantity.render(corner, 'Hz', digits=3)}"
            axes.plot([corner], [level], "o", color=COLOURS[1], markersize=6)
            axes.annotate(
                words,
                (corner, level),
                xytext=(8 if key == "low_corner" else -8, -14),
                textcoords="offset points",
                ha="left" if key == "low_corner" else "right",
                fontsize=9,
            )
