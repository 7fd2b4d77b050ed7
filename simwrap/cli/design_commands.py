"""Commands for tolerances and targets: ``simwrap tolerance`` and ``simwrap choose``."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simwrap.cli import output
from simwrap.cli.app import app
from simwrap.cli.measure_commands import tell_warnings, write_dataset
from simwrap.cli.options import Asked, DataFile, Json, RunningSideBySide, Subject, Told, assignments, together
from simwrap.errors import EXIT_NOT_MET, RangeError

if TYPE_CHECKING:
    from simwrap.design.sensitivity import Ranking
    from simwrap.design.tolerance import Tolerances
    from simwrap.design.worst_case import WorstCase
    from simwrap.design.yields import Yield

Seed = Annotated[int, typer.Option("--seed", metavar="NUMBER", help="The same seed gives the same draws.")]


@dataclass(frozen=True)
class Drawn:
    """What varies from build to build, and how many are drawn."""

    parts: Annotated[
        list[str] | None,
        typer.Option(
            "--part",
            metavar="NAME=TOLERANCE",
            help='A parameter or "resistors", "capacitors", "inductors": "5 %", "E24", "-20/+50 %" '
            "(repeatable). By default resistors 5 %, capacitors 10 %.",
        ),
    ] = None
    valve_spread: Annotated[
        list[str] | None,
        typer.Option(
            "--valve-spread",
            metavar="NAME=TOLERANCE",
            help='"emission" or "mu" of all valves, or "v1.mu" (repeatable).',
        ),
    ] = None
    supply: Annotated[str, typer.Option("--supply", metavar="TOLERANCE", help="All supplies together.")] = "0 %"
    matched: Annotated[bool, typer.Option("--matched", help="Valves of one type are alike.")] = False
    matched_parts: Annotated[
        list[str] | None,
        typer.Option(
            "--matched-part", metavar="NAME", help="Its parts are alike: grid_leak, or anode_resistor=anode_resistor_b."
        ),
    ] = None
    distribution: Annotated[str, typer.Option("--distribution", metavar="NAME", help="uniform or normal.")] = "uniform"
    builds: Annotated[int, typer.Option("--builds", metavar="NUMBER", help="How many builds are drawn.")] = 1000
    seed: Seed = 0

    def tolerances(self) -> Tolerances:
        """Return what varies as an object."""
        from simwrap.design.tolerance import Tolerances

        return Tolerances(
            parts=assignments(self.parts, "--part") or None,
            valves=assignments(self.valve_spread, "--valve-spread"),
            supplies=self.supply,
            matched=[*(["valves"] if self.matched else []), *map(_named_alike, self.matched_parts or [])],
            distribution=self.distribution,
        )


def _named_alike(given: str) -> str | tuple[str, ...]:
    """Return a parameter, or those of "anode_resistor=anode_resistor_b"."""
    names = tuple(name.strip() for name in given.split("="))
    return names[0] if len(names) == 1 else names


@dataclass(frozen=True)
class Questions:
    """What is asked of the builds."""

    limits: Annotated[
        list[str] | None,
        typer.Option("--limit", metavar="LIMIT", help='"gain 50 +/- 10 %", "anode dissipation < 80 %" (repeatable).'),
    ] = None
    rank: Annotated[
        list[str] | None,
        typer.Option("--rank", metavar="VARIABLE", help="Which parts its spread comes from (repeatable)."),
    ] = None
    worst: Annotated[bool, typer.Option("--worst", help="Add the worst case at the corners.")] = False


@app.command()
@together
def tolerance(
    subject: Subject,
    drawn: Drawn,
    questions: Questions,
    asked: Asked,
    running: RunningSideBySide,
    told: Told,
    file: DataFile = None,
) -> None:
    """Build a stage many times with parts drawn from their tolerances."""
    from simwrap.design.limits import parse_limits
    from simwrap.design.runs import Runs
    from simwrap.design.sensitivity import rank_parts
    from simwrap.design.tolerance import spread
    from simwrap.design.worst_case import worst_case
    from simwrap.design.yields import yield_of

    plot, force, limits, rank = told.plot, told.force, questions.limits, questions.rank
    output.check_file("--plot", plot, output.PICTURES, force=force)
    output.check_file("--output", file, output.DATASETS, force=force)
    made = subject.made(running.how())
    chosen = asked.chosen() or [name for name in made.measures if name in ("bias", "response")]
    varied, run = drawn.tolerances(), running.how()
    if limits or rank:  # whether they can be read is known from one build, long before all are done
        _, known = Runs.of(made, chosen, run=run).begin()
        if limits:
            parse_limits(limits, known)
        for variable in rank or []:
            known.find(variable)
    curves = None if file is not None else False  # a table has no room for them
    data = spread(made, varied, chosen, builds=drawn.builds, seed=drawn.seed, curves=curves, run=run)
    found = _Spread(
        made,
        data,
        yield_of(data, limits) if limits else None,
        [rank_parts(data, name) for name in rank or []],
        worst_case(made, varied, chosen, run=run) if questions.worst else None,
    )
    tell_warnings(data, "builds")
    if file is not None:
        write_dataset(data, file, force=force)
    if plot is not None:
        from simwrap.plots import plot_sweep

        picture = plot_sweep(data, found.named, limits=found.share.limits if found.share else ())
        output.write_figure(picture, plot, force=force)
    if told.as_json:
        print(json.dumps(found.told(drawn.builds, drawn.seed)))
    else:
        found.show(told.details)


@dataclass(frozen=True)
class _Spread:
    """All that a command has found about builds."""

    stage: Any
    data: Any
    share: Yield | None
    rankings: list[Ranking]
    extremes: WorstCase | None

    @property
    def failed(self) -> int:
        """How many builds could not be simulated."""
        from simwrap.simulation.dataset import done

        return int((~done(self.data)).sum())

    @property
    def named(self) -> list[str] | None:
        """The numbers that were asked about, for a picture; None where it is to choose."""
        names = [limit.variable for limit in (self.share.limits if self.share else ()) if not limit.word]
        return list(dict.fromkeys([*names, *[ranked.variable for ranked in self.rankings]])) or None

    def statistics(self) -> dict[str, tuple[float, float, float, float]]:
        """Return nominal value, mean, and the ends of the middle 95 % of every single number."""
        import numpy as np

        found = {}
        for key in self.data.attrs:
            name = str(key).removeprefix("nominal.")
            if name == key or name.startswith("bias.nodes.") or name not in self.data:
                continue
            values = self.data[name].values[np.isfinite(self.data[name].values)]
            if len(values):
                low, high = np.quantile(values, [0.025, 0.975])
                found[name] = (float(self.data.attrs[key]), float(values.mean()), float(low), float(high))
        return found

    def told(self, builds: int, seed: int) -> Any:
        """Return all as JSON has it."""
        from simwrap.report.json import plain
        from simwrap.simulation.as_json import SCHEMA

        told: dict[str, Any] = {
            "schema": SCHEMA,
            "stage": self.stage.name,
            "builds": builds,
            "seed": seed,
            "factors": self.data.attrs["factors"].split("; "),
            "failed": self.failed,
            "variables": {
                name: dict(zip(("nominal", "mean", "low", "high"), row, strict=True))
                for name, row in self.statistics().items()
            },
        }
        if self.share:
            told["yield"] = self.share.to_dict()
        told["ranking"] = {ranked.variable: ranked.to_dict() for ranked in self.rankings}
        if self.extremes:
            told["worst_case"] = self.extremes.to_dict()
        return plain(told)

    def show(self, details: bool) -> None:
        """Print the verdict first, then what it rests on."""
        from simwrap.simulation.dataset import unit_of
        from simwrap.units import quantity

        builds = self.data.sizes["build"]
        verdict = self.share.summary if self.share else f"{builds - self.failed} of {builds} builds were simulated"
        output.say(f"{self.stage.name}: {verdict}")
        if self.share:
            output.print_table("", list(self.share.HEAD), self.share.rows())
        if self.extremes:
            output.say(self.extremes.summary)
            output.print_table("", list(self.extremes.HEAD), self._worth(self.extremes.rows(), details))
        for ranked in self.rankings:
            output.say(ranked.summary)
            output.print_table("", list(ranked.head), ranked.rows())
        rows = []
        for name, row in self.statistics().items():
            cells, sign = quantity.alike(row, unit_of(self.data[name]))
            rows.append((name, sign, *cells))
        output.say(f"all {builds} builds: 95 of 100 lie between the last two columns")
        head = ["variable", "unit", "nominal", "mean", "2.5 % below", "2.5 % above"]
        output.print_table("", head, self._worth(rows, details))
        output.say(f"varied: {self.data.attrs['factors']}")

    def _worth(self, rows: list[tuple[str, ...]], details: bool) -> list[tuple[str, ...]]:
        """Return the rows of figures that vary; of currents and voltages that are next to nothing only with details."""
        if details:
            return rows
        return [row for row in rows if len(set(row[2:5])) > 1 and not row[1].startswith(("p", "f", "n"))]


@app.command()
@together
def choose(
    subject: Subject,
    asked: Asked,
    running: RunningSideBySide,
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
    seed: Seed = 0,
    as_json: Json = False,
) -> None:
    """Choose part values from a series so that goals are met.

    Exit code 0: the first line of the table meets all goals, holds its ratings and is stable; 1: no values meet them,
    and it says by how much they miss, or what remains.
    """
    from simwrap.amplifier.judge import AuditJudge
    from simwrap.design.choose import choose as run

    made, design = subject.with_design(running.how())
    found = run(
        made if design is None else AuditJudge(design, made, running.how()),
        _goals(goals),
        _free(free),
        series=_series(series),
        measures=asked.chosen(),
        seed=seed,
        run=running.how(),
    )
    if as_json:
        print(found.to_json())
    else:
        output.say(f"{made.name}: {found.summary}")
        head, rows = found.table()
        output.print_table("", list(head), rows)
        for text in (*found.notes, *found.warnings):
            output.note(text)
    if not found.good:
        raise typer.Exit(EXIT_NOT_MET)


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
