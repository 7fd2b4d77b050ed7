"""Commands that say what there is: ``simwrap list`` and ``simwrap show``."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Annotated, Any

import typer

from simwrap.cli import output
from simwrap.cli.app import app
from simwrap.cli.options import (
    Json,
    Kind,
    Stages,
    Subject,
    Valves,
    folders_of,
    kind_of,
    known_components,
    known_measures,
    known_stages,
    known_valves,
)
from simwrap.errors import EXIT_BAD_INPUT, UnknownNameError
from simwrap.simulation import as_json as told


@app.command("list")
def list_things(
    context: typer.Context,
    what: Annotated[
        str | None,
        typer.Argument(
            metavar="stages|valves|components|measures",
            autocompletion=lambda: ["stages", "valves", "components", "measures"],
        ),
    ] = None,
    valves: Valves = None,
    stages: Stages = None,
    as_json: Json = False,
) -> None:
    """List what there is: stages, valves, components (semiconductors, stabilisers) or measures."""
    from simwrap.registry import find

    if what is None:
        print(context.get_help(), file=sys.stderr)
        raise typer.Exit(EXIT_BAD_INPUT)
    folders = folders_of(valves)
    kinds: dict[str, Callable[[bool], None]] = {
        "stages": _list_stages,
        "valves": partial(_list_valves, folders),
        "components": partial(_list_components, folders),
        "measures": _list_measures,
    }
    find("list", what, kinds)(as_json)


def _list_stages(as_json: bool) -> None:
    from simwrap.circuits.library import find_template, stage_names

    found = [find_template(name) for name in stage_names()]
    if as_json:
        print(json.dumps(told.stages_json(found)))
    else:
        output.print_table("stages", ["stage", "what it is"], [(each.name, each.summary) for each in found])


def _list_valves(folders: list[Path], as_json: bool) -> None:
    from simwrap.valves import get_valve, valve_names

    found = [get_valve(name, folders=folders) for name in valve_names(folders=folders)]
    if as_json:
        print(json.dumps(told.valves_json(found)))
        return
    rows = []
    for valve in found:
        others = [other for other in valve.designations if other.casefold() != valve.name.casefold()]
        rows.append((valve.name, " and ".join(valve.kinds), ", ".join(others)))
    output.print_table("valves", ["valve", "kind", "also known as"], rows)


def _list_components(folders: list[Path], as_json: bool) -> None:
    from simwrap.components import component_names, get_component

    found = [get_component(name, folders=folders) for name in component_names(folders=folders)]
    if as_json:
        print(json.dumps(told.components_json(found)))
        return
    rows = [(each.name, each.kind, each.record.summary, ", ".join(each.record.designations)) for each in found]
    output.print_table("components", ["component", "kind", "what it is", "also known as"], rows)


def _list_measures(as_json: bool) -> None:
    from simwrap.measures.registry import measures

    if as_json:
        print(json.dumps(told.measures_json(measures().values())))
    else:
        rows = [(name, entry.summary) for name, entry in measures().items()]
        output.print_table("measures", ["measure", "what it finds"], rows)


@app.command()
def show(
    name: Annotated[
        str,
        typer.Argument(
            help="A stage, a valve, a component, a measure, or a file: a template or a design.",
            autocompletion=lambda: [*known_stages(), *known_measures(), *known_valves(), *known_components()],
        ),
    ],
    kind: Kind = None,
    valves: Valves = None,
    stages: Stages = None,
    as_json: Json = False,
    details: Annotated[
        bool, typer.Option("--details", help="Print every published row of a valve beside its model.")
    ] = False,
) -> None:
    """Show a stage or a design (parameters, ports), a valve or component (ratings, proof, sources) or a measure."""
    from simwrap.circuits.library import stage_names
    from simwrap.components import component_names, get_component
    from simwrap.measures.registry import measures
    from simwrap.valves import get_valve, valve_names

    folders = folders_of(valves)
    wanted = name.strip().casefold()
    if wanted.endswith((".toml", ".cir.j2")) or wanted in (entry.casefold() for entry in stage_names()):
        _show_circuit(Subject(name, valves=valves).made(), as_json)
        if wanted in measures() and not as_json:  # "supply" is both
            print()
            _show_measure(name, as_json)
    elif wanted in (entry.casefold() for entry in measures()):
        _show_measure(name, as_json)
    else:
        try:
            valve = get_valve(name, kind=kind_of(kind), folders=folders)
        except UnknownNameError:
            try:
                component = get_component(name, folders=folders)
            except UnknownNameError:
                known = [*stage_names(), *measures(), *valve_names(folders=folders), *component_names(folders=folders)]
                raise UnknownNameError("stage, valve, component or measure", name, known) from None
            _show_component(component, as_json)
            return
        _show_valve(valve, as_json, details)


def _show_circuit(given: Any, as_json: bool) -> None:
    """Show a stage, or the circuit of a design file: its parameters, its ports, what is joined."""
    from simwrap.circuits import bench
    from simwrap.circuits.circuit import as_circuit

    made = as_circuit(given)
    ports = [row._asdict() for row in bench.port_rows(made)]
    joins = [str(join) for join in made.joins]
    if as_json:
        print(json.dumps(told.circuit_json(made, ports)))
        return
    alone = made.stages.get("")
    output.say(f"{made.name}: {made.summary}")
    if alone is not None and alone.template.description:
        output.say(" ".join(alone.template.description.split()))
    print()
    rows = []
    for symbol, label, name, value in made.rows():
        parameter = made.parameters.get(name)  # the spread of a valve is none
        rows.append((name, symbol, value, parameter.accepted if parameter is not None else "", label))
    output.print_table("parameters", ["parameter", "symbol", "value", "accepted", "part"], rows)
    heads = [key.replace("_", " ") for key in ports[0]]
    output.print_table("ports", heads, [tuple(port.values()) for port in ports])
    for join in joins:
        output.say(f"join: {join}")
    output.say("measures: " + ", ".join(made.measures))
    for template in made.templates if alone is not None else ():
        for reference in template.references:
            output.say(f"reference: {reference}")


def _show_measure(name: str, as_json: bool) -> None:
    from simwrap.measures.registry import get_measure

    entry = get_measure(name)
    if as_json:
        print(json.dumps(told.measure_json(entry)))
        return
    output.say(f"{entry.name}: {entry.summary}")
    print()
    if entry.options:
        rows = [(key, option.shown, option.accepted) for key, option in entry.options.items()]
        output.print_table("options", ["option", "default", "accepted"], rows)
    print(entry.description)


def _show_component(component: Any, as_json: bool) -> None:
    from simwrap.components import facts

    if as_json:
        print(json.dumps(told.component_json(component)))
        return
    for table in facts(component):
        output.print_table(table.caption, table.head, table.rows)


def _show_valve(valve: Any, as_json: bool, details: bool) -> None:
    from simwrap.valves import facts

    if as_json:
        print(json.dumps(told.valve_json(valve)))
        return
    for table in facts(valve):
        if details or not table.details:
            output.print_table(table.caption, table.head, table.rows)
    if not details:
        output.say("--details prints every published number beside the model, and the sources")
    if len(valve.kinds) > 1:
        output.say(f"{valve.name} has the sections {' and '.join(valve.kinds)}; --kind chooses one")
