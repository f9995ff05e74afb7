"""Exhibits: what was heard, over the curves it speaks of, each remark with its verdict; heard, measured, mended."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import ceil
from typing import Literal

from earwitness.exhibits.advice import Advice, HeardSheet, OwnTrial, marked
from earwitness.exhibits.chart import Caption, Chart, ChartRegion, Lane, Span, Table, table
from earwitness.exhibits.level_facts import joined, level_panel, level_span, splice_region, traces_of
from earwitness.exhibits.mend import band_words
from earwitness.exhibits.words import listed, one_line, sentence, true_minus
from earwitness.insight.findings import Finding
from earwitness.insight.findings.finding import AimAnswer
from earwitness.insight.findings.search import COSTLY_DIP_DB
from earwitness.insight.findings.sentences import signed_db
from earwitness.insight.listening import trials as listening_trials
from earwitness.insight.listening.matching import MatchedRemark, RemarkVerdict, chance_in_words, span_in_words
from earwitness.insight.listening.remark import is_attribute
from earwitness.insight.mend.aim import aim_words
from earwitness.insight.mend.equalizer import Band
from earwitness.insight.mend.stop import mends
from earwitness.quantities import Measurement, Reading

_ROW_DB = 3.0
_MOST_BARS = 6
SEALED = "The notes were sealed before the data were shown"
KNOWN = "These notes were made with the data known, so they prove nothing about the ear"
_VERDICTS: dict[RemarkVerdict, str] = {
    "agrees": "agrees with the data",
    "contradicts": "contradicts the data",
    "no match in the data": "has no match in the data",
    "not judged": "cannot be judged",
}


def heard_chart(
    reading: Reading, measurement: Measurement, heard: HeardSheet, findings: Sequence[Finding], *, number: int = 1
) -> Chart | None:
    """Remarks as bars over the listening window; None without remarks or a curve of the direct sound."""
    key = "listening_window" if "listening_window" in reading.curves else "on_axis"
    if key not in reading.curves or all(is_attribute(one.remark) for one in heard.matching.remarks):
        return None
    shown = tuple(one for one in heard.matching.remarks if not is_attribute(one.remark))[:_MOST_BARS]
    traces = traces_of(
        reading, ((key, "window" if key == "listening_window" else "direct", key.replace("_", " "), True),)
    )
    low, high = level_span((reading.curves[key],), span_db=20.0)
    high += 5.0 * ceil(_ROW_DB * len(shown) / 5.0)
    bars = tuple(
        ChartRegion("heard", *_span(one), high=high - 1.0 - _ROW_DB * row, label=f"{one.remark.word}: {one.verdict}")
        for row, one in enumerate(shown)
    )
    panel = level_panel(traces, span=(low, high), regions=(*bars, *splice_region(measurement)))
    chart = Chart(
        key="balance",
        title="What was heard, over what was measured",
        subtitle=f"Remarks of the listening sheet as bars; {traces[0].label} beneath",
        caption=Caption(_finding(heard, findings), _reading(heard)),
        panels=(panel,),
    )
    direct = tuple(one for one in findings if one.kind not in ("off_axis", "vertical"))
    chart = marked(chart, direct)
    return replace(chart, key=f"heard-{number}" if number > 1 else "heard")


def heard_table(heard: HeardSheet, findings: Sequence[Finding], *, number: int = 1) -> Table:
    """Every remark, verdict and numbers; then the findings that no remark rests on."""
    rows: list[tuple[str, str, str, str]] = [
        (
            f"“{one.remark.word}”" + (f", “{one_line(one.remark.text)}”" if one_line(one.remark.text) else ""),
            "no region" if is_attribute(one.remark) else _where(one.remark.region.low_hz, one.remark.region.high_hz),
            one.verdict,
            _numbers(one),
        )
        for one in heard.matching.remarks
    ]
    for place in heard.matching.unheard:
        finding = findings[place]
        rows.append(("nothing was said", _where(finding.low_hz, finding.high_hz), "not heard",
                     true_minus(f"Finding {finding.key}: {finding.title}.")))  # fmt: skip
    test = heard.matching.test
    told = chance_in_words(test) if test is not None else sentence(heard.matching.reason)
    return Table(
        key=f"heard-remarks-{number}",
        title="Remarks against data",
        columns=("Heard", "Where", "Verdict", "Numbers"),
        align=("left", "left", "left", "left"),
        rows=tuple(rows),
        note=joined(sheet_words(heard), told),
    )


def trials_table(trials: Sequence[OwnTrial]) -> Table | None:
    """What blind trials showed, beside the findings they are about; None without any."""
    rows = (
        (
            one.begun_at[:10],
            one_line(one.listener) or "not named",
            one_line(one.sound),
            f"{one.question}: {listed(one.versions)}",
            f"Finding {one.finding}. {one.beside}" if one.beside else one.sentence,
        )
        for one in trials
    )
    return table("heard-trials", tuple(tuple(map(true_minus, row)) for row in rows)) if trials else None


def trial_words(one: OwnTrial) -> str:
    """A line on trials: question, sound, listener, what came out."""
    who = f", {one_line(one.listener)}" if one.listener else ""
    return f"Own trials ({one.question}; {one_line(one.sound)}{who}): {one.sentence}"


def sheet_words(heard: HeardSheet) -> str:
    """Who listened, when, how, and under which seal."""
    sheet = heard.sheet
    who = "The listener is not named" if sheet.listener == "not stated" else f"Listener: {one_line(sheet.listener)}"
    how = "blind" if sheet.is_blind else "sighted"
    eq = "with an equalizer" if sheet.has_equalizer else "without equalizer"
    place = f"{sheet.distance_m:g} m away, {sheet.aim_deg:g}° off the axis, {sheet.level_db:g} dB at the seat"
    when = sheet.time.replace("T", " ")
    seal = KNOWN if heard.is_after_data else SEALED
    return f"{who}, {when}, {how}, {eq}, {place}. {seal} (seal {heard.sha256[:16]}, {heard.sealed_at})."


def listeners_table(found: listening_trials.Agreement | None) -> Table | None:
    """What each listener said of each region that anybody spoke of, side by side; None for one listener."""
    if found is None:
        return None
    left: Literal["left"] = "left"
    return table(
        "listeners",
        tuple(
            (name, *(row[place] or "nothing" for row in found.said))
            for place, (name, _) in enumerate(listening_trials.BANDS)
            if any(row[place] for row in found.said)
        ),
        columns=("Region", *found.listeners),
        align=(left,) * (1 + len(found.listeners)),
        note=listening_trials.agreement_in_words(found),
    )


def reliability_table(rows: Sequence[listening_trials.Reliability]) -> Table | None:
    """How often a tester's remarks agree, by region; None without any that was judged."""
    kept = [one for one in rows if one.judged]
    if not kept:
        return None
    return table(
        "reliability",
        tuple(
            (one.band, str(one.agrees), str(one.contradicts), str(one.no_match), _share(one), _expected(one))
            for one in kept
        ),
    )


