"""The site of all loudspeakers: incremental, permanent, corrected in the open, valid HTML, Atom and JSON."""

from __future__ import annotations

import json
import shutil
import sqlite3
import xml.etree.ElementTree as ET
from contextlib import closing
from datetime import datetime
from pathlib import Path

import html5lib
import numpy as np
import pytest

from earwitness.app import site as act
from earwitness.app.add import add_catalogue
from earwitness.app.site import publish_site
from earwitness.archive.catalogue import CATALOGUE, Archive
from earwitness.demo.catalogue import catalogue, simulate
from earwitness.errors import FormatError, InputError, OutputError
from earwitness.publish.site.corrections import corrections_of
from earwitness.publish.site.index import ATOM, Card, address_of, atom_feed, cards_from, grid_hz, index_js, site_json
from made_once import MadeOnce

COUNT = 3
NAMES = {"a": ATOM}


@pytest.fixture(scope="module")
def made(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Archive and site of three loudspeakers, in one folder; tests that change something take copies."""
    folder = tmp_path_factory.mktemp("whole")
    shutil.copytree(made_once.catalogue(COUNT), folder / "archive")
    report = publish_site(folder / "site", folder / "archive", base_url="https://example.org/ls")
    assert (len(report.written), report.unchanged, report.kept) == (COUNT, 0, ())
    return folder


@pytest.fixture
def work(made: Path, tmp_path: Path) -> Path:
    shutil.copytree(made, tmp_path / "w")
    return tmp_path / "w"


def published(work: Path, **more: str) -> act.SiteReport:
    return publish_site(work / "site", work / "archive", base_url="https://example.org/ls/", **more)


def stamps(folder: Path) -> dict[str, int]:
    return {p.relative_to(folder).as_posix(): p.stat().st_mtime_ns for p in folder.rglob("*") if p.is_file()}


def card(number: int, **more: object) -> Card:
    facts: dict[str, object] = {
        "address": f"a-{number}",
        "name_key": f"m\nn{number}",
        "title": f"Maker N{number}",
        "type": "monitor",
        "price": 100.0 * number,
        "currency": "EUR",
        "date": "2026-01-01",
        "revision": "1",
        "updated": f"2026-01-{number:02d}T00:00:00+00:00",
        "invented": True,
        "summary": "even",
        "made_from": "x",
        "figures": {"f6": (40.0, 39.0, 41.0, "Hz", "", "40 ± 1 Hz")},
    }
    return Card(**{**facts, **more})  # type: ignore[arg-type]


def test_every_loudspeaker_has_all_its_files(made: Path) -> None:
    places = sorted((made / "site" / "loudspeakers").iterdir())
    assert len(places) == COUNT
    for place in places:
        names = {p.name for p in place.iterdir()}
        assert {"index.html", "loudspeaker.json", "compare.js", "corrections.html", "preview.png"} <= names
        assert (place / "preview.png").read_bytes()[16:24] == (1200).to_bytes(4) + (675).to_bytes(4)


def test_a_loudspeaker_costs_few_bytes_and_the_site_shares_what_is_the_same(made: Path) -> None:
    """60 MB for 43 loudspeakers is the goal (project default): 1.39 MB each, with what the site shares."""
    site = made / "site"
    (shared,) = site.glob("shared-*")
    assert {p.name for p in shared.iterdir()} == {"style.css", "charts.js", "calculators.js", "player.js"}
    for place in (site / "loudspeakers").iterdir():
        names = {p.name for p in place.iterdir()}
        assert not names & {"style.css", "charts.js"}
        page = (place / "index.html").read_text(encoding="utf-8")
        assert f'href="../../{shared.name}/style.css"' in page
        assert f'src="../../{shared.name}/charts.js"' in page
        assert len(page.encode()) < 900_000
        assert sum(p.stat().st_size for p in place.rglob("*") if p.is_file()) < 1_390_000
    # What grows with each loudspeaker in the pages of all of them.
    listed = sum((site / name).stat().st_size for name in ("index-data.js", "site.json", "all.html", "feed.xml"))
    assert listed < 20_000 * COUNT


def test_nothing_changed_writes_nothing(work: Path) -> None:
    before = stamps(work / "site")
    report = published(work)
    assert (report.written, report.unchanged) == ((), COUNT)
    assert stamps(work / "site") == before


def test_one_more_leaves_the_pages_of_the_others_alone(work: Path) -> None:
    before = stamps(work / "site" / "loudspeakers")
    add_catalogue(work / "archive", count=COUNT + 1)
    report = published(work)
    assert report.written == (catalogue(COUNT + 1)[COUNT].name,)
    after = stamps(work / "site" / "loudspeakers")
    assert {name: after[name] for name in before} == before


def test_a_page_that_was_lost_is_written_again_at_its_address(work: Path) -> None:
    place = sorted((work / "site" / "loudspeakers").iterdir())[0]
    shutil.rmtree(place)
    assert len(published(work).written) == 1
    assert (place / "index.html").is_file()


def test_a_loudspeaker_that_left_the_archive_keeps_its_page(work: Path, tmp_path: Path) -> None:
    add_catalogue(tmp_path / "other", count=1)
    report = publish_site(work / "site", tmp_path / "other", base_url="https://example.org/ls/")
    assert len(report.kept) == COUNT - 1
    assert len(list((work / "site" / "loudspeakers").iterdir())) == COUNT
    assert len(cards_from((work / "site" / "site.json").read_text(), where="")) == COUNT


def test_a_changed_number_stands_in_the_corrections_with_the_reason(
    work: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The same session, 3 dB louder: what changed is the sensitivity, and the balance is as it was."""
    one = catalogue(1)[0]
    with Archive.open(work / "archive") as archive:
        (session,) = archive.sessions_of(archive.find(one.name).id)
        (result,) = (one for one in archive.results_of(session.id) if one.kind == "measurement")
        kept = archive.measurement(result.step_key)
    assert kept is not None
    with closing(sqlite3.connect(work / "archive" / CATALOGUE)) as connection:
        connection.execute("DELETE FROM result WHERE session_id = ?", (session.id,))
        connection.commit()
    (work / "archive" / str(result.array_file)).unlink()
    import dataclasses

    louder = dataclasses.replace(one, level_db=one.level_db + 3.0)
    made = dataclasses.replace(simulate(louder, dict(kept.steps[-1].settings)), steps=kept.steps)  # type: ignore[arg-type]
    assert not np.array_equal(made.response.pressure, kept.response.pressure)
    with Archive.open(work / "archive") as archive:
        archive.keep_measurement(session.id, made)
    monkeypatch.setattr(act, "_LAYOUT", act._LAYOUT + 1)
    published(work, because="The calibrator had been read wrongly.")
    address = address_of(f"{one.maker} {one.name}", ())
    place = work / "site" / "loudspeakers" / address
    document = json.loads((place / "loudspeaker.json").read_text())
    assert document["revision"] == "2"
    (entry,) = document["corrections"]
    assert entry["reasons"] == ["The calibrator had been read wrongly."]
    changed = {change["key"]: change for change in entry["changes"]}
    before, after = (float(changed["sensitivity"][k].split("\xa0")[0]) for k in ("before", "after"))
    assert after - before == pytest.approx(3.0, abs=0.11)
    assert "f6" not in changed
    assert "in_room_slope" not in changed
    for page in (place / "corrections.html", work / "site" / "corrections.html"):
        assert "The calibrator had been read wrongly." in page.read_text()
        assert changed["sensitivity"]["after"].replace("\xa0", " ") in page.read_text().replace("\xa0", " ")
    # The others were written anew as well (the layout changed) and no number of theirs did: no revision.
    cards = cards_from((work / "site" / "site.json").read_text(), where="")
    assert sorted(c.revision for c in cards) == ["1"] * (COUNT - 1) + ["2"]


def test_corrections_give_reasons_from_what_differs() -> None:
    first = {"program": "1", "session": "a", "date": "2026-01-01", "choices": {"wall": "3"}, "figures": {}}
    second = {**first, "program": "2", "choices": {"wall": "all 19"}}
    third = {**second, "session": "b", "date": "2026-02-01", "figures": {"f6": {"words": "40 ± 1 Hz"}}}
    fourth = {**third, "session": "c"}
    log = corrections_of([(n, f"2026-0{n}-01", d) for n, d in enumerate((first, second, third, fourth), 1)])
    assert [one.revision for one in log] == [4, 3, 2]
    assert log[0].reasons == ("The facts or recordings of the session were mended.",)
    assert "measured anew on 2026-02-01" in log[1].reasons[0]
    assert [(c.before, c.after) for c in log[1].changes] == [("not published", "40 ± 1 Hz")]
    assert len(log[2].reasons) == 2


@pytest.mark.parametrize("name", ["index.html", "all.html", "corrections.html"])
def test_pages_are_valid_html(made: Path, name: str) -> None:
    """html5lib's strict parser, after the WHATWG parsing rules."""
    html5lib.HTMLParser(strict=True).parse((made / "site" / name).read_text(encoding="utf-8"))


def test_names_from_outside_cannot_leave_their_place_in_page_script_or_feed() -> None:
    from earwitness.publish.site.index import all_html, index_html

    evil = card(1, title="</script><script>alert(1)</script>\u2028 & \x01", summary="<b>\x00")
    for text in (index_html([evil], title="T", base_url=""), all_html([evil], title="T")):
        html5lib.HTMLParser(strict=True).parse(text)
        assert "<script>alert" not in text
    script = index_js([evil], title="T")
    assert "</script" not in script
    assert "\u2028" not in script
    assert json.loads(script.removeprefix("const earwitnessSite = ").rstrip(";\n"))["rows"][0][1] == evil.title
    ET.fromstring(atom_feed([evil], title="T", base_url="", author="A"))


def test_the_feed_has_what_rfc_4287_requires(made: Path) -> None:
    """RFC 4287: 4.1.1 (feed: one id, title, updated; author), 4.1.2 (entry: one id, title, updated; alternate link or
    content; summary), 3.3 (dates of RFC 3339), 4.2.6 (ids are IRIs, each its own)."""
    feed = ET.fromstring((made / "site" / "feed.xml").read_bytes())
    assert feed.tag == f"{{{ATOM}}}feed"
    entries = feed.findall("a:entry", NAMES)
    assert len(entries) == COUNT
    for one in (feed, *entries):
        for name in ("id", "title", "updated"):
            assert len(one.findall(f"a:{name}", NAMES)) == 1
        when = datetime.fromisoformat(one.findtext("a:updated", namespaces=NAMES) or "")
        assert when.tzinfo is not None
    assert feed.findtext("a:author/a:name", namespaces=NAMES)
    assert [link.get("href") for link in feed.findall("a:link[@rel='self']", NAMES)] == [
        "https://example.org/ls/feed.xml"
    ]
    ids = [one.findtext("a:id", namespaces=NAMES) or "" for one in (feed, *entries)]
    assert len(set(ids)) == COUNT + 1
    assert all(found.startswith("urn:uuid:") for found in ids)
    for entry in entries:
        (link,) = entry.findall("a:link[@rel='alternate']", NAMES)
        page = (link.get("href") or "").removeprefix("https://example.org/ls/")
        assert (made / "site" / page).is_file()
        assert entry.findtext("a:summary", namespaces=NAMES)


def test_ids_of_the_feed_stay_when_the_site_moves_and_the_newest_come_first() -> None:
    def ids(base_url: str) -> list[str]:
        feed = ET.fromstring(atom_feed([card(n) for n in (2, 9, 5)], title="T", base_url=base_url, author="A"))
        assert feed.findtext("a:updated", namespaces=NAMES) == "2026-01-09T00:00:00+00:00"
        assert [e.findtext("a:title", namespaces=NAMES) for e in feed.findall("a:entry", NAMES)] == [
            "Maker N9",
            "Maker N5",
            "Maker N2",
        ]
        return [e.findtext("a:id", namespaces=NAMES) or "" for e in feed.findall("a:entry", NAMES)]

    assert ids("") == ids("https://example.org/")


def test_addresses_are_never_given_twice() -> None:
    assert address_of("Größe & Co. 3", ()) == "gr-e-co-3"
    assert address_of("A b", ("a-b", "a-b-2")) == "a-b-3"
    assert address_of("///", ()) == "loudspeaker"


def test_the_record_comes_back_as_it_was_and_rubbish_is_refused() -> None:
    cards = (card(1), card(2, price=None, currency=None))
    assert cards_from(site_json(cards, title="T", base_url=""), where="x") == cards
    for text in ("", "{}", '{"format": 9, "loudspeakers": []}', '{"format": 1, "loudspeakers": [{"a": 1}]}'):
        with pytest.raises(FormatError, match="record of the site"):
            cards_from(text, where="x")


def test_the_grid_of_the_index_has_twelve_an_octave_through_1_khz() -> None:
    hz = grid_hz()
    assert hz[1:] / hz[:-1] == pytest.approx(2 ** (1 / 12))
    assert np.isclose(hz, 1000.0).any()
    assert hz[0] >= 20.0
    assert hz[-1] <= 20_000.0


def test_nothing_foreign_is_written_over(made: Path, tmp_path: Path) -> None:
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "letter.txt").write_text("x")
    with pytest.raises(OutputError, match="no site"):
        publish_site(tmp_path / "mine", made / "archive")
    with pytest.raises(InputError, match="no address"):
        publish_site(tmp_path / "new", made / "archive", base_url="ftp://example.org")


def test_the_feed_is_read_by_feedparser(made: Path) -> None:
    import feedparser

    found = feedparser.parse((made / "site" / "feed.xml").read_bytes())
    assert (found.bozo, found.version) == (False, "atom10")
    assert len(found.entries) == COUNT
    for entry in found.entries:
        assert entry.link.startswith("https://example.org/ls/loudspeakers/")
        assert entry.updated_parsed is not None
