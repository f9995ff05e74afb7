"""The session.toml of a demo session, written as a person would write it; its text stands in data/*.toml.jinja."""

import json
import sys
from functools import cache
from typing import Any

import numpy as np

from earwitness.demo import box, rig, world
from earwitness.demo.lineup import DemoLoudspeaker

NOISE_ON_FILE, NOISE_OFF_FILE, FILTERED_FILE = "noise_on.flac", "noise_off.flac", "level/filtered.flac"
TONES_PLAYED_FILE = "multitone_played.flac"
PAIR_FILE, RUN_FILE, TABLE_FILE = "two_tones.flac", "noise_run.flac", "impedance.txt"
_WITH_TABLE = ("lantern",)


def session_text(one: DemoLoudspeaker) -> str:
    """The whole file."""
    microphone = rig.LOUDSPEAKER_M + np.array([rig.FAR_DISTANCE_M, 0.0, 0.0])
    return filled("session", one, microphone_m=microphone, near_gap_m=world.NEAR_FIELD_GAP_M)


def near_file(driver: str) -> str:
    """File of a near-field take."""
    return f"near/{driver.replace(' ', '_')}.flac"


def level_file(step: int) -> str:
    """File of a step of the level series, from 1."""
    return f"level/step_{step}.flac"


def tones_file(step: int) -> str:
    """File of a multitone take, from step 1."""
    return f"multitone_{step}.flac"


def burst_file(frequency_hz: float, step: int) -> str:
    """File of a burst, from step 1."""
    return f"burst/{frequency_hz:g}hz_{step}.flac"


def limiter_file(frequency_hz: float) -> str:
    """File of a limiter tone."""
    return f"limiter_{frequency_hz:g}.flac"


def limiter_distance_m(one: DemoLoudspeaker) -> float:
    """Where the microphone stands for limiter tones: close up in the hall."""
    return rig.LEVEL_DISTANCE_M if one.outdoors else 0.15


def has_table(key: str) -> bool:
    """Whether the tester of that loudspeaker had an impedance meter and brings its table."""
    return key in _WITH_TABLE


def filled(name: str, one: DemoLoudspeaker, **facts: Any) -> str:
    """The text of data/NAME.toml.jinja for a loudspeaker, with facts of the case."""
    caps = (*one.bass.cones, one.bass.port, *(way.cap for way in one.high))
    facts["drivers"] = [(cap, np.round(world.cap_position(one, cap) + _tape_error_m(one, cap.name), 4)) for cap in caps]
    gain = 1.0 if one.built_in is None else one.built_in.gain
    facts["at_input"] = lambda volts: float(f"{volts / gain:.6g}")
    facts["axis"] = (one.high[-1].cap if one.high else one.bass.cones[0]).name
    middle_m = float(box.stored(one.box).middle_m[2]) if one.box else None
    facts["below_top_m"] = one.below_top_m if middle_m is None else round(one.height_m / 2 + middle_m, 3)
    return str(_templates().get_template(f"{name}.toml.jinja").render(one=one, rig=rig, **facts))


@cache
def _templates() -> Any:
    from jinja2 import Environment, PackageLoader
    from markupsafe import Markup

    made = Environment(
        loader=PackageLoader("earwitness.demo", "data"),
        finalize=_written,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        autoescape=False,
    )
    made.globals |= {"script": sys.modules[__name__], "bare": Markup}
    return made


def _written(value: Any) -> Any:
    """A value as TOML spells it: JSON has the same strings, finite numbers, true, false and flat lists."""
    if hasattr(value, "__html__"):
        return value
    return json.dumps(value.tolist() if isinstance(value, np.ndarray | np.generic) else value, ensure_ascii=False)


def _tape_error_m(one: DemoLoudspeaker, name: str) -> np.typing.NDArray[np.float64]:
    found = [(left, up) for cap, left, up in one.place_errors_m if cap == name]
    return np.array([0.0, *found[0]]) if found else np.zeros(3)
