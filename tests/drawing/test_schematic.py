"""Drawings of stages: every part once, no two labels over one another, wires where the netlist has them."""

from __future__ import annotations

import itertools
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

import simwrap
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.library import stage_names
from simwrap.circuits.render import render
from simwrap.drawing import beside
from simwrap.drawing.items import Diagram, diagram, numbered
from simwrap.drawing.layout import Layout, laid_out
from simwrap.drawing.route import Board, NoWay
from simwrap.drawing.schematic import described, drawn, schematic
from simwrap.measures.numerics.parts import bought, netlist_parts

#: Settings with which a stage has other parts than by default.
OTHERS = {
    "triode_gain": {"input_capacitor": "100n", "unbypassed_resistor": "220", "foot_resistor": "47",
                    "step_capacitor": "100p", "step_resistor": "10k"},
    "push_pull_output": {"valves": "four", "connection": "ultra_linear", "grid_stopper": "4k7", "bias": "fixed",
                         "grid_bias": "-20 V"},
    "long_tailed_pair": {"tail": "valve", "negative_supply": "-100 V"},
    "anode_follower": {"follower": "bootstrap"},
    "parallel_triodes": {"valves": "four", "cathodes": "separate"},
    "line_output": {"feed": "parallel"},
    "single_ended_output": {"connection": "ultra_linear", "screen_resistor": "100"},
    "tone_feedback": {"amplifier": "pentode", "treble_tap": "earthed", "supply": "285 V"},
    "two_stage_preamplifier": {"volume_taper": "logarithmic"},
    "supply": {"rectification": "bridge", "rectifier_resistor": "47"},
    "volume_control": {"bright_capacitor": "100p", "wiper_resistor": "100k", "position": 1.0},
    "feedback_path": {"lead_capacitor": "100p", "lead_resistor": "1k", "shunt_resistor": "100",
                      "presence_capacitor": "100n", "presence": "wiper"},
    "cathode_follower": {"bias": "direct", "anode_resistor": "1k", "anode_capacitor": "10u"},
}  # fmt: skip
COUPLED = """{#toml
summary = "A splitter of three coils"
description = "For a test."
measures = ["bias"]
references = ["common practice, no source"]

[ports]
input = { node = "n_grid", source = {} }
output = { node = "n_out", load = { resistor = "load" } }
output_b = { node = "n_out_b", load = { resistor = "load" } }
supply = { node = "n_supply", supply = "supply" }

[valves.v1]
parameter = "valve"
anode = "n_anode"
grid = "n_grid"
cathode = "n_cathode"

[parameters]
valve = { unit = "valve", default = "6SN7GT", kinds = ["triode"], label = "valve", symbol = "V1" }
supply = { unit = "V", default = "250 V", minimum = 0.0, maximum = 1000.0, label = "supply", symbol = "Vbb" }
load = { unit = "ohm", default = "47k", minimum = 1.0, maximum = 1e9, label = "load resistor", symbol = "RL" }
#}
{{ valve("v1") }}
r_cathode n_cathode 0 1000
l_primary n_anode n_supply 40
l_first n_out 0 20
l_second 0 n_out_b 20
k_first l_primary l_first 0.999
k_second l_primary l_second 0.999
k_halves l_first l_second 0.999
"""
CASES = [(name, {}) for name in stage_names()] + list(OTHERS.items())


def made(name: str, values: dict[str, object]) -> tuple[Circuit, Diagram]:
    circuit = simwrap.stage(name, **values).circuit
    volts = {}
    if name != "supply":
        nodes = simwrap.measure(circuit, ["bias"]).bias.nodes
        volts = {node: float(nodes[path]) for path, node in circuit.node_paths.items() if path in nodes}
    (found,) = numbered([diagram(circuit, "", volts)])
    return circuit, found


