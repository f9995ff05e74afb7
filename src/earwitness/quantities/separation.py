"""What a near-field scan yields beside the response: the loudspeaker's field as waves, and how far to trust it."""

from dataclasses import dataclass

from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray, Locked, lock_fields


@dataclass(frozen=True, slots=True, eq=False)
class WavePart(Locked):
    """Outgoing waves about one center over some frequencies of the measurement's axis.

    rows (R,) of the axis; weight (R,) share in the field, 0 to 1; order (R,) highest order used; outgoing (R, K)
    coefficients of complex harmonics in ACN order, scaled by the size of the outgoing wave on the source's sphere
    center_m (3,) in the scan's coordinates; axes : which of x, y, z are the harmonics' local ones
    source_radius_m, outer_radius_m, room_distance_m : that the scaling counts from; inner_radius_m : nothing is said
    nearer to the center
    """

    rows: IntArray
    weight: FloatArray
    order: IntArray
    outgoing: ComplexArray
    center_m: tuple[float, float, float]
    axes: tuple[int, int, int]
    source_radius_m: float
    outer_radius_m: float
    room_distance_m: float
    inner_radius_m: float


@dataclass(frozen=True, slots=True, eq=False)
class ScanReading:
    """Arrays (F,) on the measurement's axis.

    residual_db : what the waves leave unexplained, against all sound at the microphones; leave_out_db : the same at
    points not used; scattered_db : the room's sound taken off as scattered at the cabinet, against the loudspeaker's
    own; condition : of the equations; u_db : expected error over the CTA directions; order_out, order_in (-1: none);
    valid : frequencies to show
    joint_hz : where sound before the first reflection takes over, or None; points, points_left_out : how many
    body : "box", "sphere" or "none"; reference_m (3,): where distances count from; sentence : plain words
    """

    residual_db: FloatArray
    leave_out_db: FloatArray
    scattered_db: FloatArray
    condition: FloatArray
    u_db: FloatArray
    order_out: IntArray
    order_in: IntArray
    valid: BoolArray
    joint_hz: float | None
    points: int
    points_left_out: int
    body: str
    speed_of_sound_m_s: float
    reference_m: tuple[float, float, float]
    sentence: str
    parts: tuple[WavePart, ...]

    def __post_init__(self) -> None:
        real = dict.fromkeys(("residual_db", "leave_out_db", "scattered_db", "condition", "u_db"), float)
        lock_fields(self, **real, order_out=int, order_in=int, valid=bool)
