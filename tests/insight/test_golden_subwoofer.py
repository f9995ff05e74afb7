"""Crossovers to a subwoofer over a population of mains, frozen: the program's own values, held against change.

Formulas: filters against scipy's analog Butterworth; a Linkwitz-Riley filter is one of half the order, twice.
"""

from __future__ import annotations

import dataclasses
import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from match_worlds import brief, curve, figure, level_of, tried, unknown
from scipy import signal

from earwitness.figures.highest_level import CleanLevel, CleanLimits
from earwitness.insight.match import subwoofer as module
from earwitness.insight.match.subwoofer import (
    SLOPES,
    MainResponse,
    Scheme,
    Setting,
    high_pass,
    low_pass,
    main_response,
    match_subwoofer,
    slope_words,
    spared_db,
    spread_words,
    subwoofer_response,
    summed,
    tuned,
    with_ideal,
)
from earwitness.quantities import Curve, log_axis
from golden_values import stands

NAME = "insight/match_subwoofer"
AXIS = log_axis(20.0, 20_000.0, 24)


def main_curve(number: int, **more: Any) -> Curve:
    random = np.random.default_rng([number, 1])
    level = level_of(AXIS.hz, random)
    u = 0.1 + 0.1 * random.random() + 0.02 * np.abs(np.log2(AXIS.hz / 1000.0))
    return curve(level, axis=AXIS, u=u, **more)


def clean_level(number: int, *, bound: int = 0, common: float = 0.1) -> CleanLevel:
    random = np.random.default_rng([number, 2])
    drive = 12.0 + 5.0 * np.log2(np.clip(AXIS.hz, 30.0, 400.0) / 30.0) + random.normal(0.0, 1.0, len(AXIS))
    steps = np.arange(0.0, 41.0, 10.0)
    level = curve(87.0 + drive, key="highest_clean_level", axis=AXIS, u=0.2, common=common)
    limits = np.where(AXIS.hz < 50.0 + 40.0 * number, 0, 1) if bound == 0 else np.full(len(AXIS), 1)
    bounds = np.full(len(AXIS), bound)
    return CleanLevel(level, bounds, limits, drive, steps, 87.0 + steps, CleanLimits())


def distortion(number: int, *, valid: Any = None) -> Curve:
    percent = 8.0 * (30.0 / AXIS.hz) ** (1.0 + 0.3 * number) + 0.2
    return curve(
        percent,
        key=("distortion_total@2.83 V", "distortion_total")[number % 2],
        axis=AXIS,
        u=0.05 * percent,
        common=0.1,
        unit="%",
        valid=valid,
    )


def bass_box(number: int, low: float = 15.0) -> Curve:
    axis = log_axis(16.0, 500.0, 24)
    level = 92.0 + number - 10.0 * np.log10(1.0 + (25.0 / axis.hz) ** 4) - 10.0 * np.log10(1.0 + (axis.hz / 180.0) ** 4)
    return curve(level, axis=axis, u=0.2, valid=axis.hz > low)


@pytest.mark.parametrize("slope", SLOPES)
def test_filters_against_scipy(slope: str) -> None:
    hz, corner = np.geomspace(15.0, 700.0, 25), 87.0
    twice = slope.startswith("LR")
    order = int(slope[2:]) // (2 if twice else 1)
    kinds: tuple[tuple[Any, Any], ...] = (("low", low_pass), ("high", high_pass))
    for kind, way in kinds:
        b, a = signal.butter(order, 2 * np.pi * corner, kind, analog=True)
        _, once = signal.freqs(b, a, 2 * np.pi * hz)
        np.testing.assert_allclose(way(hz, corner, slope), once**2 if twice else once, rtol=1e-9)
    assert slope_words(slope) == f"{'Linkwitz-Riley' if twice else 'Butterworth'} {6 * int(slope[2:])} dB/octave"


def test_sums_and_words() -> None:
    hz = np.array([40.0, 100.0])
    one, other = np.array([1.0 + 1j, 2.0]), np.array([0.5, 1j])
    rows: list[Any] = [
        summed(hz, one, other),
        summed(hz, one, other, main_inverted=True),
        summed(hz, one, other, subwoofer_delay_s=0.002),
        summed(hz, one, other, subwoofer_gain_db=-3.0),
    ]
    rows += [
        high_pass(hz, 80.0, ""),
        tried(lambda: slope_words("XX2")),
        tried(lambda: low_pass(hz, 80.0, "")),
        [scheme.words for scheme in module.SCHEMES],
    ]
    stands(NAME, "sums", rows)
    assert [spread_words(u) for u in (0.0, 0.0249, 0.025, 0.026, 0.5)] == [
        "less than 0.1 dB",
        "less than 0.1 dB",
        "0.1 dB",
        "0.1 dB",
        "1.0 dB",
    ]


