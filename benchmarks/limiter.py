"""Random limiters read back: how many of threshold, ratio, attack and release come within 5 %.

    python benchmarks/limiter.py [COUNT] [SEED]

The reader was tuned on seeds 1 and 2; another one is printed.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.append(str(Path(__file__).parents[1] / "tests" / "dsp"))

from simulated_limiter import RATE_HZ, draws, recorded

from earwitness.dsp.limiter import read_limiter


def main(count: int = 60, seed: int = 2034) -> None:
    rows = []
    for number, draw in enumerate(draws(seed, count)):
        found = read_limiter(*recorded(draw, number), draw.frequency_hz, RATE_HZ)
        times = [np.nan if one is None else one.time_s for one in (found.attack, found.release)]
        off_db = found.threshold_db + 10 * np.log10(2) - draw.one.threshold_db
        rows.append(
            (
                10 ** (off_db / 20) - 1,
                1 / found.slope / draw.one.ratio - 1,
                times[0] / draw.one.attack_s - 1,
                times[1] / draw.one.release_s - 1,
            )
        )
    off = np.abs(np.array(rows))
    print(f"{count} random limiters, seed {seed}")
    for name, column in zip(("threshold", "ratio", "attack", "release"), off.T, strict=True):
        print(
            f"  {name:10} within 5 %: {100 * np.mean(column <= 0.05):5.1f} %   median {100 * np.median(column):.2f} %, "
            f"largest {100 * np.max(column):.1f} %"
        )


if __name__ == "__main__":
    main(*(int(word) for word in sys.argv[1:3]))
