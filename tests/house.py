"""Figures of the house, for a checkout: how much there is, what leans on what, and where meaning hides in text.

    python tests/house.py                     # of this repository
    python tests/house.py /path/to/a/checkout  # of another one, such as a worktree of an earlier commit
    python tests/house.py --json

``make house`` runs it; ``tests/test_house.py`` holds it to code of a few lines.
"""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
import tempfile
import tomllib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

#: Most lines of a function without its docstring, and parameters of a public one.
LONGEST_FUNCTION, MOST_PARAMETERS = 60, 8
#: Names of what holds a sentence.
SENTENCES = frozenset(
    "text texts warning warnings reason reasons message messages words said told sentence sentences why line".split()
)
#: What each command does with a stage, or a design, in a folder of its own.
COMMANDS = {
    "measure": ["measure", "triode_gain"],
    "sweep": ["sweep", "triode_gain", "--over", "cathode_resistor=1k,1k5", "--measure", "bias"],
    "choose": ["choose", "triode_gain", "--goal", "gain=50", "--free", "cathode_resistor"],
    "readings": ["readings", "amplifier.toml", "readings.csv"],
}
_READINGS = "point,value\nline.v1.cathode,1.1\n"


class Module:
    """One file of simwrap, read."""

    def __init__(self, root: Path, path: Path) -> None:
        self.path = path.relative_to(root / "simwrap").as_posix()
        self.name = "simwrap." + self.path.removesuffix(".py").replace("/", ".").removesuffix(".__init__")
        self.source = path.read_text(encoding="utf-8")
        self.tree = ast.parse(self.source)

    @property
    def room(self) -> str:
        """Package (or top module) that it lies in."""
        return self.path.split("/")[0].removesuffix(".py")


def modules_of(root: Path) -> list[Module]:
    """Read all modules of a checkout."""
    return [Module(root, path) for path in sorted((root / "simwrap").rglob("*.py"))]


# Functions


def functions(tree: ast.AST, owner: str = "", inner: bool = False) -> Iterator[tuple[str, ast.FunctionDef, bool]]:
    """Yield functions and methods with their full names, and whether they are inside of another function."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield f"{owner}{node.name}", node, inner  # type: ignore[misc]
            yield from functions(node, f"{owner}{node.name}.", True)
        else:
            yield from functions(node, f"{owner}{node.name}." if isinstance(node, ast.ClassDef) else owner, inner)


def length(function: ast.FunctionDef) -> int:
    """Lines from ``def`` on, without the docstring."""
    lines = (function.end_lineno or 0) - function.lineno + 1
    if ast.get_docstring(function) is not None:
        lines -= (function.body[0].end_lineno or 0) - function.body[0].lineno + 1
    return lines


def parameters(function: ast.FunctionDef, method: bool) -> int:
    """Parameters, without ``self``; keywords that are typed as one object (``**how``) count as one."""
    given = function.args
    plain = [*given.posonlyargs, *given.args]
    own = method and plain and plain[0].arg in ("self", "cls")
    more = [given.vararg] * bool(given.vararg) + [given.kwarg] * bool(given.kwarg)
    return len(plain) + len(given.kwonlyargs) + len(more) - bool(own)


def long_functions(module: Module) -> list[str]:
    """Functions that are too long."""
    return [
        f"{module.path}:{name} ({n})" for name, f, _ in functions(module.tree) if (n := length(f)) > LONGEST_FUNCTION
    ]


def wide_functions(module: Module) -> list[str]:
    """Public functions and methods with too many parameters."""
    return [
        f"{module.path}:{name} ({count})"
        for name, function, inner in functions(module.tree)
        if not inner
        and not any(part.startswith("_") and part != "__init__" for part in name.split("."))
        and (count := parameters(function, "." in name)) > MOST_PARAMETERS
    ]


# Imports


def imports(tree: ast.AST) -> Iterator[tuple[str, str]]:
    """Yield what is imported of simwrap, also by type checkers alone: the module, and the name taken from it."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names if alias.name.split(".")[0] == "simwrap")
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "simwrap":
            yield from ((str(node.module), alias.name) for alias in node.names)


def arrows(modules: list[Module]) -> dict[str, set[str]]:
    """Return for each module the modules that it imports."""
    known = {module.name for module in modules}
    found: dict[str, set[str]] = {}
    for module in modules:
        ends = {f"{start}.{name}" if f"{start}.{name}" in known else start for start, name in imports(module.tree)}
        found[module.name] = (ends & known) - {module.name}
    return found


