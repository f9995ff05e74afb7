"""Every check id that a test names stands in the reference of this repository."""

from __future__ import annotations

import json
import re
from collections import Counter
from collections.abc import Iterable
from pathlib import Path

ROOT = Path(__file__).parents[2]
REFERENCE = ROOT / "docs" / "reference"
ROW_ID = re.compile(r"\b[CERU]\d{1,2}[a-z]?\.\d{1,3}\b")
KEY_ID = re.compile(r"\bs\d\.[a-z][a-z0-9_.]+[a-z0-9]\b")


def rows() -> Counter[str]:
    """First cells of the tables' rows in all pages."""
    cells = re.findall(r"^\| ([A-Z]\d{1,2}[a-z]?\.\d{1,3}) \|", pages(), flags=re.MULTILINE)
    return Counter(cells)


def pages() -> str:
    return "\n".join(page.read_text(encoding="utf-8") for page in sorted(REFERENCE.glob("*.md")))


def keys() -> set[str]:
    found = json.loads((REFERENCE / "checks_processing.json").read_text(encoding="utf-8"))
    return {str(key) for key in found}


def test_the_reference_holds_check_values() -> None:
    assert len(rows()) > 300
    assert len(keys()) > 100


def named(text: str) -> set[str]:
    return {*ROW_ID.findall(text), *KEY_ID.findall(text)}


def unknown(ids: Iterable[str]) -> set[str]:
    known = {*rows(), *keys()}
    return {one for one in ids if one not in known and not any(key.startswith(one) for key in keys())}


def test_an_id_that_stands_nowhere_is_found() -> None:
    assert unknown(named('"""C1.18 and C99.1; s3.keele and s3.of_nobody."""')) == {"C99.1", "s3.of_nobody"}


def test_every_id_of_a_test_is_a_row_of_the_reference() -> None:
    tests = [path for path in (ROOT / "tests").rglob("test_*.py") if path != Path(__file__)]
    found = {path.name: named(path.read_text(encoding="utf-8")) for path in tests}
    assert sum(map(len, found.values())) > 150
    missing = {name: sorted(unknown(ids)) for name, ids in found.items() if unknown(ids)}
    assert not missing
