"""Listening trials: which of two versions plays, or how large a finding must be to be heard.

The key of every trial follows from a secret that is drawn when the trials begin. Its hash is told at once, the secret
after the last answer, so that anybody can check that no key was changed. Answers are kept as they are given.
"""

import hashlib
import io
import json
import math
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

import numpy as np

from earwitness.app import audition
from earwitness.app.listen import Draw, draw_secret, findings_of
from earwitness.app.mend import mend_loudspeaker
from earwitness.app.read import read_loudspeaker
from earwitness.archive.catalogue import Archive
from earwitness.archive.drafts import draft, drafts_named, save_draft
from earwitness.audition.render import Sound, Version, prepared
from earwitness.errors import InputError, cannot_write, choice
from earwitness.exhibits.advice import OwnTrial
from earwitness.files.data import table_of, worded
from earwitness.insight.findings import Finding
from earwitness.insight.listening.trials import (
    LETTERS,
    TRACK_TRIALS,
    Outcome,
    Threshold,
    dealt,
    next_size_db,
    outcome_of,
    pairs_dealt,
    right_answers,
)
from earwitness.quantities import FloatArray
from earwitness.render.columns import hanging

Kind = Literal["abx", "prefer", "threshold"]
KINDS: Mapping[Kind, str] = table_of("app", "settings")["trials"]
FEWEST_TRIALS, MOST_TRIALS, USUAL_TRIALS = 5, 200, 16
LONGEST_S = 30.0
_RANKED_TRIALS = 36
_KEY = "trials "
_SAME_OCTAVES = 1.0 / 12.0


@dataclass(frozen=True, slots=True)
class Trials:
    """Trials as the listener may see them while they go on.

    number : of the trials; promise : SHA-256 of the secret; versions, forms : what is told of each, and what was
    asked for; planned, answered : counts; heard : what came out, None before the last answer; secret : likewise
    """

    number: str
    kind: Kind
    loudspeaker: str
    listener: str
    sound: str
    promise: str
    begun_at: str
    versions: tuple[str, ...]
    forms: tuple[str, ...]
    planned: int
    answered: int
    broken_off: bool
    outcome: Outcome | None = None
    secret: str = ""

    @property
    def is_over(self) -> bool:
        return self.outcome is not None


