"""Golden figures of the demo loudspeakers: every figure of a short session, held by a test against changes.

    python benchmarks/golden.py            print what differs from tests/flow/golden.json
    python benchmarks/golden.py --write    write it anew, after the change was explained in CHANGELOG.md

Tolerance of a figure: a thousandth of its value or a fiftieth of its standard uncertainty, whichever is larger; of an
uncertainty, a fiftieth. Another processor's rounding passes and a change of method does not.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

from earwitness.app.add import add_folder
from earwitness.app.read import read_loudspeaker
from earwitness.demo.recorder import write_session
from earwitness.demo.world import loudspeakers

GOLDEN = Path(__file__).parents[1] / "tests" / "flow" / "golden.json"
Golden = dict[str, dict[str, dict[str, object]]]


def figures_of(archive: Path, key: str) -> dict[str, dict[str, object]]:
    """Value, uncertainty and unit of every figure; of one that is not judged, the reason."""
    found: dict[str, dict[str, object]] = {}
    for name, figure in sorted(read_loudspeaker(key, archive).reading.figures.items()):
        if figure.value is None:
            found[name] = {"not_judged": figure.reason}
        else:
            u = None if figure.u is None else float(f"{figure.u:.6g}")
            found[name] = {"value": float(f"{figure.value:.9g}"), "u": u, "unit": figure.unit}
    return found


def tolerance(value: float, u: float | None) -> float:
    return max(1e-3 * abs(value), 0.02 * (u or 0.0), 1e-9)


def differences(golden: dict[str, dict[str, object]], now: dict[str, dict[str, object]]) -> list[str]:
    """Sentences on figures that came, went, or moved beyond their tolerance."""
    told = [f"{name}: new" for name in now if name not in golden]
    told += [f"{name}: gone" for name in golden if name not in now]
    for name in sorted(set(golden) & set(now)):
        old, new = golden[name], now[name]
        if "value" not in old or "value" not in new:
            if old != new:
                told.append(f"{name}: was {old}, is {new}")
            continue
        if old["unit"] != new["unit"]:
            told.append(f"{name}: unit was {old['unit']}, is {new['unit']}")
            continue
        before, after, u = float(old["value"]), float(new["value"]), old["u"]
        if abs(after - before) > tolerance(before, None if u is None else float(u)):
            told.append(f"{name}: was {before:.6g} {old['unit']}, is {after:.6g}")
        was, is_ = (float(one["u"]) if one["u"] is not None else 0.0 for one in (old, new))
        if abs(is_ - was) > max(0.02 * was, 1e-9):
            told.append(f"{name}: standard uncertainty was {was:.4g} {old['unit']}, is {is_:.4g}")
    return told


def all_figures() -> Golden:
    found = {}
    for one in loudspeakers():
        with tempfile.TemporaryDirectory() as folder:
            write_session(one.key, Path(folder) / "recordings", quick=True)
            add_folder(Path(folder) / "recordings", Path(folder) / "archive")
            found[one.key] = figures_of(Path(folder) / "archive", one.key)
    return found


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--write", action="store_true")
    given = parser.parse_args()
    now = all_figures()
    golden: Golden = json.loads(GOLDEN.read_text(encoding="utf-8")) if GOLDEN.is_file() else {}
    told = [f"{key}: {line}" for key in now for line in differences(golden.get(key, {}), now[key])]
    print("\n".join(told) or "all figures stand as they were")
    if given.write:
        GOLDEN.write_text(json.dumps(now, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        return 0
    return int(bool(told))


if __name__ == "__main__":
    sys.exit(main())
