"""What a kind of loudspeaker cannot have is not listed as refused; the table names only what there is."""

from __future__ import annotations

from dataclasses import replace
from fnmatch import fnmatchcase
from typing import get_args

import numpy as np
import pytest
from closed_form_fields import response

from earwitness.figures.kinds import kinds_of, lacks, of_kind
from earwitness.figures.load import load_figures
from earwitness.figures.read import read_response
from earwitness.figures.registry import FIGURES
from earwitness.files.data import table_of
from earwitness.quantities import Figure, Reading, from_orbit
from earwitness.session.record import ClaimQuantity, Loudspeaker

TABLE = table_of("figures", "kinds")


def _loudspeaker(**facts: object) -> Loudspeaker:
    stated = {"name": "Larch 2", "maker": "Fennel Audio Works", "type": "stand-mount", "enclosure": "closed",
              "width_m": 0.2, "height_m": 0.3, "depth_m": 0.2, "reference_axis": "tweeter"}  # fmt: skip
    return Loudspeaker.model_validate(stated | facts)


def _axis_only() -> Reading:
    """One position on axis, and no impedance."""
    found = read_response(response(np.ones(1), directions=from_orbit("horizontal", np.zeros(1))))
    load = load_figures(
        None, rated_ohm=None, enclosure="closed", sensitivity=found.figures["sensitivity"], rated_band_hz=None
    )
    electric = dict.fromkeys(("impedance_magnitude", "impedance_phase", "epdr"), "the session has no impedance take")
    return replace(found, figures={**found.figures, **load}, missing={**found.missing, **electric})


def test_every_pattern_names_a_figure_or_a_claim_and_every_kind_its_groups() -> None:
    types = (*get_args(Loudspeaker.model_fields["type"].annotation), "powered")
    for kind, row in TABLE["kinds"].items():
        assert kind in types
        assert set(row) <= {"without", "replaced"}
        assert {group for groups in row.values() for group in groups} <= set(TABLE["groups"])
    used = {group for row in TABLE["kinds"].values() for groups in row.values() for group in groups}
    assert used == set(TABLE["groups"])
    for name, group in TABLE["groups"].items():
        assert set(group) <= {"figures", "curves", "exhibits", "questions", "claims"}, name
        for pattern in group.get("figures", ()):
            assert any(fnmatchcase(key, pattern) for key in FIGURES), pattern
        assert set(group.get("claims", ())) <= set(get_args(ClaimQuantity))


def test_a_powered_loudspeaker_has_no_refusal_of_its_load_and_no_level_for_a_voltage_at_terminals() -> None:
    whole = _axis_only()
    assert whole.figures["impedance_minimum"].value is None
    assert whole.figures["sensitivity"].is_judged
    kinds = kinds_of(_loudspeaker(powered=True))
    shown = of_kind(whole, kinds)
    assert not any(key.startswith(("impedance", "epdr", "sensitivity")) for key in shown.figures)
    assert "impedance_magnitude" not in shown.missing
    # What it can have stays, refused too.
    assert shown.figures["nominal_coverage_horizontal"].reason
    assert "listening_window" in shown.missing
    assert lacks(kinds, "questions", "amplifier")
    assert not lacks(kinds, "questions", "seats")


def test_what_was_measured_of_a_kind_stays_even_where_it_is_not_asked_for() -> None:
    whole = _axis_only()
    judged = Figure("impedance_minimum", 4.0, 0.1, "ohm", None, "")
    shown = of_kind(replace(whole, figures={**whole.figures, "impedance_minimum": judged}), ("monitor", "powered"))
    assert shown.figures["impedance_minimum"] is judged


def test_a_subwoofer_is_not_refused_treble_window_and_room_curves() -> None:
    shown = of_kind(_axis_only(), kinds_of(_loudspeaker(type="subwoofer")))
    assert not {"listening_window", "in_room", "map_horizontal", "sound_power"} & set(shown.missing)
    assert not {"nominal_coverage_horizontal", "in_room_slope", "preference_rating", "f3"} & set(shown.figures)
    assert lacks(("subwoofer",), "exhibits", "reflections")


@pytest.mark.parametrize("kind", ["stand-mount", "floor-stander", "monitor"])
def test_other_kinds_are_told_all_that_is_missing(kind: str) -> None:
    whole = _axis_only()
    shown = of_kind(whole, kinds_of(_loudspeaker(type=kind)))
    assert (shown.figures, shown.missing) == (whole.figures, whole.missing)
