"""Sphinx configuration; `make docs` builds the site into build/docs, without a network and without a warning."""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent), str(HERE / "_extensions")]

import simwrap  # noqa: E402

project = "simwrap"
author = "the simwrap contributors"
copyright = "the simwrap contributors, GPL-3.0-or-later"
version = release = simwrap.__version__

extensions = [
    "myst_parser",
    "sphinx.ext.autodoc",
    "numpydoc",
    "made_reference",
    "mathml",
    "page_runs",
]
myst_enable_extensions = ["colon_fence", "deflist", "dollarmath", "amsmath"]
myst_heading_anchors = 3
exclude_patterns = ["_ran", "_extensions"]
nitpicky = True
# Docstrings name rooms of the code that have no page here.
nitpick_ignore_regex = [("py:mod", r"simwrap\..*")]

autodoc_typehints = "none"
autodoc_member_order = "bysource"
numpydoc_show_class_members = False
numpydoc_xref_param_type = False
html_math_renderer = "mathml"

html_theme = "pydata_sphinx_theme"
html_title = f"simwrap {version}"
html_static_path = ["_static"]
html_css_files = ["simwrap.css"]
html_js_files = [("simwrap.js", {"defer": "defer"})]
html_show_sourcelink = False
html_copy_source = False
# Pages without others below them need no navigation beside them.
html_sidebars: dict[str, list[str]] = {
    page: []
    for page in (
        "index",
        "start",
        "physics",
        "accuracy",
        "checked_stages",
        "engines",
        "glossary",
        "testing",
        "changelog",
    )
}
html_theme_options = {
    "navigation_with_keys": False,
    "show_nav_level": 1,
    "header_links_before_dropdown": 6,
    # The wide search button reads "Search Ctrl+K" but is named "Search"; the round one has one name.
    "navbar_persistent": ["search-button"],
    # How-to pages are short, and what they print is wide.
    "secondary_sidebar_items": {"*": ["page-toc"], "reference/**": ["page-toc"], "how_to/*": []},
    "footer_start": ["copyright"],
    "footer_end": [],
    "pygments_light_style": "a11y-high-contrast-light",
    "pygments_dark_style": "a11y-high-contrast-dark",
}
