"""What a valve file holds: plain frozen data, checked as a whole when it is read.

All values are SI: volts, amperes, ohms, siemens, farads, watts. ``None`` means not known.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Annotated, Any, Literal

from annotated_types import Ge, Gt, Le

from simwrap import toml_text
from simwrap.errors import FileProblemsError
from simwrap.forking import first_use
from simwrap.valves.laws import PentodeConstants, RectifierConstants, TriodeConstants

Known = Literal["seen", "memory", "measured", "computed"]
Grade = Literal["high", "med", "low"]
Use = Literal["calibrate", "check", "contradicts"]
Kind = Literal["triode", "pentode", "rectifier"]
#: Groups of published numbers that a law is held to.
Group = Literal[
    "sheet", "curve", "curve, low current", "cut-off", "mu", "screen", "grid current", "gain", "chart current",
    "chart distortion", "zero-signal current", "maximum-signal current", "power", "output distortion", "drop",
]  # fmt: skip
Positive = Annotated[float, Gt(0)]
NotNegative = Annotated[float, Ge(0)]

_STRICT = {"extra": "forbid", "allow_inf_nan": False}

#: Below this current [A] a point is a cut-off, printed as approximate.
CUT_OFF = 20e-6

#: From this line on a valve file is written by the fit; what stands above is by hand.
FITTED_MARK = "# Fitted: everything below this line is written by `make models` (or `simwrap fit`)."


@dataclass(frozen=True)
class VoltageStep:
    """What a rectifier may do up to a transformer voltage [V r.m.s. of each anode].

    ``series_resistance_min`` [ohm] is in each anode's lead, ``current_max`` [A] the output current; where the
    latter isn't printed, that of the ratings counts.
    """

    __pydantic_config__ = _STRICT
    anode_voltage_rms: Positive
    series_resistance_min: Positive
    source: str
    current_max: Positive | None = None
    how_known: Known = "memory"
    grade: Grade = "med"


@dataclass(frozen=True)
class Ratings:
    """Largest values the maker allows. ``rating_system`` says in which sense.

    ``by_voltage`` holds what of a rectifier depends on the transformer's voltage, the lowest first.
    """

    __pydantic_config__ = _STRICT
    rating_system: str = ""
    anode_voltage_max: Positive | None = None
    anode_voltage_peak_max: Positive | None = None
    screen_voltage_max: Positive | None = None
    anode_dissipation_max: Positive | None = None
    screen_dissipation_max: Positive | None = None
    screen_dissipation_signal_max: Positive | None = None  # averaged at full signal, where that is printed
    cathode_current_max: Positive | None = None
    heater_cathode_voltage_max: Positive | None = None
    grid_leak_max_fixed: Positive | None = None
    grid_leak_max_cathode: Positive | None = None
    total_dissipation_max: Positive | None = None
    input_voltage_rms_max: Positive | None = None
    output_current_max: Positive | None = None
    peak_inverse_voltage_max: Positive | None = None
    peak_current_max: Positive | None = None
    reservoir_max: Positive | None = None
    series_resistance_min: Positive | None = None
    by_voltage: tuple[VoltageStep, ...] = ()
    source: str = ""
    how_known: Known = "memory"
    grade: Grade = "med"
    note: str = ""

    def of(self, own: Ratings, base_name: str) -> Ratings:
        """Return the ratings of a designation whose ``own`` ratings differ; the note names what it takes over.

        Parameters
        ----------
        own : Ratings
            What differs, with its own source, rating system and note.
        base_name : str
            The type that these ratings are of.
        """
        words = ("rating_system", "source", "how_known", "grade", "note")
        kept = {
            entry.name: getattr(self, entry.name)
            for entry in fields(self)
            if entry.name not in words and not getattr(own, entry.name) and getattr(self, entry.name)
        }
        if not kept:
            return own
        names = ", ".join(name.replace("_max", "").replace("_min", "").replace("_", " ") for name in kept)
        told = f"taken from {base_name}: {names}"
        return replace(own, **kept, note=f"{own.note}; {told}" if own.note else told)


@dataclass(frozen=True)
class Capacitances:
    """Capacitances between electrodes [F], without the socket and wiring.

    Of a pentode ``grid_cathode`` is the input and ``anode_cathode`` the output capacitance, which
    include those to the screen.
    """

    __pydantic_config__ = _STRICT
    grid_anode: NotNegative = 0.0
    grid_cathode: NotNegative = 0.0
    anode_cathode: NotNegative = 0.0
    source: str = ""
    how_known: Known = "memory"
    grade: Grade = "med"


@dataclass(frozen=True)
class FlickerNoise:
    """Flicker noise: the frequency [Hz] where it equals the shot noise. A typical value, not a limit."""

    __pydantic_config__ = _STRICT
    flicker_corner: NotNegative = 3000.0
    note: str = ""


@dataclass(frozen=True)
class Leakage:
    """Heater to cathode insulation: a resistance [ohm], for estimates of hum; an assumption if not printed."""

    __pydantic_config__ = _STRICT
    heater_cathode_resistance: Positive = 1e8
    heater_cathode_capacitance: NotNegative = 5e-12
    note: str = ""


@dataclass(frozen=True)
class GridOnset:
    """Grid voltage ``onset`` [V] at which the grid of an average valve takes 0.3 uA, with its ``spread`` [V].

    An assumption where no source is named; rows with grid current can move it by some spreads.
    """

    __pydantic_config__ = _STRICT
    onset: Annotated[float, Ge(-3), Le(1)] = -0.5
    spread: Positive = 0.12
    source: str = ""
    how_known: Known = "memory"
    note: str = ""


@dataclass(frozen=True)
class Heater:
    """Heater or filament: ``voltage`` [V], ``current`` [A]; ``alternative`` says how else it can be wired."""

    __pydantic_config__ = _STRICT
    voltage: Positive
    current: Positive
    alternative: str = ""
    direct: bool = False


@dataclass(frozen=True)
class Base:
    """Base and its pins: pin number (as text) to what is connected there."""

    __pydantic_config__ = _STRICT
    name: str
    pins: Mapping[str, str] = field(default_factory=dict)
    how_known: Known = "memory"
    note: str = ""


@dataclass(frozen=True)
class Point:
    """One published point of the characteristics. What isn't printed is None.

    ``contradicts`` names quantities of a row that disagree with other rows: they are shown, but
    neither calibrate nor count (``use`` "contradicts" says so of the whole row).

    ``connection`` is "normal", "triode-connected" or "drop" (rectifiers: ``anode_voltage`` is
    the drop). With ``cathode_resistor`` the voltages are to the cathode all the same.
    ``screen_mu`` is the amplification factor between control grid and screen, mu(g2,g1). ``reading_error`` is
    relative, and only given for currents and slopes read off a printed curve.
    """

    __pydantic_config__ = _STRICT
    source: str
    connection: Literal["normal", "triode-connected", "drop"] = "normal"
    anode_voltage: float | None = None
    screen_voltage: float | None = None
    grid_voltage: float | None = None
    cathode_resistor: Positive | None = None
    anode_current: Positive | None = None
    screen_current: Positive | None = None
    grid_current: Positive | None = None
    gm: Positive | None = None
    ra: Positive | None = None
    mu: Positive | None = None
    screen_mu: Positive | None = None
    reading_error: Annotated[float, Gt(0), Le(1)] | None = None
    how_known: Known = "memory"
    grade: Grade = "med"
    use: Use = "calibrate"
    contradicts: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True)
class Chart:
    """One row of a resistance-coupled chart; the cathode is bypassed, the screen fed from the supply."""

    __pydantic_config__ = _STRICT
    source: str
    supply: Positive
    anode_resistor: Positive
    cathode_resistor: Positive
    next_grid_leak: Positive | None = None
    screen_resistor: Positive | None = None
    gain: Positive | None = None
    output: Positive | None = None
    output_kind: Literal["peak", "rms", ""] = ""
    distortion: Positive | None = None
    anode_current: Positive | None = None
    cathode_current: Positive | None = None
    gain_step: NotNegative = 1.0
    how_known: Known = "memory"
    grade: Grade = "med"
    use: Use = "calibrate"
    contradicts: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True)
class OutputRow:
    """One row of output-stage data: one valve ("SE") or a pair ("PP"; currents of both, load anode to anode).

    ``supply`` is the voltage before the cathode resistor, ``anode_voltage`` that from anode to
    cathode as printed. ``drive_kind`` as printed: "peak", "rms", "rms per grid", "peak g-g".
    ``screen_resistor`` is in each screen lead, ``common_screen_resistor`` carries both; ``cathode_resistor``
    is one for the pair ("shared") or one for each valve ("separate"). ``total_current``: the printed anode
    currents include the screens', as they always do in triode connection.
    """

    __pydantic_config__ = _STRICT
    source: str
    topology: Literal["SE", "PP"]
    load: Positive
    operating_class: str = ""
    connection: Literal["normal", "triode-connected", "ultra-linear"] = "normal"
    tap: Annotated[float, Ge(0), Le(1)] = 0.0
    supply: Positive | None = None
    anode_voltage: Positive | None = None
    screen_voltage: Positive | None = None
    screen_resistor: Positive | None = None
    common_screen_resistor: Positive | None = None
    grid_voltage: float | None = None
    cathode_resistor: Positive | None = None
    cathode_connection: Literal["shared", "separate"] = "shared"
    total_current: bool = False
    anode_current_zero: Positive | None = None
    anode_current_max: Positive | None = None
    screen_current_zero: Positive | None = None
    screen_current_max: Positive | None = None
    drive: Positive | None = None
    drive_kind: str = ""
    power: Positive | None = None
    distortion: Positive | None = None
    how_known: Known = "memory"
    grade: Grade = "med"
    use: Use = "calibrate"
    contradicts: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True)
class Window:
    """An acceptance window of a maker: ``quantity`` between ``low`` and ``high``, under ``conditions``."""

    __pydantic_config__ = _STRICT
    quantity: str
    source: str
    low: float | None = None
    high: float | None = None
    conditions: str = ""
    how_known: Known = "memory"
    grade: Grade = "med"


@dataclass(frozen=True)
class AccuracyGoal:
    """Largest median and worst error wanted (relative, or points of percent for distortion); None: none set."""

    __pydantic_config__ = _STRICT
    median: Positive | None = None
    worst: Positive | None = None


@dataclass(frozen=True)
class FitRecord:
    """How the constants came about, and the proof.

    ``errors`` holds one entry for each published number: row, quantity, published, law, error
    (relative, or in points for distortions), use, and the reading error of a curve. ``exchanged`` holds
    the same for rows that were only checked when the halves changed places, ``left_out`` for each row
    when it was left out of its own fit. ``undetermined`` names constants that come from the priors alone.
    """

    __pydantic_config__ = _STRICT
    rows: str = ""
    numbers: int = 0
    cost: float = 0.0
    undetermined: tuple[str, ...] = ()
    trust: str = ""
    errors: tuple[Mapping[str, Any], ...] = ()
    exchanged: tuple[Mapping[str, Any], ...] = ()
    left_out: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True)
class ValveSystem:
    """One valve system: a file has one, or two of different kinds.

    ``ratings_of`` holds, by designation, the ratings in which a designation differs from the file's name. ``goals``
    are those of this type that differ from what is asked of any valve.
    """

    __pydantic_config__ = _STRICT
    constants: Mapping[str, float] = field(default_factory=dict)
    summary: str = ""
    count: int = 1
    ratings: Ratings = field(default_factory=Ratings)
    ratings_of: Mapping[str, Ratings] = field(default_factory=dict)
    capacitances: Capacitances = field(default_factory=Capacitances)
    noise: FlickerNoise = field(default_factory=FlickerNoise)
    leakage: Leakage = field(default_factory=Leakage)
    grid: GridOnset = field(default_factory=GridOnset)
    fit: Mapping[str, Any] = field(default_factory=dict)
    points: tuple[Point, ...] = ()
    charts: tuple[Chart, ...] = ()
    outputs: tuple[OutputRow, ...] = ()
    windows: tuple[Window, ...] = ()
    goals: Mapping[Group, AccuracyGoal] = field(default_factory=dict)
    fitted: FitRecord = field(default_factory=FitRecord)


@dataclass(frozen=True)
class ValveFile:
    """A whole file, as read."""

    __pydantic_config__ = _STRICT
    name: str
    designations: tuple[str, ...] = ()
    summary: str = ""
    trust: str = ""
    heater: Heater | None = None
    base: Base | None = None
    sources: Mapping[str, str] = field(default_factory=dict)
    triode: ValveSystem | None = None
    pentode: ValveSystem | None = None
    rectifier: ValveSystem | None = None


CONSTANTS: dict[str, type[TriodeConstants] | type[PentodeConstants] | type[RectifierConstants]] = {
    "triode": TriodeConstants,
    "pentode": PentodeConstants,
    "rectifier": RectifierConstants,
}


#: What a constant has to be for its law to make sense; the others (contact, onset, ...) may have any value.
_RANGES: dict[str, tuple[tuple[str, ...], Callable[[float], bool]]] = {
    "above 0": (
        (
            "perveance", "mu", "exponent", "width", "knee", "division", "knee_sharpness", "knee_perveance",
        ),
        lambda value: value > 0,
    ),
    "0 or above": (
        ("grid_perveance", "tail_drop", "width_slope", "anode_reach", "division_slope", "division_slope_above"),
        lambda value: value >= 0,
    ),
    "0 or above and below 1": (("tail_share", "turned_back"), lambda value: 0 <= value < 1),
    "above 0 and at most 1": (("grid_share",), lambda value: 0 < value <= 1),
}  # fmt: skip


#: A row of the tables above the mark, as the proof names it.
_ROW = re.compile(r"(points|charts|outputs)\[([0-9]{1,6})\]")
#: Constants that a file may lack: the law's default then stands.
_OPTIONAL = {"grid_share", "turned_back"}


@functools.cache
def _checker() -> Any:
    import pydantic

    with first_use:
        return pydantic.TypeAdapter(ValveFile)


def _readable(kind: str) -> list[str]:
    return sorted(CONSTANTS[kind].__dataclass_fields__)


def _mapping(value: object) -> Mapping[str, Any]:
    """Return a table, or an empty one for what isn't a table: its type is named as a fault already."""
    return value if isinstance(value, Mapping) else {}


