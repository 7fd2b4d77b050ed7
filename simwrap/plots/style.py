"""The one style of all pictures: colours, axes with units, legends."""

from __future__ import annotations

from typing import Any, Literal

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import EngFormatter, FuncFormatter, NullFormatter
from numpy.typing import NDArray

#: Colours that colour-blind people tell apart (Okabe and Ito, 2008); line styles change with them.
COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#56B4E9", "#E69F00", "#000000")
DASHES = ("-", "--", "-.", ":")
FAINT = "#8a8a8a"
#: More lines than this can't be told apart: the others are left out, and the title says so.
MOST_LINES = 11
STYLE: Any = {
    "figure.dpi": 110,
    "savefig.dpi": 150,
    "figure.constrained_layout.use": True,
    "font.size": 10,
    "axes.titlesize": 11,
    "axes.grid": True,
    "grid.color": "#d9d9d9",
    "grid.linewidth": 0.7,
    "axes.axisbelow": True,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "lines.linewidth": 1.8,
    "legend.fontsize": 9,
    "legend.frameon": True,
    "legend.framealpha": 0.9,
    "legend.edgecolor": "none",
    "svg.hashsalt": "simwrap",
}
#: Signs of units on an axis, where they differ from the unit's name.
SIGNS = {"ohm": "Ω", "degree": "°", "V/rtHz": "V/√Hz"}

#: Percents as a builder writes them: 0.1, 1, 10.
_PERCENT = FuncFormatter(lambda value, _: f"{value:g}")


class Picture(Figure):
    """A figure that a notebook shows."""

    def _repr_png_(self) -> bytes:
        from io import BytesIO

        buffer = BytesIO()
        self.savefig(buffer, format="png")
        return buffer.getvalue()


def new_figure(width: float, height: float) -> Picture:
    """Return an empty figure of so many inches that a notebook shows."""
    return Picture(figsize=(width, height), layout="constrained")


def label_of(words: str, unit: str) -> str:
    """Return an axis label: words with the unit in brackets."""
    sign = SIGNS.get(unit, unit)
    return f"{words} [{sign}]" if sign else words


def frequency_axis(axes: Axes, frequency: NDArray[Any]) -> None:
    """Make the x axis a logarithmic frequency axis over the range measured."""
    axes.set_xscale("log")
    axes.set_xlim(frequency[0], frequency[-1])
    axes.set_xlabel(label_of("frequency", "Hz"))
    axes.xaxis.set_major_formatter(EngFormatter(sep=""))
    axes.xaxis.set_minor_formatter(NullFormatter())
    axes.grid(True, which="minor", axis="x", linewidth=0.35)


def log_axis(axes: Axes, which: Literal["x", "y"], *, percent: bool = False) -> None:
    """Make an axis logarithmic, with numbers as a builder writes them."""
    (axes.set_xscale if which == "x" else axes.set_yscale)("log")
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_formatter(_PERCENT if percent else EngFormatter(sep=""))
    axis.set_minor_formatter(NullFormatter())
    axes.grid(True, which="minor", axis=which, linewidth=0.35)


def number_axis(axes: Axes, values: NDArray[Any], *, percent: bool = False) -> None:
    """Keep a logarithmic axis that holds less than a decade from having no number at all."""
    finite = values[np.isfinite(values) & (values > 0)]
    if finite.size and finite.max() / finite.min() < 10:
        axes.yaxis.set_minor_formatter(_PERCENT if percent else EngFormatter(sep=""))


def line_style(number: int) -> dict[str, Any]:
    """Return a colour and a dash that both change from line to line: hue alone tells nobody apart."""
    return {"color": COLOURS[number % len(COLOURS)], "linestyle": DASHES[number % len(DASHES)]}


def shades_of(count: int) -> list[Any]:
    """Return colours from dark to light, for a family in order."""
    return list(matplotlib.colormaps["viridis"](np.linspace(0.0, 0.88, count)))


def add_legend(axes: Axes, **options: Any) -> None:
    """Add a legend where something has a label."""
    if axes.get_legend_handles_labels()[1]:
        axes.legend(**options)
