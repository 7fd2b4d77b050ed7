"""What a picture is drawn from: one measure's part of a labelled Dataset, of one point or of a sweep."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simwrap.errors import InputError
from simwrap.forking import cached_property
from simwrap.measures.results import full_name
from simwrap.simulation.dataset import VALUE, conditions_of, point_dims, unit_of
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

#: A point with more coordinates than this has a number instead of their values.
MOST_NAMES = 3


@dataclass(frozen=True)
class Reader:
    """One measure's figures, curves and axes by path.

    ``reader["gain_db"]`` has the point as its first axis, whatever the points' own axes are; an axis of curves
    (``reader["frequency"]``) has none.

    Attributes
    ----------
    name : str
        The measure.
    data : xarray.Dataset
        May hold other measures too.
    circuit : object
        What was measured, None where it isn't known (a Dataset from a file).

    Raises
    ------
    InputError
        For a path that the data don't hold.
    """

    name: str
    data: xarray.Dataset
    circuit: Any = None

    def __contains__(self, path: str) -> bool:
        return full_name(self.name, path) in self.data.variables

    def __getitem__(self, path: str) -> NDArray[Any]:
        if path not in self:
            raise InputError(f"plot: the data hold no {full_name(self.name, path)}; sweep with it and with curves=True")
        found = self.data[full_name(self.name, path)]
        dims = point_dims(self.data)
        if full_name(self.name, path) in self.data.coords:
            return np.asarray(found.values)
        values = found.transpose(*dims, *[dim for dim in found.dims if dim not in dims]).values
        return np.asarray(values.reshape(-1, *values.shape[len(dims) :]))

    def of(self, measure: str) -> Reader:
        """Return the reader of another measure in the same data."""
        return Reader(measure, self.data, self.circuit)

    def paths(self, start: str = "", end: str = "") -> list[str]:
        """Return the paths of figures and curves that start and end so."""
        own = f"{self.name}."
        names = [str(name).removeprefix(own) for name in self.data.data_vars if str(name).startswith(own)]
        return [path for path in names if path.startswith(start) and path.endswith(end)]

    def unit(self, path: str) -> str:
        """Return the unit of a figure, "" for a ratio."""
        return unit_of(self.data[full_name(self.name, path)])

    def stated(self, name: str) -> str:
        """Return a condition with its unit, "" where it isn't stated."""
        return conditions_of(self.data, self.name).get(name, "")

    def said(self, *paths: str) -> list[str]:
        """Return figures of the first point with their units, as a title says them: those that were found."""
        values = [(float(self[path][0]), self.unit(path)) for path in paths if path in self]
        return [quantity.render(value, unit, digits=3) for value, unit in values if np.isfinite(value)]

    def value(self, parameter: str) -> Any:
        """Return the value of a parameter that wasn't swept, None where it was, or isn't one."""
        return self.data.attrs.get(f"{VALUE}{parameter}")

    @property
    def stage_name(self) -> str:
        """The stage's name in words."""
        return str(self.data.attrs.get("stage", "")).replace("_", " ")

    @cached_property
    def labels(self) -> list[str]:
        """What tells the points apart, such as "cathode resistor 1.5 kΩ"; [""] for a single one."""
        data, dims = self.data, point_dims(self.data)
        if not dims:
            return [""]
        names = [name for name in data.coords if set(data[name].dims) <= set(dims) and data[name].dims]
        if not names or len(names) > max(MOST_NAMES, len(dims)):  # a build of many parts
            count = int(np.prod([data.sizes[dim] for dim in dims]))
            return [f"{' and '.join(dims)} {k + 1}".replace("_", " ") for k in range(count)]
        labels = []
        for place in itertools.product(*(range(data.sizes[dim]) for dim in dims)):
            where: dict[Any, int] = dict(zip(dims, place, strict=True))
            parts = []
            for name in names:
                value = data[name].isel({d: where[d] for d in data[name].dims}).item()
                parts.append(f"{str(name).replace('_', ' ')} {shown_value(value, unit_of(data[name]))}")
            labels.append(", ".join(parts))
        return labels


def shown_value(value: Any, unit: str) -> str:
    """Return a value with its unit, as a label says it."""
    return quantity.render(value, unit, digits=3) if isinstance(value, int | float) else str(value).replace("_", " ")