def response_kept(one: MainResponse) -> Any:
    return [one.axis.hz, one.pressure, one.u_db, one.reference_db, one.lowest_hz, one.lineage]


def test_responses_of_the_bass() -> None:
    rows: list[Any] = []
    for number in range(5):
        for low_hz in (0.0, 30.0, 56.0):
            rows.append(response_kept(main_response(main_curve(number, valid=AXIS.hz > low_hz))))
        rows.append(response_kept(subwoofer_response(bass_box(number, (15.0, 27.0, 39.0)[number % 3]))))
    rising = curve(90.0 - 6.0 * np.log2(AXIS.hz / 1000.0), axis=AXIS, valid=AXIS.hz > 45.0)
    rows.append(response_kept(main_response(rising)))
    stands(NAME, "responses", rows, relative=1e-4)


def test_bands_that_are_needed() -> None:
    """60 Hz to 600 Hz of a main, 40 Hz to 120 Hz of a subwoofer, to the very point."""
    axis = type(AXIS)(
        np.array(
            [20.0, 39.0, 40.0, 41.0, 59.0, 60.0, 61.0, 80.0, 100.0, 119.0, 120.0, 121.0, 300.0, 590.0, 600.0, 610.0]
        )
    )
    rows = []
    for way in (main_response, subwoofer_response):
        for low, high in itertools.product(
            (39.5, 40.0, 40.5, 59.5, 60.0, 60.5), (119.5, 120.0, 120.5, 595.0, 600.0, 605.0)
        ):
            one = curve(86.0, axis=axis, valid=(axis.hz >= low) & (axis.hz <= high))
            found = tried(lambda way=way, one=one: way(one).lowest_hz)
            rows.append(found[:70] if isinstance(found, str) else found)
        rows.append(tried(lambda way=way: way(curve(86.0, axis=axis, valid=axis.hz < 0.0))))
    stands(NAME, "needed bands", rows)


def test_slopes_below_what_is_known() -> None:
    """From three points on a slope is taken of the lowest two thirds of an octave, never a fall upward."""
    rows = []
    for points in (
        (50.0, 60.0, 70.0, 90.0),
        (50.0, 79.0, 79.3, 79.5),
        (50.0, 79.5, 90.0, 99.0),
        (50.0, 55.0, 90.0, 99.0),
        (50.0, 65.0, 79.0, 99.0),
    ):
        axis = type(AXIS)(np.array([*points, 150.0, 300.0, 600.0]))
        rows.append(
            response_kept(main_response(curve(80.0 + 4.0 * np.log2(axis.hz / 100.0) + np.sin(axis.hz), axis=axis)))[1]
        )
    stands(NAME, "slopes", rows, relative=1e-4)


def setting_kept(one: Setting) -> Any:
    return [
        one.corner_hz,
        one.scheme.high_pass,
        one.scheme.low_pass,
        one.main_inverted,
        one.delay_s,
        one.gain_db,
        one.rms_db,
        one.above_db,
        one.below_db,
        one.spared_db,
    ]


@pytest.mark.parametrize("number", range(4))
def test_settings(number: int) -> None:
    main, rows = main_response(main_curve(number)), []
    for corner_hz, scheme in (
        (60.0, Scheme("BW2", "LR4")),
        (100.0, Scheme("LR4", "LR4")),
        (80.0, Scheme("", "BW3")),
        (90.0, Scheme("LR2", "LR2")),
    ):
        rows.append(
            setting_kept(tuned(main, corner_hz, scheme, subwoofer_response(bass_box(number)) if number % 2 else None))
        )
    rows.append([spared_db(main, corner_hz, slope) for corner_hz in (40.0, 120.0) for slope in SLOPES])
    stands(NAME, f"settings {number}", rows, relative=1e-4)


