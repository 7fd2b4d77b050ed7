"""Circuits of two valves as somebody else might write them: odd names, parts in another order, other joints.

Held against the second solver (tests/mna.py): gain, output impedance, bias; the load line of the valve that the signal
drives as the ratio of its anode's voltage to its current; distortion against ``ngspice -b`` on the exported netlist.
"""

from __future__ import annotations

import re
import subprocess
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mna import Circuit as Oracle
from stage_runs import harmonics, operating, steady

import simwrap
from simwrap.circuits.render import render

_USUAL = """{{#toml
summary = "{0}"

[ports]
input = {{ node = "n_zulu", source = {{ }} }}
output = {{ node = "n_yes", load = {{ resistor = "far_end" }} }}
supply = {{ node = "n_top", supply = "volts" }}

[valves]
{1}
[elements]
model = [{2}]

[parameters]
bottle = {{ unit = "valve", default = "6SN7GT", kinds = ["triode"], label = "valve" }}
volts = {{ unit = "V", default = "300 V", label = "supply" }}
far_end = {{ unit = "ohm", default = "100k", label = "load" }}
#}}
"""


def _text(words: str, valves: dict[str, tuple[str, str, str]], lines: str, models: str = "") -> str:
    slots = "".join(
        f'{name} = {{ parameter = "bottle", anode = "{a}", grid = "{g}", cathode = "{k}" }}\n'
        for name, (a, g, k) in valves.items()
    )
    return _USUAL.format(words, slots, models) + lines


#: By name: the template, and the valve that the signal drives.
ODD = {
    "srpp_from_the_top": (
        _text(
            "two in series, the upper one first",
            {"b7": ("n_top", "n_x1", "n_yes0"), "a3": ("n_x1", "n_zulu", "n_q")},
            'c_9 n_yes0 n_yes 2.2e-7\n{{ valve("b7") }}\nr_mid n_yes0 n_x1 680\nr_zz n_q 0 680\n'
            '{{ valve("a3") }}\nr_0 n_zulu 0 470000\n',
        ),
        "a3",
    ),
    "cascode_upside_down": (
        _text(
            "one on another's anode",
            {"up": ("n_out9", "n_hold", "n_joint"), "down": ("n_joint", "n_zulu", "n_foot")},
            'r_a n_top n_out9 33000\nc_a n_out9 n_yes 1e-7\n{{ valve("down") }}\nr_b n_hold 0 100000\n'
            'r_c n_top n_hold 220000\nc_b n_hold 0 1e-7\n{{ valve("up") }}\nr_k n_foot 0 470\nc_k n_foot 0 1e-4\n'
            "r_g n_zulu 0 1e6\n",
        ),
        "down",
    ),
    "totem_pole_of_followers": (
        _text(
            "a follower over a driven foot",
            {"one": ("n_plate", "n_zulu", "n_mid"), "two": ("n_mid", "n_feel", "n_low")},
            'r_plate n_top n_plate 3300\n{{ valve("one") }}\nc_feel n_plate n_feel 1e-6\nr_feel n_feel 0 470000\n'
            '{{ valve("two") }}\nr_low n_low 0 390\nc_low n_low 0 1e-3\nr_hold n_zulu n_tap 1e6\n'
            "r_t n_top n_tap 150000\nr_u n_tap 0 150000\nc_end n_mid n_yes 2.2e-6\n",
        ),
        "one",
    ),
    "mu_follower_with_another_joint": (
        _text(
            "amplifier below, follower that lifts its load above",
            {"v9": ("n_p", "n_zulu", "n_c"), "v2": ("n_top", "n_g2", "n_c2")},
            "r_load n_p n_j 27000\nr_bias2 n_c2 n_j 820\nr_leak2 n_g2 n_j 1e6\nc_up n_p n_g2 4.7e-8\n"
            '{{ valve("v2") }}\n{{ valve("v9") }}\nr_c n_c 0 820\nc_c n_c 0 4.7e-4\nc_o n_c2 n_yes 1e-6\n'
            "r_in n_zulu 0 1e6\n",
        ).replace("r_load ", "r_long "),
        "v9",
    ),
    "valve_as_a_current_load": (
        _text(
            "a triode with its own resistor as the load of another",
            {"lo": ("n_a", "n_zulu", "n_k"), "hi": ("n_top", "n_gg", "n_kk")},
            '{{ valve("hi") }}\nr_set n_kk n_a 1500\nr_gg n_gg n_a 1000\n{{ valve("lo") }}\nr_k n_k 0 1200\n'
            "c_x n_a n_yes 1e-7\nr_grid n_zulu 0 220000\n",
        ),
        "lo",
    ),
}


