"""The place Listen through its addresses: sealing, blind tests, no data opened before they are asked for."""

from __future__ import annotations

import hashlib
import hmac
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from bench_client import entered
from click.testing import CliRunner
from starlette.testclient import TestClient

from earwitness.app.listen import begin_test, data_shown_at, dealt_letters, matching_gains, sealed_sheets
from earwitness.cli.listen import command
from earwitness.errors import InputError
from earwitness.insight.listening.remark import seal_hash

ORDER = [("One", "Nobody"), ("Two", "Nobody"), ("Three", "Nobody")]


def sheet(**changes: Any) -> dict[str, Any]:
    return {
        "loudspeaker": "Typed One",
        "maker": "Nobody",
        "time": "2026-11-25T20:15",
        "blind": False,
        "equalizer": False,
        "level_db": 78.0,
        "aim_deg": 0.0,
        "distance_m": 2.5,
        "passages": [{"name": "a trio", "kind": "music"}],
        "remarks": [
            {
                "word": "bright",
                "region_hz": [3000.0, 8000.0],
                "direction": "too much",
                "strength": "clear",
                "at_s": 95.0,
            }
        ],
        **changes,
    }


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[TestClient]:
    with entered(tmp_path / "archive") as client:
        yield client


def test_sealing_keeps_what_was_entered_under_its_hash(empty: TestClient, tmp_path: Path) -> None:
    """FIPS 180-4 through the seal's own definition, which tests/insight checks by hand."""
    told = empty.post("/api/listen/seal", json=sheet()).json()
    (kept,) = sealed_sheets(tmp_path / "archive")
    assert told["sha256"] == seal_hash(kept.entry.facts, told["sealed_at"])
    assert kept.sheet.remarks[0].at_s == 95.0
    assert told["is_after_data"] is False
    again = empty.post("/api/listen/seal", json=sheet()).json()
    assert (again["sha256"], again["sealed_at"]) == (told["sha256"], told["sealed_at"])
    part = empty.get("/listen/new/sealed").text
    assert told["sha256"] in part
    assert "sealed before the data were shown" in part


@pytest.mark.parametrize(
    "changes",
    [
        {"loudspeaker": ""},
        {"time": "yesterday"},
        {"level_db": 500.0},
        {"passages": []},
        {"letter": "A"},
        {"remarks": [{"word": "blorp", "region_hz": [1, 2], "direction": "even", "strength": "clear"}]},
        {"remarks": [{"word": "bright", "region_hz": [9000, 2000], "direction": "even", "strength": "clear"}]},
        {"remarks": [{"word": "bright", "region_hz": [1000], "direction": "even", "strength": "clear"}]},
        {"surplus": 1},
        {"distance_m": "far"},
    ],
)
def test_faulty_sheets_are_refused_in_words_and_nothing_is_sealed(
    empty: TestClient, tmp_path: Path, changes: dict[str, Any]
) -> None:
    answer = empty.post("/api/listen/seal", json=sheet(**changes))
    assert answer.status_code == 422
    assert answer.json()["what"]
    assert sealed_sheets(tmp_path / "archive") == ()


def test_letters_follow_from_the_secret_and_stay_hidden_until_sealed(empty: TestClient, tmp_path: Path) -> None:
    """HMAC-SHA256 (RFC 2104, FIPS 180-4) by the standard library, spelled out."""
    begun = empty.post("/api/listen/blind", json={"loudspeakers": [{"name": n, "maker": m} for n, m in ORDER]})
    test = begun.json()
    number = test["number"]
    assert (test["letters"], test["revealed"], test["secret"]) == (["A", "B", "C"], None, "")
    assert "One" not in empty.get(f"/api/listen/blind/{number}").text
    card = empty.get(f"/api/listen/blind/{number}/card").json()["lines"]
    one = sheet(blind=True, remarks=[])
    partial = {"sheets": [{**one, "letter": letter} for letter in "AB"]}
    assert empty.post(f"/api/listen/blind/{number}/seal", json=partial).status_code == 422
    assert empty.get(f"/api/listen/blind/{number}").json()["revealed"] is None
    whole = {"sheets": [{**one, "letter": letter, "text": f"of {letter}"} for letter in "CAB"]}
    made = empty.post(f"/api/listen/blind/{number}/seal", json=whole).json()["test"]
    assert hashlib.sha256(made["secret"].encode()).hexdigest() == test["promise"]
    key = bytes.fromhex(made["secret"])
    by_hand = sorted(ORDER, key=lambda pair: hmac.digest(key, f"{pair[0]}\n{pair[1]}".encode(), "sha256"))
    for letter, (name, maker) in zip("ABC", by_hand, strict=True):
        assert made["revealed"][letter] == {"name": name, "maker": maker}
        assert f"{letter}: {maker} {name}" in card
        (kept,) = sealed_sheets(tmp_path / "archive", name=name, maker=maker)
        assert (kept.sheet.letter, kept.sheet.blind_test, kept.sheet.text) == (letter, number, f"of {letter}")
    assert empty.post(f"/api/listen/blind/{number}/seal", json=whole).status_code == 422
    assert empty.get("/api/drafts/blind").json()["value"] is None


