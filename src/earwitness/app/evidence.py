"""How a number, a curve or a finding of a reading was got, down to the recordings and the settings.

Which takes made a curve follows from the weights of its directions; takes near the cones count where the splice joins
them.
"""

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from earwitness.app.read import ReadResult
from earwitness.errors import InputError
from earwitness.exhibits.advice import size_words
from earwitness.exhibits.figures_table import SIGNED, figure_name
from earwitness.exhibits.words import band_words, figure_words, frequency_words, number_words, sentence, value_words
from earwitness.figures.load import LOAD_CURVES
from earwitness.figures.registry import LEVEL_FIGURES, base_key, info_of, place_of
from earwitness.figures.windows import window_weights
from earwitness.files.data import table_of
from earwitness.insight.findings import KINDS, Finding
from earwitness.insight.findings.finding import PLACES
from earwitness.quantities import BudgetLine, Curve, Measurement, Step, from_orbit
from earwitness.session.responses import LimiterTake, ScanPressuresTake, ScanTake, SelfNoiseTake
from earwitness.session.session import (
    BurstTake,
    FarFieldTake,
    ImpedanceTableTake,
    ImpedanceTake,
    LevelTake,
    MultitoneTake,
    NearFieldTake,
    NoiseRunTake,
    Session,
    TwoToneTake,
)

_LOUD = (LevelTake, MultitoneTake, TwoToneTake, BurstTake, NoiseRunTake, LimiterTake)
_LOUD_WORDS = {
    "multitone": (MultitoneTake,),
    "intermodulation": (TwoToneTake,),
    "burst": (BurstTake,),
    "noise": (NoiseRunTake,),
    "self_noise": (SelfNoiseTake,),
    "limiter": (LimiterTake,),
}
_SHOWN_HZ = (50.0, 1000.0, 10_000.0)
_SAME_DIRECTION = 1e-6
_NAMES: dict[str, tuple[str, float, str]] = table_of("app", "settings")["names"]


@dataclass(frozen=True, slots=True)
class TakeUsed:
    """A recording behind a number. words : what it was taken of."""

    id: str
    kind: str
    words: str
    file: str


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """A contribution to the uncertainty of the level on axis; values : expanded, at BUDGET_HZ, in words."""

    name: str
    source: str
    values: tuple[str, ...]
    is_common: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """How something is known.

    value : as printed, or "" for a curve; reason : why it was not judged, else ""; source : where the rule is
    explained; curves : (key, name) it was taken from; settings, steps : (name, value) in words
    """

    key: str
    kind: str
    title: str
    value: str = ""
    reason: str = ""
    method: str
    source: str
    band: str
    curves: tuple[tuple[str, str], ...] = ()
    settings: tuple[tuple[str, str], ...]
    takes: tuple[TakeUsed, ...]
    budget: tuple[BudgetRow, ...] = ()
    steps: tuple[tuple[str, str], ...]
    caveats: tuple[str, ...]


BUDGET_COLUMNS = tuple(frequency_words(hz) for hz in _SHOWN_HZ)


def evidence_of(result: ReadResult, key: str) -> Evidence:
    """How the figure or the curve `key` was got. Raises InputError for neither, with the nearest."""
    if key not in result.reading.figures and (key in result.reading.curves or key in result.reading.missing):
        return curve_evidence(result, key)
    return figure_evidence(result, key)


def figure_evidence(result: ReadResult, key: str) -> Evidence:
    """How the figure `key` was got. Raises InputError for a figure the reading does not have, with the nearest."""
    figures = result.reading.figures
    if key not in figures:
        raise InputError(f"the reading has no figure {key[:60]!r}", expected=_nearest(key, figures))
    figure, info = figures[key], info_of(key)
    curves = () if info is None else info.curves
    place = "" if info is None else f"the figures reference, under {info.anchor.replace('-', ' ')}"
    takes = _takes_of_figure(result, key, curves)
    return Evidence(
        key=key,
        kind="figure",
        title=figure_name(key),
        value="" if not figure.is_judged else figure_words(figure, sign=key in SIGNED),
        reason=figure.reason,
        method=" ".join(dict.fromkeys((sentence(figure.method), sentence(info.method if info else "")))).strip(),
        source=place,
        band=band_words(figure.band_hz),
        curves=_named(result, curves),
        settings=_settings(result),
        takes=takes,
        budget=_budget(result.measurement.budget, result.measurement) if _is_acoustic(curves) else (),
        steps=_steps(result.measurement.steps),
        caveats=figure.caveats,
    )


def curve_evidence(result: ReadResult, key: str) -> Evidence:
    """How the curve `key` was got. Raises InputError for a curve the reading neither has nor misses."""
    reading = result.reading
    if key not in reading.curves and key not in reading.missing:
        raise InputError(f"the reading has no curve {key[:60]!r}", expected=_nearest(key, reading.curves))
    curve = reading.curves.get(key)
    note = reading.choices.get(f"filled_{key}")
    return Evidence(
        key=key,
        kind="curve",
        title=key.replace("_", " ") if curve is None else curve.name,
        reason=reading.missing.get(key, ""),
        method=_curve_method(result, key, curve),
        source="" if key in LOAD_CURVES else "ANSI/CTA-2034-A, as reproduced by third parties",
        band="" if curve is None else band_words(curve.valid_band_hz()),
        settings=_settings(result),
        takes=_takes_of_curves(result, (key,)),
        budget=_budget(result.measurement.budget, result.measurement) if _is_acoustic((key,)) else (),
        steps=_steps(result.measurement.steps),
        caveats=() if note is None else (sentence(note),),
    )


