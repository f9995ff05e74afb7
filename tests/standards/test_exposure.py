"""Exposure limits against the tables of NIOSH 98-126 and 29 CFR 1910.95; C8.x are ids of the metrics reference."""

from __future__ import annotations

import pytest

from earwitness.errors import InputError
from earwitness.standards.exposure import (
    OSHA,
    PEAK_LIMIT_DB,
    allowed_s,
    clock_words,
    dose_percent,
    level_at_ear_db,
    warn_before,
)


@pytest.mark.parametrize(
    ("level_dba", "niosh_min", "niosh", "osha_min", "osha"),
    [
        (85, 480.0, "8:00:00", 960.0, "16:00:00"),  # C8.1
        (88, 240.0, "4:00:00", 633.3638, "10:33:21"),  # C8.2, there rounded to the nearest second
        (91, 120.0, "2:00:00", 417.8643, "6:57:51"),  # C8.3, likewise
        (94, 60.0, "1:00:00", 275.6876, "4:35:41"),  # C8.4
        (97, 30.0, "0:30:00", 181.8860, "3:01:53"),  # C8.5
        (100, 15.0, "0:15:00", 120.0, "2:00:00"),  # C8.6
        (103, 7.5, "0:07:30", 79.1705, "1:19:10"),  # C8.7
        (106, 3.75, "0:03:45", 52.2330, "0:52:13"),  # C8.8, likewise
        (109, 1.875, "0:01:52", 34.4610, "0:34:27"),  # C8.9, likewise
        (112, 0.9375, "0:00:56", 22.7357, "0:22:44"),  # C8.10
        (115, 0.4688, "0:00:28", 15.0, "0:15:00"),  # C8.11
    ],
)
def test_allowed_time(level_dba: float, niosh_min: float, niosh: str, osha_min: float, osha: str) -> None:
    assert allowed_s(level_dba) / 60 == pytest.approx(niosh_min, abs=6e-5)
    assert allowed_s(level_dba, OSHA) / 60 == pytest.approx(osha_min, abs=6e-5)
    assert clock_words(allowed_s(level_dba)) == niosh
    assert clock_words(allowed_s(level_dba, OSHA)) == osha


@pytest.mark.parametrize(
    ("level_dba", "hours"),
    [(90, 8), (95, 4), (100, 2), (105, 1), (110, 0.5), (115, 0.25), (92, 6), (97, 3), (102, 1.5)],
)
def test_osha_table_g16(level_dba: float, hours: float) -> None:
    """29 CFR 1910.95, table G-16; the table is rounded."""
    assert allowed_s(level_dba, OSHA) / 3600 == pytest.approx(hours, rel=0.015)


def test_dose() -> None:
    """C8.12, C8.14: 1 h at 94 dBA and 2 h at 88 dBA."""
    day = ((94.0, 3600.0), (88.0, 7200.0))
    assert dose_percent(day) == pytest.approx(150.0, abs=5e-4)
    assert dose_percent(day, OSHA) == pytest.approx(40.710, abs=5e-4)


def test_forty_hours_at_80_dba() -> None:
    """C8.15: 80 dBA for 40 h are as much as 100 dBA for 24 min (10 dB as ten times)."""
    week = dose_percent(((80.0, 40 * 3600.0),))
    assert week == pytest.approx(dose_percent(((100.0, 24 * 60.0),)), rel=0.02)
    assert week == pytest.approx(5 * dose_percent(((80.0, 8 * 3600.0),)))


def test_peak_limit_in_pascal() -> None:
    """C8.16: 140 dB are 200 Pa."""
    assert pytest.approx(200.0, abs=0.05) == 20e-6 * 10 ** (PEAK_LIMIT_DB / 20)


def test_level_at_ear() -> None:
    """Twice the distance in the free field: 20 lg 2 = 6.0206 dB (1/r, handbook)."""
    assert level_at_ear_db(100.0, 2.0) == pytest.approx(100.0 - 6.0206, abs=1e-4)
    with pytest.raises(InputError, match="distance"):
        level_at_ear_db(100.0, 0.0)


def test_warning_speaks_of_protection_only_where_needed() -> None:
    loud, quiet = (warn_before(level, distance_m=2.0, crest_db=12.0) for level in (103.0, 80.0))
    assert loud.level_ear_dba == pytest.approx(103 - 6.02 + 3, abs=0.01)
    assert loud.peak_ear_db == pytest.approx(loud.level_ear_dba + 12)
    assert loud.allowed_s == pytest.approx(allowed_s(loud.level_ear_dba))
    assert any("hearing protection" in line for line in loud.sentences)
    assert not any("hearing protection" in line for line in quiet.sentences)
    assert not loud.stop
    assert any("destroy a driver" in line for line in quiet.sentences)


@pytest.mark.parametrize(("level", "crest"), [(119.0, 3.0), (110.0, 34.0)])
def test_too_loud_for_any_ear(level: float, crest: float) -> None:
    """115 dBA or 140 dB peak (NIOSH, OSHA)."""
    assert warn_before(level, distance_m=1.0, crest_db=crest).stop


def test_a_signal_longer_than_allowed_is_said() -> None:
    long = warn_before(103.0, distance_m=2.0, crest_db=3.0, duration_s=3600.0)
    assert any("longer" in line for line in long.sentences)


@pytest.mark.parametrize("wrong", [float("nan"), float("inf")])
def test_impossible_numbers(wrong: float) -> None:
    with pytest.raises(InputError):
        allowed_s(wrong)
    with pytest.raises(InputError):
        dose_percent(((90.0, -1.0),))
