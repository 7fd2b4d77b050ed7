"""From a checked netlist and one point's values to the text that an engine loads."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from simwrap.engine.allow_list import Parsed, value_field
from simwrap.engine.protocol import Pulse, Pwl, Sine

#: Tight enough that a solve is the same to 1e-12 wherever it starts from.
SMALL_OPTIONS = ".options reltol=1e-6 vntol=1e-9 abstol=1e-12"
#: Trapezoidal: the other method hides real oscillations. What Newton's iteration leaves over is distortion
#: that isn't there (reltol 1e-5 alone: -107 dB), so it is tight, and trtol keeps the time steps as they were.
TRANSIENT_OPTIONS = ".options method=trap reltol=1e-6 vntol=1e-8 abstol=1e-9 trtol=70"
#: For circuits that an engine can't start so tightly.
LOOSE_OPTIONS = ".options method=trap reltol=1e-5 abstol=1e-9"


def write(value: float) -> str:
    """Write a number as both engines read it back exactly."""
    return repr(float(value))


class Deck:
    """Element lines of one circuit, with the values of one point put in."""

    def __init__(self, parsed: Parsed) -> None:
        self.parsed = parsed
        # Comments stay behind: a line that starts with *# is a command to one engine.
        self.order = [(name, device.line - 1) for name, device in parsed.devices.items()]
        self.models = [line for line in parsed.lines if line.startswith(".model")]

    def lines(self, values: Mapping[str, float], replace: Mapping[str, Sequence[str]] | None = None) -> list[str]:
        """Return the lines with ``values`` put in and the devices in ``replace`` written anew."""
        found: list[str] = []
        for name, index in self.order:
            if replace and name in replace:
                found += replace[name]
            elif name in values:
                fields = list(self.parsed.devices[name].fields)
                fields[value_field(self.parsed.devices[name])] = write(values[name])
                found.append(" ".join(fields))
            else:
                found.append(self.parsed.lines[index])
        return found + self.models

    def text(self, lines: Sequence[str], *cards: str) -> str:
        """Return the whole deck; without a title the first element would be eaten."""
        return "\n".join(["* simwrap", *lines, *cards, ".end", ""])

    def drive(self, source: str, values: Mapping[str, float], terms: Sequence[Sine | Pulse | Pwl]) -> list[str]:
        """Return the lines that replace ``source``: its terms in series (v) or in parallel (i)."""
        device = self.parsed.devices[source]
        plus, minus = device.nodes
        offset = float(values.get(source, float(device.fields[4])))
        if not terms:
            return [f"{source} {plus} {minus} dc {write(offset)}"]
        found = []
        last = len(terms) - 1
        for index, term in enumerate(terms):
            name = source if index == 0 else f"{source}_term{index}"
            one, other = plus, minus
            if device.kind == "v":
                one = plus if index == 0 else f"n_{source}_term{index}"
                other = minus if index == last else f"n_{source}_term{index + 1}"
            # The operating point is that of the quiet circuit, so "dc" stays the plain value.
            wave = _wave(term, offset if index == 0 else 0.0)
            found.append(f"{name} {one} {other} dc {write(offset if index == 0 else 0.0)} {wave}")
        return found

    def initial(self, state: Mapping[str, float], lines: list[str], own_flux_only: bool = False) -> list[str]:
        """Return ``lines`` with inductor currents put in, and ``.ic`` cards for the node voltages.

        Where an engine takes only an inductor's own flux from ``ic=`` (``own_flux_only``), the current
        written is the one whose own flux is the whole flux, that of the coupled inductors included.
        """
        given = {name[2:-1]: value for name, value in state.items() if name.startswith("i(")}
        if own_flux_only and given:
            given = _whole_flux(given, lines)
        found = []
        for line in lines:
            current = given.get(line.split(None, 1)[0])
            found.append(line if current is None else f"{line} ic={write(current)}")
        nodes = [f"v({node})={write(value)}" for node, value in state.items() if not node.startswith("i(")]
        return found + [".ic " + " ".join(nodes[k : k + 8]) for k in range(0, len(nodes), 8)]


def _whole_flux(currents: Mapping[str, float], lines: Sequence[str]) -> dict[str, float]:
    fields = [line.split() for line in lines if line[0] in "lk"]
    size = {words[0]: float(words[3]) for words in fields if words[0][0] == "l"}
    found = dict(currents)
    for _, one, other, coupling in (words for words in fields if words[0][0] == "k"):
        ratio = math.sqrt(size[other] / size[one])
        found[one] += float(coupling) * ratio * currents[other]
        found[other] += float(coupling) / ratio * currents[one]
    return found


def _wave(term: Sine | Pulse | Pwl, offset: float) -> str:
    if isinstance(term, Sine):
        values = [offset, term.amplitude, term.frequency, 0.0, 0.0, term.phase]
        return "sin(" + " ".join(map(write, values)) + ")"
    if isinstance(term, Pulse):
        values = [offset + term.low, offset + term.high]
        values += [term.delay, term.rise, term.fall, term.width, term.period]
        return "pulse(" + " ".join(map(write, values)) + ")"
    pairs = zip(term.times, term.values, strict=True)
    return "pwl(" + " ".join(f"{write(time)} {write(offset + value)}" for time, value in pairs) + ")"
