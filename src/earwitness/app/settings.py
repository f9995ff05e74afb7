"""Kept between sessions: choices for the reduction, the distance listened at, the tester's own words, the rig."""

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from statistics import fmean
from typing import Any

from pydantic import ConfigDict

from earwitness.app.jobs import Progress, part, silent
from earwitness.archive import drafts
from earwitness.archive.catalogue import Archive
from earwitness.archive.devices import Instrument, devices
from earwitness.archive.entries import SessionEntry
from earwitness.archive.latest import DISTANCE, REDUCTION, WORDS, keep_next, kept_last
from earwitness.errors import InputError, OutputError
from earwitness.figures.level_series import SEAT_M
from earwitness.figures.read import levels_of
from earwitness.figures.sensitivity import mean_level_db
from earwitness.figures.windows import windows
from earwitness.files.data import table_of, worded
from earwitness.files.durable import write_bytes
from earwitness.insight.variation import BASELINE, Control, control, sessions_until_told
from earwitness.publish.own_words import NO_WORDS, OwnWords, own_words_of, template
from earwitness.quantities import Measurement
from earwitness.reduce.plan import ReduceSettings

# The blend needs a third of an octave, as the splice itself does.
_NARROWEST = 2.0 ** (1 / 3)


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing that may be chosen. low, high : its limits in `unit`; step : of a slider."""

    key: str
    name: str
    unit: str
    low: float
    high: float
    step: float
    help: str


CHOICES = tuple(Choice(key, **row) for key, row in table_of("app", "choices").items())


@dataclass(frozen=True, slots=True)
class Chosen:
    """What was chosen, None where the program decides. Keys and units as in CHOICES."""

    __pydantic_config__ = ConfigDict(extra="forbid")
    gate_ms: float | None = None
    taper_percent: float | None = None
    near_window_ms: float | None = None
    splice_low_hz: float | None = None
    splice_high_hz: float | None = None

    def __post_init__(self) -> None:
        for one in CHOICES:
            value = getattr(self, one.key)
            if value is None:
                continue
            if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
                raise InputError(f"{one.name} is no number", expected=_span(one))
            if not one.low <= value <= one.high:
                raise InputError(f"{one.name} is {value:g} {one.unit}", expected=_span(one))
        low, high = self.splice_low_hz, self.splice_high_hz
        if low is not None and high is not None and high < _NARROWEST * low:
            raise InputError.of("app.splice_too_narrow", low=low, high=high, least_hz=math.ceil(_NARROWEST * low))

    @property
    def is_automatic(self) -> bool:
        return self == Chosen()

    def words(self) -> str:
        """What was chosen, in words; "all automatic" for nothing."""
        told = [
            f"{one.name.lower()} {getattr(self, one.key):g} {one.unit}"
            for one in CHOICES
            if getattr(self, one.key) is not None
        ]
        return ", ".join(told) or "all automatic"


AUTOMATIC = Chosen()


def reduce_settings(chosen: Chosen) -> ReduceSettings:
    """The settings of the reduction that follow from what was chosen."""
    usual = ReduceSettings()
    return replace(
        usual,
        gate_length_s=usual.gate_length_s if chosen.gate_ms is None else chosen.gate_ms * 1e-3,
        fall_share=usual.fall_share if chosen.taper_percent is None else chosen.taper_percent / 100.0,
        near_window_s=usual.near_window_s if chosen.near_window_ms is None else chosen.near_window_ms * 1e-3,
        splice_low_hz=chosen.splice_low_hz,
        splice_high_hz=chosen.splice_high_hz,
    )


def chosen_from(value: Any, *, where: str = "") -> Chosen:
    """What was chosen, from a plain JSON value. Raises InputError for anything that Chosen cannot hold."""
    known = {one.name for one in fields(Chosen)}
    if value is None:
        return AUTOMATIC
    if not isinstance(value, dict) or not set(value) <= known:
        raise InputError.of("app.settings_unclear", where=where)
    return Chosen(**value)


def need_choice(text: str) -> None:
    """Raise InputError for a choice, as JSON text from elsewhere, that cannot be used."""
    chosen_from(json.loads(text))


def draft_key(session_id: int) -> str:
    """Where the choice of a session is kept among the drafts."""
    return f"{REDUCTION}{session_id}"


def kept_choice(archive: Archive, session_id: int) -> tuple[Chosen, drafts.SavedDraft]:
    """What the tester keeps for a session, and the draft that holds it. Raises as `chosen_from`."""
    draft = drafts.draft(archive, draft_key(session_id))
    return chosen_from(draft.value, where=draft.key), draft


def choice_of(session_id: int, archive_folder: Path) -> tuple[Chosen, drafts.SavedDraft]:
    """As `kept_choice`, from an archive's folder."""
    with Archive.open(archive_folder, create=False) as archive:
        return kept_choice(archive, session_id)


