"""Every reader as the fuzzing drives it: sound inputs, a way to damage them, and what must hold of an accepted one.

A run takes one damaged input. It ends in True (accepted), False (refused in the program's own words), or in any other
exception, which is a fault. Damage comes from a random source of the reader's name, the seed and the input's number.
"""

from __future__ import annotations

import json
import random
import shutil
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import fuzz_seeds
import numpy as np
from fuzz_archive import DatabaseInputs, PackageInputs
from fuzz_mutations import damaged_bytes, damaged_text, encoded, need_words
from fuzz_sofa import bombs, odd_files

from earwitness.capture.guard import read_budget
from earwitness.errors import EarwitnessError, FormatError
from earwitness.formats.audio import read_audio
from earwitness.formats.correction_file import read_correction
from earwitness.formats.directivity_sofa import SofaDirectivity, read_directivity_sofa
from earwitness.formats.goal_table import read_goal_table
from earwitness.formats.impedance_table import read_impedance_table
from earwitness.formats.level_table import LevelTable, holds_levels, levels_of
from earwitness.formats.positions_table import read_positions
from earwitness.formats.response_table import ResponseTable, read_response_table
from earwitness.formats.scan_pressures import read_scan_pressures
from earwitness.formats.table import read_table
from earwitness.publish.site.index import cards_from, index_js, site_json
from earwitness.publish.site.write import RECORD, carry_over, write_record
from earwitness.session.amplifier_sheet import read_amplifier_sheet
from earwitness.session.headers import read_header
from earwitness.session.load import load_session
from earwitness.session.notes import HeardWord, load_sheet
from earwitness.session.room_plan import read_room_plan

WORDS = {
    "bright": HeardWord("bright", 3000.0, 20_000.0, "too much"),
    "boomy": HeardWord("boomy", 60.0, 150.0, "too much"),
    "loose": HeardWord("loose", 40.0, 200.0, None),
}
Run = Callable[[random.Random], bool]


def draw_for(reader: str, seed: int, number: int) -> random.Random:
    """The source of everything that is drawn for one input."""
    return random.Random(f"{reader} {seed} {number}")


def tried(act: Callable[[], Any]) -> bool:
    """Whether `act` accepted its input; every refusal must say something."""
    try:
        act()
    except EarwitnessError as error:
        need_words(error)
        return False
    return True


class TextInputs:
    """A reader of one text file. check : of what was read; suffix : of the file's name."""

    def __init__(
        self, seeds: tuple[str, ...], read: Callable[[Path], Any], check: Callable[[Any], None], suffix: str = ".txt"
    ) -> None:
        self._seeds, self._read, self._check, self._suffix = seeds, read, check, suffix
        self._words = tuple(
            sorted({word for seed in seeds for word in seed.replace("=", " ").split() if word.isidentifier()})
        )

    def prepare(self, folder: Path) -> Run:
        path = folder / f"input{self._suffix}"

        def run(draw: random.Random) -> bool:
            raw = encoded(damaged_text(draw.choice(self._seeds), draw, self._words), draw)
            path.write_bytes(raw)
            return tried(lambda: self._check(self._read(path)))

        return run


class SessionInputs:
    """session.toml beside sound files; every tenth time the tables beside it are damaged instead."""

    def prepare(self, folder: Path) -> Run:
        place = fuzz_seeds.session_folder(folder / "session")
        seeds = (fuzz_seeds.SESSION, fuzz_seeds.SESSION, fuzz_seeds.SESSION, fuzz_seeds.SCAN)
        words = tuple(sorted({w for seed in seeds for w in seed.replace("=", " ").split() if w.isidentifier()}))
        words += ("burst", "multitone", "impedance", "scan", "positions", "stimulus_file", "id", "sha256", "takes")
        beside = {
            name: (place / name).read_text(encoding="utf-8") for name in ("mic.txt", "impedance.txt", "positions.csv")
        }

        def run(draw: random.Random) -> bool:
            text = draw.choice(seeds)
            odd = draw.choice(sorted(beside)) if draw.random() < 0.1 else ""
            if odd:
                (place / odd).write_bytes(encoded(damaged_text(beside[odd], draw), draw))
            else:
                text = damaged_text(text, draw, words)
            (place / "session.toml").write_bytes(encoded(text, draw) if not odd else text.encode())
            try:
                return tried(lambda: load_session(place))
            finally:
                if odd:
                    (place / odd).write_text(beside[odd], encoding="utf-8")

        return run


