"""docs/session-folder.md tells every key with its true default, and its example is a sound session."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from session_folders import record

from earwitness.session.load import load_session
from earwitness.session.record import Strict
from earwitness.session.session import FileStimulus, SweepStimulus
from earwitness.session.wording import TABLES, TAKES, keys_of

PAGE = (Path(__file__).parents[2] / "docs" / "session-folder.md").read_text(encoding="utf-8")
COMMON = {"id", "file", "microphone_channel", "reference_channel", "drive_v", "temperature_c", "note"}


def block(language: str) -> str:
    """The first fenced block of one language."""
    found = re.search(rf"```{language}\n(.*?)```", PAGE, re.DOTALL)
    assert found
    return found[1]


def documented() -> dict[str, dict[str, str]]:
    """Key and default by the heading of its table."""
    sections: dict[str, dict[str, str]] = {}
    heading = ""
    for line in PAGE.splitlines():
        if line.startswith("### "):
            heading = line[4:]
        elif (row := re.match(r"\| `([a-z0-9_]+)` \|.*\| ([^|]+) \|$", line)) and heading:
            sections.setdefault(heading, {})[row[1]] = row[2]
    return sections


def models() -> list[tuple[str, type[Strict]]]:
    """Beginning of the heading and the model that it tells of."""
    plain = [(f"`{'[' * (1 + many)}{name}{']' * (1 + many)}`", found[0]) for name, found in TABLES.items()
             for many in [name in ("loudspeaker.driver", "loudspeaker.claim", "other_stimulus", "photo")]
             if name not in ("", "take", "stimulus")]  # fmt: skip
    takes = [(f'`[[take]]` with `kind = "{kind}"`', model) for kind, model in TAKES.items()]
    kinds: list[tuple[str, type[Strict]]] = [
        ('`[stimulus]` with `kind = "sweep"`', SweepStimulus),
        ('`[stimulus]` with `kind = "file"`', FileStimulus),
    ]
    return [("Top", TABLES[""][0]), *plain, *takes, *kinds]


@pytest.mark.parametrize(("heading", "model"), models())
def test_every_key_of_every_table_is_told_with_its_default(heading: str, model: type[Strict]) -> None:
    sections = documented()
    (section,) = (keys for name, keys in sections.items() if name == heading or name.startswith(heading + ","))
    common = sections["`[[take]]`, for every kind"]
    told = {**common, **section} if heading.startswith("`[[take]]") else section
    table = "" if heading == "Top" else heading.split("`")[1].strip("[]")
    keys = {key for key in keys_of(model) if not any(t == f"{table}.{key}".lstrip(".") for t in TABLES)}
    assert told.keys() == keys
    for name, field in model.model_fields.items():
        key = field.alias or name
        if key not in told or key in ("id", "kind"):
            continue
        default = field.get_default(call_default_factory=True)
        if field.is_required():
            assert told[key] == "required"
        else:
            assert told[key] == ("none" if default in (None, "") else f"`{json.dumps(default)}`")


def test_every_take_has_the_common_keys() -> None:
    assert documented()["`[[take]]`, for every kind"].keys() == COMMON
    assert all(set(keys_of(model)) >= COMMON for model in TAKES.values())


def test_the_example_is_a_sound_session(tmp_path: Path) -> None:
    text = block("toml")
    (tmp_path / "session.toml").write_text(text, encoding="utf-8")
    (tmp_path / "microphone.txt").write_text(block("text"), encoding="utf-8")
    names = ["calibrator.wav", "near_woofer.wav", "near_port.wav", "quiet.wav", "horizontal/-10.wav"]
    names += ["horizontal/0.wav", "vertical/0.wav", "vertical/010.wav"]
    for seed, name in enumerate(names):
        record(tmp_path / name, seed, length_s=5.7, channels=2)
    session = load_session(tmp_path)
    assert len(session.takes) == 7
    assert session.loudspeaker.invented


def test_file_names_of_the_page_fit_their_patterns(tmp_path: Path) -> None:
    rows = re.findall(r"^\| `([^`]*\{angle\}[^`]*)` \| (.+) \|$", PAGE, re.MULTILINE)
    assert len(rows) == 4
    for index, (pattern, names) in enumerate(rows):
        folder = tmp_path / str(index)
        folder.mkdir()
        text = block("toml")
        start, end = text.index("[[take]]"), text.index("[[take]]", text.index("[[take]]") + 1)
        text = text[:start] + text[start:end].replace("horizontal/{angle}.wav", pattern)
        (folder / "session.toml").write_text(text, encoding="utf-8")
        (folder / "microphone.txt").write_text(block("text"), encoding="utf-8")
        found = re.findall(r"`([^`]+)`", names)
        for seed, name in enumerate([*found, "calibrator.wav"]):
            record(folder / name, seed, length_s=5.7, channels=2)
        assert {take.file for take in load_session(folder).takes} == set(found)


@pytest.mark.parametrize("danger", ["hearing protection", "Amplifier terminals", "Heavy cabinets", "Mains", "rules"])
def test_the_page_cautions(danger: str) -> None:
    assert danger in PAGE
