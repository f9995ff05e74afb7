"""A directivity as SOFA (AES69), and back: python sofa_and_back.py FILE.sofa"""

import sys
from pathlib import Path

import numpy as np
from invented import measurements

import earwitness as ew

(measurement,) = measurements(1)
path = Path(sys.argv[1])
ew.write_sofa(
    path, measurement.response, title="An invented loudspeaker", description="gallery", license="CC0", keep_marked=True
)
back = ew.read_directivity_sofa(path)
there = measurement.response.valid
worst = np.max(np.abs(20 * np.log10(np.abs(back.pressure[there] / measurement.response.pressure[there]))))
print(f"{back.pressure.shape[0]} directions, {back.hz.size} frequencies, back within {worst:.1g} dB")
