"""Sphinx: reference pages of stages, measures, valves, commands and template headers, made from what is there.

Nothing on these pages is written by hand, so they can't say what isn't so: stages come from the headers of templates,
measures from their options and docstrings, valves from their files, commands from the command line's help.
"""

from __future__ import annotations

import contextlib
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

REPOSITORY = Path(__file__).resolve().parents[2]
#: Where the pages go, below `docs/`; git ignores it.
MADE = "reference/made"

#: Tables with so many columns scroll on a phone.
WIDE = 4

_ROLE = re.compile(r":\w+:`~?([\w.]+)`")
_SECTION = re.compile(r"^(\w[\w ]*)\n-{3,}$", re.MULTILINE)


def escape(text: str) -> str:
    """Return text such that reStructuredText takes every character as it is."""
    return re.sub(r"([\\*`|_])", r"\\\1", text)


def plain(text: str) -> str:
    """Return a cell that is no list, also where its text is "-" or "1."."""
    return f"\\ {escape(' '.join(text.split()))}" if text else ""


def title(text: str, line: str = "=") -> str:
    """Return a heading."""
    return f"{escape(text)}\n{line * (2 * len(text) + 2)}\n"


def table(head: Sequence[str], rows: Iterable[Sequence[str]], widths: str = "auto") -> str:
    """Return a table; cells are text as it is, or begin with ":" where they hold markup."""
    lines = [".. list-table::", f"   :widths: {widths}"]
    if len(head) >= WIDE:
        lines.append("   :class: wide")
    if any(head):
        lines.append("   :header-rows: 1")
    lines.append("")
    for row in ([head] if any(head) else []) + list(rows):
        for number, cell in enumerate(row):
            lines.append(f"   {'  ' if number else '* '}- {cell[1:] if cell.startswith(':') else plain(cell)}".rstrip())
    return "\n".join(lines) + "\n\n"


def code(text: str) -> str:
    """Return a cell of literal text."""
    return f":``{text}``" if text else ""


def link(kind: str, name: str) -> str:
    """Return a cell that leads to a page."""
    return f"::doc:`{name} </{MADE}/{kind}/{file_name(name)}>`"


def file_name(name: str) -> str:
    """Return what a page of that name is called."""
    return re.sub(r"\W+", "_", name.lower())


def toctree(kind: str, names: Iterable[str]) -> str:
    """Return a hidden list of pages, which the navigation shows."""
    return ".. toctree::\n   :hidden:\n\n" + "".join(f"   {name} <{kind}/{file_name(name)}>\n" for name in names) + "\n"


def prose(text: str) -> str:
    """Return words of a docstring: literals stay, everything else is taken as it is."""
    return "".join(piece if number % 2 else escape(piece) for number, piece in enumerate(re.split(r"(``.*?``)", text)))


def docstring(text: str) -> Iterator[str]:
    """Yield a numpydoc docstring as reStructuredText: its sections as headings, their entries as definitions."""
    text = _ROLE.sub(lambda match: f"``{match[1].rpartition('.')[2]}``", text)
    pieces = _SECTION.split(text)
    yield prose(pieces[0].strip()) + "\n\n"
    for heading, body in zip(pieces[1::2], pieces[2::2], strict=True):
        yield title(heading.strip().capitalize(), "-") + "\n"
        margin: list[str] = []
        for line in [*body.strip("\n").splitlines(), ""]:
            if line and not line[0].isspace():
                margin.append(line)
                continue
            if margin:  # the term of an entry, or a paragraph
                yield f"\n{prose(' '.join(margin))}\n"
                margin = []
            yield prose(line) + "\n"
        yield "\n"


# Stages


def shown_range(parameter: Any) -> str:
    """Return what a parameter accepts, in words."""
    from simwrap.units import quantity

    if parameter.choices:
        return " | ".join(parameter.choices)
    if parameter.unit in ("valve", "component"):
        return " or ".join(parameter.kinds) or f"any {parameter.unit}"
    if not parameter.numeric:
        return ""
    least, most = (
        None if end is None else quantity.render(end, parameter.unit) for end in (parameter.minimum, parameter.maximum)
    )
    words = f"{least} to {most}" if least and most else f"from {least}" if least else f"to {most}" if most else "any"
    return words + (f", below {parameter.below}" if parameter.below else "")


