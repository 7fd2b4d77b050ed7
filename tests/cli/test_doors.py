"""What a command says where the computer itself is in the way, and what reaches a terminal."""

from __future__ import annotations

import os
import re
import resource
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

import simwrap
from simwrap.cli import output
from simwrap.engine import process

COMMAND = [sys.executable, "-m", "simwrap"]
DESIGN = 'simwrap_design = 1\ntitle = {title}\n[stages.line]\nstage = "triode_gain"\n'

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="limits and /dev/full are Linux's")


def run(*words: str, limit: Callable[[], None] | None = None, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *words], capture_output=True, text=True, check=False, timeout=120, preexec_fn=limit,
        env=os.environ | environment,
    )  # fmt: skip


def one_sentence(done: subprocess.CompletedProcess[str]) -> str:
    said = [line for line in done.stderr.splitlines() if not line.startswith("note: ")]
    assert len(said) == 1, done.stderr
    assert said[0].startswith("simwrap: ")
    return said[0]


@pytest.mark.parametrize("words", ["list stages", "netlist triode_gain", "show 12AX7 --json", "-h"])
def test_a_full_disk_behind_standard_output_is_exit_code_4(words: str) -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run([*COMMAND, *words.split()], stdout=full, stderr=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 4
    assert done.stderr == "simwrap: standard output can't be written (No space left on device)\n"


def test_a_full_disk_behind_standard_error_changes_nothing() -> None:
    with open("/dev/full", "w") as full:
        words = [*COMMAND, "measure", "triode_gain", "--measure", "nothing"]
        assert subprocess.run(words, stdout=subprocess.PIPE, stderr=full, check=False).returncode == 2


def test_no_temporary_space_is_one_sentence() -> None:
    """The least that a child needs is a file without a name for its heartbeat."""
    done = run("measure", "triode_gain", "--measure", "bias", limit=_no_files_of_any_size)
    assert done.returncode == 4
    assert "has no room for a simulator's process" in one_sentence(done)


def _no_files_of_any_size() -> None:
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))


@pytest.mark.parametrize("most", [8, 10, 12, 14, 16, 24])
def test_few_descriptors_are_one_sentence_or_enough(most: int) -> None:
    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_NOFILE, (most, most))

    done = run("measure", "triode_gain", "--measure", "bias", limit=limit)
    if done.returncode:
        assert done.returncode in (2, 4), done.stderr
        one_sentence(done)
    else:
        assert "anode" in done.stdout


def test_a_library_that_there_is_no_room_for_is_one_sentence(tmp_path: Path) -> None:
    """The system's loader says so by an ImportError in the middle of a command."""
    script = (
        "import sys\nfrom simwrap.cli.app import main\n"
        "class Full:\n    def find_spec(self, name, *_):\n"
        "        if name == 'h5netcdf': raise ImportError('libhdf5.so: cannot allocate memory in static TLS block')\n"
        "sys.meta_path.insert(0, Full())\n"
        "main(['sweep', 'triode_gain', '--over', 'supply=250', '--measure', 'bias', '--file', sys.argv[1]])\n"
    )
    file = tmp_path / "a.nc"
    done = subprocess.run([sys.executable, "-c", script, str(file)], capture_output=True, text=True, check=False)
    assert done.returncode == 4
    assert "a library can't be loaded: libhdf5.so" in one_sentence(done)
    assert not file.exists()


def test_where_no_child_can_be_started_the_reason_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def none(*_: object, **__: object) -> None:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    process.stop_all()
    monkeypatch.setattr(process.subprocess, "Popen", none)
    with pytest.raises(simwrap.SimwrapError, match="no room for a simulator's process") as told:
        simwrap.measure(simwrap.stage("triode_gain"), ["bias"])
    assert told.value.exit_code == 4


def test_fewer_children_than_wanted_do_it_all(monkeypatch: pytest.MonkeyPatch) -> None:
    """The computer has room for one child only: four workers take turns with it."""
    start, started = process.subprocess.Popen, []

    def one(*given: object, **more: object) -> object:
        if any(child.poll() is None for child in started):
            raise OSError(24, "Too many open files")
        started.append(start(*given, **more))
        return started[-1]

    process.stop_all()
    monkeypatch.setattr(process.subprocess, "Popen", one)
    data = simwrap.sweep(
        simwrap.stage("triode_gain"), {"cathode_resistor": list(range(1000, 1300))}, ["bias"], workers=4, spot_check=0
    )
    assert (data["status"] == "").all()
    process.stop_all()


