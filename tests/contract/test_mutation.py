"""The program that changes the program: what it changes, and that a changed number is noticed."""

from __future__ import annotations

import ast
import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


@pytest.fixture(scope="module")
def mutation() -> ModuleType:
    return loaded("mutants") and loaded("mutation")


def loaded(name: str) -> ModuleType:
    """A file of benchmarks/ as a module. That folder is no path of modules: one in it has the name of a library."""
    spec = importlib.util.spec_from_file_location(name, BENCHMARKS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def changed(mutation: ModuleType, text: str) -> set[str]:
    tree = ast.parse(text)
    return {ast.unparse(other) for _, other in mutation.mutants.places(tree)}


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
    first, again = (mutation.mutants.drawn(["figures/sensitivity.py"], 4, 3) for _ in range(2))
    assert [(one.line, one.after) for one in first] == [(one.line, one.after) for one in again]
    plain = ast.unparse(ast.parse((mutation.SOURCE / "figures/sensitivity.py").read_text(encoding="utf-8")))
    for mutant in first:
        pairs = zip(plain.splitlines(), ast.unparse(mutant.tree).splitlines(), strict=True)
        assert [new.strip() for old, new in pairs if old != new] == [mutant.after]


def test_a_changed_number_is_noticed_where_it_is_held(mutation: ModuleType, tmp_path: Path) -> None:
    """One watt in R ohm asks for sqrt(R) volts (Ohm's law): half as many in 2 ohm as in 8, 20 lg 2 less."""
    held = tmp_path / "test_one_watt.py"
    held.write_text(
        "from math import log10\n\nfrom earwitness.figures.sensitivity import one_watt_level_db\n\n\n"
        "def test_one_watt():\n"
        "    found = [one_watt_level_db(90.0, rated_impedance_ohm=ohm) for ohm in (8.0, 2.0)]\n"
        "    assert abs(found[0] - found[1] - 20 * log10(2)) < 1e-9\n"
    )
    found = one_watt_mutants(mutation)
    assert mutation.forked(lambda: mutation.cold(None, [str(held)]), 60.0) == (mutation.SURVIVED, None)
    outcomes = [mutation.forked(lambda one=one: mutation.cold(one, [str(held)]), 60.0)[0] for one in found]
    assert mutation.KILLED in outcomes


def one_watt_mutants(mutation: ModuleType) -> list[Any]:
    """Products for quotients and back in the function for one watt."""
    module = "figures/sensitivity.py"
    tree = ast.parse((mutation.SOURCE / module).read_text(encoding="utf-8"))
    inside = next(n for n in tree.body if isinstance(n, ast.FunctionDef) and n.name == "one_watt_level_db")
    return [
        mutation.mutants.mutant_at(module, row)
        for row, (node, _) in enumerate(mutation.mutants.places(tree))
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Mult | ast.Div) and node.lineno > inside.lineno
    ]


def test_code_is_exchanged_in_functions_that_live(mutation: ModuleType) -> None:
    from earwitness.figures.sensitivity import one_watt_level_db

    def with_it(mutant: Any) -> str | None:
        before = one_watt_level_db(90.0, rated_impedance_ohm=3.0)
        assert mutation.exchanged(mutant, mutation.living())
        return "changed" if one_watt_level_db(90.0, rated_impedance_ohm=3.0) != before else None

    for mutant in one_watt_mutants(mutation):
        assert mutant.function[0] == "one_watt_level_db"
        assert mutation.forked(lambda mutant=mutant: with_it(mutant), 60.0) == (mutation.KILLED, "changed")


def test_a_mutant_meets_the_tests_that_reach_it_its_own_and_the_quickest_first(mutation: ModuleType) -> None:
    """Times and lines made up; files as they are: test_rating.py imports figures/rating, test_windows.py does not."""
    mutant = mutation.mutants.mutant_at("figures/rating.py", 40)
    own, other = "tests/figures/test_rating.py::a", "tests/figures/test_windows.py::b"
    covered = mutation.Covered({own: 2.0, f"{own}b": 1.0, other: 0.1, "elsewhere": 0.0})
    assert mutant.function is not None
    assert covered.tests_of(mutant, 9.0) == []
    covered.lines[mutant.module][mutant.line] |= {own, f"{own}b", other}
    assert covered.tests_of(mutant, 9.0) == [f"{own}b", own, other]
    assert covered.tests_of(mutant, 0.5) == [f"{own}b"]
    assert covered.warm(mutant)
    covered.on_import[mutant.module] |= {mutant.line}
    assert not covered.warm(mutant)


def test_what_takes_effect_on_import_is_in_no_function(mutation: ModuleType) -> None:
    first = mutation.mutants.mutant_at("figures/rating.py", 0)
    assert (first.function, first.names) == (None, {"NARROW_BAND_HZ"})
    assert not mutation.Covered().warm(first)
