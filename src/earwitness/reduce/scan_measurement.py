"""A session that holds a near-field scan, from its recordings or pressures to its Measurement."""

from dataclasses import fields, replace
from typing import Any

import numpy as np

from earwitness.errors import InputError
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.formats.scan_pressures import ScanPressures
from earwitness.quantities import (
    BudgetLine,
    Cause,
    FrequencyAxis,
    Gate,
    Impedance,
    Measurement,
    Step,
    report_axis,
)
from earwitness.quantities.arrays import BoolArray, ComplexArray, FloatArray, IntArray
from earwitness.quantities.directions import cta_orbits
from earwitness.quantities.measurement import ScanReading, WavePart
from earwitness.reduce.auxiliary_takes import AuxiliaryTakes, auxiliary_takes
from earwitness.reduce.budget import budget_of, gating_u_db, level_causes
from earwitness.reduce.calibrate import calibrate
from earwitness.reduce.flags import flag
from earwitness.reduce.gate import LEAD_S, LOWEST_TIMES_LENGTH, RISE_S, speed_of_sound, weights_of
from earwitness.reduce.impulse import Division
from earwitness.reduce.plan import Plan, Progress, Read, ReduceSettings, lineage_of
from earwitness.reduce.scan import ScanResult, reduce_scan, solve_scan
from earwitness.reduce.scan_gather import FALL_SHARE, LONGEST_GATE_S, ScanData
from earwitness.reduce.separate.field import Part, SeparatedField, Shell, far_pressure
from earwitness.reduce.separate.separation import Quality
from earwitness.reduce.stimulus import stimulus_of
from earwitness.session.responses import ScanPressuresTake, ScanSetup, ScanTake
from earwitness.session.session import Session

# Scans that come as complex pressures: what they hold, and their result drawn from a table's frequencies to the axis.
#
# Between the table's frequencies level and unwrapped phase are drawn by Akima's local cubics over log frequency (J. ACM
# 17, 1970, from memory). How wrong that is tell the table's own frequencies: each is drawn from every second one, twice
# as far apart, and the error of a cubic's interval falls at least with the square of its length.

FREE_FIELD = "anechoic"
STATED = "stated by the tester"
_FEWEST_FOR_CUBICS = 5
_LARGEST_STEP_RAD = 2.5
_SMALLEST = 1e-300
# Half the interval's length, at least a quarter of the error; the ends of a table know it from one side.
_ERROR_SHARE = 0.25


def data_of_pressures(
    found: ScanPressures, speed_m_s: float, *, take: ScanPressuresTake | None = None, anechoic: bool = False
) -> ScanData:
    """A scan that came as complex pressures, on its own frequencies and of unknown noise.

    take : says what the pressures hold; anechoic : the session was measured in a free field, which is taken for its
    pressures as well. Gated and free-field pressures hold no room: outgoing waves alone are fitted to them.
    """
    count, hz = found.hz.size, found.hz
    sound = "with the room" if take is None else take.sound
    if sound == "with the room" and anechoic:
        sound = "free field"
    gate, u_gate = None, np.zeros(count)
    if sound == "free field":
        gate = Gate(-LEAD_S - RISE_S, LONGEST_GATE_S, FALL_SHARE * LONGEST_GATE_S, None, FREE_FIELD, float(hz[0]))
    elif sound == "gated":
        assert take is not None
        assert take.lowest_valid_hz is not None
        end = LOWEST_TIMES_LENGTH / take.lowest_valid_hz
        gate = Gate(-LEAD_S - RISE_S, end, FALL_SHARE * end, end, source=STATED, lowest_valid_hz=take.lowest_valid_hz)
        u_gate = gating_u_db(*([np.zeros(count)] * 3), hz=hz, gate_s=end)
    return ScanData(
        axis=FrequencyAxis(hz), rows=np.arange(count), points_m=found.points_m,
        surfaces=("",) * len(found.points_m), ids=tuple(f"point {n}" for n in range(1, len(found.points_m) + 1)),
        whole=found.pressure, gated=None if gate is None else found.pressure, gate=gate, gate_u_db=u_gate,
        noise_rms=np.zeros(count), speed_m_s=speed_m_s, holds_room=gate is None,
    )  # fmt: skip


