"""Sliders in a notebook: a stage's parameters against any picture (extra ``widgets``).

A picture is drawn whole once, and each of its lines is recognised by the result that it was
drawn from. A moved slider then only puts the new results into those lines and lays them over
the kept background, which is what lets a tone control follow the hand. Marks and words that
aren't such lines wait until the hand rests. Where the lines don't fit the axes, the picture
is drawn whole again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from io import BytesIO
from itertools import product
from typing import Any

import numpy as np

from simwrap.circuits.header import Parameter
from simwrap.circuits.point_table import Table
from simwrap.circuits.stage import Stage, find_parameter
from simwrap.errors import InputError, RangeError, SimwrapError
from simwrap.simulation.evaluate import Options, evaluate, provenance
from simwrap.simulation.measurement import Measurement, chosen_measures
from simwrap.units import eseries, quantity

#: A part is slid from a tenth to ten times its value, along this series.
REACH, SERIES = 10.0, "E24"
#: With up to so many sliders the axes hold what all corners of their ranges give.
MOST_CORNERS = 4
#: Sliders that are there where none are named.
USUAL_SLIDERS = 4
#: Seconds after the last move until marks and words follow.
REST = 0.25
#: Quick to write; a notebook needs no small files.
_COMPRESSION = 1

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
        self._options = Options(engine=engine, time_limit=time_limit, workers=1)
        self._draw, self._measures = _drawing(stage, plot, measures)
        self.controls = {
            name: _control(ipywidgets, stage, stage.parameters[name], choices)
            for name, choices in _named(stage, parameters).items()
        }
        self._image = ipywidgets.Image(format="png")
        self._note = ipywidgets.HTML()
        self.box = ipywidgets.VBox([self._image, *self.controls.values(), self._note])
        self._picture: _Picture | None = None
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
        outcome = evaluate(Table(stage), self._measures, self._options)
        if outcome.reasons[0]:
            raise InputError(f"{stage.name}: {outcome.reasons[0]}")
        used = outcome.engines[0]
        said = [text for result in outcome.results.values() for point in result.warnings[:1] for text in point]
        return Measurement(stage, used, provenance(used, outcome.netlists[0]), said, outcome.results), outcome.slow

    def _start(self) -> bool:
        """Draw the first picture; return whether the measures are slow."""
        self.measurement, slow = self._measured(self.stage)
        self._whole()
        if not slow:
            self._make_room()
        return slow

    def _show(self) -> None:
        """Measure, and move the lines. What goes wrong is said under the picture, which stays."""
        try:
            self.measurement, _ = self._measured(self.stage)
            if self._picture is None or not self._picture.move(self.measurement):
                self.settle()
            else:
                self._image.value = self._picture.png()
                if self._picture.marks:
                    self._settle_later()
            self._note.value = "<br>".join(_escaped(text) for text in dict.fromkeys(self.measurement.warnings))
        except SimwrapError as fault:
            self._note.value = _escaped(str(fault))

    def _whole(self) -> None:
        assert self.measurement is not None
        self._picture = _Picture(self._draw(self.measurement), self.measurement, self._picture)
        self.whole_drawings += 1
        self._image.value = self._picture.png()

    def settle(self) -> None:
        """Bring the whole picture up to date, marks and words too; done by itself when the sliders rest."""
        self._waiting = None
        if self.measurement is None or self._picture is None:
            return
        if self._picture.take(self._draw(self.measurement)):
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

    def _make_room(self) -> None:
        """Widen the axes to what the ends of the sliders give, so that they needn't change later."""
        if self._picture is None:
            return
        ends = {name: _ends(control) for name, control in self.controls.items() if _ends(control)}
        if len(ends) <= MOST_CORNERS:
            corners = [dict(zip(ends, values, strict=True)) for values in product(*ends.values())]
        else:
            corners = [{name: end} for name, pair in ends.items() for end in pair]
        wider = False
        for values in corners:
            try:
                found, _ = self._measured(self.stage.replace(**values))
            except SimwrapError:
                continue
            figure = self._draw(found)
            wider |= self._picture.widen(figure)
            wider |= self._picture.tell_still(figure)
        if wider:
            self._picture.redraw()
            self._image.value = self._picture.png()

    def _repr_mimebundle_(self, **more: Any) -> Any:
        return self.box._repr_mimebundle_(**more)


