"""Jobs: in order, told as they go, stopped when asked, and known after the process that ran them is gone."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
from pathlib import Path

from earwitness.app.jobs import Jobs, JobState, Progress
from earwitness.errors import InputError
from patience import PATIENCE_S, until


def ended(jobs: Jobs, key: str) -> JobState:
    """The job once it has ended."""
    until(lambda: jobs.get(key).has_ended)
    return jobs.get(key)


def test_a_job_tells_its_progress_and_its_result(tmp_path: Path) -> None:
    jobs = Jobs(tmp_path)

    def work(tell: Progress) -> dict[str, int]:
        tell(0.5, "half")
        return {"answer": 42}

    started = jobs.start("count", work)
    done = ended(jobs, started.id)
    assert (done.state, done.share, done.result) == ("done", 1.0, {"answer": 42})
    states = [(line["state"], line["words"]) for line in jobs.log(started.id)]
    assert states == [
        ("waiting", "waits for its turn"), ("running", "begins"), ("running", "half"), ("done", "half")
    ]  # fmt: skip
    jobs.close()


def test_a_job_stops_at_its_next_step(tmp_path: Path) -> None:
    jobs = Jobs(tmp_path)
    reached, go = threading.Event(), threading.Event()
    later: list[str] = []

    def work(tell: Progress) -> dict[str, int]:
        reached.set()
        go.wait(PATIENCE_S)
        tell(0.5, "on")
        later.append("never")
        return {}

    started = jobs.start("long", work)
    assert reached.wait(PATIENCE_S)
    jobs.cancel(started.id)
    go.set()
    assert ended(jobs, started.id).state == "canceled"
    assert later == []
    jobs.close()


def test_failures_keep_their_words_and_do_not_stop_the_next(tmp_path: Path) -> None:
    jobs = Jobs(tmp_path)

    def refused(_tell: Progress) -> dict[str, int]:
        raise InputError("the take is clipped", where="h030.wav", remedy="record it again")

    def faulty(_tell: Progress) -> dict[str, int]:
        raise ZeroDivisionError

    first, second, third = jobs.start("a", refused), jobs.start("b", faulty), jobs.start("c", lambda _tell: {})
    told = ended(jobs, first.id)
    assert told.error == {
        "what": "the take is clipped", "where": "h030.wav", "expected": "", "remedy": "record it again"
    }  # fmt: skip
    assert "a fault of the program: ZeroDivisionError" in ended(jobs, second.id).words
    assert ended(jobs, third.id).state == "done"
    jobs.close()


def test_a_job_cut_off_by_a_kill_is_told_as_interrupted(tmp_path: Path) -> None:
    script = (
        "import os, pathlib, sys, threading, time\n"
        "from earwitness.app.jobs import Jobs\n"
        "told = threading.Event()\n"
        "def work(tell):\n"
        "    tell(0.25, 'a quarter')\n"
        "    told.wait(180)\n"
        "    os.kill(os.getpid(), 9)\n"
        "jobs = Jobs(pathlib.Path(sys.argv[1]))\n"
        "print(jobs.start('import', work).id, flush=True)\n"
        "told.set()\n"
        "time.sleep(600)\n"
    )
    run = subprocess.run([sys.executable, "-c", script, str(tmp_path)], capture_output=True, text=True, check=False)
    assert run.returncode == -9
    jobs = Jobs(tmp_path)
    found = jobs.get(run.stdout.strip())
    assert (found.name, found.state) == ("import", "interrupted")
    assert "start it again" in found.words
    jobs.close()


def test_a_line_cut_in_two_by_a_kill_is_passed_over(tmp_path: Path) -> None:
    line = {
        "at": "",
        "name": "n",
        "state": "done",
        "share": 1.0,
        "words": "w",
        "begun_at": "",
        "result": {},
        "error": None,
    }
    (tmp_path / "20260101T000000000000.jsonl").write_text(json.dumps(line) + "\n" + json.dumps(line)[:20])
    jobs = Jobs(tmp_path)
    assert jobs.get("20260101T000000000000").state == "done"
    jobs.close()


def test_a_job_ends_for_who_waits_though_its_log_cannot_be_written(tmp_path: Path) -> None:
    jobs = Jobs(tmp_path / "jobs")

    def work(tell: Progress) -> dict[str, int]:
        shutil.rmtree(tmp_path / "jobs")
        tell(0.5, "half")
        return {"answer": 42}

    done = ended(jobs, jobs.start("count", work).id)
    assert (done.state, done.result) == ("done", {"answer": 42})
    jobs.close()
