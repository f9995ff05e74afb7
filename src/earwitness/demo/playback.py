"""What a demo loudspeaker makes of a signal up to the microphone: its loud takes, and a powered one's own takes."""

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import lru_cache, partial
from pathlib import Path

import numpy as np

from earwitness.demo import rig, sources, world
from earwitness.demo.circuits import Stage, chain_response
from earwitness.demo.lineup import KINDS, Cap, DemoLoudspeaker
from earwitness.demo.room import Images, shoebox_images
from earwitness.demo.sources import SPEED_OF_SOUND_M_S, cap_volume_velocity, order_for
from earwitness.dsp.limiter import limiter_tone
from earwitness.dsp.signals import burst, pink_noise, two_tone
from earwitness.formats.audio import write_audio
from earwitness.quantities import ComplexArray, FloatArray

TAPS = 512
# Room in a response before the sound arrives: a path around the body may be shorter than the nominal one.
EARLY_TAPS = 128
_LOW_HZ = 1.0
_ROLL_OFF_HZ = (22_000.0, 24_000.0)


def grid_hz() -> FloatArray:
    """The frequencies of a response of TAPS samples; 1 Hz stands for 0."""
    frequency = np.fft.rfftfreq(TAPS, 1 / rig.RATE_HZ)
    frequency[0] = _LOW_HZ
    return np.asarray(frequency, dtype=np.float64)


def far_paths(
    one: DemoLoudspeaker,
    caps: tuple[Cap, ...],
    orbit: str,
    angle_deg: float,
    distance_m: float,
    images: Images | None = None,
) -> FloatArray:
    """Direct sound and wall reflections at an orbit position; (caps, samples). images : of another room than the rig's.

    The loudspeaker turns about its reference point while the microphone stays; before a wall the microphone moves. For
    the vertical orbit it lies on its side, so that its own up points to the left of the hall.
    """
    turn = np.eye(3) if one.in_wall else speaker_axes(orbit, angle_deg)
    away_m = distance_m * (speaker_axes(orbit, angle_deg) @ np.array([1.0, 0.0, 0.0]))
    images = images or (_wall_images(tuple(away_m)) if one.in_wall else _hall_images(distance_m))
    if one.outdoors:
        images = replace(images, **{name: getattr(images, name)[:1] for name in ("emission", "amplitude", "delay_s")})
    last = round(float(images.delay_s[-1]) * rig.RATE_HZ)
    out = np.zeros((len(caps), last + 2 * TAPS))
    for row, field in enumerate(world.fields_at(one, caps, away_m[None, :], grid_hz())):
        _lay(out[row], field[:1], np.array([distance_m / SPEED_OF_SOUND_M_S]))
    emission = images.emission[1:] @ turn.T
    for row, cap in enumerate(caps):
        if one.is_flat:
            fields = world.far_fields(one, (cap,), emission, grid_hz())[0]
        else:
            fields = _far_table(one.like or one.key, cap).at(one, cap, emission)
        shift = np.exp(-2j * np.pi * grid_hz() * images.delay_s[1:, None])
        _lay(out[row], images.amplitude[1:, None] * fields * shift, images.delay_s[1:])
    # Hard ground holds an image in the loudspeaker's own place.
    return 2.0 * out if one.outdoors else out


def near_paths(one: DemoLoudspeaker, caps: tuple[Cap, ...], driver_name: str) -> FloatArray:
    """To the near-field position of a cone or port from all caps, without the hall; (caps, samples)."""
    out = np.zeros((len(caps), 2 * TAPS))
    # A negative start would be cut: the microphone touches the cap, and nothing arrives before the sound does.
    for row, field in enumerate(world.near_fields(one, caps, driver_name, grid_hz())):
        _lay(out[row], field[None], np.zeros(1))
    return out


def speaker_axes(orbit: str, angle_deg: float) -> FloatArray:
    """Matrix (3, 3) that takes hall axes (x to the microphone, y left, z up) to the loudspeaker's AES69 axes."""
    cos, sin = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    about_up = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
    if orbit == "horizontal":
        return about_up
    on_side = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    return np.asarray(on_side @ about_up, dtype=np.float64)