class AudioInputs:
    """Recordings, read whole and by their header alone: what is read whole has a header that says so."""

    def prepare(self, folder: Path) -> Run:
        seeds = fuzz_seeds.recordings()

        def run(draw: random.Random) -> bool:
            suffix, data = draw.choice(seeds)
            raw = data if draw.random() < 0.02 else damaged_bytes(data, draw)
            path = folder / f"input{suffix}"
            path.write_bytes(raw)
            header = tried(lambda: read_header(path))
            whole = tried(lambda: _sound_recording(path))
            assert header or not whole
            return whole

        return run


def _sound_recording(path: Path) -> None:
    found = read_audio(path)
    assert np.isfinite(found.samples).all()
    assert found.samples.ndim == 2
    assert found.samples.size


class SofaInputs:
    """SOFA files, sound and odd, with damaged bytes. read : the reader; check : of what was read."""

    def __init__(self, read: Callable[[Path], Any], check: Callable[[Any], None]) -> None:
        self._read, self._check = read, check

    def prepare(self, folder: Path) -> Run:
        odd, large = odd_files(folder), bombs(folder)
        path = folder / "input.sofa"

        def run(draw: random.Random) -> bool:
            kind = draw.random()
            raw = draw.choice(large) if kind < 0.002 else draw.choice(odd if kind < 0.5 else odd[:4])
            path.write_bytes(damaged_bytes(raw, draw) if kind > 0.1 else raw)
            return tried(lambda: self._check(self._read(path)))

        return run


class MixedInputs:
    """One reader of two kinds of files: every third input is of the second kind."""

    def __init__(self, first: Any, second: Any) -> None:
        self._first, self._second = first, second

    def prepare(self, folder: Path) -> Run:
        (folder / "b").mkdir()
        one, other = self._first.prepare(folder), self._second.prepare(folder / "b")
        return lambda draw: (one if draw.random() < 0.67 else other)(draw)


def _anything(found: Any) -> None:
    assert found is not None


def _rising(found: Any) -> None:
    assert np.isfinite(found.response_db).all()
    assert (np.diff(found.frequency_hz) > 0).all()


def _load(found: Any) -> None:
    assert np.isfinite(found.ohm).all()


def _points(found: Any) -> None:
    assert np.isfinite(found.points_m).all()


def _pressures(found: Any) -> None:
    assert np.isfinite(found.points_m).all()
    assert np.isfinite(found.hz).all()
    assert (np.diff(found.hz) > 0).all()


def _directivity(found: SofaDirectivity) -> None:
    assert np.isfinite(found.directions.unit_vectors()).all()
    assert (np.diff(found.hz) > 0).all()
    assert found.pressure.shape[1] == found.hz.size
    assert np.isfinite(found.impulse).all()
    assert np.isfinite(found.delay_s).all()


def _responses(found: ResponseTable) -> None:
    assert (np.diff(found.hz) > 0).all()
    assert found.hz[0] > 0
    assert found.values.shape == (max(found.angles_deg.size, len(found.curves), 1), found.hz.size)
    assert np.isfinite(found.values).any(axis=0).all()
    assert all(question.why and question.options for question in found.questions)
    assert (found.plane is None) or found.angles_deg.size


def _level_table(path: Path) -> LevelTable:
    table = read_table(path)
    holds_levels(table, named=False)
    return levels_of(table)


def _levels(found: LevelTable) -> None:
    assert found.columns
    for column in found.columns:
        assert (np.diff(column.hz) > 0).all()
        assert column.hz[0] > 0
        assert column.hz.shape == column.values.shape
    assert all(question.why and question.options for question in found.questions)


