"""A netlist as text, and as devices whose leads can be moved."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterable, Mapping
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path

#: Nodes of each kind of device.
_NODES = {"r": 2, "c": 2, "l": 2, "v": 2, "i": 2, "b": 2, "f": 2, "e": 4, "g": 4}
_VOLTS = re.compile(r"\bv\(([^(),]+)(?:,([^(),]+))?\)")
_VALVE = re.compile(r"g_(?:(?P<stage>.+)__)?(?P<valve>v\d+\w*)_anode")
#: Resistances of a broken wire and of a shorted one [ohm].
OPEN, SHORT = 1e11, 0.5
ROLES = ("anode", "grid", "cathode", "screen")


@dataclass
class Device:
    """One line: its nodes, and all that follows them."""

    name: str
    nodes: list[str]
    rest: str

    def __str__(self) -> str:
        return " ".join([self.name, *self.nodes, self.rest])

    @property
    def value(self) -> float:
        """Of a resistor, capacitor or coil; of a controlled source its factor."""
        return float(self.rest.split()[-1])

    @value.setter
    def value(self, new: float) -> None:
        self.rest = " ".join([*self.rest.split()[:-1], f"{new:.9g}"])

    @property
    def path(self) -> str:
        """Such as "driver.anode"."""
        return self.name[2:].replace("__", ".", 1)

    @property
    def stage(self) -> str:
        return self.path.partition(".")[0]


@dataclass
class Valve:
    """A valve: its prefix in the netlist, and the node of each pin outside and inside of the metered lead."""

    path: str
    type: str
    outside: dict[str, str] = field(default_factory=dict)
    pins: dict[str, str] = field(default_factory=dict)

    @property
    def prefix(self) -> str:
        return self.path.replace(".", "__")


class Deck:
    """All devices of a netlist by name; every valve's pins have a meter of current in their leads."""

    def __init__(self, text: str) -> None:
        self.values = dict(re.findall(r"^\* ([\w.]+) = (.*?)(?: \(|$)", text, re.MULTILINE))
        self.devices: dict[str, Device] = {}
        self.valves: dict[str, Valve] = {}
        for line in text.splitlines():
            if line[:1] in _NODES:
                name, *words = line.split()
                count = _NODES[name[0]]
                self.devices[name] = Device(name, words[:count], " ".join(words[count:]))
        for name in list(self.devices):
            if found := _VALVE.fullmatch(name):
                self._meter_pins(found["stage"] or "", found["valve"])

    def copy(self) -> Deck:
        return deepcopy(self)

    def __str__(self) -> str:
        return "\n".join(map(str, self.devices.values()))

    def __getitem__(self, name: str) -> Device:
        return self.devices[name]

    def add(self, name: str, nodes: Iterable[str], rest: str) -> None:
        self.devices[name] = Device(name, list(nodes), rest)

    def at(self, node: str) -> list[Device]:
        """Return the devices that hang on a node, without meters."""
        return [d for d in self.devices.values() if node in d.nodes and not d.name.startswith("v_pin")]

    def move(self, names: Iterable[str], nodes: Mapping[str, str]) -> None:
        """Put leads of some devices onto other nodes, in what their expressions read too."""
        for name in names:
            device = self.devices[name]
            device.nodes = [nodes.get(node, node) for node in device.nodes]
            if name[0] == "b":
                device.rest = _VOLTS.sub(
                    lambda m: "v(" + ",".join(nodes.get(n, n) for n in m.groups() if n is not None) + ")", device.rest
                )

    def group(self, prefix: str) -> list[str]:
        """Return the names of the devices that a valve is made of."""
        return [name for name in self.devices if re.match(rf"[bgc]_{prefix}_", name)]

    def _meter_pins(self, stage: str, valve: str) -> None:
        path = f"{stage}.{valve}" if stage else valve
        kind = self.values.get(f"{stage}.valve" if stage else "valve", "")
        other = self.values.get(f"{stage}.second_valve", "same")
        found = Valve(path, other if valve == "v2" and other != "same" else kind)
        self.valves[path] = found
        group = self.group(found.prefix)
        anode = self.devices[f"g_{found.prefix}_anode"]
        found.outside = {"anode": anode.nodes[0], "cathode": anode.nodes[1]}
        for role in ("grid", "screen"):
            if lead := self.devices.get(f"g_{found.prefix}_{role}"):
                found.outside[role] = lead.nodes[0]
        moved: dict[str, str] = {}
        for role in ROLES:
            node = found.outside.get(role)
            if node is not None:
                found.pins[role] = moved.setdefault(node, f"pin_{found.prefix}_{role}")
        self.move(group, moved)
        for node, pin in moved.items():
            self.add(f"v_{pin}", [node, pin], "dc 0")


def netlist_of(design: Path | str, *settings: str) -> str:
    """Return what ``simwrap netlist`` prints of a design or a stage."""
    options = [word for each in settings for word in ("--set", each)]
    command = [sys.executable, "-m", "simwrap", "netlist", str(design), *options]
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout
