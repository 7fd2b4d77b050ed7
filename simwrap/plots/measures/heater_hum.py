"""Picture of the transfers from heaters to the output."""

from __future__ import annotations

from matplotlib.figure import Figure

from simwrap.plots.panels import curves_of, over_frequency
from simwrap.plots.reader import Reader
from simwrap.plots.style import label_of


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``heater_hum``."""
    ordinate = label_of("output for 1 V at the heater", "dB")
    return over_frequency(reader, curves_of(reader, "valves"), ordinate, "hum of heaters", logarithmic=False)
