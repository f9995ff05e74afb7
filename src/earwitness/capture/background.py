"""What else sounded: hum, a tone, speech, a bang. Limits are project defaults, set on drawn rooms; no source."""

import numpy as np
import scipy.fft
import scipy.ndimage

from earwitness.quantities.arrays import FloatArray

SHORTEST_S = 0.18
_MAINS_HZ = (50.0, 60.0)
# How far a line stands above its surroundings, a band above its neighbors, a moment above the moments around it.
_LINE_DB, _BAND_DB, _SWAY_DB, _BANG_DB = 13.0, 6.0, 3.0, 14.0


def background_words(quiet: FloatArray, rate_hz: float) -> tuple[str, ...]:
    """What silence (N,) before a signal holds beside even noise, loudest kind first; nothing where it is too short."""
    if quiet.size < SHORTEST_S * rate_hz or not np.any(quiet):
        return ()
    found = _lines(quiet, rate_hz)
    if _sounds_like_speech(quiet, rate_hz):
        found.append("speech or music")
    if (at := bang_at(quiet, rate_hz)) is not None:
        found.append(f"a bang {at:.1f} s in, before the signal")
    return tuple(found)


def bang_at(samples: FloatArray, rate_hz: float, *, least: float = 0.0) -> float | None:
    """When something short stands far above what is around it [s]; None for nothing. least : rms that it must have."""
    piece = round(0.01 * rate_hz)
    count = samples.size // piece
    if count < 9:
        return None
    rms = np.sqrt(np.mean(samples[: count * piece].reshape(count, piece) ** 2, axis=1))
    around = np.array([np.median(rms[max(0, k - 25) : k + 26]) for k in range(count)])
    share = np.where(rms >= least, rms / np.maximum(around, 1e-12), 0.0)
    worst = int(np.argmax(share))
    return worst * piece / rate_hz if 20.0 * np.log10(max(share[worst], 1e-12)) > _BANG_DB else None


def _lines(quiet: FloatArray, rate_hz: float) -> list[str]:
    """Mains hum by its harmonics, and the strongest other line from 80 Hz on."""
    power = np.abs(scipy.fft.rfft((quiet - quiet.mean()) * np.hanning(quiet.size))) ** 2
    step_hz = rate_hz / quiet.size
    hz = step_hz * np.arange(power.size)

    def stands_out_db(at_hz: float) -> float:
        near = np.abs(hz - at_hz) < 1.5 * step_hz
        around = (np.abs(hz - at_hz) < 12.0 * step_hz) & (np.abs(hz - at_hz) > 3.0 * step_hz) & (hz > 0.0)
        return float(
            10.0 * np.log10(max(np.max(power[near], initial=0.0), 1e-30) / max(np.median(power[around]), 1e-30))
        )

    found = []
    mains = max(_MAINS_HZ, key=lambda hum: sum(power[np.abs(hz - n * hum) < 1.5 * step_hz].sum() for n in (1, 2, 3)))
    hums = [n * mains for n in range(1, 7) if stands_out_db(n * mains) > _LINE_DB]
    if len(hums) >= 2:
        found.append(f"hum at {' and '.join(f'{one:.0f}' for one in hums[:2])} Hz")
    far = (hz > 80.0) & (hz < 0.45 * rate_hz)
    if hums:
        far &= np.abs(hz - mains * np.round(hz / mains)) > 3.0 * step_hz
    floor = scipy.ndimage.median_filter(power, 41)
    best = int(np.argmax(np.where(far, power / np.maximum(floor, 1e-30), 0.0)))
    if far[best] and stands_out_db(hz[best]) > _LINE_DB + 5.0:
        found.append(f"a tone at {hz[best]:.0f} Hz")
    return found


def _sounds_like_speech(quiet: FloatArray, rate_hz: float) -> bool:
    """A voice band well above its neighbors, that comes and goes."""
    spectrum = scipy.fft.rfft(quiet)
    hz = np.arange(spectrum.size) * rate_hz / quiet.size

    def per_hz_db(low: float, high: float) -> float:
        inside = (hz >= low) & (hz < high)
        return float(10.0 * np.log10(np.mean(np.abs(spectrum[inside]) ** 2) + 1e-30))

    voice = per_hz_db(250.0, 2500.0)
    if voice < per_hz_db(6000.0, min(12_000.0, 0.45 * rate_hz)) + 2.0 * _BAND_DB:
        return False
    band = scipy.fft.irfft(np.where((hz >= 250.0) & (hz < 2500.0), spectrum, 0.0), quiet.size)
    piece = round(0.025 * rate_hz)
    levels = 10.0 * np.log10(np.mean(band[: band.size // piece * piece].reshape(-1, piece) ** 2, axis=1) + 1e-30)
    return float(np.std(levels)) > _SWAY_DB
