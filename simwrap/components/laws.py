"""Laws of components: their constants in closed form from printed rows, and their netlist lines.

- A junction: ``V = level + n VT ln(1 + I/Is) + rs I`` (W. Shockley, Bell Syst. Tech. J. 28 (1949) 435, with the
  emission coefficient and series resistance of every SPICE). Diodes and LEDs have level 0; a zener's working direction
  and a stabiliser that burns are the same law standing on a level, with ``Is`` of 1 nA.
- A transistor: J. J. Ebers, J. L. Moll, Proc. IRE 42 (1954) 1761, with J. M. Early's effect (Proc. IRE 40 (1952) 1401)
  as a factor ``1 + Vcb/VA`` on what is transported; the current gain doesn't hang on the current.
- A MOSFET: C. C. Enz, F. Krummenacher, E. A. Vittoz, Analog Integrated Circuits and Signal Processing 8 (1995) 83, with
  slope factor 1: ``I = 2 beta VT^2 (L(Vgs)^2 - L(Vgd)^2)``, ``L(V) = ln(1 + exp((V - Vt)/(2 VT)))``, which is the
  square law above threshold and exponential below, in either direction. Sources from memory.

All is made of elements that both engines and the linearised circuit know: diodes, sensed currents, expressions.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simwrap.components.schema import ComponentFile, PrintedRow, Strays

#: kT/q at 27 Celsius as both engines have it [V] (CODATA 2014).
THERMAL = 1.38064852e-23 * 300.15 / 1.6021766208e-19
#: Saturation current of a law that stands on a level [A]: what leaks before the knee.
LEAKAGE = 1e-9
#: Current gain backwards, which only counts in saturation: an assumption, no sheet prints it.
REVERSE_GAIN = 2.0


@dataclass(frozen=True)
class Junction:
    """Constants of a junction: saturation current [A], emission coefficient, series resistance [ohm], level [V]."""

    saturation: float
    emission: float
    series: float
    level: float = 0.0

    def voltage(self, current: float) -> float:
        """Return the voltage [V] at a current [A]."""
        swing = self.emission * THERMAL * math.log1p(current / self.saturation)
        return self.level + swing + self.series * current

    def resistance(self, current: float) -> float:
        """Return the dynamic resistance [ohm] at a current [A]."""
        return self.emission * THERMAL / (current + self.saturation) + self.series


@dataclass(frozen=True)
class Bipolar:
    """Constants of a transistor: saturation current [A], current gain, Early voltage [V]."""

    saturation: float
    gain: float
    early: float


@dataclass(frozen=True)
class Fet:
    """Constants of a MOSFET: ``beta`` [A/V2], threshold [V], ``modulation`` [1/V]."""

    beta: float
    threshold: float
    modulation: float

    def current(self, gate_voltage: float) -> float:
        """Return the current [A] in saturation at a gate voltage [V]."""
        drive = (gate_voltage - self.threshold) / (2.0 * THERMAL)
        return 2.0 * self.beta * THERMAL**2 * float(np.logaddexp(0.0, drive)) ** 2

    def transconductance(self, current: float) -> float:
        """Return dI/dVgs [S] in saturation at a current [A]."""
        root = math.sqrt(current / (2.0 * self.beta)) / THERMAL
        return math.sqrt(2.0 * self.beta * current) * -math.expm1(-root)


Law = Junction | Bipolar | Fet


def law_of(record: ComponentFile) -> Law:
    """Return the law that goes through what a file has as printed."""
    rows = sorted(record.printed, key=lambda row: row.current)
    if record.kind == "transistor":
        return _bipolar(rows)
    if record.kind == "mosfet":
        return _fet([row for row in rows if row.gate_voltage is not None], record.modulation)
    return {"zener": _zener, "stabiliser": _stabiliser}.get(record.kind, _diode)(rows)


def _diode(rows: Sequence[PrintedRow]) -> Junction:
    """Return the least squares of V = a ln I + b + rs I; a resistance below 0 is none."""
    current, voltage = (
        np.array([getattr(row, name) for row in rows if row.voltage]) for name in ("current", "voltage")
    )
    columns = np.stack([np.log(current), np.ones_like(current), current], axis=1)
    count = 3 if len(current) > 2 else 2
    found = np.linalg.lstsq(columns[:, :count], voltage, rcond=None)[0]
    if count == 3 and found[2] < 0.0:
        found = np.linalg.lstsq(columns[:, :2], voltage, rcond=None)[0]
    slope, offset, series = (*found.tolist(), 0.0)[:3]
    return Junction(math.exp(-offset / slope), slope / THERMAL, series)


def _zener(rows: Sequence[PrintedRow]) -> Junction:
    """Return the law with both printed dynamic resistances, r = a/I + rs, through the printed voltage."""
    knee, test = (row for row in (rows[0], rows[-1]))
    assert knee.resistance
    assert test.resistance
    assert test.voltage
    slope = (knee.resistance - test.resistance) / (1.0 / knee.current - 1.0 / test.current)
    series = test.resistance - slope / test.current
    if series < 0.0:  # the knee's is a limit, the other one typical: that where it works counts
        slope, series = test.resistance * test.current, 0.0
    return _standing(slope / THERMAL, series, test.current, test.voltage)


def _stabiliser(rows: Sequence[PrintedRow]) -> Junction:
    """Return the law through the ends of its running range, with the softness of one thermal voltage below it."""
    low, high = rows[0], rows[-1]
    assert low.voltage
    assert high.voltage
    rise = high.voltage - low.voltage - THERMAL * math.log(high.current / low.current)
    return _standing(1.0, max(rise / (high.current - low.current), 0.0), low.current, low.voltage)


def _standing(emission: float, series: float, current: float, voltage: float) -> Junction:
    bare = Junction(LEAKAGE, emission, series)
    return Junction(LEAKAGE, emission, series, voltage - bare.voltage(current))


def _bipolar(rows: Sequence[PrintedRow]) -> Bipolar:
    row = rows[0]
    assert row.base_emitter_voltage
    assert row.current_gain
    early = row.current / row.output_conductance if row.output_conductance else math.inf
    return Bipolar(row.current * math.exp(-row.base_emitter_voltage / THERMAL), row.current_gain, early)


def _fet(rows: Sequence[PrintedRow], modulation: float) -> Fet:
    """Return the law through the first and the last row: of the slope factor beta alone, by halving its logarithm."""
    first, last = rows[0], rows[-1]

    def through_first(beta: float) -> Fet:
        root = math.sqrt(first.current / (2.0 * beta)) / THERMAL
        drive = math.log(math.expm1(root)) if root < 30.0 else root
        assert first.gate_voltage is not None
        return Fet(beta, first.gate_voltage - 2.0 * THERMAL * drive, modulation)

    low, high = math.log(1e-9), math.log(1e5)
    assert last.gate_voltage is not None
    for _ in range(100):
        middle = 0.5 * (low + high)
        less = through_first(math.exp(middle)).current(last.gate_voltage) < last.current
        low, high = (middle, high) if less else (low, middle)
    return through_first(math.exp(0.5 * (low + high)))


def netlist_lines(
    law: Law, kind: str, strays: Strays, instance: str, nodes: Mapping[str, str], *, dark: bool = False
) -> list[str]:
    """Return the SPICE lines of a component.

    Parameters
    ----------
    law : Law
    kind : str
    strays : Strays
    instance : str
        Such as "q1": devices are ``d_q1``, ``b_q1_...``; the node ``n_q1_ia`` carries its current in mA as volts.
    nodes : mapping of str to str
        Node by electrode.
    dark : bool
        Whether a stabiliser hasn't struck: it is open.
    """
    i = instance
    first, *_, last = nodes.values()
    if kind in ("zener", "stabiliser"):
        first, last = (nodes["cathode"], nodes["anode"]) if kind == "zener" else (first, last)
    inner = f"n_{i}_in"
    lines = [f"v_{i}_sense {first} {inner} dc 0", f"h_{i}_ia n_{i}_ia 0 v_{i}_sense 1000"]
    if dark:
        return [*lines, f"r_{i}_dark {inner} {last} 1e9"]
    if isinstance(law, Bipolar):
        return lines + _transistor(law, strays, i, nodes, inner)
    if isinstance(law, Fet):
        return lines + _mosfet(law, strays, i, nodes, inner)
    model = f"is={law.saturation!r} n={law.emission!r} rs={law.series!r}"
    if law.level == 0.0:
        return [*lines, f"d_{i} {inner} {last} {i}_law", f".model {i}_law d({model})"] + _across(i, strays, inner, last)
    lines += [f"d_{i} {inner} n_{i}_foot {i}_law", f"v_{i}_level n_{i}_foot {last} dc {law.level!r}"]
    if kind == "zener":  # the other way it is an ordinary silicon junction
        lines += [f"d_{i}_forward {last} {inner} {i}_forward", f".model {i}_forward d(is=1e-12 n=1.0)"]
    return [*lines, f".model {i}_law d({model})"] + _across(i, strays, inner, last)


def _across(i: str, strays: Strays, one: str, other: str) -> list[str]:
    return [f"c_{i}_across {one} {other} {strays.across!r}"] if strays.across else []


def _transistor(law: Bipolar, strays: Strays, i: str, nodes: Mapping[str, str], inner: str) -> list[str]:
    base, emitter = nodes["base"], nodes["emitter"]
    early = f"*(1+v({inner},{base})/{law.early!r})" if math.isfinite(law.early) else ""
    # Of the voltages themselves: times the gain, what an engine leaves over of a diode's current would be heard.
    across = [f"exp(min(v({base},{end})/{THERMAL!r},40))" for end in (emitter, inner)]
    # Charge that crosses the base: as a transit time of the small current that its junction's diode carries.
    transit = law.gain / (2.0 * math.pi * strays.transition_frequency) if strays.transition_frequency else 0.0
    lines = [
        f"d_{i}_be {base} {emitter} {i}_be",
        f"d_{i}_bc {base} {inner} {i}_bc",
        f".model {i}_be d(is={law.saturation / law.gain!r} tt={transit!r})",
        f".model {i}_bc d(is={law.saturation / REVERSE_GAIN!r})",
        f"b_{i}_transport {inner} {emitter} i={law.saturation!r}*({across[0]}-{across[1]}){early}",
    ]
    pairs = (("bc", base, inner, strays.collector_base), ("be", base, emitter, strays.base_emitter))
    return lines + [f"c_{i}_{name} {one} {other} {value!r}" for name, one, other, value in pairs if value]


def _mosfet(law: Fet, strays: Strays, i: str, nodes: Mapping[str, str], inner: str) -> list[str]:
    gate, source = nodes["gate"], nodes["source"]

    def drive(letter: str, end: str) -> list[str]:
        node, level = f"n_{i}_{letter}", f"n_{i}_{letter}l"
        return [
            f"b_{i}_{letter}l {level} 0 v=(v({gate},{end})-({law.threshold!r}))/{2.0 * THERMAL!r}",
            f"b_{i}_{letter} {node} 0 v=uramp(v({level}))+ln(1+exp(0-abs(v({level}))))",
        ]

    scale = 2.0 * law.beta * THERMAL**2
    flow = f"{scale!r}*(v(n_{i}_f)*v(n_{i}_f)-v(n_{i}_r)*v(n_{i}_r))*(1+{law.modulation!r}*abs(v({inner},{source})))"
    lines = [*drive("f", source), *drive("r", inner), f"b_{i}_channel {inner} {source} i={flow}"]
    lines += [f"d_{i}_body {source} {inner} {i}_body", f".model {i}_body d(is=1e-12 n=1.0)"]
    crss = strays.reverse_transfer
    pairs = (
        ("gd", gate, inner, crss),
        ("gs", gate, source, strays.input - crss),
        ("ds", inner, source, strays.output - crss),
    )
    return lines + [
        f"c_{i}_{name} {one} {other} {value!r}" for name, one, other, value in pairs if value > 0.0 and one != other
    ]


def proof(record: ComponentFile, law: Law) -> list[tuple[PrintedRow, str, float, float]]:
    """Return row, quantity, printed number and the law's, of every printed number that a law has an answer to."""
    found: list[tuple[PrintedRow, str, Any, float]] = []
    for row in record.printed:
        if isinstance(law, Junction):
            found += [(row, "voltage", row.voltage, law.voltage(row.current)),
                      (row, "resistance", row.resistance, law.resistance(row.current))]  # fmt: skip
        elif isinstance(law, Fet):
            if row.gate_voltage is not None:
                found.append((row, "current", row.current, law.current(row.gate_voltage)))
            found.append((row, "transconductance", row.transconductance, law.transconductance(row.current)))
        else:
            volts = THERMAL * math.log(row.current / law.saturation)
            found += [(row, "base_emitter_voltage", row.base_emitter_voltage, volts),
                      (row, "current_gain", row.current_gain, law.gain),
                      (row, "output_conductance", row.output_conductance, row.current / law.early)]  # fmt: skip
    return [each for each in found if each[2] is not None]
