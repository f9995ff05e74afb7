"""What two ears hear of sound from a direction: a rigid sphere, or a measured head set; both diffuse-field equalized.

The equalizer is one filter for both ears, so that their difference stays as it is. It makes the mean over all
directions flat, which is what diffuse-field equalized headphones expect (ITU-R BS.708, from memory).
"""

from typing import Protocol

import numpy as np
import scipy.fft

from earwitness.dsp.balloon import triangles
from earwitness.dsp.minimum_phase import minimum_phase
from earwitness.dsp.sphere import cap_diffraction
from earwitness.errors import FormatError
from earwitness.formats.sofa import HeadImpulses
from earwitness.quantities.arrays import ComplexArray, FloatArray

SPEED_OF_SOUND_M_S = 343.0
SPHERE_RADIUS_M = 0.0875
EAR_AZIMUTH_DEG = 100.0
_SMALL_CAP_RAD = 1e-3
MOST_EQUALIZED_DB = 15.0
TIME_BELOW_HZ = 1500.0
FLAT_BELOW_HZ, AS_MEASURED_ABOVE_HZ = 100.0, 200.0
_FFT = 4096
_FINER = 16


class Head(Protocol):
    """A pair of ears. name : for people."""

    @property
    def name(self) -> str: ...

    def at(self, directions: FloatArray, hz: FloatArray) -> ComplexArray:
        """(K, 2, B) left and right ear re the sound at the head's middle without it, at rising frequencies hz (B,) from
        0, evenly spaced; directions (K, 3) : unit vectors to where the sound comes from, ahead, left, up."""


class SphereHead:
    """A rigid sphere with ears at 100 degrees: right in time and shadow, without pinnae, so height and front are not.

    Source: sound of a far source on a rigid sphere, by reciprocity the far field of a small cap (dsp.sphere); radius
    and place of the ears after Duda and Martens, JASA 104, 1998 (from memory).
    """

    name = "a rigid sphere as head (no pinnae: heights and behind are not told apart)"

    def at(self, directions: FloatArray, hz: FloatArray) -> ComplexArray:
        around = np.deg2rad(EAR_AZIMUTH_DEG)
        ears = np.array([[np.cos(around), np.sin(around), 0.0], [np.cos(around), -np.sin(around), 0.0]])
        cosines = np.clip(directions @ ears.T, -1.0, 1.0)
        nodes, weights = np.polynomial.legendre.leggauss(128)
        ka = 2.0 * np.pi * hz[1:] * SPHERE_RADIUS_M / SPEED_OF_SOUND_M_S
        seen = cap_diffraction(ka, _SMALL_CAP_RAD, np.concatenate([cosines.ravel(), nodes]))
        mean = np.sqrt(weights @ np.abs(seen[cosines.size :]) ** 2 / 2.0)
        common = minimum_phase(np.concatenate([[1.0], mean]))
        heard = np.ones((*cosines.shape, hz.size), dtype=complex)
        heard[..., 1:] = seen[: cosines.size].reshape(*cosines.shape, -1)
        return np.asarray(heard / common)


class MeasuredHead:
    """A head set: between its directions the minimum-phase responses and the delays of each ear are averaged.

    Weights are those of the triangle of measured directions around (Gamper, DAFx 2013, abstract). Below 100 Hz ears
    hear alike and flat, to 200 Hz the set comes in. Raises FormatError where its left ear is not the one nearer to
    sound from the left.
    """

    def __init__(self, measured: HeadImpulses) -> None:
        self.name = f"the head set {measured.name}"
        self._directions, self._rate_hz = measured.directions, measured.rate_hz
        length = max(_FFT, 2 * scipy.fft.next_fast_len(measured.impulse.shape[-1]))
        spectra = scipy.fft.rfft(measured.impulse, length, axis=-1)
        magnitude = np.maximum(np.abs(spectra), 1e-9)
        self._delay_s = measured.delay_s + _lag_s(spectra, minimum_phase(magnitude), measured.rate_hz)
        self._check_sides(magnitude)
        wanted = minimum_phase(_equalized(magnitude, measured, length))
        self._taps = scipy.fft.irfft(wanted, length, axis=-1)[..., : length // 2]

    def _check_sides(self, magnitude: FloatArray) -> None:
        aside = int(np.argmax(self._directions[:, 1]))
        left, right = np.sum(magnitude[aside] ** 2, axis=-1)
        earlier = self._delay_s[aside, 0] < self._delay_s[aside, 1]
        if not (left > right and earlier):
            raise FormatError.of("audition.ear_side_sound", where=self.name)

    def at(self, directions: FloatArray, hz: FloatArray) -> ComplexArray:
        rows, weights, _ = triangles(self._directions, directions)
        taps = np.einsum("tk,tken->ten", weights, self._taps[rows])
        delay_s = np.einsum("tk,tke->te", weights, self._delay_s[rows]) - float(self._delay_s.mean())
        inside = hz <= self._rate_hz / 2.0
        turns = hz[inside, None] * np.arange(taps.shape[-1]) / self._rate_hz
        heard = np.zeros((*taps.shape[:2], hz.size), dtype=complex)
        heard[..., inside] = (taps @ np.exp(-2j * np.pi * turns).T) * np.exp(
            -2j * np.pi * hz[inside] * delay_s[..., None]
        )
        return heard


def _lag_s(spectra: ComplexArray, plain: ComplexArray, rate_hz: float) -> FloatArray:
    """(D, 2) time by which responses come later than those of minimum phase: highest point of their correlation below
    1.5 kHz, where the time between the ears is what tells the side (Wightman and Kistler, JASA 91, 1992, from memory).
    """
    length = 2 * (spectra.shape[-1] - 1)
    used = np.arange(spectra.shape[-1]) * rate_hz / length < TIME_BELOW_HZ
    lags = np.empty(spectra.shape[:2])
    for row, (one, least) in enumerate(zip(spectra, plain, strict=True)):
        found = scipy.fft.irfft(np.where(used, one * np.conj(least), 0.0), length * _FINER, axis=-1)
        lags[row] = np.argmax(found[..., : length * _FINER // 2], axis=-1) / (_FINER * rate_hz)
    return lags


def _equalized(magnitude: FloatArray, measured: HeadImpulses, length: int) -> FloatArray:
    from scipy.spatial import SphericalVoronoi

    areas = SphericalVoronoi(measured.directions).calculate_areas()
    mean = np.einsum("d,deb->b", areas, magnitude**2) / (2.0 * areas.sum())
    limit = 10.0 ** (MOST_EQUALIZED_DB / 20.0)
    hz = np.arange(magnitude.shape[-1]) * measured.rate_hz / length
    whole = float(np.sqrt(np.mean(mean[(hz >= 500.0) & (hz <= 2000.0)])))
    # Past the limit the set holds nothing that should be brought up.
    level = magnitude / np.clip(np.sqrt(mean), whole / limit, whole * limit)
    share = np.clip(
        np.log(np.maximum(hz, 1.0) / FLAT_BELOW_HZ) / np.log(AS_MEASURED_ABOVE_HZ / FLAT_BELOW_HZ), 0.0, 1.0
    )
    return np.asarray(level**share, dtype=np.float64)
