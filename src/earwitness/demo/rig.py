"""The invented recording rig: hall, microphone, interface, amplifier, signals; and what people would write of it:
session.toml from data/*.toml.jinja, listening sheets."""

import json
import sys
import zlib
from datetime import UTC, datetime
from functools import cache, lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.demo import box, world
from earwitness.demo.circuits import Stage, chain_response
from earwitness.demo.lineup import DemoLoudspeaker
from earwitness.demo.world import loudspeaker
from earwitness.errors import cannot_write
from earwitness.quantities import ComplexArray, FloatArray

RATE_HZ = 48_000
SAMPLES = 2**18
LEAD_IN_S = 0.5
SWEEP_S = 3.3
SWEEP_START_HZ, SWEEP_STOP_HZ = 10.0, 22_000.0
FADE_IN_S, FADE_OUT_S = 0.08, 0.004
LATENCY_SAMPLES = 613
TEMPERATURE_C = 19.65
HUMIDITY_PERCENT = 45.0

ROOM_M = np.array([8.2, 6.6, 3.3])
LOUDSPEAKER_M = np.array([2.9, 3.2, 1.65])
REFLECTION = np.array([[0.72, 0.66], [0.7, 0.74], [0.8, 0.62]])
REFLECTION_ORDER = 4
# Where a loudspeaker sits in a wall, 1 mm before it for the sake of its images; 2 m above it the floor answers first.
WALL_ROOM_M = np.array([12.0, 9.0, 6.0])
IN_WALL_M = np.array([0.001, 4.5, 3.0])
IN_WALL_REFLECTION_MS = 5.7
FAR_DISTANCE_M, LEVEL_DISTANCE_M = 2.0, 1.0

DRIVE_V, NEAR_DRIVE_V = 2.83, 1.0
MULTITONE_V = (4.0, 7.0)
# The first level comes again at the end, so that drift can be told.
LEVEL_SERIES_V = (2.83, 5.66, 8.94, 14.1, 20.0, 2.83)
LEVEL_PAUSE_S = 90.0
VOLTS_PER_FS = 30.0

# Both from the woofer, or the mid and the woofer: a treble tone would come from a driver that the bass does not move.
PAIR_HZ, PAIR_V = (60.0, 1000.0), 8.0
PAIR_S, PAIR_SAMPLES = 2.0, 2**17
BURST_HZ, BURST_PEAK_V = (31.5, 40.0, 50.0, 63.0), (8.0, 12.5, 18.0, 26.0)
BURST_BEFORE_S, BURST_SAMPLES = 0.5, 2**16
LIMITER_V, NOISE_S = 20.0, 10
RUN_V, RUN_S, RUN_SAMPLES = 5.66, 9.5, 2**19
RUN_IN_S, RUN_LENGTH_S = 0.1, 1.0

MICROPHONE_FS_PER_PA = 0.024
CALIBRATOR_LEVEL_DB, CALIBRATOR_HZ, CALIBRATOR_ERROR_DB = 94.0, 1000.0, 0.04
MICROPHONE_STAGES = (
    Stage("high-pass 2", 4.0, 0.6),
    Stage("peak", 11500.0, 0.9, 1.6),
    Stage("high shelf", 19000.0, 0.7, -1.2),
)
CORRECTION_U_DB = 0.1

SENSE_RESISTOR_OHM, SENSE_RESISTOR_TRUE_OHM, SENSE_TOLERANCE_PERCENT = 10.0, 10.06, 1.0
REFERENCE_RESISTOR_OHM = 8.2
IMPEDANCE_SOURCE_V, IMPEDANCE_FS_V = 1.0, 4.0
# Twice the rate and its own sweep: an impedance is asked for up to 40 kHz.
IMPEDANCE_RATE_HZ, IMPEDANCE_SAMPLES = 96_000, 2**18
IMPEDANCE_SWEEP_S, IMPEDANCE_START_HZ, IMPEDANCE_STOP_HZ = 1.6, 4.0, 44_000.0

TONES = 32
TONE_PERIOD_SAMPLES = 2**16
TONE_PERIODS = 3


def microphone_response(frequency_hz: FloatArray) -> ComplexArray:
    """Response of the microphone against 1 kHz; same shape as `frequency_hz`."""
    at = chain_response(MICROPHONE_STAGES, np.array([CALIBRATOR_HZ]))[0]
    return np.asarray(chain_response(MICROPHONE_STAGES, frequency_hz) / abs(at), dtype=np.complex128)


