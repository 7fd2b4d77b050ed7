"""Picture of families of curves over the tone controls."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure

from simwrap.plots.labels import legend_below
from simwrap.plots.reader import Reader
from simwrap.plots.style import frequency_axis, keep_span, label_of, new_figure, shades_of
from simwrap.units import quantity


def draw(reader: Reader) -> Figure:
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
        axes.set_title(f"{name} control{_reach(reader, name)}")
        axes.set_ylabel(label_of("gain", "dB"))
        frequency_axis(axes, frequency)
    for axes in panels[1:]:
        axes.label_outer()
    keep_span(panels[0], 3.0)
    legend_below(*panels)
    # A family a control is all that one picture holds.
    figure.suptitle(": ".join(filter(None, (reader.stage_name, "tone curves", reader.labels[0]))), fontsize=11)
    return figure


def _reach(reader: Reader, name: str) -> str:
    """Return what a control boosts and cuts at the frequency that it changes most, in words."""
    if f"{name}_boost_db" not in reader:
        return ""
    boost, cut = reader[f"{name}_boost_db"][0], reader[f"{name}_cut_db"][0]
    if not np.isfinite(boost - cut).any():
        return ""
    most = int(np.nanargmax(boost - cut))
    at = quantity.render(float(reader[f"{name}_frequency"][most]), "Hz", digits=3)
    return f": {cut[most]:+.1f} to {boost[most]:+.1f} dB at {at}"
