"""A near-field scan of a demo loudspeaker in an ordinary room, as a session folder of recordings and a table of points.

Two spheres about the body, rings of points on each. Every recording holds the loudspeaker's own sound by the exact
series of caps on a rigid sphere, and the room's: image sources that send what the loudspeaker sends their way, expanded
in waves about the body and scattered by it, again by the exact series (up to 5 kHz; above only the six first echoes,
not scattered). Drivers are linear here; a session with distortion is made by recorder.py. Seeds are fixed.
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from earwitness.demo import rig, room, world
from earwitness.demo.lineup import Cap, DemoLoudspeaker
from earwitness.demo.room import RoomField, room_field
from earwitness.demo.sources import SPEED_OF_SOUND_M_S, cap_volume_velocity, legendre_table, order_for, spread
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.errors import InputError, cannot_write
from earwitness.formats.audio import write_audio
from earwitness.formats.positions_table import REFERENCE, PositionsTable, positions_text, read_positions
from earwitness.quantities import ComplexArray, FloatArray

Progress = Callable[[float, str], None]

POINTS = 2704
FEWEST_POINTS, MOST_POINTS = 100, 20_000
GAP_M, BETWEEN_M = 0.12, 0.05
JITTER_M, AGAIN_M = 0.0005, 0.0002
FARTHEST_M = 0.6
SAMPLES = 2**16
LEAD_IN_S, SWEEP_S = 0.15, 0.8
TAPS = 512
PATH_TAPS = 2**13
EARLY_TAPS = 128
_ROLL_OFF_HZ = (22_000.0, 24_000.0)
_CHUNK = 104


@dataclass(frozen=True, slots=True, eq=False)
class ScanPoints:
    """nominal_m, true_m (P, 3) from the reference point; surfaces (P,) names."""

    nominal_m: FloatArray
    true_m: FloatArray
    surfaces: tuple[str, ...]


def scan_points(key: str, *, points: int = POINTS) -> ScanPoints:
    """Two spheres of rings about the body's upright axis; `points` is rounded to 4 times a square.

    Heights are those of Gauss and Legendre, in turn on the inner and on the outer sphere, whose rings stand half a step
    in azimuth beside the inner ones: outgoing waves then see one surface of twice the rings. True places differ by
    0.5 mm rms. InputError for an unknown key or a number of points out of reach.
    """
    one = world.loudspeaker(key)
    if one.is_flat:
        raise InputError.of("demo.no_scan", one=one)
    if not FEWEST_POINTS <= points <= MOST_POINTS:
        raise InputError(f"{points} points make no scan", expected=f"{FEWEST_POINTS} to {MOST_POINTS}")
    rings = max(5, round(np.sqrt(points / 4)))
    inner = one.sphere_radius_m + GAP_M
    middle = np.array([-one.sphere_radius_m, 0.0, 0.0])
    heights = np.polynomial.legendre.leggauss(2 * rings)[0]
    surfaces = [_rings(inner, heights[::2], 0.0), _rings(inner + BETWEEN_M, heights[1::2], 0.5)]
    nominal = np.concatenate(surfaces) + middle
    moved = rig.take_seed(key, f"scan {points}").standard_normal(nominal.shape) * JITTER_M / np.sqrt(3)
    names = ("inner",) * (len(nominal) // 2) + ("outer",) * (len(nominal) // 2)
    return ScanPoints(np.round(nominal, 5), nominal + moved, names)


def planned_points(key: str, table: PositionsTable) -> ScanPoints:
    """The points of a table of positions; true places differ by 0.5 mm rms, those of a place visited again by 0.2."""
    one = world.loudspeaker(key)
    reach = np.linalg.norm(table.points_m + np.array([one.sphere_radius_m, 0.0, 0.0]), axis=1)
    if not (reach > one.sphere_radius_m + 0.01).all() or reach.max() > one.sphere_radius_m + FARTHEST_M:
        width_m = 2 * one.sphere_radius_m
        raise InputError.of(
            "demo.points_off_body", low=reach.min(), high=reach.max(), one=one, most=FARTHEST_M, width_m=width_m
        )
    random = rig.take_seed(key, f"planned {len(reach)}")
    moved = random.standard_normal(table.points_m.shape) * JITTER_M / np.sqrt(3)
    again = np.array([name == REFERENCE for name in table.surfaces] or [False] * len(reach))
    moved[again] = moved[again][:1] + random.standard_normal(moved[again].shape) * AGAIN_M / np.sqrt(3)
    return ScanPoints(table.points_m, table.points_m + moved, table.surfaces or ("",) * len(reach))


def _rings(radius_m: float, heights: FloatArray, turned: float) -> FloatArray:
    """(2 R^2, 3) rings at heights (R,) over the radius, turned by a share of the step in azimuth."""
    count = 2 * heights.size
    azimuth = 2 * np.pi * (np.arange(count) + turned) / count
    flat = np.sqrt(1 - heights**2)
    parts = [np.outer(flat, np.cos(azimuth)), np.outer(flat, np.sin(azimuth)), np.outer(heights, np.ones(count))]
    return radius_m * np.stack(parts, axis=-1).reshape(-1, 3)


def write_scan_session(
    key: str, folder: Path, *, points: int = POINTS, positions: Path | None = None, progress: Progress | None = None
) -> None:
    """Write the scan of a demo loudspeaker into `folder`: session.toml, positions.csv, mic.txt and one FLAC a point.

    positions : a planned table, whose points take the place of the `points` of the demo's own layout; FormatError where
    it cannot be used. progress : called with the share done and the file just written. InputError as scan_points,
    OutputError if the folder cannot be written.
    """
    one = world.loudspeaker(key)
    places = scan_points(key, points=points) if positions is None else planned_points(key, read_positions(positions))
    try:
        (folder / "scan").mkdir(parents=True, exist_ok=True)
        (folder / "mic.txt").write_text(rig.correction_text("simulated microphone, invented"), encoding="utf-8")
        table = positions_text(places.nominal_m, places.surfaces, note=f"scan points of {one.name}")
        (folder / "scan" / "positions.csv").write_text(table, encoding="utf-8")
        text = room.session_text(one, lead_in_s=LEAD_IN_S, sweep_s=SWEEP_S)
        (folder / "session.toml").write_text(text, encoding="utf-8")
    except OSError as error:
        raise cannot_write("the session folder", folder, error) from None
    away = np.linalg.norm(places.true_m + np.array([one.sphere_radius_m, 0.0, 0.0]), axis=1)
    recorder = _Recorder(one, max(float(away.max()) - one.sphere_radius_m, GAP_M + BETWEEN_M) + 0.01)
    wide = len(str(len(places.true_m)))
    with ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1)) as pool:
        for first in range(0, len(places.true_m), _CHUNK):
            chunk = places.true_m[first : first + _CHUNK]
            paths = recorder.paths(chunk)
            names = [f"scan/p_{first + row + 1:0{wide}d}.flac" for row in range(len(chunk))]
            jobs = [pool.submit(recorder.write, folder, name, path) for name, path in zip(names, paths, strict=True)]
            for job in jobs:
                job.result()
            if progress is not None:
                progress((first + len(chunk)) / len(places.true_m), names[-1])


class _Recorder:
    """All that the recordings of a scan share."""

    def __init__(self, one: DemoLoudspeaker, reach_m: float) -> None:
        self.one = one
        frequency = np.asarray(np.fft.rfftfreq(SAMPLES, 1 / rig.RATE_HZ), dtype=np.float64)
        usable = frequency.copy()
        usable[0] = usable[1]
        active = world.speaker_sources(one, usable)
        self.caps = tuple(source.cap for source in active)
        law = sweep_law(rig.SWEEP_START_HZ, rig.SWEEP_STOP_HZ, SWEEP_S)
        sweep = sweep_samples(law, rig.RATE_HZ, fade_in_s=room.FADE_IN_S, fade_out_s=rig.FADE_OUT_S)
        played, start = np.zeros(SAMPLES), round(LEAD_IN_S * rig.RATE_HZ)
        played[start : start + sweep.size] = sweep * np.sqrt(2) * rig.DRIVE_V
        late = np.exp(-2j * np.pi * frequency * rig.LATENCY_SAMPLES / rig.RATE_HZ)
        signal = np.fft.rfft(played) * late * 2j * np.pi * usable
        self.emission = np.stack([signal * source.filter * source.flow for source in active])
        self.emission[:, 0] = 0.0
        self.microphone = rig.microphone_response(usable)
        self.coarse_hz: FloatArray = np.asarray(np.fft.rfftfreq(TAPS, 1 / rig.RATE_HZ), dtype=np.float64)
        self.coarse_hz[0] = 1.0
        self.room_hz: FloatArray = np.asarray(np.fft.rfftfreq(PATH_TAPS, 1 / rig.RATE_HZ), dtype=np.float64)
        self.room_hz[0] = 1.0
        reach = one.sphere_radius_m + reach_m
        self.low = np.flatnonzero(self.room_hz <= room.SCATTERED_TO_HZ[1])
        self.room: RoomField = room_field(one, self.caps, self.room_hz[self.low], reach)
        self.echoes = _first_echoes(one, self.caps, self.coarse_hz)

    def paths(self, points_m: FloatArray) -> FloatArray:
        """(P, caps, PATH_TAPS) pascals per volume acceleration."""
        from scipy import fft

        low_hz, high_hz = room.SCATTERED_TO_HZ
        from_middle = points_m + np.array([self.one.sphere_radius_m, 0.0, 0.0])
        fade = 0.5 + 0.5 * np.cos(np.pi * np.clip((self.room_hz[self.low] - low_hz) / (high_hz - low_hz), 0, 1))
        weight = fade / (2j * np.pi * self.room_hz[self.low])
        out = np.zeros((len(points_m), len(self.caps), PATH_TAPS))
        spectrum = np.zeros((len(points_m), self.room_hz.size), dtype=np.complex128)
        for row, back in enumerate(self.room.at(from_middle)):
            spectrum[:, self.low] = back * weight
            spectrum[:, 0] = spectrum[:, 0].real
            out[:, row] = fft.irfft(spectrum, PATH_TAPS, axis=1)
        roll = 0.5 + 0.5 * np.cos(np.pi * np.clip((self.coarse_hz - _ROLL_OFF_HZ[0]) / 2000.0, 0, 1))
        shape = roll / (2j * np.pi * self.coarse_hz)
        high = 0.5 - 0.5 * np.cos(np.pi * np.clip((self.coarse_hz - low_hz) / (high_hz - low_hz), 0, 1))
        reach = np.linalg.norm(points_m, axis=1) / SPEED_OF_SOUND_M_S
        for row, direct in enumerate(_direct(self.one, self.caps, from_middle, self.coarse_hz)):
            _lay(out[:, row], direct * shape, reach, self.coarse_hz)
            for image, sent in zip(self.echoes.position_m, self.echoes.sent[row], strict=True):
                distance = np.linalg.norm(from_middle - image, axis=1)
                delay = distance / SPEED_OF_SOUND_M_S
                turn = np.exp(-2j * np.pi * np.outer(delay, self.coarse_hz))
                _lay(out[:, row], sent * shape * high * turn / distance[:, None], delay, self.coarse_hz)
        return out

    def write(self, folder: Path, name: str, paths: FloatArray) -> None:
        """One recording of the microphone; paths (caps, PATH_TAPS)."""
        from scipy import fft

        heard = (self.emission * fft.rfft(paths, SAMPLES, axis=-1)).sum(axis=0)
        heard += rig.noise_spectrum(rig.take_seed(self.one.key, name), samples=SAMPLES)
        samples = rig.MICROPHONE_FS_PER_PA * fft.irfft(heard * self.microphone, SAMPLES)
        write_audio(folder / name, samples, rig.RATE_HZ)


@dataclass(frozen=True, slots=True, eq=False)
class _Echoes:
    """The six first image sources: position_m (6, 3) from the body's middle; sent (caps, 6, F) pressure at 1 m."""

    position_m: FloatArray
    sent: ComplexArray


