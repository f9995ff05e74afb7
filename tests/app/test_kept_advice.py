"""Advice as the archive keeps it: the same as what was worked out, taken from there, and renewed where it must be."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from earwitness.app import advice as act
from earwitness.app.add import add_catalogue
from earwitness.app.advice import ADVICE, advice_document, advice_on, advice_step
from earwitness.app.match import match_loudspeaker
from earwitness.app.mend import mend_loudspeaker, study_aim
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.archive.catalogue import Archive
from earwitness.archive.values import plain, restored
from earwitness.errors import ArchiveError
from earwitness.exhibits.advice import Advice, MendAdvice


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("advice") / "archive"
    add_catalogue(made, count=1)
    return made


@pytest.fixture(scope="module")
def result(folder: Path) -> ReadResult:
    return read_loudspeaker("Alder 1", folder)


def test_kept_advice_says_what_is_worked_out_now(folder: Path, result: ReadResult) -> None:
    """Compared as documents, whose numbers have seven digits; those of arrays are kept to as many."""
    kept = advice_on(result, folder)
    mend = mend_loudspeaker(result, kept.findings)
    bands = 0 if mend.design is None else len(mend.design.equalizer.bands)
    now = replace(kept, mend=mend, aim=study_aim(result, bands=bands), match=match_loudspeaker(result, kept.findings))
    assert_alike(advice_document(result, kept), advice_document(result, now))


def assert_alike(one: object, other: object) -> None:
    if isinstance(one, float) and isinstance(other, float):
        assert one == pytest.approx(other, rel=3e-6, abs=3e-6)
    elif isinstance(one, dict) and isinstance(other, dict):
        assert one.keys() == other.keys()
        for key in one:
            assert_alike(one[key], other[key])
    elif isinstance(one, list) and isinstance(other, list):
        for a, b in zip(one, other, strict=True):
            assert_alike(a, b)
    else:
        assert one == other


def test_it_is_worked_out_once(folder: Path, result: ReadResult, monkeypatch: pytest.MonkeyPatch) -> None:
    first = advice_document(result, advice_on(result, folder))
    monkeypatch.setattr(act, "mend_loudspeaker", None)
    monkeypatch.setattr(act, "study_aim", None)
    assert advice_document(result, advice_on(result, folder)) == first
    monkeypatch.setattr(act, "RULES", act.RULES + 1)
    with pytest.raises(TypeError):
        advice_on(result, folder)


def test_advice_in_another_form_is_worked_out_anew(folder: Path, result: ReadResult) -> None:
    first = advice_document(result, advice_on(result, folder))
    made = advice_step(result)
    with Archive.open(folder) as archive:
        document = archive.document(made.key, ADVICE)
        assert document is not None
        del document["mend"]["value"]["verdict"]
        archive.keep_document(1, made, ADVICE, document)
    assert advice_document(result, advice_on(result, folder)) == first
    with Archive.open(folder) as archive:
        again = archive.document(made.key, ADVICE)
    assert again is not None
    assert "verdict" in again["mend"]["value"]


def test_values_come_back_and_what_does_not_fit_is_refused(folder: Path, result: ReadResult) -> None:
    mend = advice_on(result, folder).mend
    assert mend is not None
    document = json.loads(json.dumps(plain(mend)))
    back = restored(MendAdvice, document)
    assert isinstance(back, MendAdvice)
    assert back.design == mend.design or json.dumps(plain(back)) == json.dumps(plain(mend))
    for harm in ({}, {"value": {}, "arrays": []}, {"value": {"goal": 3}, "arrays": []}):
        with pytest.raises(ArchiveError):
            restored(MendAdvice, harm)
    assert restored(MendAdvice | None, plain(None)) is None
    with pytest.raises(TypeError, match="plain form"):
        plain(Advice)
