"""The project as a whole: what is shipped, how rooms depend on one another, documentation, start-up."""

from __future__ import annotations

import importlib
import inspect
import json
import pkgutil
import re
import shutil
import subprocess
import sys
import tomllib
import warnings
import zipfile
from pathlib import Path

import pytest

import simwrap

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

REQUIRED = {
    ".ci",
    ".gitignore",
    "CHANGELOG.md",
    "CITATION.cff",
    "DEVELOPERS.md",
    "LICENSE",
    "Makefile",
    "README.md",
    "docs",
    "models",
    "netlist_templates",
    "notebooks",
    "pyproject.toml",
    "simwrap",
    "tests",
}
HEAVY = ("matplotlib", "PySpice", "neospice", "scipy.signal", "xarray", "pandas", "pydantic", "typer", "rich")


def python(code: str, *arguments: str, **options: object) -> str:
    """Run code in a new interpreter, and return what it printed."""
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        **options,  # type: ignore[call-overload]
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def modules() -> list[str]:
    """Names of all modules of simwrap but `__main__`, which runs when it is imported."""
    found = [module.name for module in pkgutil.walk_packages(simwrap.__path__, "simwrap.")]
    return ["simwrap", *(name for name in found if not name.endswith("__main__"))]


# Top level


def test_top_level() -> None:
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        pytest.skip("not a git checkout")
    listed = subprocess.run(
        ["git", "-C", str(ROOT), "ls-files"], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    assert {name.partition("/")[0] for name in listed} == REQUIRED


def test_version_licence_and_command() -> None:
    project = PROJECT["project"]
    assert project["version"] == simwrap.__version__
    assert project["license"] == "GPL-3.0-or-later"
    licence = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert "GNU GENERAL PUBLIC LICENSE" in licence
    assert "Version 3, 29 June 2007" in licence
    assert project["scripts"] == {"simwrap": "simwrap.cli:main"}


def test_ci_runs_the_tests() -> None:
    run = ROOT / ".ci" / "run"
    assert run.stat().st_mode & 0o111
    text = run.read_text(encoding="utf-8")
    assert "set -euo pipefail" in text
    assert re.search(r"^make test$", text, re.MULTILINE)


def test_make_targets() -> None:
    text = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.findall(r"^([a-z]+):", text, re.MULTILINE))
    assert {"demo", "test", "lint", "docs", "bench", "floors", "models", "clean"} <= targets


# Packaging


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, unpacked."""
    from hatchling.builders.wheel import WheelBuilder

    folder = tmp_path_factory.mktemp("wheel")
    built = list(WheelBuilder(str(ROOT)).build(directory=str(folder), versions=["standard"]))
    assert len(built) == 1
    with zipfile.ZipFile(built[0]) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


@pytest.mark.parametrize(("kind", "pattern"), [("models", "*.toml"), ("netlist_templates", "*.cir.j2")])
def test_wheel_holds_models_and_templates(wheel: Path, kind: str, pattern: str) -> None:
    shipped = {path.name for path in (wheel / "simwrap" / "_data" / kind).glob(pattern)}
    assert shipped
    assert shipped == {path.name for path in (ROOT / kind).glob(pattern)}


def test_wheel_says_that_it_is_typed(wheel: Path) -> None:
    assert (wheel / "simwrap" / "py.typed").exists()


def test_wheel_finds_its_own_data(wheel: Path, tmp_path: Path) -> None:
    code = """
import json, sys
sys.path.insert(0, sys.argv[1])
import simwrap, simwrap._paths as paths
from simwrap.valves import get_valve
made = simwrap.stage("triode_gain")
print(json.dumps({
    "file": simwrap.__file__,
    "folders": [str(paths.model_folders()[-1]), str(paths.template_folders()[-1]), str(made.template.path)],
    "stages": simwrap.stage_names(), "valves": simwrap.valve_names(),
}))
"""
    told = json.loads(python(code, str(wheel), cwd=tmp_path))
    for path in [told["file"], *told["folders"]]:
        assert Path(path).is_relative_to(wheel)
    assert set(told["stages"]) == {p.name.removesuffix(".cir.j2") for p in (ROOT / "netlist_templates").glob("*.j2")}
    assert len(told["valves"]) >= len(list((ROOT / "models").glob("*.toml")))


def test_wheel_finds_its_own_valves_without_the_repository(wheel: Path, tmp_path: Path) -> None:
    code = """
