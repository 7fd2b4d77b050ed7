"""Where templates are rendered: they are data, and may come from anybody.

A template may print values, decide by them, loop over a few things and call the functions of
:mod:`simwrap.circuits.template_functions`; it can reach no attribute of any object, no filter, no file, no other
template, and neither its loops nor its output can grow without bounds. Whatever it prints still has to
pass the engines' allow-list.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

import jinja2
import numpy as np
from jinja2 import nodes
from jinja2.exceptions import SecurityError
from jinja2.sandbox import ImmutableSandboxedEnvironment
from numpy.typing import NDArray

from simwrap.circuits import template_functions as functions
from simwrap.errors import NetlistError

#: Most that one template prints [characters].
MOST_TEXT = 1_000_000
#: Most turns of one loop, most loops inside one another, most entries of a list.
MOST_TURNS, MOST_LOOPS, MOST_ENTRIES = 256, 2, 1000

#: What a template may be made of; anything else is refused when it is read.
_GRAMMAR = (
    nodes.Template, nodes.Output, nodes.TemplateData, nodes.Name, nodes.NSRef, nodes.Const, nodes.Tuple, nodes.List,
    nodes.If, nodes.For, nodes.Assign, nodes.CondExpr, nodes.Call, nodes.Keyword, nodes.Getattr, nodes.Getitem,
    nodes.Test, nodes.Compare, nodes.Operand, nodes.Not, nodes.And, nodes.Or, nodes.Neg, nodes.Pos,
    nodes.Add, nodes.Sub, nodes.Mul, nodes.Div, nodes.Pow,
)  # fmt: skip

#: What a template may call.
FUNCTIONS: dict[str, Any] = {
    "taper": functions.taper,
    "leg": functions.leg,
    "tapped_legs": functions.tapped_legs,
    "resistance": functions.resistance,
    "core_scale": functions.core_scale,
    "sqrt": np.sqrt,
    "maximum": np.maximum,
}
#: Names that the renderer gives besides the stage's parameters.
GIVEN = frozenset({"ac", "valve", "kind", "joined", "pi", *FUNCTIONS})

#: A node, a name, or ground.
_WORD = re.compile(r"(0|[a-z][a-z0-9_]*)\Z")


class NotTabular(Exception):
    """A swept value changes more than element values; internal to this package."""


class Lines(str):
    """Netlist lines made by our own code, which may be printed as they are."""

    __slots__ = ()


class Placed(Mapping[str, Any]):
    """A table that a template may read with a dot, such as ``kind.v1``."""

    def __init__(self, entries: Mapping[str, Any]) -> None:
        self._entries = entries

    def __getitem__(self, key: str) -> Any:
        return self._entries[key]

    def __iter__(self) -> Any:
        return iter(self._entries)

    def __len__(self) -> int:
        return len(self._entries)


class Columns:
    """Collects the arrays that are printed while one circuit is rendered; belongs to one rendering."""

    def __init__(self) -> None:
        self.arrays: list[NDArray[np.float64]] = []

    def write(self, value: Any) -> str:
        """Return the text of one printed value; an array becomes a marker."""
        if isinstance(value, Lines | jinja2.Undefined):
            return str(value)  # an undefined name raises here
        if isinstance(value, str):
            if not _WORD.match(value):
                raise NetlistError(f'a template prints "{value[:40]}", which is neither a number nor a plain name')
            return value
        array = value if isinstance(value, float) else np.asarray(value, dtype=float)
        if isinstance(array, float) or array.ndim == 0:
            number = float(array)
            if not math.isfinite(number):
                raise NetlistError(f"a template prints the number {number}, which no netlist can hold")
            return repr(number)
        self.arrays.append(array)
        return f"@{len(self.arrays) - 1}@"


def present(value: Any) -> bool:
    """Return whether a part is there (its value isn't 0); a test in templates.

    Raises
    ------
    NotTabular
        Where it is at some points only.
    """
    if isinstance(value, float):
        return value != 0
    there = np.asarray(value) != 0
    if there.all():
        return True
    if not there.any():
        return False
    raise NotTabular


@jinja2.pass_context
def _write(context: jinja2.runtime.Context, value: Any) -> str:
    """Print a value by the rendering's own columns: no state is shared between renderings."""
    return str(context["_columns"].write(value))


class _Environment(ImmutableSandboxedEnvironment):
    """jinja2's sandbox without attributes, filters and growth."""

    intercepted_binops = frozenset({"+", "*", "**"})

    def is_safe_attribute(self, obj: Any, attr: str, value: Any) -> bool:
        return False

    def is_safe_callable(self, obj: Any) -> bool:
        return any(obj is known for known in FUNCTIONS.values()) or getattr(obj, "for_templates", False) is True

    def getattr(self, obj: Any, attribute: str) -> Any:
        if isinstance(obj, Placed) and attribute in obj:
            return obj[attribute]
        if isinstance(obj, functions.TappedLegs) and attribute in obj._fields:
            return obj[obj._fields.index(attribute)]
        raise SecurityError(f'a template can\'t read ".{attribute[:40]}"')

    def getitem(self, obj: Any, argument: Any) -> Any:
        if isinstance(obj, tuple | list) and isinstance(argument, int):
            return obj[argument]
        raise SecurityError(f'a template can\'t read "[{str(argument)[:40]}]"')

    def call_binop(self, context: jinja2.runtime.Context, operator: str, left: Any, right: Any) -> Any:
        if operator == "+":
            if isinstance(left, Sequence) and isinstance(right, Sequence) and len(left) + len(right) > MOST_ENTRIES:
                raise SecurityError(f"a template makes a list of more than {MOST_ENTRIES} entries")
            return left + right
        if isinstance(left, Sequence) or isinstance(right, Sequence):
            raise SecurityError(f'a template can\'t use "{operator}" on words or lists')
        if operator == "*":
            return left * right
        # As floats: whole numbers have no largest one.
        return np.asarray(left, dtype=float) ** np.asarray(right, dtype=float)


def _environment() -> _Environment:
    environment = _Environment(
        undefined=jinja2.StrictUndefined, finalize=_write, trim_blocks=True, lstrip_blocks=True, autoescape=False
    )
    environment.filters.clear()
    environment.tests = {"present": present}
    environment.globals.clear()
    environment.globals.update(FUNCTIONS, pi=math.pi, range=_turns)
    return environment


def _turns(*bounds: int) -> range:
    """Return a range of at most ``MOST_TURNS`` turns."""
    turns = range(*bounds)
    if len(turns) > MOST_TURNS:
        raise SecurityError(f"a template loops over {len(turns)} turns, {MOST_TURNS} at most")
    return turns


_turns.for_templates = True  # type: ignore[attr-defined]  # a mark that is_safe_callable reads
_ENVIRONMENT = _environment()


def compiled(source: str, names: Mapping[str, Any]) -> tuple[jinja2.Template | None, list[str]]:
    """Compile a template that may use some names.

    Parameters
    ----------
    source : str
    names : mapping
        The stage's parameters.

    Returns
    -------
    tuple of jinja2.Template or None, list of str
        The template, and what is wrong with it (none where nothing is).
    """
    try:
        tree = _ENVIRONMENT.parse(source)
    except (jinja2.TemplateSyntaxError, RecursionError) as fault:
        place = f" in line {fault.lineno}" if isinstance(fault, jinja2.TemplateSyntaxError) else ""
        return None, [f"its netlist can't be read{place}: {fault}"]
    problems = list(dict.fromkeys(_refused(tree, 0)))
    from jinja2 import meta

    own = {node.name for node in tree.find_all(nodes.Name) if node.ctx in ("store", "param")}
    try:
        undeclared = meta.find_undeclared_variables(tree) - own - set(names) - GIVEN - {"range"}
    except jinja2.TemplateError as fault:
        return None, [*problems, f"its netlist can't be read: {fault}"]
    from simwrap.errors import nearest

    for name in sorted(undeclared):
        near = nearest(name, names, 1)
        problems.append(
            f'its netlist uses "{name}", which is no parameter' + (f"; did you mean {near[0]}?" if near else "")
        )
    if problems:
        return None, problems
    try:
        return _ENVIRONMENT.from_string(source), []
    except (jinja2.TemplateError, SyntaxError, RecursionError) as fault:
        return None, [f"its netlist can't be read: {fault}"]


def _refused(node: nodes.Node, loops: int) -> list[str]:
    """Return what a template must not hold."""
    if not isinstance(node, _GRAMMAR):
        line = getattr(node, "lineno", 0)
        return [f"line {line} of the netlist part uses {type(node).__name__.lower()}, which a template can't"]
    problems = []
    if isinstance(node, nodes.For):
        loops += 1
        if loops > MOST_LOOPS:
            problems.append(f"line {node.lineno} of the netlist part has more than {MOST_LOOPS} loops in one another")
        if node.recursive:
            problems.append(f"line {node.lineno} of the netlist part has a recursive loop, which a template can't")
    for child in node.iter_child_nodes():
        problems += _refused(child, loops)
    return problems


def rendered(template: jinja2.Template, values: Mapping[str, Any], columns: Columns) -> str:
    """Render a compiled template.

    Raises
    ------
    NotTabular
        Where an array decides about more than an element's value.
    NetlistError
        If it prints more than ``MOST_TEXT`` characters.
    Exception
        Whatever a faulty template raises.
    """
    pieces, size = [], 0
    for piece in template.generate({**values, "_columns": columns}):
        size += len(piece)
        if size > MOST_TEXT:
            raise NetlistError(f"the template prints more than {MOST_TEXT} characters")
        pieces.append(piece)
    return "".join(pieces)
