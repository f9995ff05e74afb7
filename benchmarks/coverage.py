"""Is the truth inside the stated uncertainty? Random sessions of loudspeakers and rigs that nobody tuned on.

    python benchmarks/coverage.py [--draw tuning|"held out"|fresh] [--sessions N] [--first N] [--jobs N] [--keep FOLDER]
    python benchmarks/coverage.py --draw tuning --sessions 40 --off places radii
    python benchmarks/coverage.py --causes 12

A loudspeaker on a rigid sphere (exact series) or on a rigid box (boundary elements, any scale) stands in a room or a
free field and is measured with a rig's errors. The first 60 sessions are recorded in memory, a sweep of 2 s in every
take, and reduced from these recordings on; the others begin with the impulse responses, and their noise, that the
division by the sweep would leave, and go the same way from there. Prints, in Markdown, for each curve in each band and
for each figure: the share inside U95 (aim 90 to 99 %: always inside is a fault as well), the median error beside the
median U95, and what was refused. --off leaves errors out; --causes tells what each error does alone. The worst sessions
come with their number: `judge.judged(draw, number)` does one again. About 4 s of processor time a recorded session, 2 s
another.
"""

from __future__ import annotations

import argparse
import pickle
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

import numpy as np
from coverage_worlds.judge import CURVES, DRAWS, Judged, judged
from coverage_worlds.rigs import ERRORS

from earwitness.figures.registry import RESPONSE_FIGURES

BANDS_HZ = ((20, 30), (30, 100), (100, 400), (400, 800), (800, 3000), (3000, 15_000))
GROUPS = (
    ("box", "sphere"),
    ("joined", "not joined"),
    ("anechoic", "in a room"),
    ("near 1.6 m", "far 1.6 m"),
    ("loop-back", "no loop-back"),
    ("vented", "closed"),
    ("whole orbit", "half orbit"),
    ("step 10", "step 20"),
)
GROUP_CURVES = ("on_axis", "listening_window", "sound_power", "sound_power_di", "early_reflections_di")
_COLUMNS = " | ".join(f"{a} to {b} Hz" for a, b in BANDS_HZ)


def _rows(one: Judged, band: tuple[int, int]) -> np.ndarray:
    return (one.hz >= band[0]) & (one.hz <= band[1])


def points(some: Iterable[Judged], key: str, band: tuple[int, int]) -> tuple[np.ndarray, np.ndarray, float]:
    """Errors and U95 of all valid points of a curve in a band, and the share of points that are valid."""
    errors, wide, count = [], [], 0
    for one in some:
        curve = one.curves.get(key)
        if curve is None:
            continue
        rows = _rows(one, band) & curve.there
        count += int(rows.sum())
        rows &= curve.valid
        errors.append(curve.error[rows])
        wide.append(2 * curve.u[rows])
    error, u95 = (np.concatenate(part) if part else np.zeros(0) for part in (errors, wide))
    return error, u95, error.size / count if count else 0.0


def _cell(error: np.ndarray, u95: np.ndarray, share: float) -> str:
    if not error.size:
        return "none"
    inside = float(np.mean(np.abs(error) <= u95))
    told = f"{100 * inside:.0f}%" if 0.9 <= inside <= 0.99 else f"**{100 * inside:.0f}%**"
    return f"{told} {np.median(np.abs(error)):.2f}/{np.median(u95):.2f} ({100 * share:.0f})"


