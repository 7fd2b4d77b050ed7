"""What became of a point of a sweep: an enumeration, with its reason in words."""

from __future__ import annotations

import enum
from collections.abc import Iterable


class Status(enum.StrEnum):
    """What became of a point; its text is what a Dataset's ``outcome`` holds."""

    DONE = "done"
    PENDING = "not run yet"
    UNSTABLE = "unstable"
    UNFED = "no supply"
    LATE = "out of time"
    FAILED = "failed"

    @property
    def hopeless(self) -> bool:
        """Whether no large signal has a meaning there."""
        return self in (Status.UNSTABLE, Status.UNFED)


class Reason(str):
    """Why a point failed, in words, with the status that it has therefore; "" is a point that is done.

    Parameters
    ----------
    words : str
    status : Status
    """

    __slots__ = ("status",)
    status: Status

    def __new__(cls, words: str, status: Status) -> Reason:
        made = super().__new__(cls, words)
        made.status = status
        return made

    def __reduce__(self) -> tuple[type[Reason], tuple[str, Status]]:
        return Reason, (str(self), self.status)


def reworded(words: str, *reasons: str) -> str:
    """Return other words for a reason, or for several together, with the first status that is more than a failure."""
    known = [reason.status for reason in reasons if isinstance(reason, Reason)]
    return Reason(words, known[0]) if known else words


def late(reasons: Iterable[str]) -> str:
    """Return in words that some points ran out of time, "" where none did."""
    every = list(reasons)
    own = [reason for reason in every if status_of(reason) is Status.LATE]
    if not own:
        return ""
    return f"{own[0]}, with {len(own)} of {len(every)}; give a longer one" if len(every) > 1 else own[0]


def status_of(reason: str) -> Status:
    """Return the status of a point that has that reason; words without one are a failure."""
    if isinstance(reason, Reason):
        return reason.status
    return Status.FAILED if reason else Status.DONE
