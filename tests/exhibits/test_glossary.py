"""Every title, axis, curve and region of the demo's pages stands in the glossary, every figure in the registry."""

from __future__ import annotations

import re
import shutil
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

from earwitness.app.advice import advice_on
from earwitness.app.listen import seal_sheet
from earwitness.app.publish import review_for
from earwitness.app.read import read_loudspeaker
from earwitness.demo.rig import SEALED_AT, write_sheet
from earwitness.exhibits.chart import Chart
from earwitness.figures.registry import info_of
from earwitness.publish.review import Review
from made_once import QUICK_KEYS, MadeOnce

GLOSSARY = tomllib.loads((files("earwitness.exhibits") / "glossary.toml").read_text(encoding="utf-8"))
# Values with their units, which are no words of the glossary.
VALUE = re.compile(r"[−+]?\d[\d.,]*[\s\xa0]?(?:dB|V|Hz|kHz|s|ms|Ω|°|%|m)?(?![\w.])")
# From a list of what the program may not say to its readers: words that trade terms replace.
REPLACED = (
    "hollow", "stands out", "straight ahead", "how loud", "many tones", "loss by heat", "bass tone and a treble",
    "close up", "width of the sound", "less loud", "how much less",
)  # fmt: skip


@pytest.fixture(scope="module", params=QUICK_KEYS)
def review(request: pytest.FixtureRequest, made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Review:
    folder: Path = tmp_path_factory.mktemp("labels")
    shutil.copytree(made_once.archive(*QUICK_KEYS), folder / "archive")
    seal_sheet(write_sheet(request.param, folder / "notes"), folder / "archive", clock=lambda: SEALED_AT)
    result = read_loudspeaker(request.param, folder / "archive")
    return review_for(result, folder / "archive", advice=advice_on(result, folder / "archive"))[0]


def bare(label: str) -> str:
    """A label with its values as N and its unit's no-break spaces as spaces."""
    return VALUE.sub("N", label.replace("\xa0", " "))


def known(kind: str, label: str) -> bool:
    return label in GLOSSARY[kind] or bare(label) in GLOSSARY[kind]


def unknown_labels(review: Review) -> list[tuple[str, str]]:
    drivers = {driver.name for driver in review.loudspeaker.drivers} | {"port"}
    found = [("titles", exhibit.title) for exhibit in review.exhibits]
    for panel in (panel for exhibit in review.exhibits if isinstance(exhibit, Chart) for panel in exhibit.panels):
        found.append(("axes", panel.label))
        found += [("curves", trace.label) for trace in panel.traces if trace.label and trace.label not in drivers]
        found += [("curves", edge.name) for edge in panel.map_edges]
        for region in panel.regions:
            words = f"REMARK:{region.label.partition(':')[2]}" if region.kind == "heard" else region.label
            found += [("regions", words)] if words else []
    return [(kind, label) for kind, label in found if not known(kind, label)]


def test_every_label_stands_in_the_glossary(review: Review) -> None:
    assert unknown_labels(review) == []


def test_every_figure_stands_in_the_registry(review: Review) -> None:
    for key in review.reading.figures:
        assert info_of(key) is not None, key


def test_no_label_says_what_a_trade_term_replaces(review: Review) -> None:
    spoken = [exhibit.title for exhibit in review.exhibits] + [row[0] for row in review.figures.rows]
    spoken += [exhibit.subtitle for exhibit in review.exhibits if isinstance(exhibit, Chart)]
    spoken += [f"{headline.words} {headline.term}" for headline in review.headlines]
    for label in spoken:
        assert not [words for words in REPLACED if words in label.casefold()], label


TEMPLATES = (
    *(f"publish/site/{name}" for name in ("page.html", "index.html.jinja", "all.html.jinja", "corrections.html.jinja")),
    *("publish/site/comparison.html.jinja", "bench/templates/present.html.jinja"),
    "bench/templates/present_notes.html.jinja",
)
# A heading, label, choice or button up to its end, or to the field that it stands before.
SPOKEN = re.compile(
    r"<(h[1-6]|summary|label|button|th|dt|option)\b[^>]*>(.*?)(?=<(?:/\1|select|input|textarea|button|h2)\b|$)",
    re.DOTALL,
)


@pytest.mark.parametrize("template", TEMPLATES)
def test_every_heading_and_label_of_a_template_stands_in_the_glossary(template: str) -> None:
    text = (files("earwitness") / template).read_text(encoding="utf-8")
    found = {headed(words) for _, words in SPOKEN.findall(text)} - {""}
    assert found
    assert {words for words in found if words not in GLOSSARY["headings"]} == set()


def headed(markup: str) -> str:
    """Words of a piece of a template, what is filled in as N; "" where nothing else stands."""
    bare = re.sub(r"<[^>]+>|\{%.*?%\}", "", markup)
    words = " ".join(re.sub(r"(\{\{.*?\}\}\s*)+", "N", bare).split())
    return "" if words == "N" else words


def test_a_label_of_nowhere_is_found() -> None:
    assert not known("titles", "How loud it plays")
    assert known("curves", "102\xa0dB")
    assert known("curves", "87\xa0dB to 93\xa0dB")
    assert not known("curves", "somewhat louder")
