"""Goals for a search: what is wanted of a variable, and how far a value is from it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simwrap.design.limits import Known, Limit, parse_limit
from simwrap.errors import InputError, RangeError
from simwrap.units import quantity

Floats = NDArray[np.float64]

#: A value counts as met within this share of it, or so many decibels or degrees.
USUAL_TOLERANCE = 0.05
USUAL_STEPS = {"dB": 0.5, "degree": 5.0}
#: Unit of a figure that is "yes" or "no", 1 or 0.
YES_NO = "yes/no"
#: Weight of "least" and "most" against goals that have a value.
EXTREME_WEIGHT = 0.3
#: What a failed point misses each goal by, in tolerances.
_FAILED = 1e3
_SMALLEST_RATIO = 0.05
#: A bound counts as reached this much inside of it, so that a search that leans on it ends where it is kept.
INSIDE = 2e-3


#: What a goal that states bounds has in it, as a builder writes it.
_BOUNDS = ("<", ">", "±", "+/-", " to ")


@dataclass(frozen=True)
class Goal:
    """One goal on one variable.

    Attributes
    ----------
    variable : str
        Name of the figure.
    unit : str
    text : str
        In words.
    limit : Limit or None
        What is asked for; None for "least" and "most".
    extreme : str
        "least", "most" or "".
    scale : float
        For an extreme: the nominal value.
    """

    variable: str
    unit: str
    text: str
    limit: Limit | None = None
    extreme: str = ""
    scale: float = 1.0

    def misses(self, values: Floats) -> Floats:
        """Return how far values are from the goal, in tolerances; at most 1 (either way) is met.

        A bound or range gives 0 where it is kept with a hair to spare.
        """
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            if self.extreme:
                share = np.abs(values) / self.scale
                missed = EXTREME_WEIGHT * (share if self.extreme == "least" else 1.0 / np.maximum(share, 1e-9))
            else:
                assert self.limit is not None
                low, high, centre = self.limit.low, self.limit.high, self.limit.centre
                if math.isfinite(centre):
                    end = high if math.isfinite(high) else low
                    missed = self._apart(values, centre) / max(abs(float(self._apart(np.array(end), centre))), 1e-12)
                else:
                    over = self._apart(values, high) if math.isfinite(high) else np.full_like(values, -np.inf)
                    under = self._apart(values, low) if math.isfinite(low) else np.full_like(values, np.inf)
                    wide = abs(float(self._apart(np.array(high), low))) if math.isfinite(high - low) else math.inf
                    hair = min(INSIDE, 0.25 * wide)
                    missed = np.where(over > -hair, over + hair, np.where(under < hair, under - hair, 0.0))
                    missed = missed / USUAL_TOLERANCE
        return np.where(np.isfinite(missed), missed, _FAILED)

    def _apart(self, values: Floats, target: float) -> Floats:
        """Return a relative distance: a logarithm of the ratio, straight near and below zero."""
        if self.unit in USUAL_STEPS or target == 0:
            return (values - target) / (USUAL_STEPS.get(self.unit, 1.0) / USUAL_TOLERANCE)
        ratio = values / target
        floor = _SMALLEST_RATIO
        apart = np.where(ratio > floor, np.log(np.maximum(ratio, floor)), math.log(floor) + (ratio - floor) / floor)
        return apart * math.copysign(1.0, target)

    def kept(self, values: Floats) -> NDArray[np.bool_]:
        """Return which values keep the goal; an extreme has none to keep, but has to have a value."""
        return np.isfinite(values) if self.limit is None else self.limit.passes(values)

    def met(self, value: float) -> bool:
        """Whether a value keeps the goal."""
        return bool(self.kept(np.array([value]))[0])

    def shown(self, value: float) -> str:
        """Return a value of the figure in words."""
        return quantity.render(value, self.unit) if self.unit != YES_NO else "yes" if value == 1.0 else "no"

    def departure(self, value: float) -> str:
        """Say by how much a value misses the goal ("" where it is met)."""
        if self.met(value):
            return ""
        if self.unit == YES_NO and math.isfinite(value):
            return self.shown(value)
        if math.isnan(value) or self.limit is None:
            return "not found"
        wanted = self.limit.centre
        if math.isnan(wanted):
            wanted = self.limit.high if value > self.limit.high or not math.isfinite(self.limit.low) else self.limit.low
        if self.unit in USUAL_STEPS or wanted == 0:
            return f"{quantity.render(value - wanted, self.unit)} off"
        return f"{100 * (value / wanted - 1):+.3g} %"


def read_goals(goals: Mapping[str, Any], known: Known, names: Mapping[str, str] = MappingProxyType({})) -> list[Goal]:
    """Read goals by figure; for what they may be see :func:`simwrap.choose`.

    ``names`` has the figure that a goal was already found to be about.

    Raises
    ------
    InputError
        For a goal that can't be read, or two goals for one variable.
    """
    read: list[Goal] = []
    for given, wanted in goals.items():
        variable, *others = known.find(names.get(given, given))
        if others:
            raise RangeError("goal", given, "the figure of one valve: " + " or ".join([variable, *others]), known.where)
        goal = _goal(variable, wanted, known)
        if goal.variable in [other.variable for other in read]:
            raise InputError(f"{known.where}: there are two goals for {goal.variable}")
        read.append(goal)
    return read


def _goal(variable: str, wanted: Any, known: Known) -> Goal:
    unit = known.units[variable]
    if unit == YES_NO:
        word = wanted.strip().casefold() if isinstance(wanted, str) else ""
        if word not in ("yes", "no"):
            raise RangeError(f"goal for {variable}", wanted, '"yes" or "no"', known.where)
        limit = Limit(f"{variable} {word}", variable, 0.5, 1.5) if word == "yes" else Limit("", variable, -0.5, 0.5)
        return Goal(variable, unit, f"{variable} {word}", limit)
    if isinstance(wanted, tuple | list):
        if len(wanted) != 2 or wanted[0] not in ("<", "<=", ">", ">="):
            raise RangeError(f"goal for {variable}", wanted, 'a bound such as ("<", 20)', known.where)
        wanted = f"{wanted[0]} {wanted[1]}"
    if isinstance(wanted, str):
        word = wanted.strip().casefold()
        if word in ("least", "most"):
            scale = abs(known.nominal[variable])
            return Goal(
                variable, unit, f"{word} {variable}", extreme=word, scale=scale if 0 < scale < math.inf else 1.0
            )
        if any(sign in wanted for sign in _BOUNDS):
            limit = parse_limit(f"{variable} {wanted}", known)[0]
            return Goal(limit.variable, known.units[limit.variable], " ".join(limit.text.split()), limit)
    value = (
        quantity.parse(wanted, unit, parameter=variable)
        if unit in quantity.UNITS
        else quantity.parse(wanted, "", parameter=variable)
    )
    off = USUAL_STEPS.get(unit, USUAL_TOLERANCE * abs(value) if value else USUAL_TOLERANCE)
    text = f"{variable} {quantity.render(value, unit)}"
    return Goal(variable, unit, text, Limit(text, variable, value - off, value + off, centre=value))
