"""Impedance against circuits whose impedance Ohm's law gives, recorded by a made divider with known faults."""

from __future__ import annotations

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from made_session import HASH, Made, facts

from earwitness.errors import AudioError, InputError
from earwitness.formats.audio import Recording
from earwitness.quantities import Impedance
from earwitness.reduce.auxiliary_takes import auxiliary_takes
from earwitness.reduce.impedance import (
    Circuit,
    Known,
    Ratio,
    calibrated_ohm,
    channel_ratio,
    impedance_axis,
    impedance_of_ratio,
    measured_impedance,
)
from earwitness.session.session import Session

Array = npt.NDArray[np.float64]
Complex = npt.NDArray[np.complex128]
Load = Callable[[Array], Complex]
RATE, COUNT = 48_000, 2**17
STATED_OHM, TRUE_OHM = 10.0, 10.09
SERIES, GROUND = "series resistor", "resistor in ground leg"


def rc(hz: Array) -> Complex:
    """4 ohm in series with 22 ohm beside 100 uF."""
    return 4.0 + 22.0 / (1.0 + 2j * np.pi * hz * 22.0 * 100e-6)


def rlc(hz: Array) -> Complex:
    """6 ohm and 0.5 mH in series with a parallel resonance at 45 Hz, Q 5, 40 ohm."""
    turn = 1j * hz / 45.0
    return 6.0 + 2j * np.pi * hz * 0.5e-3 + 40.0 * (turn / 5.0) / (turn**2 + turn / 5.0 + 1.0)


def vented(hz: Array) -> Complex:
    """Driver at 40 Hz in a box tuned to 36 Hz with a lossy port, compliance ratio 1.2, as a chain of admittances."""
    s = 1j * hz
    port = s**2 / 36.0**2 + s / (7.0 * 36.0)
    box = 1.2 * 40.0 / s * port / (port + 1.0)
    return 6.0 + 6.0 / 0.45 / (s / 40.0 + 40.0 / s + 0.2 + box)


def constant(ohm: float) -> Load:
    return lambda hz: np.full(hz.shape, ohm, dtype=np.complex128)


def swept() -> Array:
    """Exponential sweep 4 Hz to 23 kHz, silence around it."""
    length_s, start = 1.9, 4.0
    rate = length_s / np.log(23_000.0 / start)
    time = np.arange(round(length_s * RATE)) / RATE
    x = 0.5 * np.sin(2 * np.pi * start * rate * np.exp(time / rate))
    x[:2000] *= np.linspace(0.0, 1.0, 2000)
    x[-200:] *= np.linspace(1.0, 0.0, 200)
    return np.concatenate([np.zeros(4000), x, np.zeros(COUNT - 4000 - x.size)])


def recorded(
    load: Load,
    *,
    circuit: str = SERIES,
    gain: complex = 1.0,
    lead_ohm: float = 0.0,
    input_ohm: float = np.inf,
    noise: float = 1e-5,
    seed: int = 0,
) -> Array:
    """(2, N): source, and what the divider makes of it. gain : of channel B over A; input_ohm : of channel B."""
    hz = np.fft.rfftfreq(COUNT, 1 / RATE)
    hz[0] = hz[1]
    z = load(hz) + lead_ohm
    if circuit == SERIES:
        with np.errstate(divide="ignore"):
            loaded = 1.0 / (1.0 / z + 1.0 / input_ohm)
        share = loaded / (loaded + TRUE_OHM)
        share = np.where(np.isfinite(share), share, 1.0)
    else:
        share = TRUE_OHM / (z + TRUE_OHM)
    source = swept()
    second = np.fft.irfft(np.fft.rfft(source) * share * gain, COUNT)
    rng = np.random.default_rng(seed)
    return np.stack([source, second]) + noise * rng.standard_normal((2, COUNT))


