"""What happens: long work, its log and stopping it, and all news as one stream of server-sent events.

One stream for all tabs of a browser, which gives an address six connections.
"""

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import StreamingResponse

from earwitness.app.jobs import Jobs
from earwitness.bench.state import TAB, Bench, BenchState

router = APIRouter(prefix="/api")
_SHOWN = 20


@router.get("/jobs", tags=["jobs"])
def jobs_known(bench: BenchState) -> dict[str, Any]:
    """The latest jobs, the newest first."""
    return {"jobs": shown_jobs(bench.jobs)}


@router.get("/jobs/{job_id}", tags=["jobs"])
def job_state(job_id: str, bench: BenchState) -> dict[str, Any]:
    """One job."""
    return asdict(bench.jobs.get(job_id))


@router.get("/jobs/{job_id}/log", tags=["jobs"])
def job_log(job_id: str, bench: BenchState) -> dict[str, Any]:
    """All a job has told."""
    return {
        "lines": [
            {k: line[k] for k in ("at", "state", "share", "words", "error") if k in line}
            for line in bench.jobs.log(job_id)
        ]
    }


@router.post("/jobs/{job_id}/cancel", tags=["jobs"])
def job_cancel(job_id: str, bench: BenchState) -> dict[str, Any]:
    """Stop a job at its next step."""
    return asdict(bench.jobs.cancel(job_id))


def shown_jobs(jobs: Jobs) -> list[dict[str, Any]]:
    """The latest jobs as plain values, the newest first."""
    return [asdict(one) for one in jobs.all()[:_SHOWN]]


_MOMENT_S = 0.1
_BEAT_EVERY = 30


@router.get("/events", tags=["events"])
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
