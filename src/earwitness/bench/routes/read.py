"""The place Read: exhibits and figures with how they were got, and other gates and splices tried."""

from dataclasses import asdict
from typing import Annotated, Any

import numpy as np
from fastapi import APIRouter, Depends, Path, Query, Request
from fastapi.responses import FileResponse, HTMLResponse, Response
from pydantic import Field

from earwitness.app import evidence
from earwitness.app import read as acts
from earwitness.app.add import is_reduced
from earwitness.app.jobs import Progress
from earwitness.app.listen import findings_of
from earwitness.app.printed import USUAL_REAR_WALL
from earwitness.app.settings import CHOICES, Chosen, choice_of, draft_key
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import picking, state_words
from earwitness.archive.drafts import StaleDraftError, redo_draft, undo_draft
from earwitness.archive.entries import LoudspeakerEntry
from earwitness.bench.pages import page, part, safe
from earwitness.bench.state import At, Bench, BenchState, Body, Entry, Id, OpenArchive, UnknownLoudspeakerError
from earwitness.errors import InputError
from earwitness.exhibits.advice import marked, size_words
from earwitness.exhibits.all import absent_words, exhibits_of
from earwitness.exhibits.balance import map_against
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.figures_table import SIGNED, figure_name, method_words
from earwitness.exhibits.level_facts import KEY_WORDS
from earwitness.exhibits.responses import AFTER, regate_chart
from earwitness.exhibits.trust import takes_words
from earwitness.exhibits.words import band_words, figure_words, frequency_words, number_words, true_minus, value_words
from earwitness.figures.kinds import kinds_of
from earwitness.figures.registry import FIGURES, base_key
from earwitness.insight.findings import Finding
from earwitness.insight.mend.aim import aim_words
from earwitness.quantities import Curve
from earwitness.render.html import figure_data, figure_html, table_html

router = APIRouter()
WIDTH_PX = 820
_MARKED = ("balance", "in_room", "evenness")
_KINDS = {".wav": "audio/wav", ".flac": "audio/flac"}
Key = Annotated[str, Path(min_length=1, max_length=120)]
RearWall = Annotated[str, Query(pattern="^(all 19|3)$")]
Hidden = Annotated[str, Query(max_length=200, pattern=r"^(\d{1,3}(,\d{1,3})*)?$")]


def _reading(bench: BenchState, loudspeaker_id: Id, rear_wall: RearWall = USUAL_REAR_WALL) -> acts.ReadResult:
    return bench.reading(loudspeaker_id, rear_wall=rear_wall)


def _session_in_use(bench: BenchState, entry: Entry) -> int:
    shown = bench.shown(entry.id)
    if shown is not None:
        return shown.id
    with Archive.open(bench.archive_folder) as archive:
        return archive.counting_session(entry.id).id


Reading = Annotated[acts.ReadResult, Depends(_reading)]
SessionInUse = Annotated[int, Depends(_session_in_use)]


class Kept(Body):
    """Settings to keep, made from that revision of those kept now."""

    revision: Annotated[int, Field(ge=0, le=2**53)]
    settings: Chosen


@router.get("/read", response_class=HTMLResponse, include_in_schema=False)
def read_start(request: Request) -> HTMLResponse:
    """Which loudspeaker to read."""
    return page(request, "read_start.html.jinja", place="read", title="Read", why="choose")


