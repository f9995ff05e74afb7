"""The page of a loudspeaker that was measured more than once: what was planted between its sessions is shown.

Source: the demo world's own settings (demo/lineup.py): a tweeter 1.5 dB down before the repair, a preset that is a
shelf of 1.2 dB, a second unit whose parts differ.
"""

from __future__ import annotations

import csv
import json
import re
import shutil
import zipfile
from pathlib import Path

import pytest

from earwitness.app.compare import family_of
from earwitness.app.publish import Products, arrange_by_name, publish_review
from earwitness.app.read import read_loudspeaker
from earwitness.app.site import publish_site
from earwitness.archive.catalogue import Archive
from earwitness.demo.lineup import FAULT_DB, PRESET_DB
from made_once import MadeOnce

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def family(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return shutil.copytree(made_once.family(), tmp_path_factory.mktemp("family") / "archive")


@pytest.fixture(scope="module")
def page(family: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("page") / "page"
    publish_review("thimble", place, family, products=Products(talk=True, license="CC0-1.0"))
    return place


def at(rows: list[dict[str, str]], key: str, hz: float) -> tuple[float, float]:
    row = min(rows, key=lambda one: abs(float(one["frequency_hz"]) - hz))
    return float(row[f"{key}_dB"]), float(row[f"{key}_u"])


def numbers(page: Path, name: str) -> str:
    """A table of the numbers that stand beside a page."""
    with zipfile.ZipFile(page / "downloads/numbers.zip") as data:
        return data.read(next(one for one in data.namelist() if one.endswith(name))).decode()


def differences(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(line for line in text.splitlines() if not line.startswith(('"#', "#"))))


def test_page_and_data_set_show_what_was_planted(page: Path) -> None:
    text = re.sub(r"\s+", " ", (page / "index.html").read_text(encoding="utf-8"))
    for words in (
        'Measured on <time datetime="2026-03-02">2026-03-02</time>, unit A 0112, preset treble flat, revision 1',
        "Second sample: unit B 0207",
        "Before and after",
        "Another variant: preset treble low",
        "Spread over units",
        "2 units (unit B 0207, unit A 0112)",
    ):
        assert words in text
    rows = differences(numbers(page, "differences.csv"))
    keys = {key.removesuffix("_dB") for key in rows[0] if key.endswith("_dB")}
    kinds = {key.split("-")[1]: key for key in keys}
    assert set(kinds) == {"sample", "repair", "variant"}
    for kind, planted in (("repair", -FAULT_DB), ("variant", PRESET_DB)):
        value, u = at(rows, kinds[kind], 10_000.0)
        assert abs(value - planted) < 3 * u
        assert 0.0 < u < 0.35
    with zipfile.ZipFile(next((page.parent / "page-material").glob("*.zip"))) as data:
        name = next(one for one in data.namelist() if one.endswith("differences.csv"))
        assert differences(data.read(name).decode()) == rows
        meta = json.loads(data.read(next(one for one in data.namelist() if one.endswith("metadata.json"))))
    assert meta["state"] == "unit A 0112, preset treble flat"
    assert set(meta["also_measured"]) == {"unit B 0207", "preset treble low", "before repair (2026-02-09)"}
    talk = (page.parent / "page-material/talk.md").read_text(encoding="utf-8")
    told = talk[talk.index("Measured again\n") :]
    repair, variant = (re.search(rf"{words} it is (\w+) by about ([\d.]+) decibels?", told) for words in (
        "After the repair, against before: on axis", "In its other state, against this one: on axis"
    ))  # fmt: skip
    # Sizes are said to half a decibel.
    assert repair is not None
    assert (repair[1], abs(float(repair[2]) + FAULT_DB) <= 0.5) == ("higher", True)
    assert variant is not None
    assert (variant[1], abs(float(variant[2]) + PRESET_DB) <= 0.5) == ("lower", True)


def test_directions_of_the_sentences(family: Path) -> None:
    """After the repair the treble is higher than before; the preset is lower than the flat one."""
    found = family_of(read_loudspeaker("thimble", family), family)
    assert found is not None
    told = {one.kind: one.change for one in found.relatives}
    assert [part.level_db > 0 for part in told["repair"].parts] == [True]
    assert [part.level_db > 0 for part in told["variant"].parts] == [False]
    assert told["repair"].sentence.startswith("The session of 2026-03-02 against before repair (2026-02-09), on axis: ")
    assert found.absent == ()
    # Seen from the session before the repair, the same pair is told in the same direction.
    other = family_of(read_loudspeaker("thimble @ variant before repair", family), family)
    assert other is not None
    assert told["repair"].sentence in {one.change.sentence for one in other.relatives}


def test_one_is_left_out_and_another_unit_is_a_correction(family: Path, page: Path, tmp_path: Path) -> None:
    family = shutil.copytree(family, tmp_path / "archive")
    page = shutil.copytree(page, tmp_path / "page")
    with Archive.open(family) as archive:
        number = next(one.id for one in archive.sessions_of(archive.find("thimble").id) if one.unit == "unit B 0207")
    arrange_by_name("thimble", family, exhibits=None, left_out=[f"again-sample-{number}"], captions={})
    publish_review("thimble @ unit B 0207", page, family)
    text = (page / "index.html").read_text(encoding="utf-8")
    assert "It is of unit B 0207, preset treble flat, measured on 2026-02-16 now; before, of unit A 0112" in text
    publish_review("thimble", page, family)

    assert f"again-sample-{number}" not in numbers(page, "differences.csv")
    assert "Second sample: unit B 0207: left out by the tester." in (page / "index.html").read_text(encoding="utf-8")


def test_a_site_has_one_row_and_follows_every_session(family: Path, tmp_path: Path) -> None:
    archive, site = shutil.copytree(family, tmp_path / "archive"), tmp_path / "site"
    assert len(publish_site(site, archive, workers=1).written) == 1
    assert publish_site(site, archive, workers=1).written == ()
    record = json.loads((site / "site.json").read_text(encoding="utf-8"))
    (row,) = record["loudspeakers"]
    assert row["measured"].startswith("unit A 0112, preset treble flat; also ")
    assert "unit B 0207" in (site / "index.html").read_text(encoding="utf-8")
    with Archive.open(archive) as opened:
        entry = opened.find("thimble")
        number = next(one.id for one in opened.sessions_of(entry.id) if one.variant == "preset treble low")
        opened.set_aside(number, "a slip")
    assert len(publish_site(site, archive, workers=1).written) == 1
    assert "treble low" not in (site / "index.html").read_text(encoding="utf-8")
