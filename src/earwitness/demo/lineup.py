"""The four measured loudspeakers of the demo world, all invented: bodies, drivers, filters, and the maker's claims."""

import tomllib
from dataclasses import dataclass, replace
from importlib.resources import files
from typing import Final, Literal

from pydantic import TypeAdapter

from earwitness.demo.circuits import Driver, Stage, VentedBox

MAKER = "Dorrigal Works"


@dataclass(frozen=True, slots=True)
class Cap:
    """A radiating part as a cap on the body. y_m to the left, z_m up, from the reference point; front or rear side.

    inner_radius_m : the moving part is a ring from here to radius_m, where above 0.
    soft_from_m : the motion dies away from here to radius_m in even steps of angle, where above 0.
    """

    name: str
    kind: Literal["cone", "dome", "horn", "port", "trim"]
    radius_m: float
    y_m: float = 0.0
    z_m: float = 0.0
    front: bool = True
    motion: Literal["axial", "radial"] = "axial"
    inner_radius_m: float = 0.0
    soft_from_m: float = 0.0


@dataclass(frozen=True, slots=True)
class BassWay:
    """Cones that share a vented box; `box` is each cone's share. All cones move alike, the port carries all shares.

    force_slope, force_curve : how the force falls with excursion against the largest, in its first and second power
    """

    cones: tuple[Cap, ...]
    port: Cap
    driver: Driver
    box: VentedBox
    stages: tuple[Stage, ...]
    thermal_k_w: float
    largest_excursion_m: float
    force_slope: float = 0.03
    force_curve: float = 0.06


@dataclass(frozen=True, slots=True)
class HighWay:
    """A driver whose volume acceleration is flat above its resonance.

    recess_m : how far its acoustic center lies behind the front.
    level_db : of that flat part at 1 m in free space for 1 V, re the bass way's at the same place, before scaling.
    """

    cap: Cap
    resonance_hz: float
    resonance_q: float
    level_db: float
    stages: tuple[Stage, ...]
    inverted: bool = False
    recess_m: float = 0.0


@dataclass(frozen=True, slots=True)
class TrimRing:
    """A trim around the front that is shaken by the drivers and answers in a narrow band, out of step.

    depth : its part of the sound on axis at center_hz, against all the rest; it cancels there, and only near the axis,
    because off the axis the parts of the ring arrive at different times.
    """

    cap: Cap
    center_hz: float
    q: float
    depth: float


@dataclass(frozen=True, slots=True)
class Branch:
    """A branch across the terminals: resistance, inductance, capacitance in series, and a motional bump.

    resonance_hz 0 means no bump; capacitance_f 0 means none.
    """

    resistance_ohm: float
    inductance_h: float
    capacitance_f: float
    resonance_hz: float = 0.0
    resonance_q: float = 1.0
    resonance_ohm: float = 0.0


@dataclass(frozen=True, slots=True)
class Load:
    """The impedance: inductance in front of the bass cones, branches beside them."""

    bass_inductance_h: float
    branches: tuple[Branch, ...]


@dataclass(frozen=True, slots=True)
class Claim:
    """What the maker prints, as a session's claim has it."""

    quantity: str
    value: float
    unit: str
    text: str
    drop_db: float | None = None


@dataclass(frozen=True, slots=True)
class BuiltIn:
    """What a powered one holds. gain : volts at the drivers for one at the input; late_s : of its signal processing;
    threshold_v : rms at the drivers; attack_s, release_s : time constants of the limiter's gain in dB; hiss_db : at 1 m
    """

    gain: float
    late_s: float
    threshold_v: float
    ratio: float
    knee_db: float
    attack_s: float
    release_s: float
    hiss_db: float
    idle_w: float
    maximum_w: float
    limiter_hz: tuple[float, ...]
    low_pass_hz: float | None = None


