"""From a session folder of recordings to curves and figures: python session_to_curves.py FOLDER"""

import sys
from pathlib import Path

import earwitness as ew

folder = Path(sys.argv[1])
session = ew.load_session(folder)
measurement = ew.reduce_session(session, lambda name: ew.read_audio(folder / name))
reading = ew.read_measurement(measurement, rated_impedance_ohm=session.loudspeaker.rated_impedance_ohm)
for figure in reading.figures.values():
    print(f"{figure.key}: {figure.value:.2f} ± {2 * figure.u:.2f} {figure.unit}" if figure.is_judged else
          f"{figure.key}: not judged, {figure.reason}")  # fmt: skip
