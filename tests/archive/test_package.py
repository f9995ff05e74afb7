"""Packages: valid bags to the Library of Congress's own validator, whole on the other side, refused when hostile."""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import bagit
import netCDF4
import numpy as np
import pytest
from archive_worlds import measurement, same, step_of, write_session

from earwitness.archive import bag, notes
from earwitness.archive.catalogue import Archive
from earwitness.archive.integrity import check
from earwitness.archive.package import export_package, import_package
from earwitness.errors import ArchiveError, FormatError, OutputError


def clock() -> datetime:
    return datetime(2026, 1, 20, 12, 0, 0, tzinfo=UTC)


def opened(folder: Path) -> Archive:
    return Archive.open(folder, clock=clock)


def exported(tmp_path: Path) -> Path:
    """A bag of one loudspeaker with everything; the archive holds another one that must stay out of it."""
    with opened(tmp_path / "a") as archive:
        for name in ("Lantern 2", "Größe 3"):
            archive.add_session(write_session(tmp_path / name, name=name), tmp_path / name)
        key = archive.keep_measurement(2, measurement())
        archive.keep_document(2, step_of("figures", (key,), reading="A"), "figures", {"f3": 41.5, "text": "größer "})
        archive.keep_publication(2, "site", {"f3": 41.5})
        archive.keep_publication(2, "site", {"f3": 42.5})
        names = {"name": "Größe 3", "maker": "Invented Works"}
        stamp = "2026-01-20T11:00:00+00:00"
        notes.keep_sheet(archive, **names, facts='{"a":1}', sha256=seal('{"a":1}', stamp), sealed_at=stamp)
        notes.record_opening(archive, **names)
        done = export_package(archive, 2, tmp_path / "bag")
        assert (done.title, done.sessions, done.results, done.files) == ("Invented Works Größe 3", 1, 2, 6)
    return tmp_path / "bag"


def seal(facts: str, sealed_at: str) -> str:
    return hashlib.sha256(f"{sealed_at} {facts}".encode()).hexdigest()


def content(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def test_the_bag_is_valid_to_the_library_of_congress(tmp_path: Path) -> None:
    """bagit 1.9.0 (Library of Congress) validates sizes, completeness and every hash of RFC 8493."""
    folder = exported(tmp_path)
    found = bagit.Bag(str(folder))
    found.validate()
    assert found.version_info == (1, 0)
    assert found.algorithms == ["sha256"]
    assert found.info["Bagging-Date"] == "2026-01-20"
    assert found.info["External-Identifier"] == "Invented Works Größe 3"
    assert len(found.payload_entries()) == 6
    assert list(tmp_path.glob(".*")) == []
    one = next((folder / "data" / "recordings").iterdir())
    one.write_bytes(b"other")
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(folder)).validate()


def test_everything_of_the_loudspeaker_arrives_and_nothing_else(tmp_path: Path) -> None:
    folder = exported(tmp_path)
    with opened(tmp_path / "b") as archive:
        done = import_package(folder, archive, seal=seal)
        assert (done.sessions, done.recordings, done.results, done.publications, done.sheets) == (1, 4, 2, 2, 1)
        assert [e.name for e in archive.loudspeakers()] == ["Größe 3"]
        (entry,) = archive.sessions_of(done.loudspeaker_id)
        session = write_session(tmp_path / "again", name="Größe 3")
        assert archive.session(entry.id) == session
        files = archive.files_of(entry.id)
        assert {n: p.read_bytes() for n, p in files.items()} == content(tmp_path / "again")
        found = archive.measurement(measurement().steps[-1].key)
        assert found is not None
        assert same(found, measurement())
        assert archive.document(archive.results_of(entry.id)[1].step_key, "figures") == {"f3": 41.5, "text": "größer "}
        assert [p.number for p in archive.publications_of(done.loudspeaker_id)] == [1, 2]
        assert notes.opening(archive, name="Größe 3", maker="Invented Works") == "2026-01-20T12:00:00+00:00"
        assert check(archive).findings == ()


