"""Pages of documentation are held to the code: what they show runs, the site is whole and loads nothing from away."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import page_runs
import pages
import pytest

import simwrap
from simwrap.measures.registry import measures

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
#: Pages that are written by hand.
WRITTEN = sorted(
    page
    for page in DOCS.rglob("*.md")
    if not page.relative_to(DOCS).parts[0].startswith("_") and "made" not in page.parts
)
#: Pages that take more than a few seconds.
SLOW = {"bench", "cathode_resistor", "output_stages", "phones_and_records", "whole_amplifier", "tone_control"}
#: What a block that isn't run may hold: installation, servers, the tests themselves.
NOT_RUN = {"apt-get", "git", "cd", "python3", ".", "pip", "jupyter", "make", "dask", ".venv/bin/python"}


def identifier(page: Path) -> str:
    return page.relative_to(DOCS).with_suffix("").as_posix()


def runnable() -> list[object]:
    found = [page for page in WRITTEN if pages.runs(page)]
    return [pytest.param(p, id=identifier(p), marks=[pytest.mark.slow] if p.stem in SLOW else []) for p in found]


def text(page: Path) -> str:
    return page.read_text(encoding="utf-8")


# What pages show


def test_there_is_something_to_run() -> None:
    assert len(runnable()) >= 12
    assert len([block for page in WRITTEN for block in pages.blocks(text(page), "sh")]) >= 10


@pytest.mark.parametrize("page", runnable())
def test_the_page_runs_and_makes_its_pictures(page: Path, tmp_path: Path) -> None:
    told = pages.run_apart(page, tmp_path)
    assert "fault" not in told, told["fault"]
    blocks = pages.blocks(text(page))
    assert len(told) == len(blocks)
    shown = re.findall(r"!\[(.*?)\]\((.*?)\)", text(page))
    for words, source in shown:
        assert words, f"{source} has no words for those who don't see it"
        assert source.startswith(f"/_ran/{identifier(page)}/")
        assert (tmp_path / Path(source).name).stat().st_size > 5000
    # A block whose print is shown has printed something.
    for match in re.finditer(r"```\{printed\}", text(page)):
        before = max(block.end for block in blocks if block.end <= match.start())
        assert told[str(before)].strip()
    page_runs.keep(page, tmp_path, DOCS)


# The pages for developers hold pieces: tests/test_developers_page.py runs those.
@pytest.mark.parametrize("page", [page for page in WRITTEN if page.parent.name != "developers"], ids=identifier)
def test_what_isn_t_run_only_installs_or_starts_servers(page: Path) -> None:
    for block in pages.blocks(text(page)):
        assert block.language in {"python", "sh", "console", "text", "jinja", "toml"}
        # Whatever isn't run has to be a file, or no command of simwrap's.
        assert block.file or block.language in {"python", "sh", "console"}
        if block.language == "console":
            for line in block.code.splitlines():
                words = line.removeprefix("$ ").removeprefix("sudo ").split()
                assert words[0] in NOT_RUN, line


def test_blocks_are_found_with_their_files() -> None:
    page = "```python\na = 1\n```\n\n```{code-block} toml\n:caption: x/room.toml\n\nb = 2\n```\n\n```{printed}\n```\n"
    assert [block[:3] for block in pages.blocks(page)] == [
        ("python", "a = 1\n", ""),
        ("toml", "b = 2\n", "x/room.toml"),
    ]


def test_a_page_that_fails_says_where(tmp_path: Path) -> None:
    page = tmp_path / "page.md"
    page.write_text("```python\nprint(1)\n```\n\n```sh\nsimwrap measure no_such_stage\n```\n", encoding="utf-8")
    told = pages.run_apart(page, tmp_path / "run")
    assert next(iter(told.values())) == "1\n"
    assert "no_such_stage" in told["fault"]


def test_pages_refuse_commands_of_others(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="isn't a command that a page may run"):
        pages.run_command("rm -rf somewhere")


# Papers of the project


def test_the_citation_has_the_version_and_the_licence() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    citation = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert re.search(r"^cff-version: 1\.2\.0$", citation, re.MULTILINE)
    assert re.search(rf"^version: {re.escape(project['version'])}$", citation, re.MULTILINE)
    assert re.search(rf"^license: {re.escape(project['license'])}$", citation, re.MULTILINE)


def test_the_changelog_begins_with_this_version() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    changelog = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert re.findall(r"^## (\S+)", changelog, re.MULTILINE)[0].rstrip(",") == project["version"]
    assert not re.search(r"#\d|issue", changelog)


# The built site


class Links(HTMLParser):
    """What a page leads to, what it loads, and what can be led to on it."""

    def __init__(self, page: Path) -> None:
        super().__init__()
        self.leads: list[str] = []
        self.loads: list[str] = []
        self.anchors: set[str] = set()
        self.images: list[dict[str, str | None]] = []
        self.feed(page.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.anchors |= {value for key in ("id", "name") if (value := given.get(key))}
        if tag == "a" and given.get("href"):
            self.leads.append(given["href"] or "")
        elif tag == "link" and given.get("rel") in ("stylesheet", "preload", "icon"):
            self.loads.append(given.get("href") or "")
        elif tag in ("script", "img", "iframe", "source") and given.get("src"):
            self.loads.append(given["src"] or "")
        if tag == "img":
            self.images.append(given)


def built(folder: Path) -> Path:
    """The site, built from a copy with every warning an error and no network; pages aren't run again for it."""
    source = folder / "docs"
    shutil.copytree(DOCS, source, ignore=shutil.ignore_patterns("_ran", "made", "__pycache__"))
    for name in ("simwrap", "models", "netlist_templates", "CHANGELOG.md", "DEVELOPERS.md"):
        (folder / name).symlink_to(ROOT / name)
    nowhere = "http://127.0.0.1:9"  # a proxy where nothing answers
    away = dict.fromkeys(("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY"), nowhere)
    ended = subprocess.run(
        [
            sys.executable,
            *"-m sphinx -W --keep-going -q -b html -D run_pages=0".split(),
            str(source),
            str(folder / "html"),
        ],
        capture_output=True,
        text=True,
        check=False,
        env=dict(os.environ) | away,
    )
    assert ended.returncode == 0, ended.stderr
    return folder / "html"


