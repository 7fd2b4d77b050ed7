"""One name for every figure: made, taken apart, and found again from what a user writes."""

from __future__ import annotations

import re

import pytest

from simwrap.errors import AmbiguousNameError, InputError, UnknownNameError
from simwrap.measures.results import find_name, find_names, full_name, of_any_valve, split_name

NAMES = [
    "bias.valves.v1.anode_current",
    "bias.valves.v1.anode_voltage",
    "bias.valves.v2.anode_current",
    "bias.valves.v2.anode_voltage",
    "bias.nodes.n_anode",
    "response.gain",
    "response.gain_db",
    "balance.gain",
    "headroom.output_rms_1pct",
    "power.output_power",
    "power.clipping.output_power",
    "power.anode_current",
    "rejection.supplies.supply.transfer_db",
    "heater_hum.output_rms",
    "heater_hum.valves.v1.output_rms",
]
JOINED = ["bias.valves.driver.v1.anode_current", "bias.valves.output.v1.anode_current"]


@pytest.mark.parametrize("name", NAMES + JOINED)
def test_a_name_is_made_and_taken_apart(name: str) -> None:
    assert full_name(*split_name(name)) == name
    assert find_names(name, NAMES + JOINED) == [name]
    assert find_names(name.upper(), NAMES + JOINED) == [name]


@pytest.mark.parametrize(
    ("given", "meant"),
    [
        ("gain_db", ["response.gain_db"]),
        (" Gain dB ", ["response.gain_db"]),
        ("v1.anode_current", ["bias.valves.v1.anode_current"]),
        ("valves.v1.anode voltage", ["bias.valves.v1.anode_voltage"]),
        ("anode_voltage", ["bias.valves.v1.anode_voltage", "bias.valves.v2.anode_voltage"]),
        ("bias.anode_current", ["bias.valves.v1.anode_current", "bias.valves.v2.anode_current"]),
        # The figure by itself goes before those in groups of the same measure.
        ("output_power", ["power.output_power"]),
        ("clipping.output_power", ["power.clipping.output_power"]),
        ("output_rms", ["heater_hum.output_rms"]),
        ("n_anode", ["bias.nodes.n_anode"]),
    ],
)
def test_a_tail_is_enough_where_it_is_unambiguous(given: str, meant: list[str]) -> None:
    assert find_names(given, NAMES) == meant


def test_the_valves_of_a_joined_circuit() -> None:
    assert of_any_valve(JOINED[0]) == "bias.anode_current"
    assert find_names("anode_current", JOINED) == JOINED
    assert find_names("driver.v1.anode_current", JOINED) == JOINED[:1]
    assert find_names("v1.anode_current", JOINED) == JOINED  # each stage's v1


@pytest.mark.parametrize(
    ("given", "there"),
    [
        ("gain", ["response.gain", "balance.gain"]),
        ("anode_current", ["bias.valves.v1.anode_current", "bias.valves.v2.anode_current", "power.anode_current"]),
    ],
)
def test_an_ambiguous_tail_names_what_there_is(given: str, there: list[str]) -> None:
    with pytest.raises(AmbiguousNameError, match="give more of its name") as caught:
        find_names(given, NAMES, where="stage")
    assert caught.value.meant == there
    assert all(name in str(caught.value) for name in there)
    assert str(caught.value).startswith("stage: ")


def test_one_name_is_wanted_where_one_can_be_had() -> None:
    assert find_name("gain_db", NAMES) == "response.gain_db"
    with pytest.raises(AmbiguousNameError, match=re.escape("bias.valves.v1.anode_voltage or bias.valves.v2.anode_vol")):
        find_name("anode_voltage", NAMES)


def test_an_unknown_name_gives_the_nearest() -> None:
    with pytest.raises(UnknownNameError, match='there is no figure "gian_db"; did you mean gain_db'):
        find_names("gian_db", NAMES)
    assert issubclass(UnknownNameError, InputError)
