"""Reading one measure's arrays from wherever they are: a Result, plain values, or a sweep's Dataset."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simwrap.errors import InputError
from simwrap.measures.requests import Result
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray


@dataclass(frozen=True)
class Reader:
    """Arrays of one measure, wherever they come from: first axis the point.

    Attributes
    ----------
    name : str
        The measure.
    arrays : mapping of str to ndarray
        By key.
    units : mapping of str to str
    labels : list of str
        What tells the points apart; [""] for a single one.
    conditions : mapping of str to tuple
        Value and unit.
    stage : Stage, or None
        The stage, where it is known.
    title : str
        The stage's name, where that is all that is known.
    """

    name: str
    arrays: Mapping[str, NDArray[Any]]
    units: Mapping[str, str]
    labels: list[str]
    conditions: Mapping[str, tuple[Any, str]]
    stage: Any = None
    title: str = ""

    def __getitem__(self, key: str) -> NDArray[Any]:
        return self.arrays[key]

    def __contains__(self, key: str) -> bool:
        return key in self.arrays

    @property
    def stage_name(self) -> str:
        """The stage's name in words, "" where it isn't known."""
        return (self.title if self.stage is None else str(self.stage.name)).replace("_", " ")

    def keys(self, start: str, end: str = "") -> list[str]:
        """Return the keys that start and end so."""
        return [key for key in self.arrays if key.startswith(start) and key.endswith(end)]

    def stated(self, name: str) -> str:
        """Return a condition with its unit, "" where it isn't stated."""
        value, unit = self.conditions.get(name, ("", ""))
        return quantity.render(float(value), unit) if isinstance(value, int | float) else str(value)


def read_result(name: str, result: Result, stage: Any) -> Reader:
    """Read one measure of one or more points."""
    arrays = {key: np.asarray(variable.values) for key, variable in result.variables.items()}
    units = {key: variable.unit for key, variable in result.variables.items()}
    points = len(next(iter(arrays.values())))
    for key, variable in result.coords.items():
        arrays.setdefault(key, np.asarray(variable.values))
        units.setdefault(key, variable.unit)
    labels = [""] if points == 1 else [f"point {k + 1}" for k in range(points)]
    return Reader(name, arrays, units, labels, result.conditions, stage)


def _flat(values: Mapping[str, Any], start: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in values.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{start}{key}.")
        else:
            flat[f"{start}{key}"] = value
    return flat


#: Axes that belong to no point, as they are named in every measure.
_AXES = ("frequency", "time", "harmonic", "level", "share")


def _is_axis(key: str) -> bool:
    return key in _AXES or key.endswith(("_setting", "bass_frequency", "middle_frequency", "treble_frequency"))


def read_dict(name: str, values: Mapping[str, Any], stage: Any) -> Reader:
    """Read the nested plain values of one measure (one point, as JSON has them)."""
    arrays: dict[str, NDArray[Any]] = {}
    for key, value in _flat(values).items():
        array = np.asarray(value)
        if array.dtype == object:  # None stands for NaN
            array = array.astype(float)
        arrays[key] = array if _is_axis(key) else array[None]
    return Reader(name, arrays, {}, [""], {}, stage)


def read_dataset(name: str, data: xarray.Dataset, keys: Sequence[str]) -> Reader:
    """Read one measure's curves from a sweep; its points are the combinations of what was swept."""
    from simwrap.simulation.sweep import point_dims

    dims = point_dims(data)
    arrays: dict[str, NDArray[Any]] = {}
    units: dict[str, str] = {}
    for key in keys:
        # A measure's own axis first: there may be another measure's of the same bare name.
        for dataset_key in (f"{name}_{key}".replace(".", "_"), key.replace(".", "_")):
            if dataset_key in data.variables:
                found = data[dataset_key]
                own = [dim for dim in found.dims if dim not in dims]
                if any(dim in dims for dim in found.dims):
                    lined = found.transpose(*dims, *own).values
                    arrays[key] = lined.reshape(-1, *lined.shape[len(dims) :])
                else:
                    arrays[key] = found.values
                units[key] = str(found.attrs.get("units", ""))
                break
    if not any(key in arrays for key in keys if not _is_axis(key)):
        raise InputError(f"plot: the data hold no curves of {name}; sweep with that measure and curves=True")
    stage = str(data.attrs.get("stage", ""))
    return Reader(name, arrays, units, _labels(data, dims), _conditions(name, data), title=stage)


def _conditions(name: str, data: xarray.Dataset) -> dict[str, tuple[Any, str]]:
    """Return what a measure was taken under, as the Dataset's attributes say it."""
    found: dict[str, tuple[Any, str]] = {}
    for key, text in data.attrs.items():
        if str(key).startswith(f"condition.{name}."):
            number, _, unit = str(text).partition(" ")
            try:
                found[str(key).split(".", 2)[2]] = float(number), unit
            except ValueError:
                found[str(key).split(".", 2)[2]] = str(text), ""
    return found


#: A point with more coordinates than this has a number instead of their values.
MOST_NAMES = 3


def _labels(data: xarray.Dataset, dims: list[str]) -> list[str]:
    """Return one label a point, such as "cathode resistor 1.5 kΩ"."""
    names = [name for name in data.coords if set(data[name].dims) <= set(dims) and data[name].dims]
    if len(names) > max(MOST_NAMES, len(dims)):  # a build of many parts
        count = int(np.prod([data.sizes[dim] for dim in dims]))
        return [f"{' and '.join(dims)} {k + 1}".replace("_", " ") for k in range(count)]
    labels = []
    for place in itertools.product(*(range(data.sizes[dim]) for dim in dims)):
        where: dict[Any, int] = dict(zip(dims, place, strict=True))
        parts = []
        for name in names:
            value = data[name].isel({d: where[d] for d in data[name].dims}).item()
            parts.append(f"{str(name).replace('_', ' ')} {shown_value(value, str(data[name].attrs.get('units', '')))}")
        labels.append(", ".join(parts))
    return labels


def shown_value(value: Any, unit: str) -> str:
    """Return a value with its unit, as a label says it."""
    return quantity.render(value, unit, digits=3) if isinstance(value, int | float) else str(value).replace("_", " ")


def keys_of(name: str, data: Any) -> list[str]:
    """Return the keys of a measure's variables and axes in a Dataset."""
    keys = list(_AXES) + [f"{c}_{word}" for c in ("bass", "middle", "treble") for word in ("setting", "frequency")]
    for variable in data.data_vars:
        if data[variable].attrs.get("measure") == name:
            bare = str(variable).removeprefix(f"{name}_")
            # Dots of a key are underscores in a Dataset: those that the drawers ask for come back.
            for group in ("clipping", "class_a", "at_stated_thd", "flattest"):
                bare = bare.replace(f"{group}_drive", f"{group}.drive").replace(
                    f"{group}_output_power", f"{group}.output_power"
                )
            keys.append(bare)
    return keys
