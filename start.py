"""Set up and run Earwitness on a fresh machine that has only Python 3.11 or later.

    python3 start.py demo [--open]             the whole job on an invented loudspeaker
    python3 start.py test [PYTEST ARGUMENTS]   the tests, some minutes
    python3 start.py test --slow               those that take longest; both together are the whole suite

On Windows `py` in place of `python3`.

The first use makes an environment in .venv from the pinned, hashed lists in requirements/. Anything else is handed
to the program: `python3 start.py add FOLDER` is `earwitness add FOLDER`.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent
ENVIRONMENT = ROOT / ".venv"
PYTHON = ENVIRONMENT / ("Scripts/python.exe" if os.name == "nt" else "bin/python")
SOURCE = str(ROOT / "src" / "earwitness" / "__init__.py")
TOOLS = {  # Debian package: program or file that it brings
    "chromium": "chromium",
    "poppler-utils": "pdftotext",
    "unzip": "unzip",
    "pulseaudio": "pulseaudio",
    "pulseaudio-utils": "pactl",
    "libportaudio2": "libportaudio.so.2",
    "libasound2-plugins": "alsa-lib/libasound_module_pcm_pulse.so",
    "ladspa-sdk": "/usr/lib/ladspa/filter.so",
}


def prepare(purpose: str) -> None:
    """Make the environment, unless it already holds exactly what the pinned list of `purpose` says.

    One that was left half made, made by a Python that is gone, or moved here with its folder is mended.
    """
    pinned = ROOT / "requirements" / f"{purpose}.txt"
    stamp = ENVIRONMENT / f"installed-{purpose}.sha256"
    wanted = hashlib.sha256(pinned.read_bytes() + (ROOT / "pyproject.toml").read_bytes()).hexdigest()
    if stamp.exists() and stamp.read_text() == wanted and asked("import earwitness as e; print(e.__file__)") == SOURCE:
        return
    print("Making the environment in .venv (first use, or something changed) ...", file=sys.stderr)
    if not asked("import pip; print(pip.__file__)"):
        venv = [sys.executable, "-m", "venv", "--clear", str(ENVIRONMENT)]
        run(venv, "on Debian the package python3-venv brings what lacks")
    pip = [str(PYTHON), "-m", "pip", "--disable-pip-version-check", "install", "--quiet"]
    run([*pip, "--require-hashes", "-r", str(pinned)], "check the network and the free disk space, then run again")
    run([*pip, "--no-deps", "--no-build-isolation", "-e", str(ROOT)], "delete .venv and run again")
    stamp.write_text(wanted)


def asked(code: str) -> str:
    """What the environment's Python prints for `code`; nothing where it cannot."""
    try:
        done = subprocess.run([str(PYTHON), "-I", "-c", code], check=False, capture_output=True, text=True)
    except OSError:
        return ""
    return "" if done.returncode else done.stdout.strip()


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
    if not arguments or arguments[0] in ("-h", "--help"):
        print(__doc__, file=sys.stderr)
        return 0 if arguments else 2
    if arguments[0] != "test":
        prepare("run")
        return hand_over([str(PYTHON), "-m", "earwitness", *arguments])
    prepare("test")
    provide_tools()
    return run_tests(arguments[1:])


def hand_over(command: list[str]) -> int:
    """Exit code of a command that deals with Ctrl-C itself: it may have sound to silence and files to finish, and
    `subprocess` would kill it a quarter of a second later."""
    # A function, not SIG_IGN, which the command would inherit.
    before = signal.signal(signal.SIGINT, lambda *_: None)
    try:
        code = subprocess.run(command, check=False).returncode
    finally:
        signal.signal(signal.SIGINT, before)
    return code if code >= 0 else 128 - code


def run_tests(given: list[str]) -> int:
    """Exit code of the tests: all cores for most of them, then what needs real time with the machine to itself."""
    pytest = [str(PYTHON), "-m", "pytest"]
    if any(one in ("-n", "-m", "-k") or not one.startswith("-") for one in given if one not in ("no:cacheprovider",)):
        return subprocess.run([*pytest, *given], cwd=ROOT, check=False).returncode
    # Tests of a file share what is costly and stay in one process; long files come first (tests/conftest.py). One
    # process more than cores, as tests also wait for disks, browsers and recordings.
    cores = ["-n", str(min(os.cpu_count() or 1, 4) + 1), "--dist", "loadfile", "--no-loadscope-reorder"]
    slow = "--slow" in given
    parts = (
        [[*cores, "-m", "slow and not audio"]] if slow else [[*cores, "-m", "not slow and not audio"], ["-m", "audio"]]
    )
    given = [one for one in given if one != "--slow"]
    codes = [subprocess.run([*pytest, *part, *given], cwd=ROOT, check=False).returncode for part in parts]
    return max(codes)


def provide_tools() -> None:
    """Install what the tests drive beside Python, where that is possible; say so where it is not."""
    lacking = [package for package, program in TOOLS.items() if not provided(program)]
    if not lacking:
        return
    if shutil.which("apt-get") and getattr(os, "geteuid", lambda: 1)() == 0:
        print(f"Installing {', '.join(lacking)} for the tests ...", file=sys.stderr)
        quiet = {
            "stdout": subprocess.DEVNULL,
            "check": False,
            "env": {**os.environ, "DEBIAN_FRONTEND": "noninteractive"},
        }
        subprocess.run(["apt-get", "update"], **quiet)
        subprocess.run(["apt-get", "install", "-y", "--no-install-recommends", *lacking, "fonts-dejavu-core"], **quiet)
    if still := [package for package, program in TOOLS.items() if not provided(program)]:
        print(f"not installed: {', '.join(still)}; the tests that drive them will fail until they are", file=sys.stderr)


def provided(program: str) -> bool:
    """Whether a program is on the path, or a library or plug-in among the system's."""
    if ".so" not in program:
        return shutil.which(program) is not None
    return Path(program).exists() or any(Path("/usr/lib").glob(f"*/{program}"))


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        print("stopped; run the same command again to go on", file=sys.stderr)
        sys.exit(130)
