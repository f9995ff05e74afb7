"""A listening sheet: what a tester heard, written down before the data are opened; one TOML file each."""

import copy
import datetime
import difflib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, SerializerFunctionWrapHandler, ValidationError, model_serializer

from earwitness.errors import Fault, InputError, SessionError
from earwitness.files.data import table_of
from earwitness.session.form_fields import form
from earwitness.session.record import Finite, Flag, NotNegative, Positive, Strict, Text, Whole
from earwitness.session.toml_text import Keys, line_of, parsed_toml, read_toml
from earwitness.session.wording import BOUNDS, shown

SHEET_FILE = "listening.toml"
Direction = Literal["too much", "too little", "sharp", "hollow", "uneven", "even"]
Strength = Literal["slight", "clear", "strong"]
PassageKind = Literal["music", "film", "speech", "test signal"]

_WORDS = table_of("session", "words")["sheet"]
_LOWEST_HZ, _HIGHEST_HZ = 10.0, 40_000.0
_Heard = Annotated[Positive, Field(ge=_LOWEST_HZ, le=_HIGHEST_HZ)]
_Level = Annotated[Finite, Field(ge=20, le=130)]


@dataclass(frozen=True, slots=True)
class HeardWord:
    """A word of the vocabulary: where it is usually heard, and as what. direction None : the sheet must say."""

    word: str
    low_hz: float
    high_hz: float
    direction: Direction | None


class Passage(Strict):
    """A piece of music or film that was played. level_db : at the seat, where it differs from the sheet's."""

    name: Text
    kind: PassageKind
    level_db: _Level | None = None


