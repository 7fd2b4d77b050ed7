"""Pictures of raw waveforms, spectra and transfers from :func:`simwrap.simulate`."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib
import numpy as np
from matplotlib.figure import Figure

from simwrap.errors import InputError
from simwrap.plots.labels import legend_below
from simwrap.plots.style import STYLE, frequency_axis, label_of, line_style, new_figure, prefixed, shades_of
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray


def draw_waveforms(data: xarray.Dataset) -> Figure:
    """Draw what :func:`simwrap.simulate` returned: a panel a node.

    Parameters
    ----------
    data : xarray.Dataset
        Of a period (a line a level), of a stretch of time, or over frequency (magnitude in dB).

    Returns
    -------
    matplotlib.figure.Figure

    Raises
    ------
    InputError
        If there is no curve in it.
    """
    names = [str(name) for name in data.data_vars if {"time", "frequency"} & set(data[name].dims)]
    if not names:
        raise InputError("plot: an operating point has no curve to draw")
    over = "time" if "time" in data.dims else "frequency"
    with matplotlib.rc_context(STYLE):
        figure = new_figure(7.5, 1.0 + 2.4 * len(names))
        panels = figure.subplots(len(names), 1, sharex=True, squeeze=False)[:, 0]
        for axes, name in zip(panels, names, strict=True):
            found = data[name]
            unit = str(found.attrs["units"])
            if over == "frequency":
                axes.plot(data["frequency"], 20.0 * np.log10(np.abs(found.values)), **line_style(0))
                axes.set_ylabel(label_of(name, f"dB re 1 {unit}"))
                continue
            scale, prefix = prefixed(found.values)
            rows = found.values if found.ndim == 2 else found.values[None]
            shades = shades_of(len(rows))
            for number, row in enumerate(rows):
                look = {"color": shades[number]} if len(rows) > 1 else line_style(0)
                words = quantity.render(float(data["level"][number]), "V", digits=3) if "level" in data.dims else None
                axes.plot(1e3 * data["time"], scale * row, label=words and f"source {words} r.m.s.", **look)
            axes.set_ylabel(label_of(name, f"{prefix}{unit}"))
        if over == "frequency":
            frequency_axis(panels[-1], data["frequency"].values)
        else:
            panels[-1].set_xlabel(label_of("time", "ms"))
            panels[-1].set_xlim(0.0, 1e3 * float(data["time"][-1]))
            legend_below(panels[-1], sources=[panels[0]])
        figure.suptitle(str(data.attrs.get("circuit", "")).replace("_", " "), fontsize=11)
    return figure
