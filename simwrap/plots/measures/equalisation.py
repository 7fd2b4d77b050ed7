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
    return over_frequency(reader, [("deviation_curve_db", "departure")], ordinate, words, logarithmic=False, span=0.2)