def test_exported_again_elsewhere_it_is_the_same_package_to_the_byte(tmp_path: Path) -> None:
    folder = exported(tmp_path)
    with opened(tmp_path / "b") as archive:
        archive.add_session(write_session(tmp_path / "x", name="Before"), tmp_path / "x")
        done = import_package(folder, archive)
        export_package(archive, done.loudspeaker_id, tmp_path / "bag2")
    assert content(tmp_path / "bag2") == content(folder)


def test_imported_twice_nothing_changes_and_lost_files_are_put_back(tmp_path: Path) -> None:
    folder = exported(tmp_path)
    with opened(tmp_path / "b") as archive:
        first = import_package(folder, archive)
        again = import_package(folder, archive)
        assert again.loudspeaker_id == first.loudspeaker_id
        assert (again.sessions, again.recordings, again.results, again.publications, again.sheets) == (0, 0, 0, 0, 0)
        next(p for p in (archive.folder / "objects").rglob("*") if p.is_file()).unlink()
        next(p for p in (archive.folder / "arrays").rglob("*.nc")).unlink()
        assert len(check(archive).damage) == 2
        assert import_package(folder, archive).recordings == 1
        assert check(archive).findings == ()


def test_into_an_archive_with_its_own_results_publications_come_last(tmp_path: Path) -> None:
    folder = exported(tmp_path)
    with opened(tmp_path / "b") as archive:
        archive.add_session(write_session(tmp_path / "in", name="GRÖSSE 3"), tmp_path / "in")
        archive.keep_publication(1, "site", {"own": 1.0})
        done = import_package(folder, archive)
        assert done.loudspeaker_id == 1
        assert len(archive.sessions_of(1)) == 2
        assert [json.loads(p.document) for p in archive.publications_of(1)] == [
            {"own": 1.0},
            {"f3": 41.5},
            {"f3": 42.5},
        ]


def test_a_bag_made_valid_by_other_software_with_more_hashes_is_taken(tmp_path: Path) -> None:
    """The Library of Congress's package writes its manifests anew, in two hashes; the bag stays ours."""
    folder = exported(tmp_path)
    theirs = bagit.Bag(str(folder))
    theirs.algorithms = ["sha256", "sha512"]
    theirs.info["Contact-Name"] = "Nobody: invented"
    theirs.save(manifests=True)
    assert (folder / "manifest-sha512.txt").is_file()
    with opened(tmp_path / "b") as archive:
        assert import_package(folder, archive).sessions == 1


def remade(folder: Path) -> None:
    """Make the manifests fit what lies there, as an attacker would."""
    for name in ("manifest-sha256.txt", "tagmanifest-sha256.txt", "bag-info.txt"):
        (folder / name).unlink(missing_ok=True)
    files = sorted(p for p in (folder / "data").rglob("*") if p.is_file())
    lines = [f"{hashlib.sha256(p.read_bytes()).hexdigest()}  {p.relative_to(folder).as_posix()}\n" for p in files]
    (folder / "manifest-sha256.txt").write_text("".join(lines))


def a_recording(folder: Path) -> Path:
    return sorted((folder / "data" / "recordings").iterdir())[0]


def link_out(folder: Path) -> None:
    (folder.parent / "secret").write_text("secret")
    path = a_recording(folder)
    path.unlink()
    path.symlink_to(folder.parent / "secret")


def link_folder(folder: Path) -> None:
    (folder / "data" / "recordings").rename(folder.parent / "elsewhere")
    (folder / "data" / "recordings").symlink_to(folder.parent / "elsewhere", target_is_directory=True)


def path_out(name: str) -> Callable[[Path], None]:
    def harm(folder: Path) -> None:
        text = (folder / "manifest-sha256.txt").read_text()
        (folder / "tagmanifest-sha256.txt").unlink()
        (folder / "manifest-sha256.txt").write_text(f"{text}{'0' * 64}  {name}\n")

    return harm


