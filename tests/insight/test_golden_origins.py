"""Where findings come from: kinds and causes over drawn evidence, sizes in curves and directions; frozen.

The values are the program's own ("frozen"). Formulas beside them: ka = pi d f / c and c / (2 L) (handbooks).
"""

from __future__ import annotations

from dataclasses import replace
from math import pi
from typing import Any, cast

import numpy as np
import pytest
from flaw_worlds import (
    AXIS,
    DRIVERS,
    HZ,
    X,
    bell_db,
    curve_of,
    impedance,
    loudspeaker,
    measured,
    near_fields,
    reading_of,
    switches,
)

from earwitness.insight.findings import origins as causes
from earwitness.insight.findings.decompose import Peak
from earwitness.insight.findings.finding import Kind, Sized
from earwitness.insight.findings.origins import (
    Cabinet,
    PeakEvidence,
    gather,
    is_equalizable,
    ka_of,
    kind_of,
    on_axis_excess_phase,
    origins_of,
    sizes_db,
    vertical_contrast,
)
from earwitness.quantities import DirectionalResponse, NearField, from_orbit
from earwitness.session.record import Driver, Loudspeaker
from golden_values import stands

NAME = "insight/findings_origins"
CURVES = ("on_axis", "listening_window", "early_reflections", "sound_power", "in_room")
KINDS: tuple[Kind, ...] = ("source", "load", "port", "near_axis", "partial", "off_axis", "vertical")
SHARES = (1.0, 1.0, 0.95, 1.05, 0.52, 0.48, 0.5, 2.0, 1.95, 2.1, 0.3, 0.1, 0.01, -0.3, -0.48, -0.52, -1.0)


def evidence_of(random: np.random.Generator, about_db: float, **more: Any) -> PeakEvidence:
    def maybe(*values: float) -> float | None:
        return float(random.choice(values)) if random.random() < 0.75 else None

    direct, around = (float(random.choice(SHARES)) for _ in range(2))
    curves = {}
    for key in CURVES:
        share = direct if key in ("on_axis", "listening_window") else around
        if random.random() < 0.3:
            share = float(random.choice(SHARES))
        if random.random() < 0.88:
            curves[key] = share * about_db
    up = float(random.choice([-9.0, -7.6, -4.0, 3.0, 8.4]))
    across = float(random.choice([0.2, 0.24, 0.26, 0.3, -0.23, -0.27])) * up
    given: dict[str, Any] = {
        "curve_db": curves,
        "horizontal_db": across if random.random() < 0.85 else None,
        "vertical_db": up if random.random() < 0.85 else None,
        "equalizability": maybe(0.2, 0.76, 0.79, 0.8, 0.81, 0.86, 0.99),
        "excess_phase_deg": maybe(5.0, 19.0, 20.0, 21.0, 50.0),
        "wrinkle_percent": maybe(1.0, -2.0),
        "wrinkle_hz": None,
        "share_db": {"woofer": -2.0, "tweeter": -3.0, "port": 1.0},
        "radiator": str(random.choice(["", "", "woofer", "tweeter", "port", "unknown"])),
    }
    given["is_port"] = given["radiator"] == "port"
    return PeakEvidence(**(given | more))


@pytest.mark.parametrize("number", range(4))
def test_kinds_of_drawn_evidence(number: int) -> None:
    random = np.random.default_rng([number, 21])
    kinds, mended = [], []
    for _ in range(900):
        about = float(random.choice([-4.0, -1.0, 1.0, 4.0]))
        one = evidence_of(random, about)
        in_direct = bool(random.random() < 0.65)
        kind = kind_of(one, size_db=about, in_direct=in_direct)
        kinds.append({"near_axis": "n", "off_axis": "o"}.get(kind, kind[0]) if kind != "port" else "P")
        mended.append("".join(str(int(is_equalizable(each, one))) for each in KINDS))
    numbers = one.numbers()
    stands(NAME, f"kinds {number}", ["".join(kinds), " ".join(mended), numbers])


