"""The record of a site, and what bringing it up to date looks at."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import pytest

from earwitness.app import site as site_pages
from earwitness.errors import FormatError
from earwitness.publish.site.index import Card, cards_from, site_json

FIGURES = {"f6": (41.5, 40.25, 42.75, "Hz", "", "41.5 Hz"), "sensitivity": (87.1, 86.0, 88.2, "dB", ">=", "87 dB")}


def card(number: int) -> Card:
    return Card(
        address=f"a-{number}", name_key=f"maker\nname {number}", title=f"Maker “{number}” <b>", type="tower",
        price=None if number == 2 else 100.5 * number, currency="EUR", date="2026-01-01", revision="1",
        updated="2026-01-02T03:04:05+00:00", invented=number == 1, summary="short", made_from="0f",
        figures=dict(FIGURES),
    )  # fmt: skip


def test_the_record_holds_every_field_of_every_card_and_gives_them_back() -> None:
    cards = [card(number) for number in (1, 2, 3)]
    text = site_json(cards, title="Many", base_url="")
    # RFC 8259 has no tuples: what json makes of the standard library's own copy of a card is the same text.
    assert json.loads(text)["loudspeakers"] == json.loads(json.dumps([asdict(one) for one in cards]))
    assert list(json.loads(text)["loudspeakers"][0]) == list(asdict(cards[0]))
    assert cards_from(text, where="here") == tuple(cards)


def test_where_no_page_is_to_be_written_the_others_are_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def read(_folder: Path) -> None:
        raise AssertionError("the curves of all loudspeakers were read for nothing")

    monkeypatch.setattr(site_pages, "others_of", read)
    assert list(site_pages.written_pages([], tmp_path, workers=None)) == []


@pytest.mark.parametrize(
    ("key", "value"),
    [("figures", True), ("figures", {"f6": [1, 2]}), ("figures", {"f6": [1, 2, None, "Hz", "", "1 Hz"]}), ("title", 3),
     ("price", "1"), ("price", True), ("currency", 1), ("invented", "yes"), ("address", "../../elsewhere"),
     ("address", "a/b"), ("address", ""), ("address", "A"), ("made_from", None)],
)  # fmt: skip
def test_a_record_with_something_else_in_it_is_refused(key: str, value: object) -> None:
    """An address is a folder's name: one that leads out of the site would be written to."""
    document = json.loads(site_json([card(1)], title="t", base_url=""))
    document["loudspeakers"][0][key] = value
    with pytest.raises(FormatError, match="the record of the site cannot be read"):
        cards_from(json.dumps(document), where="site.json")


def test_a_record_nested_too_deeply_or_with_an_address_twice_is_refused() -> None:
    with pytest.raises(FormatError, match="cannot be read"):
        cards_from("[" * 200_000, where="site.json")
    with pytest.raises(FormatError, match="an address is there twice"):
        cards_from(site_json([card(1), card(1)], title="t", base_url=""), where="site.json")
