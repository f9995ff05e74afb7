"""Small changes of the program, one at a time, for mutation.py: where they may be made, and which are drawn.

A change is a sign, a comparison turned round or its edge, a constant (a tenth more, or one), an exponent left out, a
product for a quotient, minimum for maximum, any for all, a root or a size left out, the two sides of a choice
exchanged, true for false. Texts, annotations, decorators, assertions, `strict` of zip and `raise` are left alone: only
what may change what comes out counts.

Two kinds of change are never drawn, since they leave the program as it is: one whose source reads as before, and the
other edge (`<` for `<=`) between two computed numbers, which meet with probability nought. Against a constant the
edge is drawn. Nothing else is left out, whatever comes of it.
"""

from __future__ import annotations

import ast
import copy
import itertools
import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

SOURCE = Path(__file__).parents[1] / "src" / "earwitness"

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
    """One change: module as "figures/windows.py", its tree as a whole, the line before and after.

    `function` is the outermost function that holds the change, by its qualified name and first line (that of its first
    decorator, as in compiled code); None where the change takes effect while the module is imported. `lines` are those
    of the statement, or of its head, the changed line first.
    """

    module: str
    before: str
    after: str
    tree: ast.Module
    lines: tuple[int, ...]
    function: tuple[str, int] | None
    names: frozenset[str]

    @property
    def line(self) -> int:
        return self.lines[0]


def places(tree: ast.Module) -> Iterator[tuple[ast.AST, ast.AST]]:
    """Nodes that may be changed, each with what would stand in its place."""
    for node in _counting(tree):
        yield from ((node, other) for other in _others(node))


def _counting(node: ast.AST) -> Iterator[ast.AST]:
    """Everything that may change a result, without texts, annotations, decorators, imports and raises."""
    if isinstance(node, ast.Raise | ast.JoinedStr | ast.Import | ast.ImportFrom | ast.Assert):
        return
    yield node
    for name, value in ast.iter_fields(node):
        if name in ("annotation", "returns", "decorator_list", "type_params"):
            continue
        for child in value if isinstance(value, list) else [value]:
            if isinstance(child, ast.keyword) and child.arg == "strict":
                continue
            if isinstance(child, ast.AST):
                yield from _counting(child)


def _others(node: ast.AST) -> Iterator[ast.AST]:
    if isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int):
        yield ast.Constant(node.value + 1)
    elif isinstance(node, ast.Constant) and isinstance(node.value, float):
        yield ast.Constant(node.value * 1.1 or 0.1)
    elif isinstance(node, ast.Compare) and type(node.ops[0]) in COMPARED:
        yield ast.Compare(node.left, [COMPARED[type(node.ops[0])](), *node.ops[1:]], node.comparators)
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
    around = _around(tree, node)
    plain = ast.unparse(around[1]).splitlines()
    function, names, lines = _held_by(around), _assigned(around), _lines_of(around, node)
    _exchange(around[-2], node, ast.fix_missing_locations(ast.copy_location(other, node)))
    changed = [new for old, new in zip(plain, ast.unparse(around[1]).splitlines(), strict=False) if old != new]
    if not changed:
        return None
    return Mutant(
        module, text.splitlines()[lines[0] - 1].strip(), changed[0].strip(), tree, lines, function, frozenset(names)
    )


def _around(tree: ast.AST, wanted: ast.AST) -> list[ast.AST]:
    """From the module down to the node itself."""
    if tree is wanted:
        return [tree]
    for child in ast.iter_child_nodes(tree):
        found = _around(child, wanted)
        if found:
            return [tree, *found]
    return []


def _exchange(parent: ast.AST, node: ast.AST, other: ast.AST) -> None:
    for name, value in ast.iter_fields(parent):
        if value is node:
            setattr(parent, name, other)
        elif isinstance(value, list):
            value[:] = [other if child is node else child for child in value]


def _held_by(around: Sequence[ast.AST]) -> tuple[str, int] | None:
    """Outermost function whose body has the node, not its defaults; None on the way through a module or class."""
    classes = []
    for outer, inner in itertools.pairwise(around):
        if isinstance(outer, ast.FunctionDef | ast.AsyncFunctionDef) and inner in outer.body:
            first = min([outer.lineno, *(one.lineno for one in outer.decorator_list)])
            return ".".join([*classes, outer.name]), first
        if isinstance(outer, ast.Lambda):
            return None
        if isinstance(outer, ast.ClassDef):
            classes.append(outer.name)
    return None


def _assigned(around: Sequence[ast.AST]) -> set[str]:
    """Names that the outermost statement gives: those of an assignment, a function or a class."""
    statement = around[1]
    if isinstance(statement, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
        return {statement.name}
    return {one.id for one in ast.walk(statement) if isinstance(one, ast.Name) and isinstance(one.ctx, ast.Store)}


def _lines_of(around: Sequence[ast.AST], node: ast.AST) -> tuple[int, ...]:
    statement = next(one for one in reversed(around) if isinstance(one, ast.stmt))
    body = getattr(statement, "body", None)
    end = body[0].lineno - 1 if body else getattr(statement, "end_lineno", statement.lineno)
    own = int(getattr(node, "lineno", statement.lineno))
    return (own, *(line for line in range(statement.lineno, max(end, statement.lineno) + 1) if line != own))


def drawn(modules: Sequence[str], count: int, seed: int) -> list[Mutant]:
    """So many mutants of the modules, by seed, evenly over all places, in the order drawn: the first are a draw too."""
    every = []
    for module in modules:
        tree = ast.parse((SOURCE / module).read_text(encoding="utf-8"))
        every += [(module, row) for row in range(len(list(places(tree))))]
    random.Random(seed).shuffle(every)
    found: list[Mutant] = []
    for module, row in every:
        mutant = mutant_at(module, row) if len(found) < count else None
        found += [] if mutant is None else [mutant]
    return found


def modules_of(rooms: Sequence[str]) -> list[str]:
    """Modules of the rooms, as "figures/windows.py", in order."""
    return [
        str(file.relative_to(SOURCE))
        for room in rooms
        for file in sorted((SOURCE / room).rglob("*.py"))
        if file.name != "__init__.py"
    ]
