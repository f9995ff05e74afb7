"""What a review says where little was measured: reasons short where room is short, alike ones told once."""

from __future__ import annotations

from dataclasses import replace

from earwitness.publish.review import choices_words, review_of
from earwitness.quantities import Asked, Measurement, Reading
from earwitness.session.session import Session

LONG = (
    "predicted in-room response: listening window: 2 of 9 positions were not measured: vertical +10°, vertical -10°; "
    "sound power: 53 of 70 positions were not measured: horizontal +90°, horizontal -90° and 51 more"
)


def test_the_summary_has_the_beginning_of_a_reason_and_the_table_all_of_it(
    reading: Reading, measurement: Measurement, session: Session
) -> None:
    refused = Asked("in_room_slope", "dB/octave", "line").refused(LONG)
    figures = {**reading.figures, "in_room_slope": refused}
    review = review_of(replace(reading, figures=figures), measurement, session)
    told = next(headline for headline in review.headlines if headline.words == "Tilt in a room")
    assert told.value == (
        "not judged: predicted in-room response: listening window: 2 of 9 positions were not measured, and more"
    )
    row = next(row for row in review.figures.rows if row[0].startswith("Tilt in a room"))
    assert "horizontal −90° and 51 more" in row[1]


def test_what_was_filled_in_alike_is_told_in_one_sentence(reading: Reading) -> None:
    filled = {
        "filled_coverage_left_6db": "8 of 17 positions interpolated over angle (step 20°)",
        "filled_side_wall": "4 of 10 positions interpolated over angle (step 20°)",
        "filled_map_horizontal": "8 of 17 positions interpolated over angle (step 20°)",
    }
    words = choices_words(replace(reading, choices={**reading.choices, **filled}))
    assert words[-2:] == (
        "Filled in for coverage left at −6 dB and map horizontal: 8 of 17 positions interpolated over angle "
        "(step 20°).",
        "Filled in for side wall: 4 of 10 positions interpolated over angle (step 20°).",
    )
    assert not any("_" in sentence or "6db" in sentence for sentence in words)
