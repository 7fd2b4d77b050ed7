"""Files of results: whole or not at all, not over another one unasked, one writer at a time."""

from __future__ import annotations

import os
import resource
import stat
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

import simwrap
from simwrap import files
from simwrap.errors import InputError, SystemLimitError


@contextmanager
def small_disk(most: int = 1000) -> Iterator[None]:
    """Let no file grow beyond so many bytes."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_file_is_written_whole_or_stays_as_it_was(tmp_path: Path) -> None:
    file = tmp_path / "guard.h"
    with small_disk(), pytest.raises(SystemLimitError, match="can't be written"):
        files.write_text(file, "x" * 5000)
    assert list(tmp_path.iterdir()) == []
    files.write_text(file, "good")
    with small_disk(), pytest.raises(SystemLimitError):
        files.write_text(file, "x" * 5000, replace=True)
    assert file.read_text() == "good"
    assert list(tmp_path.iterdir()) == [file]


def test_a_dataset_is_written_whole_or_stays_as_it_was(tmp_path: Path) -> None:
    from simwrap.simulation.sweep import save

    data = simwrap.sweep(simwrap.stage("triode_gain"), {"cathode_resistor": ["1k", "2k"]}, ["bias"])
    for name in ("a.nc", "a.csv"):
        (tmp_path / name).write_text("good")
        with small_disk(), pytest.raises(SystemLimitError, match="can't be written"):
            save(data, tmp_path / name)
        assert (tmp_path / name).read_text() == "good"
    assert len(list(tmp_path.iterdir())) == 2


def test_a_file_that_is_there_is_written_over_only_where_that_is_asked_for(tmp_path: Path) -> None:
    file = tmp_path / "a.txt"
    files.write_text(file, "one")
    with pytest.raises(InputError, match="is there already; give another name, or --force"):
        files.write_text(file, "two")
    assert file.read_text() == "one"
    files.write_text(file, "two", replace=True)
    assert file.read_text() == "two"


def test_a_file_that_has_come_meanwhile_stays(tmp_path: Path) -> None:
    file = tmp_path / "a.txt"

    def late() -> None:
        with files.whole_file(file) as partial:
            partial.write_text("two")
            file.write_text("one")

    with pytest.raises(InputError, match="is there already"):
        late()
    assert file.read_text() == "one"
    assert list(tmp_path.iterdir()) == [file]


def test_modes_links_and_devices(tmp_path: Path) -> None:
    file, link = tmp_path / "a.txt", tmp_path / "link.txt"
    files.write_text(file, "one")
    assert stat.S_IMODE(file.stat().st_mode) == 0o666 & ~_mask()
    file.chmod(0o640)
    link.symlink_to(file)
    files.write_text(link, "two", replace=True)
    assert link.is_symlink()
    assert (file.read_text(), stat.S_IMODE(file.stat().st_mode)) == ("two", 0o640)
    files.write_text(Path("/dev/null"), "nothing")
    assert stat.S_ISCHR(Path("/dev/null").stat().st_mode)
    with pytest.raises(SystemLimitError, match="No space left"):
        files.write_text(Path("/dev/full"), "nothing")


def _mask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


@pytest.mark.parametrize("name", ["", "nowhere/a.txt", "a\0b", "x" * 300])
def test_what_can_t_be_a_file_is_one_sentence(name: str, tmp_path: Path) -> None:
    with pytest.raises(InputError) as told:
        files.check_free(tmp_path / name)
    assert "\n" not in str(told.value)


def test_a_file_has_one_writer(tmp_path: Path) -> None:
    file = tmp_path / "sweep.nc"
    with files.held(file):
        with pytest.raises(InputError, match="is being written by another run"), files.held(file):
            pass
        script = f"from pathlib import Path\nfrom simwrap.files import held\nwith held(Path({str(file)!r})): pass\n"
        other = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
        assert "is being written by another run" in other.stderr
    with files.held(file):
        pass
    assert list(tmp_path.iterdir()) == []


def test_the_lock_of_a_killed_writer_is_free(tmp_path: Path) -> None:
    file = tmp_path / "sweep.nc"
    script = (
        f"import os\nfrom pathlib import Path\nfrom simwrap.files import held\n"
        f"with held(Path({str(file)!r})): os.kill(os.getpid(), 9)\n"
    )
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == -9
    with files.held(file):
        pass


def test_many_writers_take_turns(tmp_path: Path) -> None:
    """Each holds the file alone: none of the additions is lost, and who can't have it is told so."""
    file, inside, done = tmp_path / "sweep.nc", [], []

    def write() -> None:
        while len(done) < 60:
            try:
                with files.held(file):
                    inside.append(1)
                    assert len(inside) == 1
                    done.append(1)
                    inside.pop()
            except InputError:
                pass

    threads = [threading.Thread(target=write) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(done) >= 60
    assert list(tmp_path.iterdir()) == []


def test_two_sweeps_into_one_file_lose_nothing(tmp_path: Path) -> None:
    """The second is told so while the first runs, and goes on from there after it."""
    file = tmp_path / "sweep.nc"
    stage = simwrap.stage("triode_gain")
    values = {"cathode_resistor": [f"{k}" for k in range(1000, 1300, 100)]}
    told: list[str] = []

    def meanwhile(_done: int, _total: int) -> None:
        if not told:
            with pytest.raises(InputError, match="is being written by another run") as refused:
                simwrap.sweep(stage, values, ["bias"], file=file)
            told.append(str(refused.value))

    first = simwrap.sweep(stage, values, ["bias"], file=file, progress=meanwhile)
    assert told
    assert simwrap.sweep(stage, values, ["bias"], file=file).equals(first)
    assert [path.name for path in tmp_path.iterdir()] == ["sweep.nc"]
