"""The invented loudspeakers of the catalogue: marked, alike on every run, and as their formulas say."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import freqs
from scipy.special import j1

from earwitness.demo.catalogue import COUNT, NOTE, Invented, _piston, catalogue, session_of, simulate, simulated
from earwitness.errors import InputError


def test_about_forty_all_different_and_all_marked_as_invented() -> None:
    every = catalogue()
    assert len(every) == COUNT == 40
    assert len({(one.maker, one.name) for one in every}) == COUNT
    for one in every:
        session = session_of(one)
        assert session.loudspeaker.invented
        assert "(invented)" in session.loudspeaker.title
        assert session.takes[0].note == NOTE
        assert "not recorded" in session.tester.obtained


def test_the_list_is_the_same_every_time_and_goes_on() -> None:
    assert catalogue(3) == catalogue(1000)[:3]
    assert len({(one.maker, one.name) for one in catalogue(1000)}) == 1000
    with pytest.raises(InputError):
        catalogue(-1)


def test_a_session_leads_back_to_its_loudspeaker_and_an_altered_one_does_not() -> None:
    one = catalogue(5)[4]
    session = session_of(one)
    assert simulated(session) == one
    other = session.model_copy(update={"loudspeaker": session.loudspeaker.model_copy(update={"name": "Ember 6"})})
    assert simulated(other) is None


def test_the_piston_is_2_j1_over_x_up_to_its_first_null() -> None:
    """2 J1(x)/x (Beranek, from memory), here with scipy; -3 dB at x = 1.616 (Beranek, from memory)."""
    wave = np.array([1.616])
    angle = np.array([0.0, np.pi / 2])
    found = _piston(1.0, wave, angle)
    assert found[0, 0] == 1.0
    assert found[1, 0] == pytest.approx(2 * j1(1.616) / 1.616, abs=0.001)
    assert 20 * np.log10(found[1, 0]) == pytest.approx(-3.0, abs=0.05)


def _corners(one: Invented) -> tuple[tuple[float, float], tuple[float, float]]:
    return (one.corner_hz, one.corner_q), (0.95 * one.corner_hz, 0.9)


def test_level_and_bass_are_what_the_list_says() -> None:
    """The bass of a vented one against scipy.signal.freqs of the two high-passes, two octaves from 15.6 Hz up."""
    one = next(c for c in catalogue() if c.enclosure == "vented")
    response = simulate(one).response
    level = response.level_db()[np.flatnonzero(response.directions.unit_vectors()[:, 0] > 0.999999)[0]]
    hz = response.axis.hz[:97]
    falls = [([1, 0, 0], [1, 2 * np.pi * f / q, (2 * np.pi * f) ** 2]) for f, q in _corners(one)]
    wanted = sum(20 * np.log10(np.abs(freqs(b, a, 2 * np.pi * hz)[1])) for b, a in falls)
    assert level[:97] - level[0] == pytest.approx(wanted - wanted[0], abs=0.3)
    passband = (response.axis.hz > 150) & (response.axis.hz < 1000)
    assert abs(np.median(level[passband]) - one.level_db) < 5.0


def test_behind_the_body_the_treble_is_weaker_than_the_bass() -> None:
    response = simulate(catalogue(1)[0]).response
    x = response.directions.unit_vectors()[:, 0]
    level = response.level_db()
    loss = level[int(np.argmax(x))] - level[int(np.argmin(x))]
    low, high = (int(np.argmin(np.abs(response.axis.hz - f))) for f in (40.0, 5000.0))
    assert abs(loss[low]) < 1.0
    assert loss[high] > 10.0
