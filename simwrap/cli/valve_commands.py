"""Commands about valves: ``simwrap curves`` and ``simwrap fit``."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

from simwrap.cli import output
from simwrap.cli.app import app
from simwrap.cli.options import (
    Force,
    Kind,
    Pictured,
    PlotFile,
    Valves,
    folders_of,
    kind_of,
    known_valves,
    together,
)
from simwrap.errors import InputError, RangeError
from simwrap.units import quantity


def _voltages(text: str, kind: str) -> list[float]:
    """Read ``--at``: anode, grid and (for a pentode with its own screen voltage) screen voltage to the cathode."""
    parts = [part.strip() for part in text.split(",")]
    words = {
        "pentode": "ANODE,GRID,SCREEN such as 250,-12.5,250",
        "triode": "ANODE,GRID such as 250,-2",
        "rectifier": "DROP such as 17",
    }[kind]
    if len(parts) != words.split()[0].count(",") + 1:
        raise RangeError("--at", text, words)
    return [quantity.parse(part, "V", parameter="--at") for part in parts]


def _optional(text: str | None, unit: str, option: str) -> float | None:
    return None if text is None else quantity.parse(text, unit, parameter=option)


@dataclass(frozen=True)
class Working:
    """What a valve works with."""

    supply: Annotated[str | None, typer.Option("--supply", metavar="V", help="Draw a load line from there.")] = None
    anode_resistor: Annotated[str | None, typer.Option("--anode-resistor", metavar="OHM")] = None
    cathode_resistor: Annotated[str, typer.Option("--cathode-resistor", metavar="OHM")] = "0"
    grid_voltage: Annotated[str, typer.Option("--grid-voltage", metavar="V", help="Fixed bias.")] = "0"
    screen_voltage: Annotated[str | None, typer.Option("--screen-voltage", metavar="V")] = None
    tap: Annotated[float, typer.Option("--tap", help="Screen tap of ultra-linear curves, 0 to 1.")] = 0.43

    def values(self) -> dict[str, Any]:
        """Return what was given, in SI units: of a load line its ``supply`` and ``anode_resistor``, or neither."""
        if not 0.0 <= self.tap <= 1.0:
            raise RangeError("--tap", self.tap, "a share from 0 to 1")
        volts = _optional(self.supply, "V", "--supply")
        ohms = _optional(self.anode_resistor, "ohm", "--anode-resistor")
        if (volts is None) != (ohms is None):
            missing = "--supply" if volts is None else "--anode-resistor"
            raise InputError(f"{missing} is missing: a load line needs both --supply and --anode-resistor")
        return {
            "supply": volts,
            "anode_resistor": ohms,
            "screen_voltage": _optional(self.screen_voltage, "V", "--screen-voltage"),
            "cathode_resistor": quantity.parse(self.cathode_resistor, "ohm", parameter="--cathode-resistor"),
            "grid_voltage": quantity.parse(self.grid_voltage, "V", parameter="--grid-voltage"),
        }


@app.command()
@together
def curves(
    valve: Annotated[
        str, typer.Argument(help="A valve; `simwrap list valves` prints all.", autocompletion=known_valves)
    ],
    line: Working,
    pictured: Pictured,
    what: Annotated[
        str, typer.Option("--what", metavar="FAMILY", help="anode, transfer, triode-connected or ultra-linear.")
    ] = "anode",
    at: Annotated[
        str | None,
        typer.Option(
            "--at",
            metavar="VOLTAGES",
            help="Print gm, ra and mu there: anode,grid (triodes and triode-connected) or anode,grid,screen.",
        ),
    ] = None,
    kind: Kind = None,
    valves: Valves = None,
) -> None:
    """Draw a valve's curves with its published points, and print its slopes at a point."""
    from simwrap.plots.valve_curves import curves_figure
    from simwrap.valves import get_valve

    output.check_file("--plot", pictured.plot, output.PICTURES, force=pictured.force)
    found, values, tap = get_valve(valve, kind=kind_of(kind), folders=folders_of(valves)), line.values(), line.tap
    figure = curves_figure(found, what=what, tap=tap, **values)
    part = {"triode-connected": 1.0, "ultra-linear": tap}.get(what, 0.0) if found.kind == "pentode" else 0.0
    if at is not None:
        places = [tuple(_voltages(at, "triode" if part == 1.0 else found.kind))]
    else:
        places = list(_places(found, part, values))
    rows = [_slopes(found, place, part) for place in dict.fromkeys(places)]
    if pictured.plot is not None:
        output.write_figure(figure, pictured.plot, force=pictured.force)
    if pictured.as_json:
        print(json.dumps({"valve": found.name, "kind": found.kind, "points": rows}))
        return
    head = list(rows[0]) if rows else []
    units = {"gm": "S", "ra": "ohm", "mu": ""}
    shown = [
        [quantity.render(v, units.get(k, "A" if k.endswith("current") else "V")) for k, v in row.items()]
        for row in rows
    ]
    if rows:
        heads = [name.replace("_", " ") for name in head]
        output.print_table(f"{found.name}: the fitted model, voltages to the cathode", heads, shown)
    if pictured.plot is None:
        print("--plot FILE draws the curves", file=sys.stderr)


