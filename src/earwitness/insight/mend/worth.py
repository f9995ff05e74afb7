"""What each further band buys, and how many bands are worth having."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from earwitness.insight.mend.design import Design, Problem, design, design_path

# A band that takes away less is not worth setting (a choice of this program, no source).
SMALLEST_STEP_DB = 0.1


@dataclass(frozen=True, slots=True)
class Worth:
    """left_db : rms of the mendable deviation left with 0, 1, ... N bands; bought_db : what band 1, ... N takes away.

    knee : the count whose point lies farthest below the straight line between the ends of the curve
    recommended : the count up to and with the last band that takes away 0.1 dB rms or more; 0 when none does
    """

    left_db: tuple[float, ...]
    bought_db: tuple[float, ...]
    knee: int
    recommended: int
    sentence: str


def recommended_design(problem: Problem, *, most: int = 10) -> tuple[Design | None, Worth]:
    """The worth of up to `most` bands, and the design with the recommended count, None where none is worth it."""
    worth = worth_of(design_path(problem, most))
    return (design(problem, worth.recommended) if worth.recommended else None), worth


def worth_of(path: Sequence[Design]) -> Worth:
    """Worth of every count of bands from designs with 1, 2, ... bands (`design_path`)."""
    left = [path[0].rms_before_db]
    for one in path:
        # A larger equalizer can leave a band at 0 dB, so it is never worse.
        left.append(min(left[-1], one.rms_after_db))
    count = len(path)
    bought = tuple(left[i] - left[i + 1] for i in range(count))
    whole = left[0] - left[-1]
    below = [left[0] - whole * i / count - left[i] for i in range(count + 1)]
    knee = max(range(count + 1), key=lambda i: (round(below[i], 9), -i))
    recommended = max((i + 1 for i in range(count) if bought[i] >= SMALLEST_STEP_DB), default=0)
    rest = left[recommended] - left[-1]
    sentence = (
        f"{recommended} of {count} bands take the mendable deviation from {left[0]:.2f} dB to "
        f"{left[recommended]:.2f} dB rms; the others together would take away {rest:.2f} dB more"
    )
    return Worth(tuple(left), bought, knee, recommended, sentence)
