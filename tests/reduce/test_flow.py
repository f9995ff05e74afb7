"""The whole reduction against a loudspeaker whose response scipy.signal states in closed form."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_session import (
    FS_PER_PA,
    HASH,
    RATE,
    SPEED,
    Made,
    facts,
    reader,
    recording,
    sweep,
)

from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import Measurement
from earwitness.reduce.flow import ReduceSettings, reduce_session
from earwitness.session.session import Session

SHORT = Made(duration_s=0.7, start_hz=40.0, tail_s=0.4, lead_s=0.2)


def deviation_db(made: Made, measured: Measurement, row: int, angle_deg: float, low_hz: float, high_hz: float) -> float:
    hz = measured.response.axis.hz
    inside = (hz >= low_hz) & (hz <= high_hz)
    assert measured.response.valid[row, inside].all()
    ratio = np.abs(measured.response.pressure[row, inside] / made.truth(angle_deg, hz[inside]))
    return float(np.max(np.abs(20 * np.log10(ratio))))


def flags_of(measured: Measurement) -> dict[str, str]:
    return {flag.id: flag.sentence for flag in measured.flags}


def test_anechoic_level_and_phase() -> None:
    """Against scipy.signal.sosfreqz: 0.05 dB from 100 Hz to 15 kHz, 0.3 dB from 20 Hz, phase to a degree."""
    made = Made()
    measured = reduce_session(facts(made), reader(made))
    for row, angle in enumerate(made.angles):
        assert deviation_db(made, measured, row, angle, 100.0, 15_000.0) < 0.05
        assert deviation_db(made, measured, row, angle, 20.0, 20_000.0) < 0.3
        hz = measured.response.axis.hz
        inside = (hz > 200.0) & (hz < 15_000.0)
        turn = np.angle(measured.response.pressure[row, inside] / made.truth(angle, hz[inside]))
        assert np.max(np.abs(turn)) < np.deg2rad(1.0)
    assert measured.response.absolute
    assert measured.snr_db.min() > 90.0
    assert measured.splice is None
    assert measured.kept_takes == ()


def test_gate_takes_the_reflection_out() -> None:
    """A -4.4 dB echo after 6 ms makes 8 dB ripple; gated it is gone above 300 Hz."""
    made = Made(reflection_s=6e-3, environment={"first_reflection_ms": 6.0}, noise_fs=1e-5)
    measured = reduce_session(facts(made), reader(made))
    assert measured.gate.end_s == pytest.approx(5.8e-3)
    assert deviation_db(made, measured, 0, 0.0, 300.0, 15_000.0) < 0.3
    hz = measured.response.axis.hz
    assert not measured.response.valid[0, hz < 200.0].any()
    ungated = reduce_session(facts(made), reader(made), settings=ReduceSettings(gate_length_s=0.05))
    inside = (hz > 300.0) & (hz < 2000.0)
    ratio = np.abs(ungated.response.pressure[0, inside] / made.truth(0.0, hz[inside]))
    assert np.max(np.abs(20 * np.log10(ratio))) > 3.0


def test_signal_to_noise_ratio_is_that_of_the_sweep() -> None:
    """|H|^2 |V|^2 / (S T): white noise of known power, |X|^2 = L / 4f in closed form."""
    made = Made(noise_fs=1e-3)
    measured = reduce_session(facts(made), reader(made))
    hz = measured.response.axis.hz
    at = int(np.argmin(np.abs(hz - 1000.0)))
    rate_s = made.duration_s / np.log(made.stop_hz / made.start_hz)
    volts_squared = 2 * made.drive_v**2 * rate_s / (4 * hz[at])
    density = made.noise_fs**2 / RATE / FS_PER_PA**2
    flat, taper = 0.6 * 0.2 + 0.7e-3, 0.4 * 0.2
    length_s = flat + 3 / 8 * (taper + 0.5e-3)
    pressure = np.abs(made.truth(0.0, hz[at : at + 1]))[0] / made.distance_m
    expected = 10 * np.log10(pressure**2 * volts_squared / (density * length_s))
    assert measured.snr_db[0, at] == pytest.approx(expected, abs=1.0)
    own = measured.budget[-1].u_db[at]
    assert own == pytest.approx(6.142 * 10 ** (-expected / 20), rel=0.15)


def test_without_loop_back_levels_hold_and_the_delay_is_called_unknown() -> None:
    made = Made(loopback=False)
    measured = reduce_session(facts(made), reader(made))
    assert deviation_db(made, measured, 0, 0.0, 100.0, 15_000.0) < 0.05
    assert "not known" in flags_of(measured)["no loop-back"]


def test_delay_in_a_powered_loudspeaker_is_taken_out_and_said() -> None:
    made = Made(speaker_delay_s=5e-3)
    measured = reduce_session(facts(made), reader(made))
    assert deviation_db(made, measured, 0, 0.0, 100.0, 15_000.0) < 0.05
    assert "latency" in flags_of(measured)


def test_directivity_phase_survives() -> None:
    """One take's microphone 2 cm farther than stated: its phase lags by k times 2 cm, it is not aligned away."""
    made = Made()
    later = recording(replace(made, speaker_delay_s=0.02 / SPEED), 30.0, 1)
    measured = reduce_session(facts(made), reader(made, h30__wav=later))
    hz = measured.response.axis.hz
    inside = (hz > 200.0) & (hz < 4_000.0)
    turn = np.angle(measured.response.pressure[1, inside] / made.truth(30.0, hz[inside]))
    assert np.allclose(turn, -2 * np.pi * hz[inside] * 0.02 / SPEED, atol=0.02)


