"""All exhibits of a review, in the order of the page."""

from __future__ import annotations

from dataclasses import replace

from earwitness.exhibits.across import above, across
from earwitness.exhibits.balance import balance
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.evenness import evenness
from earwitness.exhibits.in_room import in_room
from earwitness.exhibits.load import load
from earwitness.exhibits.loudness import loudness, loudness_absent
from earwitness.exhibits.near_field import near_field
from earwitness.exhibits.over_time import decay_chart, group_delay_chart, impulse_chart
from earwitness.exhibits.reflections import reflections
from earwitness.exhibits.trust import trust
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


def exhibits_of(reading: Reading, measurement: Measurement, loudspeaker: Loudspeaker) -> tuple[Chart | Table, ...]:
    """Every exhibit that the data can give, in the order of the page; each chart says whose it is."""
    made: list[Chart | Table | None] = [make(reading, measurement) for make in MAKERS.values()]
    # What the loudspeaker does when it is loud, and to its amplifier, stands before what the curves are worth.
    at = list(MAKERS).index("impulse")
    made[at:at] = [*loudness(reading, measurement), load(reading)]
    return tuple(
        replace(chart, note=" ".join(filter(None, (chart.note, loudspeaker.title))))
        for chart in made
        if chart is not None
    )


def absent_words(reading: Reading, measurement: Measurement) -> tuple[str, ...]:
    """A sentence for each exhibit that is missing, and for each curve missing from the balance, with the reason."""
    shown = {key for key, make in MAKERS.items() if make(reading, measurement) is not None}
    found = []
    for key, (title, needs) in _NEEDS.items():
        reasons = dict.fromkeys(reading.missing[need] for need in needs if need in reading.missing)
        if key not in shown:
            found.append(f"{title} is not shown: {'; '.join(reasons) or 'the recordings do not give it'}.")
        elif key == "balance":
            found += [
                f"In the balance the {need.replace('_', ' ')} is missing: {reading.missing[need]}."
                for need in needs
                if need in reading.missing
            ]
    found += loudness_absent(reading)
    if "impedance_magnitude" in reading.missing:
        found.append(f"Load is not shown: {reading.missing['impedance_magnitude']}.")
    return tuple(found)
