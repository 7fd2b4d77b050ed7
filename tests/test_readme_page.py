"""README.md is held to the code: its code and its commands run as they stand there."""

from __future__ import annotations

import itertools
import re
import shlex
from pathlib import Path

import pages
import pytest

import simwrap

PAGE = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
COMMANDS = [line.strip() for line in PAGE.splitlines() if line.startswith("    simwrap ")]


def blocks(language: str) -> list[str]:
    """All blocks of code of a language."""
    return [block.code for block in pages.blocks(PAGE, language)]


def test_there_is_something_to_run() -> None:
    assert len(COMMANDS) >= 12
    assert len(blocks("python")) == 2
    assert len(blocks("toml")) == 1


def test_the_code_runs() -> None:
    names: dict[str, object] = {}
    for code in blocks("python"):
        exec(compile(code, "README.md", "exec"), names)
    assert set(names["waves"].dims) == {"level", "time", "harmonic"}  # type: ignore[attr-defined]
    assert names["swept"].sizes["cathode_resistor"] == 5  # type: ignore[attr-defined]


@pytest.mark.slow
@pytest.mark.parametrize("command", COMMANDS)
def test_the_commands_run(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "room.toml").write_text(blocks("toml")[0], encoding="utf-8")
    words = shlex.split(command)[1:]
    if words[0] in ("check", "guard", "sheet"):  # of what the command before it wrote
        pages.run_command(f"simwrap new {words[1]}")
    pages.run_command(command)
    assert capsys.readouterr().out or words[0] in ("new", "sheet")
    assert words[0] != "new" or (tmp_path / words[1]).read_text(encoding="utf-8").startswith("#")
    for word, file in itertools.pairwise(words):
        if word in ("--plot", "--output", "-o"):
            assert (tmp_path / file).stat().st_size > 1000


def test_every_command_is_in_the_table() -> None:
    from typer.main import get_command

    from simwrap.cli import app, main

    with pytest.raises(SystemExit):
        main(["--help"])  # every group of commands is loaded
    listed = re.findall(r"^\| `simwrap ([\w-]+)", PAGE, re.MULTILINE)
    assert sorted(listed) == sorted(get_command(app.app).commands)


def test_every_stage_and_every_measure_is_in_a_table_as_it_says_itself() -> None:
    from simwrap.circuits.library import stage_names
    from simwrap.measures.registry import measures

    told = dict(re.findall(r"^\| `([a-z_]+)` \| (.+) \|$", PAGE, re.MULTILINE))
    stages = {name: simwrap.stage(name).template.summary for name in stage_names()}
    assert told == stages | {name: measure.summary for name, measure in measures().items()}
