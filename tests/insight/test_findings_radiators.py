"""Whose resonance it is: near fields of a cone and a port with what leaks from one into the other, by formula.

A radiator of radius a gives p_near a / 4 at 1 m in full space and up to twice that on a baffle (Keele 1974, from
memory); a point at distance d hears a / (4 d) of the near field of a cone beside it, or twice that on a baffle.
"""

from __future__ import annotations

import numpy as np
import pytest
from test_findings_kinds import AXIS, HZ, at, findings, peaking

from earwitness.insight.findings import Finding
from earwitness.quantities import NearField
from earwitness.session.record import Driver

CONE_M, PORT_M = 0.065, 0.025


def case(seed: int, maker: str) -> tuple[float, Finding]:
    """A finding of a resonance that one of the two makes, and its frequency."""
    rng = np.random.default_rng([seed, len(maker)])
    center, q, gain = rng.uniform(250.0, 700.0), rng.uniform(4.0, 10.0), rng.uniform(2.5, 5.0)
    lift = 10 ** (rng.uniform(0.0, 6.0) / 20)
    x = HZ / 60.0
    cone = -12.0 * x**2 / (1 - x**2 + 1.4j * x)
    port = 12.0 / (1 - x**2 + 0.7j * x)
    far = {"woofer": CONE_M / 4 * lift, "port": PORT_M / 4 * lift}
    if maker == "woofer":
        cone = cone * peaking(center, q, gain)
    else:
        # A pipe resonance of the port: what it adds on axis has `gain` over the cone.
        band = (1j * HZ / center / q) / (1 - (HZ / center) ** 2 + 1j * HZ / center / q)
        beneath = (cone * far["woofer"])[np.argmin(np.abs(HZ - center))]
        port = port + (10 ** (gain / 20) - 1) * band * beneath / far["port"]
    apart = rng.uniform(0.12, 0.3)
    share = rng.uniform(1.0, 2.0)
    heard = {"woofer": cone + share * PORT_M / (4 * apart) * port, "port": port + share * CONE_M / (4 * apart) * cone}
    whole = np.ones((70, 1)) * (cone * far["woofer"] + port * far["port"])
    near = tuple(
        NearField(name, AXIS, 20 * np.log10(np.abs(field)), np.unwrap(np.angle(field)), 20.0, 1500.0)
        for name, field in heard.items()
    )
    drivers = (
        Driver(name="woofer", kind="cone", diameter_m=2 * CONE_M),
        Driver(name="port", kind="port", diameter_m=2 * PORT_M),
    )
    found = [one for one in findings(whole, near_fields=near, drivers=drivers) if one.q is not None and one.q > 2.0]
    return center, at(tuple(found), center)


@pytest.mark.parametrize("maker", ["woofer", "port"])
def test_the_maker_is_named_whatever_leaks(maker: str) -> None:
    """All of 6 random pairs each are named right, and none is given to the other, though both near fields hold
    the bump: in the port's it stands 4 dB and more high as leak of the cone."""
    named = [case(seed, maker)[1] for seed in range(6)]
    other = {"woofer": "port", "port": "woofer"}[maker]
    assert not [one for one in named if one.radiator == other]
    assert sum(one.radiator == maker for one in named) == 6
    kinds = {one.kind for one in named if one.radiator == maker}
    assert kinds == ({"port"} if maker == "port" else {"source"})
    words = "The near field of the woofer makes it" if maker == "woofer" else "a resonance of the port"
    assert all(words in one.sentence for one in named if one.radiator == maker)


def test_a_bump_in_a_near_field_40_db_down_names_nobody() -> None:
    """The port's near field holds the midrange's resonance at twice its height, 40 dB under what could make it."""
    flawed = 0.2 * np.ones((70, 1)) * peaking(500.0, 6.0, 4.0)
    faint = -40.0 + 20 * np.log10(0.2 * 4 / PORT_M) + 20 * np.log10(np.abs(peaking(500.0, 6.0, 8.0)))
    port = NearField("port", AXIS, faint, np.zeros(HZ.size), 20.0, 1500.0)
    drivers = (Driver(name="port", kind="port", diameter_m=2 * PORT_M),)
    one = at(findings(flawed, near_fields=(port,), drivers=drivers), 500.0)
    assert (one.kind, one.radiator) == ("source", "")
    loud = NearField("port", AXIS, faint + 36.0, np.zeros(HZ.size), 20.0, 1500.0)
    assert at(findings(flawed, near_fields=(loud,), drivers=drivers), 500.0).kind == "port"
