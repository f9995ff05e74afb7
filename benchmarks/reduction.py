"""Time of the reduction of a full session beside its floor and beside the same deconvolution by pyfar.

    python benchmarks/reduction.py [SESSION_FOLDER] [--runs N] [--loudspeaker KEY]

Without a folder the demo session of an invented loudspeaker is written to a temporary folder first (not timed).
The floor is what no reduction can do without: hashing the same files, every one that the reduction reads, decoding them
with soundfile, and a forward FFT of each channel and an inverse one of the first with scipy, in single precision. It is
timed in one thread and in as many as the reduction uses. pyfar
deconvolves the far-field takes by their loop-back, from memory, beside our division of the same. All parts
run in turn in one process; the fastest of N runs counts, in wall time and in processor time.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import scipy.fft
import soundfile

from earwitness.demo.recorder import write_session
from earwitness.figures.read import read_measurement
from earwitness.formats.audio import Recording, read_audio
from earwitness.formats.correction_file import read_correction
from earwitness.quantities import Measurement, report_axis
from earwitness.reduce.deconvolve import MOST_THREADS, TAKES_TOGETHER, role_of
from earwitness.reduce.flow import reduce_session
from earwitness.reduce.impulse import Division, take_impulses
from earwitness.reduce.stimulus import stimulus_of
from earwitness.session.load import load_session
from earwitness.session.session import FarFieldTake, LevelTake, NearFieldTake, Session


def best(run: Callable[[], object], runs: int) -> tuple[float, float]:
    """Smallest wall time and smallest processor time [s]."""
    walls, processors = [], []
    for _ in range(runs):
        wall, processor = time.perf_counter(), time.process_time()
        run()
        walls.append(time.perf_counter() - wall)
        processors.append(time.process_time() - processor)
    return min(walls), min(processors)


def floor_of(folder: Path, files: list[str], threads: int) -> None:
    """What no division of the same takes gets below: each file hashed and decoded once, in single precision, one
    transform a channel and one back."""

    def one(name: str) -> None:
        hashlib.sha256((folder / name).read_bytes()).digest()
        samples = soundfile.read(folder / name, dtype="float32", always_2d=True)[0]
        spectra = scipy.fft.rfft(np.ascontiguousarray(samples.T), axis=1)
        scipy.fft.irfft(spectra[:1], len(samples), axis=1)

    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(one, files))


def by_pyfar(recordings: list[Recording], session: Session) -> None:
    import warnings

    import pyfar

    warnings.simplefilter("ignore")
    channel = 1 if session.reference is None else session.reference.channel
    band = getattr(session.stimulus, "start_hz", 20.0), getattr(session.stimulus, "stop_hz", 20_000.0)
    for one in recordings:
        microphone, loop = (pyfar.Signal(one.samples[row], one.rate_hz) for row in (0, channel - 1))
        impulse = pyfar.dsp.deconvolve(microphone, loop, frequency_range=band)
        _ = impulse.time


def by_ours(recordings: list[Recording], session: Session, threads: int) -> None:
    stimulus = stimulus_of(session.stimulus, lambda _name: recordings[0], recordings[0].rate_hz)
    division = Division(stimulus, session.reference, 1.0, report_axis().hz, 0.1)
    roles = [role_of(session, take) for take in session.takes_of(FarFieldTake)]
    pairs = list(zip(roles, recordings, strict=True))
    some = [pairs[first : first + TAKES_TOGETHER] for first in range(0, len(pairs), TAKES_TOGETHER)]
    with ThreadPoolExecutor(threads) as pool:
        list(pool.map(lambda group: take_impulses(group, division), some))


def reduced(folder: Path) -> Measurement:
    session = load_session(folder)
    told = session.microphone.correction_file
    correction = None if told is None else read_correction(folder / told)
    return reduce_session(session, lambda name: read_audio(folder / name), correction=correction)


def figured(folder: Path) -> object:
    return read_measurement(reduced(folder), rated_impedance_ohm=8.0, symmetric=True)


def files_read(folder: Path) -> list[str]:
    """Names of the recordings that the reduction of a session reads."""
    session, found = load_session(folder), set()
    told = session.microphone.correction_file

    def noted(name: str) -> Recording:
        found.add(name)
        return read_audio(folder / name)

    reduce_session(session, noted, correction=None if told is None else read_correction(folder / told))
    return sorted(found)


def report(folder: Path, runs: int) -> None:
    session = load_session(folder)
    files = files_read(folder)
    sweeps = [t.file for t in session.takes if isinstance(t, FarFieldTake | NearFieldTake | LevelTake)]
    far = [t.file for t in session.takes_of(FarFieldTake)]
    frames = soundfile.info(folder / far[0]).frames
    threads = min(MOST_THREADS, os.cpu_count() or 1)
    print(
        f"{len(far)} far-field takes of {frames} samples, {len(sweeps)} sweeps, "
        f"{len(files)} files, {threads} threads, best of {runs} runs"
    )
    ours = best(lambda: figured(folder), runs)
    bare = best(lambda: reduced(folder), runs)
    peak_mib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    rows = {
        "recordings to figures": ours,
        "of it loading, reduction": bare,
        "floor, one thread": best(lambda: floor_of(folder, files, 1), runs),
        "floor, same threads": best(lambda: floor_of(folder, files, threads), runs),
    }
    print(f"{'':26}{'wall s':>10}{'cpu s':>10}{'ours/wall':>12}{'ours/cpu':>12}")
    for name, (wall, processor) in rows.items():
        print(f"{name:26}{wall:10.3f}{processor:10.3f}{ours[0] / wall:12.2f}{ours[1] / processor:12.2f}")
    recordings = [read_audio(folder / name) for name in far]
    own = best(lambda: by_ours(recordings, session, threads), runs)
    other = best(lambda: by_pyfar(recordings, session), max(1, runs // 2))
    print("deconvolution of the far field alone, from memory:")
    print(f"{'ours, with checks':26}{own[0]:10.3f}{own[1]:10.3f}")
    print(f"{'pyfar':26}{other[0]:10.3f}{other[1]:10.3f}{own[0] / other[0]:12.2f}{own[1] / other[1]:12.2f}")
    print(f"peak memory of the reduction {peak_mib:.0f} MiB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--loudspeaker", default="thimble")
    given = parser.parse_args()
    np.seterr(all="raise", under="ignore")
    if given.folder is not None:
        report(given.folder, given.runs)
        return
    with tempfile.TemporaryDirectory() as name:
        write_session(given.loudspeaker, Path(name))
        report(Path(name), given.runs)


if __name__ == "__main__":
    main()
