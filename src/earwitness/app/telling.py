"""Advice as lines of text, at most 80 columns wide."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from earwitness.app.columns import hung, wrapped
from earwitness.app.read import ReadResult
from earwitness.exhibits.advice import Advice
from earwitness.exhibits.aim import aim_table
from earwitness.exhibits.chart import Table
from earwitness.exhibits.heard import heard_from_table, noticed_table, reliability_table, sheet_words, trial_words
from earwitness.exhibits.mended import bands_table, gains_table, steps_table
from earwitness.exhibits.words import sentence, true_minus
from earwitness.insight.findings.sentences import hertz
from earwitness.insight.listening.listeners import agreement_in_words
from earwitness.insight.listening.reliability import Noticed, Reliability
from earwitness.insight.listening.telling import chance_in_words

if TYPE_CHECKING:
    from earwitness.app.trial import Trials

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
    return [table.title, *_columns(table.columns, table.rows, table.align), *_wrapped(table.note)]


def record_lines(
    rows: Sequence[Reliability], noted: Sequence[Noticed], thresholds: Sequence[Trials], *, listener: str = ""
) -> list[str]:
    """A tester's whole record: remarks that agree, findings that were written of, and how small one was heard."""
    lines = [*(["", f"listener {listener}"] if listener else []), *reliability_lines(rows)]
    for made in (noticed_table(noted), _heard_from(thresholds)):
        if made is not None:
            lines += ["", made.title, *_columns(made.columns, made.rows, made.align), *_wrapped(made.note)]
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


def finding_lines(advice: Advice) -> list[str]:
    """The findings with their numbers."""
    if not advice.findings:
        return ["no deviation exceeds its uncertainty"]
    return [line for one in advice.findings for line in _item(f"{one.key}.", one.sentence)]


def mend_lines(result: ReadResult, advice: Advice) -> list[str]:
    """The verdict first; findings, equalizer, before and after, cost, how many bands, aims."""
    lines = [_title(result), "", "findings", *finding_lines(advice)]
    mend = advice.mend
    if mend is not None:
        lines[1:1] = ["", *_wrapped(mend.verdict.headline), *_told(mend.verdict.sentences)]
        bands = bands_table(mend, advice.findings)
        if bands is not None:
            lines += ["", f"equalizer: {mend.goal.sentence}", *_columns(bands.columns, bands.rows, bands.align)]
            lines += _wrapped(bands.note)
        gains = gains_table(mend)
        if gains is not None and mend.after is not None:
            heads = (*gains.columns[:-1], "Sense")
            whole = hung(gains.rows, _CHANGE_WIDTHS)
            lines += ["", *_columns(heads, whole, gains.align), *_wrapped(gains.note)]
            told = [mend.after.headroom.sentence, *mend.after.warnings]
            told += [mend.after.spread.sentence] if mend.after.spread is not None else []
            for words in told:
                lines += _wrapped(sentence(words))
        steps = steps_table(mend)
        lines += ["", "how many bands", *_columns(steps.columns, steps.rows, steps.align), *_wrapped(steps.note)]
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
        rows = [row[:-1] for row in table.rows]
        lines += ["", f"aim {name}", *_columns(table.columns[:-1], rows, table.align[:-1]), *_wrapped(table.note)]
    lines += [line for orbit, why in advice.aim.missing.items() for line in _wrapped(f"{orbit} aims: {why}")]
    return lines


def match_lines(result: ReadResult, advice: Advice) -> list[str]:
    """Claims, amplifier, subwoofer, seats, for whom; and why a part is missing."""
    match = advice.match
    lines = [_title(result)]
    if match is None:
        return lines
    parts: list[tuple[str, Sequence[str]]] = [("claims", [one.sentence for one in match.claims])]
    parts.append(("amplifier", match.amplifier.sentences if match.amplifier is not None else ()))
    parts.append(("subwoofer", match.subwoofer.sentences if match.subwoofer is not None else ()))
    parts.append(("in the room", match.in_room[1] if match.in_room is not None else ()))
    parts.append(("rows and heights", [one.sentence(result.listening_distance_m) for one in match.windows]))
    if match.seats is not None:
        aims = [aim if isinstance(aim, str) else aim.sentence for aim in match.seats.aims.values()]
        parts.append(("seats", (*match.seats.sentences, *aims)))
    parts.append(("for whom", [one.text for one in match.for_whom]))
    for title, told in parts:
        if told:
            lines += ["", title, *(line for words in told for line in _item("-", true_minus(words)))]
    return [*lines, "", *(line for part, why in match.absent.items() for line in _wrapped(f"{part}: {why}"))]


def _title(result: ReadResult) -> str:
    return f"{result.session.loudspeaker.title}, session of {result.session.date}"


def _told(sentences: Sequence[str]) -> list[str]:
    return [line for words in sentences for line in _wrapped(true_minus(words))]


def _wrapped(text: str) -> list[str]:
    return wrapped(text, WIDTH)


def _item(mark: str, text: str) -> list[str]:
    return wrapped(text, WIDTH, first=f"{mark} ", rest=" " * (len(mark) + 1))


def _columns(heads: Sequence[str], rows: Sequence[Sequence[str]], align: Sequence[str]) -> list[str]:
    """Rows under their heads, as wide as the words are."""
    every = [tuple(heads), *(tuple(row) for row in rows)]
    widths = [max(len(row[place]) for row in every) for place in range(len(heads))]

    def line(row: Sequence[str]) -> str:
        cells = [
            f"{cell:>{wide}}" if side == "right" else f"{cell:<{wide}}"
            for cell, wide, side in zip(row, widths, align, strict=True)
        ]
        return "  ".join(cells).rstrip()

    return [line(row) for row in every]
