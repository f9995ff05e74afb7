"""Damage to bytes and to text, drawn from a given random source: the same source gives the same damage."""

from __future__ import annotations

import random
import re
import struct
from collections.abc import Callable

from earwitness.errors import EarwitnessError

BAD_NUMBERS = (
    *("nan", "-nan", "inf", "-inf", "+Infinity", "1e999", "-1e999", "1e308", "-1e308", "1e-320", "5e-324", "0", "-0.0"),
    *(
        "4294967295",
        "4294967296",
        "2147483648",
        "-2147483649",
        "9223372036854775808",
        "1e16",
        "0.1e-9",
        "1_000",
        "1__0",
    ),
    *("0x" + "f" * 6000, "9" * 4000, "9" * 5000, "1." + "0" * 5000 + "1", "0b1", "0o7", "1e", ".", "+", "--1", "1,5"),
    *("1.5.2", "٣", "１２", "²", "½", "1 000", "'1'", "true", "1979-05-27", "0000-00-00", "07:32:00", "1e5e5", "e5"),
)
BAD_TEXTS = (
    *(
        "\0",
        "\ufeff",
        "\u202e",
        "\u2028",
        "\x85",
        "\x0b",
        "\x1c",
        "\r",
        "\r\n",
        "\n\n",
        "\t",
        "\x7f",
        "\x1b[2J",
        "\u200b",
    ),
    *("é", "e\u0301", "ﬁ", "ß", "İ", "\U0001f600", "\U0010ffff", "\ud7ff", "\ue000", "", '"', "'", '"""', "'''", "\\"),
    *(
        "[",
        "]",
        "{",
        "}",
        "[[",
        "]]",
        "=",
        ".",
        ",",
        ";",
        "#",
        ":",
        "/",
        "../",
        "/etc/passwd",
        "~",
        "NUL",
        "%00",
        "${x}",
    ),
    *(
        "{angle}",
        "{point}",
        "{angle}{angle}",
        "x" * 500,
        "\\u0000",
        "\\uD800",
        "\\x",
        "-",
        "—",
        "−",
        "＋",
        "nan",
        "None",
    ),
)
BAD_INTEGERS = (
    0,
    1,
    2,
    3,
    7,
    8,
    0x7F,
    0x80,
    0xFF,
    0x7FFF,
    0x8000,
    0xFFFF,
    2**31 - 1,
    2**31,
    2**32 - 1,
    2**63,
    2**64 - 1,
)
NUMBER = re.compile(r"[+-]?\d[\d._]*(?:[eE][+-]?\d+)?")
_LONGEST = 6 * 2**20


def need_words(error: EarwitnessError) -> None:
    """A refusal says what is wrong, and is not the program's own inside."""
    assert error.what.strip()
    assert "Traceback" not in str(error)


def damaged_bytes(data: bytes, draw: random.Random) -> bytes:
    """`data` with one to four faults: flips, integers, cuts, repeats, strange bytes."""
    found = bytearray(data)
    for _ in range(draw.choice((1, 1, 1, 2, 4))):
        draw.choice(_BYTE_FAULTS)(found, draw)
    return bytes(found)


def _flip(data: bytearray, draw: random.Random) -> None:
    for _ in range(draw.choice((1, 1, 2, 8, 64))):
        if data:
            data[_place(data, draw)] ^= 1 << draw.randrange(8)


def _integer(data: bytearray, draw: random.Random) -> None:
    value, code = draw.choice(BAD_INTEGERS), draw.choice(("<B", "<H", "<I", "<Q", ">H", ">I", ">Q"))
    raw = struct.pack(code, value % 2 ** (8 * struct.calcsize(code)))
    at = _place(data, draw)
    data[at : at + len(raw)] = raw


def _cut(data: bytearray, draw: random.Random) -> None:
    del data[_place(data, draw) :]


def _lose(data: bytearray, draw: random.Random) -> None:
    at = _place(data, draw)
    del data[at : at + draw.choice((1, 2, 4, 16, 200))]


def _repeat(data: bytearray, draw: random.Random) -> None:
    at = _place(data, draw)
    piece = bytes(data[at : at + draw.choice((1, 4, 32, 400))])
    data[at:at] = piece * draw.choice((1, 2, 30))


def _noise(data: bytearray, draw: random.Random) -> None:
    at = _place(data, draw)
    data[at : at + draw.choice((0, 1, 16))] = draw.randbytes(draw.choice((1, 4, 16, 100)))


def _fill(data: bytearray, draw: random.Random) -> None:
    at, length = _place(data, draw), draw.choice((4, 16, 64, 512))
    data[at : at + length] = bytes([draw.choice((0, 0xFF, 0x20, 0x80))]) * length


def _move(data: bytearray, draw: random.Random) -> None:
    at, to, length = _place(data, draw), _place(data, draw), draw.choice((1, 8, 64))
    piece = data[at : at + length]
    data[to : to + len(piece)] = piece


_BYTE_FAULTS: tuple[Callable[[bytearray, random.Random], None], ...] = (
    _flip,
    _flip,
    _integer,
    _integer,
    _cut,
    _lose,
    _repeat,
    _noise,
    _fill,
    _move,
)


def _place(data: bytearray, draw: random.Random) -> int:
    """Half of all faults lie in the first kilobyte, where the headers are."""
    length = min(len(data), 1024) if draw.random() < 0.5 else len(data)
    return draw.randrange(length) if length else 0


