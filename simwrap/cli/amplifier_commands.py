"""Commands for a whole amplifier: ``simwrap new`` writes a design file, ``simwrap check`` audits one.

``check`` exits with 0 when nothing is over a rating and the amplifier is stable, with 1 when something is, with 2 for a
design that can't be read or built (all problems at once), with 3 when the simulator failed.
"""

from __future__ import annotations

import json
import sys
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import typer

from simwrap.cli.app import Engine, Json, Stages, Valves, _folders, app
from simwrap.errors import EXIT_NOT_MET, InputError

#: The design that `simwrap new` writes.
EXAMPLE = "reading_room.toml"


@app.command()
def new(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The design file to write, such as amplifier.toml.")],
    force: Annotated[bool, typer.Option("--force", help="Write over a file that is there.")] = False,
) -> None:
    """Write a commented design file to start from: a whole amplifier of invented values."""
    if file.suffix != ".toml":
        raise InputError(f"{file}: a design file ends in .toml; give a name such as {file.with_suffix('.toml')}")
    if file.exists() and not force:
        raise InputError(f"{file} is there already; give another name, or --force to write over it")
    text = files("simwrap.amplifier").joinpath(EXAMPLE).read_text(encoding="utf-8")
    try:
        file.write_text(text, encoding="utf-8")
    except OSError as fault:
        raise InputError(f"{file} can't be written ({fault.strerror or fault})") from None
    print(f"written: {file}; audit it with: simwrap check {file}", file=sys.stderr)


@app.command()
def check(
    design: Annotated[Path, typer.Argument(metavar="DESIGN", help="A design file; `simwrap new FILE` writes one.")],
    quick: Annotated[bool, typer.Option("--quick", help="Leave out what needs large signals.")] = False,
    engine: Engine = "auto",
    valves: Valves = None,
    stages: Stages = None,
    as_json: Json = False,
) -> None:
    """Audit a whole amplifier: what is over a rating, is it stable, what will it do, what will hum.

    Exit code 0: nothing is over a rating, and it is stable; 1: something is; 2: the design can't be read or built.
    """
    from simwrap.engine import choose
    from simwrap.engine.process import prepare

    prepare(choose(engine)[0])  # it starts while the design is being read
    from simwrap.amplifier.audit import audit
    from simwrap.circuits.design_file import read_whole_design

    read = read_whole_design(design, valve_folders=_folders(valves), complete=True)
    found = audit(read, quick=quick, engine=engine, progress=lambda words: print(f"check: {words}", file=sys.stderr))
    if as_json:
        print(json.dumps(found.to_dict()))
    else:
        print("\n".join(found.page()))
    if not found.clean:
        raise typer.Exit(EXIT_NOT_MET)
