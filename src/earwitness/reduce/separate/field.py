"""The field that the loudspeaker alone radiates, at any distance and in any direction, and the waves it is made of."""

from dataclasses import dataclass, replace

import numpy as np

from earwitness.dsp.spherical import acn, complex_harmonics, log_hankel_size, outgoing_waves, regular_waves
from earwitness.errors import InputError
from earwitness.quantities import DirectionalResponse, Directions, FrequencyAxis
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray, locked

# Scaled columns of the separation: what an order does along the radius, outgoing and incoming.
#
# Unknowns are scaled so that one regularization parameter means the same for every order. Outgoing: strength on the
# sphere that encloses the source, c~_n = c_n |h_n(k R_s)|. Incoming: strength of far sources at the distance D of the
# room, d~_n = d_n / (k D |h_n(k D)|). Fields are solved for in the real pair (j_n, y_n), since h_n = j_n - j y_n: the
# matrix is then real and only the pressures are complex.

ORDERS_BEYOND_SOURCE = 7
# Where microphones stand nearer to the middle than the cabinet's farthest corners; checked on drawn scans, no source.
ORDERS_BEYOND_CORNERS = 12
ORDERS_BEYOND_SHELL = 3
ROOM_DISTANCE_FACTOR = 2.0
_ORDER_STEP = 3


@dataclass(frozen=True, slots=True)
class Shell:
    """Radii of a separation [m]: the source's sphere, the outermost microphone, and where the room begins."""

    source_radius_m: float
    outer_radius_m: float
    room_distance_m: float


def incoming_columns(k: FloatArray, radius_m: FloatArray, order: int, shell: Shell) -> FloatArray:
    """(F, R, order+1) j_n(k r) times the incoming scale; k (F,) [rad/m], radius_m (R,)."""
    scale = incoming_log_scale(k, order, shell)[:, None, :]
    return regular_waves(order, k[:, None] * radius_m[None, :], scale)


def outgoing_columns(k: FloatArray, radius_m: FloatArray, order: int, shell: Shell) -> ComplexArray:
    """(F, R, order+1) h_n^(2)(k r) / |h_n^(2)(k R_s)|."""
    return outgoing_waves(order, k[:, None] * radius_m[None, :], k[:, None] * shell.source_radius_m)


def incoming_log_scale(k: FloatArray, order: int, shell: Shell) -> FloatArray:
    """(F, order+1) ln of k D |h_n(k D)|."""
    x = k * shell.room_distance_m
    return log_hankel_size(order, x) + np.log(x)[:, None]


def standing_share(k: FloatArray, order: int, shell: Shell) -> FloatArray:
    """(F, order+1) e_n with h_n / |h_n(k R_s)| = e_n j~_n - j y~_n."""
    size = log_hankel_size(order, k * shell.source_radius_m) + incoming_log_scale(k, order, shell)
    return np.exp(-size)


def far_factor(k: FloatArray, order: int, shell: Shell) -> ComplexArray:
    """(F, order+1) lim r e^(j k r) h_n(k r) / |h_n(k R_s)| = j^(n+1) / (k |h_n(k R_s)|) [m]."""
    size = log_hankel_size(order, k * shell.source_radius_m)
    phase = np.array([1j, -1.0, -1j, 1.0])[np.arange(order + 1) % 4]
    result: ComplexArray = phase * np.exp(-size - np.log(k)[:, None])
    return result


