"""The facts of a session are held strictly: unknown keys, wrong ranges and wrong kinds are refused."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from earwitness.session.session import FarFieldTake, NoiseFloorTake, Session

HASH = "0" * 64


def facts() -> dict[str, Any]:
    """A small session of an invented loudspeaker."""
    return {
        "format": 1,
        "date": "2026-11-01",
        "loudspeaker": {
            "name": "Invented One",
            "maker": "Nobody",
            "type": "stand-mount",
            "enclosure": "closed",
            "invented": True,
            "width_m": 0.2,
            "height_m": 0.34,
            "depth_m": 0.26,
            "reference_axis": "on the axis of the dome",
            "driver": [{"name": "woofer", "kind": "cone", "diameter_m": 0.13}],
        },
        "microphone": {"sensitivity_fs_per_pa": 0.02},
        "drive": {"voltage_v": 2.83},
        "stimulus": {"kind": "sweep", "start_hz": 10, "stop_hz": 22_000, "duration_s": 4},
        "takes": [
            {
                "kind": "far-field",
                "id": "h0",
                "file": "h0.wav",
                "sha256": HASH,
                "orbit": "horizontal",
                "angle_deg": 0,
                "distance_m": 2,
            },
            {"kind": "noise floor", "id": "quiet", "file": "quiet.wav", "sha256": HASH},
        ],
    }


def test_takes_are_sorted_by_what_they_are() -> None:
    session = Session.model_validate(facts())
    assert [t.id for t in session.takes_of(FarFieldTake)] == ["h0"]
    assert [t.id for t in session.takes_of(NoiseFloorTake)] == ["quiet"]


@pytest.mark.parametrize(
    ("section", "key", "value", "said"),
    [
        ("drive", "voltage_v", 0, "greater than 0"),
        ("drive", "volts", 2.83, "not permitted"),
        ("drive", "voltage_v", float("nan"), "finite number"),
        ("stimulus", "form", "linear", "synchronized"),
        ("loudspeaker", "price", {"amount": 100, "currency": "euro"}, "pattern"),
    ],
)
def test_what_cannot_be_is_refused(section: str, key: str, value: object, said: str) -> None:
    document = facts()
    document[section][key] = value
    with pytest.raises(ValidationError, match=said):
        Session.model_validate(document)


def test_an_unknown_kind_of_take_is_refused() -> None:
    document = facts()
    document["takes"][0]["kind"] = "far"
    with pytest.raises(ValidationError, match="far-field"):
        Session.model_validate(document)


def test_facts_cannot_be_changed_afterward() -> None:
    session = Session.model_validate(facts())
    with pytest.raises(ValidationError, match="frozen"):
        session.drive.voltage_v = 5.0  # type: ignore[misc]


def test_facts_survive_json() -> None:
    session = Session.model_validate(facts())
    assert Session.model_validate_json(session.model_dump_json(by_alias=True)) == session


@pytest.mark.parametrize("value", ["2.83", True, float("inf")])
def test_numbers_are_not_made_of_other_things(value: object) -> None:
    document = facts()
    document["drive"]["voltage_v"] = value
    with pytest.raises(ValidationError, match="voltage_v"):
        Session.model_validate(document)
