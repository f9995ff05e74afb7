"""Numbers and words of the reduction held from outside: exact cases, closed forms, definitions.

Sources beside each check; "definition" is that of the decibel, of a delay or of a word in the docs.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from earwitness.app.add import write_session
from earwitness.dsp.multitone import make_multitone
from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.formats.response_table import parse_response_table
from earwitness.quantities import Gate, cta_orbits
from earwitness.quantities.arrays import FloatArray, FrequencyAxis
from earwitness.quantities.response import u_of_causes_db
from earwitness.reduce.calibrate import _other_lines
from earwitness.reduce.impedance import _check_channel
from earwitness.reduce.impulse import Role, _peak
from earwitness.reduce.join import _apart_flags
from earwitness.reduce.loud_takes import _refuse_other_tones, _require_burst, reduce_limiter
from earwitness.reduce.nearfield.body import Body, Seat, _in_wall
from earwitness.reduce.nearfield.total import _beside, pull_db
from earwitness.reduce.orbit_checks import third_octaves
from earwitness.reduce.plan import ReduceSettings
from earwitness.reduce.quality import gate_flags
from earwitness.reduce.response_parts import level_of
from earwitness.reduce.responses import _causes, _gate, _harmonics, _Level, _phase_kind, reduce_responses
from earwitness.reduce.splice import LevelPrior, _impossible
from earwitness.session.from_files import Stated, survey
from earwitness.session.load import load_session
from earwitness.session.responses import ResponseFacts

RATE = 48_000
C = 343.0


def test_levels_of_sizes_are_20_lg() -> None:
    """Definition of the decibel: ten times the pressure is 20 dB; nothing at all is far down, but a number."""
    assert level_of(np.array([0.1, 1.0, 10.0])) == pytest.approx([-20.0, 0.0, 20.0])
    assert -1000.0 < level_of(np.zeros(1))[0] < -300.0


def test_a_pull_is_the_change_of_level() -> None:
    """Definition: 20 lg of the ratio of sizes, whatever the phases do."""
    before = np.full((1, 3), 0.2 + 0.0j)
    found = pull_db(before * np.array([1.5, 0.8j, -1.0]), before)
    assert found == pytest.approx(np.array([[3.5218, -1.9382, 0.0]]), abs=1e-4)


def test_beside_a_piston_its_sound_comes_later_by_the_path_and_is_that_of_its_pieces() -> None:
    """Rayleigh's integral of a piston in a plane, at wavelengths much longer than it: 1 / (2 pi r) of each piece."""
    radius, k = 0.05, np.array([0.01, 3.0])
    seat = Seat(np.zeros(3), np.array([1.0, 0.0, 0.0]), 0, 1.0, radius)
    ring = (np.arange(400) + 0.5) / 400 * radius
    turn = (np.arange(400) + 0.5) / 400 * 2 * np.pi
    for apart in (0.08, 0.2):
        path = np.hypot(apart - np.outer(ring, np.cos(turn)), np.outer(ring, np.sin(turn)))
        still = float(
            ((ring[:, None] / path).sum() * radius / 400 * 2 * np.pi / 400) / (2 * np.pi) / (np.pi * radius**2)
        )
        found = _beside(np.array([0.0, apart, 0.0]), seat, k)
        assert np.abs(found) == pytest.approx([still, still], rel=1e-3)
        assert np.angle(found) == pytest.approx(-k * apart, abs=1e-9)


def test_a_piston_at_the_reference_point_is_heard_alike_at_any_distance() -> None:
    """Referred to 1 m, the far field of one piston about its own middle has neither distance nor delay in it."""
    half = np.array([0.1, 0.2, 0.3])
    body = Body(False, half, np.array([-half[0], 0.0, 0.0]), 0.0, walled=True)
    seats = ((Seat(-body.middle_m, np.array([1.0, 0.0, 0.0]), 0, 1.0, 0.08),),)
    unit = cta_orbits().unit_vectors()
    unit = unit[unit[:, 0] > 0.1]
    k = 2 * np.pi * np.array([50.0, 400.0, 1500.0]) / C
    for distance_m in (0.7, 2.0):
        found = _in_wall(body, seats, (0.005,), unit, k, distance_m=distance_m)
        assert found.there is not None
        assert found.there == pytest.approx(found.far, rel=1e-9)


