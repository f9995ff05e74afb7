"""Does U95 hold what it says? Random loudspeakers by formula, recorded with errors of known size, against the truth.

No size of this program was chosen on these: they are drawn here alone.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import j1

from earwitness.figures.maps import coverage_sides, orbit_levels
from earwitness.figures.read import levels_of
from earwitness.figures.windows import windows
from earwitness.quantities import Cause, DirectionalResponse, FrequencyAxis, cta_orbits
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.reduce.placing import Placed, placing_causes

HZ = 100.0 * 2.0 ** (np.arange(22) / 3)
WHERE = cta_orbits()
ANGLES = np.concatenate([np.arange(-170.0, 190, 10), [a for a in np.arange(-170.0, 180, 10) if a]])
ACROSS = np.arange(70) < 36
SESSIONS = 60
DISTANCE_M = 2.0
Heard = Callable[[FloatArray, FloatArray], ComplexArray]


def loudspeaker(random: np.random.Generator) -> Heard:
    """Woofer below a tweeter, pistons in a cabinet that shades the rear more and more; pressure (D, F) at azimuths and
    elevations [degrees]."""
    woofer, shade, crossover, apart = (
        random.uniform(0.04, 0.09), random.uniform(0.1, 0.25), random.uniform(1500.0, 3500.0), random.uniform(0.1, 0.2)
    )  # fmt: skip
    k = 2 * np.pi * HZ / 343.0

    def heard(azimuth: FloatArray, elevation: FloatArray) -> ComplexArray:
        a, e = np.radians(azimuth), np.radians(elevation)
        ahead, up = np.cos(a) * np.cos(e), np.sin(e)
        off = np.sqrt(np.maximum(1 - ahead**2, 1e-12))[:, None]

        def piston(radius: float) -> FloatArray:
            x = np.maximum(k * radius * off, 1e-6)
            return np.asarray(2 * j1(x) / x)

        grown = (k * shade) ** 2 / (1 + (k * shade) ** 2)
        body = np.sqrt(((1 + ahead[:, None] * grown) / 2) ** 2 + 0.01)
        s = 1j * HZ / crossover
        low = 1 / (1 + s + s * s) * piston(woofer) * np.exp(-1j * k * apart * up[:, None])
        return np.asarray((low + s * s / (1 + s + s * s) * piston(0.0125)) * body)

    return heard


def recorded(heard: Heard, random: np.random.Generator) -> ComplexArray:
    """What a session reads: each error of its stated size, the errors moved, not their slopes."""
    draw = random.standard_normal
    seen, away = np.zeros(70), np.zeros(70)
    for orbit in (ACROSS, ~ACROSS):
        # The microphone stands before the reference point at 0 degrees and is turned about an axis off it.
        axis, turn = 0.01 * complex(draw(), draw()), np.exp(1j * np.radians(ANGLES))
        place = axis + turn * (DISTANCE_M - axis)
        aside = np.degrees(np.angle(place / turn)) + draw() * 1.0 + 0.4 * draw(70)
        seen, away = np.where(orbit, ANGLES + aside, seen), np.where(orbit, np.abs(place), away)
    azimuth, elevation = np.where(ACROSS, seen, 0.7 * draw()), np.where(ACROSS, 0.7 * draw(), seen)
    # Past the top an elevation leans to the other side.
    turned = np.where(np.abs(elevation) > 90.0, 180.0 - azimuth, azimuth)
    found = heard(turned, np.where(np.abs(elevation) > 90.0, np.sign(elevation) * 180.0 - elevation, elevation))
    level = -20 * np.log10(away / DISTANCE_M)[:, None] + np.where(ACROSS, 0.0, 0.1 * draw())[:, None]
    level = level + 0.1 * draw() * np.linspace(-0.5, 0.5, 70)[:, None]
    places = 0.007 * draw(70)[:, None]
    level = level - 20 * np.log10(1 + places / DISTANCE_M)
    level = level - 20 * np.log10(1 + 0.005 / DISTANCE_M * random.uniform(-1, 1)) + 0.03 * draw(found.shape)
    return np.asarray(found * 10 ** (level / 20) * np.exp(-2j * np.pi / 343.0 * places * HZ))


def response(pressure: ComplexArray, causes: tuple[Cause, ...] = ()) -> DirectionalResponse:
    shape = pressure.shape
    return DirectionalResponse(
        FrequencyAxis(HZ), WHERE, pressure, np.full(shape, 0.03), np.zeros(shape[1]),
        np.ones(shape, bool), causes=causes,
    )  # fmt: skip


def causes_of(pressure: ComplexArray) -> tuple[Cause, ...]:
    orbit = tuple("horizontal" if one else "vertical" for one in ACROSS)
    order = np.arange(70, dtype=float)
    return placing_causes(Placed(WHERE, HZ, pressure, np.full(70, DISTANCE_M), orbit, order))


@pytest.fixture(scope="module")
def errors() -> dict[str, FloatArray]:
    """(2, n) by what was read: error and standard uncertainty of every session and frequency."""
    found: dict[str, list[FloatArray]] = {}
    for number in range(SESSIONS):
        random = np.random.default_rng([77, number])
        one = loudspeaker(random)
        true = one(np.where(ACROSS, ANGLES, 0.0), np.where(ACROSS, 0.0, np.where(np.abs(ANGLES) > 90, 0.0, ANGLES)))
        behind = ~ACROSS & (np.abs(ANGLES) > 90)
        true[behind] = one(np.full(70, 180.0), np.sign(ANGLES) * 180.0 - ANGLES)[behind]
        told = recorded(one, random)
        exactly, read = windows(levels_of(response(true))), windows(levels_of(response(told, causes_of(told))))
        for key in ("on_axis", "listening_window", "sound_power", "sound_power_di", "early_reflections_di"):
            gap = read.curves[key].values - exactly.curves[key].values
            found.setdefault(key, []).append(np.array([gap, read.curves[key].u_total]))
        maps = [orbit_levels(levels_of(response(*some)), "horizontal") for some in ((true,), (told, causes_of(told)))]
        sides = [coverage_sides(one, 6.0) for one in maps if not isinstance(one, str)]
        exact, wide = (some["left"].plus(some["right"]) for some in sides)
        there = exact.reached & wide.reached & (HZ > 1200.0)
        gap = (wide.angle_deg - exact.angle_deg)[there]
        found.setdefault("coverage", []).append(np.array([gap, wide.u_deg[there]]))
    return {key: np.concatenate(parts, axis=1) for key, parts in found.items()}


@pytest.mark.parametrize(
    "key", ["on_axis", "listening_window", "sound_power", "sound_power_di", "early_reflections_di", "coverage"]
)
def test_what_is_stated_holds_and_is_no_wider_than_it_need_be(key: str, errors: dict[str, FloatArray]) -> None:
    """Of a normal law 95 % lie inside two of its u, and half of them inside 0.34 of that. The causes of 60 sessions are
    few, and curves over frequency hang together, so the shares scatter."""
    error, u = errors[key]
    inside = float(np.mean(np.abs(error) <= 2 * u))
    typical = float(np.median(np.abs(error) / (2 * u)))
    assert inside >= 0.90, f"{key}: {inside:.3f} inside"
    assert 0.15 < typical < 0.5, f"{key}: the median error is {typical:.2f} of what is stated"


def test_an_index_is_known_better_than_its_curves(errors: dict[str, FloatArray]) -> None:
    """What all directions share cancels; what one orbit shares does not, and stays far above nothing."""
    index, power = (float(np.median(errors[key][1])) for key in ("sound_power_di", "sound_power"))
    assert 0.02 < index < power
