"""What a row has to hold so that a law can be held to its numbers: said before a fit, not dropped in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

from simwrap.errors import InputError
from simwrap.fitting.rows import POINT_NUMBERS
from simwrap.valves.schema import Chart, OutputRow, Point, ValveSystem

#: So many rows with the same fault are named one by one.
NAMED = 5

#: Numbers of a point that mean something for a kind of valve.
_MEANT = {
    "triode": ("anode_current", "grid_current", "gm", "ra", "mu"),
    "pentode": POINT_NUMBERS,
    "rectifier": ("anode_current", "ra"),
}


def missing(section: ValveSystem, kind: str) -> dict[str, list[tuple[str, int]]]:
    """Return what rows lack, or hold though their kind of valve has none of it.

    Parameters
    ----------
    section : ValveSystem
        With rows.
    kind : {"triode", "pentode", "rectifier"}
        Of the section.

    Returns
    -------
    dict
        One entry a fault: words -> the rows that have it, such as ("points", 3).
    """
    found: dict[str, list[tuple[str, int]]] = {}
    parts: tuple[tuple[str, Callable[[Any, str], Iterator[str]]], ...] = (
        ("points", _of_point),
        ("charts", _of_chart),
        ("outputs", _of_output),
    )
    for part, faults in parts:
        for index, row in enumerate(getattr(section, part)):
            for words in faults(row, kind):
                found.setdefault(words, []).append((part, index))
    return found


def listed(names: Sequence[object]) -> str:
    """Return names in a row, those beyond :data:`NAMED` as a number."""
    more = len(names) - NAMED
    return ", ".join(str(name) for name in names[:NAMED]) + (f" and {more} more" if more > 0 else "")


def _of_point(row: Point, kind: str) -> Iterator[str]:
    given = [name for name in POINT_NUMBERS if getattr(row, name) is not None]
    if not given:
        return
    if row.connection == "drop" and kind != "rectifier":
        yield f'connection "drop" is a rectifier\'s, and this is a {kind}'
        return
    joined = row.connection == "triode-connected"
    strange = [name for name in given if name not in _MEANT[kind]]
    if kind != "pentode" and row.screen_voltage is not None and not joined:
        strange.append("screen_voltage")
    if strange:
        yield f"a {kind} has no {', '.join(strange)}"
    if row.anode_voltage is None:
        yield "anode_voltage is missing"
    if kind == "pentode" and not joined and row.screen_voltage is None:
        yield 'screen_voltage is missing; only connection "triode-connected" needs none'
    if kind != "rectifier" and row.grid_voltage is None and row.cathode_resistor is None:
        # An anode current can say where on the curve other numbers were read, but not where it was read itself.
        if row.anode_current is None:
            yield "grid_voltage, cathode_resistor or anode_current is missing"
        elif given == ["anode_current"]:
            yield "grid_voltage or cathode_resistor is missing; only the kind rectifier needs neither"


def _of_chart(row: Chart, kind: str) -> Iterator[str]:
    if kind == "rectifier":
        yield "a rectifier has no chart of stages"
    elif kind == "pentode" and row.screen_resistor is None:
        yield "screen_resistor is missing"


def _of_output(row: OutputRow, kind: str) -> Iterator[str]:
    from simwrap.fitting.output_rows import stage_of

    if kind == "rectifier":
        yield "a rectifier has no output stage"
        return
    try:
        stage_of(row)
    except InputError as failure:
        yield str(failure).removeprefix("output row: ")
