"""Commands for tolerances and targets: ``simwrap tolerance`` and ``simwrap choose``."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from simwrap.cli import app
from simwrap.cli.app import Engine, Json, MeasureNames, MeasureOptions, Set, Stages, Valves
from simwrap.errors import RangeError

Seed = Annotated[int, typer.Option("--seed", metavar="NUMBER", help="The same seed gives the same draws.")]


@app.app.command()
def tolerance(
    stage: Annotated[str, typer.Argument(help="A stage; `simwrap list stages` prints all.")],
    parts: Annotated[
        list[str] | None,
        typer.Option(
            "--part",
            metavar="NAME=TOLERANCE",
            help='A parameter or "resistors", "capacitors", "inductors": "5 %", "E24", "-20/+50 %" '
            "(repeatable). By default resistors 5 %, capacitors 10 %.",
        ),
    ] = None,
    valve_spread: Annotated[
        list[str] | None,
        typer.Option(
            "--valve-spread",
            metavar="NAME=TOLERANCE",
            help='"emission" or "mu" of all valves, or "v1.mu" (repeatable).',
        ),
    ] = None,
    supply: Annotated[str, typer.Option("--supply", metavar="TOLERANCE", help="All supplies together.")] = "0 %",
    matched: Annotated[bool, typer.Option("--matched", help="Valves of one type are alike.")] = False,
    limits: Annotated[
        list[str] | None,
        typer.Option("--limit", metavar="LIMIT", help='"gain 50 +/- 10 %", "anode dissipation < 80 %" (repeatable).'),
    ] = None,
    rank: Annotated[
        list[str] | None,
        typer.Option("--rank", metavar="VARIABLE", help="Which parts its spread comes from (repeatable)."),
    ] = None,
    worst: Annotated[bool, typer.Option("--worst", help="Add the worst case at the corners.")] = False,
    builds: Annotated[int, typer.Option("--builds", metavar="NUMBER", help="How many builds are drawn.")] = 1000,
    seed: Seed = 0,
    distribution: Annotated[str, typer.Option("--distribution", metavar="NAME", help="uniform or normal.")] = "uniform",
    settings: Set = None,
    measures: MeasureNames = None,
    options: MeasureOptions = None,
    engine: Engine = "auto",
    valves: Valves = None,
    stages: Stages = None,
    output: Annotated[
        Path | None, typer.Option("--output", metavar="FILE", help="Write the builds: .nc (netCDF) or .csv.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Build a stage many times with parts drawn from their tolerances."""
    from simwrap.design.limits import parse_limits
    from simwrap.design.sensitivity import rank_parts
    from simwrap.design.tolerance import known_before, spread, worst_case, yield_of
    from simwrap.simulation.as_json import SCHEMA, plain
    from simwrap.simulation.sweep import save

    made = app._stage(stage, settings, valves)
    chosen = app._measure_options(measures, options) or [name for name in made.measures if name in ("bias", "response")]
    varied: dict[str, Any] = {
        "tolerances": app._assignments(parts, "--part") or None,
        "valve_spread": app._assignments(valve_spread, "--valve-spread"),
        "supply_variation": supply,
        "matched": matched,
    }
    if limits or rank:  # whether they can be read is known from one build, long before all are done
        known = known_before(made, chosen, engine=engine)
        if limits:
            parse_limits(limits, known)
        for variable in rank or []:
            known.find(variable)
    data = spread(made, measures=chosen, builds=builds, seed=seed, distribution=distribution, engine=engine,
                  progress=sys.stderr.isatty(), **varied)  # fmt: skip
    app._tell_warnings(data, "builds")
    found = yield_of(data, limits) if limits else None
    rankings = [rank_parts(data, name) for name in rank or []]
    extremes = worst_case(made, measures=chosen, engine=engine, **varied) if worst else None
    if output is not None:
        save(data, output)
        print(f"written: {output}", file=sys.stderr)
    statistics = _statistics(data)
    if as_json:
        told: dict[str, Any] = {
            "schema": SCHEMA,
            "stage": made.name,
            "builds": builds,
            "seed": seed,
            "factors": data.attrs["factors"].split("; "),
        }
        told["failed"] = int((data["status"] != "").sum())
        told["variables"] = {
            name: dict(zip(("nominal", "mean", "low", "high"), row, strict=True)) for name, row in statistics.items()
        }
        if found:
            told["yield"] = {
                "share": found.share,
                "interval": found.interval,
                "limits": dict(zip([r.text for r in found.limits], found.shares, strict=True)),
            }
        told["ranking"] = {
            r.variable: {"explained": r.explained, "shares": dict(zip(r.names, r.shares.tolist(), strict=True))}
            for r in rankings
        }
        if extremes:
            told["worst_case"] = {"method": extremes.method, **{name: extremes[name] for name in extremes.nominal}}
        print(json.dumps(plain(told)))
        return
    from simwrap.simulation.dataset import unit_of
    from simwrap.units import quantity

    rows = [(name, *[quantity.render(v, unit_of(data[name])) for v in row]) for name, row in statistics.items()]
    app._table(f"{made.name}: {builds} builds", ["variable", "nominal", "mean", "2.5 % below", "2.5 % above"], rows)
    print(f"varied: {data.attrs['factors']}")
    failed = int((data["status"] != "").sum())
    if failed:
        print(f"{failed} builds could not be simulated")
    if found:
        app._table(found.summary, list(found._HEAD), found.rows())
    for ranked in rankings:
        app._table(ranked.summary, list(ranked._head), ranked.rows())
    if extremes:
        app._table(f"worst case, {extremes.method}", list(extremes._HEAD), extremes.rows())


