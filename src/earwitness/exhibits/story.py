"""Heard, measured, mended: one line for each finding, and for each remark that no finding answers."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from earwitness.exhibits.advice import Advice
from earwitness.exhibits.chart import Lane, Span, Table
from earwitness.exhibits.mend import band_words
from earwitness.exhibits.words import listed, true_minus
from earwitness.insight.findings import Finding
from earwitness.insight.findings.finding import AimAnswer
from earwitness.insight.findings.search import COSTLY_DIP_DB
from earwitness.insight.findings.sentences import signed_db
from earwitness.insight.listening.attributes import is_attribute
from earwitness.insight.listening.matching import MatchedRemark, span_in_words
from earwitness.insight.mend.aim import aim_words
from earwitness.insight.mend.equalizer import Band
from earwitness.insight.mend.verdict import mends

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
class Line:
    """One line of the story. number : of the finding, "" where none answers; has_... : the part says something."""

    number: str
    heard: str
    measured: str
    mended: str
    is_heard: bool
    is_mended: bool


def story(advice: Advice) -> tuple[Line, ...]:
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


def story_tables(lines: Sequence[Line]) -> tuple[Table, ...]:
    """The story as a table for print; none without lines."""
    if not lines:
        return ()
    rows = tuple((line.number, line.heard, line.measured, line.mended) for line in lines)
    columns = ("No.", "Heard", "Measured", "Mended")
    return (Table("story", "Heard, measured, mended", columns, ("left", "left", "left", "left"), rows),)


def _line(one: Finding, place: int, advice: Advice) -> Line:
    said = tuple(dict.fromkeys(f"“{m.remark.word}”" for m in remarks_on(place, advice)))
    bands = () if advice.mend is None or advice.mend.design is None else advice.mend.design.equalizer.bands
    met = [band for band in bands if mends(band, one)]
    tried = [trial.is_heard for trial in advice.trials if trial.finding == one.key]
    witness = [f"{'heard' if heard else 'not heard'} in trials" for heard in tried if heard is not None][:1]
    words = [listed(said)] if said else [_NOT_HEARD] if advice.heard and not witness else []
    return Line(
        str(one.key),
        "; ".join([*words, *witness]) or "no notes",
        true_minus(one.title),
        _mended(one, met),
        bool(said) or True in tried,
        bool(met),
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


def _unanswered(advice: Advice) -> Iterator[Line]:
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
            yield Line("", f"“{m.remark.word}”{where}", told, "", True, False)
