"""How true the library has to be, and how true it is: figures a valve and a quantity."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simwrap.fitting.rows import CUT_OFF
from simwrap.valves.valve import Valve


@dataclass(frozen=True)
class Goal:
    """Largest median and worst error wanted (relative, or points of percent for distortion); None: none set."""

    median: float | None
    worst: float | None


SMALL_PENTODES = ("EF86", "6AU6", "6SJ7")

#: What a group of numbers is called.
WORDS = {
    "sheet": "sheet Ia, gm, ra",
    "cut-off": "cut-off current",
    "mu": "amplification factor",
    "screen": "screen current",
    "gain": "chart gain",
    "chart current": "chart current",
    "chart distortion": "chart distortion",
    "zero-signal current": "zero-signal current",
    "maximum-signal current": "maximum-signal current",
    "power": "output power",
    "output distortion": "output distortion",
    "drop": "current at the printed drop",
}


#: Groups whose goals are for rows left out of their own fit.
OF_OUTPUT_STAGES = ("screen", "zero-signal current", "maximum-signal current", "power", "output distortion")


def group_of(row: str, quantity: str, published: float) -> str:
    """Return the group of a number, from its row ("points[0]"), quantity and published value."""
    if row.startswith("points"):
        if quantity == "anode_current" and published < CUT_OFF:
            return "cut-off"
        if quantity in ("mu", "screen_mu"):
            return "mu"
        return "screen" if quantity == "screen_current" else "sheet"
    if row.startswith("charts"):
        return {"gain": "gain", "distortion": "chart distortion"}.get(quantity, "chart current")
    if quantity.startswith("screen"):
        return "screen"
    return {"power": "power", "distortion": "output distortion", "anode_current_max": "maximum-signal current"}.get(
        quantity, "zero-signal current"
    )


def goal(valve_name: str, group: str) -> Goal:
    """Return the goal of a group of numbers."""
    if group == "gain":
        if valve_name in ("12AX7", "6SL7GT"):
            return Goal(0.015, 0.05)
        if valve_name == "12AU7":
            return Goal(0.025, 0.08)
        if valve_name == "6SN7GTB":
            return Goal(None, 0.15)
        return Goal(0.025, 0.07) if valve_name in SMALL_PENTODES else Goal(None, None)
    return {
        "sheet": Goal(0.02, 0.05),
        "cut-off": Goal(None, 0.20),
        "screen": Goal(0.10, 0.25),
        "chart current": Goal(0.02, 0.06),
        "chart distortion": Goal(0.3, 0.8),
        "zero-signal current": Goal(0.025, 0.07),
        "maximum-signal current": Goal(0.02, 0.06),
        "power": Goal(0.03, 0.10),
        "output distortion": Goal(1.0, 2.0),
        "drop": Goal(0.02, 0.05),
    }.get(group, Goal(None, None))


@dataclass(frozen=True)
class Figure:
    """Errors of one group and one use: how many, median, worst, and which row is worst."""

    count: int
    median: float
    worst: float
    worst_row: str


def figures(entries: Iterable[Mapping[str, Any]], use: str, kind: str = "") -> dict[str, Figure]:
    """Return the figures of a proof table, by group, for one use ("calibrate", "check", "contradicts")."""
    groups: dict[str, list[Mapping[str, Any]]] = {}
    for entry in entries:
        if entry["use"] == use:
            group = group_of(entry["row"], entry["quantity"], entry["published"])
            groups.setdefault("drop" if kind == "rectifier" else group, []).append(entry)
    out = {}
    for group, found in groups.items():
        size = np.abs([entry["error"] for entry in found])
        worst = found[int(np.argmax(size))]
        words = f"{worst['quantity'].replace('_', ' ')} at {worst['label']}"
        out[group] = Figure(len(found), float(np.median(size)), float(size.max()), words)
    return {group: out[group] for group in WORDS if group in out}


def in_words(group: str, error: float | None) -> str:
    """Return an error as text: percent, or points for distortion."""
    if error is None:
        return "-"
    return f"{error:.2f}" if "distortion" in group else f"{100 * error:.1f}"


def unit_of(group: str) -> str:
    """Return the unit in which a group's errors are shown."""
    return "points" if "distortion" in group else "%"


def reached(valve: Valve, group: str, figure: Figure) -> str:
    """Return "yes" or "no" for a figure against its goal, "" where there is none."""
    wanted = goal(valve.type_name, group)
    if wanted.median is None and wanted.worst is None:
        return ""
    good = (wanted.median is None or figure.median <= wanted.median + 1e-9) and (
        wanted.worst is None or figure.worst <= wanted.worst + 1e-9
    )
    return "yes" if good else "no"


