"""What responses tell of themselves: frozen values of every doubt over drawn responses with planted mistakes.

The values are the program's own ("frozen"). Closed cases: the mean of neighbors.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from earwitness.dsp import data_traces
from earwitness.dsp.data_traces import ExcessPhase
from earwitness.formats.audio import Recording
from earwitness.formats.directivity_sofa import SofaDirectivity
from earwitness.formats.response_table import parse_response_table
from earwitness.quantities import from_orbit
from earwitness.reduce import response_doubts as doubts
from earwitness.reduce.response_doubts import phase_is_turned, response_doubts
from earwitness.reduce.response_parts import Part, nothing_stated
from earwitness.session.responses import CurvesTake, ImpulseTake, ResponseFacts, ResponseTake
from golden_values import stands

HZ = np.geomspace(30.0, 18_000.0, 200)
PLAIN = parse_response_table("Hz\tdB SPL\n100\t80\n200\t80\n400\t80\n", name="plain")
HASH = "0" * 64


def part(
    level: NDArray[Any],
    angles: list[float],
    orbit: str = "horizontal",
    *,
    take: str = "a",
    phase: NDArray[Any] | None = None,
    known: NDArray[Any] | None = None,
) -> Part:
    shape = level.shape
    there = np.ones(shape, dtype=bool) if known is None else known
    return Part(
        from_orbit("vertical" if orbit == "vertical" else "horizontal", angles),
        level,
        phase,
        np.zeros(shape),
        there,
        nothing_stated(shape),
        take,
    )


def brief(found: Any) -> list[Any]:
    return [[one.id, one.number, one.threshold, one.takes, one.band_hz, one.sentence] for one in found]


def test_turned_phases() -> None:
    found: list[Any] = []
    for rest in (4.9, 5.0, 5.3, 40.0):
        for turned in (2.4, 2.55, 14.5, 15.0, 15.6, 19.9, 20.1):
            found.append(phase_is_turned(ExcessPhase(0.0, rest, turned)))
    found += [phase_is_turned(ExcessPhase(delay, 1.0, 5.0)) for delay in (1e-4, -0.95e-4, -1e-4, -1.05e-4, -1.2e-4)]
    stands("reduce/response_doubts", "turned", found)


def native(level: NDArray[Any], hz: NDArray[Any] = HZ) -> Any:
    return doubts._Native(hz, np.atleast_2d(level), "a")


def rough(seed: int, hz: NDArray[Any] = HZ, size: float = 1.0) -> NDArray[Any]:
    rng = np.random.default_rng(seed)
    return np.asarray(80.0 + size * np.cumsum(rng.normal(0.0, 0.4, hz.size)))


def test_smoothing_that_is_stated_and_found() -> None:
    hz = np.geomspace(40.0, 18_000.0, 9 * 96)
    jagged = 80 + np.random.default_rng(1).normal(0.0, 2.0, hz.size)
    found: list[Any] = []
    for width in (2, 5, 9, 17, 33):
        kernel = np.ones(width) / width
        smooth = np.convolve(np.pad(jagged, width, mode="edge"), kernel, "same")[width:-width]
        for stated in ("none", "1/3", "1/6", "1/12", "1/24", "1/48", "unknown"):
            for space in ("gated", "room", "anechoic", "scan", "ground plane", "unknown"):
                facts = ResponseFacts(smoothing=stated, space=space)
                found.append([len(brief(doubts._smoothing(facts, native(smooth, hz))))])
        found.append(
            [
                brief(doubts._smoothing(ResponseFacts(smoothing=stated, space=space, gate_ms=gate), native(smooth, hz)))
                for stated in ("none", "1/48")
                for space in ("room", "gated")
                for gate in (None, 5.0)
            ]
        )
    stands("reduce/response_doubts", "smoothing", found)


def test_widths_at_twice_what_is_stated(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[Any] = []
    for width in (0.0, 5.0, 5.9, 6.0, 6.1, 11.9, 12.0, 12.1, 24.0):
        monkeypatch.setattr(data_traces, "smoothing_per_octave", lambda *_, width=width: width)
        for stated in ("none", "1/12", "1/24"):
            facts = ResponseFacts(smoothing=stated, space="gated")
            told.append(brief(doubts._smoothing(facts, native(HZ))))
    stands("reduce/response_doubts", "widths", told)


def test_gates_that_are_shorter_than_stated(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[Any] = []
    for end in (None, 0.0037, 0.0038, 0.00385, 0.0039, 0.004, 0.005):
        monkeypatch.setattr(data_traces, "end_from_levels_s", lambda *_, end=end: end)
        for gate in (None, 5.0):
            for smoothing in ("none", "unknown", "1/24"):
                told.append(brief(doubts._gate_of_levels(ResponseFacts(gate_ms=gate, smoothing=smoothing), native(HZ))))
    for end_s in (-0.001, 0.0, 0.0038, 0.00385, 0.005, 0.0999, 0.1, 0.101, 0.111):
        for fall in (29.0, 29.99, 30.0, 31.0, 33.5):
            monkeypatch.setattr(
                data_traces,
                "end_of_impulse",
                lambda *_, end_s=end_s, fall=fall: SimpleNamespace(end_s=end_s, fall_db=fall),
            )
            for gate in (None, 5.0):
                told.append(brief(doubts._gate_of_samples(ResponseFacts(gate_ms=gate), "a", HZ, 48_000.0)))
    for snr in (None, 19.0, 19.99, 20.0, 20.01, 21.0):
        monkeypatch.setattr(data_traces, "flat_tail_snr_db", lambda *_, snr=snr: snr)
        told.append(brief(doubts._tail("a", HZ)))
    stands("reduce/response_doubts", "gates", told)


def test_grids() -> None:
    base, found = rough(2), []
    for digit in (1e-3, 0.1, 0.25, 0.5, 1.0, 2.0):
        found.append(brief(doubts._grid(native(np.round(base / digit) * digit))))
    for share in (0.0, 0.4, 0.49, 0.52, 0.6, 0.9):
        steps = np.where(np.random.default_rng(3).uniform(size=200) < share, 0.0, np.diff(rough(4), prepend=80.0))
        found.append(brief(doubts._grid(native(80 + np.cumsum(steps)))))
        found.append(brief(doubts._grid(native(80 + 0.01 * np.cumsum(steps)))))
    for step in (20.0, 100.0, 400.0):
        coarse = np.arange(20.0, 18_000.0 + step, step)
        found.append(brief(doubts._grid(native(np.interp(HZ, coarse, rough(5, coarse))))))
    for same in (1, 4, 5, 6, 30, 199, 200):
        for low in (True, False):
            filled = base.copy()
            filled[slice(same) if low else slice(200 - same, 200)] = 77.0
            found.append(brief(doubts._grid(native(filled))))
            dense = np.geomspace(1000.0, 3000.0, 200)
            found.append(brief(doubts._grid(native(filled, dense))))
    stands("reduce/response_doubts", "grids", found)


def test_ranges_that_repeat() -> None:
    # Levels that mostly repeat count where they move by more than a decibel.
    found: list[Any] = []
    for size in (0.9, 0.999, 1.001, 1.1):
        level = np.repeat(np.linspace(0.0, size, 40), 5)[:200] + 80.0
        found.append(brief(doubts._grid(native(level))))
    stands("reduce/response_doubts", "repeats", found)


def test_scatter_between_points(monkeypatch: pytest.MonkeyPatch) -> None:
    found: list[Any] = []
    even = np.arange(50.0, 18_000.0, 50.0)
    spaces: Any = (
        ("anechoic", None),
        ("scan", None),
        ("gated", 5.0),
        ("gated", 9.9),
        ("gated", 10.1),
        ("gated", 20.0),
        ("room", None),
    )
    for space, gate in spaces:
        for smoothing in ("none", "unknown", "1/12"):
            for noise in (0.02, 1.0):
                level = 80 + np.random.default_rng(6).normal(0.0, noise, (2, even.size))
                facts = ResponseFacts(space=space, gate_ms=gate, smoothing=smoothing)
                found.append(brief(doubts._scatter(facts, native(level, even))))
    free = ResponseFacts(space="anechoic")
    for bend in (0.0, 1.9e-5, 2.1e-5, 3e-5, 1e-3):
        uneven = 50.0 + np.cumsum(50.0 * (1 + bend * np.arange(even.size) ** 1.13))
        found.append(brief(doubts._scatter(free, native(level[:, : uneven.size], uneven))))
    for count in (98, 99, 100, 101, 102):
        some = np.linspace(2000.0, 15_900.0, count + 1)
        found.append(brief(doubts._scatter(free, native(level[:, : count + 1], some))))
        other = np.linspace(2000.1, 16_000.0, count)
        found.append(brief(doubts._scatter(free, native(level[:, :count], other))))
    for snr in (19.0, 19.99, 20.0, 20.5, 22.5):
        monkeypatch.setattr(data_traces, "snr_of_scatter_db", lambda _row, snr=snr: snr)
        found.append(brief(doubts._scatter(free, native(level, even))))
    stands("reduce/response_doubts", "scatter", found)


ANGLES = [float(a) for a in range(-170, 181, 10)]


def orbit(seed: int = 7, *, angles: list[float] = ANGLES) -> NDArray[Any]:
    rng = np.random.default_rng(seed)
    tilt = rng.normal(0, 0.3)
    away = np.array(angles)[:, None]
    return np.asarray(
        80
        - 6 * (1 - np.cos(np.radians(away - 5 * tilt))) * np.linspace(0.2, 2.0, 200)
        + 0.1 * np.sin(away * 0.21 + np.linspace(0, 3, 200))
    )


def test_directions_that_both_orbits_give() -> None:
    found: list[Any] = []
    for away in (0.0, 0.28, 0.299, 0.301, 0.32, 1.0):
        for angle in (0.0, 180.0, 30.0, 0.05, 0.2):
            one, other = (
                part(orbit(angles=[angle]), [angle], take="h"),
                part(orbit(angles=[angle]) + away, [angle], "vertical", take="v"),
            )
            found.append(brief(doubts._places([one, other], HZ)))
    holes = np.ones((1, 200), dtype=bool)
    for place in (2, 60, 199):
        some = holes.copy()
        some[0, place] = False
        found.append(
            brief(
                doubts._places(
                    [
                        part(orbit(angles=[0.0]), [0.0], known=some),
                        part(orbit(angles=[0.0]) + 1, [0.0], "vertical", take="v"),
                    ],
                    HZ,
                )
            )
        )
    uneven = orbit(angles=[0.0]).repeat(2, axis=0)
    uneven[1, :90] += 5.0
    uneven[1, 90:] += 0.2
    found.append(brief(doubts._places([part(uneven, [0.0, 0.0])], HZ)))
    stands("reduce/response_doubts", "both orbits", found)


def test_copies() -> None:
    found: list[Any] = []
    for apart in (0.0, 0.9e-3, 0.999e-3, 1.001e-3, 1.1e-3, 0.1):
        doubled = orbit()
        doubled[7] = doubled[3] + apart
        found.append(brief(doubts._places([part(doubled, ANGLES)], HZ)))
        mirrored = orbit()
        for n in range(17):
            mirrored[n] = mirrored[34 - n] + apart
        for name in ("horizontal", "vertical"):
            found.append(brief(doubts._places([part(mirrored, ANGLES, name)], HZ)))
        mirrored[3] += 0.3
        found.append(brief(doubts._places([part(mirrored, ANGLES)], HZ)))
    for angles in (
        [-30.0, 30.0],
        [-30.0, 30.0, -60.0, 60.0],
        [0.0, 0.4],
        [0.0, 0.6],
        [-30.0, 30.4],
        [-30.0, 30.6],
        [0.0, 0.3, 359.8],
    ):
        same = np.tile(orbit(angles=[30.0]), (len(angles), 1))
        rows = [(angle, level, f"t{n}") for n, (angle, level) in enumerate(zip(angles, same, strict=True))]
        found.append(brief(doubts._copies("horizontal", rows)))
    many = [(float(a), orbit(angles=[30.0])[0], f"t{a}") for a in (0, 20, 40, 60, 80, 100)]
    found += [brief(doubts._copies("vertical", many)), brief(doubts._copies("vertical", []))]
    stands("reduce/response_doubts", "copies", found)


def test_files_that_were_exchanged() -> None:
    found: list[Any] = []
    for count in (10, 11, 12, 36):
        angles = [360.0 / count * n - 170.0 for n in range(count)]
        for one, other in ((1, 5), (2, 3), (0, 4)):
            level = orbit(8, angles=angles)
            level[[one, other]] = level[[other, one]]
            rows = [(angle, row, f"t{n}") for n, (angle, row) in enumerate(zip(angles, level, strict=True))]
            found.append(brief(doubts._exchanged("horizontal", rows[::-1])))
    for size in (0.5, 0.95, 1.0, 1.05, 1.5, 2.0, 3.0, 4.0, 8.0):
        for base in (0.05, 0.3, 1.0):
            level = 80 + base * np.random.default_rng(9).normal(size=(24, 200))
            level[5] += size
            level[14] -= size
            rows = [(15.0 * n, row, f"t{n}") for n, row in enumerate(level)]
            found.append(brief(doubts._exchanged("vertical", rows)))
            # Of both that stick out each stands in the other's place: partly, and wholly.
            step = (
                80
                + 0.02 * np.random.default_rng(10).normal(size=(24, 200))
                + size * np.sin(np.arange(24) / 24 * 2 * np.pi)[:, None]
            )
            share = base
            step[[6, 18]] = (1 - share) * step[[6, 18]] + share * step[[18, 6]]
            found.append(brief(doubts._exchanged("vertical", [(15.0 * n, row, f"t{n}") for n, row in enumerate(step)])))
    stands("reduce/response_doubts", "exchanged", found)


def test_distance_from_the_neighbors_mean() -> None:
    level = np.random.default_rng(11).normal(size=(6, 9))
    # Definition: rms of a row less half the sum of those beside it, around the circle.
    expected = [np.sqrt(np.mean((level[n] - (level[n - 1] + level[(n + 1) % 6]) / 2) ** 2)) for n in range(6)]
    assert doubts._off_neighbors_db(level) == pytest.approx(expected)


def phases(delay_s: float, sign: float = 1.0) -> tuple[NDArray[Any], NDArray[Any]]:
    s = 1j * HZ
    answer = (
        (s / (s + 50)) ** 2 * (s * s + s * 900 * 1.5 / 2 + 900**2) / (s * s + s * 900 / 2 + 900**2) / (1 + s / 15_000)
    )
    return 80 + 20 * np.log10(np.abs(answer)), sign * np.angle(answer * np.exp(-2j * np.pi * HZ * delay_s))


def test_phases_of_the_axis() -> None:
    found: list[Any] = []
    for delay in (0.0, 4e-6, 6e-6, 1e-4, 1e-3, -0.9e-4, -1.1e-4, -1e-3):
        for sign in (1.0, -1.0):
            level, phase = phases(delay, sign)
            for turn in (phase, np.unwrap(phase)):
                front = part(level[None], [0.0], phase=turn[None], take="front")
                beside = part(level[None] - 9, [40.0], phase=-turn[None], take="beside")
                found.append(brief(doubts._phase([beside, front], HZ)))
    for count in (46, 47, 48, 49):
        known = (np.arange(200) < count)[None]
        found.append(brief(doubts._phase([part(level[None], [0.0], phase=phase[None], known=known)], HZ)))
    found.append(brief(doubts._phase([part(level[None], [0.0])], HZ)))
    stands("reduce/response_doubts", "phases", found)


def test_excess_phases(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[Any] = []
    level, phase = phases(0.0)
    one = part(level[None], [0.0], phase=phase[None])
    for delay in (0.0, 4.9e-6, 5.0e-6, 5.4e-6, -4.9e-6, -2e-4, -1e-4, -1.05e-4):
        for rest, turned in ((0.1, 50.0), (0.49, 50.0), (0.5, 50.0), (0.54, 50.0), (30.0, 5.0)):
            monkeypatch.setattr(data_traces, "excess_phase", lambda *_, d=delay, r=rest, t=turned: ExcessPhase(d, r, t))
            told.append(brief(doubts._phase([one], HZ)))
    monkeypatch.setattr(data_traces, "excess_phase", lambda *_: None)
    told.append(brief(doubts._phase([one], HZ)))
    seen: list[NDArray[Any]] = []
    monkeypatch.setattr(data_traces, "excess_phase", lambda _hz, _level, turn: seen.append(turn))
    for span in (2.0 * np.pi, 2.015 * np.pi, 2.03 * np.pi, 2.2 * np.pi):
        steep = np.where(np.arange(200) % 2, span / 2, -span / 2)
        list(doubts._phase([part(level[None], [0.0], phase=steep[None])], HZ))
    stands("reduce/response_doubts", "excess phases", [told, [np.ptp(turn) for turn in seen]])


def takes() -> tuple[Any, dict[str, Any]]:
    rng = np.random.default_rng(12)
    every: list[Any] = []
    sources: dict[str, Any] = {}
    for n in range(30):
        every.append(
            ResponseTake(
                kind="response", id=f"r{n}", file=f"r{n}.txt", sha256=HASH, orbit="horizontal", angle_deg=float(n)
            )
        )
        values = rough(n)[None].copy()
        if n == 4:
            values[0, 3] = np.nan
        sources[f"r{n}"] = replace(
            PLAIN,
            hz=HZ if n % 3 else HZ[:150],
            values=values if n % 3 else values[:, :150],
            lines=np.arange(200 if n % 3 else 150),
        )
    for n in range(14):
        every.append(
            ImpulseTake(
                kind="impulse response",
                id=f"i{n}",
                file=f"i{n}.wav",
                sha256=HASH,
                orbit="vertical",
                angle_deg=float(n),
                samples="Pa/V",
                channel=2,
            )
        )
        sources[f"i{n}"] = Recording(rng.normal(size=(2, 64)) * [[0.0], [1.0 + n]], 48_000, "DOUBLE")
    every.append(CurvesTake(kind="curves", id="c", file="c.txt", sha256=HASH))
    sources["c"] = replace(PLAIN, hz=HZ[:100], values=rough(50)[None, :100], lines=np.arange(100))
    for name, count, hz_count, impulse in (
        ("s2", 2, 40, 0),
        ("s11", 11, 40, 0),
        ("s12", 12, 40, 0),
        ("s13", 13, 40, 0),
        ("s30", 30, 40, 0),
        ("few", 2, 2, 0),
        ("three", 2, 3, 0),
        ("sound", 2, 0, 30),
    ):
        every.append(
            ResponseTake(kind="response", id=name, file="s.sofa", sha256=HASH, orbit="horizontal", angle_deg=0.0)
        )
        pressure = np.exp(rng.normal(size=(count, hz_count))) + 0j
        pressure[:1, 5:6] = 0.0
        sources[name] = SofaDirectivity(
            name=name,
            directions=from_orbit("horizontal", np.zeros(count)),
            distance_m=np.ones(count),
            hz=np.geomspace(50, 9000, hz_count),
            pressure=pressure,
            impulse=rng.normal(size=(count, impulse)),
            rate_hz=44_100.0,
            delay_s=np.zeros(count),
            data="Pa/V",
            told=(),
            questions=(),
        )
    return SimpleNamespace(takes=tuple(every)), sources


def test_what_is_asked() -> None:
    session, sources = takes()
    natives, sounds = list(doubts._natives(session, sources)), list(doubts._sounds(session, sources))
    stands(
        "reduce/response_doubts",
        "asked",
        [natives, sounds, list(doubts._natives(session, {})), list(doubts._sounds(session, {}))],
    )


def test_all_doubts_of_a_session() -> None:
    session, sources = takes()
    level, phase = phases(-1e-3)
    parts = [part(level[None], [0.0], phase=phase[None]), part(orbit(), ANGLES)]
    found: list[Any] = []
    for facts in (
        ResponseFacts(),
        ResponseFacts(gate_ms=90.0, smoothing="none", space="gated"),
        ResponseFacts(space="anechoic", smoothing="1/24"),
    ):
        found.append(brief(response_doubts(session, facts, sources, parts, HZ)))
    stands("reduce/response_doubts", "session", found)
