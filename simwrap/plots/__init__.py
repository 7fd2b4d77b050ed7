"""Pictures of what was measured, in one plain style with units on every axis.

:func:`plot` draws one measure of a :class:`~simwrap.simulation.measurement.Measurement`, or the curves of
a sweep's Dataset; :func:`draw` does it from any labelled Dataset;
:func:`plot_sweep` draws single numbers of a sweep against what was swept.

A picture of a measure of your own takes from here :func:`new_figure`, :func:`chosen_points` (index, label and look of
what is drawn), :func:`frequency_axis`, :func:`label_of` (words with a unit), :func:`legend_below`, :func:`add_title`.
``matplotlib.rcParams.update(STYLE)`` gives pictures of your own the same style, :func:`log_axis` its logarithmic axes.
Figures are made without pyplot, so that nothing is kept open and no window appears; a
notebook shows a figure that a cell ends with.
"""

from __future__ import annotations

from simwrap.plots.drawing import draw, drawable, plot
from simwrap.plots.labels import legend_below
from simwrap.plots.panels import add_title, chosen_points
from simwrap.plots.style import STYLE, frequency_axis, label_of, log_axis, new_figure
from simwrap.plots.sweeps import plot_sweep

__all__ = [
    "STYLE",
    "add_title",
    "chosen_points",
    "draw",
    "drawable",
    "frequency_axis",
    "label_of",
    "legend_below",
    "log_axis",
    "new_figure",
    "plot",
    "plot_sweep",
]
