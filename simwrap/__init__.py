"""simwrap: from the values of a valve audio circuit to the numbers a builder can trust.

The public names are loaded when they are first used, so that ``import simwrap`` is quick:

- :func:`stage`, :func:`measure`, :func:`sweep`: make a stage, measure it, sweep its values
- :func:`spread`, :func:`worst_case`, :func:`yield_of`, :func:`rank_parts`, :func:`sobol_indices`:
  what the tolerance of parts and valves does
- :func:`choose`: values from a series so that goals are met
- :func:`sliders`: a picture that follows the values, in a notebook
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
    from simwrap.ranking import rank_parts, sobol_indices
    from simwrap.stages import Stage, stage, stage_names
    from simwrap.sweeping import sweep
    from simwrap.targets import choose
    from simwrap.tolerance import spread, worst_case, yield_of
    from simwrap.valves import get_valve as valve
    from simwrap.valves import valve_names
    from simwrap.widgets import sliders

__version__ = "0.1.0"

_PUBLIC = {
    "EngineError": "errors",
    "InputError": "errors",
    "SimwrapError": "errors",
    "Measurement": "measurement",
    "choose": "targets",
    "measure": "measurement",
    "measure_names": "measurement",
    "plot": "plots",
    "rank_parts": "ranking",
    "sliders": "widgets",
    "sobol_indices": "ranking",
    "spread": "tolerance",
    "Stage": "stages",
    "stage": "stages",
    "stage_names": "stages",
    "sweep": "sweeping",
    "valve": "valves:get_valve",
    "valve_names": "valves",
    "worst_case": "tolerance",
    "yield_of": "tolerance",
}

__all__ = [
    "EngineError",
    "InputError",
    "Measurement",
    "SimwrapError",
    "Stage",
    "choose",
    "measure",
    "measure_names",
    "plot",
    "rank_parts",
    "sliders",
    "sobol_indices",
    "spread",
    "stage",
    "stage_names",
    "sweep",
    "valve",
    "valve_names",
    "worst_case",
    "yield_of",
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
