"""Commands about valves: ``simwrap curves`` and ``simwrap fit``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from simwrap.cli import app, output
from simwrap.cli.app import Force, Json, Kind, PlotFile, Valves
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


@app.app.command()
def curves(
    valve: Annotated[
        str, typer.Argument(help="A valve; `simwrap list valves` prints all.", autocompletion=app._known_valves)
    ],
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
    supply: Annotated[str | None, typer.Option("--supply", metavar="V", help="Draw a load line from there.")] = None,
    anode_resistor: Annotated[str | None, typer.Option("--anode-resistor", metavar="OHM")] = None,
    cathode_resistor: Annotated[str, typer.Option("--cathode-resistor", metavar="OHM")] = "0",
    grid_voltage: Annotated[str, typer.Option("--grid-voltage", metavar="V", help="Fixed bias.")] = "0",
    screen_voltage: Annotated[str | None, typer.Option("--screen-voltage", metavar="V")] = None,
    tap: Annotated[float, typer.Option("--tap", help="Screen tap of ultra-linear curves, 0 to 1.")] = 0.43,
    kind: Kind = None,
    valves: Valves = None,
    as_json: Json = False,
    plot: PlotFile = None,
    force: Force = False,
) -> None:
    """Draw a valve's curves with its published points, and print its slopes at a point."""
    from simwrap.plots.valve_curves import curves_figure
    from simwrap.valves import get_valve, operating_point
    from simwrap.valves.curves import grid_voltage_of

    output.check_file("--plot", plot, output.PICTURES, force=force)
    found = get_valve(valve, kind=app._kind(kind), folders=app._folders(valves))
    if not 0.0 <= tap <= 1.0:
        raise RangeError("--tap", tap, "a share from 0 to 1")
    volts, ohms = _optional(supply, "V", "--supply"), _optional(anode_resistor, "ohm", "--anode-resistor")
    if (volts is None) != (ohms is None):
        missing = "--supply" if volts is None else "--anode-resistor"
        raise InputError(f"{missing} is missing: a load line needs both --supply and --anode-resistor")
    line: dict[str, Any] = {
        "screen_voltage": _optional(screen_voltage, "V", "--screen-voltage"),
        "cathode_resistor": quantity.parse(cathode_resistor, "ohm", parameter="--cathode-resistor"),
        "grid_voltage": quantity.parse(grid_voltage, "V", parameter="--grid-voltage"),
    }
    figure = curves_figure(found, what=what, tap=tap, supply=volts, anode_resistor=ohms, **line)
    part = {"triode-connected": 1.0, "ultra-linear": tap}.get(what, 0.0) if found.kind == "pentode" else 0.0
    places: list[list[float]] = []
    if at is not None:
        places.append(_voltages(at, "triode" if part == 1.0 else found.kind))
    elif volts is not None and ohms is not None and found.kind != "rectifier":
        sits = operating_point(found, supply=volts, anode_resistor=ohms, tap=part, **line)
        given = (sits.anode_voltage, sits.grid_voltage, sits.screen_voltage)
        places.append([float(v) for v in given[: 2 if part == 1.0 else 3] if v is not None])
    else:
        connection = "triode-connected" if part == 1.0 else "drop" if found.kind == "rectifier" else "normal"
        for point in found.points:
            known = [point.anode_voltage, grid_voltage_of(point), point.screen_voltage]
            known = known[: 1 if found.kind == "rectifier" else 3 if found.kind == "pentode" and part != 1.0 else 2]
            if point.connection == connection and None not in known:
                places.append([float(value) for value in known if value is not None])
    rows = [_slopes(found, place, part) for place in dict.fromkeys(map(tuple, places))]
    if plot is not None:
        output.write_figure(figure, plot, force=force)
    if as_json:
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
    if plot is None:
        print("--plot FILE draws the curves", file=sys.stderr)


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


@app.app.command()
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
