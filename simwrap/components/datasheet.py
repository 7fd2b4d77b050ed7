"""What is known about a component, as tables of text: what ``simwrap show TYPE`` prints."""

from __future__ import annotations

import math
from dataclasses import fields

from simwrap.components.component import Component
from simwrap.components.laws import REVERSE_GAIN, Bipolar, Fet, proof
from simwrap.components.schema import Limits, Strays
from simwrap.report.model import Listing
from simwrap.units import quantity

_UNITS = {"voltage": "V", "current": "A", "resistance": "ohm", "dissipation": "W", "capacitance": "F",
          "frequency": "Hz", "conductance": "S", "transconductance": "S"}  # fmt: skip
_WORDS = {"source", "how_known", "grade", "note", "rating_system"}


def _unit(name: str) -> str:
    if name == "current_gain":
        return ""
    return next((unit for word, unit in _UNITS.items() if word in name.removesuffix("_max").removesuffix("_min")), "F")


def _constants(found: Component) -> list[tuple[str, ...]]:
    law = found.law
    if isinstance(law, Fet):
        rows = [("beta (of the square law beta/2 (Vgs-Vt)^2)", f"{law.beta:.4g} A/V2"),
                ("threshold", quantity.render(law.threshold, "V")),
                ("channel modulation (an assumption: no sheet prints it)", f"{law.modulation:g} /V")]  # fmt: skip
    elif isinstance(law, Bipolar):
        early = quantity.render(law.early, "V") if math.isfinite(law.early) else "none"
        rows = [("saturation current", f"{law.saturation:.4g} A"), ("current gain", f"{law.gain:g}"),
                ("Early voltage", early), ("current gain backwards (an assumption)", f"{REVERSE_GAIN:g}")]  # fmt: skip
    else:
        rows = [("saturation current", f"{law.saturation:.4g} A"), ("emission coefficient", f"{law.emission:.4g}"),
                ("series resistance", quantity.render(law.series, "ohm"))]  # fmt: skip
        rows += [("level that it stands on", quantity.render(law.level, "V"))] if law.level else []
    return [tuple(row) for row in rows]


def _table(entry: Limits | Strays, sources: dict[str, str]) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for each in fields(entry):
        value = getattr(entry, each.name)
        if each.name in _WORDS or not value:
            continue
        end = ", largest" if each.name.endswith("_max") else ", smallest" if each.name.endswith("_min") else ""
        words = each.name.removesuffix("_max").removesuffix("_min").replace("_", " ")
        rows.append((words + end, quantity.render(value, _unit(each.name))))
    if rows:
        known = f"{sources.get(entry.source, entry.source)} ({entry.how_known}, {entry.grade})"
        rows.append(("source", known + (f"; {entry.note}" if entry.note else "")))
    return rows


def facts(found: Component) -> list[Listing]:
    """Return what is known about a component: about, limits, capacitances, what is printed beside the law, sources."""
    record = found.record
    about = [("kind", found.kind)]
    about += [("also known as", ", ".join(record.designations))] if record.designations else []
    about += [("note", record.note)] if record.note else []
    rows = []
    for row, name, printed, ours in proof(record, found.law):
        numbers = (quantity.render(value, _unit(name)) for value in (printed, ours))
        at = f"at {quantity.render(row.current, 'A')}"
        error = f"{100.0 * (ours / printed - 1.0):+.1f} %"
        rows.append(
            (name.replace("_", " "), at, *numbers, error, f"{row.source}, {row.how_known}, {row.grade}", row.note)
        )
    told = [
        Listing(f"{found.name}: {record.summary}", ("", ""), [tuple(row) for row in about]),
        Listing("limits", ("limit", "value"), _table(record.limits, record.sources)),
        Listing("capacitances and speed", ("what", "value"), _table(record.strays, record.sources)),
        Listing(
            "printed numbers beside the law", ("quantity", "where", "printed", "law", "error", "known", "note"), rows
        ),
        Listing("constants of the law, computed from these", ("constant", "value"), _constants(found)),
        Listing("sources", ("key", "source"), list(record.sources.items())),
    ]
    return [table for table in told if table.rows]