import sys
sys.path.insert(0, sys.argv[1])
from simwrap.valves.library import search_folders
print(search_folders()[-1])
"""
    assert Path(python(code, str(wheel), cwd=tmp_path).strip()).is_relative_to(wheel)


# Layers


def test_layers() -> None:
    program = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [program, "--no-cache", "--config", "pyproject.toml"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr
    assert "0 broken" in done.stdout


def test_every_room_has_its_layer() -> None:
    # A new module has to be put on the map, or the layers say nothing about it.
    layers = " ".join(PROJECT["tool"]["importlinter"]["contracts"][0]["layers"])
    placed = set(re.findall(r"\w+", layers))
    rooms = {found.name for found in pkgutil.iter_modules(simwrap.__path__)} - {"__main__"}
    assert rooms <= placed


# Start-up


def test_import_is_light() -> None:
    code = "import sys, simwrap; print(*sys.modules)"
    loaded = python(code).split()
    assert "simwrap" in loaded
    assert [name for name in loaded if name in HEAVY] == []


def test_the_public_names_are_there() -> None:
    assert set(simwrap.__all__) <= set(dir(simwrap))
    for name in simwrap.__all__:
        assert getattr(simwrap, name) is not None
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = simwrap.no_such_name


# Documentation


def problems_of(name: str) -> set[str]:
    """Codes of numpydoc's findings for one object."""
    from numpydoc.validate import validate

    with warnings.catch_warnings():
        # Measures have a section of their own, "Results".
        warnings.filterwarnings("ignore", "Unknown section Results", UserWarning)
        return {code for code, _ in validate(name)["errors"]}


@pytest.mark.parametrize("module_name", modules())
def test_every_public_thing_has_a_docstring(module_name: str) -> None:
    module = importlib.import_module(module_name)
    assert inspect.getdoc(module), f"{module_name} doesn't say what it is for"
    bare = []
    for name, thing in vars(module).items():
        own = getattr(thing, "__module__", None) == module_name
        if not own or name.startswith("_") or not (inspect.isfunction(thing) or inspect.isclass(thing)):
            continue
        if not thing.__doc__ or thing.__doc__.startswith(f"{name}("):
            bare.append(name)
    assert bare == []


@pytest.mark.parametrize("name", simwrap.__all__)
def test_public_names_document_each_argument(name: str) -> None:
    thing = getattr(simwrap, name)
    assert inspect.getdoc(thing)
    if inspect.isclass(thing):
        return
    found = problems_of(f"{thing.__module__}.{thing.__name__}")
    # No docstring; arguments that aren't documented; documented ones that don't exist; returns.
    if (thing.__doc__ or "").startswith("Return "):
        found -= {"RT01"}
    assert found & {"GL08", "PR01", "PR02", "RT01"} == set()


def test_no_module_hides_a_public_name() -> None:
    # Importing simwrap.x sets the attribute x of simwrap: a function of that name would come and go.
    rooms = {found.name for found in pkgutil.iter_modules(simwrap.__path__)}
    assert set(simwrap.__all__) & rooms == set()


def test_the_word_is_anode() -> None:
    wrong = [
        f"{path.relative_to(ROOT)}: {word}"
        for path in [*ROOT.glob("simwrap/**/*.py"), *ROOT.glob("netlist_templates/*.j2")]
        for word in re.findall(r"\w*plate\w*", path.read_text(encoding="utf-8"), re.IGNORECASE)
        if "template" not in word.lower()
    ]
    assert wrong == []


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_links_and_names_of_the_pages_are_true(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    links = [link for link in re.findall(r"\]\(([^)]+)\)", text) if "://" not in link]
    assert [link for link in links if not (ROOT / link.partition("#")[0]).exists()] == []
    paths = re.findall(r"`((?:simwrap|models|netlist_templates|notebooks|tests)/[\w./]*)`", text)
    assert links or paths
    assert [path for path in paths if not (ROOT / path).exists()] == []
    functions = re.findall(r"`simwrap\.([a-z_]+)`", text)
    assert [name for name in functions if not hasattr(simwrap, name)] == []
