"""The values that walk through the program: frozen, checked once, read-only."""

from earwitness.quantities.arrays import FrequencyAxis, log_axis, report_axis
from earwitness.quantities.causes import Cause
from earwitness.quantities.directions import Directions, cta_orbits, from_orbit, on_orbit
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
    QualityFlag,
    SeatReading,
    Splice,
    Step,
    step,
)
from earwitness.quantities.reading import Asked, Curve, DirectivityMap, Figure, Reading
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
