"""Errors say what, where, what was expected and what to do; exit codes are told apart."""

from __future__ import annotations

import pytest

from earwitness import errors


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
    from earwitness.reduce.bad_audio import BadRecordingsError

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
