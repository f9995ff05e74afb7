"""Exhibits: how far to trust the curves: their uncertainty, noise, checks of recordings, separation of a scan."""

import numpy as np

from earwitness.exhibits.chart import Chart, ChartRegion, Panel, Role, Table, Trace, chart, table
from earwitness.exhibits.level_facts import joined
from earwitness.exhibits.words import (
    COVERAGE_FACTOR,
    band_words,
    frequency_words,
    listed,
    number_words,
    sentence,
    true_minus,
)
from earwitness.files.data import worded
from earwitness.quantities import Curve, FrequencyAxis, Measurement, QualityFlag, Reading
from earwitness.quantities.arrays import BoolArray, FloatArray
from earwitness.quantities.directions import on_orbit
from earwitness.quantities.measurement import ScanReading, WavePart

SPOKEN_HZ = (50.0, 1000.0, 10_000.0)
# All dashed, each in another way: at the ends of the axis several lines may lie on each other.
_LINE_ROLES: tuple[Role, ...] = ("second", "third", "fourth", "reflected part", "before")
_SHOWN_LINES = len(_LINE_ROLES)


def trust(reading: Reading, measurement: Measurement) -> Chart | None:
    """Uncertainty of the on-axis level and its largest parts, and signal-to-noise ratio; None without a budget."""
    if not measurement.budget:
        return None
    axis = measurement.response.axis
    ahead = reading.curves.get("on_axis")
    known = ahead.valid if ahead is not None and ahead.axis.same_as(axis) else np.ones(len(axis), dtype=bool)
    total = np.asarray(np.sqrt(np.sum([line.u_db**2 for line in measurement.budget], axis=0)))
    shown = sorted(measurement.budget, key=lambda line: -float(line.u_db.max()))[:_SHOWN_LINES]
    traces = (
        Trace(Curve.of("u_total", "all together", axis, COVERAGE_FACTOR * total, known), "plain", "all together"),
        *(
            Trace(Curve.of(f"u {n}", line.name, axis, COVERAGE_FACTOR * line.u_db, known), role, line.name)
            for n, (line, role) in enumerate(zip(shown, _LINE_ROLES, strict=False))
        ),
    )
    told = total[known] if known.any() else total
    top = max(1.0, float(np.ceil(min(np.percentile(COVERAGE_FACTOR * told, 99) * 1.2, 10.0))))
    step = 0.5 if top <= 3 else 1.0 if top <= 6 else 2.0
    panels = [Panel("Uncertainty, 95 %", "dB", 0.0, top, step, traces=traces, db_per_decade=None)]
    noise = _noise_traces(measurement, axis)
    if noise:
        high = 20.0 * np.ceil((5.0 + max(55.0, *(float(t.curve.values[t.curve.valid].max()) for t in noise))) / 20.0)
        panels.append(Panel("Signal above noise", "dB", 0.0, float(high), 20.0, traces=noise, db_per_decade=None))
    left_out = len(measurement.budget) - len(shown)
    return chart(
        "trust",
        panels,
        finding=_finding(axis, total, known),
        reading=joined(
            "The solid line joins all contributions (root of the sum of squares); the dashed ones are the largest.",
            _left_out_words(left_out),
            "Contributions shared by all directions (calibration, voltage) cancel where curves are compared."
            if any(line.common for line in measurement.budget)
            else "",
            "The lower panel shows how far the sound stood above the noise of room and microphone." if noise else "",
            "Neither panel is drawn to the scale of the level charts."
            if noise
            else "The panel is not drawn to the scale of the level charts.",
        ),
    )


def _left_out_words(count: int) -> str:
    if not count:
        return ""
    return f"{count} smaller contribution{'s are' if count > 1 else ' is'} in the sum but not drawn."


def _finding(axis: FrequencyAxis, total: FloatArray, known: BoolArray) -> str:
    """Where the level cannot be trusted, its uncertainty is no claim to know it."""
    told, silent = [], []
    for hz in SPOKEN_HZ:
        if not axis.hz[0] <= hz <= axis.hz[-1]:
            continue
        if known[int(np.abs(np.log(axis.hz / hz)).argmin())]:
            u = float(np.interp(np.log(hz), np.log(axis.hz), total))
            told.append(f"{_within(COVERAGE_FACTOR * u)} at {frequency_words(hz)}")
        else:
            silent.append(frequency_words(hz))
    first = f"The level on axis is known to {', '.join(told)}." if told else ""
    return joined(first, f"At {listed(tuple(silent))} it cannot be trusted." if silent else "")


