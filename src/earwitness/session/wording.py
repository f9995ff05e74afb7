"""The validator's findings in words for the person who wrote the file."""

import datetime
import difflib
from collections.abc import Iterator
from typing import Any, get_args, get_origin

from earwitness.errors import Fault
from earwitness.files.data import table_of
from earwitness.session.patterns import FILE, WrittenTake, take_line
from earwitness.session.record import Strict
from earwitness.session.session import Session
from earwitness.session.toml_text import Keys, line_of


def _models(hint: Any) -> tuple[type[Strict], ...]:
    """The models that the type of a field names, at any depth."""
    if isinstance(hint, type) and issubclass(hint, Strict):
        return (hint,)
    return tuple(model for part in get_args(hint) for model in _models(part))


def _tables(model: type[Strict], above: str = "") -> Iterator[tuple[str, tuple[type[Strict], ...], bool]]:
    """Name, models and whether it is a list of each table below `model`, tables of a table right behind it."""
    for field, told in model.model_fields.items():
        models = _models(told.annotation)
        if models:
            name = above + ("take" if field == "takes" else told.alias or field)
            yield name, models, get_origin(told.annotation) is tuple
            if len(models) == 1:
                yield from _tables(models[0], f"{name}.")


_FOUND = tuple(_tables(Session))
TABLES: dict[str, tuple[type[Strict], ...]] = {"": (Session,)} | {name: models for name, models, _ in _FOUND}
LISTS = tuple(name for name, _, is_list in _FOUND if is_list)
TAKES: dict[str, type[Strict]] = {get_args(one.model_fields["kind"].annotation)[0]: one for one in TABLES["take"]}
_MADE_BY_LOADING = {"takes", "sha256", "file_hashes"}
_OTHER_WORDS: dict[str, str] = table_of("session", "words")["other"]


def keys_of(model: type[Strict]) -> tuple[str, ...]:
    """The keys of one model as they are written in the file."""
    names = (field.alias or name for name, field in model.model_fields.items())
    return tuple(name for name in names if name not in _MADE_BY_LOADING)


def keys_in(table: str) -> tuple[str, ...]:
    """Every key of the table named as in TABLES, each once, in the order of the models."""
    found = [key for model in TABLES.get(table, ()) for key in keys_of(model)]
    if table == "take":
        found.append("files")
    if table == "":
        found.append("take")
    return tuple(dict.fromkeys(found))


def bracketed(table: str) -> str:
    """The header that opens `table` in the file, or its top."""
    return f"[[{table}]]" if table in LISTS else f"[{table}]" if table else "the top of the file"


def asked_for(table: str) -> str:
    """The keys that `table` cannot do without, or its first ones where it can do without any."""
    fields = TABLES[table][0].model_fields.items()
    required = [field.alias or name for name, field in fields if field.is_required()]
    if table.endswith("stimulus"):
        required.insert(0, "kind")
    return ", ".join(required or keys_in(table)[:4])


def hint_for(key: str, table: str) -> str:
    """What a key that `table` does not know was probably meant to be."""
    lowered = key.strip().lower()
    if not table and lowered in _OTHER_WORDS:
        return f"did you mean {_OTHER_WORDS[lowered]}?"
    if near := difflib.get_close_matches(lowered, keys_in(table), n=1):
        return f"did you mean {near[0]!r}?"
    for other in TABLES:
        if lowered in keys_in(other):
            return f"{lowered!r} belongs under {bracketed(other)}"
    if lowered in _OTHER_WORDS:
        return f"did you mean {_OTHER_WORDS[lowered]}?"
    everywhere = {name: other for other in reversed(TABLES) for name in keys_in(other)}
    if near := difflib.get_close_matches(lowered, everywhere, n=1):
        return f"did you mean {near[0]!r} under {bracketed(everywhere[near[0]])}?"
    return f"take it out; known here: {', '.join(keys_in(table))}"


