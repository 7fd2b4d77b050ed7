"""Published operating conditions of output valves: their short names, and what they set of an output stage."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from simwrap.errors import InputError
from simwrap.registry import find
from simwrap.valves.schema import OutputRow
from simwrap.valves.valve import Valve

#: Printed kinds of drive -> factor that makes it rms volts at each grid.
DRIVE_KINDS: dict[str, float] = {
    "": 1.0,
    "rms": 1.0,
    "rms per grid": 1.0,
    "peak": 0.5**0.5,
    "peak per grid": 0.5**0.5,
    "peak g-g": 0.5**1.5,
}
#: The stage that a row is of, by its topology.
STAGES = {"SE": "single_ended_output", "PP": "push_pull_output"}
_CONNECTIONS = {"normal": "pentode", "triode-connected": "triode", "ultra-linear": "ultra_linear"}


def drive_of(row: OutputRow) -> float | None:
    """Return the drive at each grid [V rms], None where none is printed.

    Raises
    ------
    InputError
        For a kind of drive that isn't known.
    """
    if row.drive is None:
        return None
    if row.drive_kind not in DRIVE_KINDS:
        raise InputError(
            f'drive_kind: "{row.drive_kind}" isn\'t known; give one of {", ".join(repr(k) for k in DRIVE_KINDS if k)}'
        )
    return float(row.drive) * DRIVE_KINDS[row.drive_kind]


def is_total(row: OutputRow) -> bool:
    """Whether the printed anode currents hold the screens'."""
    return row.total_current or row.connection == "triode-connected"


#: What makes a row another circuit than the next.
_OF_A_CIRCUIT = (
    "topology", "connection", "tap", "supply", "anode_voltage", "screen_voltage", "grid_voltage", "cathode_resistor",
    "cathode_connection", "screen_resistor", "common_screen_resistor", "load",
)  # fmt: skip


def conditions(valve: Valve) -> dict[str, OutputRow]:
    """Return the published output-stage rows of a valve by a short name of each.

    A name is the topology, the connection and the voltage, such as "single-ended 250 V" or "push-pull ultra-linear
    430 V"; where that isn't enough to tell rows apart, the screen's voltage, the kind of bias, the load, and at last a
    number follow. Of rows that differ in nothing but the drive the one at the largest counts.
    """
    by_circuit: dict[Any, OutputRow] = {}
    for row in valve.outputs:
        circuit = tuple(getattr(row, name) for name in _OF_A_CIRCUIT)
        known = by_circuit.get(circuit)
        if known is None or (drive_of(row) or 0.0) > (drive_of(known) or 0.0):
            by_circuit[circuit] = row
    rows = list(by_circuit.values())
    found = [_start(row) for row in rows]
    for more in (_screen, _bias, _load, _number):
        for name in {name for name in found if found.count(name) > 1}:
            alike = [index for index, entry in enumerate(found) if entry == name]
            words = [more(rows[index], place + 1) for place, index in enumerate(alike)]
            if len(set(words)) > 1:
                for index, word in zip(alike, words, strict=True):
                    found[index] = f"{name} {word}".strip()
    return dict(zip(found, rows, strict=True))


def _start(row: OutputRow) -> str:
    topology = "push-pull" if row.topology == "PP" else "single-ended"
    connection = {"normal": "", "triode-connected": "triode", "ultra-linear": "ultra-linear"}[row.connection]
    voltage = row.supply if row.supply is not None else row.anode_voltage
    return " ".join(filter(None, (topology, connection, "" if voltage is None else f"{voltage:g} V")))


def _screen(row: OutputRow, _: int) -> str:
    if row.connection == "ultra-linear":
        return f"tap {100 * row.tap:g} %"
    own = row.screen_voltage not in (None, row.supply if row.supply is not None else row.anode_voltage)
    return f"screen {row.screen_voltage:g} V" if own else ""


def _load(row: OutputRow, _: int) -> str:
    return f"{row.load / 1e3:g} kohm" if row.load >= 1e3 else f"{row.load:g} ohm"


def _bias(row: OutputRow, _: int) -> str:
    return "fixed bias" if row.grid_voltage is not None and row.cathode_resistor is None else "cathode bias"


def _number(_: OutputRow, place: int) -> str:
    return f"no. {place}"


