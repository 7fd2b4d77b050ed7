"""The C99 header on the host beside the model in Python, bit for bit, and what may stand in it."""

from __future__ import annotations

import ctypes
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from simwrap.cathode_guard import paper
from simwrap.cathode_guard.bench import Sensed
from simwrap.cathode_guard.guard import Guard, Unseen
from simwrap.cathode_guard.levels import Converter, stage_guard, supply_guard
from simwrap.cathode_guard.loop import EVENTS, STATES, Loop, Memory, replay
from simwrap.errors import InputError

STRICT = ["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-O2"]

#: Runs whole points through the loop and gives back what it remembers.
RUNNER = """
#include "guard.h"
int run(const uint16_t *counts, const uint32_t *times, long points, long samples, uint8_t state, uint8_t *states,
        uint8_t *causes, uint64_t *memory);
int self_test(const uint16_t *counts);
int run(const uint16_t *counts, const uint32_t *times, long points, long samples, uint8_t state, uint8_t *states,
        uint8_t *causes, uint64_t *memory)
{
    long point, sample;
    unsigned k;
    for (point = 0; point < points; point++) {
        guard g;
        guard_start(&g, state);
        for (sample = 0; sample < samples; sample++) {
            const long n = point * samples + sample;
            states[n] = guard_step(&g, counts + n * GUARD_PINS, times[n]);
            causes[n] = g.cause;
        }
        for (k = 0; k < GUARD_PINS; k++) {
            *memory++ = g.sums[k]; *memory++ = g.rough[k]; *memory++ = g.still[k]; *memory++ = g.slow[k];
            *memory++ = g.reference[k]; *memory++ = g.drift[k];
        }
        for (k = 0; k < GUARD_CHECKS; k++) *memory++ = g.held[k];
        *memory++ = g.samples; *memory++ = g.patience; *memory++ = g.slow_samples; *memory++ = g.off_beat;
    }
    return 0;
}
int self_test(const uint16_t *counts) { return guard_self_test(counts); }
"""


def made(converter: Converter, *, pair: bool = True, title: str = "reading room") -> Guard:
    """A guard of invented currents: no circuit, no simulator."""
    halves = ("a", "b", "a", "b") if pair else ("",)
    valves = tuple(
        Sensed(f"power_{1 + n // 2}.v{1 + n % 2}", "", ("", ""), "", half, f"power_{1 + n // 2}", "power")
        for n, half in enumerate(halves)
    )
    random = np.random.default_rng(2)
    quiet = 0.037 * (1.0 + random.uniform(-0.25, 0.25, (50, len(valves))))
    apart = np.abs(quiet[:, 0] - quiet[:, -1]) if pair else None
    stage = stage_guard("power", np.full(len(valves), 0.037), quiet, 1.12, apart, 0.057, converter)
    bed: Any = SimpleNamespace(valves=valves, sense=converter.sense, lifted=0.0)
    nothing: Any = None
    rail = None
    if converter.supply_share:
        rail = supply_guard(300.0 * (1.0 + random.uniform(-0.1, 0.1, 50)), 10.0, converter)
    return Guard(title, converter, bed, nothing, 50, {"power": stage}, 1.0, ("", 1.0), ("", 0.0), supply=rail)


class Host:
    """The header as the host's compiler has it."""

    def __init__(self, guard: Guard, folder: Path) -> None:
        compiler = shutil.which("gcc")
        if compiler is None:
            pytest.skip("gcc is not installed")
        (folder / "guard.h").write_text(paper.header(guard), encoding="ascii")
        (folder / "run.c").write_text(RUNNER, encoding="ascii")
        done = subprocess.run([compiler, *STRICT, "-shared", "-fPIC", "run.c", "-o", "run.so"], cwd=folder,
                              capture_output=True, check=False)  # fmt: skip
        assert done.returncode == 0, done.stderr.decode()
        self.library, self.loop = ctypes.CDLL(str(folder / "run.so")), guard.loop()

    def run(self, counts: Any, times: Any, state: str) -> tuple[Any, Any, Any]:
        points, samples, valves = counts.shape
        states, causes = (np.zeros((points, samples), dtype=np.uint8) for _ in range(2))
        memory = np.zeros((points, 6 * valves + len(self.loop.checks) + 4), dtype=np.uint64)
        given = np.ascontiguousarray(counts, dtype=np.uint16), np.ascontiguousarray(times, dtype=np.uint32)
        pointers = [array.ctypes.data_as(ctypes.c_void_p) for array in (*given, states, causes, memory)]
        self.library.run(*pointers[:2], ctypes.c_long(points), ctypes.c_long(samples),
                         ctypes.c_uint8(STATES.index(state)), *pointers[2:])  # fmt: skip
        return states, causes, memory

    def self_test(self, counts: list[int]) -> int:
        return int(self.library.self_test((ctypes.c_uint16 * len(counts))(*counts)))


