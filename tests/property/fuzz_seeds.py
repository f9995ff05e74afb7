"""Sound inputs of every reader, which the fuzzing damages. Everything in them is invented."""

from __future__ import annotations

import io
import json
import struct
from pathlib import Path

import numpy as np
import soundfile

RATE_HZ = 48_000

SESSION = """\
format = 1
date = "2026-11-01"
[loudspeaker]
name = "Invented One"
maker = "Nobody"
type = "stand-mount"
enclosure = "vented"
invented = true
year = 2025
width_m = 0.2
height_m = 0.34
depth_m = 0.26
mass_kg = 7.5
reference_axis = "on the axis of the dome"
rated_impedance_ohm = 8.0
price = { amount = 900.0, currency = "EUR", per = "pair" }
[[loudspeaker.driver]]
name = "woofer"
kind = "cone"
diameter_m = 0.13
position_m = [0.0, 0.0, -0.12]
[[loudspeaker.driver]]
name = "port"
kind = "port"
area_m2 = 0.002
position_m = [-0.26, 0.0, -0.10]
[[loudspeaker.claim]]
quantity = "frequency range"
value = 45.0
value_to = 22000.0
unit = "Hz"
tolerance_db = 3.0
text = "45 Hz to 22 kHz"
[microphone]
sensitivity_fs_per_pa = 0.02
correction_file = "mic.txt"
[drive]
voltage_v = 2.83
[stimulus]
kind = "sweep"
start_hz = 10
stop_hz = 22000
duration_s = 0.05
fade_in_s = 0.01
fade_out_s = 0.01
lead_in_s = 0.02
[reference]
channel = 2
[environment]
temperature_c = 20.0
[environment.room]
length_m = 6.0
width_m = 4.5
height_m = 2.6
loudspeaker_m = [3.0, 2.0, 1.3]
microphone_m = [4.0, 2.0, 1.3]
[turntable]
axis_m = [-0.13, 0.0, 0.0]
vertical_axis_m = [-0.13, 0.0, -0.1]
[[take]]
kind = "far-field"
orbit = "horizontal"
distance_m = 1.0
files = "h_{angle}.*"
[[take]]
kind = "near-field"
driver = "woofer"
file = "near.wav"
[[take]]
kind = "level"
drive_v = 4.0
distance_m = 1.0
file = "level.wav"
[[take]]
kind = "impedance table"
file = "impedance.txt"
"""

SCAN = (
    SESSION.split("[[take]]")[0]
    + """\
[scan]
body = "box"
body_center_m = [-0.15, 0.0, -0.05]
[[take]]
kind = "scan"
positions = "positions.csv"
"""
)

SHEET = """\
format = 1
loudspeaker = "Invented One"
maker = "Nobody"
time = 2026-11-25T20:15:00+01:00
blind = true
equalizer = false
level_db = 78
aim_deg = 0
distance_m = 2.5
pieces = 2
text = "Lively."
[[passage]]
name = "strings, slow"
kind = "music"
[[passage]]
name = "rain on a roof"
kind = "film"
level_db = 82.5
[[remark]]
word = "bright"
strength = "clear"
at_s = 95
[[remark]]
word = "boomy"
strength = "slight"
direction = "too little"
region_hz = [50, 120]
passage = "rain on a roof"
"""

AMPLIFIER = """\
name = "Brook 60 (invented)"
maker = "Nobody"
invented = true
minimum_load_ohm = 4.0
damping_factor = 100.0
damping_load_ohm = 8.0
peak_current_a = 12.0
cable_ohm = 0.1
[[power]]
load_ohm = 8.0
power_w = 60.0
[[power]]
load_ohm = 4.0
power_w = 100.0
text = "as printed"
"""

ROOM = """\
name = "an invented room"
[room]
length_m = 6.0
width_m = 4.5
height_m = 2.6
[[loudspeaker]]
name = "left"
position_m = [1.0, 3.4, 0.95]
aim_at_m = [4.0, 2.25, 1.0]
[[loudspeaker]]
name = "right"
position_m = [1.0, 1.1, 0.95]
azimuth_deg = 20.0
elevation_deg = 0.0
[[seat]]
name = "middle"
row = 1
position_m = [4.0, 2.25, 1.0]
"""

CORRECTIONS = (
    "# invented microphone\n20 -0.5\n100\t0.0\n1000 0.0\n10000 0.8\n20000 1.5\n".replace("\t", " "),
    "Freq;dB;deg\n20,0;-0,5;10,0\n1000,0;0,0;0,0\n20000,0;1,5;-12,0\n",
    "\ufeff* words\n20.0\t-0.5\t0\n200.0\t-0.1\t0\n2000.0\t0.1\t-1\n20000.0\t2.5\t-20\n",
    "20,-0.5\n1000,0\n20000,1.5 # top\n",
)

