"""How long tests wait for what must come: a slow machine is no fault, and what never comes is still told."""

from __future__ import annotations

import time
from collections.abc import Callable

PATIENCE_S = 180.0


def until(holds: Callable[[], object], *, pause: Callable[[float], object] = time.sleep, what: str = "") -> None:
    """Wait for what must come true. pause : waits so many seconds; the page's own where a browser must go on."""
    end = time.monotonic() + PATIENCE_S
    while not holds():
        assert time.monotonic() < end, f"not within {PATIENCE_S:g} s: {what or holds}"
        pause(0.02)