def finding_evidence(result: ReadResult, finding: Finding) -> Evidence:
    """How a finding is known: the curves that show it and the numbers that place it."""
    sizes = tuple(
        (f"size {PLACES[key]}", value_words(size.size_db, size.u_db, "dB", sign=True))
        for key, size in finding.sizes.items()
    )
    numbers = sizes + tuple(
        (name.replace("_", " "), number_words(value, 2, sign=True)) for name, value in finding.evidence.items()
    )
    return Evidence(
        key=str(finding.key),
        kind="finding",
        title=f"{finding.key}. {finding.title}",
        value=size_words(finding),
        method=f"{finding.sentence} {sentence(KINDS[finding.kind])}",
        source="the findings reference; the order by audibility is an estimate of this program",
        band=band_words((finding.low_hz, finding.high_hz)),
        curves=_named(result, finding.curves),
        settings=numbers,
        takes=_takes_of_curves(result, finding.curves),
        steps=_steps(result.measurement.steps),
        caveats=(
            "An equalizer can mend it at all angles at once."
            if finding.is_equalizable
            else "An equalizer cannot mend it at all angles at once.",
        ),
    )


def evidence_lines(found: Evidence) -> list[str]:
    """Evidence as lines of text."""
    lines = [found.title, f"    {found.value}" if found.value else ""]
    lines += [f"    not judged: {found.reason}"] if found.reason else []
    pairs = [("method", found.method), ("source", found.source), ("band", found.band)]
    lines += [f"{name}: {words}" for name, words in pairs if words]
    lines += [f"curves: {', '.join(name for _, name in found.curves)}"] if found.curves else []
    lines += [f"note: {sentence(words)}" for words in found.caveats]
    lines += ["", f"takes: {len(found.takes)}"] if found.takes else []
    lines += [f"    {take.id}: {take.words}, {take.file}" for take in found.takes]
    if found.budget:
        lines += ["", f"uncertainty of the level on axis, 95 %, at {', '.join(BUDGET_COLUMNS)}:"]
        lines += [f"    {row.name}: {', '.join(row.values)}" for row in found.budget]
    lines += ["", *(f"{name}: {value}" for name, value in (*found.settings, *found.steps))]
    return [line for place, line in enumerate(lines) if line or place > 1]


def takes_of(session: Session) -> tuple[TakeUsed, ...]:
    """All takes of a session."""
    return tuple(_take(take) for take in session.takes)


def _take(take: object) -> TakeUsed:
    kind, name, file = getattr(take, "kind"), getattr(take, "id"), getattr(take, "file")  # noqa: B009
    words = str(kind)
    if isinstance(take, FarFieldTake):
        words = f"{take.orbit} {take.angle_deg:+.0f}° at {take.distance_m:g} m"
    elif isinstance(take, NearFieldTake):
        words = f"near field of {take.driver}"
    elif isinstance(take, _LOUD):
        words = f"{kind}, {take.drive_v:g} V"
    return TakeUsed(str(name), str(kind), words, str(file))


def _takes_of_figure(result: ReadResult, key: str, curves: Sequence[str]) -> tuple[TakeUsed, ...]:
    base, session = base_key(key), result.session
    if base in LEVEL_FIGURES or base.startswith(("limiter", "self_noise", "own_filter", "burst")):
        kinds: tuple[type, ...] = next((k for word, k in _LOUD_WORDS.items() if word in base), (LevelTake,))
        place = place_of(key)
        volts = float(place.removesuffix(" V")) if place.endswith(" V") else None
        chosen = [t for t in session.takes if isinstance(t, kinds)]
        near = [t for t in chosen if volts is not None and abs(getattr(t, "drive_v", 0.0) / volts - 1) < 0.02]
        return tuple(_take(take) for take in near or chosen)
    found = list(_takes_of_curves(result, curves))
    if not _is_acoustic(curves) or "impedance" in base or "load" in base:
        found += [_take(t) for t in session.takes if isinstance(t, ImpedanceTake | ImpedanceTableTake)]
    return tuple(dict.fromkeys(found))


