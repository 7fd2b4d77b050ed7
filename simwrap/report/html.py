"""Reports as HTML, for a notebook; all text is escaped."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence

from simwrap.report.model import Listing, numeric_columns


def as_html(report: Iterable[Listing], folded: str = "details") -> str:
    """Return a report as HTML; its details lie under a line that opens them."""
    shown: list[str] = []
    details: list[str] = []
    for each in report:
        (details if each.details else shown).append(html_table(each.caption, each.head, each.rows))
    more = f"<details><summary>{html.escape(folded)}</summary>{''.join(details)}</details>" if details else ""
    return "".join(shown) + more


def html_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return an HTML table; all text is escaped."""
    if not head:
        return f"<p>{html.escape(caption)}</p>"
    lines = [list(row) for row in rows]
    sides = [f" style='text-align:{'right' if right else 'left'}'" for right in numeric_columns(len(head), lines)]
    top = (
        "".join(f"<th{side}>{_in_lines(word)}</th>" for side, word in zip(sides, head, strict=True))
        if any(head)
        else ""
    )
    cells = (zip(sides, line, strict=True) for line in lines)
    body = "".join("<tr>" + "".join(f"<td{s}>{html.escape(text)}</td>" for s, text in row) + "</tr>" for row in cells)
    return f"<table><caption>{html.escape(caption)}</caption><tr>{top}</tr>{body}</table>"


def _in_lines(text: str) -> str:
    return html.escape(text).replace("\n", "<br>")