def test_a_reflection_is_told_in_milliseconds_beside_the_end_of_the_gate() -> None:
    """Definition: 5 ms of 8 ms."""
    gate = Gate(-0.5e-3, 8e-3, 2e-3, 8.5e-3, "room dimensions", 180.0)
    (flag,) = gate_flags([], gate, [12e-3, 5e-3])
    assert (flag.number, flag.threshold) == pytest.approx((5.0, 8.0))


def test_third_octaves_part_the_band_without_a_gap_and_without_anything_counted_twice() -> None:
    """IEC 61260-1: bands meet at their edges, a sixth of an octave off the middles. One loud line, one loud band."""
    hz = np.geomspace(200.0, 16_000.0, 500)
    lines = np.where(np.eye(hz.size) > 0, 60.0, -60.0)
    bands, middle_hz = third_octaves(lines, hz)
    loud = bands > 0.0
    assert (loud.sum(axis=1) == 1).all()
    assert np.abs(np.log2(middle_hz[np.argmax(loud, axis=1)] / hz)).max() <= 1 / 6 + 1e-9


@pytest.mark.parametrize(("distance_m", "told"), [(2.0, True), (4.0, True), (8.0, False)])
@pytest.mark.parametrize("off_m", [0.3, -0.3])
def test_bass_that_says_another_distance_is_told_by_how_far(distance_m: float, told: bool, off_m: float) -> None:
    """A pure delay of 0.3 m either way. What a tape measure may be off by grows with the distance: at 8 m it is more
    than at 4 m (common practice, no source). The number is a size, the words say which way."""
    hz = np.geomspace(60.0, 400.0, 60)
    near = np.ones((1, hz.size), complex)
    plan: Any = SimpleNamespace(axis=SimpleNamespace(hz=hz), speed_m_s=C)
    far: Any = SimpleNamespace(on_axis_row=0, distance_m=distance_m)
    bass: Any = SimpleNamespace(far=lambda: near)
    found = _apart_flags(plan, far, near * np.exp(-2j * np.pi * hz * off_m / C), bass, (60.0, 400.0))
    assert len(found) == told
    for flag in found:
        assert flag.number == pytest.approx(0.3, abs=0.01)
        assert f"{distance_m + off_m:.2f}" in flag.sentence


@pytest.mark.parametrize(
    ("gain_db", "words"), [(-4.0, " comes out 4.0 dB too loud"), (4.0, " comes out 4.0 dB too faint")]
)
def test_a_gain_is_told_as_a_size_and_a_way(gain_db: float, words: str) -> None:
    """Definition: "too loud" already says the sign."""
    prior = LevelPrior(0.2, np.array([0.3]), np.array([0.2]), known=True, may_turn=True)
    assert words in _impossible(prior, 0.3, gain_db, 0.0, False, (200.0, 400.0))


def test_the_peak_of_a_take_is_its_larger_side() -> None:
    """Definition of a peak: a burst may stand on one side of zero only."""
    role = Role("a", "a.wav", 1, None, 1.0)
    for sign in (1.0, -1.0):
        assert _peak(role, sign * np.array([0.0, 0.9, -0.05, 0.1]), "microphone", 1e-3) == pytest.approx(0.9)


def test_a_sine_whose_crests_fall_on_two_samples_is_not_clipped() -> None:
    """A sine of a sixth of the sample rate has two equal samples at each crest: exact, and right up to full scale."""
    sine = np.tile([1.0, 1.0, 0.0, -1.0, -1.0, 0.0], 400)
    _check_channel(sine, 1, "take z", may_be_silent=False)
    with pytest.raises(AudioError, match="clipped"):
        _check_channel(np.tile([1.0, 1.0, 1.0, 0.0, -1.0, -1.0, -1.0, 0.0], 400), 1, "take z", may_be_silent=False)


def test_hum_from_20_hz_up_is_told_beside_a_calibrator() -> None:
    """20 Hz is where the band of hearing begins (ISO 226); a tone below it is left alone."""
    time = np.arange(8 * RATE) / RATE
    calibrator: Any = SimpleNamespace(frequency_hz=1000.0)
    for hz, told in ((21.0, 1), (17.0, 0)):
        found = _other_lines(
            np.sin(2 * np.pi * 1000.0 * time) + 0.5 * np.sin(2 * np.pi * hz * time), calibrator, float(RATE)
        )
        assert len(found) == told
        for flag in found:
            assert flag.number == pytest.approx(20 * np.log10(0.5), abs=0.2)