def _share(one: listening_trials.Reliability) -> str:
    if one.share is None or one.interval is None:
        return "no remarks"
    low, high = one.interval
    return f"{100 * one.share:.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"


def _expected(one: listening_trials.Reliability) -> str:
    return "not known" if one.expected is None else f"{100 * one.expected:.0f} %"


def _span(one: MatchedRemark) -> tuple[float, float]:
    return max(one.remark.region.low_hz, 20.0), min(one.remark.region.high_hz, 20_000.0)


def _where(low_hz: float, high_hz: float) -> str:
    """A band whose numbers stay with their units."""
    words = span_in_words(low_hz, high_hz)
    return words.replace(" Hz", "\N{NO-BREAK SPACE}Hz").replace(" kHz", "\N{NO-BREAK SPACE}kHz")


def _numbers(one: MatchedRemark) -> str:
    """The sentence of a verdict without its head, which the other columns hold."""
    told = one.sentence.split(f"): {one.verdict}", 1)[-1].lstrip(";, ")
    words = sentence(told) or sentence(_VERDICTS[one.verdict])
    return f"{words} Said before in the same sense; counts once." if one.repeats is not None else words


def _finding(heard: HeardSheet, findings: Sequence[Finding]) -> str:
    matching = heard.matching
    count = len(matching.remarks)
    told: tuple[tuple[RemarkVerdict, str, str], ...] = (
        ("agrees", "agrees with the data", "agree with the data"),
        ("contradicts", "contradicts the data", "contradict the data"),
        ("no match in the data", "has no match in the data", "have no match in the data"),
        ("not judged", "cannot be judged", "cannot be judged"),
    )
    counts = [(matching.count(verdict), single, several) for verdict, single, several in told]
    parts = tuple(f"{many} {single if many == 1 else several}" for many, single, several in counts if many)
    first = f"Of {count} remark{'s' if count != 1 else ''} {listed(parts)}."
    unheard = [str(findings[place].key) for place in matching.unheard]
    if not unheard:
        return f"{first} Every finding was heard."
    one = len(unheard) == 1
    return f"{first} Finding{'' if one else 's'} {listed(tuple(unheard))} {'was' if one else 'were'} not heard."


