"""What is known about a valve, as tables of text: what `simwrap show TYPE` prints."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from math import isfinite

from simwrap import quantity
from simwrap.valves.fit import FitResult
from simwrap.valves.goals import ACCURACY_HEAD, accuracy_rows, contradictions
from simwrap.valves.valve import Valve

_WORDS = {
    "how_known": "how known",
    "grade": "grade",
    "source": "source",
    "note": "note",
    "rating_system": "rating system",
}


@dataclass(frozen=True)
class Table:
    """A table of text."""

    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def _unit(name: str) -> str:
    for word, unit in (("voltage", "V"), ("current", "A"), ("dissipation", "W"), ("leak", "ohm"), ("resistance", "ohm"),
                       ("reservoir", "F"), ("capacitance", "F")):  # fmt: skip
        if word in name:
            return unit
    return ""


def _ratings(valve: Valve) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for field in fields(valve.ratings):
        value = getattr(valve.ratings, field.name)
        if value is None or value == "":
            continue
        words = _WORDS.get(field.name, field.name.replace("_max", "").replace("_min", "").replace("_", " "))
        end = ", largest" if field.name.endswith("_max") else ", smallest" if field.name.endswith("_min") else ""
        text = str(value)
        if not isinstance(value, str):
            text = quantity.render(float(value), _unit(field.name))
        elif field.name == "source":
            text = valve.sources.get(value, value)
        rows.append((words + end, text))
    return rows


def _about(valve: Valve) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [("what", valve.summary), ("kind", valve.kind)]
    if valve.designations:
        rows.append(("also known as", ", ".join(valve.designations)))
    if valve.heater:
        how = "filament" if valve.heater.direct else "heater"
        words = f"{quantity.render(valve.heater.voltage, 'V')}, {quantity.render(valve.heater.current, 'A')}"
        rows.append((how, words + (f"; {valve.heater.alternative}" if valve.heater.alternative else "")))
    if valve.base:
        pins = "; ".join(f"{pin} {what}" for pin, what in valve.base.pins.items())
        rows.append(("base", f"{valve.base.name} ({valve.base.how_known})" + (f": {pins}" if pins else "")))
    rows.append(("trust", valve.trust))
    return rows


def facts(valve: Valve) -> list[Table]:
    """Return what is known about a valve: about, ratings, capacitances, proof, rows, windows, sources.

    Parameters
    ----------
    valve : Valve
        Any.

    Returns
    -------
    list of Table
        Each has ``title``, ``head`` and ``rows``, all text; tables without rows are left out.
    """
    capacitances: list[tuple[str, ...]] = [
        (name.replace("_", " to "), quantity.render(value, "F"))
        for name in ("grid_anode", "grid_cathode", "anode_cathode")
        if (value := getattr(valve.capacitances, name))
    ]
    proof: list[tuple[str, ...]] = [
        (
            entry["label"], entry["quantity"].replace("_", " "), f"{entry['published']:.4g}", f"{entry['law']:.4g}",
            f"{entry['error']:+.2f} points" if entry["quantity"] == "distortion" else f"{100 * entry['error']:+.1f} %",
            entry["use"], _known(valve, entry["row"]),
        )
        for entry in valve.fitted.errors
    ]  # fmt: skip
    windows: list[tuple[str, ...]] = [
        (
            window.quantity.replace("_", " "),
            window.conditions,
            "-" if window.low is None else f"{window.low:.4g}",
            "-" if window.high is None else f"{window.high:.4g}",
            valve.sources.get(window.source, window.source),
        )
        for window in valve.windows
    ]
    tables: list[tuple[str, tuple[str, ...], list[tuple[str, ...]]]] = [
        (valve.name, ("", ""), _about(valve)),
        ("ratings", ("rating", "value"), _ratings(valve)),
        ("capacitances", ("between", "value"), capacitances),
        ("accuracy, median / worst (how many)", tuple(ACCURACY_HEAD), [tuple(row) for row in accuracy_rows(valve)]),
        ("published numbers beside the law", ("where", "quantity", "published", "law", "error", "use", "known"), proof),
        ("rows that contradict others", ("number", "published", "law", "error", "why"),
         [tuple(row) for row in contradictions(valve)]),
        ("spread to expect: makers' acceptance windows", ("quantity", "at", "from", "to", "source"), windows),
        ("sources", ("key", "source"), list(valve.sources.items())),
    ]  # fmt: skip
    return [Table(title, head, tuple(rows)) for title, head, rows in tables if rows]


def _known(valve: Valve, row: str) -> str:
    """Return "source, how known, grade" of a row such as "points[3]"."""
    part, _, rest = row.partition("[")
    found = getattr(valve, part)[int(rest.rstrip("]"))]
    return f"{found.source}, {found.how_known}, {found.grade}"


def fit_tables(result: FitResult) -> list[Table]:
    """Return what a fit found, as tables: every number beside the law, and how well each constant is determined.

    Parameters
    ----------
    result : FitResult
        Of :func:`simwrap.valves.fit_file`.
    """
    residuals = [
        (
            r.number.label,
            r.number.quantity.replace("_", " "),
            f"{r.number.published:.4g}",
            f"{r.law:.4g}",
            f"{r.error:+.2f} points" if r.number.scale == "points" else f"{100 * r.error:+.1f} %",
            r.use,
        )
        for r in sorted(result.residuals, key=lambda r: -abs(r.error) / r.number.sigma)
        if isfinite(r.law)
    ]
    values = asdict(result.constants)
    constants = [
        (
            name.replace("_", " "),
            f"{float(values[name]):.4g}",
            "the prior" if name in result.undetermined else "the data",
            f"{left:.2f}",
        )
        for name, left in result.determined.items()
    ]
    head = ("constant", "value", "comes from", "width left, in prior widths")
    tables = [
        Table(
            "numbers beside the law, the worst first",
            ("where", "quantity", "given", "law", "error", "use"),
            tuple(residuals),
        ),
        Table("what the numbers determine", head, tuple(constants)),
    ]
    if result.warnings:
        tables.append(Table("warnings", ("warning",), tuple((warning,) for warning in result.warnings)))
    return tables
