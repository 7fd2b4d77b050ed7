"""Files spoilt by chance, byte by byte and cell by cell: one sentence or a result, never a traceback, never for long.

Other seeds and other damage than in ``test_fuzz.py``; a failure is run again by its number.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from test_fuzz import RUN, _try

import simwrap
from simwrap.circuits.design_file import read_whole_design
from simwrap.circuits.stage import stage
from simwrap.fault_finding import measured_response, measured_valves, readings, readings_file
from simwrap.fitting.read_table import read_table
from simwrap.fitting.write_file import fit_file
from simwrap.valves import get_valve, models_folder

#: Cases of each kind of file: of the ordinary run, and of the whole.
SHARE, WHOLE, BATCH = 6, 600, 100
TOKENS = [
    b"\0", b"\xff\xfe", b"\xef\xbb\xbf", b"\x1b[2J", b"\r", b"\r\n\r\n", b"\t", b";", b",", b'"', b"'", b"#", b"=",
    b"[[", b"]]", b"{{", b"}}", b"{%", b"%}", b"{#", b"#}", b"..", b"nan", b"-inf", b"1e308", b"-1e308", b"4.9e-324",
    b"true", b"0x1p4", b"1_0", "\u0663\u0664".encode(), "\u00bd".encode(), "\u2212" "1".encode(), "\u202e".encode(),
    "\ud7ff".encode(), b"9" * 400, b"A" * 140_000, b"{" * 500, b"(" * 500, b"1+" * 500 + b"1", b"$\\frac{1}{$",
    b"../../etc/passwd", b"/dev/full", b"%s%n", b"`id`", b"\\u0000", b"1979-05-27",
]  # fmt: skip
DESIGN = """simwrap_design = 1
title = "line stage"
joins = ["line.output -> tone.input"]
channels = 1
main_output = "tone.output"

[stages.line]
stage = "triode_gain"
valve = "6SL7GT"
supply = "250 V"
v1.emission = 0.95

[stages.tone]
stage = "tone_passive"

[levels]
rated_output = "2 V"
volume = "tone.bass"
sources = { tuner = "500 mV" }