def on_report_axis(found: ScanResult) -> ScanResult:
    """A scan at frequencies of its own, drawn to the report axis, with what the drawing itself may be wrong by.

    Nothing is said beyond the ends or next to a frequency that is not valid; pressure is 0 there.
    """
    own, axis = found.response.axis, report_axis()
    between = _Between(own.hz, axis.hz)
    answer = found.response
    pressure, error = between.pressures(answer.pressure)
    valid = between.both(answer.valid)
    drawing = Cause(
        name="levels between the table's frequencies", source="each frequency drawn from its neighbors",
        pull_db=np.where(valid, error, 0.0),
    )  # fmt: skip
    response = replace(
        answer, axis=axis, pressure=np.where(valid, pressure, 0.0), u_db=between.straight(answer.u_db),
        u_common_db=np.zeros(len(axis)), valid=valid,
        causes=(*(replace(one, pull_db=between.straight(one.pull_db)) for one in answer.causes), drawing),
    )  # fmt: skip
    old = found.separation.quality
    values: dict[str, Any] = {}
    for one in fields(Quality):
        value = getattr(old, one.name)
        values[one.name] = between.both(value) if value.dtype == bool else between.straight(value.astype(float))
        if value.dtype.kind == "i":
            values[one.name] = np.round(values[one.name]).astype(np.int64)
    front = answer.directions.on_axis_row()
    field = _field_on(found.separation.field, axis, between, answer.pressure[front], pressure[front])
    separation = replace(found.separation, quality=Quality(**values), field=field)
    return replace(found, response=response, separation=separation, snr_db=between.straight(found.snr_db))


class _Between:
    """From frequencies hz (F,) to others (G,). rows, share (G,) : the one below and how far beyond it; inside (G,)."""

    def __init__(self, hz: FloatArray, to_hz: FloatArray) -> None:
        self.at, self.to = np.log(hz), np.log(to_hz)
        self.inside = (to_hz >= hz[0] * (1 - 1e-9)) & (to_hz <= hz[-1] * (1 + 1e-9))
        self.rows: IntArray = np.clip(np.searchsorted(self.at, self.to, side="right") - 1, 0, max(hz.size - 2, 0))
        self.next: IntArray = np.minimum(self.rows + 1, hz.size - 1)
        step = np.maximum(self.at[self.next] - self.at[self.rows], 1e-12)
        self.share = np.clip((self.to - self.at[self.rows]) / step, 0.0, 1.0)

    def straight(self, values: FloatArray) -> FloatArray:
        """(..., G) drawn in straight lines."""
        return np.asarray((1 - self.share) * values[..., self.rows] + self.share * values[..., self.next], dtype=float)

    def both(self, valid: BoolArray) -> BoolArray:
        """(..., G) where both neighbors are valid, or the one that is met."""
        return np.asarray((self.straight(valid.astype(float)) > 1 - 1e-9) & self.inside, dtype=bool)

    def cubic(self, values: FloatArray) -> FloatArray:
        """(..., G) drawn in cubics, in straight lines where the table is too short for them."""
        return _drawn(self.at, values, np.clip(self.to, self.at[0], self.at[-1]))

    def pressures(self, pressure: ComplexArray) -> tuple[ComplexArray, FloatArray]:
        """(D, G) pressures, and by how much their levels may be off [dB] from being drawn, with its sign."""
        level = np.log(np.maximum(np.abs(pressure), _SMALLEST))
        phase = np.unwrap(np.angle(pressure), axis=-1)
        drawn = np.exp(self.cubic(level) + 1j * self.cubic(phase))
        error = 20 / np.log(10) * _table_error(self.at, level)
        # Steps near half a turn are no steps that can be told: the level between may hold an interference.
        wide = np.abs(np.diff(phase, axis=-1, append=phase[..., -1:])) > _LARGEST_STEP_RAD
        worst = _larger(error[..., self.rows], error[..., self.next])
        swing = 20 / np.log(10) * (level[..., self.next] - level[..., self.rows])
        worst = np.where(wide[..., self.rows], _larger(worst, swing), worst)
        return drawn, np.asarray(4 * self.share * (1 - self.share) * worst, dtype=float)


