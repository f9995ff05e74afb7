"""How many bands pay, and whether any does.

Loudspeakers that may be the true one or another unit are drawn around the wanted correction: features off in frequency
and levels over two octaves as far as units differ, and the measurement's own errors by scale. taken_k(n) = rms^2(d_k) -
rms^2(d_k + g_n): in squares, for the noise that both sides share cancels in a difference of squares and not in one of
rms. The wanted curve is shrunk already, so the draws do not count noise as gain.

What an equalizer is worth, said first: leave it alone, pays in part, or pays; which finding each band belongs to. One
fact a sentence. The numbers are those of the measured curves; the choice behind them is `stop.choose`.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from earwitness.insight.findings import Finding
from earwitness.insight.findings.finding import SOURCES
from earwitness.insight.mend import design as designing
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.insight.mend.objective import Problem
from earwitness.insight.mend.search import refine
from earwitness.insight.mend.task import Task, gains_of, is_barred
from earwitness.insight.mend.views import moved_up, smooth_errors
from earwitness.insight.mend.yardsticks import EVEN_DB, RATING_KEY, evenness_db, taken_share, worse, yardsticks
from earwitness.quantities import FloatArray, IntArray, hz_words

MOST_BANDS = 5
"""More are not weighed unless asked for."""
DRAWS = 48
LEAST_TAKEN_DB = 0.25
"""A 2 dB bell is 0.60, 0.41, 0.24 dB rms at Q 1, 3, 10: this is 2 dB at Q 10 or 0.8 dB at Q 1 (own choice)."""
LEAST_OF_AUDIBLE = 2 / 3
EACH_BAND_DB = 0.1
SURE_QUANTILE = 0.1
SURE_SHARES = (0.95, 0.8)
"""Of the units drawn so many must get better: of an even loudspeaker 95 %, of one twice as uneven 80 % (own choice)."""
PRUNE_BELOW = 0.25
GUARD_SHARES = (1.0, 0.75, 0.5, 0.25)


@dataclass(frozen=True, slots=True)
class Step:
    """bands; left_db : rms of the wanted correction left; taken_db : root of the mean square taken away over the draws,
    low_db the same of the 10 % quantile (0 if negative); for_units : share of the draws that get better."""

    bands: int
    left_db: float
    taken_db: float
    low_db: float
    for_units: float


@dataclass(frozen=True, slots=True)
class Choice:
    """What pays.

    design : None to leave it alone; steps : 0, 1, ... bands as found by the search
    chosen : what the chosen set is expected to do, or the best on offer where none is chosen; its headroom_db
    takes : share of the unevenness that ideal bands would take away, 0 to 1; guarded : share of the gains that the
    guard left, 0 where it took all
    """

    design: designing.Design | None
    steps: tuple[Step, ...]
    chosen: Step
    headroom_db: float
    takes: float
    guarded: float


def audible_ratio(band: Band) -> float:
    """A band's size over half the threshold for a resonance with music: 1 dB at Q 1, 5 dB at Q 10, 10 dB at Q 50, the
    line between them an own choice; a boost, which fills a dip, counts half.

    Source: Toole and Olive, J. Audio Eng. Soc. 36(3), 1988; dips Buecklein, 29(3), 1981; both through a summary, from
    memory, not read.
    """
    q = band.q if band.kind == "peaking" else 0.7
    limit = 0.5 * float(np.interp(np.log10(q), [0.0, 1.0, np.log10(50.0)], [1.0, 5.0, 10.0]))
    return (-band.gain_db if band.gain_db < 0 else 0.5 * band.gain_db) / limit


def drawn(problem: Problem) -> FloatArray:
    """(48, F) deviations as they may truly be, in the unit at hand and in others of its kind; always the same draws."""
    random = np.random.default_rng(99)
    points = problem.hz.size
    broad = smooth_errors(random, points, 1.0, DRAWS) * problem.u_broad_db
    narrow = smooth_errors(random, points, 0.15, DRAWS) * (0.7 * problem.u_narrow_db)
    level = smooth_errors(random, points, 2.0, DRAWS) * (problem.units.level_db / np.sqrt(3))
    half = np.log2(1 + problem.units.percent / 100)
    shifts = random.uniform(-half, half, DRAWS)
    base = np.concatenate([moved_up(-problem.sharp_db[None, :], shift) for shift in shifts])
    return np.asarray(base + broad + narrow + level, dtype=float)


def _squares(weight: FloatArray, rows: FloatArray) -> FloatArray:
    """(N,) weighted mean square about the weighted mean."""
    return np.asarray(rows**2 @ weight - (rows @ weight) ** 2, dtype=float)


class _Draws:
    """The draws of a problem, and what a gain takes away from them."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.rows = drawn(problem)
        self.before = _squares(problem.weight, self.rows)
        self.sure = float(np.interp(evenness_db(problem.seen), [EVEN_DB, 2 * EVEN_DB], SURE_SHARES))
        random = np.random.default_rng(98)
        errors = smooth_errors(random, problem.hz.size, 1.0, DRAWS) * problem.seen.u_common_db
        self.errors = np.vstack([np.zeros(problem.hz.size), errors])
        self.as_is = yardsticks(problem.seen, self.errors)

    def taken(self, gain: FloatArray) -> FloatArray:
        """(48,) [dB^2]"""
        return self.before - _squares(self.problem.weight, self.rows + gain)

    def step(self, bands: int, gain: FloatArray) -> Step:
        """What a gain (F,) of so many bands does."""
        taken = self.taken(gain)
        weight = self.problem.weight
        left = float(_squares(weight, (gain - self.problem.wanted_db)[None, :])[0])
        low = float(np.quantile(taken, SURE_QUANTILE))
        root = float(np.sqrt(max(float(taken.mean()), 0.0)))
        return Step(bands, max(left, 0.0) ** 0.5, root, max(low, 0.0) ** 0.5, float((taken > 0).mean()))

    def pays(self, step: Step, bands: tuple[Band, ...]) -> bool:
        """Better for enough of the units, and audible as a sum or by one band."""
        audible = max((audible_ratio(band) for band in bands), default=0.0) >= 1.0
        least = LEAST_TAKEN_DB * (LEAST_OF_AUDIBLE if audible else 1.0)
        return step.for_units >= self.sure and step.taken_db >= least

    def harms(self, gain: FloatArray) -> bool:
        """Whether a gain makes what was measured worse, or one of ten that may have been in its place."""
        is_worse = worse(self.as_is, yardsticks(self.problem.seen, self.errors + gain))
        return bool(is_worse[0]) or float(is_worse[1:].mean()) > SURE_QUANTILE


