"""Limits and goals as a builder states them: "gain 50 +/- 10 %", "anode dissipation < 80 %".

The grammar, and nothing else is read::

    statement = name relation
    relation  = ("<" | "<=" | ">" | ">=") amount      a bound
              | amount "+/-" amount                   a value, and how far from it each way
              | "+/-" amount                          how far from the nominal value
              | amount "to" amount                    a range
              | "is" word                             for a variable that holds words
    amount    = a number with an optional SI prefix and unit, or a percentage

A percentage after ``+/-`` is one of the value in front of it. After a bound it is a share of
the valve's rating, for a figure that has one. Names are those of :mod:`simwrap.measures.results`: a whole name
("bias.valves.v1.anode_current") or its tail ("v1.anode_current", "gain"); spaces count as underscores, and a
name without its valve ("anode_current") means that of every valve.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simwrap.errors import InputError, RangeError
from simwrap.measures.results import find_names
from simwrap.simulation.dataset import single_figures, unit_of
from simwrap.units import quantity

if TYPE_CHECKING:
    import xarray

FORMS = (
    '"gain 50 +/- 10 %", "gain +/- 10 %", "gain 45 to 55", "low_corner < 20 Hz" or "headroom.first_limit is cut-off"'
)
_NAME = r"(?P<name>[A-Za-z](?:[A-Za-z0-9_ ]|\.(?=[A-Za-z]))*?)"
_START = r"(?=[-+.0-9])"  # of an amount
_BOUND = re.compile(rf"{_NAME}\s*(?P<sign><=|>=|<|>)\s*(?P<end>[^<>=]+)")
_AROUND = re.compile(rf"{_NAME}(?:\s+{_START}(?P<centre>[^<>=]+?))?\s*(?:\+/-|±)\s*(?P<off>[^<>=±]+)")
_RANGE = re.compile(rf"{_NAME}\s+{_START}(?P<low>[^<>=]+?)\s+to\s+(?P<high>[^<>=]+)")
_WORD = re.compile(rf"{_NAME}\s+is\s+(?P<word>[A-Za-z][A-Za-z -]*)")
_PERCENT = re.compile(r"\s*([0-9]+\.?[0-9]*|\.[0-9]+)\s*%\s*")


@dataclass(frozen=True)
class Limit:
    """One limit on one variable.

    Attributes
    ----------
    text : str
        As it was stated.
    variable : str
        Name of the figure.
    low, high : float
        The range; infinite where it is open.
    strict : bool
        Whether the ends themselves are outside.
    centre : float
        The value asked for, NaN for a bound or a range.
    word : str
        The word asked for ("": none), for a variable that holds words.
    """

    text: str
    variable: str
    low: float = -math.inf
    high: float = math.inf
    strict: bool = False
    centre: float = math.nan
    word: str = ""

    def passes(self, values: NDArray[Any]) -> NDArray[np.bool_]:
        """Return which values keep the limit; NaN doesn't."""
        if self.word:
            return np.asarray(np.char.lower(values.astype(str)) == self.word.lower())
        with np.errstate(invalid="ignore"):
            inside = (
                (values > self.low) & (values < self.high)
                if self.strict
                else (values >= self.low) & (values <= self.high)
            )
        return np.asarray(inside)


@dataclass(frozen=True)
class Known:
    """What statements can be about: variables with one number (or word) a point.

    Attributes
    ----------
    units : mapping of str to str
        Unit by variable name; "word" for one that holds words.
    nominal : mapping of str to float
        Values of the nominal build, where they are known.
    where : str
        For errors.
    """

    units: Mapping[str, str]
    nominal: Mapping[str, float]
    where: str = ""

    def find(self, given: str) -> list[str]:
        """Return the figures that a name means: one, or the same one of every valve.

        Raises
        ------
        UnknownNameError, AmbiguousNameError
        """
        return find_names(given, self.units, kind="figure", where=self.where)


