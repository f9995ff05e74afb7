"""Sheets of the demo world are whole, invented, and say so."""

from __future__ import annotations

from pathlib import Path

import pytest

from earwitness.demo.lineup import LINEUP
from earwitness.demo.rig import sheet_text, write_sheet
from earwitness.insight.listening.remark import heard_words
from earwitness.session.notes import load_sheet


@pytest.mark.parametrize("one", LINEUP, ids=lambda one: one.key)
def test_every_sheet_can_be_sealed(one, tmp_path: Path) -> None:
    sheet = load_sheet(write_sheet(one.key, tmp_path), vocabulary=heard_words())
    assert (sheet.loudspeaker, sheet.maker) == (one.name, one.maker)
    assert len(sheet.remarks) >= 3
    assert "invented" in sheet.listener
    assert "Invented" in sheet.text


def test_the_same_key_gives_the_same_bytes(tmp_path: Path) -> None:
    first = write_sheet("causeway", tmp_path / "a").read_bytes()
    assert first == write_sheet("causeway", tmp_path / "b").read_bytes() == sheet_text("causeway").encode()
