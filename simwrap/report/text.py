"""Reports as plain text: aligned columns, folded where a line is short."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence

from simwrap.report.model import Listing, Section, marked, numeric_columns

#: Between two columns of text.
GAP = "  "


def as_text(report: Iterable[Listing | Section], width: int = 118) -> str:
    """Return a report as text, without its details; sections are folded to a width."""
    told: list[str] = []
    for each in report:
        if isinstance(each, Section):
            told += section_text(each, width)
        elif not each.details:
            told.append(text_table(each.caption, each.head, each.rows) if each.head else each.caption)
    return "\n".join(told)


def section_text(section: Section, width: int, indent: str = "") -> Iterator[str]:
    """Yield the lines of a section; what stands under its title is indented, but not at the top of a page."""
    yield from _hanging("", section.title, width)
    for text in section.about:
        yield from _hanging(indent, text, width)
    for mark, text in marked(section.findings):
        yield from _hanging(f"  {mark:5} ", text, width)
    yield from _side_by_side([(line.words, line.text) for line in section.lines], width)
    for table in section.tables:
        caption, head, rows, _ = table.listing
        yield from (f"{indent}{line}" for line in text_table(caption, head, rows, width - len(indent)).splitlines())
    for part in section.parts:
        yield ""
        yield from section_text(part, width, "  ")
    if section.notes and section.parts:
        yield ""
    for note in section.notes:
        yield from _hanging(indent, note, width)


def _hanging(start: str, text: str, width: int) -> Iterator[str]:
    yield from textwrap.wrap(text, width, initial_indent=start, subsequent_indent=" " * len(start))


def _side_by_side(cells: Sequence[tuple[str, str]], width: int) -> Iterator[str]:
    """Yield figures side by side where two fit, each with its words first."""
    half = (width - 2) // 2
    pending = ""
    for words, text in cells:
        cell = f"  {words}  {text}"
        if len(cell) <= half and not pending:
            pending = cell.ljust(half)
            continue
        if len(cell) <= half:
            yield pending + cell
        else:
            yield from ([pending.rstrip()] if pending else [])
            yield from _hanging("  ", f"{words}  {text}", width)
        pending = ""
    if pending:
        yield pending.rstrip()


def text_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[str]], width: int | None = None) -> str:
    """Return a table of aligned columns under a caption; columns of numbers stand right.

    Parameters
    ----------
    caption : str
        "" for none.
    head : sequence of str
        One a column; a line break in one starts a further line of heads. All "": no heads.
    rows : iterable of sequence of str
    width : int, optional
        A table that is wider has the words of its widest columns folded.
    """
    body = [[str(cell) for cell in row] for row in rows]
    right = numeric_columns(len(head), body)
    lines: list[list[list[str]]] = []  # a row, its cells, their lines
    if any(head):
        tops = [word.split("\n") for word in head]
        deep = max(map(len, tops))
        lines.append([[""] * (deep - len(top)) + top for top in tops])
    lines += [[[cell] for cell in row] for row in body]
    widths = [max((len(text) for line in lines for text in line[column]), default=0) for column in range(len(head))]
    if width is not None:
        longest = [
            max((len(word) for line in lines for text in line[column] for word in text.split()), default=0)
            for column in range(len(head))
        ]
        widths = _folded(widths, right, longest, width)
        lines = [[fold(cell, size) for cell, size in zip(line, widths, strict=True)] for line in lines]
    shown = [caption] if caption else []
    for line in lines:
        for number in range(max(map(len, line), default=0)):
            cells = (cell[number] if number < len(cell) else "" for cell in line)
            aligned = [
                cell.rjust(size) if side else cell.ljust(size)
                for cell, size, side in zip(cells, widths, right, strict=True)
            ]
            shown.append(GAP.join(aligned).rstrip())
    return "\n".join(shown)


def fold(cell: Sequence[str], width: int) -> list[str]:
    """Return lines of text folded to a width, without breaking a word that fits."""
    return [part for text in cell for part in (_wrapped(text, width) if len(text) > width else [text])]


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, max(width, 1), break_long_words=False, break_on_hyphens=False)


def _folded(widths: Sequence[int], right: Sequence[bool], longest: Sequence[int], width: int) -> list[int]:
    """Return widths of columns that fit: those of words give way, the widest first; numbers and words stay whole."""
    found = list(widths)
    excess = sum(found) + len(GAP) * (len(found) - 1) - width
    while excess > 0:
        soft = [number for number, side in enumerate(right) if not side and found[number] > longest[number]]
        if not soft:
            break
        widest = max(soft, key=lambda number: found[number])
        found[widest] -= 1
        excess -= 1
    return found
