"""What a rig records of a loudspeaker, in memory: every take as samples, and the session that describes them.

The sweep is played in the frequency domain, linear and without compression. To the microphone lead the direct sound and
a room's first reflections up to the second order; near-field takes hear the room as the sum of all flows from the
images. Reflections of the room at the cabinet are left out.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import fft

from coverage_worlds.bodies import RHO, BoxBody, ComplexArray, FloatArray, SphereBody
from coverage_worlds.loudspeakers import Loudspeaker, is_symmetric
from coverage_worlds.rigs import Rig
from earwitness.demo.playback import speaker_axes
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import report_axis
from earwitness.reduce.impulse import BEFORE_PEAK_S, GUARD_S, TakeImpulse
from earwitness.session.session import Session

RATE_HZ = 48_000
SAMPLES = 2**17
LEAD_IN_S, SWEEP_S = 0.3, 2.0
SWEEP_HZ = (10.0, 22_000.0)
FADES_S = (0.02, 0.002)
TAPS, EARLY_TAPS = 512, 128
PATH_SAMPLES = 4096
LATENCY = 613
DRIVE_V = 2.83
CALIBRATOR_DB, CALIBRATOR_HZ = 94.0, 1000.0
ORDER = 2
ANSWER_SAMPLES, KEPT_S = 2**15, 0.2
SELF_NOISE_DB = 14.0
_ROLL_OFF_HZ = (21_000.0, 24_000.0)


@dataclass(frozen=True, eq=False)
class Recorded:
    """A session and its recordings by file name; correction : the microphone's file, or None."""

    session: Session
    recordings: dict[str, Recording]
    correction: MicrophoneCorrection | None

    def read(self, name: str) -> Recording:
        return self.recordings[name]


def recorded(one: Loudspeaker, rig: Rig) -> Recorded:
    """All takes of a session. The same loudspeaker and rig give the same samples."""
    chain = _chain(rig, SAMPLES)
    emission = fft.rfft(_sweep()) * np.sqrt(2.0) * one.acceleration(chain.hz)
    emission[:, 0] = 0.0
    recordings = {
        str(table["file"]): _take(chain, emission, table, paths, gain_db) for table, paths, gain_db in _takes(one, rig)
    }
    return Recorded(session_of(one, rig), {**recordings, **_beside(chain)}, _correction(rig))