class _FarTable:
    """Orders of a cap's far field over the grid, so that any direction is one product."""

    def __init__(self, one: DemoLoudspeaker, cap: Cap) -> None:
        radius, frequency = one.sphere_radius_m, grid_hz()
        order = order_for(2 * np.pi * frequency[-1] / SPEED_OF_SOUND_M_S * radius)
        series = world.cap_series(one, cap, order)
        spreading = sources.spread_far(order, radius, frequency)
        # Single precision is 100 dB better than what the walls send back is known to.
        self.rows = (series[:, None] * spreading / cap_volume_velocity(series, radius)).astype(np.complex64)
        self.order = order

    def at(self, one: DemoLoudspeaker, cap: Cap, emission: FloatArray) -> ComplexArray:
        """Far pressure times distance per volume velocity; (directions, frequencies)."""
        angular = sources.legendre_table(self.order, world.cos_to_cap(one, cap, emission))
        turn = np.exp(
            -2j * np.pi / SPEED_OF_SOUND_M_S * one.sphere_radius_m * np.multiply.outer(emission[:, 0], grid_hz())
        )
        return np.asarray((angular.astype(np.complex64) @ self.rows) * turn, dtype=np.complex128)


@lru_cache(maxsize=32)
def _far_table(key: str, cap: Cap) -> _FarTable:
    return _FarTable(world.loudspeaker(key), cap)


@lru_cache(maxsize=4)
def _hall_images(distance_m: float) -> Images:
    microphone = rig.LOUDSPEAKER_M + np.array([distance_m, 0.0, 0.0])
    return shoebox_images(rig.ROOM_M, rig.LOUDSPEAKER_M, microphone, rig.REFLECTION, rig.REFLECTION_ORDER)


@lru_cache(maxsize=96)
def _wall_images(away_m: tuple[float, float, float]) -> Images:
    """Of a loudspeaker in the wall of its own hall; what that wall sends back once more is left out."""
    walls = rig.REFLECTION.copy()
    walls[0, 0] = 0.0
    place = rig.IN_WALL_M
    return shoebox_images(rig.WALL_ROOM_M, place, place + np.maximum(away_m, [0.0, -9.0, -9.0]), walls, 2)


def _lay(line: FloatArray, fields: ComplexArray, delay_s: FloatArray) -> None:
    """Add fields (D, frequencies) per volume velocity, their delays (D,) included, to `line` as samples about them."""
    frequency = grid_hz()
    starts = np.maximum(np.round(delay_s * rig.RATE_HZ).astype(int) - EARLY_TAPS, -EARLY_TAPS)
    low, high = _ROLL_OFF_HZ
    taper = 0.5 + 0.5 * np.cos(np.pi * np.clip((frequency - low) / (high - low), 0, 1))
    turn = 2j * np.pi * frequency
    spectra = fields / turn * taper * np.exp(turn * starts[:, None] / rig.RATE_HZ)
    spectra[:, 0] = spectra[:, 0].real
    for whole, taps in zip(starts.tolist(), np.fft.irfft(spectra, TAPS), strict=True):
        early = max(-whole, 0)
        line[max(whole, 0) : whole + TAPS] += taps[early:]
        # What arrives before sample 0 belongs to the end of the ring of samples; near fields only.
        if early:
            line[-early:] += taps[:early]


# A cube of what ends at 24 kHz folds back above 24 kHz.
_OVERSAMPLING = 2
_HIGH_SQUARE, _HIGH_CUBE = 0.0004, 0.00002
# Suspension and magnet end: beyond twice the largest excursion the cone hardly moves on.
_STOP = 2.0


def frequencies(samples: int) -> FloatArray:
    """Of an rfft over so many samples [Hz]."""
    return np.asarray(np.fft.rfftfreq(samples, 1 / rig.RATE_HZ), dtype=np.float64)


# Takes of one length follow each other, and the bursts all play through a cold loudspeaker.
@lru_cache(maxsize=2)
def _sources(one: DemoLoudspeaker, samples: int, heating_k: float) -> tuple[world.CapSource, ...]:
    usable = frequencies(samples)
    usable[0] = usable[1]
    return world.speaker_sources(one, usable, heating_k=heating_k)


