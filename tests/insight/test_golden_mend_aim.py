"""Other aims over a population, place by place, and what they say to findings; frozen.

The values are the program's own ("frozen"). Beside them: the weights of a place that was measured.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from flaw_worlds import DEG, HZ, UP, VECTORS, X, bell_db, finding, levels, measured, rows_kept, switches

from earwitness.errors import InputError
from earwitness.figures.read import levels_of
from earwitness.figures.windows import DirectionalLevels
from earwitness.insight.findings import Finding
from earwitness.insight.mend.aim import (
    Aim,
    AimStudy,
    _average,
    _choice,
    _component,
    _db,
    _early,
    _filled_in,
    _Found,
    _in_room,
    _joint,
    _mixed,
    _nearest_calm,
    _notes,
    _on_orbit,
    _place,
    _power,
    _sentence,
    _shown_key,
    _size_db,
    _study_words,
    _views,
    aim,
    aim_study,
    aim_words,
    answer,
    lead,
    with_aim,
    without_aim,
)
from earwitness.quantities import Orbit, from_orbit
from golden_values import stands

NAME = "insight/mend_aim"
ORBITS: tuple[Orbit, Orbit] = ("horizontal", "vertical")
AIMS: tuple[tuple[Orbit, float], ...] = (("horizontal", 0.0), ("horizontal", -17.0), ("vertical", 10.0))
TURNED: tuple[tuple[Orbit, float], ...] = (("horizontal", 15.0), ("vertical", -10.0))
USUAL: tuple[tuple[Orbit, bool], ...] = (("horizontal", True), ("horizontal", False), ("vertical", True))


def told(one: Aim | str) -> Any:
    if isinstance(one, str):
        return one
    curves = [one.direct, one.window, one.early, one.in_room]
    rows = [None if curve is None else [curve.name, curve.values, curve.u, curve.valid] for curve in curves]
    return [
        one.orbit,
        one.angle_deg,
        rows,
        one.roughness_db,
        one.u_db,
        one.with_equalizer,
        one.roughness_mended_db,
        one.notes,
    ]


def study_told(one: AimStudy) -> Any:
    return [[told(each)[3:] for each in one.aims], one.missing, replace(one, aims=())]


def sparse(number: int, step: float, most: float) -> DirectionalLevels:
    """Only so many degrees of each orbit, in steps."""
    deg = np.round(DEG[:, 0], 6)
    keep = (np.abs(deg / step - np.round(deg / step)) < 1e-6) & (deg <= most)
    return levels_of(rows_kept(measured(number, "whole"), keep))


@pytest.mark.parametrize(
    ("number", "way"),
    [(0, "whole"), (1, "doubtful"), (2, "holes"), (3, "one orbit"), (4, "few"), (6, "in a wall"), (5, "short")],
)
def test_aims_of_loudspeakers(number: int, way: str) -> None:
    one = levels(number, way)
    rows = [told(aim(one, orbit, angle)) for orbit, angle in AIMS]
    stands(NAME, f"aims {number} {way}", rows)


@pytest.mark.parametrize("number", range(5))
def test_studies(number: int) -> None:
    given: tuple[tuple[DirectionalLevels, dict[str, Any]], ...] = (
        (levels(0), {"symmetric": True}),
        (levels(1), {"aims_deg": (10.0, -20.0), "bands": 1}),
        (levels(2), {"orbit": "vertical", "aims_deg": (10.0, -10.0, 20.0)}),
        (sparse(3, 20.0, 180.0), {"aims_deg": (10.0, 20.0, 35.0)}),
        (sparse(4, 30.0, 180.0), {"aims_deg": (10.0, 45.0), "symmetric": True, "bands": 1}),
    )
    one, more = given[number]
    stands(NAME, f"study {number}", study_told(aim_study(one, **more)), relative=1e-4)


def test_usual_aims() -> None:
    coarse = levels(0)
    angles = [[one.angle_deg for one in aim_study(coarse, orbit=orbit, symmetric=same).aims] for orbit, same in USUAL]
    stands(NAME, "usual", angles)
    with pytest.raises(InputError):
        aim_study(levels_of(rows_kept(measured(0, "whole"), (DEG[:, 0] > 25.0) & (DEG[:, 0] < 60.0))))


def test_places() -> None:
    rows: list[Any] = []
    for one in (levels(0), sparse(0, 30.0, 180.0), sparse(0, 40.0, 160.0), levels(4, "few")):
        for orbit in ORBITS:
            for angle in (0.0, 0.005, 0.02, 7.0, -13.0, 40.0, 80.0, 100.0, 179.0, 180.0, -180.0, 185.0, -200.0, 365.0):
                rows.append(_on_orbit(one, orbit, angle))
        for across in (0.0, 0.009, 0.012, 10.0, 35.0, 90.0):
            for up in (0.0, -0.009, 0.012, 10.0, -45.0, 90.0):
                rows.append(_place(one, across, up))
    stands(NAME, "places", [round_place(row) for row in rows])
    gap = replace(sparse(0, 10.0, 40.0))
    odd = levels_of(
        replace(
            rows_kept(measured(0, "whole"), DEG[:, 0] < 21.0),
            directions=from_orbit("horizontal", [-20.0, -10.0, 0.0, 10.0, 40.005, 70.02, 25.0, 15.0, 12.0]),
        )
    )
    stands(
        NAME,
        "gaps",
        [
            [round_place(_on_orbit(odd, "horizontal", angle)) for angle in (20.0, 33.0, 45.0, 69.0, 75.0)],
            round_place(_on_orbit(gap, "horizontal", 45.0)),
        ],
    )
    known = _on_orbit(levels(0), "horizontal", 10.0)
    assert not isinstance(known, str)
    assert known.weights.max() == known.weights.sum() == 1.0


def round_place(one: Any) -> Any:
    if isinstance(one, str):
        return one
    rows = np.flatnonzero(one.weights)
    shares = " ".join(f"{row}:{one.weights[row]:.5f}" for row in rows)
    return f"{shares} {int(one.interpolated)}{int(one.composed)}"


def test_averages_and_views() -> None:
    one = levels(2, "holes")
    rows: list[Any] = []
    for orbit, angle in TURNED:
        window = _component(one, "listening_window", orbit, angle)
        early, places = _early(one, orbit, angle)
        assert not isinstance(window, str)
        average = _average(one, window, np.linspace(0.5, 1.5, len(window)) / len(window))
        assert early is not None
        rows += [
            average,
            early.energy,
            early.untrusted,
            early.known,
            len(places),
            _mixed([(0.3, average), (0.7, early)]),
        ]
        room = _in_room(one, average, early)
        rows += [None if room is None else [room.energy, room.untrusted], _in_room(one, average, None)]
        rows += [_views(one, window, places), _views(replace(one, known=None), window, [])]
        narrow = levels(3, "one orbit")
        front = _component(levels(4, "few"), "listening_window", "horizontal", 0.0)
        assert not isinstance(front, str)
        rows += [_views(levels(4, "few"), front, []), _component(narrow, "listening_window", "horizontal", 0.0)]
    power = _power(one)
    rows += [None if power is None else power.energy, _power(levels(4, "few")), _power(levels(6, "in a wall"))]
    assert not isinstance(window, str)
    marks = np.zeros(len(one.directions), dtype=bool)
    marks[::5] = True
    rows += [
        _notes(window, None, None),
        _notes(window, marks, None),
        _notes(window, None, marks),
        _notes([], marks, marks),
    ]
    for some, same in ((sparse(1, 20.0, 180.0), False), (sparse(1, 20.0, 180.0), True), (levels(1), False)):
        whole, between, mirrored = _filled_in(some, symmetric=same)
        rows += [len(whole.directions), between, mirrored]
    half = levels_of(rows_kept(measured(1, "whole"), (VECTORS[:, 1] < 1e-6) | (np.abs(UP[:, 0]) > 1e-6)))
    whole, between, mirrored = _filled_in(half, symmetric=True)
    rows += [len(whole.directions), between, mirrored, _filled_in(whole, symmetric=True)[1]]
    stands(NAME, "averages", rows)


@lru_cache(maxsize=1)
def ahead() -> Aim:
    found = aim(levels(0), "horizontal", 0.0)
    assert isinstance(found, Aim)
    return found


def made(angle: float, rough: float, u: float = 0.02, mended: float | None = None) -> Aim:
    return replace(ahead(), angle_deg=angle, roughness_db=rough, u_db=u, roughness_mended_db=mended)


def test_choices_of_aims() -> None:
    swept = np.round(np.arange(-0.3, 0.3, 0.004), 4)
    rows: list[Any] = []
    for u in (0.0, 0.03, 0.1):
        found = []
        for one in swept:
            aims = [made(0.0, 1.0, u), made(10.0, 1.0 - one, u), made(-10.0, 1.01 - one, u), made(20.0, 0.98 - one, u)]
            each = _choice(aims, [aim.roughness_db for aim in aims])
            found.append([each.angle_deg, each.is_clear])
        rows.append(switches(swept, found))
    rows.append([lead(made(0.0, 1.0, 0.03), made(5.0, 0.6, 0.04)), lead(made(0.0, 1.0), made(5.0, 0.6), (2.0, 1.5))])
    curves = [made(0.0, 1.0).direct, made(0.0, 1.0).window]
    rows += [_joint(curves), _joint([*curves, replace(curves[0], valid=HZ > 200.0)]), _joint(curves[:1])]
    stands(NAME, "choices", rows)


def test_words_of_aims() -> None:
    rows: list[Any] = []
    for orbit in ORBITS:
        rows += [aim_words(orbit, angle, both_sides=sides) for angle in (-12.4, 0.0, 7.0) for sides in (False, True)]
    rows += [aim_words("horizontal", 5.0)]
    straight, turned = _Found(0.0, 0.0, False), _Found(10.0, 0.234, True)
    for orbit in ORBITS:
        for plain in (straight, turned, _Found(-10.0, 0.06, False), _Found(10.0, 0.04, False)):
            for other in (None, straight, turned):
                for sides in (False, True):
                    rows.append(_study_words(orbit, plain, other, both_sides=sides))
    margins = np.round(np.arange(0.04, 0.06, 0.001), 4)
    rows.append(
        switches(
            margins,
            [
                "less" in _study_words("vertical", _Found(5.0, float(one), True), None, both_sides=False)
                for one in margins
            ],
        )
    )
    sizes = np.round(np.arange(-0.08, 0.08, 0.005), 4)
    rows += [[_db(float(size), peak) for size in (*sizes, -3.0, 3.0)] for peak in (True, False)]
    stands(NAME, "words", rows)


def dipped(spread_deg: float = 8.0, ripple: float = 0.0) -> DirectionalLevels:
    """A dip that is gone off the axis, and a ripple that grows off it."""
    one = levels(0)
    level = 80.0 + bell_db(HZ, 2500.0, 4.0, -6.0) * np.exp(-((DEG / spread_deg) ** 2)) + 0.0 * X
    # The two sides differ, or the last bits would say which of them is the smoother.
    level = level + 0.2 * (1.0 + VECTORS[:, 1][:, None]) * np.minimum(DEG / 10.0, 1.0) * np.sin(2 * np.pi * 4 * X)
    return replace(one, level_db=level + ripple * np.minimum(DEG / 20.0, 1.0) * np.sin(2 * np.pi * 3 * X))


def the_dip(**more: Any) -> Finding:
    return replace(finding("near_axis", 2500.0, -6.0, q=4.0, curves=("on_axis", "in_room")), **more)


@pytest.mark.parametrize("ripple", [0.0, 0.5, 2.0])
def test_answers_to_findings(ripple: float) -> None:
    study = aim_study(dipped(ripple=ripple), aims_deg=(10.0, -10.0, 25.0))
    others = [the_dip(key=2, center_hz=2700.0, low_hz=2500.0, high_hz=2900.0), the_dip(key=3, q=None, kind="tilt")]
    rows: list[Any] = []
    for one in (
        the_dip(),
        the_dip(size_db=2.0),
        the_dip(curves=("in_room",)),
        the_dip(curves=("listening_window",)),
        the_dip(curves=("sound_power",)),
        the_dip(q=None),
        the_dip(kind="vertical"),
    ):
        for given in (
            study,
            replace(study, clear=not study.clear),
            replace(study, best_deg=10.0, clear=True),
            replace(study, best_deg=0.0),
            replace(study, both_sides=False),
        ):
            rows.append(answer(one, given))
        rows.append([_shown_key(one), [_size_db(one, each, others) for each in study.aims]])
    rows += [
        answer(the_dip(), study, others),
        with_aim(the_dip(), study).sentence,
        without_aim(the_dip(), "no data").sentence,
    ]
    alone = replace(study, aims=tuple(one for one in study.aims if one.angle_deg == 0.0))
    rows.append(answer(the_dip(), alone))
    stands(NAME, f"answers {ripple}", rows)


def test_calm_aims_and_their_sentences() -> None:
    away = [made(angle, 1.0) for angle in (5.0, -5.0, 10.0)]
    swept = np.round(np.arange(-1.2, 1.2, 0.02), 3)
    rows: list[Any] = []
    for one in swept:
        calm = _nearest_calm({0.0: 2.0, 5.0: float(one), -5.0: 0.9, 10.0: 0.1}, away)
        rows.append(None if calm is None else calm.angle_deg)
    found: list[Any] = [
        switches(swept, rows),
        _nearest_calm({5.0: 0.1}, away) is None,
        _nearest_calm({0.0: 2.0}, away) is None,
    ]
    study = aim_study(dipped(), aims_deg=(10.0,))
    for best in (0.0, 10.0):
        for clear in (True, False):
            for margin in (-0.2, 0.0, 0.2):
                for sizes in ((None, 1.0), (-3.0, None), (-3.0, -1.0), (2.0, -0.3)):
                    for tried, rougher in ((away[0], 0.3), (away[2], -0.3), (away[2], 0.0), (None, 0.0)):
                        if margin != 0.2 and (sizes != (-3.0, -1.0) or tried is None):
                            continue
                        found.append(
                            _sentence(
                                the_dip(size_db=sizes[0] or 1.0),
                                "horizontal",
                                replace(study, best_deg=best, clear=clear),
                                named=away[0],
                                gain=(margin, 0.034),
                                tried=tried,
                                sizes=sizes,
                                rougher=(rougher, 0.023),
                            )
                        )
    stands(NAME, "calm", found)