def begin_trials(
    name: str,
    archive_folder: Path,
    *,
    kind: str,
    forms: Sequence[str] = (),
    finding: int | None = None,
    against: str = "",
    curve: str = "window",
    bands: Sequence[audition.OwnBand] = (),
    sound: str = "pink",
    trials: int | None = None,
    listener: str = "",
    ears: audition.Ears | None = None,
    draw: Draw = draw_secret,
) -> Trials:
    """Plan trials of a loudspeaker of the archive, which shows its data.

    forms : two versions for abx, two to six for prefer (see `audition.FORMS`), `against` another loudspeaker's as-is
    for the last; bands : of the form "own"; finding : for a threshold. trials : 5 to 200, by default 16, for a
    threshold 80, of more than two versions 36 or more. ears : for headphones, all as a pair in a room.
    Raises InputError for versions or numbers that cannot be, AudioError for a sound that cannot be read.
    """
    asked = choice("the kind of trial", kind, tuple(KINDS))
    versions = len({*forms, *(["own"] if bands else [])}) + bool(against)
    # Trials in which every pair of more than two versions comes in both orders; 0 for two.
    block = versions * (versions - 1) if asked == "prefer" and versions > 2 else 0
    usual = TRACK_TRIALS if asked == "threshold" else -(-_RANKED_TRIALS // block) * block if block else USUAL_TRIALS
    count = usual if trials is None else trials
    fewest = max(FEWEST_TRIALS, block)
    if not fewest <= count <= MOST_TRIALS:
        raise InputError(f"{count} trials", expected=f"{fewest} to {MOST_TRIALS}")
    secret = draw()
    plan: dict[str, Any] = {
        "kind": asked, "name": name, "forms": list(dict.fromkeys(forms)), "finding": finding, "against": against,
        "curve": curve, "bands": [list(one) for one in bands], "sound": sound, "planned": count,
        "listener": " ".join(listener.split()), "secret": secret, "answers": [], "sizes_db": [], "ended": False,
        "room": None if ears is None else ears.said(),
    }  # fmt: skip
    _excerpt(sound)
    made = _versions(plan, archive_folder, next_size_db([], []))
    plan["title"] = read_loudspeaker(name, archive_folder).session.loudspeaker.title
    plan["words"] = [one.words for one in made]
    if asked == "threshold" and finding is not None:
        one = audition.finding_of(finding, findings_of(read_loudspeaker(name, archive_folder), archive_folder))
        plan["center_hz"], plan["q"], shape = audition.finding_shape(one, curve, made[0].hz)
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
            audition.finding_shape(one, curve, result.reading.curves[audition.CURVES[curve]].axis.hz)
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


def own_trials(findings: Sequence[Finding], title: str, archive_folder: Path) -> tuple[OwnTrial, ...]:
    """Trials of a loudspeaker that are over and not empty, the latest first, each beside the finding it is about.

    A threshold is of the finding nearest to its center, within a twelfth of an octave. ArchiveError without an archive.
    """
    told = []
    for one in all_trials(archive_folder):
        outcome = one.outcome
        if outcome is None or not outcome.answers or one.loudspeaker != title:
            continue
        finding = None if outcome.threshold is None else _about(findings, outcome.center_hz)
        beside, is_heard = "", None
        if finding is not None and outcome.threshold is not None:
            beside, is_heard = _beside(finding, one, outcome.threshold)
        told.append(
            OwnTrial(
                question=KINDS[one.kind], versions=one.versions, sound=one.sound, listener=one.listener,
                begun_at=one.begun_at, sentence=outcome.sentence, finding=None if finding is None else finding.key,
                beside=beside, is_heard=is_heard, about_equalizer=not {"equalized", "own"}.isdisjoint(one.forms),
            )
        )  # fmt: skip
    return tuple(told)


def _about(findings: Sequence[Finding], center_hz: float | None) -> Finding | None:
    shaped = [one for one in findings if one.q is not None]
    if center_hz is None or not shaped:
        return None
    apart = [abs(math.log2(one.center_hz / center_hz)) for one in shaped]
    nearest = apart.index(min(apart))
    return shaped[nearest] if apart[nearest] < _SAME_OCTAVES else None


def _beside(finding: Finding, one: Trials, found: Threshold) -> tuple[str, bool | None]:
    size = abs(finding.told.size_db)
    low, high = max(found.interval_db[0], 0.0), found.interval_db[1]
    who = f" by {one.listener}" if one.listener else ""
    if not found.is_bounded:
        return f"Own trials with {one.sound}: not heard with certainty{who}, at any size that was tried.", None
    is_heard = True if size > high else False if size < low else None
    verdict = {True: "more than that: heard", False: "less than that: not heard", None: "about that"}[is_heard]
    return worded(
        "app.heard_in_trials", one=one, who=who, found=found, low=low, high=high, size=size, verdict=verdict
    ), is_heard


def listeners_thresholds(archive_folder: Path, listener: str | None = None) -> tuple[Trials, ...]:
    """Trials of all loudspeakers that gave a threshold, by frequency. listener : of that one alone, None for all."""
    found = [
        one
        for one in all_trials(archive_folder)
        if one.outcome is not None and one.outcome.threshold is not None and listener in (None, one.listener)
    ]
    return tuple(sorted(found, key=lambda one: (one.outcome.center_hz if one.outcome else 0.0) or 0.0))


def sounds_of(number: str, archive_folder: Path) -> dict[str, bytes]:
    """WAV files of the next trial: "a", "b" and "x" of abx, else "1" and "2", all of one length and one loudness.

    Raises InputError where the trials are over.
    """
    with Archive.open(archive_folder, create=False) as archive:
        plan, _ = _kept(archive, number)
    trial = len(plan["answers"]) + 1
    if _is_over(plan):
        raise InputError("these trials are over", where=f"trials {number}", remedy="begin others")
    size_db = next_size_db(plan["sizes_db"], right_answers(plan)) if plan["kind"] == "threshold" else 0.0
    kept = ("kind", "name", "forms", "finding", "against", "curve", "bands", "sound", "room")
    files = _files(json.dumps({key: plan.get(key) for key in kept}), archive_folder, size_db)
    if plan["kind"] == "abx":
        return {"a": files[0], "b": files[1], "x": files[dealt(plan["secret"], trial)]}
    first, second = _played(plan, trial)
    return {"1": files[first], "2": files[second]}


def _played(plan: Mapping[str, Any], trial: int) -> tuple[int, int]:
    """Which versions are played first and second."""
    if len(plan["words"]) > 2:
        return pairs_dealt(plan["secret"], len(plan["words"]), trial)[-1]
    turned = dealt(plan["secret"], trial)
    return turned, 1 - turned


def answer_trial(number: str, trial: int, answer: str, archive_folder: Path) -> Trials:
    """Keep the answer to a trial: "A" or "B" of abx, else "1" or "2".

    InputError for other words, and for a trial that is not the next one; nothing that was answered changes.
    """
    with Archive.open(archive_folder, create=False) as archive:
        plan, revision = _kept(archive, number)
        expected = len(plan["answers"]) + 1
        if _is_over(plan) or trial != expected:
            wanted = "none: they are over" if _is_over(plan) else f"trial {expected}"
            raise InputError(f"trial {trial} cannot be answered", where=f"trials {number}", expected=wanted)
        words = ("A", "B") if plan["kind"] == "abx" else ("1", "2")
        said = choice("the answer", answer.upper(), words)
        place = words.index(said)
        if plan["kind"] != "abx":
            # What is kept is the version that was meant, not the place it was played at.
            place = _played(plan, trial)[place]
        if plan["kind"] == "threshold":
            plan["sizes_db"] = [*plan["sizes_db"], next_size_db(plan["sizes_db"], right_answers(plan))]
        plan["answers"] = [*plan["answers"], LETTERS[place]]
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


def _versions(plan: Mapping[str, Any], archive_folder: Path, size_db: float) -> tuple[Version, ...]:
    """The versions that are compared. Of a threshold: the loudspeaker without the finding, and with it at size_db."""
    result = read_loudspeaker(plan["name"], archive_folder)
    seen: list[Version]
    other = None
    if plan["kind"] == "threshold":
        if plan["finding"] is None:
            raise InputError("a threshold is that of a finding", remedy="say which finding")
        (without,) = audition.versions_for(result, archive_folder, (f"without{plan['finding']}",), curve=plan["curve"])
        one = audition.finding_of(plan["finding"], findings_of(result, archive_folder))
        _, _, shape = audition.finding_shape(one, plan["curve"], without.hz)
        change = shape * (size_db / np.max(np.abs(shape)))
        seen = [without, without.with_change("with", f"with it, {size_db:g} dB", change)]
    else:
        bands = [tuple(one) for one in plan.get("bands", ())]
        asked = dict.fromkeys([*plan["forms"], *(["own"] if bands else [])])
        curve = plan["curve"]
        seen = [*audition.versions_for(result, archive_folder, tuple(asked), curve=curve, bands=bands)] if asked else []
        if plan["against"]:
            other = read_loudspeaker(plan["against"], archive_folder)
            seen += audition.versions_for(other, archive_folder, ("as-is",), curve=plan["curve"])
    if not 2 <= len(seen) <= (len(LETTERS) if plan["kind"] == "prefer" else 2):
        raise InputError.of("app.versions_too_many", count=len(seen))
    if room := plan.get("room"):
        ears, rate_hz = audition.ears_in(**room), _excerpt(plan["sound"]).rate_hz
        if ears is not None:
            mine = seen if other is None else seen[:-1]
            heard = list(audition.in_room(mine, result, archive_folder, ears, rate_hz))
            if other is not None:
                heard += audition.in_room(seen[-1:], other, archive_folder, ears, rate_hz)
            seen = heard
    return tuple(seen)


def _excerpt(sound: str) -> Sound:
    """The sound of trials. InputError for a file longer than 30 s: a trial is played again and again."""
    found = audition.sound_for(sound)
    if found.frames > LONGEST_S * found.rate_hz:
        raise InputError.of("app.sound_too_long", sound=sound, frames=found.frames / found.rate_hz, longest_s=LONGEST_S)
    return found


@lru_cache(maxsize=8)
def _files(fixed: str, archive_folder: Path, size_db: float) -> tuple[bytes, ...]:
    """The versions as WAV files of one length; kept for a few trials, as those of abx are always the same."""
    import soundfile

    plan = json.loads(fixed)
    sound, files = _excerpt(plan["sound"]), []
    for one in prepared(_versions(plan, archive_folder, size_db), sound):
        out = io.BytesIO()
        samples: FloatArray = np.concatenate(list(one.pieces()), axis=1)
        soundfile.write(out, samples.T, sound.rate_hz, format="WAV", subtype="PCM_24")
        files.append(out.getvalue())
    return tuple(files)


def _kept(archive: Archive, number: str) -> tuple[dict[str, Any], int]:
    found = draft(archive, _KEY + number) if number.isalnum() else None
    if found is None or not found.revision:
        raise InputError(f"there are no trials {number[:20]!r}", remedy="check the number, or begin some")
    return found.value, found.revision


def _is_over(plan: Mapping[str, Any]) -> bool:
    return bool(plan["ended"]) or len(plan["answers"]) >= plan["planned"]


def _seen(number: str, plan: Mapping[str, Any]) -> Trials:
    secret, versions = str(plan["secret"]), tuple(plan["words"])
    is_over = _is_over(plan)
    return Trials(
        number=number,
        kind=plan["kind"],
        loudspeaker=plan["title"],
        listener=plan["listener"],
        sound=plan["sound"] if not Path(plan["sound"]).suffix else Path(plan["sound"]).name,
        promise=hashlib.sha256(secret.encode()).hexdigest(),
        begun_at=plan["begun_at"],
        versions=(versions[0], "with it") if plan["kind"] == "threshold" else versions,
        forms=(*plan["forms"], *(["own"] if plan.get("bands") else [])),
        planned=plan["planned"],
        answered=len(plan["answers"]),
        broken_off=bool(plan["ended"]) and len(plan["answers"]) < plan["planned"],
        outcome=outcome_of(plan) if is_over else None,
        secret=secret if is_over else "",
    )


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
    rows = "; ".join(f"{letter}: {words}" for letter, words in zip(LETTERS, one.versions, strict=False))
    lines = [
        f"trials {one.number}: {one.loudspeaker}, {one.sound}{who}, begun {one.begun_at}",
        *hanging(f"  {KINDS[one.kind]}; {rows}", width),
    ]
    if one.outcome is None:
        return [*lines, f"  {one.answered} of {one.planned} answered; promise {one.promise}"]
    told = [f"  answers {' '.join(one.outcome.answers) or 'none'}"]
    if one.outcome.key:
        told.append(f"  key     {' '.join(one.outcome.key)}")
    return [*lines, *told, f"  secret {one.secret}", *hanging(f"  {one.outcome.sentence}", width)]
