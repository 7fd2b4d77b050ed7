"""What resistors dissipate and capacitors stand, warm and before the valves warm up, against what is fitted."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from simwrap.amplifier.page import Audit, Table
from simwrap.amplifier.supply_match import Match
from simwrap.circuits.design_file import Design
from simwrap.findings.finding import Finding
from simwrap.measures.bias import NEAR as NEAR_SHARE
from simwrap.measures.numerics.parts import LOADED
from simwrap.registry import find
from simwrap.simulation.measurement import Measurement

#: Parts that bear less aren't listed, where it isn't known what is fitted [by unit].
_LEAST = {"W": 0.2, "V": 100.0}


@dataclass(frozen=True)
class Part:
    """A resistor or capacitor.

    Attributes
    ----------
    kind, name : str
        "resistor" or "capacitor", and its path such as "driver.anode".
    unit : str
        Of what follows: W or V.
    warm, cold : float
        What it bears at rest, and before the valves warm up (a resistor: NaN, not looked at).
    rating : float
        Of what is fitted, NaN where the design doesn't say.
    """

    kind: str
    name: str
    unit: str
    warm: float
    cold: float
    rating: float

    @property
    def most(self) -> float:
        """The larger of what it bears."""
        return float(np.fmax(self.warm, self.cold))

    def findings(self) -> list[Finding]:
        """Return what there is to say of it: nothing where its rating is kept with room, or isn't known."""
        code, share = ("half_loaded", LOADED) if self.kind == "resistor" else ("near_rating", NEAR_SHARE)
        if self.most > self.rating:
            code, share = "over_rating", 1.0
        if not self.most > share * self.rating:
            return []
        quantity = "dissipation" if self.kind == "resistor" else "voltage"
        when = "before the valves warm up" if self.cold > self.warm else ""
        return [Finding.of(code, self.name, quantity, self.most, self.rating, self.unit, when, kind=self.kind)]


def section(audit: Audit, design: Design, warm: Measurement, cold: Measurement, supply: Match | None) -> None:
    """Add the parts that are over or near their ratings, or, where no rating is known, what they bear.

    Parameters
    ----------
    audit : Audit
    design : Design
    warm, cold : Measurement
        The circuit's bias at rest, and at the voltage that the supply has before the valves warm up.
    supply : Match or None

    Raises
    ------
    UnknownNameError
        For a part that the design names and doesn't have.
    """
    parts = list(every_part(design, warm, cold, supply))
    told = []
    for part in parts:
        findings = part.findings()
        audit.findings += findings
        if findings or (np.isnan(part.rating) and part.most > _LEAST[part.unit]):
            told.append(part)
    found = audit.section("parts", "what parts bear")
    for kind, unit in (("resistor", "W"), ("capacitor", "V")):
        rows = tuple((part.name, part.warm, part.cold, part.rating) for part in told if part.kind == kind)
        head = (("name", kind, ""), ("warm", "bears", unit), ("cold", "valves cold", unit), ("rating", "fitted", unit))
        if rows:
            found.tables.append(Table(head, rows))
    counts = [sum(part.kind == kind for part in parts) for kind in ("resistor", "capacitor")]
    found.notes.append(
        f"{counts[0]} resistors and {counts[1]} capacitors were looked at; listed are those over or near their rating, "
        f"and those without a stated one from {_LEAST['W']:g} W and {_LEAST['V']:g} V on."
    )
    unrated, lost = sum(np.isnan(part.rating) for part in parts), sum(np.isnan(part.warm) for part in parts)
    if unrated:
        audit.not_checked.insert(
            0, f"ratings of {unrated} resistors and capacitors: [parts] doesn't say what is fitted"
        )
    if lost:
        audit.not_checked.insert(0, f"{lost} resistors and capacitors: what they bear wasn't found")
    if supply is None:
        audit.not_checked.insert(0, "the supply voltage before the valves warm up: capacitors cold at the stated one")


def every_part(design: Design, warm: Measurement, cold: Measurement, supply: Match | None) -> Iterator[Part]:
    """Yield every resistor and capacitor of a channel, and of the supply."""
    fitted = design.parts
    watts = _borne(warm, "bias.resistors", "dissipation")
    volts = _borne(warm, "bias.capacitors", "voltage")
    unheated = _borne(cold, "bias.capacitors", "voltage_cold")
    if supply is not None:
        watts |= _borne(supply.supply, "supply.resistors", "dissipation", "supply.")
        # The highest of any state, cold or warm.
        volts |= _borne(supply.supply, "supply.capacitors", "voltage", "supply.")
    for kind, unit, borne, other, named, every in (
        ("resistor", "W", watts, {}, fitted.resistors, fitted.wattage),
        ("capacitor", "V", volts, unheated, fitted.capacitors, fitted.voltage),
    ):
        where = f"parts.{kind}s"
        own = {find(kind, name, {key: key for key in borne}, where): rating for name, rating in named.items()}
        for name, value in borne.items():
            rating = own.get(name, every if every is not None else np.nan)
            yield Part(kind, name, unit, value, other.get(name, np.nan), rating)


def _borne(found: Measurement, group: str, figure: str, prefix: str = "") -> dict[str, float]:
    """Return a figure of every part of a group by its path."""
    start, end = f"{group}.", f".{figure}"
    return {
        prefix + name.removeprefix(start).removesuffix(end): float(np.asarray(variable.values)[0])
        for name, variable in found.figures.items()
        if name.startswith(start) and name.endswith(end)
    }
