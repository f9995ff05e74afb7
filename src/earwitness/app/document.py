"""The JSON document of one reading: every curve and figure, versioned; docs/reading-document.md describes it."""

from typing import Any

import numpy as np

from earwitness import __version__
from earwitness.exhibits.record import record
from earwitness.figures.time_domain import time_curves
from earwitness.quantities import (
    Curve,
    DirectivityMap,
    Figure,
    FrequencyAxis,
    Measurement,
    QualityFlag,
    Reading,
    ScanReading,
    Step,
)
from earwitness.quantities.arrays import FloatArray
from earwitness.session.session import Session

DOCUMENT = "earwitness.reading"
VERSION = 1
_DIGITS = 7


def _numbers(values: FloatArray) -> list[float | None]:
    """Values as JSON numbers, null where there is none."""
    return [float(f"{v:.{_DIGITS}g}") if np.isfinite(v) else None for v in values.tolist()]


def _figure(figure: Figure) -> dict[str, Any]:
    named = {"uncertainty": "u", "interval_95": "interval"}
    made = record(figure, "value", "unit", "bound", "band_hz", "method", "caveats", "lineage", **named)
    return {**made, "not_judged": figure.reason or None}


def _curve(curve: Curve, axis: FrequencyAxis) -> dict[str, Any]:
    return {
        **record(curve, "name", "unit", "reference", "valid", "lineage"),
        "frequency_hz": None if curve.axis.same_as(axis) else _numbers(curve.axis.hz),
        "values": _numbers(curve.values),
        "uncertainty": _numbers(curve.u),
        "uncertainty_common": _numbers(curve.u_common),
    }


def _map(one: DirectivityMap) -> dict[str, Any]:
    level_db = [_numbers(row) for row in one.level_db]
    return {**record(one, "reference", "valid"), "angle_deg": _numbers(one.angle_deg), "level_db": level_db}


def _step(one: Step) -> dict[str, Any]:
    return {**record(one, "key", "name", "inputs", "program"), "settings": dict(one.settings)}


def _flag(flag: QualityFlag) -> dict[str, Any]:
    made = record(flag, "id", "severity", "threshold", "unit", "takes", "band_hz", "sentence")
    return {**made, "number": flag.number if np.isfinite(flag.number) else None}


def _over_time(measurement: Measurement) -> dict[str, Any]:
    """Impulse, step and energy; without an impulse all are empty."""
    found = time_curves(measurement)
    times = next(iter(found.values())).axis.hz if found else np.zeros(0)
    return {
        "time_ms": _numbers(times),
        "onset_ms": 1000.0 * measurement.impulse_onset_s,
        "impulse_percent": _numbers(found["impulse"].values) if found else [],
        "step_percent": _numbers(found["step"].values) if found else [],
        "energy_db": _numbers(found["energy_time"].values) if found else [],
    }


def _scan(scan: ScanReading) -> dict[str, Any]:
    """Trust in a separation; what is not shown is null."""
    arrays = ("residual_db", "leave_out_db", "scattered_db", "condition", "u_db")
    return {
        **{name: _numbers(np.where(scan.valid, getattr(scan, name), np.nan)) for name in arrays},
        **record(scan, "order_out", "order_in", "joint_hz", "points", "points_left_out", "body", "sentence"),
    }


def _how_measured(measurement: Measurement) -> dict[str, Any]:
    gate, splice = measurement.gate, measurement.splice
    return {
        "gate": record(gate, *gate.__dataclass_fields__),
        "splice": record(splice, *splice.__dataclass_fields__) if splice else None,
        "budget": [
            {**record(line, "name", "source", "common"), "u_db": _numbers(line.u_db)} for line in measurement.budget
        ],
        "quality": [_flag(flag) for flag in measurement.flags],
        "scan": None if measurement.scan is None else _scan(measurement.scan),
        "kept_takes": list(measurement.kept_takes),
        "steps": [_step(one) for one in measurement.steps],
    }


def reading_document(session: Session, measurement: Measurement, reading: Reading) -> dict[str, Any]:
    """The document as plain values for json; the order of keys is fixed, missing numbers are null."""
    loudspeaker = session.loudspeaker.model_dump(mode="json", by_alias=True)
    return {
        "document": DOCUMENT,
        "version": VERSION,
        "program": f"earwitness {__version__}",
        "loudspeaker": loudspeaker,
        "session": {"date": session.date, "tester": session.tester.model_dump(mode="json")},
        "choices": dict(reading.choices),
        "frequency_hz": _numbers(measurement.response.axis.hz),
        "figures": {key: _figure(figure) for key, figure in reading.figures.items()},
        "curves": {key: _curve(curve, measurement.response.axis) for key, curve in reading.curves.items()},
        "maps": {key: _map(one) for key, one in reading.maps.items()},
        "over_time": _over_time(measurement),
        "missing": dict(reading.missing),
        "how_measured": _how_measured(measurement),
    }
