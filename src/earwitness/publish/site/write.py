"""Write a review: everything into a fresh folder beside its place, then one rename.

Of a folder that is written again only what the program wrote there itself gives way. A record in the folder names every
file that was written, by its hash. What the record does not name is the tester's, and so is a file that was edited
since: it stays, under its name where that is free, else in a folder beside.
"""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import shutil
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from earwitness import __version__
from earwitness.audition.filters import minimum_phase_taps
from earwitness.audition.loudness import k_weighting
from earwitness.audition.render import through
from earwitness.errors import InputError, OutputError, cannot_write
from earwitness.exhibits.chart import Chart, Table
from earwitness.exhibits.level_facts import KEY_WORDS
from earwitness.exhibits.words import COVERAGE_SENTENCE
from earwitness.figures.load import on_load_grid
from earwitness.figures.sensitivity import band_level
from earwitness.files.data import file_text, table_of
from earwitness.files.durable import clear_dead, replace_folder, temporary_name
from earwitness.insight.findings.narrow import hidden_db
from earwitness.insight.match.amplifier import BAND_HZ
from earwitness.insight.match.plan_room import walls_tried
from earwitness.insight.match.subwoofer import EXCURSION_BAND_HZ, main_response, slope_words
from earwitness.insight.mend.equalizer import Band, Equalizer, sections
from earwitness.publish.downloads import Download, write_downloads
from earwitness.publish.own_words import PARTS
from earwitness.publish.review import Review, five_minutes, number_parts, value_parts
from earwitness.publish.site.corrections import Correction
from earwitness.quantities import FloatArray, hz_words
from earwitness.render.html import chart_script, figure_html, numbers_html, numbers_script, table_html
from earwitness.render.theme import base_css, theme_css

if TYPE_CHECKING:
    from markupsafe import Markup

