"""A simulated scan in a live room with its truth; see data/README.md. Figures: field-separation reference, aims."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from earwitness.reduce.separate import Separation, far_u_db, pressure_at, separate

DATA = np.load(Path(__file__).parent / "data" / "live_room_scan.npz")
HZ = DATA["frequency_hz"].astype(float)
# A cube of the sphere's volume: the equal-volume model is then the sphere itself, 0.18 m.
SIDE = (4 * np.pi / 3) ** (1 / 3) * 0.18


@pytest.fixture(scope="module")
def found() -> Separation:
    return separate(
        DATA["points_m"].astype(float), DATA["pressure_pa_per_v"].T.astype(complex), HZ,
        cabinet_m=(SIDE, SIDE, SIDE), speed_of_sound=343.2, body="sphere",
    )  # fmt: skip


def level_errors(found: Separation, distance_m: float, truth: str) -> np.ndarray:
    ours = pressure_at(found.field, distance_m * DATA["directions_cta"].astype(float))
    return 20 * np.log10(np.abs(ours) / np.abs(DATA[truth].T))


def test_error_over_the_cta_grid(found: Separation) -> None:
    error = level_errors(found, 1.0, "truth_cta_1m")
    rms = np.sqrt(np.mean(error**2, axis=0))
    assert (rms[HZ < 250] <= 0.03).all()
    assert (rms[HZ < 1100] <= 0.06).all()
    assert (rms[HZ < 2100] <= 0.2).all()
    assert (np.abs(error[:, HZ < 2100]) <= 0.7).all()


def test_two_meters_are_as_good_as_one(found: Separation) -> None:
    rms = np.sqrt(np.mean(level_errors(found, 2.0, "truth_cta_2m") ** 2, axis=0))
    assert (rms[HZ < 2100] <= 0.2).all()


def test_uncertainty_covers_the_error(found: Separation) -> None:
    error = np.abs(level_errors(found, 1.0, "truth_cta_1m"))
    u = far_u_db(found.field, DATA["directions_cta"].astype(float))
    assert np.mean((error <= 2 * u)[:, found.quality.valid]) >= 0.95


def test_it_says_where_it_stops(found: Separation) -> None:
    # k r_max passes the order that 52 rings and azimuths can tell apart at about 2.6 kHz.
    assert found.route == "rings"
    assert found.bad_points == ()
    assert found.valid_band_hz is not None
    assert found.valid_band_hz[0] == pytest.approx(20.0)
    assert 2000 < found.valid_band_hz[1] < 3000
    assert (found.quality.u_db[HZ > 3000] > 2).all()


def test_leave_out_agrees_with_the_residual(found: Separation) -> None:
    # Processing reference 5.8: what the fit hasn't seen is met within 3 dB or so; more where unknowns are many.
    low = HZ < 600
    assert (found.quality.leave_out_db[low] <= found.quality.residual_db[low] + 6).all()


def test_scattering_is_worth_taking_off() -> None:
    plain = separate(
        DATA["points_m"].astype(float), DATA["pressure_pa_per_v"].T.astype(complex), HZ,
        cabinet_m=(SIDE, SIDE, SIDE), speed_of_sound=343.2, body="none",
    )  # fmt: skip
    rms = np.sqrt(np.mean(level_errors(plain, 1.0, "truth_cta_1m") ** 2, axis=0))
    at_1_khz = int(np.argmin(np.abs(HZ - 987)))
    # 1.0 dB in the reference's prototype.
    assert 0.3 < rms[at_1_khz] < 1.5


def test_bad_points_are_found_and_do_no_harm() -> None:
    rng = np.random.default_rng(6)
    data = DATA["pressure_pa_per_v"].T.astype(complex)
    bad = rng.choice(len(data), 50, replace=False)
    data[bad[:25]] *= 1.25
    data[bad[25:]] *= np.exp(-2j * np.pi * HZ * 0.012 / 343.2)
    found = separate(
        DATA["points_m"].astype(float), data, HZ, cabinet_m=(SIDE, SIDE, SIDE), speed_of_sound=343.2, body="sphere"
    )
    listed = {one.row for one in found.bad_points}
    assert set(bad.tolist()) <= listed
    assert len(listed) <= 60
    rms = np.sqrt(np.mean(level_errors(found, 1.0, "truth_cta_1m") ** 2, axis=0))
    assert (rms[HZ < 2100] <= 0.25).all()
