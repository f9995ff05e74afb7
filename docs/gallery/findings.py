"""What deviates, the most audible first, in words."""

from invented import measurements

import earwitness as ew

(measurement,) = measurements(1)
for number, finding in enumerate(ew.find(ew.read_measurement(measurement), measurement.response), 1):
    print(f"{number}. {finding.sentence}")