def stages() -> Iterator[tuple[str, str]]:
    """Yield the page of each stage, and that of all."""
    from simwrap.circuits import bench
    from simwrap.circuits.circuit import as_circuit
    from simwrap.circuits.library import stage_names
    from simwrap.circuits.stage import stage

    rows = []
    for name in stage_names():
        made = as_circuit(stage(name))
        header = next(iter(made.stages.values())).template.header
        rows.append((link("stages", name), header.summary))
        values = {row[2]: row[3] for row in made.rows()}
        parameters = [
            (code(key), entry.label, values.get(key, ""), shown_range(entry), entry.unit, entry.symbol)
            for key, entry in header.parameters.items()
        ]
        ports = [(code(row.port), row.kind, code(row.join), row.while_open) for row in bench.port_rows(made)]
        measures = ", ".join(f":doc:`{entry} </{MADE}/measures/{entry}>`" for entry in made.measures)
        page = [title(name), f"{escape(header.summary)}.\n\n", f"{escape(header.description.strip())}\n\n"]
        page += [title("Parameters", "-"), "\n"]
        page += [table(("parameter", "what it is", "default", "accepted", "unit", "symbol"), parameters)]
        page += [title("Ports", "-"), "\n", table(("port", "kind", "joins as", "while it is open"), ports)]
        page += [f"Measured where nothing is asked for: {measures}.\n\n"]
        page += [title("Where the circuit is described", "-"), "\n"]
        page += [f"- {escape(entry)}\n" for entry in header.references]
        yield f"stages/{file_name(name)}", "".join(page)
    yield (
        "stages",
        title("Stages")
        + "\nWhat a circuit is made of: one template a stage. ``simwrap show NAME`` prints the same at a shell.\n\n"
        + table(("stage", "what it is"), rows)
        + toctree("stages", stage_names()),
    )


# Measures


def measures() -> Iterator[tuple[str, str]]:
    """Yield the page of each measure, and that of all."""
    from simwrap.measures.registry import measures as every

    rows = []
    for name, entry in every().items():
        picture = "yes" if entry.picture is not None else ""
        rows.append((link("measures", name), entry.summary, picture))
        page = [title(name), f"{escape(entry.summary[0].upper() + entry.summary[1:])}.\n\n"]
        page += [f"Needs the ports: {escape(', '.join(entry.ports))}.\n\n"] if entry.ports else []
        if entry.headline:
            headline = ", ".join(f"``{name}.{path}``" for path in entry.headline)
            page += [f"What is said first: {headline}.\n\n"]
        if entry.options:
            options = [
                (code(key), option.shown or "none", option.rule.unit, option.accepted)
                for key, option in entry.options.items()
            ]
            page += [title("Options", "-"), "\n", table(("option", "default", "unit", "accepted"), options)]
        page += docstring(entry.description)
        yield f"measures/{file_name(name)}", "".join(page)
    yield (
        "measures",
        title("Measures")
        + "\nWhat can be asked of a circuit. An option is given as ``--option headroom.nominal_level=0.5`` at a shell,"
        " and as ``{\"headroom\": {\"nominal_level\": 0.5}}`` in Python.\n\n"
        + table(("measure", "what it finds", "has a picture"), rows)
        + toctree("measures", every()),
    )  # fmt: skip


# Valves


def valves() -> Iterator[tuple[str, str]]:
    """Yield the page of each valve, and that of all."""
    from simwrap.valves import facts, get_valve, valve_names, verdict

    rows = []
    for name in valve_names():
        sections = [get_valve(name, kind=kind) for kind in get_valve(name).kinds]  # type: ignore[arg-type]
        page = [title(name), f"{escape(sections[0].summary)}.\n\n"]
        for valve in sections:
            told = {entry.caption: entry for entry in facts(valve)}
            ratings = dict(row[:2] for row in told["ratings"].rows) if "ratings" in told else {}
            rows.append((
                link("valves", name), valve.kind, ", ".join(valve.designations),
                ratings.get("anode voltage, largest", ""), ratings.get("anode dissipation, largest", ""),
                verdict(valve),
            ))  # fmt: skip
            page += [title(f"As a {valve.kind}", "-"), "\n"] if len(sections) > 1 else []
            for number, entry in enumerate(told.values()):
                page += [title(entry.caption[0].upper() + entry.caption[1:], "~"), "\n"] if number else []
                page += [table(entry.head, entry.rows)]
        yield f"valves/{file_name(name)}", "".join(page)
    yield (
        "valves",
        title("Valves")
        + "\nEach is fitted from published numbers; its page has its ratings, every number with its source, and what"
        " the model makes of it. :doc:`/accuracy` says how far to trust them.\n\n"
        + table(("valve", "kind", "also known as", "anode V, most", "anode W, most", "how true"), rows)
        + toctree("valves", valve_names()),
    )


# Components