def _out_of_range(constants: Mapping[str, Any]) -> Iterator[str]:
    for words, (names, holds) in _RANGES.items():
        for name in names:
            try:
                value = float(constants[name])
            except (KeyError, TypeError, ValueError):
                continue  # missing, or no number: said elsewhere
            if math.isfinite(value) and not holds(value):
                yield f"{name} is {value:g}; it has to be {words}"


def _other_problems(data: Mapping[str, Any], *, fitted: bool) -> list[str]:
    """Return what the types alone don't show, whatever the types are."""
    problems = []
    if not any(kind in data for kind in CONSTANTS):
        problems.append("there is no [triode], [pentode] or [rectifier] section")
    sources = _mapping(data.get("sources"))
    for kind in CONSTANTS:
        if not isinstance(section := data.get(kind), Mapping):
            continue
        names, constants = set(_readable(kind)), _mapping(section.get("constants"))
        if unknown := sorted(set(constants) - names):
            problems.append(f"{kind}.constants: unknown {', '.join(unknown)}; known: {', '.join(sorted(names))}")
        if fitted and (missing := sorted(names - set(constants) - _OPTIONAL)):
            problems.append(f"{kind}.constants: missing {', '.join(missing)}; `simwrap fit` writes them")
        problems += [
            f"{kind}.constants: {fault}"
            for fault in _out_of_range({name: value for name, value in constants.items() if name in names})
        ]
        for part in ("points", "charts", "outputs", "windows"):
            rows = section.get(part)
            for number, row in enumerate(rows if isinstance(rows, (list, tuple)) else ()):
                source = _mapping(row).get("source")
                if isinstance(source, str) and source not in sources:
                    problems.append(f'{kind}.{part}[{number}]: source "{source}" isn\'t in [sources]')
        problems += _ratings_problems(data, kind, section, sources)
        problems += _proof_problems(kind, section)
    return problems