def only(direct: float | None, around: float | None, **more: Any) -> PeakEvidence:
    curves = {key: direct for key in ("on_axis", "listening_window") if direct is not None}
    curves |= {key: around for key in ("early_reflections", "sound_power", "in_room") if around is not None}
    given: dict[str, Any] = {
        "horizontal_db": -1.0,
        "vertical_db": -8.0,
        "equalizability": 0.9,
        "excess_phase_deg": None,
        "wrinkle_percent": None,
        "wrinkle_hz": None,
        "share_db": {},
    }
    return PeakEvidence(curve_db=curves, **(given | more))


def test_kinds_over_the_ratio_of_direct_and_reflected() -> None:
    swept = np.round(np.arange(-8.0, 9.0, 0.05), 2)
    found: dict[str, Any] = {}
    for across, even, in_direct in ((-1.0, 0.9, True), (-1.0, 0.9, False), (-6.0, 0.9, True), (-6.0, 0.5, True)):
        more: dict[str, Any] = {"horizontal_db": across, "equalizability": even}
        for size in (-2.0, 2.0):
            rows = [kind_of(only(2.0, one, **more), size_db=size, in_direct=in_direct) for one in swept]
            found[f"reflected {across} {even} {in_direct} {size}"] = switches(swept, rows)
            rows = [kind_of(only(one, 2.0, **more), size_db=size, in_direct=in_direct) for one in swept]
            found[f"direct {across} {even} {in_direct} {size}"] = switches(swept, rows)
    rows = [kind_of(only(0.1, -8.0, horizontal_db=one), size_db=-8.0, in_direct=False) for one in swept]
    found["across"] = switches(swept, rows)
    rows = [
        kind_of(only(0.1, -8.0, vertical_db=-30.0, horizontal_db=one), size_db=-8.0, in_direct=False) for one in swept
    ]
    found["across, far"] = switches(swept, rows)
    even_sweep = np.round(np.arange(0.5, 1.0, 0.01), 2)
    found["even"] = switches(
        even_sweep, [kind_of(only(2.0, 2.0, equalizability=one), size_db=2.0, in_direct=True) for one in even_sweep]
    )
    for name, direct, around in (("no direct", None, 2.0), ("no around", 2.0, None), ("neither", None, None)):
        found[name] = [kind_of(only(direct, around), size_db=2.0, in_direct=one) for one in (True, False)]
    stands(NAME, "ratios", found)


@pytest.mark.parametrize("number", range(4))
def test_causes_of_drawn_evidence(number: int) -> None:
    random = np.random.default_rng([number, 22])
    names, facts = [], []
    for _ in range(280):
        about = float(random.choice([-4.0, -2.0, 2.0, 4.0]))
        one = evidence_of(random, about)
        sizes = {}
        for key in CURVES:
            if random.random() < 0.9:
                own = float(random.choice([0.02, 0.1, 0.6]))
                sizes[key] = Sized(float(random.choice([1.0, 0.9, 0.5, 0.1, 2.0, -0.4])) * about, 1.2 * own, own)
        drivers = [
            Driver(
                name=name,
                kind=cast("Any", kind),
                diameter_m=float(random.uniform(low, 2 * low)),
                position_m=(0.0, float(random.choice([0.0, 0.03])), float(height)),
            )
            for name, kind, low, height in (
                ("woofer", "cone", 0.1, -random.uniform(0.05, 0.3)),
                ("tweeter", str(random.choice(["dome", "horn"])), 0.02, 0.0),
                ("port", str(random.choice(["port", "passive radiator"])), 0.04, -0.4),
                ("middle", "cone", 0.05, random.uniform(0.05, 0.2)),
            )[: int(random.integers(1, 5))]
        ]
        cabinet = Cabinet(
            width_m=float(random.uniform(0.16, 0.4)),
            height_m=float(random.uniform(0.25, 1.1)),
            depth_m=float(random.choice([0.06, 0.25, 0.4])),
            below_top_m=None if random.random() < 0.4 else float(random.uniform(0.05, 0.2)),
            left_m=float(random.choice([0.0, 0.02])),
            is_hollow=bool(random.random() < 0.8),
        )
        found = origins_of(
            KINDS[int(random.integers(0, len(KINDS)))],
            float(np.exp(random.uniform(np.log(150.0), np.log(6000.0)))),
            q=float(random.choice([0.8, 1.4, 1.5, 1.6, 2.9, 3.0, 3.2, 6.0])),
            size_db=about,
            sizes=sizes,
            evidence=one,
            drivers=drivers,
            cabinet=cabinet if random.random() < 0.85 else None,
        )
        names.append("".join(f"{origin.name[:2]}{origin.part[:1]}" for origin in found) or "-")
        facts += [value for origin in found for value in origin.facts.values()]
    stands(NAME, f"causes {number}", [" ".join(names), np.array(facts)])


