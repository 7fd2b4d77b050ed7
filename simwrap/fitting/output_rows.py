"""Published output-stage rows as conditions to run, and as numbers that a law can be held to.

A row says little about how it was taken. What is assumed, the same for every row:

* Voltages are to the cathode at zero signal, unless the row gives the supply; the supply then stays
  where it was while the drive moves the cathode voltage.
* A printed grid voltage is a fixed bias, also where a resistor for the same bias is printed beside it;
  with a cathode resistor alone the bias follows the average current (the resistor is bypassed).
* Screens are at the printed screen voltage, behind a resistor where one is printed. In ultra-linear
  connection they come from a tap of the primary, in triode connection from the anode.
* Without printed drive only the zero-signal state is run.

The solver's own assumptions are in :mod:`simwrap.fitting.output_stage`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.errors import InputError
from simwrap.fitting.output_stage import Law, OutputStage, solve_stage
from simwrap.fitting.rows import Number, reshaped
from simwrap.valves import laws
from simwrap.valves.conditions import drive_of, is_total
from simwrap.valves.schema import OutputRow

Array = NDArray[np.float64]

#: Phases of half a period while fitting: power and distortion are then exact to 1e-4.
FIT_PHASES = 16

#: How much a row counts: what is printed about output stages is coarse anyway, which sigma says already.
OUTPUT_WEIGHT = {"high": 1.0, "med": 0.8, "low": 0.4}


def tap_of(row: OutputRow) -> float:
    """Return the share of the half primary at which the screen is: 0 pentode, 1 triode connection."""
    return {"normal": 0.0, "triode-connected": 1.0, "ultra-linear": row.tap}[row.connection]


def stage_of(row: OutputRow) -> OutputStage:
    """Return the stage of a row for the quasi-static solver.

    Raises
    ------
    InputError
        If the row lacks a voltage or a bias.
    """
    voltage = row.supply if row.supply is not None else row.anode_voltage
    if voltage is None:
        raise InputError("output row: neither supply nor anode_voltage is given")
    if row.grid_voltage is None and row.cathode_resistor is None:
        raise InputError("output row: neither grid_voltage nor cathode_resistor is given")
    pair, fixed = row.topology == "PP", row.grid_voltage is not None
    tap = tap_of(row)
    screen = voltage if tap > 0 or row.screen_voltage is None else row.screen_voltage
    resistor = 0.0 if fixed or row.cathode_resistor is None else row.cathode_resistor
    return OutputStage(
        push_pull=pair,
        supply=voltage,
        to_cathode=row.supply is None,
        screen_supply=screen,
        screen_tap=tap,
        load=row.load,
        grid_bias=row.grid_voltage if row.grid_voltage is not None else 0.0,
        cathode_resistor=resistor * (2.0 if pair and row.cathode_connection == "shared" else 1.0),
        screen_resistor=row.screen_resistor or 0.0,
        common_screen_resistor=row.common_screen_resistor or 0.0,
        drive=drive_of(row) or 0.0,
    )


def law_of(constants: laws.Constants) -> Law:
    """Return a law for the solver; fields of ``constants`` are numbers or arrays that broadcast."""

    def law(anode: Array, grid: Array, screen: Array) -> tuple[Array, Array]:
        ma = laws.evaluate(constants, anode, grid, screen, 1.0, 1.0)
        ia = 1e-3 * np.asarray(ma.anode)
        return ia, np.zeros_like(ia) if ma.screen is None else 1e-3 * np.asarray(ma.screen)

    return law


def label_of(row: OutputRow) -> str:
    """Return a short label: topology, connection, voltages, bias and load."""
    connection = {"normal": "", "triode-connected": "triode-connected", "ultra-linear": f"tap {100 * row.tap:g} %"}
    voltage = f"supply {row.supply:g} V" if row.supply is not None else f"{row.anode_voltage:g} V"
    parts = [
        "pair" if row.topology == "PP" else "single",
        connection[row.connection],
        voltage,
        f"g2 {row.screen_voltage:g} V" if row.connection == "normal" and row.screen_voltage is not None else "",
        f"{row.grid_voltage:g} V" if row.grid_voltage is not None else f"{row.cathode_resistor:g} ohm",
        f"load {row.load:g} ohm",
    ]
    return ", ".join(part for part in parts if part)


class OutputRows:
    """Rows of output-stage tables, solved all together for a batch of constants."""

    def __init__(self, rows: Sequence[OutputRow], kind: str = "pentode") -> None:
        self.numbers: list[Number] = []
        self._index: list[int] = []
        self._total = np.array([is_total(row) for row in rows])
        self.stage = OutputStage.stack([stage_of(row) for row in rows])
        for index, row in enumerate(rows):
            for quantity in (
                "anode_current_zero",
                "screen_current_zero",
                "anode_current_max",
                "screen_current_max",
                "power",
                "distortion",
            ):
                published = getattr(row, quantity)
                if published is None or (row.drive is None and not quantity.endswith("zero")):
                    continue
                if quantity.startswith("screen") and (is_total(row) or kind == "triode"):
                    continue
                sigma = {
                    "anode_current_zero": 0.04,
                    "anode_current_max": 0.04,
                    "screen_current_zero": 0.15,
                    "screen_current_max": 0.15,
                    "power": 0.015,
                    "distortion": 0.24 + 0.06 * (row.distortion or 0.0),
                }[quantity]
                self.numbers.append(
                    Number(
                        f"outputs[{index}]",
                        label_of(row),
                        quantity,
                        published,
                        sigma,
                        "contradicts" if quantity in row.contradicts else row.use,
                        OUTPUT_WEIGHT[row.grade],
                        "points" if quantity == "distortion" else "log",
                    )
                )
                self._index.append(index)

    def predict(self, constants: laws.Constants) -> Array:
        """See :class:`~simwrap.fitting.rows.RowSet`."""
        # the first of the batch from scratch, the others (mostly its neighbours) from there: always the same result
        columns: dict[str, Any] = {f.name: np.reshape(getattr(constants, f.name), -1)[:1] for f in fields(constants)}
        first = type(constants)(**columns)
        found = solve_stage(law_of(reshaped(first, 3)), self.stage, phases=FIT_PHASES)
        if max(np.size(getattr(constants, field.name)) for field in fields(constants)) > 1:
            found = solve_stage(law_of(reshaped(constants, 3)), self.stage, phases=FIT_PHASES, start=found.state)
        screen = np.where(self._total, found.screen_current_zero_signal, 0.0)
        screen_max = np.where(self._total, found.screen_current, 0.0)
        values = {
            "anode_current_zero": found.anode_current_zero_signal + screen,
            "anode_current_max": found.anode_current + screen_max,
            "screen_current_zero": found.screen_current_zero_signal,
            "screen_current_max": found.screen_current,
            "power": found.output_power,
            "distortion": 100.0 * found.thd,
        }
        predicted = np.stack(
            [values[n.quantity][:, i] for n, i in zip(self.numbers, self._index, strict=True)], axis=-1
        )
        solved = np.stack([found.converged[:, i] for i in self._index], axis=-1)
        return np.asarray(np.where(solved, predicted, np.nan))
