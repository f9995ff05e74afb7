"""Impedance from ratios and recordings: every circuit with every set of known loads, and every limit of the checks.

Values are the program's own, frozen. Beside them closed cases: Ohm's law for the three circuits, and that a bilinear
function is undone by three known loads, whatever its four numbers.
"""

from __future__ import annotations

from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from reduce_worlds import HASH, outcome, said

from earwitness.formats.audio import Recording
from earwitness.quantities import FrequencyAxis, Impedance, log_axis
from earwitness.reduce.impedance import (
    Circuit,
    Known,
    Ratio,
    _averaged,
    _check_channel,
    _check_wiring,
    _common_rate,
    _is_turned,
    _known,
    _local_fits,
    _passivity,
    _powers,
    _reach,
    _reference_flags,
    _same_circuit,
    _sentence,
    _take_ratio,
    calibrated_ohm,
    channel_ratio,
    impedance_axis,
    impedance_of_ratio,
    measured_impedance,
)
from earwitness.session.session import ImpedanceTake
from golden_values import stands

NAME = "reduce/impedance"
Complex = npt.NDArray[np.complex128]
KINDS = ("series resistor", "resistor in ground leg", "over load and resistor")
AXIS = log_axis(20.0, 20_000.0, 2)
HZ = AXIS.hz


def load_ohm(seed: int, hz: npt.NDArray[np.float64] = HZ) -> Complex:
    random = np.random.default_rng(seed)
    turn = 1j * hz / random.uniform(35.0, 80.0)
    peak = random.uniform(10.0, 60.0) * (turn / 4.0) / (turn**2 + turn / 4.0 + 1.0)
    return np.asarray(random.uniform(3.0, 7.0) + 2j * np.pi * hz * random.uniform(1e-4, 6e-4) + peak)


def ideal(kind: str, ohm: Complex, resistor: float) -> Complex:
    if kind == "over load and resistor":
        return np.asarray(ohm / resistor)
    return np.asarray(ohm / (ohm + resistor) if kind == "series resistor" else resistor / (ohm + resistor))


def ratio_of(value: Complex, seed: int, size: float = 1e-4, axis: FrequencyAxis = AXIS) -> Ratio:
    random = np.random.default_rng([seed, 5])
    noisy = value * (1.0 + size * (random.standard_normal(value.size) + 1j * random.standard_normal(value.size)))
    return Ratio(axis, noisy, size * random.uniform(0.5, 3.0, value.size) * np.abs(value))


@pytest.mark.parametrize("kind", KINDS)
def test_an_ideal_circuit_gives_the_load_back(kind: str) -> None:
    # Ohm's law.
    ohm = load_ohm(1)
    assert Circuit(kind, 10.0).ohm(ideal(kind, ohm, 10.0)) == pytest.approx(ohm, rel=1e-9)


def test_three_known_loads_undo_any_bilinear_function() -> None:
    random = np.random.default_rng(4)
    a, b, c, d = (random.standard_normal(HZ.size) + 1j * random.standard_normal(HZ.size) for _ in range(4))
    ohm = load_ohm(2)
    found = calibrated_ohm((a * ohm + b) / (c * ohm + d), a / c, b / d, (a * 10.0 + b) / (c * 10.0 + d), 10.0)  # type: ignore[arg-type]
    assert found == pytest.approx(ohm, rel=1e-9)


@pytest.mark.parametrize("kind", KINDS)
def test_every_circuit_with_every_set_of_known_loads(kind: str) -> None:
    random, told = np.random.default_rng(7), list[Any]()
    for number, has in enumerate(product((False, True), repeat=3)):
        gain = random.uniform(0.97, 1.03) * np.exp(1j * random.uniform(-0.02, 0.02))
        leads = 0.08 + 1e-6j * HZ

        def measured(ohm: Complex, seed: int, gain: Any = gain, leads: Any = leads) -> Ratio:
            return ratio_of(gain * ideal(kind, ohm + leads, 10.1), seed)

        huge, none, ten = (np.full(HZ.size, one, complex) for one in (1e5, 0.0, 8.2))
        known = Known(
            measured(huge, 1) if has[0] else None,
            measured(none, 2) if has[1] else None,
            measured(ten, 3) if has[2] else None,
            8.2 if has[2] else None,
        )
        for tolerance in (0.1, 2.0):
            circuit = Circuit(kind, 10.0, tolerance)
            found = impedance_of_ratio(measured(load_ohm(number), 4), circuit, known, lineage=("a",))
            told.append([found.ohm, found.u_ohm, found.u_deg, found.valid, found.lineage, _sentence(circuit, known)])
    told.append(impedance_of_ratio(ratio_of(ideal(kind, load_ohm(3), 5.0), 9), Circuit(kind, 5.0)).u_ohm)
    stands(NAME, kind, told, relative=1e-4)