def take(name: str, role: str = "load", **more: Any) -> dict[str, Any]:
    return {
        "kind": "impedance",
        "id": name,
        "file": f"{name}.wav",
        "sha256": HASH,
        "resistor_ohm": STATED_OHM,
        "role": role,
    } | more


def measured(takes: list[dict[str, Any]], samples: dict[str, Array], rate: int = RATE) -> Any:
    session: Session = facts(Made(), takes)
    return measured_impedance(session, lambda name: Recording(samples[name.removesuffix(".wav")], rate, "DOUBLE"))


def errors(impedance: Impedance, load: Load) -> tuple[Array, Array]:
    """Errors of the valid points: magnitude [%], phase [deg]."""
    ratio = impedance.ohm[impedance.valid] / load(impedance.axis.hz[impedance.valid])
    return 100.0 * (np.abs(ratio) - 1.0), np.degrees(np.angle(ratio))


@pytest.mark.parametrize("load", [rc, rlc, vented])
def test_three_known_loads_give_half_a_percent_and_half_a_degree_with_a_one_percent_resistor(load: Load) -> None:
    # Ohm's law; resistor 0.9 % off, channels 1.5 % and 1.4 degrees apart, leads of 0.12 ohm, an input of 20 kilohm.
    fault = {"gain": 1.015 * np.exp(0.025j), "lead_ohm": 0.12, "input_ohm": 20e3}
    samples = {
        "load": recorded(load, seed=1, **fault),
        "open": recorded(constant(1e12), seed=2, **fault),
        "short": recorded(constant(0.0), seed=3, **fault),
        "reference": recorded(constant(8.2), seed=4, **fault),
    }
    takes = [take("load"), take("open", "open"), take("short", "short")]
    takes.append(take("reference", "reference", reference_ohm=8.2))
    found = measured(takes, samples)
    percent, degrees = errors(found.impedance, load)
    assert np.abs(percent).max() < 0.5
    assert np.abs(degrees).max() < 0.5
    assert found.impedance.valid[(found.impedance.axis.hz >= 5.0) & (found.impedance.axis.hz <= 20_000.0)].all()
    assert found.flags == ()
    bare, bare_deg = errors(measured([take("load")], samples).impedance, load)
    assert np.abs(bare).max() > 2.0
    assert np.abs(bare_deg).max() > 1.0


@pytest.mark.parametrize(("circuit", "role"), [(SERIES, "open"), (GROUND, "short")])
def test_one_take_matches_the_channels_and_a_reference_the_scale(circuit: str, role: str) -> None:
    fault = {"circuit": circuit, "gain": 1.015 * np.exp(0.025j)}
    known = constant(1e12 if role == "open" else 0.0)
    samples = {
        "load": recorded(rlc, seed=1, **fault),
        "known": recorded(known, seed=2, **fault),
        "reference": recorded(constant(8.2), seed=3, **fault),
    }
    takes = [take("load", circuit=circuit), take("known", role, circuit=circuit)]
    takes.append(take("reference", "reference", reference_ohm=8.2, circuit=circuit))
    percent, degrees = errors(measured(takes, samples).impedance, rlc)
    assert np.abs(percent).max() < 0.5
    assert np.abs(degrees).max() < 0.5


def test_the_uncertainty_without_calibration_holds_tolerance_and_mismatch() -> None:
    # Reference C5.2 to C5.5: an error of 1 % of the ratio becomes 1 + Z/R percent of Z; C5.6: the resistor's 1 to 1.
    axis = impedance_axis(RATE)
    for ohm, percent in ((4.0, 1.406), (8.0, 1.815), (32.0, 4.339), (100.0, 12.222)):
        ratio = ohm / (ohm + STATED_OHM)
        wrong = Circuit(SERIES, STATED_OHM).ohm(np.array([1.01 * ratio]))[0]
        assert 100.0 * (wrong.real / ohm - 1.0) == pytest.approx(percent, abs=6e-4)
        one = Ratio(axis, np.full(len(axis), ratio), np.zeros(len(axis)))
        found = impedance_of_ratio(one, Circuit(SERIES, STATED_OHM, 1.0))
        expected = np.hypot(1.0 / np.sqrt(3.0), 0.5 * (1.0 + ohm / STATED_OHM))
        if expected < 10.0:
            assert 100.0 * found.u_ohm[50] / ohm == pytest.approx(expected, rel=0.01)


