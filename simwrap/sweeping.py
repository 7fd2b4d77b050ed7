"""Sweeps: a table of parameter values times measures, into one labelled Dataset."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.errors import InputError, RangeError
from simwrap.evaluate import Options, Outcome, evaluate
from simwrap.measurement import MeasureChoice, chosen_measures
from simwrap.measures.requests import Result, Variable
from simwrap.netlist import Table
from simwrap.stages import Stage, check_column

if TYPE_CHECKING:
    import xarray

#: Points that are simulated between two savings (and between two steps of a progress bar).
BLOCK = 1024

#: Measures whose variables keep their bare names in a Dataset; others are prefixed.
_BARE = ("bias", "response")


@dataclass(frozen=True)
class Grid:
    """The points of a sweep: checked columns, and the shape they unfold to.

    Attributes
    ----------
    table : Table
    dims : tuple of str
        Names of the dimensions; one, "point", where the values are zipped.
    shape : tuple of int
    axes : mapping of str to ndarray
        The values along each parameter.
    zipped : bool
    """

    table: Table
    dims: tuple[str, ...]
    shape: tuple[int, ...]
    axes: Mapping[str, NDArray[Any]]
    zipped: bool


def make_grid(stage: Stage, values: Mapping[str, Iterable[Any]], *, zipped: bool = False) -> Grid:
    """Check swept values and lay them out.

    Raises
    ------
    UnknownNameError, QuantityError, RangeError
        For a parameter or a value that the stage doesn't accept.
    """
    axes: dict[str, NDArray[Any]] = {}
    for name, given in values.items():
        if isinstance(given, str) or not isinstance(given, Iterable):
            given = [given]
        canonical, column = check_column(stage, name, given)
        if canonical in axes:
            raise InputError(f"{stage.name}: {canonical} is swept twice")
        axes[canonical] = column
    if not axes:
        raise InputError(f"{stage.name}: a sweep needs at least one parameter with its values")
    lengths = {name: len(column) for name, column in axes.items()}
    if zipped:
        if len(set(lengths.values())) > 1:
            raise RangeError("zipped", lengths, "the same number of values for every parameter", stage.name)
        points = next(iter(lengths.values()))
        return Grid(Table(stage, axes, points), ("point",), (points,), axes, True)
    shape = tuple(lengths.values())
    mesh = np.meshgrid(*[np.arange(n) for n in shape], indexing="ij")
    columns = {
        name: column[index.ravel()] for (name, column), index in zip(axes.items(), mesh, strict=True)
    }
    return Grid(Table(stage, columns, int(np.prod(shape))), tuple(axes), shape, axes, False)


def dataset_name(measure: str, key: str, variable: Variable) -> str:
    """Return the name of a measure's variable in a Dataset."""
    if variable.dataset_name:
        return variable.dataset_name
    bare = key.removeprefix("valves.").replace("nodes.", "node_").replace(".", "_")
    return bare if measure in _BARE else f"{measure}_{bare}"


def _append(parts: list[Outcome], outcome: Outcome, curves: bool) -> None:
    """Keep what is wanted of one block, so that curves of a long sweep don't pile up."""
    if not curves:
        for name, result in outcome.results.items():
            single = {k: v for k, v in result.variables.items() if not v.dims}
            outcome.results[name] = Result(single, {}, result.conditions, result.warnings)
    parts.append(outcome)


def sweep(
    stage: Stage,
    values: Mapping[str, Iterable[Any]],
    measures: MeasureChoice = None,
    *,
    zipped: bool = False,
    engine: str = "auto",
    executor: Any = None,
    workers: int | None = None,
    time_limit: float = 60.0,
    curves: bool | None = None,
    progress: bool | Callable[[int, int], None] = False,
) -> xarray.Dataset:
    """Measure a stage at every combination of some values.

    Parameters
    ----------
    stage : Stage
        Gives every value that isn't swept.
    values : mapping of str to sequence
        Parameter names with their values, such as ``{"cathode_resistor": ["1k", "1k5"]}``.
    measures : sequence of str or mapping, optional
        As for :func:`simwrap.measure`.
    zipped : bool
        Take the values side by side (dim "point") instead of every combination.
    engine, time_limit
        As for :func:`simwrap.measure`.
    executor : concurrent.futures.Executor, optional
        Where to run; without it, processes on all cores of this machine.
    workers : int, optional
        How many processes where no executor is given.
    curves : bool, optional
        Keep curves (variables with a frequency or level axis); by default up to 5000 points.
    progress : bool or callable
        True draws a bar; a callable gets (points done, points in all).

    Returns
    -------
    xarray.Dataset
        Dims are the parameter names; variables carry ``units`` and ``long_name``; ``status``
        is "" or the reason why a point failed (its numbers are then NaN).

    Raises
    ------
    UnknownNameError, QuantityError, RangeError
        For a parameter or value that the stage doesn't accept.
    NoEngineError
        If there is no simulator.
    """
    grid = make_grid(stage, values, zipped=zipped)
    chosen = chosen_measures(stage, measures)
    options = Options(engine=engine, time_limit=time_limit, workers=workers, executor=executor)
    points = grid.table.points
    keep = points <= 5000 if curves is None else curves
    parts: list[Outcome] = []
    with _reporter(progress, points) as report:
        for start in range(0, points, BLOCK):
            block = np.arange(start, min(start + BLOCK, points))
            _append(parts, evaluate(grid.table.take(block), chosen, options), keep)
            report(int(block[-1]) + 1)
    return to_dataset(grid, parts)


