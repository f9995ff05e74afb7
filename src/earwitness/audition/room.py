"""A pair of loudspeakers in a simulated room, to two ears.

Early sound by the image sources of a shoebox (Allen and Berkley, JASA 65, 1979, doi 10.1121/1.382599), each radiated
as the loudspeaker radiates in that direction and heard as the head hears from there; late sound as noise that decays
with Eyring's time, as loud as the sound power makes it: 4 / A_E of it from the emission on, where 1 / (4 pi r^2) is the
direct sound of a source without direction (own choice; the decay begins with the direct sound, after Barron and Lee,
JASA 84, 1988, from memory). Walls absorb alike at all frequencies.

What two ears hear of sound from a direction: a rigid sphere, or a measured head set; both diffuse-field equalized. The
equalizer is one filter for both ears, so that their difference stays as it is. It makes the mean over all directions
flat, which is what diffuse-field equalized headphones expect (ITU-R BS.708, from memory).
"""

import math
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import scipy.fft

from earwitness.audition.filters import minimum_phase_taps, on_bins
from earwitness.dsp.filters import minimum_phase
from earwitness.dsp.spherical import cap_diffraction, triangles
from earwitness.errors import FormatError, InputError
from earwitness.figures.angles import filled, orbit_rows
from earwitness.figures.windows import DirectionalLevels
from earwitness.formats.sofa import HeadImpulses
from earwitness.quantities import ComplexArray, Curve, FloatArray, IntArray

SPEED_OF_SOUND_M_S = 343.0
SPHERE_RADIUS_M = 0.0875
EAR_AZIMUTH_DEG = 100.0
_SMALL_CAP_RAD = 1e-3
MOST_EQUALIZED_DB = 15.0
TIME_BELOW_HZ = 1500.0
FLAT_BELOW_HZ, AS_MEASURED_ABOVE_HZ = 100.0, 200.0
_FFT = 4096
_FINER = 16


class Head(Protocol):
    """A pair of ears. name : for people."""

    @property
    def name(self) -> str: ...

    def at(self, directions: FloatArray, hz: FloatArray) -> ComplexArray:
        """(K, 2, B) left and right ear re the sound at the head's middle without it, at rising frequencies hz (B,) from
        0, evenly spaced; directions (K, 3) : unit vectors to where the sound comes from, ahead, left, up."""


class SphereHead:
    """A rigid sphere with ears at 100 degrees: right in time and shadow, without pinnae, so height and front are not.

    Source: sound of a far source on a rigid sphere, by reciprocity the far field of a small cap (dsp.spherical); radius
    and place of the ears after Duda and Martens, JASA 104, 1998 (from memory).
    """

    name = "a rigid sphere as head (no pinnae: heights and behind are not told apart)"

    def at(self, directions: FloatArray, hz: FloatArray) -> ComplexArray:
        around = np.deg2rad(EAR_AZIMUTH_DEG)
        ears = np.array([[np.cos(around), np.sin(around), 0.0], [np.cos(around), -np.sin(around), 0.0]])
        cosines = np.clip(directions @ ears.T, -1.0, 1.0)
        nodes, weights = np.polynomial.legendre.leggauss(128)
        ka = 2.0 * np.pi * hz[1:] * SPHERE_RADIUS_M / SPEED_OF_SOUND_M_S
        seen = cap_diffraction(ka, _SMALL_CAP_RAD, np.concatenate([cosines.ravel(), nodes]))
        mean = np.sqrt(weights @ np.abs(seen[cosines.size :]) ** 2 / 2.0)
        common = minimum_phase(np.concatenate([[1.0], mean]))
        heard = np.ones((*cosines.shape, hz.size), dtype=complex)
        heard[..., 1:] = seen[: cosines.size].reshape(*cosines.shape, -1)
        return np.asarray(heard / common)


