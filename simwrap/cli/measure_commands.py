"""Commands that simulate as they are told: ``simwrap measure``, ``sweep``, ``netlist``, ``engines`` and ``demo``."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any

import typer

from simwrap.cli import output
from simwrap.cli.app import app
from simwrap.cli.options import (
    Asked,
    DataFile,
    Engine,
    Force,
    Json,
    Running,
    RunningSideBySide,
    Subject,
    Told,
    assignments,
    together,
)
from simwrap.errors import InputError, NoEngineError, RangeError
from simwrap.files import write_text

Watch = Annotated[
    Path | None,
    typer.Option("--watch", metavar="PAGE.html", help="Keep a page with schematic, figures and pictures of a file that "
                 "is being edited; Ctrl-C ends it."),
]  # fmt: skip


@app.command()
@together
def measure(
    subject: Subject, asked: Asked, running: Running, told: Told, data: DataFile = None, watch: Watch = None
) -> None:
    """Measure one stage or design and print what was found."""
    if watch is not None:
        _watch(subject, asked, running, watch, told.force)
        return
    from simwrap.simulation.measurement import chosen_measures
    from simwrap.simulation.measurement import measure as run

    output.check_file("--plot", told.plot, output.PICTURES, force=told.force)
    output.check_file("--output", data, output.DATASETS, force=told.force)
    made, plot, force = subject.made(running.how()), told.plot, told.force
    chosen = asked.chosen()
    if plot is not None:
        for target in _plot_files(chosen_measures(made, chosen), plot).values():
            output.check_file("--plot", target, force=force)
    found = run(made, chosen, run=running.how())
    if data is not None:
        write_dataset(found.to_dataset(), data, force=force)
    if plot is not None:
        for name, target in _plot_files(found.results, plot).items():
            output.write_figure(found.plot(name), target, force=force)
    if told.as_json:
        print(json.dumps(found.to_dict()))
        return
    for table in found.tables(details=told.details):
        output.print_table(table.caption, table.head, table.rows)
    for words in found.cautions():
        output.say(f"CAUTION: {words}")
    if not told.details:
        output.say(f"{made.name}: {found.values_line()}")
    more = "" if told.details else "; --details prints every figure, conditions and criteria"
    output.say(f"simulated by {found.provenance.get('engine', found.engine)}{more}")


def _watch(subject: Subject, asked: Asked, running: Running, target: Path, force: bool) -> None:
    """Write a page of a file of one's own again and again, each time that the file has changed, until interrupted."""
    from simwrap.cli import watch
    from simwrap.simulation.measurement import measure as run

    file = Path(subject.stage)
    if not file.is_file():
        raise InputError(f"--watch: {subject.stage} is no file; give that of a template or a design")
    output.check_file("--watch", target, {".html"}, force=force)
    for _ in watch.changes(file):
        line, body = watch.told(lambda: run(subject.made(running.how()), asked.chosen(), run=running.how()))
        write_text(target, watch.page(file.name, body), replace=True)
        output.say(line)


def _plot_files(measures: Iterable[str], file: Path) -> dict[str, Path]:
    """Return the picture of each measure that has one: FILE for the first, FILE-measure for the others."""
    from simwrap.plots import drawable

    names = [name for name in measures if drawable(name)]
    if not names:
        raise InputError(f"--plot: none of {', '.join(measures)} has a picture")
    return {name: file.with_name(f"{file.stem}-{name}{file.suffix}") if name != names[0] else file for name in names}


def _sweep_values(text: str, parameter: Any) -> list[Any]:
    """Read "1k,1k5,2k2", "1k:10k:20" (20 values, even steps), "1k:10k:20log" or "1k:10k:E12"."""
    import numpy as np

    from simwrap.units import eseries, quantity

    ends = text.split(":")
    if len(ends) == 3 and parameter is not None and parameter.numeric:
        low, high = (quantity.parse(end, parameter.unit, parameter=parameter.name) for end in ends[:2])
        if re.fullmatch(r"[eE]\d+", ends[2]):
            return list(eseries.values(ends[2].upper(), low, high))
        match = re.fullmatch(r"(\d{1,9})(log)?", ends[2])
        if match and 1 <= int(match[1]) <= 1_000_000 and not (match[2] and min(low, high) <= 0):
            space = np.geomspace if match[2] else np.linspace
            return list(space(low, high, int(match[1])))
        raise RangeError(parameter.name, text, "LOW:HIGH:COUNT, LOW:HIGH:COUNTlog (both above 0) or LOW:HIGH:E12")
    return [part.strip() for part in text.split(",") if part.strip()]


def _columns(made: Any, over: list[str] | None) -> dict[str, list[Any]]:
    """Return what is swept: as it was given, or else the first resistor round its value."""
    known = {name.casefold(): parameter for name, parameter in made.parameters.items()}
    columns = {
        name: _sweep_values(text, known.get(name.casefold())) for name, text in assignments(over, "--over").items()
    }
    if columns:
        return columns
    first = next((name for name, p in made.parameters.items() if p.unit == "ohm" and made.values[name] != 0), None)
    if first is None:
        raise InputError(f"{made.name}: nothing to sweep was given; give --over NAME=VALUES")
    output.note(f"nothing to sweep was given (--over NAME=VALUES), so {made.parameters[first].label} is swept")
    return {first: [made.values[first] * factor for factor in (0.5, 0.7, 1.0, 1.4, 2.0)]}