@lru_cache(maxsize=2)
def _recorder(samples: int, late_s: float) -> tuple[ComplexArray, ComplexArray]:
    """What an rfft of sound gets on its way into the file: the delay, and the microphone's response."""
    frequency = frequencies(samples)
    late: ComplexArray = np.exp(-2j * np.pi * frequency * late_s)
    return late, rig.microphone_response(frequency)


def emission(one: DemoLoudspeaker, shape: FloatArray, rms_v: float, *, heating_k: float | None = None) -> ComplexArray:
    """Spectrum of every cap's volume acceleration, m^3/s^2; (caps, frequencies).

    shape : the signal for an rms voltage of 1/sqrt(2) V. Bass: force and stiffness change with excursion,
    v (1 - b1 x - b2 x^2) with x against the largest one; the rest: small square and cubic terms. heating_k : of the
    coils, None for what a sweep of that voltage brings.
    """
    from scipy import fft

    frequency = frequencies(shape.size)
    usable = frequency.copy()
    usable[0] = usable[1]
    heating = warming_k(one, rms_v) if heating_k is None else heating_k
    active = _sources(one, shape.size, heating)
    terminal = fft.rfft(limited(one, shape * rms_v * np.sqrt(2)))
    names = tuple(cap.name for cap in (*one.bass.cones, one.bass.port))
    cone = active[0]
    area = one.bass.driver.cone_area_m2
    bass = terminal * cone.filter
    excursion = bass * cone.flow / (2j * np.pi * usable * area * one.bass.largest_excursion_m)
    many = _OVERSAMPLING * shape.size
    fine_v, fine_x = (_OVERSAMPLING * fft.irfft(part, many) for part in (bass, excursion))
    fine_x = _STOP * np.tanh(fine_x / _STOP)
    weaker = 1 - one.bass.force_slope * fine_x - one.bass.force_curve * fine_x**2
    bent = fft.rfft(fine_v * weaker)[: frequency.size] / _OVERSAMPLING
    out = np.empty((len(active), frequency.size), dtype=np.complex128)
    voltages: dict[int, ComplexArray] = {}
    for row, source in enumerate(active):
        if source.cap.name in names:
            voltage = bent
        else:
            if id(source.filter) not in voltages:
                fine = _OVERSAMPLING * fft.irfft(terminal * source.filter, many)
                curved = fft.rfft(fine + _HIGH_SQUARE * fine**2 + _HIGH_CUBE * fine**3)
                voltages[id(source.filter)] = curved[: frequency.size] / _OVERSAMPLING
            voltage = voltages[id(source.filter)]
        out[row] = voltage * source.flow * (2j * np.pi * usable)
    out[:, 0] = 0.0
    return out


def limited(one: DemoLoudspeaker, terminal_v: FloatArray) -> FloatArray:
    """The signal (samples,) behind the limiter of a powered one: by its envelope, with attack and release."""
    told = one.built_in
    if told is None or np.abs(terminal_v).max() < told.threshold_v:
        return terminal_v
    from scipy.signal import hilbert

    level = 20 * np.log10(np.maximum(np.abs(hilbert(terminal_v)), 1e-9) / (told.threshold_v * np.sqrt(2)))
    bend = np.clip(level + told.knee_db / 2, 0.0, told.knee_db) ** 2 / (2 * told.knee_db)
    wanted = (1 / told.ratio - 1) * np.where(level > told.knee_db / 2, level, bend)
    shares = [float(np.exp(-1 / (time_s * rig.RATE_HZ))) for time_s in (told.attack_s, told.release_s)]
    gain, found = 0.0, np.empty(level.size)
    for place, target in enumerate(wanted.tolist()):
        share = shares[0] if target < gain else shares[1]
        gain = share * gain + (1 - share) * target
        found[place] = gain
    return np.asarray(terminal_v * 10 ** (found / 20), dtype=np.float64)


def warming_k(one: DemoLoudspeaker, rms_v: float) -> float:
    """Rise of the coils' temperature while a take runs, from the power into the rated impedance."""
    return float(one.bass.thermal_k_w * rms_v**2 / one.rated_impedance_ohm)


