"""What every picture keeps to, measured on the drawn figure: nothing covers the data, nothing is cut off."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.transforms import Bbox


def assert_readable(figure: Any, *, bare: tuple[str, ...] = ("harmonic", "node", "")) -> None:
    """Insist on a picture that a builder can read; ``bare`` are labels of axes without a unit."""
    FigureCanvasAgg(figure).draw()
    renderer = figure.canvas.get_renderer()
    panels = [axes for axes in figure.axes if axes.get_visible()]
    assert figure.get_suptitle() or all(axes.get_title() for axes in panels)
    words = []
    for axes in panels:
        place = axes.get_subplotspec()
        for label, outer in ((axes.get_xlabel(), place.is_last_row()), (axes.get_ylabel(), place.is_first_col())):
            assert not outer or label, "an axis without a label"
            assert label in bare or ("[" in label and label.endswith("]")), label
        names = [text for text in axes.texts if text.get_visible() and text.get_text()]
        words += [(text.get_text(), text.get_window_extent(renderer)) for text in names]
        words += [(label.get_text(), label.get_window_extent(renderer)) for label in _titles(figure, axes)]
        for axis in (axes.xaxis, axes.yaxis):
            ticks = list(_tick_labels(axis, renderer))
            assert_apart(ticks)
            words += ticks
        looks = {line.get_label(): _look(line) for line in axes.lines if not line.get_label().startswith("_")}
        assert len(set(looks.values())) == len(looks), f"two curves look alike: {looks}"
    for text, box in words:
        inside = box.x0 >= -1 and box.y0 >= -1 and box.x1 <= figure.bbox.x1 + 1 and box.y1 <= figure.bbox.y1 + 1
        assert inside, f"{text} is cut off"
    for legend in [*figure.legends, *filter(None, (axes.get_legend() for axes in panels))]:
        box = legend.get_window_extent(renderer)
        assert min(box.x0, figure.bbox.x1 - box.x1, box.y0) >= -1, "a legend is cut off"
        for axes in panels:
            assert covered(box, axes) == 0, "a legend lies on curves"
            assert not _overlap(box, axes.get_window_extent(renderer)), "a legend lies in a panel"
        for text, other in words:
            assert not _overlap(box, other), f"a legend lies on {text}"


def assert_apart(words: list[tuple[str, Bbox]]) -> None:
    """Insist that no two words overlap."""
    for (a, box), (b, other) in itertools.combinations(words, 2):
        assert not _overlap(box, other), f"{a} lies on {b}"


def covered(box: Bbox, axes: Any) -> int:
    """Return how many vertices of visible lines lie in a box."""
    count = 0
    for line in axes.lines:
        if line.get_visible() and len(line.get_xydata()):
            points = line.get_transform().transform(np.asarray(line.get_xydata(), dtype=float))
            count += int(np.count_nonzero(_inside(points, box) & _inside(points, axes.bbox)))
    return count


def _inside(points: Any, box: Bbox) -> Any:
    return ((points > (box.x0, box.y0)) & (points < (box.x1, box.y1))).all(axis=1)


def curve_names(axes: Any, colour: str) -> list[tuple[str, Bbox]]:
    """Return the words of one colour in a drawn panel, with their boxes."""
    renderer = axes.figure.canvas.get_renderer()
    return [(t.get_text(), t.get_window_extent(renderer)) for t in axes.texts if t.get_color() == colour]


def _titles(figure: Any, axes: Any) -> list[Any]:
    titles = [axes.title, axes._left_title, axes.xaxis.label, axes.yaxis.label, figure._suptitle]
    return [title for title in titles if title is not None and title.get_text() and title.get_visible()]


def _look(line: Any) -> tuple[str, ...]:
    return str(line.get_color()), str(line.get_linestyle()), str(line.get_marker()), str(line.get_fillstyle())


def _tick_labels(axis: Any, renderer: Any) -> Iterator[tuple[str, Bbox]]:
    low, high = sorted(axis.get_view_interval())
    for tick in [*axis.get_major_ticks(), *axis.get_minor_ticks()]:
        label = tick.label1
        if label.get_visible() and label.get_text() and low <= tick.get_loc() <= high:
            yield label.get_text(), label.get_window_extent(renderer)


def _overlap(a: Bbox, b: Bbox) -> bool:
    return bool(min(a.x1, b.x1) - max(a.x0, b.x0) > 1.0 and min(a.y1, b.y1) - max(a.y0, b.y0) > 1.0)