def _proof_problems(kind: str, section: Mapping[str, Any]) -> Iterator[str]:
    """Yield what is wrong with the table of errors: rows that aren't there, as after one was deleted by hand."""
    again = "`make models` or `simwrap fit` writes what stands below the mark again"
    errors = _mapping(section.get("fitted")).get("errors")
    for number, entry in enumerate(errors if isinstance(errors, (list, tuple)) else ()):
        where = f"{kind}.fitted.errors[{number}]"
        found = _ROW.fullmatch(str(_mapping(entry).get("row")))
        rows = section.get(found[1]) if found else None
        if not found or not isinstance(rows, (list, tuple)) or int(found[2]) >= len(rows):
            yield f"{where}: there is no row {_mapping(entry).get('row')!r} in the file; {again}"
        texts = all(isinstance(_mapping(entry).get(name), str) for name in ("label", "quantity", "use"))
        numbers = all(isinstance(_mapping(entry).get(name), (int, float)) for name in ("published", "law", "error"))
        if not texts or not numbers:
            yield f"{where}: needs label, quantity and use in quotes, and published, law and error as numbers; {again}"


def _ratings_problems(
    data: Mapping[str, Any], kind: str, section: Mapping[str, Any], sources: Mapping[str, Any]
) -> Iterator[str]:
    """Return what is wrong with the ratings of one section, whatever the types are."""
    designations = data.get("designations")
    known = [str(name) for name in designations] if isinstance(designations, (list, tuple)) else []
    own = _mapping(section.get("ratings_of"))
    for designation, ratings in own.items():
        where = f'{kind}.ratings_of."{designation}"'
        if designation not in known:
            yield f"{where}: isn't one of designations: {', '.join(known) or 'none'}"
        if not _mapping(ratings).get("rating_system"):
            yield f"{where}: rating_system is missing"
        if (source := _mapping(ratings).get("source", "")) not in sources:
            yield f'{where}: source "{source}" isn\'t in [sources]'
    for where, ratings in {"ratings": section.get("ratings"), **own}.items():
        steps = _mapping(ratings).get("by_voltage")
        rows = [_mapping(step) for step in steps] if isinstance(steps, (list, tuple)) else []
        volts: list[Any] = [step.get("anode_voltage_rms") for step in rows]
        if all(isinstance(volt, (int, float)) for volt in volts) and volts != sorted(set(volts)):
            yield f"{kind}.{where}.by_voltage: anode_voltage_rms has to rise from row to row"
        for number, step in enumerate(rows):
            if (source := step.get("source", "")) not in sources:
                yield f'{kind}.{where}.by_voltage[{number}]: source "{source}" isn\'t in [sources]'


