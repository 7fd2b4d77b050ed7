"""How true the library has to be, and how true it is: figures by valve and quantity, from the proof in each file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simwrap.valves.schema import CUT_OFF, AccuracyGoal, Group
from simwrap.valves.valve import Valve

#: What a group of numbers is called.
WORDS: dict[Group, str] = {
    "sheet": "sheet Ia, gm, ra",
    "curve": "Ia, gm, ra read off curves",
    "curve, low current": "the same below a tenth of the largest current",
    "cut-off": "cut-off current",
    "mu": "amplification factor",
    "screen": "screen current",
    "grid current": "grid current read off curves",
    "gain": "chart gain",
    "chart current": "chart current",
    "chart distortion": "chart distortion",
    "zero-signal current": "zero-signal current",
    "maximum-signal current": "maximum-signal current",
    "power": "output power",
    "output distortion": "output distortion",
    "drop": "current at the printed drop",
}

#: What is asked of any valve; a file can ask for something else ([triode.goals] and the like).
GOALS: dict[Group, AccuracyGoal] = {
    "sheet": AccuracyGoal(0.02, 0.05),
    "curve": AccuracyGoal(0.03, 0.20),
    "cut-off": AccuracyGoal(None, 0.20),
    "screen": AccuracyGoal(0.10, 0.25),
    "grid current": AccuracyGoal(0.25, None),
    "chart current": AccuracyGoal(0.02, 0.06),
    "chart distortion": AccuracyGoal(0.3, 0.8),
    "zero-signal current": AccuracyGoal(0.025, 0.07),
    "maximum-signal current": AccuracyGoal(0.02, 0.06),
    "power": AccuracyGoal(0.03, 0.10),
    "output distortion": AccuracyGoal(1.0, 2.0),
    "drop": AccuracyGoal(0.02, 0.05),
}

#: With fewer numbers than this a small residual proves nothing.
FEW_NUMBERS = 8

#: Groups whose goals are for rows left out of their own fit.
OF_OUTPUT_STAGES: tuple[Group, ...] = (
    "screen", "zero-signal current", "maximum-signal current", "power", "output distortion",
)  # fmt: skip

#: Groups of numbers read off curves, whose goals are for the half that was left out.
OF_CURVES: tuple[Group, ...] = ("curve", "curve, low current", "grid current")


def group_of(entry: Mapping[str, Any], kind: str, largest: float) -> Group:
    """Return the group of a number.

    Parameters
    ----------
    entry : mapping
        One of a proof table: ``row`` ("points[0]"), ``quantity``, ``published`` and perhaps ``reading_error``.
    kind : str
        Of the section.
    largest : float
        The largest anode current that was read off its curves [A].
    """
    row, quantity = entry["row"], entry["quantity"]
    if kind == "rectifier":
        return "drop"
    if row.startswith("points"):
        return _group_of_point(quantity, float(entry["published"]), "reading_error" in entry, largest)
    if row.startswith("charts"):
        of_charts: dict[str, Group] = {"gain": "gain", "distortion": "chart distortion"}
        return of_charts.get(quantity, "chart current")
    if quantity.startswith("screen"):
        return "screen"
    of_outputs: dict[str, Group] = {
        "power": "power", "distortion": "output distortion", "anode_current_max": "maximum-signal current",
    }  # fmt: skip
    return of_outputs.get(quantity, "zero-signal current")


def _group_of_point(quantity: str, published: float, read: bool, largest: float) -> Group:
    if quantity in ("mu", "screen_mu"):
        return "mu"
    if quantity in ("grid_current", "screen_current"):
        return "grid current" if quantity == "grid_current" else "screen"
    if quantity == "anode_current" and published < CUT_OFF:
        return "cut-off"
    if not read:
        return "sheet"
    return "curve, low current" if quantity == "anode_current" and published < 0.1 * largest else "curve"


def goal(valve: Valve, group: Group) -> AccuracyGoal:
    """Return the goal of a group of numbers of a valve."""
    return valve.goals.get(group, GOALS.get(group, AccuracyGoal()))


@dataclass(frozen=True)
class Figure:
    """Errors of one group and one use: how many, median, worst, and which row is worst."""

    count: int
    median: float
    worst: float
    worst_row: str


def figures(entries: Iterable[Mapping[str, Any]], use: str, kind: str = "") -> dict[Group, Figure]:
    """Return the figures of a proof table, by group, for one use ("calibrate", "check", "contradicts")."""
    groups: dict[Group, list[Mapping[str, Any]]] = {}
    rows = list(entries)
    read = [e["published"] for e in rows if e["quantity"] == "anode_current" and "reading_error" in e]
    largest = max(read, default=0.0)
    for entry in rows:
        if entry["use"] == use:
            groups.setdefault(group_of(entry, kind, largest), []).append(entry)
    out: dict[Group, Figure] = {}
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


def reached(valve: Valve, group: Group, figure: Figure) -> str:
    """Return "yes" or "no" for a figure against its goal, "" where there is none."""
    wanted = goal(valve, group)
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
        held_back = left_out.get(group) if group in OF_OUTPUT_STAGES + OF_CURVES else None
        counts = (held_back or checked if group in OF_CURVES else checked or held_back) or calibrated
        if counts is None:
            continue
        wanted = goal(valve, group)
        asked = "-" if wanted == AccuracyGoal() else _pair(group, wanted.median, wanted.worst)
        rows.append(
            [
                words,
                unit_of(group),
                asked,
                _figure(group, calibrated),
                _figure(group, checked),
                _figure(group, others.get(group)),
                _reached_by(valve, group, counts, exchanged.get(group) if checked and group not in OF_CURVES else None),
                counts.worst_row,
            ]
        )
    return rows


def _reached_by(valve: Valve, group: Group, figure: Figure, exchanged: Figure | None) -> str:
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


def grid_current_words(valve: Valve) -> str:
    """Return where a valve's grid current comes from, "" for a rectifier."""
    if valve.kind == "rectifier":
        return ""
    read = figures(valve.fitted.errors, "calibrate", valve.kind).get("grid current")
    onset = valve.grid_onset
    if read:
        words = f"fitted to {read.count} points of curves with positive grid"
    else:
        words = "no curve with positive grid is known: scaled from the cathode's perveance, true to a factor of two"
    source = f" ({valve.sources.get(onset.source, onset.source)}, {onset.how_known})" if onset.source else ", assumed"
    return f"{words}; onset of 0.3 uA near {onset.onset:g} V{source}"


