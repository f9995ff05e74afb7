"""How Sphinx builds these pages: `sphinx-build -W --keep-going docs build/docs`. Nothing is asked of the network."""

from __future__ import annotations

import re

from earwitness import __version__

project = "Earwitness"
author = "the Earwitness project"
release = version = __version__
html_title = f"Earwitness {__version__}"

extensions = ["myst_parser", "sphinx.ext.autodoc"]
source_suffix = {".md": "markdown"}
exclude_patterns = ["_build", "reference", "gallery"]
html_theme = "furo"
html_copy_source = False
html_show_copyright = False
language = "en"

myst_enable_extensions = ["colon_fence"]
myst_heading_anchors = 4
# Code blocks of a terminal or of a form carry no language here.
highlight_language = "text"

autodoc_member_order = "bysource"
autodoc_typehints = "signature"
autodoc_default_options = {"members": True, "undoc-members": False}
python_maximum_signature_line_length = 100
nitpicky = False


def plain_docstring(_app, _what, _name, _object, _options, lines: list[str]) -> None:
    """Docstrings here are plain text: `name : meaning` begins a list item, a paragraph with `|` is a drawing."""
    shown: list[str] = []
    for paragraph in "\n".join(lines).split("\n\n"):
        rows = paragraph.split("\n")
        if any("|" in row for row in rows) and len(rows) > 2:
            shown += ["::", "", *(f"    {row}" for row in rows), ""]
            continue
        inside = False
        for row in rows:
            text = re.sub(r"([*|\\])|(?<=\w)(_)(?!\w)", r"\\\1\2", row.strip())
            if re.match(r"[A-Za-z_][\w, ]* : ", text):
                shown += ["", f"- {text}"]
                inside = True
            else:
                shown.append(f"  {text}" if inside else text)
        shown.append("")
    lines[:] = shown


def setup(app) -> None:
    app.connect("autodoc-process-docstring", plain_docstring)
