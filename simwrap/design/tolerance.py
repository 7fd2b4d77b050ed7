"""What the tolerance of parts, the spread of valves and the mains do to a stage.

:func:`spread` builds a stage many times with drawn values, :func:`worst_case` takes the
corners. Both move *factors*: one a part, one a group of matched valves, one for all supplies.
Values are drawn before anything is run, so that they can't depend on who runs it.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.point_table import Table
from simwrap.circuits.render import render
from simwrap.circuits.stage import SPREADS, Stage, find_parameter
from simwrap.design.limits import Known, Yield, yield_of
from simwrap.errors import InputError, QuantityError, RangeError, UnknownNameError
from simwrap.measures.results import find_name, labelled
from simwrap.registry import find
from simwrap.simulation.dataset import unit_of
from simwrap.simulation.evaluate import Options, evaluate
from simwrap.simulation.measurement import MeasureChoice, chosen_measures
from simwrap.simulation.sweep import save, sweep
from simwrap.tables import html_table, text_table
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

Floats = NDArray[np.float64]

#: Tolerance that goes with a series, IEC 60063 (E3 has none of its own: "over 20 %").
SERIES_TOLERANCE = {"E6": 0.20, "E12": 0.10, "E24": 0.05, "E48": 0.02, "E96": 0.01, "E192": 0.005}

#: Kinds of parts by the unit of their parameter.
KINDS = {"resistors": "ohm", "capacitors": "F", "inductors": "H"}

#: What is taken where nothing is said: ordinary carbon film and film capacitors.
USUAL = {"resistors": "5 %", "capacitors": "10 %"}

#: Parameters that a kind doesn't cover: they describe what is outside of the stage.
OUTSIDE = ("source_resistance", "load_capacitance")

DISTRIBUTIONS = ("uniform", "normal")

#: Within its tolerance, a normal part lies within this many standard deviations.
NORMAL_SIGMAS = 3.0

#: Up to so many factors every corner is run.
ALL_CORNERS = 10

_TWO_SIDED = re.compile(r"-\s*([0-9.]+)\s*%?\s*/?\s*\+\s*([0-9.]+)\s*%")


@dataclass(frozen=True)
class Factor:
    """Something that varies: the relative change of one or more parameters together.

    Attributes
    ----------
    name : str
        The parameter, "v1.emission = v2.emission" for a matched group, or "supply variation".
    parameters : tuple of str
        What it multiplies.
    low, high : float
        Ends of the relative change, such as -0.05 and 0.05.
    """

    name: str
    parameters: tuple[str, ...]
    low: float
    high: float

    def change(self, position: Floats) -> Floats:
        """Return the relative change at positions -1 .. 1."""
        return np.where(position < 0, -self.low, self.high) * position


def read_tolerance(given: Any, name: str) -> tuple[float, float]:
    """Return the ends of a relative change, such as (-0.05, 0.05).

    Parameters
    ----------
    given : str or float
        "5 %", 0.05, the name of a series ("E24": 5 %, as IEC 60063 has it), or "-20/+50 %".
    name : str
        For errors.

    Raises
    ------
    QuantityError, RangeError
    """
    if isinstance(given, str):
        series = given.strip().upper()
        if series in SERIES_TOLERANCE:
            return -SERIES_TOLERANCE[series], SERIES_TOLERANCE[series]
        ends = _TWO_SIDED.fullmatch(given.strip())
        if ends:
            low, high = (quantity.parse(f"{end} %", "", parameter=f"tolerance of {name}") for end in ends.groups())
            return _ends(-low, high, given, name)
    try:
        value = quantity.parse(given, "", parameter=f"tolerance of {name}")
    except QuantityError as fault:
        accepted = 'a tolerance such as "5 %", 0.05, "E24" or "-20/+50 %"'
        raise QuantityError(fault.parameter, given, fault.reading, accepted) from None
    return _ends(-value, value, given, name)


def _ends(low: float, high: float, given: Any, name: str) -> tuple[float, float]:
    if not (-1.0 < low <= 0.0 <= high < 1.0):
        raise RangeError(f"tolerance of {name}", given, 'a tolerance from 0 to below 100 %, such as "5 %" or 0.05')
    return low, high


def factors_of(
    stage: Stage,
    tolerances: Mapping[str, Any] | None = None,
    *,
    valve_spread: Mapping[str, Any] | None = None,
    supply_variation: Any = 0.0,
    matched: bool | Sequence[Sequence[str]] = False,
    matching: Any = 0.0,
) -> list[Factor]:
    """Return what varies in a stage; for the parameters see :func:`spread`."""
    factors = [
        Factor(name, (name,), *ends)
        for name, ends in _part_tolerances(stage, USUAL if tolerances is None else tolerances).items()
    ]
    factors += _valve_factors(stage, valve_spread or {}, matched, matching)
    low, high = read_tolerance(supply_variation, "the supplies")
    supplies = tuple(name for name in stage.supplies if name in stage.values and stage.values[name] != 0)
    if high > low:
        if not supplies:
            raise InputError(f"{stage.name}: has no supply that could vary")
        factors.append(Factor("supply variation", supplies, low, high))
    factors = [factor for factor in factors if factor.high > factor.low]
    if not factors:
        raise InputError(
            f"{stage.name}: nothing varies; give a tolerance, a valve spread or a supply variation above zero"
        )
    return factors


def _part_tolerances(stage: Stage, tolerances: Mapping[str, Any]) -> dict[str, tuple[float, float]]:
    """Kinds first, then what is said of a single part."""
    parameters = stage.parameters
    found: dict[str, tuple[float, float]] = {}
    singles: dict[str, tuple[float, float]] = {}
    for given, tolerance in tolerances.items():
        kind = given.strip().casefold()
        if kind in KINDS:
            ends = read_tolerance(tolerance, kind)
            covered = [
                n for n, p in parameters.items() if p.unit == KINDS[kind] and n not in OUTSIDE and stage.values[n] != 0
            ]
            found |= {name: ends for name in covered if _matters(stage, name)}
            continue
        try:
            single = find_parameter(given, parameters, stage.name).name
        except UnknownNameError:
            raise UnknownNameError("parameter or kind of part", given, [*parameters, *KINDS], stage.name) from None
        if not parameters[single].numeric:
            raise RangeError(
                f"tolerance of {single}", tolerance, "one for a number: this parameter is a word", stage.name
            )
        singles[single] = read_tolerance(tolerance, single)
    return found | singles


def _matters(stage: Stage, name: str) -> bool:
    """Whether a part is in the circuit as its choices stand."""
    moved = stage.with_values({name: stage.values[name] * 1.001})
    return render(moved).circuit.text != render(stage).circuit.text


def _valve_factors(
    stage: Stage, valve_spread: Mapping[str, Any], matched: bool | Sequence[Sequence[str]], matching: Any
) -> list[Factor]:
    ends: dict[str, tuple[float, float]] = {}
    for given, tolerance in sorted(valve_spread.items(), key=lambda entry: "." in entry[0]):  # single valves last
        instance, dot, which = given.strip().casefold().rpartition(".")
        if which == "gm":
            raise RangeError(
                f"spread of {given}",
                tolerance,
                'it as "emission": at given voltages gm goes as the emission',
                stage.name,
            )
        which = find("spread of a valve", which, {name: name for name in SPREADS}, stage.name)
        chosen = (
            [find("valve in this circuit", instance, {v: v for v in stage.valves}, stage.name)]
            if dot
            else list(stage.valves)
        )
        if not chosen:
            raise InputError(f"{stage.name}: has no valve whose {which} could vary")
        for valve in chosen:
            ends[f"{valve}.{which}"] = read_tolerance(tolerance, f"{valve}.{which}")
    residue = read_tolerance(matching, "matching")
    factors: list[Factor] = []
    for group in _matched_groups(stage, matched):
        for which in SPREADS:
            names = tuple(f"{valve}.{which}" for valve in group if f"{valve}.{which}" in ends)
            if len({ends[name] for name in names}) > 1:
                raise InputError(f"{stage.name}: {' and '.join(names)} are matched, but have different spreads")
            if names:
                factors.append(Factor(" = ".join(names), names, *ends[names[0]]))
                if len(names) > 1 and residue[1] > 0:
                    factors += [Factor(f"{name} within the match", (name,), *residue) for name in names]
    return factors


def _matched_groups(stage: Stage, matched: bool | Sequence[Sequence[str]]) -> list[list[str]]:
    """Return groups of valve instances that share their draw; one that isn't matched is a group of its own."""
    valves = stage.valves
    groups: list[list[str]] = []
    if matched is True:
        by_type: dict[str, list[str]] = {}
        for instance, use in valves.items():
            by_type.setdefault(use.valve.name, []).append(instance)
        return list(by_type.values())
    for given in matched or ():
        if isinstance(given, str):
            raise RangeError("matched", given, 'True, or groups such as [("v1", "v2")]', stage.name)
        groups.append([find("valve in this circuit", name, {v: v for v in valves}, stage.name) for name in given])
    grouped = [instance for group in groups for instance in group]
    if len(set(grouped)) < len(grouped):
        raise RangeError("matched", groups, "each valve once", stage.name)
    return groups + [[instance] for instance in valves if instance not in grouped]


