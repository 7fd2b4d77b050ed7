"""What a builder reads first of a measurement: warnings, one row a valve, the headline of each measure.

The rest (every figure, conditions and criteria, all values of the stage) is there when details are asked for.
"""

from __future__ import annotations

import html
from collections.abc import Iterator
from typing import TYPE_CHECKING

from simwrap.tables import Listing, html_table

if TYPE_CHECKING:
    from simwrap.simulation.measurement import Measurement

#: How a warning is marked: a rating that is exceeded, one that is near, anything else.
OVER, NEAR, NOTE = "OVER", "near", "note"


def marked(warning: str) -> str:
    """Return the mark of a warning."""
    if " exceeds " in warning or " is below the " in warning or "unstable" in warning.lower():
        return OVER
    return NEAR if "within 10 %" in warning or " is at its rating" in warning else NOTE


def warnings_table(found: Measurement) -> Listing:
    """Return the warnings, what is exceeded first."""
    order = [OVER, NEAR, NOTE]
    rows: list[tuple[str, ...]] = [(marked(text), text) for text in found.warnings]
    rows.sort(key=lambda row: order.index(row[0]))
    return Listing("to look at", ("", ""), rows)


def values_line(found: Measurement) -> str:
    """Return the values of the parts that are there, in one line."""
    shown = []
    for symbol, _, name, value in found.stage.rows():
        number = value.partition(" ")[0]
        if value != "none" and number not in ("0", "0.0"):
            stage = f"{name.rpartition('.')[0]}." if "." in name else ""
            shown.append(f"{stage}{symbol} {value}" if symbol else f"{name} {value}")
    return ", ".join(shown)


def tables(found: Measurement, *, details: bool = False) -> Iterator[Listing]:
    """Yield the tables of a measurement in the order in which they are read."""
    if found.warnings:
        yield warnings_table(found)
    for name in found.results:
        view = found[name]
        own = view.tables()
        rows = view.headline()
        if not details and rows and len(own) == 1 and own[0].caption == name:
            yield Listing(name, ("", ""), [*rows])
        else:
            yield from (table for table in own if details or not table.details)
        if details:
            yield Listing(f"{name}: measured under", ("", ""), [*view.conditions()])
    if details:
        values = [(name, symbol, value) for symbol, _, name, value in found.stage.rows()]
        yield Listing(f"{found.stage.name}: {found.stage.summary}", ("parameter", "symbol", "value"), [*values])


def as_html(found: Measurement) -> str:
    """Return a measurement for a notebook, with the details folded away."""
    parts = [f"<p><b>{html.escape(found.stage.name)}</b>: {html.escape(values_line(found))}</p>"]
    parts += [html_table(table.caption, table.head, table.rows) for table in tables(found)]
    folded = "".join(html_table(table.caption, table.head, table.rows) for table in tables(found, details=True))
    return "".join([*parts, f"<details><summary>all figures, conditions and values</summary>{folded}</details>"])
