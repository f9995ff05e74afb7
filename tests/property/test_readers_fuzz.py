"""Every reader against damaged inputs, a few hundred each; benchmarks/fuzz.py runs as many as there is time for."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from fuzz_readers import READERS, draw_for

from earwitness.formats import netcdf_probe

MOST_S = 5.0
# One of the inputs makes the C library read for ever. That it is given up is what counts, not after how long.
GIVEN_UP_S = 2.0
# Inputs of each reader: those that read much from disk are slower.
COUNTS = dict.fromkeys(READERS, 300) | {"session": 120, "pressures": 120, "sofa": 120, "package": 80, "database": 60}


@pytest.fixture(autouse=True)
def short_patience(monkeypatch: pytest.MonkeyPatch) -> None:
    ask = netcdf_probe._ask
    monkeypatch.setattr(netcdf_probe, "_ask", lambda question, limit_s: ask(question, min(limit_s, GIVEN_UP_S)))


@pytest.mark.parametrize("reader", sorted(READERS))
def test_a_damaged_input_is_accepted_or_refused_in_words(reader: str, tmp_path: Path) -> None:
    """Any other exception than the program's own fails, and so does a warning, or a value that is no number."""
    run = READERS[reader]().prepare(tmp_path)
    accepted = 0
    for number in range(COUNTS[reader]):
        at = time.process_time()
        accepted += run(draw_for(reader, 20_261_125, number))
        assert time.process_time() - at < MOST_S, f"input {number}"
    # Neither is everything refused, which would test the first check alone, nor is everything taken.
    assert 0 < accepted < COUNTS[reader]
