"""The places of the bench, each with its pages and what its pages ask for.

Those of `FIRST` serve the first page and stand from the start. The others bring most of the program with them, and
come when they are asked for: `earwitness.bench.server`.
"""

from earwitness.bench.routes import drafts, home, jobs

FIRST = (home.router, jobs.router, drafts.router)
LATER = ("listen", "measure", "measure_live", "read", "mend", "match", "compare", "publish")
