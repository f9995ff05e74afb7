"""From raw loudspeaker recordings to a published review, with every number traceable.

For a program of your own: `import earwitness` and the names below, each brought in when it is first asked for, so that
importing costs nothing. Everything else is inside and may change.
"""

from importlib import import_module
from typing import Any

__version__ = "0.3.0"

_FACE = {
    "quantities": (
        "Curve", "DirectionalResponse", "Directions", "Figure", "FrequencyAxis", "Impedance", "Measurement", "Reading",
        "cta_orbits", "from_orbit", "log_axis", "report_axis",
    ),
    "session.load": ("load_session",),
    "session.plan": ("plan_scan",),
    "formats.audio": ("read_audio",),
    "formats.directivity_sofa": ("read_directivity_sofa",),
    "formats.sofa": ("write_sofa",),
    "dsp.sweep": ("sweep_law", "sweep_samples"),
    "reduce.flow": ("reduce_session",),
    "figures.read": ("levels_of", "read_measurement", "read_response"),
    "insight.compare": ("difference",),
    "insight.findings.search": ("find",),
    "insight.listening.trials": ("counted",),
    "insight.mend.equalizer": ("Band", "Equalizer", "gain_db"),
    "insight.mend.objective": ("problem_of",),
    "insight.mend.stop": ("choose",),
    "insight.mend.views": ("views_of",),
    "exhibits.balance": ("balance",),
    "render.svg": ("svg_of",),
    "errors": ("EarwitnessError",),
}  # fmt: skip
_ROOM_OF = {name: room for room, names in _FACE.items() for name in names}
__all__ = ["__version__", *sorted(_ROOM_OF)]


def __getattr__(name: str) -> Any:
    if name not in _ROOM_OF:
        raise AttributeError(f"module 'earwitness' has no attribute {name!r}")
    return getattr(import_module(f"earwitness.{_ROOM_OF[name]}"), name)


def __dir__() -> list[str]:
    return __all__
