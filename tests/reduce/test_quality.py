"""Every red flag: raised by a recording made to deserve it, silent on a clean one.

Limits: processing reference, section 11 (project defaults, common practice where no standard speaks).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.special import j1

from earwitness.quantities import Gate, QualityFlag, Splice, report_axis
from earwitness.reduce.flags import THRESHOLDS, TakeFacts
from earwitness.reduce.orbit_checks import orbit_flags
from earwitness.reduce.quality import gate_flags, level_jumps, snr_flags, splice_flags, take_flags

C = 343.0
RATE = 48000.0
COUNT = 1024
HZ = report_axis().hz
ANGLES = np.arange(-170.0, 181.0, 10.0)


def response(hz: np.ndarray, angle_deg: float) -> np.ndarray:
    """A band-pass with the directivity of a piston of 5 cm radius in a box that shades the rear."""
    s = 1j * np.maximum(hz, 1.0) / 60.0
    x = 2 * np.pi * hz / C * 0.05 * np.abs(np.sin(np.deg2rad(min(abs(angle_deg), 90.0))))
    piston = np.where(x > 1e-6, 2 * j1(np.maximum(x, 1e-6)) / np.maximum(x, 1e-6), 1.0)
    smooth = 0.3 + 0.7 * np.abs(piston) ** 0.5
    shade = (1 + (hz / 900) ** 2 * (1 - np.cos(np.deg2rad(angle_deg))) ** 2) ** -0.5
    return s**2 / (1 + 1.4 * s + s**2) / (1 + 1j * hz / 21000) * smooth * shade


def level_db(angle_deg: float) -> np.ndarray:
    return 20 * np.log10(np.abs(response(HZ, angle_deg)))


@cache
def impulse(angle_deg: float) -> np.ndarray:
    hz = np.fft.rfftfreq(COUNT, 1 / RATE)
    shifted = response(hz, angle_deg) * np.exp(-2j * np.pi * hz * 5e-3)
    out: np.ndarray = np.fft.irfft(shifted, COUNT)
    return out


def fact(orbit: str, angle_deg: float) -> TakeFacts:
    band = (HZ >= 300) & (HZ <= 3000)
    return TakeFacts(
        id=f"{orbit[0]}{angle_deg:+.0f}",
        orbit="horizontal" if orbit == "horizontal" else "vertical",
        angle_deg=angle_deg,
        distance_m=1.0,
        rate_hz=RATE,
        peak_fs=0.4,
        clipped_runs=0,
        arrival_s=1.0 / C,
        arrival_known=True,
        impulse=impulse(angle_deg),
        impulse_rate_hz=RATE,
        band_level_db=float(10 * np.log10(np.mean(10 ** (level_db(angle_deg)[band] / 10)))),
        non_causal_db=-70.0,
    )


def clean() -> list[TakeFacts]:
    horizontal = [fact("horizontal", a) for a in ANGLES]
    return horizontal + [fact("vertical", a) for a in ANGLES if abs(a) > 1 and abs(a) < 179]


def levels(facts: list[TakeFacts]) -> np.ndarray:
    return np.stack([level_db(f.angle_deg or 0.0) for f in facts])


def changed(change: Callable[[TakeFacts], TakeFacts], *ids: str) -> list[TakeFacts]:
    return [change(f) if f.id in ids else f for f in clean()]


def of(flags: list[QualityFlag], name: str) -> QualityFlag:
    found = [f for f in flags if f.id == name]
    assert len(found) == 1, [f.id for f in flags]
    return found[0]


def orbits(facts: list[TakeFacts], *, symmetric: bool = True) -> list[QualityFlag]:
    # Up and down are not alike, and the vertical orbit is not the horizontal one again: a second driver below.
    hz = np.fft.rfftfreq(COUNT, 1 / RATE)
    only = [f for f in facts if f.orbit == "horizontal"]
    for f in facts:
        if f.orbit == "vertical":
            path_s = 0.15 * np.sin(np.deg2rad(f.angle_deg or 0.0)) / C
            woofer = np.fft.rfft(f.impulse) * np.exp(-2j * np.pi * hz * path_s) / (1 + 1j * hz / 2500)
            only.append(replace(f, impulse=f.impulse + np.fft.irfft(woofer, COUNT)))
    return orbit_flags(only, levels(only), HZ, symmetric=symmetric)


def test_clean_takes_raise_nothing() -> None:
    assert take_flags(clean(), speed_of_sound=C) == []


def test_clean_orbits_raise_nothing() -> None:
    assert orbits(clean()) == []


def test_clipping() -> None:
    flag = of(take_flags(changed(lambda f: replace(f, clipped_runs=3), "h+20"), speed_of_sound=C), "clipping")
    assert (flag.severity, flag.takes) == ("reject", ("h+20",))
    touched = take_flags(changed(lambda f: replace(f, peak_fs=0.9995), "h+20"), speed_of_sound=C)
    assert of(touched, "clipping").severity == "warn"


def test_silence() -> None:
    flag = of(take_flags(changed(lambda f: replace(f, peak_fs=1e-4), "v+30"), speed_of_sound=C), "silence")
    assert flag.takes == ("v+30",)
    assert flag.severity == "reject"


@pytest.mark.parametrize("off_m", [0.05, -0.05])
def test_distance(off_m: float) -> None:
    facts = changed(lambda f: replace(f, arrival_s=(1.0 + off_m) / C), "h+0", "h+10")
    flag = of(take_flags(facts, speed_of_sound=C), "distance")
    assert flag.takes == ("h+0", "h+10")
    assert flag.number == pytest.approx(off_m)


def test_distance_allows_three_centimetres_the_way_around_and_unknown_delays() -> None:
    near = changed(lambda f: replace(f, arrival_s=1.025 / C), "h+0")
    around = changed(lambda f: replace(f, arrival_s=1.4 / C), "h+180")
    unknown = changed(lambda f: replace(f, arrival_s=2.0 / C, arrival_known=False), "h+0")
    for facts in (near, around, unknown):
        assert take_flags(facts, speed_of_sound=C) == []


def test_a_sound_deep_in_a_horn_may_come_earlier_elsewhere_by_its_depth() -> None:
    """0.1 m late to the axis, on time behind: with the common delay taken off, 0.55 m nearer is within 0.5 + 0.1."""
    near = {f"{o}{a:+d}" for o in "hv" for a in (-30, -20, -10, 0, 10, 20, 30)}
    facts = [replace(f, arrival_s=(1.09 if f.id in near else 1.0) / C) for f in clean()]
    early = [replace(f, arrival_s=0.54 / C) if f.id == "h+90" else f for f in facts]
    assert [f.id for f in take_flags(early, speed_of_sound=C) if f.id == "distance"] == []
    earlier = [replace(f, arrival_s=0.48 / C) if f.id == "h+90" else f for f in facts]
    assert of(take_flags(earlier, speed_of_sound=C), "distance").takes == ("h+90",)


def test_distance_is_told_no_finer_than_the_sound_allows() -> None:
    """Sound up to 400 Hz has a period of 2.5 ms, or 86 cm: half a meter cannot be read off its onset."""
    slow = changed(lambda f: replace(f, arrival_s=1.5 / C), "h+0")
    assert take_flags(slow, speed_of_sound=C, blur_m=C / 400.0) == []
    assert of(take_flags(slow, speed_of_sound=C, blur_m=0.1), "distance").number == pytest.approx(0.5)


def bulged(orbit: str, angle_deg: float) -> TakeFacts:
    """A lobe upward: the level falls by 4 dB to 90 degrees and is lopsided by 2 dB, as by a woofer below the axis."""
    turn = np.deg2rad(angle_deg)
    level = -4.0 * (1 - np.cos(turn)) / 2 + (2.0 * np.sin(turn) if orbit == "vertical" else 0.0)
    return replace(fact(orbit, angle_deg), band_level_db=float(level))


@pytest.mark.parametrize(("take", "jump_db"), [(None, 0.0), ("v+10", 0.5), ("v-10", -0.5), ("v+60", 0.5)])
def test_an_orbit_that_shares_its_axis_with_the_other_is_no_jump(take: str | None, jump_db: float) -> None:
    """The take ahead stands on one orbit: beside it the other has a step of 20 degrees, which is not an odd level."""
    facts = [bulged(orbit, a) for orbit in ("horizontal", "vertical") for a in ANGLES
             if orbit == "horizontal" or a not in (0.0, 180.0)]  # fmt: skip
    moved = [replace(f, band_level_db=f.band_level_db + jump_db) if f.id == take else f for f in facts]
    named = next((flag.takes for flag in level_jumps(moved)), ())
    assert named == (() if take is None else (take,))


@pytest.mark.parametrize("jump_db", [1.0, -1.5])
@pytest.mark.parametrize("take", ["h+30", "h-120", "v+50", "h+0"])
def test_level_jump_blames_the_one_take(jump_db: float, take: str) -> None:
    facts = changed(lambda f: replace(f, band_level_db=f.band_level_db + jump_db), take)
    flag = of([f for f in take_flags(facts, speed_of_sound=C) if f.id != "level repeat"], "level jump")
    assert flag.takes == (take,)
    assert flag.number == pytest.approx(jump_db, abs=0.4)


def test_level_repeat_on_the_axis() -> None:
    again = replace(fact("horizontal", 0.0), id="h0 again", band_level_db=fact("horizontal", 0.0).band_level_db + 0.25)
    flag = of(take_flags([*clean(), again], speed_of_sound=C), "level repeat")
    assert flag.number == pytest.approx(0.25)
    same = replace(again, band_level_db=again.band_level_db - 0.1)
    assert take_flags([*clean(), same], speed_of_sound=C) == []


def test_polarity_of_one_and_of_the_reference_itself() -> None:
    for take in ("h+40", "h+0"):
        flag = of(take_flags(changed(lambda f: replace(f, impulse=-f.impulse), take), speed_of_sound=C), "polarity")
        assert flag.takes == (take,)
        assert flag.severity == "reject"


def test_energy_before_the_sound() -> None:
    flag = of(
        take_flags(changed(lambda f: replace(f, non_causal_db=-35.0), "h+0"), speed_of_sound=C), "before the sound"
    )
    assert flag.number == -35.0
    assert flag.threshold == -50.0


def test_mixed_rates() -> None:
    flag = of(take_flags(changed(lambda f: replace(f, rate_hz=44100.0), "h+50"), speed_of_sound=C), "mixed rates")
    assert flag.takes == ("h+50",)


def test_missing_angles() -> None:
    facts = [f for f in clean() if f.id not in ("h+40", "h-20")]
    flag = of(orbits(facts), "missing angles")
    assert (flag.severity, flag.number) == ("info", 2.0)
    assert of(orbits(facts, symmetric=False), "missing angles").severity == "warn"
    lacking = of(orbits([f for f in clean() if f.id != "v+40"]), "missing angles")
    assert lacking.severity == "warn"
    assert "40" in lacking.sentence


def test_duplicate() -> None:
    source = next(f for f in clean() if f.id == "h+60")
    flag = of(orbits(changed(lambda f: replace(f, impulse=source.impulse * 1.0), "h+120")), "duplicate")
    # The loudspeaker of these takes is the same on both sides, so its copy is that of either.
    assert set(flag.takes) == {"h+60", "h-60", "h+120"}
    assert flag.sentence.endswith(", and 1 more pair.")


def test_duplicate_of_a_neighbor() -> None:
    source = next(f for f in clean() if f.id == "h+60")
    flag = of(orbits(changed(lambda f: replace(f, impulse=source.impulse), "h+70"), symmetric=False), "duplicate")
    assert {"h+60", "h+70"} <= set(flag.takes)


def test_rear_louder_than_front() -> None:
    flags = orbits([replace(f, angle_deg=180.0 - f.angle_deg) for f in clean() if f.angle_deg is not None])
    mislabeled = [f for f in flags if f.id == "mislabeled"]
    assert mislabeled == []
    facts = clean()
    values = levels(facts)
    ahead = next(i for i, f in enumerate(facts) if f.id == "h+0")
    behind = next(i for i, f in enumerate(facts) if f.id == "h+180")
    values[[ahead, behind]] = values[[behind, ahead]]
    flag = of([f for f in orbit_flags(facts, values, HZ, symmetric=False) if f.id == "mislabeled"], "mislabeled")
    assert flag.severity == "reject"
    assert set(flag.takes) == {"h+0", "h+180"}


def test_a_column_that_sounds_all_around_is_not_mislabeled() -> None:
    """A rear 1 dB louder is no exchange of front and rear; one 4 dB louder is."""
    facts = clean()
    for excess_db, told in ((1.0, False), (4.0, True)):
        values = np.zeros((len(facts), HZ.size))
        values[[abs(f.angle_deg or 0.0) > 179.0 for f in facts]] = excess_db
        assert any(f.id == "mislabeled" for f in orbit_flags(facts, values, HZ, symmetric=True)) is told


def test_noise_above_a_subwoofers_band_says_nothing_of_angles() -> None:
    """The same noise in two takes above 2 kHz, and more of it behind: silent where the sound ends at 200 Hz."""
    facts = clean()
    same = [replace(f, impulse=facts[0].impulse) for f in facts]
    values = np.where(HZ > 1000.0, 5.0, 0.0) * np.array([[abs(f.angle_deg or 0.0) > 100.0] for f in facts])
    loud = {flag.id for flag in orbit_flags(same, values, HZ, symmetric=True)}
    assert {"duplicate", "mislabeled"} <= loud
    assert orbit_flags(same, values, HZ, symmetric=True, heard_to_hz=200.0) == []


@pytest.mark.parametrize(("one", "other"), [("h+30", "h+60"), ("h-90", "h-120"), ("v+20", "v+50")])
def test_swapped(one: str, other: str) -> None:
    facts = clean()
    values = levels(facts)
    i, j = (next(k for k, f in enumerate(facts) if f.id == name) for name in (one, other))
    values[[i, j]] = values[[j, i]]
    flag = of([f for f in orbit_flags(facts, values, HZ, symmetric=False) if f.id == "swapped"], "swapped")
    assert set(flag.takes) == {one, other}


def test_turntable_offset() -> None:
    """Labels 4 degrees off: the orbit is symmetric about -4 degrees of the labels."""
    facts = clean()
    values = np.stack([level_db((f.angle_deg or 0.0) + 4.0) for f in facts])
    flags = orbit_flags(facts, values, HZ, symmetric=True)
    assert of([f for f in flags if f.id == "angle offset"], "angle offset").number == pytest.approx(-4.0, abs=0.5)
    assert [f for f in orbit_flags(facts, values, HZ, symmetric=False) if f.id == "angle offset"] == []


def test_left_is_not_right() -> None:
    facts = clean()
    values = levels(facts)
    for i, f in enumerate(facts):
        if f.orbit == "horizontal" and 5 < (f.angle_deg or 0.0) < 65:
            values[i] += 1.5
    flag = of([f for f in orbit_flags(facts, values, HZ, symmetric=True) if f.id == "asymmetry"], "asymmetry")
    assert flag.number == pytest.approx(1.5, abs=0.01)


def test_orbit_levels_of_another_shape() -> None:
    with pytest.raises(ValueError, match="levels have shape"):
        orbit_flags(clean(), np.zeros((2, 3)), HZ, symmetric=True)


def test_snr() -> None:
    snr = np.full((3, HZ.size), 50.0)
    valid = np.ones(snr.shape, bool)
    ids = ("a", "b", "c")
    assert snr_flags(snr, HZ, valid, ids) == []
    snr[1, HZ < 40] = 25.0
    snr[2, HZ > 15000] = 12.0
    flags = {f.severity: f for f in snr_flags(snr, HZ, valid, ids)}
    assert flags["warn"].takes == ("b",)
    assert flags["warn"].band_hz == pytest.approx((HZ[0], HZ[HZ < 40][-1]))
    assert (flags["reject"].takes, flags["reject"].number) == (("c",), 12.0)
    valid[2] = valid[1] = False
    assert snr_flags(snr, HZ, valid, ids) == []


GATE = Gate(-0.5e-3, 8e-3, 2e-3, 8.5e-3, "room dimensions", 180.0)


def echoed(delay_s: float, factor: float) -> TakeFacts:
    base = fact("horizontal", 0.0)
    hz = np.fft.rfftfreq(COUNT, 1 / RATE)
    late = np.fft.irfft(np.fft.rfft(base.impulse) * np.exp(-2j * np.pi * hz * delay_s), COUNT)
    return replace(base, impulse=base.impulse + factor * late)


def test_no_reflection_no_flag() -> None:
    assert gate_flags(clean(), GATE, [8.5e-3, 12e-3]) == []
    assert gate_flags([echoed(9e-3, 0.5)], GATE, [9e-3]) == []


def test_reflection_expected_by_geometry_only() -> None:
    flags = gate_flags(clean(), GATE, [5e-3])
    assert [f.id for f in flags] == ["reflection expected"]
    assert flags[0].number == pytest.approx(5.0)


def test_reflection_heard() -> None:
    flag = of(gate_flags([echoed(5e-3, 0.3)], GATE, [5.1e-3]), "reflection")
    assert flag.number == pytest.approx(20 * np.log10(0.3), abs=1.0)
    quiet = gate_flags([echoed(5e-3, 0.05)], GATE, [5.1e-3])
    assert [f.id for f in quiet] == ["reflection expected"]


def report(**change: float | bool) -> Splice:
    good = Splice(250.0, 500.0, 0.4, 0.0, 0.3, 0.2, 1e-5, False, "")
    return replace(good, **change)  # type: ignore[arg-type]


def test_splice() -> None:
    assert splice_flags(report()) == []
    assert of(splice_flags(report(slope_db_per_octave=-1.8)), "splice slope").number == 1.8
    assert of(splice_flags(report(spread_db=0.9)), "splice spread").band_hz == (250.0, 500.0)
    assert of(splice_flags(report(gain_db=-2.0)), "splice level").threshold == 1.5
    assert of(splice_flags(report(inverted=True)), "splice polarity").severity == "warn"


def test_thresholds_cannot_be_changed() -> None:
    with pytest.raises(TypeError):
        THRESHOLDS["snr_warn_db"] = 1.0  # type: ignore[index]
