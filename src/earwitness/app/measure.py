"""Acts before and while measuring."""

from dataclasses import dataclass
from pathlib import Path

from earwitness.session.signals import SAFETY, SignalPlan, write_signals
from earwitness.standards.exposure import warn_before

# Multitones and noise have the largest crest factor of the test signals, the long noise lasts longest.
CREST_DB = 12.0


@dataclass(frozen=True, slots=True)
class SignalsWritten:
    """files : audio files, each with a sidecar beside it; cautions : what to read before one of them is played."""

    files: tuple[Path, ...]
    cautions: tuple[str, ...]


def cautions_for(level_db: float, distance_m: float, *, duration_s: float = 0.0) -> tuple[str, ...]:
    """What to know before something is played at `level_db` (rms, 1 m): exposure by NIOSH, and dangers.

    The level is taken as A-weighted, which bass is not: the safe side. InputError for impossible numbers.
    """
    warning = warn_before(level_db, distance_m=distance_m, crest_db=CREST_DB, duration_s=duration_s)
    return (*warning.sentences, SAFETY)


def write_test_signals(
    folder: Path,
    *,
    peak_dbfs: float = -12.0,
    rate_hz: int = 48_000,
    tones: int = 32,
    level_db: float = 85.0,
    distance_m: float = 2.0,
) -> SignalsWritten:
    """Write every test signal into `folder`, and say how loud it will be.

    level_db : rms level at 1 m at which they are to be played; distance_m : of the tester. InputError for an
    impossible signal or level, or a file that is there already; OutputError where the folder cannot be written.
    """
    plan = SignalPlan(peak_dbfs=peak_dbfs, rate_hz=rate_hz, tones=tones)
    cautions = cautions_for(level_db, distance_m, duration_s=plan.noise_s)
    written = write_signals(folder, plan)
    return SignalsWritten(tuple(one.audio for one in written), cautions)
