"""Every table and key that session.toml may hold, by the models behind them."""

from __future__ import annotations

import difflib

from earwitness.session.record import Claim, Driver, Loudspeaker, Price, Strict
from earwitness.session.responses import (
    CurvesTake,
    DirectionsTake,
    ImpulseTake,
    LevelTableTake,
    MultitoneTableTake,
    NoStimulus,
    ResponseFacts,
    ResponseTake,
    UncertaintyTake,
)
from earwitness.session.scan import ScanPressuresTake, ScanSetup, ScanTake
from earwitness.session.session import (
    BurstTake,
    Calibrator,
    Drive,
    Environment,
    FarFieldTake,
    FileStimulus,
    ImpedanceTableTake,
    ImpedanceTake,
    LevelTake,
    Microphone,
    MultitoneTake,
    NearFieldTake,
    NoiseFloorTake,
    NoiseRunTake,
    OtherFile,
    OtherSweep,
    Photo,
    ReferenceChannel,
    Room,
    Session,
    SweepStimulus,
    Tester,
    Turntable,
    TwoToneTake,
)
from earwitness.session.units import Unit, Variant

TAKES: dict[str, type[Strict]] = {
    "far-field": FarFieldTake,
    "near-field": NearFieldTake,
    "level": LevelTake,
    "multitone": MultitoneTake,
    "two-tone": TwoToneTake,
    "burst": BurstTake,
    "noise run": NoiseRunTake,
    "impedance": ImpedanceTake,
    "impedance table": ImpedanceTableTake,
    "scan": ScanTake,
    "scan pressures": ScanPressuresTake,
    "response": ResponseTake,
    "impulse response": ImpulseTake,
    "directions": DirectionsTake,
    "curves": CurvesTake,
    "uncertainty": UncertaintyTake,
    "level table": LevelTableTake,
    "multitone table": MultitoneTableTake,
    "noise floor": NoiseFloorTake,
}
TABLES: dict[str, tuple[type[Strict], ...]] = {
    "": (Session,),
    "loudspeaker": (Loudspeaker,),
    "loudspeaker.price": (Price,),
    "loudspeaker.driver": (Driver,),
    "loudspeaker.claim": (Claim,),
    "tester": (Tester,),
    "microphone": (Microphone,),
    "microphone.calibrator": (Calibrator,),
    "drive": (Drive,),
    "stimulus": (SweepStimulus, FileStimulus, NoStimulus),
    "other_stimulus": (OtherSweep, OtherFile),
    "reference": (ReferenceChannel,),
    "unit": (Unit,),
    "variant": (Variant,),
    "environment": (Environment,),
    "environment.room": (Room,),
    "turntable": (Turntable,),
    "scan": (ScanSetup,),
    "responses": (ResponseFacts,),
    "photo": (Photo,),
    "take": tuple(TAKES.values()),
}
LISTS = ("take", "photo", "other_stimulus", "loudspeaker.driver", "loudspeaker.claim")
_MADE_BY_LOADING = {"takes", "sha256", "file_hashes"}
_OTHER_WORDS = {
    "speaker": "[loudspeaker]",
    "sample": "[unit]",
    "specimen": "[unit]",
    "state": "[variant]",
    "takes": "[[take]]",
    "measurement": "[[take]]",
    "measurements": "[[take]]",
    "recording": "[[take]]",
    "mic": "[microphone]",
    "amplifier": "[drive]",
    "voltage": "[drive]",
    "sweep": '[stimulus] with kind = "sweep"',
    "signal": "[stimulus]",
    "loopback": "[reference]",
    "loop-back": "[reference]",
    "calibrator": "[microphone.calibrator]",
    "calibration": "[microphone.calibrator]",
    "room": "[environment.room]",
    "air": "[environment]",
    "driver": "[[loudspeaker.driver]]",
    "drivers": "[[loudspeaker.driver]]",
    "claim": "[[loudspeaker.claim]]",
    "claims": "[[loudspeaker.claim]]",
    "price": "[loudspeaker.price]",
    "reviewer": "[tester]",
    "cabinet": "[scan]",
    "response": "[responses]",
    "photos": "[[photo]]",
    "picture": "[[photo]]",
    "image": "[[photo]]",
    "data": "[responses]",
}


def keys_of(model: type[Strict]) -> tuple[str, ...]:
    """The keys of one model as they are written in the file."""
    names = (field.alias or name for name, field in model.model_fields.items())
    return tuple(name for name in names if name not in _MADE_BY_LOADING)


def keys_in(table: str) -> tuple[str, ...]:
    """Every key of the table named as in TABLES, each once, in the order of the models."""
    found = [key for model in TABLES.get(table, ()) for key in keys_of(model)]
    if table == "take":
        found.append("files")
    if table == "":
        found.append("take")
    return tuple(dict.fromkeys(found))


def bracketed(table: str) -> str:
    """The header that opens `table` in the file, or its top."""
    return f"[[{table}]]" if table in LISTS else f"[{table}]" if table else "the top of the file"


def asked_for(table: str) -> str:
    """The keys that `table` cannot do without, or its first ones where it can do without any."""
    fields = TABLES[table][0].model_fields.items()
    required = [field.alias or name for name, field in fields if field.is_required()]
    if table.endswith("stimulus"):
        required.insert(0, "kind")
    return ", ".join(required or keys_in(table)[:4])


def hint_for(key: str, table: str) -> str:
    """What a key that `table` does not know was probably meant to be."""
    lowered = key.strip().lower()
    if not table and lowered in _OTHER_WORDS:
        return f"did you mean {_OTHER_WORDS[lowered]}?"
    if near := difflib.get_close_matches(lowered, keys_in(table), n=1):
        return f"did you mean {near[0]!r}?"
    for other in TABLES:
        if lowered in keys_in(other):
            return f"{lowered!r} belongs under {bracketed(other)}"
    if lowered in _OTHER_WORDS:
        return f"did you mean {_OTHER_WORDS[lowered]}?"
    everywhere = {name: other for other in reversed(TABLES) for name in keys_in(other)}
    if near := difflib.get_close_matches(lowered, everywhere, n=1):
        return f"did you mean {near[0]!r} under {bracketed(everywhere[near[0]])}?"
    return f"take it out; known here: {', '.join(keys_in(table))}"