class _reporter:
    """A progress bar (rich), a user's callable, or nothing."""

    def __init__(self, wanted: bool | Callable[[int, int], None], total: int) -> None:
        self._wanted, self._total = wanted, total

    def __enter__(self) -> Callable[[int], None]:
        if callable(self._wanted):
            told = self._wanted
            return lambda done: told(done, self._total)
        if not self._wanted:
            return lambda done: None
        from rich.progress import Progress

        self._bar = Progress(transient=True)
        self._bar.start()
        task = self._bar.add_task("simulating", total=self._total)
        return lambda done: self._bar.update(task, completed=done)

    def __exit__(self, *_: object) -> None:
        if hasattr(self, "_bar"):
            self._bar.stop()


def _joined(parts: list[Outcome], measure: str, key: str) -> NDArray[Any] | None:
    arrays = [np.asarray(part.results[measure].variables[key].values) for part in parts]
    if arrays[0].dtype.kind in "OUS":
        return np.concatenate([array.astype(str) for array in arrays])
    return np.concatenate(arrays)


def to_dataset(grid: Grid, parts: list[Outcome]) -> xarray.Dataset:
    """Lay results out along the dims of a grid."""
    import xarray

    dims, shape = grid.dims, grid.shape
    data: dict[str, Any] = {}
    coords: dict[str, Any] = {}
    conditions: dict[str, str] = {}
    for measure, result in parts[0].results.items():
        for key, variable in result.variables.items():
            array = _joined(parts, measure, key)
            array = array.reshape(*shape, *array.shape[1:])
            own = tuple(_dim_name(measure, dim, result) for dim in variable.dims)
            attrs = {"units": variable.unit, "long_name": variable.long_name, "measure": measure}
            data[dataset_name(measure, key, variable)] = ((*dims, *own), array, attrs)
        for dim, variable in result.coords.items():
            attrs = {"units": variable.unit, "long_name": variable.long_name}
            name = _dim_name(measure, dim, result)
            coords[name] = ((name,), np.asarray(variable.values), attrs)
        for name, (value, unit) in result.conditions.items():
            if np.ndim(value) == 0:
                conditions[f"{measure}.{name}"] = f"{value} {unit}".strip()
    parameters = grid.table.stage.template.parameters
    for name, column in grid.axes.items():
        parameter = parameters.get(name)
        attrs = {"units": parameter.unit if parameter and parameter.numeric else "",
                 "long_name": parameter.label if parameter else "spread of a valve"}
        coords[name] = (("point",) if grid.zipped else (name,), column, attrs)
    reasons = np.array([reason for part in parts for reason in part.reasons], dtype=str).reshape(shape)
    data["status"] = (dims, reasons, {"long_name": "why a point failed, empty where it didn't", "units": ""})
    used = sorted({name for part in parts for name in part.engines if name})
    first = next((digest for part in parts for digest in part.netlists if digest), "")
    attrs = {
        "stage": grid.table.stage.name,
        **{f"value.{name}": value for name, value in grid.table.stage.values.items() if name not in grid.axes},
        **{f"condition.{name}": text for name, text in conditions.items()},
        **engines.provenance("+".join(used), first),
    }
    return xarray.Dataset(data, coords=coords, attrs=attrs)


def _dim_name(measure: str, dim: str, result: Result) -> str:
    """Frequencies and levels of different measures are different axes."""
    return dim if measure in _BARE else f"{measure}_{dim}"
