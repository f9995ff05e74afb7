"""Loudspeakers in live rooms as waves: own sound, the room's, and what the body scatters of it, exactly known.

Written apart from the program: waves by recurrences, caps on rigid spheres, exact scattering at one or several
spheres, image sources. The box comes from boundary elements and is kept in data/box_in_room.npz:

    python benchmarks/separation_worlds.py BOX.npz TOTAL.npz

makes it anew from pressures on two spheres about a box with three pistons and the volume velocities of its drivers;
what the box scatters is computed by the boundary elements of the tests. exp(+j omega t), h_n of the second kind.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

SPEED_M_S = 343.2
DENSITY = 1.204
BOX_FILE = Path(__file__).parent / "data" / "box_in_room.npz"
INNER_M, OUTER_M = 0.32, 0.37
REACH_M = 0.30
Sphere = tuple[tuple[float, float, float], float]


def hankel(order: int, z: np.ndarray) -> np.ndarray:
    """(order + 1, ...) h_n^(2)(z) by upward recurrence."""
    z = np.asarray(z, float)
    out = np.empty((order + 2, *z.shape), complex)
    turn = np.exp(-1j * z)
    out[0], out[1] = 1j * turn / z, turn * (-1 / z + 1j / z**2)
    for n in range(1, order + 1):
        out[n + 1] = (2 * n + 1) / z * out[n] - out[n - 1]
    return out[: order + 1]


def regular(order: int, z: np.ndarray) -> np.ndarray:
    """(order + 1, ...) j_n(z), from scipy."""
    from scipy.special import spherical_jn

    return np.array([spherical_jn(n, z) for n in range(order + 1)])


def slope(values: np.ndarray, z: np.ndarray) -> np.ndarray:
    """(N, ...) derivatives of (N + 1, ...) spherical functions: n / z f_n - f_(n+1)."""
    n = np.arange(len(values) - 1).reshape((-1,) + (1,) * np.ndim(z))
    return n / z * values[:-1] - values[1:]


def harmonics(order: int, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Radius (P,) and (P, (order + 1)^2) orthonormal complex harmonics without the Condon-Shortley sign, m signed."""
    radius = np.linalg.norm(points, axis=1)
    cosine, azimuth = points[:, 2] / radius, np.arctan2(points[:, 1], points[:, 0])
    sine = np.sqrt(np.maximum(0, 1 - cosine**2))
    out = np.empty((len(points), (order + 1) ** 2), complex)
    diagonal = np.full(len(points), np.sqrt(1 / (4 * np.pi)))
    for m in range(order + 1):
        if m:
            diagonal = diagonal * sine * np.sqrt((2 * m + 1) / (2 * m))
        turn = np.exp(1j * m * azimuth)
        before, now = np.zeros_like(diagonal), diagonal
        for n in range(m, order + 1):
            if n > m:
                up = np.sqrt((4 * n * n - 1) / (n * n - m * m))
                down = np.sqrt(((n - 1) ** 2 - m * m) / (4 * (n - 1) ** 2 - 1)) if n > m + 1 else 0.0
                now, before = up * (cosine * now - down * before), now
            out[:, n * n + n + m] = now * turn
            out[:, n * n + n - m] = now * turn.conj()
    return radius, out


@lru_cache(None)
def degrees(order: int) -> np.ndarray:
    return np.concatenate([np.full(2 * n + 1, n) for n in range(order + 1)])


def sphere_grid(order: int) -> tuple[np.ndarray, np.ndarray]:
    """Directions (Q, 3) and weights (Q,) that integrate products of two harmonics of `order` exactly."""
    x, w = np.polynomial.legendre.leggauss(order + 1)
    count = 2 * order + 2
    angle, cosine = 2 * np.pi * np.arange(count) / count, np.repeat(x, count)
    flat, turns = np.sqrt(1 - cosine**2), np.tile(angle, order + 1)
    places = np.stack([flat * np.cos(turns), flat * np.sin(turns), cosine], axis=1)
    return places, np.repeat(w, count) * 2 * np.pi / count