@pytest.fixture(scope="module", params=CASES, ids=lambda case: f"{case[0]}-{'other' if case[1] else 'default'}")
def drawing(request: pytest.FixtureRequest) -> tuple[Circuit, Layout]:
    circuit, found = made(*request.param)
    return circuit, laid_out(found)


def overlap(one: tuple[float, ...], other: tuple[float, ...]) -> bool:
    near = 1e-6  # lines of one label touch
    return (
        one[0] + near < other[2] and other[0] + near < one[2] and one[1] + near < other[3] and other[1] + near < one[3]
    )


def test_overlapping_boxes_are_found() -> None:
    assert overlap((0, 0, 2, 2), (1, 1, 3, 3))
    assert not overlap((0, 0, 2, 2), (2, 0, 3, 2))


def test_no_two_labels_lie_over_one_another(drawing: tuple[Circuit, Layout]) -> None:
    boxes = [(label.text, label.box(x, y)) for label, x, y in drawing[1].labels()]
    assert len(boxes) > 2
    assert [(one, other) for (one, a), (other, b) in itertools.combinations(boxes, 2) if overlap(a, b)] == []


def test_no_wire_crosses_a_label_or_a_part(drawing: tuple[Circuit, Layout]) -> None:
    _, layout = drawing
    boxes = [label.box(x, y) for label, x, y in layout.labels()]
    # The lines of a wire, a little thick.
    lines = [(a - 0.1, b - 0.1, c + 0.1, d + 0.1) for wires in layout.board.nets.values()
             for (a, b), (c, d) in wires.lines()]  # fmt: skip
    assert [(box, line) for box in boxes for line in lines if overlap(box, line)] == []
    inside = [
        (cell.x + left + 0.2, cell.y + top + 0.2, cell.x + right - 0.2, cell.y + bottom - 0.2)
        for cell in layout.cells
        for left, top, right, bottom in [cell.shape.box]
        if right - left > 1 and bottom - top > 1
    ]
    assert [(box, line) for box in inside for line in lines if overlap(box, line)] == []


def test_every_part_is_drawn_once(drawing: tuple[Circuit, Layout]) -> None:
    circuit, layout = drawing
    drawn_ = [cell.item for cell in layout.cells if cell.item is not None]
    devices = [device for item in drawn_ for device in item.devices]
    assert len(devices) == len(set(devices))
    parts = netlist_parts(render(circuit).elements)
    wanted = {
        part.name
        for kind in "rc"
        for part in bought(parts, kind).values()
        if not any(node.startswith("n_signal") for node in part.nodes)
    }
    both_ends_alike = {name for name in wanted if name not in devices}
    assert both_ends_alike == set(), f"{circuit.name}: not drawn"
    whole = {item.path for item in drawn_ if item.kind in ("valve", "transistor", "diode") and not item.devices}
    assert whole == {*circuit.valves, *circuit.components}
    assert len({item.reference for item in drawn_}) == len(drawn_)


def test_no_pin_hangs_in_the_air(drawing: tuple[Circuit, Layout]) -> None:
    _, layout = drawing
    ends = {terminal.net for terminal in layout.diagram.terminals}
    lone = {net: pins for net, pins in layout.diagram.nets().items() if len(pins) < 2 and net not in ends}
    assert lone == {}


def test_wires_join_what_the_netlist_joins_and_nothing_else(drawing: tuple[Circuit, Layout]) -> None:
    _, layout = drawing
    for net, wires in layout.board.nets.items():
        spots = wires.spots()
        pins = [cell.pin(role) for cell in layout.cells for role, each in cell.nets.items() if each == net]
        if len(pins) < 2 and not spots:
            continue
        assert set(pins) <= set(spots), net
        # One piece: walk from the first pin.
        seen, stack = set(), [pins[0]]
        while stack:
            spot = stack.pop()
            if spot not in seen:
                seen.add(spot)
                stack += [(spot[0] + dx, spot[1] + dy) for dx, dy in spots[spot]]
        assert set(spots) <= seen, f"{net} is in pieces"
    for one, other in itertools.combinations(layout.board.nets.values(), 2):
        shared = set(one.spots()) & set(other.spots())
        # Where two nets meet, both go straight on, at right angles.
        for spot in shared:
            mine, theirs = one.spots()[spot], other.spots()[spot]
            assert len(mine) == len(theirs) == 2
            assert not mine & theirs


