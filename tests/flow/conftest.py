"""What several tests of whole ways share."""

from __future__ import annotations

import pytest
from flow_world import QuickWorld, quick_world_in


@pytest.fixture(scope="session")
def quick_world(tmp_path_factory: pytest.TempPathFactory) -> QuickWorld:
    """Made once in a process: tests that use it share the xdist group "quick world"."""
    return quick_world_in(tmp_path_factory.mktemp("quick"))
