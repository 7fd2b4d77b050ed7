"""Small tables for people: as plain text and as HTML for a notebook."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from typing import NamedTuple


class Listing(NamedTuple):
    """A table of text: its caption, the heads of its columns ("" for none), and its rows."""

    caption: str
    head: tuple[str, ...]
    rows: list[tuple[str, ...]]


def html_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return an HTML table; all text is escaped."""
    left = " style='text-align:left'"
    top = "".join(f"<th{left}>{html.escape(word)}</th>" for word in head) if any(head) else ""
    body = "".join("<tr>" + "".join(f"<td{left}>{html.escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<table><caption>{html.escape(caption)}</caption><tr>{top}</tr>{body}</table>"


def text_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table of aligned columns under a caption."""
    lines = [list(head), *[list(row) for row in rows]]
    widths = [max(len(line[column]) for line in lines) for column in range(len(head))]
    shown = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in lines]
    return "\n".join([caption, *shown])
