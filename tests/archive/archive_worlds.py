"""Sessions and measurements to keep: invented, small, but with every field filled."""

from __future__ import annotations

import dataclasses
import hashlib
from pathlib import Path
from typing import Any

import numpy as np

from earwitness.archive.recordings import RecordingStore
from earwitness.quantities import (
    BudgetLine,
    BurstTakeReading,
    Cause,
    DirectionalResponse,
    Directions,
    FrequencyAxis,
    Gate,
    Harmonics,
    Impedance,
    Measurement,
    MultitoneLines,
    MultitoneReading,
    NearField,
    NoiseRun,
    QualityFlag,
    Splice,
    Step,
    TwoToneReading,
)
from earwitness.session.session import Session


def write_session(folder: Path, *, name: str = "Lantern 2", maker: str = "Invented Works", takes: int = 3) -> Session:
    """A folder with `takes` files, and the session that names them (the files are bytes, nobody listens)."""
    folder.mkdir(parents=True, exist_ok=True)
    hashes: dict[str, str] = {}
    rows: list[dict[str, Any]] = []
    for index in range(takes):
        data = f"{name} take {index}".encode() * 5000
        (folder / f"h{index}.wav").write_bytes(data)
        hashes[f"h{index}.wav"] = hashlib.sha256(data).hexdigest()
        rows.append(
            {
                "kind": "far-field",
                "id": f"h{index}",
                "file": f"h{index}.wav",
                "sha256": hashes[f"h{index}.wav"],
                "orbit": "horizontal",
                "angle_deg": 10.0 * index % 360.0,
                "distance_m": 2.0,
            }
        )
    (folder / "mic.txt").write_text("20 0.0\n1000 0.0\n20000 1.0\n")
    hashes["mic.txt"] = hashlib.sha256((folder / "mic.txt").read_bytes()).hexdigest()
    return Session.model_validate(
        {
            "format": 1,
            "date": "2026-01-15",
            "loudspeaker": {
                "name": name,
                "maker": maker,
                "type": "stand-mount",
                "enclosure": "vented",
                "invented": True,
                "width_m": 0.2,
                "height_m": 0.35,
                "depth_m": 0.3,
                "reference_axis": "tweeter axis",
                "driver": [{"name": "woofer", "kind": "cone", "diameter_m": 0.13, "position_m": [0.0, 0.0, -0.15]}],
            },
            "microphone": {"sensitivity_fs_per_pa": 0.01, "correction_file": "mic.txt"},
            "drive": {"voltage_v": 2.83},
            "stimulus": {"kind": "sweep", "start_hz": 20.0, "stop_hz": 20000.0, "duration_s": 3.0},
            "takes": rows,
            "file_hashes": hashes,
        }
    )


