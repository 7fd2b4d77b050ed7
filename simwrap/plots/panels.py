"""What pictures of measures share: the points that are drawn, titles, panels over frequency."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from simwrap.plots.labels import legend_below
from simwrap.plots.reader import Reader
from simwrap.plots.style import (
    COLOURS,
    DASHES,
    MOST_LINES,
    frequency_axis,
    keep_span,
    line_style,
    log_axis,
    new_figure,
    shades_of,
)

#: How many letters of a title an inch has room for.
_LETTERS_PER_INCH = 11
#: Distortion below which there is none to draw [%].
LEAST_THD = 1e-4
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


def add_title(figure: Figure, reader: Reader, words: str, finding: str = "") -> None:
    """Set the figure's title: the stage, and what was found; of several points, or of nothing found, what is drawn."""
    count = len(reader.labels)
    left_out = f" ({MOST_LINES} of {count} points)" if count > MOST_LINES else ""
    said = finding if finding and count == 1 else words
    title = f"{': '.join(filter(None, (reader.stage_name, said)))}{left_out}"
    figure.suptitle(textwrap.fill(title, int(_LETTERS_PER_INCH * figure.bbox.width / figure.dpi)), fontsize=11)


def smooth(x: Any, y: Any) -> tuple[Any, Any]:
    """Return a curve through points that overshoots none of them (a monotone cubic); points as they are where few.

    Source: F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300, as scipy has it.
    """
    from scipy.interpolate import PchipInterpolator

    good = np.isfinite(x) & np.isfinite(y)
    places, first = np.unique(np.asarray(x)[good], return_index=True)
    values = np.asarray(y)[good][first]
    if len(places) < 4 or good.sum() != len(places):
        return x, y
    fine = np.linspace(places[0], places[-1], 240)
    return fine, PchipInterpolator(places, values)(fine)


def say(axes: Axes, words: str) -> None:
    """Say in the middle of a panel why it is empty."""
    axes.annotate(words, (0.5, 0.5), xycoords="axes fraction", ha="center", va="center")


def over_frequency(
    reader: Reader,
    curves: Sequence[tuple[str, str]],
    ordinate: str,
    words: str,
    *,
    logarithmic: bool = True,
    span: float = 6.0,
    finding: str = "",
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
        say(axes, "none reaches the output")
        axes.set_yticks([])
    elif logarithmic:
        log_axis(axes, "y")
    else:
        keep_span(axes, span)
    legend_below(axes)
    add_title(figure, reader, words, finding)
    return figure


def curves_of(reader: Reader, group: str) -> list[tuple[str, str]]:
    """Return paths and names of the curves in dB of a group, such as "valves"."""
    paths = reader.paths(f"{group}.", ".curve_db")
    return [(path, path.removeprefix(f"{group}.").removesuffix(".curve_db").replace("_", " ")) for path in paths]
