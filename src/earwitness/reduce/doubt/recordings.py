"""What the witnesses say together: another sweep than stated, and recordings that are damaged."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import scipy.fft

from earwitness.dsp.sweep import SweepLaw
from earwitness.errors import AudioError
from earwitness.quantities import QualityFlag, Severity, hz_words
from earwitness.reduce.doubt.damage import LIMITS as DAMAGE
from earwitness.reduce.doubt.damage import DamageReading, Samples, Spectrum, damage_of
from earwitness.reduce.doubt.stimulus import LIMITS as SWEEP
from earwitness.reduce.doubt.stimulus import (
    Cause,
    SweepReading,
    Track,
    cause_of,
    loop_reading,
    microphone_reading,
    track_of,
)
from earwitness.reduce.flags import flag, limits
from earwitness.reduce.stimulus import Stimulus

# What the microphone's own noise says of the gain: it goes up and down with it, and nobody has to have stated it.
#
# Above 10 kHz the noise of a silent recording is mostly that of the microphone and its amplifier. A recorder that rides
# its gain lowers it while the sweep sounds; a gain that was turned between calibrator and takes leaves it different in
# the two (own derivations).

# Own choices. Rooms and amplifiers that hiss raise the noise of takes, seldom by so much; no sound lowers it.
LIMITS = limits("hiss")
BAND_HZ = (10_000.0, 16_000.0)
FRAME_S, LEAST_FRAMES = 0.02, 5
PASSED_HZ = (150.0, 800.0)
BESIDE_S = 0.03
_MEDIAN_OF_POWER = math.log(2.0)


@dataclass(frozen=True, slots=True)
class Hiss:
    """silent_db : density of the silence before the sweep [dB re full scale squared per hertz]; sounding_db : while
    the sweep passes from 150 to 800 Hz."""

    silent_db: float
    sounding_db: float


def density_db(samples: Samples, rate_hz: float) -> float | None:
    """Noise of samples (N,) from 10 to 16 kHz [dB re full scale squared per hertz]: the median over bins and frames,
    so that tones, clicks and harmonics do not count. None for too few samples, a low rate, or digital silence."""
    frame = round(FRAME_S * rate_hz)
    count = samples.size // frame
    if count < LEAST_FRAMES or BAND_HZ[1] > 0.45 * rate_hz:
        return None
    window = np.hanning(frame)
    rows = samples[: count * frame].reshape(count, frame) * window
    power = np.abs(scipy.fft.rfft(rows, axis=1)) ** 2 / (rate_hz * float(np.sum(window**2)))
    first, last = (round(edge * frame / rate_hz) for edge in BAND_HZ)
    middle = float(np.median(power[:, first:last])) / _MEDIAN_OF_POWER
    return 10.0 * math.log10(middle) if middle > 0.0 else None


def hiss_of(samples: Samples, rate_hz: float, law: SweepLaw, begins_s: float) -> Hiss | None:
    """The hiss of a take whose sweep begins at a moment of the recording. None where there is no silence before it."""
    passes = [begins_s + law.rate_s * math.log(hz / law.start_hz) for hz in PASSED_HZ]
    silent = density_db(_cut(samples, rate_hz, BESIDE_S, begins_s - BESIDE_S), rate_hz)
    sounding = density_db(_cut(samples, rate_hz, *passes), rate_hz)
    return None if silent is None or sounding is None else Hiss(silent, sounding)


def _cut(samples: Samples, rate_hz: float, begin_s: float, end_s: float) -> Samples:
    return samples[max(round(begin_s * rate_hz), 0) : max(round(end_s * rate_hz), 0)]


def riding_flags(hisses: Sequence[tuple[str, Hiss]]) -> list[QualityFlag]:
    """Refused where the noise falls while the sweep sounds: nothing but a gain that follows the sound does that."""
    off = {take: one.sounding_db - one.silent_db for take, one in hisses}
    ridden = tuple(take for take, db in off.items() if db < LIMITS["riding_db"])
    if 2 * len(ridden) < len(off) or not ridden:
        return []
    fall = float(np.median([-off[take] for take in ridden]))
    return [flag("automatic_gain", -fall, LIMITS["riding_db"], takes=ridden, band_hz=BAND_HZ)]


def turned_gain_flags(calibrator_db: float | None, hisses: Sequence[tuple[str, Hiss]]) -> list[QualityFlag]:
    """Asked where calibrator and takes do not have the same noise. calibrator_db : `density_db` of its recording."""
    if calibrator_db is None or not hisses:
        return []
    apart = float(np.median([one.silent_db for _, one in hisses])) - calibrator_db
    if -LIMITS["calibrator_above_db"] <= apart <= LIMITS["takes_above_db"]:
        return []
    lower = apart > 0.0
    words = ("lower", "up", "high") if lower else ("higher", "down", "low")
    other = "the room or an amplifier hisses" if lower else "the calibrator itself hisses"
    limit = LIMITS["takes_above_db"] if lower else -LIMITS["calibrator_above_db"]
    return [flag("calibrator_gain", apart, limit, band_hz=BAND_HZ, words=words, other=other)]


# "closely" reads the track of a loop-back too, or without one when each band arrives at the microphone.
Look = Literal["plainly", "closely"]
Channel = tuple[Spectrum, Samples]


@dataclass(frozen=True, slots=True)
class Witness:
    """sweep : the loop-back, or without one the microphone, held against the stated stimulus; track : of the
    loop-back's own frequency, where asked for; microphone, loop : damage in these channels; hiss : of the microphone.
    None : could not be read.
    """

    take: str
    sweep: SweepReading | None
    track: Track | None
    microphone: DamageReading | None
    loop: DamageReading | None
    hiss: Hiss | None


def witness_of(
    take: str,
    stimulus: Stimulus,
    played: Spectrum,
    microphone: Channel,
    loop: Channel | None,
    *,
    length: int,
    look: Look,
) -> Witness:
    """The witness of a take: transforms (length // 2 + 1,) and samples (N,) of its channels and of the stimulus."""
    heard, hiss = damage_of(*microphone, length, stimulus, played), None
    if heard is not None and stimulus.law is not None:
        hiss = hiss_of(microphone[1], stimulus.rate_hz, stimulus.law, heard.begins_s)
    if loop is None:
        sweep = microphone_reading(microphone[0], length, stimulus, played) if look == "closely" else None
        return Witness(take=take, sweep=sweep, track=None, microphone=heard, loop=None, hiss=hiss)
    sweep = loop_reading(loop[0], length, stimulus, played)
    wanted = look == "closely" and stimulus.law is not None
    track = track_of(np.asarray(loop[1], dtype=np.float64), stimulus.rate_hz) if wanted else None
    return Witness(take, sweep, track, heard, loop=damage_of(*loop, length, stimulus, played, loop=True), hiss=hiss)


# Damage whose share of the recording stays below this changes levels by less than 0.1 dB (20 lg(1 + 10^(share/20))).
HARMLESS_SHARE_DB = -39.0
# The same frequency in another take: then the loudspeaker makes it.
SAME_HZ = 1.05
_HARMLESS_CAUSES = ("form", "clock")
_PROBABLE = {
    "both channels": "the computer lost samples or made a gap",
    "the loop-back": "its cable, plug or input is bad",
    "the microphone's channel": "a knock, a voice, a slammed door, or a gap made by the computer",
}


def causes_of(witnesses: Sequence[Witness], stimuli: Mapping[str, Stimulus]) -> dict[str, Cause]:
    """Why the stated stimulus does not fit, by take. stimuli : stated ones by take."""
    tracks = [one.track for one in witnesses if one.track is not None]
    found = {}
    for one in witnesses:
        if one.sweep is None:
            continue
        same = [w for w in witnesses if w.track is not None and stimuli[w.take] is stimuli[one.take]]
        track = one.track or (same[0].track if same else tracks[0] if tracks and len(tracks) == 1 else None)
        # The track of one take tells length from end for all that were played alike.
        alike = bool(same) and same[0].sweep is not None and _alike(same[0].sweep.rate_error, one.sweep.rate_error)
        cause = cause_of(one.sweep, stimuli[one.take], track if one.track is not None or alike else None)
        if cause is not None:
            found[one.take] = cause
    return found


def _alike(one: float, other: float) -> bool:
    return abs(one - other) < SWEEP["loop_rate_error"]


def is_another_sweep(cause: Cause | None) -> bool:
    """Whether harmonics divided by the stated sweep say nothing."""
    return cause is not None and cause.key not in _HARMLESS_CAUSES


def refuse_unknown_sweep(witnesses: Sequence[Witness], causes: Mapping[str, Cause], files: Mapping[str, str]) -> None:
    """AudioError where a microphone without loop-back was divided by another sweep than was played: most takes show it,
    while a wall that is louder than the loudspeaker, or noise, shows in one."""
    read = [one for one in witnesses if one.sweep is not None and not one.sweep.loop]
    odd = [one for one in read if is_another_sweep(causes.get(one.take))]
    if 2 * len(odd) <= len(read):
        return
    for one in odd:
        if (cause := causes.get(one.take)) is not None:
            raise AudioError.of(
                "reduce.another_stimulus",
                where=f"take {one.take}, file {files[one.take]}",
                remedy=f"correct [stimulus] in session.toml; this would fit: {cause.fit}"
                if cause.fit
                else "correct [stimulus], or record again",
                cause=cause,
            )


def sweep_flags(causes: Mapping[str, Cause], level_takes: frozenset[str]) -> list[QualityFlag]:
    """One flag a cause; level takes that were divided by another sweep are rejected.

    Far-field and near-field takes are divided by their loop-back, so that they need no stated sweep.
    """
    flags = []
    for cause in dict.fromkeys(causes.values()):
        takes = tuple(take for take, one in causes.items() if one == cause)
        loud = tuple(take for take in takes if take in level_takes)
        others = tuple(take for take in takes if take not in level_takes)
        if cause.key == "slip":
            continue
        upper = cause.words[0].upper() + cause.words[1:]
        fit = f" In session.toml this would fit: {cause.fit}." if cause.fit else ""
        if cause.key in _HARMLESS_CAUSES:
            flags.append(flag("stimulus_harmless", takes=takes, upper=upper, fit=fit))
            continue
        if others:
            flags.append(flag("stimulus_wrong", len(others), takes=others, upper=upper, fit=fit))
        if loud:
            flags.append(flag("stimulus_other", len(loud), takes=loud, upper=upper, fit=fit))
    return flags


def damage_flags(
    witnesses: Sequence[Witness], causes: Mapping[str, Cause], far_takes: frozenset[str]
) -> list[QualityFlag]:
    """Recordings with dropouts, lost samples, clicks, slams or voices, one flag a take.

    Where another sweep than stated was played nothing can be told. What a take holds once, and no other at the same
    frequency, is asked about for far-field takes, which have others to compare; what comes in several takes is the
    loudspeaker's, and what most recordings hold at one frequency is the signal's.
    """
    flags = []
    heard = [one for one in witnesses if not is_another_sweep(causes.get(one.take)) or causes[one.take].key == "slip"]
    for one in heard:
        cause = causes.get(one.take)
        slip = cause if cause is not None and cause.key == "slip" else None
        if one.loop is not None and (slip is not None or (one.loop.is_damaged_loop() and not _usual(one, heard))):
            flags.append(_flag(one, one.loop, _both(one), slip))
        elif one.microphone is not None and one.microphone.is_damage():
            flags.append(_flag(one, one.microphone, "the microphone's channel", None))
        elif one.take not in far_takes or one.microphone is None or _elsewhere(one, heard):
            continue
        elif one.microphone.is_odd():
            flags.append(_odd(one.take, one.microphone))
    return flags


def _both(one: Witness) -> str:
    also = one.microphone is not None and (one.microphone.is_damage() or one.microphone.is_odd())
    return "both channels" if also else "the loop-back"


def _flag(one: Witness, reading: DamageReading, where: str, slip: Cause | None) -> QualityFlag:
    size = max(reading.share_db, one.microphone.share_db if one.microphone is not None else -300.0)
    if slip is not None:
        what = slip.words
    else:
        passing = f"while the sweep passes {hz_words(reading.frequency_hz)}"
        what = f"at {reading.at_s:.2f} s, {passing}, something else is heard"
    severity: Severity = "warn" if size < HARMLESS_SHARE_DB and slip is None else "reject"
    change = 20.0 * math.log10(1.0 + 10.0 ** (min(size, 0.0) / 20.0))
    follows = "record it again" if severity == "reject" else f"levels change by less than {max(change, 0.1):.1f} dB"
    ratio = max(reading.below_track, reading.whole)
    told: dict[str, Any] = {"where": where, "what": what, "probable": _PROBABLE[where], "follows": follows}
    return flag("damage", ratio, DAMAGE["below_track"], takes=(one.take,), severity=severity, **told)


def _odd(take: str, reading: DamageReading) -> QualityFlag:
    told: dict[str, Any] = {"at_s": reading.whole_at_s, "hz": hz_words(reading.whole_hz)}
    return flag("heard_once", reading.whole, DAMAGE["whole"], takes=(take,), **told)


def _usual(one: Witness, others: Sequence[Witness]) -> bool:
    """Whether most loop-backs, three at least, hold the same at the same frequency."""
    own = one.loop
    every = [other.loop for other in others if other.loop is not None]
    if own is None:
        return False
    alike = [loop for loop in every if loop.is_damaged_loop() and _near(loop.frequency_hz, own.frequency_hz)]
    return len(alike) >= 3 and 2 * len(alike) > len(every)


def _near(one_hz: float, other_hz: float) -> bool:
    return max(one_hz, other_hz) < SAME_HZ * min(one_hz, other_hz)


def _elsewhere(one: Witness, others: Sequence[Witness]) -> bool:
    """Whether another take holds the like at the same frequency: then the loudspeaker makes it."""
    own = one.microphone
    return own is not None and any(
        other.take != one.take
        and other.microphone is not None
        and other.microphone.is_odd()
        and _near(other.microphone.whole_hz, own.whole_hz)
        for other in others
    )


def without_damaged(flags: Sequence[QualityFlag], damaged: Sequence[QualityFlag]) -> list[QualityFlag]:
    """Remarks about distortion without those of damaged takes: a damaged recording says nothing of the loudspeaker."""
    bad = {take for flag in damaged if flag.id == "damage" for take in flag.takes}
    return [flag for flag in flags if not set(flag.takes) & bad]