def damaged_text(text: str, draw: random.Random, words: tuple[str, ...] = ()) -> str:
    """`text` with one to five faults in its numbers, lines, words and signs. words : to swap in, such as known keys."""
    for _ in range(draw.choice((1, 1, 1, 2, 3, 5))):
        text = draw.choice(_TEXT_FAULTS)(text, draw, words)[:_LONGEST]
    return text


def encoded(text: str, draw: random.Random) -> bytes:
    """`text` as bytes: UTF-8 as a rule, now and then in another encoding or with bytes damaged as well."""
    kind = draw.random()
    if kind < 0.85:
        return text.encode("utf-8", "replace")
    if kind < 0.95:
        return damaged_bytes(text.encode("utf-8", "replace"), draw)
    return text.encode(draw.choice(("utf-16", "utf-8-sig", "latin-1", "utf-32", "utf-16-be")), "replace")


def _number(text: str, draw: random.Random, _words: tuple[str, ...]) -> str:
    hits = list(NUMBER.finditer(text))
    if not hits:
        return text
    hit = draw.choice(hits)
    return text[: hit.start()] + draw.choice(BAD_NUMBERS) + text[hit.end() :]


def _digit(text: str, draw: random.Random, _words: tuple[str, ...]) -> str:
    hits = list(NUMBER.finditer(text))
    if not hits:
        return text
    hit = draw.choice(hits)
    return text[: hit.start()] + repr(draw.uniform(-1, 1) * 10.0 ** draw.randint(-6, 9)) + text[hit.end() :]


def _sign(text: str, draw: random.Random, _words: tuple[str, ...]) -> str:
    at = draw.randrange(len(text) + 1)
    return text[:at] + draw.choice(BAD_TEXTS) + text[at + draw.choice((0, 0, 1, 3)) :]


def _lines(text: str, draw: random.Random, _words: tuple[str, ...]) -> str:
    lines = text.split("\n")
    at, to = draw.randrange(len(lines)), draw.randrange(len(lines))
    count = draw.choice((1, 1, 2, 5))
    kind = draw.randrange(4)
    if kind == 0:
        lines[to:to] = lines[at : at + count]
    elif kind == 1:
        del lines[at : at + count]
    elif kind == 2:
        lines[at], lines[to] = lines[to], lines[at]
    else:
        lines[at:at] = lines[at : at + count] * draw.choice((2, 10, 100))
    return "\n".join(lines)


def _word(text: str, draw: random.Random, words: tuple[str, ...]) -> str:
    hits = list(re.finditer(r"[A-Za-z_]{2,}", text))
    if not hits:
        return text
    hit = draw.choice(hits)
    new = draw.choice(words) if words and draw.random() < 0.7 else draw.choice((*BAD_TEXTS, draw.choice(hits)[0]))
    return text[: hit.start()] + new + text[hit.end() :]


def _value(text: str, draw: random.Random, words: tuple[str, ...]) -> str:
    """What stands behind an equals sign or between two separators becomes another kind of value."""
    hits = list(re.finditer(r"(?<==)[^\n]*|(?<=[,;\t])[^,;\t\n]*", text))
    if not hits:
        return text
    hit = draw.choice(hits)
    new = draw.choice(
        (
            *(
                '""',
                "[]",
                "{}",
                "[[]]",
                "true",
                "1",
                "-1",
                "0.0",
                "nan",
                "inf",
                "1979-05-27T07:32:00Z",
                "'a'",
                '"\\u0000"',
            ),
            *(
                '"' + "y" * 5000 + '"',
                "{a = 1}",
                "[1, [2, [3]]]",
                '["a", 1]',
                "[{}]",
                "0x" + "f" * 6000,
                "1e400",
                '"."',
            ),
            *('"../x"', '"/"', '"' + "a/" * 3000 + '"', "[0.0, 0.1]", "[nan, inf, 0]", "[1, 2, 3, 4]", '"{angle}"'),
            *(draw.choice(BAD_NUMBERS), '"' + draw.choice(words or ("w",)) + '"'),
        )
    )
    return text[: hit.start()] + " " + new + text[hit.end() :]


def _many(text: str, draw: random.Random, words: tuple[str, ...]) -> str:
    """Rarely, as they are slow: much of one thing."""
    if draw.random() > 0.06:
        return _number(text, draw, words)
    count = draw.choice((100, 2_000, 50_000, 400_000))
    piece = draw.choice(
        (" ", "\t", "\n", "\r", "[", "{a=", "a.", '"', "#", ",", ";", "1 ", "1,", "0", "é", "(", "\\", "[[a]]\n")
    )
    at = draw.randrange(len(text) + 1)
    return text[:at] + piece * count + text[at:]


def _cut_text(text: str, draw: random.Random, _words: tuple[str, ...]) -> str:
    at = draw.randrange(len(text) + 1)
    return text[:at] if draw.random() < 0.7 else text[at:]


def _separators(text: str, draw: random.Random, _words: tuple[str, ...]) -> str:
    signs = (",", ";", "\t", " ", "\n", ".", "=", "\r\n", "\r", "\x85", "\u2028", ", ", "|")
    return text.replace(draw.choice(signs[:7]), draw.choice(signs), draw.choice((1, 3, -1)))


_TEXT_FAULTS: tuple[Callable[[str, random.Random, tuple[str, ...]], str], ...] = (
    _number,
    _number,
    _number,
    _digit,
    _digit,
    _sign,
    _sign,
    _lines,
    _lines,
    _word,
    _word,
    _value,
    _value,
    _value,
    _many,
    _cut_text,
    _separators,
)
