"""All advice on one loudspeaker: for the page, as lines of text, and as JSON; docs/advice-document.md."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness import __version__
from earwitness.app.listen import finding_record, findings_of, findings_step, heard_sheets, listeners_agree
from earwitness.app.match import match_loudspeaker
from earwitness.app.mend import mend_loudspeaker, study_aim
from earwitness.app.read import ReadResult
from earwitness.app.settings import distance_setting
from earwitness.app.trial import own_trials
from earwitness.archive.catalogue import Archive, session_key
from earwitness.archive.values import plain, restored
from earwitness.errors import ArchiveError, InputError
from earwitness.exhibits.advice import Advice, AimAdvised, HeardSheet, MatchAdvice, MendAdvice, SeatsAdvice
from earwitness.exhibits.chart import Table
from earwitness.exhibits.heard import heard_from_table, noticed_table, reliability_table, sheet_words, trial_words
from earwitness.exhibits.mend import aim_table, bands_table, gains_table, steps_table
from earwitness.exhibits.record import record, rounded
from earwitness.exhibits.words import sentence, true_minus
from earwitness.insight.findings import Finding
from earwitness.insight.findings.sentences import hertz
from earwitness.insight.listening.matching import MatchedRemark, chance_in_words
from earwitness.insight.listening.trials import Noticed, Reliability, agreement_in_words
from earwitness.insight.match.amplifier import AmplifierMatch
from earwitness.insight.match.in_room import AtSeats
from earwitness.insight.match.plan_room import Boundary, PlanRoom
from earwitness.insight.match.subwoofer import Setting, SubwooferMatch
from earwitness.insight.mend.aim import AimStudy
from earwitness.insight.mend.equalizer import gain_db
from earwitness.insight.mend.stop import EqualizerVerdict
from earwitness.quantities import Curve, Figure, Step, log_axis, step
from earwitness.render.columns import hung, wrapped

if TYPE_CHECKING:
    from earwitness.app.trial import Trials


DOCUMENT = "earwitness.advice"
VERSION = 2
ADVICE = "advice"
RULES = 10
"""Raised whenever the rules of mending, aiming or matching change, so that kept advice of older rules is not used."""


def advice_on(result: ReadResult, archive_folder: Path) -> Advice:
    """Findings, sheets, the verdict on an equalizer, aims and matches without amplifier and room.

    All but the sheets is worked out once, then taken from the archive. Raises ArchiveError where the archive is
    damaged, OutputError where it cannot be written.
    """
    findings = findings_of(result, archive_folder)
    kept = _kept_advice(result, findings, archive_folder)
    heard = heard_sheets(result, archive_folder, findings)
    trials = own_trials(findings, result.session.loudspeaker.title, archive_folder)
    return replace(kept, findings=findings, heard=heard, trials=trials, agreement=listeners_agree(heard))


def advice_step(result: ReadResult) -> Step:
    """The step that makes the advice: what the findings are made from, the listening distance, sessions of other units,
    and what the session says."""
    made = findings_step(result)
    settings = {**dict(made.settings), "advice_rules": RULES, **distance_setting(result.listening_distance_m)}
    if len({unit for unit, _ in result.units}) > 1:
        settings["units"] = ", ".join(f"{unit}: {number}" for unit, number in result.units)
    return step(ADVICE, settings, (*made.inputs, session_key(result.session)))


def _kept_advice(result: ReadResult, findings: tuple[Finding, ...], archive_folder: Path) -> Advice:
    """Mend, aim and match as the archive keeps them; what it lacks, or holds in another form, is worked out now."""
    made = advice_step(result)
    with Archive.open(archive_folder, create=False) as archive:
        document = archive.document(made.key, ADVICE)
        if document is not None:
            with suppress(ArchiveError):
                return _restored(document)
        mend, why = None, ""
        try:
            mend = mend_loudspeaker(result, findings)
        except InputError as error:
            why = f"{error.what}: {error.expected}" if error.expected else error.what
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


def advice_text(result: ReadResult, advice: Advice) -> str:
    """The JSON document; what was not asked for is null."""
    return json.dumps(advice_document(result, advice), ensure_ascii=False, allow_nan=False, indent=1)


def advice_document(result: ReadResult, advice: Advice) -> dict[str, Any]:
    """The document as plain values, every number to seven digits."""
    document = {
        "document": DOCUMENT,
        "version": VERSION,
        "program": f"earwitness {__version__}",
        "loudspeaker": record(result.session.loudspeaker, "name maker invented"),
        "session": {"date": result.session.date},
        "findings": [finding_record(one) for one in advice.findings],
        "heard": [_heard(one, advice) for one in advice.heard],
        "trials": [asdict(one) for one in advice.trials],
        "reliability": reliability_rows(advice.reliability),
        "agreement": None if advice.agreement is None else asdict(advice.agreement),
        "mend": None if advice.mend is None else _mend(advice.mend),
        "aim": None if advice.aim is None else _aim(advice.aim),
        "match": None if advice.match is None else _match(advice.match),
    }
    return dict(rounded(document))


def _figure(one: Figure) -> dict[str, Any]:
    made = record(one, "value unit bound band_hz method caveats", uncertainty="u")
    return {**made, "not_judged": one.reason or None}


def _figures(figures: Mapping[str, Figure]) -> dict[str, Any]:
    return {key: _figure(figure) for key, figure in figures.items()}


def _curve(one: Curve) -> dict[str, Any]:
    kept = one.valid
    numbers = {"frequency_hz": one.axis.hz[kept], "values": one.values[kept], "uncertainty": one.u_total[kept]}
    return {**record(one, "name unit"), **numbers}


def _heard(one: HeardSheet, advice: Advice) -> dict[str, Any]:
    sheet, matching = one.sheet, one.matching
    numbers = "agreed said pool expected p_value"
    return {
        **record(
            one, "sealed_at", seal="sha256", data_first_shown_at="opened_at", made_with_data_known="is_after_data"
        ),
        **record(sheet, "listener time level_db aim_deg distance_m text"),
        **record(sheet, blind="is_blind", equalizer="has_equalizer"),
        "remarks": [_remark(one, advice) for one in matching.remarks],
        "unheard_findings": [advice.findings[place].key for place in matching.unheard],
        "chance": None if matching.test is None else record(matching.test, numbers, exact="is_exact"),
        "no_test": matching.reason or None,
    }


def _remark(one: MatchedRemark, advice: Advice) -> dict[str, Any]:
    return {
        **record(one.remark, "word direction strength passage text"),
        "region_hz": (one.remark.region.low_hz, one.remark.region.high_hz),
        **record(one, "verdict sentence repeats"),
        "evidence": [
            {
                **record(piece, "source size_db", uncertainty="u_db"),
                "finding": None if piece.finding is None else advice.findings[piece.finding].key,
            }
            for piece in one.evidence
        ],
    }


def reliability_rows(rows: Sequence[Reliability]) -> list[dict[str, Any]]:
    """The own record as plain values, one row a region and one over all."""
    names = "band agrees contradicts no_match share"
    return [rounded(record(one, names, interval_95="interval", by_chance="expected")) for one in rows]


def _mend(one: MendAdvice) -> dict[str, Any]:
    steps = "bands left_db taken_db for_units"
    base = {
        "goal": one.goal.sentence,
        "count_recommended": one.recommended,
        "verdict": _verdict(one.verdict),
        "by_count": [record(step, steps, taken_low_db="low_db") for step in one.steps],
    }
    if one.design is None or one.after is None:
        return {**base, "equalizer": None}
    equalizer, after = one.design.equalizer, one.after
    hz = log_axis(20.0, 20_000.0, 12).hz
    changes = "key before after change unit sense"
    return {
        **base,
        "equalizer": {
            "preamp_db": equalizer.preamp_db,
            "bands": [record(band, "kind frequency_hz gain_db q") for band in equalizer.bands],
            "frequency_hz": hz,
            "gain_db": gain_db(equalizer, hz),
        },
        "deviation_db": record(one.design, before="deviation_before_db", after="deviation_after_db"),
        "roughness_db": {key: {"before": a, "after": b} for key, (a, b) in after.roughness_db.items()},
        "figures": {
            key: {"before": _figure(figure), "after": _figure(after.figures_after[key])}
            for key, figure in after.figures_before.items()
            if key in after.figures_after
        },
        "changes": [record(change, changes, uncertainty="u") for change in after.changes],
        "curves_after": {key: _curve(curve) for key, curve in after.after.items() if curve.unit == "dB"},
        "headroom": record(after.headroom, "boost_db boost_hz power_factor sentence"),
        "unit_spread": None
        if after.spread is None
        else record(after.spread, "spread_percent left_db worst_db sentence"),
        "warnings": after.warnings,
    }


def _verdict(one: EqualizerVerdict) -> dict[str, Any]:
    words = "answer headline sentences takes takes_word left"
    return {
        **record(one, f"{words} gain_db gain_low_db for_units headroom_db power_factor power_at_hz"),
        "reason": one.reason or None,
        "changes": {key: record(change, "before after") for key, change in one.changes.items()},
        "bands": [record(role, "finding audible") for role in one.bands],
    }


def _aim(one: AimAdvised) -> dict[str, Any]:
    return {"horizontal": _study(one.horizontal), "vertical": _study(one.vertical), "missing": one.missing}


def _study(one: AimStudy | None) -> dict[str, Any] | None:
    if one is None:
        return None
    mended = {"best_with_equalizer_deg": "best_mended_deg", "margin_with_equalizer_db": "margin_mended_db"}
    behind = {"uncertainty": "u_db", "roughness_with_equalizer_db": "roughness_mended_db"}
    return {
        **record(one, "best_deg margin_db sentence missing", beyond_uncertainty="clear", **mended),
        "aims": [record(aim, "angle_deg roughness_db notes", **behind) for aim in one.aims],
    }


def _match(one: MatchAdvice) -> dict[str, Any]:
    return {
        "claims": [
            {
                **record(judged, "verdict short_by unit sentence", uncertainty="u"),
                "quantity": judged.claim.quantity,
                "claimed": judged.claim.text or f"{judged.claim.value:g} {judged.claim.unit}",
                "measured": None if judged.measured is None else _figure(judged.measured),
            }
            for judged in one.claims
        ],
        "amplifier": None if one.amplifier is None else _amplifier(one.amplifier),
        "subwoofer": None if one.subwoofer is None else _subwoofer(one.subwoofer),
        "seats": None if one.seats is None else _seats(one.seats),
        "in_room": None if one.in_room is None else {"figures": _figures(one.in_room[0]), "sentences": one.in_room[1]},
        "windows": [asdict(window) for window in one.windows],
        "near": [{**_boundary(near), "sentences": said} for near, said in one.near],
        "room": None if one.plan_room is None else _room(one.plan_room),
        "at_seats": None if one.at_seats is None else _at_seats(one.at_seats),
        "for_whom": [record(said, "topic text", rests_on="keys") for said in one.for_whom],
        "absent": one.absent,
    }


def _boundary(one: Boundary | str) -> dict[str, Any]:
    if isinstance(one, str):
        return {"absent": one}
    return {**record(one, "lift_db dip_hz dip_db"), "lift_u_db": one.u[0], "dip_u_db": one.u[1]}


def _room(one: PlanRoom) -> dict[str, Any]:
    return {
        "levels": {seat: _figures(levels) for seat, levels in one.levels.items()},
        "boundaries": {name: _boundary(near) for name, near in one.boundaries.items()},
        "layouts": [record(layout, "name places_m spread_db uneven_db level_db u") for layout in one.layouts],
        "sentences": one.sentences,
    }


def _at_seats(one: AtSeats) -> dict[str, Any]:
    bass = {"absent": one.bass} if isinstance(one.bass, str) else {
        **record(one.bass, "high_hz before_db after_db u_db lost_db"),
        "filters": [record(band, "frequency_hz gain_db q") for band in one.bass.equalizer.bands],
    }  # fmt: skip
    curves = {"measured": _curve(one.measured), "predicted": _curve(one.predicted)}
    return {**curves, **record(one, "level_db slope_db outside_hz does_hold sentences"), "bass": bass}


def _amplifier(one: AmplifierMatch) -> dict[str, Any]:
    return {
        "name": one.amplifier.name,
        **record(one, "can_drive why sentences"),
        "figures": _figures(one.figures),
        "limited": [record(band, "low_hz high_hz by") for band in one.limited],
    }


def _subwoofer(one: SubwooferMatch) -> dict[str, Any]:
    return {
        **_crossed(one.best),
        **record(one.best, "main_inverted delay_s gain_db"),
        "figures": _figures(one.figures),
        "subwoofer": one.subwoofer or None,
        "ideal": None if one.ideal is None else {**_crossed(one.ideal), "sum_rms_db": one.ideal.rms_db},
        "sentences": one.sentences,
    }


def _crossed(one: Setting) -> dict[str, Any]:
    scheme = one.scheme
    return {"corner_hz": one.corner_hz, "high_pass": scheme.high_pass or None, "low_pass": scheme.low_pass}


def _seats(one: SeatsAdvice) -> dict[str, Any]:
    names = "loudspeaker seat row distance_m azimuth_deg elevation_deg"
    return {
        "angles": [
            {
                **record(angle, names),
                "level": _figure(one.levels[angle.loudspeaker, angle.seat]),
                "headroom": _figure(one.headroom[angle.loudspeaker, angle.seat]),
            }
            for angle in one.angles
        ],
        "spread": {name: _figures(spread.figures) for name, spread in one.spreads.items()},
        "aims": {name: aim if isinstance(aim, str) else aim.sentence for name, aim in one.aims.items()},
        "sentences": one.sentences,
    }


WIDTH = 80
_CHANGE_WIDTHS = (22, 6, 6, 17, 12)


def heard_lines(result: ReadResult, advice: Advice) -> list[str]:
    """Every sheet with its remarks, verdicts and chance, then what nobody heard."""
    lines = [_title(result)]
    if not advice.heard:
        lines += ["", "no listening sheet of this loudspeaker is sealed; begin one: earwitness listen new FOLDER"]
    for heard in advice.heard:
        lines += ["", *_wrapped(sheet_words(heard))]
        for number, one in enumerate(heard.matching.remarks, 1):
            lines += _item(f"{number}.", one.sentence)
        unheard = [advice.findings[place] for place in heard.matching.unheard]
        if unheard:
            lines += ["not heard:"]
            for finding in unheard:
                lines += _item(f"{finding.key}.", finding.title)
        test = heard.matching.test
        lines += _wrapped(chance_in_words(test) if test is not None else sentence(heard.matching.reason))
    for trial in advice.trials:
        lines += ["", *_wrapped(f"Finding {trial.finding}. {trial.beside}" if trial.beside else trial_words(trial))]
    if advice.agreement is not None:
        lines += ["", *_wrapped(agreement_in_words(advice.agreement))]
    return [*lines, "", *reliability_lines(advice.reliability)] if advice.reliability else lines


def reliability_lines(rows: Sequence[Reliability]) -> list[str]:
    """The own record as a table, or why there is none."""
    table = reliability_table(rows)
    if table is None:
        return ["no remark sealed before the data can be judged yet"]
    return [table.title, *_table_lines(table)]


def record_lines(
    rows: Sequence[Reliability], noted: Sequence[Noticed], thresholds: Sequence[Trials], *, listener: str = ""
) -> list[str]:
    """A tester's whole record: remarks that agree, findings that were written of, and how small one was heard."""
    lines = [*(["", f"listener {listener}"] if listener else []), *reliability_lines(rows)]
    for made in (noticed_table(noted), _heard_from(thresholds)):
        if made is not None:
            lines += ["", made.title, *_table_lines(made)]
    return lines


