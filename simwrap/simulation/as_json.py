"""What is measured as JSON: plain values under the names that figures have everywhere.

A measurement is one object::

    schema       version of this description
    stage        what was measured
    values       its values by parameter, SI units
    engine       the simulator
    warnings     list of sentences
    provenance   engine and its version, hash of the netlist, version of simwrap
    <measure>    one object a measure; a figure's name is its path in it ("response" then "gain")
    infinite     names of the figures and curves that hold an infinite value
    conditions   by measure: what it was measured under, each with its value and unit

A sweep is one object::

    schema       version of this description
    attrs        stage, values that weren't swept ("value.<name>"), conditions, provenance
    coords       by name of a swept parameter or of a curve's axis: dims, units, values
    variables    by name of a figure or curve, and "status" and "warnings": dims, units, values

Null is a number that isn't finite. What has no number at all is "" among words.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import xarray

    from simwrap.simulation.measurement import Measurement

#: Version of what this module writes; it rises when a key changes its name or meaning.
SCHEMA = 1


def plain(value: Any) -> Any:
    """Return numpy values as JSON has them: NaN and infinity become None."""
    if isinstance(value, Mapping):
        return {key: plain(entry) for key, entry in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(entry) for entry in value.tolist()] if value.ndim else plain(value.item())
    if isinstance(value, list | tuple):
        return [plain(entry) for entry in value]
    if isinstance(value, complex):
        return [plain(value.real), plain(value.imag)]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    return value


def measurement_json(found: Measurement) -> dict[str, Any]:
    """Return a measurement as this module describes it."""
    return {
        "schema": SCHEMA,
        "stage": found.stage.name,
        "values": plain(dict(found.stage.values)),
        "engine": found.engine,
        "warnings": list(found.warnings),
        "provenance": dict(found.provenance),
        **{measure: found[measure].to_dict() for measure in found},
        "infinite": [name for name, figure in found.figures.items() if _holds_infinity(np.asarray(figure.values))],
        "conditions": {
            measure: {name: {"value": plain(value), "unit": unit} for name, (value, unit) in result.conditions.items()}
            for measure, result in found.results.items()
        },
    }


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
        "variables": labelled(data.data_vars),
    }


def _holds_infinity(values: Any) -> bool:
    return values.dtype.kind in "fc" and bool(np.isinf(values).any())
