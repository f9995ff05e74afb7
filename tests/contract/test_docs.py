"""The documentation holds what the program points to."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from earwitness.figures.registry import FIGURES

DOCS = Path(__file__).parents[2] / "docs"


def anchors(page: str) -> set[str]:
    """Headings of a page as anchors."""
    text = (DOCS / page).read_text(encoding="utf-8")
    return {found.strip().lower().replace(" ", "-") for found in re.findall(r"^##+ (.+)$", text, flags=re.MULTILINE)}


@pytest.mark.parametrize("key", FIGURES)
def test_every_figure_is_explained(key: str) -> None:
    assert FIGURES[key].anchor in anchors("figures.md")


def test_every_figure_speaks_to_a_reader() -> None:
    text = (DOCS / "figures.md").read_text(encoding="utf-8")
    parts = re.split(r"^## ", text, flags=re.MULTILINE)
    wanted = {info.anchor for info in FIGURES.values()} - {"preference-rating"}
    for part in parts:
        name = part.partition("\n")[0].strip().lower().replace(" ", "-")
        if name in wanted:
            assert "For a reader:" in part, name


def test_the_command_for_signals_is_on_the_page_about_safety() -> None:
    text = (DOCS / "signals-and-safety.md").read_text(encoding="utf-8")
    for words in ("earwitness measure signals", "NIOSH", "hearing protection", "Local rules", "bridged"):
        assert words in text
