"""The parts list: ratings with their reasons, and totals."""

from __future__ import annotations

import numpy as np

import simwrap
from simwrap.amplifier.parts import Part
from simwrap.build_sheet.parts_list import rows, totals
from simwrap.drawing.items import diagram, numbered

TOLERANCES = {"resistor": "5 %", "capacitor": "10 %"}


def test_ratings_and_their_reasons() -> None:
    circuit = simwrap.stage("dropper").circuit
    (drawing,) = numbered([diagram(circuit, "", {})])
    borne = [
        Part("resistor", "dropper", "W", 0.6, np.nan, 2.0),
        Part("capacitor", "decoupling", "V", 200.0, 290.0, np.nan),
    ]
    resistor, capacitor = rows(drawing, borne, tolerances=TOLERANCES, count=2)
    assert (resistor.reference, resistor.value, resistor.tolerance) == ("R1", "10 kΩ", "5 %")
    assert resistor.rating == "2 W"  # twice 0.6 W, the next common one
    assert resistor.fitted == "2 W"
    assert resistor.reason == "bears 600 mW at rest"  # sqrt(0.6 W x 10 kohm) = 77 V: no need to mind its voltage
    assert (capacitor.rating, capacitor.tolerance) == ("350 V", "20 %")
    assert capacitor.reason == "stands 290 V before the valves warm up"
    assert capacitor.fitted == ""


def test_a_resistor_with_much_across_it_is_told_so() -> None:
    circuit = simwrap.stage("dropper", resistor="1M").circuit
    (drawing,) = numbered([diagram(circuit, "", {})])
    (resistor, _) = rows(
        drawing, [Part("resistor", "dropper", "W", 0.09, np.nan, np.nan)], tolerances=TOLERANCES, count=1
    )
    assert resistor.reason == "bears 90 mW at rest; stands 300 V: mind its voltage rating"


def test_what_was_not_found_is_not_rated() -> None:
    circuit = simwrap.stage("dropper").circuit
    (drawing,) = numbered([diagram(circuit, "", {})])
    made = rows(drawing, [], tolerances=TOLERANCES, count=1)
    assert [row.rating for row in made] == ["", ""]
    assert all("wasn't found" in row.reason for row in made)


def test_totals_count_what_is_bought_alike_in_all_channels() -> None:
    circuit = simwrap.stage("mixer").circuit
    drawings = numbered([diagram(circuit, "", {}), diagram(circuit, "", {})])
    made = [row for drawing in drawings for row in rows(drawing, [], tolerances=TOLERANCES, count=2)]
    (total,) = totals(made)
    assert (total.kind, total.value, total.count) == ("resistor", "220 kΩ", 8)
    assert total.references == "R1, R2, R3, R4"