def test_volts_of_the_loop_back_set_the_level() -> None:
    made = Made()
    told = facts(made, reference={"channel": 2, "volts_per_fs": 2.0 * 2.83 * np.sqrt(2) / made.loop_fs})
    measured = reduce_session(told, reader(made))
    plain = reduce_session(facts(made), reader(made))
    ratio = np.abs(measured.response.pressure / plain.response.pressure)
    assert 20 * np.log10(ratio) == pytest.approx(np.full(ratio.shape, -6.0206), abs=0.02)


def test_microphone_file_is_divided_out() -> None:
    made = SHORT
    file = MicrophoneCorrection("made", np.array([20.0, 1000.0, 20_000.0]), np.array([0.0, 0.0, 3.0]))
    plain = reduce_session(facts(made), reader(made))
    corrected = reduce_session(facts(made), reader(made), correction=file)
    hz = plain.response.axis.hz
    ratio = 20 * np.log10(np.abs(corrected.response.pressure[0] / plain.response.pressure[0]))
    expected = -3.0 * np.log(np.clip(hz, 1000.0, 20_000.0) / 1000.0) / np.log(20.0)
    assert ratio == pytest.approx(expected, abs=1e-9)


def test_stimulus_file_does_what_the_sweep_does() -> None:
    made = Made(loopback=False)
    played = Recording(0.5 * sweep(made)[None, :], RATE, "DOUBLE")
    told = facts(made, stimulus={"kind": "file", "file": "played.wav", "lead_in_s": made.lead_s})
    measured = reduce_session(told, reader(made, played__wav=played))
    assert deviation_db(made, measured, 0, 0.0, 100.0, 15_000.0) < 0.05
    assert measured.harmonics == ()


def test_near_field_take_reaches_the_measurement() -> None:
    """A near field louder by a known gain comes out by that gain, from the flat-topped window."""
    made = Made(distance_m=1.0)
    close = replace(made, distance_m=0.05)
    take = {"kind": "near-field", "id": "n", "file": "n.wav", "sha256": HASH, "driver": "woofer", "distance_m": 0.05}
    told = facts(made, [take])
    measured = reduce_session(told, reader(made, n__wav=recording(close, 0.0)))
    near = measured.near_field[0]
    hz = near.axis.hz
    inside = (hz > 30.0) & (hz < 1000.0)
    expected = 20 * np.log10(np.abs(made.truth(0.0, hz[inside])) / 0.05)
    assert near.level_db[inside] == pytest.approx(expected, abs=0.15)
    assert near.highest_valid_hz == pytest.approx(SPEED / (np.pi * 0.13), rel=1e-3)


PORT = {"name": "mouth", "kind": "port", "diameter_m": 0.05}