CHART_WIDTH_PX = 960
FIRST_WIDTH_PX = 856
PAIR_WIDTH_PX = 624
PAGE = "index.html"
NUMBERS = "numbers.html"
_NOT_HTML = re.compile("[^\t\n\r\x20-\x7e\xa0-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
GENERATOR = f"Earwitness {__version__}"
_SECTIONS = table_of("publish", "review")["sections"]
_USUAL = frozenset(table_of("publish", "review")["usual_files"])
_REVIEW = b'<p class="kind">Review of a loudspeaker</p>'
_MARK = b'<meta name="generator" content="Earwitness '


@dataclass(frozen=True, slots=True)
class WrittenPage:
    """page : path of the index.html; lines : what became of files that the tester put into the folder or changed."""

    page: Path
    lines: tuple[str, ...]


def write_review(
    review: Review, folder: Path, *, more: Mapping[str, bytes] | None = None, shared: str = ""
) -> WrittenPage:
    """Write `review` as `folder`; of an older review in that folder all that the program wrote is replaced.

    more : further files of the folder, by name; shared : path from the page to the folder of `shared_files`, which is
    then not written; "" to have them beside the page. The same review gives the same bytes (the SOFA file as far as its
    writer does). Nothing of the folder changes until all is written; see `put_folder` for what is not the
    program's. Raises OutputError where the folder holds no review, or may not or cannot be written.
    """
    from markupsafe import Markup

    folder = Path(folder).absolute()
    _refuse_foreign(folder)

    def fill(fresh: Path) -> None:
        downloads, numbers = write_downloads(review, fresh), Markup(numbers_html(review.charts))
        for name, content in {
            **{photo.name: photo.picture.data for photo in review.photos},
            PAGE: page_html(review, downloads, shared=shared).encode(),
            NUMBERS: rendered(
                "numbers.html.jinja", title=review.title, shared=shared, page=PAGE, numbers=numbers
            ).encode(),
            "numbers.js": numbers_script(review.charts).encode(),
            **({} if shared else shared_files()),
            **(more or {}),
        }.items():
            (fresh / name).parent.mkdir(exist_ok=True)
            (fresh / name).write_bytes(content)

    try:
        lines = put_folder(folder, fill, usual=_USUAL)
    except OSError as error:
        raise cannot_write("the review", folder, error, remedy="what was there before is untouched") from error
    return WrittenPage(folder / PAGE, lines)


def page_html(review: Review, downloads: tuple[Download, ...], *, shared: str = "") -> str:
    """The page as text. shared : as in `write_review`."""
    from markupsafe import Markup

    read, ask, hear = five_minutes(review), calculator_data(review), player_data(review)
    sections: list[dict[str, Any]] = [{"id": key, "title": title, "exhibits": []} for key, title in _SECTIONS.items()]
    for exhibit in read.others:
        part = next(section for section in sections if section["id"] == _section_of(exhibit.key))
        part["exhibits"].append(_shown(exhibit, CHART_WIDTH_PX))
    return rendered(
        "page.html",
        review=review,
        shared=shared,
        verdict=Markup(review.own_words.html("verdict")),
        own_words=[
            (PARTS[key], Markup(review.own_words.html(key))) for key in review.own_words.parts if key != "verdict"
        ],
        first=None if read.first is None else _shown(read.first, FIRST_WIDTH_PX),
        charts=[_shown(one, PAIR_WIDTH_PX) for one in read.charts],
        read=read,
        ask=ask,
        ask_json=Markup(calculator_json(ask)),
        hear=hear,
        hear_json=Markup(calculator_json(hear)),
        slopes=[(slope, slope_words(slope)) for slope in ("BW2", "LR4", "BW1", "LR2", "BW3", "BW4", "LR8")],
        headlines=[(one, *value_parts(one)) for one in review.headlines],
        key_words=KEY_WORDS,
        size=dict(review.facts)["Size (w × h × d)"],
        price=dict(review.facts)["Price"],
        sections=[one for one in sections if one["exhibits"] or one["id"] == "measured"],
        figures=Markup(table_html(review.figures)),
        corrections=[(one, Markup(_changes_html(one))) for one in review.corrections],
        quality=Markup(table_html(review.quality)) if review.quality is not None else "",
        downloads=[(file, file.path.rsplit("/", 1)[-1], _size_words(file.size_bytes)) for file in downloads],
        coverage=COVERAGE_SENTENCE,
    )


def rendered(template: str, **values: object) -> str:
    """A template of the site, filled in: escaped, without characters that HTML and XML forbid."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    environment = Environment(
        loader=FunctionLoader(asset),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_printable,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {"number_parts": number_parts, "whole_units": _whole_units}
    return environment.get_template(template).render(generator=GENERATOR, **values)


def _printable(value: object) -> object:
    """A value for the template; characters that HTML does not allow are replaced in plain text."""
    if isinstance(value, str) and not hasattr(value, "__html__"):
        return _NOT_HTML.sub("\N{REPLACEMENT CHARACTER}", value)
    return value


def _whole_units(words: str) -> Markup:
    """Words in which a unit with a stroke is not torn at the end of a line."""
    from markupsafe import Markup, escape

    return Markup(str(escape(_printable(words))).replace("dB/oct", '<span class="whole">dB/oct</span>'))


def _section_of(key: str) -> str:
    """Heard, measured, mended or match: where an exhibit stands on the page."""
    return next(
        (section for start, section in table_of("publish", "review")["places"].items() if key.startswith(start)),
        "measured",
    )


def section_title_of(key: str) -> str:
    """Title of the part of the page in which an exhibit stands."""
    return str(_SECTIONS[_section_of(key)])


@cache
def shared_files() -> dict[str, bytes]:
    """Style sheet and scripts, which are the same for every review, by name."""
    # The theme of the charts, what all pages share, then the page.
    made = {"style.css": f"{theme_css()}\n{base_css()}\n{asset('page.css')}", "charts.js": chart_script()}
    made |= {"calculators.js": calculator_script(), "player.js": player_script()}
    return {name: text.encode() for name, text in made.items()}


def shared_folder() -> str:
    """Name of their folder in a site. Another version has another, so that a page that stays finds its own."""
    return f"shared-{hashlib.sha256(b''.join(shared_files().values())).hexdigest()[:8]}"


def _shown(exhibit: Chart | Table, width_px: int) -> dict[str, Any]:
    from markupsafe import Markup

    chart = isinstance(exhibit, Chart)
    html = figure_html(exhibit, width_px, numbers_at=NUMBERS) if isinstance(exhibit, Chart) else table_html(exhibit)
    return {"id": exhibit.key.replace("_", "-"), "title": exhibit.title, "is_chart": chart, "html": Markup(html)}


def _changes_html(one: Correction) -> str:
    """The figures that a later publication changed as a table; "" where it changed none."""
    if not one.changes:
        return ""
    rows = tuple((change.name, change.before, change.after) for change in one.changes)
    title = f"What revision {one.revision} changed"
    columns = ("Figure", "Before", "Now")
    return table_html(Table(f"changes-{one.revision}", title, columns, ("left", "left", "left"), rows))


def asset(name: str) -> str:
    """The text of a file of the site."""
    return file_text("publish", f"site/{name}")


def _refuse_foreign(folder: Path) -> None:
    """OutputError where `folder` is a file, or a folder with something in it that is no review of ours."""
    remedy = "give a new or empty folder, or one that holds an earlier review"
    try:
        if folder.exists() and not folder.is_dir():
            raise OutputError("the review needs a folder, and this is a file", where=str(folder), remedy=remedy)
        if not folder.is_dir() or not any(folder.iterdir()):
            return
        page = folder / PAGE
        text = page.read_bytes() if page.is_file() else b""
        ours = _MARK in text[:2000] and _REVIEW in text
    except OSError as error:
        what = f"the folder cannot be looked into: {error.strerror or error}"
        raise OutputError(what, where=str(folder), remedy="give a folder you may read and write") from error
    if not ours:
        raise OutputError("the folder holds something that is no review", where=str(folder), remedy=remedy)


def _size_words(size_bytes: int) -> str:
    if size_bytes < 1000:
        return f"{size_bytes} bytes"
    return f"{size_bytes / 1e3:.0f} kB" if size_bytes < 1e6 else f"{size_bytes / 1e6:.1f} MB"


RECORD = "made.json"
FORMAT = 1
KEPT = "kept"
_MOST_BYTES = 4_000_000
_TOLD = 5
# Files in which the time of writing stands: the same page would have another record each time.
_STAMPED = (".sofa",)


def put_folder(folder: Path, fill: Callable[[Path], None], *, usual: Collection[str]) -> tuple[str, ...]:
    """Make `folder` anew by `fill`, beside it first; what is the tester's in it stays. Sentences that tell of that.

    usual : as in `carry_over`. Nothing of the folder changes until all is written. Raises as `carry_over`.
    """
    folder.parent.mkdir(parents=True, exist_ok=True)
    clear_dead(folder.parent)
    fresh = folder.with_name(temporary_name())
    try:
        fresh.mkdir()
        fill(fresh)
        write_record(fresh)
        lines = carry_over(folder, fresh, usual=usual)
        replace_folder(fresh, folder)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return lines


def write_record(folder: Path) -> None:
    """Write which files `folder` holds, all of them being the program's. OSError where the disk refuses."""
    files = {
        path.relative_to(folder).as_posix(): "" if path.suffix in _STAMPED else _hash_of(path)
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
    text = json.dumps({"format": FORMAT, "files": files}, indent=1, sort_keys=True)
    (folder / RECORD).write_text(text + "\n", encoding="utf-8")


def carry_over(folder: Path, fresh: Path, *, usual: Collection[str]) -> tuple[str, ...]:
    """Put what is the tester's in `folder` into `fresh`, which takes its place; sentences that tell of it.

    Files are linked where the disk can, so that they are in both; nothing of `folder` changes. usual : names that the
    program gives, for a folder that an earlier version wrote without a record. Raises OutputError for a damaged
    record, OSError where the disk refuses.
    """
    if not folder.is_dir():
        return ()
    made = _made(folder)
    theirs: dict[str, Path] = {}
    for path in _files_below(folder):
        name = path.relative_to(folder).as_posix()
        if name != RECORD and not (name in usual if made is None else _is_as_made(path, made.get(name))):
            theirs[name] = path
    # What has its place goes first, so that nothing that was put beside earlier has to give way.
    stayed = [name for name, path in theirs.items() if _put(path, fresh / name, fresh)]
    moved = [_put_beside(path, name, fresh) for name, path in theirs.items() if name not in set(stayed)]
    lines = []
    if stayed:
        more = f" and {len(stayed) - _TOLD} more" if len(stayed) > _TOLD else ""
        lines.append(f"your own files in the folder stayed: {', '.join(stayed[:_TOLD])}{more}")
    lines += [f"a page that you had changed gave way to the new one; yours is now {one}" for one in moved if one]
    return tuple(lines)


def _made(folder: Path) -> dict[str, str] | None:
    """Hashes of the files that the program wrote into `folder`, None where no record is."""
    path = folder / RECORD
    if not path.is_file():
        return None
    try:
        if path.stat().st_size > _MOST_BYTES:
            raise ValueError("it is too long")
        document = json.loads(path.read_text(encoding="utf-8"))
        files = document["files"]
        if document["format"] != FORMAT or not all(isinstance(one, str) for one in files.values()):
            raise ValueError("it holds something else")
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise OutputError.of("publish.record_unreadable", where=str(path), error=error) from None
    return {str(name): digest for name, digest in files.items()}


def _files_below(folder: Path) -> Iterator[Path]:
    """Files, links and empty folders below `folder`, links not followed."""
    for place, folders, files in os.walk(folder, onerror=_refuse):
        here = Path(place)
        yield from (here / name for name in sorted(files))
        yield from (here / name for name in sorted(folders) if (here / name).is_symlink())
        if not folders and not files and here != folder:
            yield here


def _refuse(error: OSError) -> None:
    raise error


def _is_as_made(path: Path, digest: str | None) -> bool:
    if digest is None or path.is_symlink() or not path.is_file():
        return False
    return digest in ("", _hash_of(path))


def _put(path: Path, target: Path, fresh: Path) -> bool:
    """Whether `path` could be put at `target`, where nothing of the program's is."""
    above = target.parent
    while above != fresh:
        if above.is_symlink() or (above.exists() and not above.is_dir()):
            return False
        above = above.parent
    if target.exists() or target.is_symlink():
        return target.is_dir() and path.is_dir() and not path.is_symlink() and not target.is_symlink()
    target.parent.mkdir(parents=True, exist_ok=True)
    if path.is_symlink():
        target.symlink_to(path.readlink())
    elif path.is_dir():
        target.mkdir()
    else:
        try:
            os.link(path, target)
        except OSError:
            with suppress(FileNotFoundError):
                target.unlink()
            shutil.copy2(path, target)
    return True


def _put_beside(path: Path, name: str, fresh: Path) -> str:
    """Put `path` into the first folder beside that has room for its name; where it is now, "" where it was already."""
    number = 1
    while True:
        beside = f"{KEPT}{'' if number == 1 else f'-{number}'}/{name}"
        target = fresh / beside
        if _put(path, target, fresh):
            return beside
        if path.is_file() and target.is_file() and _hash_of(path) == _hash_of(target):
            return ""
        number += 1


def _hash_of(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


RATE_HZ = 48_000
MOST_TAPS = 8192
"""Holds a low cut of fourth order at 40 Hz within 0.05 dB (own check), in 44 kB of text."""


def player_script() -> str:
    """The script that plays: classic, it works from disk."""
    return file_text("publish", "site/player.js")


def player_data(review: Review) -> dict[str, object]:
    """Filters at 48 kHz: taps of the listening window (base64 of 32-bit floats), sections of the equalizer and of the
    most audible peak or dip, of the loudness weighting, and of what makes noise pink; {} without a listening window.
    """
    made: dict[str, object] = {}
    with suppress(InputError, KeyError):
        version = through(review.reading.curves["listening_window"], "as-is", "")
        findings = () if review.advice is None else review.advice.findings
        heard = version.level_db + hidden_db(findings, version.hz)
        taps = minimum_phase_taps(version.hz, heard, RATE_HZ)[:MOST_TAPS]
        fade = MOST_TAPS // 8
        if taps.size == MOST_TAPS:
            taps[-fade:] *= 0.5 + 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
        made = {
            "rate": RATE_HZ,
            "taps": base64.b64encode(taps.astype("<f4").tobytes()).decode(),
            "weighting": k_weighting(RATE_HZ).tolist(),
            "pink": _pink().tolist(),
            "equalizer": None,
            "finding": None,
        }
        if review.equalizer is not None and review.equalizer.bands:
            made["equalizer"] = sections(review.equalizer, RATE_HZ).tolist()
        sized = [
            (one, size_db) for one in findings if one.q is not None and (size_db := one.size_in("listening_window"))
        ]
        shaped, size_db = max(sized, key=lambda pair: pair[0].margin_db, default=(None, 0.0))
        if shaped is not None and shaped.q is not None:
            alone = Equalizer((Band("peaking", shaped.center_hz, size_db, shaped.q),))
            words = f"Only {size_db:+.1f} dB at {hz_words(shaped.center_hz)}".replace("-", "\N{MINUS SIGN}")
            made["finding"] = {"words": words, "sections": sections(alone, RATE_HZ).tolist()}
    return made


def _pink() -> FloatArray:
    """(9, 6) sections whose poles and zeros take turns three to a decade: level falls 10 dB a decade from 20 Hz to
    20 kHz, within half a decibel (handbook: half-order slope by alternating poles and zeros)."""
    poles_hz = 10.0 ** np.arange(1.0, 4.01, 1.0 / 3.0)
    rows = []
    for pole_hz in poles_hz:
        pole, zero = (np.exp(-2.0 * np.pi * hz / RATE_HZ) for hz in (pole_hz, pole_hz * 10.0 ** (1.0 / 6.0)))
        rows.append([1.0, -zero, 0.0, 1.0, -pole, 0.0])
    return np.array(rows)


SEAT_M = 3.0


def calculator_script() -> str:
    """The script of the questions: classic, it works from disk."""
    return file_text("publish", "site/calculators.js")


def calculator_data(review: Review) -> dict[str, object]:
    """Sensitivity [dB], sound power [dB at 1 m] and clean level [dB], load [ohm] over hz, the main's level [dB] over hz
    in the bass, each with its U (k = 2).

    What is not known is None; {} without a sensitivity, where no question can be answered.
    """
    reading, impedance = review.reading, review.measurement.impedance
    sensitivity, clean = (reading.figures.get(key) for key in ("sensitivity", "highest_clean_level"))
    if sensitivity is None or sensitivity.value is None or sensitivity.u is None:
        return {}
    load, main, spread = None, None, reading.curves.get("sound_power")
    power = None if spread is None else band_level(spread, key="power")
    if impedance is not None:
        grid = on_load_grid(impedance)
        rows = grid.valid & (grid.axis.hz >= 0.999 * BAND_HZ[0]) & (grid.axis.hz <= BAND_HZ[1])
        if rows.any():
            size, u = np.abs(grid.ohm[rows]), grid.u_ohm[rows]
            load = {"hz": _short(grid.axis.hz[rows]), "ohm": _short(size), "u95": _short(2.0 * u, 3)}
    try:
        found = main_response(reading.curves["on_axis"])
        rows = (found.axis.hz >= EXCURSION_BAND_HZ[0]) & (found.axis.hz <= EXCURSION_BAND_HZ[1])
        level_db = 20.0 * np.log10(np.abs(found.pressure[rows]))
        u95 = [round(2.0 * float(u), 3) for u in found.u_db[rows]]
        main = {"hz": _short(found.axis.hz[rows]), "db": [round(float(v), 3) for v in level_db], "u95": u95}
    except (InputError, KeyError):
        # The page leaves the question out, as the exhibit does.
        pass
    return {
        "sensitivity": round(sensitivity.value, 3),
        "sensitivityU95": round(2.0 * sensitivity.u, 3),
        "power": power and power.value and round(power.value, 3),
        "powerU95": power and power.u and round(2.0 * power.u, 3),
        "clean": None if clean is None or clean.value is None else round(clean.value, 3),
        "cleanU95": clean and clean.u and round(2.0 * clean.u, 3),
        "cleanBound": "" if clean is None else clean.bound,
        "ratedOhm": review.loudspeaker.rated_impedance_ohm,
        "load": load,
        "wall": _walls(review),
        "main": main,
    }


def _walls(review: Review) -> list[dict[str, float]] | None:
    """What a wall behind does at each distance that `wall_behind` tries, the seat 3 m ahead; None where that is not
    known."""
    response, depth_m = review.measurement.response, review.loudspeaker.depth_m
    try:
        found = walls_tried(response, SEAT_M, depth_m)
    except InputError:
        return None
    names = ("m", "lift", "liftU95", "dip", "dipU95", "hz")
    rows = ((m, one.lift_db, 2 * one.u[0], one.dip_db, 2 * one.u[1], one.dip_hz) for m, one in found.items())
    return [dict(zip(names, _short(np.array(row)), strict=True)) for row in rows]


def calculator_json(data: dict[str, object]) -> str:
    """The numbers as they stand in the page: nothing in them ends the element."""
    return json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _short(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], digits: int = 6) -> list[float]:
    return [float(f"{value:.{digits}g}") for value in values]
