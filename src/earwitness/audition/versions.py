"""Versions of one sound that are held against each other, as levels over frequency."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from earwitness.audition.filters import on_bins
from earwitness.errors import InputError
from earwitness.quantities import Curve
from earwitness.quantities.arrays import FloatArray

_REFERENCE_HZ = (300.0, 3000.0)


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicLevel:
    """One order of distortion. hz (F,) : of the harmonic itself, rising; level_db (F,) : of it for a sine as high as
    the sound's peak, on the scale of the version's level."""

    order: int
    hz: FloatArray
    level_db: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Version:
    """A response to listen through.

    key : of its file; words : what it is, for people; hz, level_db (F,) : its response, 0 dB its own mean from 300 Hz
    to 3 kHz before anything was added; bounded_hz : where it was measured, beyond it the level of the edge is held;
    to_ears : (2, 2, N) from two channels to two ears in place of the level, None without a room
    phase_rad : (F,) unwrapped, as measured; None for the minimum phase
    harmonics : what is added to the sound, order by order
    """

    key: str
    words: str
    hz: FloatArray
    level_db: FloatArray
    bounded_hz: tuple[float, float]
    to_ears: FloatArray | None = None
    phase_rad: FloatArray | None = None
    harmonics: tuple[HarmonicLevel, ...] = ()

    def with_change(self, key: str, words: str, change_db: FloatArray) -> Version:
        """The same with change_db (F,) added."""
        return replace(self, key=key, words=words, level_db=self.level_db + change_db)


def flat(hz: FloatArray) -> Version:
    """Nothing changed: the sound as it is recorded."""
    return Version("flat", "the recording itself", hz, np.zeros(hz.size), (float(hz[0]), float(hz[-1])))


def through(curve: Curve, key: str, words: str) -> Version:
    """What a curve makes of the sound. InputError where no stretch of it from below 300 Hz to above 3 kHz is valid.

    The longest run of valid points counts; beyond it the level of its edge is held.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], curve.valid.astype(np.int8), [0]])))
    runs = edges.reshape(-1, 2)
    hz = curve.axis.hz
    start, stop = max(runs.tolist(), key=lambda run: math.log(hz[run[1] - 1] / hz[run[0]]), default=(0, 0))
    if stop - start < 2 or hz[start] > _REFERENCE_HZ[0] or hz[stop - 1] < _REFERENCE_HZ[1]:
        raise InputError.of("audition.curve_too_short", curve=curve)
    here, level = hz[start:stop], curve.values[start:stop]
    middle = (here >= _REFERENCE_HZ[0]) & (here <= _REFERENCE_HZ[1])
    return Version(key, words, here, level - float(np.mean(level[middle])), (float(here[0]), float(here[-1])))


def distorted(one: Version, curves: Mapping[int, Curve], key: str, words: str) -> Version:
    """A version that adds harmonics as they were measured with sines. curves : by order, dB relative to the
    fundamental, over its frequency. InputError where none stands clear of the noise.

    What was not measured is not added.
    """
    made = []
    for order, curve in curves.items():
        known = curve.valid
        if np.count_nonzero(known) > 1:
            hz = curve.axis.hz[known]
            made.append(HarmonicLevel(order, order * hz, on_bins(hz, one.hz, one.level_db) + curve.values[known]))
    if not made:
        raise InputError("no harmonic stands clear of the noise at this level", remedy="choose a higher level")
    return replace(one, key=key, words=words, harmonics=tuple(made))
