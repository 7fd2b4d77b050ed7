"""Design files: a circuit of several stages as a TOML file, and what an amplifier needs beside it.

simwrap_design = 1                       # version of this layout
title = "line stage with tone control"
joins = ["line.output -> tone.input"]    # left out: the stages form a chain in their order
channels = 2                             # so many of this circuit hang on the supply
heater_elevation = "45 V"                # direct voltage on which the heaters stand; left out: 0

[stages.line]
stage = "triode_gain"                    # a template's name, or the file of one of your own
valve = "6SL7GT"
anode_resistor = "220k"

[stages.tone]
stage = "tone_passive"

[levels]                                 # what it has to do
rated_power = "10 W"                     # or rated_output = "2 V", where the output is no loudspeaker
stated_thd = "3 %"                       # distortion at which the power is looked up
volume = "volume.position"
sources = { tuner = "500 mV" }           # e.m.f. of each source

[supply]                                 # a `supply` stage with its values
feeds = ["line.supply"]                  # the supply ports that hang on it, behind its filter
from_reservoir = ["power.supply"]        # those that hang on its reservoir; left out: none. The filter is a stage then,
                                         # "filter", with parts filter.dropper, filter.decoupling, filter.bleeder
winding_voltage = "265 V"

[parts]                                  # what is fitted, to be held against what is borne
wattage = "1 W"                          # of every resistor that isn't named
voltage = "400 V"                        # of every capacitor that isn't named
resistors = { "power.cathode_a" = "5 W" }
capacitors = { "line.cathode" = "25 V" }
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from simwrap import toml_text
from simwrap._paths import as_path
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.joins import Join, chain, find_place, join_faults
from simwrap.circuits.library import find_template
from simwrap.circuits.stage import Stage, stage
from simwrap.circuits.template import template_problem
from simwrap.errors import FileProblemsError, InputError, SimwrapError
from simwrap.units import quantity

#: Version of the layout that is read.
VERSION = 1
#: Template of a supply, and what a design's mains are unless it says so.
SUPPLY, MAINS = "supply", 50.0
#: Name, and template, of the stage that a supply's filter is where something hangs on the reservoir before it.
FILTER, DROPPER = "filter", "dropper"


def _read(unit: str) -> BeforeValidator:
    """Return what reads a quantity from a number or from text such as "10 W"."""

    def read(given: Any) -> float:
        try:
            return quantity.parse(given, unit)
        except InputError as fault:
            raise ValueError(str(fault)) from None

    return BeforeValidator(read)


Volts = Annotated[float, _read("V"), Field(gt=0.0, le=1e4)]
Watts = Annotated[float, _read("W"), Field(gt=0.0, le=1e5)]
Percent = Annotated[float, _read("%"), Field(gt=0.0, le=100.0)]
Elevation = Annotated[float, _read("V"), Field(ge=-1e3, le=1e3)]
Hertz = Annotated[float, _read("Hz"), Field(ge=10.0, le=1000.0)]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Levels(_Table):
    """What an amplifier has to do; see the head of this module."""

    rated_power: Watts | None = None
    rated_output: Volts | None = None
    stated_thd: Percent = 5.0
    volume: str = ""
    sources: Mapping[str, Volts] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _one_output(self) -> Levels:
        if self.rated_power is not None and self.rated_output is not None:
            raise ValueError("give rated_power or rated_output, not both")
        return self


class FittedParts(_Table):
    """Ratings of the parts that are fitted; see the head of this module."""

    wattage: Watts | None = None
    voltage: Volts | None = None
    resistors: Mapping[str, Watts] = Field(default_factory=dict)
    capacitors: Mapping[str, Volts] = Field(default_factory=dict)


class DesignFile(_Table):
    """What a design file holds."""

    simwrap_design: int
    title: str = ""
    stages: Mapping[str, dict[str, Any]] = Field(min_length=1)
    joins: list[str] | None = None
    main_input: str = ""
    main_output: str = ""
    channels: int = Field(default=1, ge=1, le=16, strict=True)
    mains_frequency: Hertz = MAINS
    heater_elevation: Elevation = 0.0
    levels: Levels = Field(default_factory=Levels)
    supply: dict[str, Any] | None = None
    parts: FittedParts = Field(default_factory=FittedParts)


_TABLES: Mapping[str, type[_Table]] = {"levels": Levels, "parts": FittedParts}


@dataclass(frozen=True)
class Design:
    """A design file that was read.

    Attributes
    ----------
    circuit : Circuit
        One channel.
    stated : frozenset of str
        Parameters that the file states, by full name; the others have their defaults.
    channels : int
    mains_frequency : float
        [Hz].
    heater_elevation : float
        Direct voltage on which the heaters stand [V].
    levels : Levels
    supply : Stage or None
        The supply of all channels. Where ports hang on its reservoir, its filter is a stage of the circuit: "filter".
    feeds : tuple of str
        The circuit's supply ports that hang on it.
    parts : FittedParts
    """

    circuit: Circuit
    stated: frozenset[str] = frozenset()
    channels: int = 1
    mains_frequency: float = MAINS
    levels: Levels = field(default_factory=Levels)
    supply: Stage | None = None
    feeds: tuple[str, ...] = ()
    parts: FittedParts = field(default_factory=FittedParts)
    heater_elevation: float = 0.0


def read_design(path: str | Path, *, valve_folders: Iterable[str | Path] = ()) -> Circuit:
    """Read the circuit of a design file.

    Parameters
    ----------
    path : path
    valve_folders : iterable of path
        Folders with valve files of your own, searched before the library.

    Returns
    -------
    Circuit

    Raises
    ------
    FileProblemsError
        With all problems of the file at once.

    Examples
    --------
    >>> import pathlib, tempfile, simwrap
    >>> file = pathlib.Path(tempfile.mkdtemp(), "room.toml")
    >>> words = file.write_text('''simwrap_design = 1
    ... [stages.line]
    ... stage = "triode_gain"
    ... valve = "6SL7GT"
    ... ''')
    >>> list(simwrap.read_design(file).stages)
    ['line']
    """
    return read_whole_design(path, valve_folders=valve_folders).circuit


def read_whole_design(path: str | Path, *, valve_folders: Iterable[str | Path] = (), complete: bool = False) -> Design:
    """Read a design file with its levels, supply and parts.

    Parameters
    ----------
    path : path
    valve_folders : iterable of path
        Folders with valve files of your own, searched before the library.
    complete : bool
        Whether the circuit has to be one that can be built: every stage fed, every splitter feeding something, every
        output stage with its load.

    Raises
    ------
    FileProblemsError
        With all problems of the file at once.
    """
    path = as_path(path, "a design file")
    file = _checked(path)
    folders = tuple(valve_folders)
    problems: list[str] = []
    stated: set[str] = set()
    stages: dict[str, Stage] = {}
    for name, entry in file.stages.items():
        made = _stage(path, name, f"stages.{name}", entry, folders, problems, stated)
        if made is not None:
            stages[name] = made
    joins = _joins(file, stages, problems)
    supply, feeds = _supply(path, file, stages, joins, folders, problems, stated)
    if complete:
        problems += _loose_ends(stages, joins, feeds, stated, file.main_output)
    if problems:
        raise FileProblemsError(path, problems)
    circuit = Circuit(stages, tuple(joins), file.title or path.stem, file.main_input, file.main_output)
    problems += _unknown_parameter(circuit, "levels.volume", file.levels.volume)
    problems += circuit.ignored()
    if problems:
        raise FileProblemsError(path, problems)
    return Design(circuit, frozenset(stated), file.channels, file.mains_frequency, file.levels, supply, feeds,
                  file.parts, file.heater_elevation)  # fmt: skip


def _checked(path: Path) -> DesignFile:
    try:
        table = toml_text.parse(path.read_text(encoding="utf-8"))
    except OSError as fault:
        raise FileProblemsError(path, [f"can't be read ({fault.strerror})"]) from None
    except ValueError as fault:
        raise FileProblemsError(path, [f"is not TOML: {fault}"]) from None
    version = table.get("simwrap_design")
    if version != VERSION or isinstance(version, bool):
        given = "doesn't say its version" if version is None else f"has version {version!r}"
        raise FileProblemsError(path, [f"{given}; this simwrap reads `simwrap_design = {VERSION}`"])
    try:
        return DesignFile.model_validate(table)
    except ValidationError as faults:
        raise FileProblemsError(path, [_problem(each) for each in faults.errors()]) from None


def _problem(fault: Any) -> str:
    """Return one of pydantic's faults as a clause, with the keys that could stand there."""
    table = str(fault["loc"][0]) if len(fault["loc"]) > 1 else ""
    return template_problem(fault, list(_TABLES.get(table, DesignFile).model_fields))


