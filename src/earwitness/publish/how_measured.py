"""How it was measured, in sentences built from the session's facts and the reduction's report."""

import re
from importlib.resources import files
from typing import Any, Final

from earwitness.exhibits.words import frequency_words, listed, number_words, sentence
from earwitness.formats.positions_table import REFERENCE
from earwitness.quantities import Measurement
from earwitness.session.responses import NoStimulus, ResponseFacts
from earwitness.session.scan import ScanTake
from earwitness.session.session import FarFieldTake, NearFieldTake, Session, SweepStimulus, Turntable

_END: Final = "\N{INFORMATION SEPARATOR TWO}"


def how_measured(session: Session, measurement: Measurement) -> tuple[str, ...]:
    """Sentences: microphone and calibration, signal, positions, room and gate, near field, air, program."""
    from jinja2 import Environment, StrictUndefined

    text = files("earwitness.publish").joinpath("how_measured.jinja").read_text(encoding="utf-8")
    far = session.takes_of(FarFieldTake)
    counts = {orbit: sum(take.orbit == orbit for take in far) for orbit in ("horizontal", "vertical")}
    stimulus = session.stimulus
    said = Environment(undefined=StrictUndefined, autoescape=False).from_string(text).render(
        session=session,
        measurement=measurement,
        facts=(session.responses or ResponseFacts()) if isinstance(stimulus, NoStimulus) else None,
        sweep=stimulus if isinstance(stimulus, SweepStimulus) else None,
        far=far,
        orbits=tuple(f"{count} on the {orbit} orbit" for orbit, count in counts.items() if count),
        places=_places(session.turntable),
        scan=_scan(session.takes_of(ScanTake)),
        near=tuple(dict.fromkeys(take.driver for take in session.takes_of(NearFieldTake))),
        hz=frequency_words,
        number=number_words,
        listed=listed,
        sentence=sentence,
        end=_END,
    )  # fmt: skip
    parts = (re.sub("[ \n]+", " ", part).strip(" ") for part in said.split(_END))
    return tuple(part for part in parts if part)


def _places(turntable: Turntable | None) -> tuple[str, ...]:
    """Where the axis of the turntable lies from the reference point, in whole millimeters."""
    if turntable is None:
        return ()
    ways = (("behind", "ahead of"), ("right of", "left of"), ("below", "above"))
    sides = zip((1000.0 * part for part in turntable.axis_m), ways, strict=True)
    return tuple(f"{abs(mm):.0f} mm {way[mm > 0]}" for mm, way in sides if round(mm))


def _scan(takes: tuple[ScanTake, ...]) -> dict[str, Any] | None:
    """Count of positions and surfaces, visits to the place of reference, nearest and farthest position [m]."""
    if not takes:
        return None
    visits = sum(take.surface == REFERENCE for take in takes)
    away_m = [sum(c * c for c in take.position_m) ** 0.5 for take in takes]
    surfaces = len({take.surface for take in takes} - {"", None, REFERENCE})
    count = len(takes) - visits
    return {"count": count, "visits": visits, "surfaces": surfaces, "close_m": min(away_m), "far_m": max(away_m)}