def test_where_a_load_is_not_known() -> None:
    told: list[Any] = []
    axis = log_axis(100.0, 1000.0, 12)
    ohm = np.full(len(axis), 8.0 + 0.0j)
    # Uncertainties from 4 to 20 % of the load, in fine steps over the limit.
    for kind in KINDS:
        value = ideal(kind, ohm, 10.0)
        u = np.geomspace(0.02, 0.12, len(axis)) * np.abs(value)
        told.append(impedance_of_ratio(Ratio(axis, value, u), Circuit(kind, 10.0)).valid.tolist())
    # A real part about 0, with small and with large uncertainty.
    for u_each in (1e-6, 3e-2):
        for passive in (None, 0.5, np.inf):
            real = np.linspace(-0.9, 0.4, len(axis))
            value = ideal(KINDS[2], real + 4.0j, 10.0)  # type: ignore[arg-type]
            given = {} if passive is None else {"passive_ohm": passive}
            found = impedance_of_ratio(Ratio(axis, value, np.full(len(axis), u_each)), Circuit(KINDS[2], 10.0), **given)  # type: ignore[arg-type]
            told.append(found.valid.tolist())
    # Open terminals: the ratio is 1 and the load has no end.
    value = ideal(KINDS[0], ohm, 10.0)
    value[3], value[5], value[7] = 1.0, np.nan, 0.0
    found = impedance_of_ratio(Ratio(axis, value, np.full(len(axis), 1e-4)), Circuit(KINDS[0], 10.0))
    told.append([found.ohm, found.u_ohm, found.u_deg, found.valid.tolist()])
    stands(NAME, "not known", told)


def test_local_fits() -> None:
    random, told = np.random.default_rng(3), list[Any]()
    count = np.array([7, 7, 9, 12, 7, 30])
    begin = np.concatenate([[0], np.cumsum(count)[:-1]])
    own = np.repeat(np.arange(6), count)
    x = np.concatenate([np.linspace(-1.0, 1.0, n) for n in count])
    a = random.standard_normal(x.size) + 1j * random.standard_normal(x.size)
    b = a * (0.5 + 0.1j + (0.2 - 0.1j) * x + 0.3j * x**2) + 0.01 * random.standard_normal(x.size)
    a[own == 1] = 0.0
    a[own == 4] *= 1e-3
    told.append(_local_fits(a, b, x, begin, own))
    told.append(_powers(x, 4))
    exact = a * (0.5 + 0.1j + (0.2 - 0.1j) * x + 0.3j * x**2)
    value, u = _local_fits(a, exact, x, begin, own)
    keep = np.arange(6) != 1
    assert value[keep] == pytest.approx(0.5 + 0.1j, abs=1e-7)
    assert float(u[keep].max()) < 1e-6
    stands(NAME, "local fits", told)


RATE, COUNT = 4000, 8192


def channels(
    kind: str, ohm: Any, seed: int, *, noise: float = 1e-4, gain: float = 1.0, level: float = 0.5
) -> Recording:
    """Channel A and B of a circuit whose source plays pink-like noise that repeats, so that the FFT is exact."""
    random = np.random.default_rng([seed, 9])
    hz = np.fft.rfftfreq(COUNT, 1.0 / RATE)
    source = np.exp(2j * np.pi * random.uniform(size=hz.size)) / np.sqrt(np.maximum(hz, 5.0)) * (hz > 2.0)
    load = ohm(hz) if callable(ohm) else np.full(hz.size, ohm, complex)
    part = source * (resistor := 10.0) / (load + resistor)
    pair = {
        "series resistor": (source, source * load / (load + resistor)),
        "resistor in ground leg": (source, part),
        "over load and resistor": (source * load / (load + resistor), part),
    }[kind]
    rows = np.stack([np.fft.irfft(one, COUNT) for one in pair]) * np.array([[1.0], [gain]])
    rows *= level / np.abs(rows).max()
    return Recording(rows + noise * random.standard_normal(rows.shape) + 0.01, RATE, "DOUBLE")


