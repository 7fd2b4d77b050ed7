"""Picture of the transfers from heaters to the output."""

from __future__ import annotations

from matplotlib.figure import Figure

from simwrap.plots.panels import curves_of, over_frequency
from simwrap.plots.reader import Reader
from simwrap.plots.style import label_of

#: Hum below this is none [V]: rounding of a balanced stage.
_NONE = 1e-9


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``heater_hum``."""
    ordinate = label_of("output for 1 V at the heater", "dB")
    hum = reader.said("output_rms")
    heard = hum and float(reader["output_rms"][0]) > _NONE
    finding = f"{hum[0]} of hum from the heaters at the output" if heard else ""
    curves = curves_of(reader, "valves")
    return over_frequency(reader, curves, ordinate, "hum of heaters", logarithmic=False, finding=finding)