def wanted_orders(
    k: FloatArray, shell: Shell, *, beyond_source: int = ORDERS_BEYOND_SOURCE
) -> tuple[IntArray, IntArray]:
    """Orders (F,) that outgoing and incoming waves need: ceil(k R_s) + 7 and ceil(k r_max) + 3, rounded up to threes.

    beyond_source : in place of 7.

    Rounding lets frequencies share their order pair, and so be solved together.
    """
    outgoing = np.ceil(k * shell.source_radius_m).astype(np.int64) + beyond_source
    incoming = np.ceil(k * shell.outer_radius_m).astype(np.int64) + ORDERS_BEYOND_SHELL
    return -(-outgoing // _ORDER_STEP) * _ORDER_STEP, -(-incoming // _ORDER_STEP) * _ORDER_STEP


HIGHEST_U_DB = 3.0
_WORST_U_DB = 40.0
_NEAREST_DIRECTIONS = 4
_CHUNK = 24
# Noise is taken as equal at all points, which position errors aren't: checked on simulated scans, no source.
_MODEL_DOUBT = 1.3
# Gated fits choose a small source sphere, and the gate cuts late sound: likewise checked on simulated scans.
_GATED_DOUBT = 2.0
_ORDERS_BEYOND_BODY = 3
# A smooth bend of the rig, which waves take for sound and no number of points averages (common practice, no source).
_BENT_M = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Outgoing waves about one center over some frequencies.

    inner_radius_m : nothing is said nearer to the center
    rows (F',) frequencies concerned; weight (F',) share in the field, 0 to 1; center_m (3,); axes : which of x, y, z
    are the local ones; outgoing (F', K) scaled complex harmonics' coefficients, order (F',) their highest order
    directions (G,) cosines of the local polar angle or (G, 3) local unit vectors; variance (G, F') there, at 1 m
    remainder (F', K) coefficients of what may be left of scattered sound, or None
    """

    rows: IntArray
    weight: FloatArray
    center_m: FloatArray
    axes: tuple[int, int, int]
    shell: Shell
    inner_radius_m: float
    outgoing: ComplexArray
    order: IntArray
    directions: FloatArray
    variance: FloatArray
    remainder: ComplexArray | None


@dataclass(frozen=True, slots=True, eq=False)
class SeparatedField:
    """Free-field radiation. axis (F,); reference_m (3,): where angles and distances count from; valid (F,)."""

    axis: FrequencyAxis
    speed_of_sound_m_s: float
    reference_m: FloatArray
    parts: tuple[Part, ...]
    valid: BoolArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "reference_m", locked(self.reference_m, float))
        object.__setattr__(self, "valid", locked(self.valid, bool))


def pressure_at(field: SeparatedField, points_m: FloatArray) -> ComplexArray:
    """(P, F) pressure [Pa/V] at points (P, 3) [m], coordinates as in the scan.

    InputError where a point lies inside the sphere that encloses the loudspeaker: the expansion says nothing there.
    """
    points = np.atleast_2d(np.asarray(points_m, dtype=float))
    for part in field.parts:
        nearest = float(np.linalg.norm(points - part.center_m, axis=1).min())
        if nearest < part.inner_radius_m:
            raise InputError.of("reduce.point_inside", nearest=nearest, part=part)
    return waves_at(field, points)


def waves_at(field: SeparatedField, points_m: FloatArray) -> ComplexArray:
    """As pressure_at, without asking whether points lie outside: for a step from a microphone's place, whose nearest
    one may stand on the sphere from which the expansion holds."""
    points = np.asarray(points_m, dtype=float)
    total = np.zeros((len(points), len(field.axis)), dtype=np.complex128)
    for part in field.parts:
        local = (points - part.center_m)[:, part.axes]
        radius = np.linalg.norm(local, axis=1)
        harmonics = complex_harmonics(int(part.order.max()), local[:, 2] / radius, np.arctan2(local[:, 1], local[:, 0]))
        k = _wavenumber(field, part)
        for start in range(0, k.size, _CHUNK):
            rows = slice(start, start + _CHUNK)
            waves = outgoing_columns(k[rows], radius, int(part.order.max()), part.shell)
            total[:, part.rows[rows]] += part.weight[rows] * _summed(harmonics, part.outgoing[rows], waves)
    return total


def far_pressure(field: SeparatedField, unit_vectors: FloatArray) -> ComplexArray:
    """(D, F) far field referred to 1 m from the reference point: lim r e^(jkr) p along unit vectors (D, 3) [Pa m/V].

    Time zero is when sound leaves the reference point.
    """
    total = np.zeros((len(unit_vectors), len(field.axis)), dtype=np.complex128)
    for part in field.parts:
        k = _wavenumber(field, part)
        turn = np.exp(1j * np.outer(unit_vectors @ (part.center_m - field.reference_m), k))
        total[:, part.rows] += part.weight * turn * _far(part, k, part.outgoing, unit_vectors)
    return total


def far_u_db(field: SeparatedField, unit_vectors: FloatArray) -> FloatArray:
    """(D, F) standard uncertainty [dB] of far_pressure: noise and coverage, orders cut off, scattering left over, and
    no less than a bent rig makes, whose slope of the sound is |k - j/r|."""
    level = np.abs(far_pressure(field, unit_vectors)) ** 2
    variance = np.zeros(level.shape)
    for part in field.parts:
        k = _wavenumber(field, part)
        doubt = _MODEL_DOUBT if part.remainder is not None else _GATED_DOUBT
        own = doubt**2 * (_variance_along(part, unit_vectors[:, part.axes]) + _cut_off(part, k))
        if part.remainder is not None:
            left = np.abs(_far(part, k, part.remainder, unit_vectors)) ** 2
            every = order_energy(replace(part, outgoing=part.remainder), k).sum(axis=1) / (4 * np.pi)
            own = own + 0.5 * left + 0.5 * every
        # Parts that overlap share their errors: the weights add linearly.
        root = np.sqrt(variance[:, part.rows]) + part.weight * np.sqrt(own)
        variance[:, part.rows] = root**2
    away = 2 * np.pi * field.axis.hz / field.speed_of_sound_m_s + 1j / field.parts[0].shell.outer_radius_m
    variance = np.maximum(variance, _BENT_M**2 * np.abs(away) ** 2 * level)
    u = 20 / np.log(10) / np.sqrt(2) * np.sqrt(variance / np.maximum(level, 1e-300))
    return np.asarray(np.minimum(u, _WORST_U_DB), dtype=float)


def response(
    field: SeparatedField,
    directions: Directions,
    *,
    u_common_db: FloatArray | None = None,
    absolute: bool = True,
    distance_m: float = 1.0,
    highest_u_db: float = HIGHEST_U_DB,
    lineage: tuple[str, ...] = (),
) -> DirectionalResponse:
    """The field as a response at 1 m, far-field referred; valid where the field is and u stays within the limit.

    u_common_db : (F,) uncertainty shared by all directions, 0 if left out; distance_m : where the microphones stood.
    """
    vectors = directions.unit_vectors()
    u_db = far_u_db(field, vectors)
    return DirectionalResponse(
        axis=field.axis,
        directions=directions,
        pressure=far_pressure(field, vectors),
        u_db=u_db,
        u_common_db=np.zeros(len(field.axis)) if u_common_db is None else u_common_db,
        valid=field.valid[None, :] & (u_db <= highest_u_db),
        absolute=absolute,
        distance_m=distance_m,
        lineage=lineage,
    )


def order_energy(part: Part, k: FloatArray) -> FloatArray:
    """(F', N+1) energy that each order sends to the far field."""
    order = int(part.order.max())
    degree = acn(order)[0]
    size = np.abs(far_factor(k, order, part.shell)[:, degree] * part.outgoing) ** 2
    return np.add.reduceat(size, np.arange(order + 1) ** 2, axis=1)


def _wavenumber(field: SeparatedField, part: Part) -> FloatArray:
    return np.asarray(2 * np.pi * field.axis.hz[part.rows] / field.speed_of_sound_m_s, dtype=float)


def _summed(harmonics: ComplexArray, coefficients: ComplexArray, waves: ComplexArray) -> ComplexArray:
    """(P, F) sum over harmonics (P, K) of coefficients (F, K) times waves (F, P, N+1)."""
    total = np.zeros((harmonics.shape[0], coefficients.shape[0]), dtype=np.complex128)
    for n in range(waves.shape[2]):
        one = slice(n * n, (n + 1) ** 2)
        total += (harmonics[:, one] @ coefficients[:, one].T) * waves[:, :, n].T
    return total


def _far(part: Part, k: FloatArray, coefficients: ComplexArray, unit_vectors: FloatArray) -> ComplexArray:
    """(D, F') far field about the part's own center."""
    local = unit_vectors[:, part.axes]
    order = int(part.order.max())
    harmonics = complex_harmonics(order, local[:, 2], np.arctan2(local[:, 1], local[:, 0]))
    factor = far_factor(k, order, part.shell)[:, acn(order)[0]]
    return np.asarray(harmonics @ (factor * coefficients).T, dtype=np.complex128)


def _cut_off(part: Part, k: FloatArray) -> FloatArray:
    """(F',) energy that orders beyond those kept may add, over all directions.

    That of the three highest kept, times the number of threes missing up to what the body's size asks for.
    """
    energy = np.cumsum(order_energy(part, k), axis=1)
    row = np.arange(k.size)
    below = energy[row, np.maximum(part.order - 3, 0)]
    missing = np.ceil(k * part.inner_radius_m) + _ORDERS_BEYOND_BODY - part.order
    return np.asarray(np.maximum(missing / 3, 1.0) * (energy[row, part.order] - below) / (4 * np.pi), dtype=float)


def _variance_along(part: Part, local: FloatArray) -> FloatArray:
    """(D, F') variance at 1 m along local unit vectors, between the directions it was computed for."""
    if part.directions.ndim == 1:
        polar, angle = np.arccos(part.directions), np.arccos(np.clip(local[:, 2], -1, 1))
        place = np.clip(np.searchsorted(polar, angle) - 1, 0, polar.size - 2)
        share = ((angle - polar[place]) / (polar[place + 1] - polar[place]))[:, None]
        return np.asarray((1 - share) * part.variance[place] + share * part.variance[place + 1], dtype=float)
    nearness = local @ part.directions.T
    nearest = np.argsort(-nearness, axis=1, kind="stable")[:, :_NEAREST_DIRECTIONS]
    away = np.maximum(1 - np.take_along_axis(nearness, nearest, axis=1), 1e-9)
    weight = (1 / away) / (1 / away).sum(axis=1, keepdims=True)
    return np.asarray(np.einsum("dg,dgf->df", weight, part.variance[nearest]), dtype=float)