def markdown(valves: Sequence[Valve]) -> str:
    """Return the accuracy tables of all valves as one Markdown file."""
    lines = [
        "# How true the valves are",
        "",
        "Written by `make models` from the published rows in each file; nothing here is by hand. Errors are median /",
        "worst (how many numbers), in percent, or in points for distortion. *Calibrated* rows made the constants,",
        "*checked only* rows did not. *Exchanged / left out*: for charts, the error of rows that otherwise calibrate,",
        "with constants fitted to the other half; for output valves, the error of each row with constants fitted",
        "without it, for curves of each half with constants fitted to the other. *Reached* compares with what was",
        "asked: the checked rows and those of the exchanged halves, else (output stages, curves) those left out, else",
        "the calibrated ones.",
        "The figures are those of the law; tests run the same rows as stages",
        "through the engines and get the same.",
        "",
        "All points read off printed curves calibrate; each half of them (every second point of a family) was left out",
        "once, and that error counts against what was asked. Their reading error stands in each file, mostly 3 %, 5 %",
        "for grid current. Where a maker's curve and table, or two makers, disagree, no law meets both.",
    ]
    for valve in valves:
        lines += ["", f"## {valve.name}" + (f", {valve.kind} section" if valve.kind_matters else ""), ""]
        rows = accuracy_rows(valve)
        if not rows:
            lines.append("No published row.")
            continue
        lines += ["| " + " | ".join(ACCURACY_HEAD) + " |", "|" + " --- |" * len(ACCURACY_HEAD)]
        lines += ["| " + " | ".join(row) + " |" for row in rows]
        if words := grid_current_words(valve):
            lines += ["", f"Grid current: {words}."]
        if valve.fitted.undetermined:
            lines += ["", "From what is usual, not from data: " + ", ".join(valve.fitted.undetermined) + "."]
        if disagreeing := contradictions(valve):
            lines += ["", "Rows that disagree with others, and neither calibrate nor count:", ""]
            lines += [
                f"- {what}: published {number}, law {law} ({error}). {why}"
                for what, number, law, error, why in disagreeing
            ]
    return "\n".join(lines) + "\n"