@dataclass(frozen=True)
class Cap:
    """A cap about `toward` of half angle half_deg that plays gain times a band-pass between two corners."""

    toward: tuple[float, float, float]
    half_deg: float
    gain: float
    low_hz: float
    high_hz: float


def filtered(cap: Cap, hz: float) -> complex:
    s_low, s_high = 1j * hz / cap.low_hz, 1j * hz / cap.high_hz
    return cap.gain * (s_low**2 / (s_low**2 + 1.3 * s_low + 1)) / (s_high**2 + np.sqrt(2) * s_high + 1) ** 2


def caps_sound(bodies: list[tuple[Sphere, list[Cap]]], points: np.ndarray, hz: float) -> np.ndarray:
    """(P,) of caps on rigid spheres, each as if alone: an exact wave outside both."""
    from scipy.special import eval_legendre

    k = 2 * np.pi * hz / SPEED_M_S
    total = np.zeros(len(points), complex)
    for (center, radius), caps in bodies:
        away = points - np.array(center)
        distance = np.linalg.norm(away, axis=1)
        order = int(np.ceil(k * radius)) + 12
        waves, driven = hankel(order, k * distance), slope(hankel(order + 1, k * radius), k * radius)
        for cap in caps:
            toward = np.array(cap.toward) / np.linalg.norm(cap.toward)
            edge, n = np.cos(np.radians(cap.half_deg)), np.arange(order + 1)
            legendre = np.array([eval_legendre(m, edge) for m in range(order + 2)])
            share = np.empty(order + 1)
            share[0], share[1:] = (1 - edge) / 2, (legendre[n[1:] - 1] - legendre[n[1:] + 1]) / 2
            area = 2 * np.pi * radius**2 * (1 - edge)
            velocity = filtered(cap, hz) * 4 * np.pi / (DENSITY * area) / (2j * np.pi * hz)
            cosine = away @ toward / distance
            series = -1j * DENSITY * SPEED_M_S * velocity * share / driven
            total += sum(series[m] * waves[m] * eval_legendre(m, cosine) for m in range(order + 1))
    return total


def outgoing_of(sound: np.ndarray, directions: np.ndarray, weight: np.ndarray, k: float, order: int, at: float):
    """(K,) strengths of h_n Y about the origin from sound on a sphere of radius `at`."""
    return (harmonics(order, directions)[1].conj().T @ (weight * sound)) / hankel(order, np.array(k * at))[
        degrees(order)
    ]


def far(strengths: np.ndarray, directions: np.ndarray, k: float) -> np.ndarray:
    """(D,) lim r e^(jkr) p: h_n(kr) becomes j^(n+1) e^(-jkr) / (kr)."""
    order = int(np.sqrt(len(strengths))) - 1
    return harmonics(order, directions)[1] @ (1j ** (degrees(order) + 1) / k * strengths)