@router.get("/read/{loudspeaker_id}", response_class=HTMLResponse, include_in_schema=False)
def read_page(
    request: Request, bench: BenchState, entry: Entry, rear_wall: RearWall = USUAL_REAR_WALL, hide: Hidden = ""
) -> HTMLResponse:
    """The reading of a loudspeaker, or what has to be done before there is one."""
    shown = bench.shown(entry.id)
    if shown is None:
        return page(request, "read_start.html.jinja", place="read", title="Read", loudspeaker=entry, why="no session")
    session_id = shown.id
    with Archive.open(bench.archive_folder) as archive:
        is_ready = is_reduced(archive, session_id)
    if not is_ready:
        return page(request, "read_start.html.jinja", place="read", title="Read", loudspeaker=entry, why="not reduced")
    result = bench.reading(entry.id, rear_wall=rear_wall)
    findings = _findings(bench, result)
    chosen, draft = choice_of(session_id, bench.archive_folder)
    exhibits = _exhibits(result, findings, _numbers(hide))
    spoken = result.session.loudspeaker
    return page(
        request,
        "read.html.jinja",
        place="read",
        title="Read",
        loudspeaker=entry,
        spoken=spoken,
        session=result.session,
        price=""
        if spoken.price is None
        else f"{spoken.price.amount:,.0f} {spoken.price.currency} a {spoken.price.per}",
        rear_wall=rear_wall,
        hidden=_numbers(hide),
        exhibits=[(one.key, one.title, one.caption.finding) for one in exhibits],
        first=_exhibit_part(result, exhibits[0]) if exhibits else None,
        findings=[(one.key, one.title, size_words(one), true_minus(one.sentence), _aim_link(one)) for one in findings],
        marked=_MARKED,
        key_words=KEY_WORDS,
        figures=_figure_rows(result),
        flags=[(f.severity, f.sentence, takes_words(f.takes)) for f in result.measurement.flags],
        absent=absent_words(result.reading, result.measurement, kinds=kinds_of(result.session.loudspeaker)),
        takes=evidence.takes_of(result.session),
        **_gate_words(result, chosen, draft.revision, can_undo=draft.can_undo, can_redo=draft.can_redo),
    )


@router.get("/read/{loudspeaker_id}/exhibit/{key}", response_class=HTMLResponse, include_in_schema=False)
def read_exhibit(
    request: Request,
    bench: BenchState,
    entry: Entry,
    result: Reading,
    key: Key,
    hide: Hidden = "",
    against: Annotated[float, Query(ge=-180, le=180, allow_inf_nan=False)] = 0.0,
) -> HTMLResponse:
    """One exhibit. hide : numbers of the findings that are not marked; against : angle that a map is normalized to."""
    found: Chart | None = None
    if key == "regate" and "on_axis" in result.reading.curves:
        found = regate_chart(result.reading.curves["on_axis"])
    elif key != "regate":
        found = next((e for e in _exhibits(result, _findings(bench, result), _numbers(hide)) if e.key == key), None)
    if found is None:
        raise UnknownLoudspeakerError(f"there is no exhibit {key[:60]!r}", remedy="choose one from the contents")
    if against:
        found = map_against(found, against)
    said = {"loudspeaker": entry, "rear_wall": result.reading.choices["rear_wall"]}
    return part(request, "read_exhibit.html.jinja", **said, **_exhibit_part(result, found))


@router.get("/api/read/{loudspeaker_id}/exhibit/{key}", tags=["read"])
def read_exhibit_data(
    bench: BenchState,
    loudspeaker_id: Id,
    key: Key,
    rear_wall: RearWall = USUAL_REAR_WALL,
    session: Annotated[int | None, Query(ge=1, le=2**53)] = None,
) -> dict[str, Any]:
    """Curves of an exhibit as numbers, to be laid over another one's; empty where this session has no such exhibit.

    session : of the loudspeaker, the one shown without."""
    result = bench.reading(loudspeaker_id, rear_wall=rear_wall, session_id=session)
    found = next((one for one in _exhibits(result, (), frozenset()) if one.key == key), None)
    return {"title": result.session.loudspeaker.title, **(figure_data(found) if found else {"hz": [], "curves": []})}


@router.get("/read/{loudspeaker_id}/evidence/curve/{key}", response_class=HTMLResponse, include_in_schema=False)
def read_curve_evidence(request: Request, entry: Entry, result: Reading, key: Key) -> HTMLResponse:
    """How a curve was got."""
    return _evidence(request, entry, result, evidence.curve_evidence(result, key))


