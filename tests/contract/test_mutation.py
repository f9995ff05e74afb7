"""The program that changes the program: what it changes, and that a changed number is noticed."""

from __future__ import annotations

import ast
import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


@pytest.fixture(scope="module")
def mutation() -> ModuleType:
    spec = importlib.util.spec_from_file_location("benchmarks_mutation", BENCHMARKS / "mutation.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def changed(mutation: ModuleType, text: str) -> set[str]:
    tree = ast.parse(text)
    return {ast.unparse(other) for _, other in mutation.places(tree)}


def test_signs_edges_constants_and_sizes_are_changed(mutation: ModuleType) -> None:
    assert changed(mutation, "y = a - b") == {"a + b"}
    assert changed(mutation, "y = x ** 2") == {"x", "3"}
    assert changed(mutation, "y = x < 2.0") == {"x >= 2.0", "x <= 2.0", "2.2"}
    assert changed(mutation, "y = np.abs(x)") == {"x"}
    assert changed(mutation, "y = np.where(c, a, b)") == {"np.where(c, b, a)"}
    assert changed(mutation, "y = -x") == {"x"}


def test_messages_and_raises_are_left_alone(mutation: ModuleType) -> None:
    assert not changed(mutation, "def f(a: int) -> int:\n    raise ValueError(f'{a - 1} of 3')")
    assert not changed(mutation, "text = f'{a - 1} of 3'")


def test_a_mutant_differs_in_one_place_and_comes_alike_by_seed(mutation: ModuleType) -> None:
    first, again = (mutation.drawn(["figures/sensitivity.py"], 4, 3) for _ in range(2))
    assert first == again
    plain = ast.unparse(ast.parse((mutation.SOURCE / "figures/sensitivity.py").read_text(encoding="utf-8")))
    for mutant in first:
        pairs = zip(plain.splitlines(), mutant.source.splitlines(), strict=True)
        assert sum(old != new for old, new in pairs) == 1


def test_a_changed_number_is_noticed_where_it_is_held(mutation: ModuleType, tmp_path: Path) -> None:
    """One watt in R ohm asks for sqrt(R) volts (Ohm's law): half as many in 2 ohm as in 8, 20 lg 2 less."""
    module = "figures/sensitivity.py"
    held = tmp_path / "test_one_watt.py"
    held.write_text(
        "from math import log10\n\nfrom earwitness.figures.sensitivity import one_watt_level_db\n\n\n"
        "def test_one_watt():\n"
        "    found = [one_watt_level_db(90.0, rated_impedance_ohm=ohm) for ohm in (8.0, 2.0)]\n"
        "    assert abs(found[0] - found[1] - 20 * log10(2)) < 1e-9\n"
    )
    tree = ast.parse((mutation.SOURCE / module).read_text(encoding="utf-8"))
    inside = next(n for n in tree.body if isinstance(n, ast.FunctionDef) and n.name == "one_watt_level_db")
    rows = [
        row
        for row, (node, _) in enumerate(mutation.places(tree))
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult | ast.Div) and node.lineno > inside.lineno
    ]
    assert mutation.tried(None, [str(held)]) == mutation.SURVIVED
    outcomes = {mutation.tried(mutation.mutant_at(module, row), [str(held)]) for row in rows}
    assert mutation.KILLED in outcomes


def test_a_module_is_held_by_the_tests_that_import_it(mutation: ModuleType) -> None:
    names = {Path(file).name for file in mutation.tests_of("figures/windows.py")}
    assert "test_windows.py" in names
    assert "test_load_trust.py" not in names
