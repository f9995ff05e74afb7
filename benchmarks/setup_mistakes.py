"""The mistakes of benchmarks/setup_faults.py: what a tester gets wrong, and the words that must name it."""

# ruff: noqa: E501 - a table, one mistake a line

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import scipy.signal
from numpy.typing import NDArray
from setup_worlds import RATE, Rig, World, made

from earwitness.formats.audio import Recording

FloatArray = NDArray[np.float64]
Make = Callable[[World], None]
VOLTS, LEAN, BARE = Rig(), Rig(volts_per_fs=None), Rig(loop=False)
FREE = Rig(volts_per_fs=None, room_m=None)
TENS = tuple(range(-170, 181, 10))
ORBIT = Rig(volts_per_fs=None, horizontal=TENS, vertical=tuple(a for a in TENS if a not in (0, 180)))
STEPS = Rig(levels=(2.83, 5.66, 8.94, 14.1), loud=True)
PLAIN_STEPS = replace(STEPS, volts_per_fs=None, loud=False)


@dataclass(frozen=True)
class Mistake:
    """cause : what the words must hold (a pattern); keys : loudspeakers, all where empty."""

    name: str
    cause: str
    make: Make
    rig: Rig = LEAN
    keys: tuple[str, ...] = ()


def fact(path: str, value: Any) -> Make:
    """Another value of a key such as "drive.voltage_v"; a number after * multiplies."""

    def make(one: World) -> None:
        table = one.document
        *way, key = path.split(".")
        for part in way:
            table = table[int(part)] if part.isdigit() else table.setdefault(part, {})
        table[key] = table[key] * value[0] if isinstance(value, tuple) else value

    return make


def driver(kind: str, key: str, change: Callable[[Any], Any]) -> Make:
    def make(one: World) -> None:
        for told in one.document["loudspeaker"]["driver"]:
            if told["kind"] == kind:
                told[key] = change(told[key])

    return make


def takes(kind: str, key: str, change: Callable[[Any], Any], only: str = "") -> Make:
    def make(one: World) -> None:
        for take in one.document["takes"]:
            if take["kind"] == kind and only in take["id"]:
                take[key] = change(take.get(key))
                if take[key] is None:
                    del take[key]

    return make


def sound(name: str, work: Callable[[FloatArray], FloatArray], channel: int | None = None) -> Make:
    return lambda one: one.change(name, work, channel)


def gain(db: float, fits: Callable[[dict[str, Any]], bool], channel: int | None = 0) -> Make:
    def make(one: World) -> None:
        for take in one.document["takes"]:
            if fits(take):
                one.change(take["id"], lambda x: x * 10 ** (db / 20), channel)

    return make


def swapped(first: str, second: str) -> Make:
    def make(one: World) -> None:
        a, b = one.take(first), one.take(second)
        a["file"], b["file"] = b["file"], a["file"]

    return make


def instead(rig: Callable[[Rig], Rig], fits: Callable[[dict[str, Any]], bool]) -> Make:
    """Recordings of another rig under the old description."""

    def make(one: World) -> None:
        other = made(rig(one.rig))
        for take in one.document["takes"]:
            if fits(take):
                one.recordings[take["file"]] = other.recordings[take["file"]]

    return make


def both(*makes: Make) -> Make:
    def make(one: World) -> None:
        for part in makes:
            part(one)

    return make


def far(take: dict[str, Any]) -> bool:
    return bool(take["kind"] == "far-field")


def upright(take: dict[str, Any]) -> bool:
    return far(take) and take["orbit"] == "vertical"


def across(take: dict[str, Any]) -> bool:
    return far(take) and take["orbit"] == "horizontal"


def near(take: dict[str, Any]) -> bool:
    return bool(take["kind"] == "near-field")


def every(take: dict[str, Any]) -> bool:
    return take["kind"] in ("far-field", "near-field", "level")


def turned(take: dict[str, Any]) -> bool:
    return upright(take)


def at(s: float) -> int:
    return round(s * RATE)