def test_causes_over_frequency() -> None:
    """Each rule by itself, swept over the frequency, and over Q, at fine steps."""
    hz = np.geomspace(80.0, 9000.0, 700)
    box = Cabinet(0.23, 0.5, 0.31, 0.12, 0.01)
    loud, faint = Sized(4.0, 0.1, 0.1), Sized(0.5, 0.1, 0.1)
    on = {"on_axis": loud, "early_reflections": faint, "sound_power": faint}
    dip = {key: Sized(-one.size_db, 0.1, 0.1) for key, one in on.items()}
    off = {"on_axis": faint, "early_reflections": Sized(-4.0, 0.1, 0.1), "sound_power": Sized(-3.0, 0.1, 0.1)}
    told = only(4.0, 4.0, radiator="woofer", share_db={"woofer": -3.0})
    radiating = [one for one in DRIVERS if one.kind != "port"]

    def names(found: list[Any]) -> list[Any]:
        return [
            [one.name, one.part, [round(value, 6) for value in one.facts.values() if value < 40.0]] for one in found
        ]

    found: dict[str, Any] = {}
    for q in (2.9, 3.1):
        ka = [names(causes._of_radiator(float(one), q, told, DRIVERS)) for one in hz]
        found[f"maker {q}"] = [switches(hz, [row[0][0] for row in ka]), np.array([row[0][2][-1] for row in ka])]
        found[f"standing {q}"] = switches(hz, [names(causes._standing(float(one), q, told, box)) for one in hz])
    thin = Cabinet(0.03, 0.05, 0.061, 0.02)
    found["standing, thin"] = switches(hz, [names(causes._standing(float(one), 5.0, told, thin)) for one in hz])
    found["lobe"] = [
        switches(hz, [bool(causes._lobe(float(one), some)) for one in hz])
        for some in (radiating, radiating[:1], [*radiating, DRIVERS[2]])
    ]
    for size in (-4.0, 4.0):
        for name, cabinet in (("box", box), ("no top", Cabinet(0.23, 0.5, 0.31, None, -0.03)), ("narrow", thin)):
            found[f"edge {size} {name}"] = switches(
                hz, [names(causes._edge(float(one), size, on, radiating, cabinet)) for one in hz]
            )
    found["edge, off"] = [
        names(causes._edge(1000.0, 4.0, sizes, some, cabinet))
        for sizes, some, cabinet in ((off, radiating, box), ({}, radiating, box), (on, [], box), (on, radiating, None))
    ]
    for name, sizes in (("rise", on), ("dip", dip), ("off", off)):
        found[f"step {name}"] = switches(hz, [bool(causes._baffle_step(float(one), sizes, box)) for one in hz])
    found["step facts"] = [dict(one.facts) for one in causes._baffle_step(560.0, on, box)]
    for across in (-1.0, 0.0, 1.0, None):
        evidence = only(4.0, 4.0, horizontal_db=across)
        found[f"beaming {across}"] = switches(
            hz, [names(causes._beaming(float(one), off, evidence, radiating)) for one in hz]
        )
    found["beaming, else"] = [
        names(causes._beaming(1800.0, sizes, only(4.0, 4.0), some))
        for sizes, some in ((on, radiating), (dip, radiating), (off, radiating[:1]), ({}, radiating), (off, DRIVERS))
    ]
    stands(NAME, "over frequency", found)
    assert ka_of(1000.0, 0.2) == pytest.approx(pi * 0.2 * 1000.0 / 343.0)


