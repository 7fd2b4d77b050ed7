"""Valves: published data, fitted laws, and their netlist form."""

from __future__ import annotations

from simwrap.valves.library import get_valve, models_folder, valve_file, valve_names
from simwrap.valves.valve import Currents, SmallSignal, Valve

__all__ = [
    "Currents",
    "SmallSignal",
    "Valve",
    "get_valve",
    "models_folder",
    "valve_file",
    "valve_names",
]