def accuracy_rows(valve: Valve) -> list[list[str]]:
    """Return rows (what, unit, asked, calibrated, checked, exchanged or left out, reached, worst row) of one valve."""
    tables = {use: figures(valve.fitted.errors, use, valve.kind) for use in ("calibrate", "check")}
    left_out = figures(valve.fitted.left_out, "check", valve.kind)
    exchanged = figures(valve.fitted.exchanged, "check", valve.kind)
    others = left_out | exchanged
    rows = []
    for group, words in WORDS.items():
        calibrated, checked = tables["calibrate"].get(group), tables["check"].get(group)
        counts = checked or (left_out.get(group) if group in OF_OUTPUT_STAGES else None) or calibrated
        if counts is None:
            continue
        wanted = goal(valve.type_name, group)
        asked = "-" if wanted == Goal(None, None) else _pair(group, wanted.median, wanted.worst)
        rows.append(
            [
                words,
                unit_of(group),
                asked,
                _figure(group, calibrated),
                _figure(group, checked),
                _figure(group, others.get(group)),
                _reached_by(valve, group, counts, exchanged.get(group) if checked else None),
                counts.worst_row,
            ]
        )
    return rows


def _reached_by(valve: Valve, group: str, figure: Figure, exchanged: Figure | None) -> str:
    """Return whether the goal is reached: by both halves where rows were halved, else by the figure that counts."""
    word = reached(valve, group, figure)
    if not word or exchanged is None or reached(valve, group, exchanged) == word:
        return word
    return "checked half only" if word == "yes" else "exchanged half only"


ACCURACY_HEAD = [
    "quantity", "in", "asked", "calibrated", "checked only", "exchanged / left out", "reached", "worst row",
]  # fmt: skip


def _pair(group: str, median: float | None, worst: float | None) -> str:
    return f"{in_words(group, median)} / {in_words(group, worst)}"


def _figure(group: str, figure: Figure | None) -> str:
    return "-" if figure is None else f"{_pair(group, figure.median, figure.worst)} ({figure.count})"


def contradictions(valve: Valve) -> list[list[str]]:
    """Return rows (number, published, law, error, why) of numbers that contradict others."""
    notes: dict[str, str] = {}
    parts: list[tuple[str, Sequence[Any]]] = [
        ("points", valve.points),
        ("charts", valve.charts),
        ("outputs", valve.outputs),
    ]
    for name, rows in parts:
        notes.update({f"{name}[{index}]": row.note for index, row in enumerate(rows)})
    return [
        [
            f"{entry['quantity'].replace('_', ' ')} at {entry['label']}",
            f"{entry['published']:.4g}",
            f"{entry['law']:.4g}",
            in_words("distortion" if entry["quantity"] == "distortion" else "", entry["error"]),
            notes.get(entry["row"], ""),
        ]
        for entry in valve.fitted.errors
        if entry["use"] == "contradicts"
    ]


def markdown(valves: Sequence[Valve]) -> str:
    """Return the accuracy tables of all valves as one Markdown file."""
    lines = [
        "# How true the valves are",
        "",
        "Written by `make models` from the published rows in each file; nothing here is by hand. Errors are median /",
        "worst (how many numbers), in percent, or in points for distortion. *Calibrated* rows made the constants,",
        "*checked only* rows did not. *Exchanged / left out*: for charts, the error of rows that otherwise calibrate,",
        "with constants fitted to the other half; for output valves, the error of each row with constants fitted",
        "without it. *Reached* compares with what was asked: the checked rows and those of the exchanged halves, else",
        "(output stages) those left out, else the calibrated ones.",
        "The figures are those of the law; tests run the same rows as stages",
        "through the engines and get the same.",
    ]
    for valve in valves:
        lines += ["", f"## {valve.name}" + (f", {valve.kind} section" if valve.kind_matters else ""), ""]
        rows = accuracy_rows(valve)
        if not rows:
            lines.append("No published row.")
            continue
        lines += ["| " + " | ".join(ACCURACY_HEAD) + " |", "|" + " --- |" * len(ACCURACY_HEAD)]
        lines += ["| " + " | ".join(row) + " |" for row in rows]
        if valve.fitted.undetermined:
            lines += ["", "From what is usual, not from data: " + ", ".join(valve.fitted.undetermined) + "."]
        if disagreeing := contradictions(valve):
            lines += ["", "Rows that disagree with others, and neither calibrate nor count:", ""]
            lines += [
                f"- {what}: published {number}, law {law} ({error}). {why}"
                for what, number, law, error, why in disagreeing
            ]
    return "\n".join(lines) + "\n"
