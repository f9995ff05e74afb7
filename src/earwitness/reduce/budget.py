"""What the uncertainty of a level is made of."""

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import scipy.fft

from earwitness.dsp.window import gate_weights
from earwitness.errors import InputError
from earwitness.quantities import BudgetLine, Cause, ComplexArray, FloatArray
from earwitness.quantities.response import smooth_causes
from earwitness.session.session import Session

_DB_PER_NEPER = 20 / np.log(10)
_RECTANGULAR = np.sqrt(3.0)
COIL_HEAT_DB = 0.1
# Sensitivities of microphones are stated at 1 kHz (common practice, no source).
SCALE_HZ = 1000.0
WITHOUT_FILE_DB = ((10_000.0, 1.0), (np.inf, 2.5))
WITH_FILE_DB = ((10_000.0, 0.5), (np.inf, 1.0))
# Alignments whose gated level tells what a gate leaves of a bass tail that it cuts (own choice).
_ALIGNMENT_HZ, _ALIGNMENT_ORDERS = (35.0, 50.0, 70.0, 100.0), (2, 4)
_GATE_FT = np.geomspace(0.3, 25.0, 90)
_RATE_HZ, _LENGTH = 48_000.0, 2**15
_TOP_HZ = 4000.0


def noise_u_db(snr_db: FloatArray) -> FloatArray:
    """Standard uncertainty [dB] of a level read with a signal-to-noise ratio [dB]; any shape.

    (20 / ln 10) / sqrt(2) 10^(-snr/20): a contaminant of that relative level and random phase, first order.
    Below 0 dB the value at 0 dB is kept (6.1 dB: no level is known any more).
    """
    u_db: FloatArray = _DB_PER_NEPER / np.sqrt(2) * 10 ** (-np.maximum(snr_db, 0.0) / 20)
    return u_db


def gating_u_db(
    full_db: FloatArray,
    shorter_db: FloatArray,
    shortest_db: FloatArray,
    *,
    hz: FloatArray | None = None,
    gate_s: float | None = None,
    fall_share: float = 0.4,
) -> FloatArray:
    """Standard uncertainty [dB] from the gate: levels (..., F) with gates T, 0.8 T and 0.65 T.

    The largest change against T over sqrt(3). With hz (F,) and gate_s, what a gate of that very length and taper
    (fall_share of it) does to the level of bass alignments is added: rms over second- and fourth-order Butterworth
    high-passes from 35 to 100 Hz (own choice of both; 300 simulated loudspeakers lie inside two of these in 92 to
    99 % at each f T from 1.2 on, for gates of 3, 5 and 10 ms).
    """
    change: FloatArray = np.maximum(np.abs(full_db - shorter_db), np.abs(full_db - shortest_db)) / _RECTANGULAR
    if hz is None or gate_s is None:
        return change
    model = np.interp(np.log(hz * gate_s), np.log(_GATE_FT), _bass_error_db(gate_s, fall_share), right=0.0)
    u_db: FloatArray = np.hypot(change, model)
    return u_db


@lru_cache(maxsize=16)
def _bass_error_db(gate_s: float, fall_share: float) -> FloatArray:
    """Rms error (90,) [dB] over the alignments at f T of _GATE_FT."""
    cases = [(corner, order) for corner in _ALIGNMENT_HZ for order in _ALIGNMENT_ORDERS]
    errors = [high_pass_gate_error_db(_GATE_FT / gate_s, *case, gate_s=gate_s, fall_share=fall_share) for case in cases]
    rms = np.asarray(np.sqrt(np.mean(np.square(errors), axis=0)), dtype=np.float64)
    rms.setflags(write=False)
    return rms


def high_pass_gate_error_db(
    hz: FloatArray, corner_hz: float, order: int, *, gate_s: float, fall_share: float
) -> FloatArray:
    """Level error (F,) [dB] of a gate that begins with the sound, on a Butterworth high-pass of even order.

    A second-order low-pass at 4 kHz makes it a loudspeaker's; hz below 12 kHz. The impulse response by FFT at 48 kHz.
    """
    frequency = np.asarray(np.fft.rfftfreq(_LENGTH, 1.0 / _RATE_HZ), dtype=np.float64)
    response = _band_pass(frequency, corner_hz, order)
    response[-1] = abs(response[-1])
    impulse = scipy.fft.irfft(response, _LENGTH)[: math.ceil(gate_s * _RATE_HZ) + 1]
    time = np.arange(impulse.size) / _RATE_HZ
    cut = impulse * gate_weights(time, gate_s, rise_s=0.0, lead_s=0.0, fall_share=fall_share)
    angle = 2.0 * math.pi * np.outer(hz, time)
    gated = np.abs(np.cos(angle) @ cut - 1j * (np.sin(angle) @ cut))
    exact = np.abs(_band_pass(np.asarray(hz, dtype=float), corner_hz, order))
    return np.asarray(20.0 * np.log10(np.maximum(gated, 1e-12) / np.maximum(exact, 1e-12)), dtype=np.float64)


