"""What a tester may choose for live measuring: devices, channels, limits, the step of orbits."""

from dataclasses import dataclass, replace
from typing import Annotated

from pydantic import ConfigDict, Field

from earwitness.capture.plan import orbit_angles
from earwitness.capture.series import LiveSettings
from earwitness.capture.sound import Wiring

USUAL_STEP_DEG = 10.0
Text = Annotated[str, Field(min_length=1, max_length=200)]


@dataclass(frozen=True, slots=True)
class LiveSetup:
    """Choices that change settings; None leaves a setting as it is.

    source, sink : input and output device, the input's where only that is given; outputs : channels that get the
    signal; tester_m : how far from the loudspeaker the tester is; the others as in LiveSettings, Wiring and Limits.
    The bounds are what the bench takes.
    """

    __pydantic_config__ = ConfigDict(extra="forbid")
    source: Text | None = None
    sink: Text | None = None
    outputs: Annotated[tuple[Annotated[int, Field(ge=1, le=64)], ...], Field(min_length=1, max_length=8)] | None = None
    rate_hz: Annotated[int, Field(ge=8000, le=192_000)] | None = None
    latency_s: Annotated[float, Field(gt=0.0, le=2.0)] | None = None
    peak_dbfs: Annotated[float, Field(ge=-80.0, le=0.0)] | None = None
    highest_dbfs: Annotated[float, Field(ge=-80.0, le=0.0)] | None = None
    highest_1m_db: Annotated[float, Field(ge=30.0, le=140.0)] | None = None
    highest_ear_db: Annotated[float, Field(ge=30.0, le=115.0)] | None = None
    tester_m: Annotated[float, Field(ge=0.1, le=100.0)] | None = None
    step_deg: Annotated[float, Field(ge=1.0, le=180.0)] | None = None

    @property
    def is_empty(self) -> bool:
        """Whether nothing was chosen."""
        return self == LiveSetup()


def usual_settings() -> LiveSettings:
    """The system's own devices, the first output, orbits in steps of 10 degrees."""
    return changed_settings(
        LiveSettings(Wiring("default", "default", outputs=(1,))), LiveSetup(step_deg=USUAL_STEP_DEG)
    )


def changed_settings(settings: LiveSettings, setup: LiveSetup) -> LiveSettings:
    """Settings after the choices. InputError for impossible ones.

    Another device or channel is another amplifier path: its loudness is not known any more.
    """
    wiring, limits = settings.wiring, settings.limits
    source = wiring.input_device if setup.source is None else setup.source
    sink = setup.sink or setup.source or wiring.output_device
    wiring = replace(
        wiring,
        input_device=source,
        output_device=sink,
        outputs=wiring.outputs if setup.outputs is None else setup.outputs,
        rate_hz=wiring.rate_hz if setup.rate_hz is None else setup.rate_hz,
        latency_s=wiring.latency_s if setup.latency_s is None else setup.latency_s,
    )
    limits = replace(
        limits,
        highest_dbfs=_chosen(setup.highest_dbfs, limits.highest_dbfs),
        highest_1m_db=_chosen(setup.highest_1m_db, limits.highest_1m_db),
        highest_ear_db=_chosen(setup.highest_ear_db, limits.highest_ear_db),
        tester_distance_m=_chosen(setup.tester_m, limits.tester_distance_m),
    )
    angles = settings.angles_deg
    if setup.step_deg is not None:
        around = orbit_angles(setup.step_deg)
        angles = (("horizontal", around), ("vertical", around))
    return replace(
        settings,
        wiring=wiring,
        limits=limits,
        peak_dbfs=_chosen(setup.peak_dbfs, settings.peak_dbfs),
        angles_deg=angles,
        calibration=settings.calibration if wiring == settings.wiring else None,
    )


def _chosen(given: float | None, there: float) -> float:
    return there if given is None else given
