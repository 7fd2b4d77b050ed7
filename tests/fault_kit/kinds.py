"""What goes wrong on a builder's bench, part by part: at least sixty kinds of faults (common practice, no source)."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

import numpy as np

from fault_kit.build import Build, Design, Fault, weaken
from fault_kit.netlist import OPEN, SHORT, Deck, Device, netlist_of

Chance = np.random.Generator

#: Types that fit each other's sockets (EIA base designations and pins, from memory), as the library names them.
SAME_BASE = (
    ("12AX7", "12AT7", "12AU7", "12AY7", "12BH7A"), ("6SL7GT", "6SN7GT"), ("6DJ8", "6922"), ("300B", "2A3"),
    ("6V6GT", "6L6GC", "EL34", "KT66", "KT88", "6550"),
)  # fmt: skip
_TRIODES = {name for group in SAME_BASE[:4] for name in group}


def faults(design: Design, chance: Chance) -> list[Fault]:
    """Return one fault of every kind for every part that may have it, sizes drawn."""
    found: list[Fault] = []
    for make in (resistors, capacitors, valves, transformer, supply, wires, controls):
        found += make(design, chance)
    return found


def equivalents(deck: Deck, node: str) -> tuple[str, ...]:
    """Return what hangs on a node: valves' paths, and parts."""
    found = [path for path, valve in deck.valves.items() if node in valve.outside.values()]
    return tuple(found + [d.path for d in deck.at(node) if d.name[0] in "rc" and "_kit_" not in d.name])


# --- changes ------------------------------------------------------------------------------------------------------


def times(name: str, factor: float, build: Build) -> None:
    build.deck[name].value *= factor


def exactly(name: str, value: float, build: Build) -> None:
    build.deck[name].value = value


def across(one: str, other: str, ohms: float, build: Build) -> None:
    build.deck.add(f"r_kit_{len(build.deck.devices)}", (one, other), f"{ohms:.6g}")


def off(lead: str, build: Build) -> None:
    """Break a wire that is a source of no volts."""
    device = build.deck.devices.pop(lead)
    build.deck.add(f"v_kit_{lead}", (device.nodes[0], f"kit_{lead}"), "dc 0")
    build.deck.add(f"r_kit_{lead}", (f"kit_{lead}", device.nodes[1]), f"{OPEN:g}")
    for other in build.deck.devices.values():  # what reads the current of the wire reads it on
        other.rest = other.rest.replace(f"i({lead})", f"i(v_kit_{lead})")
        if other.name[0] == "f":
            other.rest = " ".join(f"v_kit_{lead}" if word == lead else word for word in other.rest.split())


def both(*changes: Callable[[Build], None]) -> Callable[[Build], None]:
    def change(build: Build) -> None:
        for each in changes:
            each(build)

    return change


def supplies(change: Callable[[Build], None]) -> Callable[[Build], None]:
    """Let a change be one of the supply's."""

    def inside(build: Build) -> None:
        given = Build(build.supply, build.supply)
        change(given)
        build.supply_changed = True

    return inside


# --- parts --------------------------------------------------------------------------------------------------------


def digits_exchanged(value: float) -> float:
    """Return a value with its first two digits exchanged; ten times it where they are alike or one is 0."""
    mantissa, exponent = f"{value:.1e}".split("e")
    one, two = mantissa[0], mantissa[2]
    return float(f"{two}.{one}e{exponent}") if two not in (one, "0") else 10.0 * value


def resistors(design: Design, chance: Chance) -> Iterator[Fault]:
    parts = design.resistors
    for part in parts:
        nominal, name = part.value, part.name
        scaled = [("ten times the value", 10.0), ("a tenth of the value", 0.1),
                  ("digits exchanged", digits_exchanged(nominal) / nominal), ("drifted high", chance.uniform(1.3, 1.8)),
                  ("drifted low", chance.uniform(0.2, 0.7))]  # fmt: skip
        near = [p for p in parts if p.stage == part.stage and max(p.value / nominal, nominal / p.value) > 1.5]
        near = near or [p for p in parts if max(p.value / nominal, nominal / p.value) > 1.5]
        other = near[int(chance.integers(len(near)))]
        scaled.append(("its neighbour's value", other.value / nominal))
        for kind, factor in scaled:
            yield Fault(f"resistor: {kind}", part.path, (part.path,), partial(times, name, factor), factor)
        exchange = both(partial(exactly, name, other.value), partial(exactly, other.name, nominal))
        yield Fault("resistor: two exchanged", part.path, (part.path, other.path), exchange, other.value / nominal)
        yield Fault("resistor: open", part.path, (part.path,), partial(exactly, name, OPEN))
        yield Fault("resistor: shorted", part.path, (part.path,), partial(exactly, name, SHORT))
        if "0" in part.nodes:
            yield Fault("wire: ground end not soldered", part.path, (part.path,), partial(exactly, name, OPEN))


