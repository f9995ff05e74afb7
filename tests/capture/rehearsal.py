"""The program's own rehearsal, made short, and a wiring for the tests of live measuring."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from earwitness.app.measure import rehearsal_text
from earwitness.capture.simulated import KEY
from earwitness.capture.sound import Wiring
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.quantities.arrays import FloatArray

RATE_HZ = 48_000
WIRING = Wiring(KEY, KEY, RATE_HZ, outputs=(1,))

# As the program writes it for practice, only shorter, and with a voltage of its own close up.
SESSION = rehearsal_text()
for _long, _short in (
    ("start_hz = 20.0", "start_hz = 50.0"),
    ("duration_s = 1.0", "duration_s = 0.5"),
    ("lead_in_s = 0.5", "lead_in_s = 0.1"),
    ('driver = "woofer"\nfile', 'driver = "woofer"\ndrive_v = 1.0\nfile'),
):
    assert _long in SESSION
    SESSION = SESSION.replace(_long, _short)


def write_session(folder: Path, text: str = SESSION) -> Path:
    """Write session.toml into `folder` and return the folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


def sweep(duration_s: float = 1.0, *, peak: float = 0.25, before_s: float = 0.2, after_s: float = 0.3) -> FloatArray:
    """A faded sweep with silence around it."""
    law = sweep_law(30.0, 20_000.0, duration_s)
    samples = peak * sweep_samples(law, RATE_HZ, fade_in_s=0.03, fade_out_s=0.003)
    silence = (np.zeros(round(t * RATE_HZ)) for t in (before_s, after_s))
    before, after = silence
    return np.concatenate([before, samples, after])
