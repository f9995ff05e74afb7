"""The tester's own words: CommonMark in, nothing that runs or loads out."""

from __future__ import annotations

import html5lib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.errors import InputError
from earwitness.publish.own_words import PARTS, own_words_of, plain_paragraphs, sanitized_html, template

HOSTILE = [
    "<script>alert(1)</script>",
    "[click](javascript:alert(1))",
    "[click](data:text/html;base64,PHNjcmlwdD4=)",
    '<img src=x onerror="alert(1)">',
    "![dot](https://example.org/dot.png)",
    '[a](https://example.org/"onmouseover="alert(1))',
    "<style>body{display:none}</style>",
    "<iframe src=https://example.org></iframe>",
    "[x]: javascript:alert(1)\n[x]",
]
ALLOWED = {"html", "head", "body", "p", "em", "strong", "ul", "ol", "li", "a", "blockquote", "code", "pre", "br", "hr"}
ALLOWED |= {"h4", "h5", "h6"}


def elements(html: str) -> list[tuple[str, dict[str, str]]]:
    """Elements as html5lib, which parses as browsers do, finds them."""
    tree = html5lib.parse(f"<!doctype html><body>{html}", namespaceHTMLElements=False)
    return [(one.tag, dict(one.attrib)) for one in tree.iter() if isinstance(one.tag, str)]


def assert_harmless(html: str) -> None:
    for tag, attributes in elements(html):
        assert tag in ALLOWED
        assert set(attributes) <= ({"href", "title", "rel"} if tag == "a" else {"start"} if tag == "ol" else set())
        assert attributes.get("href", "https:").split(":")[0] in ("http", "https", "mailto") or tag != "a"


@pytest.mark.parametrize("text", HOSTILE)
def test_nothing_hostile_comes_through(text: str) -> None:
    assert_harmless(sanitized_html(text))


@given(st.text(alphabet=st.sampled_from(list("<>\"'&/=()[]!#*_`\n: ajsvcriptonerl")), max_size=80))
@settings(deadline=None, derandomize=True, max_examples=50)
def test_no_text_at_all_makes_more_than_the_allowed_elements(text: str) -> None:
    assert_harmless(sanitized_html(text))


def test_markdown_is_rendered_and_headings_stay_below_those_of_the_page() -> None:
    html = sanitized_html("# Big\n\n*Warm* and **clear**, see [there](https://example.org).\n\n- one\n- two")
    assert html.startswith("<h4>Big</h4>")
    assert "<em>Warm</em>" in html
    assert 'rel="noopener noreferrer nofollow"' in html
    assert html.count("<li>") == 2


def test_plain_paragraphs_hold_the_words_and_no_marks() -> None:
    assert plain_paragraphs("*Warm* and\n**clear** `x`.\n\n- one\n- [two](https://example.org)") == (
        "Warm and clear x.",
        "one",
        "two",
    )


def test_the_template_has_no_words_and_every_part_is_read_back() -> None:
    empty = template("Maker Name")
    assert own_words_of(empty).is_empty
    text = empty.replace("## Likes\n", "## Likes\n\n- Bass\n").replace("## Verdict\n", "## verdict\r\nGood.\n")
    found = own_words_of(text)
    assert dict(found.parts) == {"verdict": "Good.", "likes": "- Bass"}
    assert list(found.parts) == [key for key in PARTS if key in found.parts]
    assert found.html("dislikes") == ""


@pytest.mark.parametrize("text", ["## Verdikt\nx", "## Likes\na\n## likes\nb", "lost words\n## Likes\na"])
def test_words_that_would_be_lost_are_refused(text: str) -> None:
    with pytest.raises(InputError) as told:
        own_words_of(text, where="words.md")
    assert "## Verdict" in told.value.expected
