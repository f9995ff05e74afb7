"""Palette against WCAG 2.2: 1.4.11 (lines, 3:1) and 1.4.3 (text, 4.5:1)."""

from __future__ import annotations

from itertools import combinations
from typing import get_args

import numpy as np
import pytest

from earwitness.exhibits.chart import Role
from earwitness.render.maps import BAND_STEPS_DB
from earwitness.render.palette import GROUNDS, INKS, MAP_BANDS, Theme

# Machado, Oliveira, Fernandes 2009, severity 1.0, for linear RGB; from memory.
SIGHT = {
    "all cones": [[1, 0, 0], [0, 1, 0], [0, 0, 1]],
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# IEC 61966-2-1 (sRGB) to CIE XYZ, D65; from memory.
XYZ_OF_RGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
TOGETHER: tuple[Role, ...] = ("direct", "window", "reflected", "all directions", "in room")

THEMES: tuple[Theme, ...] = get_args(Theme)


def luminance(color: str) -> float:
    parts = (int(color[at : at + 2], 16) / 255 for at in (1, 3, 5))
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast_ratio(first: str, second: str) -> float:
    """Contrast ratio of two "#rrggbb" colors, 1 to 21 (WCAG 2.2, glossary: contrast ratio, relative luminance)."""
    brighter, darker = sorted((luminance(first), luminance(second)), reverse=True)
    return (brighter + 0.05) / (darker + 0.05)


def test_contrast_of_black_and_white_is_21() -> None:
    # WCAG 2.2, note 1 on contrast ratio: ratios range from 1 to 21.
    assert contrast_ratio("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast_ratio("#ffffff", "#ffffff") == pytest.approx(1.0)


def test_contrast_of_the_well_known_gray() -> None:
    # #767676 is the lightest gray that passes 4.5:1 on white and #777777 fails (common practice, from memory).
    assert contrast_ratio("#767676", "#ffffff") >= 4.5 > contrast_ratio("#777777", "#ffffff")


def test_every_role_has_an_ink() -> None:
    assert set(INKS) == set(get_args(Role))


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("role", get_args(Role))
def test_lines_and_their_labels_stand_out(role: Role, theme: Theme) -> None:
    # WCAG 2.2, 1.4.11 asks 3:1 of lines; direct labels wear the color of their line, so 1.4.3 asks 4.5:1.
    assert contrast_ratio(INKS[role].color(theme), GROUNDS[theme].paper) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
def test_text_stands_out(theme: Theme) -> None:
    # WCAG 2.2, 1.4.3: 4.5:1, also on the gray of bands where labels may stand.
    ground = GROUNDS[theme]
    for color in (ground.ink, ground.muted, ground.heard):
        assert contrast_ratio(color, ground.paper) >= 4.5
        assert contrast_ratio(color, ground.band) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
def test_no_two_roles_look_alike(theme: Theme) -> None:
    looks = {(ink.color(theme), ink.dash) for ink in INKS.values()}
    assert len(looks) == len(INKS)


def lab(color: str, sight: str) -> np.ndarray:
    """CIE 1976 L*a*b* (ISO/CIE 11664-4) of a color as seen with `sight`."""
    rgb = np.array([int(color[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    xyz = XYZ_OF_RGB @ np.clip(np.array(SIGHT[sight]) @ linear, 0, 1) / XYZ_OF_RGB.sum(axis=1)
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("roles", [TOGETHER, ("first", "second", "third", "fourth")])
def test_curves_shown_together_differ_in_every_sight(roles: tuple[Role, ...], sight: str, theme: Theme) -> None:
    # A color difference of 15 (CIE 1976) between lines: common practice, no source.
    for one, other in combinations(roles, 2):
        difference = np.linalg.norm(lab(INKS[one].color(theme), sight) - lab(INKS[other].color(theme), sight))
        assert difference >= 15, f"{one} and {other}"


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("sight", SIGHT)
def test_levels_and_orders_grow_or_are_dashed(theme: Theme, sight: str) -> None:
    """A series is told by its lightness, in every sight; harmonics have a dash each besides."""
    lightness = np.diff([lab(INKS[f"level {k}"].color(theme), sight)[0] for k in range(1, 6)])  # type: ignore[index]
    assert (np.sign(lightness) == (1 if theme == "dark" else -1)).all()
    assert len({INKS[f"order {k}"].dash for k in range(2, 6)}) == 4  # type: ignore[index]


def test_each_meaning_has_colors_of_its_own() -> None:
    families = (TOGETHER, ("first", "second", "third", "fourth"), *(
        tuple(role for role in get_args(Role) if role.startswith(start)) for start in ("order", "level")
    ))  # fmt: skip
    for theme in THEMES:
        for one, other in combinations(families, 2):
            assert not {INKS[role].color(theme) for role in one} & {INKS[role].color(theme) for role in other}


@pytest.mark.parametrize("theme", THEMES)
def test_the_scale_spends_its_lightness_from_0_to_minus_12_db(theme: Theme) -> None:
    # ISO/CIE 11664-4 (CIE 1976 L*a*b*): lightness rising or falling all the way, even steps above -12 dB.
    colors = np.array([lab(color, "all cones") for color in MAP_BANDS[theme]])
    steps = np.abs(np.diff(colors[:, 0]))
    loud = np.flatnonzero(np.array(BAND_STEPS_DB) >= -12.0)
    assert steps[loud].max() / steps[loud].min() < 1.25
    assert steps[loud].min() >= 10.0
    assert steps[loud].sum() >= 0.8 * steps.sum()
    assert (np.diff(colors[:, 0]) < 0).all() or (np.diff(colors[:, 0]) > 0).all()


@pytest.mark.parametrize("sight", ["protanopia", "deuteranopia", "tritanopia"])
@pytest.mark.parametrize("theme", THEMES)
def test_the_scale_keeps_its_order_in_every_sight(theme: Theme, sight: str) -> None:
    lightness = np.diff([lab(color, sight)[0] for color in MAP_BANDS[theme]])
    assert (np.sign(lightness) == np.sign(lightness[0])).all()


@pytest.mark.parametrize("theme", THEMES)
def test_quiet_recedes_into_the_paper(theme: Theme) -> None:
    # WCAG 2.2, 1.4.11: the loudest band stands 3:1 out from the paper; house rule: the quietest does not.
    bands, paper = MAP_BANDS[theme], GROUNDS[theme].paper
    assert contrast_ratio(bands[-1], paper) >= 3 > contrast_ratio(bands[0], paper)
