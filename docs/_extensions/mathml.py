"""Sphinx: equations as MathML, which browsers draw by themselves: no script, no font, nothing from a network."""

from __future__ import annotations

from typing import Any

from docutils import nodes
from latex2mathml.converter import convert


def _inline(writer: Any, node: nodes.Element) -> None:
    writer.body.append(convert(node.astext()))
    raise nodes.SkipNode


def _display(writer: Any, node: nodes.Element) -> None:
    # One line an equation; a phone's screen scrolls it.
    for line in node.astext().split(r"\\"):
        if line.strip():
            equation = convert(line.strip(), display="block")
            writer.body.append(
                f'<div class="equation" tabindex="0" role="group" aria-label="equation">{equation}</div>'
            )
    raise nodes.SkipNode


def setup(app: Any) -> dict[str, Any]:
    """Make this the way to write mathematics: `html_math_renderer = "mathml"`."""
    app.add_html_math_renderer("mathml", (_inline, None), (_display, None))
    return {"parallel_read_safe": True, "parallel_write_safe": True}
