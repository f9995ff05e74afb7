"""All advice on one loudspeaker, for the page; and its JSON document, docs/advice-document.md."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import numpy as np

from earwitness import __version__
from earwitness.app.distance import distance_setting
from earwitness.app.findings import finding_record, findings_of, findings_step
from earwitness.app.listen import heard_sheets, listeners_agree
from earwitness.app.match import match_loudspeaker
from earwitness.app.mend import mend_loudspeaker, study_aim
from earwitness.app.read import ReadResult
from earwitness.archive.catalogue import Archive, session_key
from earwitness.archive.values import plain, restored
from earwitness.errors import ArchiveError, InputError
from earwitness.exhibits.advice import Advice, AimAdvised, HeardSheet, MatchAdvice, MendAdvice, SeatsAdvice
from earwitness.insight.findings import Finding
from earwitness.insight.listening.reliability import Reliability
from earwitness.insight.mend.aim import AimStudy
from earwitness.insight.mend.equalizer import gain_db
from earwitness.insight.mend.verdict import Verdict
from earwitness.quantities import Curve, Figure
from earwitness.quantities.axis import log_axis
from earwitness.quantities.lineage import Step, step

DOCUMENT = "earwitness.advice"
VERSION = 2
_DIGITS = 7
ADVICE = "advice"
RULES = 6
"""Raised whenever the rules of mending, aiming or matching change, so that kept advice of older rules is not used."""


def advice_on(result: ReadResult, archive_folder: Path) -> Advice:
    """Findings, sheets, the verdict on an equalizer, aims and matches without amplifier and room.

    All but the sheets is worked out once, then taken from the archive. Raises ArchiveError where the archive is
    damaged, OutputError where it cannot be written.
    """
    findings = findings_of(result, archive_folder)
    kept = _kept_advice(result, findings, archive_folder)
    heard = heard_sheets(result, archive_folder, findings)
    return replace(kept, findings=findings, heard=heard, agreement=listeners_agree(heard))


def advice_step(result: ReadResult) -> Step:
    """The step that makes the advice: what the findings are made from, the listening distance, and what the session
    says."""
    made = findings_step(result)
    settings = {**dict(made.settings), "advice_rules": RULES, **distance_setting(result.listening_distance_m)}
    return step(ADVICE, settings, (*made.inputs, session_key(result.session)))


def _kept_advice(result: ReadResult, findings: tuple[Finding, ...], archive_folder: Path) -> Advice:
    """Mend, aim and match as the archive keeps them; what it lacks, or holds in another form, is worked out now."""
    made = advice_step(result)
    with Archive.open(archive_folder, create=False) as archive:
        document = archive.document(made.key, ADVICE)
        if document is not None:
            with suppress(ArchiveError):
                return _restored(document)
        mend, why = _mend_or_why(result, findings)
        bands = 0 if mend is None or mend.design is None else len(mend.design.equalizer.bands)
        aim, match = study_aim(result, bands=bands), match_loudspeaker(result, findings)
        document = {"mend": plain(mend), "mend_absent": why, "aim": plain(aim), "match": plain(match)}
        archive.keep_document(archive.counting_session(result.loudspeaker_id).id, made, ADVICE, document)
    # As it will come out of the archive, so that the first page is made from the same numbers as the next.
    return _restored(document)


def _restored(document: Mapping[str, Any]) -> Advice:
    return Advice(
        mend=restored(MendAdvice | None, document["mend"]),
        mend_absent=str(document["mend_absent"]),
        aim=restored(AimAdvised | None, document["aim"]),
        match=restored(MatchAdvice | None, document["match"]),
    )


def _mend_or_why(result: ReadResult, findings: Sequence[Finding]) -> tuple[MendAdvice | None, str]:
    try:
        return mend_loudspeaker(result, findings), ""
    except InputError as error:
        return None, f"{error.what}: {error.expected}" if error.expected else error.what


def advice_text(result: ReadResult, advice: Advice) -> str:
    """The JSON document; the order of keys is fixed, what was not asked for is null."""
    return json.dumps(advice_document(result, advice), ensure_ascii=False, allow_nan=False, indent=1)


def advice_document(result: ReadResult, advice: Advice) -> dict[str, Any]:
    """The document as plain values."""
    loudspeaker = result.session.loudspeaker
    return {
        "document": DOCUMENT,
        "version": VERSION,
        "program": f"earwitness {__version__}",
        "loudspeaker": {"name": loudspeaker.name, "maker": loudspeaker.maker, "invented": loudspeaker.invented},
        "session": {"date": result.session.date},
        "findings": [_rounded(finding_record(one)) for one in advice.findings],
        "heard": [_heard(one, advice) for one in advice.heard],
        "reliability": reliability_rows(advice.reliability),
        "agreement": None if advice.agreement is None else _rounded(asdict(advice.agreement)),
        "mend": None if advice.mend is None else _mend(advice.mend),
        "aim": None if advice.aim is None else _aim(advice.aim),
        "match": None if advice.match is None else _match(advice.match),
    }


def _rounded(value: Any) -> Any:
    """Every number to seven digits, all the way down; None for one that is not finite."""
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(f"{float(value):.{_DIGITS}g}") if np.isfinite(value) else None
    if isinstance(value, dict):
        return {str(key): _rounded(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(part) for part in value]
    return value


def _figure(one: Figure) -> dict[str, Any]:
    return {
        "value": _rounded(one.value),
        "unit": one.unit,
        "uncertainty": _rounded(one.u),
        "bound": one.bound,
        "band_hz": _rounded(one.band_hz),
        "method": one.method,
        "not_judged": one.reason or None,
        "caveats": list(one.caveats),
    }


def _curve(one: Curve) -> dict[str, Any]:
    kept = one.valid
    return {
        "name": one.name,
        "unit": one.unit,
        "frequency_hz": _rounded(one.axis.hz[kept].tolist()),
        "values": _rounded(one.values[kept].tolist()),
        "uncertainty": _rounded(one.u_total[kept].tolist()),
    }


def _heard(one: HeardSheet, advice: Advice) -> dict[str, Any]:
    sheet, test = one.sheet, one.matching.test
    return {
        "seal": one.sha256,
        "sealed_at": one.sealed_at,
        "data_first_shown_at": one.opened_at,
        "made_with_data_known": one.is_after_data,
        "listener": sheet.listener,
        "time": sheet.time,
        "blind": sheet.is_blind,
        "equalizer": sheet.has_equalizer,
        "level_db": sheet.level_db,
        "aim_deg": sheet.aim_deg,
        "distance_m": sheet.distance_m,
        "text": sheet.text,
        "remarks": [
            {
                "word": m.remark.word,
                "region_hz": _rounded((m.remark.region.low_hz, m.remark.region.high_hz)),
                "direction": m.remark.direction,
                "strength": m.remark.strength,
                "passage": m.remark.passage,
                "text": m.remark.text,
                "verdict": m.verdict,
                "sentence": m.sentence,
                "repeats": m.repeats,
                "evidence": [
                    {
                        "source": e.source,
                        "finding": None if e.finding is None else advice.findings[e.finding].key,
                        "size_db": _rounded(e.size_db),
                        "uncertainty": _rounded(e.u_db),
                    }
                    for e in m.evidence
                ],
            }
            for m in one.matching.remarks
        ],
        "unheard_findings": [advice.findings[place].key for place in one.matching.unheard],
        "chance": None
        if test is None
        else {
            "agreed": test.agreed,
            "said": test.said,
            "pool": test.pool,
            "expected": _rounded(test.expected),
            "p_value": _rounded(test.p_value),
            "exact": test.is_exact,
        },
        "no_test": one.matching.reason or None,
    }


def reliability_rows(rows: Sequence[Reliability]) -> list[dict[str, Any]]:
    """The own record as plain values, one row a region and one over all."""
    return [_reliable(one) for one in rows]


def _reliable(one: Reliability) -> dict[str, Any]:
    return {
        "band": one.band,
        "agrees": one.agrees,
        "contradicts": one.contradicts,
        "no_match": one.no_match,
        "share": _rounded(one.share),
        "interval_95": _rounded(one.interval),
        "by_chance": _rounded(one.expected),
    }


def _mend(one: MendAdvice) -> dict[str, Any]:
    base = {
        "goal": one.goal.sentence,
        "count_recommended": one.recommended,
        "verdict": _verdict(one.verdict),
        "by_count": [
            {
                "bands": step.bands,
                "left_db": _rounded(step.left_db),
                "taken_db": _rounded(step.taken_db),
                "taken_low_db": _rounded(step.low_db),
                "for_units": _rounded(step.for_units),
            }
            for step in one.steps
        ],
    }
    if one.design is None or one.after is None:
        return {**base, "equalizer": None}
    equalizer, after = one.design.equalizer, one.after
    hz = log_axis(20.0, 20_000.0, 12).hz
    return {
        **base,
        "equalizer": {
            "preamp_db": equalizer.preamp_db,
            "bands": [
                {"kind": b.kind, "frequency_hz": b.frequency_hz, "gain_db": b.gain_db, "q": b.q}
                for b in equalizer.bands
            ],
            "frequency_hz": _rounded(hz.tolist()),
            "gain_db": _rounded(gain_db(equalizer, hz).tolist()),
        },
        "deviation_db": _rounded({"before": one.design.deviation_before_db, "after": one.design.deviation_after_db}),
        "roughness_db": {
            key: _rounded({"before": before, "after": then}) for key, (before, then) in after.roughness_db.items()
        },
        "figures": {
            key: {"before": _figure(figure), "after": _figure(after.figures_after[key])}
            for key, figure in after.figures_before.items()
            if key in after.figures_after
        },
        "changes": [
            {
                "key": change.key,
                "before": _rounded(change.before),
                "after": _rounded(change.after),
                "change": _rounded(change.change),
                "uncertainty": _rounded(change.u),
                "unit": change.unit,
                "sense": change.sense,
            }
            for change in after.changes
        ],
        "curves_after": {key: _curve(curve) for key, curve in after.after.items() if curve.unit == "dB"},
        "headroom": {
            "boost_db": _rounded(after.headroom.boost_db),
            "boost_hz": _rounded(after.headroom.boost_hz),
            "power_factor": _rounded(after.headroom.power_factor),
            "sentence": after.headroom.sentence,
        },
        "unit_spread": None
        if after.spread is None
        else {
            "spread_percent": after.spread.spread_percent,
            "left_db": _rounded(after.spread.left_db),
            "worst_db": _rounded(after.spread.worst_db),
            "sentence": after.spread.sentence,
        },
        "warnings": list(after.warnings),
    }


def _verdict(one: Verdict) -> dict[str, Any]:
    return {
        "answer": one.answer,
        "reason": one.reason or None,
        "headline": one.headline,
        "sentences": list(one.sentences),
        "takes": _rounded(one.takes),
        "takes_word": one.takes_word,
        "gain_db": _rounded(one.gain_db),
        "gain_low_db": _rounded(one.gain_low_db),
        "for_units": _rounded(one.for_units),
        "changes": {key: _rounded({"before": c.before, "after": c.after}) for key, c in one.changes.items()},
        "headroom_db": _rounded(one.headroom_db),
        "power_factor": _rounded(one.power_factor),
        "power_at_hz": _rounded(one.power_at_hz),
        "bands": [{"finding": role.finding, "audible": _rounded(role.audible)} for role in one.bands],
        "left": list(one.left),
    }


def _aim(one: AimAdvised) -> dict[str, Any]:
    return {
        "horizontal": _study(one.horizontal),
        "vertical": _study(one.vertical),
        "missing": dict(one.missing),
    }


def _study(one: AimStudy | None) -> dict[str, Any] | None:
    if one is None:
        return None
    return {
        "best_deg": one.best_deg,
        "margin_db": _rounded(one.margin_db),
        "beyond_uncertainty": one.clear,
        "best_with_equalizer_deg": one.best_mended_deg,
        "margin_with_equalizer_db": _rounded(one.margin_mended_db),
        "sentence": one.sentence,
        "aims": [
            {
                "angle_deg": a.angle_deg,
                "roughness_db": _rounded(a.roughness_db),
                "uncertainty": _rounded(a.u_db),
                "roughness_with_equalizer_db": _rounded(a.roughness_mended_db),
                "notes": list(a.notes),
            }
            for a in one.aims
        ],
        "missing": list(one.missing),
    }


def _match(one: MatchAdvice) -> dict[str, Any]:
    amplifier, subwoofer = one.amplifier, one.subwoofer
    return {
        "claims": [
            {
                "quantity": c.claim.quantity,
                "claimed": c.claim.text or f"{c.claim.value:g} {c.claim.unit}",
                "verdict": c.verdict,
                "measured": None if c.measured is None else _figure(c.measured),
                "short_by": _rounded(c.short_by),
                "uncertainty": _rounded(c.u),
                "unit": c.unit,
                "sentence": c.sentence,
            }
            for c in one.claims
        ],
        "amplifier": None
        if amplifier is None
        else {
            "name": amplifier.amplifier.name,
            "can_drive": amplifier.can_drive,
            "why": amplifier.why,
            "figures": {key: _figure(figure) for key, figure in amplifier.figures.items()},
            "limited": [
                {"low_hz": _rounded(x.low_hz), "high_hz": _rounded(x.high_hz), "by": x.by} for x in amplifier.limited
            ],
            "sentences": list(amplifier.sentences),
        },
        "subwoofer": None
        if subwoofer is None
        else {
            "corner_hz": subwoofer.best.corner_hz,
            "high_pass": subwoofer.best.scheme.high_pass or None,
            "low_pass": subwoofer.best.scheme.low_pass,
            "main_inverted": subwoofer.best.main_inverted,
            "delay_s": _rounded(subwoofer.best.delay_s),
            "gain_db": _rounded(subwoofer.best.gain_db),
            "figures": {key: _figure(figure) for key, figure in subwoofer.figures.items()},
            "subwoofer": subwoofer.subwoofer or None,
            "ideal": None
            if subwoofer.ideal is None
            else {
                "corner_hz": subwoofer.ideal.corner_hz,
                "high_pass": subwoofer.ideal.scheme.high_pass or None,
                "low_pass": subwoofer.ideal.scheme.low_pass,
                "sum_rms_db": _rounded(subwoofer.ideal.rms_db),
            },
            "sentences": list(subwoofer.sentences),
        },
        "seats": None if one.seats is None else _seats(one.seats),
        "for_whom": [{"topic": s.topic, "text": s.text, "rests_on": list(s.keys)} for s in one.for_whom],
        "absent": dict(one.absent),
    }


def _seats(one: SeatsAdvice) -> dict[str, Any]:
    return {
        "angles": [
            {
                "loudspeaker": a.loudspeaker,
                "seat": a.seat,
                "row": a.row,
                "distance_m": _rounded(a.distance_m),
                "azimuth_deg": _rounded(a.azimuth_deg),
                "elevation_deg": _rounded(a.elevation_deg),
                "level": _figure(one.levels[a.loudspeaker, a.seat]),
                "headroom": _figure(one.headroom[a.loudspeaker, a.seat]),
            }
            for a in one.angles
        ],
        "spread": {
            name: {key: _figure(figure) for key, figure in spread.figures.items()}
            for name, spread in one.spreads.items()
        },
        "aims": {name: aim if isinstance(aim, str) else aim.sentence for name, aim in one.aims.items()},
        "sentences": list(one.sentences),
    }