def columns_of(stage: Stage, factors: Sequence[Factor], positions: Floats) -> dict[str, Floats]:
    """Return parameter columns for positions of the factors.

    Parameters
    ----------
    stage : Stage
        Its values are what the factors multiply.
    factors : sequence of Factor
    positions : ndarray, shape (points, factors)
        -1 .. 1, from one end of the tolerance to the other.

    Returns
    -------
    dict of str to ndarray, shape (points,)
        Kept within the range that the parameter accepts.
    """
    columns: dict[str, Floats] = {}
    for number, factor in enumerate(factors):
        change = 1.0 + factor.change(positions[:, number])
        for name in factor.parameters:
            columns[name] = columns.get(name, np.full(len(positions), float(stage.values.get(name, 1.0)))) * change
    for name, column in columns.items():
        parameter = stage.parameters.get(name)
        if parameter is not None and (parameter.minimum is not None or parameter.maximum is not None):
            columns[name] = np.clip(column, parameter.minimum, parameter.maximum)
    return columns


def draw(factors: Sequence[Factor], builds: int, seed: int, distribution: str) -> Floats:
    """Return drawn positions -1 .. 1, shape (builds, factors).

    Each factor has a stream of its own, made of the seed and its name: another part, or more
    builds, doesn't change what was drawn before.
    """
    find("distribution", distribution, {name: name for name in DISTRIBUTIONS})
    if isinstance(builds, bool) or not isinstance(builds, int | np.integer) or builds < 1:
        raise RangeError("builds", builds, "a whole number above zero")
    if isinstance(seed, bool) or not isinstance(seed, int | np.integer) or seed < 0:
        raise RangeError("seed", seed, "a whole number, zero or above")
    share = np.empty((builds, len(factors)))
    for number, factor in enumerate(factors):
        share[:, number] = np.random.default_rng([int(seed), zlib.crc32(factor.name.encode())]).random(builds)
    return positions_of(share, distribution)


