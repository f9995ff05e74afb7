"""All exhibits of a review, in the order of the page."""

from dataclasses import replace

from earwitness.exhibits import mend
from earwitness.exhibits.advice import Advice, findings_table, marked
from earwitness.exhibits.balance import above, across, balance, evenness, in_room, reflections
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.compare import Family, PeerComparison, beside_exhibits, family_exhibits
from earwitness.exhibits.heard import heard_chart, heard_table, listeners_table, reliability_table, trials_table
from earwitness.exhibits.kinds import kind_exhibit, own_kind
from earwitness.exhibits.load import load
from earwitness.exhibits.loudness import loudness, loudness_absent
from earwitness.exhibits.match import match_exhibits
from earwitness.exhibits.responses import decay_chart, group_delay_chart, impulse_chart, near_field
from earwitness.exhibits.trust import separation, trust
from earwitness.exhibits.words import short_reason, true_minus
from earwitness.figures.kinds import kinds_of, lacks
from earwitness.quantities import Measurement, Reading
from earwitness.session.record import Loudspeaker

MAKERS = {
    "balance": balance,
    "in_room": in_room,
    "evenness": evenness,
    "across": across,
    "above": above,
    "reflections": reflections,
    "near_field": near_field,
    "impulse": impulse_chart,
    "group_delay": group_delay_chart,
    "decay": decay_chart,
    "separation": separation,
    "trust": trust,
}
_NEEDS = {
    "balance": ("The balance", ("on_axis", "listening_window", "early_reflections", "sound_power")),
    "in_room": ("The balance in the room", ("in_room",)),
    "evenness": ("Evenness", ("on_axis",)),
    "across": ("The map across", ("map horizontal", "horizontal")),
    "above": ("The map above and below", ("map vertical", "vertical")),
    "reflections": ("The parts of the reflections", ("floor", "ceiling", "front_wall", "side_wall", "rear_wall")),
}


def exhibits_of(
    reading: Reading,
    measurement: Measurement,
    loudspeaker: Loudspeaker,
    *,
    advice: Advice | None = None,
    beside: PeerComparison | None = None,
    family: Family | None = None,
) -> tuple[Chart | Table, ...]:
    """Every exhibit that the data can give, in the order of the page; each chart says whose it is.

    advice : findings become numbered marks, and what was heard, mended and matched gets exhibits of its own;
    beside : its place among others; family : its other units, states and days.
    """
    made: list[Chart | Table | None] = [make(reading, measurement) for make in MAKERS.values()]
    # What the loudspeaker does when it is loud, and to its amplifier, stands before what the curves are worth.
    at = list(MAKERS).index("impulse")
    made[at:at] = [*loudness(reading, measurement), load(reading), *own_kind(reading, measurement)]
    if advice is not None:
        findings = advice.findings
        made = [marked(one, findings) if isinstance(one, Chart) else one for one in made]
        made.insert(1, findings_table(findings))
        if advice.match is not None and advice.match.kind is not None:
            made.insert(2, kind_exhibit(advice.match.kind))
        made = [*_heard(reading, measurement, advice), *made, *_mended(advice)]
        made += match_exhibits(advice.match) if advice.match is not None else ()
    if family is not None:
        made += family_exhibits(family)
    if beside is not None:
        made += beside_exhibits(beside)
    return tuple(
        replace(chart, note=" ".join(filter(None, (chart.note, loudspeaker.title))))
        for chart in made
        if chart is not None and not lacks(kinds_of(loudspeaker), "exhibits", chart.key, even_judged=True)
    )


def _heard(reading: Reading, measurement: Measurement, advice: Advice) -> list[Chart | Table | None]:
    found: list[Chart | Table | None] = []
    for number, heard in enumerate(advice.heard, 1):
        found.append(heard_chart(reading, measurement, heard, advice.findings, number=number))
        found.append(heard_table(heard, advice.findings, number=number))
    found.append(trials_table(advice.trials))
    return [*found, listeners_table(advice.agreement), reliability_table(advice.reliability)]


def _mended(advice: Advice) -> list[Chart | Table | None]:
    found: list[Chart | Table | None] = []
    if advice.mend is not None:
        found = [mend.verdict_table(advice.mend), mend.mend_chart(advice.mend, advice.findings)]
        found += [
            mend.bands_table(advice.mend, advice.findings),
            mend.gains_table(advice.mend),
            mend.steps_table(advice.mend),
        ]
    if advice.aim is not None:
        found.append(mend.aim_chart(advice.aim))
        found += [
            mend.aim_table(study, key=key, place=place)
            for key, place, study in (
                ("aims", "across", advice.aim.horizontal),
                ("aims-vertical", "above and below", advice.aim.vertical),
            )
            if study is not None
        ]
    return found


def absent_words(
    reading: Reading, measurement: Measurement, *, advice: Advice | None = None, kinds: tuple[str, ...] = ()
) -> tuple[str, ...]:
    """A sentence for each exhibit that is missing, and for each curve missing from the balance, with the reason.

    kinds : of the loudspeaker; what those cannot have is not told.
    """
    shown = {key for key, make in MAKERS.items() if make(reading, measurement) is not None}
    found = []
    for key, (title, needs) in _NEEDS.items():
        if lacks(kinds, "exhibits", key):
            continue
        reasons = dict.fromkeys(short_reason(reading.missing[need]) for need in needs if need in reading.missing)
        if key not in shown:
            found.append(f"{title} is not shown: {'; '.join(reasons) or 'the recordings do not give it'}.")
        elif key == "balance":
            found += [
                f"Missing in the balance, {need.replace('_', ' ')}: {short_reason(reading.missing[need])}."
                for need in needs
                if need in reading.missing
            ]
    found += loudness_absent(reading)
    if "impedance_magnitude" in reading.missing:
        found.append(f"Load is not shown: {reading.missing['impedance_magnitude']}.")
    if advice is not None:
        found += _advice_absent(advice, kinds)
    return tuple(map(true_minus, found))


def _advice_absent(advice: Advice, kinds: tuple[str, ...]) -> list[str]:
    found = []
    if not advice.heard:
        found.append("What was heard is not shown: no listening sheet was sealed.")
    if advice.mend is None and advice.mend_absent and not lacks(kinds, "questions", "equalizer"):
        found.append(f"The equalizer is not shown: {advice.mend_absent}.")
    if advice.aim is not None:
        aims = {f"{orbit} aim": why for orbit, why in advice.aim.missing.items()}
        found += [f"The {aim} is not shown: {why}." for aim, why in aims.items() if not lacks(kinds, "questions", aim)]
    if advice.match is not None:
        found += [f"{part.capitalize()}: not shown, {why}." for part, why in advice.match.absent.items()]
    return found