def _escaped(text: str) -> str:
    import html

    return html.escape(text)


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
    if parameter.unit == "valve":
        from simwrap.valves import valve_names

        fitting = []
        for name in valve_names(folders=stage.valve_folders):
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


def _ends(control: Any) -> tuple[Any, ...]:
    """Return the lowest and highest value of a slider; nothing for a list of words."""
    if hasattr(control, "min"):
        return control.min, control.max
    if type(control).__name__ == "SelectionSlider":
        values = [value for _, value in control.options]
        return values[0], values[-1]
    return ()


def _places(found: Measurement) -> dict[bytes, tuple[str, str, int | None]]:
    """Return where each curve of a measurement is, by its values."""
    places: dict[bytes, tuple[str, str, int | None]] = {}
    for measure, result in found.results.items():
        arrays = {key: np.asarray(v.values) for key, v in result.coords.items()}
        arrays |= {key: np.asarray(v.values)[0] for key, v in result.variables.items()}
        for key, array in arrays.items():
            if array.dtype.kind != "f" or array.ndim not in (1, 2) or array.shape[-1] < 3:
                continue
            rows = [(None, array)] if array.ndim == 1 else list(enumerate(array))
            for index, row in rows:
                places.setdefault(np.ascontiguousarray(row, dtype=float).tobytes(), (measure, key, index))
    return places


def _at(found: Measurement, place: tuple[str, str, int | None]) -> Any:
    measure, key, index = place
    result = found.results[measure]
    array = np.asarray(
        result.coords[key].values if key in result.coords else np.asarray(result.variables[key].values)[0]
    )
    return array if index is None else array[index]


def _data(artist: Any) -> Any:
    """Return what an artist shows, to compare it with its twin in another figure."""
    if hasattr(artist, "get_xydata"):
        return np.asarray(artist.get_xydata(), dtype=float).tobytes()
    return artist.get_text(), getattr(artist, "xy", artist.get_position())


def _words(figure: Any) -> list[str]:
    """Return the titles, labels and legends of a figure."""
    words = [figure.get_suptitle()]
    for axes in figure.axes:
        words += [axes.get_title(), axes.get_xlabel(), axes.get_ylabel()]
        if axes.get_legend() is not None:
            words += [text.get_text() for text in axes.get_legend().get_texts()]
    return words