def _takes_of_curves(result: ReadResult, curves: Iterable[str]) -> tuple[TakeUsed, ...]:
    """Far-field takes by the weight of their direction, near-field takes where a splice joins them."""
    session, response = result.session, result.measurement.response
    weights = window_weights(
        response.directions,
        rear_wall="3" if result.reading.choices.get("rear_wall") == "3" else "all 19",
        half_space=response.half_space,
    )
    used = np.zeros(len(response.directions), dtype=bool)
    electric = False
    for key in curves:
        if key in LOAD_CURVES:
            electric = True
            continue
        names = {"early_reflections_di": ("early_reflections", "listening_window"),
                 "sound_power_di": ("sound_power", "listening_window")}.get(key, (key,))  # fmt: skip
        for name in names:
            one = weights.get(name)
            used |= np.ones(used.size, dtype=bool) if one is None or isinstance(one, str) else one > 0
    vectors = response.directions.unit_vectors()[used]
    found = []
    for take in session.takes:
        if isinstance(take, FarFieldTake) and vectors.size:
            vector = from_orbit(take.orbit, take.angle_deg).unit_vectors()[0]
            if (np.linalg.norm(vectors - vector, axis=1) < _SAME_DIRECTION).any():
                found.append(_take(take))
        near = isinstance(take, NearFieldTake) and vectors.size > 0 and result.measurement.splice is not None
        whole = isinstance(take, ScanPressuresTake) and vectors.size > 0
        if near or whole or (electric and isinstance(take, ImpedanceTake | ImpedanceTableTake)):
            found.append(_take(take))
    return (*found, *(_scan_surfaces(session) if vectors.size else ()))


def _scan_surfaces(session: Session) -> tuple[TakeUsed, ...]:
    """The takes of a scan: every point takes part in every direction, so that a surface is named as one."""
    groups: dict[str, list[ScanTake]] = {}
    for take in session.takes:
        if isinstance(take, ScanTake):
            groups.setdefault(take.surface, []).append(take)
    return tuple(
        TakeUsed(
            id=takes[0].id if len(takes) == 1 else f"{takes[0].id} to {takes[-1].id}",
            kind="scan",
            words=f"{len(takes):,} points of a scan" + (f", {name} surface" if name else ""),
            file=takes[0].file if len(takes) == 1 else f"{takes[0].file} to {takes[-1].file}",
        )
        for name, takes in groups.items()
    )


def _is_acoustic(curves: Iterable[str]) -> bool:
    return any(key not in LOAD_CURVES for key in curves)


def _named(result: ReadResult, keys: Iterable[str]) -> tuple[tuple[str, str], ...]:
    curves = result.reading.curves
    return tuple((key, curves[key].name) for key in keys if key in curves)


def _curve_method(result: ReadResult, key: str, curve: Curve | None) -> str:
    if key in LOAD_CURVES:
        return "Taken from the impedance take."
    if result.measurement.scan is not None and not key.endswith("_di"):
        sent = "The sound" if key == "on_axis" else "An average, over its directions, of the energies"
        words = f"{sent} that the scan's outgoing waves carry to the far field, referred to 1 m."
        return f"{words} {result.measurement.scan.sentence}"
    if key == "on_axis":
        words = "The take on axis, gated before the first reflection and referred to 1 m."
    elif key.endswith("_di"):
        words = f"The listening window less the {key.removesuffix('_di').replace('_', ' ')}."
    else:
        words = "An average of energies over its directions, each gated and referred to 1 m."
    splice = result.measurement.splice
    return (
        f"{words} {splice.sentence}" if splice is not None and curve is not None and not key.endswith("_di") else words
    )


def _settings(result: ReadResult) -> tuple[tuple[str, str], ...]:
    gate, splice = result.measurement.gate, result.measurement.splice
    told = [
        (
            "gate",
            f"{1e3 * gate.end_s:.1f} ms after the direct sound, closing over the last {1e3 * gate.taper_s:.1f} ms",
        ),
        ("gate from", gate.source),
        ("far field holds above", frequency_words(gate.lowest_valid_hz)),
        ("splice", "none" if splice is None else band_words((splice.low_hz, splice.high_hz))),
    ]
    if splice is not None:
        told.append(("near field moved by", f"{number_words(splice.gain_db, 1, sign=True)} dB"))
    return tuple(told)


def _steps(steps: Sequence[Step]) -> tuple[tuple[str, str], ...]:
    found = []
    for one in steps:
        chosen = []
        for name, value in one.settings:
            words, scale, unit = _NAMES.get(name, (name.replace("_", " "), 1.0, ""))
            shown = "automatic" if value is None else str(value)
            if isinstance(value, int | float) and not isinstance(value, bool):
                shown = f"{scale * value:g} {unit}".strip()
            chosen.append(f"{words} {shown}")
        found.append((f"step {one.name}", f"{one.program}, {len(one.inputs)} inputs; {', '.join(chosen)}"))
    return tuple(found)


def _budget(lines: Sequence[BudgetLine], measurement: Measurement) -> tuple[BudgetRow, ...]:
    hz = measurement.response.axis.hz
    rows = [int(np.argmin(np.abs(np.log(hz / at)))) for at in _SHOWN_HZ]
    order = sorted(lines, key=lambda line: -float(line.u_db[rows].max()))
    return tuple(
        BudgetRow(
            line.name, line.source, tuple(number_words(2 * float(line.u_db[row]), 2) for row in rows), line.common
        )
        for line in order
    )


def _nearest(key: str, known: Iterable[str]) -> str:
    names = list(known)
    return "one of " + ", ".join(difflib.get_close_matches(key, names, n=5, cutoff=0.3) or names[:8])