def answered(one: Loudspeaker, rig: Rig) -> tuple[Recorded, dict[str, TakeImpulse]]:
    """The same session below the deconvolution: impulse responses by take, and recordings of what is no sweep.

    Each is the path's own response with the noise that a division by the sweep would have left in it.
    """
    chain = _chain(rig, ANSWER_SAMPLES)
    acceleration = one.acceleration(chain.hz)
    acceleration[:, 0] = 0.0
    impulses = {
        str(table["id"]): _answer(chain, acceleration, table, paths, gain_db)
        for table, paths, gain_db in _takes(one, rig)
    }
    session = session_of(one, rig)
    nothing = Recording(np.zeros((2, RATE_HZ // 10)), RATE_HZ, "FLOAT")
    files = {take.file: nothing for take in session.takes}
    return Recorded(session, {**files, **_beside(_chain(rig, SAMPLES))}, _correction(rig)), impulses


def session_of(one: Loudspeaker, rig: Rig) -> Session:
    """What the tester wrote down."""
    tables = [*_angles(rig), *(table for table, _ in _near_takes(one, rig))]
    if rig.facts.noise_take:
        tables.append({"id": "quiet", "file": "quiet", "kind": "noise floor"})
    takes = [{**table, "sha256": "0" * 64} for table in tables]
    return Session.model_validate({**_document(one, rig), "takes": takes, "file_hashes": {}})


def _takes(one: Loudspeaker, rig: Rig) -> Iterator[tuple[dict[str, object], FloatArray, float]]:
    """Every sweep: what the session says of it, its paths (R, samples), and by how much its gain was off [dB]."""
    far = _angles(rig)
    for order, (table, paths) in enumerate(zip(far, _far_paths(one, rig, far), strict=True)):
        run = order / max(len(far) - 1, 1)
        gain_db = rig.errors.drift_db * (run - 0.5) + (rig.errors.orbits_db if table["orbit"] == "vertical" else 0.0)
        gain_db += rig.errors.take_db * float(_seed(rig, f"gain {table['id']}").normal())
        yield table, paths, gain_db
    for table, row in _near_takes(one, rig):
        yield table, _near_paths(one, rig, row), 0.0


def _beside(chain: _Chain) -> dict[str, Recording]:
    """Recordings that are no sweeps."""
    found = {}
    if chain.rig.facts.noise_take:
        found["quiet"] = _recorded(chain, _noise(chain, _seed(chain.rig, "quiet")), np.zeros(SAMPLES))
    if chain.rig.facts.calibrator:
        found["calibrator"] = _calibrator(chain.rig)
    return found


@dataclass(frozen=True, eq=False)
class _Chain:
    """What every take goes through. hz (bins,) of `samples`; density (bins,) of the noise, one-sided [Pa^2/Hz]."""

    rig: Rig
    samples: int
    hz: FloatArray
    microphone: ComplexArray
    density: FloatArray


def _chain(rig: Rig, samples: int) -> _Chain:
    hz = np.asarray(np.fft.rfftfreq(samples, 1 / RATE_HZ), dtype=np.float64)
    hz[0] = hz[1]
    # Response of the microphone: what its file says, and what that leaves out.
    level = rig.errors.microphone.at(hz) + (rig.errors.beside_file.at(hz) if rig.facts.file else 0.0)
    self_noise = (20e-6 * 10 ** (SELF_NOISE_DB / 20)) ** 2 / 20_000
    at_31 = (20e-6 * 10 ** (rig.errors.noise_db / 20)) ** 2 / (31.5 * (2 ** (1 / 6) - 2 ** (-1 / 6)))
    room = at_31 * (31.5 / np.maximum(hz, 10.0)) ** 2 / (1 + (hz / 200) ** 2)
    return _Chain(rig, samples, hz, least_phase(level), self_noise + room)


def _noise(chain: _Chain, random: np.random.Generator) -> ComplexArray:
    """One draw of what the microphone hears in silence, as rfft of pascals."""
    drawn = random.standard_normal((2, chain.hz.size), dtype=np.float32)
    deviation = np.sqrt(chain.density * RATE_HZ * chain.samples / 4)
    deviation[0] = deviation[-1] = 0.0
    return np.asarray((drawn[0] + 1j * drawn[1]) * deviation, dtype=np.complex128)


def least_phase(level_db: FloatArray) -> ComplexArray:
    """The causal response (bins,) of that level, by the real cepstrum: no capsule answers before it is asked."""
    half = level_db.size - 1
    cepstrum = fft.irfft(level_db * (np.log(10.0) / 20.0), 2 * half)
    cepstrum[1:half] *= 2.0
    cepstrum[half + 1 :] = 0.0
    return np.asarray(np.exp(fft.rfft(cepstrum)), dtype=np.complex128)


def _seed(rig: Rig, name: str) -> np.random.Generator:
    return np.random.default_rng([*rig.seed, zlib.crc32(name.encode())])


@lru_cache(maxsize=1)
def _sweep() -> FloatArray:
    """The sweep at amplitude 1 with the silence around it; (SAMPLES,)."""
    law = sweep_law(*SWEEP_HZ, SWEEP_S)
    sweep = sweep_samples(law, RATE_HZ, fade_in_s=FADES_S[0], fade_out_s=FADES_S[1])
    out = np.zeros(SAMPLES)
    start = round(LEAD_IN_S * RATE_HZ)
    out[start : start + sweep.size] = sweep
    return out


def _angles(rig: Rig) -> list[dict[str, object]]:
    step = rig.facts.step_deg
    horizontal = [a for a in range(-180 + step, 181, step) if a >= 0 or not rig.facts.half]
    vertical = [a for a in range(-180 + step, 181, step) if a not in (0, 180)] if rig.facts.vertical else []
    found: list[dict[str, object]] = []
    for orbit, angles in (("horizontal", horizontal), ("vertical", vertical)):
        for angle in angles:
            name = f"{orbit[0]}_{angle}"
            found.append(
                {
                    "id": name,
                    "file": name,
                    "kind": "far-field",
                    "orbit": orbit,
                    "angle_deg": float(angle),
                    "distance_m": rig.facts.distance_m,
                }
            )
    return found


def _near_takes(one: Loudspeaker, rig: Rig) -> list[tuple[dict[str, object], int]]:
    if not rig.facts.near:
        return []
    rows = [one.woofer, *([] if one.port is None else [one.port])]
    rows += [way.row for way in one.ways if one.body.radiators[way.row].name == "mid"]
    found = []
    for row in rows:
        name = one.body.radiators[row].name
        table: dict[str, object] = {
            "id": f"near_{name}",
            "file": f"near_{name}",
            "kind": "near-field",
            "driver": name,
            "distance_m": rig.facts.gap_m,
            "drive_v": rig.facts.near_v,
        }
        found.append((table, row))
    return found


def _grid_hz() -> FloatArray:
    hz = np.fft.rfftfreq(TAPS, 1 / RATE_HZ)
    hz[0] = 1.0
    return np.asarray(hz)


def _far_paths(one: Loudspeaker, rig: Rig, takes: list[dict[str, object]]) -> list[FloatArray]:
    """(R, samples) pascals per volume acceleration of every take, direct sound and reflections."""
    out = [np.zeros((len(one.body.radiators), PATH_SAMPLES)) for _ in takes]
    hz, c = _grid_hz(), one.body.c_m_s
    images = None if rig.facts.anechoic else rig.images(ORDER)
    for vertical in (False, True):
        rows = [row for row, table in enumerate(takes) if (table["orbit"] == "vertical") == vertical]
        if not rows:
            continue
        placed = [_placed(rig, takes[row], vertical) for row in rows]
        points = np.array([point for point, _ in placed])
        delay = np.linalg.norm(points, axis=1) / c
        _lay([out[row] for row in rows], one.body.at(points, hz, vertical=vertical), delay)
        if images is None:
            continue
        count = int(np.searchsorted(images.delay_s, (PATH_SAMPLES - TAPS - 8) / RATE_HZ))
        emission = np.concatenate([images.emission[1:count] @ turn.T for _, turn in placed])
        # A reflection's own direction leaves the orbit's plane; what counts is its angle from the axis.
        polar = np.arccos(np.clip(emission[:, 0], -1.0, 1.0))
        aside = 2 if vertical else 1
        flat = np.zeros_like(emission)
        flat[:, 0], flat[:, aside] = np.cos(polar), np.copysign(np.sin(polar), emission[:, aside])
        delay = np.tile(images.delay_s[1:count], len(rows))
        fields = one.body.far(flat, hz, vertical=vertical) * np.tile(images.amplitude[1:count], len(rows))[:, None]
        fields *= np.exp(-2j * np.pi * delay[:, None] * hz)
        _lay([out[row] for row in rows for _ in range(count - 1)], fields, delay)
    return out


def _placed(rig: Rig, table: dict[str, object], vertical: bool) -> tuple[FloatArray, FloatArray]:
    """Where the microphone truly stood, from the reference point, and the turn from the room's axes."""
    errors, random = rig.errors, _seed(rig, str(table["id"]))
    angle = float(str(table["angle_deg"])) + errors.zero_deg[int(vertical)] + errors.take_deg * float(random.normal())
    distance = rig.facts.distance_m + errors.distance_m + errors.take_m * float(random.normal())
    orbit = str(table["orbit"])
    turn, start = speaker_axes(orbit, angle), speaker_axes(orbit, 0.0)
    x, aside = errors.axis_m[int(vertical)]
    axis = np.array([x, 0.0, aside] if vertical else [x, aside, 0.0])
    height = distance * np.tan(np.radians(errors.height_deg))
    return turn @ (np.array([distance, 0.0, height]) - start.T @ axis) + axis, turn


def _near_paths(one: Loudspeaker, rig: Rig, row: int) -> FloatArray:
    hz, c = _grid_hz(), one.body.c_m_s
    out = np.zeros((len(one.body.radiators), PATH_SAMPLES))
    _lay([out], one.body.near(row, rig.facts.gap_m, hz)[:, None], np.zeros(1))
    if not rig.facts.anechoic:
        images = rig.images(ORDER)
        away = np.linalg.norm(images.position_m[1:] - np.array(rig.facts.loudspeaker_m), axis=1)
        heard = away / c * RATE_HZ < PATH_SAMPLES - TAPS - 8
        delay, strength = away[heard] / c, rig.facts.reflection ** images.reflections[1:][heard] / away[heard]
        waves = RHO / (4 * np.pi) * strength[:, None] * np.exp(-2j * np.pi * delay[:, None] * hz)
        _lay([out] * delay.size, np.broadcast_to(waves, (out.shape[0], *waves.shape)), delay)
    return out


def _lay(lines: list[FloatArray], fields: ComplexArray, delay_s: FloatArray) -> None:
    """Add fields (R, P, F), delays included, to P lines (R, samples) as samples about their delays, on a ring."""
    hz = _grid_hz()
    whole = np.round(delay_s * RATE_HZ).astype(int) - EARLY_TAPS
    low, high = _ROLL_OFF_HZ
    taper = 0.5 + 0.5 * np.cos(np.pi * np.clip((hz - low) / (high - low), 0, 1))
    spectrum = fields * taper * np.exp(2j * np.pi / RATE_HZ * whole[:, None] * hz)
    spectrum[..., 0] = spectrum[..., 0].real
    taps = np.fft.irfft(spectrum, TAPS, axis=2)
    for row, (line, first) in enumerate(zip(lines, whole, strict=True)):
        if first >= 0:
            line[:, first : first + TAPS] += taps[:, row]
        else:
            line[:, (first + np.arange(TAPS)) % PATH_SAMPLES] += taps[:, row]


def _heard(
    chain: _Chain, emission: ComplexArray, table: dict[str, object], paths: FloatArray, gain_db: float
) -> tuple[ComplexArray, float]:
    """Pressure (bins,) at the microphone per stated volt, without latency, and the stated volts."""
    errors, facts = chain.rig.errors, chain.rig.facts
    near = table["kind"] == "near-field"
    off_db = errors.near_voltage_db if near and not (facts.loop_back and facts.loop_volts) else errors.voltage_db
    # The ring of a path's samples becomes that of the recording: what comes before zero goes to its end.
    lines = np.zeros((paths.shape[0], chain.samples))
    lines[:, : PATH_SAMPLES - EARLY_TAPS] = paths[:, :-EARLY_TAPS]
    lines[:, -EARLY_TAPS:] = paths[:, -EARLY_TAPS:]
    sound = (emission * fft.rfft(lines, axis=1)).sum(axis=0) * 10 ** ((off_db + gain_db) / 20)
    return np.asarray(sound), facts.near_v if near else DRIVE_V


def _late(rig: Rig, name: str) -> int:
    """Samples by which a recording lags behind what was played."""
    return LATENCY + (int(_seed(rig, f"start {name}").integers(0, 3000)) if rig.facts.by_hand else 0)


def _take(
    chain: _Chain, emission: ComplexArray, table: dict[str, object], paths: FloatArray, gain_db: float
) -> Recording:
    name = str(table["id"])
    sound, volts = _heard(chain, emission, table, paths, gain_db)
    turn = np.exp(-2j * np.pi / RATE_HZ * _late(chain.rig, name) * chain.hz)
    heard = sound * volts * turn + _noise(chain, _seed(chain.rig, name))
    # What the loop-back says of the voltage is what was stated: a tap at the terminals reads wrong by its error.
    return _recorded(chain, heard, np.roll(_sweep(), LATENCY) * np.sqrt(2.0) * volts)


def _recorded(chain: _Chain, heard: ComplexArray, played_v: FloatArray) -> Recording:
    """Microphone and, with a loop-back, what was played."""
    facts = chain.rig.facts
    gain = facts.fs_per_pa * 10 ** (chain.rig.errors.level_db / 20)
    channels = [gain * fft.irfft(heard * chain.microphone, chain.samples)]
    if facts.loop_back:
        channels.append(played_v / facts.volts_per_fs)
    return Recording(np.array(channels), RATE_HZ, "FLOAT")


def _answer(
    chain: _Chain, acceleration: ComplexArray, table: dict[str, object], paths: FloatArray, gain_db: float
) -> TakeImpulse:
    """The impulse response [Pa/V per tap] that a division by the sweep would have found, and its noise."""
    rig, name = chain.rig, str(table["id"])
    sound, volts = _heard(chain, acceleration, table, paths, gain_db)
    # An exponential sweep has L / (4 f) of |X|^2 at unit amplitude; what is not in its band is not divided.
    played = RATE_HZ * np.sqrt(SWEEP_S / np.log(SWEEP_HZ[1] / SWEEP_HZ[0]) / (4 * chain.hz)) * np.sqrt(2.0) * volts
    inside = np.clip(2.0 * np.log2(chain.hz / (SWEEP_HZ[0] / 2**0.5)), 0.0, 1.0)
    inside *= np.clip((24_000.0 - chain.hz) / (24_000.0 - SWEEP_HZ[1]), 0.0, 1.0)
    whole = (sound + _noise(chain, _seed(rig, name)) / played) * chain.microphone * inside
    gain = 10 ** (rig.errors.level_db / 20) * (1.0 if _absolute(rig) else rig.facts.fs_per_pa)
    late = 0 if rig.facts.loop_back else _late(rig, name)
    ring = gain * fft.irfft(whole, chain.samples)
    peak = int(np.argmax(np.abs(ring)))
    first = peak - round(BEFORE_PEAK_S * RATE_HZ)
    count = round((BEFORE_PEAK_S + GUARD_S + KEPT_S) * RATE_HZ)
    hz = report_axis().hz
    noise = np.interp(hz, chain.hz, 0.5 * chain.density * np.abs(chain.microphone) ** 2) * gain**2
    return TakeImpulse(
        name,
        ring[(first + np.arange(count)) % chain.samples],
        (first + late) / RATE_HZ,
        (peak + late) / RATE_HZ,
        noise,
        0.5,
        0,
        0,
    )


def _absolute(rig: Rig) -> bool:
    return rig.facts.calibrator or rig.facts.sensitivity


def _calibrator(rig: Rig) -> Recording:
    time = np.arange(2 * RATE_HZ) / RATE_HZ
    tone = 20e-6 * 10 ** (CALIBRATOR_DB / 20) * np.sqrt(2) * np.sin(2 * np.pi * CALIBRATOR_HZ * time)
    gain = rig.facts.fs_per_pa
    return Recording((gain * tone)[None], RATE_HZ, "FLOAT")


def _correction(rig: Rig) -> MicrophoneCorrection | None:
    if not rig.facts.file:
        return None
    hz = np.geomspace(10.0, 22_000.0, 120)
    return MicrophoneCorrection("microphone.txt", hz, rig.errors.microphone.at(hz), None)


def _document(one: Loudspeaker, rig: Rig) -> dict[str, object]:
    """session.toml as a tester would have written it."""
    facts, errors = rig.facts, rig.errors
    microphone: dict[str, object] = {"name": "simulated"}
    if facts.calibrator:
        microphone["calibrator"] = {"file": "calibrator", "level_db": CALIBRATOR_DB, "frequency_hz": CALIBRATOR_HZ}
    elif facts.sensitivity:
        microphone["sensitivity_fs_per_pa"] = facts.fs_per_pa
    if facts.file:
        microphone["correction_file"] = "microphone.txt"
        if facts.file_u_db is not None:
            microphone["correction_u_db"] = facts.file_u_db
    true_c = 273.15 * ((one.body.c_m_s / 331.3) ** 2 - 1)
    environment: dict[str, object] = {"temperature_c": round(true_c + errors.temperature_k, 1)}
    if facts.anechoic:
        environment["anechoic"] = True
    elif facts.stated_reflection:
        images = rig.images(1)
        first = float(images.delay_s[1] - images.delay_s[0])
        environment["first_reflection_ms"] = round(1e3 * first, 1)
    else:
        place = np.array(facts.loudspeaker_m)
        ahead = place + np.array([facts.distance_m, 0.0, 0.0])
        room = np.array(facts.room_m) + errors.room_m[0]
        environment["room"] = {
            "length_m": float(room[0]),
            "width_m": float(room[1]),
            "height_m": float(room[2]),
            "loudspeaker_m": tuple(float(v) for v in place + errors.room_m[1]),
            "microphone_m": tuple(float(v) for v in ahead + errors.room_m[1]),
        }
    document: dict[str, object] = {
        "format": 1,
        "date": "2026-11-29",
        "loudspeaker": _loudspeaker(one, rig),
        "microphone": microphone,
        "drive": {"voltage_v": DRIVE_V},
        "stimulus": {
            "kind": "sweep",
            "start_hz": SWEEP_HZ[0],
            "stop_hz": SWEEP_HZ[1],
            "duration_s": SWEEP_S,
            "fade_in_s": FADES_S[0],
            "fade_out_s": FADES_S[1],
            "lead_in_s": LEAD_IN_S,
        },
        "environment": environment,
    }
    if facts.loop_back:
        document["reference"] = {"channel": 2, **({"volts_per_fs": facts.volts_per_fs} if facts.loop_volts else {})}
    return document


def _loudspeaker(one: Loudspeaker, rig: Rig) -> dict[str, object]:
    errors = rig.errors
    acting = {one.woofer, *([] if one.port is None else [one.port]), *(way.row for way in one.ways)}
    drivers = []
    for row, radiator in enumerate(one.body.radiators):
        if row not in acting:
            continue
        at = np.array(radiator.center_m) + errors.places_m[row]
        # The reference point is the tweeter's own middle.
        at = np.zeros(3) if radiator.name == "tweeter" else at
        drivers.append(
            {
                "name": radiator.name,
                "kind": radiator.kind,
                "diameter_m": round(2 * radiator.radius_m * (1 + float(errors.radii[row])), 4),
                "position_m": tuple(round(float(v), 3) for v in at),
            }
        )
    size = np.array(one.body.size_m)
    if rig.facts.shape == "sphere" and isinstance(one.body, SphereBody):
        # Lengths of the sphere's volume, as the page on session folders asks for.
        size = np.full(3, one.body.radius_m * (4 * np.pi / 3) ** (1 / 3))
    width, height, depth = np.round(size + errors.sizes_m, 3).tolist()
    place: dict[str, object] = {"shape": rig.facts.shape}
    if isinstance(one.body, BoxBody):
        _, aside, middle = one.body.middle_m
        if abs(aside) > 1e-6:
            place["reference_left_m"] = round(-aside, 3)
        if rig.facts.told_top:
            place["reference_below_top_m"] = round(one.body.size_m[1] / 2 + middle + float(errors.sizes_m[0]), 3)
    return {
        **place,
        "name": "drawn",
        "maker": "invented",
        "type": "stand-mount",
        "enclosure": "vented" if one.bass.vented else "closed",
        "powered": one.powered,
        "invented": True,
        "width_m": width,
        "height_m": height,
        "depth_m": depth,
        "reference_axis": "axis of the tweeter",
        "symmetric": is_symmetric(one),
        "driver": drivers,
    }