def test_a_divider_gives_the_ratio_of_the_reference() -> None:
    # C5.1: R 10 ohm, Z 6+4j: -7.1857 dB, 19.6538 degrees.
    axis = impedance_axis(RATE)
    ratio = np.full(len(axis), 10 ** (-7.1857 / 20) * np.exp(1j * np.radians(19.6538)))
    ohm = Circuit(SERIES, 10.0).ohm(ratio)
    assert ohm[0] == pytest.approx(6 + 4j, abs=2e-4)


def test_a_bilinear_network_is_taken_out_exactly() -> None:
    # C5.7: A, B, C, D as there, reference 8.2 ohm, load 5.3 ohm at -37 degrees; C5.8 without calibration.
    a, b, c, d = 0.97 + 0.03j, 0.21 - 0.02j, 0.98 - 0.01j, 10.2 + 0.3j
    truth = 5.3 * np.exp(-1j * np.radians(37.0))

    def raw(z: complex) -> Complex:
        return np.array([(a * z + b) / (c * z + d)])

    found = calibrated_ohm(raw(truth), np.array([a / c]), raw(0.0), raw(8.2), 8.2)[0]
    assert abs(found) == pytest.approx(5.3, abs=1e-9)
    assert np.degrees(np.angle(found)) == pytest.approx(-37.0, abs=1e-9)
    plain = Circuit(SERIES, 10.0).ohm(raw(truth))[0]
    assert abs(plain) == pytest.approx(5.3784, abs=1e-4)
    assert np.degrees(np.angle(plain)) == pytest.approx(-34.7885, abs=1e-4)


def test_the_uncertainty_covers_the_noise() -> None:
    # Of errors by noise about 68 % lie within one standard uncertainty and 95 % within two (normal distribution).
    axis = impedance_axis(RATE)
    ratio = channel_ratio(*recorded(rlc, noise=2e-3, seed=11), RATE, axis)
    truth = rlc(axis.hz) / (rlc(axis.hz) + TRUE_OHM)
    band = (axis.hz > 10.0) & (axis.hz < 20_000.0)
    off = ((ratio.b_over_a - truth) / ratio.u)[band]
    parts = np.concatenate([off.real, off.imag])
    assert 0.55 < np.mean(np.abs(parts) < 1.0) < 0.80
    assert np.mean(np.abs(parts) < 2.0) > 0.88


def test_where_the_sweep_does_not_reach_nothing_is_claimed() -> None:
    quiet = recorded(rlc, noise=0.0)
    spectrum = np.fft.rfft(quiet, axis=-1)
    spectrum[:, np.fft.rfftfreq(COUNT, 1 / RATE) < 60.0] = 0.0
    cut = np.fft.irfft(spectrum, COUNT, axis=-1) + 1e-4 * np.random.default_rng(5).standard_normal((2, COUNT))
    found = measured([take("load")], {"load": cut})
    hz = found.impedance.axis.hz
    assert not found.impedance.valid[hz < 50.0].any()
    assert found.impedance.valid[(hz > 70.0) & (hz < 20_000.0)].all()
    assert [flag.id for flag in found.flags] == ["impedance incomplete"]
    assert np.isfinite(found.impedance.ohm).all()