def scattered(spheres: list[Sphere], incoming: np.ndarray, k: float, order_out: int) -> np.ndarray:
    """(K,) outgoing strengths that rigid spheres make of incoming j_n ones; between spheres iterated."""
    order_in = int(np.sqrt(len(incoming))) - 1
    grids, arriving, size = [], [], []
    for center, radius in spheres:
        order = int(np.ceil(k * radius)) + 5
        directions, weight = sphere_grid(order + 2)
        shells = [np.array(center) + share * radius * directions for share in (1.0, 0.8)]
        heard = []
        for places in shells:
            distance, basis = harmonics(order_in, places)
            heard.append((basis * regular(order_in, k * distance)[degrees(order_in)].T) @ incoming)
        grids.append((directions, weight, shells, harmonics(order, directions)[1]))
        arriving.append(heard)
        size.append(order)

    def answered(i: int, heard: list[np.ndarray]) -> np.ndarray:
        order, radius = size[i], spheres[i][1]
        _, weight, _, basis = grids[i]
        one, other = (regular(order, np.array(k * share * radius))[degrees(order)] for share in (1.0, 0.8))
        local = (basis.conj().T @ (weight * heard[0])) * one + (basis.conj().T @ (weight * heard[1])) * other
        local = local / (one**2 + other**2)
        z = np.array(k * radius)
        rigid = -slope(regular(order + 1, z), z) / slope(hankel(order + 1, z), z)
        return rigid[degrees(order)] * local

    new = [answered(i, heard) for i, heard in enumerate(arriving)]
    total = [one.copy() for one in new]
    for _round in range(4 if len(spheres) > 1 else 0):
        heard = [[np.zeros(len(grids[i][0]), complex) for _ in range(2)] for i in range(len(spheres))]
        for i in range(len(spheres)):
            for q in range(len(spheres)):
                for shell in (0, 1) if q != i else ():
                    distance, basis = harmonics(size[q], grids[i][2][shell] - np.array(spheres[q][0]))
                    heard[i][shell] += (basis * hankel(size[q], k * distance)[degrees(size[q])].T) @ new[q]
        new = [answered(i, one) for i, one in enumerate(heard)]
        total = [one + more for one, more in zip(total, new, strict=True)]
    directions, weight = sphere_grid(order_out + 4)
    sound = np.zeros(len(directions), complex)
    for i, (center, _radius) in enumerate(spheres):
        distance, basis = harmonics(size[i], 0.4 * directions - np.array(center))
        sound += (basis * hankel(size[i], k * distance)[degrees(size[i])].T) @ total[i]
    return outgoing_of(sound, directions, weight, k, order_out, 0.4)