def flip_recording(folder: Path) -> None:
    path = a_recording(folder)
    path.write_bytes(path.read_bytes()[:-1] + b"!")


def wrong_content(folder: Path) -> None:
    flip_recording(folder)
    remade(folder)


def extra_file(folder: Path) -> None:
    (folder / "data" / "more.exe").write_bytes(b"x")


def extra_file_listed(folder: Path) -> None:
    extra_file(folder)
    remade(folder)


def edit(old: str, new: str) -> Callable[[Path], None]:
    def harm(folder: Path) -> None:
        path = folder / "data" / "loudspeaker.json"
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new), encoding="utf-8")
        remade(folder)

    return harm


def bomb(folder: Path) -> None:
    """A netCDF-4 file of some kilobytes that claims arrays of 8 TB."""
    path = next((folder / "data" / "arrays").iterdir())
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    path.unlink()
    with netCDF4.Dataset(path, "w", format="NETCDF4") as dataset:
        dataset.createDimension("sample", 10**12)
        values = dataset.createVariable("impulse", "f8", ("sample",), zlib=True, chunksizes=(1000,), fill_value=0.0)
        values[:10] = np.ones(10)
    assert path.stat().st_size < 10**5
    edit(before, hashlib.sha256(path.read_bytes()).hexdigest())(folder)


def no_netcdf(folder: Path) -> None:
    path = next((folder / "data" / "arrays").iterdir())
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    path.write_bytes(b"not netCDF")
    edit(before, hashlib.sha256(b"not netCDF").hexdigest())(folder)


def deep_json(folder: Path) -> None:
    (folder / "data" / "loudspeaker.json").write_text("[" * 200_000)
    remade(folder)


def removed(name: str) -> Callable[[Path], None]:
    return lambda folder: (folder / name).unlink()


def written(name: str, text: bytes) -> Callable[[Path], None]:
    def harm(folder: Path) -> None:
        (folder / "tagmanifest-sha256.txt").unlink()
        (folder / name).write_bytes(text)

    return harm


HOSTILE = {
    "link out of the bag": (link_out, "link"),
    "linked folder": (link_folder, "link"),
    "pipe": (lambda folder: os.mkfifo(folder / "data" / "pipe"), "device"),
    "path up": (path_out("data/../../secret"), "outside"),
    "absolute path": (path_out("/etc/passwd"), "outside"),
    "home path": (path_out("~/secret"), "outside"),
    "drive path": (path_out("C:/secret"), "outside"),
    "backslash path": (path_out("data\\..\\secret"), "outside"),
    "flipped recording": (flip_recording, "hash is another"),
    "recording under a false name": (wrong_content, "not those that its record names"),
    "file not in the manifest": (extra_file, "has not the size"),
    "file not in the record": (extra_file_listed, "not those that its record names"),
    "lost recording": (lambda folder: a_recording(folder).unlink(), "has not the size"),
    "lost record": (lambda f: [removed("data/loudspeaker.json")(f), remade(f)], "not a package of a loudspeaker"),
    "altered session": (edit('"voltage_v": 2.83', '"voltage_v": 2.84'), "not those its key stands for"),
    "altered step": (edit('"reading",', '"rading",'), "step of a result"),
    "other loudspeaker": (
        edit('"name": "Größe 3",\n "opened_at"', '"name": "Mine",\n "opened_at"'),
        "another loudspeaker",
    ),
    "unknown key": (edit('"format": 1,\n "maker"', '"format": 1,\n "run": "x",\n "maker"'), "run"),
    "later format": (edit('"format": 1,\n "maker"', '"format": 2,\n "maker"'), "format"),
    "altered sheet": (edit('{\\"a\\":1}', '{\\"a\\":2}'), "seal"),
    "bomb of arrays": (bomb, "unpack"),
    "no netCDF": (no_netcdf, "no netCDF-4 file"),
    "bottomless JSON": (deep_json, "record of the package"),
    "no manifest": (lambda f: [removed("manifest-sha256.txt")(f), removed("tagmanifest-sha256.txt")(f)], "no manifest"),
    "no declaration": (removed("bagit.txt"), "has no bagit.txt"),
    "another declaration": (written("bagit.txt", b"BagIt-Version: 3.0\n"), "its bagit.txt is none"),
    "altered tag file": (lambda f: (f / "bag-info.txt").write_text("A: b\n"), "hash is another"),
    "files from elsewhere": (written("fetch.txt", b"x - data/x\n"), "fetch.txt"),
    "unknown hash": (written("manifest-crc32.txt", b"00 data/x\n"), "does not know"),
    "rubbish in the manifest": (written("manifest-sha256.txt", b"rubbish\n"), "line 1"),
    "no text": (written("manifest-sha256.txt", b"\xff\xfe"), "not UTF-8"),
    "deep folders": (lambda f: (f / "data" / "/".join("abcdefghij")).mkdir(parents=True), "deeper"),
}