@router.get("/read/{loudspeaker_id}/evidence/finding/{number}", response_class=HTMLResponse, include_in_schema=False)
def read_finding_evidence(
    request: Request, bench: BenchState, entry: Entry, result: Reading, number: Id
) -> HTMLResponse:
    """How a finding is known."""
    found = next((one for one in _findings(bench, result) if one.key == number), None)
    if found is None:
        raise InputError(f"there is no finding {number}", remedy="choose one from the list")
    return _evidence(request, entry, result, evidence.finding_evidence(result, found))


@router.get("/read/{loudspeaker_id}/evidence/{key}", response_class=HTMLResponse, include_in_schema=False)
def read_figure_evidence(request: Request, entry: Entry, result: Reading, key: Key) -> HTMLResponse:
    """How a figure was got."""
    return _evidence(request, entry, result, evidence.figure_evidence(result, key))


@router.post("/api/read/{loudspeaker_id}/reduce", tags=["read"])
def read_reduce(bench: BenchState, entry: Entry, session_id: SessionInUse) -> dict[str, Any]:
    """Reduce the session of a loudspeaker that is shown, as a job."""
    name = picking(f"{entry.maker} {entry.name}", session=session_id)

    def work(progress: Progress) -> dict[str, Any]:
        with bench.heavy:
            acts.read_loudspeaker(name, bench.archive_folder, progress=progress)
        return {"loudspeaker": entry.id}

    return asdict(bench.jobs.start(f"Read {entry.name}", work))


@router.get("/api/read/{loudspeaker_id}/document", tags=["read"])
def read_document(result: Reading) -> Response:
    """Every curve and figure as one JSON document, docs/reading-document.md."""
    return Response(acts.document_text(result), media_type="application/json")


@router.get("/api/read/{loudspeaker_id}/takes/{take:path}", tags=["read"])
def read_take(bench: BenchState, session_id: SessionInUse, take: Annotated[str, Path(max_length=300)]) -> Response:
    """The recording of a take, byte for byte as it was taken in."""
    with Archive.open(bench.archive_folder) as archive:
        found = next((one for one in archive.session(session_id).takes if one.id == take), None)
        path = None if found is None else archive.files_of(session_id)[found.file]
    if found is None or path is None or not path.is_file():
        raise UnknownLoudspeakerError.of("bench.no_such_take", take=take[:60])
    ending = "." + found.file.rpartition(".")[2].lower()
    kind = _KINDS.get(ending, "application/octet-stream")
    # Sound does not shrink, and a browser that seeks wants its ranges as they are.
    headers = {"Content-Encoding": "identity"}
    return FileResponse(path, media_type=kind, filename=found.file.rpartition("/")[2], headers=headers)


@router.get("/api/read/{loudspeaker_id}/energy", tags=["read"])
def read_energy(bench: BenchState, entry: Entry, session_id: SessionInUse) -> dict[str, Any]:
    """Energy over time on axis before the gate, and the gate as kept [ms after the direct sound]."""
    result = bench.reading(entry.id)
    with bench.heavy:
        curve, onset_ms = bench.preview(session_id).energy()
    gate = result.measurement.gate
    ms = curve.axis.hz - onset_ms
    shown = ms >= -3.0
    return {
        "ms": [round(float(t), 4) for t in ms[shown]],
        "db": [round(float(v), 2) for v in curve.values[shown]],
        "start_ms": 1e3 * gate.start_s,
        "reflection_ms": None if gate.reflection_s is None else 1e3 * gate.reflection_s,
    }


