"""The part of a valve file that a fit writes: constants, and the proof of them."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import Any

from simwrap.fitting.cross_validation import LeftOut
from simwrap.fitting.fit import FitResult, as_numbers
from simwrap.valves.accuracy import WORDS, figures, in_words, unit_of


def toml_value(value: Any) -> str:
    """Return ``value`` as TOML on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return f"{value:.10g}" if math.isfinite(value) else "nan"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_value(each) for each in value) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{name} = {toml_value(each)}" for name, each in value.items()) + " }"
    return json.dumps(value, ensure_ascii=False)


def error_rows(result: FitResult, uses: Sequence[str] = ("calibrate", "check", "contradicts")) -> list[dict[str, Any]]:
    """Return the proof table of a fit: one entry a published number, of those uses."""
    return [
        {
            "row": r.number.row,
            "label": r.number.label,
            "quantity": r.number.quantity,
            "published": float(f"{r.number.published:.6g}"),
            "law": float(f"{r.law:.5g}"),
            "error": round(r.error, 4),
            "use": r.use,
            **({} if r.number.reading_error is None else {"reading_error": r.number.reading_error}),
        }
        for r in result.residuals
        if math.isfinite(r.law) and r.use in uses
    ]


def _summary(result: FitResult, kind: str, use: str) -> str:
    return _words(error_rows(result), kind, use)


def _words(entries: Sequence[Mapping[str, Any]], kind: str, use: str) -> str:
    parts = []
    for group, figure in figures(entries, use, kind).items():
        errors = f"{in_words(group, figure.median)} / {in_words(group, figure.worst)} {unit_of(group)}"
        parts.append(f"{WORDS[group]} {errors} ({figure.count})")
    return "; ".join(parts)


def trust_words(result: FitResult, kind: str, left_out: Sequence[LeftOut] = ()) -> str:
    """Return plain words on how far to trust a fit."""
    words = []
    checked, calibrated = _summary(result, kind, "check"), _summary(result, kind, "calibrate")
    if checked:
        words.append(f"Rows that did not calibrate, median / worst (how many): {checked}.")
    else:
        words.append("No row is left over to check against: the errors shown are those of the fit itself.")
    words.append(f"Rows that calibrated: {calibrated}.")
    if left_out:
        words.append(f"Rows left out of their own fit: {_words(_left_out_rows(left_out), kind, 'check')}.")
    words += [warning[0].upper() + warning[1:] + "." for warning in result.warnings]
    return " ".join(words)


def _left_out_rows(rows: Sequence[LeftOut]) -> list[dict[str, Any]]:
    return [
        {
            "row": each.number.row,
            "label": each.number.label,
            "quantity": each.number.quantity,
            "published": float(f"{each.number.published:.6g}"),
            "error": round(each.left_out, 4),
            "use": "check",
            **({} if each.number.reading_error is None else {"reading_error": each.number.reading_error}),
        }
        for each in rows
        if each.counts
    ]


def fitted_part(kind: str, result: FitResult, exchanged: FitResult | None, left_out: Sequence[LeftOut] = ()) -> str:
    """Return the TOML that a fit writes below the mark."""
    lines = [f"[{kind}.constants]"]
    lines += [f"{name} = {value!r}" for name, value in as_numbers(result.constants).items()]
    lines += ["", f"[{kind}.fitted]"]
    lines += [f"numbers = {result.numbers}", f"cost = {result.cost:.6g}"]
    lines += [
        f"undetermined = {toml_value(result.undetermined)}",
        f"trust = {toml_value(trust_words(result, kind, left_out))}",
    ]
    for name, rows in (
        ("errors", error_rows(result)),
        ("exchanged", error_rows(exchanged, ("check",)) if exchanged else []),
        ("left_out", _left_out_rows(left_out)),
    ):
        if rows:
            lines += [f"{name} = [", *(f"  {toml_value(row)}," for row in rows), "]"]
    return "\n".join(lines) + "\n"
