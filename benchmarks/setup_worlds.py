"""Sessions in memory for benchmarks/setup_faults.py: invented loudspeakers of the demo world, short sweeps, any rig.

Nothing is read from or written to a disk: a World is the session as a document, and recordings by name. The truth is
the demo world's simulator, which shares no code with the reduction.
"""

from __future__ import annotations

import copy
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from earwitness.demo import rig, world
from earwitness.demo.playback import emission, far_paths, near_paths
from earwitness.demo.room import shoebox_images
from earwitness.dsp.signals import burst, two_tone
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import MicrophoneCorrection

FloatArray = NDArray[np.float64]
RATE = rig.RATE_HZ
SAMPLES = 2**17
HASH = "0" * 64


@dataclass(frozen=True)
class Rig:
    """How a loudspeaker was measured. room_m : None for a free field; volts_per_fs : None for a loop-back without.

    noise_db : of microphone and room against the demo's; hiss_db : of an amplifier that is on while takes are recorded,
    at 10 kHz against the microphone's own.
    """

    key: str = "thimble"
    horizontal: tuple[int, ...] = (-20, 0, 20, 180)
    vertical: tuple[int, ...] = (-20, 20)
    near: bool = True
    levels: tuple[float, ...] = ()
    loud: bool = False
    loop: bool = True
    volts_per_fs: float | None = 30.0
    room_m: tuple[float, float, float] | None = (8.2, 6.6, 3.3)
    place_m: tuple[float, float, float] = (2.9, 3.2, 1.65)
    distance_m: float = 2.0
    start_hz: float = 10.0
    stop_hz: float = 22_000.0
    sweep_s: float = 1.7
    classic: bool = False
    lead_s: float = 0.3
    latency: int = 613
    drive_v: float = 2.83
    near_v: float = 1.0
    fs_per_pa: float = 0.024
    calibrator_db: float = 94.0
    noise_db: float = 0.0
    hiss_db: float = -60.0
    correction: bool = True
    seed: int = 0


@dataclass
class World:
    """A session and its recordings; `correction` as read from the file."""

    rig: Rig
    document: dict[str, Any]
    recordings: dict[str, Recording]
    correction: MicrophoneCorrection | None
    extra: dict[str, Any] = field(default_factory=dict)

    def copy(self) -> World:
        """Documents are copied, recordings shared: a mistake puts new ones in their place."""
        return replace(self, document=copy.deepcopy(self.document), recordings=dict(self.recordings), extra={})

    def take(self, name: str) -> dict[str, Any]:
        return next(one for one in self.document["takes"] if one["id"] == name)

    def change(self, name: str, work: Callable[[FloatArray], FloatArray], channel: int | None = None) -> None:
        """Put work(samples (N,)) in place of one channel, counted from 0, or of both; all keep one length."""
        old = self.recordings[self.take(name)["file"]]
        rows = [work(np.array(row)) if channel in (None, k) else np.array(row) for k, row in enumerate(old.samples)]
        self.recordings[self.take(name)["file"]] = Recording(np.array(rows), old.rate_hz, old.subtype)


def sweep_of(one: Rig) -> FloatArray:
    law = sweep_law(one.start_hz, one.stop_hz, one.sweep_s, synchronized=not one.classic)
    shape, out = sweep_samples(law, RATE, fade_in_s=0.05, fade_out_s=0.004), np.zeros(SAMPLES)
    first = round(one.lead_s * RATE)
    out[first : first + shape.size] = shape
    return out


