"""Values by point, filled part by part, and the answers to requests that are gathered in them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.engine.protocol import Reply
from simwrap.measures.requests import Request, Steady, Step, Transient, Variable


class ByPoint:
    """Arrays whose first axis is the point, and the reason of each point that failed.

    Points arrive in any order and number. What never arrives is NaN ("" among words, False among marks); arrays whose
    further axes differ in length (two families of curves, two netlists with unlike numbers of modes) are padded alike.

    Attributes
    ----------
    arrays : dict of str to ndarray
    reasons : list of str
        "" where nothing failed.
    """

    def __init__(self, points: int) -> None:
        self.arrays: dict[str, NDArray[Any]] = {}
        self.reasons = [""] * points

    @property
    def points(self) -> int:
        """Number of points."""
        return len(self.reasons)

    def put(self, places: NDArray[np.intp], arrays: Mapping[str, Any]) -> None:
        """Fill in the arrays of some points."""
        for name, given in arrays.items():
            array = np.asarray(given)
            if array.dtype.kind in "US":
                array = array.astype(object)  # longer words may follow
            if name not in self.arrays:
                if len(places) == self.points and (np.diff(places) == 1).all():
                    self.arrays[name] = array
                    continue
                self.arrays[name] = _blank(array, (self.points, *array.shape[1:]))
            whole = self.arrays[name]
            if whole.shape[1:] != array.shape[1:]:
                widest = tuple(np.maximum(whole.shape[1:], array.shape[1:]))
                whole, array = (_padded(one, widest) for one in (whole, array))
                self.arrays[name] = whole
            whole[places] = array

    def put_figures(self, places: NDArray[np.intp], figures: Mapping[str, Variable]) -> None:
        """Fill in figures of some points; counts and marks are numbers then, which may be missing."""
        arrays = {name: np.asarray(figure.values) for name, figure in figures.items()}
        self.put(places, {name: a.astype(float) if a.dtype.kind in "biu" else a for name, a in arrays.items()})


def _blank(like: NDArray[Any], shape: tuple[int, ...]) -> NDArray[Any]:
    """Return an array of that shape which holds nothing."""
    if like.dtype.kind in "OUS":
        return np.full(shape, "", dtype=object)
    if like.dtype.kind == "b":
        return np.zeros(shape, dtype=bool)
    dtype = like.dtype if like.dtype.kind in "fc" else float
    return np.full(shape, np.nan, dtype=dtype)


def _padded(array: NDArray[Any], widest: tuple[int, ...]) -> NDArray[Any]:
    """Return an array whose axes after the first have gone on with nothing."""
    wide = _blank(array, (len(array), *widest))
    wide[tuple(slice(length) for length in array.shape)] = array
    return wide


@dataclass(frozen=True)
class Answer:
    """A reply shaped for the measure that asked: (points, [settings], ...)."""

    values: dict[str, NDArray[Any]]
    axis: NDArray[Any] | None
    reasons: list[str]
    extras: dict[str, Any]

    @property
    def failed(self) -> NDArray[np.bool_]:
        """Mask of failed points, shape (points,)."""
        return np.array([bool(reason) for reason in self.reasons])


class Gathered:
    """The replies to one request, netlist by netlist, at every point and setting."""

    def __init__(self, request: Request, points: int, settings: int) -> None:
        self.request, self.settings = request, settings
        self._values, self._extras = ByPoint(points * (settings or 1)), ByPoint(points * (settings or 1))
        self._axis: NDArray[Any] | None = None

    def put(self, places: NDArray[np.intp], reply: Reply) -> None:
        """Take over the reply of some of them."""
        self._values.put(places, reply.values)
        self._extras.put(places, reply.extras)
        self._axis = reply.axis if reply.axis is not None else self._axis

    def answer(self, reasons: list[str], more: Mapping[str, Any]) -> Answer:
        """Return what the measure gets, with why points failed, and what else is known of the circuit."""
        request, axis = self.request, self._axis
        if not self._values.arrays:  # no point could be run
            self._values.arrays |= _nothing(request, self._values.points)
        if axis is None and isinstance(request, Transient):
            axis = np.linspace(request.start, request.stop, request.samples)
        return Answer(self._shaped(self._values), axis, reasons, {**self._shaped(self._extras), **more})

    def _shaped(self, found: ByPoint) -> dict[str, NDArray[Any]]:
        if not self.settings:
            return found.arrays
        return {name: array.reshape(-1, self.settings, *array.shape[1:]) for name, array in found.arrays.items()}


def _nothing(request: Request, points: int) -> dict[str, NDArray[Any]]:
    """Return what a request is answered with of which no point could be run."""
    if isinstance(request, Step):
        nothing = np.full((points, 1), complex(np.nan, np.nan))
        return dict.fromkeys([*request.vectors, "rates"], nothing) | {"growing": np.zeros((points, 1), bool)}
    if not isinstance(request, Steady | Transient):
        return {}
    levels = np.shape(request.amplitude)[-1:] if isinstance(request, Steady) else ()
    return dict.fromkeys(request.vectors, np.full((points, *levels, request.samples), np.nan))
