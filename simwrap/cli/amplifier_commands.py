"""Commands for a whole amplifier: ``simwrap new`` writes a design file (or a template), ``simwrap check`` audits one.

``check`` exits with 0 when nothing is over a rating and the amplifier is stable, with 1 when something is, with 2 for a
design that can't be read or built (all problems at once), with 3 when the simulator failed.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from simwrap._paths import example_design, example_stage
from simwrap.cli.app import app
from simwrap.cli.options import AmplifierFile, Force, Json, Running, together
from simwrap.cli.output import check_file, write_text
from simwrap.errors import EXIT_NOT_MET


@app.command()
def new(
    file: Annotated[
        Path, typer.Argument(metavar="FILE", help="The design file (amplifier.toml) or stage (mine.cir.j2) to write.")
    ],
    force: Force = False,
) -> None:
    """Write a commented file to start from: a whole amplifier of invented values, or (FILE.cir.j2) a stage."""
    if file.name.endswith(".cir.j2"):
        check_file("the template", file, force=force)
        write_text(file, example_stage(), force=force, then=f"; look at it with: simwrap measure {file}")
        return
    check_file("the design file", file, {".toml"}, force=force)
    write_text(file, example_design(), force=force, then=f"; audit it with: simwrap check {file}")


@app.command()
@together
def check(
    amplifier: AmplifierFile,
    running: Running,
    quick: Annotated[bool, typer.Option("--quick", help="Leave out what needs large signals.")] = False,
    as_json: Json = False,
) -> None:
    """Audit a whole amplifier: what is over a rating, is it stable, what will it do, what will hum.

    Exit code 0: nothing is over a rating, and it is stable; 1: something is; 2: the design can't be read or built.
    """
    from simwrap.engine import choose
    from simwrap.engine.process import prepare

    prepare(choose(running.engine)[0])  # it starts while the design is being read
    from simwrap.doors import check as audited

    found = audited(amplifier.amplifier("check", running, quick=quick))
    if as_json:
        print(json.dumps(found.to_dict()))
    else:
        print("\n".join(found.page()))
    if not found.clean:
        raise typer.Exit(EXIT_NOT_MET)