def correction_text(title: str) -> str:
    """What the microphone's correction file says: frequency, dB against 1 kHz, degrees."""
    frequency = np.round(5.0 * 10 ** (np.arange(0, 147) / 40), 2)
    response = microphone_response(frequency)
    rows = zip(frequency, 20 * np.log10(np.abs(response)), np.degrees(np.unwrap(np.angle(response))), strict=True)
    lines = [f"# {title}", "# frequency Hz\tresponse dB re 1 kHz\tphase degrees"]
    lines += [f"{f:.2f}\t{level:.3f}\t{phase:.3f}" for f, level, phase in rows]
    return "\n".join(lines) + "\n"


def take_seed(key: str, take: str) -> np.random.Generator:
    """The random numbers of one take, the same on every machine."""
    return np.random.default_rng([zlib.crc32(key.encode()), zlib.crc32(take.encode()), 2034])


def noise_spectrum(rng: np.random.Generator, *, samples: int = SAMPLES) -> ComplexArray:
    """One draw of what the microphone hears in silence, as rfft of pascals over `samples`.

    White self-noise of 20 dB in 20 kHz; room noise that falls 6 dB an octave to 200 Hz and 12 beyond, 42 dB in the
    third octave at 31.5 Hz; hum at 50 and 100 Hz of 25 and 18 dB.
    """
    deviation = _noise_deviation(samples)
    drawn = rng.standard_normal((2, deviation.size), dtype=np.float32)
    spectrum = (drawn[0] + 1j * drawn[1]) * (deviation / np.sqrt(2))
    for hum_hz, level_db in ((50.0, 25.0), (100.0, 18.0)):
        row = round(hum_hz * samples / RATE_HZ)
        spectrum[row] += 20e-6 * 10 ** (level_db / 20) * samples / np.sqrt(2) * np.exp(2j * np.pi * rng.random())
    spectrum[0] = 0.0
    spectrum[-1] = 0.0
    return np.asarray(spectrum, dtype=np.complex128)


@lru_cache(maxsize=2)
def _noise_deviation(samples: int) -> FloatArray:
    frequency = np.fft.rfftfreq(samples, 1 / RATE_HZ)
    frequency[0] = frequency[1]
    self_noise = (20e-6 * 10 ** (20.0 / 20)) ** 2 / 20_000
    at_31 = (20e-6 * 10 ** (42.0 / 20)) ** 2 / (31.5 * (2 ** (1 / 6) - 2 ** (-1 / 6)))
    bounded = np.maximum(frequency, 10.0)
    room = at_31 * (31.5 / bounded) ** 2 / (1 + (frequency / 200) ** 2)
    return np.asarray(np.sqrt((self_noise + room) * RATE_HZ * samples / 2), dtype=np.float64)


