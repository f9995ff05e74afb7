"""Text tables of numbers as programs and people write them: cells, blocks, titles and line numbers, no meaning yet.

Read alike: tab, semicolon, comma or blanks between columns; a decimal point or a decimal comma (never beside commas
between columns); quotes; UTF-8 with or without a byte-order mark, UTF-16 with one, Latin-1; LF, CRLF and CR; comment
lines; exponents written with E or D; empty fields. What can be read in two ways is refused with its line or marked
for a question, never guessed. The rules are this program's own choice; forms met in the field, no source.
"""

import io
import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from earwitness.errors import FormatError
from earwitness.quantities import FloatArray, IntArray, Locked

MAX_BYTES = 32 * 2**20
MAX_ROWS = 200_000
MAX_COLUMNS = 4_000
FEWEST_ROWS = 3
LARGEST_NUMBER = 1e12
_MARKS = "#;%*/!"

_COMMENT = re.compile(r"(#|;|%|\*|//|!)+\s*")
_NUMBER = re.compile(r"[+\-\u2212]?(\d+(\.\d*)?|\.\d+)([eEdD][+-]?\d{1,3})?", re.ASCII)
_COMMA_NUMBER = re.compile(r"[+\-\u2212]?(\d+(,\d*)?|,\d+)([eEdD][+-]?\d{1,3})?", re.ASCII)
_THOUSANDS = re.compile(r"[+\-\u2212]?\d{1,3}(,\d{3})+(\.\d*)?|[+\-\u2212]?\d{1,3}(\.\d{3})+(,\d*)?", re.ASCII)
_MISSING = frozenset({"", "-", "--", "nan", "n/a", "na", "null", "inf", "-inf", "+inf", "1.#inf", "-1.#ind"})
_SEPARATORS = (("tab", "\t"), ("semicolon", ";"), ("comma", ","), ("blanks", " "))
_NUMBER_KINDS = frozenset("nm")
_DIGIT = re.compile(r"\d")
_NO_PLAIN_NUMBER = re.compile(r"[^0-9eE+\-.,;\t \n]|, ?\t")
_MOST_TITLES = 50


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Block(Locked):
    """One run of rows with the text lines above it.

    titles : (line, text) of each title line, top to bottom; lines : (R,) line numbers, from 1
    values : (R, C), NaN where a field is empty or a column holds words; texts : (R,) words by column that holds words
    """

    titles: tuple[tuple[int, str], ...]
    lines: IntArray
    values: FloatArray
    texts: dict[int, tuple[str, ...]]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TextTable:
    """What stands in a text file of numbers.

    separator : "tab", "semicolon", "comma" or "blanks"; decimal : "." or ","
    thousands_line : first line whose numbers carry a thousands mark, 0 without one
    remarks : (line, text) of comment lines, without their mark
    """

    name: str
    separator: str
    decimal: str
    thousands_line: int
    blocks: tuple[Block, ...]
    remarks: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    text: str
    remark: bool


def read_table(path: Path) -> TextTable:
    """The table in the text file `path`. FormatError names file, line and remedy for what cannot be read."""
    return parse_table(text_of(path), name=str(path))


