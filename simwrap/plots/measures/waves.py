"""Pictures of the output over time."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from simwrap.plots.labels import legend_below
from simwrap.plots.panels import add_title, chosen_points
from simwrap.plots.reader import Reader
from simwrap.plots.style import label_of, new_figure, prefixed


def _wave(reader: Reader, words: str, finding: str = "") -> Figure:
    figure = new_figure(7.5, 4.0)
    axes = figure.subplots()
    scale, prefix = prefixed(reader["output_wave"])
    for point, label, style in chosen_points(reader):
        wave = scale * reader["output_wave"][point]
        # A smaller burst isn't hidden by a larger one.
        swing = 2.0 + 1.0 / (1.0 + np.ptp(wave))
        axes.plot(1e3 * reader["time"], wave, label=label, **{**style, "linewidth": 1.3, "zorder": swing})
    axes.set_xlabel(label_of("time", "ms"))
    axes.set_ylabel(label_of("output", f"{prefix}V"))
    axes.set_xlim(1e3 * float(reader["time"][0]), 1e3 * float(reader["time"][-1]))
    legend_below(axes)
    add_title(figure, reader, words, finding)
    return figure


def draw_recovery(reader: Reader) -> Figure:
    """Draw the picture of the measure ``recovery``."""
    frequency, cycles = reader.stated("burst_frequency"), reader.stated("burst_cycles")
    burst = f" ({cycles} cycles of {frequency})" if frequency else ""
    back = reader.said("recovery_time")
    finding = f"the bias is back {back[0]} after a burst of overload{burst}" if back else ""
    if back and float(reader["recovery_time"][0]) == 0.0:
        finding = f"a burst of overload{burst} doesn't shift the bias"
    return _wave(reader, f"a burst of overload{burst}, and after", finding)


def draw_square_wave(reader: Reader) -> Figure:
    """Draw the picture of the measure ``square_wave``."""
    frequency, level = reader.stated("frequency"), reader.stated("level")
    wave = f" of {frequency}, {level}" if frequency and level else ""
    found = reader.said("rise_time", "tilt")
    finding = f"rises in {found[0]}, tilts by {found[1]}; square wave{wave}" if len(found) == 2 else ""
    return _wave(reader, f"answer to a square wave{wave}", finding)
