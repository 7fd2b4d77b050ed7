"""Small tables for people: as plain text and as HTML for a notebook."""

from __future__ import annotations

import html
import re
from collections.abc import Iterable, Sequence
from typing import NamedTuple


class Listing(NamedTuple):
    """A table of text: its caption, the heads of its columns ("" for none), its rows, and whether it is a detail."""

    caption: str
    head: tuple[str, ...]
    rows: list[tuple[str, ...]]
    details: bool = False


_NUMBER = re.compile(r"(not found|[-+±]?[0-9.∞].*)?")


def numeric_columns(columns: int, rows: Sequence[Sequence[str]]) -> list[bool]:
    """Return which columns hold numbers, and are to be set to the right."""
    texts = [[str(row[number]) for row in rows] for number in range(columns)]
    return [any(column) and all(_NUMBER.fullmatch(text) for text in column) for column in texts]


def html_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return an HTML table; all text is escaped."""
    lines = [list(row) for row in rows]
    sides = [f" style='text-align:{'right' if right else 'left'}'" for right in numeric_columns(len(head), lines)]
    top = (
        "".join(f"<th{side}>{html.escape(word)}</th>" for side, word in zip(sides, head, strict=True))
        if any(head)
        else ""
    )
    cells = (zip(sides, line, strict=True) for line in lines)
    body = "".join("<tr>" + "".join(f"<td{s}>{html.escape(text)}</td>" for s, text in row) + "</tr>" for row in cells)
    return f"<table><caption>{html.escape(caption)}</caption><tr>{top}</tr>{body}</table>"


def text_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table of aligned columns under a caption."""
    lines = [list(head), *[list(row) for row in rows]]
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    sides = [str.rjust if right else str.ljust for right in numeric_columns(len(head), lines[1:])]
    shown = [
        "  ".join(side(cell, width) for side, cell, width in zip(sides, line, widths, strict=True)).rstrip()
        for line in lines
    ]
    return "\n".join([caption, *shown])
