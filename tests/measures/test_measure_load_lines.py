"""Load lines of valves that stand one above the other: each sees its circuit with the other at work.

Templates of the tests' own. The oracle: slopes of the valve laws by differences at the measured operating point, put
into what circuit theory says a valve sees (Radio Designer's Handbook, 4th ed., ch. 7; a cathode shows (ra + R)/(mu+1),
a cathode resistor beneath an anode (mu + 1) times itself; from memory), and R = g ra / (mu - g) of the measured gain.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

import simwrap

HEADER = """{#toml
summary = "Valves one above the other"
description = "For a test."
measures = ["bias", "response"]
references = ["common practice, no source"]

[ports]
input = { node = "n_grid", source = { resistance = "source_resistance" } }
output = { node = "n_out", load = { resistor = "load_resistor" } }
supply = { node = "n_ht", supply = "supply" }

[parameters]
valve = { unit = "valve", default = "6SN7GT", kinds = ["triode"], label = "lower valve", symbol = "V1" }
upper = { unit = "valve", default = "6SN7GT", kinds = ["triode"], label = "upper valve", symbol = "V2" }
supply = { unit = "V", default = "300 V", minimum = 0.0, maximum = 1000.0, label = "supply", symbol = "Vbb" }
grid_leak = { unit = "ohm", default = "1M", minimum = 1.0, maximum = 1e8, label = "grid leak", symbol = "Rg" }
bypass_capacitor = { unit = "F", default = 0.0, minimum = 0.0, maximum = 1.0, label = "bypass", symbol = "Ck" }
source_resistance = { unit = "ohm", default = "1k", minimum = 0.0, maximum = 1e8, label = "source", symbol = "Rs" }
load_resistor = { unit = "ohm", default = "1M", minimum = 1.0, maximum = 1e9, label = "load resistor", symbol = "RL" }

[valves.v1]
parameter = "valve"
anode = "n_low"
grid = "n_grid"
cathode = "n_foot"
grid_leak = "grid_leak"
"""
LINES = """#}
r_grid_leak n_grid 0 {{ grid_leak }}
{{ valve("v1") }}
{{ valve("v2") }}
r_foot n_foot 0 1000
{% if bypass_capacitor is present %}c_foot n_foot 0 {{ bypass_capacitor }}{% endif %}
"""
#: The upper valve's electrodes, and the lines round it.
SHAPES = {
    # The upper anode straight on the supply, its grid on the lower anode: a valve as the other's load.
    "load": (
        'anode = "n_ht"\ngrid = "n_low"\ncathode = "n_middle"\n',
        "r_upper n_middle n_low 1200\nc_coupling n_middle n_out 1e-5\n",
    ),
    # The upper grid held by a divider: the lower valve sees a cathode.
    "cascode": (
        'anode = "n_top"\ngrid = "n_held"\ncathode = "n_low"\n',
        "r_anode n_ht n_top 33000\nr_high n_ht n_held 470000\nr_held n_held 0 150000\nc_held n_held 0 1e-5\n"
        "c_coupling n_top n_out 1e-5\n",
    ),
}


class Slopes(NamedTuple):
    mu: float
    ra: float


def template(folder: Path, shape: str, ports: str = "") -> simwrap.Stage:
    electrodes, lines = SHAPES[shape]
    file = folder / f"{shape}_of_two.cir.j2"
    header = HEADER.replace("[ports]\n", f"[ports]\n{ports}")
    file.write_text(f'{header}\n[valves.v2]\nparameter = "upper"\n{electrodes}{LINES}{lines}', encoding="utf-8")
    return simwrap.stage(str(file), bypass_capacitor="1000u")


def slopes(valve: Any, rest: Any) -> Slopes:
    """Return amplification factor and anode resistance [ohm] by differences of the law."""
    anode, grid = rest.anode_voltage, rest.grid_voltage
    by_anode = float(valve.currents(anode + 0.1, grid).anode - valve.currents(anode - 0.1, grid).anode) / 0.2
    by_grid = float(valve.currents(anode, grid + 1e-3).anode - valve.currents(anode, grid - 1e-3).anode) / 2e-3
    return Slopes(by_grid / by_anode, 1.0 / by_anode)


def measured(stage: simwrap.Stage) -> tuple[Any, Slopes, Slopes]:
    """Return the load lines and both valves' slopes."""
    found = simwrap.measure(stage, ["bias", "load_lines"])
    low, high = (slopes(stage.valves[name].valve, found.bias.valves[name]) for name in ("v1", "v2"))
    return found.load_lines.valves, low, high


def test_a_valve_that_is_the_load_of_another(tmp_path: Path) -> None:
    lines, low, high = measured(template(tmp_path, "load"))
    above = high.ra + (high.mu + 1.0) * 1200.0  # all that the lower anode looks into for slow changes
    assert lines.v1.direct_load == pytest.approx(above + 1000.0, rel=1e-3)
    # The upper valve, as its own grid is driven, has the lower one beneath it, whose foot counts mu + 1 times. The grid
    # is driven from the lower anode, and so the lower valve's resistance isn't in its way of the grid.
    beneath = 1200.0 + low.ra + (low.mu + 1.0) * 1000.0
    assert lines.v2.direct_load == pytest.approx(beneath, rel=1e-3)


def test_its_load_line_goes_with_its_gain(tmp_path: Path) -> None:
    """R = g ra / (mu - g), the gain measured from grid to anode by a port of its own."""
    stage = template(tmp_path, "load", 'low = { node = "n_low" }\n')
    lines, low, _ = measured(stage)
    gain = simwrap.measure(stage, {"response": {"at": "low"}}).response.gain
    assert lines.v1.signal_load == pytest.approx(gain * low.ra / (low.mu - gain), rel=0.02)


def test_a_cascode(tmp_path: Path) -> None:
    lines, low, high = measured(template(tmp_path, "cascode"))
    loaded = 1.0 / (1.0 / 33e3 + 1.0 / 1e6)
    seen, slow = (high.ra + loaded) / (high.mu + 1.0), (high.ra + 33e3) / (high.mu + 1.0)
    assert lines.v1.signal_load == pytest.approx(seen, rel=2e-3)
    assert lines.v1.direct_load == pytest.approx(slow + 1000.0, rel=1e-3)
    # Driven through the lower valve, the upper cathode moves against its anode;
    # driven by its own grid, it has the lower one beneath it.
    assert lines.v2.signal_load == pytest.approx(loaded - seen, rel=2e-3)
    assert lines.v2.direct_load == pytest.approx(33e3 + low.ra + (low.mu + 1.0) * 1000.0, rel=1e-3)
    assert np.isnan(lines.v1.alone_load)
    assert np.isnan(lines.v2.alone_load)


@pytest.mark.parametrize("tail", ["valve", "current_sink"])
def test_a_pair_whose_tail_lets_no_other_current_through(tail: str) -> None:
    """Halves that share a constant current see their anode resistor, whatever the tail is made of."""
    lines = simwrap.measure(simwrap.stage("long_tailed_pair", tail=tail), "load_lines").load_lines.valves
    for half in ("v1", "v2"):
        assert lines[half].direct_load == pytest.approx(100e3, rel=1e-3)
        assert lines[half].signal_load == pytest.approx(1.0 / (1.0 / 100e3 + 1.0 / 470e3), rel=1e-3)


def test_a_follower_and_what_it_drives_at_its_cathode_are_no_pair() -> None:
    """The follower sees Rk beside (ra + RL)/(mu + 1); the other Ra less what its cathode takes along."""
    stage = simwrap.stage("cathode_coupled", grid_leak=1e8)
    lines, _, second = measured(stage)
    values = stage.values
    load = 1.0 / (1.0 / values["anode_resistor"] + 1.0 / values["load_resistor"])
    beneath = values["bias_resistor"] + values["cathode_resistor"]
    seen = 1.0 / (1.0 / beneath + (second.mu + 1.0) / (second.ra + load))
    assert lines.v1.signal_load == pytest.approx(seen, rel=2e-3)
    assert lines.v2.signal_load == pytest.approx(load - (second.ra + load) / (second.mu + 1.0), rel=2e-3)


CASCODE_PAIR = """
[valves.v2]
parameter = "valve"
anode = "n_low_b"
grid = "n_grid_b"
cathode = "n_foot"

[valves.v3]
parameter = "upper"
anode = "n_top"
grid = "n_held"
cathode = "n_low"

[valves.v4]
parameter = "upper"
anode = "n_top_b"
grid = "n_held"
cathode = "n_low_b"
#}
r_grid_leak n_grid 0 {{ grid_leak }}
r_grid_b n_grid_b 0 1
{{ valve("v1") }}
{{ valve("v2") }}
{{ valve("v3") }}
{{ valve("v4") }}
r_foot n_foot n_negative 22000
v_negative n_negative 0 dc -150
r_high n_ht n_held 330000
r_held n_held 0 150000
c_held n_held 0 1e-6
r_top n_ht n_top 33000
r_top_b n_ht n_top_b 33000
c_coupling n_top n_out 1e-5
c_coupling_b n_top_b n_out_b 1e-5
r_load_b n_out_b 0 {{ load_resistor }}
"""


def test_a_pair_of_cascodes(tmp_path: Path) -> None:
    """As a cascode each: the lower halves see a cathode, the upper ones the load less that."""
    file = tmp_path / "cascode_pair.cir.j2"
    file.write_text(HEADER + CASCODE_PAIR, encoding="utf-8")
    stage = simwrap.stage(str(file), valve="6DJ8", upper="6DJ8")
    found = simwrap.measure(stage, ["bias", "load_lines"])
    lines = found.load_lines.valves
    high = slopes(stage.valves["v3"].valve, found.bias.valves.v3)
    loaded = 1.0 / (1.0 / 33e3 + 1.0 / 1e6)
    seen = (high.ra + loaded) / (high.mu + 1.0)
    for low, up in (("v1", "v3"), ("v2", "v4")):
        assert lines[low].signal_load == pytest.approx(seen, rel=5e-3)
        assert lines[up].signal_load == pytest.approx(loaded - seen, rel=5e-3)
