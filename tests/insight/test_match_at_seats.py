"""The prediction at seats against planted rooms: what is planted is told, and what is not is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.exhibits.match import at_seats_chart
from earwitness.insight.match.in_room import K95, AtSeats, BassEqualizer, ListeningRoom, at_seats, thirds_db, whose_part
from earwitness.insight.mend.equalizer import gain_db
from earwitness.quantities import Curve, DirectionalResponse, Reading, SeatReading, cta_orbits, log_axis, report_axis
from earwitness.session.room_plan import RoomPlan

ROOM = ListeningRoom(27.0, 2.6, 0.4)
LEVEL_DB = 88.0
AXIS = log_axis(20.0, 20_000.0, 24)
PLAN = RoomPlan.model_validate({
    "room": {"length_m": 6.0, "width_m": 4.5, "height_m": 2.6, "reverberation_s": 0.4},
    "loudspeaker": [{"name": "left", "position_m": (0.8, 2.2, 1.0), "aim_at_m": (4.0, 2.2, 1.0)}],
    "seat": [{"name": f"s{i}", "position_m": at} for i, at in enumerate(
        [(3.6, 1.4, 1.0), (3.6, 2.2, 1.1), (3.6, 3.0, 1.0), (4.4, 1.4, 1.1), (4.4, 2.2, 1.0), (4.4, 3.0, 1.1)])],
})  # fmt: skip


def everywhere_alike() -> tuple[Reading, DirectionalResponse]:
    """A source of 88 dB in all directions."""
    axis, directions = report_axis(), cta_orbits()
    shape = (len(directions), len(axis))
    flat = np.ones(shape)
    response = DirectionalResponse(
        axis, directions, flat * 10 ** (LEVEL_DB / 20) * 20e-6 / 2.83 + 0j, 0.05 * flat, 0.1 * flat[0], flat > 0
    )
    curves = {key: Curve(key, key, axis, LEVEL_DB * flat[0], 0.05 * flat[0], 0.1 * flat[0], flat[0] > 0, "dB", "dB SPL")
              for key in ("on_axis", "sound_power")}  # fmt: skip
    return Reading(curves=curves, figures={}, maps={}, missing={}, choices={}), response


READING, RESPONSE = everywhere_alike()


def takes(random: np.random.Generator | None = None, extra_db: np.ndarray | float = 0.0) -> list[SeatReading]:
    """What the formula gives at every seat by hand (Barron and Lee), with the scatter of a diffuse field: energies of
    Gaussian decays of the same time, or without any."""
    found = []
    for seat in PLAN.seats:
        distance = float(np.linalg.norm(np.subtract(seat.position_m, PLAN.loudspeakers[0].position_m)))
        direct, kept = distance**-2.0, 10 ** (ROOM.reverberant_db(distance) / 10)
        energy = np.full(len(AXIS), direct + kept)
        if random is not None:
            rate, time = 48_000, np.arange(32_768) / 48_000
            tail = random.standard_normal(time.size) * np.exp(-3 * np.log(10) * time / 0.4)
            spectrum = np.fft.rfft(tail * np.sqrt(kept / np.sum(tail**2))) + np.sqrt(direct)
            power, hz = np.abs(spectrum) ** 2, np.fft.rfftfreq(time.size, 1 / rate)
            edges = np.searchsorted(hz, [AXIS.hz * 2 ** (-1 / 48), AXIS.hz * 2 ** (1 / 48)])
            energy = np.array([power[a : max(b, a + 1)].mean() for a, b in edges.T])
        level = LEVEL_DB + 10 * np.log10(energy) + extra_db
        found.append(SeatReading(seat.name, seat.name, 0.0, "", AXIS, level, np.ones(len(AXIS), dtype=bool)))
    return found


def judged(some: list[SeatReading]) -> AtSeats:
    return at_seats(READING, RESPONSE, some, PLAN, ROOM)


def test_what_the_formula_gives_holds_exactly() -> None:
    found = judged(takes())
    assert found.does_hold
    assert found.level_db[0] == pytest.approx(0.0, abs=0.01)
    assert found.slope_db[0] == pytest.approx(0.0, abs=0.01)
    assert found.outside_hz == ()
    # Twice the Schroeder frequency, 2000 sqrt(T / V) = 151 Hz, or less where the seats tell enough.
    assert 151.0 <= found.measured.axis.hz[0] <= 320.0
    assert "holds at the seats of 6 takes" in found.sentences[0]


def test_a_planted_level_and_slope_are_found() -> None:
    """4 dB too loud, and 0.8 dB an octave too steep: by a plain line through what is left of the formula's own."""
    loud = judged(takes(extra_db=4.0))
    assert loud.level_db[0] == pytest.approx(4.0, abs=0.05)
    assert not loud.does_hold
    steep = judged(takes(extra_db=-0.8 * np.log2(AXIS.hz / 1000.0)))
    assert steep.slope_db[0] == pytest.approx(-0.8, abs=0.03)
    assert abs(steep.slope_db[0]) > K95 * steep.slope_db[1]
    assert not steep.does_hold
    assert "does not hold" in steep.sentences[0]