def test_ratio_of_two_channels() -> None:
    told: list[Any] = []
    for number, kind in enumerate(KINDS):
        axis = impedance_axis(RATE)
        a, b = channels(kind, lambda hz: load_ohm(5, hz), number).samples
        found = channel_ratio(a, b, RATE, axis)
        told.append([len(axis), found.b_over_a, np.log(found.u)])
        assert np.abs(found.u / found.b_over_a)[60:].max() < 0.2
        told.append(channel_ratio(a[:1500], b[:1500], 1000.0, log_axis(5.0, 490.0, 12)).b_over_a)
    told.append(
        [(len(one), one.hz[0], one.hz[-1]) for one in map(impedance_axis, (8000.0, 44_100.0, 88_000.0, 9e4, 2e5))]
    )
    stands(NAME, "channel ratio", told, relative=1e-4)


def take(name: str, role: str = "load", **changes: Any) -> ImpedanceTake:
    given = {
        "kind": "impedance",
        "id": name,
        "file": f"{name}.wav",
        "sha256": HASH,
        "role": role,
        "resistor_ohm": 10.0,
    }
    return ImpedanceTake.model_validate(given | changes)


def told_of(takes: list[ImpedanceTake], recordings: dict[str, Recording]) -> Any:
    from reduce_worlds import Rig, session

    whole = session(Rig(), [one.model_dump(exclude_none=True) for one in takes])

    def work() -> Any:
        found = measured_impedance(whole, lambda file: recordings[file.removesuffix(".wav")])
        if found is None:
            return None
        one = found.impedance
        return [one.ohm, one.u_ohm, one.u_deg, one.valid, one.lineage, said(found.flags), found.sentence]

    return outcome(work)


@pytest.mark.parametrize("kind", KINDS)
def test_impedance_of_sessions(kind: str) -> None:
    told: list[Any] = []

    def smooth(hz: npt.NDArray[np.float64]) -> Complex:
        return load_ohm(6, hz)

    made = {"a": channels(kind, smooth, 1), "b": channels(kind, smooth, 2), "r": channels(kind, 8.2, 3)}
    made |= {"o": channels(kind, 1e5, 4), "s": channels(kind, 1e-3, 5), "q": channels(kind, 8.4, 6)}
    loads = [take("a", circuit=kind), take("b", circuit=kind)]
    reference = take("r", "reference", circuit=kind, reference_ohm=8.2)
    again = take("q", "reference", circuit=kind, reference_ohm=8.2)
    known = [take("o", "open", circuit=kind), take("s", "short", circuit=kind)]
    told.append(told_of(loads[:1], made))
    told.append(told_of([*loads, reference], made))
    told.append(told_of([*loads, reference, *known], made))
    told.append(told_of([loads[0], again, reference, known[1]], made))
    told.append(told_of([reference], made))
    told.append(told_of([loads[0], take("r", "reference", circuit=kind)], made))
    turned = {"a": Recording(made["a"].samples * np.array([[1.0], [-1.0]]), RATE, "DOUBLE")}
    told.append(told_of(loads[:1], turned))
    swapped = {"a": Recording(made["a"].samples[::-1], RATE, "DOUBLE")}
    told.append(told_of(loads[:1], swapped))
    told.append(told_of(loads[:1], {"a": channels(kind, smooth, 1, noise=0.3)}))
    told.append(told_of(loads, made | {"b": Recording(made["b"].samples, 8000, "DOUBLE")}))
    told.append(told_of([take("a", circuit=kind, channel_b=3)], made))
    told.append(told_of([loads[0], take("b", circuit=kind, resistor_ohm=11.0)], made))
    told.append(told_of([loads[0], take("b", circuit=kind, channel_a=2, channel_b=1)], made))
    # A load that gives power back: no passive one does.
    told.append(told_of(loads[:1], {"a": channels(kind, lambda hz: load_ohm(6, hz) - 6.5, 1)}))
    stands(NAME, f"sessions, {kind}", told, relative=1e-4)


def test_channels_that_are_silent_or_clipped() -> None:
    told: list[Any] = []
    base = 0.5 * np.sin(np.arange(2000) * 0.3)
    for peak in (0.0, 9e-5, 1e-4, 1.1e-4, 0.5):
        for silent in (False, True):
            told.append(outcome(lambda p=peak, s=silent: _check_channel(2 * p * base, 1, "w", may_be_silent=s)))  # type: ignore[misc]
    for count in (1000, 1023, 1024, 1025):
        told.append(outcome(lambda n=count: _check_channel(base[:n], 2, "w", may_be_silent=True)))  # type: ignore[misc]
    for top in (0.9, 0.9985, 0.999, 1.0):
        for run in (1, 2, 3, 4):
            for sign in (1.0, -1.0):
                row = base.copy()
                row[100 : 100 + run] = sign * top
                told.append(outcome(lambda r=row: _check_channel(r, 2, "w", may_be_silent=False)))  # type: ignore[misc]
    row = base.copy()
    row[100], row[101], row[103], row[104] = 1.0, 1.0, 1.0, 1.0
    told.append(outcome(lambda: _check_channel(row, 1, "w", may_be_silent=False)))
    stands(NAME, "channels", told)


