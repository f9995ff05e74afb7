"""Pack solved pistons on rigid boxes into one small file for the random sessions of benchmarks/coverage.py.

    python benchmarks/box_data/boxes.py FOLDER B C D E G H coarse
    python benchmarks/box_data/boxes.py FOLDER A
    python benchmarks/box_data/pack.py FOLDER

The first two solve the boxes, some minutes of one core each: one file a box with the pressure of flat pistons on a
rigid rectangular box by boundary elements. What is kept: pressure per volume acceleration times the distance from the
driver, its delay taken out, at 1, 2 and 4 m and in the far field on both orbits, in 16 bits of the largest value of a
driver at a frequency (90 dB below it); the near field in single precision.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

PACKED = Path(__file__).with_name("boxes.npz")
STEPS = 32_000


def packed(file: Path) -> dict[str, NDArray[np.generic]]:
    """What is kept of one box, by key."""
    with np.load(file) as data:
        hz, c = data["frequency_hz"], float(data["c"])
        centre, vectors = data["driver_centre_m"], data["direction"]
        acceleration = 2j * np.pi * hz
        k = 2 * np.pi * hz / c
        nodes = []
        for row, radius in enumerate(data["orbit_radius_m"]):
            away = np.linalg.norm(radius * vectors[None] - centre[:, None], axis=2)
            turned = data["orbit_p"][:, :, row] * away * np.exp(1j * k[:, None, None] * away)
            nodes.append(turned / acceleration[:, None, None])
        away = -(centre @ vectors.T)
        turned = data["far_rp"] * np.exp(1j * k[:, None, None] * away)
        nodes.append(turned / acceleration[:, None, None])
        field = np.stack(nodes, axis=2)
        scale = np.abs(field).max(axis=(2, 3))
        parts = np.stack([field.real, field.imag]) / scale[None, :, :, None, None]
        return {
            "hz": hz,
            "driver": data["driver"],
            "front": data["driver_face"] == "front",
            "center_m": centre,
            "radius_m": data["driver_radius_m"],
            "box_m": data["box_whd_m"],
            "middle_m": data["box_middle_m"],
            "c_m_s": np.array(c),
            "vertical": data["orbit"] == "V",
            "angle_deg": data["angle_deg"],
            "orbit_radius_m": data["orbit_radius_m"],
            "scale": scale,
            "field": np.round(STEPS * parts).astype(np.int16),
            "near_distance_m": data["near_distance_m"],
            "near": (data["near_p"] / acceleration[:, None, None, None]).astype(np.complex64),
        }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path, nargs="+")
    every: dict[str, NDArray[np.generic]] = {}
    for folder in parser.parse_args().folder:
        for file in sorted(folder.glob("*.npz")):
            name = file.stem.partition("_")[0]
            if file.stem in (name, f"{name}_coarse"):
                every |= {f"{name}_{key}": value for key, value in packed(file).items()}
    np.savez_compressed(PACKED, **every)  # type: ignore[arg-type]
    print(f"{PACKED.stat().st_size / 2**20:.1f} MiB: {', '.join(sorted({key[0] for key in every}))}")


if __name__ == "__main__":
    main()