@pytest.mark.parametrize("kind", HOSTILE)
def test_hostile_and_broken_bags_are_refused_and_leave_nothing(tmp_path: Path, kind: str) -> None:
    folder = exported(tmp_path)
    harm, words = HOSTILE[kind]
    harm(folder)
    with opened(tmp_path / "b") as archive:
        with pytest.raises(FormatError, match=words) as found:
            import_package(folder, archive, seal=seal)
        assert "nothing of it was taken in" in found.value.remedy or "record" in found.value.what
        assert archive.loudspeakers() == ()
        assert content(archive.folder / "objects") == content(archive.folder / "arrays") == {}


def test_too_many_and_too_large_files_are_refused_before_they_are_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = exported(tmp_path)
    with opened(tmp_path / "b") as archive:
        for limit, value in (("MOST_FILES", 5), ("MOST_BYTES", 10_000), ("MOST_TAG_BYTES", 100)):
            with monkeypatch.context() as patch:
                patch.setattr(bag, limit, value)
                with pytest.raises(FormatError, match=r"more than|larger than"):
                    import_package(folder, archive)
        with pytest.raises(FormatError, match="not a folder"):
            import_package(tmp_path / "none", archive)
        assert archive.loudspeakers() == ()


def test_nothing_is_exported_over_something_or_from_damaged_files(tmp_path: Path) -> None:
    folder = exported(tmp_path)
    with opened(tmp_path / "a") as archive:
        with pytest.raises(OutputError, match="in the way"):
            export_package(archive, 2, folder)
        with pytest.raises(ArchiveError, match="no loudspeaker number 9"):
            export_package(archive, 9, tmp_path / "nine")
        path = next(iter(archive.files_of(2).values()))
        for harm in (lambda: (path.chmod(0o644), path.write_bytes(b"x")), path.unlink):
            harm()
            with pytest.raises(ArchiveError, match="damaged"):
                export_package(archive, 2, tmp_path / "new")
            assert not (tmp_path / "new").exists()
    assert list(tmp_path.glob(".*")) == []


def test_a_disk_that_fills_at_any_file_leaves_no_half_package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every sync fails in its turn: six payload files, four tag files, the folder that holds the bag."""
    exported(tmp_path)
    with opened(tmp_path / "a") as archive:
        for turn in range(1, 12):
            left = iter([*(False for _ in range(turn - 1)), True])

            def fsync(_: int, left: Iterator[bool] = left) -> None:
                if next(left, False):
                    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

            with monkeypatch.context() as patch:
                patch.setattr(os, "fsync", fsync)
                with pytest.raises(OutputError, match="the disk is full"):
                    export_package(archive, 2, tmp_path / f"new{turn}")
            assert (tmp_path / f"new{turn}").exists() == (turn == 11)
        bagit.Bag(str(export_package(archive, 2, tmp_path / "last").folder)).validate()
    assert list(tmp_path.glob(".*")) == []