def remembered(m: Memory) -> Any:
    """The same numbers in the same order as the runner's."""
    valves = np.stack([m.sums, m.rough, m.still, m.slow, m.reference, m.drift], axis=-1)
    rest = np.stack([m.samples, m.patience, m.slow_samples, m.off_beat], axis=-1)
    return np.concatenate([valves.reshape(len(m.held), -1), m.held, rest], axis=1).astype(np.uint64)


def traces(loop: Loop, full: int, points: int, samples: int, seed: int) -> tuple[Any, Any]:
    """Counts that dwell about every level, jump, stand still and vanish, and a clock with bad moments."""
    random = np.random.default_rng(seed)
    levels = np.unique([0, full, loop.dark, *(c.counts for c in loop.checks if c.source in ("smooth", "raw", "apart"))])
    # A point dwells on three levels in turn; each valve near it, or on one of its own.
    dwell = random.choice(levels, (points, 3, 1))
    own = random.choice(levels, (points, 3, loop.pins))
    near = np.where(random.random((points, 3, loop.pins)) < 0.7, dwell, own)
    ends = np.sort(random.integers(0, samples, (points, 2)), axis=1)
    place = (np.arange(samples)[None, :, None] >= ends[:, None, :]).sum(axis=2)
    centre = np.take_along_axis(near, place[:, :, None], axis=1)
    width = random.choice([0.0, 1.0, 3.0, 0.02 * full, 0.3 * full], (points, 1, 1))
    noise = random.standard_normal((points, samples, loop.pins), dtype=np.float32)
    counts = np.clip(np.rint(centre + width * noise), 0, full).astype(np.uint16)
    elapsed = np.full((points, samples), loop.period)
    bad = random.random((points, samples)) < np.where(random.random((points, 1)) < 0.1, 0.8, 0.01)
    elapsed[bad] += random.integers(-loop.period // 2, loop.period, int(bad.sum()))
    return counts, elapsed


#: Every edge of every option, each with the others as they are.
EDGES: list[dict[str, Any]] = [
    {}, {"warming": 0.0}, {"warming": 1e-4}, {"warming": 0.1}, {"warming": 600.0}, {"shift": 0}, {"shift": 10},
    {"rate": 20}, {"rate": 20000, "capacitance": 1e-6}, {"noise": 0.0}, {"noise": 1e-2},
    {"supply_share": 0.005},
    {"sense": 1.0, "gain": 10.0}, {"sense": 100.0, "gain": 0.1}, {"reference": 1.1}, {"reference": 10.0},
]  # fmt: skip
BITS = (8, 10, 12, 16)


def of_bits(bits: int, **edge: Any) -> Converter:
    """A converter whose counts are fine enough: 8 bits need an amplifier before them."""
    return Converter(**{"bits": bits, "gain": 2.0 if bits == 8 else 1.0} | edge)


def compared(folder: Path, converter: Converter, samples: int, seed: int, *, pair: bool = True) -> tuple[int, set[int]]:
    """Run about so many random samples through both; return how many, and the states that came."""
    guard = made(converter, pair=pair)
    host, loop = Host(guard, folder), guard.loop()
    # Minutes are too long to meet often by chance; the arithmetic is the same for short ones.
    length = 3000
    points = -(-samples // length)
    met: set[int] = set()
    for part, begin in enumerate(("warming", "running", "warning", "tripped")):
        own = max(1, points // (3 if part < 3 else 100))
        counts, elapsed = traces(loop, converter.full_scale, own, length, seed + part)
        start = np.random.default_rng(seed).integers(0, 2**32, (own, 1), dtype=np.uint64)
        times = ((start + np.cumsum(elapsed, axis=1).astype(np.uint64)) % 2**32).astype(np.uint32)
        states, causes, memory = host.run(counts, times, begin)
        said = replay(loop, counts, memory=Memory(loop, own, begin), elapsed=elapsed)
        assert np.array_equal(states, said.states)
        assert np.array_equal(causes, said.causes)
        assert np.array_equal(memory, remembered(said.memory))
        met |= set(np.unique(states).tolist())
    return points * length, met


@pytest.mark.parametrize("bits", BITS)
def test_header_and_model_are_one_algorithm(bits: int, tmp_path: Path) -> None:
    count, met = compared(tmp_path, of_bits(bits), 100_000, bits)
    assert count >= 100_000
    assert met == set(range(len(STATES)))


@pytest.mark.parametrize(("edge", "bits"), [(edge, BITS[n % 4]) for n, edge in enumerate(EDGES)])
def test_they_agree_at_every_edge_of_every_option(edge: dict[str, Any], bits: int, tmp_path: Path) -> None:
    compared(tmp_path, of_bits(12 if "gain" in edge or "reference" in edge else bits, **edge), 30_000, 7)


def test_they_agree_for_a_single_valve(tmp_path: Path) -> None:
    compared(tmp_path, Converter(), 30_000, 11, pair=False)


@pytest.mark.long
@pytest.mark.parametrize("bits", BITS)
def test_header_and_model_agree_over_ten_million_samples(bits: int, tmp_path: Path) -> None:
    """A million at each of ten edges."""
    total = 0
    for number, edge in enumerate(EDGES[:10]):
        folder = tmp_path / str(number)
        folder.mkdir()
        total += compared(folder, of_bits(bits, **edge), 1_000_000, 100 + number)[0]
    assert total >= 10**7


def test_minutes_drift_alike(tmp_path: Path) -> None:
    """At the least rate a minute has 1200 samples: six of them, each higher than the last, warn."""
    guard = made(Converter(rate=20))
    host, loop = Host(guard, tmp_path), guard.loop()
    ramp = np.linspace(380, 620, 8000)[None, :, None] + np.zeros((1, 1, 4))
    counts = np.rint(ramp + np.random.default_rng(1).normal(0.0, 2.0, ramp.shape)).astype(np.uint16)
    times = np.arange(8000)[None] * loop.period
    states, _, memory = host.run(counts, times % 2**32, "running")
    said = replay(loop, counts, warm=True)
    assert np.array_equal(states, said.states)
    assert np.array_equal(memory, remembered(said.memory))
    assert said.warned_by[0] == {"warn_drift"}


def test_without_blanking_a_sample_alone_does_not_trip(tmp_path: Path) -> None:
    """--warming 0 once took the smoothing off in C alone: one sample tripped."""
    guard = made(Converter(warming=0.0))
    host, loop = Host(guard, tmp_path), guard.loop()
    counts = np.full((1, 2000, 4), loop.checks[2].counts // 2, dtype=np.uint16)
    counts[0, 1::2] += 1
    counts[0, 500] = 4095
    states, _, _ = host.run(counts, np.arange(2000)[None] * loop.period, "warming")
    assert (states[0] == STATES.index("running")).all()
    assert np.array_equal(states, replay(loop, counts).states)


# The self-test and the clock


def test_the_self_test(tmp_path: Path) -> None:
    guard = made(Converter())
    host = Host(guard, tmp_path)
    assert host.self_test([0, 0, 0, 0]) == 0
    assert host.self_test([0, 457, 0, 0]) == 4  # stuck inside the window before there is a high voltage
    text = paper.header(guard)
    for old, new, says in (
        (f"GUARD_CHECKSUM {paper.checksum(guard.loop())}UL", "GUARD_CHECKSUM 1UL", 1),
        ("guard_next[g->state][event];", "GUARD_WARNING;", 2),
        ("if (g->held[k] >= check->samples", "if (k > GUARD_CHECKS && g->held[k] >= check->samples", 3),
    ):
        assert old in text
        folder = tmp_path / str(says)
        folder.mkdir()
        (folder / "guard.h").write_text(text.replace(old, new), encoding="ascii")
        (folder / "main.c").write_text(
            '#include "guard.h"\nint main(void) { const uint16_t n[GUARD_PINS] = {0}; return guard_self_test(n); }\n',
            encoding="ascii",
        )
        subprocess.run(["gcc", "-std=c99", "main.c", "-o", "main"], cwd=folder, check=True)
        assert subprocess.run([folder / "main"], check=False).returncode == says


def test_the_self_test_with_a_supply(tmp_path: Path) -> None:
    """Its pin may hold what the reservoir does; one valve without current isn't a mains that is off any more."""
    guard = made(Converter(supply_share=0.005), pair=False)
    host = Host(guard, tmp_path)
    assert guard.supply is not None
    assert guard.supply.counts(300.0) == round(300.0 * 0.005 / 3.3 * 4096)
    assert host.self_test([0, guard.supply.counts(300.0)]) == 0
    assert host.self_test([457, 0]) == 4
    text = paper.header(guard)
    assert "GUARD_PINS 2" in text
    assert "GUARD_VALVES 1" in text
    assert "guard_tried(k, 0)" in text
    assert "guard_tried(k, 0)" not in paper.header(made(Converter(), pair=False))


def test_a_supply_that_does_not_fit_the_converter() -> None:
    with pytest.raises(InputError, match=r"give a smaller share than 0\.02, such as 0\.006"):
        made(Converter(supply_share=0.02))
    with pytest.raises(InputError, match="supply_share"):
        Converter(supply_share=0.5)


def test_a_clock_that_is_off_trips(tmp_path: Path) -> None:
    guard = made(Converter())
    host, loop = Host(guard, tmp_path), guard.loop()
    counts = np.full((1, 200, 4), 457, dtype=np.uint16)
    counts[0, ::2] += 1
    elapsed = np.full((1, 200), loop.period)
    elapsed[0, 100:] = loop.period * 2  # a loop that comes half as often holds everything twice as long
    times = np.cumsum(elapsed, axis=1) + 2**32 - 5 * loop.period  # and the clock wraps
    states, causes, _ = host.run(counts, times % 2**32, "running")
    said = replay(loop, counts, warm=True, elapsed=elapsed)
    assert np.array_equal(states, said.states)
    assert np.array_equal(causes, said.causes)
    assert said.first("tripped")[0] == 107
    assert said.tripped_by == ["clock"]


# Text in the header


@pytest.mark.parametrize(
    "title",
    ["*\\\r/ int leaked = 1; /*", "*\\\n/ int leaked = 1; /*", "*??/\n/ int leaked = 1; /*", "*/ int leaked = 1; /*",
     "a\0b */ int leaked = 1;", "x */ #error \n#error\u2028", "**//*/ int leaked;", "ends in \\", "??/", "Ω\u202e*/"],
)  # fmt: skip
def test_a_title_cannot_leave_its_comment(title: str, tmp_path: Path) -> None:
    guard = made(Converter(), title=title)
    valves = tuple(replace(valve, name=f"{title}.v{n}") for n, valve in enumerate(guard.bed.valves))
    bed: Any = SimpleNamespace(valves=valves, sense=10.0, lifted=0.0)
    text = paper.header(replace(guard, bed=bed, unseen=(Unseen(title, 2.0, 1, 2, False),)))
    assert text.isascii()
    assert "\0" not in text
    assert not any(line.lstrip().startswith("#error") for line in text.splitlines())
    (tmp_path / "guard.h").write_text(text, encoding="ascii")
    if shutil.which("gcc"):
        only = subprocess.run(["gcc", "-E", "-P", "-std=c99", "-trigraphs", "-x", "c", "guard.h"], cwd=tmp_path,
                              capture_output=True, text=True, check=True)  # fmt: skip
        assert "leaked" not in only.stdout
        (tmp_path / "main.c").write_text('#include "guard.h"\nint main(void) { return 0; }\n', encoding="ascii")
        subprocess.run(["gcc", *STRICT, "-trigraphs", "main.c", "-o", "main"], cwd=tmp_path, check=True)


def test_events_of_the_loop_are_those_of_the_header() -> None:
    text = paper.header(made(Converter()))
    assert f"enum guard_event {{ {', '.join(f'GUARD_{event.upper()}' for event in EVENTS)}, GUARD_EVENTS }};" in text
