"""The page of advice as it reads is what the program says now."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import pytest

DOCS = Path(__file__).parents[2] / "docs"


@pytest.fixture(scope="module")
def made() -> str:
    spec = importlib.util.spec_from_file_location("advice_read", DOCS / "advice_read.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return str(module.page())


def test_the_page_is_current(made: str) -> None:
    assert made == (DOCS / "advice-read.md").read_text(encoding="utf-8"), "run python docs/advice_read.py"


def test_every_loudspeaker_has_a_verdict_first_and_short_sentences(made: str) -> None:
    """The house's rule: one fact a sentence, at most 25 words."""
    sections = made.split("\n## ")[1:]
    assert len(sections) == 10
    for section in sections:
        text = section.split("\n\n")[1]
        assert text.startswith(("**Leave it alone:", "**EQ pays"))
        for sentence in re.split(r"(?<=[.])\s+(?=[A-Z])", text.replace("**", "")):
            assert len(sentence.split()) <= 25, sentence