def test_cabinets_of_loudspeakers() -> None:
    plain = {
        "name": "Invented One",
        "maker": "Invented",
        "type": "stand-mount",
        "enclosure": "closed",
        "width_m": 0.2,
        "height_m": 0.4,
        "depth_m": 0.3,
        "reference_axis": "tweeter",
        "reference_below_top_m": 0.1,
        "reference_left_m": 0.01,
    }
    rows = []
    for more in ({}, {"enclosure": "open"}, {"shape": "sphere"}, {"type": "in-wall"}):
        rows.append(Cabinet.of(Loudspeaker.model_validate(plain | more)))
    stands(NAME, "cabinets", rows)


def test_makers_by_their_share() -> None:
    swept = np.round(np.arange(-14.0, 4.0, 0.1), 2)
    found = [
        switches(swept, [causes._maker({"woofer": one}) for one in swept]),
        switches(swept, [causes._maker({"woofer": one, "port": -3.0}) for one in swept]),
        switches(swept, [causes._maker({"woofer": one, "port": -12.0, "tweeter": -20.0}) for one in swept]),
        causes._maker({}),
    ]
    stands(NAME, "makers", found)


@pytest.mark.parametrize("number", range(6))
def test_sizes_in_levels(number: int) -> None:
    random = np.random.default_rng([number, 23])
    rows = []
    for _ in range(14):
        center, q = (
            float(np.exp(random.uniform(np.log(25.0), np.log(19_000.0)))),
            float(random.choice([0.5, 0.9, 1.3, 4, 20])),
        )
        peak = Peak(center, q, float(random.choice([-5.0, 0.05, 2.0, 6.0])))
        others = [
            Peak(center * 2 ** float(random.uniform(-1.2, 1.2)), q * float(random.choice([0.3, 1.0, 3.0])), size)
            for size in (0.3 * peak.size_db, -1.5 * peak.size_db, 0.41 * peak.size_db, 0.39 * peak.size_db)
        ]
        level = np.stack([bell_db(HZ, center, q, 3.0) + 0.2 * random.normal(size=HZ.size), 0.4 * X + 0.3 * X**2 / 9])
        valid = np.ones(level.shape, dtype=bool)
        valid[1, int(random.integers(0, HZ.size))] = False
        rows.append([sizes_db(HZ, level, valid, peak, some) for some in ((), others)])
    coarse = np.geomspace(900.0, 1100.0, 15)
    for count in (7, 8, 9, 10, 15):
        some = coarse[:count]
        rows.append([sizes_db(some, np.ones((1, count)), np.ones((1, count), dtype=bool), Peak(1000.0, 6.0, 2.0), ())])
    stands(NAME, f"sizes {number}", rows)


def test_sizes_at_the_ends_of_the_data() -> None:
    """A shape is told as long as half its width lies inside on either side."""
    hz = np.geomspace(100.0, 2000.0, 300)
    level, valid = np.sin(np.arange(300.0) / 9)[None, :], np.ones((1, 300), dtype=bool)
    centers = np.geomspace(90.0, 2200.0, 500)
    rows = []
    for q in (0.6, 2.0, 8.0):
        found = [sizes_db(hz, level, valid, Peak(float(one), q, 2.0), ()) for one in centers]
        rows.append([switches(centers, [bool(told[0]) for _, told in found]), np.array([size[0] for size, _ in found])])
    stands(NAME, "ends", rows)


