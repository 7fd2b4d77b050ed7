"""What varies from build to build: tolerances of parts, the spread of valves, the mains.

:class:`Tolerances` says what varies and by how much; :func:`spread` builds a stage many times with
drawn values. What varies are *factors*: one a part, one a group of matched valves, one for all
supplies. Values are drawn before anything is run, so that they can't depend on who runs it.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, TypedDict, Unpack, cast

import numpy as np
from numpy.typing import NDArray

from simwrap.circuits.circuit import as_circuit, in_netlist, joined_name
from simwrap.circuits.render import devices_moved, render
from simwrap.circuits.stage import PART_SPREAD, SPREADS, find_parameter
from simwrap.design.runs import Design, Runs
from simwrap.engine import Run, RunKeywords, spelled_out
from simwrap.errors import InputError, QuantityError, RangeError, UnknownNameError
from simwrap.netlist.element import Element, Role
from simwrap.registry import find
from simwrap.simulation.measurement import MeasureChoice
from simwrap.simulation.sweep import save
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

Floats = NDArray[np.float64]

#: Tolerance that goes with a series, IEC 60063 (E3 has none of its own: "over 20 %").
SERIES_TOLERANCE = {"E6": 0.20, "E12": 0.10, "E24": 0.05, "E48": 0.02, "E96": 0.01, "E192": 0.005}

#: Kinds of parts by the unit of their parameter.
KINDS = {"resistors": "ohm", "capacitors": "F", "inductors": "H"}

#: What is taken where nothing is said: ordinary carbon film and film capacitors.
USUAL: Mapping[str, Any] = MappingProxyType({"resistors": "5 %", "capacitors": "10 %"})

#: Parameters that a kind doesn't cover: they describe what is outside of the stage.
OUTSIDE = ("source_resistance", "load_capacitance")

DISTRIBUTIONS = ("uniform", "normal")

#: What ``matched`` says, among other things, for valves of one type.
VALVES = "valves"

#: Within its tolerance, a normal part lies within this many standard deviations.
NORMAL_SIGMAS = 3.0

#: Most builds and corners of one run, so that a slip of the pen doesn't take all memory.
MOST_BUILDS = 1_000_000

_NOTHING: Mapping[str, Any] = MappingProxyType({})
_TWO_SIDED = re.compile(r"-\s*([0-9.]+)\s*%?\s*/?\s*\+\s*([0-9.]+)\s*%")


class TolerancesKeywords(TypedDict, total=False):
    """What functions that build a stage many times take as keywords: the fields of :class:`Tolerances` one by one."""

    valve_spread: Mapping[str, Any] | None
    supply_variation: Any
    matched: bool | Sequence[str | Sequence[str]]
    matching: Any
    distribution: str


class HowKeywords(TolerancesKeywords, RunKeywords, total=False):
    """What varies, and how it is run."""


class SpreadKeywords(HowKeywords, total=False):
    """What :func:`spread` takes as keywords besides its own."""

    spot_check: int | None


#: The same with what is taken where nothing is said, and the field of each that has another name.
KEYWORDS: Mapping[str, Any] = MappingProxyType(
    {"valve_spread": None, "supply_variation": 0.0, "matched": False, "matching": 0.0, "distribution": "uniform"}
)
FIELDS = {"valve_spread": "valves", "supply_variation": "supplies"}


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

    def position(self, share: Floats, distribution: str) -> Floats:
        """Turn shares 0 .. 1 of a distribution into positions -1 .. 1.

        "uniform": all of the tolerance alike, so that of "-20/+50 %" five builds in seven lie above the nominal
        value. "normal": 3 standard deviations reach to the tolerance, on each side to its own end (a two-piece
        normal distribution: K. F. Wallis, Statistical Science 29, 2014, p. 106; from memory), and what lies
        outside of it was sorted out.
        """
        below = -self.low / (self.high - self.low)
        # Halves of a symmetric distribution, each as likely as its side is wide.
        with np.errstate(divide="ignore", invalid="ignore"):
            half = np.where(share < below, share / (2.0 * below), 0.5 + (share - below) / (2.0 * (1.0 - below)))
        if distribution == "uniform":
            return np.asarray(2.0 * half - 1.0)
        from scipy.special import ndtr, ndtri

        tail = ndtr(-NORMAL_SIGMAS)
        return np.asarray(np.clip(ndtri(tail + half * (1.0 - 2.0 * tail)) / NORMAL_SIGMAS, -1.0, 1.0))


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


@dataclass(frozen=True, kw_only=True)
class Tolerances:
    """What varies from build to build, and how; checked when it is made.

    Attributes
    ----------
    parts : mapping of str to str or float, optional
        By parameter ("anode_resistor") or kind ("resistors", "capacitors", "inductors": every
        part that is in the circuit as its choices stand, but not `source_resistance` and
        `load_capacitance`, which are outside of the stage), each "5 %", 0.05, a series ("E24") or
        "-20/+50 %". What is said of a parameter goes before its kind. Without it: resistors 5 %,
        capacitors 10 %.
    valves : mapping of str to str or float
        "emission" and "mu" for all valves, or "v1.emission" for one. At given voltages gm goes as
        the emission. Without it, valves don't vary.
    supplies : str or float
        All supplies together, that of the bias too, as the mains moves them.
    matched : bool or sequence of str and of sequences of str
        What shares its spread. True, or the word "valves": all valves of a type; groups of valves such as
        ``("v1", "v2")``; parameters such as ``"grid_leak"`` whose parts are matched, and groups of them such as
        ``("anode_resistor", "anode_resistor_b")``. Otherwise each part that is
        bought varies by itself, also where one parameter stands for several: the leaks of both halves of a pair.
    matching : str or float
        How far each valve of a matched group may be from the group.
    distribution : str
        "uniform" or "normal" (3 standard deviations to the tolerance, sorted out beyond).

    Raises
    ------
    InputError
        For a tolerance that can't be read; names of parts and valves are looked up by :meth:`factors`.
    """

    parts: Mapping[str, Any] | None = None
    valves: Mapping[str, Any] = field(default_factory=lambda: _NOTHING)
    supplies: Any = 0.0
    matched: bool | Sequence[str | Sequence[str]] = False
    matching: Any = 0.0
    distribution: str = "uniform"

    def __post_init__(self) -> None:
        """Read every tolerance once, so that a slip is told before a circuit is at hand."""
        parts = None if self.parts is None else _by_name(self.parts, "tolerances")
        object.__setattr__(self, "parts", parts)
        object.__setattr__(self, "valves", _by_name(self.valves, "valve_spread"))
        for name, given in (*(parts or {}).items(), *self.valves.items()):
            read_tolerance(given, name)
        read_tolerance(self.supplies, "the supplies")
        read_tolerance(self.matching, "matching")
        object.__setattr__(self, "matched", _groups(self.matched))
        known = {name: name for name in DISTRIBUTIONS}
        object.__setattr__(self, "distribution", find("distribution", self.distribution, known))

    @classmethod
    def of(
        cls, tolerances: Tolerances | Mapping[str, Any] | None, how: TolerancesKeywords | RunKeywords
    ) -> tuple[Tolerances, RunKeywords]:
        """Return tolerances from the plain keywords of :func:`spread`, or those given as they are, and other keywords.

        Raises
        ------
        InputError
            For a tolerance that can't be read, or both ways at once.
        """
        own: dict[str, Any] = {name: value for name, value in how.items() if name in KEYWORDS}
        rest = cast("RunKeywords", {name: value for name, value in how.items() if name not in KEYWORDS})
        if isinstance(tolerances, Tolerances):
            if any(value != KEYWORDS[name] for name, value in own.items()):
                raise InputError(f"tolerances: give Tolerances(...), or {', '.join(KEYWORDS)}, not both")
            return tolerances, rest
        if own.get("valve_spread", KEYWORDS) is None:
            del own["valve_spread"]
        return cls(parts=tolerances, **{FIELDS.get(name, name): value for name, value in own.items()}), rest

    def factors(self, stage: Design) -> list[Factor]:
        """Return what varies in a stage.

        Raises
        ------
        InputError
            For a part or valve that it doesn't have, or where nothing varies.
        """
        parts = _part_tolerances(stage, USUAL if self.parts is None else self.parts)
        factors = _part_factors(stage, parts, self.matched) + _valve_factors(stage, self)
        low, high = read_tolerance(self.supplies, "the supplies")
        if high > low:
            supplies = _supply_parameters(stage)
            if not supplies:
                raise InputError(f"{stage.name}: has no supply that could vary")
            factors.append(Factor("supply variation", supplies, low, high))
        factors = [factor for factor in factors if factor.high > factor.low]
        if not factors:
            raise InputError(
                f"{stage.name}: nothing varies; give a tolerance, a valve spread or a supply variation above zero"
            )
        return factors


def _by_name(given: Any, what: str) -> Mapping[str, Any]:
    if not isinstance(given, Mapping) or not all(isinstance(name, str) for name in given):
        raise RangeError(what, given, 'tolerances by name, such as {"resistors": "5 %"}')
    return MappingProxyType(dict(given))


def _groups(given: Any) -> bool | tuple[str | tuple[str, ...], ...]:
    if isinstance(given, bool):
        return given
    accepted = 'True, or groups such as [("v1", "v2")]'
    if isinstance(given, str) or not isinstance(given, Iterable):
        raise RangeError("matched", given, accepted)
    groups = list(given)
    for group in groups:
        if isinstance(group, str):
            continue
        if not isinstance(group, Iterable) or not all(isinstance(name, str) for name in group):
            raise RangeError("matched", given, accepted)
    return tuple(group if isinstance(group, str) else tuple(group) for group in groups)


def _part_tolerances(stage: Design, tolerances: Mapping[str, Any]) -> dict[str, tuple[float, float]]:
    """Kinds first, then what is said of a single part."""
    parameters = stage.parameters
    found: dict[str, tuple[float, float]] = {}
    singles: dict[str, tuple[float, float]] = {}
    for given, tolerance in tolerances.items():
        kind = given.strip().casefold()
        if kind in KINDS:
            ends = read_tolerance(tolerance, kind)
            of_kind = [n for n, p in parameters.items() if p.unit == KINDS[kind] and stage.values[n] != 0]
            inside = [name for name in of_kind if name.rpartition(".")[2] not in OUTSIDE]
            found |= {name: ends for name in inside if devices_moved(stage, name)}
            continue
        try:
            single = find_parameter(given, parameters, stage.name).name
        except UnknownNameError:
            raise UnknownNameError("parameter or kind of part", given, [*parameters, *KINDS], stage.name) from None
        if not parameters[single].numeric:
            accepted = "one for a number: this parameter is a word"
            raise RangeError(f"tolerance of {single}", tolerance, accepted, stage.name)
        singles[single] = read_tolerance(tolerance, single)
    return found | singles


def _part_factors(
    stage: Design, tolerances: Mapping[str, tuple[float, float]], matched: bool | Sequence[Any]
) -> list[Factor]:
    """Return a factor for each part that is bought: where several have one parameter, each varies by itself."""
    groups = _part_groups(stage, matched)
    alike = {name: group for group in groups for name in group}
    sharing: dict[str, list[str]] = {}
    for element in render(as_circuit(stage)).elements:
        if element.kind in "rcl" and element.role in (Role.PART, Role.LOAD) and not element.track:
            sharing.setdefault(element.parameter, []).append(_own_name(element))
    factors = []
    for name, ends in tolerances.items():
        devices, group = sharing.get(name, []), alike.get(name, ())
        if len(group) > 1:
            if {tolerances.get(other) for other in group} != {ends}:
                raise InputError(f"{stage.name}: {' and '.join(group)} are matched, but have different tolerances")
            if name == group[0]:
                factors.append(Factor(" = ".join(group), group, *ends))
        elif len(devices) < 2 or group:
            factors.append(Factor(name, (name,), *ends))
        else:
            factors += [Factor(f"{device}.{PART_SPREAD}", (f"{device}.{PART_SPREAD}",), *ends) for device in devices]
    return factors


def _own_name(element: Element) -> str:
    """Return an element's name with its stage in front: "power.r_cathode_a" for r_power__cathode_a."""
    stage = element.stage
    return joined_name(
        stage, f"{element.kind}_{element.name[len(in_netlist(stage, 'r_')) :]}" if stage else element.name
    )