@lru_cache(maxsize=3)
def made(one: Rig) -> World:
    """A session without any mistake."""
    speaker = world.loudspeaker(one.key)
    caps = tuple(source.cap for source in world.speaker_sources(speaker, np.array([1000.0])))
    sweep, recordings = sweep_of(one) * np.sqrt(2), dict[str, Recording]()
    sounds = {v: emission(speaker, sweep / np.sqrt(2), v) for v in {one.drive_v, one.near_v, *one.levels}}
    takes: list[dict[str, Any]] = []

    def add(name: str, sound: Any, paths: FloatArray, volts: FloatArray, **keys: Any) -> None:
        recordings[f"{name}.wav"] = recorded(
            one, name, (sound * scipy.fft.rfft(paths, volts.size, axis=-1)).sum(0), volts
        )
        takes.append({"id": name, "file": f"{name}.wav", "sha256": HASH, **keys})

    for orbit, angles in (("horizontal", one.horizontal), ("vertical", one.vertical)):
        for angle in angles:
            paths = far_paths(speaker, caps, orbit, float(angle), one.distance_m, _images(one))
            keys = {"kind": "far-field", "orbit": orbit, "angle_deg": float(angle), "distance_m": one.distance_m}
            add(f"{orbit[0]}_{angle}", sounds[one.drive_v], paths, sweep * one.drive_v, **keys)
    for cap in speaker.near_caps if one.near else ():
        keys = {"kind": "near-field", "driver": cap.name, "distance_m": world.NEAR_FIELD_GAP_M, "drive_v": one.near_v}
        add(f"near {cap.name}", sounds[one.near_v], near_paths(speaker, caps, cap.name), sweep * one.near_v, **keys)
    axis = far_paths(speaker, caps, "horizontal", 0.0, 1.0, _images(replace(one, distance_m=1.0)))
    for step, volts in enumerate(one.levels, 1):
        add(f"step {step}", sounds[volts], axis, sweep * volts, kind="level", drive_v=volts, distance_m=1.0)
    if one.loud:
        _loud(one, speaker, axis, add, recordings, takes)
    recordings["calibrator.wav"] = _calibrator(one)
    return World(one, _document(one, speaker, takes), recordings, _correction() if one.correction else None)


def _loud(one: Rig, speaker: Any, axis: FloatArray, add: Any, recordings: dict[str, Recording], takes: Any) -> None:
    def placed(shape: FloatArray) -> FloatArray:
        out = np.zeros(SAMPLES)
        out[round(0.3 * RATE) : round(0.3 * RATE) + shape.size] = shape
        return out

    pair = placed(two_tone(60.0, 1000.0, 2.0, RATE))
    pair *= 8.0 / np.sqrt(np.mean(pair[pair != 0] ** 2))
    sound = emission(speaker, pair / np.sqrt(2) / 8.0, 8.0)
    add("two tones", sound, axis, pair, kind="two-tone", drive_v=8.0, distance_m=1.0, low_hz=60.0, high_hz=1000.0,
        run_in_s=0.5, length_s=1.0)  # fmt: skip
    for hz in (40.0, 63.0):
        shape = placed(burst(hz, RATE))
        sound = emission(speaker, shape, 8.0 / np.sqrt(2), heating_k=0.0)
        add(f"burst {hz:g}", sound, axis, shape * 8.0, kind="burst", drive_v=8.0, distance_m=1.0, frequency_hz=hz,
            before_s=0.3)  # fmt: skip
    count = 2**18
    for name, ohm in (("load", None), ("reference", 8.2)):
        hz = np.maximum(np.fft.rfftfreq(count, 1 / RATE), 0.2)
        load = np.full(hz.size, ohm, dtype=complex) if ohm else world.true_impedance(one.key, hz)
        law = sweep_law(5.0, 22_000.0, 4.0)
        source = np.zeros(count)
        source[4800 : 4800 + round(4.0 * RATE)] = sweep_samples(law, RATE, fade_in_s=0.05, fade_out_s=0.004)[: 4 * RATE]
        behind = scipy.fft.irfft(scipy.fft.rfft(source) * load / (load + 10.0), count)
        both = np.stack([source, behind]) * 0.3 + 3e-6 * _draws(one, name).standard_normal((2, count))
        recordings[f"{name}.wav"] = Recording(both, RATE, "PCM_24")
        keys = {"reference_ohm": ohm} if ohm else {}
        takes.append({"kind": "impedance", "id": name, "file": f"{name}.wav", "sha256": HASH, "role": name,
                      "resistor_ohm": 10.0, **keys})  # fmt: skip


