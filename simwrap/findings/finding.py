"""A finding: something that a builder has to know, as data. What follows from it is read from its fields.

Exit codes, marks, order and JSON come from ``severity`` and ``code``; :attr:`Finding.text` is for people, and nothing
reads it back. A finding is made by :meth:`Finding.of`, which takes its severity from the table of codes.
"""

from __future__ import annotations

import enum
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from simwrap.findings.codes import CODES
from simwrap.findings.severity import Severity
from simwrap.findings.wording import sentence

__all__ = ["Finding", "Severity", "from_json", "ordered", "to_json", "worst"]


@dataclass(frozen=True)
class Finding:
    """Something that was noticed.

    Attributes
    ----------
    severity : Severity
    code : str
        What it is, one of :data:`simwrap.findings.codes.CODES`.
    subject : str
        What it is about: a valve, a part, a loop, a port, such as "power.v1"; "" for the whole.
    quantity : str
        In words, such as "anode dissipation"; "" where it is about no quantity.
    value, limit : float or None
        Of the quantity, in ``unit``; None where there is none, or it isn't known.
    unit : str
        SI, or "%", "dB".
    state : str
        In which state of the amplifier, such as "at rest" or "before the valves warm up"; "" where it needs no word.
    details : tuple of (str, str, float, int or tuple of str)
        What else belongs to the code, by name; :meth:`detail` reads it.
    """

    severity: Severity
    code: str
    subject: str = ""
    quantity: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    state: str = ""
    details: tuple[tuple[str, Any], ...] = ()

    @property
    def mark(self) -> str:
        """The word in front of it on a page: "OVER", "near" or "note"."""
        return self.severity.mark

    @property
    def must_not_be_built(self) -> bool:
        """Whether what it is about must not be built as it is."""
        return CODES[self.code].must_not_be_built

    @property
    def text(self) -> str:
        """The sentence for people."""
        return sentence(self.code, self.fields())

    def detail(self, name: str, default: Any = None) -> Any:
        """Return what else belongs to it, by name."""
        return dict(self.details).get(name, default)

    def fields(self) -> dict[str, Any]:
        """Return what a sentence is made of: its own fields but severity and code, and its details, by name."""
        own = {"subject": self.subject, "quantity": self.quantity, "value": self.value, "limit": self.limit}
        return {**own, "unit": self.unit, "state": self.state, **dict(self.details)}

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain values that JSON can hold, its mark and sentence with them."""
        return {
            "severity": self.severity.name.lower(),
            "mark": self.mark,
            "code": self.code,
            "must_not_be_built": self.must_not_be_built,
            **{key: value for key, value in self.fields().items() if key not in dict(self.details)},
            "details": {name: list(value) if isinstance(value, tuple) else value for name, value in self.details},
            "text": self.text,
        }

    @classmethod
    def of(
        cls,
        code: str,
        subject: str = "",
        quantity: str = "",
        value: float | None = None,
        limit: float | None = None,
        unit: str = "",
        state: str = "",
        **details: Any,
    ) -> Finding:
        """Return a finding with the severity that its code has.

        Parameters
        ----------
        code : str
        subject, quantity : str
        value, limit : float, optional
            NaN is None.
        unit, state : str
        details
            What else the code's sentence and its readers need: numbers, words, or sequences of words.

        Raises
        ------
        KeyError
            For a code that isn't in the table.

        Examples
        --------
        >>> over = Finding.of("over_rating", "power.v1", "anode dissipation", 14.2, 12.0, "W", type="6V6GT")
        >>> over.mark, over.must_not_be_built, over.text
        ('OVER', True, 'power.v1 (6V6GT): anode dissipation 14.2 W exceeds its rating of 12 W.')
        """
        kept = tuple((name, _plain(entry)) for name, entry in details.items())
        return cls(CODES[code].severity, code, subject, quantity, _plain(value), _plain(limit), unit, state, kept)

    @classmethod
    def from_dict(cls, given: Mapping[str, Any]) -> Finding:
        """Return what :meth:`to_dict` was made of."""
        details = {name: tuple(value) if isinstance(value, list) else value for name, value in given["details"].items()}
        own = {key: given[key] for key in ("subject", "quantity", "value", "limit", "unit", "state")}
        return cls(Severity[given["severity"].upper()], given["code"], **own, details=tuple(details.items()))


def _plain(value: Any) -> Any:
    """Return a value as it compares and hashes: numbers as Python's, no NaN, sequences as tuples."""
    if value is None or isinstance(value, str | bool):
        return value
    if isinstance(value, enum.Enum):
        return value.value
    if hasattr(value, "__float__"):
        number = float(value)
        return None if math.isnan(number) else int(number) if isinstance(value, int) else number
    return tuple(_plain(entry) for entry in value)


def ordered(findings: Iterable[Finding]) -> list[Finding]:
    """Return each finding once, the gravest first, in their order otherwise."""
    return sorted(dict.fromkeys(findings), key=lambda finding: finding.severity)


def worst(findings: Iterable[Finding]) -> Severity | None:
    """Return the gravest severity, None where there is nothing."""
    return min((finding.severity for finding in findings), default=None)


def to_json(findings: Iterable[Finding]) -> str:
    """Return findings as one text that keeps them, such as a Dataset's variable can hold; "" for none."""
    listed = [finding.to_dict() for finding in findings]
    return json.dumps(listed, ensure_ascii=False) if listed else ""


def from_json(text: str) -> list[Finding]:
    """Return the findings that :func:`to_json` wrote."""
    return [Finding.from_dict(entry) for entry in json.loads(text)] if text else []
