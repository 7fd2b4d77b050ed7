"""The anode supply of a build: what its rail gives at each current, by simulating the mains' cycles."""

from __future__ import annotations

from dataclasses import dataclass

from fault_kit.netlist import Deck
from fault_kit.spice import Script, run

#: Load currents, as shares of the healthy load.
SHARES = (0.0, 0.4, 0.8, 1.2, 2.5)


@dataclass(frozen=True)
class Curve:
    """What a supply gives.

    Attributes
    ----------
    currents, volts, ripples, copper : tuple of float
        Load [A], mean at the output [V], ripple there [V peak to peak], and current in the winding [A r.m.s.].
    """

    currents: tuple[float, ...]
    volts: tuple[float, ...]
    ripples: tuple[float, ...]
    copper: tuple[float, ...]

    def scaled(self, mains: float) -> Curve:
        """Return it on other mains: all voltages and currents are multiplied (exact for diodes without a drop)."""
        return Curve(*(tuple(mains * each for each in column)
                       for column in (self.currents, self.volts, self.ripples, self.copper)))  # fmt: skip

    def source(self) -> str:
        """Return the points of ``pwl``, with the ends led on straight and none below zero."""
        points = list(zip(self.currents, self.volts, strict=True))
        (i1, v1), (i2, v2) = points[-2:]
        slope = max((v1 - v2) / (i2 - i1), 1.0)
        end = (i2 + max(v2, 0.0) / slope + 1e-6, 0.0)
        first = (points[0][0] - 1.0, points[0][1])
        return ", ".join(f"{i:.6g}, {v:.6g}" for i, v in [first, *points, end, (end[0] + 10.0, -1e-3)])


def curve(deck: Deck, load: float, *, hertz: float = 50.0, mains: float = 1.0, seconds: float = 1.2) -> Curve:
    """Return a supply's curve: a run from switching on for each load, the last four cycles averaged."""
    deck = deck.copy()
    deck["v_signal"].rest = f"sin(0 {1.4142136 * mains} {hertz:g})"
    currents = [share * load for share in SHARES]
    script = Script()
    begin = seconds - 4.0 / hertz
    copper = "i(v_winding_current)" if "v_winding_current" in deck.devices else "v(n_winding_a,n_hot_a)"
    ohms = 1.0 if "v_winding_current" in deck.devices else deck["r_winding_a"].value
    for current in currents:
        script.do(f"alter v_load dc = {current:.6g}")
        script.do(f"tran 0.1m {seconds} 0 0.2m uic")
        script.do(f"let qc = {copper}/{ohms:g}")
        for what, of in (("avg", "v(n_out)"), ("pp", "v(n_out)"), ("rms", "qc")):
            script.do(f"meas tran qm {what} {of} from={begin} to={seconds}")
            script.ask("qm")
        script.do("destroy")
    found = run(str(deck), script.lines, options="reltol=1e-3 itl4=100")
    return Curve(tuple(currents), tuple(found[0::3]), tuple(found[1::3]), tuple(found[2::3]))
