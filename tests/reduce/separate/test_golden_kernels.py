"""Many orders told by few points: frozen values of the kernel route over small scans.

The values are the program's own ("frozen"). Closed cases: the evidence of a Gaussian process, its weights and its
errors at unseen points by numpy from the definition (Rasmussen and Williams, 2006).
"""

from __future__ import annotations

from typing import Any

import golden_scan_worlds as worlds
import made_scan as made
import numpy as np
import pytest

from earwitness.dsp.spherical import real_harmonics
from earwitness.errors import EarwitnessError
from earwitness.reduce.separate import kernel_route
from earwitness.reduce.separate.kernel_route import (
    Family,
    Prior,
    family_order,
    fit_kernel,
    likeliest_center,
    shell_of,
    tuned,
)
from earwitness.reduce.separate.sampling import even_directions
from golden_values import stands

POINTS = made.spiral_sphere(0.4, 44)
SMALL, BODY = Family(np.array([0.05, 0.02, 0.06]), 0.06), Family(np.zeros(3), 0.2)
NEAR = np.array([[0.05, 0.02, 0.06], [0.06, 0.01, 0.05], [-0.02, 0.04, -0.1]])


def heard(k: worlds.Real, *, gain: float = 1.0, loud: float = 0.01) -> worlds.Complex:
    clean = made.monopoles(POINTS, NEAR, np.array([1.0, 0.5j, 0.1]), k)
    return np.asarray(gain * (clean + worlds.noise(clean.shape, loud, 3)))


def kernels(k: float) -> list[tuple[worlds.Complex, worlds.Real]]:
    return [kernel_route._kernel(POINTS, k, one) for one in (SMALL, BODY)]


def full(kernel: worlds.Complex) -> worlds.Complex:
    return np.asarray(np.tril(kernel) + np.tril(kernel, -1).conj().T)


def test_orders_of_a_family() -> None:
    found: list[Any] = [
        family_order(k, radius) for k in (0.5, 5.0, 40.0, 100.0, 205.0, 210.0) for radius in (0.01, 0.1, 0.2, 0.5)
    ]
    stands("reduce/kernels", "orders", found)
    assert family_order(10.0, 0.21) == (10, 10)
    assert family_order(100.0, 1.0) == (48, 107)


@pytest.mark.parametrize("k", [3.0, 12.0, 260.0])
def test_waves_of_a_family(k: float) -> None:
    look = even_directions(6)
    found: list[Any] = []
    for family in (SMALL, BODY):
        order = family_order(k, family.radius_m)[0]
        basis = kernel_route._harmonics(POINTS[:9], family.center_m, order)
        table = real_harmonics(order, look[:, 2], np.arctan2(look[:, 1], look[:, 0]))
        waves = kernel_route._waves(basis, table, look, k, family)
        found.append([basis[1], waves, kernel_route._kernel(POINTS[:9], k, family), shell_of(family, 0.4)])
    stands("reduce/kernels", f"waves {k}", found)


def test_a_kernel_is_the_product_of_its_waves() -> None:
    for double in (True, False):
        columns = worlds.noise((5, 3), 1.0, 4)
        total = np.zeros((5, 5), complex, order="F")
        kernel_route._add_product(total, columns, 2.0, double=double)
        assert np.allclose(full(total), 2.0 * columns @ columns.conj().T, atol=1e-5)
        assert bool(np.abs(full(total) - 2.0 * columns @ columns.conj().T).max() < 1e-12) is double


def test_some_of_the_points() -> None:
    data = heard(np.array([4.0]))[:, 0]
    stands(
        "reduce/kernels", "some", [kernel_route._some(POINTS, data, 4.0, count, -30.0, 0.002) for count in (10, 44, 90)]
    )


def test_the_evidence_is_that_of_a_gaussian_process() -> None:
    # -data^H C^-1 data - ln det C with C of strengths and noise (Rasmussen and Williams, chapter 2).
    k = 6.0
    both, now = kernels(k), np.array([-3.0, -12.0])
    points, data, noise = kernel_route._some(POINTS, heard(np.array([k]))[:, 0], k, 900, -40.0, 0.001)
    order = [int(np.argmin(np.linalg.norm(POINTS - one, axis=1))) for one in points]
    covariance = np.diag(noise).astype(complex)
    for strength, (kernel, beyond) in zip(now, both, strict=True):
        covariance += 10 ** (strength / 10) * (full(kernel) + np.diag(beyond))[np.ix_(order, order)]
    inner = [kernel_route._kernel(points, k, one) for one in (SMALL, BODY)]
    expected = -np.vdot(data, np.linalg.solve(covariance, data)).real - np.linalg.slogdet(covariance)[1]
    assert kernel_route._score(inner, now, noise, data) == pytest.approx(expected, rel=1e-9)
    assert kernel_route._score(inner, now, -100.0 + 0 * noise, data) == -np.inf


@pytest.mark.parametrize("k", [2.0, 9.0, 25.0])
def test_strengths(k: float) -> None:
    points, data, noise = kernel_route._some(POINTS, heard(np.array([k]))[:, 0], k, 900, -40.0, 0.001)
    inner = [kernel_route._kernel(points, k, one) for one in (SMALL, BODY)]
    found: list[Any] = []
    for start in ([0.0, -15.0], [-89.0, 19.5], [19.9, -89.9], [-30.0, -30.0]):
        found.append(kernel_route._strengths(inner, noise, data, np.array(start)))
    stands("reduce/kernels", f"strengths {k}", found)


