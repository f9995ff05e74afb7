"""What a gate cuts off of a bass that near fields know: it is put back, and what is left in doubt is far less."""

import numpy as np

from earwitness.quantities import Gate
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.reduce.gate import weights_of

_STEP_HZ = 4.0
# Beyond the near fields' range their sum fades out over an octave, so that its impulse does not ring.
_FADE_OCTAVES = 1.0
# Latest time of the bass that counts as its tail; what lies behind is the ring before the arrival.
_LATEST_SHARE = 0.8


def cut_tail(hz: FloatArray, bass: ComplexArray, highest_hz: float, gate: Gate, *, share: float = 1.0) -> ComplexArray:
    """(D, F) spectrum of the part of a bass that a gate cuts off, on hz (F,).

    bass : (D, F) at the microphone, the delay over its distance taken out; highest_hz : of its range; share : of the
    gate's length. The impulse response by FFT in steps of 4 Hz, less what the gate leaves of it.
    """
    highest = 2.0 ** (np.ceil(np.log2(2.0 * highest_hz / _STEP_HZ)) + 1)
    grid = _STEP_HZ * np.arange(int(highest) + 1)
    octaves = np.log2(np.maximum(grid, _STEP_HZ) / highest_hz) / _FADE_OCTAVES
    fade = 0.5 + 0.5 * np.cos(np.pi * np.clip(octaves, 0.0, 1.0))
    rows = np.stack([np.interp(grid, hz, row.real) + 1j * np.interp(grid, hz, row.imag) for row in bass]) * fade
    # Below the axis a loudspeaker falls at least as the square of the frequency.
    rows[:, grid < hz[0]] *= (grid[grid < hz[0]] / hz[0]) ** 2
    impulse = np.fft.irfft(rows, axis=1)
    count = impulse.shape[1]
    time = np.arange(count) / (count * _STEP_HZ)
    late = np.where(time < _LATEST_SHARE / _STEP_HZ, 1.0 - weights_of(gate, time, share=share), 0.0)
    tail = np.fft.rfft(impulse * late, axis=1)
    return np.stack([np.interp(hz, grid, row.real) + 1j * np.interp(hz, grid, row.imag) for row in tail])
