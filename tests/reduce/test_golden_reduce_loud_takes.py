"""Loud takes that are no sweeps, at low rates: readings of random loudspeakers, and every limit of the checks.

Values are the program's own, frozen, but for closed cases: a path that does not change gives the recording back, and
0 dBu is the voltage of 1 mW in 600 ohm.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from reduce_worlds import LOUDSPEAKER, Rig, outcome, session

from earwitness.dsp.limiter import limiter_tone
from earwitness.dsp.multitone import make_multitone
from earwitness.dsp.signals import burst
from earwitness.formats.audio import Recording
from earwitness.quantities import log_axis
from earwitness.reduce.loud_takes import (
    _as_if_steady,
    _gain,
    _place_of,
    _refuse_other_tones,
    _require_burst,
    _require_high_tone,
    _require_low_tone,
    _wander_db,
    flattened,
    input_reference,
    reduce_burst,
    reduce_limiter,
    reduce_multitone,
    reduce_noise_run,
    reduce_self_noise,
    reduce_two_tones,
    samples_of,
)
from earwitness.session.responses import LimiterTake, SelfNoiseTake
from earwitness.session.session import BurstTake, MultitoneTake, NoiseRunTake, TwoToneTake
from golden_values import stands

NAME = "reduce/loud_takes"
Array = npt.NDArray[np.float64]
FACTS: dict[str, Any] = {"id": "t", "file": "t.wav", "sha256": "0" * 64, "distance_m": 1.0}
MIC: tuple[Array, Array] = (np.array([20.0, 200.0, 1000.0, 3000.0]), np.array([-3.0, 0.5, 0.0, 4.0]))
RATE = 8000


def recorded(*channels: Array, rate: int = RATE) -> Recording:
    return Recording(np.stack(channels), rate, "DOUBLE")


def pair(**changes: Any) -> TwoToneTake:
    given = {"kind": "two-tone", "drive_v": 2.0, "low_hz": 50.0, "high_hz": 1000.0, "run_in_s": 0.2, "length_s": 0.5}
    return TwoToneTake.model_validate(FACTS | given | changes)


def tones(low: float, high: float, seed: int, *, sizes: tuple[float, float] = (0.4, 0.1), noise: float = 1e-4) -> Array:
    random, time = np.random.default_rng(seed), np.arange(round(0.8 * RATE)) / RATE
    x = sizes[0] * np.sin(2 * np.pi * low * time) + sizes[1] * np.sin(2 * np.pi * high * time + 1.0)
    return np.asarray(x + 0.1 * x**2 + 0.05 * x**3 + noise * random.standard_normal(time.size))


def test_two_tones() -> None:
    told: list[Any] = []
    for seed, (low, high) in enumerate(((50.0, 1000.0), (40.0, 700.0), (60.0, 2000.0), (80.0, 3000.0))):
        for response in (None, MIC):
            take = pair(low_hz=low, high_hz=high)
            made = recorded(tones(low, high, seed))
            told.append(outcome(lambda t=take, m=made, r=response: reduce_two_tones(t, m, fs_per_pa=0.03, response=r)))  # type: ignore[misc]
    short = recorded(tones(50.0, 1000.0, 1)[: round(0.7 * RATE)])
    told.append(outcome(lambda: reduce_two_tones(pair(), short, fs_per_pa=0.03)))
    told.append(outcome(lambda: reduce_two_tones(pair(run_in_s=0.21), short, fs_per_pa=0.03)))
    told.append(outcome(lambda: reduce_two_tones(pair(low_hz=50.7), short, fs_per_pa=0.03)))
    # From a high tone in the noise to a clear one.
    for size in (5e-4, 1e-3, 1.2e-3, 1.4e-3, 1.6e-3, 1.8e-3, 2e-3, 3e-3):
        made = recorded(tones(50.0, 1000.0, 3, sizes=(1e-5, size), noise=1e-2) + 0.3 * tones(50.0, 50.0, 4, noise=0.0))
        told.append(outcome(lambda m=made: reduce_two_tones(pair(), m, fs_per_pa=1.0)))  # type: ignore[misc]
        told.append(outcome(lambda m=made: reduce_two_tones(pair(), m, fs_per_pa=1.0, response=MIC)))  # type: ignore[misc]
    stands(NAME, "two tones", told)


def test_tones_that_are_not_there() -> None:
    told: list[Any] = []
    time = np.arange(4000) / RATE
    base = 0.3 * np.sin(2 * np.pi * 50.0 * time) + 0.1 * np.sin(2 * np.pi * 1000.0 * time)
    noise = 1e-3 * np.random.default_rng(2).standard_normal(time.size)
    for hz in (200.0, 252.0, 320.0, 500.0, 820.0, 830.0, 1003.0, 1006.0, 1170.0, 1180.0, 2000.0):
        for size in (0.15, 0.195, 0.205, 0.3):
            cut = base + noise + size * np.sin(2 * np.pi * hz * time)
            told.append(outcome(lambda c=cut: _require_high_tone(c, float(RATE), pair(), "w")))  # type: ignore[misc]
    for low, high in ((50.0, 1000.0), (1500.0, 3900.0), (100.0, 150.0)):
        take = pair(low_hz=low, high_hz=high)
        cut = base + noise
        told.append(outcome(lambda c=cut, t=take: _require_high_tone(c, float(RATE), t, "w")))  # type: ignore[misc]
    told.append(outcome(lambda: _require_high_tone(base, 1900.0, pair(high_hz=960.0), "w")))
    for low in (4.0, 8.0, 50.0):
        for size in np.geomspace(1e-5, 1e-2, 25):
            quiet = noise + size * np.sin(2 * np.pi * low * time) + 0.01 * np.sin(2 * np.pi * 480.0 * time)
            loud = quiet + 0.1 * np.sin(2 * np.pi * 1000.0 * time) + 0.2 * np.sin(2 * np.pi * 8.0 * time) * (low > 8.0)
            told.append(outcome(lambda c=loud, v=low: _require_low_tone(c, float(RATE), pair(low_hz=v), "w")))  # type: ignore[misc]
    only = np.sin(2 * np.pi * 510.0 * time) + noise
    told.append(outcome(lambda: _require_low_tone(only, float(RATE), pair(), "w")))
    told.append(outcome(lambda: _require_low_tone(only + 0.1 * np.sin(2 * np.pi * 11.0 * time), RATE, pair(), "w")))
    stands(NAME, "tones not there", told)


def one_burst(hz: float, seed: int, *, late_s: float = 0.3, noise: float = 1e-4, cube: float = 0.1) -> Array:
    random = np.random.default_rng(seed)
    samples = noise * random.standard_normal(round(1.4 * 4000))
    shape = burst(hz, 4000.0)
    first = round(late_s * 4000)
    samples[first : first + shape.size] += 0.3 * (shape + cube * shape**3 + 0.02 * shape**2)[: samples.size - first]
    return samples + 0.01


def bursts(**changes: Any) -> BurstTake:
    given = {"kind": "burst", "drive_v": 8.0, "frequency_hz": 40.0, "before_s": 0.2}
    return BurstTake.model_validate(FACTS | given | changes)


def test_bursts() -> None:
    told: list[Any] = []
    for seed, hz in enumerate((31.5, 40.0, 63.0, 100.0)):
        for late in (0.0, 0.02, 0.3, 0.5):
            for before in (0.0, 0.17, 0.6):
                take, made = (
                    bursts(frequency_hz=hz, before_s=before),
                    recorded(one_burst(hz, seed, late_s=late), rate=4000),
                )
                given = {"fs_per_pa": 0.03, "in_room": seed % 2 == 0, "clipped": seed > 1}
                response = MIC if seed % 2 else None

                def work(t: Any = take, m: Any = made, g: Any = given, r: Any = response) -> Any:
                    found = reduce_burst(t, m, response=r, **g)
                    whole = [found.peak_pa, found.noise_pa * 1e3, found.orders, found.missing, found.in_room]
                    return [*whole, found.clipped, np.maximum(found.relative_db, -60.0)[:6]]

                told.append(outcome(work))
    told.append(
        outcome(
            lambda: reduce_burst(
                bursts(), recorded(np.zeros(4000), rate=4000), fs_per_pa=1.0, in_room=True, clipped=False
            )
        )
    )
    told.append([_place_of(one_burst(40.0, 1, late_s=at), 650, 40.0, 4000.0) for at in (0.0, 0.1, 0.4)])
    for before in (0.16, 0.1625, 0.165, 0.3):
        found = reduce_burst(
            bursts(before_s=before),
            recorded(one_burst(40.0, 5, noise=1e-2), rate=4000),
            fs_per_pa=0.03,
            in_room=True,
            clipped=False,
        )
        told.append(found.noise_pa)
    stands(NAME, "bursts", told)


def test_bursts_of_another_frequency() -> None:
    told: list[Any] = []
    time = np.arange(2000) / 4000.0
    window = np.hanning(2000)
    for hz in (
        8.0,
        11.0,
        31.0,
        33.0,
        49.0,
        51.0,
        75.0,
        79.0,
        83.0,
        89.0,
        100.0,
        112.0,
        128.0,
        134.0,
        144.0,
        160.0,
        178.0,
        190.0,
        200.0,
        218.0,
        222.0,
        240.0,
        300.0,
    ):
        for size in (2.0, 3.0, 3.3, 10.0):
            heard = window * (np.sin(2 * np.pi * 40.0 * time) + size * np.sin(2 * np.pi * hz * time))
            told.append(outcome(lambda h=heard: _require_burst(h, 4000.0, bursts(), "w")) is None)  # type: ignore[misc]
    heard = window * np.sin(2 * np.pi * 55.0 * time)
    told.append(outcome(lambda: _require_burst(heard, 4000.0, bursts(), "w")))
    told.append(outcome(lambda: _require_burst(np.zeros(2000), 4000.0, bursts(), "w")))
    stands(NAME, "other bursts", told)


@cache
def noise_run(loss_db: float, seed: int) -> tuple[Array, Array]:
    random = np.random.default_rng(seed)
    played = random.standard_normal(round(4.6 * 2000))
    played[:600] = 0.0
    heard = np.convolve(played, np.exp(-np.arange(200) / 40.0) * np.cos(np.arange(200) * 0.6))[: played.size]
    heard = heard * 10 ** (-loss_db / 20 * np.linspace(0.0, 1.0, heard.size))
    return 0.02 * np.roll(heard, 30) + 1e-5 * random.standard_normal(heard.size), 0.1 * played


def runs(**changes: Any) -> NoiseRunTake:
    given = {"kind": "noise run", "drive_v": 8.0, "duration_s": 4.0, "run_in_s": 0.4, "length_s": 0.5}
    return NoiseRunTake.model_validate(FACTS | given | changes)


def test_noise_runs() -> None:
    axis, told = log_axis(40.0, 980.0, 6), list[Any]()
    random = np.random.default_rng(3)
    for loss, seed in ((0.0, 1), (2.0, 2), (-1.0, 3)):
        heard, played = noise_run(loss, seed)
        for channel in (None, 2):
            for still in (None, 1e-4, 2e-3, 2e-2):
                quiet = None if still is None else still * random.standard_normal(1500)
                made = recorded(heard, played, rate=2000)
                found = reduce_noise_run(runs(), made, axis, fs_per_pa=0.03, reference_channel=channel, silence=quiet)
                told.append(
                    [
                        found.start_db,
                        found.hot_db,
                        found.u_db,
                        found.valid.tolist(),
                        found.after_s,
                        found.against_reference,
                    ]
                )
    heard, played = noise_run(1.0, 5)
    made = recorded(heard, played, rate=2000)
    for count in (999, 1000, 1001):
        found = reduce_noise_run(
            runs(), made, axis, fs_per_pa=0.03, reference_channel=None, silence=0.02 * played[700 : 700 + count]
        )
        told.append(found.valid.tolist())
    for length in (0.5, 0.8, 1.2):
        found = reduce_noise_run(runs(length_s=length), made, axis, fs_per_pa=0.03, reference_channel=2)
        told.append([found.u_db, found.valid.tolist(), found.after_s])
    for duration in (0.6, 0.9, 1.3, 4.0):
        found = reduce_noise_run(runs(duration_s=duration), made, axis, fs_per_pa=0.03, reference_channel=2)
        told.append(found.start_db - found.hot_db)
    told.append(
        outcome(lambda: reduce_noise_run(runs(duration_s=9.0), made, axis, fs_per_pa=0.03, reference_channel=2))
    )
    told.append(outcome(lambda: reduce_noise_run(runs(), made, axis, fs_per_pa=0.03, reference_channel=3)))
    told.append(_wander_db(np.cos(np.arange(len(axis)) * 0.7) + 0.1 * np.arange(len(axis)), axis.hz))
    told.append(_wander_db(np.arange(5.0) ** 2, np.array([100.0, 130.0, 141.4, 150.0, 900.0])))
    stands(NAME, "noise runs", told, relative=1e-4)


def test_a_path_that_does_not_change_gives_the_recording_back() -> None:
    random = np.random.default_rng(6)
    played = random.standard_normal(4000)
    played[:300] = played[3000:] = 0.0
    heard = 0.4 * np.roll(played, 25) - 0.2 * np.roll(played, 90)
    steady = _as_if_steady(heard, played, 2000.0)
    assert steady == pytest.approx(heard, abs=0.01)
    # Later than half a second, or more than 10 ms ahead, nothing of one path can come.
    for late in (-30, -25, -19, -15, 0, 990, 995, 1005, 1040):
        found = _as_if_steady(np.roll(played, late), played, 2000.0)
        stands(NAME, f"path, {late}", [np.linalg.norm(found), found])
    assert not _as_if_steady(np.zeros(50), np.zeros(50), 2000.0).any()


@cache
def many() -> Any:
    return make_multitone(2000, 4000, count=8, seed=6, low_hz=40.0, high_hz=1500.0)


def multitone(**changes: Any) -> MultitoneTake:
    given = {"kind": "multitone", "drive_v": 4.0, "stimulus_file": "played.wav", "period_s": 0.5, "run_in_s": 0.6}
    return MultitoneTake.model_validate(FACTS | given | changes)


def stimulus(periods: float, *, lead: int = 400, tail: float = 1.0) -> Array:
    size = round(periods * 2000)
    tones = np.tile(many().samples, 8)[:size].copy()
    tones[-20:] *= tail
    return np.concatenate([np.zeros(lead), 0.5 * tones, np.zeros(400)])


def test_multitones() -> None:
    told: list[Any] = []
    random = np.random.default_rng(9)

    def read(take: MultitoneTake, heard: Array, x: Array, rate: int = 4000, **given: Any) -> Any:
        def work() -> Any:
            one = reduce_multitone(take, recorded(heard, rate=4000), recorded(x, rate=rate), fs_per_pa=0.05, **given)
            return [one.crest_db, one.lines]

        return outcome(work)

    for periods in (1.0, 1.5, 2.0, 3.2, 4.0):
        x = stimulus(periods)
        heard = 0.05 * np.roll(x + 0.1 * x**2 + 0.3 * x**3, 40) + 2e-5 * random.standard_normal(x.size)
        for run_in in (0.05, 0.1, 0.6, 1.1):
            for count in (0, 1):
                if count and periods > 2.0:
                    continue
                silence = 1e-4 * random.standard_normal(2500) if count else None
                told.append(read(multitone(run_in_s=run_in), heard, x, silence=silence))
    x = stimulus(3.0)
    heard = 0.05 * x + 1e-5 * random.standard_normal(x.size)
    told.append(read(multitone(), heard, x, response=MIC))
    told.append(read(multitone(), heard, x, rate=8000))
    told += [read(multitone(period_s=0.5 + off), heard, x) for off in (2e-7, 3e-7, 1e-4)]
    told.append(read(multitone(), heard, np.zeros(5000)))
    told += [read(multitone(run_in_s=0.1), heard, stimulus(share)) for share in (0.99, 0.9995, 1.0, 1.01)]
    told += [read(multitone(run_in_s=run_in), heard[:4500], x) for run_in in (0.6, 0.62, 0.63, 0.66)]
    told.append(read(multitone(), 0.05 * np.sin(np.arange(x.size) * 0.9), x))
    one = stimulus(1.0)
    for size in (1999, 2000, 2001):
        told.append(read(multitone(run_in_s=0.1), 0.05 * one, one, silence=1e-4 * random.standard_normal(size)))
    # How small the signal's last samples may be, and how much of a period may be missing.
    for tail in (1.0, 1e-3, 1.2e-4, 0.8e-4, 0.0):
        told.append(read(multitone(run_in_s=0.1), 0.05 * x, stimulus(2.0, tail=tail)))
    for run_in in (0.1, 0.104, 0.105, 0.106, 0.12):
        told.append(read(multitone(run_in_s=run_in), 0.05 * x, stimulus(2.0)))
    stands(NAME, "multitones", told, relative=1e-4)


def test_other_tones_than_played() -> None:
    told: list[Any] = []
    rows = many().rows
    time = np.arange(2000) / 2000.0
    tones = sum(np.sin(2 * np.pi * row * time + row) for row in rows)
    beside = np.sin(2 * np.pi * (int(rows[3]) + 20) * time) + np.sin(2 * np.pi * (int(rows[5]) + 30) * time)
    for size in (1.5, 1.8, 1.95, 2.0, 2.05, 2.2, 5.0):
        cut = (tones + size * beside)[None, :].repeat(2, 0)
        told.append(outcome(lambda c=cut: _refuse_other_tones(c, rows, multitone())))  # type: ignore[misc]
    for off in (3, 4, 5, 6, 7, 8):
        shifted = sum(np.sin(2 * np.pi * (row + off) * time + row) for row in rows)
        told.append(outcome(lambda c=shifted: _refuse_other_tones(c[None, :], rows, multitone())))  # type: ignore[misc]
        low = np.sin(2 * np.pi * 1.0 * time) * 50.0 + np.sin(2 * np.pi * (int(rows[-1]) + off) * time) * 50.0
        told.append(outcome(lambda c=tones + low: _refuse_other_tones(c[None, :], rows, multitone())))  # type: ignore[misc]
    told.append(outcome(lambda: _refuse_other_tones(np.zeros((1, 2000)), rows, multitone())))
    told.append(outcome(lambda: _refuse_other_tones(tones[None, :], np.array([3, 30]), multitone())))
    stands(NAME, "other tones", told)


def self_noise(name: str, distance_m: float, *, on: bool) -> SelfNoiseTake:
    given = {"kind": "self-noise", "id": name, "file": f"{name}.wav", "distance_m": distance_m, "switched_on": on}
    return SelfNoiseTake.model_validate(FACTS | given)


def test_self_noise() -> None:
    random, told = np.random.default_rng(11), list[Any]()

    def hiss(size: float, count: int = 16_400) -> Recording:
        time = np.arange(count) / 4000.0
        hum = size * np.sin(2 * np.pi * 100.0 * time) + size * (1.0 + 0.5 * np.sin(time)) * random.standard_normal(
            count
        )
        return recorded(hum + 0.01, rate=4000)

    a, b = (self_noise("a", 0.1, on=True), hiss(1e-3)), (self_noise("b", 0.1, on=False), hiss(2e-4))
    c, d = (self_noise("c", 0.2, on=False), hiss(5e-4)), (self_noise("d", 0.2, on=True), hiss(5e-3))
    for takes in ([a, b], [b, a], [a, c, b], [c, a, d, b], [d, a, b], [d, a, c], [a, d, b], [a, c], [a], [b], []):
        for response in (None, MIC):
            told.append(reduce_self_noise(takes, fs_per_pa=0.03, response=response))
    for count in (15_999, 16_000, 16_001):
        told.append(outcome(lambda n=count: reduce_self_noise([(a[0], hiss(1e-3, n)), b], fs_per_pa=1.0) is None))  # type: ignore[misc]
    high = recorded(1e-3 * random.standard_normal(180_000), rate=44_100)
    told.append(reduce_self_noise([(a[0], high), (b[0], high)], fs_per_pa=0.03))
    stands(NAME, "self noise", told)


def test_limiters() -> None:
    tone = limiter_tone(50.0, 1000.0)
    heard = np.tanh(3.0 * tone) / 3.0
    take = LimiterTake.model_validate(FACTS | {"kind": "limiter", "drive_v": 2.0, "frequency_hz": 50.0})
    made = recorded(0.02 * heard, 0.5 * tone, rate=1000)
    told: list[Any] = [
        outcome(lambda: reduce_limiter(take, made, fs_per_pa=0.03, reference_channel=2, clipped=True)),
        outcome(lambda: reduce_limiter(take, made, fs_per_pa=0.03, reference_channel=None, clipped=False)),
        outcome(lambda: reduce_limiter(take, made, fs_per_pa=0.03, reference_channel=3, clipped=False)),
        outcome(
            lambda: reduce_limiter(
                take, recorded(heard[:900], tone[:900], rate=1000), fs_per_pa=0.03, reference_channel=2, clipped=False
            )
        ),
    ]
    # A search over the jump ends elsewhere by percents on another processor.
    stands(NAME, "limiters", told, relative=0.05)


def test_small_parts() -> None:
    told: list[Any] = []
    made = recorded(np.arange(4.0), np.array([1.0, np.nan, 0.0, 2.0]))
    for channel in (1, 2, 3):
        told.append(outcome(lambda c=channel: samples_of(made, c, "w")))  # type: ignore[misc]
    told.append([_gain(np.array([10.0, 20.0, 100.0, 2000.0, 9000.0]), MIC), _gain(np.ones(3), None)])
    noise = np.random.default_rng(1).standard_normal(301)
    told.append(
        [flattened(noise, 8000.0, MIC), flattened(noise, 8000.0, None) is noise, flattened(noise[:300], 500.0, MIC)]
    )
    for drive in ({"voltage_v": 0.7745966692414834}, {"voltage_v": 1.0}, {"level_dbfs": -20.0}, {"level_dbfs": -3.25}):
        for powered in (False, True):
            told.append(input_reference(session(Rig(), drive=drive, loudspeaker=LOUDSPEAKER | {"powered": powered})))
    # 1 mW in 600 ohm is 0 dBu.
    assert input_reference(session(Rig(), drive={"voltage_v": 0.6**0.5}, loudspeaker=LOUDSPEAKER | {"powered": True}))[
        "reference"
    ] in ("input 0.0 dBu", "input \N{MINUS SIGN}0.0 dBu")
    stands(NAME, "small parts", told)


def test_edges() -> None:
    told: list[Any] = []
    time = np.arange(4000) / RATE
    noise = 1e-4 * np.random.default_rng(2).standard_normal(time.size)
    for off in (-7, -6, -5, -4, -3, -2, 2, 3, 4, 5, 6, 7):
        for size in (0.04, 0.045, 0.05, 0.055, 0.06, 0.1):
            beside = 0.02 * np.sin(2 * np.pi * (50.0 + 2.0 * off) * time)
            cut = noise + size * np.sin(2 * np.pi * 50.0 * time) + beside
            told.append(outcome(lambda c=cut: _require_low_tone(c, float(RATE), pair(), "w")) is None)  # type: ignore[misc]
    quiet = 1e-3 * np.random.default_rng(3).standard_normal(time.size)
    for loud in (20.0, 400.0):
        cut = quiet + 0.02 * np.sin(2 * np.pi * 30.0 * time) + 0.003 * np.sin(2 * np.pi * loud * time)
        told.append(outcome(lambda c=cut: _require_low_tone(c, float(RATE), pair(), "w")))  # type: ignore[misc]
    peaked = (np.array([20.0, 990.0, 999.0, 1001.0, 1010.0]), np.array([0.0, 0.0, 12.0, 12.0, 0.0]))
    for size in np.geomspace(1e-4, 4e-2, 24):
        x = tones(50.0, 1000.0, 3, sizes=(0.1, 0.0), noise=3e-3) + size * np.sin(np.pi / 4.0 * np.arange(6400))
        heard_pair = recorded(x)
        told.append(len(outcome(lambda m=heard_pair: [reduce_two_tones(pair(), m, fs_per_pa=1.0, response=peaked)])))  # type: ignore[misc]
    clock = np.arange(2000) / 4000.0
    for hz in (71.0, 72.5, 87.0, 87.7, 88.4, 89.0, 107.0, 108.5, 131.0, 132.5, 142.0, 145.0, 175.0, 177.0):
        heard = np.hanning(2000) * (np.sin(2 * np.pi * 40.0 * clock) + 5.0 * np.sin(2 * np.pi * hz * clock))
        told.append(outcome(lambda h=heard: _require_burst(h, 4000.0, bursts(), "w")) is None)  # type: ignore[misc]
    from earwitness.quantities import FrequencyAxis

    axis = FrequencyAxis(np.array([40.0, 69.0, 70.0, 75.0, 500.0, 790.0, 800.0, 810.0, 870.0, 890.0, 950.0]))
    made = recorded(*noise_run(1.0, 5), rate=2000)
    for length in (0.5, 1.0):
        told.append(
            reduce_noise_run(runs(length_s=length), made, axis, fs_per_pa=0.03, reference_channel=2).valid.tolist()
        )
    stands(NAME, "edges", told)
