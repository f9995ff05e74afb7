"""The four measured loudspeakers of the demo world, all invented: bodies, drivers, filters, and the maker's claims."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from earwitness.demo.cabinet import Driver, VentedBox
from earwitness.demo.crossover import Stage

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
class DemoLoudspeaker:
    """One invented loudspeaker.

    sphere_radius_m : the rigid body; its front pole is the reference point. With `box` it is that of equal volume.
    box : name of stored sound of a rigid box in place of the sphere; its pistons are called as the caps are
    place_errors_m : how far each stated place is off, by cap, as a tape measure has it: to the left and up
    date, unit, state : of the session, with the serial of the unit and the keys of [variant]; "" and () to state none
    like : key of the loudspeaker of which this is another session, scaled alike; "" for one by itself
    """

    key: str
    name: str
    type: Literal["stand-mount", "floor-stander", "horn"]
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

    @property
    def near_caps(self) -> tuple[Cap, ...]:
        """What a tester records close up: every cone, and the port."""
        return (*self.bass.cones, self.bass.port, *(way.cap for way in self.high if way.cap.kind == "cone"))


THIMBLE = DemoLoudspeaker(
    key="thimble",
    name="Thimble Two (invented)",
    type="stand-mount",
    price=1450.0,
    currency="EUR",
    width_m=0.21,
    height_m=0.36,
    depth_m=0.323,
    mass_kg=8.6,
    rated_impedance_ohm=6.0,
    sphere_radius_m=0.18,
    sensitivity_db=86.0,
    bass=BassWay(
        cones=(Cap("woofer", "cone", 0.0648, z_m=-0.11),),
        port=Cap("port", "port", 0.026, z_m=-0.06, front=False),
        driver=Driver(5.8, 0.0004, 6.5, 0.014, 0.0012, 1.0, 0.0132),
        box=VentedBox(0.018, 44.0, 12.0, 60.0),
        stages=(
            Stage("low-pass LR4", 2411.0),
            Stage("high shelf", 490.8, 0.5, -8.964),
            Stage("peak", 1141.0, 0.65, 4.0),
        ),
        thermal_k_w=1.5,
        largest_excursion_m=0.005,
        # A small motor: the one loudspeaker of the three that passes the limits of a clean level.
        force_slope=0.06,
        force_curve=0.2,
    ),
    high=(
        HighWay(
            Cap("tweeter", "dome", 0.0125),
            750.0,
            0.8,
            -5.419,
            (Stage("high-pass LR4", 1700.0), Stage("high shelf", 9000.0, 0.6, -0.283)),
            recess_m=0.0524,
        ),
    ),
    whole=(Stage("peak", 900.0, 1.2, -0.5), Stage("peak", 3900.0, 2.0, 0.6), Stage("high shelf", 9000.0, 0.5, -0.8)),
    load=Load(0.0009, (Branch(6.4, 0.00003, 0.0000075, 750.0, 1.6, 4.0), Branch(22.0, 0.0, 0.0000047))),
    claims=(
        Claim("sensitivity", 86.0, "dB", "86 dB (2.83 V, 1 m)"),
        Claim("lowest frequency", 44.0, "Hz", "44 Hz (-6 dB)", drop_db=6.0),
        Claim("rated impedance", 6.0, "ohm", "6 ohm"),
    ),
    unit="A 0112",
    state=(("preset", "treble flat"),),
)

CAUSEWAY = DemoLoudspeaker(
    key="causeway",
    name="Causeway Three (invented)",
    type="floor-stander",
    price=5800.0,
    currency="EUR",
    width_m=0.28,
    height_m=1.12,
    depth_m=0.361,
    mass_kg=34.0,
    rated_impedance_ohm=8.0,
    sphere_radius_m=0.30,
    sensitivity_db=87.0,
    bass=BassWay(
        cones=(
            Cap("upper woofer", "cone", 0.0725, y_m=-0.0, z_m=-0.235),
            Cap("lower woofer", "cone", 0.0725, z_m=-0.29),
        ),
        port=Cap("port", "port", 0.036, z_m=-0.2, front=False),
        driver=Driver(7.2, 0.0007, 8.2, 0.021, 0.0011, 1.3, 0.0165),
        box=VentedBox(0.034, 36.0, 12.0, 60.0),
        stages=(Stage("low-pass LR4", 516.3), Stage("high shelf", 384.2, 0.5, -8.783)),
        thermal_k_w=1.0,
        largest_excursion_m=0.007,
    ),
    high=(
        HighWay(
            Cap("midrange", "cone", 0.072, z_m=-0.11),
            90.0,
            0.8,
            -6.224,
            (Stage("high-pass LR4", 397.2), Stage("low-pass LR4", 2090.0), Stage("peak", 821.4, 0.8, 0.786)),
            recess_m=0.0624,
        ),
        HighWay(
            Cap("tweeter", "dome", 0.0125),
            800.0,
            0.8,
            -6.255,
            (Stage("high-pass LR4", 1979.0), Stage("high shelf", 9000.0, 0.6, -0.147)),
            recess_m=0.0873,
        ),
    ),
    whole=(Stage("peak", 245.0, 0.75, 2.5), Stage("resonance", 6500.0, 10.0, 3.0)),
    load=Load(0.00209, (Branch(4.543, 0.0000175, 0.0001349, 105.9, 7.987, 21.58), Branch(14.42, 0.00003, 0.0000684))),
    claims=(
        Claim("sensitivity", 91.0, "dB", "91 dB (2.83 V, 1 m)"),
        Claim("lowest frequency", 25.0, "Hz", "25 Hz (-6 dB)", drop_db=6.0),
        Claim("rated impedance", 8.0, "ohm", "8 ohm"),
    ),
    trim=TrimRing(Cap("baffle trim", "trim", 0.285, motion="radial", inner_radius_m=0.24), 3000.0, 5.0, 0.4),
)

LANTERN = DemoLoudspeaker(
    key="lantern",
    name="Lantern Horn (invented)",
    type="horn",
    price=9200.0,
    currency="EUR",
    width_m=0.46,
    height_m=0.88,
    depth_m=0.339,
    mass_kg=48.0,
    rated_impedance_ohm=8.0,
    sphere_radius_m=0.32,
    sensitivity_db=95.0,
    bass=BassWay(
        cones=(Cap("woofer", "cone", 0.160, z_m=-0.268),),
        port=Cap("port", "port", 0.05, z_m=-0.15, front=False),
        driver=Driver(5.6, 0.0009, 18.0, 0.075, 0.00035, 3.5, 0.0804),
        box=VentedBox(0.105, 40.0, 12.0, 60.0),
        stages=(
            Stage("low-pass LR4", 1041.0),
            Stage("high shelf", 172.7, 0.5, -12.0),
            Stage("peak", 439.6, 1.014, 3.128),
        ),
        thermal_k_w=0.8,
        largest_excursion_m=0.006,
    ),
    high=(
        HighWay(
            Cap("horn", "horn", 0.155, motion="radial", soft_from_m=0.035),
            420.0,
            0.8,
            -10.35,
            (
                Stage("high-pass LR4", 650.0),
                Stage("high shelf", 6611.0, 0.5, 16.56),
                Stage("peak", 4678.0, 0.7, -3.099),
            ),
            recess_m=0.1832,
        ),
    ),
    whole=(),
    load=Load(0.0015, (Branch(9.0, 0.00008, 0.000018, 420.0, 1.2, 6.0),)),
    claims=(
        Claim("sensitivity", 95.5, "dB", "95.5 dB (2.83 V, 1 m)"),
        Claim("lowest frequency", 38.0, "Hz", "38 Hz (-6 dB)", drop_db=6.0),
        Claim("rated impedance", 8.0, "ohm", "8 ohm"),
    ),
)

COFFER = DemoLoudspeaker(
    key="coffer",
    name="Coffer Two (invented)",
    type="stand-mount",
    price=980.0,
    currency="EUR",
    width_m=0.21,
    height_m=0.36,
    depth_m=0.30,
    mass_kg=7.9,
    rated_impedance_ohm=6.0,
    sphere_radius_m=0.1756,
    sensitivity_db=85.0,
    bass=BassWay(
        cones=(Cap("woofer", "cone", 0.065, z_m=-0.15),),
        port=Cap("port", "port", 0.025, z_m=-0.245),
        driver=Driver(5.6, 0.0003, 6.5, 0.0140, 0.0011, 1.0, 0.013273),
        box=VentedBox(0.0145, 44.0, 14.0, 45.0),
        stages=(Stage("low-pass LR4", 2000.0), Stage("high shelf", 420.0, 0.5, -4.5)),
        thermal_k_w=1.6,
        largest_excursion_m=0.0055,
    ),
    high=(
        HighWay(
            Cap("tweeter", "dome", 0.0125),
            950.0,
            0.7,
            -3.8,
            (Stage("high-pass LR4", 2000.0),),
            recess_m=0.03,
        ),
    ),
    whole=(),
    load=Load(0.0008, (Branch(6.6, 0.00003, 0.0000068, 950.0, 1.5, 4.0),)),
    claims=(
        Claim("sensitivity", 86.0, "dB", "86 dB (2.83 V, 1 m)"),
        Claim("lowest frequency", 42.0, "Hz", "42 Hz (-6 dB)", drop_db=6.0),
        Claim("rated impedance", 6.0, "ohm", "6 ohm"),
    ),
    box="box_a",
    place_errors_m=(("woofer", 0.004, -0.008), ("port", -0.007, 0.01)),
)

LINEUP = (THIMBLE, CAUSEWAY, LANTERN, COFFER)
