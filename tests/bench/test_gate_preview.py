"""Trying gates to and fro: what is shown again is what a fresh preview shows."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from earwitness.app import read as preview
from earwitness.app.settings import Chosen
from earwitness.archive.catalogue import Archive

GATES_MS = (4.0, 6.0, 5.0, 6.0, 4.0)


def test_a_gate_that_is_tried_again_shows_what_a_fresh_preview_shows(
    bench_archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(preview, "_KEPT_CURVES", 2)
    with Archive.open(bench_archive) as archive:
        session_id = archive.sessions_of(archive.loudspeakers()[0].id)[-1].id
    tried = preview.AxisPreview(session_id, bench_archive)
    shown = [tried.at(Chosen(gate_ms=ms)) for ms in GATES_MS]
    assert [round(1e3 * one.gate.end_s, 6) for one in shown] == list(GATES_MS)
    assert shown[3] is shown[1]
    assert shown[4] is not shown[0]
    for ms, one in zip(GATES_MS, shown, strict=True):
        fresh = preview.AxisPreview(session_id, bench_archive).at(Chosen(gate_ms=ms))
        assert np.array_equal(one.curve.values, fresh.curve.values)
        assert one.warnings == fresh.warnings
    first, again = tried.energy(), preview.AxisPreview(session_id, bench_archive).energy()
    assert tried.energy() is first
    assert np.array_equal(first[0].values, again[0].values)
    assert first[1] == again[1]
