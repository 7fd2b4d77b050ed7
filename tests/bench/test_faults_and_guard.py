"""The guard and the readings at full size, on the reading room's amplifier: figures are printed and held to marks.

python -m pytest tests/bench/test_faults_and_guard.py --override-ini=addopts= -q -s
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from simwrap.cathode_guard.guard import guard
from simwrap.cathode_guard.proof import prove, words
from simwrap.circuits.design_file import read_whole_design
from simwrap.engine import OpRun, Run, choose, run
from simwrap.fault_finding.diagnosis import Suspicions
from simwrap.fault_finding.readings import resting_places
from simwrap.faults.bed import HEALTHY, Varied, bed_of
from simwrap.faults.rails import supplied

ROOM = Path(__file__).resolve().parents[2] / "simwrap" / "amplifier" / "reading_room.toml"

#: What builds on the bench differ in: less than the dictionary's, as much, and from another distribution.
OTHERS = {
    "closer parts": Varied(
        resistors="2 %", capacitors="10 %", emission="15 %", mu="7 %", mains="6 %", distribution="normal"
    ),
    "the dictionary's own widths": Varied(),
}


def test_guard():
    found = guard(read_whole_design(ROOM, complete=True))
    begin = time.perf_counter()
    proof = prove(found)
    seconds = time.perf_counter() - begin
    print("", *words(proof), f"{seconds:.0f} s", sep="\n")
    assert proof.good
    assert seconds < 120.0


@pytest.mark.parametrize("widths", OTHERS)
def test_readings(widths):
    """Faults of the guard's list in drawn builds, at rest, by the other engine."""
    design = read_whole_design(ROOM, complete=True)
    source = supplied(design)
    places = resting_places(source)
    begin = time.process_time()
    made = Suspicions(source, places)
    seconds = time.process_time() - begin
    bed = bed_of(source.circuit, rail=source.rail(source.circuit, source.ports))
    random = np.random.default_rng(42)
    faults = [fault for fault in bed.dictionary() if "capacitor open" not in fault.name]  # nothing at rest
    truth = [faults[k] for k in random.integers(0, len(faults), 60)]
    table = bed.table(bed.draw(OTHERS[widths], 120, 777), truth + [HEALTHY] * 60)
    own = source.circuit.valves
    names = {place.valve: tuple(own[place.valve].currents.values()) for place in places if place.valve}
    nodes = {n for place in places for n in place.nodes if n != "0"}.union(*names.values())
    other = "ngspice" if choose("auto")[0] != "ngspice" else "auto"
    (reply,) = run(table, [OpRun(tuple(nodes))], Run(engine=other))
    at = {**reply.values, "0": 0.0}
    values = np.stack([1e-3 * sum(at[n] for n in names[p.valve]) if p.valve else at[p.nodes[0]] - at[p.nodes[1]]
                       for p in places], axis=-1)  # fmt: skip
    values *= 1.0 + 0.01 * random.standard_normal(values.shape)
    good = np.isfinite(values).all(axis=1)
    said = [made.diagnose(dict(zip([p.name for p in places], row, strict=True)), most=1000) for row in values]

    def rank(fault, one):
        return next((k for k, cause in enumerate(one.causes) if fault.part in [f.part for f in cause.faults]), 99)

    ranks = np.array([rank(*each) for each in zip(truth, said[:60], strict=True)])[good[:60]]
    healthy = np.mean([one.healthy for one, is_good in zip(said[60:], good[60:], strict=True) if is_good])
    print(f"\n{widths}: {len(made.catalogue.found)} hypotheses in {seconds:.1f} s of the processor")
    print(f"first {np.mean(ranks == 0):.1%}, among the first three {np.mean(ranks < 3):.1%}")
    print(f"healthy called healthy {healthy:.1%}")
    assert np.mean(ranks == 0) >= 0.7
    assert np.mean(ranks < 3) >= 0.9
    assert healthy >= 0.95
