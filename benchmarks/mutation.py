"""Do the tests notice a changed number? Small changes of the program, one at a time, against the tests that know it.

    python benchmarks/mutation.py --mutants 80 --seed 1
    python benchmarks/mutation.py --only figures/windows.py reduce/budget.py --mutants 40

A mutant is one module with one change: a sign, a comparison's edge, a constant (a tenth more, or one), an exponent, a
product for a quotient, minimum for maximum, any for all, a root or a size left out, the two sides of a choice
exchanged. Messages, annotations, defaults of data classes' decorators and `raise` are left alone: only what may change
a number counts. Mutants are drawn by seed, evenly over all places of the rooms. A module's tests are those of its room
that import it (of insight and of reduce their folders' too); they run until the first fails, in a fork of one process
that has the libraries loaded, with a limit of time; a mutant that does not end counts as killed. Prints the score by
module and every survivor as the changed line.
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.abc
import importlib.machinery
import os
import random
import re
import signal
import sys
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).parents[1]
SOURCE, TESTS = ROOT / "src" / "earwitness", ROOT / "tests"
ROOMS = ("figures", "reduce", "insight")
LIMIT_S = 240
KILLED, SURVIVED, LATE = "killed", "survived", "does not end"

EDGES: dict[type[ast.cmpop], type[ast.cmpop]] = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.GtE,
    ast.LtE: ast.Gt,
    ast.Gt: ast.LtE,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
COMBINED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
    ast.FloorDiv: ast.Div,
}
NAMED = {
    "minimum": "maximum",
    "maximum": "minimum",
    "min": "max",
    "max": "min",
    "any": "all",
    "all": "any",
    "argmax": "argmin",
    "argmin": "argmax",
    "floor": "ceil",
    "ceil": "floor",
    "median": "mean",
}
LEFT_OUT = frozenset({"abs", "sqrt", "square", "log10", "log2", "flip"})


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: module as "figures/windows.py", its source as a whole, the line before and after."""

    module: str
    line: int
    before: str
    after: str
    source: str


def places(tree: ast.Module) -> Iterator[tuple[ast.AST, ast.AST]]:
    """Nodes that may be changed, each with what would stand in its place."""
    for node in _counting(tree):
        yield from ((node, other) for other in _others(node))


def _counting(node: ast.AST) -> Iterator[ast.AST]:
    """Everything that may change a number, without messages, annotations, decorators, imports and raises."""
    if isinstance(node, ast.Raise | ast.JoinedStr | ast.Import | ast.ImportFrom | ast.Assert):
        return
    if isinstance(node, ast.Assign | ast.Expr | ast.Return) and any(
        isinstance(n, ast.JoinedStr) for n in ast.walk(node)
    ):
        return
    yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params"):
            continue
        if isinstance(node, ast.AnnAssign) and name == "value" and isinstance(value, ast.Call):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.AST):
                yield from _counting(child)


def _others(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.Constant) and isinstance(node.value, int) and not isinstance(node.value, bool):
        yield ast.Constant(node.value + 1)
    elif isinstance(node, ast.Constant) and isinstance(node.value, float):
        yield ast.Constant(node.value * 1.1 or 0.1)
    elif isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARED:
        yield ast.Compare(node.left, [COMPARED[type(node.ops[0])](), *node.ops[1:]], node.comparators)
        # Between two measured numbers the edge itself never comes up.
        if type(node.ops[0]) in EDGES and isinstance(node.comparators[0], ast.Constant):
            yield ast.Compare(node.left, [EDGES[type(node.ops[0])](), *node.ops[1:]], node.comparators)
    elif isinstance(node, ast.BinOp):
        if type(node.op) in COMBINED:
            yield ast.BinOp(node.left, COMBINED[type(node.op)](), node.right)
        elif isinstance(node.op, ast.Pow):
            yield node.left
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(ast.And() if isinstance(node.op, ast.Or) else ast.Or(), node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not | ast.Invert):
        yield node.operand
    elif isinstance(node, ast.IfExp):
        yield ast.IfExp(node.test, node.orelse, node.body)
    elif isinstance(node, ast.Call):
        yield from _other_calls(node)


def _other_calls(node: ast.Call) -> Iterator[ast.AST]:
    function = node.func
    name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
    if name in NAMED:
        other = copy.deepcopy(function)
        setattr(other, "attr" if isinstance(function, ast.Attribute) else "id", NAMED[name])
        yield ast.Call(other, node.args, node.keywords)
    elif name in LEFT_OUT and len(node.args) == 1:
        yield node.args[0]
    elif name == "where" and len(node.args) == 3:
        yield ast.Call(function, [node.args[0], node.args[2], node.args[1]], node.keywords)
    elif name == "hypot" and len(node.args) == 2:
        yield node.args[0]


def mutant_at(module: str, row: int) -> Mutant | None:
    """The change at a place of a module; None where it leaves the program as it is."""
    text = (SOURCE / module).read_text(encoding="utf-8")
    tree = ast.parse(text)
    node, other = list(places(tree))[row]
    plain = ast.unparse(tree).splitlines()
    source = ast.unparse(ast.fix_missing_locations(_Exchange(node, other).visit(ast.parse(text))))
    changed = [new for old, new in zip(plain, source.splitlines(), strict=False) if old != new]
    if not changed:
        return None
    line = int(getattr(node, "lineno", 0))
    return Mutant(module, line, text.splitlines()[line - 1].strip(), changed[0].strip(), source)


