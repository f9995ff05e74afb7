"""Packages and catalogues of an archive, damaged from outside and from within."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import sqlite3
import sys
from collections.abc import Callable
from contextlib import closing, suppress
from pathlib import Path
from typing import Any

from fuzz_mutations import BAD_NUMBERS, BAD_TEXTS, damaged_bytes, damaged_text, need_words

sys.path.append(str(Path(__file__).parents[1] / "archive"))

import netCDF4
from archive_worlds import measurement, step_of, write_session

from earwitness.archive import notes
from earwitness.archive.catalogue import CATALOGUE, Archive
from earwitness.archive.integrity import check
from earwitness.archive.latest import latest_sessions
from earwitness.archive.package import export_package, import_package
from earwitness.archive.search import FigureRange, SearchQuery, SummaryFacts, put_summary, search, summary_sources
from earwitness.errors import EarwitnessError
from earwitness.quantities import Figure

Run = Callable[[random.Random], bool]
_STAMP = "2026-01-20T11:00:00+00:00"
# Values that JSON and SQLite can hold and nobody expects.
_ODD: tuple[Any, ...] = (
    *(
        None,
        True,
        False,
        0,
        -1,
        1,
        2**63,
        10**30,
        1e308,
        1e400,
        float("nan"),
        "",
        "x" * 500,
        "\0",
        "../x",
        [],
        {},
        [[]],
    ),
    *(
        [None],
        {"a": None},
        [["a", 1]],
        "null",
        "[]",
        "{}",
        "nan",
        "{",
        "[" * 400,
        "é",
        "2026-13-40",
        "0" * 64,
        "f" * 32,
    ),
)


def filled(folder: Path) -> Archive:
    """An archive with one of everything."""
    archive = Archive.open(folder / "archive")
    added = archive.add_session(write_session(folder / "in", name="Lantern 2", takes=2), folder / "in")
    key = archive.keep_measurement(added.session_id, measurement(1, directions=3, bins=8))
    archive.keep_document(
        added.session_id, step_of("figures", (key,), reading="A"), "figures", {"f3": 41.5, "text": "größer"}
    )
    archive.keep_publication(1, "site", {"f3": 41.5})
    names = {"name": "Lantern 2", "maker": "Invented Works"}
    notes.keep_sheet(archive, **names, facts='{"a":1}', sha256="a" * 64, sealed_at=_STAMP)
    notes.record_opening(archive, **names)
    facts = SummaryFacts("monitor", 100.0, "EUR", "2026-01-01", "bass")
    put_summary(archive, 1, [Figure("f3", 41.5, 1.0, "Hz", None, "m")], facts)
    return archive


class PackageInputs:
    """Bags with damaged files; two thirds get manifests that fit the damage, as a hostile sender would make them."""

    def prepare(self, folder: Path) -> Run:
        with filled(folder / "a") as archive:
            export_package(archive, 1, folder / "sound")
        Archive.open(folder / "empty").close()
        self._bombs = _array_bombs(folder)
        target, bag = folder / "target", folder / "bag"
        shutil.copytree(folder / "empty", target)

        def run(draw: random.Random) -> bool:
            shutil.rmtree(bag, ignore_errors=True)
            shutil.copytree(folder / "sound", bag)
            self._damage(bag, draw)
            if draw.random() < 0.67:
                _fit_manifests(bag)
            return _taken_in(bag, target, folder / "empty")

        return run

    def _damage(self, bag: Path, draw: random.Random) -> None:
        kind = draw.random()
        if kind < 0.55:
            record = json.loads((bag / "data/loudspeaker.json").read_text(encoding="utf-8"))
            for _ in range(draw.choice((1, 1, 2, 3))):
                _odd_value(record, draw)
            text = json.dumps(record)
            (bag / "data/loudspeaker.json").write_text(
                text if kind < 0.5 else damaged_text(text, draw), encoding="utf-8"
            )
        elif kind < 0.8:
            path = draw.choice(sorted(p for p in bag.rglob("*") if p.is_file()))
            path.write_bytes(damaged_bytes(path.read_bytes(), draw))
        else:
            draw.choice(_BAG_FAULTS)(bag, draw, self._bombs)


def _taken_in(bag: Path, target: Path, empty: Path) -> bool:
    with Archive.open(target) as archive:
        try:
            import_package(bag, archive)
        except EarwitnessError as error:
            need_words(error)
            was_refused = True
        else:
            was_refused = False
        if was_refused:
            assert archive.loudspeakers() == (), "a refused package left something behind"
            return False
        found = check(archive)
    shutil.rmtree(target)
    shutil.copytree(empty, target)
    assert found.is_sound, f"a package was taken in that is not sound: {found.damage[0]}"
    return True


def _odd_value(record: Any, draw: random.Random) -> None:
    """Somewhere in nested lists and tables: another value, none, one more, or one that stands elsewhere."""
    places: list[tuple[Any, Any]] = []
    waiting = [record]
    while waiting:
        inside = waiting.pop()
        keys = list(inside) if isinstance(inside, dict) else range(len(inside))
        for key in keys:
            places.append((inside, key))
            if isinstance(inside[key], dict | list):
                waiting.append(inside[key])
    if not places:
        return
    (inside, key), (other, other_key) = draw.choice(places), draw.choice(places)
    kind = draw.randrange(6)
    if kind == 0:
        del inside[key]
    elif kind == 1:
        new = json.loads(json.dumps(other[other_key]))
        inside[key] = new
    elif kind == 2 and isinstance(inside, dict):
        inside[draw.choice((*BAD_TEXTS, "extra", "format"))] = draw.choice(_ODD)
    elif kind == 3 and isinstance(inside[key], str):
        inside[key] = damaged_text(inside[key], draw)
    else:
        inside[key] = draw.choice(_ODD)


def _fit_manifests(bag: Path) -> None:
    def hashes(paths: list[Path]) -> str:
        return "".join(
            f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.relative_to(bag).as_posix()}\n" for p in sorted(paths)
        )

    with suppress(OSError, UnicodeEncodeError):
        payload = [
            p for p in bag.rglob("*") if p.is_file() and not p.is_symlink() and "data" in p.relative_to(bag).parts[:1]
        ]
        (bag / "manifest-sha256.txt").write_text(hashes(payload), encoding="utf-8")
        size = sum(p.stat().st_size for p in payload)
        (bag / "bag-info.txt").write_text(f"Payload-Oxum: {size}.{len(payload)}\n", encoding="utf-8")
        tags = [bag / name for name in ("bagit.txt", "bag-info.txt", "manifest-sha256.txt") if (bag / name).is_file()]
        (bag / "tagmanifest-sha256.txt").write_text(hashes(tags), encoding="utf-8")


def _link(bag: Path, draw: random.Random, _bombs: list[bytes]) -> None:
    place = draw.choice(("data/recordings/x", "data/arrays", "data/loudspeaker.json", "bagit.txt", "data", "extra"))
    path = bag / place
    if path.is_dir():
        shutil.rmtree(path)
    path.unlink(missing_ok=True)
    path.parent.mkdir(parents=True, exist_ok=True)
    path.symlink_to(draw.choice(("/etc/passwd", "..", ".", "loop", "/dev/zero", str(bag), path.name)))


def _pipe(bag: Path, draw: random.Random, _bombs: list[bytes]) -> None:
    path = bag / draw.choice(("data/pipe", "bagit.txt", "data/loudspeaker.json"))
    path.unlink(missing_ok=True)
    os.mkfifo(path)


def _deep(bag: Path, draw: random.Random, _bombs: list[bytes]) -> None:
    path = bag / "data" / "/".join(["d"] * draw.choice((3, 7, 9, 200)))
    path.mkdir(parents=True)
    (path / "f").write_bytes(b"")


def _names(bag: Path, draw: random.Random, _bombs: list[bytes]) -> None:
    for _ in range(draw.choice((1, 2))):
        name = draw.choice(("A", "a", "é", "e\u0301", "x\ny", "%0A", "x\\y", "C:", " ", "CON", "\udcff", "~", "..."))
        with suppress(OSError):
            (bag / "data" / name).write_bytes(b"x")


def _manifest_lines(bag: Path, draw: random.Random, _bombs: list[bytes]) -> None:
    path = bag / draw.choice(("manifest-sha256.txt", "tagmanifest-sha256.txt", "bag-info.txt", "bagit.txt"))
    path.write_bytes(damaged_text(path.read_text(encoding="utf-8"), draw).encode("utf-8", "replace"))


def _other_manifest(bag: Path, draw: random.Random, _bombs: list[bytes]) -> None:
    name = draw.choice(("manifest-md5.txt", "manifest-sha3.txt", "tagmanifest-crc.txt", "fetch.txt", "manifest-.txt"))
    (bag / name).write_text(draw.choice(("", "00  data/x\n", "http://192.0.2.1/x - data/x\n")), encoding="utf-8")


def _lost(bag: Path, draw: random.Random, _bombs: list[bytes]) -> None:
    draw.choice(sorted(p for p in bag.rglob("*") if p.is_file())).unlink()


def _sparse(bag: Path, draw: random.Random, _bombs: list[bytes]) -> None:
    """A tag file that is said to be large; only its end is written."""
    with (bag / draw.choice(("bagit.txt", "manifest-sha256.txt", "data/loudspeaker.json"))).open("r+b") as stream:
        stream.truncate(draw.choice((2**20, 2**26 + 1)))


def _bomb(bag: Path, draw: random.Random, bombs: list[bytes]) -> None:
    """A result that unpacks to very much, with a record that names its hash."""
    data = draw.choice(bombs)
    (path,) = (bag / "data/arrays").iterdir()
    path.write_bytes(data)
    record = json.loads((bag / "data/loudspeaker.json").read_text(encoding="utf-8"))
    for result in record["results"]:
        if result["array_sha256"]:
            result["array_sha256"] = hashlib.sha256(data).hexdigest()
    (bag / "data/loudspeaker.json").write_text(json.dumps(record), encoding="utf-8")
    _fit_manifests(bag)


_BAG_FAULTS = (_link, _pipe, _deep, _names, _manifest_lines, _manifest_lines, _other_manifest, _lost, _sparse, _bomb)


def _array_bombs(folder: Path) -> list[bytes]:
    found = []
    for sizes, packed in (((2**40,), False), ((2**30, 2**30), False), ((2**10, 2**20), True)):
        path = folder / "bomb.nc"
        with netCDF4.Dataset(path, "w") as file:
            names = [file.createDimension(f"d{n}", size).name for n, size in enumerate(sizes)]
            chunks = (1, 2**20) if packed else None
            # Without a fill value nothing is written: the header promises, and a reader gets as many zeros.
            file.createVariable("pressure", "f8", names, zlib=packed, chunksizes=chunks, fill_value=False)
        found.append(path.read_bytes())
        path.unlink()
    return found


class DatabaseInputs:
    """catalogue.sqlite with damaged bytes, or sound to SQLite and with values in it that no program wrote."""

    def prepare(self, folder: Path) -> Run:
        archive = filled(folder / "a")
        archive.close()
        place = folder / "a" / "archive"
        for name in ("-wal", "-shm"):
            assert not (place / (CATALOGUE + name)).exists()
        sound = (place / CATALOGUE).read_bytes()
        with closing(sqlite3.connect(place / CATALOGUE)) as plain:
            tables = [
                r[0]
                for r in plain.execute("SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE '%text%'")
            ]
            columns = {t: [r[1] for r in plain.execute(f"PRAGMA table_info({t})")] for t in tables}
        arrays = {p: p.read_bytes() for p in (place / "arrays").rglob("*.nc")}

        def run(draw: random.Random) -> bool:
            for name in ("-wal", "-shm", "-journal"):
                (place / (CATALOGUE + name)).unlink(missing_ok=True)
            kind = draw.random()
            (place / CATALOGUE).write_bytes(sound)
            if kind < 0.45:
                (place / CATALOGUE).write_bytes(damaged_bytes(sound, draw))
            elif kind < 0.5:
                (place / (CATALOGUE + draw.choice(("-wal", "-journal")))).write_bytes(
                    draw.randbytes(draw.choice((0, 32, 4096)))
                )
            elif kind < 0.55:
                (path,) = arrays
                path.write_bytes(damaged_bytes(arrays[path], draw))
            else:
                for _ in range(draw.choice((1, 1, 2))):
                    _odd_cell(place / CATALOGUE, columns, draw)
            try:
                return _all_read(place)
            finally:
                for path, data in arrays.items():
                    path.write_bytes(data)

        return run


def _odd_cell(path: Path, columns: dict[str, list[str]], draw: random.Random) -> None:
    table = draw.choice(sorted(columns))
    column = draw.choice(columns[table])
    with closing(sqlite3.connect(path)) as plain, suppress(sqlite3.Error, OverflowError, ValueError):
        plain.execute("PRAGMA ignore_check_constraints = 1")
        row = plain.execute(f'SELECT rowid, "{column}" FROM {table} LIMIT 1').fetchone()
        if row is None:
            return
        number, had = row
        kind = draw.randrange(5)
        if kind == 0 and isinstance(had, str) and had[:1] in "[{":
            record = json.loads(had)
            _odd_value(record, draw)
            new: Any = json.dumps(record)
        elif kind == 1 and isinstance(had, str):
            new = damaged_text(had, draw)
        elif kind == 2:
            new = draw.randbytes(6)
        elif kind == 3:
            new = draw.choice(BAD_NUMBERS)
        else:
            new = draw.choice([one for one in _ODD if not isinstance(one, list | dict)])
        # Triggers keep sheets as they are; damage does not ask them.
        for trigger in [r[0] for r in plain.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")]:
            plain.execute(f"DROP TRIGGER {trigger}")
        plain.execute(f'UPDATE {table} SET "{column}" = ? WHERE rowid = ?', (new, number))
        plain.commit()


def _all_read(place: Path) -> bool:
    """Everything that is read of an archive; each act is refused by itself."""
    refused = False
    try:
        archive = Archive.open(place, create=False)
    except EarwitnessError:
        return False
    with archive:
        acts: list[Callable[[], Any]] = [lambda: check(archive), archive.loudspeakers, lambda: latest_sessions(archive)]
        acts += [lambda: summary_sources(archive)]
        acts += [lambda: archive.find("Lantern 2"), lambda: archive.loudspeaker(1), lambda: archive.sessions_of(1)]
        acts += [lambda: archive.session(1), lambda: archive.takes_of(1), lambda: archive.files_of(1)]
        acts += [lambda: _results(archive), lambda: archive.publications_of(1), lambda: notes.all_sheets(archive)]
        acts += [lambda: search(archive, SearchQuery(text="bass", figures=(FigureRange("f3", 1.0, 100.0),), sort="f3"))]
        acts += [lambda: search(archive, SearchQuery(currency="EUR", price_low=1.0, sort="price"))]
        for act in acts:
            try:
                found = act()
            except EarwitnessError as error:
                need_words(error)
                refused = True
            else:
                refused |= hasattr(found, "is_sound") and not found.is_sound
        with suppress(EarwitnessError):
            export_package(archive, 1, place.parent / "bag")
    shutil.rmtree(place.parent / "bag", ignore_errors=True)
    return not refused


def _results(archive: Archive) -> None:
    for result in archive.results_of(1):
        archive.measurement(result.step_key)
        archive.document(result.step_key, result.kind)
