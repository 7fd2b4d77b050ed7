"""One function a measure that draws its curves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from simwrap import quantity
from simwrap.errors import InputError
from simwrap.plots.readers import Reader
from simwrap.plots.style import (
    COLOURS,
    DASHES,
    FAINT,
    MOST_LINES,
    add_legend,
    frequency_axis,
    label_of,
    line_style,
    log_axis,
    new_figure,
    number_axis,
    shades_of,
)


def chosen_points(reader: Reader) -> list[tuple[int, str, dict[str, Any]]]:
    """Return index, label and style of the points that are drawn."""
    count = len(reader.labels)
    chosen = np.unique(np.linspace(0, count - 1, min(count, MOST_LINES)).round().astype(int))
    if count <= len(COLOURS):
        return [(int(k), reader.labels[k], line_style(int(k))) for k in chosen]
    shades = shades_of(len(chosen))
    return [(int(k), reader.labels[k], {"color": shades[n]}) for n, k in enumerate(chosen)]


def add_title(figure: Figure, reader: Reader, words: str) -> None:
    """Set the figure's title: the stage and what is drawn."""
    count = len(reader.labels)
    left_out = f" ({MOST_LINES} of {count} points)" if count > MOST_LINES else ""
    name = f"{reader.stage.name.replace('_', ' ')}: " if reader.stage is not None else ""
    figure.suptitle(f"{name}{words}{left_out}", fontsize=11)


def draw_response(reader: Reader) -> Figure:
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
    lower.set_ylabel(label_of("phase", "degree"))
    frequency_axis(lower, frequency)
    frequency_axis(upper, frequency)
    upper.set_xlabel("")
    add_legend(upper, loc="best")
    add_title(figure, reader, "response")
    return figure


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


