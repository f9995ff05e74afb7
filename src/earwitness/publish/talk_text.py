"""The text of a talk as blocks with keys, and what it is to bring two edits of it together."""

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from earwitness.errors import FormatError

_MARK: Final = re.compile(r"^<!-- block: ([a-z0-9_.-]+) -->[ \t]*$", re.MULTILINE)
_CHECK: Final = re.compile(r"^> Check: “(.+)” is now “(.+)”\.$", re.MULTILINE)
# Words that stay one: a value and its unit are joined by no-break spaces, which are no separators here.
_WORDS: Final = re.compile(r"[^ \t\n]+")
_DIGIT: Final = re.compile(r"\d")
_GONE: Final = "> Check: this part is no longer in the review; its numbers were not renewed."


@dataclass(frozen=True, slots=True)
class Changed:
    """A number that is another now. block : key of its block; before, now : as printed;
    in_edit : the block was edited by the tester, so the number was pointed out and not replaced."""

    block: str
    before: str
    now: str
    in_edit: bool


@dataclass(frozen=True, slots=True)
class Merged:
    """text : the talk with the tester's edits kept; changed : numbers that changed;
    kept : keys of blocks that are the tester's; left_out : keys of blocks the tester took out."""

    text: str
    changed: tuple[Changed, ...]
    kept: tuple[str, ...]
    left_out: tuple[str, ...]


def joined(blocks: Mapping[str, str]) -> str:
    """The document of blocks, each under its mark; what stands under "" comes first, without a mark."""
    parts = [(f"<!-- block: {key} -->\n" if key else "") + body.strip() for key, body in blocks.items()]
    return "\n\n".join(part for part in parts if part) + "\n"


def parted(text: str, *, where: str = "talk") -> dict[str, str]:
    """The blocks of a document by key, in their order. Raises FormatError where a mark stands twice."""
    text = text.replace("\r\n", "\n").removeprefix("\N{ZERO WIDTH NO-BREAK SPACE}")
    pieces = _MARK.split(text)
    blocks = {"": pieces[0].strip()} if pieces[0].strip() else {}
    for key, body in zip(pieces[1::2], pieces[2::2], strict=True):
        if key in blocks:
            raise FormatError.of("publish.block_twice", where=where, key=key)
        blocks[key] = body.strip()
    return blocks


def merged(base: str, edited: str, fresh: str, *, where: str = "talk") -> Merged:
    """Bring together what was generated last time, what the tester made of it, and what is generated now.

    A block the tester left alone is renewed. An edited one is kept; where the numbers under it changed, lines that
    start with "> Check:" behind it say which. Blocks the tester took out stay out, added words and order stay, new
    exhibits come in behind the one they follow. Raises FormatError where a mark stands twice.
    """
    old, mine, new = (parted(text, where=where) for text in (base, edited, fresh))
    out: dict[str, str] = {}
    changed: list[Changed] = []
    kept: list[str] = []
    for key, body in mine.items():
        edited_here = _same(body) not in (_same(old.get(key, "")), _same(new.get(key, "")))
        if key not in new:
            if edited_here or key not in old:
                out[key] = body if key not in old or _GONE in body else f"{body}\n\n{_GONE}"
                kept.append(key)
            continue
        numbers = changed_numbers(old[key], new[key]) if key in old else ()
        changed += [Changed(key, before, now, edited_here) for before, now in numbers]
        out[key] = _pointed_out(body, numbers) if edited_here else new[key]
        if edited_here:
            kept.append(key)
    left_out = tuple(key for key in new if key in old and key not in mine)
    _add_new(out, new, known={*old, *mine})
    return Merged(joined(out), tuple(changed), tuple(kept), left_out)


def changed_numbers(before: str, now: str) -> tuple[tuple[str, str], ...]:
    """Pairs of words with digits that changed from one generated text to the next, in order, none twice."""
    old, new = _WORDS.findall(before), _WORDS.findall(now)
    pairs: list[tuple[str, str]] = []
    for kind, a, b, c, d in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if kind != "replace":
            continue
        gone, come = " ".join(old[a:b]), " ".join(new[c:d])
        if b - a == d - c:
            pairs += zip(old[a:b], new[c:d], strict=True)
        else:
            pairs.append((gone, come))
    bare = [(before.strip(".,;:"), now.strip(".,;:")) for before, now in pairs if _DIGIT.search(before + now)]
    return tuple(dict.fromkeys((before, now) for before, now in bare if before and now and before != now))


def _pointed_out(body: str, numbers: Sequence[tuple[str, str]]) -> str:
    """The tester's words with a line for every changed number behind them; an older line is brought up to date."""
    pending = dict(_CHECK.findall(body))
    if not numbers:
        return body
    words = _CHECK.sub("", body).rstrip()
    for before, now in numbers:
        first = next((first for first, last in pending.items() if last == before), before)
        pending[first] = now
    lines = [f"> Check: “{before}” is now “{now}”." for before, now in pending.items() if before != now]
    return "\n\n".join([words, "\n".join(lines)]) if lines else words


def _add_new(out: dict[str, str], new: Mapping[str, str], *, known: set[str]) -> None:
    """Put blocks that are new into `out`, each behind the one before it in `new`."""
    order, before = list(out), ""
    for key in new:
        if key not in known:
            order.insert(order.index(before) + 1 if before in order else len(order), key)
        if key in order:
            before = key
    bodies = {**new, **out}
    out.clear()
    out.update({key: bodies[key] for key in order})


def _same(body: str) -> str:
    """A body without what an editor changes by itself: spaces at line ends, empty lines at the edges."""
    return "\n".join(line.rstrip() for line in body.strip().splitlines())
