"""Picture of noise densities over frequency."""

from __future__ import annotations

from matplotlib.figure import Figure

from simwrap.plots.panels import over_frequency
from simwrap.plots.reader import Reader
from simwrap.plots.style import label_of


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``noise``."""
    curves = [("output_density", "output"), ("input_density", "referred to the input")]
    corner = reader.stated("flicker_corner")
    known = corner[:1].isdigit()  # or else in words why there is none
    words = f"noise, with flicker from a corner of {corner}" if known else "noise"
    heard = reader.said("output_rms_a_weighted")
    finding = f"{heard[0]} of noise, A-weighted{f', flicker below {corner}' if known else ''}" if heard else ""
    return over_frequency(reader, curves, label_of("noise density", "V/rtHz"), words, finding=finding)
