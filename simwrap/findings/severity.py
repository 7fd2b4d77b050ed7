"""How grave a finding is."""

from __future__ import annotations

import enum


class Severity(enum.IntEnum):
    """How grave a finding is, the gravest first.

    ``DANGER`` may hurt a person or set something alight before a fuse blows, ``OVER`` is beyond a limit, ``NEAR`` is
    close to one, and ``NOTE`` is worth knowing.
    """

    DANGER = 0
    OVER = 1
    NEAR = 2
    NOTE = 3

    @property
    def mark(self) -> str:
        """The word in front of a finding; what is dangerous is over a limit too."""
        return _MARKS[self]

    @property
    def beyond(self) -> bool:
        """Whether a limit is passed, so that a command ends with 1."""
        return self <= Severity.OVER


_MARKS = {Severity.DANGER: "OVER", Severity.OVER: "OVER", Severity.NEAR: "near", Severity.NOTE: "note"}
#: The marks, the gravest first.
MARKS = tuple(dict.fromkeys(_MARKS.values()))