@pytest.mark.parametrize(
    ("changes", "more", "said"),
    [
        ({"enclosure": "vented"}, (), "No port was recorded close up"),
        ({"enclosure": "passive radiator"}, (), "No passive radiator was recorded close up"),
        ({"enclosure": "vented"}, (PORT,), "Nothing was recorded close to mouth"),
        ({"enclosure": "other"}, (PORT,), "Nothing was recorded close to mouth"),
        ({"enclosure": "open"}, (), "The box is open"),
        ({"enclosure": "closed"}, (), ""),
    ],
)
def test_a_near_field_that_lacks_a_part_of_the_bass_is_not_joined(
    changes: dict[str, Any], more: tuple[dict[str, Any], ...], said: str
) -> None:
    """What a port adds cannot be told from the cone: near tuning the cone stands still (Small 1973, from memory)."""
    made = replace(SHORT, environment={"first_reflection_ms": 5.0})
    take = {"kind": "near-field", "id": "n", "file": "n.wav", "sha256": HASH, "driver": "woofer", "distance_m": 0.005}
    told = facts(made, [{**take, "drive_v": 1.0}]).model_dump(by_alias=True)
    # Hardly larger than its cone: what was made here radiates alike to all sides and has no baffle step.
    told["loudspeaker"] |= {"width_m": 0.14, "height_m": 0.14, "depth_m": 0.04} | changes
    told["loudspeaker"]["driver"] = [*told["loudspeaker"]["driver"], *more]
    close = recording(replace(made, distance_m=0.0325 / 2, drive_v=1.0), 0.0)
    measured = reduce_session(Session.model_validate(told), reader(made, n__wav=close))
    hz = measured.response.axis.hz
    assert (measured.splice is None) is bool(said)
    assert measured.response.valid[0, hz < 200.0].any() is np.bool_(not said)
    assert said in flags_of(measured).get("no splice", "")
    assert len(measured.near_field) == 1


def test_near_fields_that_cannot_be_used_are_told_in_a_free_field_too() -> None:
    """Two parts without a stated place: nothing is referred to the far field, and the tester hears why."""
    made = replace(SHORT, environment={"anechoic": True})
    near = {"kind": "near-field", "sha256": HASH, "distance_m": 0.005, "drive_v": 1.0}
    takes = [{**near, "id": "n", "file": "n.wav", "driver": "woofer"},
             {**near, "id": "m", "file": "m.wav", "driver": "mouth"}]  # fmt: skip
    told = facts(made, takes).model_dump(by_alias=True)
    told["loudspeaker"]["driver"] = [*told["loudspeaker"]["driver"], PORT]
    told["loudspeaker"] |= {"enclosure": "vented"}
    close = recording(replace(made, distance_m=0.0325 / 2, drive_v=1.0), 0.0)
    measured = reduce_session(Session.model_validate(told), reader(made, n__wav=close, m__wav=close))
    said = flags_of(measured)
    assert "far-field reference" not in said
    assert said["no splice"].startswith("The near fields were not used, and levels are those of the measuring distance")


def test_near_fields_of_several_parts_need_one_start() -> None:
    made = replace(SHORT, loopback=False, environment={"first_reflection_ms": 5.0})
    near = {"kind": "near-field", "sha256": HASH, "distance_m": 0.005, "drive_v": 1.0}
    takes = [{**near, "id": "n", "file": "n.wav", "driver": "woofer"},
             {**near, "id": "m", "file": "m.wav", "driver": "mouth"}]  # fmt: skip
    told = facts(made, takes).model_dump(by_alias=True)
    told["loudspeaker"]["driver"] = [*told["loudspeaker"]["driver"], PORT]
    close = replace(made, distance_m=0.0325 / 2, drive_v=1.0)
    near_takes = {"n__wav": recording(close, 0.0, 7), "m__wav": recording(replace(close, latency_s=0.06), 0.0, 8)}
    measured = reduce_session(Session.model_validate(told), reader(made, **near_takes))
    assert measured.splice is None
    assert "do not start together" in flags_of(measured)["no splice"]
    assert "no common start" in flags_of(measured)