def test_the_picture_says_what_it_shows(drawing: tuple[Circuit, Layout]) -> None:
    _, layout = drawing
    root = ElementTree.fromstring(drawn(layout))
    space = "{http://www.w3.org/2000/svg}"
    assert root.get("role") == "img"
    assert (root.find(f"{space}title")).text.startswith("Schematic of ")
    shown = " ".join("".join(text.itertext()) for text in root.iter(f"{space}text"))
    for cell in layout.cells:
        if cell.item is not None:
            assert cell.item.reference in shown
            assert all(line in shown for line in cell.item.value[:3])


def test_the_same_circuit_gives_the_same_drawing() -> None:
    _, found = made("pentode_gain", {})
    assert drawn(laid_out(found)) == drawn(laid_out(found))


def test_voltages_stand_at_the_pins_of_a_valve() -> None:
    circuit, found = made("pentode_gain", {})
    nodes = simwrap.measure(circuit, ["bias"]).bias.nodes
    labels = {label.text for label, *_ in laid_out(found).labels()}
    for node in ("n_anode", "n_screen", "n_cathode"):
        assert f"{nodes[node]:.3g} V" in labels


def test_a_stage_of_the_users_own_is_drawn(tmp_path: Path) -> None:
    """A choke-loaded triode with a bridged T and a coupled pair of coils, as no stage of ours has them."""
    (tmp_path / "own.cir.j2").write_text(
        '{#toml\nsummary = "own"\n[ports]\ninput = { node = "n_grid", source = {} }\n'
        'output = { node = "n_far", load = {} }\nsupply = { node = "n_supply", supply = "supply" }\n'
        '[valves.v1]\nparameter = "valve"\nanode = "n_anode"\ngrid = "n_grid"\ncathode = "n_cathode"\n'
        '[parameters]\nvalve = { unit = "valve", default = "6SN7GT", kinds = ["triode"], label = "valve" }\n'
        'supply = { unit = "V", default = "250 V", label = "supply" }\n#}\n{{ valve("v1") }}\n'
        "l_choke n_supply n_anode 30.0\nr_leak n_grid 0 1000000.0\nr_cathode n_cathode 0 1000.0\n"
        "c_one n_anode n_middle 1e-08\nc_two n_middle n_out 1e-08\nr_bridge n_anode n_out 100000.0\n"
        "r_shunt n_middle 0 47000.0\nr_end n_out 0 100000.0\nl_first n_out 0 1.0\nl_second n_far 0 1.0\n"
        "k_pair l_first l_second 0.9\nd_clamp n_out 0 clamp\nr_far n_far 0 1000.0\n.model clamp d(is=1e-14)\n",
        encoding="utf-8",
    )
    circuit = simwrap.stage(tmp_path / "own.cir.j2").circuit
    (found,) = numbered([diagram(circuit, "", {})])
    layout = laid_out(found)
    kinds = sorted(item.kind for item in found.items)
    assert kinds.count("resistor") == 6
    assert kinds.count("capacitor") == 2
    assert "diode" in kinds
    assert "valve" in kinds
    devices = {device for item in found.items for device in item.devices}
    assert {"l_choke", "l_first", "l_second", "d_clamp"} <= devices
    boxes = [label.box(x, y) for label, x, y in layout.labels()]
    assert not any(overlap(a, b) for a, b in itertools.combinations(boxes, 2))


