"""Exhibit of the bench: all curves as they stand behind the equalizer in hand, and the equalizer beneath."""

from collections.abc import Mapping

import numpy as np

from earwitness.exhibits.advice import SeatsAdvice
from earwitness.exhibits.chart import Chart, Panel, Trace
from earwitness.exhibits.level_facts import joined, level_span
from earwitness.exhibits.mended import change_rows
from earwitness.exhibits.texts import chart
from earwitness.exhibits.words import figure_words, number_words
from earwitness.insight.mend.goal import Goal
from earwitness.insight.mend.live import Prepared, Weighed
from earwitness.quantities import Curve

LIVE = (
    ("sound_power", "all directions", "sound power"),
    ("early_reflections", "reflected", "early reflections"),
    ("in_room", "in room", "in room"),
    ("listening_window", "window", "listening window"),
    ("on_axis", "direct", "on axis"),
)
LOWEST_GAIN_DB, HIGHEST_GAIN_DB = -15.0, 10.0


def desk_chart(curves: Mapping[str, Curve], goal: Goal) -> Chart | None:
    """The five curves of the balance, the goal's also as it was, and an equalizer of 0 dB; None without the goal's."""
    if goal.curve not in curves:
        return None
    there = [(curves[key], role, label) for key, role, label in LIVE if key in curves]
    before = curves[goal.curve].renamed("goal_before", f"{curves[goal.curve].name}, before")
    low, high = level_span(tuple(curve for curve, _, _ in there), span_db=35.0)
    traces = (
        Trace(before, "before", "before"),
        *(Trace(curve, role, label) for curve, role, label in there),  # type: ignore[arg-type]
    )
    like = curves[goal.curve]
    flat = Curve.bare("equalizer_gain", "the equalizer", like.axis, np.zeros(len(like.axis)))
    return chart(
        "desk",
        (
            Panel("Level", like.reference or "dB", low, high, 5.0, traces=traces),
            Panel(
                "Equalizer", "dB", LOWEST_GAIN_DB, HIGHEST_GAIN_DB, 5.0, traces=(Trace(flat, "mended", "equalizer"),)
            ),
        ),
    )


def desk_rows(at: Prepared, now: Weighed) -> tuple[tuple[str, str, str, str, str], ...]:
    """Figures before and now, the change with its 95 % uncertainty, and whether it is for the better, in words; the
    distance from the target first."""
    rows = change_rows(now.changes, at.before)
    if now.left is None:
        return rows
    before, after = now.left.deviation_before_db, now.left.deviation_after_db
    change = f"{number_words(after - before, 2, sign=True)} dB"
    first = ("Away from the target, rms", f"{number_words(before, 2)} dB", f"{number_words(after, 2)} dB", change, "")
    return (first, *rows)


def seat_chart(seats: SeatsAdvice, loudspeaker: str) -> Chart | None:
    """Direct sound at every seat against the mean of all, of one loudspeaker of a plan; None where it has none."""
    spread = seats.spreads.get(loudspeaker)
    if spread is None or not spread.levels:
        return None
    roles = ("first", "second", "third", "fourth")
    traces = tuple(
        Trace(curve, roles[place] if place < len(roles) else "plain", name)  # type: ignore[arg-type]
        for place, (name, curve) in enumerate(list(spread.levels.items())[:8])
    )
    values = np.concatenate([t.curve.values[t.curve.valid & (t.curve.axis.hz >= 200.0)] for t in traces])
    most = 5.0 * max(1.0, float(np.ceil(np.abs(values).max() / 5.0))) if values.size else 5.0
    most = min(most, 15.0)
    told = spread.figures["seat_spread"]
    left = len(spread.levels) - len(traces)
    return chart(
        "seat-curves",
        (Panel("Level", "dB against the mean", -most, most, 5.0, traces=traces),),
        finding=f"From seat to seat the direct sound differs by {figure_words(told)}.",
        low_hz=200.0,
        reading=joined(
            f"{left} more seats are not drawn." if left > 0 else "",
            "A seat outside the measured directions has no curve." if spread.left_out else "",
        ),
        loudspeaker=loudspeaker,
    )
