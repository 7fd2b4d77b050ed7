"""README.md is held to the code: its code and its commands run as they stand there."""

from __future__ import annotations

import itertools
import re
import shlex
import warnings
from pathlib import Path

import pytest

from simwrap.cli import main

PAGE = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")
COMMANDS = [line.strip() for line in PAGE.splitlines() if line.startswith("    simwrap ")]


def blocks(language: str) -> list[str]:
    """All blocks of code of a language."""
    return re.findall(rf"```{language}\n(.*?)```", PAGE, re.DOTALL)


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
    monkeypatch.setattr(warnings, "showwarning", warnings.showwarning)  # the command line puts its own there
    (tmp_path / "room.toml").write_text(blocks("toml")[0], encoding="utf-8")
    words = shlex.split(command)[1:]
    if words[0] in ("check", "guard", "sheet"):  # of what the command before it wrote
        with pytest.raises(SystemExit):
            main(["new", words[1]])
    with pytest.raises(SystemExit) as ended:
        main(words)
    told = capsys.readouterr()
    # 1: what was chosen doesn't meet all goals.
    assert ended.value.code in ((0, 1) if words[0] == "choose" else (0,)), told.err
    assert told.out or words[0] in ("new", "sheet")
    assert words[0] != "new" or (tmp_path / words[1]).read_text(encoding="utf-8").startswith("#")
    for word, file in itertools.pairwise(words):
        if word in ("--plot", "--output", "-o"):
            assert (tmp_path / file).stat().st_size > 1000


def test_every_command_is_in_the_table() -> None:
    from typer.main import get_command

    from simwrap.cli import app

    with pytest.raises(SystemExit):
        main(["--help"])  # every group of commands is loaded
    listed = re.findall(r"^\| `simwrap (\w+)", PAGE, re.MULTILINE)
    assert sorted(listed) == sorted(get_command(app.app).commands)
