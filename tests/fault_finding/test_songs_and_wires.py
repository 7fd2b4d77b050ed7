"""An amplifier that oscillates, and wires that aren't there: on the reading room's amplifier, against the engine."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simwrap.circuits.design_file import read_whole_design
from simwrap.engine import OpRun, run
from simwrap.fault_finding.diagnosis import Suspicions
from simwrap.fault_finding.page import Report
from simwrap.fault_finding.places import Place
from simwrap.faults.bed import HEALTHY, Fault, bed_of
from simwrap.faults.joints import Jointed, jointed
from simwrap.faults.rails import Supplied, supplied

ROOM = Path(__file__).resolve().parents[2] / "simwrap" / "amplifier" / "reading_room.toml"
RATED = np.sqrt(10.0 * 8.0)


@pytest.fixture(scope="module")
def source() -> Supplied:
    return supplied(read_whole_design(ROOM, complete=True))


@pytest.fixture(scope="module")
def joined(source: Supplied) -> Jointed:
    return jointed(bed_of(source.circuit, rail=source.rail(source.circuit, source.ports)))


@pytest.fixture(scope="module")
def suspicions(source: Supplied) -> Suspicions:
    paths, output = source.circuit.node_paths, source.circuit.ports["output"]
    rest = {"driver.n_anode": "V", "driver.n_cathode": "V", "power.n_cathode_a": "V", "splitter.n_cathode": "V",
            "early.n_out": "V"}  # fmt: skip
    places = [Place(name, unit, (paths[name], "0")) for name, unit in rest.items()]
    places += [Place(f"output at {f}", "V", (output, "0"), frequency=f, level=0.03) for f in (50.0, 1e3)]
    places.append(Place("line at 1000.0", "V", (paths["line.n_out"], "0"), frequency=1e3, level=0.03))
    return Suspicions(source, places, shelf=(), loudest=float(RATED))


def healthy(suspicions: Suspicions) -> dict[str, float]:
    seen = suspicions.evidence.healthy.seen.means[0]
    return {place.name: float(place.plain(mean)) for place, mean in zip(suspicions.places, seen, strict=True)}


def test_a_loop_that_is_turned_round_grows_and_the_design_does_not(suspicions: Suspicions) -> None:
    """11 dB of feedback is a loop gain of 2.5; with the other sign it is positive and above 1: Barkhausen, Nyquist."""
    turned = next(h for h in suspicions.catalogue.found if "secondary reversed" in h.words[0])
    assert turned.sings
    assert suspicions.catalogue.networks[turned.network].grows
    assert not suspicions.catalogue.network.grows


def test_full_power_without_being_asked_is_an_oscillation(suspicions: Suspicions) -> None:
    """The rated output at both frequencies, no signal before the loop, direct voltages as they should be."""
    readings = {**healthy(suspicions), "output at 50.0": 1.1 * RATED, "output at 1000.0": 1.1 * RATED,
                "line at 1000.0": 0.0}  # fmt: skip
    said = suspicions.diagnose(readings)
    assert not said.healthy
    assert any("oscillates" in name for name in said.causes[0].names)
    told = Report("room", (), said).dangers
    assert told
    assert all(words.startswith("Switch off") for words in told)


def test_wires_change_nothing_as_long_as_they_are_there(source: Supplied, joined: Jointed) -> None:
    bed = bed_of(source.circuit, rail=source.rail(source.circuit, source.ports))
    nodes = [node for e in bed.elements.values() if not e.valve for node in e.nodes if node != "0"]
    (own,), (other,) = (
        run(each.table({}, [HEALTHY]), [OpRun(tuple(dict.fromkeys(nodes)))]) for each in (bed, joined.bed)
    )
    for node, value in own.values.items():
        assert other.values[node] == pytest.approx(value, rel=1e-4, abs=2e-3), node


def test_a_wire_that_is_not_there(suspicions: Suspicions, joined: Jointed) -> None:
    """The network's operating points against the engine's, with the wire a very large resistor."""
    names = ["screens.output -> power.screen_supply", "splitter.output -> power.input", "loop.output -> driver.foot",
             "line.ground"]  # fmt: skip
    assert set(names) <= set(joined.wires)
    own = suspicions.catalogue.found
    rows = [next((k, float(h.axis[0])) for k, h in enumerate(own) if h.part == name) for name in names]
    found = suspicions.evidence._solved(rows)
    faults = [Fault(own[k].part, "", {joined.wires[own[k].part]: 1e11}) for k in found.number]
    # Not at the anode, which may float: there the meter decides.
    rest = {k: place for k, place in enumerate(suspicions.places) if not place.frequency and place.name[-5:] != "anode"}
    (reply,) = run(joined.bed.table({}, faults), [OpRun(tuple(place.nodes[0] for place in rest.values()))])
    for k, place in rest.items():
        assert found.seen.means[:, k] == pytest.approx(reply.values[place.nodes[0]], rel=0.02, abs=0.05), place.name