def _drawn(at: FloatArray, values: FloatArray, to: FloatArray) -> FloatArray:
    if at.size < 2:
        return np.repeat(values, to.size, axis=-1)
    if at.size < _FEWEST_FOR_CUBICS:
        row = np.clip(np.searchsorted(at, to, side="right") - 1, 0, at.size - 2)
        share = (to - at[row]) / (at[row + 1] - at[row])
        return np.asarray((1 - share) * values[..., row] + share * values[..., row + 1], dtype=float)
    from scipy.interpolate import Akima1DInterpolator

    return np.asarray(Akima1DInterpolator(at, values, axis=-1)(to), dtype=float)


def _table_error(at: FloatArray, level: FloatArray) -> FloatArray:
    """(D, F) what drawing may be wrong by in the intervals beside each frequency."""
    error = np.zeros_like(level)
    for first in (0, 1):
        kept = np.arange(first, at.size, 2)
        tested = np.setdiff1d(np.arange(at.size), kept)
        tested = tested[(tested > kept[0]) & (tested < kept[-1])] if kept.size > 1 else tested[:0]
        if tested.size:
            error[:, tested] = _drawn(at[kept], level[:, kept], at[tested]) - level[:, tested]
    if at.size > 2:
        error[:, 0], error[:, -1] = error[:, 1], error[:, -2]
    # A single node may lie by chance where both curves cross.
    wide = np.pad(error, ((0, 0), (1, 1)), mode="edge")
    return _ERROR_SHARE * _larger(_larger(wide[:, :-2], wide[:, 2:]), wide[:, 1:-1])


def _larger(one: FloatArray, other: FloatArray) -> FloatArray:
    """The one of both that is farther from 0, with its sign."""
    return np.where(np.abs(one) >= np.abs(other), one, other)


def _field_on(
    field: SeparatedField, axis: FrequencyAxis, between: _Between, ahead: ComplexArray, drawn: ComplexArray
) -> SeparatedField:
    """Coefficients drawn to another axis as shares of the pressure on axis, which carries what changes fast.

    ahead (F,), drawn (G,) : that pressure on both.
    """
    parts: list[Part] = []
    size = np.where(np.abs(ahead) > 0, ahead, 1.0)
    for part in field.parts:
        place = np.full(len(field.axis), -1)
        place[part.rows] = np.arange(part.rows.size)
        below, above = place[between.rows], place[between.next]
        kept = np.flatnonzero(between.inside & ((below >= 0) | (above >= 0)))
        if not kept.size:
            continue
        below, above, x = below[kept], above[kept], between.share[kept]
        # Between two parts each serves by its nearer end.
        first, second = np.where(below >= 0, below, above), np.where(above >= 0, above, below)
        weight = (1 - x) * part.weight[first] * (below >= 0) + x * part.weight[second] * (above >= 0)
        shares = part.outgoing / size[part.rows][:, None]
        outgoing = ((1 - x)[:, None] * shares[first] + x[:, None] * shares[second]) * drawn[kept][:, None]
        parts.append(
            replace(
                part, rows=kept, weight=weight, outgoing=outgoing,
                order=np.maximum(part.order[first], part.order[second]),
                variance=(1 - x) * part.variance[:, first] + x * part.variance[:, second], remainder=None,
            )
        )  # fmt: skip
    return replace(field, axis=axis, parts=tuple(parts), valid=between.both(field.valid))


IMPULSE_RATE_HZ = 48_000
_IMPULSE_SAMPLES = 4096
_ONSET_S = 0.01
NO_GATE = "no gate: the room's sound was separated"


