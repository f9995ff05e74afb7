"""The session form through its requests: fields from the models, faults at their place, files read and written."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_client import entered
from hypothesis import given, settings
from hypothesis import strategies as st
from session_form_page import EXPECTED
from starlette.testclient import TestClient

from earwitness.session.form_fields import form
from earwitness.session.small_toml import NOTES, toml_text, with_comments
from earwitness.session.wording import LISTS, TAKES, keys_in

FORM = "/api/measure/session"
DATE = {"date": "2026-11-01"}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    with entered(tmp_path_factory.mktemp("form") / "archive") as made:
        yield made


@pytest.fixture(scope="module")
def tables(client: TestClient) -> dict[str, Any]:
    return {one["name"]: one for one in client.get(f"{FORM}/form").json()["tables"]}


def check(client: TestClient, document: dict[str, Any], **more: Any) -> dict[str, Any]:
    answer = client.post(f"{FORM}/check", json={"document": document, "step_deg": 30, **more})
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    return told


def test_every_key_of_the_file_has_a_field(tables: dict[str, Any]) -> None:
    """Held against the list of keys that faults of the file are told by."""
    for name, table in tables.items():
        assert table["is_list"] == (name in LISTS)
        fields = [one["key"] for kind in table["kinds"].values() for one in kind]
        inner = {other.removeprefix(f"{name}.") for other in tables if name and other.startswith(f"{name}.")}
        if name == "take":
            assert set(table["kinds"]) == set(TAKES)
            assert set(keys_in(name)) <= {*fields, "kind"}
        elif name:
            assert set(fields) | inner | {"kind"} >= set(keys_in(name))
        for one in (one for kind in table["kinds"].values() for one in kind):
            assert one["label"]
            assert "_" not in one["label"]


def test_fields_know_what_the_models_know(tables: dict[str, Any]) -> None:
    fields = {one["key"]: one for one in tables["loudspeaker"]["kinds"][""]}
    assert fields["width_m"]["required"]
    assert (fields["width_m"]["unit"], fields["width_m"]["schema"]["maximum"]) == ("m", 10)
    assert "stand-mount" in fields["type"]["schema"]["enum"]
    # A driver's diameter may follow from its area, but not in a form.
    driver = {one["key"]: one for one in tables["loudspeaker.driver"]["kinds"][""]}
    assert driver["diameter_m"]["help"].startswith("from middle to middle of the surround")
    assert {"sweep", "file"} <= set(tables["stimulus"]["kinds"])


def test_a_whole_session_has_no_faults_and_its_takes_are_counted(client: TestClient) -> None:
    told = check(client, {**EXPECTED, **DATE})
    assert (told["faults"], told["count"], told["lacking"]) == ([], 12, None)
    assert told["takes"][:3] == ["0", "30", "60"]
    assert check(client, {**EXPECTED, **DATE}, step_deg=7)["faults"][0]["path"] == ["step_deg"]


@pytest.mark.parametrize(
    ("change", "path", "words"),
    [
        ({"loudspeaker": {**EXPECTED["loudspeaker"], "width_m": 200}}, ["loudspeaker", "width_m"], "too large"),
        ({"loudspeaker": {**EXPECTED["loudspeaker"], "width_m": "wide"}}, ["loudspeaker", "width_m"], "not a number"),
        ({"loudspeaker": {k: v for k, v in EXPECTED["loudspeaker"].items() if k != "maker"}},
         ["loudspeaker", "maker"], "missing"),
        ({"loudspeaker": {**EXPECTED["loudspeaker"], "driver": [{"name": "woofer", "kind": "cone"}]}},
         ["loudspeaker", "driver", 0, "diameter_m"], "missing"),
        ({"microphone": {}}, ["microphone"], "how loud full scale is"),
        ({"stimulus": {"kind": "sweep", "start_hz": 20, "stop_hz": 10, "duration_s": 1}},
         ["stimulus", "stop_hz"], "10 Hz"),
        ({"environment": {}}, ["environment"], "reflections"),
        ({"take": [*EXPECTED["take"], {"kind": "near-field", "driver": "tweeter", "file": "n.wav"}]},
         ["take", 1, "driver"], "tweeter"),
        ({"take": []}, ["take"], "no [[take]]"),
        ({"colour": "red"}, ["colour"], "not known"),
        ({"date": "2026-13-01"}, ["date"], "calendar"),
    ],
)  # fmt: skip
def test_each_fault_is_told_at_its_field(
    client: TestClient, change: dict[str, Any], path: list[Any], words: str
) -> None:
    told = check(client, {**EXPECTED, **DATE, **change})["faults"]
    at = [one for one in told if one["path"] == path]
    assert at, told
    assert words in at[0]["what"]


def test_the_empty_form_tells_everything_at_once(client: TestClient) -> None:
    empty = {"format": 1, "loudspeaker": {"driver": []}, "microphone": {}, "drive": {}, "stimulus": {"kind": "sweep"},
             "environment": {}, "take": []}  # fmt: skip
    paths = [one["path"] for one in check(client, empty)["faults"]]
    for path in (["date"], ["loudspeaker", "name"], ["drive", "voltage_v"], ["stimulus", "start_hz"], ["take"]):
        assert path in paths


def test_what_lacks_until_it_can_be_taken_in_is_told(
    client: TestClient, bench_recordings: Path, tmp_path: Path
) -> None:
    told = check(client, {**EXPECTED, **DATE}, folder=str(tmp_path))
    assert not told["is_whole"]
    assert "no file matches" in told["lacking"][0]["what"]
    read = client.post(f"{FORM}/read", json={"folder": str(bench_recordings)}).json()
    folder = str(bench_recordings)
    # Recordings of a finished session may be of another kind than a sound card writes.
    assert check(client, read["document"], folder=folder)["is_whole"]


def test_a_file_is_written_kept_and_never_written_over_unseen(client: TestClient, tmp_path: Path) -> None:
    body = {"document": {**EXPECTED, **DATE}, "folder": str(tmp_path / "new")}
    first = client.post(f"{FORM}/write", json=body).json()
    path = tmp_path / "new" / "session.toml"
    assert tomllib.loads(path.read_text(encoding="utf-8")) == {**EXPECTED, **DATE}
    refused = client.post(f"{FORM}/write", json=body)
    assert refused.status_code == 422
    assert "read it back" in refused.json()["remedy"]
    assert client.post(f"{FORM}/write", json={**body, "base": first["base"]}).status_code == 200
    assert path.with_name("session.toml.old").exists()
    assert client.post(f"{FORM}/write", json={**body, "folder": "not/whole"}).status_code == 422
    assert client.post(f"{FORM}/read", json={"folder": str(tmp_path)}).status_code == 422


def test_the_rig_is_remembered_by_serial(bench_archive: Path) -> None:
    with entered(bench_archive) as client:
        rig = client.get(f"{FORM}/form").json()["rig"]
    assert rig["last"]["date"]
    assert {"microphone", "drive", "stimulus"} <= set(rig["last"])
    for one in (*rig["microphones"], *rig["calibrators"]):
        assert one["serial"]


def test_the_template_comes_back_with_every_comment() -> None:
    text = form("session.toml")
    document = with_comments(tomllib.loads(text), text)
    again = toml_text(document)
    assert tomllib.loads(again) == tomllib.loads(text)

    def comments(of: str) -> list[str]:
        return sorted(line[line.index("#") :].strip() for line in of.splitlines() if "#" in line)

    assert comments(again) == comments(text)


LEAF = st.one_of(
    st.booleans(), st.integers(-(10**6), 10**6), st.floats(allow_nan=False, allow_infinity=False),
    st.text(max_size=12).filter(lambda text: not any("\ud800" <= char <= "\udfff" for char in text)),
)  # fmt: skip
KEY = st.text(min_size=1, max_size=8).filter(
    lambda text: text != NOTES and not any("\ud800" <= char <= "\udfff" for char in text)
)
TABLE = st.dictionaries(KEY, LEAF | st.lists(st.integers(0, 9), max_size=3), max_size=4)
DOCUMENT = st.dictionaries(KEY, LEAF | TABLE | st.lists(TABLE, min_size=1, max_size=2), max_size=4)


@settings(max_examples=200, deadline=None)
@given(DOCUMENT)
def test_any_document_is_read_as_it_was_written(document: dict[str, Any]) -> None:
    """Held against the standard library's reader of TOML."""
    assert tomllib.loads(toml_text(document)) == document
    text = toml_text(document)
    assert tomllib.loads(toml_text(with_comments(tomllib.loads(text), text))) == document
