"""Where templates are rendered: they are data, and may come from anybody.

A template may print values, decide by them, loop over a few things and call the functions of
:mod:`simwrap.circuits.template_functions`; it can reach no attribute of any object, no filter, no file, no other
template, and neither its loops nor its output can grow without bounds. Whatever it prints still has to
pass the engines' allow-list.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import jinja2
import numpy as np
from jinja2 import nodes
from jinja2.exceptions import SecurityError
from jinja2.sandbox import ImmutableSandboxedEnvironment

from simwrap.circuits import template_functions as functions
from simwrap.errors import NetlistError, nearest, shown
from simwrap.netlist.element import Element
from simwrap.netlist.text import NotTabular, Refused, begins_with, plain, read, read_with

#: Most that one template prints [characters].
MOST_TEXT = 1_000_000
#: Most turns of one loop, most loops inside one another, most entries of a list.
MOST_TURNS, MOST_LOOPS, MOST_ENTRIES = 256, 2, 1000
#: Largest whole number that arithmetic reaches; one beyond can be written as 1e20.
MOST_WHOLE = 2**53

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
    "preferred": functions.preferred,
    "sqrt": np.sqrt,
    "maximum": np.maximum,
}
#: Names that the renderer gives besides the stage's parameters.
GIVEN = frozenset({"ac", "valve", "component", "kind", "joined", "pi", *FUNCTIONS})

#: A node, a name, or ground.
_WORD = re.compile(r"(0|[a-z][a-z0-9_]*)\Z")


#: Between these stand, in what a template prints, the number of a printed thing, and of the template's line.
_PRINTED, _LINE = "\x01", "\x02"
_PIECE = re.compile(f"{_PRINTED}\\d+{_PRINTED}")
_NUMBER = re.compile(f"{_LINE}(\\d+){_LINE}")


class Inside(tuple[Element, ...]):
    """The elements of a valve or component, made by our own code: they may be printed as they are."""

    __slots__ = ()


class DottedTable(Mapping[str, Any]):
    """A table that a template may read with a dot, such as ``kind.v1``."""

    def __init__(self, entries: Mapping[str, Any]) -> None:
        self._entries = entries

    def __getitem__(self, key: str) -> Any:
        return self._entries[key]

    def __iter__(self) -> Any:
        return iter(self._entries)

    def __len__(self) -> int:
        return len(self._entries)


class Printed:
    """Collects what one template prints; belongs to one rendering.

    Attributes
    ----------
    printed : dict of str to float, ndarray or Inside
        By the marker that stands for it in the text.
    lines : dict of str to int
        The template's line of each element, the last one of those of one name.
    """

    def __init__(self) -> None:
        self.printed: dict[str, Any] = {}
        self.lines: dict[str, int] = {}

    def write(self, value: Any) -> str:
        """Return the text of one printed value: a marker, or a plain word."""
        if isinstance(value, jinja2.Undefined):
            return str(value)  # an undefined name raises here
        if isinstance(value, str):
            if not _WORD.match(value):
                raise NetlistError(f'a template prints "{value[:40]}", which is neither a number nor a plain name')
            return value
        if isinstance(value, bool) or not isinstance(value, Inside | float | int | np.ndarray | np.number):
            raise NetlistError(f"a template prints {shown(value)}, which is neither a number nor a plain name")
        if not isinstance(value, Inside) and np.ndim(value) == 0:
            value = value if isinstance(value, float) else float(value)
            if not math.isfinite(value):
                raise NetlistError(f"a template prints the number {value}, which no netlist can hold")
        marker = f"{_PRINTED}{len(self.printed)}{_PRINTED}"
        self.printed[marker] = value
        return marker

    def elements(self, text: str, where: str) -> Iterator[Element]:
        """Yield the elements that a printed text holds; a comment begins with "*" at the margin, or after ";".

        Raises
        ------
        NetlistError
            With the template's line, for one that isn't on the allow-list.
        NotTabular
            Where an array decides about more than an element's value.
        """
        for raw in text.split("\n"):
            numbers = _NUMBER.findall(raw)
            line = _NUMBER.sub("", raw).partition(";")[0].strip()
            if isinstance(inside := self.printed.get(line), Inside):
                yield from inside
            elif line and not line.startswith("*"):
                printed = {marker: self.printed[marker] for marker in _PIECE.findall(line)}
                try:
                    element = self._element(line, printed)
                    self.lines[element.name] = int(numbers[-1]) if numbers else 0
                    yield element
                except Refused as fault:
                    place = f"{where}: line {numbers[-1]}: " if numbers else f"{where}: "
                    for marker, value in printed.items():
                        line = line.replace(marker, "a valve" if isinstance(value, Inside) else f"{np.ravel(value)[0]}")
                    raise NetlistError(f"{place}{shown(line)} {fault}{_hint(line)}") from None

    def _element(self, line: str, printed: Mapping[str, Any]) -> Element:
        plain(_PIECE.sub("0", line))
        if any(isinstance(value, Inside) for value in printed.values()):
            raise Refused("has a valve within a line; valve(...) stands on a line of its own")
        if not printed:
            return read(line)
        element, marker = read_with(line, printed)
        source = printed.get(marker)
        parameter = getattr(source, "parameter", "")
        return replace(element, parameter=parameter, track=getattr(source, "track", False)) if parameter else element


def _hint(line: str) -> str:
    """Return what a line that is refused may be mended by, "" where nothing is known."""
    name = begins_with(line)
    if "#" in line:
        return '; a comment after an element begins with ";"'
    if name != name.lower():
        return "; write it in lower case"
    if re.fullmatch(r"[rclvi][a-z0-9]+", name):
        return f"; write {name[0]}_{name[1:]}"
    return ""


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
    return str(context["_printed"].write(value))


class _Environment(ImmutableSandboxedEnvironment):
    """jinja2's sandbox without attributes, filters and growth."""

    intercepted_binops = frozenset({"+", "*", "**"})

    def is_safe_attribute(self, obj: Any, attr: str, value: Any) -> bool:
        return False

    def is_safe_callable(self, obj: Any) -> bool:
        return any(obj is known for known in FUNCTIONS.values()) or getattr(obj, "for_templates", False) is True

    def getattr(self, obj: Any, attribute: str) -> Any:
        if isinstance(obj, DottedTable) and attribute in obj:
            return obj[attribute]
        if isinstance(obj, functions.TappedLegs) and attribute in obj._fields:
            return obj[obj._fields.index(attribute)]
        raise SecurityError(f'a template can\'t read ".{attribute[:40]}"')

    def getitem(self, obj: Any, argument: Any) -> Any:
        if isinstance(obj, tuple | list) and isinstance(argument, int):
            return obj[argument]
        raise SecurityError(f'a template can\'t read "[{str(argument)[:40]}]"')

    def call_binop(self, context: jinja2.runtime.Context, sign: str, left: Any, right: Any) -> Any:
        if sign == "+":
            if isinstance(left, Sequence) and isinstance(right, Sequence) and len(left) + len(right) > MOST_ENTRIES:
                raise SecurityError(f"a template makes a list of more than {MOST_ENTRIES} entries")
            return _bounded(left + right)
        if isinstance(left, Sequence) or isinstance(right, Sequence):
            raise SecurityError(f'a template can\'t use "{sign}" on words or lists')
        if sign == "*":
            return _bounded(left * right)
        # As floats: whole numbers have no largest one.
        return np.asarray(left, dtype=float) ** np.asarray(right, dtype=float)


