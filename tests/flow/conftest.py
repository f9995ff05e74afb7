"""What several tests of whole ways share."""

from __future__ import annotations

import pytest
from flow_world import QuickWorld, quick_world_of

from made_once import MadeOnce


@pytest.fixture(scope="session")
def quick_world(made_once: MadeOnce) -> QuickWorld:
    """Made once in a run."""
    return quick_world_of(made_once)
