"""Exhibits: where to point the loudspeaker, with and without an equalizer designed for each aim."""

from earwitness.exhibits.advice import AimAdvised
from earwitness.exhibits.chart import Chart, Panel, Role, Table, Trace
from earwitness.exhibits.level_facts import joined, level_panel
from earwitness.exhibits.texts import chart
from earwitness.exhibits.words import number_words, sentence
from earwitness.files.data import worded
from earwitness.insight.mend.aim import Aim, AimStudy, aim_words

_COMPARED_DEG = 20.0


def aim_chart(advised: AimAdvised) -> Chart | None:
    """Direct sound and in-room prediction on axis and at the best aim, or at 20 degrees where none is better."""
    study = advised.horizontal
    if study is None:
        return None
    ahead = _at(study, 0.0)
    other = _at(study, study.best_deg or _COMPARED_DEG)
    if ahead is None or other is None:
        return None
    words = aim_words(study.aims[0].orbit, other.angle_deg, both_sides=study.both_sides)
    panels = [_panel("Direct sound", ahead, other, words, "direct")]
    if ahead.in_room is not None and other.in_room is not None:
        panels.append(_panel("Predicted in-room response", ahead, other, words, "in room"))
    return chart("aim", panels, finding=_finding(study), reading=_reading(advised), angle=words)


def _panel(label: str, ahead: Aim, other: Aim, words: str, role: Role) -> Panel:
    pairs = ((one.direct, one.in_room) for one in (ahead, other))
    first, second = (pair[0 if role == "direct" else 1] for pair in pairs)
    assert first is not None
    assert second is not None
    traces = (
        Trace(first.renamed(f"{first.key}_ahead", first.name), "before", "on axis"),
        Trace(second.renamed(f"{second.key}_turned", second.name), role, words.replace(" the axis", "", 1), True),
    )
    return level_panel(traces, label=label)


def _at(study: AimStudy, angle_deg: float) -> Aim | None:
    return next((one for one in study.aims if one.angle_deg == angle_deg), None)


def _degrees(angle_deg: float) -> str:
    return f"{number_words(angle_deg, 0)}°"


def _finding(study: AimStudy) -> str:
    return study.sentence


def _reading(advised: AimAdvised) -> str:
    up = advised.vertical
    above = f"Tilt: {up.sentence}" if up is not None else _missing(advised, "vertical")
    return joined(above, worded("exhibits.aim_means_listener_sits"))


def _missing(advised: AimAdvised, orbit: str) -> str:
    return sentence(f"the {orbit} aim cannot be studied: {advised.missing[orbit]}") if orbit in advised.missing else ""


def aim_table(study: AimStudy, *, key: str = "aims", place: str = "across") -> Table:
    """Unevenness of every aim, as it is and with an equalizer of its own."""
    has_own = any(one.roughness_mended_db is not None for one in study.aims)
    rows = []
    for one in study.aims:
        own = "not designed" if one.roughness_mended_db is None else f"{one.roughness_mended_db:.2f} dB"
        spread = f"{one.roughness_db:.2f} ± {2 * one.u_db:.2f} dB"
        notes = sentence("; ".join(one.notes)) or "As measured."
        rows.append((_degrees(one.angle_deg), spread, *((own,) if has_own else ()), notes))
    note = " ".join(sentence(words) for words in study.missing)
    return Table(
        key=key,
        title=f"Aim by aim, {place}",
        columns=("Aim", "Unevenness, rms", *(("With its own equalizer",) if has_own else ()), "Data"),
        align=("right", "right", *(("right",) if has_own else ()), "left"),
        rows=tuple(rows),
        note=joined(study.sentence, note),
    )