def parse_limits(limits: str | Iterable[str], known: Known) -> list[Limit]:
    """Read limits, given as texts or as one text with commas, semicolons or lines.

    Raises
    ------
    InputError
        For a statement that isn't of the grammar, or names an unknown variable, unit or word.
    """
    given = [limits] if isinstance(limits, str) else list(limits) if isinstance(limits, Iterable) else [""]
    if not all(isinstance(entry, str) for entry in given):
        raise RangeError("limits", limits, f"texts such as {FORMS}", known.where)
    texts = [text for entry in given for text in re.split(r"[,;\n]", entry) if text.strip()]
    found = [limit for text in texts for limit in parse_limit(text, known)]
    if not found:
        raise RangeError("limits", limits, f"at least one, such as {FORMS}", known.where)
    return found


def parse_limit(text: str, known: Known) -> list[Limit]:
    """Read one statement; several limits where it is about every valve.

    Raises
    ------
    InputError
    """
    shown = " ".join(text.split())
    match = next((m for form in (_AROUND, _BOUND, _RANGE, _WORD) if (m := form.fullmatch(text.strip()))), None)
    if match is None:
        raise RangeError("limit", text, f"one of the forms {FORMS}", known.where)
    return [_limit(shown, variable, match, known) for variable in known.find(match["name"])]


def _limit(text: str, variable: str, match: re.Match[str], known: Known) -> Limit:
    unit = known.units[variable]
    parts = match.groupdict()
    if (unit == "word") != ("word" in parts):
        wanted = f'"{variable} is ..."' if unit == "word" else "a number to compare it with"
        raise RangeError(f"limit on {variable}", text, wanted, known.where)
    if "word" in parts:
        return Limit(text, variable, word=" ".join(parts["word"].split()))
    if "sign" in parts:
        share = _PERCENT.fullmatch(parts["end"])
        if share and unit != "%":
            variable, end = _share_of_rating(text, variable, known), float(share[1])
        else:
            end = _amount(parts["end"], unit, variable)
        strict = len(parts["sign"]) == 1
        return (
            Limit(text, variable, high=end, strict=strict)
            if parts["sign"][0] == "<"
            else Limit(text, variable, low=end, strict=strict)
        )
    if "high" in parts:
        low, high = (_amount(parts[end], unit, variable) for end in ("low", "high"))
        if low > high:
            raise RangeError(f"limit on {variable}", text, "the lower end first", known.where)
        return Limit(text, variable, low, high)
    if parts["centre"] is None:
        centre = known.nominal.get(variable, math.nan)
        if math.isnan(centre):
            raise RangeError(
                f"limit on {variable}",
                text,
                "a value in front of the tolerance: its nominal one is not known",
                known.where,
            )
    else:
        centre = _amount(parts["centre"], unit, variable)
    share = _PERCENT.fullmatch(parts["off"])
    off = abs(centre) * float(share[1]) / 100.0 if share and unit != "%" else _amount(parts["off"], unit, variable)
    if off < 0:
        raise RangeError(f"limit on {variable}", text, "a tolerance that isn't below zero", known.where)
    return Limit(text, variable, centre - off, centre + off, centre=centre)


def _share_of_rating(text: str, variable: str, known: Known) -> str:
    share = f"{variable}_share"
    if share not in known.units:
        raise RangeError(
            f"limit on {variable}",
            text,
            f"a value in {known.units[variable] or 'plain numbers'}: it has no rating to be a share of",
            known.where,
        )
    return share


def _amount(text: str, unit: str, variable: str) -> float:
    """Read an amount in the variable's unit."""
    if unit in quantity.UNITS:
        return quantity.parse(text, unit, parameter=variable)
    return quantity.parse(text.strip().removesuffix(unit).rstrip(), "", parameter=variable)


def known_of(data: xarray.Dataset, where: str = "") -> Known:
    """Return what limits on a Dataset of :func:`simwrap.spread` or a sweep can be about.

    Raises
    ------
    InputError
        If it is no such Dataset; ``where`` is who asked.
    """
    if not hasattr(data, "data_vars") or "outcome" not in data:
        raise InputError(f"{where or 'limits'}: takes the Dataset of a sweep or of spread")
    units = {name: "word" if data[name].dtype.kind in "US" else unit_of(data[name]) for name in single_figures(data)}
    nominal = {
        name: float(data.attrs[f"nominal.{name}"])
        for name in units
        if f"nominal.{name}" in data.attrs and units[name] != "word"
    }
    return Known(units, nominal, str(data.attrs.get("stage", "")))