def loaded_from_away(site: Path, found: dict[Path, Links]) -> list[str]:
    """What a browser would ask a network for."""
    scripts = [load for links in found.values() for load in links.loads if urlsplit(load).scheme or load[:2] == "//"]
    foreign = re.compile(r"(url\(|@import\s+)['\"]?(https?:)?//")
    return scripts + [css.name for css in site.rglob("*.css") if foreign.search(css.read_text(encoding="utf-8"))]


def dead_links(found: dict[Path, Links]) -> list[tuple[str, str]]:
    """Links and files within the site that lead nowhere."""
    dead = []
    for page, links in found.items():
        for lead in links.leads + links.loads:
            parts = urlsplit(lead)
            if parts.scheme or lead.startswith("//"):
                continue
            target = (page.parent / unquote(parts.path)).resolve() if parts.path else page
            missing = parts.fragment and target in found and unquote(parts.fragment) not in found[target].anchors
            if not target.exists() or missing:
                dead.append((page.name, lead))
    return dead


@pytest.mark.slow
def test_the_site_is_whole_and_loads_nothing_from_away(tmp_path: Path) -> None:
    site = built(tmp_path)
    # The theme copies a template of its own, which is no page, beside its styles.
    written = [page for page in site.rglob("*.html") if "_static" not in page.parts]
    found = {page.resolve(): Links(page) for page in written}
    assert loaded_from_away(site, found) == []
    assert dead_links(found) == []
    images = [image for links in found.values() for image in links.images]
    assert len(images) >= 12
    assert [image for image in images if not image.get("alt")] == []
    # All that there is has its page.
    made = site / "reference" / "made"
    assert {page.stem for page in (made / "stages").glob("*.html")} == set(simwrap.stage_names())
    assert {page.stem for page in (made / "measures").glob("*.html")} == set(simwrap.measure_names())
    assert {page.stem for page in (made / "valves").glob("*.html")} == {name.lower() for name in simwrap.valve_names()}
    # Every parameter of a stage is on its page, every option of a measure on its, and every public name.
    for name in simwrap.stage_names():
        page = (made / "stages" / f"{name}.html").read_text(encoding="utf-8")
        assert [key for key in simwrap.stage(name).parameters if f">{key}<" not in page] == []
    for name, measure in measures().items():
        page = (made / "measures" / f"{name}.html").read_text(encoding="utf-8")
        assert [key for key in measure.options if f">{key}<" not in page] == []
    python = (site / "reference" / "python.html").read_text(encoding="utf-8")
    assert [name for name in simwrap.__all__ if f'id="simwrap.{name}"' not in python] == []


def test_links_that_lead_nowhere_are_found(tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    page.write_text(
        '<a href="#here" id="there"></a><a href="no.html"></a><script src="https://x.example/a.js"></script>'
    )
    found = {page: Links(page)}
    assert dead_links(found) == [("page.html", "#here"), ("page.html", "no.html")]
    assert loaded_from_away(tmp_path, found) == ["https://x.example/a.js"]