def choose(problem: Problem, *, most: int = MOST_BANDS) -> Choice:
    """As many bands as pay, up to `most`, in steps a device can be set to; none where none does.

    Raises InputError as `paths_of` does.
    """
    task = designing.task_of(problem)
    paths = designing.paths_of(problem, most)
    draws = _Draws(problem)
    gains = [gains_of(task, path.kinds, path.parameters) for path in paths]
    none = draws.step(0, np.zeros(problem.hz.size))
    steps = (none, *(draws.step(n, gain) for n, gain in enumerate(gains, 1)))
    takes = taken_share(draws.as_is, yardsticks(problem.seen, problem.wanted_db))
    best = int(np.argmax([_net(step) for step in steps]))
    offered = steps[max(best, 1)] if len(steps) > 1 else none
    headroom = max(float(gains[max(best, 1) - 1].max()), 0.0) if gains else 0.0
    is_guarded, found = False, list[tuple[float, Choice]]()
    for path, step in zip(paths[best - 1 :: -1] if best else [], steps[best:0:-1], strict=True):
        if not draws.pays(step, designing.equalizer_of(path.kinds, path.parameters).bands):
            continue
        kinds, x = _pruned(task, path.kinds, path.parameters)
        whole = designing.settable(problem, designing.equalizer_of(kinds, x)).equalizer
        choice, is_harmful = _weighed(problem, draws, whole, (steps, takes))
        is_guarded |= is_harmful
        if choice is not None:
            found.append((_net(choice.chosen), choice))
        # Where the best set is lowered by the guard, a smaller one may bring more.
        if found and found[0][1].guarded == 1.0:
            break
    if not found and is_guarded:
        found = [(_net(one.chosen), one) for one in _against_sources(problem, draws, task, (steps, takes))]
    if found:
        return max(found, key=lambda one: one[0])[1]
    return Choice(None, steps, chosen=offered, headroom_db=headroom, takes=takes, guarded=0.0 if is_guarded else 1.0)


