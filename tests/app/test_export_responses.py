"""Responses out in each form and in again, value by value, with what is not valid and how sure each is.

Source: random pressures on some directions of both orbits; what goes out must come back.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from earwitness.app.archive import _WRITERS, FORMS, stated_of
from earwitness.quantities import DirectionalResponse, cta_orbits, report_axis
from earwitness.reduce.plan import ReduceSettings
from earwitness.reduce.responses import reduce_responses
from earwitness.session.from_files import Survey, session_text
from earwitness.session.load import load_session
from earwitness.session.record import Loudspeaker
from earwitness.session.response_files import sources_of

TOLD = Loudspeaker(
    name="Random",
    maker="Nobody",
    type="stand-mount",
    enclosure="closed",
    width_m=0.2,
    height_m=0.3,
    depth_m=0.25,
    reference_axis="x",
    invented=True,
)


@pytest.mark.parametrize("form", [form for form in FORMS if form != "impulse responses"])
def test_values_validity_and_uncertainty_come_back(form: str, tmp_path: Path) -> None:
    random = np.random.default_rng(1)
    axis, directions = report_axis(), cta_orbits().take(np.arange(0, 70, 5))
    shape = (len(directions), len(axis))
    pressure = 10 ** random.normal(0.0, 0.3, shape) * np.exp(1j * random.uniform(-0.4, 0.4, shape)) * 0.1
    valid, u_db = random.random(shape) > 0.1, np.abs(random.normal(0.3, 0.1, shape))
    response = DirectionalResponse(axis, directions, pressure, u_db, np.full(shape[1], 0.4), valid)
    groups = _WRITERS[form](tmp_path, response)
    text = session_text(Survey(tmp_path, tuple(groups), (), ()), stated_of(TOLD, "2026-11-01", response, form))
    (tmp_path / "session.toml").write_text(text)
    session = load_session(tmp_path)
    found = reduce_responses(
        session, sources_of(session, {take.file: tmp_path / take.file for take in session.takes}), ReduceSettings()
    ).response
    rows = np.argmax(directions.unit_vectors() @ found.directions.unit_vectors().T, axis=1)
    assert len(found.directions) == len(directions)
    if form == "wide tables":
        assert np.allclose(np.abs(found.pressure[rows]), np.abs(pressure), rtol=1e-5)
    else:
        assert np.allclose(found.pressure[rows], pressure, rtol=1e-5)
    assert (found.valid[rows] == valid).all()
    assert np.allclose(found.u_apart_db()[rows], u_db, atol=1e-5)
    assert np.allclose(found.u_shared_db(), 0.4, atol=1e-5)
