"""From a checked netlist and one point's values to the text that an engine loads."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from simwrap.engine.protocol import Pulse, Pwl, Sine
from simwrap.netlist.allow_list import Parsed
from simwrap.netlist.element import Element
from simwrap.netlist.text import line_of, written

#: Tight enough that a solve is the same to 1e-12 wherever it starts from.
SMALL_OPTIONS = ".options reltol=1e-6 vntol=1e-9 abstol=1e-12"
#: Trapezoidal: the other method hides real oscillations. What Newton's iteration leaves over is distortion
#: that isn't there (reltol 1e-5 alone: -107 dB), so it is tight, and trtol keeps the time steps as they were.
TRANSIENT_OPTIONS = ".options method=trap reltol=1e-6 vntol=1e-8 abstol=1e-9 trtol=70"
#: For circuits that an engine can't start so tightly.
LOOSE_OPTIONS = ".options method=trap reltol=1e-5 abstol=1e-9"


class Deck:
    """Elements of one circuit, with the values of one point put in."""

    def __init__(self, parsed: Parsed) -> None:
        self.parsed = parsed
        # Comments stay behind: a line that starts with *# is a command to one engine.
        self._printed = {name: line_of(device) for name, device in parsed.devices.items()}

    def lines(
        self, values: Mapping[str, float], instead: Mapping[str, Mapping[str, str]] | None = None
    ) -> dict[str, str]:
        """Return the lines by element with ``values`` put in, those of ``instead`` in place of their element's."""
        found: dict[str, str] = {}
        for name, line in self._printed.items():
            if instead and name in instead:
                found |= instead[name]
            else:
                found[name] = (
                    line_of(replace(self.parsed.devices[name], value=values[name])) if name in values else line
                )
        return found

    def text(self, lines: Iterable[str], *cards: str) -> str:
        """Return the whole deck; without a title the first element would be eaten."""
        return "\n".join(["* simwrap", *lines, *self.parsed.cards, *cards, ".end", ""])

    def drive(
        self, source: str, values: Mapping[str, float], terms: Sequence[Sine | Pulse | Pwl]
    ) -> dict[str, dict[str, str]]:
        """Return the lines that replace ``source``: its terms in series (v) or in parallel (i)."""
        device = self.parsed.devices[source]
        plus, minus = device.nodes
        offset = float(values.get(source, device.value))
        if not terms:
            return {source: {source: line_of(replace(device, value=offset, ac=()))}}
        found = {}
        last = len(terms) - 1
        for index, term in enumerate(terms):
            name = source if index == 0 else f"{source}_term{index}"
            one, other = plus, minus
            if device.kind == "v":
                one = plus if index == 0 else f"n_{source}_term{index}"
                other = minus if index == last else f"n_{source}_term{index + 1}"
            # The operating point is that of the quiet circuit, so "dc" stays the plain value.
            level = offset if index == 0 else 0.0
            found[name] = f"{line_of(Element(name, (one, other), level))} {_wave(term, level)}"
        return {source: found}

    def initial(
        self, state: Mapping[str, float], lines: Mapping[str, str], values: Mapping[str, float],
        own_flux_only: bool = False,
    ) -> list[str]:  # fmt: skip
        """Return ``lines`` with inductor currents put in, and ``.ic`` cards for the node voltages.

        Where an engine takes only an inductor's own flux from ``ic=`` (``own_flux_only``), the current
        written is the one whose own flux is the whole flux, that of the coupled inductors included.
        """
        given = {name[2:-1]: value for name, value in state.items() if name.startswith("i(")}
        if own_flux_only and given:
            given = self._whole_flux(given, values)
        found = [f"{line} ic={written(given[name])}" if name in given else line for name, line in lines.items()]
        nodes = [f"v({node})={written(value)}" for node, value in state.items() if not node.startswith("i(")]
        return found + [".ic " + " ".join(nodes[k : k + 8]) for k in range(0, len(nodes), 8)]

    def _whole_flux(self, currents: Mapping[str, float], values: Mapping[str, float]) -> dict[str, float]:
        devices = self.parsed.devices
        size = {name: float(values.get(name, devices[name].value)) for name in self.parsed.kind("l")}
        found = dict(currents)
        for coupling in (devices[name] for name in self.parsed.kind("k")):
            one, other = coupling.refers
            ratio = math.sqrt(size[other] / size[one])
            found[one] += coupling.value * ratio * currents[other]
            found[other] += coupling.value / ratio * currents[one]
        return found


def _wave(term: Sine | Pulse | Pwl, offset: float) -> str:
    if isinstance(term, Sine):
        values = [offset, term.amplitude, term.frequency, 0.0, 0.0, term.phase]
        return "sin(" + " ".join(map(written, values)) + ")"
    if isinstance(term, Pulse):
        values = [offset + term.low, offset + term.high]
        values += [term.delay, term.rise, term.fall, term.width, term.period]
        return "pulse(" + " ".join(map(written, values)) + ")"
    pairs = zip(term.times, term.values, strict=True)
    return "pwl(" + " ".join(f"{written(time)} {written(offset + value)}" for time, value in pairs) + ")"