def capacitors(design: Design, chance: Chance) -> Iterator[Fault]:
    for part in design.capacitors:
        big = part.value >= 1e-6
        leak = float(np.exp(chance.uniform(*np.log((500.0, 2e4) if big else (1e5, 5e6)))))
        lost = chance.uniform(0.03, 0.3)
        kinds: list[tuple[str, Callable[[Build], None], float]] = [
            ("leaky", partial(across, *part.nodes, leak), leak),
            ("shorted", partial(across, *part.nodes, SHORT), np.nan),
            ("open", partial(exactly, part.name, 1e-16), np.nan),
            ("lost capacitance", partial(times, part.name, lost), lost),
            ("ten times the value", partial(times, part.name, 10.0), 10.0),
            ("a tenth of the value", partial(times, part.name, 0.1), 0.1),
        ]
        if big:
            leak = chance.uniform(100.0, 1000.0)
            kinds.append(("the wrong way round", partial(across, *part.nodes, leak), leak))
        for kind, change, size in kinds:
            yield Fault(f"capacitor: {kind}", part.path, (part.path,), change, size)


def valves(design: Design, chance: Chance) -> Iterator[Fault]:
    deck = design.deck
    for path, valve in deck.valves.items():
        stage, _, own = path.rpartition(".")
        names = (path, f"{stage}.valve", *([f"{stage}.second_valve"] if own == "v2" else []))
        pins = valve.pins
        share, gas = chance.uniform(0.4, 0.7), float(np.exp(chance.uniform(np.log(1e-4), np.log(2e-3))))
        leak = float(np.exp(chance.uniform(np.log(3e3), np.log(5e4))))
        kinds: list[tuple[str, Callable[[Build], None], float]] = [
            ("weak emission", partial(_weak, path, share), share),
            ("heater out", partial(_weak, path, 1e-4), np.nan),
            ("gas", partial(_gassy, path, gas), gas),
            ("pulled", both(*(partial(off, f"v_{pin}") for pin in dict.fromkeys(pins.values()))), np.nan),
            *((f"{role} pin not touching", partial(off, f"v_{pins[role]}"), np.nan) for role in pins),
        ]
        if valve.outside["cathode"] != "0":
            kinds += [("heater leakage", partial(across, pins["cathode"], "0", leak), leak),
                      ("cathode touches the heater", partial(across, pins["cathode"], "0", SHORT), np.nan)]  # fmt: skip
        roles = sorted(pins)
        for k, one in enumerate(roles):
            kinds += [(f"{one} touches {other}", partial(across, pins[one], pins[other], 5.0), np.nan)
                      for other in roles[k + 1 :] if pins[one] != pins[other]]  # fmt: skip
        for kind, change, size in kinds:
            yield Fault(f"valve: {kind}", path, names, change, size)
        for other in _others(valve.type):
            yield Fault("valve: another type of the same base", path, names, partial(_replaced, path, other))
        for second, its in deck.valves.items():
            if its.type != valve.type and its.type in _others(valve.type) and path < second:
                change = both(partial(_replaced, path, its.type), partial(_replaced, second, valve.type))
                spare = (*names, second, f"{second.rpartition('.')[0]}.valve")
                yield Fault("valve: two exchanged", path, spare, change)


def _others(kind: str) -> list[str]:
    group = next((group for group in SAME_BASE if kind in group), ())
    return [each for each in group if each != kind]


def _weak(path: str, share: float, build: Build) -> None:
    weaken(build.deck, path, share)


