"""Listening trials: which of two versions plays, or how large a finding must be to be heard.

The key of every trial follows from a secret that is drawn when the trials begin. Its hash is told at once, the secret
after the last answer, so that anybody can check that no key was changed. Answers are kept as they are given.
"""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np

from earwitness.app.audition import CURVES, Ears, ears_in, finding_of, finding_shape, in_room, sound_for, versions_for
from earwitness.app.blind import Draw, draw_secret
from earwitness.app.columns import hanging
from earwitness.app.findings import findings_of
from earwitness.app.mend import mend_loudspeaker
from earwitness.app.read import read_loudspeaker
from earwitness.archive.catalogue import Archive
from earwitness.archive.drafts import draft, drafts_named, save_draft
from earwitness.audition.render import Sound, filtered, prepared
from earwitness.audition.versions import Version
from earwitness.errors import InputError, cannot_write, choice
from earwitness.insight.findings import Finding
from earwitness.insight.findings.audibility import audible_from_db
from earwitness.insight.listening.trials import (
    TRACK_TRIALS,
    Counted,
    Threshold,
    counted,
    dealt,
    fewest_right,
    next_size_db,
    threshold,
)
from earwitness.quantities.arrays import FloatArray

Kind = Literal["abx", "prefer", "threshold"]
KINDS: Mapping[Kind, str] = {
    "abx": "is X the same as A or as B",
    "prefer": "which of two do you prefer",
    "threshold": "which of two has the finding, smaller and smaller",
}
FEWEST_TRIALS, MOST_TRIALS, USUAL_TRIALS = 5, 200, 16
LONGEST_S = 30.0
FEWEST_SIZED = 20
_KEY = "trials "
_SAME_OCTAVES = 1.0 / 12.0