def check(data: Mapping[str, Any], path: object, *, fitted: bool = True) -> ValveFile:
    """Return the checked record of parsed TOML.

    Parameters
    ----------
    data : mapping
        As from ``tomllib``.
    path : object
        Named in errors.
    fitted : bool
        Whether the constants have to be there already.

    Raises
    ------
    FileProblemsError
        With every fault of the file.
    """
    import pydantic

    problems = []
    try:
        record: ValveFile = _checker().validate_python(data)
        problems += toml_text.stray_booleans(data, ("direct", "total_current"))
    except pydantic.ValidationError as failure:
        for fault in failure.errors(include_url=False):
            where = ".".join(str(part) for part in fault["loc"])
            given = "" if isinstance(fault["input"], (dict, list)) else f" (given: {fault['input']!r})"
            problems.append(f"{where or 'file'}: {fault['msg'][0].lower()}{fault['msg'][1:]}{given}")
    problems += _other_problems(data, fitted=fitted)
    if problems:
        raise FileProblemsError(path, problems)
    return record


def read(path: Path, *, fitted: bool = True) -> ValveFile:
    """Read and check one valve file; see :func:`check` for errors."""
    try:
        data = toml_text.parse(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as failure:  # ValueError: TOML, its encoding, numbers too long
        raise FileProblemsError(path, [f"can't be read as TOML: {failure}"]) from None
    return check(data, path, fitted=fitted)
