"""Two columns of plain text: nothing cut, whatever the width; one line a row where nothing is to be wrapped."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from earwitness.render.columns import hanging, hung, two_columns

ROWS = [
    ("Sensitivity, 1 W, 1 m", "84.6 ± 0.5 dB"),
    ("Highest clean level", "not judged: the session has no level series, so nothing can be said of how loud it plays"),
    ("Highest peak", "+0.5 (+0.3 to +1.2) dB"),
]
WORDS = st.lists(st.text(alphabet="abcdxyz±%.(),-", min_size=1, max_size=9), min_size=1, max_size=25).map(" ".join)


def words_of(text: str) -> list[str]:
    return text.split()


@pytest.mark.parametrize("width", [40, 80, 120, 200])
def test_every_word_is_there_within_the_width(width: int) -> None:
    lines = two_columns(ROWS, width)
    assert max(map(len, lines)) <= width
    found = sorted(word for line in lines for word in words_of(line))
    assert found == sorted(word for row in ROWS for cell in row for word in words_of(cell))
    assert not any("…" in line for line in lines)


@given(rows=st.lists(st.tuples(WORDS, WORDS), min_size=1, max_size=6), width=st.integers(1, 250))
def test_no_word_is_lost_or_torn(rows: list[tuple[str, str]], width: int) -> None:
    lines = two_columns(rows, width)
    found = sorted(word for line in lines for word in words_of(line))
    assert found == sorted(word for row in rows for cell in row for word in words_of(cell))


def test_without_a_width_each_row_is_one_line_and_the_values_stand_under_each_other() -> None:
    lines = two_columns(ROWS, None)
    assert len(lines) == len(ROWS)
    start = len(ROWS[0][0]) + 2
    assert [line[start:] for line in lines] == [said for _, said in ROWS]


@pytest.mark.parametrize("width", range(6, 60))
def test_no_number_is_torn_from_its_unit(width: int) -> None:
    text = "below 100 Hz by 3 dB at 2.83 V, 0.5 % and 6 Ω"
    lines = hanging(text, width)
    assert " ".join(line.strip() for line in lines) == text
    assert not any(re.search(r"\d$", line) for line in lines)


def test_nothing_to_say_is_no_fault() -> None:
    assert two_columns([], 80) == []
    assert two_columns([("name", "")], 80) == ["name"]
    assert hanging("", 80) == [""]


@given(rows=st.lists(st.tuples(WORDS, WORDS, WORDS), min_size=1, max_size=6), width=st.integers(12, 60))
def test_a_wrapped_table_has_every_word_in_its_own_column(rows: list[tuple[str, str, str]], width: int) -> None:
    found = hung(rows, (width, 21, 21))
    for place in range(3):
        assert " ".join(row[place] for row in found).split() == " ".join(row[place] for row in rows).split()
    assert all(len(row) == 3 for row in found)
