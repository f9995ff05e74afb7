"""From the archive to sounds in a folder: what stands in the files is the curve that was measured."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from click.testing import CliRunner

from earwitness.app import audition
from earwitness.app.audition import ears_in, in_room, versions_for
from earwitness.app.listen import findings_of
from earwitness.app.read import read_loudspeaker
from earwitness.audition.filters import on_bins
from earwitness.audition.room import radiated
from earwitness.cli import main
from earwitness.errors import InputError
from earwitness.figures.read import levels_of
from earwitness.insight.findings.finding import Resonance
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.quantities import on_orbit
from earwitness.quantities.arrays import FloatArray
from made_once import MadeOnce


@pytest.fixture(scope="module")
def archive(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("audition") / "archive"
    return Path(shutil.copytree(made_once.archive("thimble", "causeway", "lantern"), place))


def rendered(archive: Path, folder: Path, *words: str) -> dict[str, tuple[FloatArray, int]]:
    """Samples (N,) of the first channel and rate by key, as the command wrote them."""
    told = CliRunner().invoke(
        main, ["listen", "render", "causeway", "--to", str(folder), "--archive", str(archive), *words]
    )
    assert told.exit_code == 0, told.output
    assert "Turn the volume down first" in told.output
    rows = json.loads((folder / "versions.json").read_text(encoding="utf-8"))["files"]
    found = {}
    for row in rows:
        samples, rate = soundfile.read(folder / row["file"], always_2d=True)
        found[row["key"]] = (samples[:, 0], rate)
    return found


def between(sounds: dict[str, tuple[FloatArray, int]], key: str, other: str, hz: FloatArray) -> FloatArray:
    """Level of one loop over another at hz: of loops every line of the transform is exact (handbook)."""
    (one, rate), (two, _) = sounds[key], sounds[other]
    lines = np.arange(one.size // 2 + 1) * rate / one.size
    ratio = 20 * np.log10(np.abs(np.fft.rfft(one) / np.fft.rfft(two))[1:])
    return np.interp(np.log(hz), np.log(lines[1:]), ratio)


def test_a_render_is_the_measured_curve_within_a_twentieth_of_a_decibel(archive: Path, tmp_path: Path) -> None:
    sounds = rendered(archive, tmp_path / "sounds", "--version", "flat", "--version", "as-is", "--version", "only1")
    result = read_loudspeaker("causeway", archive)
    curve = result.reading.curves["listening_window"]
    hz = curve.axis.hz[(curve.axis.hz >= 25.0) & (curve.axis.hz <= 19_500.0) & curve.valid]
    asked = np.interp(np.log(hz), np.log(curve.axis.hz), curve.values)
    findings = findings_of(result, archive)
    asked += sum((one.resonance.hidden_db(hz) for one in findings if one.resonance is not None), np.zeros(hz.size))
    off = between(sounds, "as-is", "flat", hz) - asked
    assert np.abs(off - off.mean()).max() < 0.05
    first = findings[0]
    assert first.q is not None
    size = first.sizes["listening_window"].size_db if first.resonance is None else first.size_db
    alone = gain_db(Equalizer((Band("peaking", first.center_hz, size, first.q),)), hz)
    off = between(sounds, "only1", "flat", hz) - alone
    assert np.abs(off - off.mean()).max() < 0.05


def test_an_aim_of_nothing_is_the_loudspeaker_as_it_is(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What a short gate hides of a resonance is put back at every aim alike: 0 degrees is no change."""
    result = read_loudspeaker("causeway", archive)
    ringing = Resonance(1500.0, 0.01, 20.0, 0.1, 6.0, 0.2, None, "", 1500.0, 8.0, 3.0, 0.005, 0.4)
    found = (replace(findings_of(result, archive)[0], resonance=ringing),)
    assert np.abs(ringing.hidden_db(np.array([1500.0]))).max() > 0.5
    monkeypatch.setattr("earwitness.app.audition.findings_of", lambda *_: found)
    aimed, asis = versions_for(result, archive, ("aim0", "as-is"))
    hz = np.geomspace(200.0, 15_000.0, 400)
    off = on_bins(hz, aimed.hz, aimed.level_db) - on_bins(hz, asis.hz, asis.level_db)
    assert np.abs(off - off.mean()).max() < 0.05


def test_files_are_equally_loud_by_an_independent_measure(archive: Path, tmp_path: Path) -> None:
    sounds = rendered(archive, tmp_path / "sounds", "--sound", "speech", "--against", "lantern", "--version", "as-is",
                      "--version", "aim15", "--version", "without1", "--version", "doubled1")  # fmt: skip
    assert set(sounds) == {"as-is", "aim15", "without1", "doubled1", "other1"}
    loud = [
        pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(one[:, None]) for one, rate in sounds.values()
    ]
    assert max(loud) - min(loud) < 0.1
    again = rendered(archive, tmp_path / "again", "--sound", "speech", "--against", "lantern", "--version", "as-is",
                     "--version", "aim15", "--version", "without1", "--version", "doubled1")  # fmt: skip
    assert all(np.array_equal(sounds[key][0], again[key][0]) for key in sounds)