def test_wiring() -> None:
    told: list[Any] = []
    for kind in KINDS:
        for size in (0.5, 1.02, 1.03, 1.04, 3.0):
            for sign in (1.0, -1.0):
                one = Ratio(AXIS, np.full(HZ.size, sign * size + 0.1j), np.full(HZ.size, 1e-3))
                told.append(
                    [outcome(lambda r=one, k=kind: _check_wiring(r, take("a", circuit=k), "w")), _is_turned(one)]  # type: ignore[misc]
                )
    for u in (0.018, 0.0199, 0.0201, 0.022, 0.5):
        one = Ratio(AXIS, np.full(HZ.size, -1.0 + 0.0j), np.full(HZ.size, u))
        told.append([_is_turned(one), outcome(lambda r=one: _check_wiring(r, take("a"), "w"))])  # type: ignore[misc]
    mixed = np.where(np.arange(HZ.size) < 4, 2.0, 0.5) + 0.0j
    told.append(outcome(lambda: _check_wiring(Ratio(AXIS, mixed, np.full(HZ.size, 1e-4)), take("a"), "w")))
    some = np.full(HZ.size, 1.0)
    some[2] = 1e-4
    told.append(_is_turned(Ratio(AXIS, -mixed, some)))
    stands(NAME, "wiring", told)


def impedance(ohm: Any, *, u: float = 0.05, valid: Any = True, axis: FrequencyAxis = AXIS) -> Impedance:
    size = len(axis)
    value = np.full(size, ohm, complex) if np.isscalar(ohm) else np.asarray(ohm, complex)
    return Impedance(axis, value, np.full(size, u), np.full(size, 0.5), np.full(size, valid), ("x",))


def test_several_takes_and_how_far_they_reach() -> None:
    random, told = np.random.default_rng(2), list[Any]()
    some = [impedance(load_ohm(3) * (1.0 + 0.05 * random.standard_normal(HZ.size))) for _ in range(3)]
    some[1] = impedance(some[1].ohm, u=0.2, valid=HZ > 30.0)
    for count in (1, 2, 3):
        found = _averaged(some[:count])
        told.append([found.ohm, found.u_ohm, found.u_deg, found.valid])
    told.append(_averaged([impedance(0.0), impedance(0.0)]).u_deg)
    wide = log_axis(5.0, 40_000.0, 6)
    for low, high in ((5.0, 50.0), (20.0, 21.0), (15.0, 16.0), (19_000.0, 20_500.0), (25_000.0, 40_000.0), (0.0, 1.0)):
        valid = ~((wide.hz >= low) & (wide.hz <= high))
        told.append(said(_reach([take("a"), take("b")], impedance(8.0, valid=valid, axis=wide))))
    told.append(said(_reach([take("a")], impedance(8.0, valid=np.zeros(HZ.size, bool)))))
    stands(NAME, "averages and reach", told)


def test_loads_that_are_not_passive() -> None:
    told: list[Any] = []
    for low in (-0.3, -0.21, -0.19, 0.1):
        for u in (1e-5, 5e-3, 2e-2):
            real = np.where((HZ > 100.0) & (HZ < 900.0), low, 5.0)
            real[np.argmin(np.abs(HZ - 400.0))] += 0.5 * min(low, 0.0)
            one = Ratio(AXIS, (real + 3.0j) / 10.0, np.full(HZ.size, u))
            told.append(
                said(_passivity([take("a"), take("b")], {"a": one, "b": one}, Circuit(KINDS[2], 10.0), Known()))
            )
    stands(NAME, "passivity", told)


