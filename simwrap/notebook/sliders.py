"""Sliders in a notebook: a stage's parameters against any picture (extra ``widgets``).

A picture is drawn whole once, and each of its lines is recognised by the result that it was
drawn from (:mod:`simwrap.notebook.picture`). A moved slider then only puts the new results into
those lines and lays them over the kept background, which is what lets a tone control follow the
hand. Marks and words that aren't such lines wait until the hand rests; then the axes follow too.
"""

from __future__ import annotations

import html
from base64 import b64encode
from collections.abc import Callable, Iterable, Mapping
from itertools import product
from typing import Any

import numpy as np

from simwrap.circuits.header import Parameter
from simwrap.circuits.point_table import PointTable
from simwrap.circuits.stage import Stage, find_parameter
from simwrap.engine import Run
from simwrap.errors import InputError, RangeError, SimwrapError
from simwrap.notebook.picture import MovingPicture
from simwrap.simulation.conduct import evaluate
from simwrap.simulation.measurement import Measurement, chosen_measures
from simwrap.simulation.provenance import provenance
from simwrap.units import eseries, quantity

#: A part is slid from a tenth to ten times its value, along this series.
REACH, SERIES = 10.0, "E24"
#: With up to so many controls the axes hold what all corners of their ranges give.
MOST_CORNERS = 4
#: Sliders that are there where none are named.
USUAL_SLIDERS = 4
#: Seconds after the last move until marks and words follow.
REST = 0.25

Drawing = Callable[[Measurement], Any]


def sliders(
    stage: Stage,
    parameters: Iterable[str] | Mapping[str, Any] | None = None,
    plot: str | Drawing | None = None,
    *,
    measures: Any = None,
    engine: str = "auto",
    time_limit: float = 10.0,
) -> Panel:
    """Show sliders for a stage's parameters under a picture that follows them.

    Parameters
    ----------
    stage : Stage
        Where the sliders stand at first.
    parameters : iterable of str, or mapping of str to choices, optional
        Which parameters; a mapping gives the values that each may take. Without it: the
        controls of the stage ("bass", "volume"), or else its first resistors.
    plot : str or callable, optional
        A measure that has a picture, or a function from a
        :class:`~simwrap.simulation.measurement.Measurement` to a matplotlib figure. By default the first
        of the stage's measures that has one and is quick.
    measures : sequence of str or mapping, optional
        What to measure for a callable, or options of the measure.
    engine : str
        As for :func:`simwrap.measure`.
    time_limit : float
        Longest time for one simulator run [s].

    Returns
    -------
    Panel
        A notebook shows it. ``.stage`` is the stage as the sliders stand.

    Raises
    ------
    UnknownNameError
        No such parameter or measure.
    InputError
        Without ipywidgets, or for a measure without a picture.
    """
    return Panel(stage, parameters, plot, measures=measures, engine=engine, time_limit=time_limit)


