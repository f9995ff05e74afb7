"""Do the tests notice a changed result? Small changes of the program, one at a time, against the tests that reach them.

    python -P benchmarks/mutation_map.py --tests figures insight reduce --out covered/map.json
    python benchmarks/mutation.py --map covered --mutants 400 --seed 1

mutants.py says what a change is and how they are drawn: by seed, evenly over all places of figures, reduce and
insight. The map says which tests run through a line, and how long each takes. A mutant meets the tests that run
through its line (or the rest of its statement), those of files that import the module first and the quickest first,
until one fails or the next would exceed `--budget` seconds of processor time; those of a constant are the tests that
run through the lines that name it. Tests of other rooms, the golden figures and the demo's truth are not asked: they
would kill more.

A mutant within a function is put into a process that has collected all tests, by a fork in which the function's code
is exchanged; one that takes effect on import starts from a fork that has only the libraries. A mutant survives where
no test failed, also where no test reaches it. It counts as killed when it does not end within thirty times the time
that its tests take unchanged, and 60 s at least. Each test that killed is run once without a change as well: kills by
a test that fails there do not count, and are told. Hypothesis draws the same examples for each mutant and keeps none.
"""

from __future__ import annotations

import argparse
import gc
import importlib
import importlib.abc
import importlib.machinery
import json
import os
import pickle
import re
import signal
import sys
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import CodeType, FunctionType, ModuleType
from typing import Any

import mutants
import pytest
from mutants import SOURCE, Mutant

ROOT = Path(__file__).parents[1]
ROOMS = ("figures", "reduce", "insight")
KILLED, SURVIVED, LATE, UNREACHED = "killed", "survived", "does not end", "survived, no test reaches it"
Functions = dict[tuple[str, str, int], list[FunctionType]]
NOT_EXCHANGED = "its code cannot be exchanged"
LIBRARIES = ("numpy", "scipy.interpolate", "scipy.signal", "scipy.optimize", "scipy.spatial", "pydantic", "sqlalchemy")


@dataclass
class Covered:
    """Tests by module and line, and the time of each [s]; lines that run on import."""

    times_s: dict[str, float] = field(default_factory=dict)
    lines: dict[str, dict[int, set[str]]] = field(default_factory=lambda: defaultdict(lambda: defaultdict(set)))
    on_import: dict[str, set[int]] = field(default_factory=lambda: defaultdict(set))

    @classmethod
    def read(cls, folder: Path) -> Covered:
        """All maps of a folder; SystemExit where a module has changed since."""
        found, changed = cls(), set()
        for file in sorted(folder.glob("*.json")):
            table = json.loads(file.read_text(encoding="utf-8"))
            for module, text in table["sources"].items():
                changed |= {module} if not _same(module, text) else set()
            tests = table["tests"]
            found.times_s |= dict(zip(tests, table["times_s"], strict=True))
            for module, lines in table["lines"].items():
                for line, numbers in lines.items():
                    found.lines[module][int(line)] |= {tests[number] for number in numbers}
            for module, imported in table["on_import"].items():
                found.on_import[module] |= set(imported)
        if changed:
            print(f"changed since the map was made, make it anew: {', '.join(sorted(changed))}", file=sys.stderr)
            raise SystemExit(2)
        return found

    def tests_of(self, mutant: Mutant, budget_s: float) -> list[str]:
        """Tests that reach the mutant, as this file says, within the budget; at least the first."""
        lines = self.lines[mutant.module]
        found = set(lines[mutant.line])
        if not found:
            found = {test for line in mutant.lines for test in lines[line]}
        if mutant.function is None:
            found = self._of_names(mutant) or {test for tests in lines.values() for test in tests}
        chosen, spent_s = [], 0.0
        own = {file for file in {test.partition("::")[0] for test in found} if _imports(file, mutant.module)}
        order = sorted(found, key=lambda one: (one.partition("::")[0] not in own, self.times_s[one], one))
        for test in order:
            spent_s += self.times_s[test]
            if chosen and spent_s > budget_s:
                break
            chosen.append(test)
        return chosen

    def _of_names(self, mutant: Mutant) -> set[str]:
        """Tests that run through a line which names what the changed statement gives, in whichever module."""
        if not mutant.names:
            return set()
        named = re.compile(rf"\b({'|'.join(map(re.escape, sorted(mutant.names)))})\b")
        found = set()
        for module, lines in self.lines.items():
            text = (SOURCE / module).read_text(encoding="utf-8")
            if named.search(text):
                rows = [number for number, line in enumerate(text.splitlines(), 1) if named.search(line)]
                found |= {test for row in rows for test in lines.get(row, set())}
        return found

    def warm(self, mutant: Mutant) -> bool:
        """Whether its function's code may be exchanged after the import: not where it has run by then."""
        return mutant.function is not None and mutant.line not in self.on_import[mutant.module]


