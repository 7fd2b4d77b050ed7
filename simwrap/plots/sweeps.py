"""Single numbers of a sweep against what was swept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import EngFormatter, MaxNLocator, ScalarFormatter
from numpy.typing import NDArray

from simwrap.errors import InputError
from simwrap.measures.registry import measures
from simwrap.measures.results import find_names, full_name, split_name
from simwrap.plots.labels import legend_below
from simwrap.plots.reader import MOST_NAMES, shown_value
from simwrap.plots.style import (
    COLOURS,
    SIGNS,
    STYLE,
    keep_span,
    label_of,
    line_style,
    log_axis,
    new_figure,
    prefixed,
    shades_of,
)
from simwrap.simulation.dataset import point_dims, single_figures, unit_of

if TYPE_CHECKING:
    import xarray

_MOST_PANELS = 4
#: Units whose numbers are read with a prefix.
_SCALED = ("A", "F", "V", "W", "s")
#: As many values of what was swept are written below their points.
_MOST_WORDS = 12


def plot_sweep(data: xarray.Dataset, names: Sequence[str] | None = None) -> Figure:
    """Draw single numbers of a sweep against the one or two parameters that were swept.

    Parameters
    ----------
    data : xarray.Dataset
        From :func:`simwrap.sweep`.
    names : sequence of str, optional
        Figures, by their names or tails ("response.gain_db", "gain_db"); by default the first headlines of each
        measure.

    Returns
    -------
    matplotlib.figure.Figure
        One panel a variable: lines over one parameter, lines over the first for each value of the
        second where two were swept; of :func:`simwrap.spread`, how many builds have which value.

    Raises
    ------
    UnknownNameError, AmbiguousNameError
        If the data have no such figure, or several.
    InputError
        If the sweep has more than two dims, or nothing that can be drawn.
    """
    dims = point_dims(data)
    numbers = [name for name in single_figures(data) if data[name].dtype.kind == "f"]
    if names is None:
        names = (_headlines(numbers) or numbers)[:_MOST_PANELS]
    names = [found for name in names for found in find_names(name, numbers, kind="number in this sweep")]
    if not names:
        raise InputError("plot: the sweep holds no single numbers to draw")
    if len(dims) not in (1, 2):
        raise InputError(f"plot: a picture has room for one or two swept parameters; select some of {', '.join(dims)}")
    with matplotlib.rc_context(STYLE):
        if dims == ["build"]:
            return _builds(data, names)
        figure = new_figure(7.5, 1.2 + 2.1 * len(names))
        panels = figure.subplots(len(names), 1, sharex=True, squeeze=False)[:, 0]
        for axes, name in zip(panels, names, strict=True):
            _sweep_panel(axes, data[name].transpose(*dims), data, dims)
        _sweep_axis(panels[-1], _swept(data, dims[0]))
        legend_below(panels[-1], sources=[panels[0]])
        figure.suptitle(str(data.attrs.get("stage", "sweep")).replace("_", " "), fontsize=11)
    return figure


def _headlines(numbers: Sequence[str]) -> list[str]:
    """Return the headlines of the measures in turn: the first of each, the second of each, and so on."""
    paths: dict[str, list[str]] = {}
    for name in numbers:
        measure, path = split_name(name)
        paths.setdefault(measure, []).append(path)
    known = measures()
    rows = [
        [full_name(measure, path) for path in known[measure].headlines(own)]
        for measure, own in paths.items()
        if measure in known
    ]
    return [name for row in zip_longest(*rows) for name in row if name is not None]


@dataclass(frozen=True)
class _Along:
    """What was swept along a dim: places on an axis, words for each, the axis's label and unit."""

    places: NDArray[Any]
    words: list[str]
    label: str
    unit: str
    numeric: bool


def _swept(data: xarray.Dataset, dim: str) -> _Along:
    """Return what was swept along a dim; side by side, each place has the words of all that was swept."""
    own = [name for name in data.coords if data[name].dims == (dim,) and data[name].attrs.get("long_name")]
    own = own or [name for name in data.coords if data[name].dims == (dim,)]
    own = own if len(own) <= MOST_NAMES else []
    columns = []
    for name in own:
        unit = unit_of(data[name])
        columns.append([shown_value(v.item() if isinstance(v, np.generic) else v, unit) for v in data[name].values])
    words = [", ".join(place) for place in zip(*columns, strict=True)]
    labels = [str(data[name].attrs.get("long_name") or name).split(",")[0].split(" (")[0] for name in own]
    labels = [label.replace("_", " ") for label in labels]
    if len(own) == 1 and data[own[0]].dtype.kind in "fiu":
        unit = unit_of(data[own[0]])
        return _Along(data[own[0]].values.astype(float), words, labels[0], unit, True)
    places = np.arange(data.sizes[dim])
    return _Along(places, words or [str(k + 1) for k in places], ", ".join(labels) or dim.replace("_", " "), "", False)


