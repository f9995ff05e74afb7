"""Figures of the load by key: name, unit, decimals, rule, place in the documentation, curves."""

from __future__ import annotations

from typing import NamedTuple


class LoadInfo(NamedTuple):
    """The fields of a row of the registry, in its order."""

    key: str
    name: str
    unit: str
    decimals: int
    method: str
    anchor: str
    curves: tuple[str, ...]


_SIZE, _BOTH, _EPDR = ("impedance_magnitude",), ("impedance_magnitude", "impedance_phase"), ("epdr",)
_EPDR_RULE = (
    "Smallest resistor that heats an ideal class-B stage at its hottest moment like this load (full swing), {}; own "
    "derivation, ideal class B only."
)
_PINK = "pink noise from 40 Hz to 4 kHz (own choice) at the level stated, free field"
_MINIMUM = "Lowest magnitude of the impedance, 20 Hz to 20 kHz or the rated range."
_MODEL = "Least-squares fit of the closed-box model with the coil's inductance (after Small 1972, from memory)."
LOAD_FIGURES = (
    LoadInfo("impedance_minimum", "lowest impedance", "ohm", 2, _MINIMUM, "impedance", _SIZE),
    LoadInfo("impedance_minimum_at", "frequency of the lowest impedance", "Hz", 0, _MINIMUM, "impedance", _SIZE),
    LoadInfo("impedance_minimum_phase", "phase at the lowest impedance", "deg", 0, _MINIMUM, "impedance", _BOTH),
    LoadInfo(
        "rated_impedance_margin",
        "lowest impedance against the maker's rating",
        "ohm",
        2,
        "Lowest magnitude minus 80 % of the maker's rated impedance (IEC 60268-5); below 0 the rating does not hold.",
        "rated-impedance",
        _SIZE,
    ),
    LoadInfo(
        "rated_impedance_supported",
        "rating that the impedance supports",
        "ohm",
        0,
        "Largest of 2, 4, 6, 8, 16 ohm of which 80 % is not above the lowest magnitude (rule of IEC 60268-5).",
        "rated-impedance",
        _SIZE,
    ),
    LoadInfo(
        "amplifier_load",
        "least rated load the amplifier should be stable into",
        "ohm",
        0,
        "Largest R of 16, 8, 6, 4, 2 ohm with the lowest magnitude at least 0.8 R (IEC 60268-5) and the lowest "
        "equivalent peak dissipation resistance from 40 Hz to 4 kHz at least that of 0.8 R at 45 degrees (own rule).",
        "amplifier-load",
        (*_SIZE, *_EPDR),
    ),
    LoadInfo(
        "phase_steepest",
        "largest phase where the impedance is low",
        "deg",
        0,
        "Electrical phase that is largest in size where the magnitude is at most 1.5 times its minimum.",
        "electrical-phase",
        _BOTH,
    ),
    LoadInfo(
        "phase_steepest_at",
        "frequency of the largest phase where the impedance is low",
        "Hz",
        0,
        "Where the electrical phase is largest in size among magnitudes up to 1.5 times the minimum.",
        "electrical-phase",
        _BOTH,
    ),
    LoadInfo(
        "power_factor_minimum",
        "lowest power factor",
        "",
        2,
        "Smallest cosine of the electrical phase, 40 Hz to 4 kHz.",
        "electrical-phase",
        ("impedance_phase",),
    ),
    LoadInfo(
        "epdr_minimum",
        "lowest equivalent peak dissipation resistance",
        "ohm",
        2,
        _EPDR_RULE.format("20 Hz to 20 kHz"),
        "equivalent-peak-dissipation-resistance",
        _EPDR,
    ),
    LoadInfo(
        "epdr_minimum_at",
        "frequency of the lowest equivalent peak dissipation resistance",
        "Hz",
        0,
        _EPDR_RULE.format("20 Hz to 20 kHz"),
        "equivalent-peak-dissipation-resistance",
        _EPDR,
    ),
    LoadInfo(
        "epdr_minimum_program",
        "lowest equivalent peak dissipation resistance where music has its energy",
        "ohm",
        2,
        _EPDR_RULE.format("40 Hz to 4 kHz"),
        "equivalent-peak-dissipation-resistance",
        _EPDR,
    ),
    LoadInfo(
        "epdr_minimum_program_at",
        "its frequency from 40 Hz to 4 kHz",
        "Hz",
        0,
        _EPDR_RULE.format("40 Hz to 4 kHz"),
        "equivalent-peak-dissipation-resistance",
        _EPDR,
    ),
    LoadInfo(
        "box_tuning",
        "tuning of the box",
        "Hz",
        1,
        "Box resonance of the vented-box model fitted to both bass peaks (after Small 1973, from memory).",
        "box-tuning",
        _BOTH,
    ),
    LoadInfo("box_peak_low", "lower bass peak", "Hz", 1, "Lower maximum of the magnitude.", "box-tuning", _SIZE),
    LoadInfo("box_peak_high", "upper bass peak", "Hz", 1, "Upper maximum of the magnitude.", "box-tuning", _SIZE),
    LoadInfo("closed_resonance", "resonance of the closed box", "Hz", 1, _MODEL, "closed-box", _BOTH),
    LoadInfo("closed_q_mechanical", "mechanical Q of the closed box", "", 2, _MODEL, "closed-box", _BOTH),
    LoadInfo("closed_q_electrical", "electrical Q of the closed box", "", 2, _MODEL, "closed-box", _BOTH),
    LoadInfo("closed_q_total", "total Q of the closed box", "", 2, _MODEL, "closed-box", _BOTH),
    LoadInfo(
        "impedance_wrinkles",
        "small resonances in the impedance",
        "",
        0,
        "Narrow bumps of the magnitude of 0.6 % and more above the bass peaks (project default).",
        "wrinkles",
        _SIZE,
    ),
    LoadInfo("drawn_voltage", "voltage drawn", "V", 1, f"Rms voltage of {_PINK}.", "current-and-power", ()),
    LoadInfo("drawn_power", "power taken", "W", 1, f"Real power taken from {_PINK}.", "current-and-power", _BOTH),
    LoadInfo("drawn_current", "current drawn", "A", 2, f"Rms current of {_PINK}.", "current-and-power", _SIZE),
    LoadInfo(
        "drawn_current_peak",
        "peak current drawn",
        "A",
        1,
        "Peak voltage (rms times crest factor) over the lowest magnitude, as for a sine there.",
        "current-and-power",
        _SIZE,
    ),
)
