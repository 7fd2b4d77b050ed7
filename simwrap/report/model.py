"""What is told, as data: tables of text, and sentences."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple


class Listing(NamedTuple):
    """A table of text: its caption, the heads of its columns ("" for none), its rows, and whether it is a detail.

    Without columns it is its caption, a sentence.
    """

    caption: str
    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    details: bool = False


#: A number with or without a unit ("194.7 V", "-180°", "-20 to -30 %"), or that there is none; "12AX7" is a name.
_NUMBER = re.compile(r"(not found|[-+±]?(\d[\d.]*(e[-+]?\d+)?|∞)(°| \S.*)?)?")


def numeric_columns(columns: int, rows: Sequence[Sequence[str]]) -> list[bool]:
    """Return which columns hold numbers, and are to be set to the right."""
    texts = [[str(row[number]) for row in rows] for number in range(columns)]
    return [any(column) and all(_NUMBER.fullmatch(text) for text in column) for column in texts]