def reduce_scan_session(
    session: Session,
    read: Read,
    settings: ReduceSettings,
    *,
    correction: MicrophoneCorrection | None = None,
    impedance: Impedance | None = None,
    pressures: ScanPressures | None = None,
    progress: Progress | None = None,
) -> Measurement:
    """The measurement of a scan; arguments as in flow.reduce_session, pressures : of the session's "scan pressures".

    InputError where scan and orbits are mixed, or the scan cannot be used; AudioError for recordings that cannot be.
    """
    lineage = lineage_of(session, settings)
    setup = session.scan or ScanSetup()
    speed = speed_of_sound(session.environment.temperature_c)
    takes = session.takes_of(ScanTake)
    if pressures is not None:
        take = next(iter(session.takes_of(ScanPressuresTake)), None)
        data = data_of_pressures(pressures, speed, take=take, anechoic=session.environment.anechoic)
        result = on_report_axis(solve_scan(data, session.loudspeaker, setup, lineage=(lineage.key,)))
    elif takes:
        result = reduce_scan(
            session, takes, setup, read, correction=correction, progress=progress, lineage=(lineage.key,)
        )
    else:
        raise InputError("the file of the scan's pressures was not read", where="session.toml")
    others = _others(session, read, settings, correction=correction, impedance=impedance, speed_m_s=speed, takes=takes)
    return _measurement(session, result, others, correction, lineage)


def scan_field(scan: ScanReading, axis: FrequencyAxis) -> SeparatedField:
    """The field of a kept scan; how sure it is of single directions is not kept with it."""
    nothing = np.zeros((2, 0))
    parts = tuple(
        Part(
            rows=one.rows, weight=one.weight, center_m=np.array(one.center_m), axes=one.axes,
            shell=Shell(one.source_radius_m, one.outer_radius_m, one.room_distance_m),
            inner_radius_m=one.inner_radius_m, outgoing=one.outgoing, order=one.order,
            directions=np.array([1.0, -1.0]), variance=nothing, remainder=None,
        )
        for one in scan.parts
    )  # fmt: skip
    return SeparatedField(axis, scan.speed_of_sound_m_s, np.array(scan.reference_m), parts, scan.valid)


def _others(
    session: Session,
    read: Read,
    settings: ReduceSettings,
    correction: MicrophoneCorrection | None,
    impedance: Impedance | None,
    speed_m_s: float,
    takes: tuple[ScanTake, ...],
) -> AuxiliaryTakes:
    """Impedance and loud takes beside the scan."""
    axis = report_axis()
    calibration = calibrate(session, read)
    rate = read(takes[0].file).rate_hz if takes else IMPULSE_RATE_HZ
    stimulus = stimulus_of(session.played, read, rate)
    division = Division(stimulus, session.reference, calibration.fs_per_pa, axis.hz, 0.1)
    gate = Gate(start_s=0.0, end_s=0.1, taper_s=0.0, reflection_s=None, source=NO_GATE, lowest_valid_hz=axis.hz[0])
    return auxiliary_takes(
        Plan(session, settings, axis, (), (), (), calibration, correction, gate, {None: division}, speed_m_s),
        read,
        impedance,
    )