def _part_groups(stage: Design, matched: bool | Sequence[Any]) -> list[tuple[str, ...]]:
    """Return groups of parameters whose parts are all alike, of one each where a name stands by itself.

    A group that names a valve is one of valves.
    """
    given = () if isinstance(matched, bool) else [(name,) if isinstance(name, str) else name for name in matched]
    groups = [tuple(find_parameter(name, stage.parameters, stage.name).name for name in group)
              for group in given if group != (VALVES,) and not _of_valves(stage, group)]  # fmt: skip
    named = [name for group in groups for name in group]
    if len(set(named)) < len(named):
        raise RangeError("matched", groups, "each parameter once", stage.name)
    return groups


def _of_valves(stage: Design, group: Sequence[str]) -> bool:
    """Whether a group is one of valves: a name by itself is a parameter's."""
    return len(group) != 1 and any(name.strip().casefold() in stage.valves for name in group)


def _supply_parameters(stage: Design) -> tuple[str, ...]:
    """Return the voltages that set a supply and nothing else: also where supply and parameter have two names."""
    devices = set(stage.supplies.values())
    volts = [n for n, p in stage.parameters.items() if p.unit == "V" and stage.values[n] != 0]
    moved = {name: devices_moved(stage, name) for name in volts}
    return tuple(name for name, found in moved.items() if found and found <= devices)


