"""The whole reading of a response and of a measurement, over a population of loudspeakers and layouts.

The values in tests/golden/figures/read.json are the program's own (frozen): every figure with its method, curves,
reasons and choices.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from closed_form_fields import bare_measurement
from field_worlds import causes_of, field, layouts
from figure_worlds import closed_load, loudspeaker, of_figure, off_octaves
from take_worlds import burst, multitone, noise_run, series

from earwitness.figures import angles, bandwidth, linearity, maps, sensitivity
from earwitness.figures.read import (
    _bands,
    _bass_limits,
    _direct_figures,
    _linearities,
    _Orbits,
    _read_orbit,
    _sensitivities,
    balance_figures,
    levels_of,
    read_measurement,
    read_response,
)
from earwitness.figures.uncertainty import alone, exact
from earwitness.figures.windows import windows
from earwitness.quantities import Average, DirectionalResponse, Figure, Reading, cta_orbits, from_orbit, log_axis
from earwitness.standards.cta2010 import MASKS
from golden_values import stands

NAME = "figures/read"
LAYOUTS = layouts()
WIDE = off_octaves(25.0, 20_000.0, 8)


def _told(reading: Reading) -> list[object]:
    figures = [of_figure(one)[:6] for one in reading.figures.values()]
    curves = np.array([[float(np.sum(part)) for part in (one.values * one.valid, one.u, one.u_common, one.valid)]
                       for one in reading.curves.values()])  # fmt: skip
    kept = {key: one for key, one in reading.choices.items() if "filled" not in key}
    return [figures, list(reading.curves), curves, reading.missing, kept, sorted(set(reading.choices) - set(kept))]


@pytest.mark.parametrize("name", ["all in 15", "across", "half across", "axis", "no axis", "twice", "uneven"])
def test_layouts(name: str) -> None:
    random = np.random.default_rng([171, list(LAYOUTS).index(name)])
    one = field(random, LAYOUTS[name], WIDE, caused=name in ("across", "twice"), absolute=name != "uneven")
    found = read_response(one, symmetric=name == "half across", rated_impedance_ohm=4.0 if len(name) > 5 else None)
    stands(NAME, name, _told(found))


@pytest.mark.parametrize("seed", range(4))
def test_a_population(seed: int) -> None:
    random = np.random.default_rng([172, seed])
    one = field(random, cta_orbits(), WIDE, caused=seed == 1, invalid=(0.0, 0.0, 0.2, 0.05)[seed], half_space=seed == 3,
                absolute=seed != 2, reference="input -3.8 dBu" if seed == 1 else "")  # fmt: skip
    if seed == 0:
        cut = one.valid & (WIDE.hz > 70.0)
        one = replace(one, valid=cut)
    found = read_response(one, rear_wall="3" if seed == 1 else "all 19", rated_impedance_ohm=6.0)
    stands(NAME, f"loudspeaker {seed}", [_told(found), [one.caveats for one in found.figures.values()]])


def test_words_of_every_figure() -> None:
    """Methods and bands of each, which hold the limits that they are taken with."""
    one = field(np.random.default_rng(173), cta_orbits(), WIDE)
    axis = field(np.random.default_rng(173), from_orbit("horizontal", [0.0]), WIDE, absolute=False)
    told: list[Any] = [read_response(one), read_response(axis)]
    stands(NAME, "methods", [[[key, one.method, one.band_hz] for key, one in each.figures.items()] for each in told])
    assert [each.figures["sensitivity"].band_hz for each in told] == [(300.0, 3000.0)] * 2
    assert sensitivity.SENSITIVITY_BAND_HZ == (300.0, 3000.0)
    assert (bandwidth.START_HZ, bandwidth.UPPER_START_HZ) == (300.0, 3000.0)
    assert linearity.LINEARITY_BAND_HZ == (100.0, 10_000.0)
    assert linearity.CORRIDORS_DB == {"1p5db": 1.5, "3db": 3.0}
    assert (maps.DROPS_DB, maps.NOMINAL_BAND_HZ, angles.WIDEST_GAP_DEG) == ((3, 6), (1000.0, 10_000.0), 30.0)


@pytest.mark.parametrize("seed", range(3))
def test_averages_in_place_of_directions(seed: int) -> None:
    random = np.random.default_rng([174, seed])
    one = field(random, from_orbit("horizontal", [0.0]), WIDE, absolute=seed != 1)
    one = replace(one, causes=causes_of(random, (1, len(WIDE)), pulled=False) if seed else ())
    pressure = one.pressure.copy()
    if seed == 2:
        pressure[0, 3] = 0.0
    one = replace(one, pressure=pressure)
    level = 20 * np.log10(np.abs(one.pressure[0]) + 1e-9)
    keys = (("listening_window", "sound_power", "early_reflections"), ("sound_power",), ("listening_window", "floor"))[
        seed
    ]
    averages = [
        Average(key, level - 2.0 - row, np.full(len(WIDE), 0.3), WIDE.hz > 40.0) for row, key in enumerate(keys)
    ]
    stands(NAME, f"averages {seed}", _told(read_response(one, averages=averages)))


def test_levels_that_are_not_there() -> None:
    one = field(np.random.default_rng(175), LAYOUTS["half across"], WIDE)
    pressure, u, common = one.pressure.copy(), one.u_db.copy(), one.u_common_db.copy()
    pressure[3, 5] = 0.0
    u[4, 6] = np.inf
    common[9] = np.nan
    odd = replace(one, pressure=pressure, u_db=u, u_common_db=common)
    told: list[Any] = []
    for each in (
        odd,
        replace(odd, absolute=False),
        replace(odd, reference="input 0 dBu"),
        replace(odd, half_space=True),
    ):
        found = levels_of(each)
        told.append(
            [found.level_db, found.u_db, found.u_common_db, found.valid, found.known, found.reference, found.half_space]
        )
    cut = replace(one, absolute=False, valid=one.valid & (WIDE.hz > 400.0))
    told.append([levels_of(cut).level_db, levels_of(cut).reference])
    aside = field(np.random.default_rng(176), LAYOUTS["no axis"], WIDE, absolute=False)
    told.append([levels_of(aside).level_db, levels_of(aside).reference])
    stands(NAME, "levels", told)


def test_parts_of_the_reading() -> None:
    hz = np.arange(1.0, 20.0) * 100
    masks = [np.zeros(19, dtype=bool), np.ones(19, dtype=bool), np.arange(19) % 3 == 0, np.arange(19) % 6 == 1]
    masks += [np.isin(np.arange(19), (0, 4, 5, 9, 13)), np.arange(19) == 18]
    told: list[Any] = [_bands(mask, hz) for mask in masks]
    reference = Figure("sensitivity", 86.4, 0.3, "dB", (300.0, 3000.0), "mean", interval=(85.9, 87.1), lineage=("s",))
    for each in (
        reference,
        replace(reference, interval=None),
        replace(reference, value=None, u=None, reason="why", interval=None),
    ):
        for absolute in (True, False):
            for ohm in (None, 4.0):
                found = _sensitivities(each, absolute=absolute, rated_impedance_ohm=ohm)
                told.append([[of_figure(one), one.method, one.unit] for one in found.values()])
    curve = exact(alone(loudspeaker(np.random.default_rng(177)), 3).curve)
    refused = replace(reference, value=None, u=None, reason="why", interval=None)
    told.append([[of_figure(one), one.lineage] for one in _bass_limits(curve, refused, np.array([86.0])).values()])
    told.append([[of_figure(one), one.lineage] for one in _linearities(curve, refused, np.array([86.0])).values()])
    stands(NAME, "parts", told)


def test_balance() -> None:
    measured = levels_of(field(np.random.default_rng(178), cta_orbits(), WIDE, caused=True))
    found = windows(measured)
    told = {key: of_figure(one) for key, one in balance_figures(measured, found).items()}
    short = windows(measured, only=("on_axis",))
    short.missing.update(dict.fromkeys(("listening_window", "sound_power", "in_room", "sound_power_di"), "not asked"))
    less = {key: of_figure(one) for key, one in balance_figures(measured, short).items()}
    none = windows(measured, only=())
    none.missing.update(
        dict.fromkeys(("on_axis", "in_room", "listening_window", "sound_power", "sound_power_di"), "gone")
    )
    told_none = [of_figure(one) for one in _direct_figures(none, {}, absolute=True, rated_impedance_ohm=4.0).values()]
    stands(NAME, "balance", [told, less, told_none])


def _measured(random: np.random.Generator, one: DirectionalResponse, **facts: Any) -> Reading:
    axis = log_axis(10.0, 20_500.0, 48)
    measurement = bare_measurement(
        one, harmonics=tuple(series(random, levels=2)), multitones=(multitone(random, 2.0),),
        bursts=tuple(burst(random, hz, 2.0) for hz in (40.0, 50.0, 63.0, 20.0, 25.0, 31.5)),
        noise_runs=(noise_run(random, 4.0),), impedance=closed_load(random, axis),
    )  # fmt: skip
    return read_measurement(measurement, **facts)


@pytest.mark.parametrize("seed", range(3))
def test_whole_measurements(seed: int) -> None:
    random = np.random.default_rng([179, seed])
    one = field(random, from_orbit("horizontal", [-10.0, 0.0, 10.0]), off_octaves(20.0, 16_000.0, 12))
    facts: list[dict[str, object]] = [
        {},
        {"rated_impedance_ohm": 4.0, "enclosure": "closed", "rated_band_hz": (40.0, 15_000.0), "seat_m": 2.5,
         "own_level_db": 90.0, "mask": MASKS["A"]},
        {"kinds": ("subwoofer", "powered"), "liters": 40.0, "full_scale_dbu": 20.0, "enclosure": "closed"},
    ]  # fmt: skip
    if seed == 2:
        one = replace(one, reference="input 0 dBu", reference_v=0.775)
    found = _measured(random, one, **facts[seed])
    figures = [of_figure(one)[:6] for one in found.figures.values()]
    told: list[Any] = [
        figures,
        list(found.curves),
        found.missing if seed == 2 else sorted(found.missing),
        sorted(found.choices),
    ]
    stands(NAME, f"measurement {seed}", told, relative=1e-3)


def test_without_an_impedance() -> None:
    one = field(np.random.default_rng(180), from_orbit("horizontal", [0.0]), off_octaves(20.0, 16_000.0, 6))
    found = read_measurement(bare_measurement(one))
    told: list[Any] = [[key, one.value, one.reason[:50]] for key, one in found.figures.items()]
    stands(NAME, "no impedance", [told, list(found.curves), sorted(found.missing), sorted(found.choices)])


def test_why_an_orbit_gives_no_angle() -> None:
    """As loud all around at some frequencies, at the others not known; or not known anywhere."""
    directions = from_orbit("horizontal", np.arange(-170.0, 181.0, 10.0))
    base = field(np.random.default_rng(181), directions, WIDE)
    even = replace(base, pressure=np.full(base.pressure.shape, 0.02 + 0j))
    told = []
    for valid in (np.ones(base.valid.shape, dtype=bool), np.broadcast_to(WIDE.hz > 1000.0, base.valid.shape)):
        for behind in (True, False):
            inside = valid & (behind | (np.abs(np.arange(-170.0, 181.0, 10.0)) < 100.0))[:, None]
            found = _Orbits({}, {}, {}, {}, {})
            _read_orbit(levels_of(replace(even, valid=inside)), "horizontal", found)
            told.append([found.missing, sorted(found.curves), found.choices])
    stands(NAME, "no angle", told)
