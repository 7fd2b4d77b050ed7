"""Valves: published data, fitted laws, and their netlist form.

Constants come from :mod:`simwrap.fitting`, pictures of curves from :mod:`simwrap.plots.valve_curves`.
"""

from __future__ import annotations

from simwrap.valves.curves import operating_point
from simwrap.valves.datasheet import facts, unit_of_quantity, verdict
from simwrap.valves.library import designation, get_valve, models_folder, valve_file, valve_names
from simwrap.valves.valve import Currents, SmallSignal, Valve

__all__ = [
    "Currents",
    "SmallSignal",
    "Valve",
    "designation",
    "facts",
    "get_valve",
    "models_folder",
    "operating_point",
    "unit_of_quantity",
    "valve_file",
    "valve_names",
    "verdict",
]
