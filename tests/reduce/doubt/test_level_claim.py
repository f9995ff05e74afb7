"""A maker's claim for 1 W as one for 2.83 V: by Ohm's law 2.83 V are 8 / R watt."""

from __future__ import annotations

import pytest

from earwitness.reduce.doubt.level import claimed_db
from earwitness.session.record import Loudspeaker

FACTS = {
    "name": "Box", "maker": "Nobody", "type": "monitor", "enclosure": "closed", "width_m": 0.2, "height_m": 0.3,
    "depth_m": 0.25, "reference_axis": "tweeter",
}  # fmt: skip


def claiming(quantity: str, ohm: float | None) -> Loudspeaker:
    claim = {"quantity": quantity, "value": 86.0, "unit": "dB"}
    return Loudspeaker.model_validate({**FACTS, "rated_impedance_ohm": ohm, "claim": [claim]})


@pytest.mark.parametrize(("ohm", "more_db"), [(4.0, 3.0103), (8.0, 0.0), (16.0, -3.0103)])
def test_a_claim_for_one_watt_is_referred_to_the_voltage(ohm: float, more_db: float) -> None:
    assert claimed_db(claiming("sensitivity 1 W", ohm)) == pytest.approx(86.0 + more_db, abs=1e-4)


def test_a_claim_for_the_voltage_stands_and_one_without_impedance_says_nothing() -> None:
    assert claimed_db(claiming("sensitivity", 4.0)) == 86.0
    assert claimed_db(claiming("sensitivity 1 W", None)) is None