def _first_echoes(one: DemoLoudspeaker, caps: tuple[Cap, ...], frequency_hz: FloatArray) -> _Echoes:
    images = room.images(1)
    turned = np.flatnonzero(images.reflections == 1)
    axis = images.emission[turned]
    back = np.exp(2j * np.pi / SPEED_OF_SOUND_M_S * one.sphere_radius_m * np.outer(axis[:, 0], frequency_hz))
    strength = images.amplitude[turned] * SPEED_OF_SOUND_M_S * images.delay_s[turned]
    sent = [part * back * strength[:, None] for part in world.far_fields(one, caps, axis, frequency_hz)]
    return _Echoes(images.position_m[turned] - room.MIDDLE_M, np.stack(sent))


def _direct(
    one: DemoLoudspeaker, caps: tuple[Cap, ...], from_middle: FloatArray, frequency_hz: FloatArray
) -> list[ComplexArray]:
    """(P, F) per cap, pressure per volume velocity."""
    radius = one.sphere_radius_m
    order = order_for(2 * np.pi * float(frequency_hz.max()) / SPEED_OF_SOUND_M_S * radius)
    distance = np.linalg.norm(from_middle, axis=1)
    waves = spread(order, radius, distance, frequency_hz)
    out = []
    for cap in caps:
        series = world.cap_series(one, cap, order)
        weights = series * legendre_table(order, world.cos_to_cap(one, cap, from_middle / distance[:, None]))
        total = np.matmul(weights[:, None, :], waves)[:, 0]
        out.append(np.asarray(total / cap_volume_velocity(series, radius), dtype=np.complex128))
    return out


def _lay(lines: FloatArray, spectra: ComplexArray, delay_s: FloatArray, frequency_hz: FloatArray) -> None:
    """Add spectra (P, F), delays included, to lines (P, N) as short responses about those delays."""
    from scipy import fft

    whole = np.maximum(np.round(delay_s * rig.RATE_HZ).astype(np.int64) - EARLY_TAPS, -EARLY_TAPS)
    shifted = spectra * np.exp(2j * np.pi * np.outer(whole / rig.RATE_HZ, frequency_hz))
    shifted[:, 0] = shifted[:, 0].real
    taps = fft.irfft(shifted, TAPS, axis=1)
    columns = (whole[:, None] + np.arange(TAPS)) % lines.shape[1]
    lines[np.arange(len(lines))[:, None], columns] += taps
