"""The tester's choice of exhibits for a review, kept in the archive: every state of it stays."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from earwitness.app.advice import advice_on
from earwitness.app.compare import beside_others, family_of
from earwitness.app.jobs import Progress, part, silent
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.app.settings import own_words
from earwitness.archive.catalogue import Archive
from earwitness.archive.latest import ARRANGEMENT, keep_next, kept_last
from earwitness.exhibits.advice import Advice
from earwitness.exhibits.chart import Chart
from earwitness.publish.arrangement import (
    AS_GENERATED,
    Arrangement,
    arrangement_for,
    from_document,
    outdated,
    to_document,
)
from earwitness.publish.review import Review, review_of


def arrangement_of(archive: Archive, loudspeaker_id: int) -> Arrangement:
    """The choice that was kept last; as generated where there is none."""
    document = kept_last(archive, loudspeaker_id, ARRANGEMENT)
    return AS_GENERATED if document is None else from_document(document, where=str(archive.folder))


def keep_arrangement(archive: Archive, loudspeaker_id: int, arrangement: Arrangement) -> None:
    """Keep a choice; an equal one is kept once."""
    if arrangement_of(archive, loudspeaker_id) != arrangement:
        keep_next(archive, loudspeaker_id, ARRANGEMENT, to_document(arrangement))


def generated_review(result: ReadResult, archive_folder: Path, *, advice: Advice | None) -> Review:
    """The review as it is generated, before the tester's choice of exhibits; nothing is kept as published."""
    with Archive.open(archive_folder, create=False) as archive:
        words = own_words(archive, result.loudspeaker_id)
    beside = beside_others(result, archive_folder)
    return review_of(
        result.reading,
        result.measurement,
        result.session,
        advice=advice,
        beside=beside,
        family=family_of(result, archive_folder),
        own_words=words,
    )


def arrange(
    result: ReadResult,
    archive_folder: Path,
    *,
    advice: Advice | None,
    order: Sequence[str] | None = None,
    left_out: Sequence[str] | None = None,
    captions: Mapping[str, str] | None = None,
) -> Arrangement:
    """Change the choice of exhibits and keep it. What is None stays as it was; order with left_out None shows only
    what it names, with left_out the others follow as generated.

    Raises InputError as `arrangement_for`.
    """
    review = generated_review(result, archive_folder, advice=advice)
    with Archive.open(archive_folder, create=False) as archive:
        before = arrangement_of(archive, result.loudspeaker_id)
        known = [one.key for one in review.exhibits]
        if order is None:
            left_out = [key for key in before.left_out if key in known] if left_out is None else left_out
            order = [key for key in before.order if key in known and key not in left_out]
        elif left_out is None:
            left_out = [key for key in known if key not in order]
        texts = {key: own.text for key, own in before.captions.items() if key in known} | dict(captions or {})
        made = arrangement_for(review, order=order, left_out=left_out or (), captions=texts)
        # A caption that was not touched still stands for the numbers of the day it was written.
        same = {
            key: before.captions[key]
            for key, own in made.captions.items()
            if key not in (captions or {}) and key in before.captions
        }
        made = Arrangement(made.order, made.left_out, {**made.captions, **same})
        keep_arrangement(archive, result.loudspeaker_id, made)
    return made


def arrange_by_name(
    name: str,
    archive_folder: Path,
    *,
    exhibits: Sequence[str] | None,
    captions: Mapping[str, str],
    left_out: Sequence[str] | None = None,
    progress: Progress = silent,
) -> Arrangement:
    """As `arrange`, for the loudspeaker called `name`; exhibits ("all",) brings back the generated order."""
    result = read_loudspeaker(name, archive_folder, progress=part(progress, 0.0, 0.8))
    progress(0.8, "findings and advice")
    advice = advice_on(result, archive_folder)
    order = exhibits
    if exhibits is not None and tuple(exhibits) == ("all",):
        order, left_out = (), left_out or ()
    return arrange(result, archive_folder, advice=advice, order=order, left_out=left_out, captions=captions)


def exhibit_lines(name: str, archive_folder: Path, *, progress: Progress = silent) -> list[str]:
    """Key and title of every exhibit there is, with how the tester chose; captions whose numbers changed are told."""
    result = read_loudspeaker(name, archive_folder, progress=part(progress, 0.0, 0.8))
    progress(0.8, "findings and advice")
    review = generated_review(result, archive_folder, advice=advice_on(result, archive_folder))
    with Archive.open(archive_folder, create=False) as archive:
        chosen = arrangement_of(archive, result.loudspeaker_id)
    lines = []
    for one in review.exhibits:
        marks = ["left out"] if one.key in chosen.left_out else []
        marks += ["own caption"] if isinstance(one, Chart) and one.key in chosen.captions else []
        lines.append(f"{one.key:<28}{one.title}" + (f" ({', '.join(marks)})" if marks else ""))
    return [*lines, *outdated_lines(review, chosen)]


def outdated_lines(review: Review, arrangement: Arrangement) -> list[str]:
    """A line for every own caption whose numbers changed since it was written."""
    titles = {one.key: one.title for one in review.exhibits}
    return [
        f"caption of “{titles[key]}”: its numbers changed since you wrote it; read it again"
        for key in outdated(review, arrangement)
    ]