def test_the_axis_ends_with_the_sample_rate_or_at_40_khz() -> None:
    assert impedance_axis(48_000).hz[-1] <= 0.45 * 48_000 < impedance_axis(48_000).hz[-1] * 2 ** (1 / 48)
    assert impedance_axis(192_000).hz[-1] <= 40_000 < impedance_axis(192_000).hz[-1] * 2 ** (1 / 48)
    assert impedance_axis(48_000).hz[0] == pytest.approx(5.0, rel=0.015)


def test_a_load_that_gives_power_back_is_flagged_and_left_out() -> None:
    def active(hz: Array) -> Complex:
        return 6.0 - 9.0 * np.exp(-((np.log2(hz / 500.0) / 0.2) ** 2)) + 0j

    found = measured([take("load")], {"load": recorded(active)})
    flag = next(flag for flag in found.flags if flag.id == "impedance not passive")
    assert flag.number == pytest.approx(-3.0, abs=0.1)
    near = np.abs(np.log2(found.impedance.axis.hz / 500.0)) < 0.1
    assert not found.impedance.valid[near].any()


@pytest.mark.parametrize("circuit", [SERIES, GROUND])
def test_swapped_channels_end_in_words(circuit: str) -> None:
    samples = {"load": recorded(rlc, circuit=circuit)[::-1]}
    with pytest.raises(InputError) as caught:
        measured([take("load", circuit=circuit)], samples)
    assert "swapped" in caught.value.what
    assert "channel_a = 2 and channel_b = 1" in caught.value.remedy
    assert "load.wav" in caught.value.where


def test_other_wiring_faults_end_in_words() -> None:
    good = recorded(rlc)
    inverted = good * np.array([[1.0], [-1.0]])
    noise = 0.1 * np.random.default_rng(3).standard_normal((2, COUNT))
    clipped = np.clip(good * 4.0, -1.0, 1.0)
    for samples, error, words in (
        (inverted, InputError, "opposite polarity"),
        (noise, AudioError, "nothing in common"),
        (clipped, AudioError, "clipped"),
        (good[:1], AudioError, "channel 2 is not there"),
        (good * np.array([[1.0], [0.0]]), AudioError, "channel 2 is silent"),
    ):
        with pytest.raises(error) as caught:
            measured([take("load")], {"load": samples})
        assert words in caught.value.what
        assert caught.value.remedy


def test_calibration_of_another_circuit_is_refused() -> None:
    samples = {"load": recorded(rlc), "open": recorded(constant(1e12))}
    with pytest.raises(InputError) as caught:
        measured([take("load"), take("open", "open", resistor_ohm=22.0)], samples)
    assert "resistor_ohm is 22.0" in caught.value.what


def test_a_reference_that_does_not_fit_is_flagged() -> None:
    samples = {"load": recorded(rlc), "reference": recorded(constant(8.2)), "again": recorded(constant(8.6), seed=2)}
    takes = [take("load"), take("reference", "reference", reference_ohm=10.0)]
    flags = measured(takes, samples).flags
    assert [(flag.id, flag.severity) for flag in flags] == [("reference resistor", "warn")]
    takes = [take("load"), take("reference", "reference", reference_ohm=8.2)]
    assert measured(takes, samples).flags == ()
    flags = measured([*takes, take("again", "reference", reference_ohm=8.2)], samples).flags
    assert [(flag.id, flag.severity) for flag in flags] == [("reference resistor", "reject")]
    assert flags[0].number == pytest.approx(100 * (8.6 / 8.2 - 1), abs=0.2)


def test_several_takes_of_the_load_are_averaged() -> None:
    samples = {"one": recorded(constant(8.0)), "two": recorded(constant(8.4), seed=2)}
    alone = measured([take("one")], samples).impedance
    both = measured([take("one"), take("two")], samples).impedance
    at = 200
    assert abs(both.ohm[at]) / abs(alone.ohm[at]) == pytest.approx(8.2 / 8.0, rel=1e-3)
    # Two values 0.4 ohm apart: the mean has a standard deviation of 0.2 ohm (GUM 4.2.3).
    assert both.u_ohm[at] == pytest.approx(np.hypot(0.2, alone.u_ohm[at]), rel=0.02)