def _heard_from(thresholds: Sequence[Trials]) -> Table | None:
    rows = []
    for one in thresholds:
        outcome = one.outcome
        if outcome is None or outcome.threshold is None or outcome.center_hz is None or outcome.q is None:
            continue
        found, most = outcome.threshold, outcome.threshold.interval_db[1]
        least = f"{max(found.interval_db[0], 0.0):.1f}"
        size = f"{found.size_db:.1f} dB ({least} to {most:.1f})" if found.is_bounded else f"over {least} dB"
        estimate = "not known" if outcome.estimate_db is None else f"{outcome.estimate_db:.1f} dB"
        rows.append(
            (hertz(outcome.center_hz), f"{outcome.q:.1f}", one.sound, one.listener or "not named", size, estimate)
        )
    return heard_from_table(rows)


def mend_lines(result: ReadResult, advice: Advice) -> list[str]:
    """The verdict first; findings, equalizer, before and after, cost, how many bands, aims."""
    found = [line for one in advice.findings for line in _item(f"{one.key}.", one.sentence)]
    lines = [_title(result), "", "findings", *(found or ["no deviation exceeds its uncertainty"])]
    mend = advice.mend
    if mend is not None:
        lines[1:1] = [
            "",
            *_wrapped(mend.verdict.headline),
            *(line for words in mend.verdict.sentences for line in _wrapped(true_minus(words))),
        ]
        bands = bands_table(mend, advice.findings)
        if bands is not None:
            lines += ["", f"equalizer: {mend.goal.sentence}", *_table_lines(bands)]
        gains = gains_table(mend)
        if gains is not None and mend.after is not None:
            heads, whole = (*gains.columns[:-1], "Sense"), tuple(hung(gains.rows, _CHANGE_WIDTHS))
            lines += ["", *_table_lines(replace(gains, columns=heads, rows=whole))]
            told = [mend.after.headroom.sentence, *mend.after.warnings]
            told += [mend.after.spread.sentence] if mend.after.spread is not None else []
            for words in told:
                lines += _wrapped(sentence(words))
        steps = steps_table(mend)
        lines += ["", "how many bands", *_table_lines(steps)]
    if advice.aim is not None:
        lines += _aim_lines(advice)
    return lines


