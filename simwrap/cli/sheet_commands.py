"""``simwrap sheet``: the build sheet of a design as one HTML file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from simwrap.cli.app import app
from simwrap.cli.options import Force, PaperOf, Running, together
from simwrap.cli.output import check_file, write_text
from simwrap.errors import RangeError


@app.command()
@together
def sheet(
    amplifier: PaperOf,
    running: Running,
    output: Annotated[Path, typer.Option("--output", "-o", metavar="FILE.html", help="The file to write.")],
    meter: Annotated[str, typer.Option("--meter", metavar="OHM", help="Input resistance of your voltmeter.")] = "10M",
    discharge: Annotated[
        str, typer.Option("--discharge", metavar="TIME", help="Time in which bleeders are to reach 60 V.")
    ] = "30 s",
    guard: Annotated[
        bool, typer.Option("--guard", help="Add what `simwrap guard` doesn't see (it takes a minute more).")
    ] = False,
    quick: Annotated[bool, typer.Option("--quick", help="Leave out what needs large signals.")] = False,
    force: Force = False,
) -> None:
    """Write the build sheet of an amplifier: cautions, schematics, parts, test points, curves, discharge times."""
    from simwrap import doors
    from simwrap.amplifier.test_points import Allowance
    from simwrap.units import quantity

    check_file("--output", output, {".html", ".htm"}, force=force)
    ohms = quantity.parse(meter, "ohm", parameter="--meter")
    if not 1e3 <= ohms <= 1e12:
        raise RangeError("--meter", meter, "a resistance from 1 kohm to 1 Tohm")
    within = quantity.parse(discharge, "s", parameter="--discharge")
    if not 0.1 <= within <= 1e5:
        raise RangeError("--discharge", discharge, "a time from 0.1 s to 100000 s")
    known, despite = amplifier.amplifier("sheet", running, quick=quick), amplifier.despite_findings
    not_seen = doors.guard(known, despite_findings=despite).not_seen if guard else ()
    paper = doors.sheet(known, allowance=Allowance(meter=ohms), within=within, not_seen=not_seen,
                        despite_findings=despite)  # fmt: skip
    write_text(output, paper.html, force=force, then="; open it in a browser, and print it")