class MeasuredHead:
    """A head set: between its directions the minimum-phase responses and the delays of each ear are averaged.

    Weights are those of the triangle of measured directions around (Gamper, DAFx 2013, abstract). Below 100 Hz ears
    hear alike and flat, to 200 Hz the set comes in. Raises FormatError where its left ear is not the one nearer to
    sound from the left.
    """

    def __init__(self, measured: HeadImpulses) -> None:
        self.name = f"the head set {measured.name}"
        self._directions, self._rate_hz = measured.directions, measured.rate_hz
        length = max(_FFT, 2 * scipy.fft.next_fast_len(measured.impulse.shape[-1]))
        spectra = scipy.fft.rfft(measured.impulse, length, axis=-1)
        magnitude = np.maximum(np.abs(spectra), 1e-9)
        self._delay_s = measured.delay_s + _lag_s(spectra, minimum_phase(magnitude), measured.rate_hz)
        self._check_sides(magnitude)
        wanted = minimum_phase(_equalized(magnitude, measured, length))
        self._taps = scipy.fft.irfft(wanted, length, axis=-1)[..., : length // 2]

    def _check_sides(self, magnitude: FloatArray) -> None:
        aside = int(np.argmax(self._directions[:, 1]))
        left, right = np.sum(magnitude[aside] ** 2, axis=-1)
        earlier = self._delay_s[aside, 0] < self._delay_s[aside, 1]
        if not (left > right and earlier):
            raise FormatError.of("audition.ear_side_sound", where=self.name)

    def at(self, directions: FloatArray, hz: FloatArray) -> ComplexArray:
        rows, weights, _ = triangles(self._directions, directions)
        taps = np.einsum("tk,tken->ten", weights, self._taps[rows])
        delay_s = np.einsum("tk,tke->te", weights, self._delay_s[rows]) - float(self._delay_s.mean())
        inside = hz <= self._rate_hz / 2.0
        turns = hz[inside, None] * np.arange(taps.shape[-1]) / self._rate_hz
        heard = np.zeros((*taps.shape[:2], hz.size), dtype=complex)
        heard[..., inside] = (taps @ np.exp(-2j * np.pi * turns).T) * np.exp(
            -2j * np.pi * hz[inside] * delay_s[..., None]
        )
        return heard


def _lag_s(spectra: ComplexArray, plain: ComplexArray, rate_hz: float) -> FloatArray:
    """(D, 2) time by which responses come later than those of minimum phase: highest point of their correlation below
    1.5 kHz, where the time between the ears is what tells the side (Wightman and Kistler, JASA 91, 1992, from memory).
    """
    length = 2 * (spectra.shape[-1] - 1)
    used = np.arange(spectra.shape[-1]) * rate_hz / length < TIME_BELOW_HZ
    lags = np.empty(spectra.shape[:2])
    for row, (one, least) in enumerate(zip(spectra, plain, strict=True)):
        found = scipy.fft.irfft(np.where(used, one * np.conj(least), 0.0), length * _FINER, axis=-1)
        lags[row] = np.argmax(found[..., : length * _FINER // 2], axis=-1) / (_FINER * rate_hz)
    return lags


def _equalized(magnitude: FloatArray, measured: HeadImpulses, length: int) -> FloatArray:
    from scipy.spatial import SphericalVoronoi

    areas = SphericalVoronoi(measured.directions).calculate_areas()
    mean = np.einsum("d,deb->b", areas, magnitude**2) / (2.0 * areas.sum())
    limit = 10.0 ** (MOST_EQUALIZED_DB / 20.0)
    hz = np.arange(magnitude.shape[-1]) * measured.rate_hz / length
    whole = float(np.sqrt(np.mean(mean[(hz >= 500.0) & (hz <= 2000.0)])))
    # Past the limit the set holds nothing that should be brought up.
    level = magnitude / np.clip(np.sqrt(mean), whole / limit, whole * limit)
    share = np.clip(
        np.log(np.maximum(hz, 1.0) / FLAT_BELOW_HZ) / np.log(AS_MEASURED_ABOVE_HZ / FLAT_BELOW_HZ), 0.0, 1.0
    )
    return np.asarray(level**share, dtype=np.float64)


SPREAD_DEG = 60.0
EARS_M = 1.2
FRONT_M, BACK_M, SIDE_M = 1.0, 0.5, 0.4
EARLY_S, FADE_S = 0.025, 0.005
LEAD_S = 0.002
NEAREST_DEG = 40.0
EARS_APART_M = 0.17
_EARLY_LENGTH_S = 0.34
_TAIL_DB = 75.0
_SEED = 6091


@dataclass(frozen=True, slots=True, kw_only=True)
class Shoebox:
    """A shoebox and how the pair stands in it: 60 degrees apart, a meter off the wall behind, in the middle across.

    length_m : along the view; reverberation_s : time for 60 dB; seat_m : from each loudspeaker to the ears, which are
    as high as the loudspeakers' reference points, 1.2 m. Raises InputError for what cannot stand so.
    """

    length_m: float = 6.0
    width_m: float = 4.0
    height_m: float = 2.5
    reverberation_s: float = 0.4
    seat_m: float = 2.5

    def __post_init__(self) -> None:
        sides = (self.length_m, self.width_m, self.height_m)
        if not all(1.5 <= one <= 30.0 for one in sides) or self.height_m <= EARS_M + 0.3:
            raise InputError(f"a room of {self.size_words}", expected="sides of 1.5 to 30 m, 1.6 m high or more")
        if not 0.1 <= self.reverberation_s <= 3.0:
            raise InputError(f"a reverberation time of {self.reverberation_s:g} s", expected="0.1 to 3 s")
        half = math.radians(SPREAD_DEG / 2.0)
        deep = FRONT_M + self.seat_m * math.cos(half) + BACK_M
        wide = 2.0 * (self.seat_m * math.sin(half) + SIDE_M)
        if self.seat_m < 0.5 or deep > self.length_m or wide > self.width_m:
            raise InputError.of("audition.seat_room", given=self, deep=deep, wide=wide)

    @property
    def size_words(self) -> str:
        """Its sides, for people."""
        return f"{self.length_m:g} by {self.width_m:g} by {self.height_m:g} m"

    @property
    def volume_m3(self) -> float:
        return self.length_m * self.width_m * self.height_m

    @property
    def surface_m2(self) -> float:
        return 2.0 * (self.length_m * self.width_m + self.length_m * self.height_m + self.width_m * self.height_m)

    @property
    def eyring_area_m2(self) -> float:
        """A_E = 24 ln 10 / c V / T (Eyring)."""
        return 24.0 * math.log(10.0) / SPEED_OF_SOUND_M_S * self.volume_m3 / self.reverberation_s

    @property
    def absorption(self) -> float:
        """Share of the energy that the walls take, from A_E = -S ln(1 - alpha)."""
        return 1.0 - math.exp(-self.eyring_area_m2 / self.surface_m2)

    def places(self) -> tuple[FloatArray, FloatArray]:
        """(2, 3) left and right loudspeaker, and (3,) the ears: x from the wall behind the loudspeakers, y from the
        wall at the left, z from the floor."""
        half = math.radians(SPREAD_DEG / 2.0)
        across = self.seat_m * math.sin(half)
        middle = self.width_m / 2.0
        ears = np.array([FRONT_M + self.seat_m * math.cos(half), middle, EARS_M])
        # The listener looks to the wall at x = 0, so that their left is the smaller y.
        return np.array([[FRONT_M, middle - across, EARS_M], [FRONT_M, middle + across, EARS_M]]), ears


@dataclass(frozen=True, slots=True, eq=False)
class Radiated:
    """How a loudspeaker radiates, re its reference axis.

    hz : (F,); power_db : (F,) sound power; orbits : for "horizontal" and "vertical" rising angles (A,) and level (A, F)
    [dB]; notes : what is not known
    """

    hz: FloatArray
    power_db: FloatArray
    orbits: dict[str, tuple[FloatArray, FloatArray]]
    notes: tuple[str, ...] = field(default=())

    def toward(self, directions: FloatArray) -> FloatArray:
        """(K, F) level in unit vectors (K, 3), ahead, left, up: on the orbits as measured, between them in dB by the
        square of the cosine of the angle to each orbit's plane (own choice)."""
        _, left, up = directions.T
        away = np.degrees(np.arccos(np.clip(directions[:, 0], -1.0, 1.0)))
        share = np.divide(left**2, left**2 + up**2, out=np.ones_like(left), where=left**2 + up**2 > 1e-12)
        flat = self._on("horizontal", np.where(left >= 0.0, away, -away))
        upright = self._on("vertical", np.where(up >= 0.0, away, -away))
        return np.asarray(share[:, None] * flat + (1.0 - share[:, None]) * upright)

    def _on(self, orbit: str, angle_deg: FloatArray) -> FloatArray:
        angles, level = self.orbits.get(orbit, self.orbits["horizontal"])
        wrapped = np.concatenate([[angles[-1] - 360.0], angles, [angles[0] + 360.0]])
        rows = np.concatenate([[angles.size - 1], np.arange(angles.size), [0]])
        after = np.clip(np.searchsorted(wrapped, angle_deg), 1, wrapped.size - 1)
        gap = wrapped[after] - wrapped[after - 1]
        part = (angle_deg - wrapped[after - 1]) / gap
        part = np.where(gap > NEAREST_DEG, np.round(part), part)[:, None]
        return np.asarray((1.0 - part) * level[rows[after - 1]] + part * level[rows[after]])


def radiated(levels: DirectionalLevels, power: Curve | None, *, symmetric: bool) -> Radiated:
    """What the room needs of measured levels and the sound power. Beyond a direction's valid band its difference from
    the axis is held. InputError where the horizontal orbit or the sound power is not known."""
    whole = levels if levels.mixing is not None else filled(levels, symmetric=symmetric).levels
    hz = whole.axis.hz
    orbits: dict[str, tuple[FloatArray, FloatArray]] = {}
    axis = int(whole.directions.on_axis_row()) if len(whole.directions) else 0
    for orbit in ("horizontal", "vertical"):
        angles, groups = orbit_rows(whole, orbit)
        known = [at for at, rows in enumerate(groups) if (whole.valid[rows[0]] & whole.valid[axis]).sum() > 1]
        if len(known) >= 4:
            level = np.array([_held(whole, int(groups[at][0]), axis) for at in known])
            orbits[orbit] = (angles[known], level)
    if "horizontal" not in orbits or power is None or np.count_nonzero(power.valid & whole.valid[axis]) < 2:
        raise InputError.of("audition.sound_all_sides")
    notes = [] if "vertical" in orbits else ["no vertical orbit: up and down are taken to be like the sides"]
    for orbit, (angles, _) in orbits.items():
        wide = float(np.max(np.diff(np.append(angles, angles[0] + 360.0))))
        if wide > NEAREST_DEG:
            notes.append(f"{orbit} angles in a gap of {wide:.0f}° are taken from the nearest that was measured")
    both = power.valid & whole.valid[axis]
    return Radiated(hz, on_bins(hz, hz[both], (power.values - whole.level_db[axis])[both]), orbits, tuple(notes))


def _held(levels: DirectionalLevels, row: int, axis: int) -> FloatArray:
    both = levels.valid[row] & levels.valid[axis]
    hz = levels.axis.hz
    return on_bins(hz, hz[both], (levels.level_db[row] - levels.level_db[axis])[both])


@dataclass(frozen=True, slots=True, eq=False)
class Images:
    """Image sources: place (K, 3), mirrored (K, 3) times at each pair of walls, distance_m (K,) to the receiver."""

    place: FloatArray
    mirrored: IntArray
    distance_m: FloatArray


def images(room: Shoebox, source: FloatArray, receiver: FloatArray, reach_m: float) -> Images:
    """All images of source (3,) within reach_m of receiver (3,), the source itself first."""
    size = np.array([room.length_m, room.width_m, room.height_m])
    most = np.ceil(reach_m / size).astype(int) + 1
    grids = np.meshgrid(*(np.arange(-one, one + 1) for one in most), indexing="ij")
    mirrored = np.stack([grid.ravel() for grid in grids], axis=1)
    place = mirrored * size + np.where(mirrored % 2 == 0, source, size - source)
    distance = np.linalg.norm(place - receiver, axis=1)
    near = np.flatnonzero(distance <= reach_m)
    near = near[np.argsort(np.abs(mirrored[near]).sum(axis=1), kind="stable")]
    return Images(place[near], mirrored[near], distance[near])


def pair_response(loudspeaker: Radiated, room: Shoebox, head: Head, rate_hz: int, aim_deg: float = 0.0) -> FloatArray:
    """(2, 2, N) from left and right loudspeaker (second axis) to left and right ear (first axis), re what each radiates
    ahead; the direct sound of one aimed at the ears has level 0 dB, and comes after 2 ms.

    aim_deg : each turned so that the ears are that much off its axis, above 0 outward, below 0 crossing before them.
    """
    spots, ears = room.places()
    outward = (-aim_deg, aim_deg)
    made = [
        _one(loudspeaker, room=room, head=head, rate_hz=rate_hz, spot=spot, ears=ears, turned_deg=turned, seed=seed)
        for seed, (spot, turned) in enumerate(zip(spots, outward, strict=True), _SEED)
    ]
    return np.stack(made, axis=1)


def with_level(response: FloatArray, hz: FloatArray, level_db: FloatArray, rate_hz: int) -> FloatArray:
    """A pair's response (2, 2, N) when each radiates level_db (F,) at hz ahead."""
    return _convolved(response, minimum_phase_taps(hz, level_db, rate_hz))


def _convolved(sound: FloatArray, taps: FloatArray) -> FloatArray:
    """(..., N + T - 1) : sound (..., N) through taps (T,)."""
    # It brings half of scipy, which a page without a pair does not ask for.
    from scipy.signal import fftconvolve

    return np.asarray(fftconvolve(sound, np.expand_dims(taps, tuple(range(sound.ndim - 1))), axes=-1))


def _one(
    loudspeaker: Radiated, room: Shoebox, head: Head, rate_hz: int, spot: FloatArray, ears: FloatArray,
    turned_deg: float, seed: int,
) -> FloatArray:  # fmt: skip
    """(2, N) to both ears, re the direct sound's level at the seat, which comes after 2 ms."""
    direct_s = room.seat_m / SPEED_OF_SOUND_M_S
    found = images(room, spot, ears, (direct_s + EARLY_S + FADE_S) * SPEED_OF_SOUND_M_S)
    length = scipy.fft.next_fast_len(round(_EARLY_LENGTH_S * rate_hz), True)
    bins = np.arange(length // 2 + 1) * rate_hz / length
    late_s = found.distance_m / SPEED_OF_SOUND_M_S - direct_s
    gain = math.sqrt(1.0 - room.absorption) ** np.abs(found.mirrored).sum(axis=1) * room.seat_m / found.distance_m
    gain = gain * _fade(EARLY_S + FADE_S - late_s)
    radiates = _spectra(loudspeaker, bins, _leaving(found, ears, spot, turned_deg))
    # The listener looks to the wall at x = 0: ahead is -x, left is -y.
    arriving = (found.place - ears) / found.distance_m[:, None] * np.array([-1.0, -1.0, 1.0])
    weight = gain[:, None] * np.exp(-2j * np.pi * bins * (late_s + LEAD_S)[:, None])
    early = np.einsum("kb,keb->eb", weight * radiates, head.at(arriving, bins))
    power = minimum_phase_taps(loudspeaker.hz, loudspeaker.power_db, rate_hz)
    late = _convolved(_tail(room, rate_hz, seed), power)
    whole = np.zeros((2, max(length, late.shape[1])))
    whole[:, :length] = scipy.fft.irfft(early, length, axis=-1)
    whole[:, : late.shape[1]] += late
    return whole


def _fade(left_s: FloatArray) -> FloatArray:
    """What is left of the early sound that much before its end: 1, then half a cosine (of energy) to 0."""
    return np.asarray(np.sin(np.pi / 2.0 * np.clip(left_s / FADE_S, 0.0, 1.0)))


def _leaving(found: Images, ears: FloatArray, spot: FloatArray, turned_deg: float) -> FloatArray:
    """(K, 3) unit vectors in the loudspeaker's own axes in which it radiates what each image sends to the ears."""
    sent = (ears - found.place) / found.distance_m[:, None] * np.where(found.mirrored % 2 == 0, 1.0, -1.0)
    ahead = ears - spot
    angle = math.atan2(float(ahead[1]), float(ahead[0])) + math.radians(turned_deg)
    own = np.array([
        [math.cos(angle), math.sin(angle), 0.0], [-math.sin(angle), math.cos(angle), 0.0], [0.0, 0.0, 1.0],
    ])  # fmt: skip
    return np.asarray(sent @ own.T)


def _spectra(loudspeaker: Radiated, bins: FloatArray, directions: FloatArray) -> ComplexArray:
    level = loudspeaker.toward(directions)
    on = np.array([on_bins(bins, loudspeaker.hz, one) for one in level])
    return minimum_phase(10.0 ** (on / 20.0))


def _tail(room: Shoebox, rate_hz: int, seed: int) -> FloatArray:
    """(2, N) late sound at two ears of a source that radiates evenly, re the direct sound at the seat.

    Two noises with the coherence of a diffuse field at ears 0.17 m apart, sin(k d) / (k d); their energy is leveled
    in each octave, for that of one noise scatters and is not the room's (own choice).
    """
    direct_s, time_s = room.seat_m / SPEED_OF_SOUND_M_S, room.reverberation_s
    count = scipy.fft.next_fast_len(round((time_s * _TAIL_DB / 60.0 + 0.05) * rate_hz), True)
    bins = np.arange(count // 2 + 1) * rate_hz / count
    coherence = np.sinc(2.0 * bins * EARS_APART_M / SPEED_OF_SOUND_M_S)
    alike, unlike = scipy.fft.rfft(np.random.default_rng(seed).standard_normal((2, count)), axis=-1)
    alike, unlike = np.sqrt((1.0 + coherence) / 2.0) * alike, np.sqrt((1.0 - coherence) / 2.0) * unlike
    noise = _leveled(np.stack([alike + unlike, alike - unlike]), bins, count)
    after_s = np.arange(count) / rate_hz - LEAD_S
    slope = 6.0 * math.log(10.0) / time_s
    density = 16.0 * math.pi * slope * np.exp(-slope * (after_s + direct_s)) / room.eyring_area_m2 / rate_hz
    came_in = np.sin(np.pi / 2.0 * np.clip((after_s - EARLY_S) / FADE_S, 0.0, 1.0))
    return np.asarray(noise * np.sqrt(density) * room.seat_m * came_in)


def _leveled(spectra: ComplexArray, bins: FloatArray, count: int) -> FloatArray:
    """(2, count) noise of mean square 1 whose energy over two periods of a bandwidth is even in each octave."""
    edges = 1000.0 * 2.0 ** (np.arange(-5, 6) - 0.5)
    band = np.searchsorted(edges, bins)
    whole = np.zeros((2, count))
    rate_hz = 2.0 * float(bins[-1])
    for one in range(int(band.max()) + 1):
        own = band == one
        noise = scipy.fft.irfft(np.where(own, spectra, 0.0), count, axis=-1)
        wide_hz = np.count_nonzero(own) * float(bins[1])
        over_s = 2.0 / wide_hz
        smooth = np.exp(-0.5 * (2.0 * np.pi * bins * over_s) ** 2)
        energy = scipy.fft.irfft(scipy.fft.rfft(noise**2, axis=-1) * smooth, count, axis=-1)
        share = wide_hz / (rate_hz / 2.0)
        whole += noise * np.sqrt(share / np.maximum(energy, 1e-3 * energy.mean()))
    return whole
