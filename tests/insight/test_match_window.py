"""The window of two drivers against their closed form, and over random pairs of drivers, rigs and noises."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.insight.match import window
from earwitness.insight.match.window import balance_window
from earwitness.quantities import DirectionalResponse
from earwitness.quantities.arrays import FloatArray, FrequencyAxis
from earwitness.quantities.directions import Directions

HZ = np.geomspace(100.0, 20_000.0, 240)
C_M_S = 343.0


def branches(hz: FloatArray, crossover_hz: float, order: int = 4) -> tuple[np.ndarray, np.ndarray]:
    """Linkwitz-Riley low and high branch of order 4, or of order 2 with the tweeter turned over (handbook)."""
    s = 1j * hz / crossover_hz
    if order == 4:
        both = (1.0 + np.sqrt(2.0) * s + s**2) ** 2
        return 1.0 / both, s**4 / both
    both = (1.0 + s) ** 2
    return 1.0 / both, -(s**2) / both


def pair(
    angle_deg: FloatArray, *, spacing_m: float = 0.18, crossover_hz: float = 2000.0, order: int = 4, lag_m: float = 0.0
) -> np.ndarray:
    """(A, F) sum of two small drivers one above the other, the tweeter lag_m behind."""
    low, high = branches(HZ, crossover_hz, order)
    k, sine = 2.0 * np.pi * HZ / C_M_S, np.sin(np.deg2rad(angle_deg))[:, None]
    half = 0.5 * spacing_m * sine
    return low * np.exp(-1j * k * half) + high * np.exp(
        1j * k * (half - lag_m * np.cos(np.deg2rad(angle_deg))[:, None])
    )


def response(angle_deg: FloatArray, pressure: np.ndarray, u_db: float = 0.0) -> DirectionalResponse:
    azimuth = np.where(np.abs(angle_deg) > 90.0, np.pi, 0.0)
    elevation = np.deg2rad(np.where(np.abs(angle_deg) > 90.0, np.sign(angle_deg) * 180.0 - angle_deg, angle_deg))
    shape = pressure.shape
    return DirectionalResponse(
        FrequencyAxis(HZ), Directions(azimuth, elevation), pressure, np.full(shape, u_db), np.zeros(shape[1]),
        np.ones(shape, dtype=bool),
    )  # fmt: skip


@pytest.mark.parametrize("step_deg", [5.0, 10.0])
@pytest.mark.parametrize(("wanted_deg", "change_db"), [(10.0, 1.865), (15.0, 4.305), (20.0, 8.058)])
def test_two_drivers_in_closed_form(step_deg: float, change_db: float, wanted_deg: float) -> None:
    """Two points 0.18 m apart, fourth-order Linkwitz-Riley at 2 kHz: deepest third octave of 1 to 4 kHz, worked
    apart from the program (own computation)."""
    angle = np.arange(-60.0, 60.1, step_deg)
    found = balance_window(response(angle, pair(angle)), change_db=change_db, crossover_hz=2000.0)
    for side in found.sides:
        assert side.angle_deg == pytest.approx(wanted_deg, abs=0.1)
        assert abs(side.angle_deg - wanted_deg) < 2.0 * side.u_deg
        assert not side.is_bound


def test_the_crossover_is_read_off_where_it_cancels_most() -> None:
    angle = np.arange(-60.0, 60.1, 10.0)
    found = balance_window(response(angle, pair(angle, crossover_hz=1500.0)))
    assert found.is_inferred
    # The sum falls most slightly above the crossover (own computation).
    assert 1500.0 < found.crossover_hz < 1900.0
    words = found.sentence(2.5)
    assert words.startswith("Around 1")
    assert "where the sound falls most beside the axis, the balance" in words
    assert f"{2.5 * np.tan(np.deg2rad(found.sides[1].angle_deg)):.2f} m up" in words


def test_it_stands_in_the_document_as_its_schema_says() -> None:
    """JSON Schema, by the library jsonschema."""
    schema = json.loads(
        (Path(__file__).parents[2] / "docs" / "advice-document.schema.json").read_text(encoding="utf-8")
    )
    match = next(one for one in schema["$defs"].values() if "windows" in one.get("required", ()))
    angle = np.arange(-60.0, 60.1, 10.0)
    found = json.loads(json.dumps([asdict(balance_window(response(angle, pair(angle))))]))
    jsonschema.Draft202012Validator(match["properties"]["windows"]).validate(found)
    assert [side["name"] for side in found[0]["sides"]] == ["down", "up"]


def test_the_same_drivers_side_by_side_stand_across() -> None:
    angle = np.arange(-60.0, 60.1, 10.0)
    made = response(angle, pair(angle))
    turned = DirectionalResponse(
        made.axis,
        Directions(np.deg2rad(angle), np.zeros(angle.size)),
        made.pressure,
        made.u_db,
        made.u_common_db,
        made.valid,
    )
    across = balance_window(turned, orbit="horizontal", crossover_hz=2000.0)
    assert [one.name for one in across.sides] == ["right", "left"]
    assert across.sides[1].angle_deg == pytest.approx(10.37, abs=0.1)
    with pytest.raises(InputError, match="not measured"):
        balance_window(turned)


def test_what_cannot_be_said_is_refused() -> None:
    angle = np.arange(-60.0, 60.1, 10.0)
    single = np.ones((angle.size, HZ.size), dtype=complex)
    with pytest.raises(InputError, match="no crossover is seen"):
        balance_window(response(angle, single))
    with pytest.raises(InputError, match=r"0\.5 to 12"):
        balance_window(response(angle, single), change_db=0.0)
    wide = np.arange(-60.0, 60.1, 20.0)
    with pytest.raises(InputError, match="apart"):
        balance_window(response(wide, pair(wide)))
    with pytest.raises(InputError, match="not known from 100"):
        balance_window(response(angle, pair(angle)), crossover_hz=200.0)
    held = balance_window(response(angle, single), crossover_hz=2000.0)
    assert [side.is_bound for side in held.sides] == [True, True]
    assert "at least 60° up" in held.sentence(2.0)


def test_random_pairs_lie_inside_their_uncertainty() -> None:
    """200 pairs: spacing, crossover, order, tweeter behind, turntable and level errors; truth from steps of 0.5°."""
    rng = np.random.default_rng(7501)
    inside, errors, in_u, refused = [], [], [], 0
    fine = np.arange(-60.0, 60.01, 0.5)
    for _ in range(200):
        facts = {
            "spacing_m": rng.uniform(0.08, 0.3), "crossover_hz": float(np.exp(rng.uniform(np.log(900), np.log(3500)))),
            "order": int(rng.choice([2, 4])), "lag_m": rng.uniform(0.0, 0.03),
        }  # fmt: skip
        u_db = float(rng.choice([0.1, 0.3]))
        angle = np.arange(-60.0, 60.1, float(rng.choice([5.0, 10.0])))
        pressure = pair(angle, **facts) * 10.0 ** (rng.standard_normal((angle.size, 1)) * u_db / 20.0)
        try:
            found = balance_window(response(angle, pressure, u_db), crossover_hz=facts["crossover_hz"])
        except InputError:
            refused += 1
            continue
        truth = ends(fine, np.abs(pair(fine, **facts)) ** 2, facts["crossover_hz"])
        for one, other in zip(found.sides, truth, strict=True):
            errors.append(abs(one.angle_deg - other))
            in_u.append(errors[-1] / one.u_deg)
            inside.append(in_u[-1] <= 2.0)
    assert 0.9 <= np.mean(inside) <= 0.99
    assert max(in_u) < 4.0
    assert 0 < refused < 50
    assert np.median(errors) < 0.5


def test_drivers_that_beat_faster_than_the_steps_are_refused() -> None:
    """0.28 m at twice 2.9 kHz: more than half a turn a step of 10°, which nothing between can be read from."""
    for step_deg in (5.0, 10.0):
        angle = np.arange(-60.0, 60.1, step_deg)
        made = response(angle, pair(angle, spacing_m=0.28, crossover_hz=2900.0))
        if step_deg == 5.0:
            balance_window(made, crossover_hz=2900.0)
        else:
            with pytest.raises(InputError, match="too far apart"):
                balance_window(made, crossover_hz=2900.0)


def ends(fine: FloatArray, energy: FloatArray, crossover_hz: float) -> tuple[float, float]:
    """Where the deepest third octave from half the crossover to twice it first falls by 2 dB, below and above."""
    worst = np.zeros(fine.size)
    for hz in crossover_hz * 2.0 ** np.linspace(-1.0, 1.0, 25):
        band = energy[:, np.abs(np.log2(HZ / hz)) <= 1.0 / 6.0].mean(axis=1)
        worst = np.maximum(worst, np.abs(10.0 * np.log10(band / band[fine == 0.0])))
    zero = int(np.flatnonzero(fine == 0.0)[0])
    found = []
    for side in (worst[zero::-1], worst[zero:]):
        beyond = int(np.argmax(side > 2.0)) if (side > 2.0).any() else side.size
        found.append(
            60.0
            if beyond == side.size
            else 0.5 * (beyond - 1 + (2.0 - side[beyond - 1]) / (side[beyond] - side[beyond - 1]))
        )
    return found[0], found[1]


@pytest.mark.parametrize("steps", [6, 12, 24, 48])
def test_third_octaves_are_a_third_of_an_octave_wide(steps: int) -> None:
    """Energy that goes with a power of frequency: its mean over the band in closed form, on points and between them."""
    hz = 1000.0 * 2.0 ** (np.arange(-4 * steps, 4 * steps + 1) / steps)
    wanted = 1000.0 * 2.0 ** np.array([-1.0, -0.3, 0.0, 0.25, 0.5 / steps, 1.7])
    for power in (0.0, 1.0, -2.0, 3.0):
        wide = power * np.log(2.0) / 3.0
        expected = (wanted / 1000.0) ** power * (2.0 * np.sinh(wide / 2.0) / wide if wide else 1.0)
        found = window.third_octaves(hz, wanted) @ (hz / 1000.0) ** power
        # Off the points the band is known to a part of a step.
        near = 10.0 * np.log10(found / expected)
        assert np.abs(near).max() < 10.0 * np.log10(2.0) * abs(power) * 0.3 / steps + 1e-9
        assert abs(near[2]) < 0.02 * abs(power) * (12 / steps) ** 2 + 1e-9
