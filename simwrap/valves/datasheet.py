"""What is known about a valve, as tables of text: what `simwrap show TYPE` prints."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from statistics import median
from typing import Any

from simwrap.report.model import Listing
from simwrap.units import quantity
from simwrap.valves.accuracy import ACCURACY_HEAD, FEW_NUMBERS, accuracy_rows, contradictions, grid_current_words
from simwrap.valves.conditions import CONDITIONS_HEAD, CONDITIONS_TITLE, condition_rows
from simwrap.valves.valve import Valve

_WORDS = {
    "how_known": "how known",
    "grade": "grade",
    "source": "source",
    "note": "note",
    "rating_system": "rating system",
}

#: Said where a file leaves noise or leakage at the values that stand for any valve.
_ASSUMED = "an assumption that stands for any valve: this file has no figure"

#: How far new valves lie from the sheet where no maker's window is known.
PRACTICE = "common practice, no source: sheet values are averages, of which new valves differ by so much"


def unit_of_quantity(name: str) -> str:
    """Return the SI unit of a published quantity by its name, "" for a ratio, "%" for a distortion."""
    if name == "distortion":
        return "%"
    for word, unit in (("voltage", "V"), ("current", "A"), ("dissipation", "W"), ("leak", "ohm"), ("resistance", "ohm"),
                       ("reservoir", "F"), ("capacitance", "F"), ("power", "W"), ("gm", "S"),
                       ("cut_off", "V")):  # fmt: skip
        if word in name:
            return unit
    return {"ra": "ohm", "drop": "V", "output": "V"}.get(name, "")


def _ratings(valve: Valve) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for field in fields(valve.ratings):
        value = getattr(valve.ratings, field.name)
        if value is None or value in ("", ()):
            continue
        if field.name == "by_voltage":
            rows += _steps(valve)
            continue
        words = _WORDS.get(field.name, field.name.replace("_max", "").replace("_min", "").replace("_", " "))
        end = ", largest" if field.name.endswith("_max") else ", smallest" if field.name.endswith("_min") else ""
        text = str(value)
        if not isinstance(value, str):
            text = quantity.render(float(value), unit_of_quantity(field.name))
        elif field.name == "source":
            text = valve.sources.get(value, value)
        rows.append((words + end, text))
    return rows


def _steps(valve: Valve) -> list[tuple[str, ...]]:
    """Return the ratings of a rectifier that depend on the transformer's voltage, as rows."""
    rows: list[tuple[str, ...]] = []
    for step in valve.ratings.by_voltage:
        words = f"{quantity.render(step.series_resistance_min, 'ohm')} in series with each anode, smallest"
        if step.current_max:
            words += f"; output current {quantity.render(step.current_max, 'A')}, largest"
        source = valve.sources.get(step.source, step.source)
        volts = quantity.render(step.anode_voltage_rms, "V")
        rows.append((f"up to {volts} r.m.s. an anode", f"{words} ({source}; {step.how_known}, {step.grade})"))
    return rows


def _noise(valve: Valve) -> list[tuple[str, ...]]:
    """Return the flicker corner and the insulation between heater and cathode, each with its note."""
    rows: list[tuple[str, ...]] = []
    if valve.kind != "rectifier":
        corner = quantity.render(valve.noise.flicker_corner, "Hz")
        rows.append(("flicker noise equals shot noise at", corner, valve.noise.note or _ASSUMED))
    apart = valve.kind != "rectifier" or valve.ratings.heater_cathode_voltage_max  # some join heater and cathode
    if valve.heater and not valve.heater.direct and apart:
        note = valve.leakage.note or _ASSUMED
        rows += [
            (name.replace("_", " ").replace("heater cathode", "heater to cathode"),
             quantity.render(getattr(valve.leakage, name), unit_of_quantity(name)), note)
            for name in ("heater_cathode_resistance", "heater_cathode_capacitance")
        ]  # fmt: skip
    return rows


def _windows(valve: Valve) -> tuple[str, list[tuple[str, ...]]]:
    """Return title and rows of what valves may differ by: printed windows, or else what is usual."""
    if not valve.windows:
        quantity_of = "current at a given drop" if valve.kind == "rectifier" else "anode current"
        rows: list[tuple[str, ...]] = [(quantity_of, "any point", "-20 to -30 %", "+20 to +30 %", PRACTICE)]
        return "spread to expect: no published window known", rows
    return "spread to expect: makers' acceptance windows", [
        (
            window.quantity.replace("_", " "),
            window.conditions,
            "-" if window.low is None else quantity.render(window.low, unit_of_quantity(window.quantity)),
            "-" if window.high is None else quantity.render(window.high, unit_of_quantity(window.quantity)),
            f"{valve.sources.get(window.source, window.source)} ({window.how_known}, {window.grade})",
        )
        for window in valve.windows
    ]


