"""Names that nobody can type, and dates on which nothing can have been recorded, are asked about before anything is
kept: of several sessions the latest is read, and nothing is taken out of an archive."""

from __future__ import annotations

import datetime
from pathlib import Path

import pytest
from session_folders import TOML, write

from earwitness.errors import SessionError
from earwitness.session.load import load_session

TODAY = datetime.date(2026, 11, 29)


@pytest.fixture
def calendar(monkeypatch: pytest.MonkeyPatch) -> None:
    """A clock that stands still, so that no midnight passes between the question and the answer."""

    class Day(datetime.date):
        @classmethod
        def today(cls) -> Day:
            return cls(TODAY.year, TODAY.month, TODAY.day)

    monkeypatch.setattr(datetime, "date", Day)


def told(folder: Path) -> str:
    with pytest.raises(SessionError) as caught:
        load_session(folder)
    assert "1 fault" in str(caught.value)
    return str(caught.value)


@pytest.mark.parametrize(
    "name",
    ["\\u200b", "A\\u202eB", "Lantern\\u200d", "a\\u0000b", "a\\u001b[31mb", "a\\u2028b", "\\ufeffx", "\\U000e0041"],
)
@pytest.mark.parametrize("key", ["name", "maker"])
def test_characters_that_cannot_be_seen_are_named(tmp_path: Path, name: str, key: str) -> None:
    former = {"name": "Invented One", "maker": "Nobody"}[key]
    text = told(write(tmp_path, TOML.replace(f'{key} = "{former}"', f'{key} = "{name}"')))
    assert f"{key} holds characters that cannot be seen or typed: U+" in text
    assert "type it anew" in text


@pytest.mark.parametrize("name", ["..", "-", "…", "???"])
def test_a_name_needs_a_letter_or_a_digit(tmp_path: Path, name: str) -> None:
    text = told(write(tmp_path, TOML.replace("Invented One", name)))
    assert "holds no letter and no digit" in text


@pytest.mark.parametrize("name", ["Größe 2", "音響 3", "É-1 (mk II)", "5", "Ω"])
def test_names_of_all_scripts_are_names(tmp_path: Path, name: str) -> None:
    assert load_session(write(tmp_path, TOML.replace("Invented One", name))).loudspeaker.name == name


@pytest.mark.usefixtures("calendar")
@pytest.mark.parametrize(
    ("date", "what"),
    [("2062-01-15", "in the future"), (str(TODAY + datetime.timedelta(days=3)), "in the future"),
     ("0001-01-01", "before anybody measured so")],
)  # fmt: skip
def test_a_date_that_cannot_be_is_asked_about(tmp_path: Path, date: str, what: str) -> None:
    text = told(write(tmp_path, TOML.replace("2026-11-01", date)))
    assert f"{date} lies {what}; today is {TODAY}" in text
    assert "correct the date, or the clock of this machine" in text


@pytest.mark.usefixtures("calendar")
def test_where_it_is_tomorrow_already_the_date_holds(tmp_path: Path) -> None:
    tomorrow = str(TODAY + datetime.timedelta(days=1))
    assert load_session(write(tmp_path, TOML.replace("2026-11-01", tomorrow))).date == tomorrow
