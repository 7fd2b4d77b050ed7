"""Commands that say what there is: ``simwrap list`` and ``simwrap show``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated, Any

import typer

from simwrap.cli import app
from simwrap.cli.app import Json, Kind, Stages, Valves
from simwrap.errors import UnknownNameError


@app.app.command("list")
def list_things(
    what: Annotated[str, typer.Argument(metavar="stages|valves|measures")],
    valves: Valves = None,
    stages: Stages = None,
    as_json: Json = False,
) -> None:
    """List what there is: stages, valves or measures."""
    from simwrap.registry import find

    folders = app._folders(valves)
    kinds = {"stages": _list_stages, "valves": lambda: _list_valves(folders), "measures": _list_measures}
    head, rows = find("list", what, kinds)()
    if as_json:
        print(json.dumps([dict(zip(head, row, strict=True)) for row in rows]))
    else:
        app._table(what, head, rows)


def _list_stages() -> tuple[list[str], list[Any]]:
    from simwrap.circuits.library import find_template, stage_names

    return ["stage", "what it is"], [(name, find_template(name).summary) for name in stage_names()]


def _list_valves(folders: list[Path]) -> tuple[list[str], list[Any]]:
    from simwrap.valves import get_valve, valve_names

    rows = []
    for name in valve_names(folders=folders):
        valve = get_valve(name, folders=folders)
        others = [other for other in valve.designations if other.casefold() != valve.name.casefold()]
        rows.append((name, " and ".join(valve.kinds), ", ".join(others)))
    return ["valve", "kind", "also known as"], rows


def _list_measures() -> tuple[list[str], list[Any]]:
    from simwrap.measures.registry import measures

    return ["measure", "what it finds"], [(name, entry.summary) for name, entry in measures().items()]


@app.app.command()
def show(
    name: Annotated[str, typer.Argument(help="A stage, a valve, a measure, or a file: a template or a design.")],
    kind: Kind = None,
    valves: Valves = None,
    stages: Stages = None,
    as_json: Json = False,
) -> None:
    """Show a stage or a design (parameters, ports), a valve (ratings, proof, sources) or a measure (options)."""
    from simwrap.circuits.library import stage_names
    from simwrap.measures.registry import measures
    from simwrap.valves import get_valve, valve_names

    folders = app._folders(valves)
    wanted = name.strip().casefold()
    if wanted.endswith((".toml", ".cir.j2")) or wanted in (entry.casefold() for entry in stage_names()):
        _show_circuit(app._stage(name, None, valves), as_json)
    elif wanted in (entry.casefold() for entry in measures()):
        _show_measure(name, as_json)
    else:
        try:
            valve = get_valve(name, kind=app._kind(kind), folders=folders)
        except UnknownNameError:
            known = [*stage_names(), *measures(), *valve_names(folders=folders)]
            raise UnknownNameError("stage, valve or measure", name, known) from None
        _show_valve(valve, as_json)
        if len(valve.kinds) > 1 and not as_json:
            print(f"{valve.name} has the sections {' and '.join(valve.kinds)}; --kind chooses one")


def _show_circuit(given: Any, as_json: bool) -> None:
    """Show a stage, or the circuit of a design file: its parameters, its ports, what is joined."""
    from simwrap.circuits import bench
    from simwrap.circuits.circuit import as_circuit
    from simwrap.simulation.as_json import plain

    made = as_circuit(given)
    ports = [row._asdict() for row in bench.port_rows(made)]
    joins = [str(join) for join in made.joins]
    if as_json:
        told = {"stage": made.name, "summary": made.summary, "values": plain(dict(made.values)), "ports": ports}
        print(json.dumps(told | ({"joins": joins} if joins else {})))
        return
    alone = made.stages.get("")
    print(f"{made.name}: {made.summary}\n")
    if alone is not None and alone.template.description:
        print(f"{alone.template.description.strip()}\n")
    rows = []
    for symbol, label, name, value in made.rows():
        parameter = made.parameters.get(name)  # the spread of a valve is none
        accepted = f": {' | '.join(parameter.choices)}" if parameter is not None and parameter.choices else ""
        rows.append((name, symbol, value, f"{label}{accepted}"))
    app._table("parameters", ["parameter", "symbol", "value", "part"], rows)
    heads = [key.replace("_", " ") for key in ports[0]]
    app._table("ports", heads, [tuple(port.values()) for port in ports])
    for join in joins:
        print(f"join: {join}")
    print("measures: " + ", ".join(made.measures))
    for template in made.templates if alone is not None else ():
        for reference in template.references:
            print(f"reference: {reference}")


def _show_measure(name: str, as_json: bool) -> None:
    from simwrap.measures.registry import get_measure

    entry = get_measure(name)
    if as_json:
        options = {
            key: {"default": option.default, "unit": option.rule.unit, "accepted": option.accepted}
            for key, option in entry.options.items()
        }
        print(json.dumps({"measure": entry.name, "summary": entry.summary, "options": options}))
        return
    print(f"{entry.name}: {entry.summary}\n")
    if entry.options:
        rows = [(key, option.shown, option.accepted) for key, option in entry.options.items()]
        app._table("options", ["option", "default", "accepted"], rows)
    print(entry.description)


def _json_rows(table: Any) -> Any:
    """Return rows under their heads; a table of names and values, without heads, as one object."""
    if not any(table.head):
        return {row[0]: row[1] for row in table.rows}
    return [dict(zip(table.head, row, strict=True)) for row in table.rows]


def _show_valve(valve: Any, as_json: bool) -> None:
    from simwrap.simulation.as_json import plain
    from simwrap.valves import facts

    tables = facts(valve)
    if as_json:
        print(json.dumps(plain({table.title: _json_rows(table) for table in tables}), default=str))
        return
    for table in tables:
        app._table(table.title, list(table.head), list(table.rows))
