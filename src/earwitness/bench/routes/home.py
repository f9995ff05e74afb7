"""The first page, the desk: every loudspeaker with the state of the seven verbs, and the one thing to do next."""

import datetime
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from earwitness.archive.catalogue import Archive
from earwitness.archive.choose import folded
from earwitness.archive.latest import SEEN, SESSION_FORM, Desk, OnDesk, desk
from earwitness.archive.neighbors import Neighbor, neighbors
from earwitness.bench.pages import page, part
from earwitness.bench.state import BenchState
from earwitness.files.data import table_of
from earwitness.render.traces import tiny_curve

VERBS = ("listen", "measure", "read", "mend", "match", "compare", "publish")
PAGE_ROWS = 40
RATING = "preference_rating"
Order = Literal["work", "newest", "maker", "model", "warnings", "rating"]
Which = Literal["all", "work", "warnings", "published"]


@dataclass(frozen=True, slots=True)
class HomeRow:
    """A line of the desk.

    states : of VERBS, each "done", "begun" or "open"; words : what comes next; action, href : the way there; day : of
    the latest session, ISO 8601, "" without one; touched : of the latest change known; warnings : sentences; id : None
    before its first session; curve : path of an SVG of 90 x 36 px; is_kept_back : its data were not shown yet; rating :
    value and standard uncertainty
    """

    name: str
    maker: str
    states: tuple[str, ...]
    words: str
    href: str
    action: str = "Continue"
    day: str = ""
    touched: str = ""
    warnings: tuple[str, ...] = ()
    id: int | None = None
    curve: str = ""
    is_kept_back: bool = False
    rating: tuple[float, float] | None = None

    @property
    def is_in_work(self) -> bool:
        """Whether a person has begun and not finished: who only took data in has not."""
        by_hand = self.states[:1] + self.states[2:]
        return self.states[-1] != "done" and (self.id is None or any(one != "open" for one in by_hand))

    @property
    def date(self) -> str:
        """The day as a person writes it, such as "2 Mar 2026"."""
        try:
            day = datetime.date.fromisoformat(self.day)
        except ValueError:
            return self.day
        return f"{day.day} {day:%b %Y}"

    @property
    def rating_words(self) -> str:
        """The rating with its 95 % uncertainty, "" where there is none."""
        if self.rating is None:
            return ""
        # Words bring the registry of figures and scipy with it: a first page without a rating must not wait for them.
        from earwitness.exhibits.words import value_words

        return value_words(*self.rating, "")


@dataclass(frozen=True, slots=True)
class Home:
    """A page of the desk. total : loudspeakers on it; in_work : of them; found : those asked for."""

    rows: tuple[HomeRow, ...]
    total: int
    in_work: int
    found: int
    page: int
    pages: int


