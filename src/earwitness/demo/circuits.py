"""Filter stages, and a driver in a vented box, as complex functions of frequency, in exp(+j omega t).

Analog prototypes: s stands for j f / f0. Linkwitz and Riley's fourth order is a second-order Butterworth twice
(Linkwitz 1976, from memory); shelf and peak are the prototypes of the audio equalizer cookbook.
"""

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Literal, get_args

import numpy as np

from earwitness.errors import InputError, choice
from earwitness.quantities import ComplexArray, FloatArray

Kind = Literal[
    "low-pass LR4", "high-pass LR4", "low-pass 1", "high-pass 2", "low shelf", "high shelf", "peak", "resonance"
]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, slots=True)
class Stage:
    """One filter. q counts for high-pass 2, shelves, peak and resonance; gain_db for the last three kinds.

    A resonance is a band-pass in parallel to the straight path: 1 + g (s/q) / (s^2 + s/q + 1), gain_db at its peak.
    A peak has the same magnitude at its center and mirrors to its inverse when the gain changes sign.
    InputError for an unknown kind, or a frequency or q that is not positive.
    """

    kind: Kind
    frequency_hz: float
    q: float = 0.7071067811865476
    gain_db: float = 0.0

    def __post_init__(self) -> None:
        choice("kind of filter stage", self.kind, KINDS)
        if not (self.frequency_hz > 0 and self.q > 0):
            raise InputError.of("demo.no_filter", frequency_hz=self.frequency_hz, q=self.q)


def stage_response(stage: Stage, frequency_hz: FloatArray) -> ComplexArray:
    """Transfer of one stage at `frequency_hz`, same shape."""
    s = 1j * np.asarray(frequency_hz, dtype=np.float64) / stage.frequency_hz
    q = stage.q
    if stage.kind in ("low-pass LR4", "high-pass LR4"):
        numerator = 1.0 + 0 * s if stage.kind == "low-pass LR4" else s**2
        return np.asarray((numerator / (s**2 + np.sqrt(2) * s + 1)) ** 2, dtype=np.complex128)
    if stage.kind == "low-pass 1":
        return np.asarray(1 / (1 + s), dtype=np.complex128)
    if stage.kind == "high-pass 2":
        return np.asarray(s**2 / (s**2 + s / q + 1), dtype=np.complex128)
    if stage.kind == "resonance":
        height = 10 ** (stage.gain_db / 20) - 1
        return np.asarray(1 + height * (s / q) / (s**2 + s / q + 1), dtype=np.complex128)
    a = 10 ** (stage.gain_db / 40)
    if stage.kind == "peak":
        return np.asarray((s**2 + s * a / q + 1) / (s**2 + s / (a * q) + 1), dtype=np.complex128)
    middle = np.sqrt(a) * s / q
    low, high = s**2 + middle + a, a * s**2 + middle + 1
    return np.asarray(a * (low / high if stage.kind == "low shelf" else high / low), dtype=np.complex128)


def chain_response(stages: Iterable[Stage], frequency_hz: FloatArray) -> ComplexArray:
    """Product of all stages; ones where there are none."""
    total = np.ones_like(np.asarray(frequency_hz, dtype=np.float64), dtype=np.complex128)
    for stage in stages:
        total = total * stage_response(stage, frequency_hz)
    return total


# A driver in a vented, leaking box as one electro-mechano-acoustic circuit.
#
# After Small, Vented-Box Loudspeaker Systems (JAES 1973), with the voice coil's inductance and the losses of port and
# leak kept. exp(+j omega t); every transfer is per volt at the terminals and holds for peak and rms alike. A positive
# voltage moves the cone outward; volume velocities count outward.

SPEED_OF_SOUND_M_S = 343.0
AIR_DENSITY_KG_M3 = 1.204


@dataclass(frozen=True, slots=True)
class Driver:
    """A moving-coil driver by its lumped elements, SI units throughout.

    InputError where an element is not positive (the coil's inductance may be zero).
    """

    coil_resistance_ohm: float
    coil_inductance_h: float
    force_factor_n_a: float
    moving_mass_kg: float
    compliance_m_n: float
    mechanical_resistance_kg_s: float
    cone_area_m2: float

    def __post_init__(self) -> None:
        if not self.coil_inductance_h >= 0:
            raise InputError(f"the coil's inductance is {self.coil_inductance_h} H", expected="0 or more")
        _positive({name: value for name, value in asdict(self).items() if name != "coil_inductance_h"})

    @property
    def resonance_hz(self) -> float:
        return float(1 / (2 * np.pi * np.sqrt(self.moving_mass_kg * self.compliance_m_n)))


@dataclass(frozen=True, slots=True)
class VentedBox:
    """Inner volume, port tuning, and the quality factors of leak and port at the tuning. InputError unless positive."""

    volume_m3: float
    tuning_hz: float
    leak_q: float
    port_q: float

    def __post_init__(self) -> None:
        _positive(asdict(self))


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """What one volt does, each of shape (frequencies,).

    impedance_ohm : at the terminals; excursion_m_v : cone displacement per volt;
    cone_m3_s_v, port_m3_s_v, leak_m3_s_v : volume velocity per volt.
    """

    frequency_hz: FloatArray
    impedance_ohm: ComplexArray
    excursion_m_v: ComplexArray
    cone_m3_s_v: ComplexArray
    port_m3_s_v: ComplexArray
    leak_m3_s_v: ComplexArray


def vented_motion(driver: Driver, box: VentedBox, frequency_hz: FloatArray) -> Motion:
    """Solve the circuit at every frequency, air at 343 m/s and 1.204 kg/m^3.

    The box is a compliance beside the leak beside the port; its input impedance loads the cone through the area
    squared. InputError where a frequency is not positive.
    """
    frequency = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    if not np.all(frequency > 0):
        raise InputError("a frequency is not positive", expected="numbers above 0 Hz")
    s: ComplexArray = np.asarray(2j * np.pi * frequency, dtype=np.complex128)
    tuning = 2 * np.pi * box.tuning_hz
    compliance = box.volume_m3 / (AIR_DENSITY_KG_M3 * SPEED_OF_SOUND_M_S**2)
    port_mass = 1 / (tuning**2 * compliance)
    leak_resistance = box.leak_q / (tuning * compliance)
    port = s * port_mass + tuning * port_mass / box.port_q
    admittance = s * compliance + 1 / leak_resistance + 1 / port
    mechanical = (
        driver.mechanical_resistance_kg_s
        + s * driver.moving_mass_kg
        + 1 / (s * driver.compliance_m_n)
        + driver.cone_area_m2**2 / admittance
    )
    electrical = driver.coil_resistance_ohm + s * driver.coil_inductance_h
    velocity = driver.force_factor_n_a / (electrical * mechanical + driver.force_factor_n_a**2)
    cone = driver.cone_area_m2 * velocity
    return Motion(
        frequency_hz=frequency,
        impedance_ohm=np.asarray(electrical + driver.force_factor_n_a**2 / mechanical, dtype=np.complex128),
        excursion_m_v=np.asarray(velocity / s, dtype=np.complex128),
        cone_m3_s_v=np.asarray(cone, dtype=np.complex128),
        port_m3_s_v=np.asarray(-cone / (admittance * port), dtype=np.complex128),
        leak_m3_s_v=np.asarray(-cone / (admittance * leak_resistance), dtype=np.complex128),
    )


def _positive(elements: dict[str, float]) -> None:
    for name, value in elements.items():
        if not (value > 0 and np.isfinite(value)):
            raise InputError(f"{name} is {value}", expected="a number above 0")
