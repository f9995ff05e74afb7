"""Aims about other axes: closed-form patterns, marked interpolation, the standard's windows on axis."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from mend_worlds import alike, truth

from earwitness.errors import InputError
from earwitness.figures.windows import DirectionalLevels, windows
from earwitness.insight.mend.aim import Aim, aim, aim_study
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.quantities import from_orbit, on_orbit, report_axis
from earwitness.quantities.arrays import FloatArray


def parabola(curvature_db: float) -> DirectionalLevels:
    """Levels that fall by a parabola in dB over both angles, alike at all frequencies."""
    levels = alike(np.zeros(len(report_axis())))
    fall = np.zeros(len(levels.directions))
    for orbit in ("horizontal", "vertical"):
        rows, angle = on_orbit(levels.directions, orbit)  # type: ignore[arg-type]
        fall[rows] = -curvature_db * (angle / 10.0) ** 2
    return replace(levels, level_db=levels.level_db + fall[:, None])


def test_straight_ahead_is_the_standard_s() -> None:
    levels = truth("causeway")
    found = aim(levels, "horizontal", 0.0)
    curves = windows(levels).curves
    assert isinstance(found, Aim)
    assert found.in_room is not None
    assert found.early is not None
    pairs = ((found.direct, "on_axis"), (found.window, "listening_window"), (found.early, "early_reflections"))
    for ours, key in (*pairs, (found.in_room, "in_room")):
        np.testing.assert_allclose(ours.values, curves[key].values, atol=1e-9)
        np.testing.assert_allclose(ours.u, curves[key].u, atol=1e-9)
    assert found.notes == ()


def test_window_about_another_axis_in_closed_form() -> None:
    """Levels -0.1 (h/10)^2 - 0.1 (v/10)^2 dB: the nine positions about 20 degrees can be written down."""
    found = aim(parabola(0.1), "horizontal", 20.0)
    assert isinstance(found, Aim)
    horizontal = [2.0, 3.0, 1.0, 4.0, 0.0, 5.0, -1.0]
    level = [-0.1 * h**2 for h in horizontal] + [-0.1 * (2.0**2 + 1.0)] * 2
    expected = 80.0 + 10 * np.log10(np.mean(10 ** (np.array(level) / 10)))
    np.testing.assert_allclose(found.window.values, expected, atol=1e-9)
    np.testing.assert_allclose(found.direct.values, 80.0 - 0.4, atol=1e-9)
    assert any("put together" in note for note in found.notes)


def test_early_reflections_about_another_axis_in_closed_form() -> None:
    """The same parabola, its five reflections by the standard's positions (ANSI/CTA-2034-A), each turned by 20 degrees
    of azimuth, 1/5 each."""
    found = aim(parabola(0.1), "horizontal", 20.0)
    assert isinstance(found, Aim)
    assert found.early is not None

    def reflection(horizontal: list[float], vertical: list[float]) -> float:
        around = [((h + 20.0 + 180.0) % 360.0 - 180.0) / 10.0 for h in horizontal]
        levels = [-0.1 * a**2 for a in around] + [-0.1 * (2.0**2 + (v / 10.0) ** 2) for v in vertical]
        return float(np.mean(10 ** (np.array(levels) / 10)))

    sides = [float(sign * a) for a in range(40, 90, 10) for sign in (1, -1)]
    rear = [*(float(sign * a) for a in range(90, 180, 10) for sign in (1, -1)), 180.0]
    parts = [
        reflection([], [-20.0, -30.0, -40.0]),
        reflection([], [40.0, 50.0, 60.0]),
        reflection([0.0, 10.0, -10.0, 20.0, -20.0, 30.0, -30.0], []),
        reflection(sides, []),
        reflection(rear, []),
    ]
    np.testing.assert_allclose(found.early.values, 80.0 + 10 * np.log10(np.mean(parts)), atol=1e-9)


def test_between_measured_angles_it_is_marked() -> None:
    """Linear in dB: half way between -0.1 and -0.4 dB."""
    found = aim(parabola(0.1), "horizontal", 15.0)
    assert isinstance(found, Aim)
    np.testing.assert_allclose(found.direct.values, 80.0 - 0.25, atol=1e-9)
    assert any("interpolated over angle" in note for note in found.notes)


def beamed(center_deg: float, *, ripple_db: float) -> DirectionalLevels:
    """A ripple over frequency whose size grows with the horizontal distance from center_deg."""
    levels = alike(np.zeros(len(report_axis())))
    rows, angle = on_orbit(levels.directions, "horizontal")
    size: FloatArray = np.full(len(levels.directions), ripple_db)
    size[rows] = ripple_db * np.minimum(np.abs(angle - center_deg) / 20.0, 1.0)
    size[np.flatnonzero(levels.directions.elevation_rad != 0.0)] = size[rows][np.abs(angle) < 1][0]
    wave = np.sin(2 * np.pi * 3 * np.log2(levels.axis.hz / 1000.0))
    return replace(levels, level_db=levels.level_db + size[:, None] * wave)


def test_the_smooth_side_is_recommended_with_its_margin() -> None:
    study = aim_study(beamed(20.0, ripple_db=3.0), symmetric=True)
    assert study.best_deg in (15.0, 20.0)
    assert study.clear
    assert study.margin_db > 0.3
    ahead = next(one for one in study.aims if one.angle_deg == 0.0)
    best = next(one for one in study.aims if one.angle_deg == study.best_deg)
    assert study.margin_db == pytest.approx(ahead.roughness_db - best.roughness_db)
    assert [one.angle_deg for one in study.aims] == [0, 5, 10, 15, 20, 25, 30, 35, 40]
    assert study.sentence == (
        f"Aim it so that you sit {study.best_deg:.0f}° off the axis: smoother by {study.margin_db:.1f} dB rms. "
        "Left and right are assumed equal."
    )


def test_where_left_and_right_differ_both_sides_are_studied_and_named() -> None:
    """The ripple vanishes 20 degrees to the right and nowhere else."""
    study = aim_study(beamed(-20.0, ripple_db=3.0), symmetric=False)
    assert [one.angle_deg for one in study.aims] == list(range(-40, 45, 5))
    assert study.best_deg in (-15.0, -20.0)
    assert study.clear
    assert f"you sit {-study.best_deg:.0f}° off the axis to its own right: smoother" in study.sentence
    assert study.sentence.endswith("both sides were studied. Its mirror image asks for the opposite side.")
    left = aim_study(beamed(20.0, ripple_db=3.0), symmetric=False)
    assert left.best_deg == -study.best_deg
    assert left.margin_db == pytest.approx(study.margin_db)
    assert f"you sit {left.best_deg:.0f}° off the axis to its own left: smoother" in left.sentence


def test_of_two_aims_as_far_off_the_smoother_is_named() -> None:
    """Both sides are smoother than on axis by the same but for 0.05 dB, less than what counts."""
    levels = beamed(20.0, ripple_db=3.0)
    rows, angle = on_orbit(levels.directions, "horizontal")
    wave = np.sin(2 * np.pi * 3 * np.log2(levels.axis.hz / 1000.0))
    sizes = 3.0 * np.minimum(np.abs(np.abs(angle) - 30.0) / 30.0, 1.0) + np.where(angle > 0, 0.15, 0.0)
    level = levels.level_db.copy()
    level[rows] = 80.0 + sizes[:, None] * wave
    study = aim_study(replace(levels, level_db=level), symmetric=False)
    by_angle = {one.angle_deg: one.roughness_db for one in study.aims}
    assert 0.0 < by_angle[-study.best_deg] - by_angle[study.best_deg] < 0.1
    assert study.best_deg < 0.0


def test_alike_in_all_directions_no_aim_wins() -> None:
    flaw = gain_db(Equalizer((Band("peaking", 800.0, 4.0, 2.0),)), report_axis().hz)
    study = aim_study(alike(flaw), bands=1)
    assert study.best_deg == 0.0
    assert study.margin_db == 0.0
    assert study.best_mended_deg == 0.0
    assert study.sentence.startswith(
        "Aim it straight at you: no other angle is smoother by more than 0.1 dB, with or without EQ."
    )
    assert all(one.roughness_mended_db is not None and one.roughness_mended_db < 0.2 for one in study.aims)
    assert all(one.roughness_db > 0.3 for one in study.aims)


def test_vertical_aims_to_both_sides() -> None:
    study = aim_study(truth("causeway"), orbit="vertical", aims_deg=(-10.0, 0.0, 10.0))
    assert [one.angle_deg for one in study.aims] == [-10.0, 0.0, 10.0]
    assert "off the axis" not in study.sentence


def test_filled_in_angles_are_marked_and_missing_ones_named() -> None:
    whole = parabola(0.1)

    def only(step: float, limit: float) -> DirectionalLevels:
        rows_h, h = on_orbit(whole.directions, "horizontal")
        rows_v, v = on_orbit(whole.directions, "vertical")
        rows = [r for r, a in zip(rows_h, h, strict=True) if abs(a / step - round(a / step)) < 1e-6 and abs(a) <= limit]
        rows += [
            r
            for r, a in zip(rows_v, v, strict=True)
            if abs(a / step - round(a / step)) < 1e-6 and abs(a) <= limit and abs(a) % 180 > 1
        ]
        keep = np.array(rows)
        return replace(
            whole,
            directions=whole.directions.take(keep),
            level_db=whole.level_db[keep],
            u_db=whole.u_db[keep],
            valid=whole.valid[keep],
        )

    study = aim_study(only(20.0, 180.0), aims_deg=(10.0,))
    assert any("interpolated over angle" in note for note in study.aims[0].notes)
    half = aim_study(only(10.0, 50.0), aims_deg=(10.0, 40.0))
    assert [one.angle_deg for one in half.aims] == [0.0, 10.0]
    assert half.aims[0].in_room is None
    assert "was not measured" in half.missing[0]
    with pytest.raises(InputError, match="no aim can be studied"):
        aim_study(
            DirectionalLevels(
                whole.axis,
                from_orbit("horizontal", [0.0]),
                whole.level_db[:1],
                whole.u_db[:1],
                whole.u_common_db,
                whole.valid[:1],
                "dB",
            )
        )


def test_positions_of_the_other_side_are_called_that_and_not_interpolated() -> None:
    """Only the right half was measured, every 10 degrees; the loudspeaker is alike to both sides."""
    whole = parabola(0.1)
    rows_h, h = on_orbit(whole.directions, "horizontal")
    rows_v, _ = on_orbit(whole.directions, "vertical")
    keep = np.union1d(rows_h[h <= 0.5], rows_v)
    half = replace(
        whole,
        directions=whole.directions.take(keep),
        level_db=whole.level_db[keep],
        u_db=whole.u_db[keep],
        valid=whole.valid[keep],
    )
    ahead = aim_study(half, aims_deg=(), symmetric=True).aims[0]
    np.testing.assert_allclose(ahead.window.values, windows(whole).curves["listening_window"].values, atol=1e-9)
    # On the left stand three of the window's nine positions, three of the front wall's seven, five of the side walls'
    # ten and nine of the rear wall's 19; floor and ceiling have three each (ANSI/CTA-2034-A).
    assert ahead.notes == ("20 of 51 positions taken over from the other side",)
    turned = aim_study(half, aims_deg=(15.0,), symmetric=True).aims[1]
    assert any("interpolated over angle" in note for note in turned.notes)
    assert any("taken over from the other side" in note for note in turned.notes)


def test_an_aim_too_uncertain_to_equalize_is_studied_without() -> None:
    """An error of 1.1 dB in each direction leaves 0.7 dB in the mean over curves; off the axis the window is put
    together from more, beyond 0.75 dB."""
    flaw = gain_db(Equalizer((Band("peaking", 800.0, 4.0, 4.0),)), report_axis().hz)
    study = aim_study(alike(flaw, u_db=1.1), aims_deg=(20.0,), bands=1, symmetric=True)
    ahead, turned = study.aims
    assert ahead.with_equalizer is not None
    assert turned.with_equalizer is None
    assert turned.roughness_mended_db is None
    assert study.best_mended_deg is None
    assert "EQ" not in study.sentence