@pytest.mark.ngspice
@pytest.mark.parametrize("library", ["/nowhere/lib.so", "nolib.so", "/etc/passwd"])
def test_a_named_engine_that_can_t_be_started_is_refused(library: str) -> None:
    words = ["measure", "triode_gain", "--measure", "bias"]
    done = run(*words, "--engine", "ngspice", NGSPICE_LIBRARY_PATH=library)
    assert (done.returncode, done.stdout) == (3, "")
    assert "engine ngspice" in one_sentence(done)
    assert run(*words, NGSPICE_LIBRARY_PATH=library).returncode == 0  # any engine will do


@pytest.mark.parametrize("title", ['"a/b"', '"a\\u0000b"', f'"{"x" * 300}"', "'$\\frac{1}{$'"])
def test_any_title_of_what_can_t_be_simulated(title: str, tmp_path: Path) -> None:
    """Its netlist is kept under a name that a file can have."""
    (tmp_path / "a.toml").write_text(DESIGN.format(title=title) + 'supply = "0 V"\n')
    words = ["measure", "a.toml", "--measure", "headroom"]
    done = subprocess.run([*COMMAND, *words], cwd=tmp_path, capture_output=True, text=True, check=False,
                          env=os.environ | {"TMPDIR": str(tmp_path)})  # fmt: skip
    assert done.returncode == 3
    assert "the netlist is kept in" in one_sentence(done)
    assert len(list(tmp_path.glob("simwrap-*.cir"))) == 1