def _stage(
    path: Path,
    name: str,
    place: str,
    entry: Mapping[str, Any],
    folders: tuple[str | Path, ...],
    problems: list[str],
    stated: set[str],
) -> Stage | None:
    """Make one stage, noting whatever is wrong with its values; None where there is no such template."""
    given = dict(entry)
    template_name = given.pop("stage", None)
    if not isinstance(template_name, str):
        problems.append(f'{place}.stage is missing; give a template such as stage = "triode_gain"')
        return None
    if template_name.endswith(".cir.j2"):
        template_name = str(path.parent / template_name)
    try:
        find_template(template_name)
        base = stage(template_name, valve_folders=folders)
    except SimwrapError as fault:
        problems.append(f"{place}: {fault}")
        return None
    values = {}
    for key, value in _flat(given).items():
        try:
            own, checked = base.check(key, value)
            values[own] = checked
            stated.add(f"{name}.{own}")
        except SimwrapError as fault:
            problems.append(f"{place}: {fault}")
    try:
        return base.with_values(values)
    except InputError as fault:
        problems.append(f"{place}: {fault}")
        return base


def _joins(file: DesignFile, stages: Mapping[str, Stage], problems: list[str]) -> list[Join]:
    """Return the joins that can be read, noting what is wrong with any."""
    joins = []
    if file.joins is None:
        joins = list(chain(stages))
    for text in file.joins or ():
        try:
            joins.append(Join.read(text))
        except InputError as fault:
            problems.append(str(fault))
    # A stage that couldn't be made was told already: what leads to it isn't told again.
    missing = set(file.stages) - set(stages)
    here = [join for join in joins if not missing & {place.partition(".")[0] for place in join}]
    problems += join_faults(stages, here, (file.main_input, file.main_output))
    return [join for join in here if not any(find_place(stages, place)[0] for place in join)]