@pytest.mark.parametrize("number", range(6))
def test_matches(number: int) -> None:
    more: dict[str, Any] = {"corners_hz": (50.0, 80.0, 110.0), "schemes": module.SCHEMES[(number % 3) :: 3]}
    if number % 2:
        more["highest_level"] = clean_level(number)
    if number % 3:
        more["distortion_percent"] = distortion(number)
    if number > 2:
        more |= {"subwoofer": bass_box(number), "name": "Deep One"}
    found = match_subwoofer(main_curve(number, valid=AXIS.hz > (0.0, 40.0)[number % 2]), **more)
    stands(
        NAME,
        f"match {number}",
        [
            setting_kept(found.best),
            [setting_kept(one)[4:7] for one in found.tried],
            brief(found.curves),
            brief(found.figures),
            found.sentences,
            found.subwoofer,
        ],
        relative=1e-4,
    )
    free = match_subwoofer(main_curve(number), corners_hz=(80.0,), schemes=(Scheme("LR4", "LR4"),))
    both = with_ideal(found, free)
    stands(NAME, f"with ideal {number}", [both.sentences[-1], setting_kept(free.best)], relative=1e-4)
    assert both.ideal == free.best


def test_what_there_is_nothing_of() -> None:
    one = main_curve(1)
    rows = [
        tried(lambda corners=corners, schemes=schemes: match_subwoofer(one, corners_hz=corners, schemes=schemes))
        for corners, schemes in (
            ((), module.SCHEMES),
            ((80.0,), ()),
            ((0.0,), module.SCHEMES),
            ((-5.0, 80.0), module.SCHEMES),
            ((np.inf,), module.SCHEMES),
            ((80.0, np.nan), module.SCHEMES),
        )
    ]
    stands(NAME, "nothing", rows)
    assert match_subwoofer(one, corners_hz=(0.5,), schemes=module.SCHEMES[:1]).best.corner_hz == 0.5


def test_the_usual_corners_and_schemes() -> None:
    found = match_subwoofer(main_curve(2), schemes=module.SCHEMES[:2])
    assert {one.corner_hz for one in found.tried} == {40.0, 50.0, 60.0, 70.0, 80.0, 90.0, 100.0, 110.0, 120.0}
    stands(
        NAME,
        "usual",
        [setting_kept(found.best), [one.rms_db for one in found.tried], brief(found.figures["crossover_frequency"])],
        relative=1e-4,
    )


def setting(**more: Any) -> Setting:
    return replace(Setting(80.0, Scheme("BW2", "LR4"), False, 0.0, 0.0, 1.0, 1.0, -1.0, 8.0), **more)


def test_the_order_of_choice() -> None:
    """Lowest corner, then steps of 0.2 dB, then the gentlest slopes."""
    rows = [
        module._rank(setting(corner_hz=corner, rms_db=rms, scheme=scheme))
        for corner in (60.0, 80.0)
        for rms in (0.19, 0.21, 0.39, 0.41, 1.0)
        for scheme in (Scheme("", "LR4"), Scheme("BW2", "LR4"), Scheme("LR8", "LR8"))
    ]
    stands(NAME, "ranks", rows)
    spared = [
        [one.spared_db for one in module._worth_it([setting(spared_db=at) for at in some], None)]
        for some in (
            (1.0, 5.0, 4.0, 3.9, 4.1, 7.0),
            (13.5, 9.9, 10.0, 10.1, 20.0),
            (12.9, 9.89, 9.91, 3.0),
            (0.0,),
            (5.0, 2.0, 2.1),
        )
    ]
    stands(NAME, "spared", spared)


def test_what_a_level_adds() -> None:
    rows: list[Any] = []
    for number in range(5):
        for corner, slope in ((60.0, "BW2"), (90.0, "LR4"), (120.0, "LR8"), (80.0, "")):
            one = setting(corner_hz=corner, scheme=Scheme(slope, "LR4"))
            for bound in (0, 1, -1):
                highest = clean_level(number, bound=bound, common=0.1 * number)
                found = module._level_gain(highest, one)
                rows.append(
                    [
                        None if found is None else [found[0].value, found[1].value, found[2], found[3]],
                        brief(module._level_added(highest, one)),
                    ]
                )
        some = [
            setting(corner_hz=corner, scheme=Scheme("LR4", "LR4"), spared_db=spared)
            for corner in (50.0, 70.0, 90.0, 110.0)
            for spared in (7.0, 9.0)
        ]
        rows.append([one.corner_hz for one in module._worth_it(some, clean_level(number))])
    rows += [brief(module._level_added(None, setting())), module._level_gain(None, setting())]
    stands(NAME, "levels added", rows)


