"""Picture of the regulation of a supply."""

from __future__ import annotations

from matplotlib.figure import Figure

from simwrap.plots.labels import legend_below
from simwrap.plots.panels import add_title, chosen_points
from simwrap.plots.reader import Reader
from simwrap.plots.style import keep_span, label_of, new_figure


def draw(reader: Reader) -> Figure:
    """Draw the regulation of a supply: output and ripple over load current."""
    figure = new_figure(7.5, 5.0)
    upper, lower = figure.subplots(2, 1, sharex=True)
    for point, label, style in chosen_points(reader):
        load = 1e3 * reader["load"][point]
        upper.plot(load, reader["output_curve"][point], marker="o", markersize=4, label=label, **style)
        lower.plot(load, 1e3 * reader["ripple_curve"][point], marker="o", markersize=4, **style)
    upper.set_ylabel(label_of("output", "V"))
    lower.set_ylabel(label_of("ripple, peak to peak", "mV"))
    lower.set_ylim(bottom=0)
    lower.set_xlabel(label_of("load current", "mA"))
    keep_span(upper, 1.0)
    legend_below(lower, sources=[upper])
    found = reader.said("output_voltage", "ripple")
    add_title(figure, reader, "regulation and ripple", f"{found[0]}, {found[1]} of ripple" if len(found) == 2 else "")
    return figure