def test_every_dealing_occurs() -> None:
    """All 6 orders of 3 loudspeakers among 60 secrets; the chance to miss one is 6 (5/6)^60 = 1e-4, and it is fixed."""
    seen = {tuple(dealt_letters(f"{k:064x}", ORDER).values()) for k in range(60)}
    assert len(seen) == 6
    assert len({dealt_letters(f"{k:064x}", ORDER)["A"] for k in range(60)}) == 3


def test_gains_bring_all_to_the_quietest(empty: TestClient) -> None:
    levels = {"A": 78.2, "B": 80.1, "C": 77.95}
    gains = empty.post("/api/listen/gains", json={"levels_db": levels}).json()["gains_db"]
    assert {round(levels[k] + gains[k], 6) for k in levels} == {77.95}
    assert max(matching_gains(levels).values()) == 0.0


@pytest.mark.parametrize("pairs", [[("One", "Nobody")], [("One", "Nobody"), ("ONE ", "nobody")], [("One", "")] * 2])
def test_what_cannot_be_lettered_is_refused(tmp_path: Path, pairs: list[tuple[str, str]]) -> None:
    with pytest.raises(InputError):
        begin_test(pairs, tmp_path / "archive")


def test_the_command_line_does_the_same(tmp_path: Path) -> None:
    archive, card = tmp_path / "archive", tmp_path / "card.txt"

    def run(*arguments: object) -> str:
        result = CliRunner().invoke(command, [str(a) for a in arguments])
        assert result.exit_code == 0, result.output
        return result.stdout

    told = run("blind", "One/Nobody", "Two/Nobody", "--card", card, "--archive", archive)
    number = told.split("blind_test = ")[1].split('"')[1]
    assert "Nobody One" not in told
    paths = []
    for letter in "AB":
        path = tmp_path / f"{letter}.toml"
        path.write_text(
            f'format = 1\nloudspeaker = "hidden"\nmaker = "hidden"\ntime = 2026-11-25T20:15:00\nblind = true\n'
            f'equalizer = false\nlevel_db = 78\naim_deg = 0\ndistance_m = 3\nletter = "{letter}"\n'
            f'blind_test = "{number}"\n[[passage]]\nname = "x"\nkind = "music"\n'
        )
        paths.append(path)
    single = CliRunner().invoke(command, ["seal", str(paths[0]), "--archive", str(archive)])
    assert single.exit_code == 2
    standing = run("blind", "--number", number, "--archive", archive)
    assert "letter A was" not in standing
    promise = standing.split("promise ")[1].split(";")[0]
    sealed = run("seal", *paths, "--archive", archive)
    for line in card.read_text().splitlines()[1:3]:
        letter, _, name = line.partition(": ")
        assert f"letter {letter} was {name}" in sealed
    after = run("blind", "--number", number, "--archive", archive)
    secret = after.split("the secret that dealt the letters: ")[1].strip()
    # FIPS 180-4 through Python's hashlib, as docs/listening.md says a stranger may check it.
    assert hashlib.sha256(secret.encode()).hexdigest() == promise
    dealt = sorted(
        ("One", "Two"), key=lambda name: hmac.new(bytes.fromhex(secret), f"{name}\nNobody".encode(), "sha256").digest()
    )
    assert [f"letter {letter} was Nobody {name}" in after for letter, name in zip("AB", dealt, strict=True)] == [
        True,
        True,
    ]
    for wrong in (("--number", "00000000"), ("One/Nobody", "Two/Nobody"), ("--number", number, "One/Nobody")):
        assert CliRunner().invoke(command, ["blind", *wrong, "--archive", str(archive)]).exit_code == 2
    assert run("list", "--archive", archive).count("sealed before the data were shown") == 2
    assert run("levels", "A=78.2", "B=80.1").splitlines() == ["A: +0.0 dB", "B: −1.9 dB"]


def test_no_page_of_listen_opens_the_data_before_it_is_asked_to(client: TestClient, bench_archive: Path) -> None:
    (kept,) = sealed_sheets(bench_archive)
    name, maker = kept.sheet.loudspeaker, kept.sheet.maker
    for path in ("/listen", "/listen/1", "/listen/blind", "/listen/1/held", "/listen/record", "/listen/1/sealed"):
        assert client.get(path).status_code == 200, path
    assert data_shown_at(bench_archive, name=name, maker=maker) is None
    job = client.post("/api/listen/1/hold").json()
    while client.get(f"/api/jobs/{job['id']}").json()["state"] in ("waiting", "running"):
        time.sleep(0.1)
    assert client.get(f"/api/jobs/{job['id']}").json()["state"] == "done"
    assert data_shown_at(bench_archive, name=name, maker=maker) is not None
    part = client.get("/listen/1/held/part").text
    assert "sealed before the data were shown" in part
    late = client.post("/api/listen/seal", json=sheet(loudspeaker=name, maker=maker)).json()
    assert late["is_after_data"] is True
    assert "made with the data known" in client.get("/listen/1").text
    assert client.get("/listen/999").status_code == 404
    assert client.get("/listen/999/held").status_code == 404
