"""Intended use, sensitivity class, room correction, trade-offs: sums that are done again here."""

from __future__ import annotations

import math

import pytest
from pydantic import ValidationError

from earwitness.insight.findings import Finding
from earwitness.insight.for_whom import USES, said_of_use
from earwitness.quantities import Figure
from earwitness.session import session
from earwitness.session.record import Loudspeaker

BOX = {
    "name": "One (invented)",
    "maker": "Nobody",
    "type": "stand-mount",
    "enclosure": "closed",
    "width_m": 0.2,
    "height_m": 0.4,
    "depth_m": 0.25,
    "reference_axis": "tweeter",
}


def figure(key: str, value: float, u: float = 0.25, unit: str = "dB") -> Figure:
    return Figure(key, value, u, unit, None, "made by hand")


def said(figures: dict[str, Figure], tester: session.Tester | None = None, findings=(), **more) -> dict[str, list[str]]:
    told: dict[str, list[str]] = {}
    for one in said_of_use(Loudspeaker(**{**BOX, **more}), tester or session.Tester(), figures, findings):
        told.setdefault(one.topic, []).append(one.text)
    return told


@pytest.mark.parametrize("use", USES)
def test_a_use_is_held_against_level_and_bass(use: str) -> None:
    """One in free field at 1 m, 6 dB for two in a room, 20 lg of the distance."""
    wanted = USES[use]
    needed = wanted.level_db - 6.0 + 20.0 * math.log10(wanted.distance_m)
    for off_db, off_hz, verdict in (
        (3.0, -5.0, "it holds"),
        (-3.0, -5.0, "falls short"),
        (3.0, 5.0, "falls short"),
        (0.1, -5.0, "cannot be told"),
        (3.0, 0.2, "cannot be told"),
    ):
        figures = {
            "highest_clean_level": figure("highest_clean_level", needed + off_db),
            "f6": figure("f6", wanted.bass_hz + off_hz, 0.5, "Hz"),
        }
        [text] = said(figures, use=use)["use"]
        assert verdict in text, text
        assert f"{wanted.level_db:g} dB are wanted" in text
    assert "use" not in said(figures)
    [text] = said({"f6": figure("f6", 30.0, 0.5, "Hz")}, use=use)["use"]
    assert "clean level was not measured" in text
    assert "cannot be told" in text


def test_the_sensitivity_class_is_the_testers_own_and_knows_its_uncertainty() -> None:
    tester = session.Tester(sensitivity_classes_db=(84.0, 88.0))
    for level, word in ((82.0, "low"), (86.0, "medium"), (90.0, "high"), (88.2, "medium or high")):
        [text] = said({"sensitivity": figure("sensitivity", level)}, tester)["level"]
        assert f"Sensitivity is {word} by this tester's limits of 84 and 88 dB" in text
    assert "level" not in said({"sensitivity": figure("sensitivity", 86.0)})
    with pytest.raises(ValidationError, match="above the first"):
        session.Tester(sensitivity_classes_db=(88.0, 84.0))


def test_room_correction_is_told_its_range_its_target_and_what_to_leave_alone() -> None:
    figures = {"in_room_slope": figure("in_room_slope", -0.9, 0.1, "dB/octave"), "f6": figure("f6", 48.0, 1.0, "Hz")}
    row = (-3.0, 0.3, 2.0, "off_axis", ("in_room",), {}, 0.5, False, "Dip", "A dip.")
    low = Finding(1, 150.0, 100.0, 200.0, *row)
    lobe = Finding(2, 2200.0, 1800.0, 2600.0, *row)
    told = said(figures, findings=(low, lobe))["room correction"]
    assert "up to 300 Hz and not boost below 48 Hz" in told[0]
    assert "falls by 0.9 dB/octave" in told[1]
    assert told[2] == "It must leave alone 2.2 kHz: no EQ mends that in all directions."
    rising = {**figures, "in_room_slope": figure("in_room_slope", 0.1, 0.1, "dB/octave")}
    assert "leave it off" in said(rising)["room correction"][1]


def test_size_bass_and_sensitivity_follow_small() -> None:
    """eta = 2e-6 f3^3 V (Small 1972, from memory) of 0.7 times 20 liters to 60 Hz: 0.605 %, 89.9 dB for 1 W."""
    figures = {"f3": figure("f3", 60.0, 1.0, "Hz"), "sensitivity_1w": figure("sensitivity_1w", 86.0)}
    first, second = said(figures)["trade-off"]
    eta = 2.0e-6 * 60.0**3 * 0.7 * 0.02
    assert eta == pytest.approx(0.00605, rel=0.01)
    # 1 W over a half sphere of 1 m: sqrt(415 / (2 pi)) Pa.
    best = 20 * math.log10(math.sqrt(415 / (2 * math.pi)) / 20e-6) + 10 * math.log10(eta)
    assert f"about {best:.0f} dB for 1 W at best" in first
    assert "14 liters" in first
    # f3 a half octave lower: 30 lg sqrt(2) = 4.5 dB, or 2^1.5 times the volume.
    assert "4.5 dB" in second
    assert "2.8 times" in second
    # More than the law allows is not explained away, and an active one has its bass from its filters.
    assert "trade-off" not in said({**figures, "sensitivity_1w": figure("sensitivity_1w", best + 3.0)})
    assert "trade-off" not in said(figures, powered=True)


def test_every_sentence_is_short() -> None:
    figures = {
        key: figure(key, value, 0.2, "")
        for key, value in (
            ("f3", 50.0), ("f6", 44.0), ("sensitivity", 86.0), ("sensitivity_1w", 86.0), ("in_room_slope", -0.8),
            ("highest_clean_level", 96.0),
        )
    }  # fmt: skip
    told = said(figures, session.Tester(sensitivity_classes_db=(84.0, 88.0)), use="living room")
    assert set(told) == {"use", "level", "room correction", "trade-off"}
    assert all(len(part.split()) <= 36 for rows in told.values() for text in rows for part in text.split("; "))