def _places(valve: Any, part: float, line: dict[str, Any]) -> Iterator[tuple[float, ...]]:
    """Yield the voltages that slopes are printed at: where a load line has it sit, or else its published points."""
    from simwrap.valves import operating_point
    from simwrap.valves.curves import grid_voltage_of

    if line["supply"] is not None and valve.kind != "rectifier":
        sits = operating_point(valve, tap=part, **line)
        given = (sits.anode_voltage, sits.grid_voltage, sits.screen_voltage)
        yield tuple(float(v) for v in given[: 2 if part == 1.0 else 3] if v is not None)
        return
    connection = "triode-connected" if part == 1.0 else "drop" if valve.kind == "rectifier" else "normal"
    count = 1 if valve.kind == "rectifier" else 3 if valve.kind == "pentode" and part != 1.0 else 2
    for point in valve.points:
        known = [point.anode_voltage, grid_voltage_of(point), point.screen_voltage][:count]
        if point.connection == connection and None not in known:
            yield tuple(float(value) for value in known)


def _slopes(valve: Any, place: tuple[float, ...], tap: float) -> dict[str, float]:
    """Return currents and slopes at a place; with a tap those of the whole winding."""
    if valve.kind == "rectifier":
        return {"drop": place[0], "anode_current": float(valve.currents(*place).anode)}
    row = {"anode_voltage": place[0], "grid_voltage": place[1]}
    if valve.kind == "pentode":
        row["screen_voltage"] = place[0] if tap == 1.0 else place[2]
    electrodes = tuple(row.values())
    currents, slopes = valve.currents(*electrodes), valve.small_signal(*electrodes, tap=tap)
    row["anode_current"] = float(currents.anode)
    if valve.kind == "pentode":
        row["screen_current"] = float(currents.screen)
    return {**row, "gm": float(slopes.gm), "ra": float(slopes.ra), "mu": float(slopes.mu)}


@app.command()
def fit(
    points: Annotated[Path, typer.Argument(metavar="POINTS.csv", help="Published or measured rows.")],
    file: Annotated[Path, typer.Option("-o", "--output", metavar="TYPE.toml", help="The valve file to write.")],
    name: Annotated[str | None, typer.Option("--name", help="Designation; the file's name otherwise.")] = None,
    kind: Annotated[str | None, typer.Option("--kind", help="triode, pentode or rectifier.")] = None,
    family: Annotated[
        str,
        typer.Option(
            "--family",
            help="Priors: triode, directly heated, small pentode, power pentode, beam, rectifier or silicon; "
            "chosen from the rows otherwise.",
        ),
    ] = "",
    plot: PlotFile = None,
    force: Force = False,
) -> None:
    """Fit a valve to published points, chart rows, output-stage rows or a curve tracer's table.

    The columns are named in the documentation of simwrap.fitting.read_table (`pydoc simwrap.fitting.read_table`).
    """
    from rich.console import Console
    from rich.progress import Progress

    from simwrap.fitting import fit_file, fit_tables
    from simwrap.plots.valve_curves import fit_figure

    output.check_file("--plot", plot, output.PICTURES, force=force)

    def fitted(progress: Any = None) -> Any:
        return fit_file(points, file, name=name, kind=kind, family=family, progress=progress, replace=force)

    if sys.stderr.isatty():
        with Progress(console=Console(file=getattr(sys.stderr, "terminal", sys.stderr)), transient=True) as bar:
            task = bar.add_task("fitting", total=None)
            result = fitted(lambda done, total: bar.update(task, completed=done, total=total))
    else:
        result = fitted()
    for table in fit_tables(result):
        output.print_table(table.caption, table.head, table.rows)
    if plot is not None:
        output.write_figure(fit_figure(result), plot, force=force)
    print(f"written: {file}", file=sys.stderr)
    for text in result.warnings:
        output.note(text)
