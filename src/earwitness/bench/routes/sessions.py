"""Which of several sessions of a loudspeaker the places show."""

from typing import Annotated, Any

from fastapi import APIRouter
from pydantic import Field

from earwitness.archive.choose import state_words
from earwitness.bench.state import BenchState, Body, Id

router = APIRouter()


class Picked(Body):
    """A session by its number."""

    session: Annotated[int, Field(ge=1, le=2**53)]


@router.get("/api/sessions/{loudspeaker_id}", tags=["sessions"])
def sessions(bench: BenchState, loudspeaker_id: Id) -> dict[str, Any]:
    """Sessions of a loudspeaker that count, latest first, and which of them is shown."""
    bench.loudspeaker(loudspeaker_id)
    shown = bench.shown(loudspeaker_id)
    return {
        "shown": None if shown is None else shown.id,
        "sessions": [{"id": one.id, "words": state_words(one)} for one in bench.sessions(loudspeaker_id)],
    }


@router.post("/api/sessions/{loudspeaker_id}", tags=["sessions"])
def pick_session(bench: BenchState, loudspeaker_id: Id, body: Picked) -> dict[str, Any]:
    """Show another session in every place, until the bench ends."""
    bench.loudspeaker(loudspeaker_id)
    bench.pick(loudspeaker_id, body.session)
    return sessions(bench, loudspeaker_id)
