"""Recordings of a scan become pressures: frozen values over a few invented takes at a low sample rate.

The values are the program's own ("frozen"). Closed cases: Fourier sums by definition, echoes of one wall by its image.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import made_session as made
import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.formats.audio import Recording
from earwitness.formats.correction_file import parse_correction
from earwitness.quantities import FrequencyAxis, Gate
from earwitness.reduce import scan_gather
from earwitness.reduce.scan_gather import ScanData, first_echo_s, fourier_sums, gather_scan, scan_gate
from earwitness.reduce.stimulus import stimulus_of
from earwitness.session.responses import ScanTake
from earwitness.session.session import Room, Session
from golden_values import stands

C = made.SPEED
ONE = made.Made(start_hz=60.0, stop_hz=20_000.0, duration_s=0.3, lead_s=0.05, tail_s=0.3, latency_s=0.004)
POINTS = np.array([[0.5, 0.0, 0.0], [0.35, 0.3, 0.1], [-0.4, 0.2, 0.1], [0.1, -0.2, 0.6]])
AXIS = FrequencyAxis(np.array([30.0, 62.0, 64.0, 200.0, 1000.0, 5000.0, 18_500.0, 19_000.0, 19_100.0, 21_000.0]))


def takes(**changes: Any) -> tuple[ScanTake, ...]:
    told = {"kind": "scan", "sha256": made.HASH, "surface": "sphere"}
    return tuple(
        ScanTake.model_validate(
            {**told, "id": f"p{n}", "file": f"p{n}.wav", "position_m": tuple(float(x) for x in point), **changes}
        )
        for n, point in enumerate(POINTS)
    )


def read(
    *, loud: float = 1.0, late_s: float = 0.0, noise_fs: float = 0.0, loop: bool = True, monitor: bool = False
) -> Any:
    def one(name: str) -> Recording:
        n = int(name[1])
        distance = float(np.linalg.norm(POINTS[n]))
        own = made.changed(
            ONE,
            distance_m=distance,
            gain=loud,
            noise_fs=noise_fs,
            speaker_delay_s=late_s,
            reflection_s=5e-3,
            reflection_gain=0.4,
        )
        found = made.recording(own, 10.0 * n, n)
        rows = [found.samples[0], found.samples[1]] if loop else [found.samples[0]]
        rows += [0.5 * np.roll(found.samples[0], 3)] if monitor else []
        return Recording(np.array(rows), made.RATE, "DOUBLE")

    return one


def session(*, loop: bool = True, **changes: Any) -> Session:
    return made.facts(
        made.changed(ONE, loopback=loop),
        extra=({"kind": "noise floor", "id": "s", "file": "s.wav", "sha256": made.HASH},),
        **changes,
    )


def brief(one: ScanData) -> list[Any]:
    return [
        one.rows,
        one.ids,
        one.surfaces,
        one.whole,
        one.gated,
        one.gate,
        one.gate_u_db,
        one.noise_rms,
        one.speed_m_s,
        one.clipped,
        one.latency_s,
        one.absolute,
        one.impulse,
        one.impulse_rate_hz,
        one.impulse_onset_s,
        one.holds_room,
        one.monitor,
    ]


CASES: dict[str, tuple[dict[str, Any], dict[str, Any], dict[str, Any]]] = {
    "free": ({}, {}, {}),
    "room": ({"environment": {"first_reflection_ms": 4.0}}, {}, {}),
    "unknown": ({"environment": {"temperature_c": 30.0}}, {}, {}),
    "late": ({}, {"late_s": 4e-3}, {}),
    "a little late": ({}, {"late_s": 5e-4}, {}),
    "no loop": ({"loop": False}, {"loop": False, "late_s": 5e-4}, {}),
    "loud": ({}, {"loud": 90.0}, {}),
    "noisy": ({}, {"noise_fs": 1e-4}, {"drive_v": 4.0}),
    "monitor": ({}, {"monitor": True}, {"monitor_channel": 3}),
}


@pytest.mark.parametrize("name", list(CASES))
def test_gathering(name: str) -> None:
    told, recorded, taken = CASES[name]
    words: list[tuple[float, str]] = []
    found = gather_scan(
        session(**told),
        takes(**taken),
        read(**recorded),
        AXIS,
        progress=lambda share, text: words.append((share, text)),
    )
    stands("reduce/scan_gather", f"gathered {name}", brief(found), relative=1e-4, near_zero=1e-8)
    assert sorted(share for share, _ in words) == [0.25, 0.5, 0.75, 1.0]


def test_a_correction_and_other_orders() -> None:
    correction = parse_correction("20 0\n1000 1\n22000 3\n", name="c.txt")
    found = gather_scan(session(), takes()[::-1], read(), AXIS, correction=correction)
    stands("reduce/scan_gather", "reversed", [found.ids, np.abs(found.whole), found.impulse], relative=1e-4)
    with pytest.raises(InputError, match="no scan take"):
        gather_scan(session(), (), read(), AXIS)


@pytest.mark.parametrize("count", [400, 501, 1000])
def test_sums_are_sums(count: int) -> None:
    rng = np.random.default_rng(1)
    samples, hz = rng.normal(size=count), np.array([3.0, 18.0, 555.0, 4000.0, 23_000.0])
    one = fourier_sums(count, 48_000.0, hz)
    truth = np.exp(-2j * np.pi * np.outer(hz, 0.013 + np.arange(count) / 48_000)) @ samples
    assert np.allclose(one.of(samples, 0.013), truth, atol=2e-9 * np.abs(truth).max())
    stands("reduce/scan_gather", f"sums {count}", [one.length, one.bins, one.weight, one.correction])


def test_gates() -> None:
    room = {
        "length_m": 5.0,
        "width_m": 4.0,
        "height_m": 2.6,
        "loudspeaker_m": (2.4, 2.0, 1.2),
        "microphone_m": (3.4, 2.0, 1.2),
    }
    found: list[Any] = []
    for environment in (
        {},
        {"anechoic": True},
        *({"first_reflection_ms": ms} for ms in (1.0, 1.19, 1.21, 1.3, 1.35, 5.0, 20.1, 20.3, 30.0)),
        {"room": room},
    ):
        found.append(scan_gate(session(environment=environment), POINTS, C))
    plain = session(environment={"anechoic": True})
    bare = plain.model_copy(update={"loudspeaker": plain.loudspeaker.model_copy(update={"drivers": ()})})
    far = plain.loudspeaker.drivers[0].model_copy(update={"position_m": (0.0, 0.3, -0.4)})
    wide = plain.model_copy(update={"loudspeaker": plain.loudspeaker.model_copy(update={"drivers": (far,)})})
    found += [
        scan_gate(one, POINTS, C)
        for one in (
            bare,
            wide,
            wide.model_copy(update={"environment": session(environment={"room": room}).environment}),
        )
    ]
    stands("reduce/scan_gather", "gates", found)


def test_first_echoes() -> None:
    found: list[Any] = []
    for loudspeaker, microphone in (
        ((2.4, 2.0, 1.2), (3.4, 2.0, 1.2)),
        ((2.0, 1.0, 1.5), (2.0, 3.0, 1.0)),
        ((4.5, 2.0, 1.2), (2.0, 1.5, 1.2)),
        ((1.0, 3.0, 2.0), (1.0, 3.0, 1.0)),
    ):
        room = Room(length_m=5.0, width_m=4.0, height_m=2.6, loudspeaker_m=loudspeaker, microphone_m=microphone)
        found.append(first_echo_s(room, np.array([[0.0, 0.0, 0.0], [-0.05, 0.1, -0.2]]), POINTS, C))
    stands("reduce/scan_gather", "echoes", found)
    # The floor alone, 1.2 m below: image source 2.4 m below the source (geometry).
    room = Room(
        length_m=50.0, width_m=40.0, height_m=20.0, loudspeaker_m=(25.0, 20.0, 1.2), microphone_m=(26.0, 20.0, 1.2)
    )
    echo = first_echo_s(room, np.zeros((1, 3)), np.array([[0.5, 0.0, 0.0]]), 343.0)
    assert echo == pytest.approx((np.hypot(0.5, 2.4) - 0.5) / 343.0)


def cut(rate_hz: int = 48_000, latency_s: float = 0.01) -> Any:
    first: Any = SimpleNamespace(peak_s=latency_s + 0.002)
    return scan_gather._cut(first, 0.002, 0.02, rate_hz, np.array([500.0, 2000.0]))


def test_cuts_and_pieces() -> None:
    one = cut()
    samples = np.random.default_rng(2).normal(size=50)
    impulse: Any = SimpleNamespace(start_s=0.1, samples=samples)
    found: list[Any] = [
        scan_gather._piece(impulse, start, count, 1000)
        for start in (0.1, 0.1004, 0.0949, 0.13, 0.16, 0.05)
        for count in (4, 30, 80)
    ]
    moved = [scan_gather._moved(samples, late, 1000) for late in (0.0, 0.0003, -0.0017)] + [
        scan_gather._moved(samples[:49], 0.0003, 1000)
    ]
    stands("reduce/scan_gather", "pieces", [one.weights, one.latency_s, one.rate_hz, found, moved])
    # A whole sample is a whole sample.
    assert np.allclose(scan_gather._moved(samples, 0.001, 1000), np.roll(samples, 1))


def test_lateness() -> None:
    one = cut()
    found: list[Any] = []
    click = np.exp(-np.arange(40) / 6.0) * np.cos(np.arange(40))
    for late in (0.0, 0.0005, 0.00145, 0.00155, 0.003, -0.0014, -0.0016):
        around = np.zeros((4, round((8e-3 + 26e-3) * 48_000)))
        first = round((8e-3 + late) * 48_000)
        around[:, first : first + 40] = click
        around[2] = np.roll(around[2], 300)
        for channel in (2, None):
            told: Any = [
                SimpleNamespace(id="a", file="a", microphone_channel=1, reference_channel=channel, drive_v=1.0)
            ] * 4
            for points in (
                POINTS,
                -POINTS[:, [0, 1, 2]],
                np.array([[0.5, 0.86, 0.0], [0.5, 0.87, 0.0], [0.499, 0.8666, 0.0], [1.0, 0.0, 0.0]]),
            ):
                plain: Any = SimpleNamespace(reference=None)
                found.append(scan_gather._latency(plain, told, around, points, one, 20_000.0))
    stands("reduce/scan_gather", "lateness", found, relative=1e-4, near_zero=1e-8)


def test_gated_pressures() -> None:
    one = cut()
    rng = np.random.default_rng(3)
    around = rng.normal(size=(4, 1632)) * np.exp(-np.arange(1632) / 300) * np.array([[1.0], [0.5], [0.05], [2.0]])
    gate = Gate(-1e-3, 6e-3, 2.4e-3, 6.2e-3, "room dimensions", 200.0)
    found: list[Any] = [
        scan_gather._gated(
            around, np.array([0.001, 0.002, 0.003, 0.004]), gate, one, latency, np.array([300.0, 2000.0, 7000.0])
        )
        for latency in (0.0, 2e-3)
    ]
    stands("reduce/scan_gather", "gated", found)


def test_noise_of_the_whole_response() -> None:
    one, told, hz = cut(), session(), np.array([500.0, 2000.0])
    division: Any = SimpleNamespace(stimulus=stimulus_of(told.played, read(), 48_000), hz=hz)
    points: Any = [
        SimpleNamespace(noise=n) for n in (np.array([1.0, 4.0]), None, np.array([9.0, 2.0]), np.array([3.0, 3.0]))
    ]
    stated, mixed = takes(drive_v=4.0), (*takes(drive_v=8.0)[:1], *takes())
    stands(
        "reduce/scan_gather",
        "noise",
        [scan_gather._noise(points, told, some, division, one) for some in (takes(), stated, mixed)],
    )
    assert not scan_gather._noise(points[1:2], told, stated, division, one).any()


def test_some_points_of_the_data() -> None:
    data = ScanData(
        AXIS,
        np.arange(2),
        POINTS,
        tuple("abcd"),
        tuple("wxyz"),
        np.asarray(np.ones((4, 2)) * np.arange(4)[:, None], dtype=complex),
        None,
        None,
        np.zeros(2),
        np.zeros(2),
        C,
    )
    time = np.linspace(0, 1, 4)
    full, some = data.taken(np.arange(4), time), data.taken(np.array([2, 0]), time)
    more = ScanData(
        AXIS,
        np.arange(2),
        POINTS,
        tuple("abcd"),
        tuple("wxyz"),
        data.whole,
        2 * data.whole,
        None,
        np.zeros(2),
        np.zeros(2),
        C,
        monitor=3 * data.whole,
    ).taken(np.array([1]), time)
    stands("reduce/scan_gather", "taken", [brief(full), full.time, brief(some), some.time, some.points_m, brief(more)])
