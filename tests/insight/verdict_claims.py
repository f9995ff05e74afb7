"""Reads the equalizer's verdict back into claims, and holds them against curves, bands and findings.

Written from the English alone: gains through scipy.signal.sosfreqz of the W3C cookbook's formulas, rms and rating by
numpy (metrics as ANSI/CTA-2034-A and Olive 2004 are quoted). A sentence that no pattern reads is an objection too.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log2

import numpy as np
from scipy import signal
from sentence_claims import hz_of, number

from earwitness.insight.findings import Finding
from earwitness.insight.mend.equalizer import Band
from earwitness.insight.mend.objective import Problem
from earwitness.insight.mend.stop import Choice, EqualizerVerdict

ROUNDED_DB, ROUNDED_HZ = 0.0501, 0.1
NUMBERS = ("no", "one", "two", "three", "four", "five")
LIST = r"(\d+(?:, \d+)*(?: and \d+)?)"
ON, WINDOW, ROOM = 0, 1, 4


@dataclass(frozen=True)
class Told:
    """A verdict with what it speaks of."""

    problem: Problem
    choice: Choice
    findings: Sequence[Finding]
    verdict: EqualizerVerdict

    @property
    def bands(self) -> tuple[Band, ...]:
        return () if self.choice.design is None else self.choice.design.equalizer.bands

    def gain_db(self, hz: np.ndarray) -> np.ndarray:
        if not self.bands:
            return np.zeros(hz.size)
        rows = np.array([section(one) for one in self.bands])
        _, response = signal.sosfreqz(rows / rows[:, 3:4], hz, fs=48_000.0)
        return 20 * np.log10(np.abs(response))


def section(one: Band) -> list[float]:
    """W3C Audio EQ Cookbook (2021), from memory."""
    a, w = 10 ** (one.gain_db / 40), 2 * np.pi * one.frequency_hz / 48_000.0
    alpha, c = np.sin(w) / (2 * one.q), np.cos(w)
    if one.kind == "peaking":
        return [1 + alpha * a, -2 * c, 1 - alpha * a, 1 + alpha / a, -2 * c, 1 - alpha / a]
    s, root = (1.0 if one.kind == "low_shelf" else -1.0), 2 * np.sqrt(a) * alpha
    up, down = a + 1 - s * (a - 1) * c, a + 1 + s * (a - 1) * c
    above = [a * (up + root), s * 2 * a * (a - 1 - s * (a + 1) * c), a * (up - root)]
    return [*above, down + root, -s * 2 * (a - 1 + s * (a + 1) * c), down - root]


def objections(told: Told) -> list[str]:
    """What the evidence denies of a verdict's words; empty for true words."""
    found = []
    for place, text in enumerate((told.verdict.headline, *told.verdict.sentences)):
        for pattern, check in HEADLINES if place == 0 else SENTENCES:
            met = re.fullmatch(pattern, text)
            if met:
                found += [f"{text}: {why}" for why in check(told, met)]
                break
        else:
            found.append(f"unread: {text}")
        if len(text.split()) > 25:
            found.append(f"more than 25 words: {text}")
    return found + _every_finding_once(told) + _what_is_due(told)


def _every_finding_once(told: Told) -> list[str]:
    """A finding of a dip or peak is mended, cannot be mended, or is not worth a band: one of them."""
    text = " ".join((told.verdict.headline, *told.verdict.sentences))
    named = [n for part in re.findall(rf"[Ff]indings? {LIST}", text) for n in _listed(part)]
    due = [one.key for one in told.findings if one.kind not in ("tilt", "band_limit")]
    return [] if sorted(named) == sorted(due) else [f"findings {sorted(named)} are named, there are {sorted(due)}"]


def _what_is_due(told: Told) -> list[str]:
    """What a set does on axis, in the room and to the rating, and what it costs, is not left out."""
    text, found = " ".join(told.verdict.sentences), []
    if not told.bands:
        return found
    for words, (before, after) in (("On axis", _on_axis(told)), ("in-room", _in_room(told)), ("rating", _rating(told))):
        if abs(before - after) > 0.1 + 2e-3 and words not in text:
            found.append(f"{words} goes from {before} to {after}, which is not said")
    return found + ([] if "headroom" in text else ["no word on headroom"])


def _listed(words: str) -> list[int]:
    return [int(one) for one in re.findall(r"\d+", words)]


