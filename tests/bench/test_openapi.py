"""The bench against inputs made from its own OpenAPI description: whatever comes, no fault of the program.

Schemathesis makes the inputs; a status of 500 or an answer that is no JSON fails.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest
import schemathesis
from bench_client import BASE, PORT

from earwitness.bench.security import Access, cookie_name
from earwitness.bench.server import create_app
from patience import PATIENCE_S

ENDLESS = ("/api/events",)
LONG = "/api/demo"
# Schemathesis gives up after ten seconds; the first reading on a busy machine may take longer.
# They write to a folder that the input names; test_publish_place.py and test_session_form_place.py try those.
WRITES = ("/api/publish/{loudspeaker_id}", "/api/publish/site", "/api/measure/session/write")


@pytest.fixture(scope="module")
def gate() -> Access:
    return Access()


def headers_of(gate: Access) -> dict[str, str]:
    """What the bench's own page sends."""
    return {"Host": f"127.0.0.1:{PORT}", "Origin": BASE, "Cookie": f"{cookie_name(PORT)}={gate.session}"}


@pytest.fixture(scope="module")
def described(bench_archive: Path, gate: Access) -> Iterator[schemathesis.schemas.BaseSchema]:
    app = create_app(bench_archive, gate=gate, port=PORT)
    schema = schemathesis.openapi.from_asgi("/api/openapi.json", app, headers=headers_of(gate))
    yield schema.exclude(path=[*ENDLESS, LONG, *WRITES])
    app.state.bench.close()


def test_no_input_is_a_fault_of_the_program(described: schemathesis.schemas.BaseSchema, gate: Access) -> None:
    operations = [found.ok() for found in described.get_all_operations()]
    assert len(operations) >= 6
    for operation in operations:
        check(operation.as_strategy(), headers_of(gate))


def check(cases: hypothesis.strategies.SearchStrategy[schemathesis.Case], headers: dict[str, str]) -> None:
    """Inputs of one operation, the same ones on every run."""

    @hypothesis.given(case=cases)
    @hypothesis.settings(
        max_examples=20, derandomize=True, deadline=None, suppress_health_check=list(hypothesis.HealthCheck)
    )
    def holds(case: schemathesis.Case) -> None:
        answer = case.call(headers=headers, timeout=PATIENCE_S)
        told = f"{case.method} {case.formatted_path} gave {answer.status_code}: {answer.text[:300]}"
        assert answer.status_code != 500, told
        if answer.status_code >= 400:
            assert json.loads(answer.text)["what"], told

    holds()