@dataclass(frozen=True, slots=True)
class DemoLoudspeaker:
    """One invented loudspeaker.

    sphere_radius_m : the rigid body; its front pole is the reference point. With `box` it is that of equal volume.
    box : name of stored sound of a rigid box in place of the sphere; its pistons are called as the caps are
    place_errors_m : how far each stated place is off, by cap, as a tape measure has it: to the left and up
    date, unit, state : of the session, with the serial of the unit and the keys of [variant]; "" and () to state none
    in_wall : its front is part of an endless wall, in place of the sphere; below_top_m : of the reference point
    built_in : amplifier and signal processing of a powered one; outdoors : measured on hard ground, on axis only
    bursts : frequencies and peak voltages at the drivers, where they are not the rig's
    like : key of the loudspeaker of which this is another session, scaled alike; "" for one by itself
    """

    key: str
    name: str
    type: Literal["stand-mount", "floor-stander", "horn", "center", "in-wall", "monitor", "subwoofer"]
    price: float
    currency: str
    width_m: float
    height_m: float
    depth_m: float
    mass_kg: float
    rated_impedance_ohm: float
    sphere_radius_m: float
    sensitivity_db: float
    bass: BassWay
    high: tuple[HighWay, ...]
    whole: tuple[Stage, ...]
    load: Load
    claims: tuple[Claim, ...]
    trim: TrimRing | None = None
    maker: str = MAKER
    box: str = ""
    place_errors_m: tuple[tuple[str, float, float], ...] = ()
    date: str = "2026-03-02"
    unit: str = ""
    state: tuple[tuple[str, str], ...] = ()
    like: str = ""
    in_wall: bool = False
    below_top_m: float | None = None
    built_in: BuiltIn | None = None
    outdoors: bool = False
    bursts: tuple[tuple[float, ...], tuple[float, ...]] | None = None

    @property
    def is_flat(self) -> bool:
        """Whether its parts lie in a plane front, not on a sphere."""
        return bool(self.box) or self.in_wall

    @property
    def near_caps(self) -> tuple[Cap, ...]:
        """What a tester records close up: every cone, and the port."""
        return (*self.bass.cones, self.bass.port, *(way.cap for way in self.high if way.cap.kind == "cone"))


def _lineup(name: str) -> tuple[DemoLoudspeaker, ...]:
    text = (files("earwitness.demo") / "data" / f"{name}.toml").read_text(encoding="utf-8")
    return TypeAdapter(tuple[DemoLoudspeaker, ...]).validate_python(tomllib.loads(text)["loudspeaker"])


LINEUP = _lineup("lineup")
KINDS = (*_lineup("kinds"), *_lineup("powered"))
"""Of kinds that are made one by one, not with all others."""
THIMBLE, CAUSEWAY, LANTERN, COFFER = LINEUP
DEFAULT = CAUSEWAY
"""The one with faults that can be heard, found, mended and explained."""


FAULT_DB: Final = -1.5
PRESET_DB: Final = -1.2
SECOND_HIGH_DB: Final = 0.45

_TWEETER = THIMBLE.high[0]
BEFORE_REPAIR = replace(
    THIMBLE,
    key="thimble-before-repair",
    like=THIMBLE.key,
    date="2026-02-09",
    state=(*THIMBLE.state, ("condition", "before repair")),
    high=(replace(_TWEETER, level_db=_TWEETER.level_db + FAULT_DB),),
)
SECOND_UNIT = replace(
    THIMBLE,
    key="thimble-second-unit",
    like=THIMBLE.key,
    date="2026-02-16",
    unit="B 0207",
    # Some percent each, as parts scatter from one batch to the next (common practice, no source).
    bass=replace(
        THIMBLE.bass,
        driver=replace(THIMBLE.bass.driver, force_factor_n_a=6.63, moving_mass_kg=0.01435, compliance_m_n=0.00127),
        box=replace(THIMBLE.bass.box, tuning_hz=43.2),
    ),
    high=(replace(_TWEETER, resonance_hz=775.0, level_db=_TWEETER.level_db + SECOND_HIGH_DB),),
)
OTHER_PRESET = replace(
    THIMBLE,
    key="thimble-treble-low",
    like=THIMBLE.key,
    date="2026-02-23",
    state=(("preset", "treble low"),),
    whole=(*THIMBLE.whole, Stage("high shelf", 4000.0, 0.7, PRESET_DB)),
)


def members(key: str) -> tuple[DemoLoudspeaker, ...]:
    """The other sessions of the loudspeaker of that key, oldest first, all before its own; () for most."""
    return tuple(one for one in (BEFORE_REPAIR, SECOND_UNIT, OTHER_PRESET) if one.like == key)
