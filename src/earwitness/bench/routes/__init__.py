"""The places of the bench, each with its pages and what its pages ask for."""

from __future__ import annotations

from earwitness.bench.routes import (
    compare,
    drafts,
    home,
    jobs,
    listen,
    match,
    measure,
    measure_live,
    measure_plan,
    mend,
    publish,
    read,
)

ROUTERS = tuple(
    module.router
    for module in (
        home, jobs, drafts, listen, measure, measure_plan, measure_live, read, mend, match, compare, publish,
    )
)  # fmt: skip
