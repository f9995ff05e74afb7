"""Two loudspeakers, level-matched: where do they differ beyond both uncertainties?"""

import numpy as np
from invented import measurements

import earwitness as ew

first, second = (ew.read_measurement(one).curves["listening_window"] for one in measurements(2))
less = ew.difference(first, second)
beyond = less.valid & (np.abs(less.values) > 2 * less.u_total)
print(f"{100 * beyond.mean():.0f} % of the frequencies differ beyond the uncertainty of the difference")
for hz in (100, 1000, 10_000):
    at = int(np.argmin(np.abs(less.axis.hz - hz)))
    print(f"{hz} Hz: {less.values[at]:+.1f} ± {2 * less.u_total[at]:.1f} dB")