def _band_pass(hz: FloatArray, corner_hz: float, order: int) -> ComplexArray:
    s = 1j * np.asarray(hz, dtype=float) / corner_hz
    value = s**order
    for pair in range(order // 2):
        value = value / (s * s + 2.0 * math.sin((2 * pair + 1) * math.pi / (2 * order)) * s + 1.0)
    top = 1j * np.asarray(hz, dtype=float) / _TOP_HZ
    return np.asarray(value / (top * top + math.sqrt(2.0) * top + 1.0), dtype=np.complex128)


def air_absorption_db_per_m(
    hz: FloatArray, temperature_c: float, humidity_percent: float, pressure_kpa: float
) -> FloatArray:
    """(F,) attenuation of sound in still air [dB/m], the closed form of ISO 9613-1:1993 (from memory).

    Raises InputError for air that does not exist.
    """
    if temperature_c <= -200 or not 0 <= humidity_percent <= 100 or pressure_kpa <= 0:
        raise InputError("the state of the air is impossible", expected="humidity 0 to 100 %, pressure above 0 kPa")
    kelvin = temperature_c + 273.15
    warmth, pressure = kelvin / 293.15, pressure_kpa / 101.325
    saturation = 10 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151)
    water = humidity_percent * saturation / pressure
    oxygen_hz = pressure * (24 + 4.04e4 * water * (0.02 + water) / (0.391 + water))
    nitrogen_hz = pressure * warmth**-0.5 * (9 + 280 * water * np.exp(-4.170 * (warmth ** (-1 / 3) - 1)))
    square = np.asarray(hz, dtype=float) ** 2
    oxygen = 0.01275 * np.exp(-2239.1 / kelvin) / (oxygen_hz + square / oxygen_hz)
    nitrogen = 0.1068 * np.exp(-3352.0 / kelvin) / (nitrogen_hz + square / nitrogen_hz)
    classical = 1.84e-11 / pressure * np.sqrt(warmth)
    attenuation: FloatArray = 8.686 * square * (classical + warmth**-2.5 * (oxygen + nitrogen))
    return attenuation


def level_causes(
    session: Session,
    hz: FloatArray,
    *,
    distance_m: float = 1.0,
    correction_band_hz: tuple[float, float] | None = None,
    air_corrected: bool = False,
) -> tuple[Cause, ...]:
    """What moves all directions alike, as far as the session's facts alone tell, on hz (F,).

    distance_m : of the far-field takes; correction_band_hz : band of the microphone's file, None without one
    air_corrected : True when the loss in air was already taken out of the levels
    """
    hz = np.asarray(hz, dtype=float)
    flat = np.ones((1, hz.size))
    causes = _scale_causes(session, flat)
    causes += _microphone_causes(session, hz, correction_band_hz)
    volts = session.drive.u_db
    causes.append(Cause(name="voltage", source="as stated for the terminals' voltage", pull_db=flat * volts))
    if not session.loudspeaker.powered:
        source = f"voice coils warm up and cool down, {COIL_HEAT_DB:g} dB (common practice, no source)"
        causes.append(Cause(name="heat of the coils", source=source, pull_db=flat * COIL_HEAT_DB))
    air = session.environment
    loss = air_absorption_db_per_m(hz, air.temperature_c, air.humidity_percent, air.pressure_kpa) * distance_m
    share = 0.1 if air_corrected else 1.0
    source = "loss in air, ISO 9613-1" + (", a tenth of what was corrected" if air_corrected else ", not corrected")
    causes.append(Cause(name="air", source=source, pull_db=(share * loss / _RECTANGULAR)[None, :]))
    return tuple(causes)


def budget_of(causes: Sequence[Cause], row: int) -> tuple[BudgetLine, ...]:
    """The causes of one direction, one line a name: root sum of squares of its parts, in the order of the causes.

    What moves all directions alike does not shrink in an average and cancels in a difference (JCGM 100:2008, from
    memory).
    """
    found: dict[str, BudgetLine] = {}
    for cause in causes:
        pull = np.abs(cause.pull_db[0 if len(cause.pull_db) == 1 else row])
        line = found.get(cause.name)
        u_db = pull if line is None else np.hypot(line.u_db, pull)
        found[cause.name] = BudgetLine(cause.name, cause.source, u_db, cause.alike)
    return tuple(found.values())