def _valve_factors(stage: Design, tolerances: Tolerances) -> list[Factor]:
    ends: dict[str, tuple[float, float]] = {}
    # Single valves last, so that what is said of one goes before what is said of all.
    for given, tolerance in sorted(tolerances.valves.items(), key=lambda entry: "." in entry[0]):
        for name in _spreads_named(stage, given, tolerance):
            ends[name] = read_tolerance(tolerance, name)
    residue = read_tolerance(tolerances.matching, "matching")
    factors: list[Factor] = []
    for group in _matched_groups(stage, tolerances.matched):
        for which in SPREADS:
            names = tuple(f"{valve}.{which}" for valve in group if f"{valve}.{which}" in ends)
            if len({ends[name] for name in names}) > 1:
                raise InputError(f"{stage.name}: {' and '.join(names)} are matched, but have different spreads")
            if names:
                factors.append(Factor(" = ".join(names), names, *ends[names[0]]))
                if len(names) > 1 and residue[1] > 0:
                    factors += [Factor(f"{name} within the match", (name,), *residue) for name in names]
    return factors


def _spreads_named(stage: Design, given: str, tolerance: Any) -> list[str]:
    """Return "v1.mu" and the like for a spread of one valve or of all."""
    instance, dot, which = given.strip().casefold().rpartition(".")
    if which == "gm":
        accepted = 'it as "emission": at given voltages gm goes as the emission'
        raise RangeError(f"spread of {given}", tolerance, accepted, stage.name)
    which = find("spread of a valve", which, {name: name for name in SPREADS}, stage.name)
    valves = list(stage.valves)
    if dot:
        valves = [find("valve in this circuit", instance, {valve: valve for valve in valves}, stage.name)]
    if not valves:
        raise InputError(f"{stage.name}: has no valve whose {which} could vary")
    return [f"{valve}.{which}" for valve in valves]