def test_references_against_their_value() -> None:
    told: list[Any] = []
    for kind in KINDS:
        for off in (0.93, 0.965, 0.985, 0.989, 0.991, 1.0, 1.009, 1.011, 1.015, 1.035, 1.07):
            first = Ratio(AXIS, ideal(kind, np.full(HZ.size, 8.0 * off, complex), 10.0), np.full(HZ.size, 1e-4))
            exact = Ratio(AXIS, ideal(kind, np.full(HZ.size, 8.0, complex), 10.0), np.full(HZ.size, 1e-4))
            takes = [take("a", "reference", reference_ohm=8.0), take("b", "reference", reference_ohm=8.0)]
            known = Known(reference=exact, reference_ohm=8.0)
            told.append(said(_reference_flags(takes, {"a": first, "b": first}, Circuit(kind, 10.0), known)))
    takes = [take("a", "reference")]
    noisy = Ratio(AXIS, np.full(HZ.size, 0.4 + 0.0j), np.full(HZ.size, 1.0))
    told.append(said(_reference_flags(takes, {"a": first}, Circuit(KINDS[0], 10.0), Known())))
    takes = [take("a", "reference", reference_ohm=8.0)]
    told.append(said(_reference_flags(takes, {"a": noisy}, Circuit(KINDS[0], 10.0, 5.0), Known())))
    for tolerance in (1.0, 5.0):
        for stated in (5.0, 20.0):
            takes = [take("a", "reference", reference_ohm=stated)]
            for share in (1.03, 1.045, 1.055, 1.068, 1.072, 1.1, 1.12):
                one = Ratio(AXIS, np.full(HZ.size, 0.1 * share * stated + 0.0j), np.full(HZ.size, 1e-5))
                told.append(said(_reference_flags(takes, {"a": one}, Circuit(KINDS[2], 10.0, tolerance), Known())))
    stands(NAME, "references", told)


def test_which_takes_belong_together() -> None:
    told: list[Any] = []
    for change in ({}, {"circuit": KINDS[1]}, {"resistor_ohm": 9.0}, {"channel_a": 4}, {"channel_b": 4}):
        told.append(outcome(lambda c=change: _same_circuit([take("a"), take("b", **c)])))  # type: ignore[misc]
    there = {"a": Recording(np.zeros((2, 4)), 4000, "DOUBLE"), "b": Recording(np.zeros((2, 4)), 8000, "DOUBLE")}
    told.append(outcome(lambda: _common_rate([take("a"), take("b")], there)))
    told.append(outcome(lambda: _common_rate([take("b")], there)))
    ratios = {name: ratio_of(np.full(HZ.size, 0.1 * k + 0.1j), k) for k, name in enumerate("abcd")}
    takes = [take("a"), take("b", "open"), take("c", "open"), take("d", "short")]
    found = _known(takes, [], ratios)
    told.append([found.open is ratios["b"], found.short is ratios["d"], found.reference, found.reference_ohm])
    silent = channels(KINDS[0], 5.0, 3).samples.copy()
    silent[1] = 0.0
    for kind in KINDS:
        for role in ("load", "open", "short", "reference"):
            one = take("a", role, circuit=kind)
            told.append(
                outcome(
                    lambda t=one: float(np.abs(_take_ratio(t, Recording(silent, RATE, ""), AXIS_LOW).b_over_a).max())  # type: ignore[misc]
                )
            )
    stands(NAME, "takes", told)


AXIS_LOW = log_axis(20.0, 1500.0, 3)


def test_edges() -> None:
    told: list[Any] = []
    few = np.where(np.arange(HZ.size) < 4, 50.0, 0.9) + 0.0j
    told.append(outcome(lambda: _check_wiring(Ratio(AXIS, few, np.full(HZ.size, 1e-4)), take("a"), "w")))
    for real in (-0.05, 0.05, 0.2):
        one = Ratio(AXIS, np.full(HZ.size, real + 0.3j), np.full(HZ.size, 1e-3))
        told.append([outcome(lambda r=one: _check_wiring(r, take("a"), "w")), _is_turned(one)])  # type: ignore[misc]
    for u in np.linspace(0.018, 0.03, 13):
        one = Ratio(AXIS, np.full(HZ.size, -0.05 + 0.3j), np.full(HZ.size, u))
        told.append(len(_passivity([take("a")], {"a": one}, Circuit(KINDS[2], 10.0), Known())))
    for real in np.linspace(-0.024, -0.017, 15):
        one = Ratio(AXIS, np.full(HZ.size, real + 0.3j), np.full(HZ.size, 1e-6))
        told.append(len(_passivity([take("a")], {"a": one}, Circuit(KINDS[2], 10.0), Known())))
    exact = FrequencyAxis(np.array([10.0, 20.0, 21.0, 1000.0, 19_000.0, 20_000.0, 21_000.0]))
    for lost in range(7):
        told.append(said(_reach([take("a")], impedance(8.0, valid=np.arange(7) != lost, axis=exact))))
    told.append(_averaged([impedance(1.0), impedance(-1.0)]).u_deg)
    some = Ratio(AXIS, np.full(HZ.size, 0.9 + 0.0j), np.where(HZ < 100.0, 1.0, 1e-5))
    told.append(
        said(
            _reference_flags([take("a", "reference", reference_ohm=8.0)], {"a": some}, Circuit(KINDS[2], 10.0), Known())
        )
    )
    stands(NAME, "edges", told)