def test_a_potentiometer_is_one_part_with_its_end() -> None:
    _, found = made("volume_control", {})
    (pot,) = found.items
    assert pot.kind == "potentiometer"
    assert pot.pins == {"high": "n_top", "wiper": "n_out", "low": "0"}  # turned up, the wiper goes to the input
    assert pot.value == ("100 kΩ",)


def test_a_transformer_is_one_part_with_its_windings_in_order() -> None:
    _, found = made("push_pull_output", {})
    (transformer,) = [item for item in found.items if item.kind == "transformer"]
    assert [net for role, net in transformer.pins.items() if role.startswith("primary")] == [
        "n_anode_a", "n_centre_a", "n_anode_b",
    ]  # fmt: skip


def test_a_drawing_in_words() -> None:
    _, found = made("dropper", {})
    assert described(found) == ["R1 10 kΩ: to input, to output", "C1 22 µF: to output, to ground"]


def test_wires_bend_and_cross_by_rule() -> None:
    board = Board(20, 20, {(10, y) for y in range(5)})
    board.straight("rail", [(x, 8) for x in range(2, 15)])
    board.connect("a", [((4, 2), (0, 1)), ((4, 15), (0, -1))])  # straight through the rail
    assert board.nets["a"].lines() == [((4, 2), (4, 15))]
    assert board.taken[4, 8] == ("", set())
    with pytest.raises(NoWay):  # shut in
        Board(20, 20, {(x, y) for x in (1, 2, 3) for y in (1, 2, 3)}).connect("b", [((2, 2), (0, 1)), ((9, 9), (0, 1))])


def test_coupled_coils_are_one_transformer_with_its_dots(tmp_path: Path) -> None:
    """Coils on a core, drawn as such: a primary, and a secondary in halves with their middle on ground."""
    file = tmp_path / "two_halves.cir.j2"
    file.write_text(COUPLED, encoding="utf-8")
    circuit = simwrap.stage(str(file)).circuit
    found = diagram(circuit, "", {})
    (item,) = [item for item in found.items if item.kind == "transformer"]
    windings: dict[str, set[str]] = {}
    for role, net in item.pins.items():
        windings.setdefault(role.rpartition("_")[0], set()).add(net)
    assert windings == {"primary": {"n_anode", "n_supply"}, "secondary_1": {"n_out", "0", "n_out_b"}}
    assert item.pins["secondary_1_2"] == "0"
    assert {item.pins[dot] for dot in item.dots} == {"n_anode", "n_out"}
    assert not [item for item in found.items if item.kind in ("inductor", "box")]


def test_a_track_with_its_wiper_on_ground_is_one_potentiometer() -> None:
    _, found = made("balance_control", {"position": 0.3})
    (pot,) = [item for item in found.items if item.kind in ("potentiometer", "variable")]
    assert (pot.kind, pot.pins["wiper"], set(pot.pins.values())) == ("potentiometer", "0", {"n_out", "0", "n_out_b"})
    # Turned to the right, the wiper comes to the right channel's end.
    assert pot.pins["high"] == "n_out_b"


def test_a_process_beside_this_one_draws_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """And where none can be started, or it comes to nothing, they are drawn here."""
    diagrams = numbered([diagram(simwrap.stage(name).circuit, "", {}) for name in ("triode_gain", "tone_passive")])
    here = [schematic(each) for each in diagrams]
    assert all(picture.startswith("<svg") for picture in here)
    monkeypatch.setattr(beside.os, "cpu_count", lambda: 2)
    with monkeypatch.context() as patch:
        patch.setattr(beside, "schematic", lambda each: "drawn here")
        assert beside.begun(diagrams)() == here
        patch.setattr(beside, "_PROGRAM", "raise SystemExit(1)")
        assert beside.begun(diagrams)() == ["drawn here"] * 2

    def full(*given: object, **how: object) -> None:
        raise OSError(11, "no room for a process")

    monkeypatch.setattr(beside.subprocess, "Popen", full)
    assert beside.begun(diagrams)() == here