def in_circles(graph: dict[str, set[str]]) -> list[list[str]]:
    """Return the groups of modules each of which leads to the others (Tarjan's strongly connected components)."""
    order: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    found: list[list[str]] = []

    def visit(node: str) -> None:
        order[node] = low[node] = len(order)
        stack.append(node)
        for end in graph[node]:
            if end not in order:
                visit(end)
                low[node] = min(low[node], low[end])
            elif end in stack:
                low[node] = min(low[node], order[end])
        if low[node] == order[node]:
            place = stack.index(node)
            if len(stack) - place > 1:
                found.append(sorted(stack[place:]))
            del stack[place:]

    for node in graph:
        if node not in order:
            visit(node)
    return found


def room_of(name: str) -> str:
    """Return the room of a module by its full name."""
    return (name.split(".") + [""])[1]


def between_rooms(graph: dict[str, set[str]]) -> set[tuple[str, str]]:
    """Return the arrows between rooms."""
    pairs = {(room_of(start), room_of(end)) for start, ends in graph.items() for end in ends}
    return {(one, other) for one, other in pairs if one != other and one and other}


def upwards(root: Path, pairs: set[tuple[str, str]]) -> list[str]:
    """Return the arrows between rooms that lead up in the layers of pyproject.toml."""
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))
    layers = project["tool"]["importlinter"]["contracts"][0]["layers"]
    height = {room.strip(" ()"): -place for place, layer in enumerate(layers) for room in layer.split("|")}
    return sorted(f"{a} -> {b}" for a, b in pairs if a in height and b in height and height[b] > height[a])


def private_imports(module: Module) -> list[str]:
    """Private names of other modules that are used: imported, or reached through the module's name."""
    found = [f"{module.path}: {start}.{name}" for start, name in imports(module.tree) if _private(name)]
    names = {name or start.split(".")[-1] for start, name in imports(module.tree) if name[:1].islower()}
    found += [
        f"{module.path}: {node.value.id}.{node.attr}"
        for node in ast.walk(module.tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name)
        and node.value.id in names and _private(node.attr)
    ]  # fmt: skip
    return sorted(set(found))


def _private(name: str) -> bool:
    return name.startswith("_") and not name.startswith("__") and name != "_paths"


# Words


def duplicate_classes(modules: list[Module]) -> list[str]:
    """Class names that stand for more than one thing."""
    places: dict[str, list[str]] = {}
    for module in modules:
        for node in ast.walk(module.tree):
            if isinstance(node, ast.ClassDef):
                places.setdefault(node.name, []).append(module.path)
    return [f"{name}: {', '.join(where)}" for name, where in sorted(places.items()) if len(where) > 1]


def read_from_sentences(module: Module) -> list[str]:
    """Places where meaning is read back from a sentence: ``"words" in text``, ``reason.startswith("words")``."""
    constants = {
        target.id: node.value.value
        for node in module.tree.body if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
        for target in node.targets if isinstance(target, ast.Name)
    }  # fmt: skip

    def phrase(node: ast.AST) -> str:
        value = node.value if isinstance(node, ast.Constant) else constants.get(getattr(node, "id", ""), "")
        return value if isinstance(value, str) and any(map(str.isalpha, value)) else ""

    def sentence(node: ast.AST) -> bool:
        while isinstance(node, ast.Call | ast.Subscript):
            node = node.func if isinstance(node, ast.Call) else node.value
            if isinstance(node, ast.Attribute) and node.attr in ("lower", "casefold", "strip"):
                node = node.value
        return getattr(node, "attr", getattr(node, "id", "")) in SENTENCES

    found = []
    for node in ast.walk(module.tree):
        if isinstance(node, ast.Compare) and isinstance(node.ops[0], ast.In | ast.NotIn):
            words = phrase(node.left)
            literal = isinstance(node.comparators[0], ast.Set | ast.Tuple | ast.List | ast.Dict)
            hit = words and not literal and (" " in words or (len(words) > 2 and sentence(node.comparators[0])))
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            starts = node.func.attr in ("startswith", "endswith") and sentence(node.func.value)
            given = node.args[0] if node.args else node
            parts = given.elts if isinstance(given, ast.Tuple) else [given]
            hit = starts and any(len(phrase(part)) > 2 for part in parts)
        else:
            continue
        if hit:
            found.append(f"{module.path}:{node.lineno}: {ast.unparse(node)}")
    return found


def splits_netlists(module: Module) -> bool:
    """Whether a module takes a netlist's text apart (an engine's backend, which hands lines on, doesn't)."""
    if "/backends/" in module.path or module.room in ("plots", "cli", "fitting", "tables.py", "report"):
        return False
    for node in ast.walk(module.tree):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
            continue
        lines = node.func.attr == "splitlines" or (
            node.func.attr == "split" and node.args and getattr(node.args[0], "value", None) == "\n"
        )
        names = {getattr(each, "attr", getattr(each, "id", "")) for each in ast.walk(node.func.value)}
        if lines and "text" in names:
            return True
    return False


