"""A component: what its file has as printed, and the law through that."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from simwrap.components.laws import Junction, Law, law_of, netlist_lines
from simwrap.components.schema import ELECTRODES, ComponentFile, Limits
from simwrap.errors import FileProblemsError, InputError


@dataclass(frozen=True, repr=False, eq=False)
class Component:
    """A semiconductor or gas stabiliser; made by :func:`simwrap.components.get_component`."""

    record: ComponentFile
    law: Law
    path: Path | None = None

    @classmethod
    def from_file(cls, record: ComponentFile, path: Path | None = None) -> Component:
        """Return the component of a checked file."""
        law = law_of(record)
        if isinstance(law, Junction) and (law.level < 0.0 or law.emission <= 0.0):
            why = "printed: no law goes through these rows that carries nothing at 0 V; see that voltages rise"
            raise FileProblemsError(path or record.name, [why])
        return cls(record, law, path)

    def __eq__(self, other: object) -> bool:
        """Whether all that a file says is the same."""
        return isinstance(other, Component) and self.record == other.record

    def __hash__(self) -> int:
        return hash((self.name, self.law))

    @property
    def name(self) -> str:
        """Name of the type."""
        return self.record.name

    @property
    def kind(self) -> str:
        """What it is: "diode", "led", "zener", "stabiliser", "transistor" or "mosfet"."""
        return self.record.kind

    @property
    def electrodes(self) -> tuple[str, ...]:
        """Its electrodes by name."""
        return ELECTRODES[self.kind]

    @property
    def limits(self) -> Limits:
        """What its maker allows."""
        return self.record.limits

    def __repr__(self) -> str:
        return f"<{self.name}, {self.kind}: {self.record.summary}>"

    def netlist(self, instance: str, *, dark: bool = False, **nodes: str) -> list[str]:
        """Return its SPICE lines, lower-case with plain numbers.

        Parameters
        ----------
        instance : str
            Name in the netlist, such as "q1".
        dark : bool
            Whether a stabiliser hasn't struck.
        **nodes : str
            A node for each electrode.

        Raises
        ------
        InputError
            If an electrode has no node, or isn't one.
        """
        if set(nodes) != set(self.electrodes):
            raise InputError(f"{self.name} as {instance}: a {self.kind} needs a node for {', '.join(self.electrodes)}")
        ordered: Mapping[str, str] = {role: nodes[role] for role in self.electrodes}
        return netlist_lines(self.law, self.kind, self.record.strays, instance, ordered, dark=dark)
