"""Held against a fresh environment that has the wheel alone: run by its Python, in an empty folder.

    python base_install.py

The main job runs on the demo loudspeaker; what is optional is absent and says what brings it; the whole stays below
300 MB of files, without the bytecode that Python makes of them. Ends with code 1 and a line where one does not hold.
"""

import subprocess
import sys
import sysconfig
from pathlib import Path

MOST_MB = 300
OPTIONAL = {"bench": ("fastapi", "uvicorn"), "report": ("PIL", "typst"), "live": ("sounddevice",)}


def earwitness(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "earwitness", *arguments]
    return subprocess.run(command, check=False, capture_output=True, text=True, encoding="utf-8")


def faults() -> list[str]:
    found = []
    site = Path(sysconfig.get_path("purelib"))
    size = sum(
        file.stat().st_size
        for file in site.rglob("*")
        if file.is_file() and file.suffix != ".pyc" and file.relative_to(site).parts[0] != "pip"
    )
    print(f"base install: {size / 1e6:.0f} MB, Python {sys.version.split()[0]}")
    if size > MOST_MB * 1e6:
        found.append(f"the base install has {size / 1e6:.0f} MB, at most {MOST_MB}")
    found += [
        f"{package} of the extra {extra} is in the base install"
        for extra, packages in OPTIONAL.items()
        for package in packages
        if (site / package).exists() or (site / f"{package}.py").exists()
    ]
    demo = earwitness("demo")
    print(demo.stdout, end="")
    if demo.returncode or "figures judged" not in demo.stdout:
        found.append(f"the demo ended with {demo.returncode}: {demo.stderr[-2000:]}")
    read = earwitness("read", "causeway", "--archive", "earwitness-demo/archive")
    if read.returncode:
        found.append(f"read ended with {read.returncode}: {read.stderr}")
    for arguments, extra in ((("bench",), "bench"), (("measure", "devices"), "live")):
        refused = earwitness(*arguments)
        if refused.returncode != 8 or f"earwitness[{extra}]" not in refused.stderr:
            found.append(f"{arguments[0]} without its extra ended with {refused.returncode}: {refused.stderr}")
    return found


if __name__ == "__main__":
    told = faults()
    print(*told, sep="\n", file=sys.stderr)
    sys.exit(bool(told))
