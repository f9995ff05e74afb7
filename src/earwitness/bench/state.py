"""What the running bench holds: the archive's folder, its jobs, and readings that were asked for lately."""

from __future__ import annotations

import shutil
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path as DiskPath
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

from fastapi import Depends, Path, Request
from pydantic import BaseModel, ConfigDict, Field

from earwitness.app.jobs import Jobs
from earwitness.archive import drafts
from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import picking
from earwitness.archive.entries import LoudspeakerEntry, SessionEntry
from earwitness.archive.latest import SEEN
from earwitness.errors import ArchiveError, InputError, OutputError

if TYPE_CHECKING:
    from earwitness.app.read import AxisPreview, ReadResult
    from earwitness.bench.live import LiveDesk
    from earwitness.exhibits.advice import Advice

_KEPT_READINGS = 4
Kept = TypeVar("Kept")
# How a page names itself.
TAB = r"^[A-Za-z0-9-]{8,40}$"
# As the archive numbers loudspeakers and sessions.
Id = Annotated[int, Path(ge=1, le=2**53)]


class Body(BaseModel):
    """What a page sends: nothing that is not known."""

    model_config = ConfigDict(extra="forbid")


class At(Body):
    """The revision that the page shows."""

    revision: Annotated[int, Field(ge=0, le=2**53)]


class UnknownLoudspeakerError(InputError):
    """The address names a loudspeaker that the archive does not hold."""