def multitone(rng: np.random.Generator) -> FloatArray:
    """Tones spaced evenly in log frequency from 20 Hz to 20 kHz, peak 0.5, silence around; (SAMPLES,).

    Each tone fits the period a whole and odd number of times; phases are drawn at random, the best crest of 64 draws.
    """
    wanted = np.geomspace(20.0, 20_000.0, TONES) * TONE_PERIOD_SAMPLES / RATE_HZ
    rows = np.unique(2 * np.round((wanted - 1) / 2).astype(int) + 1)
    best, crest = np.zeros(TONE_PERIOD_SAMPLES), np.inf
    for _ in range(64):
        spectrum = np.zeros(TONE_PERIOD_SAMPLES // 2 + 1, dtype=np.complex128)
        spectrum[rows] = np.exp(2j * np.pi * rng.random(rows.size))
        period = np.fft.irfft(spectrum)
        found = float(np.abs(period).max() / np.sqrt(np.mean(period**2)))
        if found < crest:
            best, crest = period / np.abs(period).max() * 0.5, found
    played = np.zeros(SAMPLES)
    start = round(LEAD_IN_S * RATE_HZ)
    played[start : start + TONE_PERIODS * TONE_PERIOD_SAMPLES] = np.tile(best, TONE_PERIODS)
    return played


NOISE_ON_FILE, NOISE_OFF_FILE, FILTERED_FILE = "noise_on.flac", "noise_off.flac", "level/filtered.flac"
TONES_PLAYED_FILE = "multitone_played.flac"
PAIR_FILE, RUN_FILE, TABLE_FILE = "two_tones.flac", "noise_run.flac", "impedance.txt"
_WITH_TABLE = ("lantern",)


def session_text(one: DemoLoudspeaker) -> str:
    """The whole file."""
    microphone = LOUDSPEAKER_M + np.array([FAR_DISTANCE_M, 0.0, 0.0])
    return filled("session", one, microphone_m=microphone, near_gap_m=world.NEAR_FIELD_GAP_M)


def near_file(driver: str) -> str:
    """File of a near-field take."""
    return f"near/{driver.replace(' ', '_')}.flac"


def level_file(step: int) -> str:
    """File of a step of the level series, from 1."""
    return f"level/step_{step}.flac"


def tones_file(step: int) -> str:
    """File of a multitone take, from step 1."""
    return f"multitone_{step}.flac"


def burst_file(frequency_hz: float, step: int) -> str:
    """File of a burst, from step 1."""
    return f"burst/{frequency_hz:g}hz_{step}.flac"


def limiter_file(frequency_hz: float) -> str:
    """File of a limiter tone."""
    return f"limiter_{frequency_hz:g}.flac"


def limiter_distance_m(one: DemoLoudspeaker) -> float:
    """Where the microphone stands for limiter tones: close up in the hall."""
    return LEVEL_DISTANCE_M if one.outdoors else 0.15


def has_table(key: str) -> bool:
    """Whether the tester of that loudspeaker had an impedance meter and brings its table."""
    return key in _WITH_TABLE


def filled(name: str, one: DemoLoudspeaker, **facts: Any) -> str:
    """The text of data/NAME.toml.jinja for a loudspeaker, with facts of the case."""
    caps = (*one.bass.cones, one.bass.port, *(way.cap for way in one.high))
    off = {cap: (0.0, left, up) for cap, left, up in one.place_errors_m}
    told = (world.cap_position(one, cap) + np.array(off.get(cap.name, (0.0, 0.0, 0.0))) for cap in caps)
    facts["drivers"] = [(cap, np.round(place_m, 4)) for cap, place_m in zip(caps, told, strict=True)]
    gain = 1.0 if one.built_in is None else one.built_in.gain
    facts["at_input"] = lambda volts: float(f"{volts / gain:.6g}")
    facts["axis"] = (one.high[-1].cap if one.high else one.bass.cones[0]).name
    middle_m = float(box.stored(one.box).middle_m[2]) if one.box else None
    facts["below_top_m"] = one.below_top_m if middle_m is None else round(one.height_m / 2 + middle_m, 3)
    return str(_templates().get_template(f"{name}.toml.jinja").render(one=one, rig=sys.modules[__name__], **facts))


@cache
def _templates() -> Any:
    from jinja2 import Environment, PackageLoader
    from markupsafe import Markup

    made = Environment(
        loader=PackageLoader("earwitness.demo", "data"),
        finalize=_written,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,
    )
    made.globals |= {"script": sys.modules[__name__], "bare": Markup}
    return made


def _written(value: Any) -> Any:
    """A value as TOML spells it: JSON has the same strings, finite numbers, true, false and flat lists."""
    if hasattr(value, "__html__"):
        return value
    return json.dumps(value.tolist() if isinstance(value, np.ndarray | np.generic) else value, ensure_ascii=False)


# Listening sheets of the demo world: what invented listeners wrote down before anything was measured.
#
# They were made up with the loudspeakers, not from their data: some remarks hit a planted flaw, some are beside it, as
# those of a human listener would be.

SEALED_AT = datetime(2026, 2, 27, 21, 40, tzinfo=UTC)
"""When the invented listener sealed: the evening before the invented session."""


def sheet_text(key: str) -> str:
    """The sheet of a demo loudspeaker as TOML. InputError for an unknown key."""
    return (files("earwitness.demo") / "data" / "sheets" / f"{loudspeaker(key).key}.toml").read_text(encoding="utf-8")


def words_text(key: str) -> str:
    """What the invented tester says of a demo loudspeaker, as Markdown. InputError for an unknown key."""
    return (files("earwitness.demo") / "data" / "words" / f"{loudspeaker(key).key}.md").read_text(encoding="utf-8")


def write_sheet(key: str, folder: Path) -> Path:
    """Write the sheet of a demo loudspeaker into `folder` as listening.toml; the same key gives the same bytes."""
    path = folder / "listening.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        path.write_text(sheet_text(key), encoding="utf-8", newline="\n")
    except OSError as error:
        raise cannot_write("the listening sheet", path, error) from None
    return path
