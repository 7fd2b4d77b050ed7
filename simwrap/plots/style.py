"""The one style of all pictures: colours, axes with units, legends."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any, Literal

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure
from matplotlib.rcsetup import cycler
from matplotlib.ticker import EngFormatter, Formatter, FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from simwrap.errors import InputError

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
    "figure.titlesize": 11,
    "axes.grid": True,
    "grid.color": "#d9d9d9",
    "grid.linewidth": 0.7,
    "axes.axisbelow": True,
    "axes.formatter.useoffset": False,
    "axes.prop_cycle": cycler(color=COLOURS),
    "axes.spines.top": False,
    "axes.spines.right": False,
    "lines.linewidth": 1.8,
    "legend.fontsize": 9,
    "legend.frameon": True,
    "legend.framealpha": 0.9,
    "legend.edgecolor": "none",
    "svg.hashsalt": "simwrap",
    "text.parse_math": False,  # a title with "$" is no formula
}
#: Signs of units on an axis, where they differ from the unit's name.
SIGNS = {"ohm": "Ω", "degree": "°", "V/rtHz": "V/√Hz"}


def _plain() -> Formatter:
    """Return what writes numbers without prefixes: 0.1, 1, 10."""
    return FuncFormatter(lambda value, _: f"{value:g}")


#: Below so many decades these digits have their number.
_BETWEEN = ((0.5, set(range(2, 10))), (0.9, {2, 3, 4, 5, 6, 8}), (1.4, {2, 3, 5}), (2.0, {2, 5}), (2.8, {3}))


class Between(Formatter):
    """Numbers between the decades of a logarithmic axis: the fewer decades it shows, the more of them."""

    def __init__(self, major: Formatter) -> None:
        self.major = major

    def __call__(self, value: float, pos: int | None = None) -> str:
        """Return the number, or nothing where it would stand too close to others."""
        if self.axis is None or value <= 0:
            return ""
        low, high = sorted(self.axis.get_view_interval())
        decades = np.log10(high / low) if low > 0 else 9.0
        digit = round(value / 10.0 ** np.floor(np.log10(value) + 1e-9), 6)
        shown = next((digits for reach, digits in _BETWEEN if decades < reach), set())
        return str(self.major(value, pos)) if digit in shown else ""


class Picture(Figure):
    """A figure that a notebook shows where a cell ends with it; :meth:`show` shows it anywhere."""

    def show(self, warn: bool = True) -> None:
        """Show the figure: below the cell of a notebook, also in a loop; from a script in a window.

        Parameters
        ----------
        warn : bool
            Say on stderr where no window can be opened.
        """
        if _in_notebook():
            below: Any = sys.modules["IPython.display"]
            below.display(self)
            return
        from matplotlib import pyplot

        canvas: Any = pyplot.figure().canvas  # what the user's backend has
        pyplot.close(canvas.figure)
        if canvas.required_interactive_framework is None:
            if warn:
                print('note: no window can be opened here; figure.savefig("picture.png") writes it', file=sys.stderr)
            return
        manager = type(canvas).new_manager(self, 1)
        manager.show()
        type(manager).start_main_loop()

    def _repr_png_(self) -> bytes:
        from io import BytesIO

        buffer = BytesIO()
        self.savefig(buffer, format="png")
        return buffer.getvalue()


def _in_notebook() -> bool:
    """Whether a kernel runs this; a terminal's IPython shows no pictures."""
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    return shell is not None and hasattr(shell, "kernel")


#: Where the next figure is drawn, if not in one of its own.
_place: ContextVar[SubFigure | None] = ContextVar("place", default=None)


@contextmanager
def drawn_in(axes: Axes | None) -> Iterator[None]:
    """Let the figure that is made take the place of some axes in their figure; with None, be one of its own.

    Raises
    ------
    InputError
        For what isn't axes in a grid.
    """
    if axes is None:
        yield
        return
    spec = axes.get_subplotspec() if isinstance(axes, Axes) else None
    if spec is None:
        raise InputError("plot: ax is no axes in a grid; give one such as fig.subplots(1, 2)[0]")
    outer: Any = axes.figure
    axes.remove()
    token = _place.set(outer.add_subfigure(spec))
    try:
        yield
    finally:
        _place.reset(token)


def new_figure(width: float, height: float) -> Picture:
    """Return an empty figure of so many inches that a notebook shows, or the place that it is to be drawn in."""
    place: Any = _place.get()  # a part of a figure can do what is asked of one
    picture: Picture = place or Picture(figsize=(width, height), layout="constrained")
    return picture


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
    axes.xaxis.set_minor_formatter(Between(EngFormatter(sep="")))
    axes.grid(True, which="minor", axis="x", linewidth=0.35)


def log_axis(axes: Axes, which: Literal["x", "y"], *, plain: bool = False) -> None:
    """Make an axis logarithmic, with numbers as a builder writes them."""
    (axes.set_xscale if which == "x" else axes.set_yscale)("log")
    axis = axes.xaxis if which == "x" else axes.yaxis
    axis.set_major_formatter(_plain() if plain else EngFormatter(sep=""))
    axis.set_minor_formatter(Between(_plain() if plain else EngFormatter(sep="")))
    axes.grid(True, which="minor", axis=which, linewidth=0.35)


def phase_axis(axes: Axes) -> None:
    """Make the y axis one of phase: ticks at 15, 30, 45 or 90 degrees, and never less than 60 degrees of it."""
    axes.set_ylabel(label_of("phase", "degree"))
    axes.yaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 1.5, 3, 4.5, 9, 10]))
    keep_span(axes, 60.0)


def keep_span(axes: Axes, least: float) -> None:
    """Keep the y axis from showing less than so much: what looks like a change has to be one."""
    low, high = axes.get_ylim()
    if high - low < least:
        middle = 0.5 * (low + high)
        axes.set_ylim(middle - 0.5 * least, middle + 0.5 * least)


def prefixed(values: NDArray[Any]) -> tuple[float, str]:
    """Return the factor and the prefix with which the largest of the values is read."""
    finite = np.abs(values[np.isfinite(values)])
    size = finite.max() if finite.size else 1.0
    if size >= 1e4:
        return (1e-3, "k") if size < 1e6 else (1e-6, "M")
    for factor, prefix in ((1.0, ""), (1e3, "m"), (1e6, "µ"), (1e9, "n")):
        if size * factor >= 1.0 or size == 0:
            return factor, prefix
    return 1e12, "p"


def line_style(number: int) -> dict[str, Any]:
    """Return a colour and a dash that both change from line to line: hue alone tells nobody apart."""
    return {"color": COLOURS[number % len(COLOURS)], "linestyle": DASHES[number % len(DASHES)]}


def shades_of(count: int) -> list[Any]:
    """Return colours from dark to light, for a family in order."""
    return list(matplotlib.colormaps["viridis"](np.linspace(0.0, 0.88, count)))
