"""Sweeps: a table of parameter values times measures, into one labelled Dataset."""

from __future__ import annotations

import hashlib
import io
import os
import sys
import time
import warnings
from collections.abc import Callable, Iterable, Mapping
from contextlib import nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Unpack

import numpy as np
from numpy.typing import NDArray

from simwrap import engine as engines
from simwrap.circuits.circuit import Circuit, as_circuit
from simwrap.circuits.header import SAME
from simwrap.circuits.point_table import PointTable, check_column
from simwrap.circuits.render import Netlist, render
from simwrap.circuits.stage import Stage, check_pairs
from simwrap.engine import Run, RunKeywords, spelled_out
from simwrap.errors import InputError, RangeError
from simwrap.files import held, whole_file
from simwrap.findings.finding import Finding
from simwrap.findings.status import Reason, Status
from simwrap.measures.requests import Result, Variable
from simwrap.measures.results import axes_of, labelled
from simwrap.simulation.answers import ByPoint
from simwrap.simulation.conduct import evaluate
from simwrap.simulation.dataset import NOTES, PointAxes, about, make_dataset, point_dims, single_figures
from simwrap.simulation.measurement import MeasureChoice, chosen_measures, plots_its_sweeps
from simwrap.simulation.outcome import Outcome
from simwrap.simulation.provenance import provenance
from simwrap.simulation.spot_check import disagreement
from simwrap.valves import designation

if TYPE_CHECKING:
    import xarray

#: Most points that are simulated between two savings (and between two steps of a progress bar), by what the measures
#: turned out to ask. Never by the clock: with the same blocks every time, the numbers are the same to the last bit.
BLOCK, SLOW_BLOCK = 1024, 32
#: Where a point is slow, a block has at most so many times the points of all before it.
GROWTH = 4

#: From so many points on, small signals come from the linearised circuit, even if there is but one sweep.
MANY = 100

#: Status of a point that has not been run.
PENDING = Reason("not run yet", Status.PENDING)

#: Seconds between two savings of a running sweep.
SAVE_EVERY = 5.0

SPOT_CHECK_POINTS = 5
SPOT_CHECK_TOLERANCE = 1e-3


@dataclass(frozen=True)
class Grid:
    """The points of a sweep: checked columns, and the shape they unfold to.

    Attributes
    ----------
    table : PointTable
    dims : tuple of str
        Names of the dimensions; one where the values are zipped.
    shape : tuple of int
    axes : mapping of str to ndarray
        The values along each parameter; valves by the designation that was given.
    zipped : bool
    """

    table: PointTable
    dims: tuple[str, ...]
    shape: tuple[int, ...]
    axes: Mapping[str, NDArray[Any]]
    zipped: bool


def make_grid(stage: Stage | Circuit, values: Mapping[str, Iterable[Any]], *, zipped: bool | str = False) -> Grid:
    """Check swept values and lay them out.

    Raises
    ------
    UnknownNameError, QuantityError, RangeError
        For a parameter or a value that the stage doesn't accept.
    """
    if not isinstance(values, Mapping):
        raise RangeError(
            "values", values, 'values by parameter, such as {"cathode_resistor": ["1k", "1k5"]}', stage.name
        )
    axes: dict[str, NDArray[Any]] = {}
    columns: dict[str, NDArray[Any]] = {}
    for name, given in values.items():
        if isinstance(given, str) or not isinstance(given, Iterable):
            given = [given]
        given = given if isinstance(given, np.ndarray) else list(given)
        canonical, column = check_column(stage, name, given)
        if canonical in columns:
            raise InputError(f"{stage.name}: {canonical} is swept twice")
        columns[canonical] = column
        axes[canonical] = _as_given(stage, canonical, given, column)
    if not axes:
        raise InputError(f"{stage.name}: a sweep needs at least one parameter with its values")
    lengths = {name: len(column) for name, column in axes.items()}
    if zipped:
        if len(set(lengths.values())) > 1:
            raise RangeError("zipped", lengths, "the same number of values for every parameter", stage.name)
        points = next(iter(lengths.values()))
        check_pairs(stage.parameters, {**stage.values, **columns}, stage.name)
        return Grid(PointTable(stage, columns, points), ("point" if zipped is True else zipped,), (points,), axes, True)
    shape = tuple(lengths.values())
    mesh = np.meshgrid(*[np.arange(n) for n in shape], indexing="ij")
    spread = {name: column[index.ravel()] for (name, column), index in zip(columns.items(), mesh, strict=True)}
    check_pairs(stage.parameters, {**stage.values, **spread}, stage.name)
    return Grid(PointTable(stage, spread, int(np.prod(shape))), tuple(axes), shape, axes, False)


