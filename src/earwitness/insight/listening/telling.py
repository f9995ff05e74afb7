"""Sentences about remarks; every one shows its numbers."""

from collections.abc import Sequence

from earwitness.files.data import worded
from earwitness.insight.findings.finding import KINDS, PLACES
from earwitness.insight.findings.sentences import hertz
from earwitness.insight.listening.chance import Chance
from earwitness.insight.listening.evidence import Evidence
from earwitness.insight.listening.remark import Remark

_CURVES = {
    "listening_window": ("the listening window", "its mean elsewhere"),
    "in_room": ("the predicted in-room response", "its own straight line"),
}
_KINDS: dict[str, str] = {str(kind): words for kind, words in KINDS.items()}


def told_in_words(remark: Remark, verdict: str, evidence: Sequence[Evidence]) -> str:
    """One remark, its verdict and the numbers behind it."""
    region = span_in_words(remark.region.low_hz, remark.region.high_hz)
    head = f"“{remark.word}” ({remark.strength}, {remark.direction}, {region}): {verdict}"
    if verdict == "not judged":
        return f"{head}, as the data are not valid there."
    if remark.sense == "even" and verdict == "agrees":
        most = f"; the most there is {evidence_in_words(evidence[0])}" if evidence else ""
        return f"{head}; no single peak or dip there reaches what may be heard{most}."
    if not evidence:
        return f"{head}; nothing in the region exceeds both its uncertainty and what may be heard."
    text = f"{head}; {evidence_in_words(evidence[0])}"
    opposed = [e for e in evidence[1:] if (e.size_db > 0) != (evidence[0].size_db > 0)]
    if opposed:
        text += f"; smaller against what may be heard, and of the other sign, {evidence_in_words(opposed[0])}"
    return text + "."


def beyond_timbre_in_words(remark: Remark, verdict: str, why: str) -> str:
    """A remark that belongs to no region, its verdict and what that rests on."""
    return f"“{remark.word}” ({remark.strength}): {verdict}; {why}."


def evidence_in_words(evidence: Evidence) -> str:
    """Size with its 95 % uncertainty, place, and kind."""
    u = 2.0 * evidence.u_db
    if evidence.source != "finding":
        curve, base = _CURVES[evidence.source]
        side = "above" if evidence.size_db > 0 else "below"
        return f"{curve} lies {abs(evidence.size_db):.1f} ± {u:.1f} dB {side} {base} there"
    kind = _KINDS.get(evidence.kind, evidence.kind)
    what = "a peak" if evidence.size_db > 0 else "a dip"
    if evidence.kind in ("tilt", "band_limit"):
        if evidence.kind == "band_limit":
            return f"the range ends at {hertz(evidence.center_hz)}, {_signed(evidence.size_db)} ± {u:.1f} dB"
        place = f"{hertz(evidence.low_hz)} to {hertz(evidence.high_hz)}"
        return f"{kind} ({place}) makes {_signed(evidence.size_db)} ± {u:.1f} dB there"
    where = f", {PLACES[evidence.place]}" if evidence.place else ""
    return f"{what} of {_signed(evidence.size_db)} ± {u:.1f} dB at {hertz(evidence.center_hz)}{where} ({kind})"


def chance_in_words(test: Chance) -> str:
    """The permutation test in one sentence."""
    said = f"{test.agreed} of {test.said} remark{'s' if test.said != 1 else ''} agree{'s' if test.agreed == 1 else ''}"
    p = "below 0.001" if test.p_value < 0.001 else f"{test.p_value:.3f}"
    return worded("insight.by_chance", said=said, test=test, p=p)


def span_in_words(low_hz: float, high_hz: float) -> str:
    """A band, in Hz or kHz."""
    if low_hz >= 1000.0:
        return f"{low_hz / 1000:.3g} to {high_hz / 1000:.3g} kHz"
    if high_hz < 1000.0:
        return f"{_three(low_hz)} to {_three(high_hz)} Hz"
    return f"{_three(low_hz)} Hz to {high_hz / 1000:.3g} kHz"


def _three(value: float) -> str:
    return f"{float(f'{value:.3g}'):g}"


def _signed(size_db: float) -> str:
    return f"{size_db:+.1f}".replace("-", "−")