class _Exchange(ast.NodeTransformer):
    """Puts `other` where a fresh parse has the node of the same kind and place as `node`."""

    def __init__(self, node: ast.AST, other: ast.AST) -> None:
        self.wanted, self.other, self.done = _place(node), other, False

    def visit(self, node: ast.AST) -> ast.AST:
        if not self.done and _place(node) == self.wanted:
            self.done = True
            return self.other
        return super().generic_visit(node)


def _place(node: ast.AST) -> tuple[object, ...]:
    return (type(node), *(getattr(node, key, None) for key in ("lineno", "col_offset", "end_lineno", "end_col_offset")))


def tests_of(module: str) -> list[str]:
    """Test files of the module's room that import it; those of the whole room where none does."""
    room, name = module.partition("/")[0], module.removesuffix(".py").replace("/", ".")
    parent, _, last = name.rpartition(".")
    direct = re.compile(
        rf"earwitness\.{re.escape(name)}\b|from earwitness\.{re.escape(parent)} import [^\n]*\b{last}\b"
    )
    files = sorted((TESTS / room).glob("test_*.py"))
    known = [str(file) for file in files if direct.search(file.read_text(encoding="utf-8"))]
    return known or [str(file) for file in files]


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
        exec(compile(self.mutant.source, self.file, "exec"), module.__dict__)


def tried(mutant: Mutant | None, tests: Sequence[str], limit_s: int = LIMIT_S) -> str:
    """What became of a mutant, in a process of its own; None : the program as it is."""
    child = os.fork()
    if child == 0:
        os._exit(_run_tests(mutant, tests, limit_s))
    _, status = os.waitpid(child, 0)
    if os.WIFSIGNALED(status):
        return LATE if os.WTERMSIG(status) == signal.SIGALRM else KILLED
    return SURVIVED if os.WEXITSTATUS(status) == 0 else KILLED


def _run_tests(mutant: Mutant | None, tests: Sequence[str], limit_s: int) -> int:
    import pytest

    signal.alarm(limit_s)
    nothing = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    os.dup2(nothing, 2)
    if mutant is not None:
        sys.meta_path.insert(0, _Mutated(mutant))
    for name in [name for name in sys.modules if name.partition(".")[0] == "earwitness"]:
        del sys.modules[name]
    os.chdir(ROOT)
    return int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-p", "no:randomly", *tests]))


def drawn(modules: Sequence[str], count: int, seed: int) -> list[Mutant]:
    """So many mutants of the modules, by seed, in the order of modules and lines."""
    every = []
    for module in modules:
        tree = ast.parse((SOURCE / module).read_text(encoding="utf-8"))
        every += [(module, row) for row in range(len(list(places(tree))))]
    random.Random(seed).shuffle(every)
    found: list[Mutant] = []
    for module, row in every:
        mutant = mutant_at(module, row) if len(found) < count else None
        found += [] if mutant is None else [mutant]
    return sorted(found, key=lambda one: (one.module, one.line))


def modules_of(rooms: Sequence[str]) -> list[str]:
    return [
        str(file.relative_to(SOURCE))
        for room in rooms
        for file in sorted((SOURCE / room).rglob("*.py"))
        if file.name != "__init__.py"
    ]


def table_of(outcomes: list[tuple[Mutant, str]]) -> str:
    """Score by room and module."""
    counts: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for mutant, outcome in outcomes:
        room = mutant.module.partition("/")[0]
        for key in (room, mutant.module):
            counts[key][0] += outcome != SURVIVED
            counts[key][1] += 1
    lines = ["| room or module | mutants | killed |", "| --- | ---: | ---: |"]
    for key in sorted(counts):
        killed, tried_ones = counts[key]
        lines.append(f"| {key} | {tried_ones} | {100 * killed / tried_ones:.0f} % |")
    return "\n".join(lines)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--mutants", type=int, default=80)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rooms", nargs="+", choices=ROOMS, default=ROOMS)
    parser.add_argument("--only", nargs="+", help="modules below src/earwitness")
    given = parser.parse_args()
    # Loaded once, so that no fork has to; what pytest rewrites must not be loaded before it.
    for name in ("numpy", "scipy.interpolate", "scipy.signal", "scipy.optimize", "pydantic", "pytest"):
        importlib.import_module(name)
    outcomes, sound = [], dict[tuple[str, ...], str]()
    for mutant in drawn(given.only or modules_of(given.rooms), given.mutants, given.seed):
        tests = tests_of(mutant.module)
        began, key = time.perf_counter(), tuple(tests)
        if key not in sound:
            sound[key] = tried(None, tests)
            if sound[key] != SURVIVED:
                print(f"the tests of {mutant.module} fail without any change: left out", file=sys.stderr)
        if sound[key] != SURVIVED:
            continue
        outcome = tried(mutant, tests)
        outcomes.append((mutant, outcome))
        told = f"{outcome}, {time.perf_counter() - began:.0f} s: {mutant.module}:{mutant.line}: {mutant.after}"
        print(told, file=sys.stderr, flush=True)
    print(table_of(outcomes))
    survivors = [mutant for mutant, outcome in outcomes if outcome == SURVIVED]
    for mutant in survivors:
        print(f"\n{mutant.module}:{mutant.line}\n    {mutant.before}\n    {mutant.after}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
