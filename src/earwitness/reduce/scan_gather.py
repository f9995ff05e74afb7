"""The recordings of a scan become pressures at its points: with the whole room, and gated before its first echo."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import scipy.fft

from earwitness.errors import InputError
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.quantities import ComplexArray, FloatArray, FrequencyAxis, Gate, IntArray
from earwitness.reduce.arrival import onset_s
from earwitness.reduce.budget import gating_u_db
from earwitness.reduce.calibrate import calibrate
from earwitness.reduce.deconvolve import in_threads, role_of
from earwitness.reduce.gate import LEAD_S, LOWEST_TIMES_LENGTH, MARGIN_S, RISE_S, speed_of_sound, weights_of
from earwitness.reduce.impulse import Division, TakeImpulse, spectrum_at, take_impulse, take_impulses
from earwitness.reduce.stimulus import stimulus_of, stimulus_power
from earwitness.session.responses import ScanTake
from earwitness.session.session import Room, Session

# Fourier sums of long responses at any frequencies, by one padded FFT and a short interpolation.
#
# Kaiser and Bessel's window as the interpolation kernel (Jackson et al., IEEE Trans. Med. Imaging 10, 1991; from
# memory): with twice the length and 12 bins a sum is exact to about 1e-9 of the largest.

_BINS = 12
_BETA = 2.34 * _BINS


@dataclass(frozen=True, slots=True, eq=False)
class FourierSums:
    """What all segments of `count` samples share. bins, weight (F, 12); correction (count,)."""

    count: int
    length: int
    rate_hz: float
    hz: FloatArray
    bins: IntArray
    weight: FloatArray
    correction: FloatArray

    def of(self, samples: FloatArray, start_s: float) -> ComplexArray:
        """(F,) sum of x_n e^(-j 2 pi f t_n) over samples (count,) whose first lies at start_s."""
        spectrum = scipy.fft.rfft(samples * self.correction, self.length)
        half = self.length // 2
        folded = np.where(
            self.bins < 0, np.conj(spectrum[np.abs(self.bins)]), spectrum[np.minimum(np.abs(self.bins), half)]
        )
        # Samples were counted from the middle of the segment, as the kernel wants them.
        middle = np.exp(2j * np.pi * self.bins * (self.count // 2) / self.length)
        sums = np.einsum("fb,fb->f", folded * middle, self.weight)
        late = start_s + (self.count // 2) / self.rate_hz
        return np.asarray(sums * np.exp(-2j * np.pi * self.hz * late), dtype=np.complex128)


def fourier_sums(count: int, rate_hz: float, hz: FloatArray) -> FourierSums:
    """Interpolation for segments of `count` samples at frequencies hz (F,) below 0.49 of the rate."""
    length = scipy.fft.next_fast_len(2 * count, True)
    length += length % 2
    place = np.asarray(hz, dtype=float) * length / rate_hz
    first = np.ceil(place - _BINS / 2).astype(np.int64)
    bins = first[:, None] + np.arange(_BINS)
    offset = (place[:, None] - bins) / (_BINS / 2)
    weight = np.i0(_BETA * np.sqrt(np.maximum(1 - offset**2, 0.0)))
    n = np.arange(count) - count // 2
    root = np.sqrt(_BETA**2 - (np.pi * _BINS * n / length) ** 2)
    return FourierSums(
        count, length, rate_hz, np.asarray(hz, dtype=float), bins, weight, root / (_BINS * np.sinh(root))
    )


Read = Callable[[str], Recording]
Progress = Callable[[float, str], None]

SHORTEST_GATE_S = 1e-3
LONGEST_GATE_S = 0.02
BEFORE_S, AFTER_S = 8e-3, 26e-3
WHOLE_BEFORE_S = 3e-3
SHORTEST_WHOLE_S = 0.25
FALL_SHARE = 0.4
BAND_MARGIN = 1.05
LATENCY_LIMIT_S = 1.5e-3
FRONT_COS = 0.5
_SHORTER = (0.8, 0.65)


@dataclass(frozen=True, slots=True, eq=False)
class ScanData:
    """Pressures [Pa/V] at scan points (P, 3) [m] from the reference point, axis (F,), exp(+j omega t).

    rows (F',) of the axis that the stimulus covers; whole (P, F') with the room; gated (P, F') or None; gate : None
    where nothing is known about the room; gate_u_db (F',); noise_rms (F',) of `whole`, 0 where unknown; ids (P,)
    clipped : ids of takes at full scale; latency_s; impulse (N,) nearest to the axis, at 1 m [Pa/V], onset at
    impulse_onset_s; holds_room : False for pressures of a free field, or gated ones;
    time (P,) of the visits from 0 to 1, None: in the order of the points; monitor (P, F') what a second microphone that
    stays in its place heard of each, None without one.
    """

    axis: FrequencyAxis
    rows: IntArray
    points_m: FloatArray
    surfaces: tuple[str, ...]
    ids: tuple[str, ...]
    whole: ComplexArray
    gated: ComplexArray | None
    gate: Gate | None
    gate_u_db: FloatArray
    noise_rms: FloatArray
    speed_m_s: float
    clipped: tuple[str, ...] = ()
    latency_s: float = 0.0
    absolute: bool = True
    impulse: FloatArray | None = None
    impulse_rate_hz: float = 0.0
    impulse_onset_s: float = 0.0
    holds_room: bool = True
    time: FloatArray | None = None
    monitor: ComplexArray | None = None

    def taken(self, kept: IntArray, time: FloatArray) -> ScanData:
        """The data of some points (rows of them), visited at time (P,) of all."""
        if kept.size == len(self.points_m):
            return replace(self, time=time)
        return replace(
            self, points_m=self.points_m[kept], whole=self.whole[kept], time=time[kept],
            surfaces=tuple(self.surfaces[row] for row in kept), ids=tuple(self.ids[row] for row in kept),
            gated=None if self.gated is None else self.gated[kept],
            monitor=None if self.monitor is None else self.monitor[kept],
        )  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class _Point:
    """What stays of a recording. whole (F',); around (N,) single precision; noise (F',) density or None; monitor (F',)
    or None."""

    whole: ComplexArray
    around: FloatArray
    noise: FloatArray | None
    clipped: bool
    monitor: ComplexArray | None


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """Where every response is cut: from `flight + latency_s` on. sums, weights (N,) of the whole response."""

    sums: FourierSums
    weights: FloatArray
    rate_hz: int
    latency_s: float


def gather_scan(
    session: Session,
    takes: Sequence[ScanTake],
    read: Read,
    axis: FrequencyAxis,
    *,
    correction: MicrophoneCorrection | None = None,
    progress: Progress | None = None,
) -> ScanData:
    """Read and divide every take of a scan. Read from several threads; one recording a thread is held at a time.

    AudioError for recordings that cannot be used, InputError without takes.
    """
    if not takes:
        raise InputError("there is no scan take", where="session.toml", remedy='add takes of kind = "scan"')
    say: Progress = progress or (lambda _share, _words: None)
    points = np.array([take.position_m for take in takes], dtype=float)
    reach = np.linalg.norm(points, axis=1)
    speed = speed_of_sound(session.environment.temperature_c)
    front = int(np.argmax(points[:, 0] / np.maximum(reach, 1e-9)))
    ahead = read(takes[front].file)
    calibration = calibrate(session, read)
    stimulus = stimulus_of(session.played, read, ahead.rate_hz)
    top = min(stimulus.high_hz / BAND_MARGIN, 0.45 * ahead.rate_hz)
    rows = np.flatnonzero((axis.hz >= stimulus.low_hz * BAND_MARGIN) & (axis.hz <= top))
    tail_s = ahead.samples.shape[1] / ahead.rate_hz - stimulus.lead_in_s - stimulus.samples.size / ahead.rate_hz
    keep_s = max(SHORTEST_WHOLE_S, tail_s)
    division = Division(stimulus, session.reference, calibration.fs_per_pa, axis.hz[rows], keep_s)
    first = take_impulse(role_of(session, takes[front]), ahead, division)
    cut = _cut(first, float(reach[front]) / speed, keep_s, ahead.rate_hz, axis.hz[rows])
    found = _every(session=session, takes=takes, flight_s=reach / speed, read=read, division=division, cut=cut, say=say)
    around = np.array([one.around for one in found], dtype=float)
    latency = _latency(session=session, takes=takes, around=around, points=points, cut=cut, high_hz=stimulus.high_hz)
    gate = scan_gate(session, points, speed)
    gated, u_gate = (None, np.zeros(rows.size))
    if gate is not None:
        gated, u_gate = _gated(around, flight=reach / speed, gate=gate, cut=cut, latency=latency, hz=axis.hz[rows])
    whole = np.array([one.whole for one in found]) * np.exp(2j * np.pi * axis.hz[rows] * latency)
    if correction is not None:
        whole = correction.at(axis.hz[rows]).divide(whole)
        gated = None if gated is None else correction.at(axis.hz[rows]).divide(gated)
    onset = BEFORE_S + latency - cut.latency_s
    monitors = [one.monitor for one in found if one.monitor is not None]
    return ScanData(
        axis=axis, rows=rows, points_m=points, surfaces=tuple(take.surface for take in takes),
        ids=tuple(take.id for take in takes), whole=whole, gated=gated, gate=gate, gate_u_db=u_gate,
        noise_rms=_noise(found, session, takes, division, cut), speed_m_s=speed,
        clipped=tuple(take.id for take, one in zip(takes, found, strict=True) if one.clipped), latency_s=latency,
        absolute=calibration.absolute, impulse=around[front] * reach[front], impulse_rate_hz=float(ahead.rate_hz),
        impulse_onset_s=float(onset), monitor=np.array(monitors) if len(monitors) == len(found) else None,
    )  # fmt: skip


def scan_gate(session: Session, points_m: FloatArray, speed_m_s: float) -> Gate | None:
    """The gate common to all points (P, 3) relative to distance / c, None where nothing is known about the room.

    The first echo of any wall from any driver at any point counts. The loudspeaker faces from loudspeaker_m to
    microphone_m. Gates below 1 ms are of no use: None.
    """
    around = session.environment
    if around.anechoic:
        reflection, source = LONGEST_GATE_S + MARGIN_S, "anechoic"
    elif around.first_reflection_ms is not None:
        reflection, source = around.first_reflection_ms * 1e-3, "stated by the tester"
    elif around.room is not None:
        drivers = np.array([(0.0, 0.0, 0.0), *(driver.position_m for driver in session.loudspeaker.drivers)])
        reflection, source = first_echo_s(around.room, drivers, points_m, speed_m_s), "room dimensions"
    else:
        return None
    end = min(reflection - MARGIN_S, LONGEST_GATE_S)
    if end < SHORTEST_GATE_S:
        return None
    offset = max((math.dist((0.0, 0.0, 0.0), one.position_m) for one in session.loudspeaker.drivers), default=0.0)
    start = -LEAD_S - offset / speed_m_s - RISE_S
    told = None if around.anechoic else reflection
    return Gate(start, end, FALL_SHARE * end, told, source=source, lowest_valid_hz=LOWEST_TIMES_LENGTH / end)


def first_echo_s(room: Room, sources_m: FloatArray, points_m: FloatArray, speed_m_s: float) -> float:
    """Least delay of a first-order echo behind distance / c over sources (S, 3) and points (P, 3), loudspeaker axes."""
    place = np.array(room.loudspeaker_m)
    forward = np.array(room.microphone_m) - place
    forward[2] = 0.0
    size = float(np.linalg.norm(forward))
    forward = forward / size if size > 0 else np.array([1.0, 0.0, 0.0])
    axes = np.stack([forward, np.array([-forward[1], forward[0], 0.0]), np.array([0.0, 0.0, 1.0])])
    sources, points = place + sources_m @ axes, place + points_m @ axes
    direct = np.linalg.norm(points_m, axis=1)
    least = np.inf
    for row, side in product(range(3), (0.0, 1.0)):
        wall = side * (room.length_m, room.width_m, room.height_m)[row]
        images = sources.copy()
        images[:, row] = 2 * wall - images[:, row]
        paths = np.linalg.norm(points[:, None, :] - images[None, :, :], axis=2)
        least = min(least, float((paths - direct[:, None]).min()))
    return least / speed_m_s


def _cut(first: TakeImpulse, flight_s: float, keep_s: float, rate_hz: int, hz: FloatArray) -> _Cut:
    count = round((WHOLE_BEFORE_S + keep_s) * rate_hz)
    time = np.arange(count) / rate_hz
    rise = np.clip(time / (0.5 * WHOLE_BEFORE_S), 0.0, 1.0)
    fall = np.clip((time[-1] - time) / (0.15 * keep_s), 0.0, 1.0)
    weights = (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))
    return _Cut(fourier_sums(count, rate_hz, hz), weights, rate_hz, first.peak_s - flight_s)


def _every(
    session: Session,
    takes: Sequence[ScanTake],
    flight_s: FloatArray,
    read: Read,
    division: Division,
    cut: _Cut,
    say: Progress,
) -> list[_Point]:
    def work(row: int) -> _Point:
        take, role = takes[row], role_of(session, takes[row])
        recording = read(take.file)
        roles = [role]
        if take.monitor_channel is not None:
            roles.append(replace(role, microphone_channel=take.monitor_channel))
        impulse, *beside = take_impulses([(one, recording) for one in roles], division)
        arrival = cut.latency_s + float(flight_s[row])
        start, whole = _piece(impulse, arrival - WHOLE_BEFORE_S, cut.sums.count, cut.rate_hz)
        begin, around = _piece(impulse, arrival - BEFORE_S, round((BEFORE_S + AFTER_S) * cut.rate_hz), cut.rate_hz)
        # Fractions of a sample in the start are undone by moving the phase, for both pieces alike.
        spectrum = cut.sums.of(whole * cut.weights, start)
        shifted = _moved(around, begin - (arrival - BEFORE_S), cut.rate_hz)
        monitor = None
        for one in beside:
            start, heard = _piece(one, cut.latency_s - WHOLE_BEFORE_S, cut.sums.count, cut.rate_hz)
            monitor = cut.sums.of(heard * cut.weights, start)
        clipped = any(one.clipped_runs > 0 for one in (impulse, *beside))
        return _Point(spectrum, shifted.astype(np.float32), impulse.noise, clipped, monitor)

    return in_threads(work, range(len(takes)), lambda row: say((row + 1) / len(takes), f"read {takes[row].id}"))


def _piece(impulse: TakeImpulse, start_s: float, count: int, rate_hz: int) -> tuple[float, FloatArray]:
    """`count` samples from the one at or before start_s, zeros where there are none, and its time."""
    first = math.floor((start_s - impulse.start_s) * rate_hz + 1e-6)
    out = np.zeros(count)
    low, high = max(first, 0), min(first + count, impulse.samples.size)
    if high > low:
        out[low - first : high - first] = impulse.samples[low:high]
    return impulse.start_s + first / rate_hz, out


def _moved(samples: FloatArray, late_s: float, rate_hz: int) -> FloatArray:
    """Samples that begin late_s after the wanted start, moved onto its grid by a fraction of a sample."""
    import scipy.fft

    turn = np.exp(-2j * np.pi * np.arange(samples.size // 2 + 1) * late_s * rate_hz / samples.size)
    return np.asarray(scipy.fft.irfft(scipy.fft.rfft(samples) * turn, samples.size))


def _latency(
    session: Session, takes: Sequence[ScanTake], around: FloatArray, points: FloatArray, cut: _Cut, high_hz: float
) -> float:
    """Median lateness [s] of points in front; 0 where a loop-back shows it small."""
    reach = np.linalg.norm(points, axis=1)
    front = np.flatnonzero(points[:, 0] >= FRONT_COS * reach)
    front = front if front.size else np.arange(len(points))
    start = np.full(front.size, cut.latency_s - BEFORE_S)
    onset, _ = onset_s(around[front], start, cut.rate_hz, high_hz, np.full(front.size, cut.latency_s + 1e-3))
    latency = float(np.median(onset))
    known = all(role_of(session, take).reference_channel is not None for take in takes)
    return 0.0 if known and abs(latency) < LATENCY_LIMIT_S else latency


def _gated(
    around: FloatArray, flight: FloatArray, gate: Gate, cut: _Cut, latency: float, hz: FloatArray
) -> tuple[ComplexArray, FloatArray]:
    """Gated pressures (P, F'), and the gate's own uncertainty (F',): what shorter gates change at most points."""
    time = np.arange(around.shape[1]) / cut.rate_hz - BEFORE_S + cut.latency_s - latency
    begin = np.full(len(around), time[0])
    spectra = [
        spectrum_at(around * weights_of(gate, time, share=share), begin, cut.rate_hz, hz) for share in (1.0, *_SHORTER)
    ]
    levels = [20 * np.log10(np.maximum(np.abs(one), 1e-300)) for one in spectra]
    loud = levels[0].max(axis=0) - levels[0] < 20.0
    u = gating_u_db(levels[0], levels[1], levels[2], hz=hz, gate_s=gate.end_s)
    u_gate = np.nanmedian(np.where(loud, u, np.nan), axis=0)
    return spectra[0] * np.exp(-2j * np.pi * np.outer(flight, hz)), np.asarray(u_gate, dtype=float)


def _noise(
    found: Sequence[_Point], session: Session, takes: Sequence[ScanTake], division: Division, cut: _Cut
) -> FloatArray:
    """(F',) noise in the whole responses [Pa/V], median over takes; zeros where no silence was recorded."""
    known = [one.noise for one in found if one.noise is not None]
    if not known:
        return np.zeros(division.hz.size)
    drive = float(np.median([take.drive_v or session.drive.voltage_v for take in takes]))
    volts = 2.0 * drive**2 * stimulus_power(division.stimulus, division.hz)
    length_s = float(np.sum(cut.weights**2)) / cut.rate_hz
    return np.asarray(np.sqrt(np.median(np.array(known), axis=0) * length_s / volts), dtype=float)
