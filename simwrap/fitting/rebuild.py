"""Rebuilding valve files: ``python -m simwrap.fitting.rebuild [--check] [TYPE ...]``.

A valve file has a part by hand (ratings, published rows, choice of priors) and, below a mark, a part
that the fit writes. The fit starts from fixed guesses, so the same rows give the same constants.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from simwrap.errors import FileProblemsError
from simwrap.fitting.accuracy import WORDS, figures, in_words, markdown, unit_of
from simwrap.fitting.cross_validation import LeftOut, leave_one_out
from simwrap.fitting.fit import FitResult, as_numbers, fit_section
from simwrap.valves import schema
from simwrap.valves.library import models_folder
from simwrap.valves.schema import CONSTANTS, FITTED_MARK, ValveFile
from simwrap.valves.valve import Valve

#: The accuracy tables of all files in a folder, written beside them.
ACCURACY = "ACCURACY.md"

#: Constants that a rebuild gives again to this relative difference.
REPEATS_TO = 1e-6


def hand_part(text: str) -> str:
    """Return what is written by hand, without the mark."""
    return text.split(FITTED_MARK, 1)[0].rstrip() + "\n"


def read_hand_part(path: Path) -> ValveFile:
    """Read a valve file without its fitted part."""
    import tomllib

    try:
        return schema.check(tomllib.loads(hand_part(path.read_text(encoding="utf-8"))), path, fitted=False)
    except (OSError, ValueError, RecursionError) as failure:
        raise FileProblemsError(path, [f"can't be read as TOML: {failure}"]) from None


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
        words.append(f"The same rows, each left out of its own fit: {_words(_left_out_rows(left_out), kind, 'check')}.")
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


def rebuilt(path: Path) -> tuple[str, dict[str, FitResult]]:
    """Return the new text of a valve file, and the fits behind it."""
    content = read_hand_part(path)
    text = hand_part(path.read_text(encoding="utf-8")) + "\n" + FITTED_MARK + "\n"
    results = {}
    for kind in CONSTANTS:
        section = getattr(content, kind)
        if section is None:
            continue
        result = fit_section(section, kind)
        swappable = any(r.use == "check" and not r.number.row.startswith("points") for r in result.residuals) and any(
            r.use == "calibrate" and not r.number.row.startswith("points") for r in result.residuals
        )
        exchanged = fit_section(section, kind, swap=True) if swappable else None
        results[kind] = result
        # Tables of output stages are short: each row is checked by a fit that hasn't seen it.
        left_out = leave_one_out(section, kind, result) if section.outputs else ()
        text += "\n" + fitted_part(kind, result, exchanged, left_out)
    return text, results


def differences(path: Path, results: dict[str, FitResult]) -> list[str]:
    """Return which constants of a file differ from a fresh fit by more than :data:`REPEATS_TO`."""
    stored = schema.read(path)
    found = []
    for kind, result in results.items():
        for name, value in as_numbers(result.constants).items():
            old = getattr(stored, kind).constants[name]
            if abs(value - old) > REPEATS_TO * max(abs(value), 1e-12):
                found.append(f"{path.name}: {kind}.{name} is {old!r}, a fresh fit gives {value!r}")
    return found


def accuracy(folder: Path) -> str:
    """Return the accuracy tables of all valve files in a folder, as Markdown."""
    valves = []
    for path in sorted(folder.glob("*.toml")):
        content = schema.read(path)
        kinds: list[Any] = [kind for kind in CONSTANTS if getattr(content, kind) is not None]
        valves += [Valve.from_file(content, kind, path) for kind in kinds]
    return markdown(valves)


def main(arguments: Sequence[str] | None = None) -> int:
    """Rebuild all valve files, or those named; with --check only compare."""
    parser = argparse.ArgumentParser(prog="python -m simwrap.fitting.rebuild", description=main.__doc__)
    parser.add_argument("types", nargs="*", help="file names without .toml; all when left out")
    parser.add_argument("--check", action="store_true", help="only say what would change")
    parser.add_argument("--folder", type=Path, default=None, help="folder of valve files")
    options = parser.parse_args(arguments)
    folder = options.folder or models_folder()
    stems = [name.casefold() for name in options.types]
    paths = [path for path in sorted(folder.glob("*.toml")) if not stems or path.stem in stems]
    changed: list[str] = []
    for path in paths:
        text, results = rebuilt(path)
        if options.check:
            changed += differences(path, results)
        else:
            path.write_text(text, encoding="utf-8")
        for kind, result in results.items():
            print(f"{path.stem} {kind}: {trust_words(result, kind)}")
    table = folder / ACCURACY
    try:
        tables = accuracy(folder)
    except FileProblemsError as failure:
        print(f"{ACCURACY} is not written: {failure}", file=sys.stderr)
        return 1
    if not options.check:
        table.write_text(tables, encoding="utf-8")
    elif not table.exists() or table.read_text(encoding="utf-8") != tables:
        changed.append(f"{ACCURACY} is not what the files give")
    for line in changed:
        print(line, file=sys.stderr)
    return 1 if changed else 0


if __name__ == "__main__":
    raise SystemExit(main())