def text_of(path: Path, *, what: str = "table", most: int = MAX_BYTES, instead: str = "part it into several") -> str:
    """The text of a file, whatever its encoding. what : its name in messages; most : bytes, `instead` of more.

    FormatError for what is missing, too large or no text.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(most + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise FormatError.of("formats.text_not_opened", where=str(path), what=what, reason=reason) from None
    if len(raw) > most:
        raise FormatError.of("formats.text_too_large", where=str(path), what=what, most=most // 2**20, instead=instead)
    return decoded(raw, name=str(path))


def decoded(raw: bytes, *, name: str) -> str:
    """`raw` as text: UTF-16 by its mark, else UTF-8, else Latin-1. FormatError for what is no text."""
    try:
        wide = raw.startswith((b"\xff\xfe", b"\xfe\xff"))
        text = raw.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError:
        # Unit signs of old programs are Latin-1; numbers are ASCII in any case.
        text = raw.decode("latin-1")
    if "\0" in text:
        line = text[: text.index("\0")].count("\n") + 1
        raise refused("the file is not text", f"{name}, line {line}", "export the data as plain text")
    return text.removeprefix("\ufeff")


def parse_table(text: str, *, name: str, most_rows: int = MAX_ROWS) -> TextTable:
    """As `read_table`, from `text`; `name` stands for the file in messages."""
    rows = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    quick = _numbers_alone(rows, name, most_rows)
    if quick is not None:
        return quick
    lines = _lines(rows, most_rows)
    if len(lines) > most_rows:
        raise refused(f"the table has more than {most_rows} rows", name, "export fewer points per octave")
    separator = _separator([line for line in lines if not line.remark], name)
    if not separator:
        first = next(line for line in lines if not line.remark)
        raise FormatError.of("formats.no_table", where=f"{name}, line {first.number}", shown=shown(first.text))
    told, decimal, thousands = _numbers(lines, separator, name)
    blocks = _blocks(lines, separator, told, decimal, name)
    return TextTable(
        name=name,
        separator=separator,
        decimal=decimal,
        thousands_line=thousands,
        blocks=blocks,
        remarks=_remarks(lines),
    )


@dataclass(frozen=True, slots=True)
class PlainRow:
    """A line of a table whose columns need no titles. values : its numbers; error : why it is no row, or None."""

    line: int
    values: tuple[float, ...]
    error: FormatError | None = None


def plain_rows(text: str, *, name: str, counts: tuple[int, ...], layout: str) -> list[PlainRow]:
    """The lines of a table of `counts` columns whose meaning is agreed: `layout` says it to the person.

    Words at head and foot are passed over, between rows they are an error of their line, and so is a last row with a
    slip in it. FormatError where decimals
    cannot be told from columns, or a thousands mark is used.
    """
    lines = [line for line in _lines(text.replace("\r\n", "\n").replace("\r", "\n").split("\n")) if not line.remark]
    while lines and _is_words(lines[0].text):
        lines.pop(0)
    while lines and _is_words(lines[-1].text) and not _is_mistyped(lines[-1].text, counts):
        lines.pop()
    if not lines:
        return []
    separator = _separator(lines, name) or "blanks"
    told, decimal, thousands = _numbers(lines, separator, name)
    if thousands:
        raise FormatError.of("formats.thousands_mark", where=f"{name}, line {thousands}", expected=layout)
    return [_plain_row(line.number, told[line.number], decimal, name, counts=counts, layout=layout) for line in lines]


def _is_words(text: str) -> bool:
    first = re.split(r"[\s,;]", text.lstrip("\"'"), maxsplit=1)[0]
    return text[0] in "\"'" or (first[:1].isalpha() and _kind(first) == "t")


def _is_mistyped(text: str, counts: tuple[int, ...]) -> bool:
    """Whether a last line is a row with a slip in it: as many columns as a row has, numbers behind the first."""
    cells = re.split(r"[\s,;]+", text.strip())
    return len(cells) in counts and any(_kind(cell) != "t" for cell in cells[1:])


def _plain_row(
    number: int, cells: tuple[str, ...], decimal: str, name: str, counts: tuple[int, ...], layout: str
) -> PlainRow:
    while len(cells) > min(counts) and not cells[-1]:
        cells = cells[:-1]
    values = tuple(number_of(cell, decimal) for cell in cells)
    what, remedy = "", "mend the line, or begin it with # if it is a comment"
    if len(cells) not in counts:
        what = f"the line has {len(cells)} column{'s' if len(cells) != 1 else ''}"
    elif wrong := [cell for cell, value in zip(cells, values, strict=True) if not math.isfinite(value)]:
        what = f"{shown(wrong[0])} is not a number"
    error = refused(what, f"{name}, line {number}", remedy, expected=layout) if what else None
    return PlainRow(number, values, error)


def _remarks(lines: list[_Line]) -> tuple[tuple[int, str], ...]:
    return tuple((line.number, _COMMENT.sub("", line.text, count=1).strip()) for line in lines if line.remark)


def refused(what: str, where: str, remedy: str, *, expected: str = "") -> FormatError:
    """The error of a table that cannot be used."""
    return FormatError(what, where=where, expected=expected, remedy=remedy)


def shown(field: str) -> str:
    """A field of a table as it may stand in a message."""
    return repr(field if len(field) <= 40 else field[:40] + "...")


def cells_of(text: str, separator: str) -> tuple[str, ...]:
    """The fields of one line, without quotes and surrounding blanks."""
    if separator == "blanks":
        found = re.findall(r'"([^"]*)"|(\S+)', text)
        return tuple((quoted or plain).strip() for quoted, plain in found)
    mark = dict(_SEPARATORS)[separator]
    if '"' not in text:
        fields = text.split(mark)
    else:
        fields = re.findall(rf'\s*("(?:[^"]|"")*"|[^{re.escape(mark)}]*)\s*(?:{re.escape(mark)}|$)', text)
        fields = fields[:-1] if fields and fields[-1] == "" and not text.rstrip(" ").endswith(mark) else fields
        fields = [one[1:-1] if one[:1] == one[-1:] == '"' and len(one) > 1 else one for one in map(str.strip, fields)]
    return tuple(field.strip() for field in fields)


def _lines(rows: Sequence[str], most: int = MAX_ROWS) -> list[_Line]:
    kept: list[_Line] = []
    for number, raw in enumerate(rows, 1):
        line = _line(number, raw)
        if line is None:
            continue
        if len(kept) > most:
            break
        kept.append(line)
    return kept


def _line(number: int, raw: str) -> _Line | None:
    text = raw.strip(" \u00a0\f\v\ufeff")
    if not text or text.isspace():
        return None
    if ",\t" in text or ", \t" in text:
        text = re.sub(r", ?\t[ ]*", "\t", text)
    if "#" in text and text[0] in "0123456789+-.\u2212":
        text = text[: text.index("#")].rstrip()
    return _Line(number, text, text[0] in _MARKS and bool(_COMMENT.match(text)) and not _begins_a_row(text))


def _begins_a_row(line: str) -> bool:
    """A line that opens with a semicolon and goes on with numbers has an empty first field."""
    return line.startswith(";") and all(_kind(cell) in _NUMBER_KINDS for cell in cells_of(line, "semicolon"))


def _plain(cell: str) -> str:
    return cell.replace("\u2212", "-").replace("\u00a0", "")


def _kind(cell: str) -> str:
    """n : a number in some notation; m : missing; t : words."""
    cell = _plain(cell)
    if cell.lower() in _MISSING:
        return "m"
    if _NUMBER.fullmatch(cell) or _COMMA_NUMBER.fullmatch(cell) or _THOUSANDS.fullmatch(cell):
        return "n"
    return "t"


def _pattern(cells: Sequence[str]) -> str:
    # One beyond the limit, so that a row of a million fields is refused without a look at each.
    return "".join(map(_kind, cells[: MAX_COLUMNS + 1]))


def _separator(lines: list[_Line], name: str) -> str:
    """The separator that parts most lines into the same number of numbers, "" if none; refused if commas are both."""
    if not lines:
        raise refused("the table is empty", name, "export it again", expected="rows of numbers")
    middle = len(lines) // 2
    sample = lines if len(lines) <= 36 else [*lines[:16], *lines[middle : middle + 12], *lines[-8:]]
    best, most = "", (0, 0)
    possible = sum(_DIGIT.search(line.text) is not None for line in sample)
    for label, mark in _SEPARATORS:
        if most[0] >= possible > 0:
            break
        if mark != " " and not any(mark in line.text for line in sample):
            continue
        parted = [_pattern(cells_of(line.text, label)) for line in sample]
        counts = Counter(len(p) for p in parted if len(p) > 1 and "n" in p and 3 * p.count("t") <= len(p))
        # Rows of numbers alone tell more than rows with words, of which a wrong separator makes some.
        alone = Counter(len(p) for p in parted if len(p) > 1 and "n" in p and "t" not in p)
        found = (max(alone.values(), default=0), max(counts.values(), default=0))
        if found > most:
            best, most = label, found
    if best == "comma":
        _refuse_two_commas(sample, name)
    return best


def _refuse_two_commas(lines: list[_Line], name: str) -> None:
    """Commas that may part columns or decimals: four numbers of two fields cannot be told apart."""
    rows = [line for line in lines if set(_pattern(cells_of(line.text, "comma"))) <= _NUMBER_KINDS]
    if not rows or any("." in line.text for line in rows):
        return
    titled = {len(cells_of(line.text, "comma")) for line in lines if line not in rows}
    for line in rows:
        count = len(cells_of(line.text, "comma"))
        if count > 2 and count not in titled:
            raise FormatError.of("formats.commas_unclear", where=f"{name}, line {line.number}", count=count)


def _numbers_alone(rows: Sequence[str], name: str, most_rows: int) -> TextTable | None:
    """The table of a file that is titles and then numbers only; None for any other file.

    Most files are of this kind; numpy reads them many times faster than the general way.
    """
    last = len(rows)
    while last and not rows[last - 1].strip():
        last -= 1
    heads: list[_Line] = []
    first = next((i for i, row in enumerate(rows[:_MOST_TITLES]) if _might_be_row(i + 1, row, heads)), None)
    if first is None or last - first < FEWEST_ROWS or last - first > most_rows:
        return None
    body = "\n".join(rows[first:last])
    if _NO_PLAIN_NUMBER.search(body) or "\n\n" in body or "\n;" in body:
        return None
    separator = _separator([*(line for line in heads if not line.remark), *_sample(rows, first, last)], name)
    comma = "," in body and separator != "comma"
    if not separator or (comma and "." in body) or (";" in body and separator != "semicolon"):
        return None
    mark = None if separator == "blanks" else dict(_SEPARATORS)[separator]
    try:
        values = np.loadtxt(
            io.StringIO(body.replace(",", ".") if comma else body), delimiter=mark, comments=None, ndmin=2
        )
    except ValueError:
        return None
    count = len(cells_of(rows[first].strip(), separator))
    whole = values.shape == (last - first, count) and 1 < count <= MAX_COLUMNS
    if not whole or not (np.abs(values) < LARGEST_NUMBER).all():
        return None
    titles = tuple((line.number, line.text) for line in heads if not line.remark)
    block = Block(titles=titles, lines=np.arange(first + 1, last + 1), values=values, texts={})
    decimal = "," if comma else "."
    return TextTable(
        name=name, separator=separator, decimal=decimal, thousands_line=0, blocks=(block,), remarks=_remarks(heads)
    )


def _might_be_row(number: int, row: str, heads: list[_Line]) -> bool:
    """Whether nothing but plain numbers stands in a line; one that is none is kept among the heads."""
    line = _line(number, row)
    if line is None:
        return False
    if not line.remark and not _NO_PLAIN_NUMBER.search(line.text) and _DIGIT.match(line.text.lstrip("+-. \t")):
        return True
    heads.append(line)
    return False


def _sample(rows: Sequence[str], first: int, last: int) -> list[_Line]:
    """Rows from the head, the middle and the end."""
    middle = (first + last) // 2
    places = dict.fromkeys([*range(first, min(first + 5, last)), middle, last - 1])
    return [line for place in places if (line := _line(place + 1, rows[place])) is not None]


def _numbers(lines: list[_Line], separator: str, name: str) -> tuple[dict[int, tuple[str, ...]], str, int]:
    """Cells of every line by its number, the decimal mark, and the first line with a thousands mark."""
    told = {line.number: cells_of(line.text, separator) for line in lines}
    commas = points = thousands = 0
    for line in lines:
        if line.remark:
            continue
        for cell in map(_plain, told[line.number][: MAX_COLUMNS + 1]):
            if "," in cell and "." in cell and _THOUSANDS.fullmatch(cell):
                thousands = thousands or line.number
            elif _COMMA_NUMBER.fullmatch(cell) and "," in cell:
                commas = commas or line.number
            elif _NUMBER.fullmatch(cell) and "." in cell:
                points = points or line.number
    if commas and points and not thousands:
        raise FormatError.of("formats.decimals_mixed", where=f"{name}, line {max(commas, points)}")
    if not thousands:
        return told, "," if commas else ".", 0
    both = next(c for c in map(_plain, told[thousands]) if "," in c and "." in c)
    return told, "." if both.rfind(".") > both.rfind(",") else ",", thousands


def number_of(cell: str, decimal: str) -> float:
    """The number in a cell, NaN where it is missing or none."""
    plain = _plain(cell)
    if plain.lower() in _MISSING:
        return np.nan
    plain = plain.replace("," if decimal == "." else ".", "").replace(",", ".")
    plain = plain.replace("D", "E").replace("d", "e")
    return float(plain) if _NUMBER.fullmatch(plain) else np.nan


def _row_pattern(patterns: Sequence[str], separator: str, name: str) -> str:
    """The commonest pattern of rows that hold a number, with missing fields taken as numbers."""
    rows = [p.replace("m", "n") for p in patterns if "n" in p and len(p) > 1]
    wordy = Counter(rows).most_common()
    # Rows of numbers alone win over rows with words, of which titles of blocks are made.
    numeric = [p for p, _ in wordy if "t" not in p]
    if numeric and Counter(rows)[numeric[0]] >= FEWEST_ROWS:
        return numeric[0]
    if not wordy or wordy[0][1] < FEWEST_ROWS:
        raise FormatError.of("formats.too_few_rows", where=name, fewest_rows=FEWEST_ROWS, separator=separator)
    return wordy[0][0]


def _blocks(
    lines: list[_Line], separator: str, told: dict[int, tuple[str, ...]], decimal: str, name: str
) -> tuple[Block, ...]:
    plain = [line for line in lines if not line.remark]
    told |= _trimmed({line.number: told[line.number] for line in plain})
    patterns = {line.number: _pattern(told[line.number]) for line in plain}
    wanted = _row_pattern(list(patterns.values()), separator, name)
    if len(wanted) > MAX_COLUMNS:
        raise refused(f"the table has more than {MAX_COLUMNS} columns", name, f"give at most {MAX_COLUMNS} columns")
    runs: list[tuple[list[_Line], list[_Line]]] = []
    above: list[_Line] = []
    for line in plain:
        if _is_row(patterns[line.number], wanted):
            if above or not runs:
                runs.append((above, []))
                above = []
            runs[-1][1].append(line)
        else:
            above.append(line)
    if above and (wrong := next((line for line in above if _damaged(patterns[line.number], wanted)), None)):
        raise _no_row(wrong, told[wrong.number], wanted, name)
    for titles, _ in runs[1:]:
        # Words between rows are titles of a further block only where they name a frequency.
        if not any(re.search(r"k?hz\b|freq", line.text, re.IGNORECASE) for line in titles):
            raise _no_row(titles[0], told[titles[0].number], wanted, name)
    return tuple(_block(titles, rows, told=told, wanted=wanted, decimal=decimal, name=name) for titles, rows in runs)


def _trimmed(told: dict[int, tuple[str, ...]]) -> dict[int, tuple[str, ...]]:
    """Lines without a last field that no line fills: the rows end in a separator."""
    width = Counter(map(len, told.values())).most_common(1)[0][0]
    whole = {number: cells for number, cells in told.items() if len(cells) == width}
    if width < 3 or any(cells[-1] for cells in whole.values()):
        return {}
    return {number: cells[:-1] for number, cells in whole.items()}


def _is_row(pattern: str, wanted: str) -> bool:
    alike = pattern.replace("m", "n") == wanted or (
        len(pattern) == len(wanted) and all(p == w or p == "m" for p, w in zip(pattern, wanted, strict=True))
    )
    return alike and "n" in pattern


def _damaged(pattern: str, wanted: str) -> bool:
    """A line that was meant as a row: mostly numbers, and not the titles of columns."""
    return (
        pattern.count("n") + pattern.count("m") > pattern.count("t")
        and pattern[:1] in _NUMBER_KINDS
        and len(wanted) >= len(pattern) - 1
    )


def _no_row(line: _Line, cells: tuple[str, ...], wanted: str, name: str) -> FormatError:
    where = f"{name}, line {line.number}"
    word = next((cell for cell in cells if _kind(cell) == "t"), "")
    if word:
        return FormatError.of("formats.no_number", where=where, shown=shown(word), count=len(wanted))
    count = len(cells)
    has = f"{count} field{'s' if count != 1 else ''}"
    return FormatError.of("formats.fields_differ", where=where, has=has, wanted=len(wanted))


def _block(
    titles: list[_Line], rows: list[_Line], told: dict[int, tuple[str, ...]], wanted: str, decimal: str, name: str
) -> Block:
    texts = {i: tuple(told[row.number][i] for row in rows) for i, kind in enumerate(wanted) if kind == "t"}
    values = np.array([[number_of(cell, decimal) for cell in told[row.number]] for row in rows], dtype=float)
    for row, numbers in zip(rows, values, strict=True):
        over = np.isfinite(numbers) & (np.abs(numbers) > LARGEST_NUMBER)
        if over.any():
            value = shown(told[row.number][int(np.argmax(over))])
            raise FormatError.of("formats.beyond_any_quantity", where=f"{name}, line {row.number}", value=value)
    heads = tuple((line.number, line.text) for line in titles)
    return Block(titles=heads, lines=np.array([row.number for row in rows]), values=values, texts=texts)
