"""The documentation site: `python -m sphinx -W docs FOLDER` builds it (extra `docs`)."""

from pathlib import Path

from docutils import nodes
from sphinx.application import Sphinx
from sphinx.util.docutils import SphinxDirective

import macrocheck
from macrocheck.flags import KINDS
from macrocheck.quantities import QUANTITIES

project = "macrocheck"
author = "the macrocheck authors"
version = release = macrocheck.__version__

extensions = ["myst_parser", "sphinx_click", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["pictures/*.md"]
default_role = "code"  # a single back-tick in a docstring is code
myst_enable_extensions = ["dollarmath", "colon_fence", "deflist"]
myst_heading_anchors = 3
smartquotes = False  # two hyphens are an option's
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
html_show_copyright = False
html_copy_source = False
html_show_sourcelink = False


class _Table(SphinxDirective):
    """A table, parsed where it stands."""

    headings: tuple[str, ...] = ()

    def rows(self) -> list[tuple[str, ...]]:
        """Return the cells."""
        raise NotImplementedError

    def run(self) -> list[nodes.Node]:
        """Return the table."""
        head = "| " + " | ".join(self.headings) + " |"
        line = "|" + "---|" * len(self.headings)
        cells = ["| " + " | ".join(c.replace("|", "\\|") for c in row) + " |" for row in self.rows()]
        return self.parse_text_to_nodes("\n".join([head, line, *cells]))


class Quantities(_Table):
    """Every quantity: key, name, unit, joints."""

    headings = ("key", "name", "unit", "of", "in a few words")

    def rows(self) -> list[tuple[str, ...]]:
        """Return a row a quantity."""
        return [
            (
                f"`{q.key}`",
                q.name,
                q.unit,
                "fillet, bead" if q.fillet and q.bead else "fillet" if q.fillet else "bead",
                q.meaning,
            )
            for q in QUANTITIES
        ]


class Flags(_Table):
    """Every flag: code, meaning."""

    headings = ("flag", "what it means")

    def rows(self) -> list[tuple[str, ...]]:
        """Return a row a flag."""
        return [(f"`{code}`", text) for code, text in KINDS.items()]


def setup(app: Sphinx) -> None:
    """Add the two tables."""
    app.add_directive("quantities", Quantities)
    app.add_directive("flags", Flags)