@pytest.mark.parametrize(("louder_db", "refused"), [(8.5, False), (11.5, True)])
def test_a_burst_is_of_another_frequency_where_that_one_is_10_db_louder(louder_db: float, refused: bool) -> None:
    """Two tones whose levels are planted; 10 dB is ten times the power (definition)."""
    time = np.arange(RATE // 2) / RATE
    heard = np.sin(2 * np.pi * 50.0 * time) + 10 ** (louder_db / 20) * np.sin(2 * np.pi * 330.0 * time)
    take: Any = SimpleNamespace(id="b", file="b.wav", frequency_hz=50.0)
    if refused:
        with pytest.raises(AudioError, match="330"):
            _require_burst(heard, float(RATE), take, "take b")
    else:
        _require_burst(heard, float(RATE), take, "take b")


@pytest.mark.parametrize("rows_off", [-4, 4])
def test_a_clock_may_be_off_either_way(rows_off: int) -> None:
    """Faster or slower is the same fault: tones as far above as below their places count as them."""
    made = make_multitone(24_000, RATE, count=16, seed=6)
    spectrum = np.zeros(12_001, complex)
    rows = made.rows[np.asarray(made.rows) > 200]
    spectrum[rows + rows_off] = 1.0
    take: Any = SimpleNamespace(id="m", file="m.wav")
    _refuse_other_tones(np.fft.irfft(spectrum)[None], rows, take)


def test_a_limiter_is_told_in_volts_and_sound_pressure() -> None:
    """A line through: 10 V at the loudest step are 20 dB re 1 V; half a pascal peak is 84.95 dB SPL (rms re 20 uPa)."""
    rate = 2000
    stairs = np.repeat(10.0 ** (np.arange(-30.0, 1.0, 2.0) / 20.0), rate // 2)
    played = 0.5 * stairs * np.sin(2 * np.pi * 400.0 / rate * np.arange(stairs.size))
    take: Any = SimpleNamespace(
        id="l", file="l.wav", microphone_channel=1, drive_v=10.0, distance_m=1.0, frequency_hz=400.0
    )
    heard = Recording(np.stack([0.1 * played, played]), rate, "FLOAT")
    curve = reduce_limiter(take, heard, fs_per_pa=0.1, reference_channel=2, clipped=False).curve
    assert curve.in_db[-1] == pytest.approx(20.0, abs=0.01)
    assert curve.out_db[-1] == pytest.approx(20 * np.log10(0.5 / np.sqrt(2) / 20e-6), abs=0.02)
    assert curve.out_db - curve.in_db == pytest.approx(curve.gain_db * np.ones(curve.in_db.size), abs=0.05)


def test_a_phase_is_kept_as_what_it_was_stated_to_be() -> None:
    """The words of the session's facts; responses without a phase have none, whatever is stated."""
    with_phase: Any = SimpleNamespace(phase_rad=np.zeros((1, 4)))
    without: Any = SimpleNamespace(phase_rad=None)
    assert _phase_kind(ResponseFacts(phase="one time reference"), with_phase, []) == "common"
    assert _phase_kind(ResponseFacts(phase="none"), with_phase, []) == "none"
    flags: list[Any] = []
    assert _phase_kind(ResponseFacts(phase="one time reference"), without, flags) == "none"
    assert len(flags) == 1


def test_a_gate_reaches_no_lower_than_the_data_and_than_its_length() -> None:
    """Data from 80 Hz; a window of 5 ms holds one period of 200 Hz (a resolution of 1 / T, handbook)."""
    hz = np.array([20.0, 50.0, 80.0, 400.0])
    whole: Any = SimpleNamespace(known=np.array([[False, False, True, True], [False, False, False, True]]))
    assert _gate(ResponseFacts(), whole, hz).lowest_valid_hz == pytest.approx(80.0)
    assert _gate(ResponseFacts(gate_ms=5.0), whole, hz).lowest_valid_hz >= 200.0
    nothing: Any = SimpleNamespace(known=np.zeros((1, 4), bool))
    assert _gate(ResponseFacts(), nothing, hz).lowest_valid_hz == pytest.approx(20.0)


def test_the_assumed_microphone_is_as_unsure_as_its_words_say() -> None:
    """ "0.5 dB to 10 kHz, 1 dB above": 10 kHz itself belongs to the lower part (common practice, no source)."""
    hz = np.array([100.0, 1000.0, 9000.0, 10_000.0, 10_500.0, 20_000.0])
    causes = [one for one in _causes(ResponseFacts(), hz, np.zeros(1, bool)) if one.name == "microphone"]
    assert all("0.5 dB to 10 kHz, 1 dB above" in one.source for one in causes)
    assert u_of_causes_db(causes, 1, hz.size)[0] == pytest.approx([0.5, 0.5, 0.5, 0.5, 1.0, 1.0])


@pytest.mark.parametrize(
    ("volts", "distance_m", "change_db"), [(2.83, 1.0, 0.0), (28.3, 1.0, 20.0), (2.83, 2.0, -6.0206), (5.66, 2.0, 0.0)]
)
def test_a_fundamental_that_no_table_holds_follows_from_voltage_and_distance(
    volts: float, distance_m: float, change_db: float
) -> None:
    """A linear loudspeaker, and sound that spreads as 1 / r; a harmonic of 1 % stands 40 dB below it."""
    on_axis: FloatArray = np.array([80.0, 86.0])
    response: Any = SimpleNamespace(axis=FrequencyAxis(np.array([100.0, 1000.0])))
    one = _Level("t", None, relative={2: ("dB", np.full(2, -40.0))})
    found = _harmonics(one, volts, distance_m, (2,), on_axis, response)
    assert found.fundamental_db == pytest.approx(on_axis + change_db, abs=1e-3)
    assert found.harmonic_db[0] == pytest.approx(on_axis + change_db - 40.0, abs=1e-3)
    assert found.level_known is not None
    assert not found.level_known.any()


@pytest.mark.parametrize(("space", "half"), [("half space", True), ("anechoic", False)])
@pytest.mark.parametrize(("relative", "measured_m", "told_m"), [(False, 2.5, 2.5), (True, None, 2.0)])
def test_a_response_carries_what_its_session_and_its_files_state(
    tmp_path: Path, space: str, half: bool, relative: bool, measured_m: float | None, told_m: float
) -> None:
    """Facts go through unchanged; what a file calls not valid stays so, and its uncertainty adds to that of drawing the
    points to the axis as independent ones do (GUM 5.1.2)."""
    for angle in (0, 30):
        (tmp_path / f"h_{angle}.txt").write_text(f"Hz\tdB SPL\n100\t{80 - angle}\n1000\t80\n10000\t80\n")
    stated = Stated(
        name="One", maker="Nobody", type="stand-mount", enclosure="closed", width_m=0.2, height_m=0.3, depth_m=0.25,
        reference_axis="x", date="2026-11-01", invented=True, voltage_v=None if relative else 2.83, relative=relative,
        space=space, smoothing="none", phase="none", reference_distance_m=2.0, measured_distance_m=measured_m,
    )  # fmt: skip
    write_session(survey(tmp_path), stated)
    session = load_session(tmp_path)
    hz = np.geomspace(100.0, 10_000.0, 200)
    plain = parse_response_table("Hz\tdB SPL\n100\t80\n1000\t80\n10000\t80\n", name="x")
    common: dict[str, Any] = {"hz": hz, "values": np.full((1, 200), 80.0), "lines": np.arange(200) + 2}
    trust: dict[str, Any] = {
        "valid": (hz < 3000.0)[None, :],
        "u_db": np.full((1, 200), 0.8),
        "u_common_db": np.full(200, 0.4),
    }
    found = reduce_responses(
        session, {take.id: replace(plain, **common, **trust) for take in session.takes}, ReduceSettings()
    ).response
    at = found.axis.hz
    assert (found.half_space, found.absolute, found.distance_m) == (half, not relative, told_m)
    assert found.valid[:, (at > 150.0) & (at < 2500.0)].all()
    assert not found.valid[:, (at < 95.0) | (at > 3500.0)].any()
    inside = (at > 150.0) & (at < 2500.0)
    assert found.u_db[:, inside] == pytest.approx(np.full((2, inside.sum()), 0.8), abs=0.03)
    assert found.u_common_db is not None
    assert found.u_common_db[inside] == pytest.approx(np.full(inside.sum(), 0.4), abs=0.03)
