"""Components: semiconductors and gas stabilisers, from what their sheets print to netlist lines and limits."""

from __future__ import annotations

from simwrap.components.component import Component
from simwrap.components.datasheet import facts
from simwrap.components.library import component_names, get_component

__all__ = ["Component", "component_names", "facts", "get_component"]