def components() -> Iterator[tuple[str, str]]:
    """Yield the page of each component, and that of all."""
    from simwrap.components import component_names, facts, get_component

    rows = []
    for name in component_names():
        found = get_component(name)
        rows.append((link("components", name), found.kind, found.record.summary, ", ".join(found.record.designations)))
        page = [title(name), f"{escape(found.record.summary)}.\n\n"]
        for number, entry in enumerate(facts(found)):
            page += [title(entry.caption[0].upper() + entry.caption[1:], "~"), "\n"] if number else []
            page += [table(entry.head, entry.rows)]
        yield f"components/{file_name(name)}", "".join(page)
    yield (
        "components",
        title("Components")
        + "\nSemiconductors and gas stabilisers. Their laws follow in closed form from printed numbers; each page has"
        " those, with what the law makes of them.\n\n"
        + table(("component", "kind", "what it is", "also known as"), rows)
        + toctree("components", component_names()),
    )


# Names for measures of one's own


def own_measures() -> Iterator[tuple[str, str]]:
    """Yield the page of what a measure of one's own, and its picture, are made with."""
    from importlib import import_module

    page = [title("For measures of your own"), "\n"]
    page += ["A measure of your own needs no other module than these two; what the names do is told in full by "
             "``pydoc simwrap.measures.NAME``.\n\n"]  # fmt: skip
    for name in ("simwrap.measures", "simwrap.plots"):
        module = import_module(name)
        rows = []
        for each in module.__all__:
            told = (getattr(module, each).__doc__ or "").strip() if callable(getattr(module, each)) else ""
            rows.append((code(each), _ROLE.sub(lambda match: match[1].rpartition(".")[2], told.split("\n\n")[0])))
        page += [title(name, "-"), "\n", table(("name", "what it does"), rows)]
    yield "own_measures", "".join(page)


# Commands


def commands() -> Iterator[tuple[str, str]]:
    """Yield the page of all commands, from their own help."""
    from typer.main import get_command

    from simwrap.cli import app, main

    with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):
        main(["--help"])  # every group of commands is loaded
    page = [title("Commands"), "\n"]
    for name, command in sorted(get_command(app.app).commands.items()):  # type: ignore[attr-defined]
        if command.hidden:
            continue
        page += [title(f"simwrap {name}", "-"), "\n"]
        page += [re.sub(r"``?([^`]+)``?", r"``\1``", (command.help or "").strip()) + "\n\n"]
        context = command.make_context(name, [], resilient_parsing=True)
        rows = []
        for parameter in command.params:
            if parameter.name == "help" or getattr(parameter, "hidden", False):
                continue
            is_option = parameter.param_type_name == "option"
            metavar = parameter.metavar or (parameter.name or "").upper()
            flag = bool(getattr(parameter, "is_flag", False))
            shown = ", ".join(parameter.opts) + ("" if flag else f" {metavar}") if is_option else metavar
            default = parameter.get_default(context)
            told = "" if default in (None, False, "", (), []) or callable(default) else str(default)
            rows.append((code(shown), (getattr(parameter, "help", "") or "").replace("`", "'"), told))
        if rows:
            page += [table(("option", "what it is", "default"), rows)]
    yield "commands", "".join(page)


# Headers of templates


def header_keys() -> Iterator[tuple[str, str]]:
    """Yield the page of what a template may hold: the tables of the page on stages, held to the code by a test."""
    page = (REPOSITORY / "docs" / "developers" / "stages.md").read_text(encoding="utf-8")

    def rows(first: str) -> list[list[str]]:
        start = page.index(f"| {first} |")
        lines = page[start : page.index("\n\n", start)].splitlines()
        cells = [[cell.strip() for cell in re.split(r" \| ", line.strip().strip("|"))] for line in lines]
        return [cells[0], *cells[2:]]

    def marked(text: str) -> str:
        return ":" + "".join(
            f"``{piece}``" if number % 2 else escape(piece) for number, piece in enumerate(text.split("`"))
        )

    told = [title("Headers of templates"), "\n"]
    told += ["What the header of a stage's template may hold. All of it is checked when the file is read.\n\n"]
    for first, heading in (("table of the header", "Keys"), ("in a template", "What its lines may use")):
        head, *body = rows(first)
        told += [title(heading, "-"), "\n", table(head, [[marked(cell) for cell in row] for row in body])]
    yield "template_header", "".join(told)


def make(app: Any) -> None:
    """Write all pages; those that haven't changed stay as they are, so that a second build is quick."""
    folder = Path(app.srcdir) / MADE
    written = set()
    for kind in (stages, measures, valves, components, own_measures, commands, header_keys):
        for name, text in kind():
            file = folder / f"{name}.rst"
            written.add(file)
            file.parent.mkdir(parents=True, exist_ok=True)
            if not file.exists() or file.read_text(encoding="utf-8") != text:
                file.write_text(text, encoding="utf-8")
    for stale in set(folder.rglob("*.rst")) - written:
        stale.unlink()


def setup(app: Any) -> dict[str, Any]:
    """Make the pages before any is read."""
    app.connect("builder-inited", make)
    return {"parallel_read_safe": True, "parallel_write_safe": True}
