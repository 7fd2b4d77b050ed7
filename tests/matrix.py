"""Every measure on every stage that is registered: what came, what was refused with which sentence, and how long.

``make matrix`` prints it as a table in Markdown; ``tests/stages/test_matrix.py`` holds it.
"""

from __future__ import annotations

import fnmatch
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

import simwrap
from simwrap.circuits.header import Parameter
from simwrap.circuits.library import find_template, stage_names
from simwrap.errors import InputError
from simwrap.measures.registry import measures

#: Measures that need small signals or the operating point only: all of a stage's in one request.
SMALL = ("balance", "bias", "equalisation", "heater_hum", "impedance", "load_lines", "noise", "rejection", "response",
         "stability", "tone_curves")  # fmt: skip
#: Figures that may not be a number, and why.
REASONS = {
    "response.*_corner": "the gain doesn't fall by 3 dB within the sweep",
    "response.*.*_corner": "the gain doesn't fall by 3 dB within the sweep",
    "load_lines.*.alone_load": "all other valves see the same signal, so that none is alone",
    "load_lines.*.output_share": "there is one valve, or the output isn't theirs",
    "load_lines.*.signal_load": "what the valve sees is no resistance at 1 kHz",
    "load_lines.*": "the valve's line leads nowhere",
    "stability.growth": "nothing stores anything",
    "stability.least_damped.*": "nothing swings",
    "heater_hum.*": "no valve has a cathode apart from its heater (a finding says so)",
    "rejection.*.input_referred_db": "no signal comes in that it could be referred to",
    "balance.maximum.*": "nothing distorts",
    "bias.*_share": "the valve has no such rating",
    "noise.noise_resistance.*": "the valve is cut off",
    "noise.input_*": "no signal comes through",
    "noise.with_flicker.input_*": "no signal comes through",
    "bias.*rating_needed": "more than the largest rating that is commonly sold",
}
#: Figures that may be minus infinity, and why.
NOTHING = {"rejection.supplies.*_db": "an exactly balanced pair at an ideal transformer lets nothing through"}


@dataclass
class Row:
    """What came of one stage: refusals by measure, what isn't a number without a reason, and seconds it took."""

    stage: str
    seconds: float = 0.0
    came: list[str] = field(default_factory=list)
    refused: dict[str, str] = field(default_factory=dict)
    faults: list[str] = field(default_factory=list)


def tried(name: str, wanted: Sequence[str] = SMALL, **values: Any) -> Row:
    """Return what came of the measures on a stage; an exception that is no refusal is left to rise."""
    row, begun = Row(name), time.perf_counter()
    stage = simwrap.stage(name, **values)
    left = list(wanted)
    try:
        found = simwrap.measure(stage, left, workers=1)
    except InputError as fault:  # nothing has a meaning, or one did fail
        row.refused = dict.fromkeys(left, str(fault))
        row.seconds = time.perf_counter() - begun
        return row
    said = [finding.text for finding in found.findings]
    for measure in wanted:
        if measure in found.results:
            row.came.append(measure)
            row.faults += _faults(measure, found.results[measure])
        elif reasons := [text for text in said if measure in text]:
            row.refused[measure] = reasons[0]
        else:
            row.faults.append(f"{measure}: nothing came of it, and nothing says why")
    row.seconds = time.perf_counter() - begun
    return row


def _faults(measure: str, result: Any) -> Iterator[str]:
    for name, coordinate in result.coords.items():
        values = np.asarray(coordinate.values)
        if values.dtype.kind == "f" and not (np.isfinite(values).all() and (np.diff(values) > 0.0).all()):
            yield f"{measure}: the axis {name} isn't finite and rising"
        if name == "frequency" and not 1e-4 <= values.min() <= values.max() <= 1e10:
            yield f"{measure}: the axis {name} reaches from {values.min():g} to {values.max():g} Hz"
    for path, variable in result.variables.items():
        values = np.asarray(variable.values)
        full = f"{measure}.{path}"
        known = any(fnmatch.fnmatchcase(full, pattern) for pattern in REASONS)
        if any(fnmatch.fnmatchcase(full, pattern) for pattern in NOTHING):
            values = np.where(np.isneginf(values), 0.0, values)
        if values.dtype.kind in "fc" and not known and not np.isfinite(values).all():
            yield f"{full} isn't a number, without a reason"


def drawn(name: str, turn: int) -> dict[str, Any]:
    """Return values of a stage, drawn by a seed: numbers from half to twice the default, any word of a choice."""
    rng = np.random.default_rng(1000 * turn + sum(map(ord, name)))
    values = {key: _value(entry, rng) for key, entry in find_template(name).parameters.items()}
    return {key: value for key, value in values.items() if value is not None}


def _value(entry: Parameter, rng: np.random.Generator) -> Any:
    if entry.unit == "choice":
        return str(rng.choice(entry.choices))
    if not entry.numeric or not entry.default:
        return None
    if (entry.minimum, entry.maximum) == (0.0, 1.0) and not entry.unit:
        return float(rng.uniform())
    most = 1.25 if entry.unit == "V" else 2.0
    low = -np.inf if entry.minimum is None else entry.minimum
    high = np.inf if entry.maximum is None else entry.maximum
    return float(np.clip(entry.default * most ** rng.uniform(-1.0, 1.0), low, high))


def main() -> None:
    """Print the matrix: a mark where figures came, the number of a sentence where not."""
    names = [name for name in measures() if name in SMALL]
    sentences: dict[str, int] = {}
    print("| stage | s |", " | ".join(names), "|")
    print("| --- | --- |", " | ".join("---" for _ in names), "|")
    for stage in stage_names():
        row = tried(stage)
        cells = []
        for name in names:
            why = row.refused.get(name, "").replace(stage, "it")
            cells.append("x" if name in row.came else f"({sentences.setdefault(why, len(sentences) + 1)})")
        print(f"| {stage} | {row.seconds:.2f} |", " | ".join(cells), "|")
    print()
    for why, number in sentences.items():
        print(f"({number}) {why}\n")


if __name__ == "__main__":
    main()
