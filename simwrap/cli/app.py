"""The command line of simwrap: the commands of one stage or circuit; other files add theirs.

Tables for people by default, one JSON object with ``--json``. Exit codes: 0 done, 1 goals not met (``choose``), or a
rating exceeded or unstable (``check``), 2 bad input (one sentence on stderr), 3 the engine failed (its reason, the
netlist kept).
"""

from __future__ import annotations

import json
import os
import sys
import textwrap
import warnings
from importlib import import_module
from pathlib import Path
from typing import Annotated, Any

import typer

from simwrap.errors import (
    EXIT_BAD_INPUT,
    InputError,
    NoEngineError,
    RangeError,
    SimwrapError,
)

app = typer.Typer(
    name="simwrap",
    help="Simulate valve audio stages before soldering. Voltages in these circuits kill: see the README's cautions.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

# typer carries its own copy of click, or uses the installed one: take the base of its errors.
_UsageError = typer.BadParameter.__mro__[1]
_ClickException: Any = _UsageError.__mro__[1]

Set = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="NAME=VALUE", help='A parameter, such as "anode_resistor=100k" (repeatable).'),
]
MeasureNames = Annotated[
    list[str] | None,
    typer.Option("--measure", metavar="NAME", help="What to measure (repeatable); `simwrap list measures` prints all."),
]
MeasureOptions = Annotated[
    list[str] | None,
    typer.Option("--option", metavar="MEASURE.NAME=VALUE", help="An option of a measure (repeatable)."),
]
Engine = Annotated[str, typer.Option("--engine", metavar="NAME", help="auto, neospice or ngspice.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON object instead of tables.")]
PlotFile = Annotated[Path | None, typer.Option("--plot", metavar="FILE", help="Write a picture (.png, .svg, .pdf).")]
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


Kind = Annotated[
    str | None, typer.Option("--kind", help="Section of a type that has several: triode, pentode or rectifier.")
]


def _kind(given: str | None) -> Any:
    if given is None:
        return None
    from simwrap.registry import find

    return find("kind", given, {kind: kind for kind in ("triode", "pentode", "rectifier")})


def _folders(given: list[Path] | None) -> list[Path]:
    for folder in given or []:
        if not folder.is_dir():
            raise RangeError("--valves", folder, "a folder that is there")
    return list(given or [])


def _assignments(given: list[str] | None, option: str = "--set") -> dict[str, str]:
    found: dict[str, str] = {}
    for entry in given or []:
        name, sign, value = entry.partition("=")
        if not sign or not name.strip():
            raise RangeError(option, entry, "name=value, such as anode_resistor=100k")
        found[name.strip()] = value
    return found


def _stage(name: str, settings: list[str] | None, valves: list[Path] | None) -> Any:
    from simwrap.circuits.design_file import read_design
    from simwrap.circuits.stage import stage

    folders = _folders(valves)
    made: Any = (
        read_design(name, valve_folders=folders) if name.endswith(".toml") else stage(name, valve_folders=folders)
    )
    return made.replace(**_assignments(settings)) if settings else made


def _measure_options(names: list[str] | None, options: list[str] | None) -> Any:
    """Return what ``measures=`` takes, or None for the stage's own choice."""
    if not options:
        return names or None
    chosen: dict[str, dict[str, Any]] = {name: {} for name in names or []}
    for key, text in _assignments(options, "--option").items():
        measure, dot, option = key.partition(".")
        if not dot:
            raise RangeError("--option", key, "measure.option=value, such as headroom.nominal_level=0.5")
        chosen.setdefault(measure, {})[option] = text
    return chosen


def _console() -> Any:
    from rich.console import Console

    return Console(highlight=False, width=None if sys.stdout.isatty() else 140)


def _table(title: str, head: list[str], rows: list[Any]) -> None:
    from rich import box
    from rich.table import Table
    from rich.text import Text

    from simwrap.tables import numeric_columns

    table = Table(title=title or None, title_justify="left", box=box.SIMPLE_HEAD, show_header=any(head))
    for word, right in zip(head, numeric_columns(len(head), rows), strict=True):
        table.add_column(Text(word), overflow="fold", justify="right" if right else "left")
    for row in rows:
        table.add_row(*[Text(str(cell)) for cell in row])
    _console().print(table)


def _say_warnings(said: list[str]) -> None:
    for text in said:
        print(f"note: {text}", file=sys.stderr)


@app.command()
def measure(
    stage: Annotated[str, typer.Argument(help="A stage; `simwrap list stages` prints all.")],
    settings: Set = None,
    measures: MeasureNames = None,
    options: MeasureOptions = None,
    engine: Engine = "auto",
    valves: Valves = None,
    stages: Stages = None,
    as_json: Json = False,
    plot: PlotFile = None,
    details: Annotated[bool, typer.Option("--details", help="Print every figure, conditions and criteria.")] = False,
) -> None:
    """Measure one stage or design and print what was found."""
    from simwrap.simulation import report
    from simwrap.simulation.measurement import measure as run

    made = _stage(stage, settings, valves)
    found = run(made, _measure_options(measures, options), engine=engine)
    if plot is not None:
        _save_plots(found, plot)
    if as_json:
        print(json.dumps(found.to_dict()))
        return
    for table in report.tables(found, details=details):
        _table(table.caption, list(table.head), table.rows)
    if not details:
        print(textwrap.fill(f"{made.name}: {report.values_line(found)}", 98))
    more = "" if details else "; --details prints every figure, conditions and criteria"
    print(f"simulated by {found.provenance.get('engine', found.engine)}{more}")


