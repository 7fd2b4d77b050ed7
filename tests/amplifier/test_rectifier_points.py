"""Rectifiers at work in published amplifiers: direct voltage at the reservoir, as printed on their schematics.

Source: winding voltage, first capacitor, load and direct voltage of section E of the collection of published stages
(seen on schematics). No schematic prints the transformer's resistance, and a transformer for 210 mA isn't wound like
one for 50 mA: for all the same part of winding voltage over current is taken, as it follows from the one service sheet
that prints winding and rail (13 W, see published_amplifiers.WINDING_SHARE). Asked for: 8 %.
"""

from __future__ import annotations

import pytest
from published_amplifiers import WINDING_SHARE

import simwrap

#: Rectifier, winding [V r.m.s.], what is in series with it [ohm], first capacitor [F], load [A], printed voltage [V].
POINTS = [
    ("5Y3GT", 320.0, 0.0, 20e-6, 0.050, 360.0),
    ("GZ34", 285.0, 0.0, 33e-6, 0.096, 352.0),
    ("GZ34", 360.0, 0.0, 30e-6, 0.210, 435.0),
    ("EZ81", 300.0, 0.0, 16e-6, 0.100, 322.5),
    ("EZ81", 220.0, 100.0, 64e-6, 0.080, 220.0),
]
#: Rows whose load is a word ("class AB pair", "four"), so that nothing can be computed: GZ34 at 340, 330 and 325 V.
EDGE = 0.08


def computed(rectifier: str, winding: float, series: float, capacitor: float, load: float) -> float:
    copper = WINDING_SHARE * winding / load
    made = simwrap.stage(
        "supply", rectifier=rectifier, winding_voltage=winding, winding_resistance=copper + series,
        reservoir_capacitor=capacitor, load_current=load, filter="resistor", filter_resistor=0, filter_capacitor=0,
        first_dropper_capacitor=0, bleeder=0,
    )  # fmt: skip
    return float(simwrap.measure(made, {"supply": {"loads": (1.0,)}}).supply.reservoir_voltage)


@pytest.mark.parametrize("point", POINTS, ids=lambda point: f"{point[0]}-{point[1]:g}V")
def test_direct_voltage_of_a_published_supply(point):
    *given, printed = point
    found = computed(*given)
    print(f"\n{given[0]} at {given[1]:g} V, {1e3 * given[4]:g} mA: {found:.0f} V, printed {printed:g} V, "
          f"{100.0 * (found / printed - 1.0):+.1f} %")  # fmt: skip
    assert found == pytest.approx(printed, rel=EDGE)
