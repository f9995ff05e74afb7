"""As many bands of an equalizer as pay, in steps that a device can be set to."""

from invented import measurements

import earwitness as ew

measurement = measurements(4)[-1]
choice = ew.choose(ew.problem_of(ew.views_of(ew.levels_of(measurement.response))))
if choice.design is None:
    print(f"leave it alone: ideal bands would take away {100 * choice.takes:.0f} % of the unevenness")
else:
    for band in choice.design.equalizer.bands:
        print(f"{band.kind} {band.frequency_hz:g} Hz, {band.gain_db:+.1f} dB, Q {band.q:g}")
    (gain,) = ew.gain_db(choice.design.equalizer, [1000.0])
    print(f"at 1 kHz {gain:+.2f} dB")