def _gassy(path: str, share: float, build: Build) -> None:
    """Let ions carry a share of the anode's current to the grid, out of which it flows."""
    valve = build.deck.valves[path]
    build.deck.add(f"f_kit_gas_{valve.prefix}", (valve.pins["anode"], valve.pins["grid"]),
                   f"v_{valve.pins['anode']} {share:.6g}")  # fmt: skip


_templates: dict[str, Deck] = {}


def _replaced(path: str, other: str, build: Build) -> None:
    """Put another type into a socket: its law, as a stage of that type has it in its own netlist."""
    if other not in _templates:
        triode = other in _TRIODES
        given = [f"valve={other}"] + ([] if triode else ["connection=pentode"])
        stage = "single_ended_output" if other in ("300B", "2A3") or not triode else "triode_gain"
        _templates[other] = Deck(netlist_of(stage, *given))
    source = _templates[other]
    template = next(iter(source.valves.values()))
    valve = build.deck.valves[path]
    for name in build.deck.group(valve.prefix):
        del build.deck.devices[name]
    nodes = {template.pins[role]: valve.pins[role] for role in template.pins if role in valve.pins}
    for name in source.group(template.prefix):
        old = source.devices[name]
        inner = {n: f"kit_{valve.prefix}_{n}" for n in old.nodes if n not in nodes and n != "0"}
        new = Device(f"{name[:2]}{valve.prefix}_{name[2 + len(template.prefix) + 1 :]}", list(old.nodes), old.rest)
        build.deck.devices[new.name] = new
        own = {n: f"kit_{valve.prefix}_{n}" for n in _inner(source, template.prefix)} | nodes | inner
        build.deck.move([new.name], own)


def _inner(source: Deck, prefix: str) -> set[str]:
    return {n for name in source.group(prefix) if name[0] == "b" for n in source.devices[name].nodes if n != "0"}


# --- transformer and loudspeaker ----------------------------------------------------------------------------------


def transformer(design: Design, chance: Chance) -> Iterator[Fault]:
    deck = design.deck
    for turns in [name for name in deck.devices if name.startswith("v_") and name.endswith("__turns")]:
        stage = deck[turns].stage
        names = tuple(f"{stage}.{word}" for word in (
            "transformer", "primary", "secondary", "half_a", "half_b", "winding_a", "winding_b", "winding", "core",
            "turns"))  # fmt: skip
        loop = any(name.endswith("__probe") for name in deck.devices)
        halves = [n for n in deck.devices if n in (f"v_{stage}__half_a", f"v_{stage}__half_b", f"v_{stage}__primary")]
        anodes = [f"v_{v.pins['anode']}" for p, v in deck.valves.items() if p.startswith(f"{stage}.")]
        for half in halves:
            yield Fault("transformer: primary open", deck[half].path, names, partial(off, half))
        windings = [d for d in deck.devices.values() if d.name.startswith(f"r_{stage}__winding")]
        for winding in windings:
            more = chance.uniform(3.0, 15.0)
            yield Fault("transformer: joint of high resistance in the primary", winding.path, names,
                        partial(times, winding.name, more), more)  # fmt: skip
        lost = float(np.exp(chance.uniform(np.log(2e-3), np.log(3e-2))))
        yield Fault("transformer: shorted turns", f"{stage}.core", names, partial(times, f"r_{stage}__core", lost))
        yield Fault("transformer: secondary the wrong way round", f"{stage}.secondary", names,
                    partial(_turned, turns, -1.0), oscillates=loop)  # fmt: skip
        if len(anodes) == 2:
            yield Fault("transformer: primary the wrong way round", f"{stage}.primary", names,
                        partial(_crossed, *anodes), oscillates=loop)  # fmt: skip
        tap = float(chance.choice([0.707, 1.414]))
        yield Fault("transformer: loudspeaker on the wrong tap", f"{stage}.turns", names, partial(_turned, turns, tap),
                    tap, oscillates=loop)  # fmt: skip
        primary = deck[f"l_{stage}__leakage_a" if len(anodes) == 2 else f"l_{stage}__leakage"].nodes[0]
        leak = float(np.exp(chance.uniform(np.log(5e3), np.log(2e5))))
        yield Fault("transformer: primary leaks to the core", f"{stage}.primary", names,
                    partial(across, primary, "0", leak), leak)  # fmt: skip
    for load in [name for name in deck.devices if name.startswith("r_") and name.endswith("__load")]:
        stage = deck[load].stage
        names = tuple(f"{stage}.{word}" for word in ("load", "speaker", "load_resistor", "secondary", "transformer"))
        yield Fault("loudspeaker: not connected", f"{stage}.load", names, partial(exactly, load, 1e6))
        yield Fault("loudspeaker: shorted", f"{stage}.load", names, partial(exactly, load, 0.1))
        half = float(chance.choice([0.5, 2.0]))
        yield Fault("loudspeaker: another impedance", f"{stage}.load", names, partial(times, load, half), half)