def _supply(
    path: Path,
    file: DesignFile,
    stages: dict[str, Stage],
    joins: list[Join],
    folders: tuple[str | Path, ...],
    problems: list[str],
    stated: set[str],
) -> tuple[Stage | None, tuple[str, ...]]:
    """Return the supply and the ports that it feeds, all of which get one voltage: the first that is stated."""
    if file.supply is None:
        return None, ()
    given = {"stage": SUPPLY, **file.supply}
    feeds, straight = given.pop("feeds", None), given.pop("from_reservoir", [])
    if not _are_ports(feeds) or not feeds:
        problems.append('supply.feeds is missing; give the supply ports that hang on it, such as ["line.supply"]')
        feeds = []
    if not _are_ports(straight):
        problems.append('supply.from_reservoir is no list of ports; give one such as ["power.supply"]')
        straight = []
    made = _stage(path, "", "supply", given, folders, problems, set())
    if made is not None and made.name != SUPPLY:
        problems.append(f'supply.stage: "{made.name}" is no supply; leave it out, or give "{SUPPLY}"')
        return made, ()
    fed = {join.end: join.start for join in joins}
    voltages: dict[str, float] = {}
    for table, port in [*(("from_reservoir", port) for port in straight), *(("feeds", port) for port in feeds)]:
        wrong, kind = find_place(stages, port)
        if wrong or kind != "supply":
            problems.append(f"supply.{table}: {wrong or f'{port} is no supply port'}")
        elif port in fed:
            problems.append(f"supply.{table}: {port} is already fed by {fed[port]}")
        else:
            name, _, own = port.partition(".")
            parameter = stages[name].template.header.ports[own].supply
            if f"{name}.{parameter}" in stated:
                voltages[port] = float(stages[name].values[parameter])
    if len(set(voltages.values())) > 1:
        words = ", ".join(f"{port} {volts:g} V" for port, volts in voltages.items())
        problems.append(f"supply.feeds: these ports hang on one supply but state different voltages: {words}")
    if straight and made is not None and not problems:
        problems += _not_filtered(file, made, straight, feeds, stages, voltages)
        if not problems:
            made, stages[FILTER] = _divided(made)
            joins += [Join(f"{FILTER}.output", port) for port in feeds]
            feeds = [*straight, f"{FILTER}.input"]
    if voltages and not problems:
        for port in feeds:
            name, _, own = port.partition(".")
            parameter = stages[name].template.header.ports[own].supply
            stages[name] = stages[name].with_values({parameter: next(iter(voltages.values()))})
    return made, tuple(feeds)