def gap(x: FloatArray, ms: float = 10.0, when: float = 1.35) -> FloatArray:
    y = x.copy()
    y[at(when) : at(when) + at(ms / 1e3)] = 0.0
    return y


def lost(x: FloatArray, count: int = 48, when: float = 1.2) -> FloatArray:
    return np.concatenate([x[: at(when)], x[at(when) + count :], np.zeros(count)])


def slam(x: FloatArray, db: float = 0.0) -> FloatArray:
    rng, y = np.random.default_rng(5), x.copy()
    shape = scipy.signal.lfilter(*scipy.signal.butter(2, [60, 900], "band", fs=RATE), rng.normal(size=at(0.2)))
    shape *= np.exp(-np.arange(shape.size) / RATE / 0.04)
    y[at(1.1) : at(1.3)] += shape / np.std(shape[: at(0.05)]) * np.std(x) * 10 ** (db / 20)
    return y


def voice(x: FloatArray, db: float = -10.0) -> FloatArray:
    y, time = x.copy(), np.arange(at(0.5)) / RATE
    shape = scipy.signal.lfilter(*scipy.signal.butter(2, [250, 3000], "band", fs=RATE), (140 * time) % 1 - 0.5)
    shape *= np.sin(np.pi * time / 0.5)
    y[at(1.0) : at(1.5)] += shape / np.std(shape) * np.std(x) * 10 ** (db / 20)
    return y


def crackle(x: FloatArray) -> FloatArray:
    y, rng = x.copy(), np.random.default_rng(6)
    for k in rng.integers(at(0.6), at(1.8), 25):
        y[k : k + 3] += np.std(x) * 4 * np.array([1, -0.8, 0.4])
    return y


def clip(x: FloatArray, share: float = 0.5) -> FloatArray:
    top = share * np.max(np.abs(x))
    return np.clip(x, -top, top)


def clocked(x: FloatArray, ratio: float = 1.001) -> FloatArray:
    y = np.asarray(scipy.signal.resample(x, round(x.size * ratio)))
    return np.concatenate([y, np.zeros(max(x.size - y.size, 0))])[: x.size]


def low_passed(x: FloatArray) -> FloatArray:
    return np.asarray(scipy.signal.sosfiltfilt(scipy.signal.cheby2(10, 80, 16_500, fs=RATE, output="sos"), x))


def shelved(x: FloatArray) -> FloatArray:
    return x + np.asarray(scipy.signal.sosfilt(scipy.signal.butter(1, 120, fs=RATE, output="sos"), x))


def echoed(x: FloatArray) -> FloatArray:
    return x + 0.7 * np.roll(x, at(0.006))


def ridden(x: FloatArray) -> FloatArray:
    size = scipy.signal.sosfiltfilt(scipy.signal.butter(1, 4, fs=RATE, output="sos"), np.abs(x))
    return x * np.sqrt(np.max(size) / np.maximum(size, 0.02 * np.max(size)))


def each(fits: Callable[[dict[str, Any]], bool], work: Callable[[FloatArray], FloatArray], channel: int | None) -> Make:
    def make(one: World) -> None:
        for take in one.document["takes"]:
            if fits(take):
                one.change(take["id"], work, channel)

    return make


def relabeled(rate: int, fits: Callable[[dict[str, Any]], bool]) -> Make:
    def make(one: World) -> None:
        for take in one.document["takes"]:
            if fits(take):
                old = one.recordings[take["file"]]
                one.recordings[take["file"]] = Recording(old.samples, rate, old.subtype)
        if fits is every:
            old = one.recordings["calibrator.wav"]
            one.recordings["calibrator.wav"] = Recording(old.samples, rate, old.subtype)

    return make


def calibrator(work: Callable[[FloatArray], FloatArray]) -> Make:
    def make(one: World) -> None:
        old = one.recordings["calibrator.wav"]
        one.recordings["calibrator.wav"] = Recording(np.array([work(old.samples[0])]), old.rate_hz, old.subtype)

    return make


def corrected(scale: float) -> Make:
    def make(one: World) -> None:
        assert one.correction is not None
        one.correction = replace(one.correction, response_db=scale * one.correction.response_db)

    return make


