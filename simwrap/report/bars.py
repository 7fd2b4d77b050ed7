"""A picture of a row of numbers by name: a bar each, with the ends between which it may lie."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

#: Of a bar with its name, in inches.
_HEIGHT = 0.22


def bars(names: Sequence[str], values: Sequence[float], words: str, title: str = "", *,
         ends: Sequence[tuple[float, float]] | None = None, ax: Any = None) -> Any:  # fmt: skip
    """Draw numbers as bars, the first on top; a figure, or in the place of axes.

    Parameters
    ----------
    names : sequence of str
    values : sequence of float
        NaN has no bar.
    words : str
        What they are, with their unit: "cathode current [mA]".
    title : str
    ends : sequence of (low, high), optional
        Between which each may lie, drawn across its bar.
    ax : matplotlib Axes, optional
    """
    from matplotlib.figure import Figure

    tall = max(2.4, _HEIGHT * len(names) + 1.0)
    figure = Figure(figsize=(6.4, tall), layout="constrained") if ax is None else ax.figure
    axes = figure.subplots() if ax is None else ax
    places = range(len(names), 0, -1)
    axes.barh(places, values)
    for place, (low, high) in zip(places, ends or (), strict=False):
        if math.isfinite(low) and math.isfinite(high):
            axes.plot([low, high], [place, place], color="black", marker="|", linewidth=1.0)
    axes.set_yticks(places, names)
    axes.set(xlabel=words, title=title)
    return figure
