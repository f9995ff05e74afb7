"""The figures of a loudspeaker as a terminal shows them, kept beside the reduction that they were read from.

A reading that was printed before is printed from here, without numbers, models or the reduction in memory: these are
imported by what makes it anew, never by what shows it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from earwitness import __version__
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import session_words
from earwitness.archive.drafts import draft
from earwitness.archive.latest import DISTANCE, latest_of
from earwitness.archive.notes import record_opening
from earwitness.archive.search import shape_source, summary_source
from earwitness.errors import named
from earwitness.render.columns import hanging, two_columns, wrapped

if TYPE_CHECKING:
    from earwitness.quantities import Figure, Measurement, Reading
    from earwitness.session.session import Session

KIND = "printed"
# Raised with what is printed: what is of another layout is made anew.
_LAYOUT = 1
USUAL_REAR_WALL = "all 19"


def printed_of(session: Session, measurement: Measurement, reading: Reading, seat_m: float) -> dict[str, Any]:
    """What `printed_lines` prints, as plain values. rows : name, value or reason, and whether it was judged;
    seat_m : distance that levels at the seat are stated for."""
    from earwitness.exhibits.figures_table import figures_table, ordered_figures

    rows = zip(figures_table(reading).rows, ordered_figures(reading), strict=True)
    return {
        "title": f"{session.loudspeaker.title}, session of {session.date}",
        "state": session.state,
        "rows": [[row[0], _with_band(row, figure), figure.is_judged] for row, figure in rows],
        "notes": [flag.sentence for flag in measurement.flags if flag.severity != "info"],
        "seat_m": seat_m,
    }


def _with_band(row: tuple[str, ...], figure: Figure) -> str:
    """The value; of what is the most of a band, or at a level, with band and frequency."""
    from earwitness.exhibits.loudness import where_in_band
    from earwitness.figures.registry import LEVEL_FIGURES, base_key

    if not figure.is_judged or base_key(figure.key) not in LEVEL_FIGURES or figure.band_hz is None:
        return row[1]
    told = [row[2], *([where] if (where := where_in_band(figure)) else [])]
    return f"{row[1]} ({', '.join(told)})"


def printed_lines(printed: dict[str, Any], others: Sequence[str], width: int | None = None) -> list[str]:
    """The figures as lines of text, each name and reason whole. others : sessions that count and were not read, in
    words; width : of the terminal, None for one line a figure."""
    lines = [", ".join(filter(None, (printed["title"], printed["state"])))]
    if others:
        more = f"; {len(others) - 3} more" if len(others) > 3 else ""
        told = f"also measured: {'; '.join(others[:3])}{more} (--session, --unit or --variant reads another)"
        lines += hanging(told, width)
    lines.append("")
    # One reason often stands behind many figures: a terminal is told it once, a pipe keeps a line for each figure.
    columns = [(name, told) for name, told, is_judged in printed["rows"] if width is None or is_judged]
    unjudged: dict[str, list[str]] = {}
    for name, told, is_judged in printed["rows"]:
        if width is not None and not is_judged:
            unjudged.setdefault(told, []).append(name)
    lines += two_columns(columns, width)
    for reason, names in unjudged.items():
        lines += ["", *hanging(f"{reason}:", width), *wrapped("; ".join(names), width or 0, first="  ", rest="  ")]
    lines += ["", *(line for note in printed["notes"] for line in hanging(f"note: {note}", width))]
    seat = f"levels at the seat are for {printed['seat_m']:g} m, free field; --listening-distance changes that"
    return [*lines, *hanging(seat, width), "± is the 95 % uncertainty; --json tells all"]


def keep_printed(
    archive: Archive, loudspeaker_id: int, session: Session, measurement: Measurement, reading: Reading, seat_m: float
) -> None:
    """Keep what is printed of the session that is read of a loudspeaker, made with the choices and the listening
    distance that are kept. Its entry in the index stands already. Raises as `Archive.keep_document`."""
    last, latest = measurement.steps[-1], latest_of(archive, loudspeaker_id)
    if latest is None:
        return
    printed = printed_of(session, measurement, reading, seat_m)
    for digest, _ in archive.beside_arrays(latest.session_id, "", step_key=last.key):
        document = {"made_from": _made_from(archive, loudspeaker_id, digest, printed), "printed": printed}
        if archive.document(last.key, KIND) != document:
            archive.keep_document(latest.session_id, last, KIND, document)


def kept_lines(name: str, archive_folder: Path, width: int | None = None) -> list[str] | None:
    """The lines of the loudspeaker called `name`, or of its session that the name picks, where they are kept and
    nothing that they were made from has changed since; None where it must be read anew.

    The archive records that the data were opened. Raises as `Archive.pick`.
    """
    with named(name), Archive.open(archive_folder, create=False) as archive:
        entry, picked = archive.pick(name)
        printed = kept_printed(archive, entry.id, picked.id)
        if printed is None:
            return None
        counting = [one for one in archive.sessions_of(entry.id) if one.standing == "counts"]
        others = [session_words(one) for one in reversed(counting) if one.id != picked.id]
        record_opening(archive, name=entry.name, maker=entry.maker)
        return printed_lines(printed, others, width)


def kept_printed(archive: Archive, loudspeaker_id: int, session_id: int) -> dict[str, Any] | None:
    """What is printed of a session, None where there is none or what it was made from, files and index among it, is not
    what it was: where it stands, all results of the session are current."""
    for digest, kept in archive.beside_arrays(session_id, KIND):
        printed: dict[str, Any] | None = (kept or {}).get("printed")
        if printed and kept == {"made_from": _made_from(archive, loudspeaker_id, digest, printed), "printed": printed}:
            return printed
    return None


def _made_from(archive: Archive, loudspeaker_id: int, array_sha256: str, printed: Any) -> str:
    """Hash over what is printed and all that it hangs on: session, choices, notes, arrays, program, distance, index."""
    latest = latest_of(archive, loudspeaker_id)
    index = summary_source(archive, loudspeaker_id), shape_source(archive, loudspeaker_id)
    parts = [
        _LAYOUT,
        latest and asdict(latest),
        array_sha256,
        __version__,
        index,
        draft(archive, DISTANCE).value,
        printed,
    ]
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:32]
