"""A seal: one hash for one content and time, made the way it is documented, and broken by any change."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from listening_worlds import sheet

from earwitness.errors import ArchiveError
from earwitness.insight.listening.remark import canonical, remarks_of, seal, unsealed

NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def test_the_hash_is_sha256_over_scheme_time_and_canonical_json() -> None:
    """FIPS 180-4 by the standard library, spelled out by hand; RFC 8785's order of keys for plain ASCII names."""
    sealed = seal(sheet(("bright", "too much", (3000.0, 20_000.0))), lambda: NOON)
    facts = json.loads(sealed.facts)
    assert json.dumps(facts, sort_keys=True, ensure_ascii=False, separators=(",", ":")) == sealed.facts
    text = b"earwitness listening 1\n2026-11-25T12:00:00+00:00\n" + sealed.facts.encode() + b"\n"
    assert hashlib.sha256(text).hexdigest() == sealed.sha256
    assert facts["remark"][0] == {
        "word": "bright",
        "region_hz": [3000.0, 20_000.0],
        "direction": "too much",
        "strength": "clear",
        "passage": None,
        "text": "",
    }


def test_the_order_of_keys_does_not_matter_and_letters_stay_as_they_are() -> None:
    assert (
        canonical({"b": "ü", "a": [1.5, None]}) == canonical({"a": [1.5, None], "b": "ü"}) == '{"a":[1.5,null],"b":"ü"}'
    )
    with pytest.raises(ValueError, match="JSON"):
        canonical({"a": float("nan")})


def test_time_is_kept_in_utc_and_is_part_of_the_seal() -> None:
    one = seal(sheet(), lambda: NOON)
    assert seal(sheet(), lambda: NOON.astimezone(timezone(timedelta(hours=5)))) == one
    assert seal(sheet(), lambda: NOON + timedelta(seconds=1)).sha256 != one.sha256


def test_a_sealed_sheet_opens_to_the_same_sheet() -> None:
    written = sheet(("boomy", "too little", (50.0, 120.0)), ("smooth", "even", (1000.0, 10_000.0)))
    sealed = seal(written, lambda: NOON)
    assert unsealed(sealed.facts, sealed.sealed_at, sealed.sha256) == written
    assert [r.word for r in remarks_of(written)] == ["boomy", "smooth"]


@given(st.integers(0, 10_000), st.integers(1, 127))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_any_altered_letter_breaks_the_seal(place: int, change: int) -> None:
    sealed = seal(sheet(("bright", "too much", (3000.0, 20_000.0))), lambda: NOON)
    place %= len(sealed.facts)
    other = sealed.facts[:place] + chr(ord(sealed.facts[place]) ^ change) + sealed.facts[place + 1 :]
    with pytest.raises(ArchiveError, match="does not fit its seal"):
        unsealed(other, sealed.sealed_at, sealed.sha256)
    with pytest.raises(ArchiveError):
        unsealed(sealed.facts, "2026-11-25T12:00:01+00:00", sealed.sha256)
