"""Echoes that nobody stated: the closed form, loudspeakers that ring, and rooms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import fft

from earwitness.reduce.doubt.facts import echo_flags, echo_of, late_db, room_flags

RATE, N, C = 24_000, 4096, 343.0
F = np.maximum(np.arange(N // 2 + 1) * RATE / N, 0.5)


def takes(rng: np.random.Generator, echoes: tuple[tuple[float, float], ...] = (), count: int = 12) -> np.ndarray:
    """Responses about a loudspeaker that rings, whose edges' echoes move with the angle. echoes : delay [s], dB."""
    h = -((F / 50) ** 2) / (1 - (F / 50) ** 2 + 1j * F / 35)
    for _ in range(int(rng.integers(3, 8))):
        x, q = F / 10 ** rng.uniform(2, 3.7), 10 ** rng.uniform(0.3, 1.4)
        h = h * (1 + (10 ** (rng.uniform(-4, 4) / 20) - 1) * (1j * x / q) / (1 - x * x + 1j * x / q))
    edges = [(rng.uniform(0.05, 0.2) / C, rng.uniform(-0.25, 0.1)) for _ in range(4)]
    rows = []
    for angle in np.linspace(-180, 150, count):
        out = h / (1 + 1j * F / 4000 * (1 - math.cos(math.radians(angle))))
        for k, (t, g) in enumerate(edges):
            out = out * (1 + g * np.exp(-2j * np.pi * F * t * (1 + 0.5 * math.sin(math.radians(angle + 40 * k)))))
        heard = out.copy()
        for t, db in echoes:
            heard = heard + 10 ** (db / 20) * h / np.sqrt(1 + (F / 5000) ** 2) * np.exp(-2j * np.pi * F * t)
        size = np.sqrt(np.mean(np.abs(out) ** 2)) * 10**-2.5
        heard = heard + size * (rng.normal(size=F.size) + 1j * rng.normal(size=F.size))
        rows.append(fft.irfft(heard, N)[: round(0.08 * RATE)])
    return np.array(rows)


def test_an_echo_alone_is_read_as_it_is() -> None:
    """1 + 0.1 exp(-j w 10 ms): -20 dB at 10 ms (Bogert, Healy and Tukey 1963, from memory)."""
    impulse = np.zeros((1, round(0.08 * RATE)))
    impulse[0, 0], impulse[0, round(0.01 * RATE)] = 1.0, 0.1
    found = echo_of(impulse, RATE, size_m=0.3, speed_m_s=C)
    assert found is not None
    assert found.level_db == pytest.approx(-20.0, abs=0.1)
    assert found.delay_s == pytest.approx(0.01, abs=5e-5)


def test_ringing_loudspeakers_in_a_free_field_have_none() -> None:
    for seed in range(20):
        found = echo_of(takes(np.random.default_rng([81, seed])), RATE, size_m=0.4, speed_m_s=C)
        assert found is not None
        assert not found.is_there


@pytest.mark.parametrize("level_db", [-15.0, -20.0, -24.0])
def test_one_echo_is_found_at_its_delay(level_db: float) -> None:
    hits = 0
    for seed in range(10):
        rng = np.random.default_rng([82, seed])
        delay = rng.uniform(0.006, 0.02)
        found = echo_of(takes(rng, ((delay, level_db),)), RATE, size_m=0.4, speed_m_s=C)
        assert found is not None
        hits += found.is_there and abs(found.delay_s - delay) < 3e-4
    assert hits >= 8


def test_a_room_is_asked_about_with_its_way() -> None:
    rng = np.random.default_rng(83)
    delays, levels = rng.uniform(0.004, 0.03, 6), rng.uniform(-18, -6, 6)
    room = tuple((float(t), float(db)) for t, db in zip(delays, levels, strict=True))
    found = echo_of(takes(rng, room), RATE, size_m=0.4, speed_m_s=C)
    (flag,) = echo_flags(found, 12, speed_m_s=C, anechoic=True)
    assert "is the space anechoic?" in flag.sentence
    assert echo_flags(None, 12, speed_m_s=C, anechoic=True) == []


def test_a_response_too_short_for_an_echo_is_not_judged() -> None:
    assert echo_of(np.ones((2, 100)), RATE, size_m=1.0, speed_m_s=C) is None


def test_a_room_sounds_on_and_a_free_field_does_not() -> None:
    """Diffuse decay of 0.4 s reverberation time, 5 dB under the direct sound at its start, leaves from 25 to 75 ms
    -60 / 0.4 dB a second: about -13 dB of the direct energy in that stretch (exponential decay, Sabine)."""
    rate, lead_s = 48_000.0, 1e-3
    rng = np.random.default_rng(4)
    time = np.arange(round(0.08 * rate)) / rate
    direct = np.where(time >= lead_s, np.exp(-(time - lead_s) / 3e-4), 0.0) * rng.normal(size=(6, time.size))
    decay = rng.normal(size=direct.shape) * 10 ** (-60.0 * time / 0.4 / 20.0)
    energy = np.sum(direct**2, axis=1, keepdims=True)
    decay *= np.sqrt(energy * 10**-0.5 / np.sum(decay**2, axis=1, keepdims=True))
    quiet, room = late_db(direct, rate, lead_s), late_db(direct + decay, rate, lead_s)
    assert quiet is not None
    assert room is not None
    assert quiet < -60.0
    assert -16.0 < room < -5.0
    assert room_flags(quiet, 6) == []
    (flag,) = room_flags(room, 6)
    assert "anechoic" in flag.sentence
    assert late_db(direct[:, :2000], rate, lead_s) is None