def _save_plots(found: Any, file: Path) -> None:
    """Write one picture a measure that has one: FILE for the first, FILE-measure for the others."""
    from simwrap.plots import drawable

    names = [name for name in found.results if drawable(name)]
    if not names:
        raise InputError(f"--plot: none of {', '.join(found.results)} has a picture")
    for number, name in enumerate(names):
        target = file if number == 0 else file.with_name(f"{file.stem}-{name}{file.suffix}")
        _write_figure(found.plot(name), target)


def _write_figure(figure: Any, file: Path) -> None:
    supported = figure.canvas.get_supported_filetypes()
    if file.suffix.lstrip(".").lower() not in supported:
        raise RangeError("--plot", file, "a file that ends in .png, .svg or .pdf")
    try:
        figure.savefig(file)
    except OSError as fault:
        raise InputError(f"--plot: {file} can't be written ({fault.strerror or fault})") from None
    print(f"picture: {file}", file=sys.stderr)


def _sweep_values(text: str, parameter: Any) -> list[Any]:
    """Read "1k,1k5,2k2", "1k:10k:20" (20 values, even steps), "1k:10k:20log" or "1k:10k:E12"."""
    import re

    import numpy as np

    from simwrap.units import eseries, quantity

    ends = text.split(":")
    if len(ends) == 3 and parameter is not None and parameter.numeric:
        low, high = (quantity.parse(end, parameter.unit, parameter=parameter.name) for end in ends[:2])
        if re.fullmatch(r"[eE]\d+", ends[2]):
            return list(eseries.values(ends[2].upper(), low, high))
        match = re.fullmatch(r"(\d+)(log)?", ends[2])
        if match and 1 <= int(match[1]) <= 1_000_000 and not (match[2] and min(low, high) <= 0):
            space = np.geomspace if match[2] else np.linspace
            return list(space(low, high, int(match[1])))
        raise RangeError(parameter.name, text, "LOW:HIGH:COUNT, LOW:HIGH:COUNTlog (both above 0) or LOW:HIGH:E12")
    return [part.strip() for part in text.split(",") if part.strip()]


@app.command()
def sweep(
    stage: Annotated[str, typer.Argument(help="A stage; `simwrap list stages` prints all.")],
    over: Annotated[
        list[str] | None,
        typer.Option(
            "--over",
            metavar="NAME=VALUES",
            help='Swept values: "1k,1k5,2k2", "1k:10k:20", "1k:10k:20log", "1k:10k:E12" (repeatable).',
        ),
    ] = None,
    settings: Set = None,
    measures: MeasureNames = None,
    options: MeasureOptions = None,
    engine: Engine = "auto",
    valves: Valves = None,
    stages: Stages = None,
    zipped: Annotated[bool, typer.Option("--zipped", help="Take the values side by side.")] = False,
    output: Annotated[
        Path | None, typer.Option("--output", metavar="FILE", help="Write the Dataset: .nc (netCDF) or .csv.")
    ] = None,
    as_json: Json = False,
    plot: PlotFile = None,
) -> None:
    """Measure a stage over values of its parameters."""
    from simwrap.simulation.sweep import sweep as run

    made = _stage(stage, settings, valves)
    columns = {
        name: _sweep_values(text, {k.casefold(): v for k, v in made.parameters.items()}.get(name.casefold()))
        for name, text in _assignments(over, "--over").items()
    }
    if not columns:
        name, parameter = next((n, p) for n, p in made.parameters.items() if p.numeric and p.unit == "ohm")
        value = made.values[name]
        columns = {name: [value * factor for factor in (0.5, 0.7, 1.0, 1.4, 2.0)]}
        print(
            f"note: nothing to sweep was given (--over NAME=VALUES), so {parameter.label} is swept",
            file=sys.stderr,
        )
    data = run(
        made,
        columns,
        _measure_options(measures, options),
        zipped=zipped,
        engine=engine,
        progress=sys.stderr.isatty(),
    )
    _tell_warnings(data)
    if output is not None:
        _write_dataset(data, output)
    if plot is not None:
        from simwrap.plots import plot_sweep

        _write_figure(plot_sweep(data), plot)
    if as_json:
        from simwrap.simulation.as_json import dataset_json

        print(json.dumps(dataset_json(data)))
    else:
        _print_dataset(data)


