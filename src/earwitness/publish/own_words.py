"""The tester's own words: Markdown in, harmless HTML and plain sentences out.

One Markdown file with a heading for each part. HTML in it is shown as text, never run; what the Markdown makes passes
a sanitizer besides.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from earwitness.errors import InputError
from earwitness.files.data import table_of
from earwitness.quantities import Locked

PARTS: Final[dict[str, str]] = {key: title for key, (title, _) in table_of("publish", "review")["own_words"].items()}
_HEADING: Final = re.compile(r"^##[ \t]+(.+?)[ \t#]*$", re.MULTILINE)
_TOP_HEADING: Final = re.compile(r"^#{1,2}[ \t]+", re.MULTILINE)
_REMARK: Final = re.compile(r"<!--.*?-->", re.DOTALL)
_TAGS: Final = {"p", "em", "strong", "ul", "ol", "li", "a", "blockquote", "code", "pre", "br", "hr", "h4", "h5", "h6"}
_LIFTED: Final = {"h1": "h4", "h2": "h4", "h3": "h4"}


@dataclass(frozen=True, slots=True)
class OwnWords(Locked):
    """markdown : the file as it was written; parts : Markdown by key of PARTS, only those with words in them."""

    markdown: str = ""
    parts: Mapping[str, str] = field(default_factory=dict, compare=False)

    @property
    def is_empty(self) -> bool:
        return not self.parts

    def html(self, key: str) -> str:
        """One part as sanitized HTML, "" where it has no words."""
        return sanitized_html(self.parts[key]) if key in self.parts else ""

    def plain(self, key: str) -> tuple[str, ...]:
        """One part as paragraphs of plain text, for paper and speech."""
        return plain_paragraphs(self.parts[key]) if key in self.parts else ()


def own_words_of(markdown: str, *, where: str = "") -> OwnWords:
    """The parts of a file. Remarks (<!-- -->) and hints of the template are no words.

    Raises InputError for a heading that is no part, or one that stands twice.
    """
    text = markdown.replace("\r\n", "\n").replace("\r", "\n")
    clean = _REMARK.sub("", text)
    names = {title.casefold(): key for key, title in PARTS.items()}
    pieces, listed = _HEADING.split(clean), ", ".join(f"## {name}" for name in PARTS.values())
    if re.sub(r"^#[ \t].*$", "", pieces[0], flags=re.MULTILINE).strip():
        raise InputError.of("publish.words_before_heading", where=where, listed=listed)
    parts: dict[str, str] = {}
    for title, body in zip(pieces[1::2], pieces[2::2], strict=True):
        key = names.get(title.casefold())
        if key is None or key in parts:
            what = "is no part of the words on a loudspeaker" if key is None else "stands twice"
            raise InputError.of("publish.heading_unknown", where=where, title=title, what=what, listed=listed)
        parts[key] = body.strip()
    return OwnWords(text, {key: parts[key] for key in PARTS if parts.get(key)})


NO_WORDS: Final = OwnWords()


def markdown_of(title: str, parts: Mapping[str, str]) -> str:
    """A file from its parts by key of PARTS; headings inside a part become ### headings, which look the same."""
    lines = [f"# {title}", ""]
    for key, name in PARTS.items():
        body = _TOP_HEADING.sub("### ", parts.get(key, "").replace("\r\n", "\n").replace("\r", "\n")).strip()
        if body:
            lines += [f"## {name}", "", body, ""]
    return "\n".join(lines)


def template(title: str) -> str:
    """A file to be filled in. title : of the loudspeaker."""
    lines = [f"# {title}", "", "<!-- Your own words, in Markdown. A part without words is not shown. -->", ""]
    for name, hint in table_of("publish", "review")["own_words"].values():
        lines += [f"## {name}", "", f"<!-- {hint} -->", ""]
    return "\n".join(lines)


def sanitized_html(markdown: str) -> str:
    """Markdown (CommonMark) as HTML with a few tags, links to http, https and mail only, and no picture or script."""
    import nh3
    from markdown_it import MarkdownIt

    made = str(MarkdownIt("commonmark", {"html": False}).render(markdown))
    for had, has in _LIFTED.items():
        made = made.replace(f"<{had}>", f"<{has}>").replace(f"</{had}>", f"</{has}>")
    return nh3.clean(
        made,
        tags=_TAGS,
        attributes={"a": {"href", "title"}},
        url_schemes={"http", "https", "mailto"},
        link_rel="noopener noreferrer nofollow",
    )


def plain_paragraphs(markdown: str) -> tuple[str, ...]:
    """The words of Markdown without its marks, one string a paragraph or point of a list."""
    from markdown_it import MarkdownIt

    found = []
    for token in MarkdownIt("commonmark", {"html": False}).parse(markdown):
        if token.type == "inline":
            words = "".join(_text(child.type, child.content) for child in token.children or ())
        elif token.type in ("fence", "code_block"):
            words = token.content
        else:
            continue
        words = " ".join(words.split())
        if words:
            found.append(words)
    return tuple(found)


def _text(kind: str, content: str) -> str:
    return " " if kind in ("softbreak", "hardbreak") else content if kind in ("text", "code_inline", "image") else ""
