"""Errors of the whole chain against the simulator's truth, as a table in Markdown.

    python benchmarks/accuracy.py [KEY ...]

Writes the demo session of each loudspeaker (all four by default) to a temporary folder, reduces it, and compares
curves and figures with the truth: in the far field, and at the measuring distance of 2 m referred to 1 m. Last comes
the share of all points of the three curves and both indices that lie inside their U95: against the far field to 800 Hz,
against 2 m from 3 kHz on, between them against the nearer.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from earwitness.demo import world
from earwitness.demo.recorder import write_session
from earwitness.figures.read import read_measurement, read_response
from earwitness.formats.audio import read_audio
from earwitness.formats.correction_file import read_correction
from earwitness.quantities import Measurement
from earwitness.reduce.flow import reduce_session
from earwitness.session.load import load_session

CURVES = ("on_axis", "listening_window", "sound_power")
INDICES = ("early_reflections_di", "sound_power_di")
PASSAGE_HZ = (800.0, 3000.0)
BANDS_HZ = ((20, 30), (30, 100), (100, 400), (400, 800), (800, 3000), (3000, 15_000))
FIGURES = ("sensitivity", "f3", "f6", "f10", "in_room_slope", "preference_rating")


def reduced(key: str) -> Measurement:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_session(key, folder)
        session = load_session(folder)
        correction = read_correction(folder / str(session.microphone.correction_file))
        return reduce_session(session, lambda file: read_audio(folder / file), correction=correction)


def report(key: str) -> None:
    sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
    from demo_truth import true_pressure_at

    measurement = reduced(key)
    response, hz = measurement.response, measurement.response.axis.hz
    read = read_measurement(measurement, rated_impedance_ohm=8.0, symmetric=True)
    truths = {
        "far field": world.true_pressure(key, response.directions, hz),
        "2 m": true_pressure_at(key, response.directions, hz, 2.0),
    }
    true = {name: read_response(replace(response, pressure=p), symmetric=True) for name, p in truths.items()}
    print(f"\n## {world.loudspeaker(key).name}\n")
    print("| curve | against | " + " | ".join(f"{a} to {b} Hz" for a, b in BANDS_HZ) + " | inside U95 |")
    print("| --- | --- |" + " --- |" * (len(BANDS_HZ) + 1))
    for curve in CURVES:
        for name, one in true.items():
            error = read.curves[curve].values - one.curves[curve].values
            valid = read.curves[curve].valid
            cells = []
            for low, high in BANDS_HZ:
                rows = valid & (hz >= low) & (hz <= high)
                cells.append(f"{np.abs(error[rows]).max():.2f}" if rows.any() else "not valid")
            covered = np.mean(np.abs(error)[valid] <= 2 * read.curves[curve].u_total[valid])
            print(f"| {read.curves[curve].name} | {name} | " + " | ".join(cells) + f" | {covered:.0%} |")
    inside: list[bool] = []
    for curve in (*CURVES, *INDICES):
        got = read.curves[curve]
        errors = {name: np.abs(got.values - one.curves[curve].values) for name, one in true.items()}
        meant = np.where(hz < PASSAGE_HZ[0], errors["far field"], errors["2 m"])
        between = (hz >= PASSAGE_HZ[0]) & (hz < PASSAGE_HZ[1])
        meant = np.where(between, np.minimum(errors["far field"], errors["2 m"]), meant)
        inside += list((meant <= 2 * got.u_total)[got.valid])
    print(f"\nOf {len(inside)} points of curves and indices {np.mean(inside):.1%} lie inside their U95.")
    print("\n| figure | read | U95 | far-field truth |\n| --- | --- | --- | --- |")
    for figure in FIGURES:
        got, meant = read.figures[figure], true["far field"].figures[figure]
        if got.value is None or got.u is None or meant.value is None:
            print(f"| {figure} | not judged: {got.reason or meant.reason} | | |")
        else:
            print(f"| {figure} | {got.value:.2f} | {2 * got.u:.2f} | {meant.value:.2f} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("key", nargs="*", default=[one.key for one in world.loudspeakers()])
    for key in parser.parse_args().key:
        report(key)


if __name__ == "__main__":
    main()
