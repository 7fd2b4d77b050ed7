"""What a shell sees: help, encodings, closed pipes, interruption, JSON of what there is."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

import simwrap
from simwrap.cli import app, output
from simwrap.simulation import as_json

COMMAND = [sys.executable, "-m", "simwrap"]
COMMANDS = ["measure", "sweep", "netlist", "engines", "demo", "new", "check", "guard", "readings", "match", "sheet",
            "list", "show", "tolerance", "choose", "curves", "fit"]  # fmt: skip


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[Any, str, str]:
    with pytest.raises(SystemExit) as ended:
        app.main(list(words))
    told = capsys.readouterr()
    return ended.value.code, told.out, told.err


def test_alone_it_prints_help(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys)
    assert (code, err) == (0, "")
    assert out.startswith("Usage: simwrap")
    assert all(f"\n  {name} " in out for name in COMMANDS)


def test_a_list_of_nothing_is_help_and_exit_2(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "list")
    assert (code, out) == (2, "")
    assert err.startswith("Usage: simwrap list")


def test_the_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, "--version") == (0, f"simwrap {simwrap.__version__}\n", "")


@pytest.mark.parametrize("command", ["", *COMMANDS])
def test_help_is_readable_at_sixty_columns(
    command: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "60")
    code, out, _ = run(capsys, *filter(None, [command]), "-h")
    assert code == 0
    assert out == run(capsys, *filter(None, [command]), "--help")[1]
    assert max(map(len, out.splitlines())) <= 60
    assert "bool" not in out
    assert "..." not in out.partition("\n")[2]  # no sentence is cut off


def test_choose_says_what_its_exit_codes_mean(capsys: pytest.CaptureFixture[str]) -> None:
    assert "Exit code 0" in run(capsys, "choose", "-h")[1]
    assert "1 goals not met" in " ".join(run(capsys, "-h")[1].split())


def test_completion_offers_stages_and_measures() -> None:
    def offered(words: str, place: int) -> set[str]:
        environment = {"_SIMWRAP_COMPLETE": "complete_bash", "COMP_WORDS": words, "COMP_CWORD": str(place)}
        done = subprocess.run(COMMAND, env={**os.environ, **environment}, capture_output=True, text=True, check=False)
        return set(done.stdout.split())

    assert set(COMMANDS) <= offered("simwrap ", 1)
    assert {"triode_gain", "tone_passive"} <= offered("simwrap measure t", 2)
    assert offered("simwrap measure triode_gain --measure headr", 4) == {"headroom"}


# Output


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "latin-1", "cp437", "utf-8", "utf-16"])
def test_any_encoding_of_the_output(encoding: str) -> None:
    done = subprocess.run(
        [*COMMAND, "show", "triode_gain"], env={**os.environ, "PYTHONIOENCODING": encoding}, capture_output=True,
        check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, b"")
    told = done.stdout.decode(encoding)
    ohm = "Ω" if encoding in ("cp437", "utf-8", "utf-16") else "ohm"
    assert f"100 k{ohm}" in told


def test_signs_in_words() -> None:
    assert output.plain("4.7 kΩ, 22 µF, -180°, ∞, a → b – ±5 %, V/√Hz, né") == (
        "4.7 kohm, 22 uF, -180 deg, inf, a -> b - +/-5 %, V/sqrt Hz, ne"
    )
    assert output.plain("─┼ 漢") == "-- ?"
    ascii_only = "~plain text 123"
    assert output.plain(ascii_only) is not None
    assert output.plain(ascii_only) == ascii_only


def test_a_file_is_utf_8_whatever_the_locale(tmp_path: Path) -> None:
    environment = {**os.environ, "PYTHONIOENCODING": "ascii", "LC_ALL": "C", "PYTHONUTF8": "0"}
    words = ["measure", "triode_gain", "--measure", "bias", "-o", str(tmp_path / "a.csv")]
    assert subprocess.run([*COMMAND, *words], env=environment, capture_output=True, check=False).returncode == 0
    assert "12AX7" in (tmp_path / "a.csv").read_text(encoding="utf-8")


def test_a_closed_pipe_is_quiet() -> None:
    words = [*COMMAND, "measure", "triode_gain", "--measure", "bias", "--details"]
    for lines in (0, 1):
        with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, bufsize=0) as process:
            assert process.stdout is not None
            assert process.stderr is not None
            for _ in range(lines):
                process.stdout.readline()
            process.stdout.close()
            assert process.stderr.read() == b""
            assert process.wait(60) == 0


@pytest.mark.skipif(os.name == "nt", reason="needs a POSIX shell")
def test_a_closed_output_is_no_fault() -> None:
    line = f'"{sys.executable}" -m simwrap measure triode_gain --measure bias >&-'
    done = subprocess.run(["sh", "-c", line], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


# Interrupted


def _interrupted(words: list[str], kept: Path) -> tuple[int, str]:
    """Run a sweep until something of it is kept and then some, press Ctrl-C; return exit code and stderr."""
    with subprocess.Popen([*COMMAND, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stderr is not None
        begin = time.monotonic()
        while not kept.exists() and process.poll() is None and time.monotonic() - begin < 120:
            time.sleep(0.05)
        process.send_signal(signal.SIGINT)
        _, err = process.communicate(timeout=60)
        return process.returncode, err


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="no SIGINT for a child")
def test_what_is_done_of_a_sweep_is_kept_and_gone_on_with(tmp_path: Path) -> None:
    words = ["sweep", "triode_gain", "--over", "cathode_resistor=500:5k:300", "--measure", "headroom", "--workers", "1"]
    target, partial = tmp_path / "a.csv", tmp_path / "a.partial.nc"
    code, err = _interrupted([*words, "-o", str(target)], partial)
    assert code == 130
    assert f"of 300 points are kept in {partial}; the same command goes on from there" in err
    assert not target.exists()
    done = int(err.split("interrupted: ")[1].split()[0])
    assert 0 < done < 300
    short = [*words[:3], "cathode_resistor=500:5k:30", *words[4:]]
    refused = subprocess.run([*COMMAND, *short, "-o", str(target)], capture_output=True, text=True, check=False)
    assert refused.returncode == 2
    assert "holds another sweep" in refused.stderr


def test_a_sweep_goes_on_from_its_file(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    words = ["sweep", "triode_gain", "--over", "cathode_resistor=1k,2k2", "--measure", "bias"]
    first = run(capsys, *words, "--file", str(tmp_path / "a.nc"))
    again = run(capsys, *words, "--file", str(tmp_path / "a.nc"))
    assert first[0] == again[0] == 0
    assert first[1] == again[1]
    assert "is taken from" in again[2]
    assert "is taken from" not in first[2]
    written = run(capsys, *words, "-o", str(tmp_path / "b.nc"), "--file", str(tmp_path / "a.nc"))
    assert written[0] == 0
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["a.nc", "b.nc"]
    run(capsys, *words, "-o", str(tmp_path / "c.csv"))
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["a.nc", "b.nc", "c.csv"]


# What can't be written


@pytest.mark.parametrize(
    "words",
    [
        ["demo", "--folder", "/proc/nowhere"],
        ["demo", "--folder", "a\0b"],
        ["netlist", "triode_gain", "-o", "/proc/nowhere/a.cir"],
        ["netlist", "triode_gain", "-o", "a\0b"],
        ["sweep", "triode_gain", "--over", "cathode_resistor=1k", "--measure", "bias", "-o", "a\0b.nc"],
        ["sweep", "triode_gain", "--over", "cathode_resistor=1k", "--measure", "bias", "--file", "a\0b.nc"],
        ["measure", "triode_gain", "--measure", "bias", "--plot", "a\0b.png"],
        ["measure", "a\0b.cir.j2"],
        ["measure", "a\0b.toml"],
        ["show", "a\0b.toml"],
        ["show", "a\0b"],
        ["list", "valves", "--valves", "a\0b"],
        ["list", "stages", "--stages", "a\0b"],
        ["fit", "a\0b.csv", "-o", "b.toml"],
        ["new", "a\0b.toml"],
        ["check", "a\0b.toml"],
    ],
)
def test_files_that_cannot_be_are_one_sentence(capsys: pytest.CaptureFixture[str], words: list[str]) -> None:
    code, out, err = run(capsys, *words)
    assert code == 2
    assert out == ""
    assert len([line for line in err.splitlines() if not line.startswith("note:")]) == 1


@pytest.mark.parametrize("file", [3, 1.5, "a\0b.nc", "", "a.csv", ["a.nc"]])
def test_names_of_files_in_python_are_checked_before_anything_runs(file: Any) -> None:
    with pytest.raises(simwrap.InputError, match="file"):
        simwrap.sweep(simwrap.stage("triode_gain"), {"supply": [200.0]}, ["bias"], file=file)


# JSON of what there is


def test_lists_and_shows_are_numeric_and_as_described(capsys: pytest.CaptureFixture[str]) -> None:
    described = as_json.__doc__ or ""

    def told(*words: str) -> Any:
        code, out, _ = run(capsys, *words, "--json")
        assert code == 0
        found = json.loads(out)
        assert found["schema"] == as_json.SCHEMA
        assert all(key in described for key in found)
        return found

    stages = told("list", "stages")["stages"]
    assert {"stage", "summary", "measures", "ports"} == set(stages[0])
    anode = told("show", "triode_gain")["parameters"]["anode_resistor"]
    assert (anode["value"], anode["default"], anode["unit"]) == (100e3, 100e3, "ohm")
    assert anode["minimum"] < anode["value"] < anode["maximum"]
    assert told("show", "push_pull_output")["parameters"]["connection"]["choices"] == [
        "pentode", "ultra_linear", "triode",
    ]  # fmt: skip
    level = told("show", "headroom")["options"]["levels"]
    assert (level["type"], level["least"], level["most"]) == ("int", 18, 200)
    listed = {entry["measure"]: entry for entry in told("list", "measures")["measures"]}
    assert listed["headroom"]["options"]["levels"] == level
    valve = told("show", "EL84")
    # 12 W (Philips EL84 sheet).
    assert valve["ratings"]["anode_dissipation_max"] == 12.0
    assert valve["conditions"]["push-pull 300 V cathode bias"]["load"] == 8000.0
    assert all(isinstance(row["published"], float | int) for row in valve["published"])
    assert {row["unit"] for row in valve["published"]} <= {"V", "A", "W", "S", "ohm", "%", ""}


def test_every_option_of_the_schema_is_there(capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("bias", "distortion", "headroom"):
        options = json.loads(run(capsys, "show", name, "--json")[1])["options"]
        for option in options.values():
            assert set(option) == {"unit", "type", "default", "above", "least", "most", "zero", "choices"}


# What is read of a valve and a stage


def test_a_valve_shows_its_verdict_first_and_units(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "show", "12AX7")[1]
    first = " ".join(out.split("\n\n")[0].split())
    assert first.startswith("12AX7: ")
    assert "the model is within" in first
    whole = run(capsys, "show", "12AX7", "--details")[1]
    # 1.2 mA and 62.5 kohm at 250 V, -2 V (RCA RC-30).
    assert " 1.2 mA " in whole
    assert " 62.5 kΩ " in whole
    assert len(out) < len(whole)


def test_a_stage_shows_ranges(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "show", "triode_gain")[1]
    row = next(line for line in out.splitlines() if line.startswith("supply "))
    # Both a stage and a measure have this name.
    assert "mains_frequency" in run(capsys, "show", "supply")[1]
    assert "300 V" in row
    assert " to " in row
