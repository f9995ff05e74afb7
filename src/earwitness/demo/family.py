"""More sessions of one invented loudspeaker, a few takes each: before its repair, a second unit, another preset."""

from dataclasses import replace
from typing import Final

from earwitness.demo.crossover import Stage
from earwitness.demo.lineup import THIMBLE, DemoLoudspeaker

FAULT_DB: Final = -1.5
PRESET_DB: Final = -1.2
SECOND_HIGH_DB: Final = 0.45

_TWEETER = THIMBLE.high[0]
BEFORE_REPAIR = replace(
    THIMBLE,
    key="thimble-before-repair",
    like=THIMBLE.key,
    date="2026-02-09",
    state=(*THIMBLE.state, ("condition", "before repair")),
    high=(replace(_TWEETER, level_db=_TWEETER.level_db + FAULT_DB),),
)
SECOND_UNIT = replace(
    THIMBLE,
    key="thimble-second-unit",
    like=THIMBLE.key,
    date="2026-02-16",
    unit="B 0207",
    # Some percent each, as parts scatter from one batch to the next (common practice, no source).
    bass=replace(
        THIMBLE.bass,
        driver=replace(THIMBLE.bass.driver, force_factor_n_a=6.63, moving_mass_kg=0.01435, compliance_m_n=0.00127),
        box=replace(THIMBLE.bass.box, tuning_hz=43.2),
    ),
    high=(replace(_TWEETER, resonance_hz=775.0, level_db=_TWEETER.level_db + SECOND_HIGH_DB),),
)
OTHER_PRESET = replace(
    THIMBLE,
    key="thimble-treble-low",
    like=THIMBLE.key,
    date="2026-02-23",
    state=(("preset", "treble low"),),
    whole=(*THIMBLE.whole, Stage("high shelf", 4000.0, 0.7, PRESET_DB)),
)


def members(key: str) -> tuple[DemoLoudspeaker, ...]:
    """The other sessions of the loudspeaker of that key, oldest first, all before its own; () for most."""
    return tuple(one for one in (BEFORE_REPAIR, SECOND_UNIT, OTHER_PRESET) if one.like == key)
