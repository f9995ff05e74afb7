"""The balance chart as SVG: python balance_chart.py FILE.svg"""

import sys
from pathlib import Path

from invented import measurements

import earwitness as ew

(measurement,) = measurements(1)
chart = ew.balance(ew.read_measurement(measurement), measurement)
Path(sys.argv[1]).write_text(ew.svg_of(chart, 900), encoding="utf-8")
print(chart.caption.finding)
