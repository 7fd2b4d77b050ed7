"""Picture of the departure from a standard's curve."""

from __future__ import annotations

from matplotlib.figure import Figure

from simwrap.plots.panels import over_frequency
from simwrap.plots.reader import Reader
from simwrap.plots.style import label_of


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``equalisation``."""
    ordinate = label_of("departure", "dB")
    words = "departure from the standard's curve"
    worst = reader.said("deviation_db", "deviation_at")
    finding = f"departs by {worst[0]} at {worst[1]}" if len(worst) == 2 else ""
    curves = [("deviation_curve_db", "departure")]
    return over_frequency(reader, curves, ordinate, words, logarithmic=False, span=0.2, finding=finding)