IMPEDANCES = (
    "* invented\n" + "".join(f"{20 * 2**n:.1f} {6 + n % 3:.2f} {10 - 3 * n:.1f}\n" for n in range(10)),
    "".join(f"{20 * 2**n:.1f};{6 + n % 3:.2f};{10 - 3 * n:.1f}\n".replace(".", ",") for n in range(10)),
    "".join(f"{20 * 2**n:.1f},{6 + n % 3:.2f},{10 - 3 * n:.1f}\n" for n in range(10)),
)

GOALS = ("Hz dB\n20 4.0\n100 2.0\n1000 0.0\n20000 -3.0\n", "# goal\n20;4.0\n20000;-3\n", "20,1\n30,2\n40,1\n")


EXPOSURE = '{"format": 1, "day": "2026-11-01", "exposures": [[91.0, 60.0], [85.5, 1200.25], [97, 3]]}'


def site_records() -> tuple[str, ...]:
    """Records of sites of one, two and no loudspeakers."""
    figures = {"f6": [41.5, 40.25, 42.75, "Hz", "", "41.5 Hz"], "sensitivity": [87.1, 86.0, 88.2, "dB", ">=", "87 dB"]}
    cards = [
        {
            "address": f"maker-{number}", "name_key": f"maker\nname {number}", "title": "Maker", "type": "monitor",
            "price": 100.5, "currency": "EUR", "date": "2026-01-01", "revision": "1",
            "updated": "2026-01-02T03:04:05+00:00", "invented": True, "summary": "short", "made_from": "0f",
            "figures": figures,
        }
        for number in (1, 2)
    ]  # fmt: skip
    head = {"format": 1, "title": "Many", "base_url": ""}
    return tuple(json.dumps({**head, "loudspeakers": cards[:count]}) for count in (1, 2, 0))


def response_tables() -> tuple[str, ...]:
    """The text tables of tests/formats/data/tables, one of each form."""
    folder = Path(__file__).parent.parent / "formats" / "data" / "tables"
    raw = [path.read_bytes() for path in sorted(folder.iterdir())]
    texts = [one.decode("utf-16" if one.startswith(b"\xff\xfe") else "latin-1") for one in raw]
    # Short ones, so that damage meets titles as often as numbers.
    return tuple("\n".join(text.replace("\r", "\n").split("\n")[:14]) for text in texts)


def level_tables() -> tuple[str, ...]:
    """Distortion, levels, losses and multitones as tables; curves alone, which are read by the same titles."""
    rows = [(20.0 * 2**n, 86.0 - n % 3, 1.5 / (n + 1), 0.2 + 0.1 * n) for n in range(9)]
    heads = (
        "Hz\tHD2 2.83 V %\tHD3 2.83 V %\tHD2 8 V %",
        "f [Hz];SPL [dB SPL];THD [%];noise dB SPL",
        "Voltage [V],Hz,2nd harmonic dB,K3 ratio",
        "Hz\t2.83 V dB SPL\tcompression 8 V dB\tTHD at 96 dB SPL [%]",
        "Hz\ttone dB SPL\tresidue dB SPL\tnoise dB SPL",
    )
    marks = ("\t", ";", ",", "\t", "\t")
    return tuple(
        "\n".join([head, *(mark.join(f"{value:g}" for value in row) for row in rows), ""])
        for head, mark in zip(heads, marks, strict=True)
    )


def curve_tables() -> tuple[str, ...]:
    """Averages of a publication."""
    rows = "".join(f"{20 * 2**n};{86 - n};{85 - n};{84 - n}\n" for n in range(9))
    return ("Hz;on axis dB SPL;listening window dB SPL;sound power dB SPL\n" + rows,)


def positions(count: int = 80) -> tuple[str, ...]:
    """Tables of `count` points around an invented cabinet, in three kinds of coordinates."""
    turn = np.arange(count)
    azimuth, height = 360.0 * turn / count, np.linspace(-0.3, 0.3, count)
    rows = list(zip(azimuth, height, strict=True))
    cartesian = [(0.4 * np.cos(np.deg2rad(a)), 0.4 * np.sin(np.deg2rad(a)), z) for a, z in rows]
    return (
        "# origin: 0, 0, -0.11\nx m,y m,z m,surface,file\n"
        + "".join(f"{x:.4f},{y:.4f},{z:.4f},inner,p_{n}.wav\n" for n, (x, y, z) in enumerate(cartesian, 1)),
        "radius m;azimuth deg;elevation deg\n" + "".join(f"0.4;{a:.3f};{100 * z:.3f}\n" for a, z in rows),
        "rho mm\tazimuth deg\tz mm\n" + "".join(f"400\t{a:.3f}\t{1000 * z:.2f}\n" for a, z in rows),
    )


