"""Every table and key that session.toml may hold, by the models behind them."""

import difflib
from collections.abc import Iterator
from typing import Any, get_args, get_origin

from earwitness.files.data import table_of
from earwitness.session.record import Strict
from earwitness.session.session import Session


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
