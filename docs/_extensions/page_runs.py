"""Sphinx: pages run while the site is built, so that they show the pictures and the words that their own code makes.

A page shows a picture of its code as ``![words](/_ran/how_to/tone_control/tone.png)``. Pages run again only when they,
or simwrap, have changed.
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
from base64 import b64decode
from pathlib import Path
from typing import Any

import pages
from sphinx.errors import ExtensionError
from sphinx.util import logging

import simwrap

RAN = "_ran"
_PRINTED = "```{printed}\n```"
#: A PNG of one white pixel.
_EMPTY = "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGP6DwABBQECz6AuzQAAAABJRU5ErkJggg=="
_log = logging.getLogger(__name__)


def _stamp(page: Path) -> str:
    """Return what a page's run depends on, as a hash."""
    package = Path(simwrap.__file__).parent
    sources = [*package.rglob("*.py")]
    for folder in ("models", "netlist_templates"):
        sources += package.parent.joinpath(folder).glob("*")
    told = hashlib.sha256(page.read_bytes())
    for source in sorted(sources):
        told.update(f"{source} {source.stat().st_mtime_ns}".encode())
    return told.hexdigest()


def _stand_in(page: str, folder: Path) -> None:
    """Put an empty picture in every picture's place, and nothing for what is printed."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in re.findall(rf"\]\(/{RAN}/[^)]*/([^/)]+)\)", page):
        (folder / name).write_bytes(b64decode(_EMPTY))
    told = {str(block.end): "(not run)" for block in pages.blocks(page)}
    (folder / pages.RECORD).write_text(json.dumps(told), encoding="utf-8")


def keep(page: Path, ran: Path, root: Path) -> None:
    """Let a run of a page elsewhere serve the next build, which then needn't run it again."""
    folder = root / RAN / page.relative_to(root).with_suffix("")
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(ran, folder)
    (folder / "stamp").write_text(_stamp(page), encoding="utf-8")


def _run_all(app: Any) -> None:
    """Run every page that has something to run and has changed."""
    root = Path(app.srcdir)
    for page in sorted(root.rglob("*.md")):
        name = page.relative_to(root).with_suffix("")
        text = page.read_text(encoding="utf-8")
        if name.parts[0].startswith("_") or not pages.runs(page):
            continue
        folder = root / RAN / name
        if not app.config.run_pages:
            _stand_in(text, folder)
            continue
        stamp, seen = _stamp(page), folder / "stamp"
        if seen.exists() and seen.read_text(encoding="utf-8") == stamp:
            continue
        _log.info("running %s", name)
        shutil.rmtree(folder, ignore_errors=True)
        told = pages.run_apart(page, folder)
        if "fault" in told:
            raise ExtensionError(told["fault"])
        seen.write_text(stamp, encoding="utf-8")


def _put_printed(app: Any, name: str, source: list[str]) -> None:
    """Put what a block printed where the page asks for it."""
    page = source[0]
    if _PRINTED not in page:
        return
    printed = json.loads((Path(app.srcdir) / RAN / name / pages.RECORD).read_text(encoding="utf-8"))
    ends = [block.end for block in pages.blocks(page)]
    while (place := page.rfind(_PRINTED)) >= 0:
        text = printed[str(max(end for end in ends if end <= place))].rstrip()
        lines = [line.rstrip() for line in text.splitlines()]
        page = page[:place] + "```text\n" + "\n".join(lines) + "\n```" + page[place + len(_PRINTED) :]
    source[0] = page


def setup(app: Any) -> dict[str, Any]:
    """Run pages before any is read."""
    # False (`-D run_pages=0`) only for tests of the site's links, which need no pictures.
    app.add_config_value("run_pages", True, "env", bool)
    app.connect("builder-inited", _run_all)
    app.connect("source-read", _put_printed)
    return {"parallel_read_safe": True, "parallel_write_safe": True}
