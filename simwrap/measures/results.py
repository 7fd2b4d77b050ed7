"""One name for every figure: its path, ``<measure>.<path>``, such as ``bias.valves.v1.anode_current``.

The same name is the attribute path on a Measurement, the nesting in JSON, the variable in a Dataset, and what
limits and goals are about; axes of curves likewise (``response.frequency``). This module is the only place
that makes such a name, takes it apart, or looks up what a user wrote.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Mapping

from simwrap.errors import AmbiguousNameError, UnknownNameError
from simwrap.measures.requests import Result, Variable

#: Group of a measure's figures that has one entry a valve: ``<measure>.valves.<instance>.<figure>``.
VALVES = "valves"


def full_name(measure: str, path: str) -> str:
    """Return the name of a measure's figure or axis."""
    return f"{measure}.{path}"


def split_name(name: str) -> tuple[str, str]:
    """Return the measure and the path within it, the reverse of :func:`full_name`."""
    measure, _, path = name.partition(".")
    return measure, path


def labelled(results: Mapping[str, Result]) -> dict[str, Variable]:
    """Return every figure and curve by name; names of axes stand in its ``dims``, after the point axis."""
    return {
        full_name(measure, path): dataclasses.replace(
            variable, dims=tuple(full_name(measure, dim) for dim in variable.dims)
        )
        for measure, result in results.items()
        for path, variable in result.variables.items()
    }


def axes_of(results: Mapping[str, Result]) -> dict[str, Variable]:
    """Return every axis by name; its values have no point axis."""
    return {
        full_name(measure, dim): variable
        for measure, result in results.items()
        for dim, variable in result.coords.items()
    }


def of_any_valve(name: str) -> str:
    """Return a name without the valve that it is of: ``bias.anode_current``; other names as they are."""
    measure, path = split_name(name)
    group, _, rest = path.partition(".")
    # A valve of a joined circuit has a dot in its name: the figure is what follows the last one.
    return full_name(measure, rest.rpartition(".")[2]) if group == VALVES and rest else name


def find_names(given: str, names: Iterable[str], *, kind: str = "figure", where: str = "") -> list[str]:
    """Return the names that a text means: one, or the same figure of every valve.

    Parameters
    ----------
    given : str
        A name, or its tail as far as that is unambiguous ("gain", "v1.anode_current"), in any case, with spaces
        for underscores. Without the valve ("anode_current", "bias.anode_current") it means every valve's.
        Where a measure has a figure both by itself and in groups ("output_power"), the one by itself is meant.
    names : iterable of str
        What there is.
    kind, where : str
        For errors.

    Raises
    ------
    AmbiguousNameError, UnknownNameError
    """
    names = list(names)
    wanted = re.sub(r"\s+", "_", str(given).strip()).casefold()
    exact = [name for name in names if name.casefold() == wanted]
    if exact:
        return exact
    tail = f".{wanted}"
    meant = [
        name for name in names if name.casefold().endswith(tail) or f".{of_any_valve(name)}".casefold().endswith(tail)
    ]
    if len({split_name(name)[0] for name in meant}) == 1:
        depth = min(name.count(".") for name in meant)
        nearest = [name for name in meant if name.count(".") == depth]
        if len(nearest) == 1:
            return nearest
        if len({of_any_valve(name) for name in meant}) == 1:
            return meant
    if meant:
        raise AmbiguousNameError(kind, given, meant, where)
    tails = {name.split(".", cut)[-1] for name in names for cut in range(name.count(".") + 1)}
    raise UnknownNameError(kind, given, tails, where)


def find_name(given: str, names: Iterable[str], *, kind: str = "figure", where: str = "") -> str:
    """Return the one name that a text means; for the rest see :func:`find_names`.

    Raises
    ------
    AmbiguousNameError
        Also where it is the figure of several valves.
    """
    first, *others = find_names(given, names, kind=kind, where=where)
    if others:
        raise AmbiguousNameError(kind, given, [first, *others], where)
    return first