[parts]
wattage = "1 W"
resistors = { "line.cathode" = "5 W" }
"""
PAIR = """simwrap_design = 1
[stages.power]
stage = "push_pull_output"
valve = "6V6GT"
supply = "285 V"
"""
POINTS = """anode_voltage,grid_voltage,anode_current_ma
50,0,5.1
100,0,14.4
100,-2,7.4
150,-2,17.5
200,-4,20.9
"""
READINGS = """point;value;unit;frequency;level
line.v1.anode;153,5;V;;
line.v1.cathode;1,6 V;;;
line.output;1,1 V;;1 kHz;100 mV
"""
VALVES = """name,anode_voltage,grid_voltage,screen_voltage,anode_current
a,250,-12.5,250,45 mA
b,250,-12.5,250,43 mA
c,250,-12.5,250,47 mA
"""
RESPONSE = "frequency,level\n20,-1.2 dB\n100,0 dB\n1000,0 dB\n10 kHz,-0.4 dB\n20000,-1.1\n"


def spoilt(text: str, draw: random.Random) -> bytes:
    """Return a file with one to four pieces of damage."""
    data = text.encode()
    for _ in range(draw.choice([1, 1, 2, 4])):
        data = draw.choice(DAMAGE)(data, draw)
    return data


def _flipped(data: bytes, draw: random.Random) -> bytes:
    place = draw.randrange(len(data) or 1)
    return data[:place] + bytes([draw.randrange(256)]) + data[place + 1 :]


def _without(data: bytes, draw: random.Random) -> bytes:
    place = draw.randrange(len(data) or 1)
    return data[:place] + data[place + draw.choice([1, 1, 5, 50]) :]


def _cut_off(data: bytes, draw: random.Random) -> bytes:
    return data[: draw.randrange(len(data) or 1)]


def _with_token(data: bytes, draw: random.Random) -> bytes:
    place = draw.randrange(len(data) + 1)
    return data[:place] + draw.choice(TOKENS) + data[place:]


def _other_value(data: bytes, draw: random.Random) -> bytes:
    """Put a token in the place of a number or a word."""
    places = list(re.finditer(rb"-?\d[\d.e+-]*|\w+", data))
    if not places:
        return data
    found = draw.choice(places)
    return data[: found.start()] + draw.choice(TOKENS) + data[found.end() :]


def _scaled(data: bytes, draw: random.Random) -> bytes:
    places = list(re.finditer(rb"\d+", data))
    if not places:
        return data
    found = draw.choice(places)
    more = draw.choice([b"0" * 6, b"e3", b"e-9", b"e300", b".5.5", b"k7", b"%", b",3"])
    return data[: found.end()] + more + data[found.end() :]


def _swapped_lines(data: bytes, draw: random.Random) -> bytes:
    lines = data.split(b"\n")
    one, other = draw.randrange(len(lines)), draw.randrange(len(lines))
    lines[one], lines[other] = lines[other], lines[one]
    return b"\n".join(lines)


def _many_times(data: bytes, draw: random.Random) -> bytes:
    lines = data.split(b"\n")
    place = draw.randrange(len(lines))
    return b"\n".join([*lines[:place], *[lines[place]] * draw.choice([2, 3, 200]), *lines[place + 1 :]])


def _recoded(data: bytes, draw: random.Random) -> bytes:
    text = data.decode("utf-8", "replace")
    return text.encode(draw.choice(["utf-16", "utf-8-sig", "latin-1", "cp037", "utf-32"]), "replace")


def _joined(data: bytes, draw: random.Random) -> bytes:
    other = draw.choice([DESIGN, POINTS, READINGS, VALVES, RESPONSE]).encode()
    place = draw.randrange(len(data) + 1)
    return data[:place] + other[draw.randrange(len(other)) :] if draw.random() < 0.5 else data + other


DAMAGE: list[Callable[[bytes, random.Random], bytes]] = [
    _flipped, _without, _cut_off, _with_token, _with_token, _other_value, _other_value, _scaled, _scaled,
    _swapped_lines, _many_times, _recoded, _joined,
]  # fmt: skip


def spoilt_designs(draw: random.Random, folder: Path) -> None:
    file = folder / "room.toml"
    file.write_bytes(spoilt(DESIGN, draw))
    simwrap.measure(read_whole_design(file, complete=draw.random() < 0.5).circuit, ["bias"], time_limit=RUN)


def spoilt_templates(draw: random.Random, folder: Path) -> None:
    source = draw.choice(["triode_gain", "tone_passive", "cathodyne", "supply", "push_pull_output"])
    text = (models_folder().parent / "netlist_templates" / f"{source}.cir.j2").read_text(encoding="utf-8")
    file = folder / f"{source}.cir.j2"
    file.write_bytes(spoilt(text, draw))
    made = stage(str(file))
    made.netlist()
    simwrap.measure(made, ["bias"], time_limit=RUN)


def spoilt_valves(draw: random.Random, folder: Path) -> None:
    source = draw.choice(sorted(models_folder().glob("*.toml")))
    text = source.read_text(encoding="utf-8")
    (folder / source.name).write_bytes(spoilt(text, draw))
    name = re.findall(r'^name = "(.*)"', text, re.MULTILINE)[0]
    valve = get_valve(name, folders=[folder])
    repr(valve)
    stages = {"triode": "triode_gain", "pentode": "pentode_gain"}
    if valve.kind in stages:
        made = simwrap.stage(stages[valve.kind], valve=name, valve_folders=[folder])
        simwrap.measure(made, ["bias"], time_limit=RUN)


def spoilt_points(draw: random.Random, folder: Path) -> None:
    file = folder / "rr1.csv"
    file.write_bytes(spoilt(POINTS, draw))
    read_table(file)
    fit_file(file, folder / "rr1.toml")
    get_valve("RR1", folders=[folder])


def spoilt_readings(draw: random.Random, folder: Path) -> None:
    file, design = folder / "bench.csv", folder / "room.toml"
    file.write_bytes(spoilt(READINGS, draw))
    readings_file.read_readings(file)
    design.write_text(DESIGN, encoding="utf-8")
    if draw.random() < 0.1:  # simulating the faults takes its time
        readings.read(read_whole_design(design), file).page()


def spoilt_lists_of_valves(draw: random.Random, folder: Path) -> None:
    file, design = folder / "valves.csv", folder / "room.toml"
    file.write_bytes(spoilt(VALVES, draw))
    design.write_text(PAIR, encoding="utf-8")
    measured_valves.match(read_whole_design(design), file)


def spoilt_responses(draw: random.Random, folder: Path) -> None:
    file, design = folder / "response.csv", folder / "room.toml"
    file.write_bytes(spoilt(RESPONSE, draw))
    readings_file.read_response(file)
    design.write_text(DESIGN, encoding="utf-8")
    if draw.random() < 0.1:
        measured_response.overlay(read_whole_design(design), file).page()


FILES: list[Callable[[random.Random, Path], None]] = [
    spoilt_designs, spoilt_templates, spoilt_valves, spoilt_points, spoilt_readings, spoilt_lists_of_valves,
    spoilt_responses,
]  # fmt: skip


@pytest.mark.parametrize("kind", FILES, ids=lambda kind: kind.__name__)
def test_the_same_file_unspoilt_is_a_result(
    kind: Callable[[random.Random, Path], None], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Or else the others would only see how it is refused."""
    monkeypatch.setitem(globals(), "spoilt", lambda text, _draw: text.encode())
    draw = random.Random(1)
    monkeypatch.setattr(draw, "random", lambda: 0.0)
    kind(draw, tmp_path)


@pytest.mark.parametrize("kind", FILES, ids=lambda kind: kind.__name__)
def test_a_spoilt_file_is_one_sentence(kind: Callable[[random.Random, Path], None], tmp_path: Path) -> None:
    assert [fault for number in range(SHARE) if (fault := _try(kind, number, tmp_path))] == []


@pytest.mark.long
@pytest.mark.parametrize("start", range(SHARE, WHOLE, BATCH))
@pytest.mark.parametrize("kind", FILES, ids=lambda kind: kind.__name__)
def test_many_spoilt_files_are_one_sentence(
    kind: Callable[[random.Random, Path], None], start: int, tmp_path: Path
) -> None:
    numbers = range(start, min(start + BATCH, WHOLE))
    assert [fault for number in numbers if (fault := _try(kind, number, tmp_path))] == []