def _turned(turns: str, factor: float, build: Build) -> None:
    build.deck[turns].value *= factor


def _crossed(one: str, other: str, build: Build) -> None:
    """Exchange two anode leads."""
    a, b = build.deck[one], build.deck[other]
    a.nodes[0], b.nodes[0] = b.nodes[0], a.nodes[0]


# --- supply -------------------------------------------------------------------------------------------------------


def supply(design: Design, chance: Chance) -> Iterator[Fault]:
    deck = design.supply
    words = ("rectifier", "reservoir", "filter", "choke", "bleeder", "winding", "fuse", "mains")
    names = ("main supply", "mains", "fuse", "supply", *(f"supply.{word}" for word in words))
    rectifiers = [name for name in deck.devices if name.startswith("g_v")]
    soft = chance.uniform(0.15, 0.5)
    ends = deck[rectifiers[0]].nodes[:2]
    windings = [name for name in deck.devices if name.startswith("r_winding")]
    choke = "r_choke" if "r_choke" in deck.devices else "r_filter"
    lost, dried, joint = chance.uniform(0.01, 0.1), chance.uniform(0.05, 0.3), chance.uniform(3.0, 8.0)
    leak = chance.uniform(1e3, 8e3)
    inner = choke.removeprefix("r_")
    kinds: list[tuple[str, str, Callable[[Build], None], float]] = [
        ("rectifier: half dead", "rectifier", partial(exactly, rectifiers[0], 0.0), np.nan),
        ("rectifier: soft", "rectifier", both(*(partial(times, name, soft) for name in rectifiers)), soft),
        ("rectifier: open", "rectifier", both(*(partial(exactly, name, 1e-9) for name in rectifiers)), np.nan),
        ("rectifier: shorted", "rectifier", partial(across, *ends, SHORT), np.nan),
        (f"{inner}: shorted", inner, partial(across, "n_reservoir", "n_out", SHORT), np.nan),
        (f"{inner}: open", inner, partial(exactly, choke, OPEN), np.nan),
        ("reservoir: dried", "reservoir", partial(times, "c_reservoir", lost), lost),
        ("reservoir: open", "reservoir", partial(exactly, "c_reservoir", 1e-12), np.nan),
        ("reservoir: leaky", "reservoir", partial(across, "n_reservoir", "0", leak), leak),
        ("reservoir: shorted", "reservoir", partial(across, "n_reservoir", "0", SHORT), np.nan),
        ("filter capacitor: dried", "filter", partial(times, "c_filter", dried), dried),
        ("filter capacitor: leaky", "filter", partial(across, "n_out", "0", leak), leak),
        ("winding: joint of high resistance", "winding", both(*(partial(times, n, joint) for n in windings)), joint),
    ]
    for kind, part, change, size in kinds:
        yield Fault(f"supply: {kind}", f"supply.{part}", names, supplies(change), size)
    yield Fault("supply: bleeder open", "supply.bleeder", names, supplies(partial(exactly, "r_bleeder", OPEN)))
    for kind, factor in (("mains high", 1.15), ("mains low", 0.85)):
        yield Fault(f"supply: {kind}", "mains", names, partial(_mains, factor), factor)
    yield Fault("supply: fuse blown", "fuse", names, partial(_mains, 1e-4))


def _mains(factor: float, build: Build) -> None:
    build.mains *= factor
    build.supply_changed = True


# --- wires and controls -------------------------------------------------------------------------------------------


