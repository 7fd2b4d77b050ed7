"""The labelled Dataset: how the figures of measures lie in an xarray.Dataset, of one point or of a sweep.

Variables and axes have the names of :mod:`simwrap.measures.results`. ``units`` are as xarray and CF have
them: "1" for a ratio, none for words. ``outcome`` says what became of a point and ``status`` why it failed;
``warnings`` says what was noticed, ``findings`` is the same as data, a JSON text that
:func:`simwrap.findings.finding.from_json` reads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simwrap.findings.finding import Finding, to_json
from simwrap.findings.status import Status, status_of
from simwrap.measures.results import full_name
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

    from simwrap.circuits.circuit import Circuit
    from simwrap.circuits.stage import Stage
    from simwrap.measures.requests import Result, Variable

#: Start of the attributes that hold the values which aren't swept, and the conditions of measures.
VALUE, CONDITION = "value.", "condition."
#: Variables that belong to points and are no figures.
NOTES = {
    "outcome": "what became of a point",
    "status": "why a point failed, empty where it didn't",
    "warnings": "ratings exceeded or near, and what else was noticed",
    "findings": "what was noticed, as JSON",
}


@dataclass(frozen=True)
class PointAxes:
    """How points are laid out in a Dataset; as it stands, a single point without an axis.

    Attributes
    ----------
    dims : tuple of str
        Names of the points' axes.
    shape : tuple of int
    coords : mapping of str to tuple
        What xarray takes: (dims, values, attributes).
    """

    dims: tuple[str, ...] = ()
    shape: tuple[int, ...] = ()
    coords: Mapping[str, Any] = field(default_factory=dict)


def make_dataset(
    figures: Mapping[str, Variable],
    axes: Mapping[str, Variable],
    *,
    layout: PointAxes = PointAxes(),
    reasons: Sequence[str] = ("",),
    findings: Sequence[Sequence[Finding]] = ((),),
    attrs: Mapping[str, Any],
) -> xarray.Dataset:
    """Lay figures out along points.

    Parameters
    ----------
    figures : mapping of str to Variable
        By name; the first axis of the values is the point.
    axes : mapping of str to Variable
        By name; without a point axis.
    layout : PointAxes
    reasons : sequence of str, one a point
    findings : sequence of sequence of Finding, one a point
    attrs : mapping
        Of the Dataset.
    """
    import xarray

    dims, shape = layout.dims, layout.shape
    data: dict[str, Any] = {}
    for name, figure in figures.items():
        values = np.asarray(figure.values)
        values = values.astype(str) if values.dtype == object else values
        data[name] = ((*dims, *figure.dims), values.reshape((*shape, *values.shape[1:])), labels_of(figure))
    coords = {name: ((name,), np.asarray(axis.values), labels_of(axis)) for name, axis in axes.items()}
    notes = {
        "outcome": [status_of(reason).value for reason in reasons],
        "status": reasons,
        "warnings": [" ".join(finding.text for finding in found) for found in findings],
        "findings": [to_json(found) for found in findings],
    }
    for name, words in NOTES.items():
        texts = np.array([str(text) for text in notes[name]], dtype=str)
        data[name] = (dims, texts.reshape(shape), {"long_name": words})
    return xarray.Dataset(data, coords={**coords, **layout.coords}, attrs=dict(attrs))


def labels_of(variable: Variable) -> dict[str, str]:
    """Return the attributes of a variable: its words and, of a number, its unit."""
    words = {"long_name": variable.long_name}
    return words if np.asarray(variable.values).dtype.kind in "OUS" else {"units": variable.unit or "1"} | words


def unit_of(variable: Any) -> str:
    """Return the unit of a Dataset's variable as simwrap writes it: "" for a ratio, or for words."""
    unit = str(variable.attrs.get("units", ""))
    return "" if unit == "1" else unit


def about(stage: Stage | Circuit, results: Mapping[str, Result], swept: Sequence[str] = ()) -> dict[str, Any]:
    """Return the attributes that say what was measured, with which values, under which conditions."""
    conditions = {
        full_name(measure, name): value if isinstance(value, str) else f"{value} {unit}".strip()
        for measure, result in results.items()
        for name, (value, unit) in result.conditions.items()
        if np.ndim(value) == 0
    }
    return {
        "stage": stage.name,
        **{f"{VALUE}{name}": value for name, value in stage.values.items() if name not in swept},
        **{f"{CONDITION}{name}": text for name, text in conditions.items()},
    }


def conditions_of(data: xarray.Dataset, measure: str) -> dict[str, str]:
    """Return what a measure was taken under, by name, as text with its unit."""
    start = f"{CONDITION}{measure}."
    return {
        str(key).removeprefix(start): stated(str(text))
        for key, text in data.attrs.items()
        if str(key).startswith(start)
    }


def stated(text: str) -> str:
    """Return "1000.0 Hz" as people write it, "1 kHz"; words as they are."""
    number, _, unit = text.partition(" ")
    if unit.partition(" ")[0] not in quantity.UNITS:  # "1e-05 of the fundamental"
        return text
    try:
        return quantity.render(float(number), unit)
    except ValueError:
        return text


def done(data: xarray.Dataset) -> NDArray[np.bool_]:
    """Return where a point was measured, in the shape of the points: what its ``outcome`` says, never its words."""
    return np.asarray(data["outcome"].values == Status.DONE.value)


def point_dims(data: xarray.Dataset) -> list[str]:
    """Return the dims of the swept parameters (not those of curves)."""
    return [str(dim) for dim in data.variables["status"].dims]


def single_figures(data: xarray.Dataset) -> list[str]:
    """Return the names of figures with one number or word a point."""
    dims, beside = set(point_dims(data)), {*data.coords, *NOTES}
    # Plain variables: to make a DataArray of each takes longer than a small run.
    return [str(name) for name, v in data.variables.items() if name not in beside and set(v.dims) == dims]
