"""The talk: rules of bringing edits together, stated as what a speaker would find."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.errors import FormatError, InputError, OutputError
from earwitness.figures.read import read_measurement
from earwitness.publish.review import Review, review_of
from earwitness.publish.talk import (
    changed_numbers,
    joined,
    merge_talk,
    merged,
    parted,
    spoken_parts,
    talk_of,
    write_talk,
)
from earwitness.quantities import Measurement, Reading
from earwitness.session.session import Session

OLD = joined({"one": "Level 87.4 dB at 1 m.", "two": "It is even.", "three": "Price 100 EUR."})
NEW = OLD.replace("87.4", "88.0")


@pytest.fixture(scope="module")
def review(reading: Reading, measurement: Measurement, session: Session) -> Review:
    return review_of(reading, measurement, session)


@pytest.fixture(scope="module")
def louder(measure: Callable[..., Measurement], session: Session) -> Review:
    """The same loudspeaker measured again: 2 dB louder, its bell gone."""
    again = measure(level_db=89.0, rise_db=0.0)
    return review_of(read_measurement(again, rated_impedance_ohm=6.0), again, session)


def test_numbers_stand_at_hand_and_are_not_said(review: Review) -> None:
    text = talk_of(review)
    assert "> - " in parted(text)["numbers"]
    assert "numbers" not in [part.key for part in spoken_parts(text)]


def test_times_add_up_and_follow_from_the_words(review: Review) -> None:
    # Common practice, no source: 130 spoken words a minute, and 4 s to look at each new picture.
    said = "## Heading\n\nStill: a-wide.png, marks 1 and 2\n\n" + "word " * 130 + "\n\n> a note that is not said"
    first, second = spoken_parts(joined({"one": said, "two": said}))
    assert (first.last_s, second.start_s, second.last_s) == (64, 64, 60)
    assert (first.still, first.marks) == ("a", (1, 2))
    rows = re.findall(r"^\| (\d+):(\d\d) \| (\d+) s \| (.*) \|$", talk_of(review), re.MULTILINE)
    at_s = 0
    for minutes, seconds, takes, _ in rows:
        assert 60 * int(minutes) + int(seconds) == at_s
        at_s += int(takes)
    assert f"About {at_s // 60}:{at_s % 60:02d} min" in talk_of(review)


def test_talk_nobody_touched_is_renewed(review: Review, louder: Review) -> None:
    before, after = talk_of(review), talk_of(louder)
    assert before != after
    made = merge_talk(before, before, louder)
    assert made.text == after
    assert made.kept == ()
    assert any(change.block == "balance" and not change.in_edit for change in made.changed)


def test_edit_is_kept_and_the_changed_number_is_pointed_out(review: Review, louder: Review) -> None:
    before = talk_of(review)
    edited = before.replace("Back to where we began.", "Thank you.").replace("One loudspeaker gives", "I measured")
    made = merge_talk(before, edited, louder)
    assert made.kept == ("balance", "closing")
    assert "Thank you." in made.text
    assert "I measured about 87 decibels at 1 meter" in made.text
    loudness = next(c for c in made.changed if c.block == "balance" and c.before == "87")
    assert loudness.in_edit
    assert "> Check: “87” is now “89”." in made.text


def test_edit_without_a_change_of_numbers_carries_no_remark() -> None:
    edited = OLD.replace("It is even.", "It is even, I find.")
    made = merged(OLD, edited, NEW)
    assert parted(made.text) == {
        "one": "Level 88.0 dB at 1 m.",
        "two": "It is even, I find.",
        "three": "Price 100 EUR.",
    }
    assert made.kept == ("two",)


def test_remark_is_brought_up_to_date_and_goes_when_the_number_comes_back() -> None:
    edited = OLD.replace("Level 87.4 dB", "A level of 87.4 dB")
    first = merged(OLD, edited, NEW)
    assert parted(first.text)["one"] == "A level of 87.4 dB at 1 m.\n\n> Check: “87.4” is now “88.0”."
    newer = NEW.replace("88.0", "89.5")
    second = merged(NEW, first.text, newer)
    assert parted(second.text)["one"] == "A level of 87.4 dB at 1 m.\n\n> Check: “87.4” is now “89.5”."
    assert parted(merged(newer, second.text, OLD).text)["one"] == "A level of 87.4 dB at 1 m."


def test_remark_stays_until_the_speaker_takes_it_out() -> None:
    first = merged(OLD, OLD.replace("Level", "A level of"), NEW)
    assert merged(NEW, first.text, NEW).text == first.text
    cleared = first.text.replace("87.4 dB", "88.0 dB").replace("> Check: “87.4” is now “88.0”.\n", "")
    assert "Check" not in merged(NEW, cleared, NEW).text


def test_blocks_taken_out_moved_or_added_stay_so() -> None:
    mine = joined({"three": "Price 100 EUR.", "joke": "A joke.", "one": "Level 87.4 dB at 1 m."})
    fresh = joined({**parted(NEW), "four": "A new exhibit."})
    made = merged(OLD, mine, fresh)
    assert list(parted(made.text)) == ["three", "four", "joke", "one"]
    assert made.left_out == ("two",)


def test_block_whose_exhibit_is_gone_goes_unless_it_was_edited() -> None:
    fresh = joined({"one": "Level 87.4 dB at 1 m."})
    made = merged(OLD, OLD.replace("It is even.", "It is even, I find."), fresh)
    assert list(parted(made.text)) == ["one", "two"]
    assert "no longer in the review" in parted(made.text)["two"]
    assert merged(fresh, made.text, fresh).text == made.text


def test_words_before_the_first_mark_stay() -> None:
    assert merged(OLD, "Notes to myself.\n\n" + OLD, NEW).text == "Notes to myself.\n\n" + NEW


def test_numbers_are_compared_as_printed() -> None:
    value = "86.7 ± 0.5 dB".replace(" ", "\N{NO-BREAK SPACE}")
    before = f"It has {value} (at 240\N{NO-BREAK SPACE}Hz)."
    assert changed_numbers(before, before.replace("86.7", "88.1")) == ((value, value.replace("86.7", "88.1")),)
    assert changed_numbers("It is even.", "It is uneven.") == ()


BLOCKS = st.dictionaries(
    st.sampled_from(["a", "b", "c", "d"]), st.text("xyz 019.\n", min_size=1).map(str.strip).filter(bool), min_size=1
)


@settings(deadline=None, derandomize=True, max_examples=50)
@given(BLOCKS, BLOCKS)
def test_no_edit_gives_the_new_and_no_news_gives_the_edit(first: dict[str, str], second: dict[str, str]) -> None:
    a, b = joined(first), joined(second)
    assert parted(merged(a, a, b).text) == parted(b)
    # Blocks that are only in the edit are the speaker's; those taken out stay out.
    assert parted(merged(a, b, a).text) == parted(b)


def test_written_talk_keeps_edits_over_publications(review: Review, louder: Review, tmp_path: Path) -> None:
    path = tmp_path / "talk.md"
    write_talk(review, path)
    assert path.read_text(encoding="utf-8") == talk_of(review)
    mine = path.read_text(encoding="utf-8").replace("## The verdict again", "## Closing words")
    path.write_text(mine, encoding="utf-8")
    made = write_talk(louder, path)
    assert made.kept == ("closing",)
    assert "## Closing words" in path.read_text(encoding="utf-8")
    assert "| Closing words |" in path.read_text(encoding="utf-8")
    assert write_talk(louder, path).text == made.text


def test_kill_between_the_two_files_does_no_harm(review: Review, louder: Review, tmp_path: Path) -> None:
    path = tmp_path / "talk.md"
    write_talk(review, path)
    edited = path.read_text(encoding="utf-8").replace("One loudspeaker gives", "I measured")
    path.write_text(edited, encoding="utf-8")
    older = {file.name: file.read_bytes() for file in tmp_path.iterdir()}
    made = write_talk(louder, path)
    (tmp_path / ".talk-as-generated.md").write_bytes(older[".talk-as-generated.md"])
    assert write_talk(louder, path).text == made.text


def test_hostile_words_are_no_markup(review: Review) -> None:
    text = talk_of(
        replace(review, title="a <b> | *c* [d](e)\n<!-- block: plan -->", disclosure="<script>", invented="")
    )
    assert "<script" not in text
    assert len(re.findall(r"^<!-- block: plan -->$", text, re.MULTILINE)) == 1


def test_what_cannot_be_kept_is_refused_and_left(review: Review, tmp_path: Path) -> None:
    path = tmp_path / "talk.md"
    path.write_text("My own talk.")
    with pytest.raises(FormatError, match="not written here"):
        write_talk(review, path)
    assert path.read_text() == "My own talk."
    path.write_bytes(b"\xff\xfe")
    with pytest.raises(InputError, match="cannot be read"):
        write_talk(review, path)
    path.unlink()
    write_talk(review, path)
    path.write_text(path.read_text(encoding="utf-8") + "\n<!-- block: closing -->\nTwice.\n", encoding="utf-8")
    with pytest.raises(FormatError, match="stands twice"):
        write_talk(review, path)
    with pytest.raises(OutputError, match="cannot be written"):
        write_talk(review, path / "talk.md")
