"""The house: how long modules and functions are, what imports what, what is declared."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

import simwrap
from simwrap.registry import load

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

#: Most lines of a module, and of a function without its docstring.
LONGEST_MODULE, LONGEST_FUNCTION = 600, 60
_IN_ORDER = "one measurement in the order in which it is made: requests, figures, conditions, result"
#: Functions that are longer, and why.
LONG = {
    "measures/power.py:power": _IN_ORDER,
    "measures/recovery.py:recovery": _IN_ORDER,
    "measures/supply.py:supply": _IN_ORDER,
}
#: What hands on by name, ``load("module:name")``, to what stands above it, for the reader's convenience.
HANDED_ON = {
    ("circuits/stage.py", "simwrap.circuits.circuit:Circuit"),  # Stage.circuit: a stage is a circuit of one
    ("circuits/circuit.py", "simwrap.circuits.render:render"),  # Circuit.netlist()
    ("simulation/measurement.py", "simwrap.plots:plot"),  # Measurement.plot()
    ("valves/valve.py", "simwrap.valves:facts"),  # a valve in a notebook
}


def modules() -> list[Path]:
    """All modules of simwrap."""
    return sorted((ROOT / "simwrap").rglob("*.py"))


def lines_without_docstring(function: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
    """Lines of a function from its ``def`` on."""
    length = (function.end_lineno or 0) - function.lineno + 1
    if ast.get_docstring(function) is not None:
        length -= (function.body[0].end_lineno or 0) - function.body[0].lineno + 1
    return length


# Lengths


def test_modules_stay_small() -> None:
    long = {p.name: n for p in modules() if (n := len(p.read_text("utf-8").splitlines())) > LONGEST_MODULE}
    assert long == {}


def test_functions_stay_small_or_have_a_reason() -> None:
    long = {}
    for path in modules():
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                count = lines_without_docstring(node)
                if count > LONGEST_FUNCTION:
                    long[f"{path.relative_to(ROOT / 'simwrap').as_posix()}:{node.name}"] = count
    assert {name: count for name, count in long.items() if name not in LONG} == {}
    assert [name for name in LONG if name not in long] == []  # one that was shortened leaves the list


def test_lines_are_counted_from_def_without_the_docstring() -> None:
    (function,) = ast.parse('@decorated\ndef f(a,\n      b):\n    """One.\n\n    Two.\n    """\n    return a\n').body
    assert isinstance(function, ast.FunctionDef)
    assert lines_without_docstring(function) == 3


# Imports


def circles(arrows: dict[str, set[str]]) -> list[str]:
    """What is left of a graph when everything that leads nowhere, again and again, is taken away: its circles."""
    remaining = {name: set(ends) for name, ends in arrows.items()}
    while True:
        ends = [name for name, following in remaining.items() if not following & set(remaining)]
        if not ends:
            return sorted(remaining)
        for name in ends:
            del remaining[name]


def test_circles_are_found() -> None:
    assert circles({"a": {"b"}, "b": {"c"}, "c": set()}) == []
    assert circles({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == ["a", "b", "c"]


def test_no_circle_of_imports() -> None:
    import grimp

    graph = grimp.build_graph("simwrap", exclude_type_checking_imports=True, cache_dir=None)
    arrows = {name: set(graph.find_modules_directly_imported_by(name)) for name in graph.modules}
    assert sum(map(len, arrows.values())) > 300
    assert circles(arrows) == []


def test_what_is_handed_on_by_name_is_known_and_there() -> None:
    found = {
        (path.relative_to(ROOT / "simwrap").as_posix(), ast.literal_eval(node.args[0]))
        for path in modules()
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call)
        and getattr(node.func, "id", "") == "load"
        and isinstance(node.args[0], ast.Constant)
    }
    assert found == HANDED_ON
    for _, place in HANDED_ON:
        assert callable(load(place))


def imported(tree: ast.AST, *, deferred: bool = True) -> Iterator[str]:
    """Yield the modules that a piece of code imports, what only type checkers read excluded.

    ``deferred``: those too that are imported only when a function runs.
    """
    if isinstance(tree, ast.If) and ast.unparse(tree.test) == "TYPE_CHECKING":
        return
    if isinstance(tree, ast.FunctionDef | ast.AsyncFunctionDef) and not deferred:
        return
    if isinstance(tree, ast.Import):
        yield from (alias.name for alias in tree.names)
    elif isinstance(tree, ast.ImportFrom) and tree.level == 0:
        yield str(tree.module)
    for child in ast.iter_child_nodes(tree):
        yield from imported(child, deferred=deferred)


# Packaging

#: Distributions that are declared without an import of their own, and what for.
NOT_IMPORTED = {
    "h5netcdf": "xarray's writer of files",
    "h5py": "h5netcdf's own library",
    "simwrap": "an extra that gathers others",
    "jupyterlab": "where the lessons are opened",
    "loky": "an executor that the user makes",
    "distributed": "an executor that the user makes",
}


def declared(*groups: str) -> set[str]:
    """Distributions by their normal names."""
    wanted = [*PROJECT["dependencies"], *(line for g in groups for line in PROJECT["optional-dependencies"][g])]
    return {normal(re.split(r"[<>=!~;\[ ]", line)[0]) for line in wanted}


def normal(name: str) -> str:
    """Name of a distribution as PyPI compares it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def distributions(*, deferred: bool) -> set[str]:
    """Distributions that simwrap imports."""
    known = packages_distributions()
    found = set()
    for path in modules():
        for name in imported(ast.parse(path.read_text("utf-8")), deferred=deferred):
            top = name.partition(".")[0]
            if top not in sys.stdlib_module_names and top != "simwrap":
                found |= {normal(each) for each in known.get(top, [top])}
    return found


