"""Whether a build is dangerous, by what its own simulation does to valves, parts and whoever touches it."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from fault_kit.bench import Found
from fault_kit.build import Build, Design
from fault_kit.netlist import Deck

MODELS = Path(__file__).resolve().parents[2] / "models"
#: Over a rating by this factor, and over what the healthy build has by the other, a build is dangerous.
VALVE, RESISTOR, CAPACITOR, CURRENT, THAN_HEALTHY = 1.25, 2.0, 1.1, 2.0, 1.15
#: A direct voltage that may be touched [V]: IEC 61140 and 60364-4-41 have 120 V as the limit of extra-low voltage,
#: and 60 V where it may be touched in dry rooms (from memory).
TOUCHED = 60.0


def ratings(kind: str) -> dict[str, Any]:
    """Return the ratings of a type as its file has them; none where there is no such file."""
    for file in sorted(MODELS.glob("*.toml")):
        table = tomllib.loads(file.read_text(encoding="utf-8"))
        if kind.casefold() in [name.casefold() for name in (table["name"], *table.get("designations", []))]:
            part = table.get("pentode") or table.get("triode") or {}
            return part.get("ratings", {})
    return {}


def dangers(design: Design, build: Build, healthy: Found, found: Found) -> list[str]:
    """Return what is dangerous about a build, in words; none where nothing is."""
    return [*_of_valves(design, healthy, found), *_of_parts(design, build.deck, healthy, found),
            *_of_the_rest(design, healthy, found)]  # fmt: skip


def loads(design: Design, found: Found) -> Iterator[tuple[str, str, float, float]]:
    """Yield valve, what, value and rating of each valve's dissipation, screen dissipation and cathode current."""
    for path, pins in found.pins.items():
        known = ratings(design.deck.valves[path].type)
        cathode, current = pins["cathode"]
        volts, amps = pins["anode"]
        values = {"anode_dissipation_max": (volts - cathode) * amps, "cathode_current_max": -current}
        if "screen" in pins:
            volts, amps = pins["screen"]
            values["screen_dissipation_max"] = (volts - cathode) * amps
        for what, value in values.items():
            if known.get(what):
                yield path, what, value, float(known[what])


def _of_valves(design: Design, healthy: Found, found: Found) -> Iterator[str]:
    usual = {(path, what): value for path, what, value, _ in loads(design, healthy)}
    for path, what, value, most in loads(design, found):
        if value > VALVE * most and value > THAN_HEALTHY * usual[path, what]:
            yield f"{path}: {what.removesuffix('_max').replace('_', ' ')} {value:.3g}, rated {most:.3g}"


def _of_parts(design: Design, deck: Deck, healthy: Found, found: Found) -> Iterator[str]:
    parts = design.table.get("parts", {})
    for part in design.resistors:
        most = float(str(parts.get("resistors", {}).get(part.path, parts.get("wattage", "1 W"))).split()[0])
        now = _volts(found, deck[part.name].nodes) ** 2 / deck[part.name].value
        usual = _volts(healthy, part.nodes) ** 2 / part.value
        if now > RESISTOR * most and now > THAN_HEALTHY * usual:
            yield f"{part.path}: {now:.3g} W, fitted {most:g} W"
    for part in design.capacitors:
        most = float(str(parts.get("capacitors", {}).get(part.path, parts.get("voltage", "500 V"))).split()[0])
        now, usual = abs(_volts(found, deck[part.name].nodes)), abs(_volts(healthy, part.nodes))
        if now > CAPACITOR * most and now > THAN_HEALTHY * usual:
            yield f"{part.path}: {now:.3g} V, fitted {most:g} V"


def _of_the_rest(design: Design, healthy: Found, found: Found) -> Iterator[str]:
    if found.rail[1] > CURRENT * healthy.rail[1]:
        yield f"supply: {found.rail[1]:.3g} A, healthy {healthy.rail[1]:.3g} A"
    if found.copper > CURRENT * healthy.copper:
        yield f"winding: {found.copper:.3g} A r.m.s., healthy {healthy.copper:.3g} A"
    deck = design.deck
    touched = {deck["v_signal"].nodes[0], *(d.nodes[0] for n, d in deck.devices.items() if n.endswith("__load"))}
    for node in sorted(touched):
        if abs(found.volts.get(node, 0.0)) > TOUCHED:
            yield f"{node}: {found.volts[node]:.3g} V, where it is touched"


def _volts(found: Found, nodes: list[str]) -> float:
    one, other = (found.volts.get(node, 0.0) for node in nodes)
    return one - other