# What a stage passes through

_TRACER = """
import contextlib, io, json, sys, threading
from pathlib import Path
import simwrap
from simwrap.circuits.circuit import Circuit
from simwrap.circuits.stage import Stage
from simwrap.cli import main

home = str(Path(simwrap.__file__).parent)
code = {}  # by code object: its module, or "" outside of simwrap
stays = []

def look(frame, event, _):
    if event != "call":
        return
    body = frame.f_code
    if body not in code:
        file = body.co_filename
        code[body] = file[len(home) + 1:-3].replace("/", ".") if file.startswith(home) else ""
    where = code[body]
    if where and (not stays or stays[-1] != where):
        if any(isinstance(value, (Circuit, Stage)) for value in frame.f_locals.values()):
            stays.append(where)

threading.setprofile(look)
sys.setprofile(look)
with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
    try:
        main(json.loads(sys.argv[1]))
    except SystemExit as end:
        code_of_exit = end.code
sys.setprofile(None)
print(json.dumps([code_of_exit, sorted(set(stays)), len(stays)]))
"""


def passes_through(root: Path, command: list[str]) -> tuple[int, list[str]]:
    """Run a command and return its exit code, and the modules whose functions were handed a stage or a circuit."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "readings.csv").write_text(_READINGS, encoding="utf-8")
        example = root / "simwrap" / "amplifier" / "reading_room.toml"
        (Path(folder) / "amplifier.toml").write_text(example.read_text(encoding="utf-8"), encoding="utf-8")
        done = subprocess.run(
            [sys.executable, "-c", _TRACER, json.dumps(command)], cwd=folder, capture_output=True, text=True,
            timeout=900, check=False, env={**os.environ, "PYTHONPATH": str(root), "SIMWRAP_CACHE": folder},
        )  # fmt: skip
    if done.returncode != 0:
        raise RuntimeError(done.stderr)
    code, modules, _ = json.loads(done.stdout)
    return code, modules


def figures(root: Path) -> dict[str, tuple[int, list[str]]]:
    """Return every figure by its words, with what it counts where that can be listed."""
    modules = modules_of(root)
    graph = arrows(modules)
    pairs = between_rooms(graph)
    rooms = sorted({module.room for module in modules} - {"__init__", "__main__"})
    up = upwards(root, pairs)
    circles = [" - ".join(circle) for circle in in_circles(graph)]
    found: dict[str, tuple[int, list[str]]] = {
        "lines of simwrap/": (sum(module.source.count("\n") for module in modules), []),
        "modules": (len(modules), []),
        "rooms": (len(rooms), rooms),
        "arrows between rooms": (len(pairs), []),
        "arrows back up": (len(up), up),
        "circles, type-checking imports included": (len(circles), circles),
    }
    listed = {
        "meaning read back from a sentence": [place for module in modules for place in read_from_sentences(module)],
        "modules that take a netlist's text apart": [m.path for m in modules if splits_netlists(m)],
        f"functions over {LONGEST_FUNCTION} lines": [name for module in modules for name in long_functions(module)],
        f"public functions over {MOST_PARAMETERS} parameters": [n for m in modules for n in wide_functions(m)],
        "class names that stand for several things": duplicate_classes(modules),
        "private names used across modules": [name for module in modules for name in private_imports(module)],
    }
    return found | {words: (len(places), places) for words, places in listed.items()}


def traced(root: Path) -> dict[str, tuple[int, list[str]]]:
    """Return for each command the modules and rooms that a stage passes through."""
    found = {}
    for name, command in COMMANDS.items():
        _, modules = passes_through(root, command)
        rooms = Counter(module.split(".")[0] for module in modules)
        found[f"modules that a stage passes through in {name}"] = (len(modules), modules)
        found[f"rooms of these in {name}"] = (len(rooms), sorted(rooms))
    return found


def main(arguments: list[str]) -> None:
    """Print the figures of a checkout."""
    named = [word for word in arguments if not word.startswith("-")]
    root = Path(named[0]).resolve() if named else Path(__file__).resolve().parent.parent
    found = figures(root) | ({} if "--quick" in arguments else traced(root))
    if "--json" in arguments:
        print(json.dumps(found, indent=1))
        return
    for words, (count, places) in found.items():
        print(f"{count:7,}  {words}")
        if "--list" in arguments:
            print("".join(f"             {place}\n" for place in places), end="")


if __name__ == "__main__":
    main(sys.argv[1:])