@pytest.mark.parametrize("count", [1, 2, 5])
def test_tuning(count: int) -> None:
    k = np.linspace(4.0, 14.0, count)
    families = (SMALL, Family(SMALL.center_m, 0.1), BODY)
    found: list[Any] = [
        tuned(POINTS, heard(k), k, families[-kinds:], noise_db=noise_db, place_m=place_m).strength_db
        for kinds in (1, 2, 3)
        for noise_db, place_m in ((-40.0, 0.0), (-30.0, 0.003))
    ]
    one = tuned(POINTS, heard(k), k, families, noise_db=-35.0, place_m=0.001)
    stands("reduce/kernels", f"tuned {count}", [found, one.noise_db, one.place_m, len(one.families)])


@pytest.mark.parametrize(
    ("start", "half"),
    [
        ([0.0, 0.0, 0.0], 0.1),
        ([0.09, 0.0, 0.0], 0.1),
        ([0.0, -0.05, 0.0], 0.02),
        ([0.05, 0.02, 0.06], 0.1),
        ([0.3, 0.1, 0.1], 0.3),
    ],
)
@pytest.mark.parametrize("k", [4.0, 8.0])
def test_centers(k: float, start: list[float], half: float) -> None:
    def families(center: worlds.Real) -> tuple[Family, ...]:
        return Family(center, 0.04), Family(center, 0.08), Family(np.array([0.0, 0.0, 0.01]), 0.2)

    found = likeliest_center(
        POINTS[::2],
        heard(np.array([k]))[::2, 0],
        k,
        families,
        np.array(start),
        np.array([0.0, 0.0, 0.01]),
        np.array([half, half, 1.3 * half]),
        noise_db=-40.0,
        place_m=0.001,
    )
    stands("reduce/kernels", f"center {k} {start} {half}", found)


@pytest.mark.parametrize("noise_db", [-30.0, -48.0])
@pytest.mark.parametrize("place_m", [0.0, 0.002])
def test_fits(noise_db: float, place_m: float) -> None:
    k = np.array([4.0, 9.0, 18.0])
    # Families that stand less and more than 50 dB above the noise.
    strength = np.array([[0.0, 3.0, -3.0], [1.5, 2.5, 19.5]])
    found: list[Any] = []
    for gain in (1.0, 0.01):
        one = fit_kernel(POINTS, heard(k, gain=gain), k, Prior((SMALL, BODY), strength, noise_db, place_m))
        found.append(one)
    stands("reduce/kernels", f"fit {noise_db} {place_m}", found, relative=5e-3)
    # What is left out everywhere stands in the residual; that of single points is larger.
    assert (np.abs(found[0].unseen) >= np.abs(found[0].residual)).all()


def test_a_family_of_more_orders_than_are_computed() -> None:
    k = np.array([80.0, 90.0])
    prior = Prior(
        (Family(np.array([0.02, 0.0, 0.0]), 0.1), Family(np.zeros(3), 0.7)),
        np.array([[0.0, -1.0], [-8.0, -9.0]]),
        -30.0,
        0.0,
    )
    stands("reduce/kernels", "many orders", fit_kernel(POINTS[::2], heard(k)[::2], k, prior), relative=5e-3)


def test_noise_that_was_too_small_makes_far_directions_uncertain() -> None:
    k = np.array([6.0])
    loud = [
        fit_kernel(POINTS, heard(k, loud=loud), k, Prior((SMALL, BODY), np.zeros((2, 1)), -40.0, 0.0)).variance
        for loud in (0.003, 0.05, 0.5)
    ]
    stands("reduce/kernels", "doubt", loud, relative=1e-2)


def test_solved_by_the_definition() -> None:
    k = 7.0
    kernel = full(kernels(k)[1][0])
    rng = np.random.default_rng(6)
    data, noise = heard(np.array([k]))[:, 0], rng.uniform(0.01, 0.02, 44)
    across = worlds.noise((3, 44), 0.1, 7)
    covariance = kernel + np.diag(noise)
    alpha, weights, diagonal, left, gain = kernel_route._solved(
        np.asfortranarray(kernel), noise, data, across, np.full(3, 5.0)
    )
    inverse = np.linalg.inv(covariance)
    assert np.allclose(alpha, inverse @ data)
    assert np.allclose(diagonal, inverse.diagonal().real)
    assert gain == pytest.approx(np.sqrt(np.sum(np.abs(inverse @ across.conj().T) ** 2, axis=0).max()))
    # The field once more in the fit, its size free: y = data - noise alpha, beta = y^H C^-1 data / y^H C^-1 y.
    trend = data - noise * alpha
    beta = np.vdot(trend, inverse @ data) / np.vdot(trend, inverse @ trend).real
    held = inverse @ (noise * alpha)
    assert np.allclose(weights, alpha + beta.real * held)
    explained = np.sum((across @ inverse) * across.conj(), axis=1).real
    assert np.allclose(
        left, np.maximum(5.0 - explained, 5e-12) + np.abs(across @ held) ** 2 / np.vdot(trend, inverse @ trend).real
    )
    with pytest.raises(EarwitnessError, match="can't be solved"):
        kernel_route._solved(np.asfortranarray(kernel), noise - 100.0, data, across, np.ones(3))