def positions_of(share: Floats, distribution: str) -> Floats:
    """Turn shares 0 .. 1 of a distribution into positions -1 .. 1.

    "uniform": all of the tolerance alike. "normal": the tolerance is 3 standard deviations,
    and what lies outside of it was sorted out (a truncated normal distribution).
    """
    if distribution.casefold() == "uniform":
        return 2.0 * share - 1.0
    from scipy.special import ndtr, ndtri

    tail = ndtr(-NORMAL_SIGMAS)
    return np.asarray(np.clip(ndtri(tail + share * (1.0 - 2.0 * tail)) / NORMAL_SIGMAS, -1.0, 1.0))


def spread(
    stage: Stage,
    tolerances: Mapping[str, Any] | None = None,
    measures: MeasureChoice = None,
    *,
    builds: int = 1000,
    seed: int = 0,
    distribution: str = "uniform",
    valve_spread: Mapping[str, Any] | None = None,
    supply_variation: Any = 0.0,
    matched: bool | Sequence[Sequence[str]] = False,
    matching: Any = 0.0,
    engine: str = "auto",
    executor: Any = None,
    workers: int | None = None,
    time_limit: float = 60.0,
    curves: bool | None = None,
    file: Any = None,
    spot_check: int | None = None,
    progress: Any = False,
) -> xarray.Dataset:
    """Build a stage many times with parts drawn from their tolerances (Monte Carlo).

    Parameters
    ----------
    stage : Stage
        The nominal values.
    tolerances : mapping of str to str or float, optional
        By parameter ("anode_resistor") or kind ("resistors", "capacitors", "inductors": every
        part that is in the circuit as its choices stand, but not `source_resistance` and
        `load_capacitance`, which are outside of the stage), each
        "5 %", 0.05, a series ("E24") or "-20/+50 %". What is said of a parameter goes before
        its kind. Without it: resistors 5 %, capacitors 10 %.
    measures : sequence of str or mapping, optional
        As for :func:`simwrap.measure`.
    builds : int
        How many.
    seed : int
        The same seed gives the same Dataset, bit for bit, with any executor.
    distribution : str
        "uniform" or "normal" (3 standard deviations to the tolerance, sorted out beyond).
    valve_spread : mapping of str to str or float, optional
        "emission" and "mu" for all valves, or "v1.emission" for one. At given voltages gm
        goes as the emission. Without it, valves don't vary.
    supply_variation : str or float
        All supplies together, as the mains moves them.
    matched : bool or sequence of sequences of str
        Valves that share their spread: True for all of a type, or groups such as
        ``[("v1", "v2")]``.
    matching : str or float
        How far each valve of a matched group may be from the group.
    engine, executor, workers, time_limit, curves, file, spot_check, progress
        As for :func:`simwrap.sweep`.

    Returns
    -------
    xarray.Dataset
        Dim "build"; the drawn values are coordinates. ``attrs`` has the nominal build's
        numbers as "nominal.<variable>".

    Raises
    ------
    InputError
        For a tolerance, parameter or valve that can't be used.
    NoEngineError
        If there is no simulator.
    """
    factors = factors_of(
        stage,
        tolerances,
        valve_spread=valve_spread,
        supply_variation=supply_variation,
        matched=matched,
        matching=matching,
    )
    columns = columns_of(stage, factors, draw(factors, builds, seed, distribution))
    data = sweep(
        stage, columns, measures, zipped="build", engine=engine, executor=executor, workers=workers,
        time_limit=time_limit, curves=curves, file=file, spot_check=spot_check, progress=progress,
    )  # fmt: skip
    data.attrs |= {f"nominal.{name}": value for name, value in _nominal(stage, measures, engine, time_limit).items()}
    data.attrs |= {"seed": int(seed), "distribution": distribution, "factors": _told(factors)}
    if file is not None:
        save(data, file)
    return data