@dataclass(frozen=True, slots=True)
class Trials:
    """Trials as the listener may see them while they go on.

    number : of the trials; promise : SHA-256 of the secret; a, b : what is told of both versions; planned, answered :
    counts; heard : what came out, None before the last answer; secret : likewise
    """

    number: str
    kind: Kind
    loudspeaker: str
    listener: str
    sound: str
    promise: str
    begun_at: str
    a: str
    b: str
    planned: int
    answered: int
    broken_off: bool
    outcome: Outcome | None = None
    secret: str = ""

    @property
    def is_over(self) -> bool:
        return self.outcome is not None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What trials showed. key, answers : "A" or "B" by trial; counted : None for a threshold and before any answer.

    threshold : of a listener, at center_hz and q; estimate_db : what the program takes as audible there
    sentence : for people
    """

    key: tuple[str, ...]
    answers: tuple[str, ...]
    counted: Counted | None
    threshold: Threshold | None
    center_hz: float | None
    q: float | None
    estimate_db: float | None
    sentence: str


def begin_trials(
    name: str,
    archive_folder: Path,
    *,
    kind: str,
    forms: Sequence[str] = (),
    finding: int | None = None,
    against: str = "",
    curve: str = "window",
    sound: str = "pink",
    trials: int | None = None,
    listener: str = "",
    ears: Ears | None = None,
    draw: Draw = draw_secret,
) -> Trials:
    """Plan trials of a loudspeaker of the archive, which shows its data.

    forms : two versions for abx and prefer (see `audition.FORMS`), or one and `against` another loudspeaker's as-is;
    finding : for a threshold. trials : 5 to 200, by default 16, for a threshold 80. ears : for
    headphones, both versions as a pair in a room. Raises InputError for versions or
    numbers that cannot be, AudioError for a sound that cannot be read.
    """
    asked = choice("the kind of trial", kind, tuple(KINDS))
    count = trials if trials is not None else TRACK_TRIALS if asked == "threshold" else USUAL_TRIALS
    if not FEWEST_TRIALS <= count <= MOST_TRIALS:
        raise InputError(f"{count} trials", expected=f"{FEWEST_TRIALS} to {MOST_TRIALS}")
    secret = draw()
    plan: dict[str, Any] = {
        "kind": asked, "name": name, "forms": list(forms), "finding": finding, "against": against, "curve": curve,
        "sound": sound, "planned": count, "listener": " ".join(listener.split()), "secret": secret, "answers": [],
        "sizes_db": [], "ended": False, "room": None if ears is None else ears.said(),
    }  # fmt: skip
    _excerpt(sound)
    made = _versions(plan, archive_folder, next_size_db([], []))
    plan["title"] = read_loudspeaker(name, archive_folder).session.loudspeaker.title
    plan["words"] = [one.words for one in made]
    if asked == "threshold" and finding is not None:
        one = finding_of(finding, findings_of(read_loudspeaker(name, archive_folder), archive_folder))
        plan["center_hz"], plan["q"], shape = finding_shape(one, curve, made[0].hz)
        plan["is_peak"] = bool(shape[np.argmax(np.abs(shape))] > 0)
    number = hashlib.sha256(f"number {secret}".encode()).hexdigest()[:8]
    with Archive.open(archive_folder, create=False) as archive:
        plan["begun_at"] = archive.now()
        save_draft(archive, _KEY + number, plan, revision=0)
    return _seen(number, plan)


@dataclass(frozen=True, slots=True)
class Comparable:
    """What trials of a loudspeaker can be about. forms : words of versions by form; findings : title by number."""

    forms: dict[str, str]
    findings: dict[int, str]


def comparable(name: str, archive_folder: Path, *, curve: str = "window") -> Comparable:
    """Versions and findings that can be rendered; this shows the data. Raises as `read_loudspeaker`, and InputError
    where the curve is not known."""
    result = read_loudspeaker(name, archive_folder)
    findings = findings_of(result, archive_folder)
    forms = {"flat": "the recording itself", "as-is": "the loudspeaker as it is"}
    if mend_loudspeaker(result, findings).design is not None:
        forms["equalized"] = "with the advised equalizer"
    shaped = {}
    for one in findings:
        with suppress(InputError):
            finding_shape(one, curve, result.reading.curves[CURVES[curve]].axis.hz)
            shaped[one.key] = one.title
    for number, title in shaped.items():
        forms[f"without{number}"] = f"without finding {number}: {title}"
        forms[f"doubled{number}"] = f"with twice finding {number}"
    return Comparable(forms | {f"aim{deg}": f"heard {deg}° off the axis" for deg in (15, 30)}, shaped)


def trials_of(number: str, archive_folder: Path) -> Trials:
    """Trials by their number. Raises InputError for an unknown one, ArchiveError without an archive."""
    with Archive.open(archive_folder, create=False) as archive:
        return _seen(number, _kept(archive, number)[0])


def all_trials(archive_folder: Path) -> tuple[Trials, ...]:
    """All trials of the archive, the latest first."""
    with Archive.open(archive_folder, create=False) as archive:
        kept = [(one.key.removeprefix(_KEY), one.value) for one in drafts_named(archive, _KEY)]
    seen = [_seen(number, plan) for number, plan in kept]
    return tuple(sorted(seen, key=lambda one: (one.begun_at, one.number), reverse=True))


def own_thresholds(findings: Sequence[Finding], title: str, archive_folder: Path) -> dict[int, list[str]]:
    """By the number of a finding of the loudspeaker: what trials that are over say of it, beside the estimate.

    Trials are of the same finding where their center lies within a twelfth of an octave. ArchiveError without an
    archive.
    """
    told: dict[int, list[str]] = {}
    for one in all_trials(archive_folder):
        outcome = one.outcome
        if outcome is None or outcome.threshold is None or outcome.center_hz is None or one.loudspeaker != title:
            continue
        for finding in findings:
            apart = abs(np.log2(finding.center_hz / outcome.center_hz))
            if finding.q is not None and apart < _SAME_OCTAVES:
                told.setdefault(finding.key, []).append(_beside(finding, one, outcome.threshold))
    return told


def _beside(finding: Finding, one: Trials, found: Threshold) -> str:
    size = abs(finding.told.size_db)
    low, high = max(found.interval_db[0], 0.0), found.interval_db[1]
    who = f" by {one.listener}" if one.listener else ""
    if not found.is_bounded:
        return f"Own trials with {one.sound}: not heard with certainty{who}, at any size that was tried."
    verdict = "more than that: heard" if size > high else "less than that: not heard" if size < low else "about that"
    return (
        f"Own trials with {one.sound}: heard{who} from about {found.size_db:.1f} dB on ({low:.1f} to {high:.1f} dB); "
        f"here it is {size:.1f} dB, {verdict}."
    )


def sounds_of(number: str, archive_folder: Path) -> dict[str, bytes]:
    """WAV files of the next trial: "a", "b" and "x" of abx, else "1" and "2", all of one length and one loudness.

    Raises InputError where the trials are over.
    """
    with Archive.open(archive_folder, create=False) as archive:
        plan, _ = _kept(archive, number)
    trial = len(plan["answers"]) + 1
    if _is_over(plan):
        raise InputError("these trials are over", where=f"trials {number}", remedy="begin others")
    size_db = next_size_db(plan["sizes_db"], _right(plan)) if plan["kind"] == "threshold" else 0.0
    fixed = {key: plan.get(key) for key in ("kind", "name", "forms", "finding", "against", "curve", "sound", "room")}
    first, second = _pair(json.dumps(fixed), archive_folder, size_db)
    turned = bool(dealt(plan["secret"], trial))
    if plan["kind"] == "abx":
        return {"a": first, "b": second, "x": second if turned else first}
    return {"1": second if turned else first, "2": first if turned else second}


def answer_trial(number: str, trial: int, answer: str, archive_folder: Path) -> Trials:
    """Keep the answer to a trial: "A" or "B" of abx, else "1" or "2".

    InputError for other words, and for a trial that is not the next one; nothing that was answered changes.
    """
    with Archive.open(archive_folder, create=False) as archive:
        plan, revision = _kept(archive, number)
        expected = len(plan["answers"]) + 1
        if _is_over(plan) or trial != expected:
            raise InputError(
                f"trial {trial} cannot be answered",
                where=f"trials {number}",
                expected="none: they are over" if _is_over(plan) else f"trial {expected}",
            )
        words = ("A", "B") if plan["kind"] == "abx" else ("1", "2")
        said = choice("the answer", answer.upper(), words)
        place = words.index(said)
        if plan["kind"] != "abx":
            # What is kept is the version that was meant, not the place it was played at.
            place ^= dealt(plan["secret"], trial)
        if plan["kind"] == "threshold":
            plan["sizes_db"] = [*plan["sizes_db"], next_size_db(plan["sizes_db"], _right(plan))]
        plan["answers"] = [*plan["answers"], "AB"[place]]
        save_draft(archive, _KEY + number, plan, revision=revision)
    return _seen(number, plan)


def end_trials(number: str, archive_folder: Path) -> Trials:
    """Break trials off; they count as broken off, with what was planned and done. Over already: nothing changes."""
    with Archive.open(archive_folder, create=False) as archive:
        plan, revision = _kept(archive, number)
        if not _is_over(plan):
            plan["ended"] = True
            save_draft(archive, _KEY + number, plan, revision=revision)
    return _seen(number, plan)


def _versions(plan: Mapping[str, Any], archive_folder: Path, size_db: float) -> tuple[Version, Version]:
    """Both versions of a trial. Of a threshold: the loudspeaker without the finding, and with it at size_db."""
    result = read_loudspeaker(plan["name"], archive_folder)
    seen: list[Version]
    other = None
    if plan["kind"] == "threshold":
        if plan["finding"] is None:
            raise InputError("a threshold is that of a finding", remedy="say which finding")
        (without,) = versions_for(result, archive_folder, (f"without{plan['finding']}",), curve=plan["curve"])
        one = finding_of(plan["finding"], findings_of(result, archive_folder))
        _, _, shape = finding_shape(one, plan["curve"], without.hz)
        change = shape * (size_db / np.max(np.abs(shape)))
        seen = [without, without.with_change("with", f"with it, {size_db:g} dB", change)]
    else:
        seen = list(versions_for(result, archive_folder, plan["forms"], curve=plan["curve"])) if plan["forms"] else []
        if plan["against"]:
            other = read_loudspeaker(plan["against"], archive_folder)
            seen += versions_for(other, archive_folder, ("as-is",), curve=plan["curve"])
    if len(seen) != 2:
        raise InputError.of("app.versions_too_many", count=len(seen))
    if room := plan.get("room"):
        ears, rate_hz = ears_in(**room), _excerpt(plan["sound"]).rate_hz
        if ears is not None:
            mine = seen if other is None else seen[:1]
            heard = list(in_room(mine, result, archive_folder, ears, rate_hz))
            seen = heard if other is None else [*heard, *in_room(seen[1:], other, archive_folder, ears, rate_hz)]
    return seen[0], seen[1]


def _excerpt(sound: str) -> Sound:
    """The sound of trials. InputError for a file longer than 30 s: a trial is played again and again."""
    found = sound_for(sound)
    if found.frames > LONGEST_S * found.rate_hz:
        raise InputError.of("app.sound_too_long", sound=sound, frames=found.frames / found.rate_hz, longest_s=LONGEST_S)
    return found


@lru_cache(maxsize=8)
def _pair(fixed: str, archive_folder: Path, size_db: float) -> tuple[bytes, bytes]:
    """Both versions as WAV files of one length; kept for a few trials, as those of abx are always the same."""
    import soundfile

    plan = json.loads(fixed)
    sound, files = _excerpt(plan["sound"]), []
    for one in prepared(_versions(plan, archive_folder, size_db), sound):
        out = io.BytesIO()
        samples: FloatArray = np.concatenate(list(filtered(sound, one.taps, one.gain_db)), axis=1)
        soundfile.write(out, samples.T, sound.rate_hz, format="WAV", subtype="PCM_24")
        files.append(out.getvalue())
    return files[0], files[1]


def _kept(archive: Archive, number: str) -> tuple[dict[str, Any], int]:
    found = draft(archive, _KEY + number) if number.isalnum() else None
    if found is None or not found.revision:
        raise InputError(f"there are no trials {number[:20]!r}", remedy="check the number, or begin some")
    return found.value, found.revision


def _keys(plan: Mapping[str, Any]) -> tuple[str, ...]:
    """The right answer of every answered trial: X of abx; B, which has the finding, of a threshold."""
    count = len(plan["answers"])
    if plan["kind"] == "abx":
        return tuple("AB"[dealt(plan["secret"], trial)] for trial in range(1, count + 1))
    return ("B",) * count


def _right(plan: Mapping[str, Any]) -> list[bool]:
    return [one == key for one, key in zip(plan["answers"], _keys(plan), strict=True)]


def _is_over(plan: Mapping[str, Any]) -> bool:
    return bool(plan["ended"]) or len(plan["answers"]) >= plan["planned"]


def _seen(number: str, plan: Mapping[str, Any]) -> Trials:
    secret, (a, b) = str(plan["secret"]), plan["words"]
    is_over = _is_over(plan)
    return Trials(
        number,
        plan["kind"],
        plan["title"],
        plan["listener"],
        plan["sound"] if not Path(plan["sound"]).suffix else Path(plan["sound"]).name,
        hashlib.sha256(secret.encode()).hexdigest(),
        plan["begun_at"],
        a,
        "with it" if plan["kind"] == "threshold" else b,
        plan["planned"],
        len(plan["answers"]),
        bool(plan["ended"]) and len(plan["answers"]) < plan["planned"],
        _outcome(plan) if is_over else None,
        secret if is_over else "",
    )


def _outcome(plan: Mapping[str, Any]) -> Outcome:
    answers, keys = tuple(plan["answers"]), _keys(plan)
    count = len(answers)
    center_hz, q = plan.get("center_hz"), plan.get("q")
    if plan["kind"] == "threshold":
        found = threshold(plan["sizes_db"], _right(plan)) if count >= FEWEST_SIZED else None
        estimate = None if q is None else audible_from_db(q, is_peak=plan["is_peak"], sensitive=plan["sound"] == "pink")
        return Outcome(keys, answers, None, found, center_hz, q, estimate, _threshold_words(plan, found, estimate))
    two_sided = plan["kind"] == "prefer"
    tally = counted(sum(_right(plan)), count, two_sided=two_sided) if count else None
    told = () if two_sided else keys
    return Outcome(told, answers, tally, None, center_hz, q, None, _tally_words(plan, tally))


def _tally_words(plan: Mapping[str, Any], tally: Counted | None) -> str:
    if tally is None:
        return "Broken off before any answer."
    broken = f" It was broken off: {plan['planned']} trials were planned." if tally.trials < plan["planned"] else ""
    chance = f"{100 * tally.p_value:.1f} %" if tally.p_value >= 0.001 else "under 0.1 %"
    if plan["kind"] == "prefer":
        share = max(tally.right, tally.trials - tally.right)
        which = plan["words"][1 if 2 * tally.right > tally.trials else 0]
        told = f"preferred {share} of {tally.trials} times: {which}" if 2 * tally.right != tally.trials else "a tie"
        verdict = "a preference beyond chance" if tally.is_shown else "no preference beyond chance"
        return f"{told[:1].upper()}{told[1:]}. That is {verdict} (guessing gives as much in {chance} of runs).{broken}"
    needed = fewest_right(plan["planned"])
    told = f"{tally.right} of {tally.trials} right; guessing gives as many or more in {chance} of runs."
    if tally.is_shown:
        return f"{told} The difference was heard.{broken}"
    limit = f"It may still have been heard in up to {100 * tally.heard_at_most:.0f} % of trials."
    return f"{told} That does not show that the difference was heard ({needed} right are needed). {limit}{broken}"


def _threshold_words(plan: Mapping[str, Any], found: Threshold | None, estimate_db: float | None) -> str:
    count = len(plan["answers"])
    if found is None:
        return (
            f"{count} of {plan['planned']} trials were answered: too few for a threshold, which takes {FEWEST_SIZED}."
        )
    low, high = (f"{value:.1f}" for value in (max(found.interval_db[0], 0.0), found.interval_db[1]))
    where = f"at {plan['center_hz']:.0f} Hz, Q {plan['q']:.1f}, with {plan['sound']}"
    told = f"Heard from about {found.size_db:.1f} dB on ({low} to {high} dB) {where}, over {count} trials."
    if not found.is_bounded:
        told = f"Not heard with certainty up to {max(plan['sizes_db']):g} dB {where}, over {count} trials."
    rule = "" if estimate_db is None else f" The program's own estimate for such a sound is {estimate_db:.1f} dB."
    broken = f" {plan['planned']} trials were planned." if count < plan["planned"] else ""
    return f"{told}{rule}{broken} This holds for this listener, with these headphones, at this level."


def write_trial(number: str, folder: Path, archive_folder: Path) -> tuple[Path, ...]:
    """Write the sounds of the next trial into `folder`, over those of the one before. Raises as `sounds_of`, and
    OutputError where they cannot be written."""
    made = []
    for slot, content in sounds_of(number, archive_folder).items():
        path = folder / f"{slot}.wav"
        try:
            folder.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content)
        except OSError as error:
            raise cannot_write("the sounds of a trial", path, error) from None
        made.append(path)
    return tuple(made)


def trial_lines(one: Trials, width: int | None = None) -> list[str]:
    """How trials stand, for people. width : of the terminal, None for one line a statement."""
    who = f", {one.listener}" if one.listener else ""
    lines = [
        f"trials {one.number}: {one.loudspeaker}, {one.sound}{who}, begun {one.begun_at}",
        *hanging(f"  {KINDS[one.kind]}; A: {one.a}; B: {one.b}", width),
    ]
    if one.outcome is None:
        return [*lines, f"  {one.answered} of {one.planned} answered; promise {one.promise}"]
    told = [f"  answers {' '.join(one.outcome.answers) or 'none'}"]
    if one.outcome.key:
        told.append(f"  key     {' '.join(one.outcome.key)}")
    return [*lines, *told, f"  secret {one.secret}", *hanging(f"  {one.outcome.sentence}", width)]


__all__ = [
    "KINDS",
    "Outcome",
    "Trials",
    "all_trials",
    "answer_trial",
    "begin_trials",
    "comparable",
    "end_trials",
    "own_thresholds",
    "sounds_of",
    "trial_lines",
    "trials_of",
    "write_trial",
]
