"""Where legends and the names of curves stand in a picture: beside the data, never on them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

#: Sizes in points: a letter over the font's size, a legend's handle with its gaps, a row.
_LETTER, _HANDLE, _ROW = 0.56, 46.0, 1.55


def legend_below(*panels: Axes, sources: Sequence[Axes] = (), size: float = 9.0) -> None:
    """Put a legend below each panel and make the figure higher by as much.

    Parameters
    ----------
    *panels : Axes
        Those of one figure, with their labels already set.
    sources : sequence of Axes, optional
        Where the entries of a single panel come from: each label once.
    size : float
        Of the letters [points].
    """
    from matplotlib.transforms import ScaledTranslation

    higher: dict[int, float] = {}
    for axes in panels:
        entries = _entries(sources or (axes,))
        if not entries:
            continue
        # Once laid out, a panel is wider than a bare one.
        columns, height = _arranged(entries, 1.12 * _points(axes, axes.bbox.width), size)
        drop = 42.0 if axes.get_xlabel() else 26.0
        axes.legend(
            list(entries.values()),
            list(entries),
            loc="upper center",
            bbox_to_anchor=(0.5, 0.0),
            bbox_transform=axes.transAxes + ScaledTranslation(0.0, -drop / 72.0, axes.figure.dpi_scale_trans),
            ncols=columns,
            borderaxespad=0.0,
            frameon=False,
            fontsize=size,
        )
        place = axes.get_subplotspec()
        row = 0 if place is None else place.rowspan.start
        higher[row] = max(higher.get(row, 0.0), height)
    _heighten(panels[0].figure, sum(higher.values()))


def legend_across(figure: Figure, sources: Sequence[Axes], *, size: float = 9.0) -> None:
    """Put one legend for several panels side by side below a figure, and make it higher by as much."""
    entries = _entries(sources)
    if entries:
        columns, height = _arranged(entries, 0.9 * 72.0 * figure.bbox.width / figure.dpi, size)
        figure.legend(
            list(entries.values()), list(entries), loc="outside lower center", ncols=columns, frameon=False,
            fontsize=size,
        )  # fmt: skip
        _heighten(figure, height)


def _entries(sources: Sequence[Axes]) -> dict[str, Any]:
    entries: dict[str, Any] = {}
    for source in sources:
        for handle, label in zip(*source.get_legend_handles_labels(), strict=True):
            entries.setdefault(label, handle)
    return entries


def _arranged(entries: Mapping[str, Any], room: float, size: float) -> tuple[int, float]:
    """Return how many columns entries take in so much room [points], and their height [points]."""
    widths = [_HANDLE + _LETTER * size * max(map(len, label.split("\n"))) for label in entries]
    rows = len(widths)
    for tried in range(1, len(widths) + 1):
        if sum(max(widths[start : start + tried]) for start in range(0, len(widths), tried)) <= room:
            rows = tried
            break
    lines = rows + max(label.count("\n") for label in entries)
    return int(np.ceil(len(widths) / rows)), _ROW * size * lines + 6.0


def _heighten(figure: Any, points: float) -> None:
    if hasattr(figure, "set_figheight"):  # a part of somebody's figure has the room that it was given
        figure.set_figheight(figure.get_figheight() + points / 72.0)


def name_curves(axes: Axes, curves: Iterable[tuple[str, NDArray[Any], NDArray[Any]]], *, colour: str) -> None:
    """Name each curve where it leaves a panel, above or to the right of it; names that don't fit are left out.

    Parameters
    ----------
    axes : Axes
        Linear, with its limits already set.
    curves : iterable of (str, ndarray, ndarray)
        Name, x and y; the first ones have their names for certain.
    colour : str
    """
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    size = 8.0
    line = 1.15 * size / _points(axes, axes.bbox.height)
    letter = _LETTER * size / _points(axes, axes.bbox.width)
    above: list[tuple[float, float]] = []
    beside: list[float] = []
    for name, x, y in curves:
        inside = np.flatnonzero((y <= top) & (y >= bottom) & (x <= right))
        if not inside.size:
            continue
        end = int(inside[-1])
        if end + 1 < len(x) and y[end + 1] > top:
            part = (top - y[end]) / (y[end + 1] - y[end])
            at = float(x[end] + part * (x[end + 1] - x[end]))
            place, half = (at - left) / (right - left), 0.5 * letter * (len(name) + 1)
            if all(abs(place - other) > half + other_half for other, other_half in above):
                above.append((place, half))
                axes.annotate(
                    name, (at, top), xytext=(0, 2), textcoords="offset points", ha="center", va="bottom",
                    fontsize=size, color=colour, annotation_clip=False,
                )  # fmt: skip
            continue
        place = (float(y[end]) - bottom) / (top - bottom)
        if all(abs(place - other) > line for other in beside):
            beside.append(place)
            axes.annotate(
                name, (float(x[end]), float(y[end])), xytext=(3, 0), textcoords="offset points", ha="left",
                va="center", fontsize=size, color=colour, annotation_clip=False,
            )  # fmt: skip


def _points(axes: Axes, pixels: float) -> float:
    figure: Any = axes.figure
    return float(pixels) * 72.0 / float(figure.dpi)