def _sweep_panel(axes: Axes, found: xarray.DataArray, data: xarray.Dataset, dims: list[str]) -> None:
    along = _swept(data, dims[0])
    words, unit = str(found.attrs.get("long_name", found.name)), unit_of(found)
    scale, prefix = prefixed(found.values) if unit in _SCALED else (1.0, "")
    values = scale * found.values
    # What has no order isn't joined.
    look: dict[str, Any] = {"marker": "o", "markersize": 4}
    if not along.numeric:
        look |= {"linestyle": "", "markersize": 6}
    if len(dims) == 1:
        axes.plot(along.places, values, **(line_style(0) | look))
    else:
        across = _swept(data, dims[1])
        chosen = np.unique(np.linspace(0, len(across.words) - 1, min(len(across.words), 7)).round().astype(int))
        shades = shades_of(len(chosen))
        for number, k in enumerate(chosen):
            label = f"{across.label} {across.words[k]}"
            axes.plot(along.places, values[:, k], color=shades[number], label=label, **look)
    axes.set_title(words, fontsize=10, loc="left")
    shown = values[np.isfinite(values)]
    least = 1.0 if unit == "dB" else 0.02 * np.abs(shown).max() if shown.size else 0.0
    if least > 0:
        keep_span(axes, least)
    axes.set_ylabel(f"[{prefix}{SIGNS.get(unit, unit)}]" if unit else "ratio")
    if unit in ("Hz", "ohm"):
        axes.yaxis.set_major_formatter(EngFormatter(sep=""))


def _sweep_axis(axes: Axes, along: _Along) -> None:
    axes.set_xlabel(label_of(along.label, along.unit))
    few = len(along.words) <= _MOST_WORDS
    if not along.numeric:
        shown = np.unique(np.linspace(0, len(along.words) - 1, min(len(along.words), _MOST_WORDS)).astype(int))
        long = sum(len(along.words[k]) for k in shown) > 70
        turn: dict[str, Any] = {"rotation": 30, "ha": "right", "rotation_mode": "anchor"} if long else {}
        axes.set_xticks(shown, [along.words[k] for k in shown], **turn)
        axes.set_xlim(-0.3, len(along.words) - 0.7)
        return
    places = along.places
    if len(places) > 2 and (places > 0).all() and places.max() / places.min() >= 8:
        log_axis(axes, "x")
    elif along.unit:
        axes.xaxis.set_major_formatter(EngFormatter(sep=""))
    else:
        axes.xaxis.set_major_formatter(ScalarFormatter())
    if few and not _crowded(axes, places):
        axes.set_xticks(places, [EngFormatter(sep="")(place) if along.unit else f"{place:g}" for place in places])
        axes.set_xticks([], minor=True)


def _builds(data: xarray.Dataset, names: Sequence[str]) -> Figure:
    """Draw how the values of a spread of builds lie."""
    figure = new_figure(7.5, 1.0 + 2.2 * len(names))
    panels = figure.subplots(len(names), 1, squeeze=False)[:, 0]
    for axes, name in zip(panels, names, strict=True):
        found = data[name]
        unit = unit_of(found)
        scale, prefix = prefixed(found.values) if unit in {*_SCALED, "Hz", "ohm"} else (1.0, "")
        values = scale * found.values[np.isfinite(found.values)]
        axes.hist(values, bins=max(8, min(40, int(np.sqrt(len(values))))), color=COLOURS[0], edgecolor="white")
        axes.set_xlabel(label_of(str(found.attrs.get("long_name", name)), f"{prefix}{SIGNS.get(unit, unit)}"))
        axes.set_ylabel("builds")
        axes.yaxis.set_major_locator(MaxNLocator(nbins=5, integer=True))
    stage = str(data.attrs.get("stage", "spread")).replace("_", " ")
    figure.suptitle(f"{stage}: {data.sizes['build']} builds", fontsize=11)
    return figure


def _crowded(axes: Axes, places: NDArray[Any]) -> bool:
    """Return whether ticks at the swept values would stand too close for their numbers."""
    at = np.sort(np.log10(places) if axes.get_xscale() == "log" else places)
    return len(at) > 1 and bool(np.diff(at).min() < 0.07 * (at[-1] - at[0]))