def curve_table(some: list[Judged]) -> str:
    lines = [f"| curve | {_COLUMNS} |", "| --- |" + " --- |" * len(BANDS_HZ)]
    for key in CURVES:
        cells = [_cell(*points(some, key, band)) for band in BANDS_HZ]
        lines.append(f"| {key} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def whole_table(some: list[Judged]) -> str:
    """Each curve over its whole band: inside U95, and what is worse than unlucky."""
    lines = [
        "| curve | inside U95 | beyond twice U95 | sessions with nine in ten points inside | valid |",
        "| --- | ---: | ---: | ---: | ---: |",
    ]
    whole = (BANDS_HZ[0][0], BANDS_HZ[-1][1])
    for key in CURVES:
        error, u95, share = points(some, key, whole)
        each = [points([one], key, whole)[:2] for one in some]
        good = [float(np.mean(np.abs(e) <= u)) >= 0.9 for e, u in each if e.size]
        if error.size:
            size = np.abs(error)
            told = f"{100 * np.mean(size <= u95):.0f} % | {100 * np.mean(size > 2 * u95):.1f} %"
            lines.append(f"| {key} | {told} | {100 * np.mean(good):.0f} % | {100 * share:.0f} % |")
    return "\n".join(lines)


def group_table(some: list[Judged]) -> str:
    lines = [f"| group, curve | {_COLUMNS} |", "| --- |" + " --- |" * len(BANDS_HZ)]
    for pair in GROUPS:
        for group in pair:
            members = [one for one in some if group in one.groups]
            for key in GROUP_CURVES if members else ():
                cells = [_cell(*points(members, key, band)) for band in BANDS_HZ]
                lines.append(f"| {group} ({len(members)}), {key} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def figure_table(some: list[Judged]) -> str:
    lines = [
        "| figure | judged | inside U95 | median error | median U95 | bounds | hold | refused |",
        "| --- | ---: | ---: | ---: | ---: | ---: | ---: | ---: |",
    ]
    for key in RESPONSE_FIGURES:
        found = [one.figures[key] for one in some if key in one.figures]
        valued = [f for f in found if f.value is not None and not f.bound]
        bounds = [f for f in found if f.bound]
        refused = len(found) - len(valued) - len(bounds)
        if not valued:
            lines.append(f"| {key} | 0 | | | | {len(bounds)} | | {refused} |")
            continue
        share = float(np.mean([f.inside for f in valued]))
        told = f"{100 * share:.0f} %" if 0.9 <= share <= 0.99 else f"**{100 * share:.0f} %**"
        error = np.median([abs(f.value - f.true) for f in valued if f.value is not None])
        u95 = np.median([2 * f.u for f in valued])
        hold = f"{sum(f.inside for f in bounds)}" if bounds else ""
        lines.append(
            f"| {key} | {len(valued)} | {told} | {error:.3g} | {u95:.3g} | {len(bounds)} | {hold} | {refused} |"
        )
    return "\n".join(lines)


def reason_table(some: list[Judged]) -> str:
    """Why figures were refused, most frequent first."""
    reasons = Counter(
        f"{key}: {one.figures[key].reason}" for one in some for key in RESPONSE_FIGURES if _was_refused(one, key)
    )
    lines = ["| refused | times |", "| --- | ---: |"]
    lines += [f"| {reason[:160]} | {count} |" for reason, count in reasons.most_common(12)]
    return "\n".join(lines)


def _was_refused(one: Judged, key: str) -> bool:
    return key in one.figures and one.figures[key].value is None


def worst_table(some: list[Judged]) -> str:
    """Points of the on-axis curve and the listening window that lie farthest outside, one a session and band."""
    found = []
    for one in some:
        for key in ("on_axis", "listening_window", "sound_power_di"):
            curve = one.curves.get(key)
            if curve is None:
                continue
            for band in BANDS_HZ:
                rows = np.flatnonzero(_rows(one, band) & curve.valid)
                if rows.size:
                    ratio = np.abs(curve.error[rows]) / np.maximum(2 * curve.u[rows], 1e-9)
                    top = rows[int(np.argmax(ratio))]
                    found.append((float(ratio.max()), one, key, top))
    found.sort(key=lambda row: -row[0])
    lines = [
        "| session | curve | Hz | error | U95 | what it is | flags |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for _, one, key, row in found[:25]:
        curve = one.curves[key]
        what = ", ".join(sorted(one.groups)) + "; " + ", ".join(f"{k} {v:.1f}" for k, v in one.facts.items())
        told = f"{curve.error[row]:+.2f} | {2 * curve.u[row]:.2f}"
        flags = ", ".join(dict.fromkeys(one.flags))
        lines.append(f"| {one.number} | {key} | {one.hz[row]:.0f} | {told} | {what} | {flags} |")
    return "\n".join(lines)


def _kept(draw: str, number: int, *, on: frozenset[str], recorded: int, folder: Path | None) -> Judged:
    """A session from `folder` where it was judged before, else judged and kept there."""
    file = None if folder is None else folder / f"{draw.replace(' ', '-')}-{number}.pickle"
    if file is not None and file.is_file():
        found: Judged = pickle.loads(file.read_bytes())
        return found
    one = judged(draw, number, on, recordings=number < recorded)
    if file is not None:
        file.write_bytes(pickle.dumps(one))
    return one


def run(
    draw: str, numbers: range, on: frozenset[str], *, jobs: int = 1, recorded: int = 0, folder: Path | None = None
) -> list[Judged]:
    """Sessions of a draw; those below number `recorded` from recordings on, the others from impulse responses on."""
    work = partial(_kept, draw, on=on, recorded=recorded, folder=folder)
    if jobs == 1:
        return [work(number) for number in numbers]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(work, numbers))


def causes_table(draw: str, numbers: range, jobs: int) -> str:
    """Median change that each error alone makes, against the same sessions without any."""
    bare = run(draw, numbers, frozenset(), jobs=jobs)
    keys = ("on_axis", "listening_window", "sound_power_di")
    lines = [f"| alone, curve | {_COLUMNS} |", "| --- |" + " --- |" * len(BANDS_HZ)]
    for key in keys:
        cells = [_cell(*points(bare, key, band)) for band in BANDS_HZ]
        lines.append(f"| no error at all, {key} | " + " | ".join(cells) + " |")
    for name in ERRORS:
        alone = run(draw, numbers, frozenset({name}), jobs=jobs)
        for key in keys:
            cells = []
            for band in BANDS_HZ:
                change = [
                    (one.curves[key].error - before.curves[key].error)[
                        _rows(one, band) & one.curves[key].valid & before.curves[key].valid
                    ]
                    for one, before in zip(alone, bare, strict=True)
                    if key in one.curves and key in before.curves
                ]
                every = np.abs(np.concatenate(change)) if change else np.zeros(0)
                cells.append(f"{np.median(every):.2f}, {np.percentile(every, 95):.2f}" if every.size else "none")
            lines.append(f"| {name}, {key} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def report(some: list[Judged], *, brief: bool) -> str:
    refused = [one for one in some if one.refused]
    parts = [
        f"{len(some)} sessions, {sum('recorded' in one.groups for one in some)} of them from recordings on, "
        f"{sum('box' in one.groups for one in some)} on boxes, {len(refused)} refused as a whole. Cells: share inside "
        "U95 (bold outside 90 to 99 %), median error / median U95 (dB, degrees for coverage), in brackets the share of "
        "points that are valid in percent.",
        whole_table(some),
        curve_table(some),
        figure_table(some),
    ]
    if not brief:
        parts += [reason_table(some), group_table(some), worst_table(some)]
        parts += [f"refused as a whole: {one.number}: {one.refused}" for one in refused]
    return "\n\n".join(parts)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--draw", choices=tuple(DRAWS), default="tuning")
    parser.add_argument("--sessions", type=int, default=300)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--off", nargs="+", choices=ERRORS, default=(), help="errors to leave out")
    parser.add_argument("--causes", type=int, help="so many sessions, with each error alone")
    parser.add_argument("--recorded", type=int, default=60, help="sessions below this number are recorded")
    parser.add_argument("--keep", type=Path, help="folder of judged sessions: what is there is not done again")
    parser.add_argument("--brief", action="store_true", help="curves and figures only")
    given = parser.parse_args()
    if given.causes is not None:
        print(causes_table(given.draw, range(given.first, given.first + given.causes), given.jobs))
        return
    if given.keep is not None:
        given.keep.mkdir(parents=True, exist_ok=True)
    numbers = range(given.first, given.first + given.sessions)
    on = frozenset(ERRORS) - set(given.off)
    found = run(given.draw, numbers, on, jobs=given.jobs, recorded=given.recorded, folder=given.keep)
    print(report(found, brief=given.brief))


if __name__ == "__main__":
    main()