def _goal(found: Iterable[tuple[float, float]]) -> None:
    assert np.isfinite(np.array(tuple(found))).all()


def _exposure(path: Path) -> object:
    found = read_budget(path, "2026-11-01")
    assert np.isfinite(found.dose_percent)
    assert all(np.isfinite(level) and time_s >= 0.0 for level, time_s in found.exposures)
    return found


def _cards(path: Path) -> object:
    """As the site reads it, decoding included, and writes it again."""
    try:
        text = path.read_text(encoding="utf-8")
    except UnicodeDecodeError:
        raise FormatError("the record is not text", where=str(path)) from None
    found = cards_from(text, where=str(path))
    assert all(set(card.address) <= set("abcdefghijklmnopqrstuvwxyz0123456789-") for card in found)
    assert cards_from(site_json(found, title="t", base_url=""), where="again") == found
    index_js(found, title="t")
    return found


class MadeInputs:
    """The record of a page's folder: whatever it says, the tester's photo is in the folder that takes its place."""

    def prepare(self, folder: Path) -> Run:
        old = folder / "old"
        old.mkdir()
        for name, content in (("index.html", b"<p>"), ("my-photo.jpg", b"a photo"), ("style.css", b"p {}")):
            (old / name).write_bytes(content)
        write_record(old)
        seed = (old / RECORD).read_text(encoding="utf-8").replace("my-photo.jpg", "other.jpg")

        def run(draw: random.Random) -> bool:
            (old / RECORD).write_bytes(encoded(damaged_text(seed, draw, ("index.html", "my-photo.jpg")), draw))
            fresh = folder / "fresh"
            shutil.rmtree(fresh, ignore_errors=True)
            fresh.mkdir()
            (fresh / "index.html").write_bytes(b"<p>new")
            accepted = tried(lambda: carry_over(old, fresh, usual=()))
            assert (old / "my-photo.jpg").read_bytes() == b"a photo"
            if accepted:
                kept = [path.read_bytes() for path in fresh.rglob("my-photo.jpg")]
                named = json.loads((old / RECORD).read_text(encoding="utf-8"))["files"].get("my-photo.jpg")
                assert kept == [b"a photo"] or named is not None
            return accepted

        return run


READERS: dict[str, Callable[[], Any]] = {
    "session": SessionInputs,
    "sheet": lambda: TextInputs((fuzz_seeds.SHEET,), lambda p: load_sheet(p, vocabulary=WORDS), _anything, ".toml"),
    "amplifier": lambda: TextInputs((fuzz_seeds.AMPLIFIER,), read_amplifier_sheet, _anything, ".toml"),
    "room": lambda: TextInputs((fuzz_seeds.ROOM,), read_room_plan, _anything, ".toml"),
    "audio": AudioInputs,
    "correction": lambda: TextInputs(fuzz_seeds.CORRECTIONS, read_correction, _rising),
    "impedance": lambda: TextInputs(fuzz_seeds.IMPEDANCES, read_impedance_table, _load),
    "positions": lambda: TextInputs(fuzz_seeds.positions(), read_positions, _points, ".csv"),
    "response": lambda: TextInputs(
        fuzz_seeds.response_tables() + fuzz_seeds.curve_tables(), read_response_table, _responses
    ),
    "levels": lambda: TextInputs(fuzz_seeds.level_tables(), _level_table, _levels),
    "goal": lambda: TextInputs(fuzz_seeds.GOALS, read_goal_table, _goal),
    "pressures": lambda: MixedInputs(
        TextInputs((fuzz_seeds.pressures_table(),), read_scan_pressures, _pressures, ".csv"),
        SofaInputs(read_scan_pressures, _pressures),
    ),
    "sofa": lambda: SofaInputs(read_directivity_sofa, _directivity),
    "site": lambda: TextInputs(fuzz_seeds.site_records(), _cards, _anything, ".json"),
    "made": MadeInputs,
    "exposure": lambda: TextInputs((fuzz_seeds.EXPOSURE,), _exposure, _anything, ".json"),
    "package": PackageInputs,
    "database": DatabaseInputs,
}