def measurement(seed: int = 1, *, directions: int = 7, bins: int = 40, full: bool = True) -> Measurement:
    """A measurement of random numbers, with infinities, negative zeros and NaN where it is not valid."""
    rng = np.random.default_rng(seed)
    axis = FrequencyAxis(np.geomspace(20.0, 20000.0, bins))

    def draw(*shape: int) -> np.ndarray:
        return rng.standard_normal(shape)

    pressure = np.empty((directions, bins), complex)
    pressure.real, pressure.imag = draw(directions, bins), draw(directions, bins)
    valid = np.ones((directions, bins), bool)
    valid[:, :2] = False
    pressure.real[0, 0], pressure.imag[0, 0] = np.inf, -0.0
    pressure.real[1, 1], pressure.imag[1, 1] = -0.0, np.nan
    where = Directions(rng.uniform(-7.0, 7.0, directions), rng.uniform(-1.5, 1.5, directions))
    load = step_of("load", ("a" * 64, "b" * 64), rate=48000)
    reduce = step_of("reduce", (load.key,), gate_ms=4.5, grid=("log", 48, (20.0, 20000.0)), splice=True, note=None)
    response = DirectionalResponse(
        axis,
        where,
        pressure,
        np.abs(draw(directions, bins)),
        np.abs(draw(bins)),
        valid,
        True,
        2.0,
        (reduce.key,),
        causes=(
            Cause(name="place of woofer", source="1 cm", pull_db=draw(directions, bins)),
            Cause(name="calibrator", source="its tolerance", pull_db=draw(1, bins)),
        ),
    )
    whole = Measurement(
        response=response,
        snr_db=draw(directions, bins) + 60,
        gate=Gate(-0.001, 0.0045, 0.001, 0.0046, "room dimensions", 1 / 0.0045),
        splice=Splice(
            200.0, 400.0, -0.123456789, 0.1, 1 / 3, 0.25, 1e-5, True, "Joined between 200 and 400 Hz – fine."
        ),
        near_field=(
            NearField("woofer", axis, draw(bins), draw(bins), 10.0, 700.0),
            NearField("port", FrequencyAxis(axis.hz[: bins // 2]), draw(bins // 2), draw(bins // 2), 10.0, 300.0),
        ),
        harmonics=(
            Harmonics(
                "h0",
                2.83,
                0.5,
                "far-field",
                (2, 3, 4),
                axis,
                draw(bins),
                draw(3, bins),
                draw(3, bins),
                draw(3, bins) > 0,
                False,
                "woofer",
                True,
                21.5,
            ),
        ),
        impedance=Impedance(axis, pressure[2] * 8, np.abs(draw(bins)), np.abs(draw(bins)), valid[2], ("z" * 32,)),
        impulse_rate_hz=48000.0,
        impulse=draw(333),
        impulse_onset_s=0.001,
        budget=(BudgetLine("microphone", "its file", np.abs(draw(bins)), True),),
        flags=(
            QualityFlag("snr", "warn", 12.5, 20.0, "dB", ("h1", "h2"), (20.0, 50.0), "Take h1 is noisy."),
            QualityFlag("clipping", "reject", 3.0, 0.0, "samples", (), None, "It clips."),
        ),
        kept_takes=("level 1",),
        steps=(load, reduce),
        multitones=tuple(
            MultitoneReading(
                "tones", 4.0, 1.0, 11.1, MultitoneLines(axis.hz[:5], draw(5), draw(5), noise, 1 / 3, 0.1, None, 2, 1e-9)
            )
            for noise in (draw(5), None)
        ),
        two_tones=(TwoToneReading("pair", 8.0, 1.0, 60.0, 7000.0, draw(5), 1e-7),),
        bursts=(
            BurstTakeReading("b1", 8.0, 2.0, 40.0, 0.7, (2, 3, 4), draw(3), (15,), 1 / 3, True),
            BurstTakeReading("b2", 9.0, 2.0, 63.0, 0.8, (2,), draw(1), (), 0.0, False, True),
        ),
        noise_runs=(NoiseRun("run", 5.66, 1.0, axis, draw(bins), draw(bins), draw(bins), draw(bins) > 0, 8.3, True),),
    )
    if full:
        return whole
    return dataclasses.replace(
        whole,
        splice=None,
        near_field=(),
        harmonics=(),
        impedance=None,
        impulse=np.empty(0),
        budget=(),
        flags=(),
        multitones=(),
        two_tones=(),
        bursts=(),
        noise_runs=(),
    )


def step_of(name: str, inputs: tuple[str, ...], **settings: Any) -> Step:
    """A step of an invented program version."""
    return Step(name, tuple(sorted(settings.items())), inputs, "earwitness 0.0.1")


def same(one: Any, other: Any) -> bool:
    """Equal bit for bit, at any depth: types, signs of zero, payloads of NaN."""
    if type(one) is not type(other):
        return False
    if isinstance(one, np.ndarray):
        return one.dtype == other.dtype and one.shape == other.shape and one.tobytes() == other.tobytes()
    if dataclasses.is_dataclass(one):
        return all(same(getattr(one, f.name), getattr(other, f.name)) for f in dataclasses.fields(one))
    if isinstance(one, tuple):
        return len(one) == len(other) and all(same(a, b) for a, b in zip(one, other, strict=True))
    return bool(one == other)


def hashes(store: RecordingStore) -> tuple[str, ...]:
    """All recordings of a store, sorted; what is half written has a name of its own."""
    return tuple(sorted(f"{p.parent.name}{p.name}" for p in store.folder.glob("??/*") if p.name[0] != "."))
