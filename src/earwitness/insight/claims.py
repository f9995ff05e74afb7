"""The maker's claims against what was measured: holds, falls short by x +- u, or cannot be judged and why.

A claim falls short only where the measurement misses it by more than twice its standard uncertainty (k = 2, some 95 %).
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from earwitness.figures.bandwidth import lower_limit, upper_limit
from earwitness.figures.linearity import smoothed_draws
from earwitness.figures.load import RATED_SHARE
from earwitness.figures.sampling import band_grid, covers, not_covered
from earwitness.figures.sensitivity import SENSITIVITY_BAND_HZ, band_means
from earwitness.figures.uncertainty import Drawn, drawn, with_spread
from earwitness.files.data import worded
from earwitness.insight.variation import u_of_mean, variation
from earwitness.quantities import Asked, Curve, Figure, FloatArray, Reading, hz_words
from earwitness.session.record import Claim

ClaimWord = Literal["holds", "falls short", "cannot be judged"]
COVERAGE = 2.0
_BY_LEVEL = ("sensitivity", "sensitivity 1 W", "highest level")
HALF_SPACE_DB = 20 * math.log10(2.0)
"""A rigid plane doubles the pressure of a source in it (image source, handbook)."""
SMOOTHING = 12
_UNITS = {"hz": ("Hz", 1.0), "khz": ("Hz", 1000.0), "db": ("dB", 1.0), "ohm": ("ohm", 1.0), "ohms": ("ohm", 1.0),
          "ω": ("ohm", 1.0), "w": ("W", 1.0), "db spl": ("dB", 1.0)}  # fmt: skip
_WANTED = {
    "sensitivity": "dB", "sensitivity 1 W": "dB", "lowest frequency": "Hz", "highest frequency": "Hz",
    "frequency range": "Hz", "rated impedance": "ohm", "minimum impedance": "ohm", "amplifier power": "W",
    "highest level": "dB",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ClaimVerdict:
    """One claim judged.

    measured : the figure it was held against, or None; short_by, u : by how much it falls short and the standard
    uncertainty of that, in `unit` (both None unless judged; short_by is negative where there is something to spare)
    sentence : for the page, with numbers; reason : why it cannot be judged, else ""
    """

    claim: Claim
    verdict: ClaimWord
    measured: Figure | None
    short_by: float | None
    u: float | None
    unit: str
    sentence: str
    reason: str = ""


def judge_claims(
    claims: Sequence[Claim], reading: Reading, *, figures: Mapping[str, Figure] | None = None, level_doubt: str = ""
) -> tuple[ClaimVerdict, ...]:
    """Every claim, in order. figures : of load and highest level, where they are not in the reading; level_doubt : why
    absolute levels are in doubt, "" where they are not: then they confirm no claim."""
    known = {**reading.figures, **(figures or {})}
    verdicts = (_judge(claim, reading, known) for claim in claims)
    return tuple(_unless_doubted(one, level_doubt) for one in verdicts)


def over_units(
    shown: Sequence[ClaimVerdict], groups: Sequence[Sequence[Sequence[ClaimVerdict]]]
) -> tuple[ClaimVerdict, ...]:
    """Claims held against the mean over units, for a claim is of the model and not of one unit.

    shown : of the session shown, in the order of the claims; groups : the same by unit and session. A claim that one of
    them cannot judge, or judges by a bound, stays as shown.
    """
    return tuple(_over_units(one, [[row[place] for row in rows] for rows in groups]) for place, one in enumerate(shown))


def _over_units(shown: ClaimVerdict, groups: Sequence[Sequence[ClaimVerdict]]) -> ClaimVerdict:
    every = [one for rows in groups for one in rows]
    figures = [one.measured for one in every if one.measured is not None and not one.measured.bound]
    if len(figures) < len(every) or any(one.short_by is None for one in every):
        return shown
    found = variation([[one.short_by for one in rows if one.short_by is not None] for rows in groups])
    level = variation([[one.measured.judged_value for one in rows if one.measured is not None] for rows in groups])
    if found is None or level is None:
        return shown
    u, unit = u_of_mean(found, figures), shown.unit
    digits = max(0, -math.floor(math.log10(max(u, level.unit_sd, 1e-6))))
    mean = f"{level.mean:.{digits}f} ± {COVERAGE * u:.{digits}f} {unit}"
    coming = f"the next one lies from {max(level.next_low, 0.0):.{digits}f} to {level.next_high:.{digits}f} {unit}"
    short = found.mean > COVERAGE * u
    sure = "it holds" if found.mean <= 0.0 else "it holds within the uncertainty"
    told = f"it falls short by {found.mean:.{digits}f} ± {COVERAGE * u:.{digits}f} {unit}" if short else sure
    sentence = f"Claim: {_words(shown.claim)}. Mean of {found.units} units {mean} ({coming}): {told}."
    return replace(shown, verdict="falls short" if short else "holds", short_by=found.mean, u=u, sentence=sentence)


def _unless_doubted(verdict: ClaimVerdict, level_doubt: str) -> ClaimVerdict:
    if not level_doubt or verdict.verdict != "holds" or verdict.claim.quantity not in _BY_LEVEL:
        return verdict
    return _open(verdict.claim, "the level itself is in doubt, see the notes on the recordings", verdict.measured)


def _judge(claim: Claim, reading: Reading, figures: Mapping[str, Figure]) -> ClaimVerdict:
    unit, factor = _UNITS.get(claim.unit.strip().casefold(), ("", 1.0))
    if unit != _WANTED[claim.quantity]:
        return _open(claim, f"its unit {claim.unit!r} is not one of {claim.quantity}, {_WANTED[claim.quantity]}")
    if factor != 1.0:
        upper = None if claim.value_to is None else claim.value_to * factor
        claim = claim.model_copy(update={"value": claim.value * factor, "value_to": upper, "unit": unit})
    judges: dict[str, Callable[[Claim, Reading, Mapping[str, Figure]], ClaimVerdict]] = {
        "sensitivity": _sensitivity,
        "sensitivity 1 W": _sensitivity,
        "lowest frequency": _lowest,
        "highest frequency": _highest,
        "frequency range": _range,
        "rated impedance": _rated,
        "minimum impedance": lambda claim, _, figures: _ohms(claim, figures, claim.value, ""),
        "amplifier power": _power,
        "highest level": _level,
    }
    return judges[claim.quantity](claim, reading, figures)


def _words(claim: Claim) -> str:
    if claim.text:
        return f"{claim.quantity} {claim.text}"
    upper = f" to {claim.value_to:g}" if claim.value_to is not None else ""
    tolerance = f", ±{claim.tolerance_db:g} dB" if claim.tolerance_db else ""
    drop = f", {claim.drop_db:g} dB down" if claim.drop_db else ""
    return f"{claim.quantity} {claim.value:g}{upper} {claim.unit}{tolerance}{drop}"


def _open(claim: Claim, reason: str, measured: Figure | None = None) -> ClaimVerdict:
    sentence = f"Claim: {_words(claim)}. It cannot be judged: {reason}."
    return ClaimVerdict(
        claim, "cannot be judged", measured, None, None, unit=_WANTED[claim.quantity], sentence=sentence, reason=reason
    )


def _closed(
    claim: Claim, measured: Figure, short_by: float, u: float, *, decimals: int, least_counts: bool, note: str
) -> ClaimVerdict:
    """Verdict from how far the measurement misses the claim; a bound counts only where it says enough.

    least_counts : more of the figure is better for the claim, so that "at least" leaves room for the better
    """
    unit = measured.unit
    limit = f"{measured.bound} " if measured.bound else ""
    spread = f" ± {COVERAGE * u:.{decimals}f}" if u > 0.0 else ""
    found = f"measured {limit}{measured.judged_value:.{decimals}f}{spread} {unit}" + (f" ({note})" if note else "")
    better = measured.bound == ("at least" if least_counts else "at most")
    if short_by > COVERAGE * u:
        if better:
            return _open(claim, f"{found}: the data end before the claim is reached", measured)
        by = f"it falls short by {short_by:.{decimals}f}{spread} {unit}"
        sentence = f"Claim: {_words(claim)}. {_upper(found)}: {by}."
        return ClaimVerdict(claim, "falls short", measured, short_by=short_by, u=u, unit=unit, sentence=sentence)
    if measured.bound and not better:
        return _open(claim, f"{found}: the data give no more than that bound", measured)
    sure = "it holds" if short_by <= 0.0 else "it holds within the uncertainty"
    sentence = f"Claim: {_words(claim)}. {_upper(found)}: {sure}."
    return ClaimVerdict(claim, "holds", measured, short_by=short_by, u=u, unit=unit, sentence=sentence)


def _upper(words: str) -> str:
    return words[0].upper() + words[1:]


def _lower(words: str) -> str:
    return words[0].lower() + words[1:]


def _sensitivity(claim: Claim, reading: Reading, figures: Mapping[str, Figure]) -> ClaimVerdict:
    key = "sensitivity" if claim.quantity == "sensitivity" else "sensitivity_1w"
    measured = figures.get(key)
    if measured is None or measured.value is None or measured.u is None:
        return _open(claim, measured.reason if measured else "no sensitivity was measured", measured)
    short = claim.value - measured.value
    note = "mean from 300 Hz to 3 kHz"
    found = _closed(claim, measured, short, measured.u, decimals=1, least_counts=True, note=note)
    is_free = "half_space" not in reading.choices
    if is_free and found.verdict == "falls short" and short <= HALF_SPACE_DB + COVERAGE * measured.u:
        extra = f" It would hold in half space, as in a wall, which adds up to {HALF_SPACE_DB:.0f} dB."
        return replace(found, sentence=found.sentence + extra)
    return found


def _on_axis(reading: Reading) -> tuple[Drawn, FloatArray] | str:
    """On-axis curve and its mean from 300 Hz to 3 kHz, as measured and as they could have been; or why not."""
    curve = reading.curves.get("on_axis")
    if curve is None:
        return reading.missing.get("on_axis", "the level on axis was not measured")
    curves = drawn(curve)
    if not covers(curves.curve, band_grid(*SENSITIVITY_BAND_HZ)):
        return not_covered(curve, *SENSITIVITY_BAND_HZ)
    return curves, band_means(curves)


def _drop(claim: Claim) -> float | None:
    return claim.drop_db or claim.tolerance_db


def _lowest(claim: Claim, reading: Reading, figures: Mapping[str, Figure]) -> ClaimVerdict:
    drop = _drop(claim)
    if drop is None:
        return _open(claim, "the maker does not state at how many dB down it is meant")
    measured = next((figures[key] for key in (f"f{drop:g}", f"bass_lower_{drop:g}db") if key in figures), None)
    if measured is None or not measured.is_judged:
        found = _on_axis(reading)
        if isinstance(found, str):
            return _open(claim, found)
        measured = lower_limit(*found, drop, key=f"lower_limit_{drop:g}db")
    if measured.value is None or measured.u is None:
        return _open(claim, measured.reason, measured)
    band = "40 Hz to 80 Hz" if measured.key.startswith("bass") else "300 Hz to 3 kHz"
    note = f"{drop:g} dB under the mean from {band}"
    short, decimals = measured.value - claim.value, int(measured.value < 100.0 and measured.u < 1.0)
    return _closed(claim, measured, short, measured.u, decimals=decimals, least_counts=False, note=note)


def _highest(claim: Claim, reading: Reading, _figures: Mapping[str, Figure]) -> ClaimVerdict:
    drop = _drop(claim)
    if drop is None:
        return _open(claim, "the maker does not state at how many dB down it is meant")
    found = _on_axis(reading)
    if isinstance(found, str):
        return _open(claim, found)
    measured = upper_limit(*found, drop, key=f"upper_limit_{drop:g}db")
    if measured.value is None or measured.u is None:
        return _open(claim, measured.reason, measured)
    note = f"{drop:g} dB under the mean from 300 Hz to 3 kHz"
    short = claim.value - measured.value
    return _closed(claim, measured, short, measured.u, decimals=0, least_counts=True, note=note)


def half_range(curve: Curve, low_hz: float, high_hz: float) -> tuple[Figure, float, float]:
    """Half of highest minus lowest level over a band, 1/12 octave smoothing, and where both lie [Hz].

    It is the smallest +- window that holds the curve wherever its middle lies, the reading kindest to the maker. "at
    least" where the valid band does not cover the claimed one. ValueError where nothing of it is valid.
    """
    curves = smoothed_draws(drawn(curve), SMOOTHING)
    smooth, hz = curves.curve, curve.axis.hz
    rows = np.flatnonzero(smooth.valid & (hz >= low_hz * (1.0 - 1e-9)) & (hz <= high_hz * (1.0 + 1e-9)))
    if not rows.size:
        raise ValueError(f"nothing is valid from {low_hz:g} Hz to {high_hz:g} Hz")
    high, low = rows[np.argmax(smooth.values[rows])], rows[np.argmin(smooth.values[rows])]
    step = 2.0 ** float(np.max(np.diff(np.log2(hz)))) * 1.001 if hz.size > 1 else 1.0
    whole = hz[rows[0]] <= low_hz * step and hz[rows[-1]] >= high_hz / step and np.all(np.diff(rows) == 1)
    values = np.ptp(curves.rows[:, rows], axis=1) / 2.0
    method = (
        f"half the range of {curve.name}, {hz_words(low_hz)} to {hz_words(high_hz)}, 1/{SMOOTHING} octave smoothing"
    )
    asked = Asked("half_range", "dB", method, (low_hz, high_hz), curve.lineage)
    figure = asked.judged(float(values[0]), bound="" if whole else "at least")
    return with_spread(figure, values), float(hz[high]), float(hz[low])


def _range(claim: Claim, reading: Reading, figures: Mapping[str, Figure]) -> ClaimVerdict:
    if claim.value_to is None:
        return _open(claim, "the range has only one end")
    if claim.tolerance_db is None:
        return _both_ends(claim, reading, figures)
    curve = reading.curves.get("on_axis")
    if curve is None:
        return _open(claim, reading.missing.get("on_axis", "the level on axis was not measured"))
    low, high = sorted((claim.value, claim.value_to))
    try:
        measured, highest, lowest = half_range(curve, low, high)
    except ValueError as error:
        return _open(claim, str(error))
    value, u = measured.judged_value, measured.judged_u
    short = value - claim.tolerance_db
    where = f"highest at {hz_words(highest)}, lowest at {hz_words(lowest)}"
    found = f"from {hz_words(low)} to {hz_words(high)} the level stays within ±{value:.1f} dB at best"
    found += f" (uncertainty {COVERAGE * u:.1f} dB; {where})"
    if short > COVERAGE * u:
        by = f"it falls short by {short:.1f} ± {COVERAGE * u:.1f} dB"
        return ClaimVerdict(
            claim, "falls short", measured, short, u, "dB", f"Claim: {_words(claim)}. {_upper(found)}: {by}."
        )
    if measured.bound:
        return _open(claim, "the level is not known over the whole range", measured)
    sure = "it holds" if short <= 0.0 else "it holds within the uncertainty"
    return ClaimVerdict(
        claim, "holds", measured, short, u=u, unit="dB", sentence=f"Claim: {_words(claim)}. {_upper(found)}: {sure}."
    )


def _both_ends(claim: Claim, reading: Reading, figures: Mapping[str, Figure]) -> ClaimVerdict:
    """A range with a drop and no tolerance: both ends must hold and are told; the worse one is the verdict."""
    if claim.drop_db is None:
        return _open(claim, "the maker states neither a tolerance nor how many dB down the ends are meant")
    low, high = sorted((claim.value, claim.value_to or claim.value))
    one_end = claim.model_copy(update={"value_to": None, "text": ""})
    parts = (
        _lowest(one_end.model_copy(update={"quantity": "lowest frequency", "value": low}), reading, figures),
        _highest(one_end.model_copy(update={"quantity": "highest frequency", "value": high}), reading, figures),
    )
    order = {"falls short": 0, "cannot be judged": 1, "holds": 2}
    worse = min(parts, key=lambda part: order[part.verdict])
    told = " ".join(
        f"{side} end: {_lower(part.sentence.removeprefix(f'Claim: {_words(part.claim)}. '))}"
        for side, part in zip(("Lower", "Upper"), parts, strict=True)
    )
    sentence = f"Claim: {_words(claim)}. {told}"
    return ClaimVerdict(
        claim, worse.verdict, worse.measured, worse.short_by, worse.u, unit="Hz", sentence=sentence, reason=worse.reason
    )


def _rated(claim: Claim, _reading: Reading, figures: Mapping[str, Figure]) -> ClaimVerdict:
    return _ohms(
        claim, figures, RATED_SHARE * claim.value, f"80 % of {claim.value:g} ohm are {0.8 * claim.value:.2f} ohm"
    )


def _ohms(claim: Claim, figures: Mapping[str, Figure], limit: float, rule: str) -> ClaimVerdict:
    measured = figures.get("impedance_minimum")
    if measured is None or measured.value is None or measured.u is None:
        return _open(claim, measured.reason if measured else "no impedance was measured", measured)
    at = figures.get("impedance_minimum_at")
    place = f"at {hz_words(at.value)}" if at is not None and at.value is not None else ""
    note = ", ".join(part for part in (place, rule) if part)
    # The figure's bound "at most" means that the true minimum may be lower still.
    short = limit - measured.value
    return _closed(claim, measured, short, measured.u, decimals=2, least_counts=True, note=note)


def _power(claim: Claim, _reading: Reading, figures: Mapping[str, Figure]) -> ClaimVerdict:
    power = figures.get("drawn_power")
    reason = "which amplifier suits depends on room, distance and taste, and no measurement of the loudspeaker tells it"
    if power is not None and power.value is not None and power.caveats:
        reason += f"; measured: it takes {power.value:.2g} W {power.caveats[0]}"
    return _open(claim, reason, power)


def _level(claim: Claim, _reading: Reading, figures: Mapping[str, Figure]) -> ClaimVerdict:
    measured = figures.get("highest_clean_level")
    if measured is None or measured.value is None or measured.u is None:
        return _open(claim, measured.reason if measured else "no level series was measured", measured)
    if claim.value - measured.value > COVERAGE * measured.u:
        limit = f"{measured.bound} " if measured.bound else ""
        reason = worded("insight.within_our_limits", limit=limit, measured=measured, expanded=COVERAGE * measured.u)
        return _open(claim, reason, measured)
    note = "rms of a sine at 1 m, within our limits of distortion and compression"
    short = claim.value - measured.value
    return _closed(claim, measured, short, measured.u, decimals=1, least_counts=True, note=note)