def _bounded(result: Any) -> Any:
    """Return what isn't a whole number that grows without end."""
    if isinstance(result, int) and abs(result) > MOST_WHOLE:
        raise SecurityError(f"a template reaches a whole number beyond {MOST_WHOLE}")
    return result


def _environment() -> _Environment:
    environment = _Environment(
        undefined=jinja2.StrictUndefined,
        finalize=_write,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,
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


#: How deep a template's expressions and blocks may stand in one another.
_DEEPEST = 60


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
    if _PRINTED in source or _LINE in source:
        return None, ["its netlist holds a control character"]
    try:
        tree = _ENVIRONMENT.parse(source)
        if problems := list(dict.fromkeys(_refused(tree, 0, 0))):
            return None, problems
        if problems := list(_unknown(tree, names)):
            return None, problems
        for data in tree.find_all(nodes.TemplateData):
            data.data = _numbered(data)
        code = _ENVIRONMENT.compile(tree)
        return jinja2.Template.from_code(_ENVIRONMENT, code, _ENVIRONMENT.make_globals(None)), []
    except jinja2.TemplateSyntaxError as fault:
        return None, [f"its netlist can't be read in line {fault.lineno}: {fault}"]
    except (jinja2.TemplateError, SyntaxError, RecursionError, MemoryError, ValueError) as fault:
        return None, [f"its netlist can't be read: {fault}"]


def _unknown(tree: nodes.Template, names: Mapping[str, Any]) -> Iterator[str]:
    """Yield a clause for every name that is used and that nobody gives."""
    every = list(tree.find_all(nodes.Name))
    own = {node.name for node in every if node.ctx in ("store", "param")}
    for name in sorted({node.name for node in every} - own - set(names) - GIVEN - set(_ENVIRONMENT.globals)):
        near = nearest(name, names, 1)
        yield f'its netlist uses "{name}", which is no parameter' + (f"; did you mean {near[0]}?" if near else "")


def _numbered(data: nodes.TemplateData) -> str:
    """Return a piece of plain text with the number of each line at its end."""
    first, *others = data.data.split("\n")
    lines = [f"{_LINE}{data.lineno + turn}{_LINE}\n{line}" for turn, line in enumerate(others)]
    return "".join([first, *lines])


def _refused(node: nodes.Node, loops: int, depth: int) -> list[str]:
    """Return what a template must not hold."""
    line = f"line {getattr(node, 'lineno', 0)}"
    if not isinstance(node, _GRAMMAR):
        return [f"{line} uses {type(node).__name__.lower()}, which a template can't"]
    if depth > _DEEPEST:
        return [f"{line} has an expression that is too long, or too deep; {_DEEPEST} steps at most"]
    problems = []
    if isinstance(node, nodes.For):
        loops += 1
        if loops > MOST_LOOPS:
            problems.append(f"{line} has more than {MOST_LOOPS} loops in one another")
        if node.recursive:
            problems.append(f"{line} has a recursive loop, which a template can't")
    for child in node.iter_child_nodes():
        problems += _refused(child, loops, depth + 1)
    return problems


def rendered(template: jinja2.Template, values: Mapping[str, Any], printed: Printed) -> str:
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
    for piece in template.generate({**values, "_printed": printed}):
        size += len(piece)
        if size > MOST_TEXT:
            raise NetlistError(f"the template prints more than {MOST_TEXT} characters")
        pieces.append(piece)
    return "".join(pieces)