def home(archive_folder: Path, *, words: str = "", order: Order = "work", which: Which = "all", page: int = 1) -> Home:
    """The loudspeakers whose maker and model hold all `words`; page : from 1, of PAGE_ROWS each, the nearest there is.

    Raises ArchiveError as opening the archive does."""
    wanted = folded(words).split()
    with Archive.open(archive_folder) as archive:
        told = desk(archive)
        every = [*_before_data(told), *(_row(one) for one in told.rows)]
        named = [one for one in every if all(word in folded(f"{one.maker} {one.name}") for word in wanted)]
        found = [one for one in named if _is_among(one, which)]
        pages = max(1, -(-len(found) // PAGE_ROWS))
        page = min(max(page, 1), pages)
        if order == "rating":
            found = _shown(found, {one.loudspeaker_id: one for one in neighbors(archive, (RATING,), with_shapes=False)})
        found.sort(key=_ORDERS[order])
        rows = found[(page - 1) * PAGE_ROWS : page * PAGE_ROWS]
        ids = [one.id for one in rows if one.id is not None]
        rows = _shown(rows, {one.loudspeaker_id: one for one in neighbors(archive, (RATING,), only=ids)})
    return Home(tuple(rows), len(every), sum(one.is_in_work for one in every), found=len(found), page=page, pages=pages)


def _is_among(row: HomeRow, which: Which) -> bool:
    return {
        "all": True, "work": row.is_in_work, "warnings": bool(row.warnings), "published": row.states[-1] == "done",
    }[which]  # fmt: skip


def _late_first(text: str) -> tuple[int, ...]:
    return tuple(-ord(char) for char in text)


def _by_name(row: HomeRow) -> tuple[Any, ...]:
    return folded(row.name), folded(row.maker)


_ORDERS = {
    "work": lambda row: (not row.is_in_work, row.states[-1] == "done", _late_first(row.touched), _by_name(row)),
    "newest": lambda row: (_late_first(row.day or row.touched[:10]), _by_name(row)),
    "maker": lambda row: (folded(row.maker), folded(row.name)),
    "model": _by_name,
    "warnings": lambda row: (-len(row.warnings), _by_name(row)),
    "rating": lambda row: (0.0 if row.rating is None else -row.rating[0] - 100.0, _by_name(row)),
}


def _shown(rows: Sequence[HomeRow], known: Mapping[int, Neighbor]) -> list[HomeRow]:
    """With curve and rating where the data were shown before: else listening could not come first."""
    out = []
    for row in rows:
        one = known.get(-1 if row.id is None else row.id)
        if one is not None and one.is_opened:
            figure = one.figures.get(RATING)
            curve = tiny_curve(one.curves.get("listening_window"))
            row = replace(row, curve=curve, rating=None if figure is None else (figure.value, figure.u))
        out.append(replace(row, is_kept_back=one is not None and not one.is_opened))
    return out


def _before_data(told: Desk) -> Iterator[HomeRow]:
    """Loudspeakers that there are only notes or a session form of."""
    known = {one.folded for one in told.rows}
    forms: dict[tuple[str, str], None] = {}
    for key, value in told.drafts.items():
        if not key.startswith(f"{SESSION_FORM}:") or not isinstance(value, dict) or value.get("folder") in told.folders:
            continue
        document = value.get("document")
        spoken = document.get("loudspeaker") if isinstance(document, dict) else None
        name, maker = (str(spoken.get(k) or "") for k in ("name", "maker")) if isinstance(spoken, dict) else ("", "")
        if not name and not maker:
            continue
        forms[folded(maker), folded(name)] = None
        heard = (folded(maker), folded(name)) in told.heard
        is_written = bool(value.get("written"))
        words = "record the takes, or take them in" if is_written else "the session is not described yet"
        states = ("done" if heard else "open", "begun", *["open"] * 5)
        href = f"/measure?form={key.split(':')[1]}#begin"
        at = str(value.get("at") or "")
        yield HomeRow(name, maker, states=states, words=f"Measure: {words}", href=href, touched=at)
    for who, (maker, name, at) in told.heard.items():
        if who not in known and who not in forms:
            states = ("done", *["open"] * 6)
            href = f"/measure?{urlencode({'maker': maker, 'name': name})}#begin"
            words = "Measure: notes are sealed, no session yet"
            yield HomeRow(name, maker, states=states, words=words, href=href, touched=at)
    notes = told.drafts.get("listen:new")
    setup = notes.get("setup") if isinstance(notes, dict) and not notes.get("sealed") else None
    if isinstance(setup, dict) and (setup.get("loudspeaker") or setup.get("maker")):
        states = ("begun", *["open"] * 6)
        name, maker = str(setup.get("loudspeaker") or ""), str(setup.get("maker") or "")
        yield HomeRow(name, maker, states=states, words="Listen: notes begun, not sealed", href="/listen")


def _row(one: OnDesk) -> HomeRow:
    states = _states(one)
    words, place = _next(one, dict(zip(VERBS, states, strict=True)))
    action = "Open" if words.startswith("Published") else "Begin" if one.session_id is None else "Continue"
    href = "/measure#bring" if place == "measure" else f"/{place}/{one.id}"
    row = HomeRow(one.name, one.maker, states=states, words=words, action=action, href=href)
    return replace(row, day=one.date, touched=one.touched, warnings=one.warnings, id=one.id)


def _states(one: OnDesk) -> tuple[str, ...]:
    notes, mend, seen = (one.drafts.get(key) for key in ("listen", "mend", SEEN))
    seen = seen if isinstance(seen, dict) else {}
    heard = isinstance(notes, dict) and not notes.get("sealed") and (notes.get("remarks") or notes.get("own"))
    bands, kept = (mend.get(key) for key in ("bands", "candidates")) if isinstance(mend, dict) else (None, None)
    is_published = one.published and not one.is_outdated
    return (
        "done" if one.sheets else "begun" if heard else "open",
        "open" if one.session_id is None else "done",
        "done" if one.is_opened else "open",
        "done" if kept or ("mend" in seen and not bands) else "begun" if bands else "open",
        *("done" if f"{verb} asked" in seen else "begun" if verb in seen else "open" for verb in ("match", "compare")),
        "done" if is_published else "begun" if one.published or one.has_words or "publish" in one.drafts else "open",
    )


def _next(one: OnDesk, states: Mapping[str, str]) -> tuple[str, str]:
    """What comes next in words, and its place."""
    if states["publish"] == "done":
        return f"Published, revision {one.published}", "publish"
    if states["measure"] != "done":
        return "Measure: no session of it counts", "measure"
    mend = one.drafts.get("mend")
    bands = len(mend.get("bands") or ()) if isinstance(mend, dict) else 0
    steps = {
        "read": "Read: measured, not looked at yet",
        "mend": f"Mend: {bands} band{'' if bands == 1 else 's'} set, none kept as a candidate"
        if bands
        else "Mend: see whether EQ pays",
        "match": "Match: amplifier, subwoofer and room",
        "compare": "Compare: lay it beside others",
        "publish": f"Publish: the latest session came after revision {one.published}"
        if one.published
        else "Publish: your words are begun"
        if states["publish"] == "begun"
        else "Publish: write your verdict",
    }
    # Not every loudspeaker is matched or compared: opened, they are begun, and hold nothing up.
    place = next(
        (one for one in steps if states[one] == "open" or (one in ("read", "mend") and states[one] != "done")),
        "publish",
    )
    return steps[place], place


router = APIRouter(include_in_schema=False)
_WORDS = table_of("bench", "places")


@router.get("/", response_class=HTMLResponse)
def home_page(
    request: Request,
    bench: BenchState,
    q: Annotated[str, Query(max_length=200)] = "",
    order: Order = "work",
    which: Which = "all",
    at: Annotated[int, Query(ge=1, le=10_000)] = 1,
) -> HTMLResponse:
    """Where a day begins; its list alone where a script asks for a piece."""
    told = home(bench.archive_folder, words=q, order=order, which=which, page=at)

    def address(**other: object) -> str:
        return "/?" + urlencode({"q": q, "order": order, "which": which, **other})

    shown = {"desk": told, "q": q, "order": order, "which": which, "address": address}
    shown |= {"orders": _WORDS["orders"], "whiches": _WORDS["which"], "verbs": VERBS}
    if request.headers.get("wants-piece"):
        return part(request, "home_list.html.jinja", **shown)
    return page(request, "home.html.jinja", place="", title="Desk", **shown)
