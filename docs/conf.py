"""Sphinx configuration of the documentation site.

    python -m sphinx -W --keep-going -b html docs build/site

The pages are Markdown. Nothing in the built site is fetched from elsewhere, and its search works
from a folder, without a server.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pygments.lexers.special import TextLexer

from waysapart import __version__

if TYPE_CHECKING:
    from sphinx.application import Sphinx

project = "waysapart"
author = "The waysapart authors"
copyright = author
release = __version__

extensions = ["myst_parser"]
source_suffix = {".md": "markdown"}
nitpicky = True
myst_heading_anchors = 3
html_theme = "furo"
html_title = "waysapart"
html_static_path = ["static"]
html_css_files = ["site.css"]
html_show_sphinx = False
html_copy_source = False
html_theme_options = {
    "footer_icons": [],
    "top_of_page_buttons": [],
}


def setup(app: Sphinx) -> None:
    """Blocks that tests of their own read are shown as they stand: sums, and ways found."""
    for name in ("figures", "reroute", "build", "cost"):
        app.add_lexer(name, TextLexer)
