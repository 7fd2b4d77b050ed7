"""Pictures of what was measured, in one plain style with units on every axis.

:func:`plot` draws one measure of a :class:`~simwrap.simulation.measurement.Measurement`, or the curves of
a sweep's Dataset; :func:`draw` does it from any labelled Dataset;
:func:`plot_sweep` draws single numbers of a sweep against what was swept.

``matplotlib.rcParams.update(STYLE)`` gives pictures of your own the same style, :func:`log_axis` its logarithmic axes.
Figures are made without pyplot, so that nothing is kept open and no window appears; a
notebook shows a figure that a cell ends with.
"""

from __future__ import annotations

from simwrap.plots.drawing import draw, drawable, plot
from simwrap.plots.style import STYLE, log_axis
from simwrap.plots.sweeps import plot_sweep

__all__ = ["STYLE", "draw", "drawable", "log_axis", "plot", "plot_sweep"]
