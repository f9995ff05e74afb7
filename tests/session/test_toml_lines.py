"""Keys are found at their lines in every way that TOML 1.0 lets one write them."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from earwitness.session.toml_text import key_lines, line_of

TEXT = '''\
top = """three
[not.a.table]
lines"""
a.b . "c d" = [1, # ]
  2]
[loudspeaker]
price = { amount = 1.0, currency = "EUR" }   # comment = 3
driver = [
  { name = "one", kind = 'x = "y"' },
  { name = "two" },
]
[[take]]
when = 2026-11-01 10:00:00
"file" = 'a # b'
[[take]] # second
[take.more]
x = 1
[ "quoted table" . 'inner' ]
y = 2
'''
FOUND = {
    ("top",): 1,
    ("a", "b", "c d"): 4,
    ("loudspeaker",): 6,
    ("loudspeaker", "price", "currency"): 7,
    ("loudspeaker", "driver", 0, "kind"): 9,
    ("loudspeaker", "driver", 1, "name"): 10,
    ("take", 0): 12,
    ("take", 0, "file"): 14,
    ("take", 1): 15,
    ("take", 1, "more", "x"): 17,
    ("quoted table", "inner", "y"): 19,
}


def paths(value: Any, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    """Every path into a parsed document."""
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return {path}.union(*(paths(inner, (*path, key)) for key, inner in items))


def test_every_way_to_write_a_key_is_found() -> None:
    lines = key_lines(TEXT)
    assert {path: lines.get(path) for path in FOUND} == FOUND
    assert ("not", "a", "table") not in lines


def test_exactly_the_paths_that_tomllib_sees_are_found() -> None:
    # tomllib (Python's own TOML 1.0 reader) is the independent judge of which paths exist.
    assert key_lines(TEXT).keys() == paths(tomllib.loads(TEXT)) - {()}


def test_an_unknown_key_falls_back_to_the_table_around_it() -> None:
    assert line_of(key_lines(TEXT), ("take", 0, "distance_m")) == 12
    assert line_of(key_lines(TEXT), ("nowhere",)) is None


@settings(deadline=None, derandomize=True, max_examples=50)
@given(st.text(alphabet="ab.=[]{}\"'\\#,\n 1", max_size=60))
def test_the_scan_ends_on_any_text(text: str) -> None:
    assert all(1 <= line <= text.count("\n") + 1 for line in key_lines(text).values())