def _matched_groups(stage: Design, matched: bool | Sequence[str | Sequence[str]]) -> list[list[str]]:
    """Return groups of valve instances that share their draw; one that isn't matched is a group of its own."""
    valves = stage.valves
    if matched is True or (not isinstance(matched, bool) and VALVES in matched):
        by_type: dict[str, list[str]] = {}
        for instance, use in valves.items():
            by_type.setdefault(use.valve.name, []).append(instance)
        return list(by_type.values())
    known = {instance: instance for instance in valves}
    groups = [
        [find("valve in this circuit", name, known, stage.name) for name in given]
        for given in matched or ()
        if not isinstance(given, str) and _of_valves(stage, given)
    ]
    grouped = [instance for group in groups for instance in group]
    if len(set(grouped)) < len(grouped):
        raise RangeError("matched", groups, "each valve once", stage.name)
    return groups + [[instance] for instance in valves if instance not in grouped]


def columns_of(stage: Design, factors: Sequence[Factor], positions: Floats) -> dict[str, Floats]:
    """Return parameter columns for positions of the factors.

    Parameters
    ----------
    stage : Stage or Circuit
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


def positions_of(factors: Sequence[Factor], share: Floats, distribution: str) -> Floats:
    """Turn shares 0 .. 1, shape (points, factors), into positions -1 .. 1."""
    columns = [factor.position(share[:, number], distribution) for number, factor in enumerate(factors)]
    return np.stack(columns, axis=1)


def draw(factors: Sequence[Factor], builds: int, seed: int, distribution: str) -> Floats:
    """Return drawn positions -1 .. 1, shape (builds, factors).

    Each factor has a stream of its own, made of the seed and its name: another part, or more
    builds, doesn't change what was drawn before.
    """
    whole_number("builds", builds, 1, MOST_BUILDS)
    whole_number("seed", seed, 0)
    share = np.empty((builds, len(factors)))
    for number, factor in enumerate(factors):
        share[:, number] = np.random.default_rng([int(seed), zlib.crc32(factor.name.encode())]).random(builds)
    return positions_of(factors, share, distribution)


def whole_number(name: str, given: Any, least: int, most: int | None = None) -> int:
    """Return a whole number within its bounds.

    Raises
    ------
    RangeError
    """
    if isinstance(given, bool) or not isinstance(given, int | np.integer) or given < least or given > (most or given):
        accepted = f"a whole number from {least} to {most}" if most else f"a whole number, {least} or more"
        raise RangeError(name, given, accepted)
    return int(given)


@spelled_out(Run, **KEYWORDS, spot_check=None)
def spread(
    stage: Design,
    tolerances: Tolerances | Mapping[str, Any] | None = None,
    measures: MeasureChoice = None,
    *,
    builds: int = 1000,
    seed: int = 0,
    curves: bool | None = None,
    file: Any = None,
    **how: Unpack[SpreadKeywords],
) -> xarray.Dataset:
    """Build a stage many times with parts drawn from their tolerances (Monte Carlo).

    Parameters
    ----------
    stage : Stage or Circuit
        The nominal values.
    tolerances : mapping of str to str or float, or Tolerances, optional
        Of the parts, as in :class:`Tolerances`; or all that varies as a ``Tolerances``.
    measures : sequence of str or mapping, optional
        As for :func:`simwrap.measure`.
    builds : int
        How many.
    seed : int
        The same seed gives the same Dataset, bit for bit, with any executor.
    valve_spread, supply_variation, matched, matching, distribution
        The `valves`, `supplies`, `matched`, `matching` and `distribution` of :class:`Tolerances`.
    curves, file, spot_check, engine, executor, workers, time_limit, progress
        As for :func:`simwrap.sweep`. Without curves (False), measures take fewer levels where the
        nominal build's figures stay the same to half a percent: that is three times as quick for
        an output stage's power.

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

    Examples
    --------
    >>> import simwrap
    >>> builds = simwrap.spread(simwrap.stage("coupling"), {"resistor": "5 %"}, ["response"], builds=50)
    >>> dict(builds.sizes)["build"]
    50
    """
    as_circuit(stage, "spread")
    spot_check = how.pop("spot_check", None)
    varied, run = Tolerances.of(tolerances, how)
    runs = Runs.of(stage, measures, **run)
    factors = varied.factors(stage)
    positions = draw(factors, builds, seed, varied.distribution)
    runs, known = runs.begin()
    if curves is False:
        runs = runs.lean(known)
    columns = columns_of(stage, factors, positions)
    data = runs.figures(columns, "build", curves=curves, file=file, spot_check=spot_check)
    data.attrs |= {f"nominal.{name}": value for name, value in known.nominal.items()}
    data.attrs |= {"seed": int(seed), "distribution": varied.distribution, "factors": told(factors)}
    if file is not None:
        save(data, file)
    return data


def told(factors: Sequence[Factor]) -> str:
    """Return what varies, and by how much, in words."""
    return "; ".join(f"{factor.name} {100 * factor.low:+.4g}/{100 * factor.high:+.4g} %" for factor in factors)


__all__ = ["Factor", "Tolerances", "columns_of", "draw", "positions_of", "read_tolerance", "spread", "told"]
