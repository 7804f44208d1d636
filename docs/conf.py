"""The documentation site: `python -m sphinx -W docs FOLDER` builds it (extra `docs`)."""

import macrocheck

project = "macrocheck"
author = "the macrocheck authors"
version = release = macrocheck.__version__

extensions = ["myst_parser", "sphinx_click", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["pictures/*.md"]
myst_enable_extensions = ["dollarmath", "colon_fence", "deflist"]
myst_heading_anchors = 3
nitpicky = False
autodoc_typehints = "description"
autodoc_member_order = "bysource"
napoleon_google_docstring = True

html_theme = "furo"
html_title = f"macrocheck {version}"
html_theme_options = {
    "light_css_variables": {"color-brand-primary": "#0b5d78", "color-brand-content": "#0b5d78"},
    "dark_css_variables": {"color-brand-primary": "#7cc7de", "color-brand-content": "#7cc7de"},
}
html_show_sphinx = False