def _told(factors: Sequence[Factor]) -> str:
    return "; ".join(f"{factor.name} {100 * factor.low:+.4g}/{100 * factor.high:+.4g} %" for factor in factors)


def known_before(
    stage: Stage, measures: MeasureChoice = None, *, engine: str = "auto", time_limit: float = 60.0
) -> Known:
    """Measure the build in which every part has its nominal value: what limits can be about, before a spread is run.

    Parameters
    ----------
    stage, measures, engine, time_limit
        As for :func:`spread`.
    """
    options = Options(engine=engine, time_limit=time_limit, workers=1)
    outcome = evaluate(Table(stage), chosen_measures(stage, measures), options)
    units, nominal = {}, {}
    for name, variable in labelled(outcome.results).items():
        values = np.asarray(variable.values)
        if variable.dims:
            continue
        units[name] = variable.unit if values.dtype.kind == "f" else "word"
        if values.dtype.kind == "f":
            nominal[name] = float(values[0])
    return Known(units, nominal, stage.name)


def _nominal(stage: Stage, measures: MeasureChoice, engine: str, time_limit: float) -> dict[str, float]:
    return dict(known_before(stage, measures, engine=engine, time_limit=time_limit).nominal)


@dataclass(frozen=True)
class WorstCase:
    """The extremes that were found at the corners of the tolerances.

    Attributes
    ----------
    data : xarray.Dataset
        Every corner that was run, dim "corner".
    method : str
        Which corners were taken, in words.
    nominal : dict of str to float
        Values of the nominal build.
    """

    data: xarray.Dataset
    method: str
    nominal: dict[str, float]

    def __getitem__(self, variable: str) -> tuple[float, float]:
        """Return the lowest and the highest value of a figure, by its name or tail."""
        values = np.asarray(self.data[find_name(variable, self.nominal)].values, dtype=float)
        if np.isnan(values).all():
            return float("nan"), float("nan")
        return float(np.nanmin(values)), float(np.nanmax(values))

    def rows(self) -> list[tuple[str, str, str, str]]:
        """Return one row a variable: its name, nominal, lowest and highest value."""
        rows = []
        for name, value in self.nominal.items():
            if name in self.data and not name.startswith("bias.nodes."):
                unit = unit_of(self.data[name])
                low, high = self[name]
                shown = [quantity.render(v, unit) for v in (value, low, high)]
                rows.append((name, shown[0], shown[1], shown[2]))
        return rows

    _HEAD = ("variable", "nominal", "lowest", "highest")

    def __repr__(self) -> str:
        return text_table(f"worst case, {self.method}", self._HEAD, self.rows())

    def _repr_html_(self) -> str:
        return html_table(f"worst case, {self.method}", self._HEAD, self.rows())


