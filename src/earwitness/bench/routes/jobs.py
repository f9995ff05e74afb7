"""Long work: what runs, its progress as it happens, its log, and stopping it."""

from dataclasses import asdict
from typing import Any

from fastapi import APIRouter

from earwitness.app.jobs import Jobs
from earwitness.bench.state import BenchState

router = APIRouter(prefix="/api/jobs", tags=["jobs"])
_SHOWN = 20


@router.get("")
def jobs_known(bench: BenchState) -> dict[str, Any]:
    """The latest jobs, the newest first."""
    return {"jobs": shown_jobs(bench.jobs)}


@router.get("/{job_id}")
def job_state(job_id: str, bench: BenchState) -> dict[str, Any]:
    """One job."""
    return asdict(bench.jobs.get(job_id))


@router.get("/{job_id}/log")
def job_log(job_id: str, bench: BenchState) -> dict[str, Any]:
    """All a job has told."""
    return {
        "lines": [
            {k: line[k] for k in ("at", "state", "share", "words", "error") if k in line}
            for line in bench.jobs.log(job_id)
        ]
    }


@router.post("/{job_id}/cancel")
def job_cancel(job_id: str, bench: BenchState) -> dict[str, Any]:
    """Stop a job at its next step."""
    return asdict(bench.jobs.cancel(job_id))


def shown_jobs(jobs: Jobs) -> list[dict[str, Any]]:
    """The latest jobs as plain values, the newest first."""
    return [asdict(one) for one in jobs.all()[:_SHOWN]]
