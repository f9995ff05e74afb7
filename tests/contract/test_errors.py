"""Errors say what, where, what was expected and what to do; exit codes are told apart."""

from __future__ import annotations

import ast
import re
import string
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import pytest

from earwitness import errors
from earwitness.files.data import table_of
from earwitness.quantities.measurement import Severity
from earwitness.reduce.flags import OWN


def classes(root: type[errors.EarwitnessError]) -> list[type[errors.EarwitnessError]]:
    """`root` and all below it."""
    return [root, *(c for child in root.__subclasses__() for c in classes(child))]


def test_every_error_has_its_own_exit_code_and_stands_in_the_tree() -> None:
    # What refines one of them elsewhere, for its catcher, ends the program as its parent does.
    all_classes = [one for one in classes(errors.EarwitnessError) if one.__module__ == errors.__name__]
    codes = [c.exit_code for c in all_classes]
    assert len(set(codes)) == len(codes)
    assert 0 not in codes
    tree = errors.__doc__ or ""
    for one in all_classes:
        assert any(one.__name__ in line and str(one.exit_code) in line.split() for line in tree.splitlines())


def test_what_refines_an_error_elsewhere_keeps_its_exit_code() -> None:
    from earwitness.archive.arrays import OlderLayoutError
    from earwitness.reduce.deconvolve import BadRecordingsError

    assert OlderLayoutError.exit_code == errors.ArchiveError.exit_code
    assert BadRecordingsError.exit_code == errors.AudioError.exit_code
    for one in classes(errors.EarwitnessError):
        if one.__module__ != errors.__name__:
            assert "exit_code" not in vars(one)


def test_the_four_parts_stand_in_order() -> None:
    text = str(errors.AudioError("it is clipped", where="h030.wav", expected="a peak below 1", remedy="repeat it"))
    assert text == "it is clipped\nwhere: h030.wav\nexpected: a peak below 1\nto do: repeat it"


def test_a_session_error_lists_every_fault_with_its_line() -> None:
    faults = [errors.Fault("unknown key", "session.toml", 7, "drive.volts", remedy="use voltage_v")]
    faults.append(errors.Fault("file is missing", "session.toml", 9))
    text = str(errors.SessionError("tarn", faults))
    assert "2 faults" in text
    assert "session.toml, line 7, drive.volts" in text
    assert "use voltage_v" in text
    assert "line 9" in text


def test_a_choice_lists_what_is_allowed() -> None:
    assert errors.choice("orbit", "vertical", ("horizontal", "vertical")) == "vertical"
    with pytest.raises(errors.InputError, match="one of horizontal, vertical"):
        errors.choice("orbit", "round", ("horizontal", "vertical"))


PACKAGE = Path(errors.__file__).parent
ROOMS = sorted(file.parent.name for file in PACKAGE.glob("*/errors.toml"))


def calls() -> Iterator[tuple[Path, ast.Call]]:
    """Every call in the program with the file that holds it."""
    for file in PACKAGE.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call):
                yield file, node


def told(file: Path, node: ast.Call) -> tuple[str, frozenset[str]]:
    """Name and facts of words that a call takes from a table of its own room."""
    assert isinstance(node.args[0], ast.Constant)
    name = str(node.args[0].value)
    assert name.partition(".")[0] == file.relative_to(PACKAGE).parts[0], "a room says its own words"
    return name, frozenset(str(one.arg) for one in node.keywords)


def said() -> Iterator[tuple[str, frozenset[str]]]:
    """Name and facts of every error whose words stand in a room's errors.toml."""
    for file, node in calls():
        is_of = isinstance(node.func, ast.Attribute) and node.func.attr == "of"
        if is_of and getattr(node.func.value, "id", "").endswith("Error"):
            yield told(file, node)


def sentences() -> Iterator[tuple[str, frozenset[str]]]:
    """Name and facts of every sentence that stands in a room's sentences.toml."""
    for file, node in calls():
        if isinstance(node.func, ast.Name) and node.func.id == "worded":
            yield told(file, node)


def facts_in(words: str) -> set[str]:
    """The facts that braces ask for."""
    return {re.split(r"[.[]", found)[0] for _, found, _, _ in string.Formatter().parse(words) if found}


def test_every_sentence_is_said_with_its_facts() -> None:
    rooms = sorted(file.parent.name for file in PACKAGE.glob("*/sentences.toml"))
    written = {f"{room}.{key}": facts_in(text) for room in rooms for key, text in table_of(room, "sentences").items()}
    assert set(written) == {name for name, _ in sentences()}
    for name, given in sentences():
        assert written[name] == given, name


def told_above(file: Path, line: int) -> set[str]:
    """Keys of the nearest dict of facts above a line."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    dicts = [one for one in ast.walk(tree) if isinstance(one, ast.AnnAssign) and ast.unparse(one.target) == "told"]
    nearest = max((one for one in dicts if one.lineno < line), key=lambda one: one.lineno).value
    assert isinstance(nearest, ast.Dict)
    return {str(key.value) for key in nearest.keys if isinstance(key, ast.Constant)}


def flags() -> Iterator[tuple[str, set[str]]]:
    """Name and keywords of every red flag; a call may choose between two, and facts may stand in a dict above it."""
    for file, node in calls():
        if isinstance(node.func, ast.Name) and node.func.id == "flag":
            given = {one.arg for one in node.keywords if one.arg is not None}
            given |= told_above(file, node.lineno) if len(given) < len(node.keywords) else set()
            first = node.args[0]
            for name in [first.body, first.orelse] if isinstance(first, ast.IfExp) else [first]:
                assert isinstance(name, ast.Constant)
                yield str(name.value), given


def test_every_flag_is_raised_with_its_facts() -> None:
    table = table_of("reduce", "flags")
    assert {name for name, _ in flags()} == set(table)
    for name, given in flags():
        entry = table[name]
        assert set(entry) <= {"id", "severity", "unit", "sentence"}
        assert entry.get("severity", "warn") in get_args(Severity)
        asked = facts_in(entry["sentence"]) | facts_in(entry.get("id", ""))
        of_band = {"low", "high", "low_hz", "high_hz"}
        facts = given - {"takes", "band_hz", "severity"}
        assert asked - OWN <= facts <= asked, name
        assert "band_hz" in given or not asked & of_band - facts, name
        assert "takes" in given or not asked & {"ids", "takes", "Takes", "named"}, name


def test_every_error_with_words_is_raised_and_every_word_has_its_error() -> None:
    written = {f"{room}.{key}" for room in ROOMS for key in errors.error_texts(room)}
    assert {name for name, _ in said()} == written


@pytest.mark.parametrize(("name", "given"), sorted(said(), key=str))
def test_words_have_their_facts(name: str, given: frozenset[str]) -> None:
    room, _, key = name.partition(".")
    text = errors.error_texts(room)[key]
    assert set(text) <= {"what", "expected", "remedy"}
    wanted = set().union(*map(facts_in, text.values()))
    assert wanted == given - {"where", "expected", "remedy"}
    # What is worth so many words says what to do, or at least what was expected.
    assert {"expected", "remedy"} & (set(text) | given)


def test_what_the_case_decides_stands_in_place_of_the_usual_words() -> None:
    found = errors.ArchiveError.of("archive.no_archive", where="here", remedy="look again")
    assert (found.what, found.where, found.remedy) == ("there is no archive here", "here", "look again")