def _tell_warnings(data: Any, points: str = "points") -> None:
    """Say on stderr how many points there is something to say about, and what of the first of them."""
    told = [text for text in data["warnings"].values.ravel().tolist() if text]
    if told:
        print(f"note: {len(told)} of {data['warnings'].size} {points} have warnings (see the variable warnings);"
              f" the first: {told[0]}", file=sys.stderr)  # fmt: skip


def _write_dataset(data: Any, file: Path) -> None:
    from simwrap.simulation.sweep import save

    save(data, file)
    print(f"written: {file}", file=sys.stderr)


def _print_dataset(data: Any) -> None:
    """Print one row a point with every single number, at most 200 rows."""
    from simwrap.simulation.dataset import point_dims, single_figures, unit_of
    from simwrap.units import quantity

    dims = point_dims(data)
    flat = data.stack(point_index=dims) if len(dims) > 1 else data.rename({dims[0]: "point_index"})
    axes = [name for name in data.coords if set(data[name].dims) <= set(dims)]
    columns = single_figures(data)
    rows = []
    for index in range(min(flat.sizes["point_index"], 200)):
        one = flat.isel(point_index=index)
        cells = []
        for name in [*axes, *columns]:
            value = one["point_index" if name == dims[0] and len(dims) == 1 else name].item()
            cells.append(value if isinstance(value, str) else quantity.render(float(value), unit_of(data[name])))
        rows.append((*cells, str(one["status"].item())))
    head = [*axes, *columns, "status"]
    if len(head) > 9:  # too wide for a terminal: one table a point is unreadable, so turn it round
        turned = [(name, *[row[number] for row in rows[:8]]) for number, name in enumerate(head)]
        _table("sweep (points across)", ["", *[str(i + 1) for i in range(len(rows[:8]))]], turned)
        if len(rows) > 8:
            print(f"{len(rows) - 8} more points: --output FILE.csv writes all")
    else:
        _table("sweep", head, rows)
    if flat.sizes["point_index"] > 200:
        print(f"{flat.sizes['point_index'] - 200} more points: --output FILE.csv writes all")


@app.command()
def netlist(
    stage: Annotated[str, typer.Argument(help="A stage; `simwrap list stages` prints all.")],
    settings: Set = None,
    valves: Valves = None,
    stages: Stages = None,
) -> None:
    """Print a complete netlist that `ngspice -b` runs unchanged."""
    from simwrap.circuits.render import render

    print(render(_stage(stage, settings, valves)).complete(), end="")


@app.command()
def engines(as_json: Json = False) -> None:
    """Show which simulators are found, their versions, and a self-check of each."""
    from simwrap import engine

    rows: list[Any] = []
    results: list[Any] = []
    for entry in engine.found():
        checks = engine.self_check(entry.name) if entry.available else []
        rows += [(entry.name, entry.version, "found" if entry.available else "not found", entry.detail)]
        results += [
            (entry.name, c.name, f"{c.expected:.6g} {c.unit}", f"{c.got:.6g} {c.unit}", c.passed) for c in checks
        ]
    if as_json:
        heads = ("engine", "version", "found", "detail"), ("engine", "check", "expected", "got", "passed")
        listed, checked = (
            [dict(zip(head, row, strict=True)) for row in part]
            for head, part in zip(heads, (rows, results), strict=True)
        )
        print(json.dumps({"engines": listed, "self_check": checked}))
        return
    _table("engines", ["engine", "version", "", "how"], rows)
    _table(
        "self-check",
        ["engine", "circuit", "expected", "got", ""],
        [(*r[:4], "passed" if r[4] else "FAILED") for r in results],
    )
    if not any(entry[2] == "found" for entry in rows):
        raise NoEngineError(
            "no simulator is found: pip install neospice, or install libngspice (Debian: apt install libngspice0)"
        )


@app.command()
def demo(
    folder: Annotated[Path, typer.Option("--folder", metavar="DIR", help="Where the pictures go.")] = Path("out"),
) -> None:
    """Run the main job on the reading room's preamplifier stages and write pictures."""
    from simwrap.cli.demo import run

    run(folder)


def main(arguments: list[str] | None = None) -> None:
    """Run the command line; never shows a traceback for what a user can cause."""
    warnings.showwarning = lambda message, *_: print(f"note: {message}", file=sys.stderr)
    # They add their commands to the app.
    for name in ("amplifier", "bench", "sheet", "library", "design", "valve"):
        import_module(f"simwrap.cli.{name}_commands")
    command = typer.main.get_command(app)
    try:
        code = command.main(args=arguments, prog_name="simwrap", standalone_mode=False)
    except SimwrapError as fault:
        print(f"simwrap: {fault}", file=sys.stderr)
        code = fault.exit_code
    except _ClickException as fault:
        print(f"simwrap: {fault.format_message().splitlines()[0]}", file=sys.stderr)
        code = EXIT_BAD_INPUT
    except (typer.Abort, KeyboardInterrupt):
        print("simwrap: interrupted", file=sys.stderr)
        code = 130
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 0
    sys.exit(code or 0)
