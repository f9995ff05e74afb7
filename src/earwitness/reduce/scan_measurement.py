"""A session that holds a near-field scan, from its recordings or pressures to its Measurement."""

from dataclasses import replace

import numpy as np

from earwitness.errors import InputError
from earwitness.formats.correction_file import MicrophoneCorrection
from earwitness.formats.scan_pressures import ScanPressures
from earwitness.quantities import (
    BudgetLine,
    FrequencyAxis,
    Gate,
    Impedance,
    Measurement,
    QualityFlag,
    Step,
    report_axis,
)
from earwitness.quantities.arrays import FloatArray
from earwitness.quantities.directions import cta_orbits
from earwitness.quantities.measurement import ScanReading, WavePart
from earwitness.reduce.budget import budget_of, level_causes
from earwitness.reduce.calibrate import calibrate
from earwitness.reduce.flags import flag
from earwitness.reduce.gate import speed_of_sound, weights_of
from earwitness.reduce.impulse import Division
from earwitness.reduce.other_takes import OtherTakes, other_takes
from earwitness.reduce.plan import Plan, Progress, Read, ReduceSettings, lineage_of
from earwitness.reduce.scan import ScanResult, reduce_scan, solve_scan
from earwitness.reduce.scan_pressures import data_of_pressures, on_report_axis
from earwitness.reduce.separate import SeparatedField
from earwitness.reduce.separate.field import Part, far_pressure
from earwitness.reduce.separate.radial import Shell
from earwitness.reduce.stimulus import stimulus_of
from earwitness.session.scan import ScanPressuresTake, ScanSetup, ScanTake
from earwitness.session.session import Session

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
    others = _others(session, read, settings, correction, impedance, speed, takes)
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
) -> OtherTakes:
    """Impedance and loud takes beside the scan."""
    axis = report_axis()
    calibration = calibrate(session, read)
    rate = read(takes[0].file).rate_hz if takes else IMPULSE_RATE_HZ
    stimulus = stimulus_of(session.played, read, rate)
    division = Division(stimulus, session.reference, calibration.fs_per_pa, axis.hz, 0.1)
    gate = Gate(0.0, 0.1, 0.0, None, NO_GATE, axis.hz[0])
    return other_takes(
        Plan(session, settings, axis, (), (), (), calibration, correction, gate, {None: division}, speed_m_s),
        read,
        impedance,
    )


def _measurement(
    session: Session, result: ScanResult, others: OtherTakes, correction: MicrophoneCorrection | None, lineage: Step
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
    gate = data.gate or _no_gate(result)
    impulse, rate, onset = _impulse(result, gate)
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
        flags=(*_calibration_flags(session), *result.flags, *others.flags),
        kept_takes=tuple(sorted(take.id for take in session.takes if take.id not in used)),
        steps=(lineage,),
        multitones=others.multitones,
        two_tones=others.two_tones,
        bursts=others.bursts,
        noise_runs=others.noise_runs,
        scan=_reading(result),
    )


def _calibration_flags(session: Session) -> tuple[QualityFlag, ...]:
    if session.loudspeaker.width_m and (session.scan is None or session.scan.body_center_m is None):
        return (flag("cabinets_place"),)
    return ()


def _no_gate(result: ScanResult) -> Gate:
    low = result.separation.valid_band_hz
    return Gate(-1e-3, _IMPULSE_SAMPLES / IMPULSE_RATE_HZ - _ONSET_S, 0.0, None, NO_GATE, low[0] if low else 20.0)


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