WAYS = ("whole", "no phase", "gated", "one orbit", "doubtful", "holes", "few")


@pytest.mark.parametrize("number", range(7))
def test_what_is_gathered(number: int) -> None:
    response = measured(number, WAYS[number])
    curves = {key: one for key, one in reading_of(response).curves.items() if key in CURVES}
    random = np.random.default_rng([number, 24])
    phase = on_axis_excess_phase(response)
    edge = -3.0 / (1 + (HZ / 60.0) ** 2)
    rows: list[Any] = [phase]
    for _ in range(3):
        center, q = (
            float(np.exp(random.uniform(np.log(200.0), np.log(1200.0)))),
            float(random.choice([0.9, 2.1, 4.0, 9.0])),
        )
        peak = Peak(center, q, float(random.choice([-3.0, 3.0])))
        rows.append(
            gather(
                curves,
                response,
                peak,
                [Peak(center * 1.5, q, 2.0)],
                edge_db=edge,
                excess_phase_rad=phase,
                impedance=impedance(number, center * 1.01, 2.0) if number % 2 else None,
                near_fields=near_fields(number, center, q, peak.size_db),
                drivers=DRIVERS,
            )
        )
    if "in_room" in curves:
        rows.append(vertical_contrast(response, curves["in_room"]))
    else:
        rows.append(vertical_contrast(response, curve_of(X, key="in_room")))
    stands(NAME, f"gathered {number}", rows)


def test_excess_phase_of_a_delay_and_of_too_little() -> None:
    base = loudspeaker(3).pressure[17]
    delayed = base * np.exp(-2j * np.pi * HZ * 1e-4)
    rows: list[Any] = []
    for valid in (HZ > 0, (HZ > 100.0) & (HZ < 790.0), (HZ > 100.0) & (HZ < 820.0), HZ < 0, HZ > 250.0):
        rows.append(causes.excess_phase(HZ, delayed, valid))
    coarse = np.geomspace(100.0, 10_000.0, 33)
    for count in (30, 31, 32, 33):
        some = coarse[:count]
        at = np.interp(some, HZ, np.abs(base)) * np.exp(-1j * some / 900.0)
        rows.append(causes.excess_phase(some, at.astype(complex), np.ones(count, dtype=bool)))
    stands(NAME, "excess phase", rows)


def test_departure_of_phase_over_widths() -> None:
    phase = 2e-3 * HZ + 0.4 * np.exp(-((np.log2(HZ / 1000.0) / 0.2) ** 2)) + 0.1 * X**2
    rows = [causes._phase_departure_deg(HZ, phase, Peak(1000.0, float(q), 2.0)) for q in np.geomspace(0.3, 30.0, 30)]
    counts = []
    for count in range(5, 13):
        some = np.geomspace(990.0, 1010.0, count)
        counts.append(causes._phase_departure_deg(some, 1e-3 * some**1.5, Peak(1000.0, 2.0, 2.0)))
    stands(NAME, "departure", [np.array(rows), counts])


def test_wrinkles_inside_the_width() -> None:
    away = np.round(np.arange(-0.4, 0.4, 0.01), 3)
    one = impedance(2, 800.0, 3.0)
    rows: list[Any] = []
    for q in (0.5, 1.8, 4.0, 12.0):
        found = [causes._wrinkle(one, Peak(800.0 * 2.0 ** float(octaves), q, 2.0)) for octaves in away]
        rows.append(switches(away, [None if each is None else round(each.percent, 4) for each in found]))
    rows.append(causes._wrinkle(None, Peak(800.0, 2.0, 2.0)))
    stands(NAME, "wrinkles", rows)