def keep_choice(
    session_id: int, chosen: Chosen, archive_folder: Path, *, revision: int | None = None
) -> drafts.SavedDraft:
    """Keep what was chosen for a session, from now on used by all that reads it.

    revision : of the draft that the choice was made from, None where nobody else can have changed it. Raises
    StaleDraftError where it was changed elsewhere since.
    """
    with Archive.open(archive_folder, create=False) as archive:
        key = draft_key(session_id)
        seen = drafts.draft(archive, key).revision if revision is None else revision
        if seen == 0:
            # So that undoing the first choice leads back to automatic.
            seen = drafts.save_draft(archive, key, asdict(AUTOMATIC), revision=0).revision
        return drafts.save_draft(archive, key, asdict(chosen), revision=seen)


def carry_choice(archive: Archive, session_id: int) -> Chosen:
    """Keep for a new session what was chosen for the one that it took the place of; AUTOMATIC where nothing was.

    Raises as `chosen_from`, and OutputError where the archive cannot be written.
    """
    former = archive.superseded_by(session_id)
    chosen = kept_choice(archive, former[-1].id)[0] if former else AUTOMATIC
    if not chosen.is_automatic:
        drafts.save_draft(archive, draft_key(session_id), asdict(chosen), revision=0, before=asdict(AUTOMATIC))
    return chosen


def _span(one: Choice) -> str:
    return f"{one.low:g} to {one.high:g} {one.unit}"


NEAREST_M, FARTHEST_M = 0.5, 10.0


def checked_distance(distance_m: Any, *, where: str = "") -> float:
    """A listening distance [m]. InputError for one that is no number or out of bounds."""
    is_number = isinstance(distance_m, int | float) and not isinstance(distance_m, bool)
    if not is_number or not math.isfinite(distance_m) or not NEAREST_M <= distance_m <= FARTHEST_M:
        shown = f"{distance_m:g} m" if is_number else repr(distance_m)[:40]
        nearest, farthest = NEAREST_M, FARTHEST_M
        raise InputError.of("app.listening_distance", where=where, shown=shown, nearest_m=nearest, farthest_m=farthest)
    return float(distance_m)


def kept_distance(archive: Archive) -> float:
    """The tester's listening distance [m], 3 m where none is kept. InputError for a kept one that cannot be."""
    found = drafts.draft(archive, DISTANCE).value
    return SEAT_M if found is None else checked_distance(found, where="the archive's listening distance")


def distance_in(archive_folder: Path) -> float:
    """As `kept_distance`, from an archive's folder. Raises ArchiveError where there is none."""
    with Archive.open(archive_folder, create=False) as archive:
        return kept_distance(archive)


def keep_distance(distance_m: float, archive_folder: Path) -> float:
    """Keep the tester's listening distance [m] for all that is read, matched and published from now on.

    Raises InputError as `checked_distance`, OutputError where the archive cannot be written.
    """
    checked = checked_distance(distance_m)
    with Archive.open(archive_folder) as archive:
        drafts.save_draft(archive, DISTANCE, checked, revision=drafts.draft(archive, DISTANCE).revision)
    return checked


