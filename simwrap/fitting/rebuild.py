"""Rebuilding valve files: ``python -m simwrap.fitting.rebuild [--check] [TYPE ...]``.

A valve file has a part by hand (ratings, published rows, choice of priors) and, below a mark, a part
that the fit writes. The fit starts from fixed guesses, so the same rows give the same constants.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from simwrap.errors import FileProblemsError
from simwrap.files import write_text
from simwrap.fitting.cross_validation import leave_out
from simwrap.fitting.fit import FitResult, as_numbers, fit_section
from simwrap.fitting.fitted_part import fitted_part, trust_words
from simwrap.valves import schema
from simwrap.valves.accuracy import markdown
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
    from simwrap import toml_text

    try:
        return schema.check(toml_text.parse(hand_part(path.read_text(encoding="utf-8"))), path, fitted=False)
    except (OSError, ValueError) as failure:
        raise FileProblemsError(path, [f"can't be read as TOML: {failure}"]) from None


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
        # Charts are long enough for halves that change places; rows of output stages are left out one by one instead.
        of_charts = {r.use for r in result.residuals if r.number.row.startswith("charts")}
        swappable = {"check", "calibrate"} <= of_charts
        exchanged = fit_section(section, kind, swap=True) if swappable else None
        results[kind] = result
        # Tables of output stages are short, and all curves calibrate: fits that haven't seen them check these rows.
        left_out = leave_out(section, kind, result)
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
            write_text(path, text, replace=True)
        for kind, result in results.items():
            print(f"{path.stem} {kind}: {trust_words(result, kind)}")
    table = folder / ACCURACY
    try:
        tables = accuracy(folder)
    except FileProblemsError as failure:
        print(f"{ACCURACY} is not written: {failure}", file=sys.stderr)
        return 1
    if not options.check:
        write_text(table, tables, replace=True)
    elif not table.exists() or table.read_text(encoding="utf-8") != tables:
        changed.append(f"{ACCURACY} is not what the files give")
    for line in changed:
        print(line, file=sys.stderr)
    return 1 if changed else 0


if __name__ == "__main__":
    raise SystemExit(main())
