"""The template loads once it is filled in, names every key, and never overwrites."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from session_folders import record

from earwitness.errors import InputError, OutputError, SessionError
from earwitness.session.form_fields import form, write_template
from earwitness.session.load import load_session
from earwitness.session.wording import TABLES, keys_in

FILLED = {
    "date": '"2026-11-01"',
    "name": '"Invented One"',
    "maker": '"Nobody"',
    "type": '"monitor"',
    "enclosure": '"vented"',
    "width_m": "0.2",
    "height_m": "0.3",
    "depth_m": "0.25",
    "reference_axis": '"height of the dome"',
    "kind": '"cone"',
    "diameter_m": "0.13",
    "voltage_v": "2.83",
    "start_hz": "10",
    "stop_hz": "20000",
    "duration_s": "0.1",
    "distance_m": "2",
}


def filled(text: str) -> str:
    """`text` with every empty value filled in and one choice taken of each "one of"."""
    text = re.sub(r'^(\w+) = (?:""|0)(?=\s)', lambda m: f"{m[1]} = {FILLED[m[1]]}", text, flags=re.MULTILINE)
    return re.sub(r"^#(sensitivity_fs_per_pa|anechoic) =", r"\1 =", text, flags=re.MULTILINE)


def test_the_filled_template_loads(tmp_path: Path) -> None:
    path = write_template(tmp_path / "new")
    path.write_text(filled(path.read_text(encoding="utf-8")), encoding="utf-8")
    for seed, angle in enumerate((-10, 0, 10)):
        record(path.parent / f"horizontal/{angle}.wav", seed)
    session = load_session(path.parent)
    assert [t.id for t in session.takes] == ["-10", "0", "10"]


def test_the_empty_template_says_at_each_line_what_to_fill_in(tmp_path: Path) -> None:
    write_template(tmp_path)
    with pytest.raises(SessionError) as caught:
        load_session(tmp_path)
    empty = {n for n, line in enumerate(form("session.toml").splitlines(), 1) if re.match(r'\w+ = (""|0)\s', line)}
    # distance_m belongs to an orbit that has no recordings yet, so only its missing files are told.
    orbit = form("session.toml").splitlines().index('files = "horizontal/{angle}.wav"') + 1
    assert empty - {orbit - 1} <= {fault.line for fault in caught.value.faults}
    assert orbit in {fault.line for fault in caught.value.faults}


def test_every_key_stands_in_the_template_under_its_table() -> None:
    seen: dict[str, set[str]] = {name: set() for name in TABLES}
    table = ""
    for line in form("session.toml").splitlines():
        if header := re.match(r"#?\[\[?([a-z._]+)\]\]?", line):
            table = header[1]
        elif key := re.match(r"#?([a-z0-9_]+) = ", line):
            seen[table].add(key[1])
    for name in TABLES:
        tables_below = {key for key in keys_in(name) if f"{name}.{key}".lstrip(".") in TABLES}
        assert seen[name] == set(keys_in(name)) - tables_below


def test_the_template_is_toml_and_cautions() -> None:
    assert tomllib.loads(form("session.toml"))["format"] == 1
    assert "hearing protection" in form("session.toml")


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    write_template(tmp_path).write_text("mine")
    with pytest.raises(InputError, match="already"):
        write_template(tmp_path)
    assert (tmp_path / "session.toml").read_text() == "mine"


def test_a_folder_that_cannot_be_is_an_error_of_ours(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for place in (tmp_path / "file", tmp_path / "file" / "below", tmp_path / "nul\0"):
        with pytest.raises(OutputError):
            write_template(place)
