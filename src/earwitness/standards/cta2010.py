"""ANSI/CTA-2010 style bursts as data: shape, frequencies, limits of the harmonics, and which edition says so.

The standard's text was not read. The limits are those of the first (A) edition as application notes reproduce them;
the B edition (December 2014) lets them vary with frequency and its numbers were not found. Another mask is another
BurstMask: nothing else changes.
"""

from dataclasses import dataclass

from earwitness.files.data import table_of

BURST_CYCLES = 6.5
ULTRA_LOW_HZ = (20.0, 25.0, 31.5)
LOW_HZ = (40.0, 50.0, 63.0)
EXTENDED_HZ = (80.0, 100.0, 125.0, 160.0)
COARSE_STEP_DB, FINE_STEP_DB = 3.0, 1.0


@dataclass(frozen=True, slots=True)
class BurstMask:
    """limits_db : highest level of harmonic 2, 3, ... against the fundamental's spectral peak; beyond_db : of all
    higher ones up to `highest`."""

    edition: str
    source: str
    limits_db: tuple[float, ...]
    beyond_db: float
    highest: int

    def limit_db(self, order: int) -> float:
        """Limit of one harmonic (2 and more)."""
        return self.limits_db[order - 2] if order - 2 < len(self.limits_db) else self.beyond_db

    @property
    def orders(self) -> tuple[int, ...]:
        return tuple(range(2, self.highest + 1))


MASKS: dict[str, BurstMask] = {
    name: BurstMask(**{**row, "limits_db": tuple(row["limits_db"])})
    for name, row in table_of("standards", "cta2010")["masks"].items()
}
MASK_A = MASKS["A"]