def wires(design: Design, chance: Chance) -> Iterator[Fault]:
    deck = design.deck
    for join in design.table["joins"]:
        (one, _), (other, second) = (side.strip().split(".") for side in join.split("->"))
        shared = _nodes_of(deck, one) & _nodes_of(deck, other)
        probe = next((d for d in deck.devices.values() if d.name == f"v_{other}__probe"), None)
        if probe is not None:
            yield Fault("wire: feedback not connected", join, (f"{other}.feedback", f"{other}.input", join),
                        partial(off, probe.name))  # fmt: skip
        for node in sorted(shared)[:1]:
            kind = (
                "supply"
                if "supply" in second or (second == "input" and f"r_{other}__dropper" in deck.devices)
                else "signal"
            )
            ends = {path for side in (one, other) for path in equivalents(deck, node) if path.startswith(f"{side}.")}
            yield Fault(f"wire: {kind} not connected", join, (join, *sorted(ends)), partial(_parted, node, other))
    for stage in dict.fromkeys(valve.rpartition(".")[0] for valve in deck.valves):
        grounded = [d.name for d in deck.devices.values() if d.stage == stage and d.name[0] in "rc" and "0" in d.nodes]
        if len(grounded) > 1:
            names = tuple(deck[name].path for name in grounded)
            yield Fault("wire: ground of a stage not connected", stage, (stage, f"{stage}.ground", *names),
                        partial(_lifted, stage, tuple(grounded)))  # fmt: skip
    for bias in [n for n in deck.devices if n.endswith("__bias_supply") and float(deck[n].rest.split()[1])]:
        yield Fault("supply: grid bias missing", deck[bias].path, (deck[bias].path,), partial(_unbiased, bias))


def _nodes_of(deck: Deck, stage: str) -> set[str]:
    own = [d for d in deck.devices.values() if d.stage == stage and d.name[0] in "rcv" and "pin_" not in d.name]
    pins = [valve.outside.values() for path, valve in deck.valves.items() if path.startswith(f"{stage}.")]
    nodes = {node for given in [*(d.nodes for d in own), *pins] for node in given}
    return {node for node in nodes if node != "0" and not node.startswith(("kit_", "pin_"))}


def _parted(node: str, stage: str, build: Build) -> None:
    """Take a stage's leads off a node."""
    pins = {f"v_{pin}" for p, v in build.deck.valves.items() if p.startswith(f"{stage}.") for pin in v.pins.values()}
    leads = [d.name for d in build.deck.devices.values()
             if node in d.nodes and (d.name in pins or (d.stage == stage and d.name[0] in "rc"))]  # fmt: skip
    build.deck.move(leads, {node: f"kit_off_{stage}"})
    across(node, f"kit_off_{stage}", OPEN, build)


def _lifted(stage: str, names: tuple[str, ...], build: Build) -> None:
    build.deck.move(names, {"0": f"kit_ground_{stage}"})
    across(f"kit_ground_{stage}", "0", OPEN, build)


def _unbiased(bias: str, build: Build) -> None:
    build.deck[bias].rest = "dc 0"


def controls(design: Design, chance: Chance) -> Iterator[Fault]:
    deck = design.deck
    for upper in [d for d in deck.devices.values() if d.name.endswith("pot_upper")]:
        lower = deck[upper.name.replace("_upper", "_lower")]
        whole, share = upper.value + lower.value, lower.value / (upper.value + lower.value)
        new = min(max(share * float(chance.choice([0.2, 0.4, 2.0, 4.0])), 0.01), 0.98)
        base = upper.path.removesuffix("_upper")
        names = (upper.path, lower.path, base, f"{upper.stage}.position",
                 f"{upper.stage}.{base.partition('.')[2].removesuffix('_pot')}")  # fmt: skip
        moved = both(partial(exactly, upper.name, whole * (1.0 - new)), partial(exactly, lower.name, whole * new))
        yield Fault("control: at another position", base, names, moved, new / share)
        yield Fault("control: track open above the wiper", base, names, partial(exactly, upper.name, OPEN))
        yield Fault("control: track open below the wiper", base, names, partial(exactly, lower.name, OPEN))
        wiper = next(iter(set(upper.nodes) & set(lower.nodes)))
        yield Fault("control: wiper not touching", base, (*names, *equivalents(deck, wiper)),
                    partial(_wiper, upper.name, lower.name, wiper))  # fmt: skip


def _wiper(upper: str, lower: str, wiper: str, build: Build) -> None:
    build.deck.move([upper, lower], {wiper: f"kit_wiper_{upper}"})
    across(wiper, f"kit_wiper_{upper}", OPEN, build)