def test_own_bands_are_rendered_as_the_cookbook_has_them(archive: Path, tmp_path: Path) -> None:
    """Audio EQ Cookbook (W3C Note, 2021)."""
    words = (
        "--version",
        "as-is",
        "--band",
        "peaking",
        "240",
        "-4.0",
        "1.0",
        "--band",
        "high_shelf",
        "6000",
        "2",
        "0.7",
    )
    sounds = rendered(archive, tmp_path, *words)
    assert list(sounds) == ["as-is", "own"]
    hz = np.geomspace(30.0, 16_000.0, 200)
    bands = (Band("peaking", 240.0, -4.0, 1.0), Band("high_shelf", 6000.0, 2.0, 0.7))
    change = between(sounds, "own", "as-is", hz) - gain_db(Equalizer(bands), hz)
    assert np.ptp(change) < 0.1


def test_the_measured_phase_is_rendered(archive: Path, tmp_path: Path) -> None:
    """Levels stay; phase differs from that of the measured pressure by a delay and a sign alone."""
    sounds = rendered(
        archive, tmp_path, "--curve", "axis", "--version", "flat", "--version", "as-is", "--version", "phase"
    )
    hz = np.geomspace(100.0, 10_000.0, 300)
    assert np.ptp(between(sounds, "phase", "as-is", hz)) < 0.1
    (one, rate), (two, _) = sounds["phase"], sounds["flat"]
    lines = np.arange(one.size // 2 + 1) * rate / one.size
    near = np.abs(lines[None, :] - hz[:, None]).argmin(axis=1)
    phase = np.angle(np.fft.rfft(one)[near] / np.fft.rfft(two)[near])
    response = read_loudspeaker("causeway", archive).measurement.response
    own = response.pressure[response.directions.on_axis_row()]
    truth = np.interp(lines[near], response.axis.hz, np.unwrap(np.angle(own)))
    left = np.unwrap(phase - truth)
    line = np.polyval(np.polyfit(lines[near], left, 1), lines[near])
    assert np.degrees(np.abs(left - line)).max() < 6.0


def test_a_sine_gets_the_harmonics_that_were_measured(archive: Path, tmp_path: Path) -> None:
    """Distortion read off the rendered file: amplitude at n f over that at f (IEC 60268-21, definition)."""
    rate, hz = 48_000, 300.0
    at = np.arange(6 * rate) / rate
    rise = np.sin(np.pi / 2 * np.minimum(at / 0.5, 1.0)) ** 2
    soundfile.write(tmp_path / "tone.wav", 0.5 * rise * np.sin(2 * np.pi * hz * at), rate, subtype="FLOAT")
    words = ("--curve", "axis", "--version", "as-is", "--version", "distorted", "--sound", str(tmp_path / "tone.wav"))
    sounds = rendered(archive, tmp_path / "out", *words)
    curves = read_loudspeaker("causeway", archive).reading.curves
    loudest = max((key for key in curves if key.startswith("distortion_2@")), key=lambda key: float(key[13:-1]))
    seen = 0
    for order in (2, 3, 4, 5):
        curve = curves[loudest.replace("_2@", f"_{order}@")]
        row = int(np.argmin(np.abs(curve.axis.hz - hz)))
        wave = sounds["distorted"][0][-rate:]
        high, own = (abs(np.mean(wave * np.exp(-2j * np.pi * n * hz * at[:rate]))) for n in (order, 1))
        if curve.valid[row]:
            seen += 1
            assert 20 * np.log10(high / own) == pytest.approx(np.interp(hz, curve.axis.hz, curve.values), abs=0.3)
        else:
            assert 20 * np.log10(high / own) < -90.0
    assert seen >= 2


def test_a_testers_own_stereo_file_keeps_rate_channels_and_length(archive: Path, tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    soundfile.write(tmp_path / "own.flac", rng.standard_normal((50_000, 2)) * 0.05, 44_100, subtype="PCM_24")
    words = ["listen", "render", "thimble", "--to", str(tmp_path / "out"), "--archive", str(archive), "--sound"]
    told = CliRunner().invoke(main, [*words, str(tmp_path / "own.flac"), "--equal-gain"])
    assert told.exit_code == 0, told.output
    for path in (tmp_path / "out").glob("*.wav"):
        info = soundfile.info(path)
        assert (info.samplerate, info.channels, info.frames, info.subtype) == (44_100, 2, 50_000, "PCM_24")


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--version", "louder"), "there is no version 'louder'"),
        (("--version", "only99"), "there is no finding 99"),
        (("--version", "aim200"), "an aim of 200 degrees"),
        (("--sound", "hiss"), "pink"),
        (("--sound", "no-such-file.wav"), "no-such-file.wav"),
    ],
)
def test_what_cannot_be_rendered_is_told(archive: Path, tmp_path: Path, words: tuple[str, ...], told: str) -> None:
    result = CliRunner().invoke(
        main, ["listen", "render", "causeway", "--to", str(tmp_path / "out"), "--archive", str(archive), *words]
    )
    assert result.exit_code in (2, 4)
    assert told in result.stderr
    assert not (tmp_path / "out").exists()