class WrittenRemark(Strict):
    """One thing heard. region_hz : lower and upper frequency; passage : name of the passage it was heard in;
    at_s : time since the listening began, None where no timer ran."""

    word: Text
    region_hz: tuple[_Heard, _Heard]
    direction: Direction
    strength: Strength
    passage: Text | None = None
    text: Annotated[str, Field(max_length=2000)] = ""
    at_s: Annotated[NotNegative, Field(le=86_400)] | None = None

    # Seals are over what is written: a key that says nothing must not change the facts of older sheets.
    @model_serializer(mode="wrap")
    def _written(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        made: dict[str, Any] = handler(self)
        if self.at_s is None:
            made.pop("at_s", None)
        return made


class ListeningSheet(Strict):
    """A whole sheet. time : ISO 8601, local or with its offset; level_db : sound level at the seat, dB SPL;
    aim_deg : direction of the seat seen from the loudspeaker, 0 on its axis, positive to its own left; pieces : how
    many loudspeakers played; letter : under which it was heard in a blind test, whose number is blind_test."""

    format: Literal[1]
    loudspeaker: Text
    maker: Text
    time: Text
    listener: Text = "not stated"
    is_blind: Annotated[Flag, Field(alias="blind")]
    has_equalizer: Annotated[Flag, Field(alias="equalizer")]
    level_db: _Level
    aim_deg: Annotated[Finite, Field(ge=-180, le=180)]
    distance_m: Annotated[Positive, Field(le=100)]
    pieces: Annotated[Whole, Field(ge=1, le=16)] = 2
    text: Annotated[str, Field(max_length=20_000)] = ""
    passages: Annotated[tuple[Passage, ...], Field(alias="passage", min_length=1, max_length=100)]
    remarks: Annotated[tuple[WrittenRemark, ...], Field(alias="remark", max_length=60)] = ()
    letter: Annotated[str, Field(pattern=r"^[A-H]$")] | None = None
    blind_test: Annotated[str, Field(pattern=r"^[0-9a-f]{8}$")] | None = None

    @model_serializer(mode="wrap")
    def _written(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        made: dict[str, Any] = handler(self)
        return {key: value for key, value in made.items() if value is not None or key not in ("letter", "blind_test")}


def load_sheet(path: Path, *, vocabulary: Mapping[str, HeardWord]) -> ListeningSheet:
    """The validated sheet in the file at `path`, or in the listening.toml of a folder.

    vocabulary : words by themselves in lower case. A remark's region and direction are taken from its word where the
    sheet leaves them out, so that the sheet stands by itself once it is sealed. Raises InputError when there is no
    readable file; SessionError with every fault at once.
    """
    path = path / SHEET_FILE if path.is_dir() else path
    missing = InputError.of("session.no_sheet", where=str(path), sheet_file=SHEET_FILE)
    text = read_toml(path, "the listening sheet", larger="split it into several", missing=missing)
    parsed = parsed_toml(text, path.name)
    if isinstance(parsed, Fault):
        raise _refused(path, [parsed])
    return _checked(*parsed, path, vocabulary)


def sheet_of(document: Mapping[str, Any], *, vocabulary: Mapping[str, HeardWord], where: str) -> ListeningSheet:
    """The validated sheet from the same keys as in a file, as plain values. Raises SessionError as `load_sheet`."""
    return _checked(copy.deepcopy(dict(document)), {}, Path(where), vocabulary)


def _checked(
    document: dict[str, Any], lines: dict[Keys, int], path: Path, vocabulary: Mapping[str, HeardWord]
) -> ListeningSheet:
    faults = list(_spelled_out(document, vocabulary, path.name, lines))
    sheet: ListeningSheet | None = None
    try:
        sheet = ListeningSheet.model_validate(document)
    except ValidationError as error:
        details = error.errors(include_url=False)
        # "Too few entries" only repeats that the entries are faulty, each told by itself.
        told = [d for d in details if not (d["type"] == "too_short" and isinstance(d["input"], list) and d["input"])]
        faults += [_fault_of(detail, path.name, lines) for detail in told]
    faults += _between(document, path.name, lines)
    if faults or sheet is None:
        first = {(f.line, f.field): f for f in reversed(faults)}
        raise _refused(path, sorted(first.values(), key=lambda f: (f.line or 0, f.field)))
    return sheet


def _refused(path: Path, faults: list[Fault]) -> SessionError:
    error = SessionError(str(path), faults)
    count = f"{len(faults)} fault{'s' if len(faults) != 1 else ''}"
    # The same list of faults under a first line that speaks of a sheet, not of a session folder.
    InputError.__init__(
        error,
        f"the listening sheet has {count}, nothing was sealed",
        where=str(path),
        remedy="mend what is listed and run the same command again",
    )
    return error


def _spelled_out(
    document: dict[str, Any], vocabulary: Mapping[str, HeardWord], file: str, lines: dict[Keys, int]
) -> Iterator[Fault]:
    """Time as text; word, region and direction of every remark from the vocabulary where they are left out."""
    if isinstance(document.get("time"), datetime.datetime):
        document["time"] = document["time"].isoformat(timespec="minutes")
    for index, remark in enumerate(_tables(document, "remark")):
        word = remark.get("word")
        known = vocabulary.get(" ".join(word.split()).casefold()) if isinstance(word, str) else None
        if known is None:
            if isinstance(word, str) and word.strip():
                yield _unknown_word(word, vocabulary, file, index, lines)
            # A faulty word is told by itself, not again through what it would have filled in.
            known = HeardWord("", _LOWEST_HZ, _HIGHEST_HZ, "even")
        if known.word:
            remark["word"] = known.word
        remark.setdefault("region_hz", [known.low_hz, known.high_hz])
        if "direction" not in remark and known.direction is not None:
            remark["direction"] = known.direction


def _unknown_word(
    word: str, vocabulary: Mapping[str, HeardWord], file: str, index: int, lines: dict[Keys, int]
) -> Fault:
    near = difflib.get_close_matches(word.strip().casefold(), list(vocabulary), n=3, cutoff=0.6)
    known = ", ".join(sorted(vocabulary))
    remedy = f"did you mean {' or '.join(repr(n) for n in near)}?" if near else "choose one; put your own into text"
    place = line_of(lines, ("remark", index, "word"))
    told = repr(word if len(word) <= 60 else word[:57] + "...")
    return Fault(f"the word {told} is not in the vocabulary", file, place, _field(index, "word"), known, remedy=remedy)


def _tables(document: dict[str, Any], key: str) -> list[dict[str, Any]]:
    given = document.get(key)
    return [t for t in given if isinstance(t, dict)] if isinstance(given, list) else []


def _between(document: dict[str, Any], file: str, lines: dict[Keys, int]) -> Iterator[Fault]:
    """Faults that no single key shows."""
    time = document.get("time")
    if isinstance(time, str) and time.strip() and not _is_time(time.strip()):
        expected = "such as 2026-11-25T20:15:00 without quotes"
        yield Fault(
            f"{time[:40]!r} is no day and time", file, line_of(lines, ("time",)), "time", expected, remedy="correct it"
        )
    names: list[str] = []
    for index, passage in enumerate(_tables(document, "passage")):
        name = passage.get("name")
        if isinstance(name, str) and name.strip() in names:
            line = line_of(lines, ("passage", index, "name"))
            what = f"two passages are called {name.strip()!r}"
            yield Fault(what, file, line, f"passage {index + 1}, name", remedy="give each a name of its own")
        names += [name.strip()] if isinstance(name, str) else []
    for index, remark in enumerate(_tables(document, "remark")):
        yield from _of_remark(remark, names, file, index, lines)


def _of_remark(
    remark: dict[str, Any], names: list[str], file: str, index: int, lines: dict[Keys, int]
) -> Iterator[Fault]:
    passage, region = remark.get("passage"), remark.get("region_hz")
    if isinstance(passage, str) and passage.strip() and passage.strip() not in names:
        line = line_of(lines, ("remark", index, "passage"))
        expected = "one of " + ", ".join(repr(n) for n in names) if names else "the name of a [[passage]]"
        what = f"no passage is called {passage[:60]!r}"
        yield Fault(what, file, line, _field(index, "passage"), expected, remedy="correct the name, or add the passage")
    if isinstance(region, list) and len(region) == 2 and all(type(v) in (int, float) for v in region):
        low, high = region
        if not low < high:
            line = line_of(lines, ("remark", index, "region_hz"))
            expected = "the lower frequency first"
            what = f"the region runs from {shown(low)} Hz to {shown(high)} Hz"
            yield Fault(what, file, line, _field(index, "region_hz"), expected, remedy="both are in Hz, not kHz")


def _is_time(text: str) -> bool:
    try:
        datetime.datetime.fromisoformat(text)
    except ValueError:
        return False
    return len(text) > 10


def _field(index: int, key: str) -> str:
    return f"remark {index + 1}, {key}"


_MODELS: dict[str, type[Strict]] = {"": ListeningSheet, "passage": Passage, "remark": WrittenRemark}


def _fault_of(detail: Any, file: str, lines: dict[Keys, int]) -> Fault:
    """One entry of pydantic's ValidationError.errors() in words."""
    loc: Keys = tuple(detail["loc"])
    table = str(loc[0]) if len(loc) > 1 and loc[0] in _MODELS else ""
    named = [str(p) for p in loc if not isinstance(p, int)]
    key = named[-1] if named else ""
    place = f"{table} {loc[1] + 1}, {key}" if table and isinstance(loc[1], int) else key
    if len(loc) == 2 and table:
        place = place.split(",")[0]
    what, expected, remedy = _worded(detail, key, table)
    return Fault(what=what, file=file, line=line_of(lines, loc), field=place, expected=expected, remedy=remedy)


def _worded(detail: Any, key: str, table: str) -> tuple[str, str, str]:
    kind, given, context = detail["type"], detail.get("input"), detail.get("ctx", {})
    under = f"under [[{table}]]" if table else "at the top of the file"
    unit = _WORDS["units"].get(key, "")
    expected = _WORDS["choices"].get(key) or (f"a number in {unit}" if unit else "")
    if key == "region_hz" and (kind in ("tuple_type", "too_long") or (kind == "missing" and len(detail["loc"]) > 3)):
        return "region_hz is not two numbers in brackets", "such as [2000.0, 5000.0], in Hz", "write two frequencies"
    if kind == "missing":
        if key in ("passage", "remark"):
            return f"there is no [[{key}]]", "at least one", f"add [[{key}]] and fill it in"
        return f"{key!r} is missing", expected, f"add {key} = ... {under}"
    if kind == "extra_forbidden":
        model = _MODELS[table].model_fields.items()
        known = [field.alias or name for name, field in model]
        near = difflib.get_close_matches(key.lower(), known, n=1)
        remedy = f"did you mean {near[0]!r}?" if near else f"take it out; known here: {', '.join(known)}"
        return f"the key {key!r} is not known {under}", "", remedy
    if kind in BOUNDS:
        size, word, name = BOUNDS[kind]
        return f"{key} = {shown(given)} is {size}", f"{word} {context[name]:g} {unit}".rstrip(), "correct the number"
    if kind == "too_long" and not isinstance(given, str):
        return f"there are too many of [[{key}]]", f"at most {context.get('max_length')}", "split the sheet"
    if kind in ("tuple_type", "too_short", "model_type", "dict_type") and key in _MODELS:
        return f"{key} is no list of tables", f"[[{key}]], once for each", f"write [[{key}]] and fill it in"
    if kind == "string_too_short":
        return f"{key} is empty", expected or "some text", "fill it in"
    if kind == "string_too_long":
        return f"{key} is too long", f"at most {context.get('max_length')} characters", "shorten it"
    if not expected:
        is_flag = kind.startswith("bool")
        expected = "true or false, without quotes" if is_flag else "text in quotes" if "string" in kind else "a number"
    return f"{key} = {shown(given)} cannot be used", expected, "correct the value"


def sheet_template(vocabulary: Mapping[str, HeardWord]) -> str:
    """An empty sheet with a word on every key and all words of `vocabulary`."""
    rows = [
        f"#   {w.word:<18}{w.direction or 'say which':<12}{w.low_hz:g} to {w.high_hz:g} Hz" for w in vocabulary.values()
    ]
    return form(SHEET_FILE).replace("#WORDS", "\n".join(rows))
