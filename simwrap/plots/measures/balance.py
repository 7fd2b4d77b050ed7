"""Picture of how alike two outputs are."""

from __future__ import annotations

from matplotlib.figure import Figure

from simwrap.plots.labels import legend_below
from simwrap.plots.panels import add_title, chosen_points
from simwrap.plots.reader import Reader
from simwrap.plots.style import FAINT, frequency_axis, keep_span, label_of, new_figure

#: Differences below this aren't told in the title [dB].
_LEAST = 1e-3


def draw(reader: Reader) -> Figure:
    """Draw the picture of the measure ``balance``."""
    figure = new_figure(7.5, 5.0)
    upper, lower = figure.subplots(2, 1, sharex=True)
    for point, label, style in chosen_points(reader):
        upper.plot(reader["frequency"], reader["ratio_curve_db"][point], label=label, **style)
        lower.plot(reader["frequency"], reader["phase_error_curve_deg"][point], **style)
    upper.set_ylabel(label_of("output over output b", "dB"))
    lower.set_ylabel(label_of("from opposite phase", "degree"))
    for axes, least in ((upper, 0.2), (lower, 1.0)):
        frequency_axis(axes, reader["frequency"])
        axes.axhline(0.0, color=FAINT, linewidth=1.0, zorder=1)
        keep_span(axes, least)
    upper.set_xlabel("")
    legend_below(lower, sources=[upper])
    apart, at = reader.said("ratio_db", "phase_error_deg"), reader.stated("reference_frequency")
    if len(apart) == 2 and abs(float(reader["ratio_db"][0])) < _LEAST:
        apart[0] = f"less than {_LEAST:g} dB"
    finding = f"outputs {' and '.join(apart)} apart at {at}" if len(apart) == 2 and at else ""
    add_title(figure, reader, "balance of the two outputs", finding)
    return figure
