"""Near field and gated far field over the whole band: frozen values of the join over small invented loudspeakers.

The values are the program's own ("frozen"). Closed cases: raised cosines, root sums of squares.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from earwitness.quantities import Cause, Gate, Splice, from_orbit
from earwitness.reduce import join as joining
from earwitness.reduce.gate import Spectra
from earwitness.reduce.join import FarField, join, near_share
from earwitness.reduce.nearfield.body import NearPart, body_of
from earwitness.reduce.nearfield.total import Bass, bass_of, seated
from earwitness.reduce.plan import ReduceSettings
from earwitness.session.record import Driver, Loudspeaker
from golden_values import stands

C = 343.0
HZ = np.geomspace(22.0, 2400.0, 72)
DIRECTIONS = from_orbit("horizontal", [0.0, 60.0, 180.0])
GATE = Gate(-1e-3, 6e-3, 2.4e-3, 6.2e-3, "room dimensions", 200.0)
FREE = Gate(-1e-3, 0.2, 0.08, None, "anechoic", 6.0)


def driver(name: str, kind: str, radius_m: float, place: tuple[float, float, float]) -> Driver:
    return Driver.model_validate({"name": name, "kind": kind, "diameter_m": 2 * radius_m, "position_m": place})


# On the sphere that holds as much as the box: 12.9 cm.
WOOFER = driver("woofer", "cone", 0.05, (-0.009, 0.0, -0.047))
PORT = driver("port", "port", 0.018, (-0.129, 0.0, -0.129))
PASSIVE = driver("passive", "passive radiator", 0.04, (-0.129, 0.129, 0.0))


def loudspeaker(*drivers: Driver, **more: Any) -> Loudspeaker:
    told = {
        "name": "One",
        "maker": "None",
        "type": "other",
        "enclosure": "closed",
        "reference_axis": "ahead",
        "shape": "sphere",
        "width_m": 0.16,
        "height_m": 0.28,
        "depth_m": 0.2,
        "driver": [one.model_dump() for one in drivers],
        **more,
    }
    return Loudspeaker.model_validate(told)


def plan_of(
    told: Loudspeaker,
    *,
    gate: Gate = GATE,
    known: bool = True,
    half_space: bool = False,
    band: tuple[float, float] = (20.0, 20_000.0),
    rate_hz: int = 48_000,
    **settings: Any,
) -> Any:
    session = SimpleNamespace(loudspeaker=told, environment=SimpleNamespace(half_space=half_space))
    return SimpleNamespace(
        axis=SimpleNamespace(hz=HZ),
        settings=replace(ReduceSettings(), **settings),
        session=session,
        gate=gate,
        band_hz=band,
        rate_hz=rate_hz,
        speed_m_s=C,
        time_is_known=known,
    )


def flows(count: int, port_db: float = 0.0) -> NDArray[Any]:
    """(P, F) of cone and port of a vented box, the port by the lumped circuit; of a closed one without."""
    cone = (1j * HZ / 60) ** 2 / ((1j * HZ / 60) ** 2 + 1.1j * HZ / 60 + 1)
    if count == 1:
        return np.asarray(cone[None] * 30)
    x = 1j * HZ / 42.0
    cone = 1 / (1 + 1.3j * HZ / 55 - (HZ / 55) ** 2) * (1j * HZ / 55) ** 2
    return np.asarray(30 * np.array([cone, -cone / ((x + 1 / 40) * (x + 1 / 12) + 1) * 10 ** (port_db / 20)]))


def made(
    plan: Any,
    drivers: tuple[Driver, ...],
    *,
    gain_db: float = 0.0,
    late_s: float = 0.0,
    port_db: float = 0.0,
    distance_m: float = 1.0,
) -> tuple[FarField, tuple[NearPart, ...]]:
    """A far field that is the bass of the near fields, with ripples of its own, and what shorter gates see."""
    body = body_of(plan.session.loudspeaker, half_space=plan.session.environment.half_space)
    parts = tuple(NearPart(one, np.ones(HZ.size, complex), 0.004) for one in drivers)
    seats = seated(parts, body)
    assert not isinstance(seats, str), seats
    bass = bass_of(parts, HZ, body, seats, DIRECTIONS, speed_of_sound=C, distance_m=distance_m)
    assert isinstance(bass, Bass), bass
    strengths = flows(len(drivers), port_db)
    heard = np.einsum("fij,jf->if", bass.fields.reading, strengths)
    assert bass.fields.there is not None
    far = np.einsum("dfp,pf->df", bass.fields.there, flows(len(drivers)))
    rng = np.random.default_rng(1)
    ripple = 10 ** (np.cumsum(rng.normal(0, 0.03, far.shape), axis=1) / 20)
    far = far * ripple * 10 ** (gain_db / 20) * np.exp(-2j * np.pi * HZ * late_s)
    cut = 1 / (1 + (60.0 / HZ) ** 4)
    shorter = tuple(far * (1 + share * (0.1 + 0.05j) * (150 / HZ)) for share in (0.5, 1.0))
    snr = np.clip(20 * np.log10(HZ / 20.0) * 20 + 5, 0, 60) * np.ones((3, 1))
    wide = np.maximum(3.0 * (90 / HZ) ** 2, 0.02) * np.array([[1.0], [1.5], [2.0]])
    spectra = Spectra(
        far * cut, 0.5 * (150 / HZ) * np.array([[1.0], [-1.0], [2.0]]), wide, snr, () if plan.gate is FREE else shorter
    )
    near = tuple(replace(part, pressure=heard[n]) for n, part in enumerate(parts))
    return FarField(DIRECTIONS, far * cut, spectra, 0, distance_m), near


CASES: dict[str, tuple[tuple[Driver, ...], dict[str, Any], dict[str, Any], dict[str, Any]]] = {
    "closed": ((WOOFER,), {}, {}, {}),
    "unknown time": ((WOOFER,), {}, {"known": False}, {"gain_db": 2.0}),
    "free field": ((WOOFER,), {}, {"gate": FREE}, {}),
    "free and open": ((WOOFER,), {"enclosure": "open"}, {"gate": FREE}, {}),
    "open": ((WOOFER,), {"enclosure": "open"}, {}, {}),
    "vented": ((WOOFER, PORT), {"enclosure": "vented"}, {}, {}),
    "vented loud": ((WOOFER, PORT), {"enclosure": "vented"}, {"known": False}, {"port_db": 2.5}),
    "vented wrong": ((WOOFER, PORT), {"enclosure": "vented"}, {}, {"port_db": 7.0}),
    "vented alone": ((WOOFER,), {"enclosure": "vented"}, {}, {}),
    "passive": ((WOOFER, PASSIVE), {"enclosure": "passive radiator"}, {}, {}),
    "other": ((WOOFER,), {"shape": "other"}, {}, {}),
    "wall": ((driver("woofer", "cone", 0.05, (0.0, 0.0, -0.05)),), {"shape": "box"}, {"half_space": True}, {}),
    "loud": ((WOOFER,), {}, {}, {"gain_db": 8.0}),
    "farther": ((WOOFER,), {}, {}, {"late_s": 4e-4}),
    "nearer": ((WOOFER,), {}, {"splice_low_hz": 150.0, "splice_high_hz": 420.0}, {"late_s": -5e-4, "distance_m": 2.5}),
    "band": ((WOOFER,), {}, {"band": (60.0, 1500.0), "lowest_snr_db": 40.0, "highest_gate_u_db": 0.1}, {}),
    "rate": ((WOOFER,), {}, {"rate_hz": 4000, "band_margin": 1.2}, {}),
}


@pytest.mark.parametrize("name", list(CASES))
def test_joints(name: str) -> None:
    drivers, told, planned, far_told = CASES[name]
    plan = plan_of(loudspeaker(*drivers, **told), **planned)
    far, near = made(plan, drivers, **far_told)
    snr = np.linspace(55.0, 30.0, HZ.size)
    for shared in (True,) if name in ("other", "wall", "rate") else (True, False):
        found = join(plan, far, near, snr, shared=shared)
        causes = [[one.name, one.source, one.pull_db] for one in found.causes]
        stands(
            "reduce/join",
            f"{name} {shared}",
            [
                found.pressure,
                found.u_db,
                causes,
                found.snr_db,
                found.valid,
                found.splice,
                found.flags,
                found.tuning_hz,
            ],
            relative=1e-4,
            near_zero=1e-7,
        )


def test_without_near_fields() -> None:
    plan = plan_of(loudspeaker(WOOFER))
    far, _near = made(plan, (WOOFER,))
    found = join(plan, far, (), np.full(HZ.size, 30.0), shared=True)
    free = join(plan_of(loudspeaker(WOOFER), gate=FREE), far, (), np.full(HZ.size, 30.0), shared=True)
    stands(
        "reduce/join",
        "alone",
        [found.causes, found.valid, found.u_db, found.flags, found.splice, free.causes, free.valid, free.tuning_hz],
    )


def test_weights_of_the_near_field() -> None:
    report = Splice(200.0, 800.0, 0.0, 0.0, 0.0, 0.0, 0.0, False, "")
    assert near_share(np.array([100.0, 200.0, 400.0, 800.0, 900.0]), report) == pytest.approx([1.0, 1.0, 0.5, 0.0, 0.0])
    stands("reduce/join", "share", near_share(HZ, report))


def test_bands() -> None:
    found: list[Any] = [
        joining._in_band(plan_of(loudspeaker(WOOFER), band=band, rate_hz=rate, band_margin=margin))
        for band in ((20.0, 1000.0), (50.0, 20_000.0))
        for rate in (2000, 48_000)
        for margin in (1.05, 1.5)
    ]
    limits = [
        joining._limits(
            plan_of(loudspeaker(*drivers), **settings), [NearPart(one, np.ones(1, complex), 0.0) for one in drivers]
        )
        for drivers in ((), (WOOFER,), (WOOFER, PORT))
        for settings in ({}, {"splice_low_hz": 77.0}, {"splice_high_hz": 333.0}, {"half_space": True})
    ]
    stands("reduce/join", "bands", [found, limits])


def test_what_is_known_before_they_meet() -> None:
    pull = np.linspace(0.1, 0.5, HZ.size) * np.array([[1.0], [2.0], [3.0]])
    moved = [Cause(name="cabinet", source="a", pull_db=pull), Cause(name="gap", source="b", pull_db=0.5 * pull)]
    gates = [
        Cause(name="gate", source="c", pull_db=0.3 * pull),
        Cause(name="gate and bass", source="d", pull_db=0.2 * pull[:1]),
    ]
    far: Any = SimpleNamespace(on_axis_row=1)
    two: Any = ((1,), (1, 2))
    verdicts: Any = (None, object())
    found: list[Any] = []
    for shape in ("box", "other"):
        for known in (True, False):
            for parts in two:
                for verdict in verdicts:
                    found.append(
                        joining._levels(
                            plan_of(loudspeaker(WOOFER, shape=shape), known=known), far, moved, gates, verdict, parts
                        )
                    )
    stands("reduce/join", "levels", found)
    # Root sums of squares: chain 0.15 dB, far field 0.12 dB.
    near = found[0].near_u_db
    assert near == pytest.approx(np.sqrt(0.15**2 + (0.5 * pull[1]) ** 2))
    assert found[0].far_u_db == pytest.approx(
        np.sqrt(0.12**2 + pull[1] ** 2 + (0.3 * pull[1]) ** 2 + (0.2 * pull[0]) ** 2)
    )


def test_causes_where_they_act() -> None:
    pull = np.linspace(0.1, 0.5, HZ.size) * np.array([[1.0], [2.0], [3.0]])
    share = np.linspace(1.0, 0.0, HZ.size)
    report = Splice(200.0, 500.0, 0.0, 0.0, 0.0, 0.0, 0.0, False, "")
    result: Any = SimpleNamespace(report=report, share=0.4, causes=())
    found = joining._blended(
        [Cause(name="gate", source="c", pull_db=pull)],
        [Cause(name="gap", source="b", pull_db=pull)],
        result,
        share,
        HZ,
        1,
    )
    inside = (HZ >= 200.0) & (HZ <= 500.0)
    assert found[0].pull_db == pytest.approx(pull * (1 - share))
    assert found[1].pull_db == pytest.approx((pull - 0.4 * pull[1, inside].mean()) * share)


@pytest.mark.parametrize("distance_m", [0.5, 1.0, 1.7, 1.85, 3.0])
def test_distances_by_the_bass(distance_m: float) -> None:
    plan: Any = plan_of(loudspeaker(WOOFER))
    bass: Any = SimpleNamespace(far=lambda: np.ones((1, HZ.size), complex))
    far: Any = SimpleNamespace(on_axis_row=0, distance_m=distance_m)
    found: list[Any] = []
    for off in (-0.2, -0.14, -0.13, -0.085, -0.078, 0.05, 0.078, 0.0815, 0.09, 0.13, 0.137, 0.2):
        heard = np.exp(-2j * np.pi * HZ * off / C)[None]
        for turned in (1.0, -1.0):
            found.append(joining._apart_flags(plan, far, turned * heard, bass, (100.0, 400.0)))
    for high in (115.0, 119.0, 121.0, 130.0):
        found.append(joining._apart_flags(plan, far, heard, bass, (100.0, high)))
    stands("reduce/join", f"distance {distance_m}", found)


def test_flags_of_the_reference() -> None:
    found: list[Any] = []
    for seed in range(4):
        effect = np.random.default_rng(seed).normal(0, 0.5, HZ.size)
        effect[:20] *= 9
        found += [joining._distance_flag(effect, plan_of(loudspeaker(WOOFER), gate=gate)) for gate in (GATE, FREE)]
    found += [
        joining._no_splice("Because.", 200.0, 500.0, plan_of(loudspeaker(WOOFER), gate=gate)) for gate in (GATE, FREE)
    ]
    stands("reduce/join", "flags", found)


def test_a_port_is_set_by_its_cone() -> None:
    drivers = (WOOFER, PORT)
    found: list[Any] = []
    for port_db in (-6.0, -1.0, 0.0, 1.0, 3.0):
        plan = plan_of(loudspeaker(*drivers, enclosure="vented"))
        far, near = made(plan, drivers, port_db=port_db)
        bass = joining._bass(plan, far, near)
        assert isinstance(bass, Bass)
        snr = np.full(HZ.size, 50.0)
        changed, verdict = joining._port_checked(plan, bass, snr)
        settle = joining._settler(bass, snr)
        found.append(
            [
                changed if isinstance(changed, str) else changed.strengths,
                verdict,
                [part.pressure for part in settle(1.05 * bass.fields.reading)],
            ]
        )
        turned = [replace(part, pressure=-part.pressure) if part.is_port else part for part in bass.parts]
        over = replace(bass, parts=tuple(turned))
        found.append([part.pressure for part in joining._settler(over, snr)(bass.fields.reading)])
        found.append([part.pressure for part in joining._settler(bass, 0 * snr)(bass.fields.reading)])
    closed = plan_of(loudspeaker(*drivers, enclosure="other"))
    assert isinstance(bass, Bass)
    assert joining._port_checked(closed, bass, snr) == (bass, None)
    stands("reduce/join", "ports", found, relative=1e-4)
