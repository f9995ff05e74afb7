"""What happens, as server-sent events: one stream for all tabs of a browser, which gives an address six connections."""

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import StreamingResponse

from earwitness.bench.routes.jobs import shown_jobs
from earwitness.bench.state import TAB, Bench, BenchState

router = APIRouter(prefix="/api/events", tags=["events"])
_MOMENT_S = 0.1
_BEAT_EVERY = 30


@router.get("")
def events(request: Request, bench: BenchState, tab: Annotated[str, Query(pattern=TAB)]) -> StreamingResponse:
    """The list of jobs and the state of live measuring whenever they change, and its meter ten times a second while
    something runs. tab : the page that holds the stream; what it started is silenced when the stream ends."""
    return StreamingResponse(_told(request, bench, tab), media_type="text/event-stream")


async def _told(request: Request, bench: Bench, tab: str) -> AsyncIterator[str]:
    jobs, version, count = -1, -1, 0
    try:
        while not await request.is_disconnected():
            if (fresh := bench.jobs.wait(jobs, 0.0)) != jobs:
                jobs = fresh
                yield _event("jobs", shown_jobs(bench.jobs))
            desk = bench.live_begun
            if desk is not None and desk.version != version:
                told = await asyncio.to_thread(desk.told)
                version = told["version"]
                yield _event("state", told)
            elif desk is not None and desk.phase not in ("closed", "ready"):
                yield _event("meter", asdict(desk.running))
            if count % _BEAT_EVERY == 0:
                yield _event("beat", None)
            count += 1
            await asyncio.sleep(_MOMENT_S)
    finally:
        if bench.live_begun is not None:
            bench.live_begun.gone(tab)


def _event(kind: str, told: Any) -> str:
    return f"event: {kind}\ndata: {json.dumps(told)}\n\n"
