"""simwrap: from the values of a valve audio circuit to the numbers a builder can trust.

The public names are loaded when they are first used, so that ``import simwrap`` is quick:

- :func:`stage`, :func:`measure`, :func:`sweep`: make a stage, measure it, sweep its values
- :func:`valve`, :func:`stage_names`, :func:`valve_names`, :func:`measure_names`
- :func:`plot`: draw what was measured
- :class:`SimwrapError` and :class:`InputError`: what goes wrong on purpose
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simwrap.errors import EngineError, InputError, SimwrapError
    from simwrap.measurement import Measurement, measure, measure_names
    from simwrap.plots import plot
    from simwrap.stages import Stage, stage, stage_names
    from simwrap.sweeping import sweep
    from simwrap.valves import get_valve as valve
    from simwrap.valves import valve_names

__version__ = "0.1.0"

_PUBLIC = {
    "EngineError": "errors",
    "InputError": "errors",
    "SimwrapError": "errors",
    "Measurement": "measurement",
    "measure": "measurement",
    "measure_names": "measurement",
    "plot": "plots",
    "Stage": "stages",
    "stage": "stages",
    "stage_names": "stages",
    "sweep": "sweeping",
    "valve": "valves:get_valve",
    "valve_names": "valves",
}

__all__ = [
    "EngineError",
    "InputError",
    "Measurement",
    "SimwrapError",
    "Stage",
    "measure",
    "measure_names",
    "plot",
    "stage",
    "stage_names",
    "sweep",
    "valve",
    "valve_names",
]


def __getattr__(name: str) -> Any:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'simwrap' has no attribute {name!r}")
    module, _, attribute = _PUBLIC[name].partition(":")
    found = getattr(import_module(f"simwrap.{module}"), attribute or name)
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted([*globals(), *_PUBLIC])