def test_a_planted_band_is_named_and_one_loudspeaker_cannot_tell_whose_it_is() -> None:
    bump = 6.0 * (np.abs(np.log2(AXIS.hz / 2000.0)) < 1 / 6)
    found = judged(takes(extra_db=bump))
    assert [round(hz) for hz in found.outside_hz] == [1995]
    assert "cannot tell" in found.sentences[2]
    shared = whose_part(found, judged(takes(extra_db=bump)), "Other")
    own = whose_part(found, judged(takes()), "Other")
    assert "the room's, shared by both" in shared
    assert "this loudspeaker's" in own
    assert "shared" not in own


def test_diffuse_fields_lie_inside_as_often_as_is_said() -> None:
    """40 drawn fields of the same room: what the statistics say of a diffuse field alone would be 95 %; the model's
    share of the doubt makes it more."""
    random, inside, holds = np.random.default_rng(41), [], []
    for _ in range(40):
        found = judged(takes(random))
        off = found.measured.values - found.predicted.values
        inside += list(np.abs(off) <= K95 * found.predicted.u)
        holds.append(found.does_hold)
    assert np.mean(inside) >= 0.95
    assert np.mean(holds) >= 0.9
    # And it is no doubt that swallows everything: 2.5 dB at most in the treble.
    assert K95 * found.predicted.u[-1] < 2.5


def test_a_bass_equalizer_cuts_what_all_seats_share_and_fills_no_dip_that_one_seat_has() -> None:
    peak = 9.0 * np.exp(-((np.log2(AXIS.hz / 50.0) / 0.2) ** 2))
    some = takes(extra_db=peak)
    dip = -12.0 * np.exp(-((np.log2(AXIS.hz / 90.0) / 0.15) ** 2))
    some[0] = replace(some[0], level_db=some[0].level_db + dip)
    bass = judged(some).bass
    assert isinstance(bass, BassEqualizer)
    assert bass.after_db < 0.5 * bass.before_db
    assert bass.lost_db <= 3.0
    gains = gain_db(bass.equalizer, AXIS.hz)
    assert gains.max() <= 3.05
    assert gains[int(np.argmin(np.abs(AXIS.hz - 50.0)))] < -5.0
    assert abs(gains[int(np.argmin(np.abs(AXIS.hz - 90.0)))]) < 2.5
    assert all(band.frequency_hz <= bass.high_hz for band in bass.equalizer.bands)
    assert bass.u_db > 0.0


def test_a_deep_dip_of_all_seats_is_filled_by_3_db_at_most() -> None:
    dip = -10.0 * np.exp(-((np.log2(AXIS.hz / 60.0) / 0.35) ** 2))
    bass = judged(takes(extra_db=dip)).bass
    assert isinstance(bass, BassEqualizer)
    assert 1.0 < gain_db(bass.equalizer, AXIS.hz).max() <= 3.05
    assert bass.lost_db == pytest.approx(gain_db(bass.equalizer, AXIS.hz).max(), abs=0.1)


def test_three_seats_are_too_few_for_an_equalizer() -> None:
    bass = judged(takes()[:3]).bass
    assert isinstance(bass, str)
    assert "4 seats, there are 3" in bass


def test_a_mean_of_levels_in_place_of_energies_would_be_seen() -> None:
    """Ten and zero dB: the energy mean is 7.40 dB, the mean of levels 5 dB (by hand)."""
    hz = np.geomspace(900.0, 1100.0, 2)
    assert thirds_db(hz, np.array([10.0, 0.0]), np.array([1000.0]))[0] == pytest.approx(7.404, abs=1e-3)


def test_a_seat_that_is_not_on_the_plan_is_told() -> None:
    stray = replace(takes()[0], seat="attic")
    with pytest.raises(InputError, match="attic"):
        judged([stray])
    deaf = [replace(one, valid=np.zeros(len(AXIS), dtype=bool)) for one in takes()]
    with pytest.raises(InputError, match="only 0 third octaves"):
        judged(deaf)


def test_no_equalizer_is_offered_for_what_chance_makes_of_an_even_bass() -> None:
    """Forty rooms whose bass is even but for the scatter of a diffuse field: what is offered must gain for certain."""
    random = np.random.default_rng(29)
    found = [judged(takes(random)).bass for _ in range(40)]
    for one in found:
        if isinstance(one, BassEqualizer):
            assert one.before_db - one.after_db > 2.0 * one.u_db
    assert any(isinstance(one, str) and "nothing certain" in one for one in found)


def test_the_chart_lays_what_was_measured_over_what_was_predicted() -> None:
    found = judged(takes(extra_db=4.0))
    drawn = at_seats_chart(found)
    predicted, measured = drawn.panels[0].traces
    assert (predicted.label, measured.label) == ("predicted", "measured")
    assert measured.curve.values - predicted.curve.values == pytest.approx(4.0, abs=0.05)
    assert predicted.ribbon
    assert drawn.panels[0].low <= predicted.curve.values.min()
    assert drawn.panels[0].high >= measured.curve.values.max()
    assert "does not hold" in drawn.caption.finding
