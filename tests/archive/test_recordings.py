"""Recordings by content: kept once, never altered, checked on every way."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from archive_worlds import hashes

from earwitness.archive.recordings import RecordingStore, hash_of
from earwitness.errors import ArchiveError

# FIPS 180-4, example of SHA-256 for "abc".
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_content_lies_under_its_hash_read_only_and_once(tmp_path: Path) -> None:
    store = RecordingStore(tmp_path / "objects")
    for name in ("a.wav", "b.wav"):
        (tmp_path / name).write_bytes(b"abc")
    assert store.put(tmp_path / "a.wav", expected_sha256=ABC)
    assert not store.put(tmp_path / "b.wav", expected_sha256=ABC)
    path = tmp_path / "objects" / "ba" / ABC[2:]
    assert path == store.path(ABC)
    assert path.stat().st_mode & 0o777 == 0o444
    assert path.stat().st_nlink == 1
    assert path.stat().st_ino != (tmp_path / "a.wav").stat().st_ino
    assert hashes(store) == (ABC,)
    assert path.read_bytes() == b"abc"
    assert hash_of(path) == ABC


def test_the_copy_outlives_a_change_of_the_original(tmp_path: Path) -> None:
    store = RecordingStore(tmp_path / "objects")
    source = tmp_path / "a.wav"
    source.write_bytes(b"abc")
    store.put(source, expected_sha256=ABC)
    source.write_bytes(b"xyz")
    assert store.path(ABC).read_bytes() == b"abc"


def test_a_source_that_changed_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    store = RecordingStore(tmp_path / "objects")
    (tmp_path / "a.wav").write_bytes(b"abd")
    with pytest.raises(ArchiveError, match="changed while it was taken in"):
        store.put(tmp_path / "a.wav", expected_sha256=ABC)
    with pytest.raises(ArchiveError, match="cannot be read"):
        store.put(tmp_path / "none.wav", expected_sha256=ABC)
    assert hashes(store) == ()
    assert [p for p in store.folder.rglob("*") if p.is_file()] == []


def test_damage_is_told_and_mended_by_adding_again(tmp_path: Path) -> None:
    store = RecordingStore(tmp_path / "objects")
    (tmp_path / "a.wav").write_bytes(b"abc")
    store.put(tmp_path / "a.wav", expected_sha256=ABC)
    store.path(ABC).chmod(0o644)
    store.path(ABC).write_bytes(b"abx")
    assert store.path(ABC).exists()
    assert not store.is_intact(ABC)
    assert store.put(tmp_path / "a.wav", expected_sha256=ABC)
    assert store.is_intact(ABC)


def test_what_is_no_hash_names_no_path(tmp_path: Path) -> None:
    store = RecordingStore(tmp_path)
    for name in ("../../etc/passwd", "", ABC.upper(), ABC[:-1]):
        with pytest.raises(ArchiveError, match="not a SHA-256"):
            store.path(name)
    assert not store.is_intact(hashlib.sha256(b"absent").hexdigest())
