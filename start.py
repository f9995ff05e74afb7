"""Set up and run Earwitness on a fresh machine that has only Python 3.11 or later.

    python3 start.py test [PYTEST ARGUMENTS]   the whole test suite

The first use makes an environment in .venv from the pinned, hashed list in requirements/.
"""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent
ENVIRONMENT = ROOT / ".venv"
PYTHON = ENVIRONMENT / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
PINNED = ROOT / "requirements" / "test.txt"
STAMP = ENVIRONMENT / "installed.sha256"


def prepare() -> None:
    """Make the environment, unless it already holds exactly what the pinned list says."""
    wanted = hashlib.sha256(PINNED.read_bytes() + (ROOT / "pyproject.toml").read_bytes()).hexdigest()
    if PYTHON.exists() and STAMP.exists() and STAMP.read_text() == wanted:
        return
    print("Making the environment in .venv (first use, or the pinned list changed) ...", file=sys.stderr)
    if not PYTHON.exists():
        run([sys.executable, "-m", "venv", str(ENVIRONMENT)], "on Debian the package python3-venv brings what lacks")
    pip = [str(PYTHON), "-m", "pip", "--disable-pip-version-check", "install", "--quiet"]
    run([*pip, "--require-hashes", "-r", str(PINNED)], "check the network and the free disk space, then run again")
    run([*pip, "--no-deps", "--no-build-isolation", "-e", str(ROOT)], "delete .venv and run again")
    STAMP.write_text(wanted)


def run(command: list[str], remedy: str) -> None:
    """Run one set-up command; leave with its exit code and a remedy if it fails."""
    code = subprocess.run(command, check=False).returncode
    if code:
        print(f"set-up failed at: {' '.join(command)}\nto do: {remedy}", file=sys.stderr)
        sys.exit(code)


def main(arguments: list[str]) -> int:
    """Exit code of the command asked for."""
    if sys.version_info < (3, 11):  # noqa: UP036, this file must say so on an older Python
        print(f"Earwitness needs Python 3.11 or later, this is {sys.version.split()[0]}", file=sys.stderr)
        return 2
    if not arguments or arguments[0] != "test":
        print(__doc__, file=sys.stderr)
        return 0 if arguments and arguments[0] in ("-h", "--help") else 2
    prepare()
    return subprocess.run([str(PYTHON), "-m", "pytest", *arguments[1:]], cwd=ROOT, check=False).returncode


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
