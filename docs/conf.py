"""The documentation site: `python -m sphinx -W docs FOLDER` builds it (extra `docs`)."""

from pathlib import Path

import macrocheck

project = "macrocheck"
author = "the macrocheck authors"
version = release = macrocheck.__version__

extensions = ["myst_parser", "sphinx_click", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["pictures/*.md"]
default_role = "code"  # a single back-tick in a docstring is code
myst_enable_extensions = ["dollarmath", "colon_fence", "deflist"]
myst_heading_anchors = 3
nitpicky = False
autodoc_typehints = "description"
autodoc_typehints_format = "short"
autodoc_member_order = "bysource"
napoleon_google_docstring = True

# accuracy.md is written by `python -m tests.bench.page`, which takes hours: a tree without it builds all the same.
# CI asks for it.
if not (Path(__file__).parent / "accuracy.md").exists():
    suppress_warnings = ["toc.not_readable", "myst.xref_missing"]

html_theme = "furo"
html_title = f"macrocheck {version}"
html_static_path = ["_static"]
html_css_files = ["site.css"]
html_theme_options = {
    "light_css_variables": {"color-brand-primary": "#0b5d78", "color-brand-content": "#0b5d78"},
    "dark_css_variables": {"color-brand-primary": "#7cc7de", "color-brand-content": "#7cc7de"},
}
html_show_sphinx = False
html_copy_source = False
html_show_sourcelink = False