def worst_case(
    stage: Stage,
    tolerances: Mapping[str, Any] | None = None,
    measures: MeasureChoice = None,
    *,
    valve_spread: Mapping[str, Any] | None = None,
    supply_variation: Any = 0.0,
    matched: bool | Sequence[Sequence[str]] = False,
    matching: Any = 0.0,
    engine: str = "auto",
    executor: Any = None,
    workers: int | None = None,
    time_limit: float = 60.0,
) -> WorstCase:
    """Return the extremes of every variable at the corners of the tolerances.

    Up to 10 factors, all 2^n corners are run. Beyond that each factor is moved alone to both
    ends, and for each variable the two corners are run that these changes point to: exact
    where a variable rises or falls steadily with each part, whatever the others are;
    otherwise a worse mixture may be missed. An extreme inside of the tolerances is missed by
    both.

    Parameters
    ----------
    stage, tolerances, measures, valve_spread, supply_variation, matched, matching
        As for :func:`spread`.
    engine, executor, workers, time_limit
        As for :func:`simwrap.sweep`.

    Returns
    -------
    WorstCase

    Raises
    ------
    InputError, NoEngineError
        As for :func:`spread`.
    """
    factors = factors_of(
        stage,
        tolerances,
        valve_spread=valve_spread,
        supply_variation=supply_variation,
        matched=matched,
        matching=matching,
    )
    count = len(factors)

    def run(positions: NDArray[Any]) -> xarray.Dataset:
        return sweep(
            stage, columns_of(stage, factors, positions), measures, zipped="corner", engine=engine, executor=executor,
            workers=workers, time_limit=time_limit, curves=False, spot_check=0,
        )  # fmt: skip

    nominal = _nominal(stage, measures, engine, time_limit)
    if count <= ALL_CORNERS:
        positions = 1.0 - 2.0 * ((np.arange(2**count)[:, None] >> np.arange(count)) & 1)
        return WorstCase(run(positions), f"all {2**count} corners of {count} factors", nominal)
    import xarray

    alone = run(np.concatenate([np.eye(count), -np.eye(count)]))
    corners = []
    for name in nominal:
        values = np.asarray(alone[name].values, dtype=float)
        sign = np.where(np.nan_to_num(values[:count] - values[count:]) < 0, -1.0, 1.0)
        corners += [sign, -sign]
    directed = run(np.unique(np.array(corners, dtype=np.float64), axis=0))
    data = xarray.concat([alone, directed], "corner", combine_attrs="override")
    method = f"{count} factors, corners directed by the change with each factor alone (a worse mixture may be missed)"
    return WorstCase(data, method, nominal)


__all__ = ["Factor", "WorstCase", "Yield", "draw", "factors_of", "read_tolerance", "spread", "worst_case", "yield_of"]
