"""Loudspeakers side by side over a population, frozen: the program's own values, held against change."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from match_worlds import brief, curve, figure, level_of, tried, unknown

from earwitness.insight.compare import (
    Candidate,
    _listed,
    _log_weights,
    at_equal_level,
    band_differences,
    compare_figure,
    compare_figures,
    difference,
    group_of,
    likeness,
    matched,
    mean_level,
    nearest,
    parts_beyond,
    price_frontier,
    resampled,
    standing,
    tell_apart,
    verdicts,
)
from earwitness.quantities import Cause, Curve, Figure, FloatArray, log_axis
from golden_values import stands

NAME = "insight/compare"
FINE, COARSE = log_axis(20.0, 20_000.0, 24), log_axis(31.0, 17_000.0, 11)


def causes_of(random: np.random.Generator, hz: FloatArray, microphone: str) -> tuple[Cause, ...]:
    slope = np.log2(hz / 1000.0)
    return (
        Cause(name="scale", source="s", pull_db=np.full((1, hz.size), random.uniform(0.1, 0.3)), device=microphone),
        Cause(name="response", source="s", pull_db=0.05 * slope[None], part="treble", device=microphone),
        Cause(name="place", source="s", pull_db=0.1 * np.sin(slope)[None]),
    )


def window(
    number: int,
    *,
    key: str = "listening_window",
    axis: Any = FINE,
    valid: Any = None,
    causes: bool = False,
) -> Curve:
    random = np.random.default_rng([number, 1])
    u = 0.05 + 0.1 * random.random() + 0.02 * np.abs(np.log2(axis.hz / 1000.0))
    common = 0.1 + 0.03 * np.abs(np.log2(axis.hz / 500.0))
    made = curve(level_of(axis.hz, random), key=key, axis=axis, u=u, common=common, valid=valid)
    if not causes:
        return made
    those = causes_of(random, axis.hz, f"microphone {number % 2}")
    pulled = np.sqrt(sum(cause.pull_db[0] ** 2 for cause in those))
    return replace(made, u=np.hypot(u, pulled), u_common=np.zeros(len(axis)), causes=those)


def test_means_and_matched_curves() -> None:
    rows = []
    for number in range(6):
        one = window(number, causes=number % 2 == 0, axis=COARSE if number == 3 else FINE)
        for band in ((300.0, 3000.0), (500.0, 800.0), (200.0, 400.0), (100.0, 10_000.0)):
            rows.append([mean_level(one, band), brief(matched(one, band))])
        rows.append([mean_level(one), brief(matched(one)), [cause.pull_db[0] for cause in matched(one).causes]])
    stands(NAME, "means", rows)


def test_weights_over_log_frequency() -> None:
    """One point counts whole, two by halves, three even ones by thirds."""
    for count in (1, 2, 3):
        assert _log_weights(np.asarray(100.0 * 2.0 ** np.arange(count), dtype=np.float64)) == pytest.approx(
            np.full(count, 1.0 / count)
        )


def test_bands_that_are_not_valid() -> None:
    """Points at the very limits of the band count; one that is not valid inside it refuses."""
    rows = []
    for row in (0, 40, 93, 94, 95, 96, 100, 173, 174, 175, 176, 200):
        valid = np.arange(len(FINE)) != row
        one = window(1, valid=valid)
        rows.append(tried(lambda one=one: mean_level(one, (float(FINE.hz[95]), float(FINE.hz[174])))))
    rows.append(tried(lambda: mean_level(window(1), (1001.0, 1002.0))))
    rows.append(tried(lambda: mean_level(window(1, valid=np.zeros(len(FINE), dtype=bool)))))
    rows.append(tried(lambda: mean_level(window(1), (10.0, 100.0))))
    stands(NAME, "bands", rows)


@pytest.mark.parametrize("number", range(6))
def test_differences(number: int) -> None:
    causes = number % 3 != 0
    one, other = (
        window(number, causes=causes),
        window(number + 2 + number % 2, causes=causes, axis=COARSE if number > 3 else FINE),
    )
    rows = [
        difference(one, other),
        difference(one, other, match_hz=None),
        difference(other, one, match_hz=(500.0, 2000.0)),
    ]
    stands(
        NAME,
        f"differences {number}",
        [*map(brief, rows), [band_differences(row) for row in rows], band_differences(rows[0], shortest_octaves=1.0)],
    )
    if number == 0:
        assert tried(lambda: difference(one, replace(other, unit="%"))).startswith("InputError")
        assert tried(lambda: difference(replace(one, unit=""), other)).endswith("is in no unit, listening window in dB")


def test_resampled() -> None:
    rows = [brief(resampled(window(2), FINE))]
    for low, high in ((31.0, 17_000.0), (10.0, 24_000.0), (20.5, 19_000.0)):
        valid = np.abs(np.log2(FINE.hz / 1000.0)) > 0.03
        one = resampled(window(2, valid=valid, causes=True), log_axis(low, high, 7))
        rows.append([brief(one), [cause.pull_db[0] for cause in one.causes]])
    stands(NAME, "resampled", rows)


def drawn_figure(random: np.random.Generator, key: str = "f6") -> Figure:
    value, u = random.normal(50.0, 2.0), random.uniform(0.0, 1.0)
    more: dict[str, Any] = {"bound": str(random.choice(["", "", "", "at most", "at least"]))}
    if random.random() < 0.4:
        more["interval"] = (value - random.uniform(-0.2, 2.0), value + random.uniform(-0.2, 3.0))
    if random.random() < 0.5:
        more["shared"] = (
            ("scale @ m", random.uniform(-0.4, 0.4)),
            ("other", random.uniform(0.0, 0.3)),
            (f"own {random.integers(2)}", 0.2),
        )
    return figure(key, value, u, "Hz", **more)


def test_figures() -> None:
    random = np.random.default_rng(2)
    pairs = [compare_figure(drawn_figure(random), drawn_figure(random)) for _ in range(150)]
    rows = [[one.difference, one.u, one.is_beyond] for one in pairs if one is not None]
    stands(NAME, "figures", rows)
    one = figure("f6", 50.0, 0.3, "Hz")
    assert compare_figure(one, figure("f6", 50.0, 0.3, "dB")) is None
    assert compare_figure(one, unknown("f6", "Hz")) is None
    assert compare_figure(unknown("f6", "Hz"), one) is None
    # 2 hypot(0.3, 0.4) = 1.0 Hz, below and above.
    other = [compare_figure(one, figure("f6", 50.0 + gap, 0.4, "Hz")) for gap in (-1.01, -0.99, 0.99, 1.01)]
    assert [pair.is_beyond for pair in other if pair is not None] == [True, False, False, True]
    # A limit tells apart only on the side on which nothing could lie nearer.
    for bound, apart in (("at most", (True, False)), ("at least", (False, True))):
        bounded = figure("f6", 50.0, 0.3, "Hz", bound=bound)
        found = [compare_figure(bounded, figure("f6", at, 0.3, "Hz")) for at in (60.0, 40.0)]
        assert tuple(pair.is_beyond for pair in found if pair is not None) == apart
        back = [compare_figure(figure("f6", at, 0.3, "Hz"), bounded) for at in (60.0, 40.0)]
        assert tuple(pair.is_beyond for pair in back if pair is not None) == apart


def test_figures_at_a_voltage_stay_out() -> None:
    made = {
        key: figure(key, 1.0, 0.1)
        for key in (
            "f6",
            "distortion_largest@2.83 V",
            "distortion_1_percent",
            "distortion_3_percent@1",
            "multitone_distortion@2",
            "intermodulation_2",
            "intermodulation_3@x",
            "compression_largest",
            "compression_mean@3",
            "compression_long_term",
            "distortion_at_level@90 dB",
        )
    }
    assert list(at_equal_level(made)) == ["f6", "distortion_at_level@90 dB"]


def test_parts() -> None:
    random = np.random.default_rng(3)
    rows = []
    for _ in range(8):
        values = np.cumsum(random.normal(0.0, 0.15, len(FINE)))
        u = random.uniform(0.1, 0.5, len(FINE))
        for times, shortest in ((2.0, 1 / 3), (1.0, 0.0), (3.0, 1 / 6), (1.0, 1.0)):
            rows.append(parts_beyond(FINE.hz, values, u, times=times, shortest_octaves=shortest))
    stands(NAME, "parts", [[len(row), *row[:2]] for row in rows])
    # Eight steps of 1/24 octave are a third; seven are less.
    for count in (8, 9, 10):
        values = np.where(np.arange(len(FINE)) < count, 1.0, 0.0)
        found = parts_beyond(FINE.hz, values, np.full(len(FINE), 0.1), times=2.0, shortest_octaves=(8 - 1e-6) / 24)
        assert bool(found) == (count >= 9)


def candidate(number: int, **more: Any) -> Candidate:
    random = np.random.default_rng([number, 4])
    keys = (
        "f6",
        "preference_rating",
        "sensitivity",
        "in_room_slope",
        "smoothness",
        "impedance_minimum",
        "f3",
        "distortion_at_level@90 dB",
    )
    figures = {key: drawn_figure(random, key) for key in keys}
    figures["preference_rating"] = figure(
        "preference_rating", round(random.uniform(3.0, 8.0), 1), random.uniform(0.05, 0.5), ""
    )
    if number % 5 == 4:
        figures["f6"] = unknown("f6", "Hz")
    curves = {"listening_window": window(number), "sound_power_di": replace(window(number + 50), key="sound_power_di")}
    if number % 4 == 3:
        del curves["sound_power_di"]
    if number % 7 == 6:
        curves["listening_window"] = window(number, valid=FINE.hz > (500.0 if number == 6 else 2200.0))
    next_unit = (
        {}
        if number % 2
        else {"f6": (50.0, 0.5 + number % 3), "sensitivity": (50.0, 3.0), "preference_rating": (5.0, 0.2)}
    )
    facts: dict[str, Any] = {
        "key": f"k{number}", "title": f"Speaker {number}", "type": ("stand-mount", "floor-standing")[number % 2],
        "date": f"2026-0{1 + number % 9}-10", "figures": figures, "curves": curves, "next_unit": next_unit,
        "price": None if number % 6 == 5 else 100.0 * (1 + number % 5), "currency": None if number % 6 == 5 else "EUR",
    }  # fmt: skip
    return Candidate(**facts | more)


GROUP = tuple(candidate(number) for number in range(14))


def test_groups() -> None:
    rows = [
        [one.key for one in group_of(GROUP, **asked)]
        for asked in (
            {},
            {"type": "stand-mount"},
            {"price_low": 200.0},
            {"price_high": 300.0},
            {"price_low": 200.0, "price_high": 300.0},
            {"currency": "EUR"},
            {"currency": "USD"},
            {"date_low": "2026-03-10"},
            {"date_high": "2026-03-10"},
            {"date_low": "2026-02-11", "date_high": "2026-05-10", "type": "floor-standing"},
            {"price_low": 0.0},
        )
    ]
    mixed = (*GROUP[:3], candidate(20, currency="USD"))
    rows += [
        tried(lambda: [one.key for one in group_of(mixed, price_low=1.0)]),
        [one.key for one in group_of(mixed, price_high=1e4, currency="USD")],
    ]
    rows += [tried(lambda: [one.key for one in price_frontier(mixed)]), [one.key for one in group_of(mixed)]]
    stands(NAME, "groups", rows)


def test_standings() -> None:
    rows = [[standing(key, one, GROUP) for one in GROUP[:6]] for key in ("preference_rating", "sensitivity")]
    outside = candidate(30)
    rows.append([standing("f6", outside, GROUP), standing("f6", GROUP[0], ())])
    stands(NAME, "standings", rows)
    assert tried(lambda: standing("f6", GROUP[4], GROUP)).endswith("too noisy")
    assert tried(lambda: standing("none", GROUP[4], GROUP)).endswith("it was not read")


@pytest.mark.parametrize("first", range(0, 14, 3))
def test_likeness(first: int) -> None:
    rows = [likeness(GROUP[first], other) for other in GROUP]
    more = [nearest(GROUP[first], GROUP), nearest(GROUP[first], GROUP, count=2, match_hz=(500.0, 2000.0))]
    stands(NAME, f"likeness {first}", [rows, [[one.key for one in row] for row in more]])


def test_least_overlap() -> None:
    """Three octaves of both: the lower end of what is valid slides."""
    rows = []
    for step in range(8):
        one = candidate(1, curves={"listening_window": window(1, valid=FINE.hz < 900.0 * 2.0 ** (step / 24.0))})
        rows.append(likeness(one, GROUP[0], match_hz=(150.0, 700.0)))
    for step in range(-5, 6):
        valid = (FINE.hz > 300.0 * 2.0 ** (step / 24.0)) & (FINE.hz < 2400.5)
        one = candidate(1, curves={"listening_window": window(1, valid=valid)})
        rows.append(likeness(one, GROUP[0], match_hz=(500.0, 2000.0)))
    rows.append(likeness(candidate(1, curves={}), GROUP[0]))
    rows.append(
        likeness(
            GROUP[0], candidate(1, curves={"listening_window": window(1, valid=FINE.hz < 90.0)}), match_hz=(30.0, 80.0)
        )
    )
    stands(
        NAME, "least overlap", [None if row is None else [row.balance_db, row.u_db, row.directivity_db] for row in rows]
    )


def test_prices() -> None:
    rows = [price_frontier(GROUP), price_frontier(GROUP, key="sensitivity"), price_frontier(GROUP[:1])]
    stands(NAME, "prices", rows)
    random = np.random.default_rng(5)
    more = []
    for number in range(12):
        some = [
            candidate(
                number,
                key=str(place),
                title=str(place),
                price=float(random.choice([0.0, 0.05, 1.0, 2.0])),
                figures={
                    "preference_rating": figure(
                        "preference_rating", float(random.integers(4, 7)), random.uniform(0.0, 0.6), ""
                    )
                },
            )
            for place in range(5)
        ]
        more.append([[one.key, one.on_frontier, one.near_frontier] for one in price_frontier(some)])
    stands(NAME, "small markets", more)


def test_what_tells_apart() -> None:
    rows = list(verdicts(GROUP[:9]))
    stands(NAME, "verdicts", [[row.told_apart, row.share, len(row.reasons), row.sentence] for row in rows])
    stands(NAME, "verdicts, narrow", tell_apart(GROUP[0], GROUP[1], match_hz=(900.0, 1100.0)))
    rows = [tell_apart(candidate(1, figures={}, curves={}), candidate(2, figures={}, curves={}))]
    rows += [
        tell_apart(candidate(1, figures={}), candidate(1, figures={})),
        tell_apart(candidate(1, curves={}), candidate(1, curves={})),
    ]
    rows += [
        tell_apart(GROUP[6], GROUP[8]),
        tell_apart(
            candidate(1, figures={"f6": figure("f6", 50.0, 0.2, "Hz")}, curves={}),
            candidate(2, figures={"f6": figure("f6", 50.1, 0.2, "Hz")}, curves={}),
        ),
    ]
    stands(NAME, "verdicts of little", rows)


def test_many_figures_need_more() -> None:
    """Bonferroni: 1 figure of 1.96 u, but 2 u as told; 8 figures of 2.73 u (normal law)."""
    rows = []
    for count in (1, 2, 8, 40):
        for times in np.arange(1.9, 3.8, 0.1):
            keys = [f"figure_{place}" for place in range(count)]
            one, other = (
                candidate(
                    1,
                    curves={},
                    next_unit={},
                    figures={key: figure(key, at if key == "figure_0" else 5.0, 1.0) for key in keys},
                )
                for at in (5.0, 5.0 + times * np.sqrt(2.0))
            )
            found = tell_apart(one, other)
            rows.append(found.told_apart)
    stands(NAME, "many figures", [rows[row : row + 19] for row in range(0, len(rows), 19)])


def test_how_much_of_the_window_lies_beyond() -> None:
    """A step of 5 dB over more and more octaves of the window, until a tenth of it is beyond."""
    rows: list[Any] = []
    flat = curve(85.0, key="listening_window", u=0.1, common=0.0)
    for step in range(30):
        high = 3200.0 * 2.0 ** (step / 24.0)
        values = np.where((FINE.hz > 3100.0) & (FINE.hz < high), 90.0, 85.0)
        other = candidate(2, figures={}, curves={"listening_window": replace(flat, values=values)})
        found = tell_apart(candidate(1, figures={}, curves={"listening_window": flat}), other)
        rows.append([found.told_apart, found.share, found.sentence if step in (15, 17, 25) else ""])
    for height in (0.27, 0.28, 0.29, 0.3, 0.31, 0.4):
        values = np.where((FINE.hz > 3100.0) & (FINE.hz < 9000.0), 85.0 + height, 85.0)
        other = candidate(2, figures={}, curves={"listening_window": replace(flat, values=values)})
        rows.append(tell_apart(candidate(1, figures={}, curves={"listening_window": flat}), other).share)
    stands(NAME, "share beyond", rows)


def test_other_units() -> None:
    """The means of the units, and how far further ones lie from them, against the uncertainty of the figures."""
    rows = []
    for reach in (0.0, 0.5, 2.9, 3.0, 3.1, 4.0):
        for mean in (50.0, 52.0):
            for both in (False, True):
                figures = {"f6": figure("f6", 50.0, 0.3, "Hz"), "sensitivity": figure("sensitivity", 80.0, 0.2)}
                others = {"f6": figure("f6", 56.0, 0.4, "Hz"), "sensitivity": figure("sensitivity", 84.0, 0.2)}
                one = candidate(1, curves={}, figures=figures, next_unit={"f6": (mean, reach)})
                two = candidate(
                    2,
                    curves={},
                    figures=others,
                    next_unit={"f6": (55.0, 1.0), "sensitivity": (84.0, 5.0)} if both else {},
                )
                rows.append(tell_apart(one, two).sentence)
    stands(NAME, "other units", rows)
    keys = ["f6", "listening_window", "sensitivity", "unknown_key", "distortion_at_level@90 dB", "f3"]
    assert ["more" in _listed(keys[:count]) for count in (1, 4, 5, 6)] == [False, False, True, True]
    stands(NAME, "listed", [_listed(keys[:count]) for count in range(1, 7)])
    assert [one.key for one in compare_figures(GROUP[0], GROUP[4])] == [key for key in GROUP[0].figures if key != "f6"]
