"""Load lines of a valve in its stage, from the parts around it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from simwrap.units import quantity


@dataclass(frozen=True)
class Bias:
    """Operating point of a valve: volts anode to cathode, amperes in its load line, cathode's over these."""

    volts: float
    amps: float
    cathode_share: float = 1.0


@dataclass(frozen=True)
class LoadLine:
    """A straight line in the anode curves.

    Attributes
    ----------
    name : str
    resistance : float
        [ohm].
    volts : float
        Anode to cathode where no current flows [V].
    direct : bool
        For slow changes (d.c.), or else for the signal (a.c.).
    """

    name: str
    resistance: float
    volts: float
    direct: bool


def load_lines(stage: Any, instance: str, bias: Bias) -> list[LoadLine]:
    """Return the load lines of a valve, none where the stage's parts don't tell them.

    The a.c. lines are for mid-band: capacitors are shorts, inductances are open.
    """
    values = stage.values
    for part, lines in _BY_PART.items():
        if part in values:
            return lines(values, instance, bias)
    return []


def _ohms(values: Mapping[str, Any], *names: str) -> float:
    return sum(float(values.get(name) or 0.0) for name in names)


def _parallel(*resistances: float) -> float:
    """Return resistances in parallel [ohm]; 0 isn't there."""
    conductance = sum(1.0 / r for r in resistances if r > 0)
    return 1.0 / conductance if conductance else 0.0


def _line(bias: Bias, resistance: float, *, direct: bool, words: str = "", volts: float | None = None) -> LoadLine:
    name = f"{'d.c.' if direct else 'a.c.'} load, {quantity.render(resistance, 'ohm', digits=3)}{words}"
    return LoadLine(name, resistance, bias.volts + bias.amps * resistance if volts is None else volts, direct)


def _pair(bias: Bias, direct: float, signal: float) -> list[LoadLine]:
    """Return the d.c. line, and the a.c. line where it is another one."""
    lines = [_line(bias, direct, direct=True)]
    if signal > 0 and abs(signal - direct) > 1e-3 * direct:
        lines.append(_line(bias, signal, direct=False))
    return lines


def _loaded(values: Mapping[str, Any], anode: float) -> float:
    """Return the anode resistor with the load resistor behind the coupling capacitor [ohm]."""
    return _parallel(anode, _ohms(values, "load_resistor"))


def _coupled(values: Mapping[str, Any]) -> bool:
    return _ohms(values, "coupling_capacitor") > 0


def _anode_loaded(values: Mapping[str, Any], instance: str, bias: Bias) -> list[LoadLine]:
    anode = _ohms(values, "anode_resistor")
    bypassed, bare = _ohms(values, "cathode_resistor"), _ohms(values, "unbypassed_resistor")
    below = (bypassed + bare) * bias.cathode_share
    still = (bare if _ohms(values, "cathode_capacitor") else bypassed + bare) * bias.cathode_share
    if anode <= 0:
        return []
    if not _ohms(values, "load_resistor") or "bass_pot" in values:  # a network whose load goes with the frequency
        return [_line(bias, anode + below, direct=True)]
    signal = _loaded(values, anode)
    direct = anode if _coupled(values) or "coupling_capacitor" not in values else signal
    return _pair(bias, direct + below, signal + still)


def _two_stages(values: Mapping[str, Any], instance: str, bias: Bias) -> list[LoadLine]:
    if instance == "v1":
        part, fed = "first", _ohms(values, "decoupling_resistor")
        leak = _ohms(values, "second_grid_leak" if values["volume_taper"] == "none" else "volume_pot")
        bare = 0.0 if _ohms(values, "decoupling_capacitor") else fed
    else:
        part, fed, bare, leak = "second", 0.0, 0.0, _ohms(values, "load_resistor")
    anode, cathode = _ohms(values, f"{part}_anode_resistor"), _ohms(values, f"{part}_cathode_resistor")
    signal = _parallel(anode + bare, leak)
    direct = anode + fed if instance == "v1" or _coupled(values) else signal
    still = 0.0 if _ohms(values, f"{part}_cathode_capacitor") else cathode
    return _pair(bias, direct + cathode, signal + still)


def _long_tailed(values: Mapping[str, Any], instance: str, bias: Bias) -> list[LoadLine]:
    """The pair in opposite phase: its cathodes stand still."""
    anode = _ohms(values, "anode_resistor" if instance == "v1" else "anode_resistor_b")
    signal = _loaded(values, anode)
    return _pair(bias, anode if _coupled(values) else signal, signal)


