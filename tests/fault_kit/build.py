"""A design as parts on the bench, and one build of it: parts drawn, one fault put in."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from fault_kit.netlist import Deck, Device, netlist_of
from fault_kit.spice import Script, run
from fault_kit.supply import Curve, curve

#: Half widths within which healthy parts are drawn, and the mains.
RESISTORS, CAPACITORS, EMISSION, MAINS = 0.05, 0.2, 0.12, 0.02
#: From so many times the healthy current in the winding on the fuse opens before anything is read: one of twice the
#: load does so within seconds at twice its rating (IEC 60127, from memory).
FUSE = 4.0
#: What is no part that somebody solders: windings, stand-ins of what isn't there, what the bench adds, capacitances of
#: wiring and of valves.
_NO_RESISTOR = re.compile(r"(load|source|winding|core|secondary|tap|_pot|pot_|_pot_)\w*$|^r_(kit|meter|pot)")
_NO_CAPACITOR = re.compile(r"(primary|interwinding|cable|internal|load)\w*$|^c_kit")
_PICO = 2.5e-11


@dataclass
class Build:
    """One build: its amplifier, its supply, its mains."""

    deck: Deck
    supply: Deck
    mains: float = 1.0
    supply_changed: bool = False


@dataclass(frozen=True)
class Fault:
    """What is wrong with a build.

    Attributes
    ----------
    kind, part : str
        Such as "open" and "driver.anode".
    names : tuple of str
        Parts any of which is a right answer: the same part, or what looks the same from every place.
    change : callable
        Puts it into a build.
    size : float
        Value over the right one, or a leak's [ohm]; NaN where it has none.
    oscillates : bool
        Whether it may.
    """

    kind: str
    part: str
    names: tuple[str, ...]
    change: Callable[[Build], None]
    size: float = float("nan")
    oscillates: bool = False


class Design:
    """A design's netlists, supply and ratings.

    Parameters
    ----------
    path : Path
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.table = tomllib.loads(path.read_text(encoding="utf-8"))
        self.deck = Deck(netlist_of(path))
        supply = self.table["supply"]
        self.supply = Deck(netlist_of("supply", *(f"{k}={v}" for k, v in supply.items() if k != "feeds")))
        self.channels = int(self.table.get("channels", 1))
        self.feeds: Sequence[str] = supply["feeds"]
        self.hertz = float(str(self.table.get("mains_frequency", "50")).split()[0])
        self._put_on_rail()

    def _put_on_rail(self) -> None:
        """Have all that the supply feeds hang on one rail, whose voltage follows its current."""
        ports = [self.deck[f"v_{feed.replace('.', '__')}"] for feed in self.feeds]
        self.volts = float(ports[0].rest.split()[1])
        script = Script()
        script.do("op")
        for port in ports:
            script.ask(f"-i({port.name})")
        self.load = sum(run(str(self.deck), script.lines))
        for port in ports:
            port.nodes, port.rest = ["kit_rail", port.nodes[0]], "dc 0"
        self.deck.add("v_kit_rail", ("kit_open", "kit_rail"), "dc 0")
        if self.channels > 1:
            self.deck.add("r_kit_other", ("kit_rail", "0"), f"{self.volts / (self.load * (self.channels - 1)):.6g}")
        if "c_filter" in self.supply.devices:
            self.deck.add("c_kit_filter", ("kit_rail", "0"), self.supply["c_filter"].rest)

    @cached_property
    def healthy_curve(self) -> Curve:
        """The supply as it should be."""
        return curve(self.supply, self.channels * self.load, hertz=self.hertz)

    @property
    def resistors(self) -> list[Device]:
        """Resistors that somebody solders."""
        return [d for d in self.deck.devices.values()
                if d.name[0] == "r" and d.value > 0.05 and not _NO_RESISTOR.search(d.name)]  # fmt: skip

    @property
    def capacitors(self) -> list[Device]:
        """Capacitors that somebody solders."""
        inner = tuple(f"c_{valve.prefix}_" for valve in self.deck.valves.values())
        return [d for d in self.deck.devices.values() if d.name[0] == "c" and d.value > _PICO
                and not _NO_CAPACITOR.search(d.name) and not d.name.startswith(inner)]  # fmt: skip

    def draw(self, chance: np.random.Generator) -> Build:
        """Return a healthy build, its parts drawn within their tolerances."""
        build = Build(self.deck.copy(), self.supply.copy(), 1.0 + MAINS * chance.uniform(-1.0, 1.0))
        for parts, width in ((self.resistors, RESISTORS), (self.capacitors, CAPACITORS)):
            for part in parts:
                build.deck[part.name].value *= 1.0 + width * chance.uniform(-1.0, 1.0)
        for valve in build.deck.valves.values():
            weaken(
                build.deck, valve.path, 1.0 + float(np.clip(chance.normal(0.0, 0.4 * EMISSION), -EMISSION, EMISSION))
            )
        return build

    def supplied(self, build: Build) -> tuple[str, Curve]:
        """Return a build's whole netlist and its supply's curve."""
        if build.supply_changed:
            given = curve(build.supply, self.channels * self.load, hertz=self.hertz, mains=max(build.mains, 1e-3))
            if given.copper[2] > FUSE * self.healthy_curve.copper[2]:
                given = given.scaled(1e-4)
        else:
            given = self.healthy_curve.scaled(max(build.mains, 1e-3))
        return f"{build.deck}\nb_kit_source kit_open 0 v=pwl(i(v_kit_rail), {given.source()})", given


def weaken(deck: Deck, valve: str, share: float) -> None:
    """Multiply a valve's emission at given voltages."""
    prefix = deck.valves[valve].prefix
    for name in deck.group(prefix):
        if name[0] == "g":
            deck[name].value *= share
