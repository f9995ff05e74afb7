"""What the rig remembers: its microphones and calibrators, and a check loudspeaker that tells whether it drifts."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import fmean
from typing import Any

from earwitness.app.jobs import Progress, part, silent
from earwitness.archive import drafts
from earwitness.archive.catalogue import Archive
from earwitness.archive.devices import Device, devices
from earwitness.archive.entries import SessionEntry
from earwitness.errors import InputError
from earwitness.figures.read import levels_of
from earwitness.figures.sensitivity import mean_level_db
from earwitness.figures.windows import windows
from earwitness.files.data import worded
from earwitness.insight.control import BASELINE, Control, control, sessions_until_told
from earwitness.quantities import Measurement

_KEY = "rig"
LEVEL_HZ, TREBLE_HZ = (200.0, 2000.0), (4000.0, 12_000.0)
FIGURES = {"level": "level, 200 Hz to 2 kHz", "treble": "treble, 4 to 12 kHz, against it"}
STEP_DB = 0.3
_MOST_SESSIONS = 40
WARMER_C = 5.0
_HALF_BAR = 10
_CAUSES = {
    "level": "the gain or the voltage, the calibrator or how it sat, the place, or the check loudspeaker itself",
    "treble": "the microphone's capsule or grid, its aim, the air, or the check loudspeaker's tweeter",
}


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
    devices: tuple[Device, ...]


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
        drafts.save_draft(archive, _KEY, value, revision=drafts.draft(archive, _KEY).revision)


def rig_told(archive_folder: Path, *, progress: Progress = silent) -> RigTold:
    """The rig as the archive knows it; sessions of the check loudspeaker that were never reduced are reduced."""
    # Adding a session asks the rig too.
    from earwitness.app.add import measurement_of

    with Archive.open(archive_folder, create=False) as archive:
        kept = drafts.draft(archive, _KEY).value
        sessions = _check_sessions(archive, kept)
        rows = []
        for place, one in enumerate(sessions):
            told = part(progress, place / len(sessions), (place + 1) / len(sessions))
            rows.append(_figures(measurement_of(archive, one.id, progress=told)[0]))
        return _told(archive, kept, sessions, rows)


def rig_warnings(archive: Archive, session_id: int, reduced: Callable[[Archive, int], Measurement | None]) -> list[str]:
    """What the check loudspeaker says of the rig when a session is taken in; reduced : what is kept of a session."""
    kept = drafts.draft(archive, _KEY).value
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
        return RigTold("", "", (), (), {}, devices(archive))
    charts = {}
    for key in FIGURES:
        chart = control([row[key] for row in rows], figures=len(FIGURES)) if all(key in row for row in rows) else None
        if chart is not None:
            charts[key] = chart
    entry = archive.loudspeaker(kept["check"])
    airs = [archive.session(one.id).environment for one in sessions]
    warm = tuple(air.temperature_c if "temperature_c" in air.model_fields_set else None for air in airs)
    return RigTold(f"{entry.maker} {entry.name}", kept["because"], sessions, warm, charts, devices(archive))


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
    what = (
        f"The check loudspeaker {told.check} reads {chart.level[-1] - chart.mean:+.2f} dB ({FIGURES[key]}) against its "
        f"first {chart.baseline} sessions, which scatter by {chart.sd:.2f} dB. "
    )
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
