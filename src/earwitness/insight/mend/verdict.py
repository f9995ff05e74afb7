"""What an equalizer is worth, said first: leave it alone, pays in part, or pays; which finding each band belongs to.

One fact a sentence. The numbers are those of the measured curves; the choice behind them is `stop.choose`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from earwitness.insight.findings import Finding
from earwitness.insight.findings.finding import SOURCES
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.objective import Problem
from earwitness.insight.mend.stop import LEAST_TAKEN_DB, Choice, audible_ratio
from earwitness.insight.mend.yardsticks import EVEN_DB, RATING_KEY, evenness_db, yardsticks
from earwitness.quantities.axis import hz_words

Answer = Literal["leave_alone", "partly", "pays"]
Reason = Literal["", "even", "uncertain", "not_common", "too_small", "one_for_the_other"]
TAKES_WELL, TAKES_PARTLY = 0.5, 0.25
LITTLE_DB = 0.15
COSTLY_DB = 1.0
_HEARD_TOP_HZ = 20_000.0


@dataclass(frozen=True, slots=True)
class BandRole:
    """finding : number of the one that the band mends, None where it sets the balance; audible : size to threshold."""

    finding: int | None
    audible: float


@dataclass(frozen=True, slots=True)
class Change:
    """A figure before and after, dB rms or the rating."""

    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Verdict:
    """The advice on an equalizer.

    takes, takes_word : share of the unevenness that the best equalizer could remove, 0 to 1, in a word
    gain_db, gain_low_db : rms taken away, and what nine units of ten get at least; for_units : share that improves
    changes : by "on_axis", "listening_window", "in_room", "rating", of the advised set (nothing where left alone)
    headroom_db, power_factor, power_at_hz : what it costs, or would; power_at_hz None where nothing is boosted
    bands : role of each; left : numbers of the findings that stay; why : by number, in words
    headline, sentences : plain words, the headline first
    """

    answer: Answer
    reason: Reason
    takes: float
    takes_word: str
    gain_db: float
    gain_low_db: float
    for_units: float
    changes: Mapping[str, Change]
    headroom_db: float
    power_factor: float
    power_at_hz: float | None
    bands: tuple[BandRole, ...]
    left: tuple[int, ...]
    headline: str
    sentences: tuple[str, ...]


def mends(band: Band, finding: Finding) -> bool:
    """Whether a bell takes a finding down (or fills it): its center inside, its gain of the other sign.

    Never a tilt or an end of the range: a bell somewhere in their wide spans mends neither.
    """
    against = band.gain_db * finding.size_db < 0 and finding.kind not in ("tilt", "band_limit")
    return against and band.kind == "peaking" and finding.low_hz <= band.frequency_hz <= finding.high_hz


def verdict_of(problem: Problem, choice: Choice, findings: Sequence[Finding] = ()) -> Verdict:
    """The verdict on a choice; findings : of the same loudspeaker."""
    equalizer = Equalizer(()) if choice.design is None else choice.design.equalizer
    gain = gain_db(equalizer, problem.hz, problem.sample_rate_hz)
    before, after = (yardsticks(problem.seen, rows) for rows in (np.zeros(problem.hz.size), gain))
    changes = {key: Change(float(before[key][0]), float(after[key][0])) for key in after}
    word = "well" if choice.takes >= TAKES_WELL else "partly" if choice.takes >= TAKES_PARTLY else "not"
    roles = tuple(_role(band, findings) for band in equalizer.bands)
    met = {role.finding for role in roles}
    left = tuple(one.key for one in findings if one.key not in met and one.kind not in ("tilt", "band_limit"))
    answer: Answer = "leave_alone" if not equalizer.bands else "pays" if word == "well" else "partly"
    reason: Reason = "" if equalizer.bands else _reason(problem, choice, word)
    boost, at_hz = _boost(equalizer, problem)
    headline, told = (
        _alone_words(problem, choice, reason) if not equalizer.bands else _band_words(answer, roles, changes)
    )
    if equalizer.bands:
        told += [_cost_words(boost, at_hz)]
    told += _takes_words(problem, choice.takes, word, reason)
    told += _left_words(findings, left)
    return Verdict(
        answer,
        reason,
        choice.takes,
        word,
        choice.chosen.taken_db,
        choice.chosen.low_db,
        choice.chosen.for_units,
        changes if equalizer.bands else {},
        boost if equalizer.bands else choice.headroom_db,
        10 ** (boost / 10),
        at_hz,
        roles,
        left,
        headline,
        tuple(told),
    )


def _role(band: Band, findings: Sequence[Finding]) -> BandRole:
    met = [one for one in findings if one.is_equalizable and mends(band, one)]
    nearest = min(met, key=lambda one: abs(np.log(one.center_hz / band.frequency_hz)), default=None)
    return BandRole(None if nearest is None else nearest.key, audible_ratio(band))


def _boost(equalizer: Equalizer, problem: Problem) -> tuple[float, float | None]:
    """Largest gain and where, None where nothing is boosted by 0.05 dB."""
    hz = np.geomspace(20.0, min(_HEARD_TOP_HZ, 0.4999 * problem.sample_rate_hz), 600)
    gain = gain_db(equalizer, hz, problem.sample_rate_hz)
    place = int(gain.argmax())
    boost = float(gain[place])
    return (boost, float(hz[place])) if boost >= 0.05 else (0.0, None)


def _reason(problem: Problem, choice: Choice, word: str) -> Reason:
    if choice.guarded == 0.0:
        return "one_for_the_other"
    little = choice.chosen.taken_db < LITTLE_DB
    if little and evenness_db(problem.seen) < EVEN_DB and problem.goal.kind == "even":
        return "even"
    if word == "not":
        return "uncertain" if problem.doubt_db > problem.differs_db else "not_common"
    return "too_small"


def _alone_words(problem: Problem, choice: Choice, reason: Reason) -> tuple[str, list[str]]:
    taken = choice.chosen.taken_db
    cost = f" and cost {choice.headroom_db:.1f} dB of headroom" if choice.headroom_db >= COSTLY_DB else ""
    gain = f"EQ would take away {taken:.1f} dB rms{cost}."
    if reason == "even":
        return (
            f"Leave it alone: on axis it is even within {evenness_db(problem.seen):.1f} dB rms, 200 Hz to 10 kHz.",
            [gain] if taken >= 0.05 else [],
        )
    if reason == "uncertain":
        return "Leave it alone: what EQ could mend is within the uncertainty of the measurement.", []
    if reason == "not_common":
        return "Leave it alone: what is uneven differs from direction to direction.", []
    if reason == "one_for_the_other":
        return ("Leave it alone: EQ would mend the axis at the cost of the room, or the other way round.", [])
    if taken < LEAST_TAKEN_DB:
        return f"Leave it alone: {gain}", ["That is probably inaudible on most music."]
    share = f"It helps in {100 * choice.chosen.for_units:.0f} % of the cases that uncertainty and the spread of units"
    return f"Leave it alone: {gain}", [f"{share} leave open; the others it makes worse."]


def _band_words(answer: Answer, roles: Sequence[BandRole], changes: Mapping[str, Change]) -> tuple[str, list[str]]:
    met = sorted({role.finding for role in roles if role.finding is not None})
    acts = [f"mend{'s' if len(roles) == 1 else ''} {_listed('finding', met)}"] if met else []
    if any(role.finding is None for role in roles):
        acts.append(f"set{'s' if len(roles) == 1 else ''} the balance")
    lead = "EQ pays" if answer == "pays" else "EQ pays in part"
    headline = f"{lead}: {_number(len(roles))} band{'s' if len(roles) != 1 else ''} {' and '.join(acts)}."
    told = []
    names = {
        "on_axis": ("On axis it", "100 Hz to 16 kHz"),
        "in_room": ("The predicted in-room response", "about its own line, 100 Hz to 10 kHz"),
    }
    for key, (name, band) in names.items():
        if key in changes and f"{changes[key].before:.1f}" != f"{changes[key].after:.1f}":
            told.append(f"{name} goes from {changes[key].before:.1f} to {changes[key].after:.1f} dB rms, {band}.")
    rating = changes.get(RATING_KEY)
    if rating is not None and f"{rating.before:.1f}" != f"{rating.after:.1f}":
        told.append(f"The predicted rating with a subwoofer goes from {rating.before:.1f} to {rating.after:.1f}.")
    return headline, told


def _cost_words(boost_db: float, at_hz: float | None) -> str:
    if at_hz is None:
        return "Nothing is boosted, so no headroom is lost."
    power = 10 ** (boost_db / 10)
    return f"It costs {boost_db:.1f} dB of headroom: {power:.1f} times the power at {hz_words(at_hz)}."


def _takes_words(problem: Problem, takes: float, word: str, reason: Reason) -> list[str]:
    share = f"{100 * takes:.0f} % of its unevenness"
    if reason in ("even", "uncertain"):
        return []
    if word == "well":
        return [f"It takes EQ well: EQ could remove {share} at best, the same in all directions."]
    is_doubt = problem.doubt_db > problem.differs_db
    rest = f"the rest {'is within the uncertainty' if is_doubt else 'differs from direction to direction'}"
    if word == "partly":
        return [f"It takes EQ partly: EQ could remove {share} at best; {rest}."]
    # Some of a little may still be worth having.
    verb = "does not take EQ" if reason else "takes little EQ"
    return [f"It {verb}: EQ could remove {share} at best; {rest}."]


def _left_words(findings: Sequence[Finding], left: Sequence[int]) -> list[str]:
    """The findings that stay: those no equalizer mends, and those that are not worth a band."""
    told = []
    kept = [one for one in findings if one.key in left and not one.is_equalizable]
    stay = sorted(one.key for one in kept if one.kind not in SOURCES)
    turned = sorted(one.key for one in kept if one.kind in SOURCES)
    small = sorted(one.key for one in findings if one.key in left and one.is_equalizable)
    if stay:
        told.append(
            f"EQ cannot mend {_listed('finding', stay)}: {'they differ' if len(stay) > 1 else 'it differs'} "
            "from direction to direction."
        )
    if turned:
        told.append(
            f"EQ cannot mend {_listed('finding', turned)}: {'their' if len(turned) > 1 else 'its'} phase is not "
            "that of a resonance."
        )
    if small:
        told.append(f"{_listed('Finding', small)} {'are' if len(small) > 1 else 'is'} not worth a band.")
    return told


def _listed(word: str, numbers: Sequence[int]) -> str:
    """ "finding 2", "findings 2 and 4", "findings 1, 2 and 4"."""
    named = [str(number) for number in numbers]
    if len(named) == 1:
        return f"{word} {named[0]}"
    return f"{word}s {', '.join(named[:-1])} and {named[-1]}"


def _number(count: int) -> str:
    words = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")
    return words[count] if count < len(words) else str(count)
