"""Pages and pictures by the typesetter: data go in as data, so that no word of a tester is ever markup."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Literal

from earwitness.errors import MissingExtraError, OutputError
from earwitness.render.svg import fonts_folder

if TYPE_CHECKING:
    import typst

_Kind = Literal["pdf", "png"]


def pdf_bytes(template: str, data: Mapping[str, object], *, date: str) -> bytes:
    """The PDF that `template` of this package makes of `data`: tagged for PDF/UA-1 (ISO 14289-1).

    date : "YYYY-MM-DD", written into the file; no clock is asked, so the same data give the same bytes.
    Where the typeface lacks a letter of the data, which PDF/UA-1 forbids, the file is tagged but claims no standard.
    Raises OutputError when the typesetter fails, MissingExtraError when it is not installed.
    """
    failure = _typesetter_failure()
    try:
        return _pages(template, data, kind="pdf", date=date, universal=True)[0]
    except failure:
        return _pages_or_error(template, data, kind="pdf", date=date)[0]


def png_pages(template: str, data: Mapping[str, object]) -> tuple[bytes, ...]:
    """The pages that `template` makes of `data` as PNG, one point a pixel. Raises as `pdf_bytes`."""
    return _pages_or_error(template, data, kind="png", date="2000-01-01")


def _pages_or_error(template: str, data: Mapping[str, object], *, kind: _Kind, date: str) -> tuple[bytes, ...]:
    failure = _typesetter_failure()
    try:
        return _pages(template, data, kind=kind, date=date, universal=False)
    except failure as error:
        raise OutputError(f"the typesetter could not set the pages: {error}", where=template) from error


def _pages(template: str, data: Mapping[str, object], *, kind: _Kind, date: str, universal: bool) -> tuple[bytes, ...]:
    import typst

    # The typed signature knows one page only; of pictures it returns a list when there are several.
    made: bytes | list[bytes] = typst.compile(
        _template(template),
        font_paths=_fonts(),
        format=kind,
        ppi=72.0,
        sys_inputs={"data": json.dumps(data, ensure_ascii=False, allow_nan=False)},
        pdf_standards=["ua-1"] if universal else [],
        timestamp=int(datetime.fromisoformat(date).replace(tzinfo=UTC).timestamp()),
    )
    return tuple(bytes(page) for page in made) if isinstance(made, list) else (bytes(made),)


@cache
def _fonts() -> typst.Fonts:
    """Our typeface and no other: what it lacks is then seen, and not set in whatever the machine has."""
    import typst

    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(fonts_folder())])


@cache
def _template(name: str) -> bytes:
    folder, _, file = name.rpartition("/")
    return files("earwitness.publish").joinpath(folder).joinpath(file).read_bytes()


def _typesetter_failure() -> type[Exception]:
    try:
        import typst
    except ImportError as error:
        raise MissingExtraError.of("publish.no_typesetter") from error
    return typst.TypstError
