"""DEVELOPERS.md and its topics are held to the code: all is named, and their own stage, measure and package run."""

from __future__ import annotations

import importlib.util
import re
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import simwrap
from simwrap.circuits import header, library, sandbox
from simwrap.fitting.read_table import read_table
from simwrap.measures import registry, requests
from simwrap.units import quantity

ROOT = Path(__file__).resolve().parent.parent
PAGES = [ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs" / "developers").glob("*.md"))]
PAGE = "\n".join(page.read_text(encoding="utf-8") for page in PAGES)
#: Where a builder's own things are described.
OWN = "# From another package"
MODELS = {
    "(top)": header.Header,
    "ports": header.Port,
    "ports.source": header.Source,
    "ports.load": header.Load,
    "parameters": header.Parameter,
    "valves": header.ValveSlot,
    "components": header.ComponentSlot,
}


def rows(first: str) -> list[list[str]]:
    """Cells of the table whose head starts with a word."""
    start = PAGE.index(f"| {first} |")
    lines = PAGE[start : PAGE.index("\n\n", start)].splitlines()[2:]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]


def block(language: str, start: str) -> str:
    """The first block of code of a language after some words."""
    place = PAGE.index(f"```{language}\n", PAGE.index(start)) + len(language) + 4
    return PAGE[place : PAGE.index("```", place)]


# Tables


def test_the_contributors_page_is_short_and_names_every_topic() -> None:
    first, *topics = PAGES
    text = first.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 120
    assert [page.name for page in topics if page.stem != "index" and f"docs/developers/{page.name}" not in text] == []


def test_every_key_of_the_header_is_in_the_table_and_no_other() -> None:
    told: dict[str, list[str]] = {name: [] for name in MODELS}
    for place, key, meaning in rows("table of the header"):
        assert meaning
        told[place].append(key.strip("`"))
    known = {name: list(model.model_fields) for name, model in MODELS.items()}
    known["parameters"].remove("name")  # the table's own name
    assert {name: sorted(keys) for name, keys in told.items()} == {name: sorted(keys) for name, keys in known.items()}


def test_every_function_of_a_template_is_in_the_table_and_no_other() -> None:
    told = {re.findall(r"\w+", cell)[0] for cell, _ in rows("in a template")}
    assert told - {"part"} == set(sandbox.FUNCTIONS) | sandbox.GIVEN | {"range"}
    tests = {match[1] for cell, _ in rows("in a template") if (match := re.search(r"part is (\w+)", cell))}
    assert tests == set(sandbox._ENVIRONMENT.tests)


def test_legs_and_kinds_are_named() -> None:
    (legs,) = [meaning for cell, meaning in rows("in a template") if "tapped_legs" in cell]
    assert set(re.findall(r"`\.(\w+)`", legs)) == set(sandbox.functions.TappedLegs._fields)
    (tapers,) = [meaning for cell, meaning in rows("in a template") if "taper(" in cell]
    assert set(re.findall(r'"(\w+)"', tapers)) == set(sandbox.functions.TAPERS)


def test_units_of_parameters_are_known() -> None:
    (units,) = [
        meaning for place, key, meaning in rows("table of the header") if (place, key) == ("parameters", "`unit`")
    ]
    assert set(re.findall(r'"(.*?)"', units)) <= {*quantity.UNITS, *header.KINDS, "choice"}


def test_every_request_is_in_the_table() -> None:
    told = {cell.strip("`") for cell, _ in rows("request")}
    assert told == {kind.__name__ for kind in requests.Request.__subclasses__()}


def test_every_room_is_on_the_map() -> None:
    told = {cell.strip("`") for cell, *_ in rows("room")}
    there = {
        f"simwrap/{path.name}/" if path.is_dir() else f"simwrap/{path.name}"
        for path in (ROOT / "simwrap").iterdir()
        if (path / "__init__.py").exists() or path.suffix == ".py"
    } - {"simwrap/__main__.py"}
    assert there <= told


# Things of one's own


@pytest.fixture
def own_stages(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "shop" / "netlist_templates"
    folder.mkdir(parents=True)
    (folder / "choke_loaded_triode.cir.j2").write_text(block("jinja", OWN), encoding="utf-8")
    monkeypatch.setenv(library.VARIABLE, str(tmp_path / "shop"))
    return tmp_path / "shop"


@pytest.fixture
def own_measure(tmp_path: Path) -> Iterator[ModuleType]:
    file = tmp_path / "spectral_tilt.py"
    file.write_text(block("python", OWN), encoding="utf-8")
    spec = importlib.util.spec_from_file_location("spectral_tilt", file)
    assert spec is not None
    assert spec.loader is not None
    registry.measures()
    module = importlib.util.module_from_spec(spec)
    sys.modules["spectral_tilt"] = module
    spec.loader.exec_module(module)
    yield module
    del registry._found["spectral_tilt"], sys.modules["spectral_tilt"]


@pytest.mark.usefixtures("own_stages", "own_measure")
def test_the_page_s_stage_and_measure_are_measured_swept_and_drawn() -> None:
    made = simwrap.stage("choke_loaded_triode")
    found = simwrap.measure(made, ["bias", "spectral_tilt"])
    # The choke carries the anode's current: nearly no voltage falls across its winding.
    anode = found.bias.nodes.n_anode
    assert anode == pytest.approx(250.0 - 1500.0 * found.bias.valves.v1.anode_current, abs=1e-3)
    data = simwrap.sweep(made, {"choke": [10.0, 100.0]}, ["spectral_tilt", "response"])
    tilt = data["spectral_tilt.tilt_db"].values
    places, curve = np.log(data["response.frequency"].values), data["response.curve_db"].values
    expected = [np.diff(np.interp(np.log([100.0, 10e3]), places, row)).item() for row in curve]
    assert tilt == pytest.approx(expected, abs=0.02)
    assert tilt[0] > tilt[1] > 0.0  # a small choke lets the bass go
    assert found.plot("spectral_tilt").axes[0].get_ylabel() == "gain [dB]"
    assert len(simwrap.plot(data, "spectral_tilt").axes[0].lines) == 2


def test_the_page_s_table_of_a_valve_is_read(tmp_path: Path) -> None:
    file = tmp_path / "rr1.csv"
    file.write_text(block("text", OWN), encoding="utf-8")
    points = read_table(file).rows["points"]
    assert len(points) == 10
    assert points[0]["anode_current"] == pytest.approx(5.1e-3)


def test_the_page_s_entry_points_are_of_groups_that_are_looked_up() -> None:
    groups = tomllib.loads(block("toml", OWN))["project"]["entry-points"]
    code = "".join(path.read_text("utf-8") for path in (ROOT / "simwrap").rglob("*.py"))
    assert set(groups) == {"simwrap.valves", "simwrap.stages", "simwrap.measures"}
    assert all(f'"{group}"' in code for group in groups)


def test_the_page_s_commands_have_options_that_are_there() -> None:
    from typer.main import get_command

    from simwrap.cli import app, design_commands, library_commands, valve_commands

    assert all(part.__name__ for part in (design_commands, library_commands, valve_commands))
    commands = get_command(app.app).commands
    lines = [line.strip() for line in PAGE.splitlines() if re.match(r"    (SIMWRAP_\w+=\S+ )*simwrap ", line)]
    assert len(lines) >= 8
    for line in lines:
        words = line[line.index("simwrap ") :].split()
        options = {name for parameter in commands[words[1]].params for name in parameter.opts}
        assert [word for word in words if word.startswith("-") and word not in options] == []
