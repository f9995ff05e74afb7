"""The main job as a user meets it, on a short session: add, read, publish, again, and when things go wrong."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path
from typing import Any

import html5lib
import jsonschema
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result

from earwitness.archive import arrays
from earwitness.cli import main
from made_once import MadeOnce

SCHEMA = Path(__file__).parents[2] / "docs" / "reading-document.schema.json"


def run(*arguments: str | Path) -> Result:
    """One command."""
    return CliRunner().invoke(main, [str(a) for a in arguments])


@pytest.fixture(scope="module")
def recordings(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short session of the demo stand-mount, 30 degree steps."""
    return shutil.copytree(made_once.recordings("thimble"), tmp_path_factory.mktemp("recordings") / "thimble")


@pytest.fixture(scope="module")
def archive(recordings: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive that holds it."""
    folder = tmp_path_factory.mktemp("archive")
    result = run("add", recordings, "--archive", folder)
    assert result.exit_code == 0, result.stderr
    return folder


def test_adding_again_uses_everything_again(recordings: Path, archive: Path) -> None:
    result = run("add", recordings, "--archive", archive)
    assert result.exit_code == 0
    assert "were in the archive already, reduction used again" in result.stdout


def test_read_shows_figures_with_uncertainty(archive: Path) -> None:
    result = run("read", "thimble", "--archive", archive)
    assert result.exit_code == 0
    assert "Thimble Two (invented)" in result.stdout
    assert "Sensitivity, 2.83 V, 1 m" in result.stdout
    assert "±" in result.stdout
    assert result.stdout.count("(invented)") == 1


def test_the_json_document_obeys_its_schema_and_traces_to_recordings(recordings: Path, archive: Path) -> None:
    result = run("read", "thimble", "--archive", archive, "--json")
    assert result.exit_code == 0
    document = json.loads(result.stdout)
    jsonschema.validate(document, json.loads(SCHEMA.read_text(encoding="utf-8")))
    keys = {step["key"] for step in document["how_measured"]["steps"]}
    assert set(document["figures"]["sensitivity"]["lineage"]) <= keys
    import hashlib

    some = next(recordings.glob("far/*.flac"))
    digest = hashlib.sha256(some.read_bytes()).hexdigest()
    assert any(digest in step["inputs"] for step in document["how_measured"]["steps"])


def test_reading_twice_gives_the_same_bytes(archive: Path) -> None:
    first, second = (run("read", "thimble", "--archive", archive, "--json").stdout for _ in range(2))
    assert first == second


def test_the_other_rear_wall_is_a_switch_and_is_stated(archive: Path) -> None:
    documents = [
        json.loads(run("read", "thimble", "--archive", archive, "--json", "--rear-wall", choice).stdout)
        for choice in ("all 19", "3")
    ]
    assert [d["choices"]["rear_wall"] for d in documents] == ["all 19", "3"]


def test_publish_writes_a_page_that_html5_accepts_and_needs_no_network(archive: Path, tmp_path: Path) -> None:
    target = tmp_path / "review"
    result = run("publish", "thimble", "--to", target, "--archive", archive)
    assert result.exit_code == 0, result.stderr
    text = (target / "index.html").read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(text)
    for kind in ('src="http', 'href="http', "url(http", "@import"):
        assert kind not in text
    again = run("publish", "thimble", "--to", target, "--archive", archive)
    assert again.exit_code == 0
    assert (target / "index.html").read_text(encoding="utf-8") == text


def test_publish_refuses_a_folder_that_holds_something_else(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine", encoding="utf-8")
    result = run("publish", "thimble", "--to", tmp_path, "--archive", archive)
    assert result.exit_code == 7
    assert (tmp_path / "letter.txt").read_text(encoding="utf-8") == "mine"


@pytest.fixture
def broken(recordings: Path, tmp_path: Path) -> Path:
    """A copy of the session to break; recordings that are not touched are linked."""
    folder = tmp_path / "broken"
    shutil.copytree(recordings, folder, copy_function=os.link)
    return folder


def rewrite(path: Path, samples: np.ndarray, rate_hz: int) -> None:
    """Replace a linked recording without touching the original."""
    path.unlink()
    soundfile.write(path, samples, rate_hz, subtype="PCM_24", format="FLAC")


def take_of(folder: Path) -> tuple[Path, np.ndarray, int]:
    """A far-field take: path, samples (N, C), rate."""
    path = folder / "far" / "h_30.flac"
    samples, rate_hz = soundfile.read(path)
    return path, samples, rate_hz


def test_every_bad_take_ends_in_its_own_words(broken: Path, tmp_path: Path) -> None:
    path, samples, rate_hz = take_of(broken)
    empty = samples[:0]
    faults = {
        "empty": lambda: rewrite(path, empty, rate_hz),
        "silent": lambda: rewrite(path, samples * np.array([0.0, 1.0]), rate_hz),
        "mono": lambda: rewrite(path, samples[:, :1], rate_hz),
        "rate": lambda: rewrite(path, samples, 44_100),
    }
    kept = path.read_bytes()
    for name, fault in faults.items():
        fault()
        result = run("add", broken, "--archive", tmp_path / f"archive-{name}")
        assert result.exit_code in (3, 4), (name, result.stdout, result.stderr)
        assert "h_30" in result.stderr or "h_{angle}" in result.stderr, (name, result.stderr)
        assert "Traceback" not in result.stderr
        path.unlink(missing_ok=True)
        path.write_bytes(kept)


def test_a_missing_angle_is_taken_and_told(broken: Path, tmp_path: Path) -> None:
    (broken / "far" / "h_30.flac").unlink()
    result = run("add", broken, "--archive", tmp_path / "archive")
    assert result.exit_code == 0, result.stderr
    assert "angles" in result.stdout


def test_a_truncated_take_is_named(broken: Path, tmp_path: Path) -> None:
    path, _, _ = take_of(broken)
    data = path.read_bytes()
    path.unlink()
    path.write_bytes(data[: len(data) // 2])
    result = run("add", broken, "--archive", tmp_path / "archive")
    assert result.exit_code in (3, 4)
    assert "h_30" in result.stderr


def test_swapped_copies_are_found_by_content(broken: Path, tmp_path: Path) -> None:
    path, _, _ = take_of(broken)
    path.unlink()
    path.write_bytes((broken / "far" / "h_60.flac").read_bytes())
    result = run("add", broken, "--archive", tmp_path / "archive")
    assert result.exit_code == 3
    assert "h_30" in result.stderr
    assert "h_60" in result.stderr


def test_a_clipped_take_is_taken_with_a_warning(broken: Path, tmp_path: Path) -> None:
    path, samples, rate_hz = take_of(broken)
    loud = samples.copy()
    loud[:, 0] = np.clip(loud[:, 0] * (4.0 / np.abs(loud[:, 0]).max()), -1, 1 - 2**-23)
    rewrite(path, loud, rate_hz)
    result = run("add", broken, "--archive", tmp_path / "archive")
    assert result.exit_code == 0, result.stderr
    assert "full scale" in result.stdout or "clip" in result.stdout


def test_a_correction_file_with_rubbish_is_named(broken: Path, tmp_path: Path) -> None:
    path = broken / "mic.txt"
    path.unlink()
    path.write_text("20 0.1\n1000 0\n500 1\n20000 0.2\n", encoding="utf-8")
    result = run("add", broken, "--archive", tmp_path / "archive")
    assert result.exit_code in (3, 5)
    assert "mic.txt" in result.stderr


def test_original_recordings_are_never_altered(recordings: Path, archive: Path) -> None:
    before = {p: p.stat().st_mtime_ns for p in recordings.rglob("*") if p.is_file()}
    run("add", recordings, "--archive", archive)
    run("read", "thimble", "--archive", archive)
    assert {p: p.stat().st_mtime_ns for p in recordings.rglob("*") if p.is_file()} == before


def edit(folder: Path, old: str, new: str) -> None:
    """Replace words in the session's file."""
    path = folder / "session.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.unlink()
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def level_take(step: int, volts: str) -> str:
    """A level take as the demo writes it, without what may follow."""
    return f'kind = "level"\nfile = "level/step_{step}.flac"\ndistance_m = 1.0\ndrive_v = {volts}'


def document_of(folder: Path, archive: Path) -> dict[str, Any]:
    """What `read --json` says after adding `folder`."""
    added = run("add", folder, "--archive", archive)
    assert added.exit_code == 0, added.stderr
    found: dict[str, Any] = json.loads(run("read", "thimble", "--archive", archive, "--json").stdout)
    return found


def test_load_and_loudness_stand_in_the_document(archive: Path) -> None:
    document = json.loads(run("read", "thimble", "--archive", archive, "--json").stdout)
    figures, curves = document["figures"], document["curves"]
    # The demo's own circuit is known: its impedance, its rise with heat and its tones are checked in test_truth.
    for key in ("impedance_minimum", "distortion_largest@14.1v", "compression_largest@20v", "multitone_distortion@4v"):
        assert figures[key]["value"] is not None
    for key in ("intermodulation_2@8v", "burst_level@40hz", "burst_level_mean", "compression_long_term@5.66v"):
        assert figures[key]["value"] is not None, key
    # More level, more of it between the tones.
    assert figures["multitone_distortion@7v"]["value"] > figures["multitone_distortion@4v"]["value"] + 2.0
    assert curves["impedance_magnitude"]["frequency_hz"][-1] > 39_000
    assert curves["distortion_total@2.83v"]["frequency_hz"] is None
    assert any("recorded again at the end" in note for note in figures["compression_largest@20v"]["caveats"])
    assert "level 1" not in document["how_measured"]["kept_takes"]


def test_levels_not_in_order_end_in_words(broken: Path, tmp_path: Path) -> None:
    edit(broken, level_take(2, "5.66"), level_take(2, "2.0"))
    result = run("add", broken, "--archive", tmp_path / "archive")
    assert result.exit_code == 3
    assert "steps from 2.83 V to 2 V" in result.stderr
    assert "rising order" in result.stderr


def test_a_missing_resistor_value_ends_in_words(broken: Path, tmp_path: Path) -> None:
    edit(broken, "resistor_ohm = 10.0\n", "")
    result = run("add", broken, "--archive", tmp_path / "archive")
    assert result.exit_code == 3
    assert "resistor_ohm" in result.stderr


def test_swapped_impedance_channels_end_in_words(broken: Path, tmp_path: Path) -> None:
    path = broken / "impedance.flac"
    samples, rate_hz = soundfile.read(path)
    rewrite(path, samples[:, ::-1], rate_hz)
    result = run("add", broken, "--archive", tmp_path / "archive")
    assert result.exit_code == 2
    assert "the channels are swapped" in result.stderr
    assert "impedance.flac" in result.stderr


def test_a_clipped_loud_take_is_left_out_with_words(broken: Path, tmp_path: Path) -> None:
    path = broken / "level" / "step_5.flac"
    samples, rate_hz = soundfile.read(path)
    samples[:, 0] = np.clip(samples[:, 0] * (2.0 / np.abs(samples[:, 0]).max()), -1, 1 - 2**-23)
    rewrite(path, samples, rate_hz)
    added = run("add", broken, "--archive", tmp_path / "archive")
    assert added.exit_code == 0, added.stderr
    assert "reached full scale of the recorder and is left out" in added.stdout
    # The recorder's own edges are no rattle of the loudspeaker.
    assert "rub, buzz" not in added.stdout
    figures = document_of(broken, tmp_path / "archive")["figures"]
    assert "distortion_largest@20v" not in figures
    assert figures["distortion_largest@14.1v"]["value"] is not None


def test_one_level_only_says_what_is_missing(broken: Path, tmp_path: Path) -> None:
    text = (broken / "session.toml").read_text(encoding="utf-8")
    parts = text.split("[[take]]\n")
    kept = [part for part in parts if 'kind = "level"' not in part or "step_1.flac" in part]
    (broken / "session.toml").unlink()
    (broken / "session.toml").write_text("[[take]]\n".join(kept), encoding="utf-8")
    document = document_of(broken, tmp_path / "archive")
    assert document["figures"]["distortion_largest@2.83v"]["value"] is not None
    for key in ("compression_largest", "highest_clean_level"):
        assert document["figures"][key]["not_judged"].startswith("only one level, 2.83 V, can be used")
    assert document["missing"]["compression"].startswith("only one level")


def test_all_bad_recordings_are_told_at_once(broken: Path, tmp_path: Path) -> None:
    """Three takes of three kinds: each in its own line, in one message."""
    silent = ("far/h_30.flac", "level/step_2.flac", "burst/40hz_1.flac")
    for name in silent:
        samples, rate_hz = soundfile.read(broken / name)
        rewrite(broken / name, samples * np.array([0.0, 1.0]), rate_hz)
    result = run("add", broken, "--archive", tmp_path / "archive")
    assert result.exit_code == 4
    assert "recordings cannot be used" in result.stderr
    for name in silent:
        assert name in result.stderr
    assert "Traceback" not in result.stderr


def test_a_result_of_an_earlier_layout_is_reduced_anew(
    recordings: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "archive"
    with monkeypatch.context() as earlier:
        earlier.setattr(arrays, "LAYOUT", 1)
        assert run("add", recordings, "--archive", folder).exit_code == 0
    old = json.loads(run("read", "thimble", "--archive", folder, "--json").stdout)
    assert old["figures"]["burst_level_mean"]["value"] is not None
    again = run("read", "thimble", "--archive", folder, "--json")
    assert json.loads(again.stdout)["figures"] == old["figures"]
    assert "reduce" not in again.stderr


def test_an_impedance_table_of_a_closed_box_comes_through(broken: Path, tmp_path: Path) -> None:
    """C5.10: Re 6 ohm, fs 40 Hz, Qms 5, Qes 0.45, so Qts 0.45 x 5 / 5.45 = 0.4128; another device's table."""
    hz = np.geomspace(5.0, 20_000.0, 500)
    s = 1j * hz / 40.0
    ohm = 6.0 + 6.0 / 0.45 / (s + 1.0 / s + 0.2)
    rows = zip(hz, np.abs(ohm), np.degrees(np.angle(ohm)), strict=True)
    table = "".join(f"{f:.4f}\t{z:.5f}\t{phase:.4f}\n" for f, z, phase in rows)
    (broken / "meter.txt").write_text(table, encoding="utf-8")
    text = (broken / "session.toml").read_text(encoding="utf-8").replace('"vented"', '"closed"')
    # A closed box has no port; something else sits in its place.
    text = text.replace('kind = "port"', 'kind = "other"')
    parts = [part for part in text.split("[[take]]\n") if 'kind = "impedance"' not in part]
    taken = 'kind = "impedance table"\nfile = "meter.txt"\nu_percent = 0.5\nu_deg = 0.5\n'
    (broken / "session.toml").unlink()
    (broken / "session.toml").write_text("[[take]]\n".join([*parts, taken]), encoding="utf-8")
    document = document_of(broken, tmp_path / "archive")
    figures = document["figures"]
    for key, true in (
        ("closed_resonance", 40.0),
        ("closed_q_mechanical", 5.0),
        ("closed_q_electrical", 0.45),
        ("closed_q_total", 0.4128),
    ):
        assert figures[key]["value"] == pytest.approx(true, rel=0.02)
    assert figures["box_tuning"]["not_judged"] == "the enclosure is closed"
    # The impedance never falls below the coil's 6 ohm.
    assert figures["impedance_minimum"]["value"] == pytest.approx(6.0, rel=0.01)
    assert "meter.txt" in json.dumps(document["how_measured"]["quality"])