_WORDS = table_of("session", "words")
BOUNDS = {
    "greater_than": ("too small", "above", "gt"),
    "greater_than_equal": ("too small", "at least", "ge"),
    "less_than": ("too large", "below", "lt"),
    "less_than_equal": ("too large", "at most", "le"),
}


def fault_of(detail: Any, takes: list[WrittenTake], lines: dict[Keys, int]) -> Fault:
    """One entry of pydantic's ValidationError.errors() as a Fault."""
    path, field = _place(tuple(detail["loc"]), takes)
    table = _table_of(path[:-1])
    what, expected, remedy = _words(detail, path, table)
    line = line_of(lines, path)
    if path[:1] == ("take",) and len(path) == 3 and isinstance(path[1], int) and detail["type"] != "missing":
        line = take_line(lines, path[1], path[2])
    return Fault(what=what, file=FILE, line=line, field=field, expected=expected, remedy=remedy)


def unit_of(key: str) -> str:
    """The unit that a key's ending names, or ""."""
    return str(_WORDS["units"].get(key.rsplit("_", 1)[-1], "")) if "_" in key else ""


def _place(loc: Keys, takes: list[WrittenTake]) -> tuple[Keys, str]:
    if loc[:1] == ("takes",) and len(loc) > 1 and isinstance(loc[1], int):
        take = takes[loc[1]]
        tail = tuple(p for p in loc[2:] if p != take.table.get("kind"))
        return ("take", take.index, *tail), take.label + "".join(f", {p}" for p in tail)
    if loc[:1] == ("takes",):
        return ("take",), "take"
    if loc[:1] == ("stimulus",) and len(loc) > 1 and loc[1] in ("sweep", "file"):
        loc = ("stimulus", *loc[2:])
    if loc[:1] == ("other_stimulus",) and len(loc) > 2 and loc[2] in ("sweep", "file"):
        loc = (*loc[:2], *loc[3:])
    words = (f" {p + 1}" if isinstance(p, int) else f".{p}" for p in loc)
    return loc, "".join(words).lstrip(".")


def _table_of(path: Keys) -> str:
    return ".".join(str(p) for p in path if not isinstance(p, int))


def _under(table: str) -> str:
    return f"under {bracketed(table)}" if table else "at the top of the file"


