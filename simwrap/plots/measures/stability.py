"""Pictures of loop gain over frequency with the margins marked, and of a sweep's margins against its bandwidth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import EngFormatter
from numpy.typing import NDArray

from simwrap.errors import InputError
from simwrap.plots.labels import legend_below
from simwrap.plots.panels import add_title, chosen_points, say
from simwrap.plots.reader import Reader
from simwrap.plots.style import FAINT, frequency_axis, label_of, line_style, new_figure
from simwrap.units import quantity

Floats = NDArray[Any]

#: Marks of loops.
MARKS = "os^D"
#: Where the axis begins [Hz], unless a margin lies below.
LOWEST = 0.1


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``stability``: of a sweep with the response too, margins against bandwidth."""
    keys = reader.paths("loops.", ".curve_db")
    if not keys:
        raise InputError("stability has a picture only where there is a feedback path, whose loop gain it shows")
    if len(reader.labels) > 1 and "high_corner" in reader.of("response"):
        return draw_margins(reader)
    figure = new_figure(7.5, 5.6)
    upper, lower = figure.subplots(2, 1, sharex=True)
    frequency, lowest = reader["frequency"], LOWEST
    single = len(reader.labels) == 1
    for point, label, style in chosen_points(reader):
        for number, key in enumerate(keys):
            name = key.removeprefix("loops.").removesuffix(".curve_db")
            look = line_style(number) if single else style
            words = f"loop gain through {name}" if single else label
            phase = _round_minus_one(reader[f"loops.{name}.phase_deg"][point], reader[key][point])
            upper.plot(frequency, reader[key][point], label=words, **look)
            lower.plot(frequency, phase, **look)
            if not single:
                continue
            for start in ("", "low_"):
                edge = float(reader[f"loops.{name}.{start}gain_margin_frequency"][point])
                margin = float(reader[f"loops.{name}.{start}gain_margin_db"][point])
                if np.isfinite(edge):
                    lowest = min(lowest, edge / 2.0)
                    upper.plot([edge], [-margin], "o", color=look["color"], markersize=6)
                    upper.annotate(f"{margin:.3g} dB", (edge, -margin), xytext=(6, 6), textcoords="offset points")
                edge = float(reader[f"loops.{name}.{start}phase_margin_frequency"][point])
                margin = float(reader[f"loops.{name}.{start}phase_margin"][point])
                if np.isfinite(edge):
                    lowest = min(lowest, edge / 2.0)
                    at = float(np.interp(np.log(edge), np.log(frequency), phase))
                    lower.plot([edge], [at], "o", color=look["color"], markersize=6)
                    lower.annotate(f"{margin:.3g}°", (edge, at), xytext=(6, 6), textcoords="offset points")
    upper.axhline(0.0, color=FAINT, linewidth=1.0)
    upper.set_ylabel(label_of("loop gain", "dB"))
    lower.set_ylabel(label_of("phase of the loop gain", "degree"))
    low, high = (bound for bound in lower.get_ylim())
    step = 90.0 if high - low <= 720.0 else 180.0
    lower.set_yticks(np.arange(step * np.ceil(low / step), high + 1.0, step))
    # Where T is real and negative.
    for turn in np.arange(np.ceil((low - 180.0) / 360.0), np.floor((high - 180.0) / 360.0) + 1.0):
        lower.axhline(180.0 + 360.0 * turn, color=FAINT, linewidth=1.0, linestyle="--")
    for axes in (lower, upper):
        frequency_axis(axes, frequency[frequency >= lowest])
    upper.set_xlabel("")
    legend_below(lower, sources=[upper])
    add_title(figure, reader, "loop gain and margins", _finding(reader, keys))
    return figure


def _round_minus_one(phase: Floats, level: Floats) -> Floats:
    """Return a phase of loop gain shifted by whole turns, so that it is near 0 where the loop gain is largest."""
    if not np.isfinite(level).any():
        return phase
    shifted: Floats = phase - 360.0 * np.round(phase[np.nanargmax(level)] / 360.0)
    return shifted


def _finding(reader: Reader, keys: Sequence[str]) -> str:
    """Return whether it is stable, and the least margins of all loops."""
    if str(reader["stable"][0]) != "yes":
        return "unstable"
    ends = [f"{key.removesuffix('.curve_db')}.{start}" for key in keys for start in ("", "low_")]
    gain, phase = (
        min(float(reader[f"{end}{margin}"][0]) for end in ends) for margin in ("gain_margin_db", "phase_margin")
    )
    said = [f"{quantity.render(gain, 'dB', digits=2)} of gain margin"] if np.isfinite(gain) else []
    said += [f"{quantity.render(phase, 'degree', digits=2)} of phase margin"] if np.isfinite(phase) else []
    return ", ".join(["stable", *said])


def draw_margins(reader: Reader) -> Figure:
    """Draw gain and phase margin of every loop against the bandwidth of the whole, a mark a point of the sweep.

    What is unstable has no bandwidth worth the name: it is left out, and counted in the title.
    """
    figure = new_figure(7.5, 5.6)
    upper, lower = figure.subplots(2, 1, sharex=True)
    corner, stable = reader.of("response")["high_corner"], reader["stable"] == "yes"
    names = [path.removeprefix("loops.").removesuffix(".gain_margin_db")
             for path in reader.paths("loops.", ".gain_margin_db") if ".low_" not in path]  # fmt: skip
    for number, name in enumerate(names):
        for axes, key in ((upper, "gain_margin_db"), (lower, "phase_margin")):
            margin = np.where(np.isfinite(reader[f"loops.{name}.{key}"]), reader[f"loops.{name}.{key}"], np.nan)
            order = np.flatnonzero(stable)
            axes.plot(corner[order], margin[order], color=FAINT, linewidth=1.0, zorder=1)
            for point, label, style in chosen_points(reader):
                if stable[point]:
                    words = label if len(names) == 1 else f"{name}, {label}"
                    look = style | {"linestyle": "none"}
                    axes.plot(corner[[point]], margin[[point]], MARKS[number % len(MARKS)], label=words, **look)
    upper.set_ylabel(label_of("gain margin", "dB"))
    lower.set_ylabel(label_of("phase margin", "degree"))
    for axes in (upper, lower):
        axes.set_xlabel(label_of("upper corner of the response", "Hz"))
        axes.xaxis.set_major_formatter(EngFormatter(sep=""))
    upper.set_xlabel("")
    lost = int((~stable).sum())
    if stable.any():
        legend_below(lower, sources=[upper])
    else:
        say(upper, "no point is stable")
    words = f" ({lost} of {len(stable)} points unstable)" if lost else ""
    add_title(figure, reader, f"margins against bandwidth{words}")
    return figure