def _aim_lines(advice: Advice) -> list[str]:
    assert advice.aim is not None
    lines: list[str] = []
    for name, study in (("across", advice.aim.horizontal), ("above and below", advice.aim.vertical)):
        if study is None:
            continue
        table = aim_table(study)
        rows = tuple(row[:-1] for row in table.rows)
        cut = replace(table, columns=table.columns[:-1], align=table.align[:-1], rows=rows)
        lines += ["", f"aim {name}", *_table_lines(cut)]
    lines += [line for orbit, why in advice.aim.missing.items() for line in _wrapped(f"{orbit} aims: {why}")]
    return lines


def match_lines(result: ReadResult, advice: Advice) -> list[str]:
    """Claims, amplifier, subwoofer, seats, for whom; and why a part is missing."""
    match = advice.match
    lines = [_title(result)]
    if match is None:
        return lines

    def said(one: Any) -> Sequence[str]:
        return () if one is None else one.sentences

    aims = [] if match.seats is None else match.seats.aims.values()
    parts: dict[str, Sequence[str]] = {
        "claims": [one.sentence for one in match.claims],
        "amplifier": said(match.amplifier),
        "subwoofer": said(match.subwoofer),
        "in the room": match.in_room[1] if match.in_room is not None else (),
        "walls near it": [words for _, near in match.near for words in near],
        "rows and heights": [one.sentence(result.listening_distance_m) for one in match.windows],
        "seats": (*said(match.seats), *(aim if isinstance(aim, str) else aim.sentence for aim in aims)),
        "takes at seats": said(match.at_seats),
        "the room of the plan": said(match.plan_room),
        **({} if match.kind is None else {match.kind.kind: match.kind.sentences}),
        "for whom": [one.text for one in match.for_whom if one.topic != "kind"],
    }
    for title, told in parts.items():
        if told:
            lines += ["", title, *(line for words in told for line in _item("-", true_minus(words)))]
    return [*lines, "", *(line for part, why in match.absent.items() for line in _wrapped(f"{part}: {why}"))]


def _title(result: ReadResult) -> str:
    return f"{result.session.loudspeaker.title}, session of {result.session.date}"


def _wrapped(text: str) -> list[str]:
    return wrapped(text, WIDTH)


def _item(mark: str, text: str) -> list[str]:
    return wrapped(text, WIDTH, first=f"{mark} ", rest=" " * (len(mark) + 1))


def _table_lines(table: Table) -> list[str]:
    """Rows under their heads, as wide as the words are, and the note."""
    every = [table.columns, *table.rows]
    sides = [">" if side == "right" else "<" for side in table.align]
    forms = [f"{side}{max(map(len, column))}" for side, column in zip(sides, zip(*every, strict=True), strict=True)]
    lines = ["  ".join(map(format, row, forms)).rstrip() for row in every]
    return [*lines, *_wrapped(table.note)]
