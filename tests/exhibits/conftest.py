"""A measurement with closed-form answers: a baffled piston behind a Butterworth high-pass, in the air of no room."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import j1

from earwitness.figures.read import read_measurement
from earwitness.quantities import (
    BudgetLine,
    DirectionalResponse,
    Gate,
    Measurement,
    NearField,
    QualityFlag,
    Reading,
    Splice,
    cta_orbits,
    report_axis,
    step,
)
from earwitness.session.session import Session

LEVEL_DB = 87.0
CORNER_HZ = 50.0
RISE_HZ, RISE_DB = 300.0, 3.0
PISTON_M = 0.05


def made_measurement(*, level_db: float = LEVEL_DB, rise_db: float = RISE_DB, u_db: float = 0.15) -> Measurement:
    """Level, high-pass of second order at CORNER_HZ, a bell of half an octave at RISE_HZ, piston directivity."""
    axis, directions = report_axis(), cta_orbits()
    hz = axis.hz
    s = 1j * hz / CORNER_HZ
    high_pass = s**2 / (s**2 + np.sqrt(2) * s + 1)
    bell = 10 ** (rise_db * np.exp(-((np.log2(hz / RISE_HZ) / 0.4) ** 2)) / 20)
    angle = np.arccos(np.clip(directions.unit_vectors()[:, 0], -1, 1))
    ka_sine = 2 * np.pi * hz * PISTON_M / 343.0 * np.sin(angle)[:, None]
    safe = np.where(np.abs(ka_sine) < 1e-9, 1.0, ka_sine)
    beam = np.where(np.abs(ka_sine) < 1e-9, 1.0, 2 * j1(safe) / safe)
    behind = np.where(angle[:, None] > np.pi / 2, 1 / (1 + (hz / 400.0) ** 2) ** 0.5, 1.0)
    pressure = 20e-6 * 10 ** (level_db / 20) / 2.83 * high_pass * bell * beam * behind
    shape = pressure.shape
    own = np.full(shape, u_db) + 0.3 * (hz < 60)
    response = DirectionalResponse(
        axis, directions, pressure, own, np.full(hz.shape, 0.2), np.broadcast_to(hz >= 20.0, shape), distance_m=1.5
    )
    near = high_pass / 1.6
    return Measurement(
        response=response,
        snr_db=np.broadcast_to(70 - 30 * np.exp(-hz / 60), shape),
        gate=Gate(-0.0005, 0.0052, 0.001, 0.0058, "room dimensions", 250.0),
        splice=Splice(260.0, 420.0, 0.4, 0.0, 0.1, 0.2, 0.0, False, "the two agree within 0.2 dB in the region"),
        near_field=(
            NearField("woofer", axis, 20 * np.log10(np.abs(near)) + 10, np.angle(near), 15.0, 700.0),
            NearField("port", axis, -20 * np.abs(np.log2(hz / 45.0)), np.zeros_like(hz), 15.0, 500.0),
        ),
        harmonics=(),
        impedance=None,
        impulse_rate_hz=48_000.0,
        impulse=np.zeros(64),
        impulse_onset_s=0.0,
        budget=(
            BudgetLine("calibrator", "IEC 60942 class 1", np.full(hz.shape, 0.14), True),
            BudgetLine("microphone", "its correction file", 0.1 + 0.4 * (hz / 20_000) ** 2, True),
            BudgetLine("gating", "three gate lengths", 0.3 * np.exp(-hz / 500), False),
            BudgetLine("noise", "signal-to-noise ratio", 0.2 * np.exp(-hz / 80), False),
        ),
        flags=(
            QualityFlag("snr", "info", 22.0, 20.0, "dB", ("h170",), (20.0, 40.0), "the noise is only 22 dB below"),
            QualityFlag(
                "left_right", "warn", 1.2, 1.0, "dB", ("h030", "h330"), (2000.0, 8000.0), "left and right differ"
            ),
        ),
        kept_takes=("multitone",),
        steps=(step("reduce", {"gate": "automatic"}, ("a" * 64,)),),
    )


def made_session(*, name: str = "Larch 2", maker: str = "Fennel Audio Works", **facts: object) -> Session:
    """Facts of an invented two-way; `facts` replace those of the loudspeaker."""
    record = {
        "name": name,
        "maker": maker,
        "type": "stand-mount",
        "enclosure": "vented",
        "invented": True,
        "price": {"amount": 1250, "currency": "EUR", "per": "pair"},
        "width_m": 0.19,
        "height_m": 0.33,
        "depth_m": 0.27,
        "mass_kg": 8.2,
        "reference_axis": "between the drivers, 26 cm above the base",
        "rated_impedance_ohm": 6.0,
        "driver": [
            {"name": "woofer", "kind": "cone", "diameter_m": 0.13},
            {"name": "tweeter", "kind": "dome", "diameter_m": 0.025},
            {"name": "port", "kind": "port", "diameter_m": 0.05},
        ],
    } | facts
    orbit = [
        {
            "kind": "far-field",
            "id": f"h{angle:03d}",
            "file": f"h{angle:03d}.wav",
            "sha256": "0" * 64,
            "orbit": "horizontal",
            "angle_deg": angle,
            "distance_m": 1.5,
        }
        for angle in range(0, 360, 10)
    ]
    near = {"kind": "near-field", "id": "n", "file": "n.wav", "sha256": "0" * 64, "driver": "woofer"}
    return Session.model_validate(
        {
            "format": 1,
            "date": "2026-03-14",
            "loudspeaker": record,
            "tester": {"name": "A. Tester", "obtained": "made by the simulator", "disclosure": "none"},
            "microphone": {"name": "a measuring microphone", "calibrator": {"file": "cal.wav"}},
            "drive": {"voltage_v": 2.83},
            "stimulus": {"kind": "sweep", "start_hz": 10, "stop_hz": 22_000, "duration_s": 5.46},
            "reference": {"channel": 2},
            "environment": {"first_reflection_ms": 5.8},
            "takes": [*orbit, near],
        }
    )


@pytest.fixture(scope="session")
def measurement() -> Measurement:
    return made_measurement()


@pytest.fixture(scope="session")
def reading(measurement: Measurement) -> Reading:
    return read_measurement(measurement, rated_impedance_ohm=6.0)


@pytest.fixture(scope="session")
def session() -> Session:
    return made_session()


@pytest.fixture(scope="session")
def measure() -> Callable[..., Measurement]:
    return made_measurement


@pytest.fixture(scope="session")
def describe() -> Callable[..., Session]:
    return made_session
