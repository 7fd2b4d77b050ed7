"""``simwrap measure FILE --watch PAGE``: a page that follows a template or design while it is written."""

from __future__ import annotations

import io
import time
from collections.abc import Callable, Iterator
from html import escape
from pathlib import Path
from typing import Any

from simwrap.circuits.circuit import as_circuit
from simwrap.errors import SimwrapError
from simwrap.report.html import as_html

#: How often the file is looked at, and how often the page loads itself again [s].
PACE = 0.5
_PAGE = (
    '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><meta http-equiv="refresh" content="2">'
    "<title>{title}</title><style>body {{ font-family: sans-serif; max-width: 70em; margin: 1em auto; }} "
    "svg {{ max-width: 100%; height: auto; }} .fault {{ color: #a00; font-size: 1.2em; }}</style></head>\n"
    "<body><h1>{title}</h1>\n{body}\n</body></html>\n"
)


def page(title: str, body: str) -> str:
    """Return a page that loads itself again."""
    return _PAGE.format(title=escape(title), body=body)


def told(measured: Callable[[], Any]) -> tuple[str, str]:
    """Return a line for a terminal, and the inside of a page: schematics, tables and pictures, or what is wrong.

    Parameters
    ----------
    measured : callable
        Reads, measures and returns a Measurement.
    """
    from simwrap.drawing.items import diagram, numbered
    from simwrap.drawing.schematic import schematic
    from simwrap.plots import drawable

    try:
        found = measured()
        circuit = as_circuit(found.stage)
        volts: dict[str, float] = {}
        if "bias" in found.results:
            at = found["bias"]
            paths = circuit.node_paths.items()
            volts = {node: float(at[f"nodes.{path}"]) for path, node in paths if f"nodes.{path}" in at.paths}
        drawings = numbered(diagram(circuit, stage, volts) for stage in circuit.stages)
        body = "".join(map(schematic, drawings)) + as_html(found.report())
        for name in filter(drawable, found.results):
            picture = io.StringIO()
            found.plot(name).savefig(picture, format="svg")
            body += picture.getvalue().partition("<svg")[1] + picture.getvalue().partition("<svg")[2]
    except SimwrapError as fault:
        return str(fault), f'<p class="fault">{escape(str(fault))}</p>'
    return f"{circuit.name}: {found.values_line()}", body


def changes(file: Path, rest: Callable[[float], None] = time.sleep) -> Iterator[None]:
    """Yield at once, and then each time that a file has changed; one that is being written isn't there for a while."""
    seen = None
    while True:
        try:
            status = file.stat()
            stamp = status.st_mtime_ns, status.st_size
        except OSError:
            stamp = None
        if stamp is not None and stamp != seen:
            seen = stamp
            yield
        rest(PACE)