class _Picture:
    """A figure whose lines move over a background that is kept.

    Attributes
    ----------
    lines : dict of Line2D to tuple
        Lines that were recognised, and the places of their x and y values.
    marks : list of artists
        Lines and words that change but weren't recognised.
    """

    def __init__(self, figure: Any, found: Measurement, before: _Picture | None = None) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg

        self.figure = figure
        canvas: Any = FigureCanvasAgg
        self.canvas = canvas(figure)
        self._layout = figure.get_layout_engine()
        places = _places(found)
        self.lines: dict[Any, tuple[Any, Any]] = {}
        self.marks: list[Any] = []
        for artist in self._artists(figure):
            if hasattr(artist, "get_xdata"):
                x, y = (
                    places.get(np.ascontiguousarray(values, dtype=float).tobytes())
                    for values in (artist.get_xdata(), artist.get_ydata())
                )
                if x is not None and y is not None:
                    self.lines[artist] = (x, y)
                    continue
            self.marks.append(artist)
        self._seen: set[int] = set()
        if before is not None:  # what the axes held before, they go on holding
            self.widen(before.figure)
        self.redraw()

    @staticmethod
    def _artists(figure: Any) -> list[Any]:
        return [artist for axes in figure.axes for artist in [*axes.lines, *axes.texts]]

    def redraw(self) -> None:
        """Draw everything that stands still, and keep it."""
        moving = [*self.lines, *self.marks]
        for artist in self._artists(self.figure):
            artist.set_animated(False)
        self.figure.set_layout_engine(self._layout or "none")
        self.canvas.draw()  # lays out, once
        self.figure.set_layout_engine("none")
        for artist in moving:
            artist.set_animated(True)
        self.canvas.draw()
        self._background = self.canvas.copy_from_bbox(self.figure.bbox)

    @staticmethod
    def _shape(figure: Any) -> list[tuple[int, ...]]:
        return [(len(a.lines), len(a.texts), len(a.collections), len(a.patches), len(a.images)) for a in figure.axes]

    def widen(self, other: Any) -> bool:
        """Widen vertical axes to hold those of another figure; True if that changed them."""
        if len(other.axes) != len(self.figure.axes):
            return False
        changed = False
        for axes, new in zip(self.figure.axes, other.axes, strict=True):
            (low, high), (new_low, new_high) = axes.get_ylim(), new.get_ylim()
            if new_low < low or new_high > high:
                axes.set_ylim(min(low, new_low), max(high, new_high))
                changed = True
        return changed

    def tell_still(self, other: Any) -> bool:
        """Take marks that are the same in every figure so far for background; True if that changed any."""
        if self._shape(other) != self._shape(self.figure):
            return False
        twins = dict(zip(self._artists(self.figure), self._artists(other), strict=True))
        before = {id(mark) for mark in self.marks}
        still = {
            id(mark) for mark in twins if mark not in self.lines and _data(mark) == _data(twins[mark])
        } - self._seen
        self._seen |= {id(mark) for mark in twins} - still
        self.marks = [mark for mark in twins if mark not in self.lines and id(mark) not in still]
        return {id(mark) for mark in self.marks} != before

    def _fits(self, axes: Any, y: Any) -> bool:
        low, high = axes.get_ylim()
        finite = y[np.isfinite(y)]
        return not finite.size or bool(finite.min() >= low and finite.max() <= high)

    def move(self, found: Measurement) -> bool:
        """Put new results into the recognised lines and hide the marks; False where that can't be done."""
        if not self.lines:
            return False
        new = {}
        for line, (x, y) in self.lines.items():
            values = _at(found, x), _at(found, y)
            if values[0].shape != values[1].shape or not self._fits(line.axes, np.asarray(values[1], dtype=float)):
                return False
            new[line] = values
        for line, values in new.items():
            line.set_data(*values)
        for mark in self.marks:
            mark.set_visible(False)
        return True

    def take(self, figure: Any) -> bool:
        """Take over lines, marks and words from another figure; False where that figure doesn't fit."""
        shape = self._shape(figure)
        if shape != self._shape(self.figure) or any(any(numbers[2:]) for numbers in shape):
            return False
        if _words(figure) != _words(self.figure):
            return False
        pairs = list(zip(self.figure.axes, figure.axes, strict=True))
        for axes, new in pairs:
            same = (
                new.get_xlim() == axes.get_xlim()
                and new.get_xscale() == axes.get_xscale()
                and new.get_yscale() == axes.get_yscale()
            )
            if not same or not all(self._fits(axes, np.asarray(line.get_ydata(), dtype=float)) for line in new.lines):
                return False
        twins = dict(zip(self._artists(self.figure), self._artists(figure), strict=True))
        moving = {*self.lines, *self.marks}
        if any(artist not in moving and _data(artist) != _data(twin) for artist, twin in twins.items()):
            return False
        for artist, twin in twins.items():
            artist.set_visible(True)
            if hasattr(artist, "set_data"):
                artist.set_data(twin.get_xdata(), twin.get_ydata())
                continue
            artist.set_text(twin.get_text())
            if hasattr(artist, "xy") and hasattr(twin, "xy"):
                artist.xy = twin.xy
            else:
                artist.set_position(twin.get_position())
        return True

    def png(self) -> bytes:
        """Lay what moves over the background and return the picture."""
        from PIL import Image

        self.canvas.restore_region(self._background)
        for artist in [*self.lines, *self.marks]:
            artist.axes.draw_artist(artist)
        for axes in self.figure.axes:
            if axes.get_legend() is not None:
                axes.draw_artist(axes.get_legend())
        buffer = BytesIO()
        Image.fromarray(np.asarray(self.canvas.buffer_rgba())[..., :3]).save(buffer, "png", compress_level=_COMPRESSION)
        return buffer.getvalue()


__all__ = ["Panel", "sliders"]
