"""Trials from the archive: what is played, what is kept, what is told and when."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
from dataclasses import asdict
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from click.testing import CliRunner

from earwitness.app.advice import advice_on
from earwitness.app.audition import ears_in
from earwitness.app.listen import findings_of
from earwitness.app.read import read_loudspeaker
from earwitness.app.trial import (
    all_trials,
    answer_trial,
    begin_trials,
    end_trials,
    own_trials,
    sounds_of,
    trials_of,
)
from earwitness.cli import main
from earwitness.errors import InputError
from earwitness.exhibits.heard import story, trials_table
from earwitness.insight.listening.trials import dealt, next_size_db
from made_once import MadeOnce

SECRET = "5f" * 32


@pytest.fixture
def archive(made_once: MadeOnce, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made_once.archive("thimble", "causeway", "lantern"), tmp_path / "archive"))


def test_abx_plays_what_the_key_says_and_tells_it_only_at_the_end(archive: Path) -> None:
    begun = begin_trials(
        "causeway", archive, kind="abx", forms=("flat", "as-is"), sound="drums", trials=6, draw=lambda: SECRET
    )
    assert begun.promise == hashlib.sha256(SECRET.encode()).hexdigest()
    for trial in range(1, 7):
        stands = trials_of(begun.number, archive)
        assert SECRET not in str(asdict(stands))
        assert stands.outcome is None
        sounds = sounds_of(begun.number, archive)
        assert sounds["x"] == sounds["ab"[dealt(SECRET, trial)]]
        assert len({len(one) for one in sounds.values()}) == 1
        answer_trial(begun.number, trial, "a", archive)
    over = trials_of(begun.number, archive)
    keys = ["AB"[dealt(SECRET, trial)] for trial in range(1, 7)]
    assert over.secret == SECRET
    assert over.outcome is not None
    assert list(over.outcome.key) == keys
    assert over.outcome.counted is not None
    assert over.outcome.counted.right == keys.count("A")
    assert f"{keys.count('A')} of 6 right" in over.outcome.sentence
    assert [one.number for one in all_trials(archive)] == [begun.number]
    with pytest.raises(InputError, match="over"):
        sounds_of(begun.number, archive)
    with pytest.raises(InputError, match="cannot be answered"):
        answer_trial(begun.number, 7, "A", archive)


def test_what_is_played_is_equally_loud(archive: Path) -> None:
    begun = begin_trials(
        "causeway", archive, kind="prefer", forms=("as-is",), against="lantern", sound="speech", trials=5
    )
    sounds = [soundfile.read(io.BytesIO(one), always_2d=True) for one in sounds_of(begun.number, archive).values()]
    loud = [pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(one) for one, rate in sounds]
    assert abs(loud[0] - loud[1]) < 0.1


def test_a_preference_is_kept_by_version_not_by_place(archive: Path) -> None:
    begun = begin_trials(
        "causeway", archive, kind="prefer", forms=("flat", "as-is"), sound="drums", trials=8, draw=lambda: SECRET
    )
    flat = None
    for trial in range(1, 9):
        sounds = sounds_of(begun.number, archive)
        turned = dealt(SECRET, trial)
        flat = flat or sounds["2" if turned else "1"]
        # One who always likes the same sound, wherever it is played.
        answer_trial(begun.number, trial, "1" if sounds["1"] == flat else "2", archive)
    outcome = trials_of(begun.number, archive).outcome
    assert outcome is not None
    assert set(outcome.answers) == {"A"}
    assert outcome.counted is not None
    assert outcome.counted.is_shown
    assert "Preferred 8 of 8 times: the recording itself" in outcome.sentence


def test_of_three_versions_the_liked_one_is_told(archive: Path) -> None:
    """One who takes the sound with most below 400 Hz, and tosses a coin in one of four trials."""
    begun = begin_trials(
        "causeway", archive, kind="prefer", forms=("flat", "as-is"), bands=(("low_shelf", 300.0, 6.0, 0.7),),
        sound="drums", draw=lambda: SECRET,
    )  # fmt: skip
    assert begun.planned == 36
    assert begun.versions[2] == "the same with an equalizer set by hand, of 1 band"
    rng = np.random.default_rng(2)
    low: dict[bytes, float] = {}
    for trial in range(1, 37):
        sounds = sounds_of(begun.number, archive)
        for one in sounds.values():
            power = np.abs(np.fft.rfft(soundfile.read(io.BytesIO(one))[0])) ** 2
            low.setdefault(one, float(power[: power.size // 60].sum() / power.sum()))
        better = max(sounds, key=lambda slot: low[sounds[slot]])
        answer_trial(begun.number, trial, better if rng.random() > 0.25 else str(rng.integers(1, 3)), archive)
    assert len(low) == 3
    outcome = trials_of(begun.number, archive).outcome
    assert outcome is not None
    assert outcome.preference is not None
    assert outcome.preference.wins.sum() == 36
    assert int(np.argmax(outcome.preference.worth)) == 2
    assert "A preference beyond chance, from most to least liked: C: the same with an equalizer" in outcome.sentence
    few = begin_trials("causeway", archive, kind="prefer", forms=("flat", "as-is", "only1"), sound="drums", trials=6)
    assert "not every pair was compared" in _ended(few.number, archive)


def _ended(number: str, archive: Path) -> str:
    answer_trial(number, 1, "1", archive)
    outcome = end_trials(number, archive).outcome
    assert outcome is not None
    return outcome.sentence


def test_a_threshold_is_found_for_one_who_hears_from_a_size_on(archive: Path) -> None:
    """The listener measures the files: an independent ear that hears 1.8 dB and more, and guesses below."""
    begun = begin_trials(
        "causeway", archive, kind="threshold", finding=1, trials=30, listener="Probe", draw=lambda: SECRET
    )
    rng = np.random.default_rng(8)
    for trial in range(1, 31):
        sounds = {slot: soundfile.read(io.BytesIO(one))[0] for slot, one in sounds_of(begun.number, archive).items()}
        ratio = 20 * np.log10(np.abs(np.fft.rfft(sounds["1"]) / np.fft.rfft(sounds["2"])))
        hz = np.fft.rfftfreq(sounds["1"].size, 1 / 48_000)
        found = ratio[(hz > 240) & (hz < 255)].mean() - ratio[(hz > 3000) & (hz < 8000)].mean()
        heard = abs(found) > 1.8
        answer_trial(begun.number, trial, ("1" if found > 0 else "2") if heard else str(rng.integers(1, 3)), archive)
    over = trials_of(begun.number, archive)
    assert over.outcome is not None
    assert over.outcome.threshold is not None
    assert over.outcome.threshold.interval_db[0] < 1.8 < over.outcome.threshold.interval_db[1] + 0.3
    assert over.outcome.center_hz == pytest.approx(247, abs=10)
    assert "Heard from about" in over.outcome.sentence
    assert "this listener" in over.outcome.sentence


def test_trials_that_are_broken_off_count_so(archive: Path) -> None:
    begun = begin_trials("causeway", archive, kind="abx", forms=("flat", "as-is"), sound="drums", trials=10)
    answer_trial(begun.number, 1, "B", archive)
    over = end_trials(begun.number, archive)
    assert over.broken_off
    assert over.secret
    assert over.outcome is not None
    assert "broken off: 10 trials were planned" in over.outcome.sentence


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--version", "flat"), "1 versions cannot be held"),
        (("--kind", "threshold"), "a threshold is that of a finding"),
        (("--kind", "threshold", "--finding", "77"), "there is no finding 77"),
        (("--version", "flat", "--version", "as-is", "--trials", "3"), "3 trials"),
        (("--version", "flat", "--version", "own"), "there are no bands of your own"),
        (("--version", "flat", "--version", "as-is", "--version", "aim15"), "3 versions cannot be held"),
        (
            ("--kind", "prefer", "--version", "flat", "--version", "as-is", "--version", "aim15", "--trials", "5"),
            "6 to 200",
        ),
    ],
)
def test_trials_that_cannot_be_are_told(archive: Path, words: tuple[str, ...], told: str) -> None:
    result = CliRunner().invoke(main, ["listen", "trial", "causeway", "--archive", str(archive), *words])
    assert result.exit_code == 2
    assert told in result.stderr
    assert not all_trials(archive)


def test_the_commands_lead_from_the_first_trial_to_the_result(archive: Path, tmp_path: Path) -> None:
    def run(*words: str) -> str:
        result = CliRunner().invoke(main, ["listen", *words, "--archive", str(archive)])
        assert result.exit_code == 0, result.output
        return result.stdout

    run("trial", "causeway", "--version", "flat", "--version", "as-is", "--sound", "drums", "--trials", "5")
    number = all_trials(archive)[0].number
    assert "trial 1 of 5" in run("next", number, "--to", str(tmp_path / "now"))
    for trial in range(2, 6):
        assert f"trial {trial} of 5" in run("next", number, "--to", str(tmp_path / "now"), "--answer", "A")
    assert {path.name for path in (tmp_path / "now").iterdir()} == {"a.wav", "b.wav", "x.wav"}
    told = run("next", number, "--to", str(tmp_path / "now"), "--answer", "B")
    assert "of 5 right" in told
    assert told == run("trials")


def test_trials_in_a_room_are_heard_by_two_ears_at_one_loudness(archive: Path) -> None:
    ears = ears_in("5x4x2.7", reverberation_s=0.3, seat_m=2.0, head_set=None)
    begun = begin_trials(
        "causeway", archive, kind="prefer", forms=("as-is",), against="lantern", sound="drums", trials=5, ears=ears
    )
    assert begun.versions[0].endswith("a pair in a room")
    sounds = [soundfile.read(io.BytesIO(one), always_2d=True) for one in sounds_of(begun.number, archive).values()]
    assert [one.shape[1] for one, _ in sounds] == [2, 2]
    loud = [pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(one) for one, rate in sounds]
    assert abs(loud[0] - loud[1]) < 0.1
    assert not np.allclose(sounds[0][0], sounds[1][0], atol=1e-3)


def test_a_threshold_stands_beside_its_finding(archive: Path) -> None:
    """A listener who hears it from 2 dB on: what is told holds that size, and says what the finding's own means."""
    result = read_loudspeaker("causeway", archive)
    findings = findings_of(result, archive)
    number = next(one.key for one in findings if one.q is not None and one.is_peak)
    begun = begin_trials(
        "causeway", archive, kind="threshold", finding=number, sound="drums", trials=60, listener="Ear",
        draw=lambda: SECRET,
    )  # fmt: skip
    title = result.session.loudspeaker.title
    assert own_trials(findings, title, archive) == ()
    sizes: list[float] = []
    right: list[bool] = []
    for trial in range(1, 61):
        size = next_size_db(sizes, right)
        hears = size >= 2.0 or trial % 2 == 0
        place = 0 if dealt(SECRET, trial) else 1
        answer_trial(begun.number, trial, "12"[place if hears else 1 - place], archive)
        sizes.append(size)
        right.append(hears)
    (told,) = own_trials(findings, title, archive)
    assert told.finding == number
    size_db = abs(next(one for one in findings if one.key == number).told.size_db)
    assert told.beside.startswith("Own trials with drums: heard by Ear from about ")
    assert f"here it is {size_db:.1f} dB, " in told.beside
    # The third witness: on the page beside the sheets, in the story, and in the listener's own record.
    advice = advice_on(result, archive)
    line = next(one for one in story(advice) if one.number == str(number))
    assert ("heard in trials" in line.heard) == (told.is_heard is True)
    shown = trials_table(advice.trials)
    assert shown is not None
    assert told.beside.replace("-", "\N{MINUS SIGN}") in shown.rows[0][-1]
    for words in (("record",), ("match", "causeway")):
        said = CliRunner().invoke(main, ["listen", *words, "--archive", str(archive)])
        assert said.exit_code == 0, said.output
        assert "drums" in said.output
    rows = json.loads(CliRunner().invoke(main, ["listen", "record", "--json", "--archive", str(archive)]).stdout)
    assert [one["listener"] for one in rows["thresholds"]] == ["Ear"]


def test_a_preference_for_the_equalizer_stands_in_mend(archive: Path) -> None:
    begun = begin_trials(
        "causeway", archive, kind="prefer", forms=("as-is", "equalized"), sound="drums", trials=8, draw=lambda: SECRET
    )
    for trial in range(1, 9):
        answer_trial(begun.number, trial, "2" if dealt(SECRET, trial) == 0 else "1", archive)
    result = CliRunner().invoke(main, ["mend", "causeway", "--archive", str(archive)])
    assert "Preferred 8 of 8 times: the same with the advised equalizer" in result.stdout
