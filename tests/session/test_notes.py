"""A listening sheet is taken whole or refused with all its faults, each with its line."""

from __future__ import annotations

import contextlib
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from earwitness.errors import EarwitnessError, InputError, OutputError, SessionError
from earwitness.session.form_fields import write_new
from earwitness.session.notes import (
    SHEET_FILE,
    HeardWord,
    ListeningSheet,
    Passage,
    WrittenRemark,
    load_sheet,
    sheet_template,
)

WORDS = {
    "bright": HeardWord("bright", 3000.0, 20_000.0, "too much"),
    "boomy": HeardWord("boomy", 60.0, 150.0, "too much"),
    "loose": HeardWord("loose", 40.0, 200.0, None),
}
TOML = """\
format = 1
loudspeaker = "Invented One"
maker = "Nobody"
time = 2026-11-25T20:15:00+01:00
blind = true
equalizer = false
level_db = 78
aim_deg = 0
distance_m = 2.5
text = "Lively."

[[passage]]
name = "strings, slow"
kind = "music"

[[passage]]
name = "rain on a roof"
kind = "film"
level_db = 82.5

[[remark]]
word = "Bright"
strength = "clear"

[[remark]]
word = "boomy"
strength = "slight"
direction = "too little"
region_hz = [50, 120]
passage = "rain on a roof"
"""


def write(folder: Path, text: str = TOML) -> Path:
    path = folder / SHEET_FILE
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, text: str) -> dict[int | None, str]:
    with pytest.raises(SessionError) as caught:
        load_sheet(write(folder, text), vocabulary=WORDS)
    return {fault.line: str(fault) for fault in caught.value.faults}


def line(text: str, holds: str) -> int:
    return next(n for n, row in enumerate(text.splitlines(), 1) if holds in row)


def test_a_word_brings_its_region_and_direction_where_the_sheet_leaves_them_out(tmp_path: Path) -> None:
    sheet = load_sheet(write(tmp_path), vocabulary=WORDS)
    first, second = sheet.remarks
    assert (first.word, first.region_hz, first.direction) == ("bright", (3000.0, 20_000.0), "too much")
    assert (second.region_hz, second.direction, second.passage) == ((50.0, 120.0), "too little", "rain on a roof")
    assert (sheet.is_blind, sheet.has_equalizer, sheet.level_db) == (True, False, 78.0)
    assert sheet.time == "2026-11-25T20:15+01:00"
    assert [p.level_db for p in sheet.passages] == [None, 82.5]


def test_a_folder_stands_for_the_sheet_in_it(tmp_path: Path) -> None:
    assert load_sheet(write(tmp_path).parent, vocabulary=WORDS) == load_sheet(write(tmp_path), vocabulary=WORDS)


def test_all_faults_are_told_at_once_each_with_its_line(tmp_path: Path) -> None:
    text = TOML.replace('word = "Bright"', 'word = "brigth"').replace("level_db = 78\n", "levle_db = 78\n")
    text = text.replace("blind = true", 'blind = "yes"').replace("[50, 120]", "[120, 50]")
    text = text.replace('strength = "slight"', 'strength = "huge"').replace('= "film"', '= "opera"')
    text = text.replace('passage = "rain on a roof"', 'passage = "rain"').replace("2026-11-25T20:15:00+01:00", '"soon"')
    found = faults(tmp_path, text)
    assert "did you mean 'bright'" in found[line(text, "brigth")]
    assert "did you mean 'level_db'" in found[line(text, "levle_db")]
    assert "true or false" in found[line(text, "blind")]
    assert "runs from 120 Hz to 50 Hz" in found[line(text, "[120, 50]")]
    assert '"slight", "clear" or "strong"' in found[line(text, "huge")]
    assert '"music", "film"' in found[line(text, "opera")]
    assert "'rain on a roof'" in found[line(text, 'passage = "rain"')]
    assert "no day and time" in found[line(text, "time =")]
    assert "'level_db' is missing" in found[None]
    assert len(found) == 9
    with pytest.raises(SessionError, match="the listening sheet has 9 faults, nothing was sealed"):
        load_sheet(tmp_path, vocabulary=WORDS)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("level_db = 78", "level_db = 780", "at most 130 dB SPL"),
        ("distance_m = 2.5", 'distance_m = "2.5 m"', "a number in meters"),
        ("aim_deg = 0", "aim_deg = nan", "a number in degrees"),
        ("region_hz = [50, 120]", "region_hz = [50]", "two numbers"),
        ("region_hz = [50, 120]", "region_hz = [50, 400000]", "at most 40000 Hz"),
        ('name = "rain on a roof"', 'name = "strings, slow"', "two passages"),
        ('direction = "too little"', 'direction = "louder"', '"too much"'),
        ("format = 1", "format = 2", "format = 2 cannot be used"),
        ('word = "boomy"', "word = 3", "text in quotes"),
        ('word = "boomy"', 'word = ""', "word is empty"),
        ('maker = "Nobody"', "maker = Nobody", "this is not TOML"),
    ],
)
def test_a_single_fault_says_what_was_expected(tmp_path: Path, old: str, new: str, told: str) -> None:
    text = TOML.replace(old, new, 1)
    assert text != TOML
    assert told in " ".join(faults(tmp_path, text).values())


