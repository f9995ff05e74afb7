"""Responses that were measured before, in the place Measure: a folder is looked at, corrected, described, taken in."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Literal

from fastapi import APIRouter
from pydantic import Field

from earwitness.app import uploads
from earwitness.app.from_files import seen_folder, write_session
from earwitness.app.seen_responses import Correction, aside_shown, corrected, first_curves, groups_shown
from earwitness.bench.routes.measure import Strict, whole_path
from earwitness.bench.state import BenchState
from earwitness.errors import InputError
from earwitness.exhibits.seen_responses import seen_chart
from earwitness.render.html import figure_html
from earwitness.session.from_files import Stated, Survey
from earwitness.session.load import load_session
from earwitness.session.patterns import FILE

router = APIRouter(prefix="/api/measure/responses", tags=["measure responses"])
CHART_PX = 900
Short = Field(default="", max_length=200)
Number = Field(default="", pattern=r"^(\d{1,4}(\.\d{1,4})?)?$")
Length = Field(default=None, ge=0.001, le=100.0)


class Said(Strict):
    """What a person says of one group of files; see `Correction`."""

    pattern: str = Field(min_length=1, max_length=1000)
    plane: Literal["horizontal", "vertical"] | None = None
    angle_deg: float | None = Field(default=None, ge=-180.0, le=360.0)
    mirrored: bool = False
    left_out: bool = False
    unit: Literal["", "dB SPL", "dB re 1 Pa", "dB re 1 Pa/V", "dB relative", "%", "ratio"] = ""
    level_unit: Literal["", "dB SPL", "dB re 1 Pa"] = ""
    drive_v: str = Number
    crest_db: str = Number
    from_v: str = Number
    columns: str = Short
    data: Literal["", "Pa/V", "Pa", "relative"] = ""
    samples: Literal["", "Pa/V", "Pa/V per second", "relative"] = ""
    positions: Literal["", "radiated directions", "places of the source"] = ""


class Look(Strict):
    """Where the files are: an upload that arrived, or a folder of this machine; and what a person corrects."""

    upload: str | None = Field(default=None, max_length=40)
    folder: str | None = Field(default=None, min_length=1, max_length=1000)
    corrections: list[Said] = Field(default=[], max_length=2000)


class Facts(Strict):
    """What the tester states; see `Stated`."""

    name: str = Short
    maker: str = Short
    type: str = Short
    enclosure: str = Short
    width_m: float | None = Length
    height_m: float | None = Length
    depth_m: float | None = Length
    reference_axis: str = Short
    rated_impedance_ohm: float | None = Field(default=None, ge=0.1, le=1000.0)
    price: float | None = Field(default=None, gt=0.0, le=1e9)
    currency: str = Field(default="", max_length=3)
    year: int | None = Field(default=None, ge=1900, le=2200)
    date: str = Short
    relative: bool = False
    voltage_v: float | None = Field(default=None, gt=0.0, le=1000.0)
    reference_distance_m: float | None = Length
    measured_distance_m: float | None = Length
    space: str = Short
    gate_ms: float | None = Field(default=None, gt=0.0, le=2000.0)
    lowest_hz: float | None = Field(default=None, gt=0.0, le=200_000.0)
    highest_hz: float | None = Field(default=None, gt=0.0, le=200_000.0)
    smoothing: str = Short
    phase: str = Short
    measured_by: str = Short
    u_db: float | None = Field(default=None, gt=0.0, le=20.0)
    invented: bool = False
    axis_azimuth_deg: float | None = Field(default=None, ge=-180.0, le=360.0)
    axis_elevation_deg: float | None = Field(default=None, ge=-90.0, le=90.0)

    def stated(self) -> Stated:
        """The same for the writer of session.toml."""
        own = {"width_m", "height_m", "depth_m", "price", "currency", "axis_azimuth_deg", "axis_elevation_deg"}
        plain: dict[str, Any] = self.model_dump(exclude=own)
        size = (self.width_m, self.height_m, self.depth_m)
        if None not in size:
            plain["size_m"] = size
        if self.price is not None:
            plain["price"] = (self.price, self.currency)
        if self.axis_azimuth_deg is not None:
            plain["axis"] = (self.axis_azimuth_deg, self.axis_elevation_deg or 0.0)
        return Stated(**plain)


class ToWrite(Look):
    """The same, with the facts; again : over a session.toml that is there."""

    facts: Facts
    again: bool = False


@router.post("/look")
def responses_look(body: Look, bench: BenchState) -> dict[str, Any]:
    """What the files of a folder seem to be, what is open, and their first levels as a chart."""
    with bench.heavy:
        found = _seen(body, bench)
        chart = seen_chart(first_curves(found))
    return {
        "groups": groups_shown(found),
        "aside": aside_shown(found),
        "told": list(found.told),
        "chart": "" if chart is None else figure_html(chart, CHART_PX, narrow_px=None),
    }


@router.post("/write")
def responses_write(body: ToWrite, bench: BenchState) -> dict[str, str]:
    """Write session.toml beside the files and check it; 422 with every fault where something is still open."""
    with bench.heavy:
        found = _seen(body, bench)
        if (found.folder / FILE).exists() and body.upload is None and not body.again:
            raise InputError(
                "there is a session.toml already",
                where=str(found.folder / FILE),
                remedy="bring the folder in as a session, or tick that it is to be replaced",
            )
        path = write_session(found, body.facts.stated(), again=True)
        session = load_session(path.parent)
    return {"path": str(path), "folder": str(path.parent), "title": session.loudspeaker.title}


def _seen(body: Look, bench: BenchState) -> Survey:
    said = [Correction(**one.model_dump()) for one in body.corrections]
    return corrected(seen_folder(_folder(body, bench)), said)


def _folder(body: Look, bench: BenchState) -> Path:
    if (body.upload is None) == (body.folder is None):
        raise InputError("one folder is needed", expected="either an upload or a folder of this machine")
    if body.folder is not None:
        return whole_path(body.folder)
    arrived = uploads.upload_folder(bench.archive_folder, str(body.upload))
    inside = [one for one in arrived.iterdir() if not one.name.startswith(".")]
    return inside[0] if len(inside) == 1 and inside[0].is_dir() else arrived
