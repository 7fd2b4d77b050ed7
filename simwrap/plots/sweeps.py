"""Single numbers of a sweep against what was swept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import EngFormatter, NullFormatter, ScalarFormatter
from numpy.typing import NDArray

from simwrap.errors import InputError, UnknownNameError
from simwrap.plots.readers import shown_value
from simwrap.plots.style import SIGNS, STYLE, add_legend, label_of, line_style, new_figure, shades_of

if TYPE_CHECKING:
    import xarray

#: What a sweep's picture shows first, where it is there.
_FAVOURITES = (
    "gain_db",
    "low_corner",
    "high_corner",
    "v1_anode_voltage",
    "v1_anode_current",
    "headroom_output_rms_1pct",
    "headroom_output_rms_3pct",
    "power_output_power",
    "power_thd",
    "balance_ratio_db",
    "impedance_output",
    "noise_output_rms_a_weighted",
)
_MOST_PANELS = 4


def plot_sweep(data: xarray.Dataset, names: Sequence[str] | None = None) -> Figure:
    """Draw single numbers of a sweep against the one or two parameters that were swept.

    Parameters
    ----------
    data : xarray.Dataset
        From :func:`simwrap.sweep`.
    names : sequence of str, optional
        Variables of the Dataset; by default the first few that builders ask for.

    Returns
    -------
    matplotlib.figure.Figure
        One panel a variable: lines over one parameter, lines over the first for each value of the
        second where two were swept.

    Raises
    ------
    UnknownNameError
        If the data have no such variable.
    InputError
        If the sweep has more than two dims, or nothing that can be drawn.
    """
    from simwrap.sweeping import point_dims

    dims = point_dims(data)
    numbers = [str(name) for name, v in data.data_vars.items() if set(v.dims) == set(dims) and v.dtype.kind == "f"]
    if names is None:
        names = [name for name in _FAVOURITES if name in numbers][:_MOST_PANELS]
        names = names or [n for n in numbers if not n.startswith("node_")][:_MOST_PANELS]
    for name in names:
        if name not in numbers:
            raise UnknownNameError("number in this sweep", name, numbers)
    if not names:
        raise InputError("plot: the sweep holds no single numbers to draw")
    if len(dims) not in (1, 2):
        raise InputError(f"plot: a picture has room for one or two swept parameters; select some of {', '.join(dims)}")
    with matplotlib.rc_context(STYLE):
        figure = new_figure(7.5, 1.2 + 2.1 * len(names))
        panels = figure.subplots(len(names), 1, sharex=True, squeeze=False)[:, 0]
        for axes, name in zip(panels, names, strict=True):
            _sweep_panel(axes, data[name].transpose(*dims), data, dims)
        _sweep_axis(panels[-1], data, dims[0])
        figure.suptitle(str(data.attrs.get("stage", "sweep")).replace("_", " "), fontsize=11)
    return figure


def _swept(data: xarray.Dataset, dim: str) -> tuple[NDArray[Any], str, str]:
    """Return the values along a dim, with words and unit; numbers of points where it has no one coordinate."""
    own = [name for name in data.coords if data[name].dims == (dim,) and (name == dim or dim == "point")]
    if len(own) == 1:
        values = data[own[0]].values
        attrs = data[own[0]].attrs
        if values.dtype.kind in "fiu":
            words = str(attrs.get("long_name") or own[0])
            return values.astype(float), words.split(",")[0].split(" (")[0], str(attrs.get("units", ""))
        return values, str(own[0]).replace("_", " "), ""
    return np.arange(data.sizes[dim]), dim.replace("_", " "), ""


def _sweep_panel(axes: Axes, found: xarray.DataArray, data: xarray.Dataset, dims: list[str]) -> None:
    along, _, _ = _swept(data, dims[0])
    place = along if along.dtype.kind in "fiu" else np.arange(len(along))
    words, unit = str(found.attrs.get("long_name", found.name)), str(found.attrs.get("units", ""))
    values = found.values
    scale, prefix = _prefix(values) if unit in ("A", "F") else (1.0, "")
    if len(dims) == 1:
        axes.plot(place, values * scale, marker="o", markersize=4, **line_style(0))
    else:
        across, second, second_unit = _swept(data, dims[1])
        chosen = np.unique(np.linspace(0, len(across) - 1, min(len(across), 7)).round().astype(int))
        shades = shades_of(len(chosen))
        for number, k in enumerate(chosen):
            value = across[k]
            label = f"{second} {shown_value(value.item() if isinstance(value, np.generic) else value, second_unit)}"
            axes.plot(place, values[:, k] * scale, marker="o", markersize=4, color=shades[number], label=label)
        add_legend(axes, fontsize=8)
    axes.set_title(words, fontsize=10, loc="left")
    axes.set_ylabel(f"{prefix}{SIGNS.get(unit, unit)}" if unit else "ratio")
    if unit in ("Hz", "ohm"):
        axes.yaxis.set_major_formatter(EngFormatter(sep=""))


def _prefix(values: NDArray[Any]) -> tuple[float, str]:
    finite = np.abs(values[np.isfinite(values)])
    size = finite.max() if finite.size else 1.0
    for factor, prefix in ((1.0, ""), (1e3, "m"), (1e6, "µ"), (1e9, "n")):
        if size * factor >= 1.0:
            return factor, prefix
    return 1e12, "p"


def _sweep_axis(axes: Axes, data: xarray.Dataset, dim: str) -> None:
    along, words, unit = _swept(data, dim)
    axes.set_xlabel(label_of(words, unit))
    if along.dtype.kind not in "fiu":
        axes.set_xticks(np.arange(len(along)), [str(word) for word in along])
        return
    if len(along) > 2 and (along > 0).all() and along.max() / along.min() >= 8:
        axes.set_xscale("log")
        axes.xaxis.set_minor_formatter(NullFormatter())
    axes.xaxis.set_major_formatter(EngFormatter(sep="") if unit else ScalarFormatter())
