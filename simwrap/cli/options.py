"""Options that several commands share, each described once; and sets of them that a command takes as one object.

A command's parameter whose type is one of the sets (a dataclass) stands for all options of that set at the shell.
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass, replace
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import typer

from simwrap.cli import output
from simwrap.engine.options import DEFAULT, Run
from simwrap.errors import RangeError


def together(command: Callable[..., Any]) -> Callable[..., Any]:
    """Let a command's sets of options be read one option at a time: what ``app.command()`` is given."""
    hints = get_type_hints(command, include_extras=True)
    sets: dict[str, Any] = {name: hint for name, hint in hints.items() if is_dataclass(hint)}
    parameters = []
    for name, parameter in inspect.signature(command).parameters.items():
        parts = inspect.signature(sets[name]).parameters.values() if name in sets else [parameter]
        known = get_type_hints(sets[name], include_extras=True) if name in sets else hints
        parameters += [each.replace(kind=inspect.Parameter.KEYWORD_ONLY, annotation=known[each.name]) for each in parts]

    def run(**given: Any) -> Any:
        made: dict[str, Any] = {
            name: kind(**{field.name: given.pop(field.name) for field in fields(kind)}) for name, kind in sets.items()
        }
        return command(**made, **given)

    run.__name__, run.__doc__ = command.__name__, command.__doc__
    run.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    run.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters}
    return run


# Single options


def known_stages() -> list[str]:
    """Return what a shell completes for a stage."""
    from simwrap.circuits.library import stage_names

    return stage_names()


def known_measures() -> list[str]:
    """Return what a shell completes for a measure."""
    from simwrap.measures.registry import measures

    return list(measures())


def known_valves() -> list[str]:
    """Return what a shell completes for a valve."""
    from simwrap.valves import valve_names

    return valve_names()


def known_components() -> list[str]:
    """Return what a shell completes for a component."""
    from simwrap.components import component_names

    return component_names()


def known_engines() -> list[str]:
    """Return what a shell completes for an engine."""
    return ["auto", "neospice", "ngspice"]


