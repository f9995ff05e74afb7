"""A page that says how a loudspeaker stands among others: right by other means, without opening anybody's data."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import html5lib
import numpy as np
import pytest
from scipy.stats import percentileofscore, rankdata

from earwitness.app.add import add_catalogue
from earwitness.app.compare import compare_with_peers, others_of
from earwitness.app.publish import Products, publish_review
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.app.settings import Chosen, keep_choice
from earwitness.app.site import publish_site
from earwitness.archive.catalogue import Archive
from earwitness.archive.notes import opening, record_opening
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.compare import RANKED, PeerComparison, beside_exhibits
from earwitness.insight.compare import BALANCE
from made_once import MadeOnce

COUNT = 12


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("beside") / "archive"
    add_catalogue(folder, count=COUNT)
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "archive"))


@pytest.fixture
def few(made_once: MadeOnce, tmp_path: Path) -> Path:
    """An archive of three."""
    return Path(shutil.copytree(made_once.catalogue(3), tmp_path / "few"))


def of_one_type(folder: Path) -> list[str]:
    """Names of the most frequent type."""
    with Archive.open(folder) as archive:
        by_type: dict[str, list[str]] = {}
        for one in archive.loudspeakers():
            (session,) = archive.sessions_of(one.id)
            by_type.setdefault(archive.session(session.id).loudspeaker.type, []).append(one.name)
    return max(by_type.values(), key=len)


def opened(folder: Path, names: list[str]) -> None:
    with Archive.open(folder) as archive:
        for name in names:
            one = archive.find(name)
            record_opening(archive, name=one.name, maker=one.maker)


def placed(folder: Path, name: str) -> tuple[ReadResult, PeerComparison]:
    result = read_loudspeaker(name, folder)
    found = compare_with_peers(result, folder)
    assert found is not None
    return result, found


def test_rank_percentile_and_distance_are_those_of_scipy_and_of_the_curves(folder: Path) -> None:
    names = of_one_type(folder)
    assert len(names) >= 3
    read = {name: read_loudspeaker(name, folder) for name in names}
    own, beside = placed(folder, names[0])
    (group, *_) = beside.groups
    assert group.others == len(names) - 1
    for found in group.standings:
        values = [one.reading.figures[found.key].value for one in read.values()]
        there = np.array([value for value in values if value is not None])
        value = own.reading.figures[found.key].value
        assert value is not None
        assert found.group == there.size
        assert found.rank == rankdata(-there, method="min")[there == value][0]
        assert found.percentile == pytest.approx(percentileofscore(there, value, kind="mean"))
    assert {one.key for one in group.standings} <= set(RANKED)
    # Root mean square over log frequency (the grid is even in it), level-matched from 300 Hz to 3 kHz.
    nearest = beside.alike[0].likeness
    other = next(r for r in read.values() if r.session.loudspeaker.title == nearest.title)
    curves = [r.reading.curves[BALANCE] for r in (own, other)]
    hz = curves[0].axis.hz
    match, shape = (hz >= 300) & (hz <= 3000), (hz >= 100) & (hz <= 16_000)
    apart = curves[0].values - curves[1].values
    apart = (apart - apart[match].mean())[shape & curves[0].valid & curves[1].valid]
    assert nearest.balance_db == pytest.approx(np.sqrt(np.mean(apart**2)), abs=0.02)


def test_data_that_were_never_opened_are_left_out_and_stay_so(folder: Path) -> None:
    names = of_one_type(folder)
    opened(folder, names[1:2])
    _, beside = placed(folder, names[0])
    assert beside.groups[0].others == 1
    assert beside.left_out == COUNT - 2
    publish_review(names[0], folder.parent / "page", folder)
    page = (folder.parent / "page" / "index.html").read_text(encoding="utf-8")
    assert f"without {COUNT - 2} whose data were not opened yet" in page
    with Archive.open(folder) as archive:
        shown = [one.name for one in archive.loudspeakers() if opening(archive, name=one.name, maker=one.maker)]
    assert sorted(shown) == sorted(names[:2])


def test_alone_there_is_no_section(folder: Path) -> None:
    names = of_one_type(folder)
    publish_review(names[0], folder.parent / "page", folder)
    assert 'id="beside"' not in (folder.parent / "page" / "index.html").read_text(encoding="utf-8")


def test_page_and_report_have_the_section_with_the_frontier_as_a_chart(folder: Path) -> None:
    names = of_one_type(folder)
    opened(folder, names)
    _, beside = placed(folder, names[0])
    # On the frontier: nothing that costs the same or less has more (Pareto), by hand.
    for offer in beside.offers:
        rivals = [o for o in beside.offers if o.key != offer.key and o.price <= offer.price]
        assert offer.on_frontier == all(o.value <= offer.value for o in rivals)
    exhibits = {one.key: one for one in beside_exhibits(beside) if one is not None}
    chart = exhibits["beside-price"]
    assert isinstance(chart, Chart)
    (panel,) = chart.panels
    assert [p.kind for p in panel.points].count("own") == 1
    assert all(chart.low_hz <= p.at <= chart.high_hz for p in panel.points)
    assert isinstance(exhibits["beside-rank"], Table)
    done = publish_review(names[0], folder.parent / "page", folder, products=Products(report="a4"))
    page = done.page.read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(page)
    for words in ('id="beside"', "Beside others", "Price against rating", 'class="point own"', "Place among others"):
        assert words in page
    assert done.files[0].is_file()


def test_a_site_shows_the_data_of_all_and_says_so_to_later_sheets(few: Path) -> None:
    publish_site(few.parent / "site", few, workers=1)
    with Archive.open(few) as archive:
        assert all(opening(archive, name=one.name, maker=one.maker) for one in archive.loudspeakers())


def test_pages_by_several_processes_are_those_of_one(few: Path) -> None:
    """Publications of the second run are those of the first, so that all bytes must agree; a SOFA file has its own
    time in it."""
    base = {"base_url": "https://example.org/"}
    publish_site(few.parent / "one", few, workers=1, **base)
    publish_site(few.parent / "two", few, workers=2, **base)
    found = []
    for name in ("one", "two"):
        place = few.parent / name
        found.append(
            {
                path.relative_to(place).as_posix(): path.read_bytes()
                for path in place.rglob("*")
                if path.is_file() and path.suffix not in (".sofa", ".zip")
            }
        )
    assert found[0].keys() == found[1].keys()
    assert [name for name in found[0] if found[0][name] != found[1][name]] == []


def test_a_choice_for_the_reduction_writes_the_page_anew(few: Path) -> None:
    place = few.parent / "site"
    publish_site(place, few, workers=1)
    assert publish_site(place, few).written == ()
    with Archive.open(few) as archive:
        one = archive.loudspeakers()[0]
        (session,) = archive.sessions_of(one.id)
    keep_choice(session.id, Chosen(gate_ms=5.0), few)
    assert publish_site(place, few).written == (one.name,)
    assert publish_site(place, few).written == ()


def test_the_index_holds_the_curves_to_the_seventh_digit(folder: Path) -> None:
    names = of_one_type(folder)
    opened(folder, names)
    result = read_loudspeaker(names[0], folder)
    kept = next(one for one in others_of(folder).known if one.loudspeaker_id == result.loudspeaker_id)
    for key, curve in kept.curves.items():
        real = result.reading.curves[key]
        assert np.array_equal(curve.valid, real.valid)
        np.testing.assert_allclose(curve.values[real.valid], real.values[real.valid], rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose(curve.u_total[real.valid], real.u_total[real.valid], rtol=1e-5)
    assert json.dumps(sorted(kept.curves)) == json.dumps(["listening_window", "sound_power_di"])
