"""What a re-publication changed, in numbers, and why."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

from earwitness import __version__
from earwitness.exhibits.figures_table import SIGNED, figure_name
from earwitness.exhibits.words import figure_words
from earwitness.quantities import Reading

_MOST_TOLD: Final = 3


@dataclass(frozen=True, slots=True)
class Change:
    """One figure as it was and as it is, in words."""

    key: str
    name: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class Correction:
    """One re-publication. reasons : sentences; changes : figures whose printed value is another."""

    revision: int
    published: str
    reasons: tuple[str, ...]
    changes: tuple[Change, ...]


def publication_document(
    reading: Reading, *, date: str, session_key: str, state: str = "", because: str = ""
) -> dict[str, Any]:
    """What of a publication is kept, so that the next one can be compared with it. state : unit and variant."""
    return {
        # Left out where not stated, as in what was kept before there were units.
        **({"state": state} if state else {}),
        "program": __version__,
        "date": date,
        "session": session_key,
        "because": because,
        "choices": dict(sorted(reading.choices.items())),
        "figures": {
            key: {"value": f.value, "u": f.u, "unit": f.unit, "words": figure_words(f, sign=key in SIGNED)}
            for key, f in reading.figures.items()
        },
    }


def corrections_of(publications: Sequence[tuple[int, str, Mapping[str, Any]]]) -> tuple[Correction, ...]:
    """The log from all publications (number, when, document) of one loudspeaker, first one first; newest first out."""
    found = []
    for (_, _, before), (number, when, after) in pairwise(publications):
        found.append(Correction(number, when, _reasons(before, after), _changes(before, after)))
    return tuple(reversed(found))


def _changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[Change, ...]:
    had, has = before.get("figures", {}), after.get("figures", {})
    rows = []
    for key in dict.fromkeys([*had, *has]):
        old = had[key]["words"] if key in had else "not published"
        new = has[key]["words"] if key in has else "no longer published"
        if old != new:
            rows.append(Change(key, figure_name(key), old, new))
    return tuple(rows)


def _which(document: Mapping[str, Any]) -> str:
    """The session of a publication: unit, variant and day."""
    return f"{document.get('state') or 'a unit not stated'}, measured on {document.get('date')}"


def change_words(log: Sequence[Correction]) -> str:
    """What the latest re-publication changed, in a sentence or two; "" without one."""
    if not log:
        return ""
    latest = log[0]
    told = "; ".join(f"{one.name}: {one.after}, before {one.before}" for one in latest.changes[:_MOST_TOLD])
    more = len(latest.changes) - _MOST_TOLD
    told += f"; {more} more" if more > 0 else ""
    return f"Revision {latest.revision}: {' '.join(latest.reasons)} {told}{'.' if told else ''}".strip()


def _reasons(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[str, ...]:
    found = [str(after["because"])] if after.get("because") else []
    if before.get("session") != after.get("session"):
        if before.get("state", "") != after.get("state", ""):
            found.append(f"It is of {_which(after)} now; before, of {_which(before)}.")
        elif before.get("date") != after.get("date"):
            found.append(f"It was measured anew on {after.get('date')}; before, on {before.get('date')}.")
        else:
            found.append("The facts or recordings of the session were mended.")
    if before.get("program") != after.get("program"):
        found.append(f"The program is version {after.get('program')}; before, {before.get('program')}.")
    old, new = before.get("choices", {}), after.get("choices", {})
    for key in dict.fromkeys([*old, *new]):
        if old.get(key) != new.get(key):
            words = key.replace("_", " ")
            found.append(f"The choice “{words}” is {new.get(key, 'not made')}; before, {old.get(key, 'not made')}.")
    return tuple(found) or ("The words of the review changed, no number did.",)
