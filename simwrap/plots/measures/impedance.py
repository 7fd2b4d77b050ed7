"""Picture of impedances over frequency."""

from __future__ import annotations

from matplotlib.figure import Figure

from simwrap.plots.panels import over_frequency
from simwrap.plots.reader import Reader
from simwrap.plots.style import label_of


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``impedance``."""
    names = {"input": "input", "output": "output", "output_b": "output_b", "output_balanced": "balanced, each side"}
    curves = [(f"{name}_curve", label) for name, label in names.items() if f"{name}_curve" in reader]
    at = reader.stated("reference_frequency")
    found = [f"{name} {text}" for name in ("output", "input") for text in reader.said(name)]
    finding = f"{', '.join(found)} at {at}" if found and at else ""
    return over_frequency(reader, curves, label_of("impedance", "ohm"), "impedance", finding=finding)