def _split(values: Mapping[str, Any], instance: str, bias: Bias) -> list[LoadLine]:
    """The cathodyne: a load in the anode and one in the cathode."""
    own = _ohms(values, "bias_resistor") if values["bias"] == "self" else 0.0
    anode, cathode = _ohms(values, "anode_resistor"), _ohms(values, "cathode_resistor")
    signal = _loaded(values, anode) + _parallel(cathode, _ohms(values, "load_resistor_b"))
    direct = anode + cathode if _coupled(values) else signal
    return _pair(bias, direct + own, signal + (0.0 if _ohms(values, "bias_capacitor") else own))


def _follower(values: Mapping[str, Any], instance: str, bias: Bias) -> list[LoadLine]:
    cathode = _ohms(values, "cathode_resistor") + (_ohms(values, "bias_resistor") if values["bias"] == "self" else 0.0)
    anode = _ohms(values, "anode_resistor")
    signal = _parallel(cathode, _ohms(values, "load_resistor"))
    direct = cathode if _coupled(values) else signal
    return _pair(bias, direct + anode, signal + (0.0 if _ohms(values, "anode_capacitor") else anode))


def _cathode_of_output(values: Mapping[str, Any], bias: Bias) -> tuple[float, float]:
    """Return the cathode resistor of one valve for d.c., and what of it isn't bypassed [ohm]."""
    sense = _ohms(values, "sense_resistor") * bias.cathode_share
    if values.get("bias") != "cathode":
        return sense, sense
    own = _ohms(values, "cathode_resistor") * bias.cathode_share
    return sense + own, sense + (0.0 if _ohms(values, "cathode_capacitor") else own)


def _transformed(values: Mapping[str, Any], load: float, part: float) -> tuple[float, float]:
    """Return resistance of the winding and what it feeds [ohm], of such a part of the primary's impedance."""
    if values.get("transformer") != "real":
        return 0.0, part * load
    load *= 1.0 + _ohms(values, "secondary_resistance") / _ohms(values, "speaker_impedance")
    return _ohms(values, "primary_resistance"), part * _parallel(load, _ohms(values, "core_loss_resistor"))


def _single_ended(values: Mapping[str, Any], instance: str, bias: Bias) -> list[LoadLine]:
    winding, load = _transformed(values, _ohms(values, "anode_load"), 1.0)
    below, still = _cathode_of_output(values, bias)
    words = " with the transformer's losses" if values.get("transformer") == "real" else ""
    return [
        _line(bias, winding + below, direct=True, words=" (winding and cathode)"),
        _line(bias, winding + load + still, direct=False, words=words),
    ]


def _push_pull(values: Mapping[str, Any], instance: str, bias: Bias) -> list[LoadLine]:
    """Either valve of a pair: half the anode-to-anode load while both conduct, a quarter when one is left alone."""
    winding, quarter = _transformed(values, _ohms(values, "anode_to_anode_load"), 0.25)
    winding /= 2.0
    below, still = _cathode_of_output(values, bias)
    sense = _ohms(values, "sense_resistor") * bias.cathode_share
    shared = values.get("cathode_connection") == "shared" and values.get("bias") == "cathode"
    # In a shared cathode resistor the signals of both valves cancel.
    direct = winding + (2.0 * below - sense if shared else below)
    both = winding + 2.0 * quarter + (sense if shared else still)
    alone = winding + quarter + still
    lost = winding + (2.0 * still - sense if shared else still)  # what the other valve's current doesn't take away
    losses = " with losses" if values.get("transformer") == "real" else ""
    return [
        _line(bias, direct, direct=True, words=" (winding and cathode)"),
        _line(bias, both, direct=False, words=f" (Raa/2{losses}), both valves conduct"),
        _line(
            bias, alone, direct=False, words=f" (Raa/4{losses}), the other is cut off",
            volts=bias.volts + bias.amps * lost,
        ),
    ]  # fmt: skip


_Lines = Callable[[Mapping[str, Any], str, Bias], list[LoadLine]]
#: The first part that a stage has tells how its valves are loaded.
_BY_PART: dict[str, _Lines] = {
    "anode_to_anode_load": _push_pull,
    "anode_load": _single_ended,
    "first_anode_resistor": _two_stages,
    "tail_resistor": _long_tailed,
    "load_resistor_b": _split,
    "bias_resistor": _follower,
    "anode_resistor": _anode_loaded,
}
