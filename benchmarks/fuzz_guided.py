"""The readers that are pure Python, driven by which lines an input reaches (atheris), not by chance alone.

    python benchmarks/fuzz_guided.py --reader NAME [--runs N] [--seconds S]

atheris is no dependency of the program or its tests. It goes into an environment of its own, together with the program:

    python -m venv guided && guided/bin/pip install atheris .
    guided/bin/python benchmarks/fuzz_guided.py --reader goal

Readers: session, sheet, amplifier, room, correction, impedance, positions, goal, pressures. Inputs begin as the sound
ones of tests/property/fuzz_seeds.py. The first exception that is not the program's own ends the run with a traceback
and writes the input to crash-HASH; an input that takes more than 5 s, or 2 GiB of memory, ends it too.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import atheris

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "property"))

with atheris.instrument_imports(include=["earwitness", "tomllib", "csv"]):
    import fuzz_seeds

    from earwitness.errors import EarwitnessError
    from earwitness.formats.correction_file import read_correction
    from earwitness.formats.goal_table import read_goal_table
    from earwitness.formats.impedance_table import read_impedance_table
    from earwitness.formats.positions_table import read_positions
    from earwitness.formats.scan_pressures import read_scan_pressures
    from earwitness.session.amplifier_sheet import read_amplifier_sheet
    from earwitness.session.load import load_session
    from earwitness.session.notes import HeardWord, load_sheet
    from earwitness.session.room_plan import read_room_plan

WORDS = {"bright": HeardWord("bright", 3000.0, 20_000.0, "too much"), "loose": HeardWord("loose", 40.0, 200.0, None)}
Reader = tuple[Callable[[Path], Any], tuple[str, ...]]
READERS: dict[str, Reader] = {
    "session": (lambda path: load_session(path.parent), (fuzz_seeds.SESSION, fuzz_seeds.SCAN)),
    "sheet": (lambda path: load_sheet(path, vocabulary=WORDS), (fuzz_seeds.SHEET,)),
    "amplifier": (read_amplifier_sheet, (fuzz_seeds.AMPLIFIER,)),
    "room": (read_room_plan, (fuzz_seeds.ROOM,)),
    "correction": (read_correction, fuzz_seeds.CORRECTIONS),
    "impedance": (read_impedance_table, fuzz_seeds.IMPEDANCES),
    "positions": (read_positions, fuzz_seeds.positions()),
    "goal": (read_goal_table, fuzz_seeds.GOALS),
    "pressures": (read_scan_pressures, (fuzz_seeds.pressures_table(),)),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--reader", required=True, choices=list(READERS))
    parser.add_argument("--runs", type=int, default=100_000)
    parser.add_argument("--seconds", type=int, default=0)
    given = parser.parse_args()
    read, seeds = READERS[given.reader]
    folder = Path(tempfile.mkdtemp())
    corpus = folder / "corpus"
    corpus.mkdir()
    for number, seed in enumerate(seeds):
        (corpus / str(number)).write_text(seed, encoding="utf-8")
    place = fuzz_seeds.session_folder(folder / "session") if given.reader == "session" else folder
    path = place / ("session.toml" if given.reader == "session" else "input.csv")
    warnings.simplefilter("error")

    def one(data: bytes) -> None:
        path.write_bytes(data)
        try:
            read(path)
        except EarwitnessError as error:
            assert error.what.strip()  # noqa: PT017

    options = [sys.argv[0], f"-runs={given.runs}", "-timeout=5", "-rss_limit_mb=2048", "-max_len=8192"]
    options += [f"-max_total_time={given.seconds}"] if given.seconds else []
    atheris.Setup([*options, str(corpus)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
