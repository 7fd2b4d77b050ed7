"""What is measured as JSON: plain values under the names that figures have everywhere.

A measurement is one object::

    schema       version of this description
    stage        what was measured
    values       its values by parameter, SI units
    engine       the simulator
    warnings     list of sentences
    findings     list of the same as data
    provenance   engine and its version, hash of the netlist, version of simwrap
    <measure>    one object a measure; a figure's name is its path in it ("response" then "gain")
    infinite     names of the figures and curves that hold an infinite value
    conditions   by measure: what it was measured under, each with its value and unit

A sweep is one object::

    schema       version of this description
    attrs        stage, values that weren't swept ("value.<name>"), conditions, provenance
    coords       by name of a swept parameter or of a curve's axis: dims, units, values
    variables    by name of a figure or curve, and "outcome", "status" and "warnings": dims, units, values
    findings     a list of findings a point, the last axis of the points running fastest

A finding is one object of ``severity`` ("danger", "over", "near", "note"), ``mark``, ``code``, ``must_not_be_built``,
``subject``, ``quantity``, ``value``, ``limit``, ``unit``, ``state``, ``details`` and ``text``.
:mod:`simwrap.findings.codes` lists the codes.

Null is a number that isn't finite. What has no number at all is "" among words.

What there is, as `simwrap list` has it, is one object: ``schema``, and ``stages``, ``valves``, ``components`` or
``measures``, a list of objects. What one of them is, as `simwrap show` has it, is one object; numbers are in the unit
beside them, those of valves and components in SI units (V, A, W, ohm, F, S, Hz)::

    stage        its name, and summary, description, references, measures, ports, joins
    parameters   by name: label, symbol, unit, value, default, minimum, maximum, below, choices, kinds

    measure      its name, and summary
    options      by name: unit, type ("float", "int", "bool", "str" or "tuple"), default, above, least, most, zero,
                 choices

    valve        its name, and kind, kinds, designations, summary, verdict, trust
    ratings, capacitances, noise, leakage, heater, base, windows, sources
                 as the valve's file has them
    conditions   published operating conditions by their short names, as the valve's file has them
    published    the numbers that the model is held to: row, label, quantity, unit, published, model, error, use

    component    its name, and kind, designations, summary, note
    printed, limits, strays, modulation, sources
                 as the component's file has them
    constants    of its law, computed from what is printed
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from simwrap.findings.finding import from_json
from simwrap.report.json import plain
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

    from simwrap.circuits.circuit import Circuit
    from simwrap.circuits.header import Parameter
    from simwrap.circuits.template import Template
    from simwrap.components import Component
    from simwrap.measures.registry import Measure
    from simwrap.valves import Valve

#: Version of what this module writes; it rises when a key changes its name or meaning.
SCHEMA = 1


def dataset_json(data: xarray.Dataset) -> dict[str, Any]:
    """Return the Dataset of a sweep as this module describes it."""

    def labelled(variables: Mapping[Any, Any]) -> dict[str, Any]:
        return {
            str(name): {"dims": list(v.dims), "units": v.attrs.get("units", ""), "values": plain(v.values)}
            for name, v in variables.items()
        }

    return {
        "schema": SCHEMA,
        "attrs": plain(dict(data.attrs)),
        "coords": labelled(data.coords),
        "variables": labelled(data.drop_vars("findings", errors="ignore").data_vars),
        "findings": [
            [finding.to_dict() for finding in from_json(str(text))] for text in data["findings"].values.ravel()
        ]
        if "findings" in data
        else [],
    }


def stages_json(found: Iterable[Template]) -> dict[str, Any]:
    """Return a list of stages."""
    listed = [
        {"stage": each.name, "summary": each.summary, "measures": list(each.measures), "ports": list(each.header.ports)}
        for each in found
    ]
    return {"schema": SCHEMA, "stages": listed}


def valves_json(found: Iterable[Valve]) -> dict[str, Any]:
    """Return a list of valves."""
    listed = [
        {
            "valve": each.name,
            "kinds": list(each.kinds),
            "designations": list(each.designations),
            "summary": each.summary,
        }
        for each in found
    ]
    return {"schema": SCHEMA, "valves": listed}


def components_json(found: Iterable[Component]) -> dict[str, Any]:
    """Return a list of components."""
    listed = [
        {"component": each.name, "kind": each.kind, "designations": list(each.record.designations),
         "summary": each.record.summary}
        for each in found
    ]  # fmt: skip
    return {"schema": SCHEMA, "components": listed}


def component_json(found: Component) -> dict[str, Any]:
    """Return what is known about a component."""
    told = {"schema": SCHEMA, "component": found.name, **_fields(found.record), "constants": _fields(found.law)}
    return dict(plain({key: value for key, value in told.items() if key != "name"}))


def measures_json(found: Iterable[Measure]) -> dict[str, Any]:
    """Return a list of measures."""
    listed = [{key: value for key, value in measure_json(each).items() if key != "schema"} for each in found]
    return {"schema": SCHEMA, "measures": listed}


def circuit_json(made: Circuit, ports: Sequence[Mapping[str, str]]) -> dict[str, Any]:
    """Return what a stage, or a circuit of several, is; ``ports`` as they are listed for people."""
    alone = made.stages.get("")
    return {
        "schema": SCHEMA,
        "stage": made.name,
        "summary": made.summary,
        "description": alone.template.description.strip() if alone is not None else "",
        "references": [text for each in made.templates for text in each.references],
        "measures": list(made.measures),
        "ports": [dict(port) for port in ports],
        "joins": [str(join) for join in made.joins],
        "parameters": {
            name: _parameter_json(parameter, made.values[name]) for name, parameter in made.parameters.items()
        },
    }


def _parameter_json(parameter: Parameter, value: Any) -> dict[str, Any]:
    default = parameter.default
    if parameter.numeric:
        default = quantity.parse(default, parameter.unit)
    told = {
        key: plain(getattr(parameter, key))
        for key in ("label", "symbol", "unit", "minimum", "maximum", "below", "choices", "kinds")
    }
    return {**told, "value": plain(value), "default": plain(default)}


def measure_json(entry: Measure) -> dict[str, Any]:
    """Return what a measure is, and its options."""
    options = {
        key: {
            "unit": option.rule.unit,
            "type": option.kind.__name__,
            "default": plain(option.default),
            **{part: plain(getattr(option.rule, part)) for part in ("above", "least", "most", "zero", "choices")},
        }
        for key, option in entry.options.items()
    }
    return {"schema": SCHEMA, "measure": entry.name, "summary": entry.summary, "options": options}


def valve_json(valve: Valve) -> dict[str, Any]:
    """Return what is known about a valve."""
    from simwrap.valves import unit_of_quantity, verdict
    from simwrap.valves.conditions import conditions

    parts = ("ratings", "capacitances", "noise", "leakage", "heater", "base", "windows")
    published = [
        {key: entry[key] for key in ("row", "label", "quantity", "published", "error", "use")}
        | {"unit": unit_of_quantity(entry["quantity"]), "model": entry["law"]}
        for entry in valve.fitted.errors
    ]
    told = {
        "schema": SCHEMA,
        "valve": valve.name,
        "kind": valve.kind,
        "kinds": list(valve.kinds),
        "designations": list(valve.designations),
        "summary": valve.summary,
        "verdict": verdict(valve),
        "trust": valve.trust,
        **{part: _fields(getattr(valve, part)) for part in parts},
        "sources": dict(valve.sources),
        "conditions": {name: _fields(row) for name, row in conditions(valve).items()},
        "published": published,
    }
    return dict(plain(told))


def _fields(given: Any) -> Any:
    """Return dataclasses as mappings."""
    if isinstance(given, tuple):
        return [_fields(entry) for entry in given]
    if not dataclasses.is_dataclass(given):
        return dict(given) if isinstance(given, Mapping) else given
    return {entry.name: _fields(getattr(given, entry.name)) for entry in dataclasses.fields(given)}