def test_a_title_is_no_formula(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(DESIGN.format(title="'$\\frac{1}{$'"))
    picture = tmp_path / "a.png"
    done = run("measure", str(tmp_path / "a.toml"), "--measure", "response", "--plot", str(picture))
    assert done.returncode == 0, done.stderr
    assert picture.stat().st_size > 1000


# What reaches a terminal


def test_nothing_steers_a_terminal(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(DESIGN.format(title='"a\\u001b[31m\\u009b2J\\u0007\\u202eb"'))
    for words in (["show", "a.toml"], ["show", "a\x1b[2J"], ["measure", "a.toml", "--measure", "balance"]):
        done = subprocess.run([*COMMAND, *words], cwd=tmp_path, capture_output=True, text=True, check=False)
        assert not set("\x1b\x07\x9b\u202e") & set(done.stdout + done.stderr)
    assert output.tamed("tab\tand\nline, µ Ω é 漢") == "tab\tand\nline, µ Ω é 漢"
    assert output.tamed("\x1b[2J\x7f\x85") == "\\u001b[2J\\u007f\\u0085"


def test_notes_pass_no_escape_while_a_bar_is_drawn(capsys: pytest.CaptureFixture[str]) -> None:
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(file=sys.stderr, force_terminal=True)):
        output.note("\x1b]0;title\x07 \x1b[31mred")
    assert "\\u001b]0;title\\u0007 \\u001b[31mred" in capsys.readouterr().err.replace("\n", "")


def test_a_refusal_is_one_line(tmp_path: Path) -> None:
    (tmp_path / "a\nb.toml").write_text("simwrap_design = 2\n")
    assert "reads `simwrap_design = 1`" in one_sentence(run("show", str(tmp_path / "a\nb.toml")))
    one_sentence(run("measure", "triode_gain", "--no\nsuch"))


# Threads and processes


@pytest.mark.parametrize(
    ("lines", "where"),
    [
        ('simwrap_design = true\n[stages.line]\nstage = "triode_gain"\n', "simwrap_design"),
        ('simwrap_design = 1\nchannels = true\n[stages.line]\nstage = "triode_gain"\n', "channels"),
        ('simwrap_design = 1\n[stages.line]\nstage = "triode_gain"\nanode_resistor = true\n', "anode_resistor"),
        ("simwrap_design = 1\nstages = " + "[" * 3000 + "]" * 3000 + "\n", "deep"),
    ],
)
def test_truth_values_are_no_numbers_and_nesting_ends(lines: str, where: str, tmp_path: Path) -> None:
    file = tmp_path / "room.toml"
    file.write_text(lines, encoding="utf-8")
    done = run("show", str(file))
    assert done.returncode == 2
    assert where in one_sentence(done)


def test_a_forked_process_measures_while_other_threads_do() -> None:
    """Locks that another thread holds at that moment stay locked in the forked process for ever."""
    script = """
import os, sys, threading, time
import simwrap
def make():
    return simwrap.circuit({"a": simwrap.stage("triode_gain"), "b": simwrap.stage("tone_passive")})
ended = threading.Event()
def work():
    while not ended.is_set():
        simwrap.measure(make(), ["bias", "response"])
for _ in range(4):
    threading.Thread(target=work, daemon=True).start()
time.sleep(1.0)
children = []
for _ in range(int(sys.argv[1])):
    time.sleep(0.13)
    child = os.fork()
    if child == 0:
        code = 1
        try:
            code = 0 if simwrap.measure(make(), ["response"]).response.gain_db < 40 else 3
        finally:
            os._exit(code)
    children.append(child)
ended.set()  # what matters is what they held when it forked
print(*[os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children], flush=True)
os._exit(0)
"""
    done = subprocess.run([sys.executable, "-c", script, "8"], capture_output=True, text=True, timeout=240, check=False)
    assert done.stdout.split() == ["0"] * 8, done.stderr


def test_properties_are_worked_out_without_a_lock() -> None:
    from simwrap.forking import cached_property

    class Twice:
        begun = threading.Barrier(2)

        @cached_property
        def value(self) -> int:
            self.begun.wait(10.0)  # two objects at once: never, were there one lock for all
            return 1

    threads = [threading.Thread(target=lambda: Twice().value) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not Twice.begun.broken


def test_no_module_takes_the_locked_ones() -> None:
    root = Path(process.__file__).parents[1]
    sources = [file for file in root.rglob("*.py") if file.name != "forking.py"]
    assert [str(file) for file in sources if re.search(r"functools.*cached_property", file.read_text("utf-8"))] == []


def test_a_killed_idle_child_is_no_zombie() -> None:
    simwrap.measure(simwrap.stage("triode_gain"), ["bias"])
    pids = process.children()
    assert pids
    for pid in pids:
        os.kill(pid, signal.SIGKILL)
    until = time.monotonic() + 20.0
    while any(Path(f"/proc/{pid}").exists() for pid in pids) and time.monotonic() < until:
        time.sleep(0.02)
    assert not any(Path(f"/proc/{pid}").exists() for pid in pids)
    assert process.children() == []


# A sweep that is interrupted early


def test_what_is_done_is_kept_after_the_first_point(tmp_path: Path) -> None:
    from simwrap.simulation.sweep import PENDING, load

    stopped: list[int] = []

    def stop(done: int, _total: int) -> None:
        if done >= 1:
            stopped.append(done)
            raise KeyboardInterrupt

    file = tmp_path / "sweep.nc"
    values = {"cathode_resistor": list(range(1000, 1020))}
    with pytest.raises(KeyboardInterrupt):
        simwrap.sweep(simwrap.stage("triode_gain"), values, {"headroom": {"levels": 18}}, file=file, progress=stop)
    assert int((load(file)["status"] != PENDING).sum()) == 1


@pytest.mark.parametrize(
    "words",
    [
        "measure triode_gain --measure bias -o FILE.csv", "measure triode_gain --measure bias --plot FILE.png",
        "sweep triode_gain --over supply=250 -o FILE.nc", "sweep triode_gain --over supply=250 --plot FILE.png",
        "tolerance triode_gain -o FILE.csv", "tolerance triode_gain --plot FILE.png", "netlist triode_gain -o FILE.cir",
        "curves 12AX7 --plot FILE.png", "new FILE.toml", "sheet room.toml -o FILE.html",
        "guard room.toml --header FILE.h", "guard room.toml -o FILE.json", "fit room.csv -o FILE.toml",
        "readings room.toml room.csv --response --plot FILE.png",
    ],
)  # fmt: skip
def test_no_command_writes_over_a_file_unasked(
    words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from simwrap.cli import app

    monkeypatch.chdir(tmp_path)
    file = Path(next(word for word in words.split() if word.startswith("FILE")))
    file.write_text("good")
    with pytest.raises(SystemExit) as ended:
        app.main(words.split())
    assert ended.value.code == 2
    assert f"{file} is there already; give another name, or --force" in capsys.readouterr().err
    assert file.read_text() == "good"
    assert [path.name for path in tmp_path.iterdir()] == [file.name]


def test_force_writes_over_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from simwrap.cli import app

    file = tmp_path / "a.cir"
    file.write_text("good")
    with pytest.raises(SystemExit) as ended:
        app.main(["netlist", "triode_gain", "-o", str(file), "--force"])
    assert ended.value.code == 0
    assert "r_anode" in file.read_text()
