"""Long work: what runs, its progress as it happens, its log, and stopping it."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import asdict
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse

from earwitness.app.jobs import Jobs, JobState
from earwitness.bench.state import BenchState

router = APIRouter(prefix="/api/jobs", tags=["jobs"])
_SHOWN = 20


@router.get("")
def jobs_known(bench: BenchState) -> dict[str, Any]:
    """The latest jobs, the newest first."""
    return {"jobs": _shown(bench.jobs)}


@router.get("/events")
def job_events(request: Request, bench: BenchState) -> StreamingResponse:
    """The list of jobs whenever it changes, as server-sent events."""

    async def told() -> AsyncIterator[str]:
        version = -1
        while not await request.is_disconnected():
            fresh = await asyncio.to_thread(bench.jobs.wait, version, 1.0 if version >= 0 else 0.0)
            if fresh != version:
                version = fresh
                yield f"data: {json.dumps({'jobs': _shown(bench.jobs)})}\n\n"
            else:
                yield ": beat\n\n"

    return StreamingResponse(told(), media_type="text/event-stream")


@router.get("/{job_id}")
def job_state(job_id: str, bench: BenchState) -> dict[str, Any]:
    """One job."""
    return asdict(bench.jobs.get(job_id))


@router.get("/{job_id}/log")
def job_log(job_id: str, bench: BenchState) -> dict[str, Any]:
    """All a job has told."""
    return {
        "lines": [
            {k: line[k] for k in ("at", "state", "share", "words") if k in line} for line in bench.jobs.log(job_id)
        ]
    }


@router.post("/{job_id}/cancel")
def job_cancel(job_id: str, bench: BenchState) -> dict[str, Any]:
    """Stop a job at its next step."""
    return asdict(bench.jobs.cancel(job_id))


def _shown(jobs: Jobs) -> list[dict[str, Any]]:
    known: tuple[JobState, ...] = jobs.all()
    return [asdict(one) for one in known[:_SHOWN]]
