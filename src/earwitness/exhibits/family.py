"""Exhibits: other sessions of one loudspeaker on its own page: a second sample, a repair, a preset, and the spread."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from earwitness.exhibits.beside import RANKED
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.compare import compare_change
from earwitness.exhibits.figures_table import figure_name
from earwitness.exhibits.words import exact_words, value_words
from earwitness.figures.registry import info_of
from earwitness.insight.change import Change
from earwitness.insight.compare import Candidate
from earwitness.insight.variation import Variation

Kind = Literal["sample", "pair", "repair", "variant", "day"]
PREFIX: Final = "again"
TOGETHER: Final = "No unit was measured twice: the spread holds set-up and placement too."
_NOT_BELOW_ZERO: Final = ("f3", "f6", "f10", "linearity_half", "linearity_share", "linearity_band")
_TITLES: Final[Mapping[Kind, str]] = {
    "sample": "Second sample",
    "pair": "Left and right",
    "repair": "Before and after",
    "variant": "Another variant",
    "day": "Measured again",
}


@dataclass(frozen=True, slots=True)
class UnitsTold:
    """Figures over the units of a loudspeaker in one state.

    variant : the state, "" where none is stated; sessions : by unit, their numbers; figures : by key
    u_mean : standard uncertainty of the mean by key: what the sessions scatter, at least what each one's own
    uncertainty leaves of a mean, and what their devices move alike, which shows in no scatter
    """

    title: str
    variant: str
    sessions: Mapping[str, tuple[int, ...]]
    figures: Mapping[str, Variation]
    u_mean: Mapping[str, float]
    units: Mapping[str, str]


@dataclass(frozen=True, slots=True, eq=False)
class Relative:
    """Another session of the loudspeaker. number : of it; change : of `first` against `second`, one of which it is;
    words : what tells it from the session shown."""

    kind: Kind
    number: int
    change: Change
    first: Candidate
    second: Candidate
    words: str


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """What else was measured of a loudspeaker. units : over units in the state of the session shown, None for one unit;
    absent : sentences about sessions that are not shown."""

    relatives: tuple[Relative, ...]
    units: UnitsTold | None = None
    absent: tuple[str, ...] = ()


def family_exhibits(family: Family) -> list[Chart | Table | None]:
    """A chart for each other session, and what the units spread."""
    made: list[Chart | Table | None] = [
        compare_change(
            one.change,
            one.first,
            one.second,
            key=f"{PREFIX}-{one.kind}-{one.number}",
            title=_TITLES[one.kind] + ("" if one.kind == "repair" else f": {one.words}"),
        )
        for one in family.relatives
    ]
    return [*made, None if family.units is None else units_table(family.units)]


def units_table(found: UnitsTold) -> Table | None:
    """Mean, spread over units and the next unit, for the figures that loudspeakers are ranked by."""
    rows = tuple((figure_name(key), *units_row(found, key)) for key in RANKED if key in found.figures)
    if not rows:
        return None
    count, total = len(found.sessions), sum(len(numbers) for numbers in found.sessions.values())
    together = f" {TOGETHER}" if all(one.repeat_sd is None for one in found.figures.values()) else ""
    return Table(
        key=f"{PREFIX}-units",
        title="Spread over units",
        columns=("Figure", "Mean", "Standard deviation over units", "Next unit"),
        align=("left", "right", "left", "right"),
        rows=rows,
        note=f"{count} units ({', '.join(found.sessions)}), {total} sessions"
        + (f", {found.variant}" if found.variant else "")
        + f". ± and all limits are 95 %; from few units they are wide.{together}",
    )


def units_row(found: UnitsTold, key: str) -> tuple[str, str, str]:
    """Mean, spread with its limits, and the range of the next unit, in words."""
    one, info = found.figures[key], info_of(key)
    most = None if info is None else info.decimals
    mean = value_words(one.mean, found.u_mean[key], found.units[key], most=most)
    # With one digit more than the figure is printed with: a spread is smaller than what it spreads.
    finest = None if most is None else most + 1
    coming = max(one.next_low, 0.0) if key.startswith(_NOT_BELOW_ZERO) else one.next_low
    sd, low, high, coming_low, coming_high = (
        exact_words(value, found.units[key], most=finest)
        for value in (one.unit_sd, one.low_sd, one.high_sd, coming, one.next_high)
    )
    is_told = one.repeat_sd is None or one.is_told
    spread = f"{sd} ({low} to {high})" if is_told else f"not told from repeats, at most {high}"
    return mean, spread, f"{coming_low} to {coming_high}"