def stage_values(row: OutputRow, valve: Valve) -> Mapping[str, Any]:
    """Return what a row says of an output stage, under the names of the stage's parameters; nothing it doesn't say.

    Voltages that are printed to the cathode have the cathode's added, where a resistor makes one. A cathode resistor
    goes before a grid voltage that is printed beside it: it is what a builder fits.

    Parameters
    ----------
    row : OutputRow
        Published row.
    valve : Valve
        Whose row it is.

    Raises
    ------
    InputError
        If the row lacks a voltage, a bias, or what tells the cathode's voltage.
    """
    printed = row.supply if row.supply is not None else row.anode_voltage
    resistor = row.cathode_resistor
    if printed is None or (resistor is None and row.grid_voltage is None):
        raise InputError(f"{valve.name}: the published row has no {'voltage' if printed is None else 'bias'} to set")
    pair = row.topology == "PP"
    lift = 0.0 if resistor is None or row.supply is not None else _cathode_voltage(row, resistor, valve.name)
    values: dict[str, Any] = {
        "supply": printed + lift,
        "bias": "fixed" if resistor is None else "cathode",
        "anode_to_anode_load" if pair else "anode_load": row.load,
    }
    if valve.kind == "pentode":
        values["connection"] = _CONNECTIONS[row.connection]
    if valve.kind == "pentode" and row.connection == "normal":
        values["screen_supply"] = (printed if row.screen_voltage is None else row.screen_voltage) + lift
    if row.connection == "ultra-linear":
        values["screen_tap"] = row.tap
    if resistor is None:
        values["grid_bias"] = row.grid_voltage
    else:
        values["cathode_resistor"] = resistor
        if pair:
            values["cathode_connection"] = row.cathode_connection
    if row.screen_resistor:
        values["screen_resistor"] = row.screen_resistor
    if pair and row.common_screen_resistor:
        values["common_screen_resistor"] = row.common_screen_resistor
    if (drive := drive_of(row)) is not None:
        values["drive"] = drive
    return values


def _cathode_voltage(row: OutputRow, resistor: float, valve: str) -> float:
    """Return the quiescent voltage across a cathode resistor [V]: as printed, or what the printed currents give."""
    if row.grid_voltage is not None:
        return -row.grid_voltage
    if row.anode_current_zero is None:
        raise InputError(
            f"{valve}: the published row gives voltages to the cathode and no quiescent current, so that the supply "
            "isn't known; set supply, screen_supply, cathode_resistor and the load yourself"
        )
    total = row.anode_current_zero + (0.0 if is_total(row) else row.screen_current_zero or 0.0)
    each = row.topology == "PP" and row.cathode_connection == "separate"
    return resistor * total / (2.0 if each else 1.0)


def values_like(valve: Valve, stage: str, name: str) -> Mapping[str, Any]:
    """Return what the published conditions of a short name set of a stage.

    Raises
    ------
    UnknownNameError
        If the valve has no conditions of that name for that stage, with those that it has.
    InputError
        If it has none at all, or the stage is no output stage.
    """
    if stage not in STAGES.values():
        raise InputError(
            f"{stage}: has no published operating conditions to be like; only {' and '.join(STAGES.values())} have"
        )
    known = {key: row for key, row in conditions(valve).items() if STAGES[row.topology] == stage}
    if not known:
        raise InputError(
            f"{valve.name}: no published operating conditions of a {stage} are known; set its values yourself"
        )
    return stage_values(find("published conditions", name, known, f"{stage} with {valve.name}"), valve)


#: Title and heads of the table of conditions.
CONDITIONS_TITLE = "published operating conditions (--like NAME)"
CONDITIONS_HEAD = (
    "name",
    "anode\nV",
    "screen\nV",
    "bias",
    "load\nkΩ",
    "drive\nV r.m.s.",
    "power\nW",
    "THD\n%",
    "known",
)


def condition_rows(valve: Valve) -> list[tuple[str, ...]]:
    """Return a row of text for each of a valve's published conditions."""

    def shown(value: float | None) -> str:
        return "" if value is None else f"{value:.3g}"

    return [
        (
            name,
            shown(row.supply if row.supply is not None else row.anode_voltage),
            shown(row.screen_voltage),
            f"{row.grid_voltage:g} V" if row.cathode_resistor is None else f"{row.cathode_resistor:g} Ω",
            shown(row.load / 1e3),
            shown(drive_of(row)),
            shown(row.power),
            shown(row.distortion),
            f"{row.how_known}, {row.grade}",
        )
        for name, row in conditions(valve).items()
    ]
