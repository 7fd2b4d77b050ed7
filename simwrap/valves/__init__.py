"""Valves: published data, fitted laws, and their netlist form.

Fitting and drawing are loaded when they are first asked for.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simwrap.valves.library import designation, get_valve, models_folder, valve_file, valve_names
from simwrap.valves.valve import Currents, SmallSignal, Valve

if TYPE_CHECKING:
    from simwrap.fitting.datasheet import facts, fit_tables, unit_of_quantity, verdict
    from simwrap.fitting.write_file import fit_file
    from simwrap.plots.valve_curves import contact_sheet, curves_figure, fit_figure
    from simwrap.valves.curves import operating_point

_LATER = {
    "contact_sheet": "simwrap.plots.valve_curves",
    "curves_figure": "simwrap.plots.valve_curves",
    "facts": "simwrap.fitting.datasheet",
    "fit_figure": "simwrap.plots.valve_curves",
    "fit_file": "simwrap.fitting.write_file",
    "fit_tables": "simwrap.fitting.datasheet",
    "operating_point": "simwrap.valves.curves",
    "unit_of_quantity": "simwrap.fitting.datasheet",
    "verdict": "simwrap.fitting.datasheet",
}

__all__ = [
    "Currents",
    "SmallSignal",
    "Valve",
    "contact_sheet",
    "curves_figure",
    "designation",
    "facts",
    "fit_figure",
    "fit_file",
    "fit_tables",
    "get_valve",
    "models_folder",
    "operating_point",
    "unit_of_quantity",
    "valve_file",
    "valve_names",
    "verdict",
]


def __getattr__(name: str) -> Any:
    if name in _LATER:
        from importlib import import_module

        return getattr(import_module(_LATER[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