def test_shares_of_near_fields() -> None:
    response = loudspeaker(5)
    rows: list[Any] = []
    for q, size in ((1.9, 4.0), (2.0, 4.0), (2.1, 4.0), (6.0, -4.0), (6.0, 4.0)):
        peak = Peak(500.0, q, size)
        fields = (*near_fields(5, 500.0, q, size), NearField("unknown", AXIS, X, X, 20.0, 900.0))
        holed = NearField("tweeter", AXIS, np.where(HZ > 480.0, np.nan, fields[0].level_db), X, 20.0, 900.0)
        drivers = [DRIVERS[0].model_copy(update={"count": 3}), *DRIVERS[1:]]
        rows.append(causes._shares([*fields, holed], drivers, response, peak))
        rows.append(
            [
                causes._added_db(HZ, size * np.sin(7 * X), X > -9, peak),
                causes._added_db(HZ, bell_db(HZ, 510.0, q, size), X > -9, peak),
            ]
        )
    stands(NAME, "shares", rows)


def test_equalizability_by_directions() -> None:
    """m^2 / (m^2 + s^2) needs three directions of the window: 30 degrees across, 10 up and down."""
    random = np.random.default_rng(25)
    response = loudspeaker(1)
    size, told = random.normal(1.0, 0.5, len(response.pressure)), np.ones(len(response.pressure), dtype=bool)
    rows: list[Any] = [causes._equalizability(response, size, told)]
    for count in (1, 2, 3, 4):
        some = np.zeros_like(told)
        some[[17, 18, 16, 15][:count]] = True
        rows.append(causes._equalizability(response, size, some))
    rows.append(causes._equalizability(response, np.zeros_like(size), told))
    for few in (3, 4, 5):
        part = np.zeros((len(told), HZ.size), dtype=bool)
        part[:few] = True
        rows.append(causes._off_axis_db(response, response.level_db(), part, "horizontal"))
    stands(NAME, "equalizability", rows)


def test_half_a_degree_is_no_other_direction() -> None:
    """Turntables stop within half a degree: 0.45 is the axis, 0.52 is not; 30.45 is in the window, 30.52 is not."""
    random = np.random.default_rng(26)
    rows = []
    for away in (0.45, 0.52, 0.58, 30.45, 30.52, 30.58):
        angle = np.array([0.0, away, 10.0, 20.0, 40.0, 60.0, 90.0, 150.0])
        shape = (angle.size, HZ.size)
        level = random.normal(0.0, 3.0, (angle.size, 1)) + 0.0 * X
        nothing = np.zeros(shape)
        one = DirectionalResponse(
            AXIS,
            from_orbit("horizontal", angle),
            (10 ** (level / 20)).astype(complex),
            nothing,
            nothing[0],
            nothing == 0,
        )
        known = nothing == 0
        rows.append(
            [
                causes._off_axis_db(one, level, known, "horizontal"),
                causes._equalizability(one, level[:, 0], known[:, 0]),
                causes._off_axis_db(one, level, known & (np.arange(angle.size)[:, None] < 5), "horizontal"),
            ]
        )
    stands(NAME, "half a degree", rows)


def test_wide_shapes_stand_on_a_straight_line_and_narrow_ones_on_a_bent_one() -> None:
    bent, every = (2.0 * X**2)[None, :], np.ones((1, HZ.size), dtype=bool)
    q = np.round(np.arange(0.9, 1.5, 0.01), 3)
    stands(NAME, "bent", np.array([sizes_db(HZ, bent, every, Peak(1000.0, float(one), 2.0), ())[0][0] for one in q]))


def test_directions_without_a_level_give_no_contrast_of_their_own() -> None:
    """In an orbit with a hole the direction is left out, whatever stands in its place."""
    response = measured(2, "holes")
    found = vertical_contrast(response, curve_of(X, key="in_room"))
    pressure = response.pressure.copy()
    pressure[50, 60:80] = 0.0
    stands(
        NAME, "contrast", [found, vertical_contrast(replace(response, pressure=pressure), curve_of(X, key="in_room"))]
    )