def distance_setting(distance_m: float) -> dict[str, str]:
    """What a step or an index entry says of the distance: nothing for the usual one, whose results stay what they
    are."""
    return {} if distance_m == SEAT_M else {"listening_distance": f"{distance_m:g} m"}


_MOST_BYTES = 200_000


def words_of(name: str, archive_folder: Path) -> OwnWords:
    """The words on the loudspeaker called `name`. Raises as `Archive.find`."""
    with Archive.open(archive_folder, create=False) as archive:
        return own_words(archive, archive.find(name).id)


def own_words(archive: Archive, loudspeaker_id: int) -> OwnWords:
    """The words that were kept last, whichever session they were written for."""
    document = kept_last(archive, loudspeaker_id, WORDS)
    return NO_WORDS if document is None else own_words_of(str(document.get("markdown", "")))


def keep_words(name: str, path: Path, archive_folder: Path) -> OwnWords:
    """Keep the Markdown file at `path` as the words on a loudspeaker; equal words are kept once.

    Raises InputError for a file that cannot be read, is no text or has other headings than the template's.
    """
    return keep_text(name, _read(path), archive_folder, where=str(path))


def keep_text(name: str, text: str, archive_folder: Path, *, where: str = "") -> OwnWords:
    """As `keep_words`, for text that was entered."""
    if len(text.encode("utf-8", "replace")) > _MOST_BYTES:
        raise InputError("the text is too long", where=where, expected=f"at most {_MOST_BYTES // 1000} kB")
    found = own_words_of(text, where=where)
    with Archive.open(archive_folder, create=False) as archive:
        owner = archive.find(name)
        if own_words(archive, owner.id) != found:
            keep_next(archive, owner.id, WORDS, {"markdown": found.markdown})
    return found


def write_words(name: str, path: Path, archive_folder: Path) -> Path:
    """Write the words on a loudspeaker to a new file, to be edited; the template where there are none.

    Raises OutputError where there is something at `path`.
    """
    if path.exists():
        raise OutputError("there is a file already, it was left as it is", where=str(path), remedy="give another name")
    with Archive.open(archive_folder, create=False) as archive:
        owner = archive.find(name)
        found = own_words(archive, owner.id)
    return write_bytes(path, (found.markdown or template(f"{owner.maker} {owner.name}")).encode())


def _read(path: Path) -> str:
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise InputError("the text is too long", where=str(path), expected=f"at most {_MOST_BYTES // 1000} kB")
        return path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError.of("app.text_unreadable", where=str(path)) from error


_RIG_KEY = "rig"
LEVEL_HZ, TREBLE_HZ = (200.0, 2000.0), (4000.0, 12_000.0)
FIGURES = {"level": "level, 200 Hz to 2 kHz", "treble": "treble, 4 to 12 kHz, against it"}
STEP_DB = 0.3
_MOST_SESSIONS = 40
WARMER_C = 5.0
_HALF_BAR = 10
_CAUSES: Mapping[str, str] = table_of("app", "settings")["drift_causes"]


@dataclass(frozen=True, slots=True, eq=False)
class RigTold:
    """check : title of the check loudspeaker, "" without one; sessions : of it that count, oldest first, from the
    baseline on, temperature_c of each, None where it is not stated; charts : by key of FIGURES, empty with fewer than
    the baseline needs; devices : by serial."""

    check: str
    because: str
    sessions: tuple[SessionEntry, ...]
    temperature_c: tuple[float | None, ...]
    charts: Mapping[str, Control]
    devices: tuple[Instrument, ...]


