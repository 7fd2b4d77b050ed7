"""One function a measure that draws its curves."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from simwrap.errors import InputError
from simwrap.plots.labels import legend_across, legend_below
from simwrap.plots.readers import Reader
from simwrap.plots.style import (
    COLOURS,
    DASHES,
    FAINT,
    MOST_LINES,
    frequency_axis,
    keep_span,
    label_of,
    line_style,
    log_axis,
    new_figure,
    phase_axis,
    prefixed,
    shades_of,
)
from simwrap.units import quantity

#: Lowest level of a harmonic that is drawn [dB], and the same as distortion [%].
_FLOOR, _LEAST_THD = -120.0, 1e-4
#: A transfer below this [dB] is none: rounding of a simulation.
_NOTHING = -250.0


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
    figure.suptitle(f"{': '.join(filter(None, (reader.stage_name, words)))}{left_out}", fontsize=11)


def _say(axes: Axes, words: str) -> None:
    """Say in the middle of a panel why it is empty."""
    axes.annotate(words, (0.5, 0.5), xycoords="axes fraction", ha="center", va="center")


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
    keep_span(upper, 3.0)
    phase_axis(lower)
    frequency_axis(lower, frequency)
    frequency_axis(upper, frequency)
    upper.set_xlabel("")
    legend_below(lower, sources=[upper])
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
    names = [name for name in ("bass", "middle", "treble") if f"{name}_curves_db" in reader]
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
        axes.set_ylabel(label_of("gain", "dB"))
        frequency_axis(axes, frequency)
    for axes in panels[1:]:
        axes.label_outer()
    keep_span(panels[0], 3.0)
    legend_below(*panels)
    # A family a control is all that one picture holds.
    figure.suptitle(": ".join(filter(None, (reader.stage_name, "tone curves", reader.labels[0]))), fontsize=11)
    return figure


def draw_headroom(reader: Reader) -> Figure:
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
        _say(left, "distortion below 0.001 % at every level")
    left.set_xlabel(label_of("output, r.m.s.", "V"))
    left.set_ylabel(label_of("distortion", "%"))
    right.set_xlabel(label_of("input, r.m.s.", "V"))
    right.set_ylabel(label_of("output, r.m.s.", "V"))
    if single:
        legend_below(left, right)
    else:
        legend_across(figure, [left])
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
    levels = np.asarray([reader["harmonics_db"][point] for point, _, _ in points], dtype=float)
    for number, (_, label, style) in enumerate(points):
        level = np.maximum(levels[number], _FLOOR)
        place = orders + (number - (len(points) - 1) / 2) * width
        axes.bar(place, level - _FLOOR, width=width, bottom=_FLOOR, color=style["color"], label=label)
    seen = levels[np.isfinite(levels)]
    if not (seen > _FLOOR).any():
        _say(axes, f"every harmonic is below {_FLOOR:g} dB")
    axes.set_xticks(orders)
    axes.grid(False, axis="x")
    axes.set_ylim(_FLOOR, max(0.0, 10.0 * np.ceil(seen.max() / 10.0)) if seen.size else 0.0)
    axes.set_xlabel("harmonic")
    axes.set_ylabel(label_of("level relative to the fundamental", "dB"))
    legend_below(axes)
    thd = ""
    if len(reader.labels) == 1:
        total = float(reader["thd"][0])
        thd = f", total {total:.3g} %" if not total < _LEAST_THD else f", total below {_LEAST_THD:.4f} %"
    level_in = reader.stated("level")
    add_title(figure, reader, f"harmonics{f' at {level_in} input' if level_in else ''}{thd}")
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
        dots = {"marker": ".", "markersize": 4, **style}
        top.plot(drive, reader["power_curve"][point], label=label, **dots)
        middle.plot(drive, reader["thd_curve"][point], **dots)
        if not single:
            bottom.plot(drive, 1e3 * reader["anode_current_curve"][point], **dots)
    if single:
        drive = reader["drive_in"][0]
        for number, electrode in enumerate(("anode", "screen")):
            current = 1e3 * reader[f"{electrode}_current_curve"][0]
            if np.nanmax(np.abs(current)) > 0:
                bottom.plot(drive, current, label=f"{electrode} current, all valves, average", **line_style(number))
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
    bottom.set_xlabel(label_of("drive at each grid, r.m.s.", "V"))
    for axes in (top, bottom):
        axes.set_ylim(bottom=0)
    log_axis(middle, "y", plain=True)
    legend_below(bottom, sources=[top, bottom])
    load = reader.stated("load")
    add_title(figure, reader, f"power into {load}" if load else "power")
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
    for axes, least in ((upper, 0.2), (lower, 1.0)):
        frequency_axis(axes, reader["frequency"])
        axes.axhline(0.0, color=FAINT, linewidth=1.0, zorder=1)
        keep_span(axes, least)
    upper.set_xlabel("")
    legend_below(lower, sources=[upper])
    add_title(figure, reader, "balance of the two outputs")
    return figure


def _over_frequency(
    reader: Reader,
    curves: Sequence[tuple[str, str]],
    ordinate: str,
    words: str,
    *,
    logarithmic: bool = True,
    span: float = 6.0,
) -> Figure:
    """Draw several curves of one quantity over frequency; colours are curves, or points if there are several."""
    figure = new_figure(7.5, 4.4)
    axes = figure.subplots()
    single = len(reader.labels) == 1
    names: dict[str, str] = {}  # by dash, where colours tell points
    for point, label, style in chosen_points(reader):
        number = 0
        for key, name in curves:
            values = reader[key][point]
            if not (np.isfinite(values) & (values > (0.0 if logarithmic else _NOTHING))).any():
                continue
            look = line_style(number) if single else {**style, "linestyle": DASHES[number % len(DASHES)]}
            axes.plot(reader["frequency"], values, label=name if single else label, **look)
            if not single:
                names[name] = str(look["linestyle"])
            number += 1
    for name, dash in names.items():
        axes.plot([], [], color="black", linestyle=dash, label=name)
    frequency_axis(axes, reader["frequency"])
    axes.set_ylabel(ordinate)
    if not axes.lines:
        _say(axes, "none reaches the output")
        axes.set_yticks([])
    elif logarithmic:
        log_axis(axes, "y")
    else:
        keep_span(axes, span)
    legend_below(axes)
    add_title(figure, reader, words)
    return figure


def draw_impedance(reader: Reader) -> Figure:
    """Draw the picture of the measure ``impedance``."""
    names = {"input": "input", "output": "output", "output_b": "output_b", "output_balanced": "balanced, each side"}
    curves = [(f"{name}_curve", label) for name, label in names.items() if f"{name}_curve" in reader]
    return _over_frequency(reader, curves, label_of("impedance", "ohm"), "impedance")


def draw_noise(reader: Reader) -> Figure:
    """Draw the picture of the measure ``noise``."""
    curves = [("output_density", "output"), ("input_density", "referred to the input")]
    corner = reader.stated("flicker_corner")
    known = corner[:1].isdigit()  # or else in words why there is none
    words = f"noise, with flicker from a corner of {corner}" if known else "noise"
    return _over_frequency(reader, curves, label_of("noise density", "V/rtHz"), words)


def _curves_of(reader: Reader, group: str) -> list[tuple[str, str]]:
    """Return keys and names of the curves of a group; in a Dataset valves have no group."""
    keys = reader.keys("", "curve_db")
    return [(key, key.removeprefix(group).removesuffix("curve_db").strip("._").replace("_", " ")) for key in keys]


def draw_heater_hum(reader: Reader) -> Figure:
    """Draw the picture of the measure ``heater_hum``."""
    ordinate = label_of("output for 1 V at the heater", "dB")
    return _over_frequency(reader, _curves_of(reader, "valves"), ordinate, "hum of heaters", logarithmic=False)


def draw_equalisation(reader: Reader) -> Figure:
    """Draw the picture of the measure ``equalisation``."""
    ordinate = label_of("departure", "dB")
    words = "departure from the standard's curve"
    return _over_frequency(reader, [("deviation_curve_db", "departure")], ordinate, words, logarithmic=False, span=0.2)


def draw_rejection(reader: Reader) -> Figure:
    """Draw the picture of the measure ``rejection``."""
    ordinate = label_of("output for 1 V of ripple", "dB")
    words = "from the supplies to the output"
    return _over_frequency(reader, _curves_of(reader, "supplies"), ordinate, words, logarithmic=False)


def _wave(reader: Reader, words: str) -> Figure:
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
    add_title(figure, reader, words)
    return figure


def draw_recovery(reader: Reader) -> Figure:
    """Draw the picture of the measure ``recovery``."""
    frequency, cycles = reader.stated("burst_frequency"), reader.stated("burst_cycles")
    burst = f" ({cycles} cycles of {frequency})" if frequency else ""
    return _wave(reader, f"a burst of overload{burst}, and after")


def draw_square_wave(reader: Reader) -> Figure:
    """Draw the picture of the measure ``square_wave``."""
    frequency, level = reader.stated("frequency"), reader.stated("level")
    wave = f" of {frequency}, {level}" if frequency and level else ""
    return _wave(reader, f"answer to a square wave{wave}")


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
    keep_span(upper, 1.0)
    legend_below(lower, sources=[upper])
    add_title(figure, reader, "regulation and ripple")
    return figure
