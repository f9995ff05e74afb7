"""The directivity of a piston in a baffle, from its formula: how near do two orbits come?

Far field of a rigid piston (handbook): D = 2 J1(x) / x, x = k a sin(angle), nothing behind the baffle.
"""

import numpy as np
from scipy.special import j1

import earwitness as ew

axis, directions = ew.log_axis(200.0, 20_000.0, 24), ew.cta_orbits()
x = 2 * np.pi * axis.hz / 343.0 * 0.08 * np.sqrt(1 - np.clip(directions.unit_vectors()[:, :1], -1, 1) ** 2)
ahead = directions.unit_vectors()[:, :1] > -1e-9
pressure = 0.1 * ahead * np.where(x > 1e-9, 2 * j1(x) / np.maximum(x, 1e-9), 1.0)
known = np.full(pressure.shape, 0.1)
response = ew.DirectionalResponse(
    axis, directions, pressure.astype(complex), known, np.zeros(axis.hz.size), np.abs(pressure) > 0
)
curves = ew.read_response(response).curves
index = curves["on_axis"].values - curves["sound_power"].values
k_a = 2 * np.pi * axis.hz / 343.0 * 0.08
exact = 10 * np.log10(k_a**2 / (1 - j1(2 * k_a) / k_a))
for hz in (500, 1000, 2000, 4000):
    at = int(np.argmin(np.abs(axis.hz - hz)))
    print(f"{hz} Hz: {index[at]:.1f} dB by the two orbits, {exact[at]:.1f} dB by the closed form over the sphere")