@router.post("/api/read/{loudspeaker_id}/preview", tags=["read"])
def read_preview(bench: BenchState, entry: Entry, session_id: SessionInUse, body: Chosen) -> dict[str, Any]:
    """The response on axis with other settings, beside the one that is kept."""
    before = bench.reading(entry.id).reading.curves.get("on_axis")
    if before is None:
        raise InputError("there is no response on axis to try settings on", remedy="add the take on axis")
    with bench.heavy:
        found = bench.preview(session_id).at(body)
    gate, splice = found.gate, found.splice
    return {
        "key": AFTER,
        "hz": [float(f"{f:.6g}") for f in found.curve.axis.hz],
        "values": [
            round(float(v), 3) if ok else None for v, ok in zip(found.curve.values, found.curve.valid, strict=True)
        ],
        "u": [round(2 * float(u), 3) for u in found.curve.u_total],
        "gate_ms": 1e3 * gate.end_s,
        "taper_percent": 100 * gate.taper_s / gate.end_s,
        "lowest_hz": gate.lowest_valid_hz,
        "splice_hz": None if splice is None else [splice.low_hz, splice.high_hz],
        "spread_db": None if splice is None else splice.spread_db,
        "sentence": _change_words(before, found.curve),
        "gate_words": f"{1e3 * gate.end_s:.1f} ms, far field holds above {frequency_words(gate.lowest_valid_hz)}",
        "splice_words": "none" if splice is None else splice.sentence,
        "warnings": list(found.warnings),
    }


@router.post("/api/read/{loudspeaker_id}/settings", tags=["read"])
def read_keep(bench: BenchState, entry: Entry, session_id: SessionInUse, body: Kept) -> dict[str, Any]:
    """Reduce with these settings and keep them, as a job; all nulls go back to automatic."""
    chosen = body.settings
    bench.preview(session_id)
    _, draft = choice_of(session_id, bench.archive_folder)
    if draft.revision != body.revision:
        raise StaleDraftError(draft)
    name = picking(f"{entry.maker} {entry.name}", session=session_id)

    def work(progress: Progress) -> dict[str, Any]:
        with bench.heavy:
            acts.keep_chosen(name, chosen, bench.archive_folder, revision=body.revision, progress=progress)
        return {"settings": chosen.words()}

    return asdict(bench.jobs.start(f"Reduce {entry.name} with {chosen.words()}", work))


@router.post("/api/read/{loudspeaker_id}/settings/undo", tags=["read"])
def read_undo(archive: OpenArchive, session_id: SessionInUse, body: At) -> dict[str, Any]:
    """Back to the settings kept before."""
    return asdict(undo_draft(archive, draft_key(session_id), revision=body.revision))


@router.post("/api/read/{loudspeaker_id}/settings/redo", tags=["read"])
def read_redo(archive: OpenArchive, session_id: SessionInUse, body: At) -> dict[str, Any]:
    """Forward to the settings that were undone."""
    return asdict(redo_draft(archive, draft_key(session_id), revision=body.revision))


def _findings(bench: Bench, result: acts.ReadResult) -> tuple[Finding, ...]:
    with bench.heavy:
        return findings_of(result, bench.archive_folder)


def _numbers(text: str) -> frozenset[int]:
    return frozenset(int(one) for one in text.split(",") if one)


def _aim_link(one: Finding) -> dict[str, Any] | None:
    """Where Mend shows what the study of aims says to a finding; None where it says nothing."""
    if (said := one.aim) is None:
        return None
    words = aim_words(said.orbit, said.try_deg) if said.try_deg else ""
    return {"orbit": said.orbit, "angle": f"{said.try_deg:.0f}", "words": words}


def _exhibits(result: acts.ReadResult, findings: tuple[Finding, ...], hidden: frozenset[int]) -> list[Chart]:
    """The charts of a reading in the order of the page, with the findings that are shown as marks."""
    shown = tuple(one for one in findings if one.key not in hidden)
    every = exhibits_of(result.reading, result.measurement, result.session.loudspeaker)
    return [marked(one, shown) for one in every if isinstance(one, Chart)]


def _exhibit_part(result: acts.ReadResult, chart: Chart) -> dict[str, Any]:
    curves = {t.curve.key: t.label or t.curve.name for p in chart.panels for t in p.traces}
    every = (
        exhibits_of(result.reading, result.measurement, result.session.loudspeaker) if chart.key == "multitone" else ()
    )
    beside = [one for one in every if isinstance(one, Table) and one.key == "levels"]
    return {
        "chart": safe(figure_html(chart, WIDTH_PX)),
        "curves": [(key, label) for key, label in curves.items() if key in result.reading.curves],
        "tables": [safe(table_html(table)) for table in beside],
    }


