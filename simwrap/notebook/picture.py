"""A picture whose lines move: drawn whole once, and then only what changes over a kept background."""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from typing import Any

import numpy as np

from simwrap.simulation.measurement import Measurement

#: Quick to write; a notebook needs no small files.
_COMPRESSION = 1
#: An axis whose picture would do with less than this share of its span follows it.
LOOSE = 0.6
#: Space above and below lines for which an axis had to grow, as a share of their span.
_MARGIN = 0.05


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


def _span(axes: Any, low: float, high: float) -> float:
    """Return how far it is from one value of an axis to another: in decades where it is logarithmic."""
    if axes.get_yscale() == "log" and low > 0:
        return float(np.log10(high / low))
    return high - low


def _words(figure: Any) -> list[str]:
    """Return the titles, labels and legends of a figure."""
    words = [figure.get_suptitle()]
    for axes in figure.axes:
        words += [axes.get_title(), axes.get_xlabel(), axes.get_ylabel()]
        if axes.get_legend() is not None:
            words += [text.get_text() for text in axes.get_legend().get_texts()]
    return words


class MovingPicture:
    """A figure whose lines move over a background that is kept.

    Attributes
    ----------
    lines : dict of Line2D to tuple
        Lines that were recognised, and the places of their x and y values.
    marks : list of artists
        Lines and words that change but weren't recognised.
    """

    def __init__(self, figure: Any, found: Measurement, room: Sequence[Any] = ()) -> None:
        """Draw a figure of a measurement whole; its axes have room for what the figures in ``room`` show."""
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
        self._room = [other for other in room if len(other.axes) == len(figure.axes)]
        for other in self._room:
            self.widen(other)
            self.tell_still(other)
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

    def widen(self, other: Any) -> None:
        """Widen vertical axes to hold those of another figure."""
        for axes, new in zip(self.figure.axes, other.axes, strict=True):
            (low, high), (new_low, new_high) = axes.get_ylim(), new.get_ylim()
            axes.set_ylim(min(low, new_low), max(high, new_high))

    def tell_still(self, other: Any) -> None:
        """Take marks that are the same in every figure so far for background."""
        if self._shape(other) != self._shape(self.figure):
            return
        twins = dict(zip(self._artists(self.figure), self._artists(other), strict=True))
        still = {
            id(mark) for mark in twins if mark not in self.lines and _data(mark) == _data(twins[mark])
        } - self._seen
        self._seen |= {id(mark) for mark in twins} - still
        self.marks = [mark for mark in twins if mark not in self.lines and id(mark) not in still]

    def _fits(self, axes: Any, y: Any) -> bool:
        low, high = axes.get_ylim()
        finite = y[np.isfinite(y)]
        return not finite.size or bool(finite.min() >= low and finite.max() <= high)

    def is_loose(self, figure: Any) -> bool:
        """Whether a figure of the same, with the room that was asked for, would do with much less of an axis."""
        if len(figure.axes) != len(self.figure.axes):
            return True
        for number, (axes, new) in enumerate(zip(self.figure.axes, figure.axes, strict=True)):
            ends = [new.get_ylim(), *[other.axes[number].get_ylim() for other in self._room]]
            needed = _span(axes, min(low for low, _ in ends), max(high for _, high in ends))
            if needed < LOOSE * _span(axes, *axes.get_ylim()):
                return True
        return False

    def _grow(self, axes: Any, y: Any) -> None:
        """Give an axis the room for lines that have left it."""
        finite = y[np.isfinite(y) & ((y > 0) | (axes.get_yscale() != "log"))]
        low, high = axes.get_ylim()
        if not finite.size:
            return
        least, most = float(finite.min()), float(finite.max())
        margin = 0.0 if axes.get_yscale() == "log" else _MARGIN * (most - least)
        axes.set_ylim(
            min(low, least - margin if least < low else low), max(high, most + margin if most > high else high)
        )

    def move(self, found: Measurement) -> bool:
        """Put new results into the recognised lines and hide the marks; False where that can't be done."""
        if not self.lines:
            return False
        new = {}
        for line, (x, y) in self.lines.items():
            values = _at(found, x), _at(found, y)
            if values[0].shape != values[1].shape:
                return False
            new[line] = values
        for line, values in new.items():
            line.set_data(*values)
        for mark in self.marks:
            mark.set_visible(False)
        left = {line: np.asarray(y, dtype=float) for line, (_, y) in new.items()}
        left = {line: y for line, y in left.items() if not self._fits(line.axes, y)}
        for line, y in left.items():
            self._grow(line.axes, y)
        if left:
            self.redraw()
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


__all__ = ["MovingPicture"]