def record(key: str, folder: Path, name: str, sound: ComplexArray, paths: FloatArray, played_v: FloatArray) -> None:
    """Microphone and loop-back as one file.

    sound : from `emission`; paths : (caps, taps), pascals per volume acceleration; played_v : (samples,)
    """
    from scipy import fft

    total = (sound * fft.rfft(paths, played_v.size, axis=-1)).sum(axis=0)
    write_both(key, folder, name, np.asarray(total, dtype=np.complex128), played_v)


def write_both(key: str, folder: Path, name: str, total: ComplexArray, played_v: FloatArray) -> None:
    """The spectrum `total` of the pressure at the microphone and the voltages played, recorded with noise."""
    from scipy import fft

    samples = played_v.size
    built_in = next((one.built_in for one in KINDS if one.key == key), None)
    late_s = rig.LATENCY_SAMPLES / rig.RATE_HZ + (0.0 if built_in is None else built_in.late_s)
    late, response = _recorder(samples, late_s)
    heard = (total * late + rig.noise_spectrum(rig.take_seed(key, name), samples=samples)) * response
    microphone = rig.MICROPHONE_FS_PER_PA * fft.irfft(heard, samples)
    loop = np.roll(played_v, rig.LATENCY_SAMPLES) / rig.VOLTS_PER_FS
    write_audio(folder / name, np.stack([microphone, loop]), rig.RATE_HZ)


# Coils under lasting noise get hotter than a sweep leaves them, and take seconds to do so.
_LASTING, _COIL_S = 8.0, 2.5


def loud_jobs(one: DemoLoudspeaker, folder: Path, axis: FloatArray) -> Iterator[tuple[str, Callable[[], None]]]:
    """File and work of every such take; axis : paths from the caps to the microphone."""
    if one.high:
        yield rig.PAIR_FILE, partial(_pair, one, folder, axis)
    frequencies, peaks_v = one.bursts or (rig.BURST_HZ, rig.BURST_PEAK_V)
    for frequency in frequencies:
        for step, peak_v in enumerate(peaks_v, 1):
            name = rig.burst_file(frequency, step)
            yield name, partial(_burst, one, folder, axis, name, frequency, peak_v)
    yield rig.RUN_FILE, partial(_run, one, folder, axis)


def _placed(signal: FloatArray, start_s: float, samples: int) -> FloatArray:
    out, start = np.zeros(samples), round(start_s * rig.RATE_HZ)
    out[start : start + signal.size] = signal
    return out


def _pair(one: DemoLoudspeaker, folder: Path, axis: FloatArray) -> None:
    shape = two_tone(*rig.PAIR_HZ, rig.PAIR_S, rig.RATE_HZ)
    played = _placed(shape * rig.PAIR_V / np.sqrt(np.mean(shape**2)), rig.LEAD_IN_S, rig.PAIR_SAMPLES)
    sound = emission(one, played / np.sqrt(2) / rig.PAIR_V, rig.PAIR_V)
    record(key=one.key, folder=folder, name=rig.PAIR_FILE, sound=sound, paths=axis, played_v=played)


def _burst(one: DemoLoudspeaker, folder: Path, axis: FloatArray, name: str, frequency_hz: float, peak_v: float) -> None:
    shape = _placed(burst(frequency_hz, rig.RATE_HZ), rig.BURST_BEFORE_S, rig.BURST_SAMPLES)
    # Over before the coil is warm.
    sound = emission(one, shape, peak_v / np.sqrt(2), heating_k=0.0)
    record(key=one.key, folder=folder, name=name, sound=sound, paths=axis, played_v=shape * peak_v)