@cache
def _imports(file: str, module: str) -> bool:
    """Whether a file of tests imports the module by its name."""
    parent, _, last = module.removesuffix(".py").replace("/", ".").rpartition(".")
    named = rf"earwitness\.{re.escape(parent)}\.{last}\b|from earwitness\.{re.escape(parent)} import [^\n]*\b{last}\b"
    return re.search(named, (ROOT / file).read_text(encoding="utf-8")) is not None


def _same(module: str, text: str) -> bool:
    file = SOURCE / module
    return file.is_file() and file.read_text(encoding="utf-8") == text


class _Mutated(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module from a changed source."""

    def __init__(self, mutant: Mutant) -> None:
        self.mutant, self.file = mutant, str(SOURCE / mutant.module)
        self.name = "earwitness." + mutant.module.removesuffix(".py").replace("/", ".").removesuffix(".__init__")

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        del path, target
        return importlib.machinery.ModuleSpec(fullname, self, origin=self.file) if fullname == self.name else None

    def exec_module(self, module: ModuleType) -> None:
        module.__file__ = self.file
        exec(compile(self.mutant.tree, self.file, "exec"), module.__dict__)


class Warm:
    """Plugin of pytest: instead of the tests, forks of this process that has collected them, one for each mutant."""

    def __init__(self, tried: Callable[[Warm], None]) -> None:
        self.tried, self.items, self.functions = tried, dict[str, pytest.Item](), Functions()

    def pytest_sessionstart(self) -> None:
        _same_examples()

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self.items = {item.nodeid: item for item in session.items}
        gc.collect()
        self.functions = living()
        gc.freeze()
        self.tried(self)
        return True

    def run(self, mutant: Mutant | None, tests: Sequence[str]) -> str | None:
        """Name of the first test that fails with the mutant; None where none does."""
        if mutant is not None and not exchanged(mutant, self.functions):
            return NOT_EXCHANGED
        items = [self.items[test] for test in tests if test in self.items]
        for item, following in zip(items, [*items[1:], None], strict=True):
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            if item.session.testsfailed:
                return item.nodeid
        return None


def living() -> Functions:
    """Functions of the program that are there, by file, qualified name and first line."""
    found: Functions = {}
    for one in gc.get_objects():
        if isinstance(one, FunctionType) and one.__code__.co_filename.startswith(str(SOURCE)):
            found.setdefault((one.__code__.co_filename, *_key(one.__code__)), []).append(one)
    return found


def exchanged(mutant: Mutant, functions: Functions) -> bool:
    """Put the changed code into each living function of that name and line; False where that cannot be."""
    file = str(SOURCE / mutant.module)
    found = [code for code in _codes(compile(mutant.tree, file, "exec")) if _key(code) == mutant.function]
    alive = functions.get((file, *mutant.function), []) if mutant.function else []
    if len(found) != 1 or not alive:
        return False
    try:
        for function in alive:
            function.__code__ = found[0]
    except ValueError:  # other variables of the surroundings than before
        return False
    return True


def _codes(code: CodeType) -> Iterator[CodeType]:
    yield code
    for one in code.co_consts:
        if isinstance(one, CodeType):
            yield from _codes(one)


def _key(code: CodeType) -> tuple[str, int]:
    return (code.co_qualname, code.co_firstlineno)


def _same_examples() -> None:
    """Hypothesis draws the same examples each time and keeps none from one mutant to the next."""
    import hypothesis

    hypothesis.settings.register_profile(
        "mutants", parent=hypothesis.settings(), database=None, derandomize=True, print_blob=False
    )
    hypothesis.settings.load_profile("mutants")


class _First:
    """Plugin of pytest: the first test that failed."""

    def __init__(self) -> None:
        self.failed: str | None = None

    def pytest_sessionstart(self) -> None:
        _same_examples()

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.failed = report.nodeid if report.failed and self.failed is None else self.failed


def cold(mutant: Mutant | None, tests: Sequence[str]) -> str | None:
    """First test that fails where the module is imported changed."""
    if mutant is not None:
        sys.meta_path.insert(0, _Mutated(mutant))
    for name in [name for name in sys.modules if name.partition(".")[0] == "earwitness"]:
        del sys.modules[name]
    first = _First()
    code = pytest.main([*OPTIONS, "-x", *tests], plugins=[first])
    return None if code == 0 else first.failed or "import"


OPTIONS = ["-q", "--tb=no", "-p", "no:cacheprovider", "-p", "no:randomly", "-p", "no:xdist"]


def forked(run: Callable[[], str | None], limit_s: float) -> tuple[str, str | None]:
    """Outcome of a run in a process of its own, and the test that failed."""
    ours, theirs = os.pipe()
    child = os.fork()
    if child == 0:
        _in_child(run, limit_s, theirs)
    os.close(theirs)
    with os.fdopen(ours, "rb") as pipe:
        told = pipe.read()
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return (LATE if os.WTERMSIG(status) == signal.SIGALRM else KILLED), None
    failed = pickle.loads(told) if told else "end of the process"
    return (SURVIVED, None) if failed is None else (KILLED, failed)


def _in_child(run: Callable[[], str | None], limit_s: float, pipe: int) -> None:
    try:
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.alarm(int(limit_s) + 1)
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 1)
        os.dup2(nothing, 2)
        os.write(pipe, pickle.dumps(run()))
        os._exit(0)
    finally:
        os._exit(1)


@dataclass
class Round:
    """Mutants with their tests, and what became of each."""

    covered: Covered
    mutants: list[Mutant]
    budget_s: float
    until_s: float
    outcomes: dict[int, tuple[str, str | None]] = field(default_factory=dict)
    unsound: set[str] = field(default_factory=set)
    checked: set[str] = field(default_factory=set)

    def go(self) -> None:
        """Warm mutants in a process that has collected the tests of all; then the others."""
        tests = [self.covered.tests_of(one, self.budget_s) for one in self.mutants]
        warm = {row for row, one in enumerate(self.mutants) if self.covered.warm(one) and tests[row]}
        files = sorted({test.partition("::")[0] for row in warm for test in tests[row]})
        child = os.pipe()
        pid = os.fork()
        if pid == 0:
            os.close(child[0])
            plugin = Warm(lambda one: self._all(sorted(warm), tests, one))
            pytest.main([*OPTIONS, "-s", *files], plugins=[plugin])
            with os.fdopen(child[1], "wb") as pipe:
                pipe.write(pickle.dumps((self.outcomes, self.unsound, self.checked)))
            os._exit(0)
        os.close(child[1])
        with os.fdopen(child[0], "rb") as pipe:
            self.outcomes, self.unsound, self.checked = pickle.loads(pipe.read())
        os.waitpid(pid, 0)
        # Where time ended, what was drawn before the last one tried belongs to the same part of the draw.
        last = max(self.outcomes, default=0) if time.monotonic() > self.until_s else len(tests) - 1
        self.until_s = float("inf")
        self._all([row for row in range(last + 1) if row not in self.outcomes], tests, None)

    def _all(self, rows: Sequence[int], tests: list[list[str]], plugin: Warm | None) -> None:
        for row in rows:
            if time.monotonic() > self.until_s:
                break
            mutant, own = self.mutants[row], [test for test in tests[row] if test not in self.unsound]
            began = time.perf_counter()
            outcome, failed = self._tried(mutant, own, plugin)
            while failed in own and not self._sound(failed, plugin):
                own.remove(failed)
                outcome, failed = self._tried(mutant, own, plugin)
            if failed == NOT_EXCHANGED:
                continue
            self.outcomes[row] = (outcome, failed)
            told = (
                f"{outcome}, {time.perf_counter() - began:.1f} s: {mutant.module}:{mutant.line}: {mutant.after[:110]}"
            )
            print(told, file=sys.__stderr__, flush=True)

    def _tried(self, mutant: Mutant, tests: Sequence[str], plugin: Warm | None) -> tuple[str, str | None]:
        if not tests:
            return UNREACHED, None
        limit_s = max(60.0, 30.0 * sum(self.covered.times_s[test] for test in tests))
        return forked(lambda: plugin.run(mutant, tests) if plugin else cold(mutant, tests), limit_s)

    def _sound(self, test: str, plugin: Warm | None) -> bool:
        if test not in self.checked:
            self.checked.add(test)
            limit_s = max(120.0, 60.0 * self.covered.times_s[test])
            outcome, _ = forked(lambda: plugin.run(None, [test]) if plugin else cold(None, [test]), limit_s)
            if outcome != SURVIVED:
                self.unsound.add(test)
                print(f"fails without any change, not counted: {test}", file=sys.__stderr__, flush=True)
        return test not in self.unsound

    def table(self) -> str:
        """Survivors by room and module."""
        counts: dict[str, list[int]] = defaultdict(lambda: [0, 0, 0])
        for row, (outcome, _) in self.outcomes.items():
            module = self.mutants[row].module
            for key in ("all", module.partition("/")[0], module):
                counts[key][0] += 1
                counts[key][1] += outcome in (SURVIVED, UNREACHED)
                counts[key][2] += outcome == UNREACHED
        lines = ["| room or module | mutants | survived | of these not reached | survived [%] |"]
        lines += ["| --- | ---: | ---: | ---: | ---: |"]
        for key in sorted(counts, key=lambda one: (one != "all", one.endswith(".py"), one)):
            tried, left, unreached = counts[key]
            lines.append(f"| {key} | {tried} | {left} | {unreached} | {100 * left / tried:.1f} |")
        return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--map", type=Path, required=True, help="folder that mutation_map.py wrote")
    parser.add_argument("--mutants", type=int, default=80)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--budget", type=float, default=4.0, help="time of the tests of one mutant [s]")
    parser.add_argument("--minutes", type=float, default=float("inf"), help="begin no mutant after so long")
    parser.add_argument("--rooms", nargs="+", choices=ROOMS, default=ROOMS)
    parser.add_argument("--only", nargs="+", help="modules below src/earwitness")
    given = parser.parse_args()
    covered = Covered.read(given.map)
    os.chdir(ROOT)
    # Loaded once, so that no fork has to; what pytest rewrites must not be loaded before it.
    for name in LIBRARIES:
        importlib.import_module(name)
    modules = given.only or mutants.modules_of(given.rooms)
    until_s = time.monotonic() + 60.0 * given.minutes
    one = Round(covered, mutants.drawn(modules, given.mutants, given.seed), given.budget, until_s)
    one.go()
    print(f"{len(one.outcomes)} of {len(one.mutants)} tried\n\n{one.table()}")
    for row in sorted(one.outcomes, key=lambda row: (one.mutants[row].module, one.mutants[row].line)):
        mutant = one.mutants[row]
        if one.outcomes[row][0] in (SURVIVED, UNREACHED):
            print(f"\n{mutant.module}:{mutant.line} {one.outcomes[row][0]}\n    {mutant.before}\n    {mutant.after}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