def _figure_rows(result: acts.ReadResult) -> list[dict[str, Any]]:
    order = {key: place for place, key in enumerate(FIGURES)}
    figures = result.reading.figures
    rows = []
    for key in sorted(figures, key=lambda key: order.get(base_key(key), len(order))):
        one = figures[key]
        rows.append(
            {
                "key": key,
                "anchor": FIGURES[base_key(key)].anchor if base_key(key) in FIGURES else "",
                "name": figure_name(key),
                "value": figure_words(one, sign=key in SIGNED) if one.is_judged else "not judged",
                "is_judged": one.is_judged,
                "reason": one.reason,
                "band": band_words(one.band_hz),
                "method": method_words(one),
            }
        )
    return rows


def _gate_words(
    result: acts.ReadResult, chosen: Chosen, revision: int, *, can_undo: bool, can_redo: bool
) -> dict[str, Any]:
    gate, splice = result.measurement.gate, result.measurement.splice
    automatic = {
        "gate_ms": 1e3 * gate.end_s,
        "taper_percent": 100 * gate.taper_s / gate.end_s if gate.end_s else 0.0,
        "near_window_ms": 200.0,
        "splice_low_hz": gate.lowest_valid_hz if splice is None else splice.low_hz,
        "splice_high_hz": 2 * gate.lowest_valid_hz if splice is None else splice.high_hz,
    }
    return {
        "choices": CHOICES,
        "settings": {"revision": revision, "chosen": asdict(chosen), "automatic": automatic},
        "chosen_words": chosen.words(),
        "is_automatic": chosen.is_automatic,
        "can_undo": can_undo,
        "can_redo": can_redo,
        "gate_sentence": f"{1e3 * gate.end_s:.1f} ms after the direct sound ({gate.source})",
        "splice_sentence": "no splice" if splice is None else splice.sentence,
        "has_recordings": bool(result.measurement.impulse.any()),
    }


def _change_words(before: Curve, after: Curve) -> str:
    change = acts.largest_change_db(before, after)
    if change is None:
        return "With these settings the response holds nowhere."
    size, hz = change
    row = int(np.argmin(np.abs(before.axis.hz - hz)))
    words = "On axis nothing changes by 0.1 dB or more."
    if abs(size) >= 0.1:
        known = value_words(float(after.values[row]), float(after.u_total[row]), after.unit)
        moved = number_words(size, 1, sign=True)
        words = f"On axis the largest change is {moved} {after.unit} at {frequency_words(hz)}, to {known}."
    band, kept = after.valid_band_hz(), before.valid_band_hz()
    return words if band == kept else f"{words} It now holds from {band_words(band)}."


def _evidence(
    request: Request, entry: LoudspeakerEntry, result: acts.ReadResult, found: evidence.Evidence
) -> HTMLResponse:
    sound = [take for take in found.takes if "." + take.file.rpartition(".")[2].lower() in _KINDS]
    return part(
        request,
        "read_evidence.html.jinja",
        evidence=found,
        loudspeaker=entry,
        rear_wall=result.reading.choices["rear_wall"],
        columns=evidence.BUDGET_COLUMNS,
        sound={take.id for take in sound},
    )


class Picked(Body):
    """A session by its number."""

    session: Annotated[int, Field(ge=1, le=2**53)]


@router.get("/api/sessions/{loudspeaker_id}", tags=["sessions"])
def sessions(bench: BenchState, entry: Entry) -> dict[str, Any]:
    """Sessions of a loudspeaker that count, latest first, and which of them is shown."""
    shown = bench.shown(entry.id)
    return {
        "shown": None if shown is None else shown.id,
        "sessions": [{"id": one.id, "words": state_words(one)} for one in bench.sessions(entry.id)],
    }


@router.post("/api/sessions/{loudspeaker_id}", tags=["sessions"])
def pick_session(bench: BenchState, entry: Entry, body: Picked) -> dict[str, Any]:
    """Show another session in every place, until the bench ends."""
    bench.pick(entry.id, body.session)
    return sessions(bench, entry)