def _run(one: DemoLoudspeaker, folder: Path, axis: FloatArray) -> None:
    """Cold and hot loudspeaker, crossfaded as the coils warm."""
    from scipy import fft

    noise = pink_noise(rig.RUN_S, rig.RATE_HZ, seed=11)
    played = _placed(noise * rig.RUN_V / np.sqrt(np.mean(noise**2)), rig.LEAD_IN_S, rig.RUN_SAMPLES)
    paths = fft.rfft(axis, rig.RUN_SAMPLES, axis=-1)
    heard = []
    for heating_k in (0.0, _LASTING * warming_k(one, rig.RUN_V)):
        sound = emission(one, played / np.sqrt(2) / rig.RUN_V, rig.RUN_V, heating_k=heating_k)
        heard.append(fft.irfft((sound * paths).sum(axis=0), rig.RUN_SAMPLES))
    time_s = np.maximum(np.arange(rig.RUN_SAMPLES) / rig.RATE_HZ - rig.LEAD_IN_S, 0.0)
    warm = 1.0 - np.exp(-time_s / _COIL_S)
    total = np.asarray(fft.rfft(heard[0] + (heard[1] - heard[0]) * warm), dtype=np.complex128)
    write_both(one.key, folder, rig.RUN_FILE, total, played)


_HISS_FROM_HZ, _HUM_HZ, _HUM_DB = 400.0, 100.0, 17.0


def powered_jobs(one: DemoLoudspeaker, folder: Path, caps: tuple[Cap, ...]) -> Iterator[tuple[str, Callable[[], None]]]:
    """File and work of every such recording; none for a passive one."""
    if one.built_in is None:
        return
    # Close up, so that the hall does not blur what the limiter does.
    axis = far_paths(one, caps, "horizontal", 0.0, rig.limiter_distance_m(one))
    for frequency in one.built_in.limiter_hz:
        name = rig.limiter_file(frequency)
        yield name, partial(_limiter, one, folder, axis, name, frequency)
    for name, hiss in ((rig.NOISE_ON_FILE, one.built_in.hiss_db), (rig.NOISE_OFF_FILE, None)):
        yield name, partial(_noise, one, folder, name, hiss)


def filtered(shape: FloatArray, corner_hz: float) -> FloatArray:
    """The signal behind the low-pass that is built in."""
    spectrum = np.fft.rfft(shape)
    low = chain_response((Stage("low-pass LR4", corner_hz),), np.maximum(frequencies(shape.size), 1.0))
    return np.asarray(np.fft.irfft(spectrum * low, shape.size), dtype=np.float64)


def _limiter(one: DemoLoudspeaker, folder: Path, axis: FloatArray, name: str, frequency_hz: float) -> None:
    tone = limiter_tone(frequency_hz, rig.RATE_HZ)
    still = np.zeros(round(rig.LEAD_IN_S * rig.RATE_HZ))
    shape = np.concatenate([still, tone, still])
    # Steps and rests are short against what warms a coil.
    sound = emission(one, shape, rig.LIMITER_V, heating_k=0.0)
    record(key=one.key, folder=folder, name=name, sound=sound, paths=axis, played_v=shape * np.sqrt(2) * rig.LIMITER_V)


def _noise(one: DemoLoudspeaker, folder: Path, name: str, hiss_db: float | None) -> None:
    """Hiss from the treble's amplifier and a hum from the mains, as close up as the limiter tones."""
    samples = rig.NOISE_S * rig.RATE_HZ
    total: ComplexArray = np.zeros(samples // 2 + 1, dtype=np.complex128)
    if hiss_db is not None:
        nearer = 1.0 / rig.limiter_distance_m(one)
        frequency, rng = np.maximum(frequencies(samples), 1.0), rig.take_seed(one.key, "hiss")
        drawn = rng.standard_normal((2, frequency.size))
        shape = np.where(frequency < 20_000.0, 1.0 / np.hypot(1.0, _HISS_FROM_HZ / frequency), 0.0)
        size = nearer * 20e-6 * 10 ** (hiss_db / 20) * samples / (2.0 * np.sqrt(np.sum(shape**2)))
        total = np.asarray((drawn[0] + 1j * drawn[1]) * size * shape, dtype=np.complex128)
        total[round(_HUM_HZ * samples / rig.RATE_HZ)] += nearer * 20e-6 * 10 ** (_HUM_DB / 20) * samples / np.sqrt(2)
        total[0] = total[-1] = 0.0
    write_both(one.key, folder, name, total, np.zeros(samples))