def test_a_word_without_a_usual_direction_asks_for_one(tmp_path: Path) -> None:
    text = TOML.replace('word = "Bright"', 'word = "loose"')
    assert "'direction' is missing" in faults(tmp_path, text)[line(text, "[[remark]]")]
    given = text.replace('word = "loose"', 'word = "loose"\ndirection = "too much"')
    assert load_sheet(write(tmp_path, given), vocabulary=WORDS).remarks[0].region_hz == (40.0, 200.0)


def test_a_sheet_without_passage_is_refused(tmp_path: Path) -> None:
    text = re.sub(r"\[\[passage\]\].*?(?=\[\[remark)", "", TOML, flags=re.DOTALL).replace(
        'passage = "rain on a roof"', ""
    )
    assert "there is no [[passage]]" in faults(tmp_path, text)[None]


def test_a_missing_sheet_and_one_that_is_no_text_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no listening sheet"):
        load_sheet(tmp_path, vocabulary=WORDS)
    (tmp_path / SHEET_FILE).write_bytes(b"\xff\xfe\x00")
    with pytest.raises(InputError, match="UTF-8"):
        load_sheet(tmp_path, vocabulary=WORDS)
    (tmp_path / SHEET_FILE).write_bytes(b"#" * (2**20 + 1))
    with pytest.raises(InputError, match="1 MiB"):
        load_sheet(tmp_path, vocabulary=WORDS)


def test_the_template_tells_every_blank_and_loads_once_filled_in(tmp_path: Path) -> None:
    path = write_new(tmp_path / "new" / SHEET_FILE, sheet_template(WORDS))
    text = path.read_text(encoding="utf-8")
    blanks = [n for n, row in enumerate(text.splitlines(), 1) if re.match(r'\w+ = (""|0)(\s|$)', row)]
    with pytest.raises(SessionError) as caught:
        load_sheet(path, vocabulary=WORDS)
    # An aim of 0 is allowed, but its blank is empty text; every blank is told, and nothing else.
    assert [f.line for f in caught.value.faults] == blanks
    filling = {"time": "2026-11-25T20:15:00", "blind": "false", "equalizer": "false", "kind": '"music"'}
    filling |= {"level_db": "78", "aim_deg": "-5", "distance_m": "3", "loudspeaker": '"One"', "maker": '"Nobody"'}
    filled = re.sub(
        r'^(\w+) = (?:""|0)(?=\s)', lambda m: f"{m[1]} = {filling.get(m[1], chr(34) + 'x' + chr(34))}", text, flags=re.M
    )
    path.write_text(filled, encoding="utf-8")
    assert load_sheet(path, vocabulary=WORDS).remarks == ()
    whole = re.sub(r"^#(?=[a-z\[\"Y])", "", filled, flags=re.M).replace('passage = ""', 'passage = "x"')
    path.write_text(whole, encoding="utf-8")
    sheet = load_sheet(path, vocabulary=WORDS)
    assert sheet.remarks[0].region_hz == (3000.0, 8000.0)
    assert "Your own words" in sheet.text
    written = tomllib.loads(whole)
    for model, table in (
        (ListeningSheet, written),
        (Passage, written["passage"][0]),
        (WrittenRemark, written["remark"][0]),
    ):
        assert set(table) == {field.alias or name for name, field in model.model_fields.items()}
    assert all(word in text for word in WORDS)


def test_a_sheet_that_is_there_stays(tmp_path: Path) -> None:
    path = write(tmp_path)
    with pytest.raises(InputError, match="left as it is"):
        write_new(tmp_path / SHEET_FILE, sheet_template(WORDS))
    assert path.read_text(encoding="utf-8") == TOML
    with pytest.raises(OutputError, match="belongs to a file"):
        write_new(path / SHEET_FILE, sheet_template(WORDS))


@given(st.data())
@settings(deadline=None, derandomize=True, max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_text_gives_anything_but_a_sheet_or_an_error_of_ours(tmp_path: Path, data: st.DataObject) -> None:
    rows = TOML.splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(rows) - 1))
        key = rows[at].partition("=")[0]
        value = data.draw(
            st.sampled_from(["[]", "{}", "1e400", "-1", '""', "[[1]]", "{a = 1}", "true", "2026-01-01", ""])
        )
        rows[at] = data.draw(st.sampled_from([f"{key}= {value}", f"[{key.strip() or 'x'}]", ""]))
    with contextlib.suppress(EarwitnessError):
        assert load_sheet(write(tmp_path, "\n".join(rows)), vocabulary=WORDS).loudspeaker