def test_every_import_is_declared() -> None:
    extras = list(PROJECT["optional-dependencies"])
    used = distributions(deferred=True)
    assert used - declared(*extras) == set()
    assert declared(*extras) - used - set(NOT_IMPORTED) == set()


def test_what_an_extra_brings_is_imported_when_it_is_used() -> None:
    assert distributions(deferred=False) - declared() == set()


def test_every_dependency_has_a_lowest_version() -> None:
    lines = [*PROJECT["dependencies"], *(line for group in PROJECT["optional-dependencies"].values() for line in group)]
    own = f"{PROJECT['name']}["  # an extra that gathers others
    assert [line for line in lines if ">=" not in line and not line.startswith(own)] == []


def test_public_names_are_said_alike_to_python_and_to_type_checkers() -> None:
    tree = ast.parse((ROOT / "simwrap" / "__init__.py").read_text("utf-8"))
    said = {}
    for block in tree.body:
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING":
            for node in block.body:
                assert isinstance(node, ast.ImportFrom)
                for alias in node.names:
                    other = f":{alias.name}" if alias.asname else ""
                    said[alias.asname or alias.name] = f"{node.module}{other}".removeprefix("simwrap.")
    assert said == simwrap._PUBLIC
    assert sorted(simwrap.__all__) == sorted(said)
    assert dir(simwrap) == sorted([*said, "__version__"])


@pytest.mark.slow
def test_a_type_checker_knows_the_public_names(tmp_path: Path) -> None:
    pytest.importorskip("mypy", reason="mypy comes with the developers' tools")
    assert (ROOT / "simwrap" / "py.typed").exists()
    (tmp_path / "user.py").write_text(
        "import simwrap\nreveal_type(simwrap.stage)\nreveal_type(simwrap.valve)\nsimwrap.measur\n", encoding="utf-8"
    )
    done = subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", "--follow-imports=silent", "--cache-dir", str(tmp_path), "user.py"],
        cwd=tmp_path, capture_output=True, text=True, timeout=300, check=False,
        env={"MYPYPATH": str(ROOT), "PATH": ""},
    )  # fmt: skip
    told = done.stdout.splitlines()
    assert "simwrap.circuits.stage.Stage" in told[0], done.stdout + done.stderr
    assert "simwrap.valves.valve.Valve" in told[1]
    assert '"measur"' in told[2]
    assert len(told) == 4


# Words


def test_no_numbers_of_a_tracker() -> None:
    # A number means nothing to a reader: the goal and its reason stand in words.
    numbered = re.compile(r"\bissues?\s+#?\d|\(#\d+\)", re.IGNORECASE)
    paths = [*modules(), *(ROOT / "tests").rglob("*.py"), *ROOT.glob("*.md"), *ROOT.glob("netlist_templates/*.j2")]
    assert len(paths) > 150
    found = [
        f"{path.relative_to(ROOT)}: {line.strip()}"
        for path in paths
        for line in path.read_text(encoding="utf-8").splitlines()
        if numbered.search(line)
    ]
    assert found == []