def test_in_a_room_versions_differ_by_what_differs_and_are_equally_loud(archive: Path, tmp_path: Path) -> None:
    """The room is the same in all: between two versions at one ear stands what a filter alone would make."""
    words = ("--room", "5x4x2.7", "--reverberation", "0.3", "--seat", "2")
    plain = rendered(archive, tmp_path / "plain", "--version", "as-is", "--version", "only1")
    room = rendered(archive, tmp_path / "room", "--version", "flat", "--version", "as-is", "--version", "only1", *words)
    hz = np.geomspace(40.0, 16_000.0, 60)
    gain = {
        folder: {
            row["key"]: row["gain_db"] for row in json.loads((tmp_path / folder / "versions.json").read_text())["files"]
        }
        for folder in ("plain", "room")
    }
    for sounds, folder in ((plain, "plain"), (room, "room")):
        own = between(sounds, "only1", "as-is", hz) - gain[folder]["only1"] + gain[folder]["as-is"]
        if folder == "plain":
            expected = own
        else:
            # Lines in a notch of the room cannot be divided: the middle of the many tells.
            assert np.median(np.abs(own - expected)) < 0.02
            assert np.percentile(np.abs(own - expected), 90) < 0.05
    told = json.loads((tmp_path / "room" / "versions.json").read_text(encoding="utf-8"))
    assert told["room"].startswith("a pair at 2 m in a room of 5 by 4 by 2.7 m, reverberation 0.3 s")
    loudness = []
    for row in told["files"]:
        samples, rate = soundfile.read(tmp_path / "room" / row["file"], always_2d=True)
        assert samples.shape[1] == 2
        assert np.abs(samples).max() < 10 ** (-0.9 / 20)
        loudness.append(pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(samples))
    assert np.ptp(loudness) < 0.1


def test_an_aim_turns_the_pair_in_the_room(archive: Path, tmp_path: Path) -> None:
    sounds = rendered(archive, tmp_path / "s", "--version", "as-is", "--version", "aim30", "--room", "6x4x2.5")
    change = between(sounds, "aim30", "as-is", np.geomspace(60.0, 15_000.0, 200))
    assert np.std(change) > 0.2
    assert abs(np.mean(change[:60]) - np.mean(change[-60:])) > 0.3


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--room", "big"), "a room of 'big'"),
        (("--seat", "2"), "there is no room"),
        (("--room", "3x2x2.5"), "a seat at 2.5 m in a room of 3 by 2 by 2.5 m"),
        (("--room", "6x4x2.5", "--curve", "axis"), "radiates to all sides"),
        (("--room", "6x4x2.5", "--head-set", "missing.sofa"), "cannot be read"),
    ],
)
def test_a_room_that_cannot_be_is_told(archive: Path, tmp_path: Path, words: tuple[str, ...], told: str) -> None:
    asked = ["listen", "render", "causeway", "--to", str(tmp_path / "s"), "--archive", str(archive), *words]
    result = CliRunner().invoke(main, asked)
    assert result.exit_code != 0
    assert told in " ".join(result.output.split())
    assert "Traceback" not in result.output


@pytest.mark.parametrize(
    ("lacking", "told"), [("sound_power", "to all sides is not known"), ("on_axis", "on-axis response is not known")]
)
def test_a_room_without_what_it_answers_to_is_refused(archive: Path, lacking: str, told: str) -> None:
    result = read_loudspeaker("causeway", archive)
    curves = {key: one for key, one in result.reading.curves.items() if key != lacking}
    poor = replace(result, reading=replace(result.reading, curves=curves))
    versions = versions_for(result, archive, ("as-is",))
    ears = ears_in("6x4x2.5", reverberation_s=None, seat_m=None, head_set=None)
    assert ears is not None
    with pytest.raises(InputError, match=told):
        in_room(versions, poor, archive, ears, 48_000)


def test_one_orbit_alone_tells_what_is_taken_for_the_other(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    result = read_loudspeaker("causeway", archive)
    levels, power = levels_of(result.measurement.response), result.reading.curves["sound_power"]
    rows, _ = on_orbit(levels.directions, "horizontal")
    flat_only = replace(
        levels, directions=levels.directions.take(rows), level_db=levels.level_db[rows], u_db=levels.u_db[rows],
        valid=levels.valid[rows], known=None, causes=(),
    )  # fmt: skip
    found = radiated(flat_only, power, symmetric=False)
    assert "no vertical orbit" in found.notes[0]
    up, aside = found.toward(np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0]]))
    assert up == pytest.approx(aside)
    monkeypatch.setattr(audition, "radiated", lambda *_, **__: found)
    ears = ears_in("6x4x2.5", reverberation_s=None, seat_m=None, head_set=None)
    assert ears is not None
    (one,) = in_room(versions_for(result, archive, ("as-is",)), result, archive, ears, 48_000)
    assert one.words.endswith("a pair in a room; no vertical orbit: up and down are taken to be like the sides")