def shown(value: Any) -> str:
    """A value as messages show it: short, and of whatever size and kind."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict | list | tuple):
        return "a list" if isinstance(value, list | tuple) else "a table"
    try:
        text = repr(value)
    except ValueError:
        return "a huge number"
    return text if len(text) <= 60 else text[:57] + "..."


def _words(detail: Any, path: Keys, table: str) -> tuple[str, str, str]:
    kind, given = detail["type"], detail.get("input")
    key = str(path[-1]) if path and not isinstance(path[-1], int) else str(path[-2]) if len(path) > 1 else ""
    context = detail.get("ctx", {})
    if kind == "extra_forbidden":
        return f"the key {key!r} is not known {_under(table)}", "", hint_for(key, table)
    if kind == "missing":
        return _missing(key, path, table)
    if kind in BOUNDS:
        return _bounds(kind, given, key, context)
    if kind in ("union_tag_not_found", "union_tag_invalid"):
        return _tag(given, path)
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        return _not_a_table(given, _table_of(path))
    if kind in ("too_short", "too_long", "tuple_type"):
        return _list(kind, given, key, _table_of(path))
    return _value(kind, given, key, context)


def _missing(key: str, path: Keys, table: str) -> tuple[str, str, str]:
    if isinstance(path[-1], int):
        return f"{path[-2]!s} has too few numbers", "three numbers in brackets", "such as [0.0, 0.1, 0.2], in meters"
    full = f"{table}.{key}" if table else key
    if full in TABLES:
        return f"{bracketed(full)} is missing", "", f"add {bracketed(full)} and under it {asked_for(full)}"
    if key == "file" and table == "take":
        return "'file' is missing", "", 'add file = "name.wav", or files = "h_{angle}.wav" for a whole orbit'
    unit = unit_of(key)
    return f"{key!r} is missing", f"a number in {unit}" if unit else "", f"add {key} = ... {_under(table)}"


def _bounds(kind: str, given: Any, key: str, context: Any) -> tuple[str, str, str]:
    size, word, name = BOUNDS[kind]
    unit = unit_of(key)
    remedy = f"write the value in {unit}" if unit else "correct the number"
    if unit == "m" and size == "too large":
        remedy = "lengths are in meters: 200 mm are 0.2"
    if isinstance(given, int | float) and not given:
        remedy = f"fill in the value, in {unit}" if unit else "fill it in"
    return f"{key} = {shown(given)} is {size}", f"{word} {context.get(name):g} {unit}".rstrip(), remedy


def _tag(given: Any, path: Keys) -> tuple[str, str, str]:
    kinds = ", ".join(f'"{kind}"' for kind in TAKES)
    allowed = kinds if path[:1] == ("take",) else '"sweep" or "file"'
    tag = given.get("kind") if isinstance(given, dict) else None
    if tag is None:
        return "'kind' is missing", f"one of {allowed}", 'add kind = "..."'
    return f"kind = {shown(tag)} is not known", f"one of {allowed}", "correct the word"


def _not_a_table(given: Any, table: str) -> tuple[str, str, str]:
    header = bracketed(table)
    if isinstance(given, list | tuple):
        return f"[[{table}]] is a list of tables", f"one table, {header}", "write single brackets, and write it once"
    keys = asked_for(table)
    return f"{table} = {shown(given)} is not a table", header, f"write {header} on a line of its own, under it {keys}"


def _list(kind: str, given: Any, key: str, table: str) -> tuple[str, str, str]:
    if table in LISTS:
        if kind == "tuple_type":
            return f"{table} is one table or value", f"{bracketed(table)}, once for each", "write double brackets"
        return f"there is no {bracketed(table)}", "at least one", f"add {bracketed(table)} and fill it in"
    found = f"{len(given)} numbers" if isinstance(given, list | tuple) else shown(given)
    return f"{key} holds {found}", "three numbers in brackets", "such as [0.0, 0.1, 0.2], in meters"


def _value(kind: str, given: Any, key: str, context: Any) -> tuple[str, str, str]:
    what, unit = f"{key} = {shown(given)}", unit_of(key)
    if kind.startswith(("float", "int", "finite")):
        number = "a whole number" if kind.startswith("int") else "a number"
        remedy = "write the number alone, without quotes and unit" if isinstance(given, str) else "correct the value"
        return f"{what} is not {number}", f"{number} in {unit}" if unit else number, remedy
    if kind.startswith("bool"):
        return f"{what} is neither true nor false", "true or false, without quotes", "write true or false"
    if kind == "string_type":
        remedy = "put quotes around it"
        return f"{what} is not text", "text in quotes", remedy if not isinstance(given, dict | list) else "write text"
    if kind == "string_too_short":
        return f"{key} is empty", "some text", "fill it in or take the line out"
    if kind == "string_too_long":
        return f"{key} is {len(given)} characters long", f"at most {context.get('max_length')}", "shorten it"
    if kind == "string_pattern_mismatch":
        return f"{what} cannot be read", *_WORDS["patterns"].get(key, ("another form", _mend(given)))
    if kind == "literal_error":
        allowed = str(context.get("expected", "")).replace("'", '"')
        return f"{what} is not known here", f"one of {allowed}" if " or " in allowed else allowed, _mend(given)
    return f"{what}: {kind.replace('_', ' ')}", "", "correct the value"


def date_as_text(value: Any) -> Any:
    """A date written without quotes as the text that the models hold; everything else unchanged."""
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        return value.isoformat()
    return value


def _mend(given: Any) -> str:
    return "fill it in" if given == "" else "correct the value"