def _about(valve: Valve) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [("kind", valve.kind)]
    if valve.designations:
        rows.append(("also known as", ", ".join(valve.designations)))
    if valve.heater:
        how = "filament" if valve.heater.direct else "heater"
        words = f"{quantity.render(valve.heater.voltage, 'V')}, {quantity.render(valve.heater.current, 'A')}"
        rows.append((how, words + (f"; {valve.heater.alternative}" if valve.heater.alternative else "")))
    if valve.base:
        pins = "; ".join(f"{pin} {what}" for pin, what in valve.base.pins.items())
        rows.append(("base", f"{valve.base.name} ({valve.base.how_known})" + (f": {pins}" if pins else "")))
    if valve.name != valve.type_name:
        rows.append(("model", f"that of the {valve.type_name}; the ratings are the {valve.name}'s own"))
    if words := grid_current_words(valve):
        rows.append(("grid current", words))
    return rows


def verdict(valve: Valve) -> str:
    """Return in one sentence how true a valve's model is to what was published."""
    errors = [abs(entry["error"]) for entry in valve.fitted.errors
              if entry["quantity"] != "distortion" and entry["use"] != "contradicts"]  # fmt: skip
    if not errors:
        return "no published number was there to hold the model to"
    checked = [abs(entry["error"]) for entry in valve.fitted.errors
               if entry["quantity"] != "distortion" and entry["use"] == "check"]  # fmt: skip
    if len(errors) == 1 and not checked:
        return "the model is fitted to the only published number known, so that nothing checks it"
    if len(errors) < FEW_NUMBERS and not checked:
        within = max(0.1, 100 * max(errors))
        return (
            f"the model is within {within:.2g} % of the {len(errors)} published numbers that it is fitted to, "
            "too few to check it"
        )
    words = f"the model is within {100 * median(errors):.2g} % of half of {len(errors)} published numbers"
    words += f", {100 * max(errors):.2g} % off at worst"
    if checked:
        return f"{words}; {len(checked)} of them had no part in the fit ({100 * median(checked):.2g} % at the median)"
    return f"{words}; all of them had a part in the fit"


def facts(valve: Valve) -> list[Listing]:
    """Return what is known about a valve: about, ratings, capacitances, noise, proof, rows, spread, sources.

    Parameters
    ----------
    valve : Valve
        Any.

    Returns
    -------
    list of Listing
        Tables without rows are left out; what only the proof needs is a detail.
    """
    capacitances: list[tuple[str, ...]] = [
        (name.replace("_", " to "), quantity.render(value, "F"))
        for name in ("grid_anode", "grid_cathode", "anode_cathode")
        if (value := getattr(valve.capacitances, name))
    ]
    proof: list[tuple[str, ...]] = [
        (
            entry["label"], entry["quantity"].replace("_", " "), *_both(entry),
            f"{entry['error']:+.2f} points" if entry["quantity"] == "distortion" else f"{100 * entry['error']:+.1f} %",
            entry["use"], _known(valve, entry["row"]),
        )
        for entry in valve.fitted.errors
    ]  # fmt: skip
    spread, windows = _windows(valve)
    told = [
        Listing(f"{valve.name}: {valve.summary}; {verdict(valve)}", ("", ""), _about(valve)),
        Listing("ratings", ("rating", "value"), _ratings(valve)),
        Listing(CONDITIONS_TITLE, CONDITIONS_HEAD, condition_rows(valve)),
        Listing("capacitances", ("between", "value"), capacitances),
        Listing("noise and leakage", ("what", "value", "note"), _noise(valve)),
        Listing("accuracy, median / worst (how many)", tuple(ACCURACY_HEAD), list(map(tuple, accuracy_rows(valve)))),
        Listing("how far to trust it", ("",), [(valve.trust,)]),
        Listing("published numbers beside the model",
                ("where", "quantity", "published", "model", "error", "use", "known"), proof, details=True),
        Listing("rows that contradict others", ("number", "published", "model", "error", "why"),
                list(map(tuple, contradictions(valve))), details=True),
        Listing(spread, ("quantity", "at", "from", "to", "source"), windows),
        Listing("sources", ("key", "source"), list(valve.sources.items()), details=True),
    ]  # fmt: skip
    return [table for table in told if table.rows]


def _both(entry: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the published and the modelled number, with their unit."""
    unit = unit_of_quantity(entry["quantity"])
    return tuple(quantity.render(float(entry[key]), unit) for key in ("published", "law"))


def _known(valve: Valve, row: str) -> str:
    """Return "source, how known, grade" of a row such as "points[3]"."""
    part, _, rest = row.partition("[")
    found = getattr(valve, part)[int(rest.rstrip("]"))]
    return f"{found.source}, {found.how_known}, {found.grade}"