@app.command()
@together
def sweep(
    subject: Subject,
    asked: Asked,
    running: RunningSideBySide,
    told: Told,
    over: Annotated[
        list[str] | None,
        typer.Option(
            "--over",
            metavar="NAME=VALUES",
            help='Swept values: "1k,1k5,2k2", "1k:10k:20", "1k:10k:20log", "1k:10k:E12" (repeatable).',
        ),
    ] = None,
    zipped: Annotated[bool, typer.Option("--zipped", help="Take the values side by side.")] = False,
    file: Annotated[
        Path | None,
        typer.Option(
            "--file",
            metavar="FILE.nc",
            help="Keep what is done there; the same command with the same file goes on where it was interrupted.",
        ),
    ] = None,
    data: DataFile = None,
) -> None:
    """Measure a stage over values of its parameters.

    Ctrl-C keeps what is done, if --file or --output names a file: the same command then goes on from there.
    """
    from simwrap.simulation.sweep import sweep as run

    plot, force = told.plot, told.force
    output.check_file("--plot", plot, output.PICTURES, force=force)
    output.check_file("--output", data, output.DATASETS, force=force)
    made = subject.made(running.how())
    columns = _columns(made, over)
    kept = file or (data.with_name(f"{data.stem}.partial.nc") if data is not None else None)
    with _told_what_is_kept(kept):
        found = run(made, columns, asked.chosen(), zipped=zipped, file=kept, run=running.how())
    tell_warnings(found)
    if data is not None:
        write_dataset(found, data, force=force)
        if file is None and kept is not None:
            kept.unlink(missing_ok=True)
    if plot is not None:
        from simwrap.plots import plot_sweep

        output.write_figure(plot_sweep(found), plot, force=force)
    if told.as_json:
        from simwrap.simulation.as_json import dataset_json

        print(json.dumps(dataset_json(found)))
    else:
        print_dataset(found, told.details)


@contextmanager
def _told_what_is_kept(kept: Path | None) -> Iterator[None]:
    """Say where what is done already lies, and after Ctrl-C how much of it there is and how to go on."""
    if kept is not None and kept.is_file():
        output.note(f"what is done already is taken from {kept}")
    try:
        yield
    except KeyboardInterrupt:
        words = "interrupted, nothing is kept"
        if kept is None:
            words += "; with --file FILE.nc what is done stays"
        elif kept.is_file():
            from simwrap.findings.status import Status
            from simwrap.simulation.sweep import load

            outcome = load(kept)["outcome"].values.ravel()
            done = int((outcome != Status.PENDING).sum())
            words = (
                f"interrupted: {done} of {outcome.size} points are kept in {kept}; the same command goes on from there"
            )
        raise KeyboardInterrupt(words) from None


def tell_warnings(data: Any, points: str = "points") -> None:
    """Say on stderr how many points there is something to say about, and what of the first of them."""
    told = [text for text in data["warnings"].values.ravel().tolist() if text]
    if told:
        output.note(
            f"{len(told)} of {data['warnings'].size} {points} have warnings (see the variable warnings); "
            f"the first: {told[0]}"
        )


def write_dataset(data: Any, file: Path, *, force: bool) -> None:
    """Write a Dataset, and say so."""
    from simwrap.simulation.sweep import save

    save(data, file, replace=force)
    print(f"written: {file}", file=sys.stderr)


#: Most points that are printed.
MOST_ROWS = 200


def print_dataset(data: Any, details: bool = False) -> None:
    """Print one row a point: what was swept and the headlines of the measures; every figure with details."""
    from simwrap.simulation.sweep_report import sweep_tables

    for table in sweep_tables(data, details=details, width=output.width(), most=MOST_ROWS):
        output.print_table(table.caption, table.head, table.rows)
    more = data["status"].size - MOST_ROWS
    if more > 0:
        output.say(f"{more} more points: --output FILE.csv writes all")
    if not details:
        output.say("--details prints every figure, --output FILE.csv writes all, --plot FILE draws them")


@app.command()
@together
def netlist(
    subject: Subject,
    file: Annotated[Path | None, typer.Option("-o", "--output", metavar="FILE", help="Write it there.")] = None,
    force: Force = False,
) -> None:
    """Print a complete netlist that `ngspice -b` runs unchanged."""
    from simwrap.circuits.render import render

    output.check_file("--output", file, force=force)
    text = render(subject.made()).complete()
    if file is None:
        print(text, end="")
    else:
        output.write_text(file, text, force=force)


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
    output.print_table("engines", ["engine", "version", "", "how"], rows)
    output.print_table(
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
    engine: Engine = "auto",
    force: Force = False,
) -> None:
    """Run the main job on the reading room's preamplifier stages and write pictures."""
    from simwrap.cli.demo import run

    run(folder, engine=engine, force=force)