def _are_ports(given: Any) -> bool:
    return isinstance(given, list) and all(isinstance(port, str) for port in given)


def _not_filtered(
    file: DesignFile, supply: Stage, straight: list[str], feeds: list[str], stages: Mapping[str, Stage],
    voltages: Mapping[str, float],
) -> list[str]:  # fmt: skip
    """Return why a supply can't feed some ports before its filter and some behind it."""
    found = []
    if file.channels > 1:
        found.append(
            f"supply.from_reservoir: {file.channels} channels behind one filter aren't known; give each channel a "
            "filter of its own: a stage dropper (choke_inductance makes it a choke) whose input is among supply.feeds, "
            'with supply.filter = "resistor", filter_resistor = 0 and filter_capacitor = 0'
        )
    if both := [port for port in straight if port in feeds]:
        found.append(f"supply.from_reservoir: {', '.join(both)} can't hang behind the filter too, in supply.feeds")
    if float(supply.values["first_dropper_capacitor"]):
        found.append("supply.first_dropper_capacitor: give 0, and a stage dropper in its place")
    if FILTER in stages:
        found.append(f"stages.{FILTER}: that name is the supply's filter's, beside supply.from_reservoir; give another")
    if stated := [port for port in feeds if port in voltages]:
        found.append(f"supply.feeds: the voltage of {', '.join(stated)} follows from the filter; state that at the "
                     f"reservoir alone: of {', '.join(straight)}")  # fmt: skip
    return found


def _divided(supply: Stage) -> tuple[Stage, Stage]:
    """Return a supply that ends at its reservoir, and its filter as a stage."""
    values = supply.values
    choke = values["filter"] == "choke"
    behind = stage(
        DROPPER,
        resistor=values["choke_resistance" if choke else "filter_resistor"],
        choke_inductance=values["choke_inductance"] if choke else 0.0,
        capacitor=values["filter_capacitor"], bleeder=values["bleeder"], load_resistor=0.0,
    )  # fmt: skip
    ends = {"filter": "resistor", "filter_resistor": 0.0, "filter_capacitor": 0.0, "bleeder": 0.0}
    return supply.with_values(ends), behind


def _loose_ends(
    stages: Mapping[str, Stage], joins: list[Join], feeds: tuple[str, ...], stated: set[str], main_output: str
) -> list[str]:
    """Return a clause for every stage without supply, splitter that feeds nothing, and output stage without load."""
    found = []
    joined = {place for join in joins for place in join}
    for name, made in stages.items():
        ports = made.template.header.ports
        for own, port in ports.items():
            full, parameter = f"{name}.{own}", f"{name}.{port.supply}"
            if port.kind != "supply" or full in joined or full in feeds or not made.in_use(port.when):
                continue
            where = f"join a dropper to it, name it in supply.feeds, or state {parameter}"
            if parameter not in stated:
                found.append(f"{full} has no supply; {where}")
            elif made.values[port.supply] == 0:
                found.append(f"{full} has a supply of 0 V; {where}")
        sides = [own for own in ("output", "output_b") if own in ports]
        idle = [f"{name}.{own}" for own in sides if f"{name}.{own}" not in joined | {main_output}]
        if len(sides) == 2 and idle:
            found.append(f"the splitter {name} feeds nothing from {' and '.join(idle)}; join both of its sides")
        load = ports["output"].load if "output" in ports else None
        if "speaker" in ports and load and f"{name}.{load.resistor}" not in stated and f"{name}.output" not in joined:
            found.append(f"the output stage {name} has no load; state {name}.{load.resistor}")
    return found


def _unknown_parameter(circuit: Circuit, place: str, name: str) -> list[str]:
    """Return what is wrong with a parameter's name, as a list."""
    if not name:
        return []
    try:
        circuit.check(name, circuit.values.get(name, 0.5))
    except InputError as fault:
        return [f"{place}: {fault}"]
    return []


def _flat(entry: Mapping[str, Any], start: str = "") -> dict[str, Any]:
    """Return nested tables by dotted names: TOML reads ``v1.emission = 0.9`` as a table v1."""
    flat: dict[str, Any] = {}
    for key, value in entry.items():
        if isinstance(value, Mapping):
            flat |= _flat(value, f"{start}{key}.")
        else:
            flat[f"{start}{key}"] = value
    return flat
