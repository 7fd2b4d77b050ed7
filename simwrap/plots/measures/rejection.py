"""Picture of the transfers from supplies to the output."""

from __future__ import annotations

from matplotlib.figure import Figure

from simwrap.plots.panels import curves_of, over_frequency
from simwrap.plots.reader import Reader
from simwrap.plots.style import label_of


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``rejection``."""
    ordinate = label_of("output for 1 V of ripple", "dB")
    words = "from the supplies to the output"
    at, curves = reader.stated("ripple_frequency"), curves_of(reader, "supplies")
    found = [
        f"{name} {text}" for _, name in curves for text in reader.said(f"supplies.{name.replace(' ', '_')}.transfer_db")
    ]
    finding = f"from {', '.join(found)} to the output at {at}" if found and at else ""
    return over_frequency(reader, curves, ordinate, words, logarithmic=False, finding=finding)