def draw_tone_curves(reader: Reader) -> Figure:
    """Draw the picture of the measure ``tone_curves``."""
    names = [name for name in ("bass", "treble") if f"{name}_curves_db" in reader]
    figure = new_figure(5.0 * len(names) + 0.5, 4.6)
    panels = figure.subplots(1, len(names), sharey=True, squeeze=False)[0]
    frequency = reader["frequency"]
    for axes, name in zip(panels, names, strict=True):
        settings = reader[f"{name}_setting"]
        shades = shades_of(len(settings))
        for k, setting in enumerate(settings):
            # Name the ends and the middle; the shades in between speak for themselves.
            named = k in (0, len(settings) // 2, len(settings) - 1)
            label = f"{name} at {setting:g}" if named else None
            axes.plot(frequency, reader[f"{name}_curves_db"][0, k], color=shades[k], label=label)
        axes.plot(frequency, reader["curve_db"][0], color="black", linestyle="--", linewidth=1.2, label="as set")
        axes.set_title(f"{name} control")
        frequency_axis(axes, frequency)
        add_legend(axes, loc="lower center")
    panels[0].set_ylabel(label_of("gain", "dB"))
    add_title(figure, reader, "tone curves")
    return figure


def draw_headroom(reader: Reader) -> Figure:
    """Draw the picture of the measure ``headroom``."""
    figure = new_figure(9.5, 4.6)
    left, right = figure.subplots(1, 2)
    single = len(reader.labels) == 1
    for point, label, style in chosen_points(reader):
        out, thd = reader["level_out"][point], reader["thd"][point]
        left.plot(out, thd, label=label or "total", **style)
        right.plot(reader["level_in"][point], out, label=label, **style)
    if single and "harmonics" in reader:
        for k, order in enumerate((2, 3, 4, 5)):
            left.plot(
                reader["level_out"][0],
                reader["harmonics"][0, :, k],
                linewidth=1.1,
                label=f"harmonic {order}",
                **line_style(k + 1),
            )
    for percent in (1, 3):
        left.axhline(percent, color=FAINT, linewidth=1.0, linestyle=":")
        left.annotate(
            f"{percent} %",
            (0.995, percent),
            xycoords=("axes fraction", "data"),
            fontsize=9,
            ha="right",
            va="center",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
        )
    if single and np.isfinite(float(reader["clipping_output_rms"][0])):
        limit, volts = str(reader["first_limit"][0]), float(reader["clipping_output_rms"][0])
        left.axvline(volts, color=FAINT, linewidth=1.2, linestyle="--", label=f"first limit: {limit}")
        right.plot(
            [float(reader["clipping_input_rms"][0])], [volts], "o", color=COLOURS[1], label=f"first limit: {limit}"
        )
    for axes in (left, right):
        log_axis(axes, "x")
    log_axis(left, "y", percent=True)
    log_axis(right, "y")
    largest = float(np.nanmax(reader["thd"])) if np.isfinite(reader["thd"]).any() else 0.0
    left.set_ylim(1e-3, max(100.0, largest))
    left.set_xlabel(label_of("output, r.m.s.", "V"))
    left.set_ylabel(label_of("distortion", "%"))
    right.set_xlabel(label_of("input, r.m.s.", "V"))
    right.set_ylabel(label_of("output, r.m.s.", "V"))
    add_legend(left, loc="upper left")
    add_legend(right, loc="upper left")
    frequency = reader.stated("frequency")
    add_title(figure, reader, f"level and distortion{f' at {frequency}' if frequency else ''}")
    return figure


def draw_distortion(reader: Reader) -> Figure:
    """Draw the picture of the measure ``distortion``."""
    figure = new_figure(7.0, 4.2)
    axes = figure.subplots()
    orders = np.asarray(reader["harmonic"], dtype=float)
    points = chosen_points(reader)
    width = 0.8 / len(points)
    floor = -140.0
    for number, (point, label, _) in enumerate(points):
        level = np.maximum(reader["harmonics_db"][point], floor)
        place = orders + (number - (len(points) - 1) / 2) * width
        axes.bar(place, level - floor, width=width, bottom=floor, color=COLOURS[number % len(COLOURS)], label=label)
    axes.set_xticks(orders)
    axes.grid(False, axis="x")
    axes.set_ylim(floor, 0)
    axes.set_xlabel("harmonic")
    axes.set_ylabel(label_of("level relative to the fundamental", "dB"))
    add_legend(axes)
    thd = f", total {float(reader['thd'][0]):.3g} %" if len(reader.labels) == 1 else ""
    level = reader.stated("level")
    add_title(figure, reader, f"harmonics{f' at {level} input' if level else ''}{thd}")
    return figure


def draw_power(reader: Reader) -> Figure:
    """Draw the picture of the measure ``power``."""
    if "drive_in" not in reader:
        raise InputError("plot: power was measured without its curve; measure it with levels above 0")
    figure = new_figure(7.5, 7.0)
    top, middle, bottom = figure.subplots(3, 1, sharex=True)
    single = len(reader.labels) == 1
    for point, label, style in chosen_points(reader):
        drive = reader["drive_in"][point]
        top.plot(drive, reader["power_curve"][point], label=label, **style)
        middle.plot(drive, reader["thd_curve"][point], **style)
        if not single:
            bottom.plot(drive, 1e3 * reader["anode_current_curve"][point], **style)
    if single:
        drive = reader["drive_in"][0]
        for number, electrode in enumerate(("anode", "screen")):
            current = 1e3 * reader[f"{electrode}_current_curve"][0]
            if np.nanmax(np.abs(current)) > 0:
                bottom.plot(drive, current, label=f"{electrode}s, average", **line_style(number))
        for mark, words in (("clipping", "onset of clipping"), ("class_a", "end of class A")):
            place = float(reader[f"{mark}.drive"][0])
            if np.isfinite(place):
                number = 1 if mark == "clipping" else 2
                top.plot([place], [float(reader[f"{mark}.output_power"][0])], "o", color=COLOURS[number], label=words)
        top.axvline(float(reader["drive"][0]), color=FAINT, linestyle="--", linewidth=1.2, label="set drive")
    top.set_ylabel(label_of("output power", "W"))
    middle.set_ylabel(label_of("distortion", "%"))
    bottom.set_ylabel(label_of("current", "mA") if single else label_of("anode current", "mA"))
    bottom.set_xlabel(label_of("drive at each grid, r.m.s.", "V"))
    for axes in (top, bottom):
        axes.set_ylim(bottom=0)
        add_legend(axes, loc="best")
    log_axis(middle, "y", percent=True)
    number_axis(middle, reader["thd_curve"], percent=True)
    add_title(figure, reader, f"power into {reader.stated('load')}" if reader.conditions else "power")
    return figure


def draw_balance(reader: Reader) -> Figure:
    """Draw the picture of the measure ``balance``."""
    figure = new_figure(7.5, 5.0)
    upper, lower = figure.subplots(2, 1, sharex=True)
    for point, label, style in chosen_points(reader):
        upper.plot(reader["frequency"], reader["ratio_curve_db"][point], label=label, **style)
        lower.plot(reader["frequency"], reader["phase_error_curve_deg"][point], **style)
    upper.set_ylabel(label_of("output over output b", "dB"))
    lower.set_ylabel(label_of("from opposite phase", "degree"))
    for axes in (upper, lower):
        frequency_axis(axes, reader["frequency"])
        axes.axhline(0.0, color=FAINT, linewidth=1.0)
    upper.set_xlabel("")
    add_legend(upper)
    add_title(figure, reader, "balance of the two outputs")
    return figure


def _log_curves(
    reader: Reader, curves: Sequence[tuple[str, str]], ordinate: str, words: str, *, logarithmic: bool = True
) -> Figure:
    """Draw several curves of one quantity over frequency; colours are curves, or points if there are several."""
    figure = new_figure(7.5, 4.4)
    axes = figure.subplots()
    single = len(reader.labels) == 1
    for point, label, style in chosen_points(reader):
        for number, (key, name) in enumerate(curves):
            look = line_style(number) if single else {**style, "linestyle": DASHES[number % len(DASHES)]}
            axes.plot(reader["frequency"], reader[key][point], label=", ".join(filter(None, (name, label))), **look)
    frequency_axis(axes, reader["frequency"])
    if logarithmic:
        log_axis(axes, "y")
        number_axis(axes, np.concatenate([np.ravel(reader[key]) for key, _ in curves]))
    axes.set_ylabel(ordinate)
    add_legend(axes)
    add_title(figure, reader, words)
    return figure


def draw_impedance(reader: Reader) -> Figure:
    """Draw the picture of the measure ``impedance``."""
    curves = [(f"{name}_curve", name) for name in ("input", "output") if np.isfinite(reader[f"{name}_curve"]).any()]
    return _log_curves(reader, curves, label_of("impedance", "ohm"), "impedance")


def draw_noise(reader: Reader) -> Figure:
    """Draw the picture of the measure ``noise``."""
    curves = [("output_density", "output"), ("input_density", "referred to the input")]
    corner = reader.stated("flicker_corner")
    words = f"noise, with flicker from a corner of {corner}" if corner else "noise"
    return _log_curves(reader, curves, label_of("noise density", "V/rtHz"), words)


def draw_heater_hum(reader: Reader) -> Figure:
    """Draw the picture of the measure ``heater_hum``."""
    keys = reader.keys("valves", "curve_db")
    curves = [(key, key.removeprefix("valves").removesuffix("curve_db").strip("._")) for key in keys]
    return _log_curves(
        reader, curves, label_of("output for 1 V at the heater", "dB"), "hum of heaters", logarithmic=False
    )


def draw_rejection(reader: Reader) -> Figure:
    """Draw the picture of the measure ``rejection``."""
    keys = reader.keys("supplies", "curve_db")
    curves = [
        (key, key.removeprefix("supplies").removesuffix("curve_db").strip("._").replace("_", " ")) for key in keys
    ]
    ordinate = label_of("output for 1 V of ripple", "dB")
    return _log_curves(reader, curves, ordinate, "from the supplies to the output", logarithmic=False)


def _wave(reader: Reader, words: str, scale: float, unit: str) -> Figure:
    figure = new_figure(7.5, 4.0)
    axes = figure.subplots()
    for point, label, style in chosen_points(reader):
        axes.plot(reader["time"] * scale, reader["output_wave"][point], label=label, **{**style, "linewidth": 1.3})
    axes.set_xlabel(label_of("time", unit))
    axes.set_ylabel(label_of("output", "V"))
    axes.set_xlim(float(reader["time"][0]) * scale, float(reader["time"][-1]) * scale)
    add_legend(axes)
    add_title(figure, reader, words)
    return figure


def draw_recovery(reader: Reader) -> Figure:
    """Draw the picture of the measure ``recovery``."""
    return _wave(reader, "a burst of overload, and after", 1e3, "ms")


def draw_square_wave(reader: Reader) -> Figure:
    """Draw the picture of the measure ``square_wave``."""
    return _wave(reader, "answer to a square wave", 1e3, "ms")


def draw_supply(reader: Reader) -> Figure:
    """Draw the regulation of a supply: output and ripple over load current."""
    figure = new_figure(7.5, 5.0)
    upper, lower = figure.subplots(2, 1, sharex=True)
    for point, label, style in chosen_points(reader):
        load = 1e3 * reader["load"][point]
        upper.plot(load, reader["output_curve"][point], marker="o", markersize=4, label=label, **style)
        lower.plot(load, reader["ripple_curve"][point], marker="o", markersize=4, **style)
    upper.set_ylabel(label_of("output", "V"))
    lower.set_ylabel(label_of("ripple, peak to peak", "V"))
    lower.set_ylim(bottom=0)
    lower.set_xlabel(label_of("load current", "mA"))
    add_legend(upper)
    add_title(figure, reader, "regulation and ripple")
    return figure
