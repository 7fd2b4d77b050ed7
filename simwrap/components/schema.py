"""What a component's file holds: plain frozen data, checked as a whole when it is read.

All values are SI. No constant of a law stands in a file, only what is printed: the constants follow from that in closed
form (:mod:`simwrap.components.laws`). ``None`` means not known.
"""

from __future__ import annotations

import functools
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

from annotated_types import Ge, Gt

from simwrap import toml_text
from simwrap.errors import FileProblemsError
from simwrap.forking import first_use

Kind = Literal["diode", "led", "zener", "stabiliser", "transistor", "mosfet"]
Known = Literal["seen", "memory", "measured", "computed"]
Grade = Literal["high", "med", "low"]
Positive = Annotated[float, Gt(0)]
NotNegative = Annotated[float, Ge(0)]

#: Electrodes of each kind, those between which its current flows first and last.
ELECTRODES: dict[str, tuple[str, ...]] = {
    "diode": ("anode", "cathode"),
    "led": ("anode", "cathode"),
    "zener": ("anode", "cathode"),
    "stabiliser": ("anode", "cathode"),
    "transistor": ("collector", "base", "emitter"),
    "mosfet": ("drain", "gate", "source"),
}

_STRICT = {"extra": "forbid", "allow_inf_nan": False}


@dataclass(frozen=True)
class PrintedRow:
    """One printed row of typical values. Which of them a kind needs is in :data:`NEEDED`.

    ``voltage`` and ``current`` are those of its main path in the direction in which it works: forward for a diode, LED
    and a transistor's base, backward for a zener. ``resistance`` is a zener's dynamic one at that current.
    ``gate_voltage`` and ``current`` are a MOSFET's in saturation, ``transconductance`` [S] is only compared.
    """

    __pydantic_config__ = _STRICT
    current: Positive
    source: str
    voltage: Positive | None = None
    resistance: Positive | None = None
    gate_voltage: float | None = None
    base_emitter_voltage: Positive | None = None
    current_gain: Positive | None = None
    output_conductance: Positive | None = None
    transconductance: Positive | None = None
    how_known: Known = "memory"
    grade: Grade = "med"
    note: str = ""


@dataclass(frozen=True)
class Limits:
    """Largest values that the maker allows; of a stabiliser also what it needs.

    ``voltage_max`` is that of its main path where it blocks: a diode's inverse voltage, collector to emitter, drain to
    source. ``control_voltage_max`` is gate to source, either way. ``striking_voltage`` is the highest at which a
    stabiliser of that type may only strike, ``shunt_capacitance_max`` what may lie across it.
    """

    __pydantic_config__ = _STRICT
    source: str
    rating_system: str = ""
    voltage_max: Positive | None = None
    control_voltage_max: Positive | None = None
    current_max: Positive | None = None
    current_min: Positive | None = None
    dissipation_max: Positive | None = None
    striking_voltage: Positive | None = None
    shunt_capacitance_max: Positive | None = None
    how_known: Known = "memory"
    grade: Grade = "med"
    note: str = ""


@dataclass(frozen=True)
class Strays:
    """Capacitances [F] as printed: of a diode across it, of a transistor collector to base and base to emitter, of a
    MOSFET Ciss, Crss and Coss; ``transition_frequency`` [Hz] of a transistor's current gain.
    """

    __pydantic_config__ = _STRICT
    source: str
    across: NotNegative = 0.0
    collector_base: NotNegative = 0.0
    base_emitter: NotNegative = 0.0
    input: NotNegative = 0.0
    reverse_transfer: NotNegative = 0.0
    output: NotNegative = 0.0
    transition_frequency: Positive | None = None
    how_known: Known = "memory"
    grade: Grade = "med"
    note: str = ""


@dataclass(frozen=True)
class ComponentFile:
    """A whole file, as read. ``modulation`` [1/V]: by which part a MOSFET's current grows with a volt at its drain."""

    __pydantic_config__ = _STRICT
    name: str
    kind: Kind
    summary: str
    printed: tuple[PrintedRow, ...]
    limits: Limits
    sources: dict[str, str]
    designations: tuple[str, ...] = ()
    strays: Strays = field(default_factory=lambda: Strays(source=""))
    modulation: NotNegative = 0.0
    note: str = ""


#: What each kind's rows need, and how many rows.
NEEDED: dict[str, tuple[tuple[str, ...], int]] = {
    "diode": (("voltage",), 2),
    "led": (("voltage",), 2),
    "zener": (("resistance",), 2),
    "stabiliser": (("voltage",), 2),
    "transistor": (("base_emitter_voltage", "current_gain"), 1),
    "mosfet": (("gate_voltage",), 2),
}


@functools.cache
def _checker() -> Any:
    import pydantic

    with first_use:
        return pydantic.TypeAdapter(ComponentFile)


def _problems(record: ComponentFile) -> Iterator[str]:
    needed, least = NEEDED[record.kind]
    good = [row for row in record.printed if all(getattr(row, name) is not None for name in needed)]
    if len({row.current for row in good}) < least:
        yield f"printed: a {record.kind} needs {least} row(s) of different current with {' and '.join(needed)}"
    if record.kind == "zener" and not any(row.voltage for row in record.printed):
        yield "printed: a zener needs the voltage in the row of its test current"
    sources = {f"printed[{number}]": row.source for number, row in enumerate(record.printed)}
    sources["limits"] = record.limits.source
    if record.strays != Strays(source=""):
        sources["strays"] = record.strays.source
    for place, source in sources.items():
        if source not in record.sources:
            yield f'{place}: source "{source}" isn\'t in [sources]'
    if record.kind == "stabiliser" and None in (record.limits.striking_voltage, record.limits.current_min):
        yield "limits: a stabiliser needs striking_voltage and current_min"


def read(path: Path) -> ComponentFile:
    """Read and check one file.

    Raises
    ------
    FileProblemsError
        With every fault of the file.
    """
    import pydantic

    try:
        data = toml_text.parse(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as failure:
        raise FileProblemsError(path, [f"can't be read as TOML: {failure}"]) from None
    try:
        record: ComponentFile = _checker().validate_python(data)
    except pydantic.ValidationError as failure:
        problems = []
        for fault in failure.errors(include_url=False):
            where = ".".join(str(part) for part in fault["loc"])
            given = "" if isinstance(fault["input"], (dict, list)) else f" (given: {fault['input']!r})"
            problems.append(f"{where or 'file'}: {fault['msg'][0].lower()}{fault['msg'][1:]}{given}")
        raise FileProblemsError(path, problems) from None
    if problems := [*toml_text.stray_booleans(data, ()), *_problems(record)]:
        raise FileProblemsError(path, problems)
    return record
