"""Every figure by key: its name, unit, precision, rule in one sentence, and where the documentation explains it."""

from __future__ import annotations

import math
from types import MappingProxyType

from earwitness.figures.compression import COMPRESSION_FIGURES
from earwitness.figures.distortion import DISTORTION_FIGURES
from earwitness.figures.equal_level import EQUAL_LEVEL_FIGURES
from earwitness.figures.highest_level import HIGHEST_LEVEL_FIGURES
from earwitness.figures.info import FigureInfo
from earwitness.figures.load_infos import LOAD_FIGURES
from earwitness.quantities import Figure

__all__ = ["FIGURES", "LEVEL_FIGURES", "RESPONSE_FIGURES", "FigureInfo", "base_key", "decimals", "info_of", "place_of"]


_DIRECT = ("on_axis",)
_RATED = ("on_axis", "listening_window", "sound_power", "in_room")
_COVERED = (
    "Median over third octaves from 1 kHz to 10 kHz of the full angle between the first falls of 6 dB, from the axis, "
    "or from the mean at 10° and 20° to either side where that is louder."
)
_FALL = "Frequency below 300 Hz at which the on-axis level first falls {} dB under the sensitivity."
_ROWS = (
    FigureInfo(
        "sensitivity",
        "sensitivity (2.83 V, 1 m)",
        "dB",
        1,
        "Energy mean of the on-axis level from 300 Hz to 3 kHz at 1 m for 2.83 V.",
        "sensitivity",
        _DIRECT,
    ),
    FigureInfo(
        "sensitivity_1w",
        "sensitivity (1 W, 1 m)",
        "dB",
        1,
        "Sensitivity for the voltage that gives 1 W in the rated impedance.",
        "sensitivity",
        _DIRECT,
    ),
    FigureInfo("f3", "F3", "Hz", 0, _FALL.format(3), "bass-limits", _DIRECT),
    FigureInfo("f6", "F6", "Hz", 0, _FALL.format(6), "bass-limits", _DIRECT),
    FigureInfo("f10", "F10", "Hz", 0, _FALL.format(10), "bass-limits", _DIRECT),
    FigureInfo(
        "linearity_above",
        "largest deviation upward",
        "dB",
        1,
        "Highest on-axis level from 100 Hz to 10 kHz over the reference level, 1/12 octave smoothing.",
        "linearity",
        _DIRECT,
    ),
    FigureInfo(
        "linearity_below",
        "largest deviation downward",
        "dB",
        1,
        "Lowest on-axis level from 100 Hz to 10 kHz against the reference level, 1/12 octave smoothing.",
        "linearity",
        _DIRECT,
    ),
    FigureInfo(
        "linearity_half_range",
        "half the range of level",
        "dB",
        1,
        "Half the distance between highest and lowest on-axis level, 100 Hz to 10 kHz, 1/12 octave smoothing.",
        "linearity",
        _DIRECT,
    ),
    FigureInfo(
        "linearity_share_1p5db",
        "share within ±1.5 dB",
        "%",
        0,
        "Share of the octaves from 100 Hz to 10 kHz in which the on-axis level stays within 1.5 dB of its reference.",
        "linearity",
        _DIRECT,
    ),
    FigureInfo(
        "linearity_share_3db",
        "share within ±3 dB",
        "%",
        0,
        "Share of the octaves from 100 Hz to 10 kHz in which the on-axis level stays within 3 dB of its reference.",
        "linearity",
        _DIRECT,
    ),
    FigureInfo(
        "linearity_band_1p5db",
        "band within ±1.5 dB",
        "octaves",
        1,
        "Widest unbroken band around 1 kHz in which the on-axis level stays within 1.5 dB of its reference.",
        "linearity",
        _DIRECT,
    ),
    FigureInfo(
        "linearity_band_3db",
        "band within ±3 dB",
        "octaves",
        1,
        "Widest unbroken band around 1 kHz in which the on-axis level stays within 3 dB of its reference.",
        "linearity",
        _DIRECT,
    ),
    FigureInfo(
        "in_room_slope",
        "slope of the predicted in-room response",
        "dB/octave",
        2,
        "Least-squares line of the predicted in-room response on log frequency from 100 Hz to 10 kHz.",
        "slopes",
        ("in_room",),
    ),
    FigureInfo(
        "directivity_slope",
        "slope of the sound power directivity index",
        "dB/octave",
        2,
        "Least-squares line of the sound power directivity index on log frequency from 1 kHz to 10 kHz.",
        "slopes",
        ("sound_power_di",),
    ),
    FigureInfo(
        "preference_rating",
        "predicted preference rating",
        "",
        1,
        "Regression on four curves published by Olive in 2004, as quoted by third parties.",
        "preference-rating",
        _RATED,
    ),
    FigureInfo(
        "preference_rating_with_subwoofer",
        "predicted preference rating with an ideal subwoofer",
        "",
        1,
        "The same regression with the bass limit set to 14.5 Hz.",
        "preference-rating",
        _RATED,
    ),
    FigureInfo(
        "nominal_coverage_horizontal",
        "nominal horizontal coverage",
        "deg",
        0,
        _COVERED,
        "coverage",
        ("coverage_horizontal_6db",),
    ),
    FigureInfo(
        "nominal_coverage_vertical",
        "nominal vertical coverage",
        "deg",
        0,
        _COVERED,
        "coverage",
        ("coverage_vertical_6db",),
    ),
)
RESPONSE_FIGURES = tuple(row.key for row in _ROWS)
_LOAD_ROWS = tuple(FigureInfo(*row) for row in LOAD_FIGURES)
_LEVEL_ROWS = (*EQUAL_LEVEL_FIGURES, *DISTORTION_FIGURES, *COMPRESSION_FIGURES, *HIGHEST_LEVEL_FIGURES)
LEVEL_FIGURES = tuple(row.key for row in _LEVEL_ROWS)
FIGURES = MappingProxyType({row.key: row for row in (*_ROWS, *_LOAD_ROWS, *_LEVEL_ROWS)})


def base_key(key: str) -> str:
    """The registry's key of a figure: "distortion_largest" of "distortion_largest@2.83v"."""
    return key.partition("@")[0]


def info_of(key: str) -> FigureInfo | None:
    """What the registry knows of a figure, whatever level it stands at; None for a foreign key."""
    return FIGURES.get(base_key(key))


def place_of(key: str) -> str:
    """The level or frequency of a figure in words, "2.83 V", "86 dB" or "63 Hz"; "" where there is one for all."""
    place = key.partition("@")[2]
    for ending, unit in (("hz", "Hz"), ("db", "dB"), ("v", "V")):
        if place.endswith(ending):
            return f"{place.removesuffix(ending)} {unit}"
    return place


def decimals(figure: Figure) -> int:
    """Decimals to print: as many as the uncertainty supports with one digit, between 0 and those of the registry."""
    most = FIGURES[base_key(figure.key)].decimals
    if figure.u is None or figure.u <= 0:
        return most
    return max(0, min(most, -math.floor(math.log10(figure.u))))
