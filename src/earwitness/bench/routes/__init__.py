"""The places of the bench, each with its pages and what its pages ask for.

Those of `FIRST` serve the first page and stand from the start. The others bring most of the program with them, and
come when they are asked for: `earwitness.bench.server`.
"""

from earwitness.bench.routes import drafts, home, jobs

FIRST = (home.router, jobs.router, drafts.router)
LATER = (
    "trials", "listen", "measure", "measure_plan", "measure_session", "measure_responses", "measure_live",
    "read", "mend", "match", "compare", "publish", "sessions",
)  # fmt: skip
