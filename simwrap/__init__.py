"""simwrap: from the values of a valve audio circuit to the numbers a builder can trust.

The public names are loaded when they are first used, so that ``import simwrap`` is quick:

- :func:`stage`, :func:`measure`, :func:`sweep`: make a stage, measure it, sweep its values
- :func:`circuit`, :func:`read_design`: join stages; all that takes a stage takes a circuit
- :class:`Run`: engine, time limit, workers and progress for several calls, ``measure(..., run=...)``
- :func:`simulate`: voltages and currents at chosen nodes
- :class:`Tolerances`, :func:`spread`, :func:`worst_case`, :func:`yield_of`, :func:`rank_parts`, :func:`sobol_indices`:
  what the tolerance of parts and valves does
- :func:`choose`: values from a series so that goals are met
- :func:`new`, :func:`check`, :func:`sheet`, :func:`guard`, :func:`fault_finder`, :func:`match`: a whole amplifier,
  and its bench
- :func:`write_sweep`, :class:`SweptSine`, :func:`recording`: a sweep to play, and what its recording says
- :func:`sliders`: a picture that follows the values, in a notebook
- :func:`valve`, :func:`stage_names`, :func:`valve_names`, :func:`measure_names`
- :func:`plot`: draw what was measured
- :class:`SimwrapError` and :class:`InputError`: what goes wrong on purpose
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

import simwrap.forking  # noqa: F401  # before any thread imports the others

if TYPE_CHECKING:
    from simwrap.circuits.circuit import Circuit, circuit
    from simwrap.circuits.design_file import read_design
    from simwrap.circuits.library import stage_names
    from simwrap.circuits.stage import Stage, stage
    from simwrap.design.sensitivity import rank_parts, sobol_indices
    from simwrap.design.tolerance import Tolerances, spread
    from simwrap.design.worst_case import worst_case
    from simwrap.design.yields import yield_of
    from simwrap.doors import check, choose, fault_finder, guard, match, new, sheet
    from simwrap.engine.options import Run
    from simwrap.errors import EngineError, InputError, SimwrapError
    from simwrap.fault_finding.recording import SweptSine, recording, write_sweep
    from simwrap.notebook.sliders import sliders
    from simwrap.plots import plot
    from simwrap.simulation.measurement import Measurement, measure, measure_names
    from simwrap.simulation.simulate import simulate
    from simwrap.simulation.sweep import sweep
    from simwrap.valves import get_valve as valve
    from simwrap.valves import valve_names

__version__ = "0.2.0"

#: Module of each public name (":" where it has another name there), as the imports above have it for type checkers.
_PUBLIC = {
    "Circuit": "circuits.circuit",
    "EngineError": "errors",
    "InputError": "errors",
    "Measurement": "simulation.measurement",
    "Run": "engine.options",
    "SimwrapError": "errors",
    "Stage": "circuits.stage",
    "SweptSine": "fault_finding.recording",
    "Tolerances": "design.tolerance",
    "check": "doors",
    "choose": "doors",
    "circuit": "circuits.circuit",
    "fault_finder": "doors",
    "guard": "doors",
    "match": "doors",
    "measure": "simulation.measurement",
    "measure_names": "simulation.measurement",
    "new": "doors",
    "plot": "plots",
    "rank_parts": "design.sensitivity",
    "read_design": "circuits.design_file",
    "recording": "fault_finding.recording",
    "sheet": "doors",
    "simulate": "simulation.simulate",
    "sliders": "notebook.sliders",
    "sobol_indices": "design.sensitivity",
    "spread": "design.tolerance",
    "stage": "circuits.stage",
    "stage_names": "circuits.library",
    "sweep": "simulation.sweep",
    "valve": "valves:get_valve",
    "valve_names": "valves",
    "worst_case": "design.worst_case",
    "write_sweep": "fault_finding.recording",
    "yield_of": "design.yields",
}

__all__ = [
    "Circuit",
    "EngineError",
    "InputError",
    "Measurement",
    "Run",
    "SimwrapError",
    "Stage",
    "SweptSine",
    "Tolerances",
    "check",
    "choose",
    "circuit",
    "fault_finder",
    "guard",
    "match",
    "measure",
    "measure_names",
    "new",
    "plot",
    "rank_parts",
    "read_design",
    "recording",
    "sheet",
    "simulate",
    "sliders",
    "sobol_indices",
    "spread",
    "stage",
    "stage_names",
    "sweep",
    "valve",
    "valve_names",
    "worst_case",
    "write_sweep",
    "yield_of",
]


def __dir__() -> list[str]:
    return [*__all__, "__version__"]


if not TYPE_CHECKING:  # a type checker that saw this would take any name, mistyped ones too

    def __getattr__(name: str) -> Any:
        if name not in _PUBLIC:
            raise AttributeError(f"module 'simwrap' has no attribute {name!r}")
        module, _, attribute = _PUBLIC[name].partition(":")
        found = getattr(import_module(f"simwrap.{module}"), attribute or name)
        globals()[name] = found
        return found