def images(rng: np.random.Generator, order: int = 4) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Places (I, 3) of image sources from the loudspeaker's middle, emission directions (I, 3), strengths (I,)."""
    size = np.array([rng.uniform(4.4, 6.5), rng.uniform(3.4, 4.8), rng.uniform(2.4, 3.0)])
    place = size * np.array([rng.uniform(0.38, 0.46), rng.uniform(0.4, 0.6), rng.uniform(0.42, 0.52)])
    walls = rng.uniform(0.68, 0.9, (3, 2))
    places, toward, strength = [], [], []
    for cell in np.ndindex(*(2 * order + 1,) * 3):
        n = np.array(cell) - order
        if not 0 < np.abs(n).sum() <= order:
            continue
        even = n % 2 == 0
        there = np.where(even, n * size, (n + 1) * size - 2 * place)
        low = np.where(n >= 0, np.abs(n) // 2, (np.abs(n) + 1) // 2)
        high = np.abs(n) - low
        places.append(there)
        toward.append(np.where(even, -there, there) / np.linalg.norm(there))
        strength.append(np.prod(walls[:, 0] ** low * walls[:, 1] ** high))
    return np.array(places), np.array(toward), np.array(strength)


def arriving(own: np.ndarray, room: tuple, k: float, order: int, yaw_rad: float = 0.0) -> np.ndarray:
    """(K,) incoming strengths of j_n: each image sends the far field of its direction as a point source.

    e^(-jkR)/R = -4 pi j k sum j_n(kr) h_n(kR_i) Y conj(Y_i).
    """
    cosine, sine = np.cos(yaw_rad), np.sin(yaw_rad)
    turn = np.array([[cosine, sine, 0], [-sine, cosine, 0], [0, 0, 1]])
    places, toward = room[0] @ turn.T, room[1] @ turn.T
    sent = room[2] * far(own, toward, k)
    distance, basis = harmonics(order, places)
    return np.asarray((-4j * np.pi * k * hankel(order, k * distance)[degrees(order)].T * basis.conj()).T @ sent)


@dataclass(frozen=True)
class World:
    """own, room, back : strengths by frequency about the middle; cabinet_m width, height, depth and setup as told;
    outside_m : of the box that holds the body, for the plan.

    images : what the room is, for a loudspeaker that turns; truth (D, F) far field along the CTA directions.
    """

    name: str
    hz: np.ndarray
    own: list[np.ndarray]
    room: list[np.ndarray]
    back: list[np.ndarray]
    truth: np.ndarray
    cabinet_m: tuple[float, float, float]
    outside_m: tuple[float, float, float]
    setup: dict[str, Any]
    images: tuple


def sounded(strengths: list[np.ndarray], hz: np.ndarray, points: np.ndarray, *, incoming: bool) -> np.ndarray:
    """(P, F) at points from the middle."""
    orders = [int(np.sqrt(len(one))) - 1 for one in strengths]
    radius, basis = harmonics(max(orders), points)
    out = np.empty((len(points), len(hz)), complex)
    for f, (one, order) in enumerate(zip(strengths, orders, strict=True)):
        z = 2 * np.pi * hz[f] / SPEED_M_S * radius
        waves = regular(order, z) if incoming else hankel(order, z)
        out[:, f] = (basis[:, : len(one)] * waves[degrees(order)].T) @ one
    return out


def looks() -> np.ndarray:
    from earwitness.quantities.directions import cta_orbits

    return cta_orbits().unit_vectors()


def sphere_world(
    name: str, bodies: list, told: dict[str, Any], cabinet_m: tuple, outside_m: tuple, hz: np.ndarray, seed: int
) -> World:
    """Caps on one or several rigid spheres in a drawn room."""
    room, own, back, incoming, truth = images(np.random.default_rng(seed)), [], [], [], []
    for one in hz:
        k = 2 * np.pi * one / SPEED_M_S
        order = int(np.ceil(k * REACH_M)) + 7
        directions, weight = sphere_grid(order + 4)
        sent = outgoing_of(caps_sound(bodies, 0.4 * directions, one), directions, weight, k, order, 0.4)
        came = arriving(sent, room, k, int(np.ceil(k * 0.55)) + 5)
        own.append(sent)
        incoming.append(came)
        back.append(scattered([body for body, _caps in bodies], came, k, order))
        truth.append(far(sent, looks(), k))
    return World(name, hz, own, incoming, back, np.array(truth).T, cabinet_m, outside_m, told, room)


def drawn_ball(rng: np.random.Generator, hz: np.ndarray, seed: int) -> World:
    """A rigid sphere about the middle with two or three ways; told as the sphere it is."""
    radius = rng.uniform(0.14, 0.2)
    low = float(np.exp(rng.uniform(np.log(250), np.log(700))))
    caps = [
        Cap((1, rng.uniform(-0.2, 0.2), rng.uniform(-0.7, -0.3)), rng.uniform(22, 32), 1.0, rng.uniform(35, 70), low),
        Cap((1, rng.uniform(-0.2, 0.2), rng.uniform(0.1, 0.5)), rng.uniform(6, 14), rng.uniform(0.7, 1.3), low, 9e3),
        Cap((-1, rng.uniform(-0.4, 0.4), rng.uniform(-0.5, 0.5)), 9, 0.3, rng.uniform(30, 50), 90.0),
    ]
    told = {"body": "sphere", "sphere_radius_m": radius}
    side = radius * (4 * np.pi / 3) ** (1 / 3)
    return sphere_world("ball", [(((0, 0, 0), radius), caps)], told, (side,) * 3, (2 * radius,) * 3, hz, seed)


def drawn_stack(rng: np.random.Generator, hz: np.ndarray, seed: int) -> World:
    """Two rigid spheres one above the other, told as the box about them: a cabinet that no model is."""
    low, high = rng.uniform(0.11, 0.135), rng.uniform(0.09, 0.12)
    split = float(np.exp(rng.uniform(np.log(250), np.log(600))))
    gap = 0.005
    height = 2 * (low + high) + gap
    places = (-height / 2 + low, height / 2 - high)
    bodies = [
        (((0.0, 0.0, places[0]), low), [Cap((1, 0, 0), 32, 1.0, rng.uniform(35, 60), split)]),
        (((0.0, 0.0, places[1]), high), [Cap((1, 0, -0.3), 18, 0.9, split, 3e3), Cap((1, 0, 0.4), 6, 0.6, 2e3, 2e4)]),
    ]
    size = (2 * max(low, high), height, 2 * max(low, high))
    return sphere_world("stack", bodies, {"body": "none"}, size, size, hz, seed)


def box_world() -> World:
    """A small two-way with a port as a rigid box, its pistons and its scattering by boundary elements."""
    kept = np.load(BOX_FILE)
    hz = kept["frequency_hz"]
    cut = [[kept[f"{name}_{f}"].astype(complex) for f in range(hz.size)] for name in ("own", "room", "back")]
    width, height, depth = (float(one) for one in kept["box_whd_m"])
    truth = np.array([far(one, looks(), 2 * np.pi * f / SPEED_M_S) for one, f in zip(cut[0], hz, strict=True)]).T
    size = (width, height, depth)
    room = (kept["image_place"], kept["image_toward"], kept["image_strength"])
    return World("box", hz, *cut, truth, size, size, {"body": "box"}, room)


def make_box(pistons: Path, total: Path) -> None:
    """Write BOX_FILE from the pressures of three pistons on a box."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "reduce" / "separate"))
    import boundary_truth as bt

    data, drive = np.load(pistons), np.load(total)
    width, height, depth = data["box_whd_m"]
    room = images(np.random.default_rng(5))
    out: dict[str, Any] = {"box_whd_m": data["box_whd_m"], "image_place": room[0], "image_toward": room[1]}
    out["image_strength"], kept_hz = room[2], []
    surface = bt.box(np.array([depth, width, height]), 0.028)
    points = np.concatenate([radius * data["scan_direction"] for radius in data["scan_radius_m"]])
    for row, hz in enumerate(data["scan_frequency_hz"]):
        if not 39 < hz < 2100:
            continue
        k = 2 * np.pi * hz / float(data["c"])
        flow = np.array([np.interp(hz, drive["frequency_hz"], one) for one in drive["volume_velocity_per_v"].T])
        heard = np.tensordot(flow, data["scan_p"][row].astype(complex), axes=(0, 0)).reshape(-1)
        order = int(np.ceil(k * 0.28)) + 7
        radius, basis = harmonics(order, points)
        scale = 1 / np.abs(hankel(order, np.array(k * 0.3)))[degrees(order)]
        matrix = basis * hankel(order, k * radius)[degrees(order)].T * scale
        own = scale * np.linalg.lstsq(matrix, heard, rcond=1e-7)[0]
        near = np.argmin(np.abs(data["frequency_hz"] - hz))
        # The far field about the reference point; here about the middle: levels are alike.
        true = flow @ data["far_rp"][near].astype(complex)
        ours = far(own, data["direction"], k)
        came = arriving(own, room, k, int(np.ceil(k * 0.55)) + 5)
        body = bt.Body(surface, k)
        distance, there = harmonics(int(np.sqrt(len(came))) - 1, body.places())
        met = (
            there * regular(int(np.sqrt(len(came))) - 1, k * distance)[degrees(int(np.sqrt(len(came))) - 1)].T
        ) @ came
        directions, weight = sphere_grid(order + 4)
        double, _single = bt.layers(surface, 0.4 * directions, k, single=False)
        back = outgoing_of(double @ body.pressure(None, met), directions, weight, k, order, 0.4)
        level = 20 * np.log10(np.abs(ours / true))
        print(f"{hz:7.1f} Hz: {np.abs(level).max():.3f} dB between strengths and far field")
        n = len(kept_hz)
        for name, one in (("own", own), ("room", came), ("back", back)):
            out[f"{name}_{n}"] = one.astype(np.complex64)
        kept_hz.append(hz)
    np.savez_compressed(BOX_FILE, frequency_hz=np.array(kept_hz), **out)


if __name__ == "__main__":
    make_box(Path(sys.argv[1]), Path(sys.argv[2]))
