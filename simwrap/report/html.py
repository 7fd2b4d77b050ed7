"""Reports as HTML, for a notebook and as a page of their own; all text is escaped."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from html import escape

from simwrap.report.model import Listing, Section, is_number, marked, numeric_columns


def as_html(report: Iterable[Listing | Section], folded: str = "details") -> str:
    """Return a report as HTML; its details lie under a line that opens them."""
    shown: list[str] = []
    details: list[str] = []
    for each in report:
        if isinstance(each, Section):
            shown += section_html(each)
        else:
            (details if each.details else shown).append(html_table(each.caption, each.head, each.rows))
    more = f"<details><summary>{escape(folded)}</summary>{''.join(details)}</details>" if details else ""
    return "".join(shown) + more


def html_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return an HTML table; all text is escaped."""
    if not head:
        return f"<p>{escape(caption)}</p>"
    lines = [list(row) for row in rows]
    sides = [f" style='text-align:{'right' if right else 'left'}'" for right in numeric_columns(len(head), lines)]
    top = (
        "".join(f"<th scope='col'{side}>{_in_lines(word)}</th>" for side, word in zip(sides, head, strict=True))
        if any(head)
        else ""
    )
    cells = (zip(sides, line, strict=True) for line in lines)
    body = "".join(f"<tr>{''.join(_cell(side, text) for side, text in row)}</tr>" for row in cells)
    return f"<table><caption>{escape(caption)}</caption><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


def _cell(side: str, text: str) -> str:
    whole = " class='whole'" if text and is_number(text) else ""
    return f"<td{whole}{side}>{escape(text)}</td>"


def _in_lines(text: str) -> str:
    return escape(text).replace("\n", "<br>")


def section_html(section: Section, level: int = 2, path: str = "") -> Iterator[str]:
    """Yield a section as HTML, under a heading of a level."""
    ident = f"{path}{section.name}"
    yield f'<section id="{ident}" aria-labelledby="{ident}-head"><h{level} id="{ident}-head">'
    yield f"{escape(section.title)}</h{level}>"
    yield from (f"<p>{escape(text)}</p>" for text in section.about)
    yield from _bullets(f"<b>{mark}</b> {escape(text)}" for mark, text in marked(section.findings))
    if section.lines:
        figures = [(line.words, line.text) for line in section.lines]
        yield _scrolls(section.title, html_table("", ("figure", "value"), figures))
    for table in section.tables:
        listing = table.listing
        yield _scrolls(listing.caption or section.title, html_table(listing.caption, listing.head, listing.rows))
    yield from (f"<figure>{_scrolls(section.title, picture)}</figure>" for picture in section.pictures)
    for part in section.parts:
        yield from section_html(part, level + 1, f"{ident}-")
    yield from _bullets(map(escape, section.notes))
    yield "</section>"


def _bullets(items: Iterable[str]) -> Iterator[str]:
    listed = "".join(f"<li>{item}</li>" for item in items)
    if listed:
        yield f"<ul>{listed}</ul>"


def _scrolls(name: str, inner: str) -> str:
    """Return what may be wider than the page in a box that a keyboard reaches."""
    return f'<div class="scroll" tabindex="0" role="group" aria-label="{escape(name)}">{inner}</div>'


def page(report: Section, alert: str = "") -> str:
    """Return a whole page, one file without anything from elsewhere; ``alert`` stands on every sheet of its print."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    room = Environment(loader=PackageLoader("simwrap.report", ""), autoescape=True, undefined=StrictUndefined,
                       trim_blocks=True, lstrip_blocks=True)  # fmt: skip
    bodies = ["".join(section_html(part)) for part in report.parts]
    return room.get_template("page.html.j2").render(report=report, bodies=bodies, alert=alert)
