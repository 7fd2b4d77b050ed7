"""The parts of a design: value, tolerance, and the least rating with its reason, counted for all channels."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from simwrap.amplifier.parts import Part
from simwrap.drawing.items import ELECTROLYTIC, Diagram, Item
from simwrap.measures.numerics.parts import LOADED, VOLTAGES, WATTAGES, next_of
from simwrap.units.quantity import parse, render

#: What an electrolytic capacitor has for a tolerance (common practice, no source).
ELECTROLYTIC_TOLERANCE = "20 %"
#: From this voltage across it a resistor's own voltage rating matters [V]: small ones stand 200 V to 350 V (common
#: practice, no source).
RESISTOR_VOLTS = 200.0


@dataclass(frozen=True)
class PartsRow:
    """One part.

    Attributes
    ----------
    reference, role, kind, value, tolerance : str
    rating : str
        Least wattage or working voltage, "" where none is known.
    reason : str
    fitted : str
        What the design says is fitted, "" where it doesn't.
    count : int
        In all channels.
    """

    reference: str
    role: str
    kind: str
    value: str
    tolerance: str = ""
    rating: str = ""
    reason: str = ""
    fitted: str = ""
    count: int = 1


@dataclass(frozen=True)
class Total:
    """Parts that are bought alike."""

    kind: str
    value: str
    rating: str
    count: int
    references: str


def rows(diagram: Diagram, borne: Iterable[Part], *, tolerances: Mapping[str, str], count: int) -> list[PartsRow]:
    """Return the parts of one drawing.

    Parameters
    ----------
    diagram : Diagram
    borne : iterable of Part
        What the design's parts bear.
    tolerances : mapping of str to str
        By kind: "resistor", "capacitor".
    count : int
        Channels that have this drawing.
    """
    known = {(part.kind, part.name): part for part in borne}
    found = []
    for item in diagram.items:
        role = item.path.rpartition(".")[2].replace("_", " ")
        row = PartsRow(item.reference, role, item.kind, ", ".join(item.value), count=count)
        if item.kind in ("resistor", "capacitor"):
            part = known.get((item.kind, item.path))
            row = _resistor(row, part, tolerances) if item.kind == "resistor" else _capacitor(row, part, tolerances)
        elif item.kind in ("potentiometer", "variable"):
            row = _potentiometer(row, item, known)
        elif item.kind == "current":
            continue  # a load stands for what hangs there: nothing to buy
        found.append(row)
    return found


def _resistor(row: PartsRow, part: Part | None, tolerances: Mapping[str, str]) -> PartsRow:
    if part is None or np.isnan(part.most):
        return _with(row, tolerance=tolerances["resistor"], reason="what it bears wasn't found")
    watts = float(next_of(WATTAGES, np.array([max(part.needed, 1e-9)]))[0])
    ohms = parse(row.value, "ohm")
    volts = float(np.sqrt(part.most * ohms))
    reason = f"bears {_watts(part.most)} {part.when}"
    if volts >= RESISTOR_VOLTS:
        reason += f"; stands {render(volts, 'V', digits=3)}: mind its voltage rating"
    return _with(row, tolerance=tolerances["resistor"], rating=_known(watts, "W"), reason=reason,
                 fitted=_known(part.rating, "W"))  # fmt: skip


def _capacitor(row: PartsRow, part: Part | None, tolerances: Mapping[str, str]) -> PartsRow:
    large = parse(row.value, "F") >= ELECTROLYTIC
    tolerance = ELECTROLYTIC_TOLERANCE if large else tolerances["capacitor"]
    if part is None or np.isnan(part.most):
        return _with(row, tolerance=tolerance, reason="what it bears wasn't found")
    volts = float(next_of(VOLTAGES, np.array([part.most]))[0])
    reason = f"stands {render(part.most, 'V', digits=3)} {part.when}" if part.most >= 1.0 else "stands the signal only"
    return _with(row, tolerance=tolerance, rating=_known(volts, "V"), reason=reason, fitted=_known(part.rating, "V"))


def _potentiometer(row: PartsRow, item: Item, known: Mapping[tuple[str, str], Part]) -> PartsRow:
    borne = [known[kind] for path in item.parts if (kind := ("resistor", path)) in known]
    watts = sum(part.most for part in borne if np.isfinite(part.most))
    rating = float(next_of(WATTAGES, np.array([max(watts, 1e-9) / LOADED]))[0])
    reason = f"bears {_watts(watts)} at most" if watts > 1e-6 else "carries the signal only"
    return _with(row, tolerance="as sold", rating=_known(rating, "W"), reason=reason)


def _watts(value: float) -> str:
    return render(value, "W", digits=3) if value >= 1e-3 else "less than 1 mW"


def _known(value: float, unit: str) -> str:
    return "" if np.isnan(value) else render(value, unit)


def _with(row: PartsRow, **changed: Any) -> PartsRow:
    return PartsRow(**{**row.__dict__, **changed})


def totals(found: Iterable[PartsRow]) -> list[Total]:
    """Return what is bought alike: kind, value, and the higher of the least rating and the fitted one."""
    groups: dict[tuple[str, str, str], list[PartsRow]] = {}
    for row in found:
        groups.setdefault((row.kind, row.value, _higher(row)), []).append(row)
    order = [
        "valve",
        "transistor",
        "diode",
        "resistor",
        "potentiometer",
        "variable",
        "capacitor",
        "inductor",
        "transformer",
    ]
    made = [
        Total(kind, value, rating, sum(row.count for row in members), ", ".join(row.reference for row in members))
        for (kind, value, rating), members in groups.items()
    ]
    return sorted(made, key=lambda each: order.index(each.kind) if each.kind in order else len(order))


def _higher(row: PartsRow) -> str:
    unit = "W" if row.rating.endswith("W") else "V"
    both = [text for text in (row.rating, row.fitted) if text]
    return max(both, key=lambda text: parse(text, unit), default="")
