"""Which session a name picks: by number, unit, variant; what cannot be told is asked with what there is.

Source: own rules, docs/compare.md; invented sessions.
"""

from __future__ import annotations

import pytest

from earwitness.archive.choose import Wanted, chosen, parted, picking
from earwitness.archive.entries import SessionEntry
from earwitness.errors import InputError
from earwitness.session.record import Unit, Variant

FIRST = SessionEntry(1, 1, "a", "2026-01-01", "", "", unit="unit A 12, left", variant="preset flat, grille off")
SECOND = SessionEntry(2, 1, "b", "2026-02-01", "", "", unit="unit B 7, right", variant="preset flat, grille on")
AGAIN = SessionEntry(3, 1, "c", "2026-03-01", "", "", unit="unit A 12, left", variant="grille off, after repair")
ASIDE = SessionEntry(4, 1, "d", "2026-04-01", "", "", standing="set aside", unit="unit C", variant="")
ALL = (ASIDE, FIRST, SECOND, AGAIN)


@pytest.mark.parametrize(
    ("wanted", "number"),
    [
        (Wanted(session=2), 2),
        (Wanted(session=4), 4),
        (Wanted(unit="a 12"), 3),
        (Wanted(unit="left"), 3),
        (Wanted(unit="B 7"), 2),
        (Wanted(variant="grille on"), 2),
        (Wanted(variant="flat"), 2),
        (Wanted(unit="A 12", variant="preset flat"), 1),
        (Wanted(variant="grille off, preset flat"), 1),
        (Wanted(variant="after repair"), 3),
    ],
)
def test_the_latest_that_fits_is_taken(wanted: Wanted, number: int) -> None:
    assert chosen(ALL, wanted, name="Model").id == number


@pytest.mark.parametrize("wanted", [Wanted(session=9), Wanted(unit="C"), Wanted(variant="grille"), Wanted(unit="A 1")])
def test_what_does_not_fit_is_told_with_what_there_is(wanted: Wanted) -> None:
    with pytest.raises(InputError) as told:
        chosen(ALL, wanted, name="Model")
    assert "session 3 of 2026-03-01, unit A 12, left, grille off, after repair" in str(told.value)
    assert "session 4" not in str(told.value)


@pytest.mark.parametrize(
    "wanted",
    [
        Wanted(),
        Wanted(session=3),
        Wanted(unit="A 12", variant="grille on"),
        Wanted(variant="preset flat, grille off"),
        Wanted(session=3, unit="A", variant="x"),
    ],
)
def test_a_pick_is_read_back_as_it_was_written(wanted: Wanted) -> None:
    name = picking("Model Two", session=wanted.session, unit=wanted.unit, variant=wanted.variant)
    called, read = parted(name)
    assert called == "Model Two"
    assert (read or Wanted()) == wanted


@pytest.mark.parametrize(
    "name", ["Model @", "Model @ 3", "Model @ session x", "Model @ unit A, unit B", "Model @ unit"]
)
def test_what_picks_nothing_is_refused_in_words(name: str) -> None:
    with pytest.raises(InputError):
        parted(name)


def test_labels_say_what_was_stated_and_nothing_else() -> None:
    assert Unit().label == Variant().label == ""
    assert Unit(serial="A 12", side="left").label == "unit A 12, left"
    told = Variant(preset="flat", firmware="2.1", grille="on", placement="half space", condition="after repair")
    assert told.label == "preset flat, firmware 2.1, grille on, placed half space, after repair"