def _net(step: Step) -> float:
    """What a set takes away less what its bands cost [dB^2]."""
    return step.taken_db**2 - step.bands * EACH_BAND_DB**2


def _weighed(
    problem: Problem, draws: _Draws, whole: Equalizer, known: tuple[tuple[Step, ...], float]
) -> tuple[Choice | None, bool]:
    """A set as far as it pays and harms nothing, its gains lowered where they must be; whether it harmed as it was."""
    is_harmful = False
    for share in GUARD_SHARES if whole.bands else ():
        trial = _scaled(problem, whole, share)
        gain = gain_db(trial, problem.hz, problem.sample_rate_hz)
        done = draws.step(len(trial.bands), gain)
        if not draws.pays(done, trial.bands):
            break
        if not draws.harms(gain):
            return Choice(
                designing.measured(problem, trial), known[0], done, -trial.preamp_db, takes=known[1], guarded=share
            ), is_harmful
        is_harmful = True
    return None, is_harmful


def _against_sources(
    problem: Problem, draws: _Draws, task: Task, known: tuple[tuple[Step, ...], float]
) -> Iterator[Choice]:
    """Sets of one bell against each finding in the source, all together and each alone: what is left where the joint
    objective, which weighs all directions, asks for something broad that spoils one of them."""
    low, high = problem.limits.gain_db
    bells = [
        Band("peaking", hz, float(np.clip(gain, low, high)), float(np.clip(q, *problem.limits.q)))
        for hz, q, gain in problem.bells.tolist()
        if task.low[0, 0] <= math.log(hz) <= task.high[0, 0]
    ]
    for some in [bells, *([one] for one in bells)] if len(bells) > 1 else [bells]:
        made = designing.with_preamp(problem, designing.within_boost(problem, Equalizer(tuple(some)).rounded()))
        if made.bands and not is_barred(task, *designing.parameters_of(made)):
            choice, _ = _weighed(problem, draws, made, known)
            if choice is not None:
                yield choice


def _pruned(task: Task, kinds: IntArray, x: FloatArray) -> tuple[IntArray, FloatArray]:
    """Without bands under a quarter of what can be heard; the others refined anew each time."""
    while kinds.size:
        ratio = np.array([audible_ratio(band) for band in _in_order(kinds, x)])
        worst = int(ratio.argmin())
        if ratio[worst] >= PRUNE_BELOW:
            break
        keep = np.arange(kinds.size) != worst
        kinds, x = kinds[keep], x[:, keep]
        if kinds.size:
            again = refine(task, kinds[None], x[None], 30, settled=1e-6).x[0]
            x = x if is_barred(task, kinds, again) else again
    return kinds, x


def _in_order(kinds: IntArray, x: FloatArray) -> list[Band]:
    """Bands in the order of the arrays, which an equalizer does not keep."""
    return [designing.equalizer_of(kinds[i : i + 1], x[:, i : i + 1]).bands[0] for i in range(kinds.size)]


def _scaled(problem: Problem, equalizer: Equalizer, share: float) -> Equalizer:
    """All gains times share, in steps of 0.1 dB toward 0."""
    if share == 1.0:
        return equalizer
    bands = (replace(b, gain_db=math.trunc(10 * share * b.gain_db) / 10) for b in equalizer.bands)
    return designing.with_preamp(problem, replace(equalizer, bands=tuple(bands)))


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
class EqualizerVerdict:
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


def verdict_of(problem: Problem, choice: Choice, findings: Sequence[Finding] = ()) -> EqualizerVerdict:
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
    return EqualizerVerdict(
        answer=answer,
        reason=reason,
        takes=choice.takes,
        takes_word=word,
        gain_db=choice.chosen.taken_db,
        gain_low_db=choice.chosen.low_db,
        for_units=choice.chosen.for_units,
        changes=changes if equalizer.bands else {},
        headroom_db=boost if equalizer.bands else choice.headroom_db,
        power_factor=10 ** (boost / 10),
        power_at_hz=at_hz,
        bands=roles,
        left=left,
        headline=headline,
        sentences=tuple(told),
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