class Panel:
    """Sliders and the picture that follows them; made by :func:`sliders`.

    Attributes
    ----------
    stage : Stage
        With the values of the sliders.
    controls : dict of str to ipywidgets widget
        By parameter; setting ``.value`` moves one.
    measurement : Measurement or None
        The last one that succeeded.
    whole_drawings : int
        How often the picture was drawn whole.
    """

    def __init__(
        self,
        stage: Stage,
        parameters: Any,
        plot: str | Drawing | None,
        *,
        measures: Any,
        engine: str,
        time_limit: float,
    ) -> None:
        try:
            import ipywidgets
        except ImportError:
            raise InputError('sliders need ipywidgets: pip install "simwrap[widgets]"') from None
        self.stage = stage
        self.measurement: Measurement | None = None
        self.whole_drawings = 0
        self._options = Run(engine=engine, time_limit=time_limit, workers=1)
        self._draw, self._measures = _drawing(stage, plot, measures)
        self.controls = {
            name: _control(ipywidgets, stage, stage.parameters[name], choices)
            for name, choices in _named(stage, parameters).items()
        }
        self._image = ipywidgets.Image(format="png")
        self._note = ipywidgets.HTML()
        self.box = ipywidgets.VBox([self._image, *self.controls.values(), self._note])
        self._picture: MovingPicture | None = None
        self._waiting: Any = None
        slow = self._start()
        for name, control in self.controls.items():
            if slow and hasattr(control, "continuous_update"):
                control.continuous_update = False
            control.observe(lambda change, name=name: self._moved(name, change["new"]), names="value")

    def _moved(self, name: str, value: Any) -> None:
        self.stage = self.stage.replace(**{name: value})
        self._show()

    def _measured(self, stage: Stage) -> tuple[Measurement, bool]:
        outcome = evaluate(PointTable(stage), self._measures, self._options)
        if outcome.reasons[0]:
            raise InputError(f"{stage.name}: {outcome.reasons[0]}")
        used = outcome.engines[0]
        said = outcome.findings[0]
        return Measurement(
            stage, used, provenance(used, outcome.netlists[0], outcome.small_signals), said, outcome.results
        ), outcome.slow

    def _start(self) -> bool:
        """Draw the first picture; return whether the measures are slow."""
        self.measurement, self._slow = self._measured(self.stage)
        self._whole()
        return self._slow

    def _show(self) -> None:
        """Measure, and move the lines. What goes wrong is said under the picture, which stays."""
        try:
            self.measurement, _ = self._measured(self.stage)
            if self._picture is None or not self._picture.move(self.measurement):
                self.settle()
            else:
                self._image.value = self._picture.png()
                self._settle_later()
            self._note.value = "<br>".join(html.escape(text) for text in dict.fromkeys(self.measurement.warnings))
        except SimwrapError as fault:
            self._note.value = html.escape(str(fault))

    def _whole(self) -> None:
        assert self.measurement is not None
        self._picture = MovingPicture(self._draw(self.measurement), self.measurement, self._room())
        self.whole_drawings += 1
        self._image.value = self._picture.png()

    def settle(self) -> None:
        """Bring the whole picture up to date, marks, words and axes too; done by itself when the sliders rest."""
        self._waiting = None
        if self.measurement is None or self._picture is None:
            return
        figure = self._draw(self.measurement)
        if not self._picture.is_loose(figure) and self._picture.take(figure):
            self._image.value = self._picture.png()
        else:
            self._whole()

    def _settle_later(self) -> None:
        import asyncio

        if self._waiting is not None:
            self._waiting.cancel()
        try:
            self._waiting = asyncio.get_running_loop().call_later(REST, self.settle)
        except RuntimeError:  # no notebook round it: marks wait for settle()
            self._waiting = None

    def _room(self) -> list[Any]:
        """Return pictures of what the ends of the controls give, for which the axes are to have room.

        A control is turned from end to end. A part's slider isn't: its axes follow the values, since a tenth and ten
        times of a resistor would leave a picture of the usual values at the foot of its axes.
        """
        ends = {name: (c.min, c.max) for name, c in self.controls.items() if hasattr(c, "min")}
        if self._slow or not ends:
            return []
        if len(ends) <= MOST_CORNERS:
            corners = [dict(zip(ends, values, strict=True)) for values in product(*ends.values())]
        else:
            corners = [{name: end} for name, pair in ends.items() for end in pair]
        figures = []
        for values in corners:
            try:
                figures.append(self._draw(self._measured(self.stage.replace(**values))[0]))
            except SimwrapError:
                continue
        return figures

    def _repr_mimebundle_(self, **more: Any) -> Any:
        """Return the widget, and the picture as it stands for when nothing runs it any more."""
        shown = self.box._repr_mimebundle_(**more)
        data, about = shown if isinstance(shown, tuple) else (shown, {})
        return {**data, "image/png": b64encode(self._image.value).decode("ascii")}, about