def _reading(heard: HeardSheet) -> str:
    test = heard.matching.test
    told = chance_in_words(test) if test is not None else sentence(heard.matching.reason)
    hidden = len(heard.matching.remarks) - min(
        _MOST_BARS, sum(not is_attribute(one.remark) for one in heard.matching.remarks)
    )
    more = f"{hidden} more remarks stand in the table." if hidden > 0 else ""
    seal = f"{KNOWN if heard.is_after_data else SEALED}."
    return joined("Each bar is one remark, over the range it speaks of.", seal, told, more)


def heard_from_table(rows: Sequence[tuple[str, ...]]) -> Table | None:
    """Thresholds from trials: at, Q, sound, listener, heard from, estimate; None without any."""
    return table("heard-from", rows) if rows else None


def noticed_table(rows: Sequence[listening_trials.Noticed]) -> Table | None:
    """By region, how many findings a tester wrote of: of those that may be heard, and of smaller ones."""
    kept = [one for one in rows if one.audible or one.small]
    if not kept:
        return None
    return table(
        "noticed",
        (
            (one.band, f"{one.audible_noted} of {one.audible}", _interval(one.audible_noted, one.audible),
             f"{one.small_noted} of {one.small}")
            for one in kept
        ),
    )  # fmt: skip


def _interval(noted: int, count: int) -> str:
    if not count:
        return "none"
    low, high = listening_trials.wilson_interval(noted, count)
    return f"{100 * low:.0f} to {100 * high:.0f} %"


_NOT_HEARD = "not heard"
_LEFT = {
    "near_axis": "only another aim mends it; not equalized",
    "off_axis": "no equalizer mends it",
    "vertical": "mind the height of the ears; not equalized",
    "partial": "left alone: it is not the same in all directions",
    "band_limit": "nothing to mend: an end of the range",
    "tilt": "see the broad bands of the equalizer",
}


@dataclass(frozen=True, slots=True)
class StoryLine:
    """One line of the story. number : of the finding, "" where none answers; has_... : the part says something."""

    number: str
    heard: str
    measured: str
    mended: str
    is_heard: bool
    is_mended: bool


def story(advice: Advice) -> tuple[StoryLine, ...]:
    """The story in the findings' order, then the remarks without one; empty without findings."""
    return (*(_line(one, place, advice) for place, one in enumerate(advice.findings)), *_unanswered(advice))


def score(advice: Advice) -> tuple[Lane, ...]:
    """What was heard, measured and mended as lines over frequency; findings that have no place there are left out."""
    heard = tuple(
        Span(one.remark.region.low_hz, one.remark.region.high_hz, _heard_words(one), one.verdict == "agrees")
        for sheet in advice.heard
        for one in sheet.matching.remarks
        if not is_attribute(one.remark)
    )
    shown = [one for one in advice.findings if one.kind not in ("tilt", "band_limit")]
    measured = tuple(
        Span(one.low_hz, one.high_hz, f"{one.key}\N{NO-BREAK SPACE}{signed_db(one.told.size_db)}", True)
        for one in shown
    )
    bands = () if advice.mend is None or advice.mend.design is None else advice.mend.design.equalizer.bands
    mended = tuple(_mended_span(one, [band for band in bands if mends(band, one)]) for one in shown)
    lanes = Lane("heard", heard), Lane("measured", measured), Lane("mended", mended)
    return lanes if measured else ()