def _near(printed: str, value: float, what: str, slack: float = ROUNDED_DB) -> list[str]:
    return [] if abs(number(printed) - value) <= slack else [f"{what} {printed} against {value:.3f}"]


# ------------------------------------------------------------------------------------------------- figures anew


def _changed(told: Told, row: int, low: float, high: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    seen = told.problem.seen
    use = (seen.hz >= low) & (seen.hz <= high)
    level = seen.curve_db[row, use]
    return np.log2(seen.hz[use]), level, level + told.gain_db(seen.hz[use])


def _on_axis(told: Told) -> tuple[float, float]:
    _, before, after = _changed(told, ON, 100.0, 16_000.0)
    return float(before.std()), float(after.std())


def _about_line(x: np.ndarray, level: np.ndarray) -> float:
    return float((level - np.polyval(np.polyfit(x, level, 1), x)).std())


def _in_room(told: Told) -> tuple[float, float]:
    x, *both = _changed(told, ROOM, 100.0, 10_000.0)
    before, after = (_about_line(x, level) for level in both)
    return before, after


def _rating(told: Told) -> tuple[float, float]:
    """12.69 - 2.49 NBD_ON - 2.99 NBD_PIR - 4.31 lg(14.5) + 2.32 SM_PIR, points 1/20 octave apart."""
    rated = []
    at = np.log2(100.0) + np.arange(139) / 20
    for which in (1, 2):
        rows = [_changed(told, row, 95.0, 16_100.0) for row in (ON, ROOM)]
        nbd = []
        for row in rows:
            values = np.interp(at, row[0], row[which])
            nbd.append(np.mean([np.abs(v - v.mean()).mean() for v in np.split(values, range(10, 139, 10))]))
        x, *both = _changed(told, ROOM, 100.0, 16_000.0)
        level = both[which - 1]
        straight = 1 - (_about_line(x, level) / level.std()) ** 2
        rated.append(12.69 - 2.49 * nbd[0] - 2.99 * nbd[1] - 4.31 * np.log10(14.5) + 2.32 * straight)
    return float(rated[0]), float(rated[1])


def _takes(told: Told) -> float:
    """Share of the squares of three rms that the wanted correction takes away."""
    seen, before, after = told.problem.seen, 0.0, 0.0
    for row, high in ((ON, 16_000.0), (WINDOW, 10_000.0), (ROOM, 10_000.0)):
        use = (seen.hz >= 100.0) & (seen.hz <= high)
        x, level = np.log2(seen.hz[use]), seen.curve_db[row, use]
        mended = level + told.problem.wanted_db[use]
        before += level.std() ** 2 if row == ON else _about_line(x, level) ** 2
        after += mended.std() ** 2 if row == ON else _about_line(x, mended) ** 2
    return max(0.0, 1 - after / before)


def _differs(told: Told) -> list[str]:
    """What is said to differ must not be doubt rather than difference."""
    one = told.problem
    return [] if one.differs_db >= one.doubt_db else [f"doubt {one.doubt_db} over difference {one.differs_db}"]


# ---------------------------------------------------------------------------------------------------- headlines


def _alone(told: Told) -> list[str]:
    return [f"there are {len(told.bands)} bands"] if told.bands else []


def _even(told: Told, met: re.Match[str]) -> list[str]:
    seen = told.problem.seen
    step = np.log2(seen.hz[1] / seen.hz[0])
    kernel = np.exp(-0.5 * (np.arange(-6, 7) * step / 0.05) ** 2)
    smooth = np.convolve(seen.curve_db[ON], kernel / kernel.sum(), mode="same")
    middle = (seen.hz >= 200.0) & (seen.hz <= 10_000.0)
    rms = float(smooth[middle].std())
    return _alone(told) + _near(met[1], rms, "rms", ROUNDED_DB + 0.01) + ([] if rms < 0.36 else ["that is not even"])


def _uncertain(told: Told, _: re.Match[str]) -> list[str]:
    one = told.problem
    certain = one.doubt_db <= one.differs_db
    return _alone(told) + ([f"doubt {one.doubt_db}, difference {one.differs_db}"] if certain else [])


def _uncommon(told: Told, _: re.Match[str]) -> list[str]:
    return _alone(told) + _differs(told)


def _exchange(told: Told, _: re.Match[str]) -> list[str]:
    return _alone(told) + ([] if told.choice.guarded == 0.0 else ["no guard spoke"])


def _would(told: Told, met: re.Match[str]) -> list[str]:
    found = _alone(told) + _near(met[1], told.choice.chosen.taken_db, "taken")
    if met[2]:
        return found + _near(met[2], told.choice.headroom_db, "headroom")
    return found + ([] if told.choice.headroom_db < 1.05 else ["its headroom is not told"])


def _little(told: Told, _: re.Match[str]) -> list[str]:
    """A quarter of a decibel rms is what docs/mend.md takes for audible."""
    taken = told.choice.chosen.taken_db
    return _alone(told) + ([] if taken < 0.25 else [f"{taken} dB rms would be taken away"])


def _helps(told: Told, met: re.Match[str]) -> list[str]:
    """The others are not more than none."""
    share = 100 * told.choice.chosen.for_units
    found = _alone(told) + ([] if told.choice.chosen.taken_db >= 0.25 else ["it is little"])
    return found + _near(met[1], share, "share", 0.51) + ([] if share < 99.5 else ["there are no others"])


def _pays(told: Told, met: re.Match[str]) -> list[str]:
    found = [] if met[2] == NUMBERS[len(told.bands)] else [f"there are {len(told.bands)} bands"]
    met_by = [_mended_by(band, told.findings) for band in told.bands]
    mended = sorted({key for key in met_by if key is not None})
    if _listed(met[4] or "") != mended:
        found.append(f"bands mend {mended}")
    if (met[5] is not None) != (None in met_by):
        found.append(f"bands without a finding: {met_by.count(None)}")
    if (met[1] is not None) != (_takes(told) < 0.5):
        found.append(f"it takes {_takes(told)}")
    single = len(told.bands) == 1
    if (met[3] or met[5] or "").endswith("s") != single:
        found.append("singular and plural")
    return found


def _mended_by(band: Band, findings: Sequence[Finding]) -> int | None:
    """The equalizable finding whose span a bell of the other sign stands in, the nearest of several."""
    against = [
        one for one in findings
        if band.kind == "peaking" and one.is_equalizable and one.kind not in ("tilt", "band_limit")
        and one.low_hz <= band.frequency_hz <= one.high_hz and band.gain_db * one.size_db < 0
    ]  # fmt: skip
    return min(against, key=lambda one: abs(log2(one.center_hz / band.frequency_hz))).key if against else None


# ---------------------------------------------------------------------------------------------------- sentences


def _goes(rms: Callable[[Told], tuple[float, float]], slack: float) -> Callable[[Told, re.Match[str]], list[str]]:
    def check(told: Told, met: re.Match[str]) -> list[str]:
        before, after = rms(told)
        same = ["it prints alike"] if met[1] == met[2] else []
        return same + _near(met[1], before, "before", slack) + _near(met[2], after, "after", slack)

    return check


def _dense_hz() -> np.ndarray:
    return np.geomspace(20.0, 20_000.0, 4000)


def _free(told: Told, _: re.Match[str]) -> list[str]:
    most = float(told.gain_db(_dense_hz()).max())
    return [] if told.bands and most < 0.06 else [f"up to {most} dB"]


def _costs(told: Told, met: re.Match[str]) -> list[str]:
    hz = _dense_hz()
    gain = told.gain_db(hz)
    there = float(np.interp(hz_of(met[3], met[4]), hz, gain))
    found = _near(met[1], float(gain.max()), "gain") + _near(met[2], 10 ** (float(gain.max()) / 10), "power", 0.06)
    return found + ([] if gain.max() - there < 0.1 else [f"at {met[3]} {met[4]} it is {there}"])


def _rest(told: Told, why: str) -> list[str]:
    """Whether differences or doubt keep more from being wanted."""
    differs = told.problem.differs_db >= told.problem.doubt_db
    return [] if differs == why.startswith("differs") else [f"{told.problem.differs_db} and {told.problem.doubt_db}"]


def _takes_it(low: float, high: float) -> Callable[[Told, re.Match[str]], list[str]]:
    def check(told: Told, met: re.Match[str]) -> list[str]:
        takes = _takes(told)
        found = [] if abs(float(met["share"]) - 100 * takes) <= 0.6 else [f"it could remove {100 * takes} %"]
        found += [] if low - 1e-3 <= takes <= high + 1e-3 else [f"{takes} is another class"]
        return found + (_rest(told, met["why"]) if "why" in met.groupdict() else [])

    return check


def _takes_little(told: Told, met: re.Match[str]) -> list[str]:
    said = met["word"] == "takes little EQ"
    wrong = [] if said == bool(told.bands) else [f"{len(told.bands)} bands"]
    return wrong + _takes_it(0.0, 0.25)(told, met)


def _among(told: Told, words: str) -> list[Finding]:
    return [one for one in told.findings if one.key in _listed(words)]


def _in_order(words: str, plural: bool) -> list[str]:
    keys = _listed(words)
    found = [] if keys == sorted(set(keys)) else ["out of order"]
    return found + ([] if plural == (len(keys) > 1) else ["singular and plural"])


def _cannot(told: Told, met: re.Match[str]) -> list[str]:
    wrong = [one.key for one in _among(told, met[1]) if one.is_equalizable or one.kind in ("source", "load", "port")]
    return _in_order(met[1], met[2] == "they differ") + ([f"{wrong} are of the source"] if wrong else [])


def _turned(told: Told, met: re.Match[str]) -> list[str]:
    wrong = [
        one.key for one in _among(told, met[1])
        if one.is_equalizable or one.kind not in ("source", "load", "port") or one.evidence["excess_phase_deg"] <= 20
    ]  # fmt: skip
    return _in_order(met[1], met[2] == "their") + ([f"{wrong} are minimum phase"] if wrong else [])


def _unworthy(told: Told, met: re.Match[str]) -> list[str]:
    wrong = [one.key for one in _among(told, met[1]) if not one.is_equalizable]
    return _in_order(met[1], met[2] == "are") + ([f"{wrong} cannot be mended at all"] if wrong else [])


Check = tuple[str, Callable[[Told, re.Match[str]], list[str]]]
WOULD = r"EQ would take away (\d\.\d) dB rms(?: and cost (\d+\.\d) dB of headroom)?\."
SHARE = r"EQ could remove (?P<share>\d+) % of its unevenness at best"
REST = r"the rest (?P<why>differs from direction to direction|is within the uncertainty)"
HZ = r"(\d+(?:\.\d+)?) (Hz|kHz)"
HEADLINES: tuple[Check, ...] = (
    (r"Leave it alone: on axis it is even within (\d\.\d) dB rms, 200 Hz to 10 kHz\.", _even),
    (r"Leave it alone: what EQ could mend is within the uncertainty of the measurement\.", _uncertain),
    (r"Leave it alone: what is uneven differs from direction to direction\.", _uncommon),
    (r"Leave it alone: EQ would mend the axis at the cost of the room, or the other way round\.", _exchange),
    (rf"Leave it alone: {WOULD}", _would),
    (
        rf"EQ pays( in part)?: (\w+) bands?(?: (mends?) findings? {LIST})?(?:(?: and)? (sets?) the balance)?\.",
        _pays,
    ),
)
SENTENCES: tuple[Check, ...] = (
    (WOULD, _would),
    (r"That is probably inaudible on most music\.", _little),
    (
        r"It helps in (\d+) % of the cases that uncertainty and the spread of units leave open; "
        r"the others it makes worse\.",
        _helps,
    ),
    (r"On axis it goes from (\d+\.\d) to (\d+\.\d) dB rms, 100 Hz to 16 kHz\.", _goes(_on_axis, ROUNDED_DB)),
    (
        r"The predicted in-room response goes from (\d+\.\d) to (\d+\.\d) dB rms, about its own line, "
        r"100 Hz to 10 kHz\.",
        _goes(_in_room, ROUNDED_DB),
    ),
    (r"The predicted rating with a subwoofer goes from (\d\.\d) to (\d\.\d)\.", _goes(_rating, 0.08)),
    (r"Nothing is boosted, so no headroom is lost\.", _free),
    (rf"It costs (\d+\.\d) dB of headroom: (\d+\.\d) times the power at {HZ}\.", _costs),
    (rf"It takes EQ well: {SHARE}, the same in all directions\.", _takes_it(0.5, 1.0)),
    (rf"It takes EQ partly: {SHARE}; {REST}\.", _takes_it(0.25, 0.5)),
    (rf"It (?P<word>takes little EQ|does not take EQ): {SHARE}; {REST}\.", _takes_little),
    (rf"EQ cannot mend findings? {LIST}: (it differs|they differ) from direction to direction\.", _cannot),
    (rf"EQ cannot mend findings? {LIST}: (its|their) phase is not that of a resonance\.", _turned),
    (rf"Findings? {LIST} (is|are) not worth a band\.", _unworthy),
)