def _within(expanded_db: float) -> str:
    return f"±{number_words(max(expanded_db, 0.1), 1)} dB".replace(" ", "\N{NO-BREAK SPACE}")


def _noise_traces(measurement: Measurement, axis: FrequencyAxis) -> tuple[Trace, ...]:
    rows, angles = on_orbit(measurement.response.directions, "horizontal")
    snr = np.where(np.isfinite(measurement.snr_db), measurement.snr_db, np.nan)
    known: BoolArray = np.asarray(np.isfinite(snr).all(axis=0), dtype=bool)
    # The same number everywhere was not measured: responses that others measured say nothing of their noise.
    if not known.any() or not rows.size or np.ptp(snr[:, known]) == 0.0:
        return ()
    safe = np.where(np.isfinite(snr), snr, 0.0)
    front = int(rows[np.abs(angles).argmin()])
    return (
        Trace(Curve.of("snr_axis", "on axis", axis, safe[front], known), "direct", "on axis"),
        Trace(Curve.of("snr_least", "weakest direction", axis, safe.min(axis=0), known), "plain", "weakest direction"),
    )


_ORDER = ("reject", "warn", "info")
_MOST_TAKES = 4


def quality(measurement: Measurement) -> Table | None:
    """Remarks of the quality checks, gravest first; None when there are none."""
    flags = sorted(measurement.flags, key=lambda flag: _ORDER.index(flag.severity))
    if not flags:
        return None
    return table("quality", tuple(_row(flag, frozenset(measurement.kept_takes)) for flag in flags))


def weight_words(flag: QualityFlag, left_out: frozenset[str]) -> str:
    """How much a remark weighs. left_out : ids of takes that the result does not use."""
    if flag.severity == "reject":
        return "Not used" if flag.takes and left_out.issuperset(flag.takes) else "Not shown"
    return "Caution" if flag.severity == "warn" else "Note"


def _row(flag: QualityFlag, left_out: frozenset[str]) -> tuple[str, str, str, str]:
    return (
        weight_words(flag, left_out),
        true_minus(sentence(flag.sentence)),
        takes_words(flag.takes),
        band_words(flag.band_hz) or "all",
    )


def takes_words(takes: tuple[str, ...]) -> str:
    """Ids of takes; a long list is cut and counted."""
    if not takes:
        return "all"
    shown = ", ".join(takes[:_MOST_TAKES])
    rest = len(takes) - _MOST_TAKES
    return f"{shown} and {rest} more" if rest > 0 else shown


SEPARATION_SPOKEN_HZ = (50.0, 200.0, 1000.0, 5000.0)
# What a direction may be uncertain by and still be shown: beyond it nothing is read off.
_HIGHEST_SHOWN_U_DB = 3.0
# Centers of two bands nearer than this are called one: no finer than they are found.
_SAME_PLACE_M = 0.02


def separation(_reading: Reading, measurement: Measurement) -> Chart | None:
    """The chart of a measurement's scan; None where it is none."""
    scan = measurement.scan
    if scan is None:
        return None
    return separation_chart(measurement.response.axis, scan)


def centers_of(axis: FrequencyAxis, scan: ScanReading) -> tuple[tuple[float, tuple[float, float, float]], ...]:
    """(from which frequency, place from the reference point) where waves of several origins were needed.

    Origins share their frequencies; the one of the smallest source is where the data say that the sound comes from.
    Bands whose places lie within 2 cm of the one before are not named again, nor those without a valid frequency.
    """
    bands: dict[tuple[int, ...], list[WavePart]] = {}
    for part in scan.parts:
        bands.setdefault(tuple(int(row) for row in part.rows), []).append(part)
    found: list[tuple[float, tuple[float, float, float]]] = []
    for rows in sorted(rows for rows, origins in bands.items() if len(origins) > 1 and scan.valid[list(rows)].any()):
        smallest = min(bands[rows], key=lambda part: part.source_radius_m)
        x, y, z = (float(a - b) for a, b in zip(smallest.center_m, scan.reference_m, strict=True))
        if not found or np.linalg.norm(np.subtract(found[-1][1], (x, y, z))) > _SAME_PLACE_M:
            found.append((float(axis.hz[rows[0]]), (x, y, z)))
    return tuple(found)