def _statistics(data: Any) -> dict[str, tuple[float, float, float, float]]:
    """Return nominal value, mean, and the ends of the middle 95 % of every single number."""
    import numpy as np

    found = {}
    for key in data.attrs:
        name = str(key).removeprefix("nominal.")
        if name == key or name.startswith("bias.nodes.") or name not in data:
            continue
        values = data[name].values[np.isfinite(data[name].values)]
        if len(values):
            low, high = np.quantile(values, [0.025, 0.975])
            found[name] = (float(data.attrs[key]), float(values.mean()), float(low), float(high))
    return found


@app.app.command()
def choose(
    stage: Annotated[str, typer.Argument(help="A stage; `simwrap list stages` prints all.")],
    goals: Annotated[
        list[str] | None,
        typer.Option(
            "--goal",
            metavar="GOAL",
            help='"gain=50", "anode_current=1 mA +/- 2 %", "low_corner < 20 Hz", "high_corner=most" (repeatable).',
        ),
    ] = None,
    free: Annotated[
        list[str] | None,
        typer.Option("--free", metavar="NAME", help="A parameter to choose, or NAME=LOW:HIGH (repeatable)."),
    ] = None,
    series: Annotated[
        list[str] | None, typer.Option("--series", metavar="SERIES", help='"E12" for all, or NAME=E6 (repeatable).')
    ] = None,
    settings: Set = None,
    engine: Engine = "auto",
    valves: Valves = None,
    stages: Stages = None,
    seed: Seed = 0,
    as_json: Json = False,
) -> None:
    """Choose part values from a series so that goals are met."""
    from simwrap.design.choose import choose as run
    from simwrap.simulation.as_json import SCHEMA, plain

    made = app._stage(stage, settings, valves)
    found = run(made, _goals(goals), _free(free), series=_series(series), engine=engine, seed=seed)
    if not as_json:
        app._table(found.summary, list(found._head), found.rows())
        app._say_warnings(list(found.warnings))
        return

    def shown(one: Any) -> dict[str, Any]:
        return {"values": one.values, "reached": one.reached, "misses": one.misses, "met": one.met}

    told = {
        "schema": SCHEMA,
        "stage": made.name,
        "met": found.met,
        "summary": found.summary,
        "candidates": [shown(one) for one in found.candidates],
        "continuous": shown(found.continuous),
        "trade": {name: shown(one) for name, one in found.trade.items()},
        "warnings": list(found.warnings),
    }
    print(json.dumps(plain(told)))


def _goals(given: list[str] | None) -> dict[str, Any]:
    """Read "gain=50" and "low_corner < 20 Hz"."""
    import re

    found: dict[str, Any] = {}
    for text in given or []:
        match = re.fullmatch(r"\s*([A-Za-z][\w. ]*?)\s*(<=|>=|<|>|=)\s*(.+)", text)
        if match is None:
            raise RangeError("--goal", text, 'a goal such as "gain=50" or "low_corner < 20 Hz"')
        name, sign, value = match.groups()
        found[name] = value if sign == "=" else f"{sign} {value}"
    return found


def _free(given: list[str] | None) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for text in given or []:
        name, sign, ends = text.partition("=")
        low, colon, high = ends.partition(":")
        if sign and not colon:
            raise RangeError("--free", text, "a name, or NAME=LOW:HIGH")
        found[name.strip()] = (low.strip(), high.strip()) if sign else None
    return found


def _series(given: list[str] | None) -> str | dict[str, str]:
    named = {}
    for text in given or []:
        name, sign, series = text.partition("=")
        if not sign:
            if len(given or []) > 1:
                raise RangeError("--series", text, "one series for all, or NAME=SERIES for each")
            return text
        named[name.strip()] = series.strip()
    return named or "E12"