def keep_check(name: str, archive_folder: Path, *, since: int | None = None, because: str = "") -> None:
    """The loudspeaker called `name` is the check of the rig; since : session with which its baseline begins anew.

    Each word is kept in the history of the archive's drafts. Raises InputError for an unknown loudspeaker or session,
    or a new baseline without a reason.
    """
    with Archive.open(archive_folder) as archive:
        entry = archive.find(name)
        if since is not None and since not in {one.id for one in archive.sessions_of(entry.id)}:
            raise InputError.of("app.session_missing", entry=entry, since=since)
        if since is not None and not because.strip():
            raise InputError.of("app.baseline_without_reason")
        value = {"check": entry.id, "since": since, "because": because}
        drafts.save_draft(archive, _RIG_KEY, value, revision=drafts.draft(archive, _RIG_KEY).revision)


def rig_told(archive_folder: Path, *, progress: Progress = silent) -> RigTold:
    """The rig as the archive knows it; sessions of the check loudspeaker that were never reduced are reduced."""
    # Adding a session asks the rig too.
    from earwitness.app.add import measurement_of

    with Archive.open(archive_folder, create=False) as archive:
        kept = drafts.draft(archive, _RIG_KEY).value
        sessions = _check_sessions(archive, kept)
        rows = []
        for place, one in enumerate(sessions):
            told = part(progress, place / len(sessions), (place + 1) / len(sessions))
            rows.append(_figures(measurement_of(archive, one.id, progress=told)[0]))
        return _told(archive, kept, sessions, rows)


def rig_warnings(archive: Archive, session_id: int, reduced: Callable[[Archive, int], Measurement | None]) -> list[str]:
    """What the check loudspeaker says of the rig when a session is taken in; reduced : what is kept of a session."""
    kept = drafts.draft(archive, _RIG_KEY).value
    if kept is None:
        return []
    found = []
    for one in _check_sessions(archive, kept):
        measured = reduced(archive, one.id)
        if measured is not None:
            found.append((one, _figures(measured)))
    told = _told(archive, kept, tuple(one for one, _ in found), [row for _, row in found])
    return [
        sentence
        for key, chart in told.charts.items()
        if chart.drifted or told.sessions[-1].id == session_id
        for sentence in (_sentence(told, key, chart),)
        if sentence
    ]


def _check_sessions(archive: Archive, kept: Mapping[str, Any] | None) -> tuple[SessionEntry, ...]:
    """The first of the baseline and the latest after it."""
    if kept is None:
        return ()
    rows = [one for one in archive.sessions_of(kept["check"]) if one.standing == "counts"]
    first = next((place for place, one in enumerate(rows) if one.id == kept["since"]), 0)
    rows = rows[first:]
    return (*rows[:BASELINE], *rows[BASELINE:][-_MOST_SESSIONS:])


def _told(
    archive: Archive, kept: Mapping[str, Any] | None, sessions: tuple[SessionEntry, ...], rows: list[dict[str, float]]
) -> RigTold:
    if kept is None:
        return RigTold(check="", because="", sessions=(), temperature_c=(), charts={}, devices=devices(archive))
    charts = {}
    for key in FIGURES:
        chart = control([row[key] for row in rows], figures=len(FIGURES)) if all(key in row for row in rows) else None
        if chart is not None:
            charts[key] = chart
    entry = archive.loudspeaker(kept["check"])
    airs = [archive.session(one.id).environment for one in sessions]
    warm = tuple(air.temperature_c if "temperature_c" in air.model_fields_set else None for air in airs)
    return RigTold(f"{entry.maker} {entry.name}", kept["because"], sessions, warm, charts, devices=devices(archive))


def _figures(measured: Measurement) -> dict[str, float]:
    """Means on axis over the logarithm of frequency [dB]; what the session cannot show is left out."""
    levels = levels_of(measured.response)
    axis = windows(levels, only=("on_axis",)).curves.get("on_axis")
    if axis is None or not measured.response.absolute:
        return {}
    level, treble = mean_level_db(axis, LEVEL_HZ), mean_level_db(axis, TREBLE_HZ)
    found = {} if level is None else {"level": level}
    return found if level is None or treble is None else {**found, "treble": treble - level}


