"""What a figure means where a small slip in its formula stayed unseen; each source stands beside its check."""

from __future__ import annotations

import numpy as np
import pytest

from earwitness.errors import InputError
from earwitness.figures.bandwidth import range_ends
from earwitness.figures.distortion import near_to_one_meter_db
from earwitness.figures.load import load_figures
from earwitness.figures.load_box import vented_box
from earwitness.quantities import Impedance, log_axis


def test_a_coil_s_inductance_adds_two_pi_f_l() -> None:
    """Reactance of an inductance, 2 pi f L (handbook); nothing beside the coil, far above the resonance."""
    hz = np.array([5000.0, 20_000.0])
    box = [40.0, 40.0, 4.0, 35.0, 7.0, 1.5, 50.0, 0.0, 0.0]
    with_coil, without = (vented_box(hz, np.array([6.0, le, *box])) for le in (0.5e-3, 0.0))
    assert with_coil - without == pytest.approx(2j * np.pi * hz * 0.5e-3, rel=1e-9)


def test_a_cone_without_a_size_is_refused() -> None:
    """The near field of a piston is scaled by its radius (Keele 1974): no radius, no figure."""
    with pytest.raises(InputError, match="radius"):
        near_to_one_meter_db(0.0, 0.005)


def test_a_range_has_ended_where_the_first_step_falls_for_good() -> None:
    """Straight line between the points: 0 halfway; a stay above of less than 1/9 octave at the end is no return."""
    x, above = np.array([0.0, 0.5, 1.0, 1.05]), np.array([[1.0, -1.0, -1.0, 1.0]])
    ends, last = range_ends(x, above)
    assert (ends[0], last[0]) == (pytest.approx(0.25), 0)


def test_the_place_of_a_flat_minimum_is_as_uncertain_as_the_floor_is_wide() -> None:
    """A floor of equal values from a to b tells no place within it: a half-width of (b - a) / 2 as 95 %."""
    axis = log_axis(5.0, 21_000.0, 48)
    floor = (axis.hz >= 100.0) & (axis.hz <= 200.0)
    size, turn = np.where(floor, 5.0, 8.0), np.full(axis.hz.size, 0.2)
    load = Impedance(axis, size + 0j, size * 0.003, turn, np.ones(size.size, dtype=bool), lineage=("s",))
    width = float(np.ptp(axis.hz[floor]))
    assert load_figures(load)["impedance_minimum_at"].u == pytest.approx(width / 4, rel=0.02)
