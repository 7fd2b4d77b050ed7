"""A measured frequency response over the predicted one, and which parts would best explain a difference."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from simwrap.amplifier.amplifier import as_amplifier
from simwrap.errors import FileProblemsError, InputError
from simwrap.fault_finding.diagnosis import Suspicions
from simwrap.fault_finding.page import Diagnosis
from simwrap.fault_finding.places import Place
from simwrap.fault_finding.readings_file import read_response
from simwrap.faults.bed import Varied
from simwrap.faults.rails import supplied
from simwrap.plots.labels import legend_below
from simwrap.plots.style import STYLE, frequency_axis, keep_span, label_of, line_style, new_figure
from simwrap.report.model import Listing, Section
from simwrap.report.shown import Shown, labelled
from simwrap.units.quantity import render

if TYPE_CHECKING:
    import xarray

Floats = NDArray[np.float64]

#: Most frequencies at which the two are compared: more cost time and say the same.
_MOST = 20
#: Range that the engines' small signals are asked for [Hz].
_RANGE = (0.1, 1e7)
#: Colour of the band of healthy builds.
BAND = "#d9d9d9"
#: Half width of the band of healthy builds, in standard deviations.
_BAND = 2.8


@dataclass(frozen=True, repr=False)
class Overlay(Shown):
    """A measured response and the predicted one.

    Attributes
    ----------
    frequencies : ndarray, shape (frequencies,)
        At which they are compared [Hz].
    measured, predicted, low, high : ndarray, shape (frequencies,)
        [dB] relative to :attr:`reference`; the last two hold all healthy builds.
    reference : float
        Frequency at which both are 0 dB [Hz].
    diagnosis : Diagnosis
    """

    frequencies: Floats
    measured: Floats
    predicted: Floats
    low: Floats
    high: Floats
    reference: float
    diagnosis: Diagnosis

    @property
    def outside(self) -> Floats:
        """By how much the measured one is outside the band [dB], 0 within."""
        return np.maximum(0.0, np.maximum(self.measured - self.high, self.low - self.measured))

    def report(self) -> Iterator[Section]:
        columns = (self.frequencies, self.measured, self.predicted, self.low, self.high, self.outside)
        rows = [
            (render(float(f), "Hz"), f"{got:.2f} dB", f"{want:.2f} dB", f"{low:.2f} to {high:.2f} dB", f"{out:.2f} dB")
            for f, got, want, low, high, out in zip(*columns, strict=True)
        ]
        table = Listing("", ("frequency", "measured", "predicted", "healthy builds", "outside by"), rows)
        notes = ["The shape is what a healthy build may show."]
        if not self.diagnosis.healthy:
            notes = ["The shape is not a healthy build's. Parts that would best explain it:"]
            for rank, cause in enumerate(self.diagnosis.causes[:5], 1):
                together = " (these can't be told apart)" if len(cause.faults) > 1 else ""
                names = ", ".join(fault.told for fault in cause.faults[:6])
                notes.append(f"{rank}. {names}{together}: {100.0 * cause.share:.0f} %")
        yield Section("response", f"Response, 0 dB at {render(self.reference, 'Hz')}", tables=[table], notes=notes)

    def plot(self) -> Figure:
        """Draw the measured response over the predicted one, with the band of healthy builds."""
        with matplotlib.rc_context(STYLE):
            figure = new_figure(7.5, 4.4)
            axes = figure.subplots()
            axes.fill_between(self.frequencies, self.low, self.high, color=BAND, label="healthy builds", linewidth=0)
            axes.plot(self.frequencies, self.predicted, label="predicted", **line_style(0))
            axes.plot(self.frequencies, self.measured, marker="o", markersize=4, label="measured", **line_style(1))
            frequency_axis(axes, self.frequencies)
            keep_span(axes, 3.0)
            axes.set_ylabel(label_of(f"level, 0 at {render(self.reference, 'Hz')}", "dB"))
            legend_below(axes)
            worst = int(np.argmax(self.outside))
            at = f"{self.outside[worst]:.1f} dB outside at {render(float(self.frequencies[worst]), 'Hz', digits=3)}"
            axes.set_title("the shape of a healthy build" if self.diagnosis.healthy else at)
        return figure

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "reference": self.reference,
            "frequency": self.frequencies.tolist(),
            "measured_db": self.measured.tolist(),
            "predicted_db": self.predicted.tolist(),
            "low_db": self.low.tolist(),
            "high_db": self.high.tolist(),
            "healthy": self.diagnosis.healthy,
            "causes": [{"faults": list(cause.names), "share": cause.share} for cause in self.diagnosis.causes],
        }  # fmt: skip

    def to_dataset(self) -> xarray.Dataset:
        """Return the levels, dim "frequency" [Hz]."""
        columns = {name: (getattr(self, name), "dB", words) for name, words in (
            ("measured", "measured"), ("predicted", "predicted"), ("low", "healthy builds from"),
            ("high", "healthy builds to"), ("outside", "outside of healthy builds"))}  # fmt: skip
        data = labelled("frequency", self.frequencies.tolist(), columns, reference=self.reference)
        data["frequency"].attrs["units"] = "Hz"
        return data


def overlay(
    design: Any,
    path: str | Path,
    *,
    output: str = "output",
    varied: Varied | None = None,
    **how: Any,
) -> Overlay:
    """Lay a measured response over the predicted one.

    Parameters
    ----------
    design : path, Design, Circuit, Stage or Amplifier
        With its controls where they stood.
    path : path
        CSV with the columns frequency and level, in dB or volts; only the shape counts.
    output : str
        Port at which it was measured.
    varied : Varied, optional
    **how
        As for :func:`~simwrap.amplifier.amplifier.as_amplifier`.

    Raises
    ------
    FileProblemsError
        For a file that can't be read.
    EngineError
        If the design can't be simulated.
    """
    path = Path(path)
    hertz, levels, kind = read_response(path)
    frequencies = np.asarray(hertz)
    decibels = np.asarray(levels) if kind == "dB" else 20.0 * np.log10(levels)
    if frequencies[0] < _RANGE[0] or frequencies[-1] > _RANGE[1]:
        raise FileProblemsError(path, [f"frequencies from {render(_RANGE[0], 'Hz')} to {render(_RANGE[1], 'Hz')} are "
                                       f"simulated, and it has {render(frequencies[0], 'Hz')} to "
                                       f"{render(frequencies[-1], 'Hz')}"])  # fmt: skip
    amplifier = as_amplifier(design, **how)
    tell, run = amplifier.tell, amplifier.run
    tell("operating point")
    source = supplied(amplifier)
    if output not in source.circuit.ports:
        raise InputError(f"{source.circuit.name}: has no port {output} at which a response could be measured")
    reference = float(frequencies[int(np.argmin(np.abs(np.log(frequencies / 1e3))))])
    kept = _thinned(frequencies, reference)
    node = source.circuit.ports[output]
    names = {float(f): render(float(f), "Hz", digits=8) for f in kept}
    places = [Place(names[f], "V", (node, "0"), frequency=f, reference=reference) for f in names if f != reference]
    tell("every fault at every size")
    made = Suspicions(source, places, varied or Varied(), parts=amplifier.design.parts, run=run)
    relative = decibels - float(np.interp(reference, frequencies, decibels))
    measured = np.interp(np.log(kept), np.log(frequencies), relative)
    values = {names[f]: 10.0 ** (level / 20.0) for f, level in zip(names, measured, strict=True) if f != reference}
    rows = {place.name: k for k, place in enumerate(places)}
    healthy = made.evidence.healthy.seen
    spread = np.sqrt(healthy.covariances[0].diagonal())

    def band(deviations: float) -> Floats:
        """Return what healthy builds show, so many deviations from the middle."""
        scaled = healthy.means[0] + deviations * spread
        at = [float(places[rows[names[f]]].plain(scaled[rows[names[f]]])) if f != reference else 1.0 for f in names]
        return np.asarray(20.0 * np.log10(np.maximum(at, 1e-6)))

    return Overlay(kept, measured, band(0.0), band(-_BAND), band(_BAND), reference, made.diagnose(values))


def _thinned(frequencies: Floats, reference: float) -> Floats:
    """Return at most so many of the frequencies, evenly by their logarithm, the reference among them."""
    if len(frequencies) <= _MOST:
        return frequencies
    wanted = np.geomspace(frequencies[0], frequencies[-1], _MOST - 1)
    near = [int(np.argmin(np.abs(np.log(frequencies / each)))) for each in [*wanted, reference]]
    return frequencies[sorted(set(near))]


__all__ = ["Overlay", "overlay"]
