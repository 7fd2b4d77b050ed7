"""What resistors dissipate and capacitors stand in their least favourable state, against what is fitted."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from simwrap.amplifier.amplifier import Amplifier
from simwrap.amplifier.bearing import COLD, Borne
from simwrap.amplifier.supply_match import Match
from simwrap.circuits.design_file import Design
from simwrap.circuits.render import render
from simwrap.findings.finding import Finding
from simwrap.measures.bias import NEAR as NEAR_SHARE
from simwrap.measures.numerics.parts import LOADED, bought, netlist_parts
from simwrap.registry import find
from simwrap.report.model import Section, Table
from simwrap.simulation.measurement import Measurement

#: The state in which a supply's own parts bear the most.
HIGH_SUPPLY = "on mains 10 % high, loaded or not"
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
    worst : float
        What it bears in the least favourable state.
    state : str
        That state, in words that stand behind a value.
    lasting : float
        What a resistor bears for long, with every valve in its socket.
    """

    kind: str
    name: str
    unit: str
    warm: float
    cold: float
    rating: float
    worst: float = np.nan
    state: str = ""
    lasting: float = np.nan

    @property
    def most(self) -> float:
        """The most that it bears."""
        return float(np.fmax.reduce([self.warm, self.cold, self.worst]))

    @property
    def when(self) -> str:
        """In which state it bears that, in words."""
        if self.state and self.worst == self.most:
            return self.state
        return "before the valves warm up" if self.cold > self.warm else "at rest"

    @property
    def needed(self) -> float:
        """The least rating: what a capacitor stands at most; a resistor bears half of it for long, and all at most."""
        if self.kind == "capacitor":
            return self.most
        return float(np.fmax(self.most, np.fmax(self.warm, self.lasting) / LOADED))

    def findings(self) -> list[Finding]:
        """Return what there is to say of it: nothing where its rating is kept with room, or isn't known."""
        value, when = self.most, self.when
        quantity = "dissipation" if self.kind == "resistor" else "voltage"
        if value > self.rating:
            code = "over_rating"
        elif self.kind == "capacitor" and np.isnan(self.worst) and value > NEAR_SHARE * self.rating:
            code = "near_rating"  # the least favourable state has its margin already
        elif self.kind == "resistor" and self.needed > self.rating:
            code, value = "half_loaded", float(np.fmax(self.warm, self.lasting))
            when = when if value == self.most else "on mains 10 % high"
        else:
            return []
        state = "" if when == "at rest" else when
        return [Finding.of(code, self.name, quantity, value, self.rating, self.unit, state, kind=self.kind)]


def section(amplifier: Amplifier) -> Section:
    """Return the parts that are over or near their ratings, or, where no rating is known, what they bear.

    Raises
    ------
    UnknownNameError
        For a part that the design names and doesn't have.
    """
    found, supply = Section("parts", "what parts bear"), amplifier.supply
    borne, fault = amplifier.borne
    if fault:
        found.say("not_computed", quantity="What parts bear in other states than at rest", reason=fault)
    parts = list(every_part(amplifier.design, amplifier.warm, borne, supply))
    told = []
    for part in parts:
        findings = part.findings()
        found.findings += findings
        if findings or (np.isnan(part.rating) and part.most > _LEAST[part.unit]):
            told.append(part)
    for kind, unit in (("resistor", "W"), ("capacitor", "V")):
        rows = tuple((part.name, part.warm, part.cold, part.most, part.when, part.rating)
                     for part in told if part.kind == kind)  # fmt: skip
        head = (("name", kind, ""), ("warm", "bears", unit), ("cold", "valves cold", unit), ("most", "at most", unit),
                ("when", "when", ""), ("rating", "fitted", unit))  # fmt: skip
        if rows:
            found.tables.append(Table(head, rows))
    counts = [sum(part.kind == kind for part in parts) for kind in ("resistor", "capacitor")]
    found.notes.append(
        f"{counts[0]} resistors and {counts[1]} capacitors were looked at; listed are those over or near their rating, "
        f"and those without a stated one from {_LEAST['W']:g} W and {_LEAST['V']:g} V on."
    )
    unrated, lost = sum(np.isnan(part.rating) for part in parts), sum(np.isnan(part.warm) for part in parts)
    if unrated:
        found.not_checked.append(f"ratings of {unrated} resistors and capacitors: [parts] doesn't say what is fitted")
    if lost:
        found.not_checked.append(f"{lost} resistors and capacitors: what they bear wasn't found")
    if supply is None:
        found.not_checked.append("the supply voltage before the valves warm up: capacitors cold at the stated one, "
                                 "10 % high")  # fmt: skip
    return found


def every_part(design: Design, warm: Measurement, borne: Borne, supply: Match | None) -> Iterator[Part]:
    """Yield every resistor and capacitor of a channel, and of the supply."""
    fitted = design.parts
    for kind, unit, figure, named, every in (
        ("resistor", "W", "dissipation", fitted.resistors, fitted.wattage),
        ("capacitor", "V", "voltage", fitted.capacitors, fitted.voltage),
    ):
        known = {name: (value, *borne.worst(kind[0], name), borne.lasting(kind[0], name))
                 for name, value in _figures(warm, f"bias.{kind}s", figure).items()}  # fmt: skip
        if supply is not None:
            rest = _figures(supply.supply, f"supply.{kind}s", figure)
            highest = "dissipation_highest" if kind == "resistor" else figure
            most = _figures(supply.supply, f"supply.{kind}s", highest)
            known |= {f"supply.{name}": (value, most[name], HIGH_SUPPLY, most[name]) for name, value in rest.items()}
        elif design.supply is not None:  # it couldn't be computed
            parts = bought(netlist_parts(render(design.supply.circuit).elements), kind[0])
            known |= {f"supply.{name}": (np.nan, np.nan, "", np.nan) for name in parts}
        own = {find(kind, name, {key: key for key in known}, f"parts.{kind}s"): rating
               for name, rating in named.items()}  # fmt: skip
        for name, (value, worst, state, lasting) in known.items():
            rating = own.get(name, every if every is not None else np.nan)
            cold = borne.of(kind[0], name).get(COLD, np.nan)
            yield Part(kind, name, unit, value, cold, rating, worst, state, lasting)


def _figures(found: Measurement, group: str, figure: str) -> dict[str, float]:
    """Return a figure of every part of a group by its path."""
    start, end = f"{group}.", f".{figure}"
    return {
        name.removeprefix(start).removesuffix(end): float(np.asarray(variable.values)[0])
        for name, variable in found.figures.items()
        if name.startswith(start) and name.endswith(end)
    }
