"""The reading room's guard, computed once for all tests that only read it."""

from __future__ import annotations

from pathlib import Path

import pytest

from simwrap.cathode_guard.guard import Guard, guard
from simwrap.cathode_guard.network import Network
from simwrap.circuits.design_file import read_whole_design

ROOM = Path(__file__).resolve().parents[2] / "simwrap" / "amplifier" / "reading_room.toml"


@pytest.fixture(scope="session")
def room() -> Guard:
    return guard(read_whole_design(ROOM, complete=True), builds=60)


@pytest.fixture(scope="session")
def network(room: Guard) -> Network:
    return Network(room.bed)