class Bench:
    """The state of one running bench. Recordings are reduced and readings made one at a time: the array files'
    library must not be used by two threads at once.

    What reads or reduces is imported where it is used: the first page must not wait for it."""

    def __init__(self, archive_folder: DiskPath) -> None:
        self.archive_folder = archive_folder
        with Archive.open(archive_folder):
            pass
        self.jobs = Jobs(archive_folder / "jobs")
        self.heavy = threading.RLock()
        self._live: LiveDesk | None = None
        self._making_live = threading.Lock()
        self._readings: OrderedDict[tuple[int, int], tuple[str, ReadResult]] = OrderedDict()
        self._picked: dict[int, int] = {}
        self._beside: OrderedDict[tuple[int, str], tuple[ReadResult, Any]] = OrderedDict()
        self._advice: OrderedDict[int, tuple[str, Advice]] = OrderedDict()
        self._preview: tuple[int, AxisPreview] | None = None
        # Pages that are looked at before they are published; gone with the bench.
        self.looks = archive_folder / "looks"

    def close(self) -> None:
        """Silence live measuring, end all jobs, and let go of the pages that were only looked at."""
        with self._making_live:
            if self._live is not None:
                self._live.close()
        self.jobs.close()
        shutil.rmtree(self.looks, ignore_errors=True)

    @property
    def live_begun(self) -> LiveDesk | None:
        """Live measuring, where anybody has asked for it."""
        return self._live

    @property
    def live(self) -> LiveDesk:
        """Live measuring, ready from the first time that anybody asks for it."""
        with self._making_live:
            if self._live is None:
                from earwitness.bench.live import LiveDesk

                self._live = LiveDesk()
            return self._live

    @live.setter
    def live(self, desk: LiveDesk) -> None:
        with self._making_live:
            self._live = desk

    def loudspeakers(self) -> tuple[LoudspeakerEntry, ...]:
        """All loudspeakers of the archive, by name."""
        with Archive.open(self.archive_folder) as archive:
            return archive.loudspeakers()

    def loudspeaker(self, loudspeaker_id: int) -> LoudspeakerEntry:
        """One loudspeaker; UnknownLoudspeakerError for a number the archive does not hold."""
        found = next((one for one in self.loudspeakers() if one.id == loudspeaker_id), None)
        if found is None:
            raise UnknownLoudspeakerError.of("bench.no_loudspeaker", loudspeaker_id=loudspeaker_id)
        return found

    def owner_of(self, session_id: int) -> int:
        """Number of the loudspeaker that a session of the archive is of."""
        with Archive.open(self.archive_folder) as archive:
            return archive.owner_of(session_id)

    def sessions(self, loudspeaker_id: int) -> tuple[SessionEntry, ...]:
        """Sessions of a loudspeaker that count, latest first."""
        with Archive.open(self.archive_folder) as archive:
            found = archive.sessions_of(loudspeaker_id)
        return tuple(one for one in reversed(found) if one.standing == "counts")

    def shown(self, loudspeaker_id: int) -> SessionEntry | None:
        """The session that every place shows: the one picked, else the latest; None where none counts."""
        counting = self.sessions(loudspeaker_id)
        picked = self._picked.get(loudspeaker_id)
        return next((one for one in counting if one.id == picked), counting[0] if counting else None)

    def pick(self, loudspeaker_id: int, session_id: int) -> None:
        """Show that session from now on, while the bench runs. Raises InputError for one that does not count."""
        if all(one.id != session_id for one in self.sessions(loudspeaker_id)):
            raise InputError.of("bench.no_such_session", session_id=session_id)
        self._picked[loudspeaker_id] = session_id

    def saw(self, loudspeaker_id: int, place: str) -> None:
        """Note that a place was looked at, or "match asked", for the desk. A mark only: where it cannot be kept, the
        place is shown all the same."""
        with suppress(ArchiveError, OutputError), Archive.open(self.archive_folder) as archive:
            key = f"{SEEN}:{loudspeaker_id}"
            now = drafts.draft(archive, key)
            if place not in (now.value or {}):
                drafts.save_draft(archive, key, {**(now.value or {}), place: True}, revision=now.revision)

    def reading(self, loudspeaker_id: int, *, rear_wall: str = "", session_id: int | None = None) -> ReadResult:
        """Measurement and reading of a loudspeaker's session; it counts as its data being shown.

        rear_wall : as in `read_loudspeaker`, "" for the usual one; session_id : None for the one shown

        Raises UnknownLoudspeakerError, and as `read_loudspeaker` does.
        """
        from earwitness.app.printed import USUAL_REAR_WALL
        from earwitness.app.read import read_loudspeaker

        entry, rear_wall = self.loudspeaker(loudspeaker_id), rear_wall or USUAL_REAR_WALL
        with self.heavy:
            number = self._number(loudspeaker_id, session_id)
            state = f"{self._state(loudspeaker_id, number)} {rear_wall}"
            name = picking(entry.title, session=number)
            return _lately(
                self._readings,
                (loudspeaker_id, number or 0),
                state,
                lambda: read_loudspeaker(name, self.archive_folder, rear_wall=rear_wall),
            )

    def holds_reading(self, loudspeaker_id: int, session_id: int | None = None) -> bool:
        """Whether the usual reading of a loudspeaker is at hand."""
        from earwitness.app.printed import USUAL_REAR_WALL

        number = self._number(loudspeaker_id, session_id)
        kept = self._readings.get((loudspeaker_id, number or 0))
        return kept is not None and kept[0] == f"{self._state(loudspeaker_id, number)} {USUAL_REAR_WALL}"

    def advice(self, loudspeaker_id: int) -> Advice:
        """Findings, listening sheets held against them, an equalizer, aims and matches of a loudspeaker."""
        from earwitness.app.advice import advice_on
        from earwitness.archive.notes import sheets_of

        with self.heavy:
            result = self.reading(loudspeaker_id)
            with Archive.open(self.archive_folder) as archive:
                spoken = result.session.loudspeaker
                sheets = len(sheets_of(archive, name=spoken.name, maker=spoken.maker))
            state = f"{self._state(loudspeaker_id, result.session_id)} {sheets}"
            return _lately(self._advice, loudspeaker_id, state, lambda: advice_on(result, self.archive_folder))

    def beside(self, loudspeaker_id: int, name: str, make: Callable[[ReadResult], Kept]) -> Kept:
        """What a place keeps beside a reading, made once and anew when the reading is; raises as `reading` does."""
        with self.heavy:
            result = self.reading(loudspeaker_id)
            return _lately(self._beside, (loudspeaker_id, name), result, lambda: make(result), most=2 * _KEPT_READINGS)

    def has_session(self, loudspeaker_id: int) -> bool:
        """Whether there is anything measured of a loudspeaker."""
        return self.shown(loudspeaker_id) is not None

    def kinds(self, loudspeaker_id: int) -> tuple[str, ...]:
        """What a measured loudspeaker is, as `kinds_of`."""
        # The first page is there before the figures are.
        from earwitness.figures.kinds import kinds_of

        shown = self.shown(loudspeaker_id)
        if shown is None:
            return ()
        with Archive.open(self.archive_folder) as archive:
            return kinds_of(archive.session(shown.id).loudspeaker)

    def preview(self, session_id: int) -> AxisPreview:
        """The takes on axis of a session, held for trying other settings; those of one session at a time.

        Raises as `AxisPreview`.
        """
        from earwitness.app.read import AxisPreview

        with self.heavy:
            if self._preview is None or self._preview[0] != session_id:
                self._preview = (session_id, AxisPreview(session_id, self.archive_folder))
            return self._preview[1]

    def _number(self, loudspeaker_id: int, session_id: int | None) -> int | None:
        shown = self.shown(loudspeaker_id) if session_id is None else None
        return session_id if shown is None else shown.id

    def _state(self, loudspeaker_id: int, number: int | None) -> str:
        """What is read of a loudspeaker: a session under the settings kept for it; "" without a session."""
        from earwitness.app.settings import kept_choice, kept_distance

        with Archive.open(self.archive_folder) as archive:
            session = next((one for one in archive.sessions_of(loudspeaker_id) if one.id == number), None)
            if session is None:
                return ""
            chosen, _ = kept_choice(archive, session.id)
            return f"{session.key} {chosen.words()}, heard from {kept_distance(archive):g} m"


def _lately(
    kept: OrderedDict[Any, tuple[Any, Any]],
    place: object,
    state: object,
    make: Callable[[], Kept],
    *,
    most: int = _KEPT_READINGS,
) -> Kept:
    """What stands at a place among the `most` asked for last; made anew where it was made from another state."""
    if place not in kept or kept[place][0] != state:
        kept[place] = (state, make())
    kept.move_to_end(place)
    while len(kept) > most:
        kept.popitem(last=False)
    found: Kept = kept[place][1]
    return found


def bench_of(request: Request) -> Bench:
    """The bench that serves a request."""
    bench: Bench = request.app.state.bench
    return bench


BenchState = Annotated[Bench, Depends(bench_of)]


def _opened(bench: BenchState) -> Iterator[Archive]:
    with Archive.open(bench.archive_folder) as archive:
        yield archive


OpenArchive = Annotated[Archive, Depends(_opened)]


def _entry(bench: BenchState, loudspeaker_id: Id) -> LoudspeakerEntry:
    return bench.loudspeaker(loudspeaker_id)


# The loudspeaker that the address names.
Entry = Annotated[LoudspeakerEntry, Depends(_entry)]
