"""The values that walk through the program: frozen, checked once, read-only."""

from earwitness.quantities.axis import FrequencyAxis, log_axis, report_axis
from earwitness.quantities.causes import Cause
from earwitness.quantities.curve import Curve
from earwitness.quantities.directions import Directions, cta_orbits, from_orbit, on_orbit
from earwitness.quantities.figure import Asked, Figure
from earwitness.quantities.lineage import Step, step
from earwitness.quantities.loud_takes import (
    BurstTakeReading,
    MultitoneLines,
    MultitoneReading,
    NoiseRun,
    TwoToneReading,
)
from earwitness.quantities.measurement import (
    Average,
    BudgetLine,
    Gate,
    Harmonics,
    Measurement,
    NearField,
    SeatReading,
    Splice,
)
from earwitness.quantities.quality import QualityFlag
from earwitness.quantities.reading import DirectivityMap, Reading
from earwitness.quantities.response import REFERENCE_PRESSURE_PA, REFERENCE_VOLTAGE_V, DirectionalResponse, Impedance
from earwitness.quantities.separation import ScanReading, WavePart

__all__ = [
    "REFERENCE_PRESSURE_PA",
    "REFERENCE_VOLTAGE_V",
    "Asked",
    "Average",
    "BudgetLine",
    "BurstTakeReading",
    "Cause",
    "Curve",
    "DirectionalResponse",
    "Directions",
    "DirectivityMap",
    "Figure",
    "FrequencyAxis",
    "Gate",
    "Harmonics",
    "Impedance",
    "Measurement",
    "MultitoneLines",
    "MultitoneReading",
    "NearField",
    "NoiseRun",
    "QualityFlag",
    "Reading",
    "ScanReading",
    "SeatReading",
    "Splice",
    "Step",
    "TwoToneReading",
    "WavePart",
    "cta_orbits",
    "from_orbit",
    "log_axis",
    "on_orbit",
    "report_axis",
    "step",
]
