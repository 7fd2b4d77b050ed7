"""Reports as plain text: aligned columns, folded where a line is short."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from simwrap.report.model import Listing, numeric_columns

#: Between two columns of text.
GAP = "  "


def as_text(report: Iterable[Listing]) -> str:
    """Return a report as text, without its details."""
    told = (each for each in report if not each.details)
    return "\n".join(text_table(each.caption, each.head, each.rows) if each.head else each.caption for each in told)


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