def _measurement(
    session: Session, result: ScanResult, others: AuxiliaryTakes, correction: MicrophoneCorrection | None, lineage: Step
) -> Measurement:
    answer, data = result.response, result.data
    told = correction.frequency_hz if correction is not None else None
    band = None if told is None else (float(told[0]), float(told[-1]))
    # Errors of the points' places are part of what the fit leaves, and of its own uncertainty.
    levels = level_causes(session, answer.axis.hz, distance_m=answer.distance_m, correction_band_hz=band)
    causes = (*answer.causes, *levels)
    front = answer.directions.on_axis_row()
    measured = BudgetLine("separation, gate and noise", "from this scan", answer.u_db[front], False)
    response = replace(answer, causes=causes)
    low = result.separation.valid_band_hz
    until_s = _IMPULSE_SAMPLES / IMPULSE_RATE_HZ - _ONSET_S
    gate = data.gate or Gate(-1e-3, until_s, 0.0, None, source=NO_GATE, lowest_valid_hz=low[0] if low else 20.0)
    impulse, rate, onset = _impulse(result, gate)
    is_placed = session.scan is not None and session.scan.body_center_m is not None
    unplaced = [flag("cabinets_place")] if session.loudspeaker.width_m and not is_placed else []
    used = {take.id for take in session.takes_of(ScanTake)} | others.used
    used |= {take.id for take in session.takes_of(ScanPressuresTake)}
    return Measurement(
        response=response,
        snr_db=result.snr_db,
        gate=gate,
        splice=None,
        near_field=(),
        harmonics=(),
        impedance=others.impedance,
        impulse_rate_hz=rate,
        impulse=impulse,
        impulse_onset_s=onset,
        budget=(*budget_of(causes, front), measured),
        flags=(*unplaced, *result.flags, *others.flags),
        kept_takes=tuple(sorted(take.id for take in session.takes if take.id not in used)),
        steps=(lineage,),
        multitones=others.multitones,
        two_tones=others.two_tones,
        bursts=others.bursts,
        noise_runs=others.noise_runs,
        scan=_reading(result),
    )


def _impulse(result: ScanResult, gate: Gate) -> tuple[FloatArray, float, float]:
    """On-axis impulse response, its rate, and when its direct sound comes."""
    data = result.data
    if data.impulse is not None and data.gate is not None:
        time = np.arange(data.impulse.size) / data.impulse_rate_hz - data.impulse_onset_s
        return data.impulse * weights_of(gate, time), data.impulse_rate_hz, data.impulse_onset_s
    # Of the loudspeaker alone: what the microphone recorded holds the room.
    field = result.separation.field
    hz = np.fft.rfftfreq(_IMPULSE_SAMPLES, 1 / IMPULSE_RATE_HZ)
    row = cta_orbits().on_axis_row()
    answer = far_pressure(field, cta_orbits().unit_vectors()[row : row + 1])[0] * field.valid
    spectrum = np.interp(hz, field.axis.hz, answer.real, left=0.0, right=0.0) + 1j * np.interp(
        hz, field.axis.hz, answer.imag, left=0.0, right=0.0
    )
    moved = spectrum * np.exp(-2j * np.pi * hz * _ONSET_S)
    return np.fft.irfft(moved, _IMPULSE_SAMPLES), float(IMPULSE_RATE_HZ), _ONSET_S


def _reading(result: ScanResult) -> ScanReading:
    one, data = result.separation, result.data
    q = one.quality
    return ScanReading(
        residual_db=q.residual_db, leave_out_db=q.leave_out_db, scattered_db=q.scattered_db, condition=q.condition,
        u_db=q.u_db, order_out=q.order_out, order_in=q.order_in, valid=q.valid, joint_hz=result.joint_hz,
        points=len(data.points_m), points_left_out=len(one.bad_points), body=one.body,
        speed_of_sound_m_s=one.field.speed_of_sound_m_s, reference_m=_triple(one.field.reference_m),
        sentence=result.sentence, parts=tuple(_wave_part(part) for part in one.field.parts if (part.weight > 0).any()),
    )  # fmt: skip


def _wave_part(part: Part) -> WavePart:
    shown = part.weight > 0
    return WavePart(
        rows=part.rows[shown], weight=part.weight[shown], order=part.order[shown], outgoing=part.outgoing[shown],
        center_m=_triple(part.center_m), axes=part.axes, source_radius_m=part.shell.source_radius_m,
        outer_radius_m=part.shell.outer_radius_m, room_distance_m=part.shell.room_distance_m,
        inner_radius_m=part.inner_radius_m,
    )  # fmt: skip


def _triple(place: FloatArray) -> tuple[float, float, float]:
    return (float(place[0]), float(place[1]), float(place[2]))
