"""The stored sound of the demo's box, solved anew.

    python benchmarks/box_data/make.py src/earwitness/demo/data/box_a.npz [--fine]

Flat pistons on a rigid box of 0.21 x 0.36 x 0.30 m by the boundary elements of `bem.py` and `boxes.py` (Nystrom on
panels of 3 x 3 Gauss nodes; checked there against exact spheres, energy and finer meshes): the pressure on a sphere of
0.5 m about the box's middle as spherical harmonics, and 5 mm before each piston. About ten minutes of one core, an hour
with --fine; the two differ by 0.03 dB.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np
from scipy.special import sph_harm_y

sys.path.insert(0, str(Path(__file__).parent))
import bem
import boxes

SPHERE_M = 0.5
HIGHEST = 21
# What is kept of each harmonic: 2e-5 of the loudest is 94 dB down.
FAINTEST = 2e-5


def solve(*, fine: bool) -> dict[str, np.ndarray]:
    geometry = boxes.GEOM["A"]
    hz = boxes.freqs()
    half = np.array([geometry["d"], geometry["w"], geometry["h"]]) / 2
    unit, weight = boxes.energy_dirs(HIGHEST + 3, 2 * HIGHEST + 6)
    polar, azimuth = np.arccos(unit[:, 2]), np.arctan2(unit[:, 1], unit[:, 0])
    degree, order = np.array([(n, m) for n in range(HIGHEST + 1) for m in range(n + 1)]).T
    table = sph_harm_y(degree, order, polar[:, None], azimuth[:, None]).real
    # Order m and -m of a field that is alike left and right are one cosine.
    both = np.where(order > 0, 2.0, 1.0)
    count = len(geometry["drivers"])
    rows = np.empty((count, hz.size, degree.size), dtype=complex)
    near = np.empty((hz.size, count, count), dtype=complex)
    limit, speaker, targets, means, lowest = 0.0, None, None, None, 0.0
    for row, frequency in enumerate(hz):
        k = 2 * np.pi * frequency / bem.C0
        top, panel, edge = next(one for one in boxes.plan(half, not fine) if frequency <= one[0])
        if top != limit:
            speaker = boxes.Speaker(geometry, panel, edge, 60 if fine else 40, seed=1 if fine else 7)
            targets, means = boxes.setup_targets(speaker)
            limit, lowest = top, bem.C0 / 2 * np.sqrt((1 / (4 * half**2)).sum())
        pressure = speaker.solve(k, frequency > 0.8 * lowest)
        heard = np.concatenate([speaker.field(k, SPHERE_M * part, pressure) for part in np.array_split(unit, 6)])
        scale = 1j * k * bem.C0 * bem.RHO
        rows[:, row] = ((table * weight[:, None]).T @ heard * both[:, None]).T / scale
        near[row] = boxes.eval_near(speaker, k, targets, means, pressure)[0][:, 1] / scale
        print(f"{frequency:.0f} Hz", flush=True)
    return {
        "frequency_hz": hz,
        "radius_m": np.array(SPHERE_M),
        "degree": degree,
        "order": order,
        "harmonics": rows,
        "near": near,
        "piston": np.array([one[0] for one in geometry["drivers"]]),
        "center_m": speaker.cen - speaker.ref,
        "piston_radius_m": speaker.a,
        "size_m": 2 * half[[1, 2, 0]],
        "middle_m": -speaker.ref,
        "speed_of_sound_m_s": np.array(bem.C0),
    }


def thinned(found: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """In single precision, without what is too faint to be heard of."""
    rows = found["harmonics"]
    loudest = np.abs(rows).max(axis=2, keepdims=True)
    kept = np.where(np.abs(rows) > FAINTEST * loudest, rows, 0.0)
    return found | {"harmonics": kept.astype(np.complex64), "near": found["near"].astype(np.complex64)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("--fine", action="store_true")
    given = parser.parse_args()
    np.savez_compressed(given.file, **thinned(solve(fine=given.fine)))


if __name__ == "__main__":
    main()