def _heard_words(one: MatchedRemark) -> str:
    return (
        one.remark.word if one.verdict == "agrees" else f"{one.remark.word}: {one.verdict.removesuffix(' in the data')}"
    )


def _mended_span(one: Finding, met: Sequence[Band]) -> Span:
    if met:
        words = f"EQ\N{NO-BREAK SPACE}{signed_db(met[0].gain_db)}"
    elif one.aim is not None and one.aim.is_better:
        words = "aim"
    else:
        words = "no EQ cure" if one.kind in ("off_axis", "near_axis", "vertical") else "leave alone"
    return Span(one.low_hz, one.high_hz, words, bool(met) or words == "aim")


def story_tables(lines: Sequence[StoryLine]) -> tuple[Table, ...]:
    """The story as a table for print; none without lines."""
    if not lines:
        return ()
    rows = tuple((line.number, line.heard, line.measured, line.mended) for line in lines)
    columns = ("No.", "Heard", "Measured", "Mended")
    return (Table("story", "Heard, measured, mended", columns, ("left", "left", "left", "left"), rows),)


def _line(one: Finding, place: int, advice: Advice) -> StoryLine:
    said = tuple(dict.fromkeys(f"“{m.remark.word}”" for m in remarks_on(place, advice)))
    bands = () if advice.mend is None or advice.mend.design is None else advice.mend.design.equalizer.bands
    met = [band for band in bands if mends(band, one)]
    tried = [trial.is_heard for trial in advice.trials if trial.finding == one.key]
    witness = [f"{'heard' if heard else 'not heard'} in trials" for heard in tried if heard is not None][:1]
    words = [listed(said)] if said else [_NOT_HEARD] if advice.heard and not witness else []
    return StoryLine(
        number=str(one.key),
        heard="; ".join([*words, *witness]) or "no notes",
        measured=true_minus(one.title),
        mended=_mended(one, met),
        is_heard=bool(said) or True in tried,
        is_mended=bool(met),
    )


def _mended(one: Finding, met: Sequence[Band]) -> str:
    if met:
        return listed(tuple(band_words(band) for band in met))
    if one.kind == "band_limit" and one.center_hz > 1000.0:
        return "nothing to mend"
    if one.aim is not None:
        return f"{_aimed(one.aim)}; not equalized"
    if one.kind in _LEFT:
        return _LEFT[one.kind]
    if not one.is_equalizable:
        return "not equalized: its phase"
    if one.size_db < -COSTLY_DIP_DB:
        return "not filled up: it would cost too much power"
    return "can be equalized; too small here to be worth a band"


def _aimed(said: AimAnswer) -> str:
    """What the study of aims says, in a few words."""
    what = aim_words(said.orbit, said.try_deg)
    if said.is_better:
        return f"aim it {what}"
    return f"no aim is better in all; less of it at {what}" if said.try_deg else "no aim that was studied is better"


def remarks_on(place: int, advice: Advice) -> tuple[MatchedRemark, ...]:
    """The remarks that agree and rest on the finding at `place` of the advice's findings."""
    return tuple(
        m
        for heard in advice.heard
        for m in heard.matching.remarks
        if m.verdict == "agrees" and any(e.finding == place and _same(m.remark.sense, e.size_db) for e in m.evidence)
    )


def _same(sense: str, size_db: float) -> bool:
    return sense == "uneven" or (sense == "excess" and size_db > 0) or (sense == "lack" and size_db < 0)


def _unanswered(advice: Advice) -> Iterator[StoryLine]:
    for heard in advice.heard:
        for m in heard.matching.remarks:
            rests = m.verdict == "agrees" and any(
                e.finding is not None and _same(m.remark.sense, e.size_db) for e in m.evidence
            )
            if rests:
                continue
            beyond = is_attribute(m.remark)
            where = "" if beyond else f", {span_in_words(m.remark.region.low_hz, m.remark.region.high_hz)}"
            told = {
                "agrees": "the figures agree" if beyond else "the curves agree",
                "contradicts": "the data contradict it",
                "no match in the data": "no match in the data",
                "not judged": "no data speak to it" if beyond else "the data do not reach there",
            }[m.verdict]
            yield StoryLine(
                "", heard=f"“{m.remark.word}”{where}", measured=told, mended="", is_heard=True, is_mended=False
            )