def test_harmonics_of_level_takes_are_split() -> None:
    made = SHORT
    take = {
        "kind": "level",
        "id": "loud",
        "file": "loud.wav",
        "sha256": HASH,
        "drive_v": 5.66,
        "distance_m": made.distance_m,
    }
    loud = recording(replace(made, drive_v=5.66), 0.0)
    measured = reduce_session(facts(made, [take]), reader(made, loud__wav=loud))
    assert measured.kept_takes == ()
    assert [h.in_series for h in measured.harmonics] == [False, True]
    assert [(h.take, h.drive_v) for h in measured.harmonics] == [("h0", 2.83), ("loud", 5.66)]
    at = int(np.argmin(np.abs(measured.response.axis.hz - 1000.0)))
    apart = measured.harmonics[1].fundamental_db[at] - measured.harmonics[0].fundamental_db[at]
    assert apart == pytest.approx(6.0206, abs=1e-3)


def test_lineage_and_budget_travel() -> None:
    made = SHORT
    measured = reduce_session(facts(made), reader(made))
    assert measured.response.lineage == (measured.steps[0].key,)
    louder = reduce_session(facts(made, drive={"voltage_v": 2.0}), reader(made))
    assert louder.steps[0].key != measured.steps[0].key
    assert {"sensitivity", "microphone", "distance"} <= {line.name for line in measured.budget}
    assert (measured.response.u_shared_db() > 0.1).all()


def test_a_repeated_direction_gives_one_row() -> None:
    made = SHORT
    again = {
        "kind": "far-field",
        "id": "v0",
        "file": "h0.wav",
        "sha256": HASH,
        "orbit": "vertical",
        "angle_deg": 360.0,
        "distance_m": made.distance_m,
    }
    measured = reduce_session(facts(made, [again]), reader(made))
    assert len(measured.response.directions) == 2
    assert measured.kept_takes == ("v0",)


def test_progress_runs_from_start_to_end() -> None:
    heard: list[float] = []
    reduce_session(facts(SHORT), reader(SHORT), progress=lambda share, _words: heard.append(share))
    assert heard == sorted(heard)
    assert heard[-1] == 1.0


@given(gain_db=st.floats(-15.0, 6.0))
@settings(deadline=None, derandomize=True, max_examples=8)
def test_gain_scales_the_pressure_and_changes_nothing_else(gain_db: float) -> None:
    gain = 10 ** (gain_db / 20)
    plain = reduce_session(facts(SHORT), reader(SHORT))
    scaled = reduce_session(facts(SHORT), reader(replace(SHORT, gain=gain)))
    # FFTs run in single precision: 2e-4 is 0.002 dB.
    valid = plain.response.valid
    ratio = scaled.response.pressure[valid] / plain.response.pressure[valid] / gain
    assert np.max(np.abs(ratio - 1.0)) < 2e-4
    assert scaled.splice == plain.splice
    assert [f.id for f in scaled.flags] == [f.id for f in plain.flags]
    assert np.array_equal(scaled.response.valid, plain.response.valid)


def test_noise_moves_levels_by_what_the_budget_says() -> None:
    """Monte Carlo of 24 takes with fresh noise: the spread of the level is the stated uncertainty within 30 %."""
    made = replace(SHORT, noise_fs=2e-3, angles=tuple(float(a) for a in range(1, 25)))
    same = replace(made, angles=(0.0,))

    def read(name: str) -> Recording:
        return recording(same, 0.0, int(name.removeprefix("h").removesuffix(".wav")))

    # A gate short enough that no mean over 1/48 octave lessens the noise.
    short = ReduceSettings(gate_length_s=0.02)
    measured = reduce_session(facts(made), read, settings=short)
    hz = measured.response.axis.hz
    inside = (hz > 1000.0) & (hz < 8000.0)
    level = measured.response.level_db()[:, inside]
    spread = np.sqrt(np.mean(np.var(level, axis=0, ddof=1)))
    stated = np.sqrt(np.mean(6.142**2 * 10 ** (-measured.snr_db[:, inside] / 10)))
    assert spread == pytest.approx(stated, rel=0.3)


@given(latency_s=st.floats(0.0, 0.03))
@settings(deadline=None, derandomize=True, max_examples=8)
def test_a_delay_common_to_both_channels_changes_nothing(latency_s: float) -> None:
    plain = reduce_session(facts(SHORT), reader(SHORT))
    late = reduce_session(facts(SHORT), reader(replace(SHORT, latency_s=latency_s)))
    valid = plain.response.valid
    assert np.allclose(late.response.pressure[valid], plain.response.pressure[valid], rtol=1e-3)