StageName = Annotated[
    str,
    typer.Argument(
        metavar="STAGE", help="A stage (`simwrap list stages`), a template, or a circuit's file.",
        autocompletion=known_stages,
    ),
]  # fmt: skip
Set = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="NAME=VALUE", help='A parameter, such as "anode_resistor=100k" (repeatable).'),
]
Like = Annotated[
    str | None,
    typer.Option(
        "--like",
        metavar="NAME",
        help='Published conditions of an output stage\'s valve, such as "single-ended 250 V"; '
        "`simwrap show VALVE` lists them.",
    ),
]
MeasureNames = Annotated[
    list[str] | None,
    typer.Option(
        "--measure", metavar="NAME", help="What to measure (repeatable); `simwrap list measures` prints all.",
        autocompletion=known_measures,
    ),
]  # fmt: skip
MeasureOptions = Annotated[
    list[str] | None,
    typer.Option("--option", metavar="MEASURE.NAME=VALUE", help="An option of a measure (repeatable)."),
]
Engine = Annotated[
    str,
    typer.Option(
        "--engine",
        metavar="NAME",
        help="auto, neospice or ngspice.",
        autocompletion=known_engines,
    ),
]
Workers = Annotated[
    int | None, typer.Option("--workers", metavar="NUMBER", help="How many processes; one for each core otherwise.")
]
TimeLimit = Annotated[
    float,
    typer.Option(
        "--time-limit", metavar="SECONDS", help="The longest for one point; one that takes longer is given up."
    ),
]
Fresh = Annotated[bool, typer.Option("--fresh", help="Compute all again, whatever was kept of an earlier command.")]
Despite = Annotated[
    bool, typer.Option("--despite-findings", help="Make it even of what must not be built; every page says so then.")
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of tables.")]
Details = Annotated[bool, typer.Option("--details", help="Print every figure, conditions and criteria.")]
PlotFile = Annotated[Path | None, typer.Option("--plot", metavar="FILE", help="Write a picture (.png, .svg, .pdf).")]
DataFile = Annotated[
    Path | None,
    typer.Option("-o", "--output", metavar="FILE", help="Write the Dataset: .nc (netCDF) or .csv."),
]
Force = Annotated[bool, typer.Option("--force", help="Write over files that are there.")]
Valves = Annotated[
    list[Path] | None,
    typer.Option("--valves", metavar="DIR", help="A folder of your own valve files (repeatable)."),
]


def _add_stages(folders: list[Path] | None) -> list[Path] | None:
    """Make the stages of some folders known before anything else looks for one."""
    from simwrap.circuits.library import add_folders

    add_folders(folders or [])
    return folders


Stages = Annotated[
    list[Path] | None,
    typer.Option(
        "--stages", metavar="DIR", help="A folder of your own stage templates (repeatable).", callback=_add_stages,
        is_eager=True,
    ),
]  # fmt: skip
DesignFile = Annotated[Path, typer.Argument(metavar="DESIGN", help="A design file; `simwrap new FILE` writes one.")]
Kind = Annotated[
    str | None, typer.Option("--kind", help="Section of a type that has several: triode, pentode or rectifier.")
]


def kind_of(given: str | None) -> Any:
    """Return the kind of valve that is meant, None where none was given."""
    if given is None:
        return None
    from simwrap.registry import find

    return find("kind", given, {kind: kind for kind in ("triode", "pentode", "rectifier")})


def folders_of(given: list[Path] | None) -> list[Path]:
    """Return the folders of valve files, which have to be there."""
    for folder in given or []:
        if not folder.is_dir():
            raise RangeError("--valves", folder, "a folder that is there")
    return list(given or [])


def assignments(given: list[str] | None, option: str = "--set") -> dict[str, str]:
    """Read options of the form name=value."""
    found: dict[str, str] = {}
    for entry in given or []:
        name, sign, value = entry.partition("=")
        if not sign or not name.strip():
            raise RangeError(option, entry, "name=value, such as anode_resistor=100k")
        found[name.strip()] = value
    return found


# Sets


@dataclass(frozen=True)
class Subject:
    """Which stage or circuit, and with which values."""

    stage: StageName
    settings: Set = None
    like: Like = None
    valves: Valves = None
    stages: Stages = None

    def made(self, run: Run = DEFAULT) -> Any:
        """Return it: a stage, or the circuit of a file as it stands on its supply, which is found by a ``run``."""
        return self.with_design(run)[0]

    def with_design(self, run: Run = DEFAULT) -> tuple[Any, Any]:
        """Return it, and the file's design with the values; None of a stage."""
        from simwrap.circuits.design_file import read_whole_design
        from simwrap.circuits.stage import stage

        folders, values = folders_of(self.valves), assignments(self.settings)
        if not self.stage.endswith(".toml"):
            return stage(self.stage, valve_folders=folders, like=self.like, **values), None
        if self.like is not None:
            raise RangeError("--like", self.like, "it with a single stage; a circuit's file holds its own values")
        design = read_whole_design(self.stage, valve_folders=folders)
        circuit = design.circuit.replace(**values) if values else design.circuit
        named = {circuit.check(name, value)[0] for name, value in values.items()}
        design = replace(design, circuit=circuit)
        return _as_it_stands(design, named, run), design


def _as_it_stands(design: Any, named: set[str], run: Run) -> Any:
    """Return a design's circuit on the supply that it really gets and at the volume of its gain plan.

    What is ``named`` was set by hand and stays.
    """
    from simwrap.amplifier.amplifier import Amplifier
    from simwrap.amplifier.supply_match import fed

    circuit, volume = design.circuit, design.levels.volume
    if design.supply is None and not volume:
        return circuit
    amplifier = Amplifier(design, run=run)
    stands = amplifier.circuit
    amplifier.save()
    found = {parameter for _, parameter in fed(design)} | ({circuit.check(volume, 0.5)[0]} if volume else set())
    moved = {name: stands.values[name] for name in sorted(found - named) if stands.values[name] != circuit.values[name]}
    if moved:
        shown = ", ".join(f"{name} {value:.4g}" for name, value in moved.items())
        output.note(f"as it stands on its supply: {shown}")
    return circuit.with_values(moved) if moved else circuit


@dataclass(frozen=True)
class AmplifierFile:
    """Which whole amplifier."""

    design: DesignFile
    fresh: Fresh = False
    valves: Valves = None
    stages: Stages = None

    def amplifier(self, command: str, running: Running, **how: Any) -> Any:
        """Read its file, and say on stderr what a command does with it; ``how`` as an Amplifier takes it."""
        from simwrap.amplifier.amplifier import as_amplifier

        def tell(words: str) -> None:
            print(f"{command}: {words}", file=sys.stderr)

        return as_amplifier(self.design, valve_folders=folders_of(self.valves), fresh=self.fresh, progress=tell,
                            run=running.how(), **how)  # fmt: skip


@dataclass(frozen=True)
class PaperOf(AmplifierFile):
    """Which whole amplifier a paper is of, and whether one is made of what must not be built."""

    despite_findings: Despite = False


@dataclass(frozen=True)
class Asked:
    """What is measured."""

    measures: MeasureNames = None
    options: MeasureOptions = None

    def chosen(self) -> Any:
        """Return what ``measures=`` takes, or None for the stage's own choice."""
        if not self.options:
            return self.measures or None
        chosen: dict[str, dict[str, Any]] = {name: {} for name in self.measures or []}
        for key, text in assignments(self.options, "--option").items():
            measure, dot, option = key.partition(".")
            if not dot:
                raise RangeError("--option", key, "measure.option=value, such as headroom.nominal_level=0.5")
            chosen.setdefault(measure, {})[option] = text
        return chosen


@dataclass(frozen=True)
class Running:
    """How it is run: one point, or one thing after another."""

    engine: Engine = "auto"
    time_limit: TimeLimit = DEFAULT.time_limit

    def how(self) -> Run:
        """Return it as an object; a bar is drawn where somebody looks."""
        return Run(self.engine, self.time_limit, progress=sys.stderr.isatty())


@dataclass(frozen=True)
class RunningSideBySide(Running):
    """How many points are run."""

    workers: Workers = None

    def how(self) -> Run:
        """Return it as an object."""
        return replace(super().how(), workers=self.workers)


@dataclass(frozen=True)
class Pictured:
    """How what was found is told, with a picture."""

    as_json: Json = False
    plot: PlotFile = None
    force: Force = False


@dataclass(frozen=True)
class Told(Pictured):
    """How figures are told."""

    details: Details = False