def _as_given(stage: Stage | Circuit, name: str, given: Any, column: NDArray[Any]) -> NDArray[Any]:
    """Return the labels of a swept parameter: its values, or the designations of valves that were asked for."""
    parameter = stage.parameters.get(name)
    if parameter is None or parameter.unit != "valve":
        return column
    folders = as_circuit(stage, "sweep").stages[name.rpartition(".")[0]].valve_folders
    asked = zip(given, column.tolist(), strict=True)
    return np.array([SAME if own == SAME else designation(str(entry), folders=folders) for entry, own in asked])


class _Collected:
    """Arrays of the whole sweep, filled block by block."""

    def __init__(self, grid: Grid, curves: bool) -> None:
        self.grid, self.curves = grid, curves
        points = grid.table.points
        self._figures = ByPoint(points)
        self.variables: dict[str, Variable] = {}
        self.templates: dict[str, Result] = {}
        self.reasons: list[str] = [PENDING] * points
        self.findings: list[list[Finding]] = [[] for _ in range(points)]
        self.engines: set[str] = set()
        self.small_signals: set[str] = set()
        self.refused: dict[str, str] = {}
        self.block = 0

    @property
    def arrays(self) -> dict[str, NDArray[Any]]:
        """Figures and curves of all points by name, as are the variables."""
        return self._figures.arrays

    def add(self, indices: NDArray[np.intp], outcome: Outcome) -> None:
        """Keep one block; its curves only where they are wanted, so that they don't pile up."""
        for measure, result in outcome.results.items():
            if measure not in self.templates:
                self.templates[measure] = Result({}, result.coords if self.curves else {}, result.conditions, [])
        figures = labelled(outcome.results)
        kept = {name: variable for name, variable in figures.items() if self.curves or not variable.dims}
        self._figures.put_figures(indices, kept)
        self.variables = kept | self.variables
        for index, reason, found in zip(indices, outcome.reasons, outcome.findings, strict=True):
            self.reasons[index], self.findings[index] = reason, found
        self.refused |= outcome.refused
        self.engines |= {name for used in outcome.engines for name in used.split("+") if name}
        self.small_signals |= outcome.small_signals
        stages = len(self.grid.table.circuit.stages)  # the larger a circuit, the longer takes a point
        self.block = self.block or (SLOW_BLOCK if outcome.slow else max(BLOCK // stages, SLOW_BLOCK + 1))


@spelled_out(Run)
def sweep(
    stage: Stage | Circuit,
    values: Mapping[str, Iterable[Any]],
    measures: MeasureChoice = None,
    *,
    zipped: bool | str = False,
    curves: bool | None = None,
    file: str | Path | None = None,
    spot_check: int | None = None,
    **run: Unpack[RunKeywords],
) -> xarray.Dataset:
    """Measure a stage at every combination of some values.

    Parameters
    ----------
    stage : Stage or Circuit
        Gives every value that isn't swept.
    values : mapping of str to sequence
        Parameter names with their values, such as ``{"cathode_resistor": ["1k", "1k5"]}``.
    measures : sequence of str or mapping, optional
        As for :func:`simwrap.measure`.
    zipped : bool or str
        Take the values side by side instead of every combination, along a dim "point" (or of
        the name given).
    curves : bool, optional
        Keep curves (variables with a frequency or level axis); by default up to 5000 points.
    file : path, optional
        A netCDF file (.nc) that keeps what is done, also when the run is interrupted; the same
        call with the same file then computes only the rest.
    spot_check : int, optional
        So many random points run again on the other engine, with its own small-signal analyses; the largest
        disagreement goes into ``attrs`` and, above 0.1 % of a value, into a warning. By default 5 points for sweeps
        of more than 200 where both engines are there, or where small signals come from the linearised circuit.
    engine, time_limit, workers, executor, progress
        As for :func:`simwrap.measure`.

    Returns
    -------
    xarray.Dataset
        Dims are the parameter names; a variable has the name of its figure everywhere, such as
        ``data["response.gain"]``, its axis ("response.frequency") likewise; they carry ``units`` and ``long_name``;
        ``status`` is "" or the reason why a point failed (its numbers are then NaN); ``warnings`` says which ratings a
        point exceeds or comes near, "" where none.

    Raises
    ------
    UnknownNameError, QuantityError, RangeError
        For a parameter or value that the stage doesn't accept.
    NoEngineError
        If there is no simulator.

    Examples
    --------
    >>> import simwrap
    >>> line = simwrap.stage("triode_gain", valve="6SL7GT", supply="250 V")
    >>> data = simwrap.sweep(line, {"cathode_resistor": ["1k", "1k8", "3k3"]}, ["bias"])
    >>> data["bias.valves.v1.anode_current"].dims
    ('cathode_resistor',)
    >>> falling = data["bias.valves.v1.anode_current"].diff("cathode_resistor") < 0.0
    >>> bool(falling.all())
    True
    """
    how = Run.of(run)
    stage = as_circuit(stage, "sweep")
    grid = make_grid(stage, values, zipped=zipped)
    chosen = chosen_measures(stage, measures)
    file = None if file is None else _path(file, ".nc")
    points = grid.table.points
    collected = _Collected(grid, points <= 5000 if curves is None else curves)
    with _Progress(how.progress, points) as bar, held(file) if file is not None else nullcontext():
        done = _resumed(file, grid, chosen) if file is not None else None
        options = replace(how, arrived=bar.arrived, small_signals=_how(points))
        data = _by_blocks(collected, chosen, options, bar, done, file)
        for name, why in collected.refused.items():
            if name not in collected.templates:
                warnings.warn(f"{why}; left out", stacklevel=2)
        if spot_check is None:
            spot_check = SPOT_CHECK_POINTS if points > 200 else 0
        if spot_check and (done is None or _pending(done).any()):
            _spot_check(data, grid, chosen, options, collected, spot_check)
            if file is not None:
                save(data, file)
    return data


def _by_blocks(
    collected: _Collected,
    chosen: Mapping[str, Any],
    options: Run,
    bar: _Progress,
    done: xarray.Dataset | None,
    file: Path | None,
) -> xarray.Dataset:
    """Run what isn't done yet, block by block, and keep it in the file as it comes."""
    table = collected.grid.table
    pending = _pending(done) if done is not None else np.ones(table.points, dtype=bool)
    if done is not None:
        collected.block = int(done.attrs["block"])
        collected.engines |= set(done.attrs["engine"].split("+"))
    data = done
    saved = -np.inf  # the first block at once: a file that can't be written is known then, and nothing is lost after it
    stop = 0
    try:
        while stop < table.points:
            start, stop = stop, min(_end_of_block(stop, collected.block), table.points)
            block = start + np.flatnonzero(pending[start:stop])
            if len(block):
                bar.begin(start, stop)
                collected.add(block, evaluate(table.take(block), chosen, options))
            bar.end(stop)
            if file is not None and stop < table.points and time.monotonic() - saved > SAVE_EVERY and len(block):
                save(_combined(done, to_dataset(collected, chosen)), file)
                saved = time.monotonic()
    finally:  # also when interrupted: what is done stays done
        if collected.arrays:
            data = _combined(done, to_dataset(collected, chosen))
            if file is not None:
                save(data, file)
    assert data is not None
    return data


def _end_of_block(start: int, most: int) -> int:
    """Return where the block ends that begins at a point: a single one at first, so that something is soon done."""
    if not start:
        return 1
    return start + (min(GROWTH * start, most) if most == SLOW_BLOCK else most)


def _how(points: int) -> str:
    """Return how small signals are found: for many points a circuit made linear takes less time than an engine."""
    return "linearised" if points >= MANY else "auto"


def _pending(data: xarray.Dataset) -> NDArray[np.bool_]:
    return np.asarray(data["outcome"].values == Status.PENDING).ravel()


def _resumed(file: str | Path, grid: Grid, chosen: Mapping[str, Any]) -> xarray.Dataset | None:
    """Return the Dataset of an interrupted run of this same sweep, or None where there is no file."""
    if not Path(file).exists():
        return None
    data = load(file)
    if data.attrs.get("task") != _task(grid, chosen, render(grid.table.at(0))):
        raise InputError(f"{file}: holds another sweep; give another file, or remove it")
    return data


def _task(grid: Grid, chosen: Mapping[str, Any], first: Netlist) -> str:
    """Return a digest of everything that decides about a sweep's numbers; ``first`` is its first point's netlist."""
    stage = grid.table.circuit
    told = repr([stage.name, sorted(stage.values.items()), grid.dims, grid.shape])
    told += repr(sorted((name, sorted(options.items())) for name, options in chosen.items()))
    # The first point's netlist stands for the laws of its valves.
    told += "".join(template.source for template in stage.templates)
    digest = hashlib.sha256((told + first.circuit.text).encode())
    for name, column in grid.axes.items():
        digest.update(name.encode())
        digest.update(column.tobytes() if column.dtype.kind == "f" else repr(column.tolist()).encode())
    return digest.hexdigest()[:32]


def _combined(old: xarray.Dataset | None, new: xarray.Dataset) -> xarray.Dataset:
    """Fill what is pending in ``old`` from ``new``."""
    if old is None:
        return new
    pending = old["outcome"] == Status.PENDING
    whole = new.copy()
    for name in new.data_vars:
        if name in old:
            kept = new[name].where(pending, old[name])
            words = kept.dtype.kind in "OU"  # as wide as the longest, no wider
            kept = kept.copy(data=np.array(kept.values.tolist(), dtype=str)) if words else kept.astype(new[name].dtype)
            whole[name] = kept.assign_attrs(new[name].attrs)
    return whole


def _spot_check(
    data: xarray.Dataset,
    grid: Grid,
    chosen: Mapping[str, Any],
    options: Run,
    collected: _Collected,
    count: int,
) -> None:
    """Run some points again on the other engine and note the largest disagreement.

    Small signals are then the engine's own analyses. Where they come from a linearised circuit, that is a check even
    on the same engine.
    """
    linearised = "linearised" in collected.small_signals
    others = [entry.name for entry in engines.found() if entry.available and entry.name not in collected.engines]
    others += sorted(collected.engines) if linearised else []
    good = np.flatnonzero([not reason for reason in collected.reasons])
    if not others or not len(good):
        data.attrs["spot_check"] = "not done: it takes a second engine"
        return
    picked = np.sort(np.random.default_rng(0).choice(good, min(count, len(good)), replace=False))
    again = evaluate(grid.table.take(picked), chosen, replace(options, engine=others[0], small_signals="engine"))
    numbers = {name: array for name, array in collected.arrays.items() if array.dtype != object and array.ndim == 1}
    repeated = {name: np.asarray(variable.values) for name, variable in labelled(again.results).items()}
    worst, where = disagreement(numbers, repeated, picked, {name: collected.variables[name].unit for name in numbers})
    by = ", small signals by its own analyses" if linearised else ""
    data.attrs["spot_check"] = f"{len(picked)} points again on {others[0]}{by}"
    data.attrs["spot_check_disagreement"] = worst
    data.attrs["spot_check_variable"] = where
    if worst > SPOT_CHECK_TOLERANCE:
        warnings.warn(
            f"spot check: {where} differs by {worst:.2g} of its value between the engines; look before trusting it",
            stacklevel=3,
        )


def _path(given: Any, ending: str = "") -> Path:
    """Return the name of a file, checked as far as can be without opening it: ``ending`` too, if one is given.

    Raises
    ------
    RangeError
    """
    if not isinstance(given, str | os.PathLike) or "\0" in str(given) or not str(given).strip():
        raise RangeError("file", given, "the name of a file, such as sweep.nc")
    if ending and Path(given).suffix != ending:
        raise RangeError("file", Path(given).name, f"a name that ends in {ending}")
    return Path(given)


def save(data: xarray.Dataset, file: str | Path, *, replace: bool = True) -> None:
    """Write a sweep: ``.nc`` as netCDF (all of it), ``.csv`` as one row a point (single numbers).

    Parameters
    ----------
    data : xarray.Dataset
    file : path
    replace : bool
        Whether a file that is there may be written over.

    Raises
    ------
    RangeError
        For another ending.
    InputError, SystemLimitError
        If the file can't be written; one that was there is then as it was.
    """
    file = _path(file)
    if file.suffix.lower() not in (".nc", ".csv"):
        raise RangeError("file", file.name, "a name that ends in .nc (netCDF) or .csv")
    with whole_file(file, replace=replace) as partial:
        if file.suffix.lower() == ".nc":
            partial.write_bytes(_netcdf(data))
        else:
            dims = set(point_dims(data))
            single = data[[*single_figures(data), *NOTES]]
            keep = [name for name in single.coords if set(single[name].dims) <= dims]
            table = single.reset_coords(drop=False)[[*keep, *single.data_vars]] if keep else single
            table = table if dims else table.expand_dims("point")  # of a single measurement
            table.to_dataframe().reset_index(drop=not dims & set(single.indexes)).to_csv(partial, index=False)


def _netcdf(data: xarray.Dataset) -> bytes:
    """Return a Dataset as the bytes of a file; the library itself, let loose on a full disk, ends the process."""
    import h5netcdf
    from xarray.backends import H5NetCDFStore

    buffer = io.BytesIO()
    with h5netcdf.File(buffer, "w") as file:
        data.dump_to_store(H5NetCDFStore(file))
    return buffer.getvalue()


def load(file: str | Path) -> xarray.Dataset:
    """Open a sweep that was saved as netCDF.

    Raises
    ------
    InputError
        If there is no such file, or it isn't one.
    """
    import xarray

    file = _path(file)
    try:
        plots_its_sweeps()
        return xarray.load_dataset(file, engine="h5netcdf")
    except FileNotFoundError:
        raise InputError(f"{file}: there is no such file") from None
    except Exception as fault:  # h5netcdf raises many kinds
        raise InputError(f"{file}: is not a saved sweep ({fault})") from None


class _Progress:
    """A progress bar (rich), a user's callable, or nothing.

    It moves with each part of a block that a child has done. How many parts a block has is known from those before it;
    of the first it is a guess, and the bar slows down instead of running ahead.
    """

    #: Parts that a point of the first block is taken to have.
    GUESS = 2.0

    def __init__(self, wanted: bool | Callable[[int, int], None], total: int) -> None:
        self._total = total
        self._told = wanted if callable(wanted) else None
        self._drawn = bool(wanted) and self._told is None
        self._start, self._stop, self._parts, self._done = 0, 0, 0, -1
        self._a_point = 0.0  # parts of a point, as far as it is known

    def __enter__(self) -> _Progress:
        if self._drawn:
            from rich.console import Console
            from rich.progress import Progress

            terminal = getattr(sys.stderr, "terminal", sys.stderr)  # the command line's own lets no escape pass
            self._bar = Progress(transient=True, console=Console(file=terminal))
            self._bar.start()
            self._task = self._bar.add_task("simulating", total=self._total)
        return self

    def __exit__(self, *_: object) -> None:
        if self._drawn:
            self._bar.stop()

    def begin(self, start: int, stop: int) -> None:
        """Begin a block of points."""
        self._start, self._stop, self._parts = start, stop, 0

    def arrived(self) -> None:
        """Count a part of the block."""
        self._parts += 1
        points = self._stop - self._start
        if self._a_point:
            share = min(self._parts / (self._a_point * points), 0.99)
        else:
            share = self._parts / (self._parts + self.GUESS * points)
        self._tell(self._start + share * points)

    def end(self, stop: int) -> None:
        """End a block of points."""
        if self._parts:
            self._a_point = self._parts / (stop - self._start)
        self._tell(stop)

    def _tell(self, done: float) -> None:
        if self._drawn:
            self._bar.update(self._task, completed=done)
        elif self._told is not None and int(done) > self._done:
            self._done = int(done)
            self._told(self._done, self._total)


def to_dataset(collected: _Collected, chosen: Mapping[str, Any]) -> xarray.Dataset:
    """Lay results out along the dims of a grid."""
    grid = collected.grid
    stage = grid.table.circuit
    parameters = stage.parameters
    coords: dict[str, Any] = {}
    for name, column in grid.axes.items():
        parameter = parameters.get(name)
        words = {"long_name": parameter.label if parameter else "spread of a valve"}
        if column.dtype.kind == "f":
            words = {"units": (parameter.unit if parameter else "") or "1"} | words
        coords[name] = (grid.dims if grid.zipped else (name,), column, words)
    plots_its_sweeps()
    first = render(grid.table.at(0))
    attrs = {
        "task": _task(grid, chosen, first),
        "block": collected.block,
        **about(stage, collected.templates, list(grid.axes)),
        **provenance("+".join(sorted(collected.engines)), first.sha256, collected.small_signals),
    }
    return make_dataset(
        {name: replace(collected.variables[name], values=array) for name, array in collected.arrays.items()},
        axes_of(collected.templates),
        layout=PointAxes(grid.dims, grid.shape, coords),
        reasons=collected.reasons,
        findings=collected.findings,
        attrs=attrs,
    )