def pressures_table() -> str:
    rows = [
        f"{np.cos(p):.4f},{np.sin(p):.4f},0.1,{hz:.1f},{np.cos(p * hz):.5f},{np.sin(p * hz):.5f}\n"
        for p in range(6)
        for hz in (100.0, 200.0, 400.0)
    ]
    return "x m,y m,z m,frequency Hz,real Pa/V,imaginary Pa/V\n" + "".join(rows)


def recordings() -> tuple[tuple[str, bytes], ...]:
    """Names and bytes of short recordings in every container and format that is read, and in some that are not."""
    noise = 0.1 * np.random.default_rng(1).standard_normal((300, 2)).clip(-4, 4)
    found = []
    for container, subtype, suffix in (
        ("WAV", "PCM_16", ".wav"),
        ("WAV", "PCM_24", ".wav"),
        ("WAV", "PCM_32", ".wav"),
        ("WAV", "FLOAT", ".wav"),
        ("WAV", "DOUBLE", ".wav"),
        ("WAV", "ULAW", ".wav"),
        ("WAV", "IMA_ADPCM", ".wav"),
        ("WAVEX", "PCM_24", ".wav"),
        ("RF64", "PCM_24", ".wav"),
        ("FLAC", "PCM_16", ".flac"),
        ("FLAC", "PCM_24", ".flac"),
        ("OGG", "VORBIS", ".flac"),
        ("AIFF", "PCM_24", ".wav"),
    ):
        stream = io.BytesIO()
        soundfile.write(stream, noise, RATE_HZ, format=container, subtype=subtype)
        found.append((suffix, stream.getvalue()))
    stream = io.BytesIO()
    soundfile.write(stream, np.zeros(2**24), RATE_HZ, format="FLAC", subtype="PCM_16")
    found.append((".flac", stream.getvalue()))
    found += [(".wav", lied) for lied in _lies(found[1][1])]
    return tuple(found)


def _lies(wav: bytes) -> list[bytes]:
    """A 24-bit WAV file whose header lies: sizes, channels, rates and frames that are not there."""
    at_data, at_form = wav.index(b"data"), wav.index(b"fmt ")
    found = []
    for size in (0, 2**31, 2**32 - 1, 2**32 - 2, len(wav)):
        found.append(wav[: at_data + 4] + struct.pack("<I", size) + wav[at_data + 8 :])
        found.append(wav[:4] + struct.pack("<I", size) + wav[8:])
    for channels in (0, 1, 3, 64, 65535):
        found.append(wav[: at_form + 10] + struct.pack("<H", channels) + wav[at_form + 12 :])
    for rate in (0, 1, 44_099, 192_001, 2**31, 2**32 - 1):
        found.append(wav[: at_form + 12] + struct.pack("<I", rate) + wav[at_form + 16 :])
    for align, bits in ((0, 24), (1, 24), (6, 0), (6, 7), (6, 65535), (65535, 24)):
        found.append(wav[: at_form + 20] + struct.pack("<HH", align, bits) + wav[at_form + 24 :])
    long = b"RF64" + b"\xff" * 4 + b"WAVEds64" + struct.pack("<IQQQI", 28, 2**40, 2**40, 2**31, 0) + wav[12:]
    at_long = long.index(b"data")
    found += [long, long[: at_long + 4] + b"\xff" * 4 + long[at_long + 8 :]]
    return found


def session_folder(folder: Path) -> Path:
    """The files that SESSION and SCAN name, and session.toml."""
    folder.mkdir(parents=True)
    for seed, name in enumerate(("h_-10.wav", "h_+010.wav", "h_0.wav", "near.wav", "level.wav", "mono.wav")):
        noise = 0.05 * np.random.default_rng(seed).standard_normal((12_000, 1 if name == "mono.wav" else 2)).clip(-4, 4)
        soundfile.write(folder / name, noise, RATE_HZ, subtype="PCM_16")
    for point in range(1, 81):
        noise = 0.05 * np.random.default_rng(100 + point).standard_normal((9_000, 2)).clip(-4, 4)
        soundfile.write(folder / f"p_{point}.wav", noise, RATE_HZ, subtype="PCM_16")
    (folder / "mic.txt").write_text(CORRECTIONS[0], encoding="utf-8")
    (folder / "impedance.txt").write_text(IMPEDANCES[0], encoding="utf-8")
    (folder / "positions.csv").write_text(positions()[0], encoding="utf-8")
    (folder / "session.toml").write_text(SESSION, encoding="utf-8")
    return folder