@cache
def _folder() -> Path:
    import tempfile

    return Path(tempfile.mkdtemp())


def made_of(name: str) -> Any:
    file = _folder() / f"{name}.cir.j2"
    file.write_text(ODD[name][0])
    return simwrap.stage(str(file))


@pytest.fixture(params=ODD)
def odd(request: pytest.FixtureRequest) -> Any:
    made = made_of(request.param)
    oracle = Oracle(render(made).circuit.text)
    return made, oracle, oracle.operating_point(operating(made)), ODD[request.param][1]


def test_small_signals_as_the_second_solver_has_them(odd: Any) -> None:
    """Bias within a millivolt, gain within 0.1 %, output impedance and the driven valve's load line within 1 %."""
    made, oracle, state, driven = odd
    found = simwrap.measure(made, ["bias", "response", "impedance", "load_lines"], workers=1)
    use = made.valves[driven]
    at = {role: 0.0 if node == "0" else state[oracle.index[node]] for role, node in use.nodes.items()}
    assert found[f"bias.valves.{driven}.anode_voltage"] == pytest.approx(at["anode"] - at["cathode"], abs=1e-3)

    def moves(node: str) -> complex:
        return 0j if node == "0" else complex(oracle.transfer([1000.0], node, state)[0])

    assert found.response.gain == pytest.approx(abs(moves("n_yes")), rel=1e-3)
    across = moves(use.nodes["anode"]) - moves(use.nodes["cathode"])
    amps = 1e-3 * moves(use.currents["anode"])
    assert found[f"load_lines.valves.{driven}.signal_load"] == pytest.approx(-(across / amps).real, rel=0.01)
    probed = Oracle(render(made, excite="output").circuit.text)
    seen = complex(probed.transfer([1000.0], "n_yes", state)[0])
    behind = 1.0 / (1.0 / seen - 1.0 / float(made.values["far_end"]))  # the measure takes the load off again
    assert found.impedance.output == pytest.approx(abs(behind), rel=1e-3)


@pytest.mark.ngspice
def test_distortion_as_ngspice_alone_has_it(odd: Any, tmp_path: Path) -> None:
    """Second and third harmonic at 0.5 V peak, by Fourier's integral over the last period of 100."""
    made = odd[0]
    lines = re.sub(
        r"^(v_signal \S+ \S+) dc .*$", r"\1 dc 0 sin(0 0.5 1000)", render(made).circuit.text, flags=re.MULTILINE
    )
    text = f"* oracle\n{lines}.options reltol=1e-5\n.tran 5u 100m 0 5u\n.four 1000 v(n_yes)\n.end\n"
    (tmp_path / "odd.cir").write_text(text)
    done = subprocess.run(["ngspice", "-b", str(tmp_path / "odd.cir")], capture_output=True, text=True, check=False)
    rows = [line.split() for line in done.stdout.splitlines() if re.match(r"\s*[123]\s+\d", line)]
    first, second, third = (float(row[2]) for row in rows[:3])
    ours = harmonics(steady(made, 0.5)["n_yes"])
    assert ours[0] == pytest.approx(first, rel=2e-3)
    assert ours[1] / ours[0] == pytest.approx(second / first, rel=0.02, abs=2e-5)
    assert ours[2] / ours[0] == pytest.approx(third / first, rel=0.05, abs=2e-5)
    assert np.isfinite(ours).all()
