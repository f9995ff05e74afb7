"""The port of a vented box against its cone: below the tuning what one pushes out the other takes in.

With port mass and losses against box volume and leak, U_p / U_c = -1 / (1 + (j omega M + R_p)(1 / R_L + j omega C)), so
with x = f / tuning the real part of -U_c / U_p is the parabola 1 + 1 / (Q_p Q_L) - x^2, whatever driver, box or
equalizer (the usual lumped circuit: R. H. Small, Vented-Box Loudspeaker Systems, J. Audio Eng. Soc. 21, 1973, from
memory; own derivation). How far a pair of near fields misses its start at 1 is the error of the port's microphone, area
and voltage against the cone's; its sign is their polarity.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from earwitness.files.data import worded
from earwitness.quantities import BoolArray, ComplexArray, FloatArray, Impedance, QualityFlag
from earwitness.reduce.flags import flag

REMARK_DB = 2.0
REFUSE_DB = 4.0
# Places off by a centimeter move the tuning that near fields show by up to a tenth (own simulation).
TUNING_SHARE = 0.15
# Standard uncertainty of port against cone, read by two microphone places and two diameters, and after the scale was
# taken out (from simulated sessions of the reference: 0.8 and 0.3 dB).
# Rms distance from the parabola, relative: cone and port of one box stay below 0.03 (own simulations, also with places,
# leaks and diameters off), those of two boxes lie above.
MISFIT, MISFIT_REFUSED = 0.07, 0.25
UNCHECKED_U_DB = 0.8
CHECKED_U_DB = 0.3
_BAND = (0.35, 1.7)
_FLOOR = 0.03
_LEAST_POINTS = 6
_LEAST_SNR_DB = 20.0
_ROUNDS = 8
_SETTLED_DB = 0.01
_SADDLE_RISE = 1.15


@dataclass(frozen=True, slots=True)
class PortReading:
    """scale_db : level of the port's near field over what the cone's asks for; turned_over : against it in polarity;
    tuning_hz : where the parabola passes through 0; misfit : rms distance from it, in its own weights."""

    scale_db: float
    turned_over: bool
    tuning_hz: float
    misfit: float


@dataclass(frozen=True, slots=True)
class PortVerdict:
    """take_out : factor by which to divide the port's near field; u_db : of port against cone after that;
    reason : why the bass may not be summed, or ""; tuning_hz : by the near fields, None where they do not show it."""

    take_out: float
    u_db: float
    reason: str
    flags: tuple[QualityFlag, ...]
    tuning_hz: float | None = None


def port_reading(
    hz: FloatArray, reading: ComplexArray, heard: ComplexArray, port: BoolArray, snr_db: FloatArray
) -> PortReading | None:
    """Scale, polarity and tuning of the port by the cone, or None where the near fields do not show them.

    reading : (F, P, P) what each part makes at each microphone; heard : (F, P); port : (P,) True for the one port;
    snr_db : (F,). The leak was taken apart with the wrong scale: it is taken apart anew until the scale stands still.
    """
    scale, sign = 1.0, 1
    found: tuple[float, int, float, float] | None = None
    for _ in range(_ROUNDS):
        flows = np.linalg.solve(reading, np.where(port, heard / (scale * sign), heard)[..., None])[..., 0]
        found = _parabola(hz, -flows[:, ~port].sum(axis=1), flows[:, port].sum(axis=1), snr_db)
        if found is None:
            return None
        scale, sign = scale * found[0], sign * found[1]
        if abs(20 * np.log10(found[0])) < _SETTLED_DB and found[1] == 1:
            break
    assert found is not None
    return PortReading(float(20 * np.log10(scale)), sign < 0, found[2], found[3])


def judge_port(found: PortReading | None, names: tuple[str, str]) -> PortVerdict:
    """What follows for the bass. names : of port and cone."""
    port, cone = names
    if found is None:
        return PortVerdict(1.0, UNCHECKED_U_DB, "", ())
    factor = 10 ** (found.scale_db / 20)
    if found.turned_over:
        reason = worded("reduce.port_turned_over", port=port, cone=cone, found=found)
        return PortVerdict(1.0, UNCHECKED_U_DB, reason, ())
    if found.misfit > MISFIT:
        return _strangers(found, names)
    words = (
        f"The near field of {port} is {abs(found.scale_db):.1f} dB too {'loud' if found.scale_db > 0 else 'faint'} for "
        f"that of {cone}: below the tuning both must cancel. A diameter_m of {port} that is "
        f"{'too large' if found.scale_db > 0 else 'too small'} by a factor of {max(factor, 1 / factor):.2f}, another "
        "gain, or another voltage would do that"
    )
    if abs(found.scale_db) > REFUSE_DB:
        return PortVerdict(1.0, UNCHECKED_U_DB, words + ".", ())
    if abs(found.scale_db) > REMARK_DB:
        said = flag("port_level", abs(found.scale_db), REMARK_DB, words=words)
    else:
        lowered = "lowered" if found.scale_db > 0 else "raised"
        told: dict[str, Any] = {"port": port, "cone": cone, "lowered": lowered, "tuning_hz": found.tuning_hz}
        said = flag("port_level_set", abs(found.scale_db), REMARK_DB, **told)
    return PortVerdict(factor, CHECKED_U_DB, "", (said,), found.tuning_hz)


def _strangers(found: PortReading, names: tuple[str, str]) -> PortVerdict:
    """Cone and port whose ratio no single box has."""
    port, cone = names
    sentence = worded(
        "reduce.port_and_cone_strange", port=port, cone=cone, found=found, misfit_percent=100 * found.misfit
    )
    if found.misfit > MISFIT_REFUSED:
        return PortVerdict(1.0, UNCHECKED_U_DB, sentence, ())
    strange = flag("port_and_cone", found.misfit, MISFIT, words=sentence)
    return PortVerdict(1.0, UNCHECKED_U_DB, "", (strange,), found.tuning_hz)


def tuning_flags(tuning_hz: float | None, impedance: Impedance | None) -> tuple[QualityFlag, ...]:
    """A remark where the saddle between the impedance's two peaks lies elsewhere than the near fields' tuning."""
    saddle_hz = None if tuning_hz is None or impedance is None else _saddle_hz(impedance, tuning_hz)
    if tuning_hz is None or saddle_hz is None:
        return ()
    share = abs(tuning_hz / saddle_hz - 1)
    if share <= TUNING_SHARE:
        return ()
    return (flag("port_tuning", share, TUNING_SHARE, tuning_hz=tuning_hz, saddle_hz=saddle_hz),)


def _saddle_hz(impedance: Impedance, near_hz: float) -> float | None:
    """Where the impedance lies lowest under a peak below and one above, within an octave of `near_hz`; None without."""
    hz, size = impedance.axis.hz, np.abs(impedance.ohm)
    inside = np.flatnonzero((hz > near_hz / 2) & (hz < 2 * near_hz) & impedance.valid)
    if inside.size < _LEAST_POINTS:
        return None
    inner = size[inside]
    below, above = np.maximum.accumulate(inner), np.maximum.accumulate(inner[::-1])[::-1]
    rise = np.minimum(below, above) / inner
    deepest = int(np.argmax(rise))
    return float(hz[inside[deepest]]) if rise[deepest] > _SADDLE_RISE else None


def _parabola(
    hz: FloatArray, cone: ComplexArray, port: ComplexArray, snr_db: FloatArray
) -> tuple[float, int, float, float] | None:
    """Scale, sign, tuning and misfit of (1 - x^2) / scale in the real part of cone over port (F,)."""
    tiny = np.finfo(float).tiny
    ratio = cone / np.where(np.abs(port) > tiny, port, tiny)
    best: tuple[float, int, float, float] | None = None
    for sign in (1, -1):
        tuning = float(hz[int(np.argmin(np.abs(np.where(snr_db >= _LEAST_SNR_DB, ratio, np.inf))))])
        used = np.zeros(hz.size, dtype=bool)
        for _ in range(4):
            used = (hz > _BAND[0] * tuning) & (hz < _BAND[1] * tuning) & (snr_db >= _LEAST_SNR_DB)
            if used.sum() < _LEAST_POINTS:
                return best
            weight = 1 / np.hypot(_FLOOR, np.abs(ratio[used]))
            columns = np.stack([np.ones(used.sum()), -((hz[used] / tuning) ** 2)], axis=1)
            meant = sign * ratio[used].real
            start, bend = np.linalg.lstsq(columns * weight[:, None], meant * weight, rcond=None)[0]
            if start <= 0 or bend <= 0:
                break
            tuning = float(tuning * np.sqrt(start / bend))
        else:
            columns = np.stack([np.ones(used.sum()), -((hz[used] / tuning) ** 2)], axis=1)
            misfit = float(np.sqrt(np.mean(((columns @ [start, start] - meant) * weight) ** 2)))
            if best is None or misfit < best[3]:
                best = (float(1 / start), sign, tuning, misfit)
    return best