def recorded(one: Rig, name: str, total: Any, volts: FloatArray) -> Recording:
    """Microphone and loop-back with noise, in the recorder's steps of 24 bits."""
    hz = np.fft.rfftfreq(volts.size, 1 / RATE)
    late = total * np.exp(-2j * np.pi * hz * one.latency / RATE)
    draws = _draws(one, name)
    noise = rig.noise_spectrum(draws, samples=volts.size) * 10 ** (one.noise_db / 20)
    noise = noise + scipy.fft.rfft(_hiss_pa(one) * draws.standard_normal(volts.size))
    response = rig.microphone_response(np.maximum(hz, 0.1)) if one.correction else 1.0
    rows = [one.fs_per_pa * scipy.fft.irfft((late + noise) * response, volts.size)]
    if one.loop:
        rows.append(np.roll(volts, one.latency) / (one.volts_per_fs or 30.0))
    return Recording(np.round(np.array(rows) * 2**23) / 2**23, RATE, "PCM_24")


def _hiss_pa(one: Rig) -> float:
    """White pressure, rms a sample: 20 dB in 20 kHz is the demo's microphone."""
    return float(20e-6 * 10 ** ((20.0 + one.noise_db + one.hiss_db) / 20) * np.sqrt(RATE / 2 / 20_000))


def _draws(one: Rig, name: str) -> np.random.Generator:
    return np.random.default_rng([one.seed, zlib.crc32(f"{one.key} {name}".encode())])


@lru_cache(maxsize=8)
def _images(one: Rig) -> Any:
    room = np.array(one.room_m or (900.0, 900.0, 900.0))
    place = np.array(one.place_m) if one.room_m else np.array([400.0, 450.0, 450.0])
    walls = np.array(rig.REFLECTION) * (1.0 if one.room_m else 0.0)
    return shoebox_images(room, place, place + np.array([one.distance_m, 0, 0]), walls, 4 if one.room_m else 0)


def _calibrator(one: Rig) -> Recording:
    time = np.arange(3 * RATE) / RATE
    tone = 20e-6 * 10 ** (one.calibrator_db / 20) * np.sqrt(2) * np.sin(2 * np.pi * 1000.0 * time)
    noise = np.fft.irfft(rig.noise_spectrum(_draws(one, "calibrator"), samples=time.size), time.size)
    noise *= 10 ** (one.noise_db / 20)
    return Recording(np.array([one.fs_per_pa * (tone + noise)]), RATE, "PCM_24")


def _correction() -> MicrophoneCorrection:
    hz = 5.0 * 10 ** (np.arange(0, 147) / 40)
    response = rig.microphone_response(hz)
    level, phase = 20 * np.log10(np.abs(response)), np.degrees(np.unwrap(np.angle(response)))
    return MicrophoneCorrection("mic.txt", hz, level, phase)


def _document(one: Rig, speaker: Any, takes: Sequence[dict[str, Any]]) -> dict[str, Any]:
    import tomllib

    text = rig.session_text(speaker)
    document = tomllib.loads(text[: text.index("[[take]]")])
    document["microphone"].pop("correction_file")
    document["microphone"]["calibrator"]["file"] = "calibrator.wav"
    document["microphone"]["calibrator"]["level_db"] = one.calibrator_db
    document["drive"]["voltage_v"] = one.drive_v
    document["stimulus"] |= {"form": "classic" if one.classic else "synchronized", "start_hz": one.start_hz,
                             "stop_hz": one.stop_hz, "duration_s": one.sweep_s, "fade_in_s": 0.05,
                             "fade_out_s": 0.004, "lead_in_s": one.lead_s}  # fmt: skip
    document.pop("reference")
    if one.loop:
        document["reference"] = {"channel": 2} | ({"volts_per_fs": one.volts_per_fs} if one.volts_per_fs else {})
    microphone = [one.place_m[0] + one.distance_m, *one.place_m[1:]]
    room = dict(zip(("length_m", "width_m", "height_m"), one.room_m or (), strict=False))
    document["environment"].pop("room")
    if one.room_m:
        document["environment"]["room"] = room | {"loudspeaker_m": list(one.place_m), "microphone_m": microphone}
    else:
        document["environment"]["anechoic"] = True
    return document | {"takes": [dict(take) for take in takes]}