def separation_chart(axis: FrequencyAxis, scan: ScanReading) -> Chart:
    """What the fit leaves, the error to expect and how far the equations magnify errors, over frequency."""
    valid = scan.valid
    error = np.minimum(scan.u_db, _HIGHEST_SHOWN_U_DB)
    top = float(np.clip(np.ceil(2.0 * np.percentile(error[valid], 98) if valid.any() else 1.0), 1.0, 3.0))
    inside = valid & (scan.scattered_db > -100.0)
    size = np.minimum(20 * np.log10(np.maximum(scan.condition, 1.0)), 60.0)

    def line(key: str, name: str, values: FloatArray, role: Role, known: BoolArray = valid) -> tuple[Trace, ...]:
        return (Trace(Curve.of(key, name, axis, values, known), role, name),)

    fit = line("residual", "left by the fit", scan.residual_db, "direct")
    fit += line("leave_out", "at points not used", scan.leave_out_db, "plain")
    if inside.any():
        fit += line("scattered", "scattered, taken off", scan.scattered_db, "before", inside)
    expected = line("u", "expected error", error, "direct")
    condition = line("condition", "condition", size, "plain")
    return chart(
        "separation",
        (
            Panel(
                "Not explained", "dB", -80.0, 0.0, 20.0, traces=fit, regions=_regions(axis, scan), db_per_decade=None
            ),
            Panel("Expected error", "dB", 0.0, top, 0.5, traces=expected, db_per_decade=None),
            Panel("Condition", "dB", 0.0, 60.0, 20.0, traces=condition, db_per_decade=None),
        ),
        finding=_separation_finding(axis, scan),
        note=scan.sentence,
        order_out=int(scan.order_out.max(initial=0)),
        order_in=int(max(scan.order_in.max(initial=0), 0)),
        origins=_origin_words(centers_of(axis, scan)),
    )


def _origin_words(centers: tuple[tuple[float, tuple[float, float, float]], ...]) -> str:
    """Where the sound's center was found, in words; empty where no band asked for one."""
    if not centers:
        return ""
    told = [f"from {frequency_words(hz)} up {place_words(place)}" for hz, place in centers]
    return worded("exhibits.where_points_too_few", listed=", ".join(told))


def place_words(place_m: tuple[float, float, float]) -> str:
    """ "2 cm behind and 1 cm above the reference point", from x forward, y to the loudspeaker's left, z up."""
    names = (("before", "behind"), ("left of", "right of"), ("above", "below"))
    told = []
    for value, (plus, minus) in zip(place_m, names, strict=True):
        size = round(100 * abs(value))
        if size:
            told.append(f"{size}\N{NO-BREAK SPACE}cm {plus if value > 0 else minus}")
    if not told:
        return "at the reference point"
    last = f"{', '.join(told[:-1])} and {told[-1]}" if len(told) > 1 else told[0]
    return f"{last} the reference point"


def _regions(axis: FrequencyAxis, scan: ScanReading) -> tuple[ChartRegion, ...]:
    rows = np.flatnonzero(scan.valid & (scan.order_in >= 0))
    if rows.size == 0:
        return ()
    return (ChartRegion("splice", float(axis.hz[rows[0]]), float(axis.hz[rows[-1]]), label="room's sound separated"),)


def _separation_finding(axis: FrequencyAxis, scan: ScanReading) -> str:
    points, valid, left_out = scan.points, scan.valid, scan.points_left_out
    if not valid.any():
        return f"{points:,} points do not suffice to separate the loudspeaker's sound at any frequency."
    known = []
    for hz in SEPARATION_SPOKEN_HZ:
        row = int(np.argmin(np.abs(np.log(axis.hz / hz))))
        if valid[row]:
            known.append(f"{number_words(max(float(scan.u_db[row]), 0.01), 2)} dB at {frequency_words(hz)}")
    text = f"From {points:,} points the field of the loudspeaker alone is known with a standard error of "
    text += ", ".join(known)
    text += "." if known else "more than can be told from 50 Hz to 5 kHz."
    if scan.joint_hz is not None:
        text += f" Above {frequency_words(scan.joint_hz)} gated sound serves."
    if left_out:
        text += f" {left_out} point{'s were' if left_out != 1 else ' was'} left out."
    rows = np.flatnonzero(valid)
    return text + f" Shown: {frequency_words(float(axis.hz[rows[0]]))} to {frequency_words(float(axis.hz[rows[-1]]))}."