def test_a_session_without_impedance_has_none() -> None:
    assert measured([], {}) is None
    assert measured([take("open", "open")], {"open": recorded(constant(1e12))}) is None


def test_takes_of_the_impedance_count_as_used_only_where_they_gave_one() -> None:
    """What a page says was kept and not used: all takes of an impedance that could be read, none without a load."""
    names = ("open", "load")
    samples = {"open": recorded(constant(1e12)), "load": recorded(rc)}
    for kept in (names, names[:1]):
        session = facts(Made(), [take(name, name) for name in kept])
        plan: Any = SimpleNamespace(session=session, calibration=SimpleNamespace(fs_per_pa=None), correction=None)
        found = auxiliary_takes(plan, lambda file: Recording(samples[file.removesuffix(".wav")], RATE, "DOUBLE"))
        assert (found.impedance is not None) == ("load" in kept)
        assert found.used == (set(names) if "load" in kept else set())


def test_known_loads_may_all_be_missing() -> None:
    axis = impedance_axis(RATE)
    one = Ratio(axis, np.full(len(axis), 0.4), np.zeros(len(axis)))
    assert np.allclose(impedance_of_ratio(one, Circuit(SERIES, 10.0), Known()).ohm, 10.0 * 0.4 / 0.6)


def over_both(load: Load, *, gain: float = 1.0, seed: int = 0) -> Array:
    """(2, N): the voltage over the load and over the resistor in series with it, from Ohm's law."""
    hz = np.fft.rfftfreq(COUNT, 1 / RATE)
    hz[0] = hz[1]
    z = load(hz)
    played = np.fft.rfft(swept())
    parts = [played * z / (z + TRUE_OHM), gain * played * TRUE_OHM / (z + TRUE_OHM)]
    rng = np.random.default_rng(seed)
    return np.stack([np.fft.irfft(part, COUNT) for part in parts]) + 1e-5 * rng.standard_normal((2, COUNT))


@pytest.mark.parametrize("gain", [1.02, -1.02])
@pytest.mark.parametrize("load", [rlc, vented])
def test_over_load_and_resistor_a_reference_takes_out_gains_and_resistor(load: Load, gain: float) -> None:
    """Counted from the point between them (gain below 0) the two have opposite signs; a short takes out the leads."""
    third = {"circuit": "over load and resistor"}
    takes = [
        take("load", **third),
        take("ref", "reference", reference_ohm=8.2, **third),
        take("short", "short", **third),
    ]
    samples = {
        "load": over_both(lambda hz: load(hz) + 0.1, gain=gain),
        "ref": over_both(constant(8.3), gain=gain, seed=1),
        "short": over_both(constant(0.1), gain=gain, seed=2),
    }
    found = measured(takes, samples)
    size, angle = errors(found.impedance, load)
    assert np.quantile(np.abs(size), 0.95) < 0.1
    assert np.quantile(np.abs(angle), 0.95) < 0.1
    assert np.abs(size).max() < 1.0
    assert "over load and resistor" in found.sentence
    assert "matched by the reference take" in found.sentence
    alone = measured([takes[0]], {"load": over_both(load)})
    size, _ = errors(alone.impedance, load)
    # The stated resistor is 0.9 % below the true one, and so is what is read with it alone.
    assert np.median(size) == pytest.approx(100.0 * (STATED_OHM / TRUE_OHM - 1.0), abs=0.02)
    assert alone.impedance.u_ohm.max() > found.impedance.u_ohm.max()


def test_a_circuit_that_is_another_than_stated_is_told_with_the_one_that_it_may_be() -> None:
    with pytest.raises(InputError, match="or the circuit is another") as caught:
        measured([take("load")], {"load": over_both(constant(4.0))})
    assert '"over load and resistor" with channel_a over the load' in caught.value.remedy
