"""How long tests wait for what must come: a slow machine is no fault, and what never comes is still told."""

from __future__ import annotations

import os
import time
from collections.abc import Callable

PATIENCE_S = 180.0
# EARWITNESS_SLOW=8: pages in a browser run so many times slower, and the bench answers each of their questions up to
# so many tenths of a second late, each by another time. It finds what waits for a clock in place of what comes.
SLOW = float(os.environ.get("EARWITNESS_SLOW", "1"))


def until(holds: Callable[[], object], *, pause: Callable[[float], object] = time.sleep, what: str = "") -> None:
    """Wait for what must come true. pause : waits so many seconds; the page's own where a browser must go on."""
    end = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end, f"not within {PATIENCE_S:g} s: {what or holds}"
        pause(0.02)
