"""Which tests run through which lines of figures, reduce and insight, and how long each takes: for mutation.py.

    python -P benchmarks/mutation_map.py --tests figures --out covered/figures.json

coverage is no dependency of the program or its tests: `pip install --target FOLDER coverage`, and PYTHONPATH=FOLDER.
A line that runs while a shared fixture is made counts for every test that uses the fixture.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import coverage
import pytest

ROOT = Path(__file__).parents[1]
SOURCE = ROOT / "src" / "earwitness"
ROOMS = ("figures", "reduce", "insight")


class Mapped:
    """Plugin of pytest: a context of coverage for each test and each shared fixture."""

    def __init__(self) -> None:
        self.coverage = coverage.Coverage(
            data_file=None, config_file=False, source=[str(SOURCE / room) for room in ROOMS], messages=False
        )
        self.times_s: dict[str, float] = defaultdict(float)
        self.since_s = time.process_time()
        self.fixtures: dict[str, list[str]] = {}
        self.context = "import"

    def pytest_sessionstart(self) -> None:
        self.coverage.start()
        self.coverage.switch_context(self.context)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: Any) -> Iterator[None]:
        defs = item._fixtureinfo.name2fixturedefs.values()
        self.fixtures[item.nodeid] = [_name(one) for row in defs for one in row if one.scope != "function"]
        with self.within(item.nodeid):
            return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Iterator[None]:
        with self.within(self.context if fixturedef.scope == "function" else _name(fixturedef)):
            return (yield)

    @contextmanager
    def within(self, context: str) -> Iterator[None]:
        """Lines and processor time count for `context` inside, and for what was before afterwards."""
        before = self.context
        self._switch(context)
        try:
            yield
        finally:
            self._switch(before)

    def _switch(self, context: str) -> None:
        now_s = time.process_time()
        self.times_s[self.context] += now_s - self.since_s
        self.since_s, self.context = now_s, context
        self.coverage.switch_context(context)

    def table(self) -> dict[str, Any]:
        """Lines of each module with the tests that run through them; processor time of each test [s]."""
        self.coverage.stop()
        data = self.coverage.get_data()
        users = defaultdict(list)
        for test, fixtures in self.fixtures.items():
            for one in fixtures:
                users[one].append(test)
        numbers = {test: number for number, test in enumerate(self.fixtures)}
        lines: dict[str, dict[str, list[int]]] = {}
        on_import: dict[str, list[int]] = {}
        for file in data.measured_files():
            module, found = str(Path(file).relative_to(SOURCE)), {}
            for line, contexts in data.contexts_by_lineno(file).items():
                tests = {test for one in contexts for test in ([one] if one in numbers else users.get(one, []))}
                if tests:
                    found[str(line)] = sorted(numbers[test] for test in tests)
            lines[module] = found
            on_import[module] = [line for line, them in data.contexts_by_lineno(file).items() if "import" in them]
        costs = [sum(self.times_s[one] for one in (test, *fixtures)) for test, fixtures in self.fixtures.items()]
        sources = {module: (SOURCE / module).read_text(encoding="utf-8") for module in lines}
        table = {"tests": list(numbers), "times_s": [round(cost, 4) for cost in costs]}
        return table | {"lines": lines, "on_import": on_import, "sources": sources}


def _name(fixture: Any) -> str:
    return f"fixture {fixture.baseid}::{fixture.argname}"


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tests", nargs="+", required=True, help="folders or files below tests/")
    parser.add_argument("--out", type=Path, required=True)
    given = parser.parse_args()
    os.chdir(ROOT)
    mapped = Mapped()
    tests = [f"tests/{name}" for name in given.tests]
    code = pytest.main(["-q", "--tb=no", "-p", "no:cacheprovider", "-p", "no:randomly", *tests], plugins=[mapped])
    given.out.parent.mkdir(parents=True, exist_ok=True)
    given.out.write_text(json.dumps(mapped.table()), encoding="utf-8")
    return int(code)


if __name__ == "__main__":
    sys.exit(main())
