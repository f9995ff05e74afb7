"""Responses over time, kinds of loudspeakers and powered ones, over populations of measurements.

The values in tests/golden/figures/time.json and kinds.json are the program's own (frozen). Delays are held against
those that were planted, self-noise and latency against the numbers they are made of.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from closed_form_fields import bare_measurement, response
from figure_worlds import AXIS, curve_of, of_curve, of_curves, of_figure, of_figures, off_octaves
from scipy import signal
from take_worlds import burst

from earwitness.figures.kinds import (
    BASS_BAND_HZ,
    DBU_DB,
    DELAY_HZ,
    Part,
    _bursts,
    _delays,
    _filter,
    _noted,
    as_measured,
    bass_levels,
    bass_reading,
    far_field_to_hz,
    group_delay,
    kinds_of,
    lacks,
    line_length_m,
    of_kind,
    own_filter,
    powered_figures,
)
from earwitness.figures.registry import FIGURES
from earwitness.figures.time_domain import (
    _slope_s,
    decay_and_delay,
    decay_curves,
    excess_group_delay,
    group_delay_s,
    minimum_phase_rad,
    time_curves,
)
from earwitness.quantities import (
    Curve,
    Figure,
    FrequencyAxis,
    Gate,
    Harmonics,
    Measurement,
    Reading,
    from_orbit,
    log_axis,
)
from earwitness.quantities.arrays import ComplexArray, FloatArray
from earwitness.quantities.measurement import LimiterCurve, LimiterReading, SelfNoise, TimeConstant
from earwitness.session.record import Loudspeaker
from golden_values import stands

NAME, KINDS = "figures/time", "figures/kinds"
ONE = from_orbit("horizontal", np.zeros(1))
RATE = 48_000.0


def _impulse(random: np.random.Generator, size: int = 700) -> FloatArray:
    click = np.zeros(size)
    click[20] = 1.0
    low = signal.sosfilt(signal.butter(2, random.uniform(60, 200), "high", fs=RATE, output="sos"), click)
    ring_hz = random.uniform(800.0, 4000.0)
    t = np.arange(size - 20) / RATE
    low[20:] += 0.15 * np.exp(-t * random.uniform(600, 3000)) * np.sin(2 * np.pi * ring_hz * t)
    return np.asarray(low)


def _field(random: np.random.Generator, axis: FrequencyAxis = AXIS, delay_s: float = 0.0) -> ComplexArray:
    """A band-pass with the all-pass of a crossover, behind a delay; complex (F,)."""
    s = 2j * np.pi * axis.hz
    w = 2 * np.pi * random.uniform(300.0, 3000.0)
    parts = [signal.butter(2, 2 * np.pi * random.uniform(40, 90), "high", analog=True)]
    parts += [signal.butter(2, 2 * np.pi * 22e3, analog=True)]
    field = np.prod([signal.freqs(*part, worN=2 * np.pi * axis.hz)[1] for part in parts], axis=0)
    return np.asarray(field * (s**2 - 1.4 * w * s + w**2) / (s**2 + 1.4 * w * s + w**2) * np.exp(-s * delay_s))


def _measured(
    field: npt.NDArray[Any], axis: FrequencyAxis = AXIS, *, valid: object = True, u_db: float = 0.3, **facts: Any
) -> Measurement:
    base = response(np.ones(1), directions=ONE, axis=axis, u_db=u_db)
    inside = np.zeros((1, len(axis)), dtype=bool) | np.asarray(valid)
    return bare_measurement(
        replace(base, pressure=np.asarray(0.02 * field[None, :], dtype=complex), valid=inside), **facts
    )


@pytest.mark.parametrize("seed", range(5))
def test_over_time(seed: int) -> None:
    random = np.random.default_rng([141, seed])
    impulse = _impulse(random, (700, 701, 512, 333, 640)[seed])
    if seed == 3:
        impulse = -impulse
    gate = Gate(0.0, (0.014, 0.005, 1.0, 0.1, 0.0101)[seed], 0.001, None, "anechoic", 20.0)
    valid = (AXIS.hz < 15_000.0) & (AXIS.hz > 30.0) if seed % 2 else True
    axis = AXIS if seed < 4 else off_octaves(40.0, 3000.0, 12)
    one = _measured(
        _field(random, axis), axis, valid=True if seed == 4 else valid, gate=gate, impulse=impulse, impulse_rate_hz=RATE
    )
    told: list[Any] = [[key, curve.axis.hz[:2], of_curve(curve)] for key, curve in time_curves(one).items()]
    periods = ((2, 4, 8), (1, 3))[seed % 2]
    told += [[key, curve.axis.hz, of_curve(curve)] for key, curve in decay_curves(one, periods=periods).items()]
    stands(NAME, f"impulse {seed}", told, near_zero=1e-6)


def test_nothing_to_show_over_time() -> None:
    random = np.random.default_rng(142)
    field = _field(random)
    told: list[Any] = []
    short = log_axis(100.0, 400.0, 24)
    for impulse in (np.zeros(20), np.ones(7), 0.05 * np.ones(8), np.zeros(0), -np.ones(9)):
        one = _measured(_field(random, short), short, impulse=impulse, impulse_rate_hz=RATE,
                        gate=Gate(0.0, 0.01, 0.001, None, "anechoic", 20.0))  # fmt: skip
        told.append([sorted(time_curves(one)), sorted(decay_curves(one))])
    for end_s in (0.0, 0.0005, 0.001, 0.0011, 0.005, 0.008, 0.0086, 0.009, 0.0095, 0.01):
        one = _measured(_field(random, short), short, impulse=_impulse(random), impulse_rate_hz=RATE,
                        gate=Gate(0.0, end_s, 0.0003, None, "anechoic", 20.0))  # fmt: skip
        told.append([[key, curve.axis.hz[[0, -1]], curve.valid] for key, curve in decay_curves(one).items()])
    none = _measured(field, valid=False, impulse=_impulse(random), impulse_rate_hz=RATE)
    told += [decay_curves(none), excess_group_delay(none), group_delay(none), sorted(decay_and_delay(none))]
    wide = log_axis(200.0, 4000.0, 24)
    whole = _measured(_field(random, wide), wide, impulse=_impulse(random, 300), impulse_rate_hz=24_000.0)
    told += [[[key, len(curve.axis)] for key, curve in decay_and_delay(whole).items()]]
    for end_s in (0.0004, 0.00095, 0.00105):
        brief = replace(whole, gate=Gate(0.0, end_s, 0.0001, None, "anechoic", 20.0), impulse_rate_hz=RATE)
        told.append([[key, curve.axis.hz[[0, -1]]] for key, curve in decay_curves(brief).items()])
    unphased = replace(whole, response=replace(whole.response, phase="none"))
    told += [sorted(decay_and_delay(unphased))]
    stands(NAME, "nothing", told)


@pytest.mark.parametrize("seed", range(6))
def test_excess_delay_of_a_population(seed: int) -> None:
    random = np.random.default_rng([143, seed])
    axis = (AXIS, off_octaves(30.0, 12_000.0, 48), off_octaves(60.0, 2000.0, 24))[seed % 3]
    hz = axis.hz
    valid = ((hz > 0), (hz > 70.0) & (hz < 9000.0), np.abs(hz / 300.0 - 1) > 0.1)[seed // 2]
    one = _measured(_field(random, axis, 0.001 * seed), axis, valid=valid, u_db=0.1 + 0.1 * seed)
    field = one.response.pressure[0].copy()
    if seed == 5:
        field[[0, -1]] = 0.0
        one = replace(one, response=replace(one.response, pressure=field[None, :]))
    told: list[Any] = [
        None if curve is None else of_curve(curve) for curve in (excess_group_delay(one), group_delay(one))
    ]
    told += [minimum_phase_rad(hz, np.abs(one.response.pressure[0]) + 1e-9)]
    told += [group_delay_s(hz, np.abs(one.response.pressure[0]), valid), *_slope_s(hz, np.sin(hz / 500.0))]
    stands(NAME, f"delay {seed}", told, near_zero=1e-8, relative=3e-5)


def test_the_delay_of_a_line_is_its_slope() -> None:
    """A phase of -2 pi f t has the delay t everywhere, and leaves nothing over."""
    hz = AXIS.hz
    slope, u = _slope_s(hz, -2 * np.pi * hz * 0.0031)
    assert slope == pytest.approx(np.full(hz.size, 0.0031), rel=1e-9)
    assert u == pytest.approx(np.zeros(hz.size), abs=1e-12)
    # On half an octave with n points the residual of a line has n - 2 degrees of freedom.
    few = np.array([100.0, 103.0, 107.0, 111.0])
    phase = np.array([0.1, -0.2, 0.4, 0.3])
    slope, u = _slope_s(few, phase)
    (line, offset), spread = np.polyfit(2 * np.pi * few, phase, 1, cov=True)
    left = phase - line * 2 * np.pi * few - offset
    turn = 2 * np.pi * (few - few.mean())
    assert slope == pytest.approx(np.full(4, -line))
    assert u == pytest.approx(np.full(4, np.sqrt((left**2).sum() / 2 / (turn**2).sum())))
    assert spread.shape == (2, 2)
    told: list[Any] = [
        _slope_s(few[:2], phase[:2]),
        _slope_s(np.array([100.0, 101.0, 300.0, 301.0, 305.0]), np.arange(5.0) ** 2),
    ]
    told += [group_delay_s(few, np.ones(4), np.arange(4) < n) for n in (0, 1, 2, 3)]
    told += [group_delay_s(few, np.array([0.0, 2.0, 1.0, 3.0]), np.ones(4, dtype=bool))]
    # A point a sixth of an octave away belongs to the line, to a billionth of an octave.
    for off in (-1.2e-9, -0.95e-9, 0.95e-9, 1.05e-9, 1.2e-9):
        edge = 500.0 * 2.0 ** np.array([0.0, 0.05, 1 / 6 + off, 1 / 6 + 0.08, 0.39, 0.4])
        told.append(_slope_s(edge, np.array([0.0, 0.3, -0.4, 1.1, 0.2, 2.0])))
    stands(NAME, "few points", told)


def test_how_wide_a_band_of_delay_has_to_be() -> None:
    told: list[Any] = []
    random = np.random.default_rng(144)
    for top in (380.0, 395.0, 400.0, 410.0, 440.0, 500.0, 520.0):
        axis = FrequencyAxis(np.geomspace(100.0, top, 60))
        found = excess_group_delay(_measured(_field(random, axis), axis))
        told.append([None if found is None else found.valid])
    for steep in (-12.0, 0.0, 6.0, 24.0):
        told.append([minimum_phase_rad(AXIS.hz, 10 ** (steep * np.log2(AXIS.hz / 1000.0) / 20.0))])
    for count in (1, 2, 3, 4, 5):
        hz: FloatArray = 100.0 * 2.0 ** (np.arange(8.0) * (0.5 / max(count - 1, 1)) + 1e-9)
        told.append([minimum_phase_rad(hz, hz**1.5)])
    cut = _measured(_field(random), valid=AXIS.hz < 4900.0)
    found = excess_group_delay(cut)
    told.append([None if found is None else of_curve(found)])
    holey = _measured(_field(random))
    holey = replace(holey, response=replace(holey.response, u_db=np.where(AXIS.hz > 2000.0, np.inf, 0.3)[None, :]))
    found = excess_group_delay(holey)
    told.append([None if found is None else of_curve(found)])
    stands(NAME, "bands", told, near_zero=1e-8, relative=3e-5)


def _loudspeaker(**facts: Any) -> Loudspeaker:
    stated = {"name": "Larch 2", "maker": "Fennel Audio Works", "type": "stand-mount", "enclosure": "closed",
              "width_m": 0.9, "height_m": 1.2, "depth_m": 0.2, "reference_axis": "tweeter"}  # fmt: skip
    return Loudspeaker.model_validate(stated | facts)


def _driver(**facts: Any) -> dict[str, object]:
    return {"name": "w", "kind": "cone", "diameter_m": 0.08, "position_m": [0.0, 0.1, 0.2], "count": 1} | facts


def test_what_kinds_lack() -> None:
    told: dict[str, object] = {}
    kinds = (
        ("stand-mount",),
        ("subwoofer",),
        ("in-wall",),
        ("powered",),
        ("subwoofer", "powered"),
        ("soundbar", "powered"),
        (),
    )
    names: dict[Part, list[str]] = {
        "figures": [*FIGURES],
        "curves": ["rear_wall", "floor", "map_horizontal", "epdr", "on_axis"],
        "exhibits": ["load", "evenness", "across", "levels"],
        "questions": ["amplifier", "seats", "subwoofer"],
        "claims": ["sensitivity", "amplifier power", "highest frequency"],
    }
    for kind in kinds:
        for even in (True, False):
            told[f"{kind} {even}"] = [
                name for part, ones in names.items() for name in ones if lacks(kind, part, name, even_judged=even)
            ]
        told[f"{kind} by default"] = lacks(kind, "figures", "impedance_minimum")
    told["kinds"] = [
        kinds_of(_loudspeaker(type=kind, powered=powered))
        for kind in ("subwoofer", "monitor")
        for powered in (True, False)
    ]
    judged = {key: Figure(key, 1.0, 0.1, "", None, "") for key in FIGURES}
    refused = {key: Figure(key, None, None, "", None, "", reason="why") for key in FIGURES}
    for name, figures in (("judged", judged), ("refused", refused)):
        one = Reading({}, figures, {}, dict.fromkeys(names["curves"], "why"), {})
        told[name] = [[len(of_kind(one, kind).figures), sorted(of_kind(one, kind).missing)] for kind in kinds]
    stands(KINDS, "lacks", told)


def test_lines_and_their_far_field() -> None:
    rows: tuple[list[dict[str, object]], ...] = (
        [], [_driver()], [_driver(count=8)],
        [_driver(count=3, diameter_m=0.1), _driver(name="t", kind="dome", diameter_m=0.025, count=12)],
        [_driver(position_m=[0.0, -0.3, 0.4]), _driver(name="b", position_m=[0.0, 0.35, -0.4])],
        [_driver(kind="port", count=9)], [_driver(), _driver(name="p", kind="port", count=20)],
    )  # fmt: skip
    told: list[Any] = []
    for drivers in rows:
        for kind in ("soundbar", "line source", "stand-mount"):
            one = _loudspeaker(type=kind, driver=drivers)
            told.append([line_length_m(one), far_field_to_hz(one, 2.0)])
    stands(KINDS, "lines", told)


@pytest.mark.parametrize("kind", ["in-wall", "line source", "soundbar", "stand-mount"])
def test_where_a_kind_was_measured(kind: str) -> None:
    base = response(np.ones(1), directions=ONE)
    curves = {
        key: curve_of(np.zeros(len(AXIS)), AXIS, key=key)
        for key in ("on_axis", "rear_wall", "in_room", "sound_power_di")
    }
    figures = {key: Figure(key, 1.0, 0.1, "", None, "", lineage=("s",)) for key in FIGURES}
    figures["f6"] = Figure("f6", None, None, "", None, "", reason="why")
    reading = Reading(curves, figures, {}, {"floor": "lost"}, {})
    told: list[Any] = []
    # c d / H^2 reaches 10 kHz at these distances and no nearer.
    edge = 10_000.0 * 1.2**2 / 343.0 if kind == "line source" else 10_000.0 * 0.9**2 / 343.0
    for half_space in (True, False):
        for distance in (1.0, edge * 0.95, edge * 0.999, edge * 1.001, edge * 1.05):
            found = as_measured(
                reading, _loudspeaker(type=kind), replace(base, half_space=half_space, distance_m=distance)
            )
            notes = {key: one.caveats for key, one in found.figures.items() if one.caveats}
            gone = [[key, one.reason, one.lineage] for key, one in found.figures.items() if not one.is_judged]
            told.append([len(notes), sorted(set(notes.values())), gone, sorted(found.curves), found.missing])
    told.append([of_figure(_noted(figures[key], "note")) for key in ("f3", "f6", "impedance_minimum", "latency")])
    stands(KINDS, f"measured {kind}", told)


def _bass(random: np.random.Generator, low: float, high: float, axis: FrequencyAxis = AXIS) -> Curve:
    hz = axis.hz
    values = 95.0 - 10 * np.log10(1 + (low / hz) ** 8) - 10 * np.log10(1 + (hz / high) ** 8)
    return curve_of(values + np.sin(5 * np.log2(hz)) * random.uniform(0, 1), axis)


@pytest.mark.parametrize("seed", range(5))
def test_levels_of_a_subwoofer(seed: int) -> None:
    random = np.random.default_rng([145, seed])
    axis = log_axis(10.0, 500.0, 24)
    curve = _bass(random, random.uniform(18, 35), random.uniform(90, 200), axis)
    cut = replace(
        curve,
        valid=(axis.hz > (5.0, 5.0, 30.0, 45.0, 5.0)[seed]) & (axis.hz < (900.0, 70.0, 900.0, 900.0, 150.0)[seed]),
    )
    found = bass_levels(Reading({"on_axis": cut}, {"f3": Figure("f3", 1.0, 0.1, "Hz", None, "")}, {}, {}, {}))
    told: list[Any] = [of_figures(dict(found.figures)), [one.method for one in found.figures.values()]]
    none = [bass_levels(Reading({}, {}, {}, missing, {})) for missing in ({"on_axis": "no axis"}, {})]
    stands(KINDS, f"subwoofer {seed}", [*told, [of_figures(dict(one.figures)) for one in none]])
    assert BASS_BAND_HZ == (40.0, 80.0)


def _filtered(
    corner: float, order: int, volts: float, *, axis: FrequencyAxis, noise_db: float, **facts: Any
) -> Harmonics:
    hz = axis.hz
    level = 95.0 + 20 * np.log10(volts) - 10 * np.log10(1 + (hz / corner) ** (2 * order))
    noise = noise_db - 6.0 * np.log2(hz / 100.0) * np.array([[1.0], [1.3]])
    return Harmonics(
        "t", volts, 1.0, "near-field", (2, 3), axis, level, noise, noise, np.ones((2, hz.size), dtype=bool), **facts
    )


@pytest.mark.parametrize("seed", range(6))
def test_a_filter_of_its_own(seed: int) -> None:
    axis = log_axis(10.0, 1000.0, 48)
    corner, order = (60.0, 80.0, 120.0, 160.0, 80.0, 900.0)[seed], (4, 2, 4, 1, 8, 2)[seed]
    noise = (20.0, 45.0, 60.0, 30.0, 66.0, 20.0)[seed]
    plain = _filtered(1e9, 2, 2.0, axis=axis, noise_db=20.0)
    filtered = _filtered(
        corner, order, 3.0, axis=axis, noise_db=noise, crossover="a low-pass at 80 Hz", in_series=False
    )
    far = replace(plain, distance_m=2.0)
    base = _measured(np.ones(len(AXIS), dtype=complex))
    curve = own_filter(replace(base, harmonics=(far, replace(plain, in_series=False), plain, filtered)))
    assert curve is not None
    told: list[Any] = [of_curve(curve), [[of_figure(one), one.lineage] for one in _filter(curve)]]
    for high in (100.0, 128.0, 150.0, 180.0, 200.0, 220.0, 260.0, 300.0):
        told.append([of_figure(one)[1:6] for one in _filter(replace(curve, valid=curve.valid & (axis.hz < high)))])
    told += [_filter(None), _filter(replace(curve, valid=curve.valid & False))]
    told += [own_filter(replace(base, harmonics=ones)) for ones in ((), (plain,), (filtered,), (far, filtered))]
    stands(KINDS, f"filter {seed}", told)


def test_bursts_and_delays_of_a_subwoofer() -> None:
    random = np.random.default_rng(146)
    hz = (20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0)
    figures = {
        f"burst_level@{one:g}hz": Figure("burst_level", 90.0 + one / 10, 0.5, "dB", (one, one), "") for one in hz
    }
    figures["burst_level_mean"] = Figure("burst_level_mean", 100.0, 0.5, "dB", (40.0, 63.0), "", caveats=("c",))
    lost = {key: one for key, one in figures.items() if not key.endswith(("25hz", "100hz"))}
    refused = {**figures, "burst_level_mean": Figure("burst_level_mean", None, None, "dB", None, "", reason="why")}
    told: list[Any] = []
    for liters in (None, 60.0, 7.5):
        for one in (figures, lost, refused, {}):
            told.append([[of_figure(each), each.method] for each in _bursts(one, liters)])
    axis = log_axis(15.0, 300.0, 24)
    delay = Curve.of("group_delay", "g", axis, 30.0 - axis.hz / 10, axis.hz > 25.0, u=0.3, u_common=0.1, lineage=("s",))
    told += [[of_figure(one) for one in _delays(delay)], _delays(None)]
    told += [[of_figure(one) for one in _delays(replace(delay, valid=np.ones(len(axis), dtype=bool)))]]
    assert DELAY_HZ == (20.0, 30.0, 40.0, 60.0, 80.0)
    measured = _measured(_field(random), bursts=(burst(random, 40.0, 1.0),))
    whole = bass_reading(measured, Reading({}, figures, {}, {}, {}), 50.0)
    told += [of_figures(dict(whole.figures)), of_curves(dict(whole.curves))]
    stands(KINDS, "bursts", told, near_zero=1e-7, relative=3e-5)


def _powered(field: ComplexArray | None = None, **facts: Any) -> Measurement:
    base = _measured(np.ones(len(AXIS), dtype=complex) if field is None else field, **facts)
    return replace(base, response=replace(base.response, reference_v=0.5, reference="input -3.8 dBu", distance_m=2.0))


def _level(value: float | None = 90.0) -> Figure:
    u, reason = (0.3, "") if value else (None, "lost")
    shared = (("calibrator K 2", 0.15),)
    return Figure("sensitivity", value, u, "dB", (300.0, 3000.0), "", reason=reason, shared=shared)


def test_sensitivities_of_inputs() -> None:
    one = _powered()
    told: list[Any] = []
    for reference in ("input -3.8 dBu", "input -20.0 dBFS", ""):
        for full_scale in (None, 0.0, 18.0):
            for absolute in (True, False):
                for value in (90.0, None):
                    many = replace(one, response=replace(one.response, reference=reference, absolute=absolute))
                    found = powered_figures(many, _level(value), full_scale)
                    told.append([of_figure(figure) for key, figure in found.items() if key.startswith("input")])
    stands(KINDS, "inputs", [*told, DBU_DB])


@pytest.mark.parametrize("seed", range(4))
def test_latencies(seed: int) -> None:
    random = np.random.default_rng([147, seed])
    field = _field(random, delay_s=0.0002 * seed)
    one = _powered(field, late_s=0.003)
    told: list[Any] = [of_figure(powered_figures(one, _level())["latency"])]
    for low, high in ((0.0, 11_000.0), (3900.0, 1e5), (4100.0, 1e5), (3000.0, 12_500.0), (0.0, 11_900.0)):
        cut = replace(one, response=replace(one.response, valid=((AXIS.hz > low) & (AXIS.hz < high))[None, :]))
        told.append(of_figure(powered_figures(cut, _level())["latency"]))
    dead = one.response.pressure.copy()
    dead[0, np.argmin(np.abs(AXIS.hz - (50.0, 5000.0)[seed % 2]))] = 0.0
    told.append(
        of_figure(powered_figures(replace(one, response=replace(one.response, pressure=dead)), _level())["latency"])
    )
    told.append(
        of_figure(powered_figures(replace(one, response=replace(one.response, phase="own")), _level())["latency"])
    )
    told.append(of_figure(powered_figures(replace(one, late_s=None), _level())["latency"]))
    far = replace(one, response=replace(one.response, distance_m=20.0))
    told.append(of_figure(powered_figures(far, _level())["latency"]))
    stands(KINDS, f"latency {seed}", told, relative=1e-4)


def test_self_noise() -> None:
    bands = np.array([100.0, 1000.0])
    told: list[Any] = []
    for on, off in ((24.0, 14.0), (20.0, 17.0), (20.0, 17.01), (20.0, 16.99), (20.0, 16.75), (18.0, 19.0)):
        for distance in (1.0, 0.5, 2.0):
            noise = SelfNoise(("a", "b"), distance, bands, bands * 0 + on, bands * 0 + off, on, off, 0.5, 0.3)
            one = _powered(self_noise=noise)
            told.append(of_figure(powered_figures(one, _level())["self_noise"]))
    rough = replace(one, response=replace(one.response, absolute=False))
    told += [of_figure(powered_figures(each, _level())["self_noise"]) for each in (rough, _powered())]
    stands(KINDS, "self-noise", told)


def _limiter(**facts: Any) -> LimiterCurve:
    step = np.arange(-36.0, 0.5)
    base = LimiterCurve(
        step, step + 100, 37, 100.0, -12.0, 0.125, 6.0, (0.05, 0.2, 0.001, 0.1), 0.01,
        TimeConstant(0.005, 0.0001, True, "dB"), TimeConstant(0.02, 0.03, False, "linear"),
    )  # fmt: skip
    return replace(base, **facts)


def test_limiters() -> None:
    told: list[Any] = []
    curves = [
        _limiter(),
        *(_limiter(slope=slope) for slope in (0.001, 0.019, 0.0205, 0.022, 0.94, 0.95, 0.96, 1.0, 1.04)),
    ]
    curves += [_limiter(slope=slope, u=(0.05, 0.2, 0.05, 0.1)) for slope in (0.09, 0.099, 0.101, 0.105, 0.2)]
    curves += [_limiter(threshold_db=threshold) for threshold in (-0.5, 0.0, 0.1, 3.0)]
    curves += [
        _limiter(used=30),
        _limiter(attack=None),
        _limiter(release=None, attack=TimeConstant(0.004, 0.001, False, "dB")),
    ]
    for curve in curves:
        one = LimiterReading("t", 2.0, 80.0, curve, False)
        told.append(
            [
                of_figure(figure)
                for key, figure in powered_figures(_powered(limiters=(one,)), _level()).items()
                if "limiter" in key
            ]
        )
    room = Gate(0.0, 0.01, 0.001, None, "room dimensions", 200.0)
    for distance in (0.1, 0.15, 0.155, 0.17, 2.0):
        for gate in (room, replace(room, source="anechoic")):
            one = LimiterReading("t", distance, 1000.0, _limiter(), False)
            found = powered_figures(_powered(limiters=(one,), gate=gate), _level())
            told.append([of_figure(figure)[:6] for key, figure in found.items() if "attack" in key or "release" in key])
    clipped = LimiterReading("t", 2.0, 80.0, _limiter(), True)
    good = replace(clipped, clipped=False)
    for many in ((), (clipped,), (clipped, good), (good, replace(good, frequency_hz=3000.0))):
        found = powered_figures(_powered(limiters=many), _level())
        told.append([of_figure(figure) for key, figure in found.items() if "threshold" in key])
    rough = _powered(limiters=(good,))
    for each in (
        replace(rough.response, absolute=False),
        replace(rough.response, valid=np.abs(np.log2(AXIS.hz / 80.0))[None, :] > 0.1),
    ):  # fmt: skip
        told.append(of_figure(powered_figures(replace(rough, response=each), _level())["limiter_threshold@80hz"]))
    stands(KINDS, "limiters", told)