def test_uncertainty_of_a_level_s_rise() -> None:
    """None where the same limit holds without and with it; else both, without what calibration adds to both."""
    rows = []
    for number, corner in itertools.product(range(4), (45.0, 60.0, 90.0, 120.0)):
        for u, common in ((0.2, 0.1), (0.2, 0.4), (0.5, 0.0)):
            highest = clean_level(number)
            level = dataclasses.replace(
                highest.level,
                u=np.asarray(u * (1.0 + 0.5 * (AXIS.hz < 60.0)), dtype=np.float64),
                u_common=np.full(len(AXIS), common),
            )
            found = module._level_gain(
                dataclasses.replace(highest, level=level), setting(corner_hz=corner, scheme=Scheme("LR8", "LR4"))
            )
            rows.append(None if found is None else [found[2], found[3]])
    stands(NAME, "uncertain rises", rows)


def test_distortion_that_is_left() -> None:
    rows, mains = [], [main_response(main_curve(number)) for number in range(3)]
    for number, scheme in itertools.product(range(3), (Scheme("BW2", "LR4"), Scheme("", "LR4"), Scheme("LR8", "LR8"))):
        for low, high in ((0.0, 9e9), (80.0, 150.0), (190.0, 9e9), (201.0, 9e9), (0.0, 50.0)):
            one = distortion(number, valid=(AXIS.hz > low) & (AXIS.hz < high))
            rows.append(brief(module._distortion_left(one, mains[number], setting(scheme=scheme))))
    rows.append(brief(module._distortion_left(None, mains[0], setting())))
    zero = dataclasses.replace(distortion(0), values=np.zeros(len(AXIS)))
    rows.append(brief(module._distortion_left(zero, mains[0], setting())))
    stands(NAME, "distortion left", rows, relative=1e-4)


def test_sentences() -> None:
    main, rows = main_response(main_curve(1, valid=AXIS.hz > 42.0)), []
    sub = subwoofer_response(bass_box(1))
    figures = {"crossover_sum_above": figure("a", 1.0, 0.2), "high_pass_displacement": figure("d", 8.0, 0.01)}
    for delay, inverted, slope in itertools.product((0.0, -0.0014, 0.0026), (False, True), ("BW2", "")):
        best = setting(delay_s=delay, main_inverted=inverted, scheme=Scheme(slope, "LR4"), gain_db=-1.2)
        for level, left in (
            (unknown("l"), unknown("d")),
            (figure("l", 2.0, 0.1, caveats=("104 dB",)), figure("d", 2.0, 0.1, "%", caveats=("2 % at 40 Hz",))),
        ):
            made = {**figures, "high_pass_level": level, "high_pass_distortion": left}
            rows.append(module._sentences(main, best, made, sub if inverted else None, "Deep One" if inverted else ""))
    stands(NAME, "sentences", rows)
    for lowest in (19.9, 20.0, 20.1):
        told = module._sentences(dataclasses.replace(main, lowest_hz=lowest), setting(), made, None, "")
        assert ("continued" in told[-1]) == (lowest > 20.0)


def test_what_other_slopes_add() -> None:
    """Told from 0.1 dB rms on."""
    rows = []
    one = match_subwoofer(main_curve(0), corners_hz=(80.0,), schemes=module.SCHEMES[:1])
    for better in (0.0, 0.09, 0.0999, 0.1001, 0.11, 1.0, -1.0):
        other = dataclasses.replace(one, best=replace(one.best, rms_db=one.best.rms_db - better, corner_hz=70.0))
        rows.append(with_ideal(one, other).sentences[-1])
    rows.append(with_ideal(one, one).sentences[-1])
    stands(NAME, "other slopes", rows, relative=1e-4)


def test_how_flat_is_flat_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    """Within 0.5 dB rms of the flattest: a lower corner is taken only there."""
    for more_db, corner_hz in ((0.45, 50.0), (0.499, 50.0), (0.501, 80.0), (0.54, 80.0)):

        def made(_main: Any, corner: float, scheme: Scheme, _sub: Any, more_db: float = more_db) -> Setting:
            return setting(corner_hz=corner, scheme=scheme, rms_db=1.0 if corner == 80.0 else 1.0 + more_db)

        monkeypatch.setattr(module, "tuned", made)
        found = match_subwoofer(main_curve(0), corners_hz=(50.0, 80.0), schemes=module.SCHEMES[:1])
        assert found.best.corner_hz == corner_hz
