"""[[take]] tables as they are written become one table a recording: a pattern declares a whole orbit."""

import os
import re
from collections import Counter
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from earwitness.errors import Fault, FormatError
from earwitness.session.responses import is_scan_table, spell_out_scan
from earwitness.session.toml_text import Keys, line_of, told

FILE = "session.toml"
ANGLE = "{angle}"
MOST_TAKES = 250_000
# In place of the suffix: any kind of recording.
_ANY = ".*"
_NUMBER = r"([+-]?\d{1,3}(?:\.\d{1,6})?)"


@dataclass(frozen=True, slots=True)
class WrittenTake:
    """One take as keys and values, and `index`, the number of the [[take]] table it stands in, from 0."""

    index: int
    table: dict[str, Any]

    @property
    def label(self) -> str:
        """How a message names it."""
        try:
            return f"take {self.table['id']!s:.80}"
        except ValueError:
            # A number of thousands of digits, which Python does not print.
            return f"take number {self.index + 1}"


def take_line(lines: dict[Keys, int], index: int, key: str | int) -> int | None:
    """Line of a key of a [[take]] table; file and angle of a pattern stand where the pattern stands."""
    if key in ("file", "angle_deg") and ("take", index, key) not in lines:
        key = "files"
    if key == "position_m" and ("take", index, key) not in lines:
        key = "positions"
    return line_of(lines, ("take", index, key))


def spell_out(given: Any, folder: Path, lines: dict[Keys, int], faults: list[Fault]) -> list[WrittenTake]:
    """Every take of the file, patterns replaced by one take a recording; what cannot be read goes to `faults`."""
    takes: list[WrittenTake] = []
    for index, table in enumerate(given if isinstance(given, list) else []):
        if not isinstance(table, dict):
            faults.append(told("take_no_table", FILE, line_of(lines, ("take", index)), "take"))
            continue
        spelled = [dict(table)]
        if is_scan_table(table):
            spelled = _scanned(table, index, folder, lines, faults)
        elif "files" in table:
            spelled = _spelled(table, index, folder, lines, faults)
        takes += [WrittenTake(index, take) for take in spelled]
        if len(takes) > MOST_TAKES:
            place = line_of(lines, ("take", index))
            faults.append(told("takes_too_many", FILE, place, "take", most_takes=MOST_TAKES))
            break
    _name(takes)
    return takes


def _scanned(
    table: dict[str, Any], index: int, folder: Path, lines: dict[Keys, int], faults: list[Fault]
) -> list[dict[str, Any]]:
    try:
        return spell_out_scan(table, folder)
    except FormatError as error:
        told = re.search(r", line (\d+)$", error.where)
        name = table["positions"] if isinstance(table["positions"], str) else FILE
        place = (name, int(told[1])) if told else (FILE, line_of(lines, ("take", index, "positions")))
        faults.append(Fault(error.what, *place, "take.positions", error.expected, error.remedy))
        return []


def _name(takes: list[WrittenTake]) -> None:
    """Give every take without id the stem of its file, with the folder where stems of two files are alike."""
    files = {t.table["file"] for t in takes if isinstance(t.table.get("file"), str)}
    stems = Counter(PurePosixPath(file).stem for file in files)
    for take in takes:
        file = take.table.get("file")
        if not isinstance(file, str) or not PurePosixPath(file).name:
            take.table.setdefault("id", f"number {take.index + 1}")
            continue
        path = PurePosixPath(file)
        take.table.setdefault("id", path.stem if stems[path.stem] == 1 else path.with_suffix("").as_posix())


def _spelled(
    table: dict[str, Any], index: int, folder: Path, lines: dict[Keys, int], faults: list[Fault]
) -> list[dict[str, Any]]:
    pattern, line = table["files"], line_of(lines, ("take", index, "files"))
    if not isinstance(pattern, str) or pattern.count(ANGLE) != 1 or ANGLE not in PurePosixPath(pattern).name:
        faults.append(told("pattern_without_angle", FILE, line, "take.files"))
        return []
    for extra in ("file", "angle_deg", "id"):
        if extra in table:
            place = line_of(lines, ("take", index, extra))
            faults.append(told("files_with_other", FILE, place, f"take.{extra}", extra=extra))
            return []
    found = _matches(table, pattern, folder)
    if not found:
        faults.append(
            told(
                "pattern_without_files",
                FILE,
                line,
                "take.files",
                pattern=pattern,
                listed=", ".join(pattern.replace(ANGLE, a) for a in ("-10", "0", "030")),
            )
        )
    return found


def _matches(table: dict[str, Any], pattern: str, folder: Path) -> list[dict[str, Any]]:
    before, after = PurePosixPath(pattern).name.split(ANGLE)
    parent = PurePosixPath(pattern).parent
    end = re.escape(after.removesuffix(_ANY)) + r"\.(?i:wav|flac)" if after.endswith(_ANY) else re.escape(after)
    name = re.compile(re.escape(before) + _NUMBER + end, re.ASCII)
    shared = {key: value for key, value in table.items() if key != "files"}
    try:
        names = sorted(os.listdir(folder / parent))
    except (OSError, ValueError):
        return []
    hits = [(float(match[1]), n) for n in names if (match := name.fullmatch(n))]
    return [{**shared, "file": (parent / n).as_posix(), "angle_deg": angle} for angle, n in sorted(hits)]