def _named(stage: Stage, parameters: Any) -> dict[str, Any]:
    """Return the parameters to slide with their choices (None: the usual ones)."""
    known = stage.parameters
    if parameters is None:
        controls = [name for name, p in known.items() if p.unit == "" and (p.minimum, p.maximum) == (0.0, 1.0)]
        parts = [name for name, p in known.items() if p.unit == "ohm" and stage.values[name] != 0]
        return dict.fromkeys((controls or parts)[:USUAL_SLIDERS])
    given = (
        parameters
        if isinstance(parameters, Mapping)
        else dict.fromkeys([parameters] if isinstance(parameters, str) else parameters)
    )
    named = {find_parameter(name, known, stage.name).name: choices for name, choices in given.items()}
    if not named:
        raise InputError(f"{stage.name}: sliders need at least one parameter")
    return named


def _drawing(stage: Stage, plot: str | Drawing | None, measures: Any) -> tuple[Drawing, dict[str, Mapping[str, Any]]]:
    """Return the function that draws, and what it takes to be measured."""
    from simwrap.plots import drawable
    from simwrap.plots import plot as draw

    if callable(plot):
        return plot, chosen_measures(stage, measures)
    if plot is None:
        quick = [name for name in stage.measures if name in ("response", "bias")]
        plot = next((name for name in [*sorted(quick, reverse=True), *stage.measures] if drawable(name)), "response")
    options = measures.get(plot, {}) if isinstance(measures, Mapping) else {}
    chosen = chosen_measures(stage, {plot: options})
    name = next(iter(chosen))
    if not drawable(name):
        raise RangeError("plot", name, "a measure that has a picture", stage.name)
    return (lambda found: draw(found, name)), chosen


def _control(ipywidgets: Any, stage: Stage, parameter: Parameter, choices: Any) -> Any:
    """Make the widget of one parameter."""
    value = stage.values[parameter.name]
    layout = ipywidgets.Layout(width="640px")
    look = {"description": parameter.label, "layout": layout, "style": {"description_width": "320px"}}
    if choices is None and parameter.unit == "":
        low = parameter.minimum if parameter.minimum is not None else value / REACH
        high = (
            parameter.maximum if parameter.maximum is not None and parameter.maximum <= 1e3 else max(value * REACH, 1.0)
        )
        return ipywidgets.FloatSlider(value=value, min=low, max=high, step=(high - low) / 100, **look)
    if choices is None:
        choices = _choices(stage, parameter, value)
    checked = list(dict.fromkeys([stage.check(parameter.name, choice)[1] for choice in choices]))
    if value not in checked:
        checked.append(value)
    if not parameter.numeric:
        return ipywidgets.Dropdown(value=value, options=checked, **look)
    checked.sort()
    return ipywidgets.SelectionSlider(
        value=value, options=[(quantity.render(v, parameter.unit), v) for v in checked], **look
    )


def _choices(stage: Stage, parameter: Parameter, value: Any) -> list[Any]:
    if parameter.unit == "choice":
        return list(parameter.choices)
    if parameter.unit in ("valve", "component"):
        from simwrap.components import component_names
        from simwrap.valves import valve_names

        fitting = []
        names = valve_names if parameter.unit == "valve" else component_names
        for name in names(folders=stage.valve_folders):
            try:
                fitting.append(stage.check(parameter.name, name)[1])
            except InputError:  # of another kind
                continue
        return fitting
    if parameter.unit == "V":
        spaced = np.unique(np.round(np.linspace(value / 2, value * 1.5, 101)))
        values = spaced if len(spaced) > 20 else np.linspace(value / 2, value * 1.5, 101)
    elif value > 0:
        values = np.array(eseries.values(SERIES, value / REACH, value * REACH))
    else:
        raise RangeError(
            parameter.name, value, f"its choices, such as {{{parameter.name!r}: [...]}}: it is 0 now", stage.name
        )
    low = -np.inf if parameter.minimum is None else parameter.minimum
    high = np.inf if parameter.maximum is None else parameter.maximum
    return [float(v) for v in values if low <= v <= high]


__all__ = ["Panel", "sliders"]