def _sentence(told: RigTold, key: str, chart: Control) -> str:
    """What an alarm of the last session means; "" without one."""
    if not chart.alarm[-1]:
        return ""
    off_db = chart.level[-1] - chart.mean
    what = worded("app.check_reads", told=told, off_db=off_db, figure=FIGURES[key], chart=chart)
    if not chart.drifted:
        return what + "Once may be a slip: set it up and measure it again now, before anything else."
    what += _warmer(told.temperature_c, chart.baseline)
    good = [one for one, bad in zip(told.sessions, chart.alarm, strict=True) if not bad]
    return what + worded("app.drift", date=good[-1].date, causes=_CAUSES[key])


def _warmer(temperature_c: Sequence[float | None], baseline: int) -> str:
    first = [one for one in temperature_c[:baseline] if one is not None]
    now = temperature_c[-1]
    if now is None or not first or abs(now - fmean(first)) < WARMER_C:
        return ""
    word = "warmer" if now > fmean(first) else "colder"
    return worded("app.other_temperature", apart_c=abs(now - fmean(first)), word=word)


def rig_lines(told: RigTold) -> list[str]:
    """The rig as lines of text."""
    lines = []
    for one in told.devices:
        name = f"{one.name}, " if one.name else ""
        days = one.first if one.first == one.last else f"{one.first} to {one.last}"
        count = f"{one.sessions} session{'' if one.sessions == 1 else 's'}"
        lines.append(f"{one.kind}: {name}serial {one.serial}, {count}, {days}")
    if not told.devices:
        lines.append("no session names a microphone or calibrator by its serial number")
    if not told.check:
        return [*lines, 'no check loudspeaker: earwitness measure rig --check "NAME" takes one']
    lines += ["", f"check loudspeaker: {told.check}, {len(told.sessions)} sessions that count"]
    if not told.charts:
        short = BASELINE - len(told.sessions)
        why = (
            f"{short} more make its baseline"
            if short > 0
            else "one of them shows no level on axis from a calibrated rig"
        )
        return [*lines, f"no chart yet: {why}"]
    for key, chart in told.charts.items():
        lines += _chart_lines(told, key, chart)
    return lines


def _chart_lines(told: RigTold, key: str, chart: Control) -> list[str]:
    within = sessions_until_told(STEP_DB, chart, figures=len(FIGURES))
    lines = ["", worded("app.control_scatter", figures=FIGURES[key], chart=chart, step_db=STEP_DB, within=within)]
    for place, one in enumerate(told.sessions):
        off, warm = chart.level[place] - chart.mean, told.temperature_c[place]
        words = f"    {one.date}  session {one.id:<5} {round(off, 2) + 0.0:+.2f} dB  "
        words += _plotted(off, chart.single_limit[place])
        words += "           " if warm is None else f"  {warm:5.1f} °C"
        if place < chart.baseline:
            lines.append(words + "  baseline")
            continue
        words += f"  weighted {round(chart.ewma[place], 2) + 0.0:+.2f}, limit {chart.ewma_limit[place]:.2f}"
        lines.append(words + ("  ALARM" if chart.alarm[place] else ""))
    lines.append("    each bar reaches from limit to limit of a single session, 0 is its middle")
    return [*lines, _sentence(told, key, chart) or "    no drift beyond the limits"]


def _plotted(off_db: float, limit_db: float) -> str:
    """A session as a dot between the limits of a single one, at their ends where it is beyond."""
    bar = list(f"[{'.' * _HALF_BAR}|{'.' * _HALF_BAR}]")
    place = _HALF_BAR + 1 + round(off_db / limit_db * _HALF_BAR)
    bar[min(max(place, 0), len(bar) - 1)] = "o"
    return "".join(bar)
