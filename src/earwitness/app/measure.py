"""Acts before and while measuring."""

from __future__ import annotations

from pathlib import Path

from earwitness.session.template import write_template


def new_session_folder(folder: Path) -> Path:
    """Write a commented session.toml into `folder`; an existing one is never overwritten."""
    return write_template(folder)
