"""Listening sheets of the demo world: what invented listeners wrote down before anything was measured.

They were made up with the loudspeakers, not from their data: some remarks hit a planted flaw, some are beside it, as
those of a human listener would be.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from earwitness.demo.world import loudspeaker
from earwitness.errors import OutputError

SEALED_AT = datetime(2026, 2, 27, 21, 40, tzinfo=UTC)
"""When the invented listener sealed: the evening before the invented session."""


@dataclass(frozen=True, slots=True)
class _Remark:
    word: str
    strength: str
    passage: str
    text: str


@dataclass(frozen=True, slots=True)
class _Sheet:
    blind: bool
    aim_deg: float
    text: str
    passages: tuple[tuple[str, str], ...]
    remarks: tuple[_Remark, ...]


_VOICE, _TRIO, _FILM = "a close voice with a guitar", "a piano trio", "a thunderstorm from a film"
_PASSAGES = ((_VOICE, "music"), (_TRIO, "music"), (_FILM, "film"))
_SHEETS = {
    "thimble": _Sheet(
        False,
        10.0,
        "A small loudspeaker that keeps its balance at the seat; it says little below the double bass.",
        _PASSAGES,
        (
            _Remark("without depth", "clear", _FILM, "the storm has no ground under it"),
            _Remark("present", "slight", _VOICE, "the singer stands a step forward"),
            _Remark("airy", "slight", _TRIO, ""),
        ),
    ),
    "causeway": _Sheet(
        True,
        0.0,
        "Large and relaxed, with a thickness over the low notes that never quite leaves.",
        _PASSAGES,
        (
            _Remark("warm", "clear", _TRIO, "the left hand of the piano is thick"),
            _Remark("sibilant", "clear", _VOICE, "every s has an edge"),
            _Remark("hollow", "slight", _VOICE, "the voice is a little hollow, as from a next room"),
            _Remark("boomy", "slight", _FILM, "perhaps the room"),
        ),
    ),
    "coffer": _Sheet(
        False,
        0.0,
        "Plain and quick; the edges of the box are said to be heard on voices.",
        _PASSAGES,
        (
            _Remark("present", "slight", _VOICE, "a little forward on some vowels"),
            _Remark("lean", "slight", _TRIO, "the left hand is light"),
            _Remark("punchy", "slight", _FILM, ""),
        ),
    ),
    "lantern": _Sheet(
        False,
        0.0,
        "Plays anything at any level; the cymbals stay behind the stage.",
        _PASSAGES,
        (
            _Remark("without presence", "clear", _VOICE, "consonants are soft"),
            _Remark("punchy", "clear", _FILM, "each stroke arrives at once"),
            _Remark("dark", "slight", _TRIO, ""),
        ),
    ),
}


def sheet_text(key: str) -> str:
    """The sheet of a demo loudspeaker as TOML. InputError for an unknown key."""
    one, sheet = loudspeaker(key), _SHEETS[loudspeaker(key).key]
    head = {
        "format": 1,
        "loudspeaker": one.name,
        "maker": one.maker,
        "listener": "an invented listener",
        "blind": sheet.blind,
        "equalizer": False,
        "level_db": 78.0,
        "aim_deg": sheet.aim_deg,
        "distance_m": 2.8,
        "text": f"Invented notes. {sheet.text}",
    }
    lines = ["# Invented: no one heard this loudspeaker, for there is none.", *_keys(head)]
    lines.append("time = 2026-02-27T20:15:00")
    for name, kind in sheet.passages:
        lines += ["", "[[passage]]", *_keys({"name": name, "kind": kind})]
    for remark in sheet.remarks:
        told = {"word": remark.word, "strength": remark.strength, "passage": remark.passage, "text": remark.text}
        lines += ["", "[[remark]]", *_keys(told)]
    return "\n".join(lines) + "\n"


def write_sheet(key: str, folder: Path) -> Path:
    """Write the sheet of a demo loudspeaker into `folder` as listening.toml; the same key gives the same bytes."""
    path = folder / "listening.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.write_text(sheet_text(key), encoding="utf-8", newline="\n")
    except OSError as error:
        raise OutputError(
            f"the listening sheet cannot be written: {error.strerror}",
            where=str(path),
            remedy="check permission and free space",
        ) from None
    return path


def _keys(values: Mapping[str, object]) -> list[str]:
    # JSON spells strings, finite numbers, true and false exactly as TOML does.
    return [f"{name} = {json.dumps(value, ensure_ascii=False)}" for name, value in values.items()]