def uncorrected(one: World) -> None:
    one.correction = None


def in_file(name: str, value: Any) -> Make:
    return fact(f"stimulus.{name}", value)


def of_the_same_rate(name: str, efolds: float) -> Make:
    """An end of [stimulus] off by so many e-folds of frequency, with the length that leaves L as it was played."""

    def make(one: World) -> None:
        told = one.document["stimulus"]
        rate_s = told["duration_s"] / np.log(told["stop_hz"] / told["start_hz"])
        told["duration_s"] = float(told["duration_s"] - rate_s * abs(efolds))
        told[name] = float(told[name] * np.exp(efolds))

    return make


def second_tone(x: FloatArray) -> FloatArray:
    return x + 0.1 * np.std(x) * np.sqrt(2) * np.sin(2 * np.pi * 50 * np.arange(x.size) / RATE)


def two_levels(x: FloatArray) -> FloatArray:
    return np.concatenate([x[: x.size // 2] * 0.1, x[x.size // 2 :]])


def drift(db: float, channel: int | None) -> Make:
    def make(one: World) -> None:
        rows = [take for take in one.document["takes"] if across(take)]
        for take in rows:
            share = (take["angle_deg"] + 170) / 350
            one.change(take["id"], lambda x, share=share: x * 10 ** (db * share / 20), channel)

    return make


def shifted(step: float, fits: Callable[[dict[str, Any]], bool]) -> Make:
    def make(one: World) -> None:
        for take in one.document["takes"]:
            if fits(take):
                take["angle_deg"] = (take["angle_deg"] + step + 179.999) % 360 - 179.999

    return make


def mirrored(fits: Callable[[dict[str, Any]], bool]) -> Make:
    def make(one: World) -> None:
        for take in one.document["takes"]:
            if fits(take) and take["angle_deg"] != 180:
                take["angle_deg"] = -take["angle_deg"]

    return make


def stood_still(one: World) -> None:
    rows = sorted((t for t in one.document["takes"] if across(t)), key=lambda t: t["angle_deg"])
    files = [take["file"] for take in rows]
    first = next(k for k, take in enumerate(rows) if take["angle_deg"] == 50)
    for k in range(len(rows) - 1, first - 1, -1):
        rows[k]["file"] = files[k - 1]
    old = one.recordings[rows[first]["file"]]
    noise = np.random.default_rng(3).normal(size=old.samples.shape) * 2e-7
    one.recordings["again.wav"] = Recording(old.samples + noise, old.rate_hz, old.subtype)
    rows[first]["file"] = "again.wav"


def other_orbit(one: World) -> None:
    for take in one.document["takes"]:
        if far(take) and abs(take["angle_deg"]) not in (0, 180):
            take["orbit"] = "vertical" if take["orbit"] == "horizontal" else "horizontal"


def called_anechoic(one: World) -> None:
    del one.document["environment"]["room"]
    one.document["environment"]["anechoic"] = True


def late_reflection(one: World) -> None:
    del one.document["environment"]["room"]
    one.document["environment"]["first_reflection_ms"] = 20.0


def in_centimeters(one: World) -> None:
    room = one.document["environment"]["room"]
    one.document["environment"]["room"] = {k: (100 * np.array(v)).tolist() for k, v in room.items()}


def no_port(one: World) -> None:
    one.document["takes"] = [t for t in one.document["takes"] if t.get("driver") != "port"]


WRONG_SCALE = "calibrator|microphone scale|sensitivity"
SWEEP = "sweep that was played|labeled|\\[stimulus\\]|stimulus"
DAMAGED = "damaged|something is heard|samples"

MISTAKES: tuple[Mistake, ...] = (
    # Distances and voltages
    Mistake("distance x2, room agrees not", "distance|meters|stands", takes("far-field", "distance_m", lambda d: 2 * d)),
    Mistake("distance x2 in a free field", "nearer|distance", takes("far-field", "distance_m", lambda d: 2 * d), FREE),
    Mistake("distance halved in a free field", "farther|delay|distance", takes("far-field", "distance_m", lambda d: d / 2), FREE),
    Mistake("distance 10 % too long", "nearer|distance", takes("far-field", "distance_m", lambda d: 1.1 * d), FREE),
    Mistake("drive 28.3 V for 2.83, loop-back in volts", "voltage", fact("drive.voltage_v", 28.3), VOLTS),
    Mistake("drive 28.3 V for 2.83", WRONG_SCALE + "|level", fact("drive.voltage_v", 28.3)),
    Mistake("drive 2.0 V for 2.83", "drive_v|level|voltage", fact("drive.voltage_v", 2.0)),
    Mistake("volts_per_fs 3 for 30", "voltage", fact("reference.volts_per_fs", 3.0), VOLTS),
    Mistake("volts_per_fs 60 for 30", "voltage", fact("reference.volts_per_fs", 60.0), VOLTS),
    Mistake("volts_per_fs of another divider, 1 dB", "voltage", fact("reference.volts_per_fs", 33.7), VOLTS),
    Mistake("near fields without drive_v", "drive_v|level|near field", takes("near-field", "drive_v", lambda _: None)),
    Mistake("near woofer drive_v halved", "drive_v|level|near field", takes("near-field", "drive_v", lambda v: v / 2, "woofer")),
    Mistake("near woofer drive_v halved, loop-back in volts", "drive_v", takes("near-field", "drive_v", lambda v: v / 2, "woofer"), VOLTS),
    Mistake("near fields recorded 6 dB lower", "near field|level", gain(-6, near)),
    Mistake("near woofer recorded 6 dB lower", "near field|level", gain(-6, lambda t: near(t) and "woofer" in t["id"])),
    Mistake("near port recorded 6 dB lower", "port", gain(-6, lambda t: near(t) and t["driver"] == "port")),
    Mistake("near distance 5 cm for 5 mm", "near field|level", takes("near-field", "distance_m", lambda _: 0.05)),
    Mistake("near distance 50 cm for 5 mm", "near field|level|near", takes("near-field", "distance_m", lambda _: 0.5)),
    # Channels and polarity
    Mistake("microphone and loop-back channels exchanged", "nearer|channel|exchanged", both(takes("far-field", "microphone_channel", lambda _: 2), fact("reference.channel", 1), takes("near-field", "microphone_channel", lambda _: 2))),
    Mistake("loop-back said to be on the microphone's channel", "both microphone and reference", fact("reference.channel", 1)),
    Mistake("loop-back channel that is not there", "channel", fact("reference.channel", 3)),
    Mistake("one take turned in polarity", "polarity", sound("h_20", np.negative, 0)),
    Mistake("vertical orbit turned in polarity", "polarity|turned", each(upright, np.negative, 0), ORBIT, ("thimble",)),
    Mistake("near woofer turned in polarity", "polarity|turned", each(lambda t: near(t) and "woofer" in t["id"], np.negative, 0)),
    Mistake("near port turned in polarity", "polarity|turned|port", each(lambda t: near(t) and t["driver"] == "port", np.negative, 0)),
    Mistake("both near fields turned in polarity", "polarity|turned", each(near, np.negative, 0)),
    Mistake("near fields of woofer and port exchanged", "near field|port|exchanged", swapped("near woofer", "near port"), LEAN, ("thimble", "lantern")),
    Mistake("near woofer of another loudspeaker", "near field|level|slope|port", instead(lambda r: replace(r, key="lantern" if r.key != "lantern" else "thimble"), lambda t: t["id"] == "near woofer"), LEAN, ("thimble", "lantern")),
    Mistake("no near field of the port", "port", no_port),
    # Microphone's scale
    Mistake("calibrator 114 stated, 94 recorded", WRONG_SCALE, fact("microphone.calibrator.level_db", 114.0)),
    Mistake("calibrator 94 stated, 114 recorded", WRONG_SCALE, fact("microphone.calibrator.level_db", 74.0)),
    Mistake("calibrator with 10 dB less gain", WRONG_SCALE, calibrator(lambda x: x * 10**-0.5)),
    Mistake("calibrator with 10 dB more gain", WRONG_SCALE, calibrator(lambda x: x * 10**0.5)),
    Mistake("calibrator with 6 dB less gain", WRONG_SCALE, calibrator(lambda x: x * 0.5)),
    Mistake("calibrator at 250 Hz stated", "tone", fact("microphone.calibrator.frequency_hz", 250.0)),
    Mistake("stated sensitivity x2 without calibrator", WRONG_SCALE, both(fact("microphone.sensitivity_fs_per_pa", 0.048), lambda w: w.document["microphone"].pop("calibrator")), LEAN),
    Mistake("stated sensitivity in mV for V", WRONG_SCALE, both(fact("microphone.sensitivity_fs_per_pa", 24.0), lambda w: w.document["microphone"].pop("calibrator"))),
    Mistake("stated sensitivity against the calibrator", "calibrator", fact("microphone.sensitivity_fs_per_pa", 0.5)),
    Mistake("stated sensitivity 1.5 dB from the calibrator", "calibrator", fact("microphone.sensitivity_fs_per_pa", 0.0285)),
    Mistake("calibrator with hum at -20 dB", "second tone", calibrator(second_tone)),
    Mistake("94 and 114 dB in one calibrator file", "two levels", calibrator(two_levels)),
    Mistake("claim of 68 dB for 86", "claim", lambda w: [c.update(value=c["value"] - 18) for c in w.document["loudspeaker"]["claim"] if c["quantity"] == "sensitivity"] and None),
    # The stimulus
    Mistake("sweep's length 3 % short", SWEEP, in_file("duration_s", (0.97,))),
    Mistake("sweep's length 3 % short, no loop-back", SWEEP, in_file("duration_s", (0.97,)), BARE),
    Mistake("sweep's length x2", SWEEP + "|too short|lasts", in_file("duration_s", 3.4)),
    Mistake("sweep ends at 20 kHz, 22 played", SWEEP, in_file("stop_hz", 20_000.0)),
    Mistake("sweep ends at 11 kHz at the same rate, 22 played", "runs from", of_the_same_rate("stop_hz", -np.log(2))),
    Mistake("sweep starts at 40 Hz at the same rate, 10 played", "runs from", of_the_same_rate("start_hz", np.log(4))),
    Mistake("sweep ends at 20 kHz, 22 played, no loop-back", SWEEP, in_file("stop_hz", 20_000.0), BARE),
    Mistake("sweep starts at 20 Hz, 10 played", SWEEP, in_file("start_hz", 20.0)),
    Mistake("sweep starts at 20 Hz, 10 played, no loop-back", SWEEP, in_file("start_hz", 20.0), BARE),
    Mistake("classic form for synchronized", "form", in_file("form", "classic")),
    Mistake("classic form for synchronized, no loop-back", "form|before the direct sound|stimulus", in_file("form", "classic"), BARE),
    Mistake("lead-in 0 for 0.3 s", "noise|lead", in_file("lead_in_s", 0.0)),
    Mistake("lead-in 0.6 for 0.3 s, no loop-back", "lead|sound comes|noise", in_file("lead_in_s", 0.6), BARE),
    Mistake("fades left out", SWEEP, both(in_file("fade_in_s", 0.0), in_file("fade_out_s", 0.0))),
    Mistake("all files labeled 44.1 for 48 kHz", "labeled|rate", relabeled(44_100, every)),
    Mistake("all files labeled 44.1 for 48 kHz, no loop-back", "labeled|rate", relabeled(44_100, every), BARE),
    Mistake("one file labeled 44.1 kHz", "rate", relabeled(44_100, lambda t: t["id"] == "h_20")),
    Mistake("clock 0.1 % fast in all takes", "clock", each(every, clocked, None)),
    Mistake("clock 0.1 % fast, no loop-back", "clock|sweep", each(every, clocked, None), BARE),
    Mistake("clock 1 % fast", SWEEP + "|clock", each(every, lambda x: clocked(x, 1.01), None)),
    Mistake("level series with a longer sweep", SWEEP, instead(lambda r: replace(r, sweep_s=2.0), lambda t: t["kind"] == "level"), PLAIN_STEPS),
    Mistake("one take of another sweep", SWEEP, instead(lambda r: replace(r, sweep_s=1.5), lambda t: t["id"] == "h_20")),
    # Damage
    *(
        Mistake(f"{what} in {take}", DAMAGED, sound(take, work, channel))
        for take in ("h_0", "h_20")
        for what, work, channel in (
            ("gap of 10 ms in both channels", gap, None), ("48 samples lost in both channels", lost, None),
            ("door slam", slam, 0), ("voice at -10 dB", voice, 0), ("crackle in the microphone", crackle, 0),
        )
    ),
    Mistake("gap of 3 ms in the loop-back", DAMAGED, sound("h_20", lambda x: gap(x, 3.0), 1)),
    Mistake("480 samples lost in the microphone", DAMAGED + "|nearer|farther", sound("h_20", lambda x: lost(x, 480), 0)),
    Mistake("gap of 10 ms, no loop-back", DAMAGED, sound("h_0", gap), BARE),
    Mistake("voice, no loop-back", DAMAGED, sound("h_0", voice), BARE),
    Mistake("slam in the near field", DAMAGED, sound("near woofer", lambda x: slam(x, 6.0), 0), LEAN, ("thimble", "lantern")),
    Mistake("gap in a level take", DAMAGED, sound("step 2", gap), STEPS),
    Mistake("clipping of one take", "limit|flat top", sound("h_0", clip, 0)),
    Mistake("clipping of all takes", "limit|flat top", each(far, lambda x: clip(x, 0.7), 0)),
    Mistake("recording cut before the sweep ends", "short|lasts|sweep", each(far, lambda x: x[: at(1.6)], None)),
    Mistake("automatic gain in the recorder", "rides its gain", each(far, ridden, 0)),
    Mistake("bass boost of the player, after the loop-back", "near field|level", each(far, shelved, 0)),
    Mistake("second loudspeaker plays too", "comes back|echo|near field|reflection", each(far, echoed, 0)),
    Mistake("second loudspeaker plays too, free field", "comes back", each(far, echoed, 0), FREE),
    Mistake("lossy files, cut at 16 kHz", "cut off", each(every, low_passed, 0)),
    Mistake("take that starts 53 samples late", "starts|arrives|nearer|farther", sound("h_20", lambda x: np.roll(x, 53), 0)),
    # Room
    Mistake("anechoic = true in a room", "anechoic", called_anechoic),
    Mistake("anechoic = true in a room, no loop-back", "anechoic", called_anechoic, BARE),
    Mistake("anechoic = true, no near fields", "anechoic", called_anechoic, replace(LEAN, near=False)),
    Mistake("first reflection 20 ms for 5", "comes back|gate|near field", late_reflection),
    Mistake("room in centimeters", "meters|stands|room|distance", in_centimeters),
    Mistake("room twice as high and wide", "comes back|gate|near field|reflection", lambda w: w.document["environment"]["room"].update(width_m=13.2, height_m=6.6, loudspeaker_m=[2.9, 6.5, 3.3], microphone_m=[4.9, 6.5, 3.3])),
    Mistake("temperature 35 for 20", "temperature|nearer|farther", fact("environment.temperature_c", 35.0)),
    Mistake("temperature 0 for 20", "temperature|nearer|farther", fact("environment.temperature_c", 0.0)),
    # Microphone's correction
    Mistake("correction's sign turned", "correction", corrected(-1.0)),
    Mistake("correction applied twice", "correction", corrected(2.0)),
    Mistake("correction left out", "correction", uncorrected),
    # The loudspeaker's facts
    Mistake("closed for a vented box", "port", fact("loudspeaker.enclosure", "closed")),
    Mistake("woofer's diameter in cm", "large|diameter|span", driver("cone", "diameter_m", lambda d: 100 * d)),
    Mistake("woofer's diameter x2", "near field|level|span|diameter", driver("cone", "diameter_m", lambda d: 2 * d)),
    Mistake("woofer's radius for its diameter", "near field|level", driver("cone", "diameter_m", lambda d: d / 2)),
    Mistake("port's diameter x2", "port|span", driver("port", "diameter_m", lambda d: 2 * d)),
    Mistake("port's radius for its diameter", "port", driver("port", "diameter_m", lambda d: d / 2)),
    Mistake("woofer above for below", "span|position|near|woofer", driver("cone", "position_m", lambda p: [p[0], p[1], -p[2]])),
    Mistake("width and height exchanged", "span|width", lambda w: w.document["loudspeaker"].update(width_m=w.document["loudspeaker"]["height_m"], height_m=w.document["loudspeaker"]["width_m"])),
    Mistake("cabinet x10", "cabinet|too large", lambda w: w.document["loudspeaker"].update({k: 10 * w.document["loudspeaker"][k] for k in ("width_m", "height_m", "depth_m")})),
    Mistake("cabinet in cm for m, /100", "span|mass|cabinet", lambda w: w.document["loudspeaker"].update({k: w.document["loudspeaker"][k] / 100 for k in ("width_m", "height_m", "depth_m")})),
    Mistake("rated impedance 60 for 6", "rated", fact("loudspeaker.rated_impedance_ohm", 60.0)),
    Mistake("rated impedance 0.8 for 8", "rated", fact("loudspeaker.rated_impedance_ohm", 0.8)),
    Mistake("price 1.45 for 1450", "price", fact("loudspeaker.price.amount", 1.45)),
    Mistake("date 0001", "date", fact("date", "0001-03-02")),
    Mistake("mass in grams", "mass", fact("loudspeaker.mass_kg", (1000.0,))),
    # Level series, impedance, tones
    Mistake("level step 8.94 V stated as 6.3 V", "loop-back's ratios|recorded", takes("level", "drive_v", lambda _: 6.3, "step 3"), STEPS),
    Mistake("level step 8.94 V stated as 6.3 V, no volts", "loop-back's ratios|recorded", takes("level", "drive_v", lambda _: 6.3, "step 3"), PLAIN_STEPS),
    Mistake("impedance resistor 100 for 10 ohm", "reference|resistor", takes("impedance", "resistor_ohm", lambda _: 100.0), STEPS),
    Mistake("impedance resistor 100, no reference", "resistor", both(takes("impedance", "resistor_ohm", lambda _: 100.0), lambda w: w.document["takes"].remove(w.take("reference"))), STEPS),
    Mistake("impedance channels exchanged", "channel", both(takes("impedance", "channel_a", lambda _: 2), takes("impedance", "channel_b", lambda _: 1)), STEPS),
    Mistake("impedance reference 82 for 8.2 ohm", "reference", takes("impedance", "reference_ohm", lambda v: v and 10 * v), STEPS),
    Mistake("two tones: 50 for 60 Hz", "50 Hz", takes("two-tone", "low_hz", lambda _: 50.0), STEPS),
    Mistake("two tones: 2000 for 1000 Hz", "2000 Hz", takes("two-tone", "high_hz", lambda _: 2000.0), STEPS),
    Mistake("burst 315 stated for 40 Hz", "burst", takes("burst", "frequency_hz", lambda _: 315.0, "burst 40"), STEPS),
    Mistake("burst rms for peak voltage", "peak", takes("burst", "drive_v", lambda v: v * 0.7071), STEPS),
    # Orbits
    Mistake("vertical orbit +1 dB", "vertical orbit", gain(1, upright), ORBIT, ("thimble",)),
    Mistake("vertical orbit +3 dB", "vertical orbit", gain(3, upright), ORBIT, ("thimble",)),
    Mistake("vertical orbit -0.6 dB", "vertical orbit", gain(-0.6, upright), ORBIT, ("thimble",)),
    Mistake("vertical orbit +2 dB, coarse", "vertical orbit", gain(2, upright)),
    Mistake("vertical angles mirrored", "wrong sign|mirrored", mirrored(upright), ORBIT, ("thimble",)),
    Mistake("vertical angles mirrored, coarse", "wrong sign", mirrored(upright), replace(LEAN, vertical=(-60, -40, -20, 20, 40, 60)), ("thimble", "causeway")),
    Mistake("horizontal angles mirrored", "angle", mirrored(across), ORBIT, ("thimble",)),
    Mistake("h_30 and h_-30 exchanged", "exchanged", swapped("h_30", "h_-30"), ORBIT, ("thimble",)),
    Mistake("h_30 and h_40 exchanged", "exchanged|labels", swapped("h_30", "h_40"), ORBIT, ("thimble",)),
    Mistake("h_60 and h_80 exchanged", "exchanged|labels", swapped("h_60", "h_80"), ORBIT, ("thimble",)),
    Mistake("v_20 and v_-20 exchanged", "exchanged|level|labels", swapped("v_20", "v_-20"), ORBIT, ("thimble",)),
    Mistake("turntable stood still once from 50 degrees on", "same|turntable|zero", stood_still, ORBIT, ("thimble",)),
    Mistake("horizontal angles off by 10 degrees", "zero", shifted(10, across), ORBIT, ("thimble",)),
    Mistake("vertical angles off by 10 degrees", "axis|orbit|angles|differ", shifted(10, lambda t: upright(t) and abs(t["angle_deg"]) not in (170,)), ORBIT, ("thimble",)),
    Mistake("orbits exchanged", "left and right|orbit", other_orbit, ORBIT, ("thimble",)),
    Mistake("h_30 recorded at 20 degrees", "same", lambda w: w.recordings.update({"h_30.wav": Recording(w.recordings["h_20.wav"].samples + 1e-7 * np.random.default_rng(1).normal(size=w.recordings["h_20.wav"].samples.shape), RATE, "PCM_24")}), ORBIT, ("thimble",)),
    Mistake("h_30 of another loudspeaker", "level|distance|neighbors", instead(lambda r: replace(r, key="causeway", horizontal=(30,), vertical=(), near=False), lambda t: t["id"] == "h_30"), ORBIT, ("thimble",)),
    Mistake("gain +1 dB for the right half", "gain|level", gain(1, lambda t: across(t) and 0 < t["angle_deg"] < 180), ORBIT, ("thimble",)),
    Mistake("gain +0.5 dB for one half", "gain|level|zero|differ", gain(0.5, lambda t: across(t) and 0 < t["angle_deg"] < 180), ORBIT, ("thimble",)),
    Mistake("gain +1 dB from 60 degrees on", "gain|level", gain(1, lambda t: across(t) and t["angle_deg"] >= 60), ORBIT, ("thimble",)),
    Mistake("gain +1 dB behind 90 degrees", "gain|level", gain(1, lambda t: across(t) and abs(t["angle_deg"]) >= 90), ORBIT, ("thimble",)),
    Mistake("output +1 dB for one half, both channels", "level|loop-back", gain(1, lambda t: across(t) and 0 < t["angle_deg"] < 180, None), ORBIT, ("thimble",)),
    Mistake("output drifts by 3 dB", "level|loop-back", drift(3.0, None), ORBIT, ("thimble",)),
    Mistake("gain drifts by 2 dB", "level|gain|zero", drift(2.0, 0), ORBIT, ("thimble",)),
    Mistake("polarity of h_130", "polarity", sound("h_130", np.negative, 0), ORBIT, ("thimble",)),
    Mistake("h_90 starts 53 samples late", "starts", sound("h_90", lambda x: np.roll(x, 53), 0), ORBIT, ("thimble",)),
    Mistake("microphone 10 degrees too high", "level|same|differ|axis", swapped("h_0", "v_10"), ORBIT, ("thimble",)),
    Mistake("vertical orbit of another loudspeaker", "level|distance|vertical orbit", instead(lambda r: replace(r, key="causeway", horizontal=(), near=False, vertical=r.vertical), upright), replace(ORBIT, vertical=(-40, -30, -20, -10, 10, 20, 30, 40)), ("thimble",)),
)  # fmt: skip
