"""When the sound of each take comes: recorders started by hand, and loudspeakers without treble."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from made_session import HASH, RATE, Array, Made, facts, reader, recording
from scipy import signal

from earwitness.errors import AudioError
from earwitness.formats.audio import Recording
from earwitness.quantities import Measurement
from earwitness.reduce.flow import reduce_session

SHORT = Made(duration_s=0.7, start_hz=40.0, tail_s=0.4, lead_s=0.2, loopback=False, angles=(0.0, 30.0, 60.0))
ECHO = replace(SHORT, reflection_s=6e-3, environment={"first_reflection_ms": 6.0})


@dataclass(frozen=True)
class Sub(Made):
    """Plays up to 120 Hz only: a fourth-order low-pass, whose response scipy.signal states."""

    def sos(self, angle_deg: float) -> Array:  # noqa: ARG002, the same all around
        high = signal.butter(2, 30.0, "highpass", fs=RATE, output="sos")
        return np.concatenate([high, signal.butter(4, 120.0, fs=RATE, output="sos")])


def sentences(measured: Measurement) -> dict[str, str]:
    return {flag.id: flag.sentence for flag in measured.flags}


def off_db(made: Made, measured: Measurement, low_hz: float, high_hz: float) -> float:
    """Largest error of all directions against the closed form [dB]."""
    hz = measured.response.axis.hz
    inside = (hz >= low_hz) & (hz <= high_hz)
    assert measured.response.valid[:, inside].all()
    true = np.array([made.truth(angle, hz[inside]) for angle in made.angles])
    return float(np.max(np.abs(20 * np.log10(np.abs(measured.response.pressure[:, inside] / true)))))


def started_by_hand(made: Made, latencies_s: tuple[float, ...]) -> Measurement:
    takes = {
        f"h{angle:g}__wav": recording(replace(made, latency_s=late), angle, number)
        for number, (angle, late) in enumerate(zip(made.angles, latencies_s, strict=True))
    }
    return reduce_session(facts(made), reader(made, **takes))


@pytest.mark.parametrize("latencies_s", [(0.012, 0.017, 0.004), (0.0, 0.15, 0.09)])
def test_takes_started_by_hand_are_placed_by_their_own_sound(latencies_s: tuple[float, ...]) -> None:
    """Levels are those of the closed form though every recording starts at another moment, with an echo to gate out."""
    measured = started_by_hand(ECHO, latencies_s)
    assert off_db(ECHO, measured, 300.0, 15_000.0) < 0.3
    told = sentences(measured)
    assert "do not start together" in told["no common start"]
    assert not {"level jump", "swapped", "mislabeled", "polarity", "no loop-back"} & set(told)


def test_takes_of_one_start_keep_it_and_their_phase() -> None:
    """Recorded in one go, without a loop-back: the 60 degree take 2 cm nearer stays 2 cm nearer."""
    measured = started_by_hand(SHORT, (0.0123, 0.0123, 0.0123 - 0.02 / 343.4))
    assert "no common start" not in sentences(measured)
    hz = measured.response.axis.hz
    inside = (hz > 200.0) & (hz < 4_000.0)
    turn = np.angle(measured.response.pressure[2, inside] / measured.response.pressure[0, inside])
    true = np.angle(SHORT.truth(60.0, hz[inside]) / SHORT.truth(0.0, hz[inside]))
    assert np.allclose(turn - true, 2 * np.pi * hz[inside] * 0.02 / 343.4, atol=0.02)


@pytest.mark.parametrize("loopback", [True, False])
@pytest.mark.parametrize("stop_hz", [500.0, 22_000.0])
def test_a_subwoofer_is_placed_by_its_bass(*, loopback: bool, stop_hz: float) -> None:
    """No treble to tell the moment by, only noise there: level as in the closed form, no complaint about distances."""
    sub = Sub(
        duration_s=2.0, start_hz=12.0, stop_hz=stop_hz, loopback=loopback, noise_fs=1e-5, latency_s=0.02, lead_s=0.3
    )
    measured = reduce_session(facts(sub), reader(sub))
    assert off_db(sub, measured, 20.0, 200.0) < 0.3
    assert not {"distance", "latency", "no common start"} & set(sentences(measured))


@pytest.mark.parametrize("loopback", [True, False])
def test_silence_cut_off_is_not_taken_for_noise(*, loopback: bool) -> None:
    """The session tells 0.2 s of silence, the recordings were cut to 0.02 s: the sweep's bass is no noise there."""
    made = replace(SHORT, loopback=loopback, start_hz=20.0, latency_s=0.0)
    short = replace(made, lead_s=0.02)
    still = {"kind": "noise floor", "id": "q", "file": "q.wav", "sha256": HASH}
    silence = Recording(1e-6 * np.random.default_rng(4).standard_normal((1, RATE)), RATE, "DOUBLE")
    takes = {f"h{angle:g}__wav": recording(short, angle) for angle in made.angles}
    measured = reduce_session(facts(made, [still]), reader(made, **takes, q__wav=silence))
    assert off_db(made, measured, 30.0, 15_000.0) < 0.3
    assert measured.snr_db[0, (measured.response.axis.hz > 30.0) & (measured.response.axis.hz < 200.0)].min() > 40.0


@pytest.mark.parametrize("played_s", [1.06, 0.94])
def test_another_sweep_than_was_played_is_refused_with_what_would_fit(played_s: float) -> None:
    """Played and described L differ by 6 %: delays grow by (L' - L) ln f, the closed form of the sweep's law."""
    described = replace(SHORT, angles=(0.0,), duration_s=1.0)
    takes = {"h0__wav": recording(replace(described, duration_s=played_s), 0.0)}
    with pytest.raises(AudioError, match="gains a factor e") as caught:
        reduce_session(facts(described), reader(described, **takes))
    assert f"duration_s = {played_s:g}" in caught.value.remedy


def test_the_sweep_that_was_played_is_not_suspected() -> None:
    assert "stimulus" not in sentences(started_by_hand(ECHO, (0.012, 0.012, 0.012)))


def test_sound_before_it_was_played_is_refused() -> None:
    """Microphone and loop-back exchanged, or 3 m stated for 1.5 m: nothing comes before its way through the air."""
    made = replace(SHORT, loopback=True)
    swapped = {f"h{angle:g}__wav": recording(made, angle) for angle in made.angles}
    swapped = {name: replace(found, samples=found.samples[::-1].copy()) for name, found in swapped.items()}
    with pytest.raises(AudioError, match=r"before it can have covered 1.5 m") as caught:
        reduce_session(facts(made), reader(made, **swapped))
    assert "exchanged" in caught.value.remedy
    far = facts(replace(made, distance_m=3.0))
    with pytest.raises(AudioError, match=r"as if from 1.5\d m nearer"):
        reduce_session(far, reader(made))


def test_a_passive_loudspeaker_that_is_late_may_stand_farther_away() -> None:
    made = replace(SHORT, loopback=True, speaker_delay_s=5e-3)
    told = facts(made)
    flag = next(f for f in reduce_session(told, reader(made)).flags if f.id == "latency")
    assert flag.severity == "warn"
    assert "stood 1.7" in flag.sentence
    powered = told.model_copy(update={"loudspeaker": told.loudspeaker.model_copy(update={"powered": True})})
    flag = next(f for f in reduce_session(powered, reader(made)).flags if f.id == "latency")
    assert flag.severity == "info"
    assert "stood" not in flag.sentence
