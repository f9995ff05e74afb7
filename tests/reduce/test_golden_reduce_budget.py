"""What a level's uncertainty is made of, and the gate: formulas over a population, each limit on both sides.

Values are the program's own, frozen. Beside them closed forms: image sources of a box room, and a small baffle's edge.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from reduce_worlds import LOUDSPEAKER, Rig, outcome, session, swept

from earwitness.dsp.sweep import sweep_law
from earwitness.quantities import Cause, log_axis
from earwitness.quantities.measurement import Gate
from earwitness.reduce.budget import (
    air_absorption_db_per_m,
    baffle_causes,
    budget_of,
    edge_change_db,
    gating_u_db,
    high_pass_gate_error_db,
    level_causes,
    noise_u_db,
)
from earwitness.reduce.gate import (
    cut_tail,
    gate_of,
    gated,
    lead_for,
    signed_gate_u_db,
    snr_of,
    spectra_of,
    speed_of_sound,
    volts_squared_of,
    wall_reflections_s,
    weights_of,
)
from earwitness.reduce.impulse import Role, TakeImpulse
from earwitness.reduce.stimulus import Stimulus
from earwitness.session.session import Room
from golden_values import stands

NAME = "reduce/budget"
AXIS = log_axis(20.0, 20_000.0, 8)
HZ = AXIS.hz
Array = npt.NDArray[np.float64]


def test_noise_and_gates() -> None:
    random, told = np.random.default_rng(1), list[Any]()
    told.append(noise_u_db(np.array([-20.0, -0.1, 0.0, 0.1, 20.0, 30.0, 60.0])))
    full, short, shortest = random.normal(80.0, 2.0, (3, 2, HZ.size))
    told.append(gating_u_db(full, short, shortest))
    for gate_s in (2e-3, 5e-3, 12e-3):
        for share in (0.3, 0.5):
            told.append(gating_u_db(full, short, shortest, hz=HZ, gate_s=gate_s, fall_share=share))
    told.append(gating_u_db(full[0], short[0], shortest[0], hz=HZ, gate_s=4e-3))
    told.append(gating_u_db(full[0], short[0], shortest[0], hz=HZ))
    told.append(gating_u_db(full[0], short[0], shortest[0], gate_s=3e-3))
    told.append(signed_gate_u_db(full, short, shortest))
    for corner, order in ((35.0, 2), (70.0, 4), (100.0, 6)):
        told.append(high_pass_gate_error_db(HZ[HZ < 12_000.0], corner, order, gate_s=5.01e-3, fall_share=0.4))
    stands(NAME, "noise and gates", told)


def test_air() -> None:
    told: list[Any] = []
    for celsius, humid, pressure in (
        (20.0, 50.0, 101.325),
        (0.0, 20.0, 90.0),
        (35.0, 90.0, 105.0),
        (20.0, 0.0, 101.3),
        (-199.0, 1.0, 1.0),
    ):
        told.append(1e3 * air_absorption_db_per_m(HZ, celsius, humid, pressure))
    for air in (
        (-200.0, 5.0, 100.0),
        (-273.0, 5.0, 100.0),
        (20.0, -1.0, 100.0),
        (20.0, 100.0, 100.0),
        (20.0, 100.5, 100.0),
        (20.0, 50.0, 0.0),
    ):
        told.append(outcome(lambda a=air: 1e3 * air_absorption_db_per_m(HZ[:4], *a)))  # type: ignore[misc]
    stands(NAME, "air", told)


def causes(more: dict[str, Any], /, **given: Any) -> Any:
    found = level_causes(session(Rig(), **more), HZ, **given)
    return [[one.name, one.source, one.pull_db.sum(axis=0), one.pull_db.shape, one.device, one.alike] for one in found]


def test_causes_of_a_level() -> None:
    told: list[Any] = []
    tone = {"file": "c.wav", "tolerance_db": 0.3, "frequency_hz": 250.0}
    both = {"sensitivity_fs_per_pa": 0.05, "sensitivity_u_db": 0.35, "calibrator": tone, "name": "m", "serial": "7"}
    for microphone in (
        {},
        {"sensitivity_fs_per_pa": 0.05},
        {"calibrator": tone},
        {"calibrator": tone | {"serial": "k9"}},
        both,
    ):
        for band in (None, (100.0, 12_000.0)):
            told.append(causes({"microphone": microphone}, correction_band_hz=band))
    told.append(causes({"microphone": {"correction_u_db": 0.7}}, correction_band_hz=(100.0, 9000.0)))
    told.append(causes({"loudspeaker": LOUDSPEAKER | {"powered": True}}, distance_m=3.0))
    told.append(causes({"drive": {"voltage_v": 2.0, "u_db": 0.25}}, distance_m=2.0, air_corrected=True))
    told.append(
        causes(
            {"environment": {"anechoic": True, "temperature_c": 5.0, "humidity_percent": 20.0, "pressure_kpa": 90.0}}
        )
    )
    # Where the limits of a good capsule change: at 10 kHz.
    edge = np.array([9000.0, 9999.0, 10_000.0, 10_001.0, 12_000.0])
    for band in (None, (20.0, 20_000.0), (9999.0, 10_001.0)):
        told.append([one.pull_db.sum(axis=0) for one in level_causes(session(Rig()), edge, correction_band_hz=band)])
    stands(NAME, "causes", told)


def test_budgets() -> None:
    told: list[Any] = []
    one = Cause(name="a", source="x", pull_db=np.full((1, 4), -3.0))
    two = Cause(name="a", source="y", pull_db=np.array([[4.0] * 4, [1.0, -2.0, 3.0, 0.0]]))
    other = Cause(name="b", source="z", pull_db=np.array([[1.0] * 4, [-2.0] * 4]))
    for row in (0, 1):
        told += [budget_of([one, two, other], row), budget_of([other], row)]
    told.append(budget_of([], 0))
    stands(NAME, "budgets", told)


def test_edges_of_baffles() -> None:
    told: list[Any] = []
    for width, height in ((1.35, 1.65), (2.0, 0.5), (0.3, 0.3)):
        told.append(edge_change_db(width, height, HZ, 343.0))
        space = {"half_space": True, "anechoic": True, "baffle_m": [width, height]}
        for share in (0.0, np.linspace(0.0, 1.0, HZ.size)):
            told.append(baffle_causes(session(Rig(), environment=space), HZ, 343.0, share))
    told.append(baffle_causes(session(Rig()), HZ, 343.0, 0.0))
    # Small against the wavelength: half the pressure of a wall.
    assert edge_change_db(0.1, 0.1, np.array([1.0]), 343.0)[0] == pytest.approx(-6.02, abs=0.01)
    stands(NAME, "baffles", told)


ROOM: dict[str, Any] = {
    "length_m": 6.0,
    "width_m": 4.0,
    "height_m": 2.6,
    "loudspeaker_m": [2.0, 1.7, 1.2],
    "microphone_m": [3.6, 1.9, 1.3],
}


def test_walls_and_gates() -> None:
    told: list[Any] = []
    room = Room.model_validate(ROOM)
    found = wall_reflections_s(room, 343.0)
    told.append(1e3 * found)
    direct = np.linalg.norm(np.array([1.6, 0.2, 0.1]))
    # The floor: mirrored in height.
    assert found[4] == pytest.approx((np.linalg.norm([1.6, 0.2, 2.5]) - direct) / 343.0)
    told.append([speed_of_sound(one) for one in (-10.0, 0.0, 20.0, 35.0)])
    moved = LOUDSPEAKER | {
        "driver": [{"name": "w", "kind": "cone", "diameter_m": 0.1, "position_m": [0.1, -0.2, -0.5]}]
    }
    for loudspeaker in (LOUDSPEAKER, moved, LOUDSPEAKER | {"driver": []}):
        told.append(1e3 * lead_for(session(Rig(), loudspeaker=loudspeaker), 343.0))
    spaces: list[dict[str, Any]] = [
        {"anechoic": True},
        {"room": ROOM},
        {"first_reflection_ms": 6.0},
        {"first_reflection_ms": 0.69},
        {"first_reflection_ms": 0.71},
        {"first_reflection_ms": 6.0, "room": ROOM},
        {"anechoic": True, "room": ROOM},
        {},
        {"first_reflection_ms": 500.0},
    ]
    for space in spaces:
        for length in (None, 4e-3, 4.9e-4, 5.1e-4):
            told.append(
                outcome(
                    lambda s=space, n=length: gate_of(  # type: ignore[misc]
                        session(Rig(), environment=s), 343.0, anechoic_window_s=0.2, fall_share=0.45, length_s=n
                    )
                )
            )
    stands(NAME, "gates", told)


GATE = Gate(-1.2e-3, 6e-3, 2.4e-3, 6.2e-3, "stated by the tester", 200.0)


def test_weights_and_tails() -> None:
    told: list[Any] = []
    time = np.linspace(-2e-3, 7e-3, 180)
    for share in (1.0, 0.8, 0.65):
        told.append(weights_of(GATE, time, share=share))
    told.append(weights_of(GATE, time))
    hz = log_axis(20.0, 2000.0, 12).hz
    s = 1j * hz / 45.0
    bass = np.stack(
        [s**2 / (s**2 + 0.9 * s + 1.0), -0.5 * s**2 / (s**2 + 0.5 * s + 1.0) * np.exp(-2j * np.pi * hz * 1e-4)]
    )
    for highest in (300.0, 511.0, 513.0, 800.0):
        told.append(cut_tail(hz, bass, highest, GATE))
    told.append(cut_tail(hz, bass, 500.0, GATE, share=0.65))
    told.append(cut_tail(np.array([30.0, 60.0, 500.0]), np.ones((1, 3), complex), 200.0, GATE))
    stands(NAME, "tails", told)


def test_what_lies_inside_a_gate() -> None:
    told: list[Any] = []
    rate = 16_000.0
    random = np.random.default_rng(3)
    impulse = TakeImpulse("a", random.standard_normal(400), -0.005, 0.004, None, 0.5, 0, 0)
    role = Role("a", "a.wav", 1, None, 2.83)
    for arrival in (-0.0039, -0.0038, -0.0037, 0.0, 0.003, 0.0135, 0.0137, 0.01374, 0.0138, 0.0139, 0.02):
        told.append(outcome(lambda t=arrival: gated([impulse], [role], np.array([t]), GATE, rate)))  # type: ignore[misc]
    stands(NAME, "gated", told)


def takes(seed: int, *, echo: float = 0.0, bass: float = 0.0) -> tuple[Array, Array]:
    random, rate = np.random.default_rng(seed), 16_000.0
    count = round(7.2e-3 * rate) + 2
    time = np.arange(count) / rate - 1.2e-3 + np.array([[0.0], [2e-5], [-3e-5]])
    since = np.maximum(time, 0.0)
    body = np.exp(-since / 2e-4) * np.sin(2 * np.pi * 2500.0 * since) * (time >= 0.0)
    body = body + bass * np.exp(-since / 0.01) * np.cos(2 * np.pi * 55.0 * since) * (time >= 0.0)
    body = body + echo * np.exp(-((time - 4.4e-3) ** 2) / 1e-8)
    return body + 1e-4 * random.standard_normal(time.shape), time


def test_spectra_of_gated_takes() -> None:
    told: list[Any] = []
    hz = log_axis(60.0, 7000.0, 8).hz
    volts = np.full((3, hz.size), 0.7) / hz
    noise = np.full((3, hz.size), 1e-9) * np.array([[1.0], [2.0], [4.0]])
    for seed, (echo, bass) in enumerate(((0.0, 0.0), (0.3, 0.0), (0.0, 1.0), (0.1, 8.0), (0.0, 40.0))):
        segments, time = takes(seed, echo=echo, bass=bass)
        for matters in (True, False):
            for given in (noise, None) if seed == 1 else (noise,):
                one = spectra_of(segments, time, GATE, 16_000.0, hz, given, volts, gate_matters=matters)
                told.append(
                    [
                        one.pressure[:2],
                        one.u_gate_db,
                        one.u_gate_wide_db,
                        one.snr_db,
                        len(one.shorter),
                        sum(one.shorter),
                    ]
                )
    for length in (2e-3, 4e-3):
        gate = Gate(-1.2e-3, length, 0.3 * length, length, "stated by the tester", 200.0)
        told.append(spectra_of(segments, time, gate, 16_000.0, hz, noise, volts).u_gate_wide_db)
    told.append(spectra_of(segments, time, GATE, 16_000.0, hz, noise, volts).u_gate_wide_db)
    told.append(snr_of(np.ones((1, hz.size), complex), hz, np.full((1, hz.size), 1e-30), np.ones((1, hz.size)), 1e-3))
    rig = Rig()
    sweep = Stimulus(swept(rig), rig.rate, sweep_law(30.0, 7500.0, 0.9), 30.0, 7500.0, 0.1)
    told.append(volts_squared_of(sweep, hz, np.array([1.0, 2.83])))
    stands(NAME, "spectra", told, relative=1e-4)
