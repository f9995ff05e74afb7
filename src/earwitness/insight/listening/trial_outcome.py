"""What trials showed, in numbers and in words."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from earwitness.insight.findings.audibility import audible_from_db
from earwitness.insight.listening.preference import Preference, pairs_dealt, preference, wins_of
from earwitness.insight.listening.trials import Counted, Threshold, counted, dealt, fewest_right, threshold

FEWEST_SIZED = 20
LETTERS = "ABCDEF"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What trials showed. key, answers : letter of a version by trial; counted : None for a threshold, for more than
    two versions and before any answer; preference : of more than two versions, None until each pair was compared.

    threshold : of a listener, at center_hz and q; estimate_db : what the program takes as audible there
    sentence : for people
    """

    key: tuple[str, ...]
    answers: tuple[str, ...]
    counted: Counted | None
    threshold: Threshold | None
    preference: Preference | None
    center_hz: float | None
    q: float | None
    estimate_db: float | None
    sentence: str


def keys_of(plan: Mapping[str, Any]) -> tuple[str, ...]:
    """The right answer of every answered trial: X of abx; B, which has the finding, of a threshold."""
    count = len(plan["answers"])
    if plan["kind"] == "abx":
        return tuple("AB"[dealt(plan["secret"], trial)] for trial in range(1, count + 1))
    return ("B",) * count


def right_answers(plan: Mapping[str, Any]) -> list[bool]:
    """Whether each answer is the key's; of a preference, whether it is B."""
    return [one == key for one, key in zip(plan["answers"], keys_of(plan), strict=True)]


def outcome_of(plan: Mapping[str, Any]) -> Outcome:
    """What came out of trials that are over."""
    answers, keys = tuple(plan["answers"]), keys_of(plan)
    count = len(answers)
    center_hz, q = plan.get("center_hz"), plan.get("q")
    if plan["kind"] == "threshold":
        found = threshold(plan["sizes_db"], right_answers(plan)) if count >= FEWEST_SIZED else None
        estimate = None if q is None else audible_from_db(q, is_peak=plan["is_peak"], sensitive=plan["sound"] == "pink")
        return Outcome(
            keys, answers, None, found, None, center_hz, q, estimate, _threshold_words(plan, found, estimate)
        )
    if len(plan["words"]) > 2:
        ranked = _ranked(plan)
        return Outcome((), answers, None, None, ranked, None, None, None, _ranked_words(plan, ranked))
    two_sided = plan["kind"] == "prefer"
    tally = counted(sum(right_answers(plan)), count, two_sided=two_sided) if count else None
    told = () if two_sided else keys
    return Outcome(told, answers, tally, None, None, center_hz, q, None, _tally_words(plan, tally))


def _tally_words(plan: Mapping[str, Any], tally: Counted | None) -> str:
    if tally is None:
        return "Broken off before any answer."
    broken = f" It was broken off: {plan['planned']} trials were planned." if tally.trials < plan["planned"] else ""
    chance = f"{100 * tally.p_value:.1f} %" if tally.p_value >= 0.001 else "under 0.1 %"
    if plan["kind"] == "prefer":
        share = max(tally.right, tally.trials - tally.right)
        which = plan["words"][1 if 2 * tally.right > tally.trials else 0]
        told = f"preferred {share} of {tally.trials} times: {which}" if 2 * tally.right != tally.trials else "a tie"
        verdict = "a preference beyond chance" if tally.is_shown else "no preference beyond chance"
        return f"{told[:1].upper()}{told[1:]}. That is {verdict} (guessing gives as much in {chance} of runs).{broken}"
    needed = fewest_right(plan["planned"])
    told = f"{tally.right} of {tally.trials} right; guessing gives as many or more in {chance} of runs."
    if tally.is_shown:
        return f"{told} The difference was heard.{broken}"
    limit = f"It may still have been heard in up to {100 * tally.heard_at_most:.0f} % of trials."
    return f"{told} That does not show that the difference was heard ({needed} right are needed). {limit}{broken}"


def _threshold_words(plan: Mapping[str, Any], found: Threshold | None, estimate_db: float | None) -> str:
    count = len(plan["answers"])
    if found is None:
        return (
            f"{count} of {plan['planned']} trials were answered: too few for a threshold, which takes {FEWEST_SIZED}."
        )
    low, high = (f"{value:.1f}" for value in (max(found.interval_db[0], 0.0), found.interval_db[1]))
    where = f"at {plan['center_hz']:.0f} Hz, Q {plan['q']:.1f}, with {plan['sound']}"
    told = f"Heard from about {found.size_db:.1f} dB on ({low} to {high} dB) {where}, over {count} trials."
    if not found.is_bounded:
        told = f"Not heard with certainty up to {max(plan['sizes_db']):g} dB {where}, over {count} trials."
    rule = "" if estimate_db is None else f" The program's own estimate for such a sound is {estimate_db:.1f} dB."
    broken = f" {plan['planned']} trials were planned." if count < plan["planned"] else ""
    return f"{told}{rule}{broken} This holds for this listener, with these headphones, at this level."


def _ranked(plan: Mapping[str, Any]) -> Preference | None:
    count = len(plan["words"])
    pairs = pairs_dealt(plan["secret"], count, len(plan["answers"]))
    if len({frozenset(pair) for pair in pairs}) < count * (count - 1) // 2:
        return None
    return preference(wins_of(pairs, [LETTERS.index(one) for one in plan["answers"]], count))


def _ranked_words(plan: Mapping[str, Any], found: Preference | None) -> str:
    count = len(plan["answers"])
    broken = f" {plan['planned']} comparisons were planned." if count < plan["planned"] else ""
    if found is None:
        return f"{count} of {plan['planned']} comparisons were answered: not every pair was compared.{broken}"
    order = sorted(range(found.worth.size), key=lambda row: -found.worth[row])
    rows = "; ".join(f"{LETTERS[row]}: {plan['words'][row]}" for row in order)
    first, last = order[0], order[-1]
    share, low, high = (f"{100 * value:.0f}" for value in found.chance(first, last))
    if not found.is_shown:
        verdict = "No preference beyond chance"
        rows = f"from most to least often preferred: {rows}"
    else:
        verdict = "A preference beyond chance"
        rows = f"from most to least liked: {rows}"
    told = (
        f"{verdict}, {rows}. {LETTERS[first]} is preferred to {LETTERS[last]} in about {share} % ({low} to {high} %)."
    )
    odd = f" {found.circular} of the triples go in a circle." if found.circular else ""
    helped = " One won or lost all its pairs; half a win was added to each." if found.is_helped else ""
    unfit = " Worths do not explain the answers well." if found.p_fit is not None and found.p_fit < 0.05 else ""
    return f"{told}{odd}{helped}{unfit}{broken} This holds for this listener and this sound."