@given(order=st.permutations(range(4)))
@settings(deadline=None, derandomize=True, max_examples=6)
def test_order_of_takes_changes_nothing(order: list[int]) -> None:
    made = replace(SHORT, angles=(0.0, 30.0, -30.0, 180.0), noise_fs=1e-5)
    told = facts(made)
    mixed = told.model_copy(update={"takes": tuple(told.takes[i] for i in order)})
    plain, other = (reduce_session(session, reader(made)) for session in (told, mixed))
    assert np.array_equal(plain.response.pressure, other.response.pressure)
    assert np.array_equal(plain.response.directions.azimuth_rad, other.response.directions.azimuth_rad)
    assert plain.steps[0].key == other.steps[0].key
    assert plain.flags == other.flags


def bad(kind: str) -> Recording:
    good = recording(SHORT, 30.0)
    samples = np.array(good.samples)
    if kind == "mono":
        return Recording(samples[:1], RATE, "DOUBLE")
    if kind == "rate":
        return Recording(samples, 44_100, "DOUBLE")
    if kind == "empty":
        return Recording(samples[:, :0], RATE, "DOUBLE")
    if kind == "short":
        return Recording(samples[:, : RATE // 4], RATE, "DOUBLE")
    if kind == "nan":
        samples[0, 5000] = np.nan
    if kind == "silent":
        samples[0] = 0.0
    if kind == "no loop":
        samples[1] = 0.0
    return Recording(samples, RATE, "DOUBLE")


@pytest.mark.parametrize(
    ("kind", "said"),
    [
        ("mono", "channel 2, but the recording has 1 channel"),
        ("rate", "44100 Hz"),
        ("empty", "empty"),
        ("short", "lasts 0.25 s"),
        ("nan", "not numbers"),
        ("silent", "microphone channel is silent"),
        ("no loop", "reference channel is silent"),
    ],
)
def test_bad_takes_are_refused_by_name(kind: str, said: str) -> None:
    with pytest.raises(AudioError) as caught:
        reduce_session(facts(SHORT), reader(SHORT, h30__wav=bad(kind)))
    assert said in caught.value.what
    assert caught.value.where == "take h30, file h30.wav"
    assert caught.value.remedy


def test_a_clipped_take_is_flagged_not_refused() -> None:
    good = recording(SHORT, 30.0)
    samples = np.array(good.samples)
    samples[0] = np.clip(samples[0] / np.abs(samples[0]).max() * 1.5, -1.0, 1.0)
    measured = reduce_session(facts(SHORT), reader(SHORT, h30__wav=Recording(samples, RATE, "DOUBLE")))
    flag = next(f for f in measured.flags if "clip" in f.id)
    assert flag.takes == ("h30",)


def test_a_take_of_another_sweep_or_distance_is_refused() -> None:
    far_off = recording(replace(SHORT, speaker_delay_s=0.1), 30.0)
    with pytest.raises(AudioError, match="away from the time its distance predicts"):
        reduce_session(facts(SHORT), reader(SHORT, h30__wav=far_off))


def test_silence_about_the_room_is_refused() -> None:
    with pytest.raises(InputError, match="nothing is known about reflections"):
        reduce_session(facts(replace(SHORT, environment={})), reader(SHORT))


def test_without_far_field_there_is_nothing_to_reduce() -> None:
    quiet: dict[str, Any] = {"kind": "noise floor", "id": "q", "file": "q.wav", "sha256": HASH}
    with pytest.raises(InputError, match="no far-field take"):
        reduce_session(facts(replace(SHORT, angles=()), [quiet]), reader(SHORT))


def test_noise_take_stands_in_for_missing_silence() -> None:
    made = replace(SHORT, lead_s=0.0, noise_fs=1e-4)
    take = {"kind": "noise floor", "id": "q", "file": "q.wav", "sha256": HASH}
    noise = 1e-4 * np.random.default_rng(3).standard_normal((1, RATE))
    with_take = reduce_session(facts(made, [take]), reader(made, q__wav=Recording(noise, RATE, "DOUBLE")))
    without = reduce_session(facts(made), reader(made))
    assert "noise not known" in flags_of(without)
    assert "noise not known" not in flags_of(with_take)
    assert np.ptp(with_take.snr_db) > 3.0