def _scale_causes(session: Session, flat: FloatArray) -> list[Cause]:
    """Of the absolute level: stated sensitivity before calibrator, as the levels are; none without either."""
    microphone = session.microphone
    if microphone.sensitivity_fs_per_pa is not None:
        pull = flat * microphone.sensitivity_u_db
        return [Cause(name="sensitivity", source="as stated", pull_db=pull, device=_device(session))]
    if microphone.calibrator is not None:
        limit = microphone.calibrator.tolerance_db
        source = f"sound calibrator, +-{limit:g} dB rectangular"
        # One calibrator is off by the same amount with every microphone.
        device = f"calibrator {microphone.calibrator.serial}" if microphone.calibrator.serial else ""
        return [Cause(name="calibrator", source=source, pull_db=flat * limit / _RECTANGULAR, device=device)]
    return []


def _device(session: Session) -> str:
    """What tells the microphone from others; "" where no serial number does."""
    one = session.microphone
    return f"{one.name} {one.serial}" if one.serial else ""


def _microphone_causes(session: Session, hz: FloatArray, band_hz: tuple[float, float] | None) -> tuple[Cause, ...]:
    """The microphone's own response: its file where it reaches, otherwise the limits of a good capsule."""
    bare = _limits(hz, WITHOUT_FILE_DB) / _RECTANGULAR
    device, told = _device(session), session.microphone
    # The scale holds at one frequency, and there is nothing of the shape in it.
    by_calibrator = told.sensitivity_fs_per_pa is None and told.calibrator is not None
    known_hz = told.calibrator.frequency_hz if by_calibrator and told.calibrator is not None else SCALE_HZ
    if band_hz is None:
        source = "no file: +-1 dB to 10 kHz, +-2.5 dB above, rectangular (common practice, no source)"
        return smooth_causes("microphone", source, bare, hz, device=device, known_hz=known_hz)
    stated = session.microphone.correction_u_db
    if stated is not None:
        inside, source = np.full_like(hz, stated), "file, uncertainty as stated"
    else:
        inside = _limits(hz, WITH_FILE_DB) / _RECTANGULAR
        source = "file: +-0.5 dB to 10 kHz, +-1 dB above, rectangular (common practice, no source)"
    reached = (hz >= band_hz[0]) & (hz <= band_hz[1])
    u_db = np.where(reached, inside, np.maximum(inside, bare))
    return smooth_causes("microphone", source, u_db, hz, device=device, known_hz=known_hz)


def _limits(hz: FloatArray, steps: tuple[tuple[float, float], ...]) -> FloatArray:
    edges = np.array([edge for edge, _ in steps])
    values = np.array([value for _, value in steps])
    limits: FloatArray = values[np.searchsorted(edges, hz)]
    return limits


_STEPS = 720


def edge_change_db(width_m: float, height_m: float, hz: FloatArray, speed_m_s: float) -> FloatArray:
    """(F,) level on axis of a small source in the middle of a thin rigid baffle against one in an endless wall [dB].

    20 lg |1 - mean(exp(-jk r)) / 2| over all directions to the edge at r: the edge wave far away on axis, exact for a
    circle up to its second diffraction (geometrical theory of diffraction, handbook knowledge, from memory): -6.02 dB
    where the baffle is small against the wavelength.
    """
    turn = (np.arange(_STEPS) + 0.5) * 2.0 * np.pi / _STEPS
    to_edge = np.minimum(
        width_m / 2.0 / np.maximum(np.abs(np.cos(turn)), 1e-9), height_m / 2.0 / np.maximum(np.abs(np.sin(turn)), 1e-9)
    )
    wave = np.exp(-2j * np.pi / speed_m_s * np.outer(hz, to_edge)).mean(axis=1)
    return np.asarray(20.0 * np.log10(np.abs(1.0 - wave / 2.0)), dtype=np.float64)


def baffle_causes(
    session: Session, hz: FloatArray, speed_m_s: float, near_share: FloatArray | float
) -> tuple[Cause, ...]:
    """What the baffle's edge may do to the level, as its size: where the loudspeaker sat in it decides the ripple.

    near_share : (F,) of the near field, which hears no edge.
    """
    size_m = session.environment.baffle_m
    if size_m is None:
        return ()
    change = np.abs(edge_change_db(*size_m, hz, speed_m_s)) * (1.0 - near_share)
    source = f"edges of a baffle of {size_m[0]:g} m by {size_m[1]:g} m"
    return (Cause(name="measuring baffle", source=source, pull_db=change[None, :]),)
