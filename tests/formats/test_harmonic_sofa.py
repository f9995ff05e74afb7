"""Spherical harmonics in SOFA files, by a source of known shape and the harmonics of a general-purpose library.

Sources: spharpy's real basis (an outside library) for orders and signs; a first-order source in closed form.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import sofar
import spharpy

from earwitness.errors import FormatError
from earwitness.formats.directivity_sofa import HARMONICS, harmonic_basis, read_directivity_sofa, smoothest
from earwitness.quantities import cta_orbits

FIRST_ORDER = {"orthonormal": np.sqrt(3 / (4 * np.pi)), "N3D": np.sqrt(3.0), "SN3D": 1.0}
ZEROTH = {"orthonormal": np.sqrt(1 / (4 * np.pi)), "N3D": 1.0, "SN3D": 1.0}


def shape_at(directions: np.ndarray) -> np.ndarray:
    """A source louder ahead, to its left and above, by different amounts."""
    return np.asarray(1.0 + 0.5 * directions[:, 0] + 0.3 * directions[:, 1] + 0.2 * directions[:, 2])


def coefficients_of(kind: str) -> np.ndarray:
    """Of that source in the order n^2 + n + m: 1, y, z, x (definitions of the harmonics of order 1)."""
    name = kind.partition(",")[0]
    sign = -1.0 if "Condon" in kind else 1.0
    first = FIRST_ORDER[name]
    return np.array([1 / ZEROTH[name], sign * 0.3 / first, 0.2 / first, sign * 0.5 / first])


def written(path: Path, kind: str, convention: str = "FreeFieldDirectivityTF", which: str = "Receiver") -> Path:
    sofa = sofar.Sofa(convention)
    values = coefficients_of(kind)[None, :, None] * np.ones(3)
    setattr(sofa, f"{which}Position", np.zeros((4, 3)))
    setattr(sofa, f"{which}Position_Type", "spherical harmonics")
    setattr(sofa, f"{which}Position_Units", "degree, degree, metre")
    if which == "Emitter":
        values = np.moveaxis(values, 1, -1)[:, None]
    if convention.startswith("GeneralTF"):
        sofa.SourcePosition, sofa.SourcePosition_Type, sofa.SourcePosition_Units = [0, 0, 0], "cartesian", "metre"
    sofa.N, sofa.Data_Real, sofa.Data_Imag = np.array([100.0, 1000.0, 10_000.0]), values, np.zeros_like(values)
    for name in ("MIDINote", "SourceTuningFrequency", "Description", "EmitterDescriptions"):
        if hasattr(sofa, name):
            sofa.delete(name)
    sofar.write_sofa(str(path), sofa)
    return path


@pytest.mark.parametrize("kind", HARMONICS)
def test_a_known_source_comes_out_of_each_normalization(kind: str, tmp_path: Path) -> None:
    path = written(tmp_path / "a.sofa", kind)
    found = read_directivity_sofa(path, answers={"harmonics": kind, "data": "Pa/V"})
    assert found.questions == ()
    assert np.allclose(found.pressure[:, 1], shape_at(found.directions.unit_vectors()), atol=1e-12)
    wrong = read_directivity_sofa(path, answers={"harmonics": HARMONICS[(HARMONICS.index(kind) + 1) % 6]})
    assert np.abs(wrong.pressure[:, 1] - shape_at(found.directions.unit_vectors())).max() > 0.05


def test_normalization_is_asked_for(tmp_path: Path) -> None:
    found = read_directivity_sofa(written(tmp_path / "a.sofa", "N3D"))
    assert {one.key for one in found.questions} == {"harmonics", "data"}


def test_emitters_as_harmonics(tmp_path: Path) -> None:
    path = written(tmp_path / "a.sofa", "SN3D", "GeneralTF-E", "Emitter")
    found = read_directivity_sofa(path, answers={"harmonics": "SN3D", "data": "Pa", "axis": "0, 0"})
    assert np.allclose(found.pressure[:, 0], shape_at(found.directions.unit_vectors()), atol=1e-12)


def test_a_turned_source_keeps_its_axis(tmp_path: Path) -> None:
    path = written(tmp_path / "a.sofa", "N3D")
    sofa = sofar.read_sofa(str(path), verbose=False)
    sofa.SourceView = [0, 1, 0]
    sofar.write_sofa(str(path), sofa)
    found = read_directivity_sofa(path, answers={"harmonics": "N3D"})
    # What lies to the world's +y is ahead of the source, what lies to +x is at its right.
    seen = found.directions.unit_vectors()
    world = np.stack([-seen[:, 1], seen[:, 0], seen[:, 2]], axis=1)
    assert np.allclose(found.pressure[:, 0], shape_at(world), atol=1e-12)


def test_an_incomplete_set_is_refused(tmp_path: Path) -> None:
    path = written(tmp_path / "a.sofa", "N3D")
    sofa = sofar.read_sofa(str(path), verbose=False)
    sofa.ReceiverPosition = np.zeros((3, 3))
    sofa.Data_Real, sofa.Data_Imag = sofa.Data_Real[:, :3], sofa.Data_Imag[:, :3]
    with pytest.raises(ValueError, match="spherical harmonics"):
        sofar.write_sofa(str(path), sofa)
    from earwitness.formats.directivity_sofa import order_of

    with pytest.raises(ValueError, match="24 coefficients"):
        order_of(24)
    assert issubclass(FormatError, Exception)


def test_the_basis_is_that_of_an_outside_library() -> None:
    import pyfar

    random = np.random.default_rng(3)
    azimuth, polar = random.uniform(0, 2 * np.pi, 50), np.arccos(random.uniform(-1, 1, 50))
    place = pyfar.Coordinates.from_spherical_colatitude(azimuth, polar, np.ones(50))
    ours = harmonic_basis(6, place.cartesian, "orthonormal")
    theirs = np.asarray(spharpy.spherical.spherical_harmonic_basis_real(6, place))
    assert np.allclose(ours, theirs, atol=1e-10)


def test_the_smoothest_series_passes_through_every_direction() -> None:
    random = np.random.default_rng(4)
    at = cta_orbits().unit_vectors()
    pressure = random.normal(size=(len(at), 5)) + 1j * random.normal(size=(len(at), 5))
    found = smoothest(at, pressure, 20)
    assert np.allclose(harmonic_basis(20, at, "orthonormal") @ found, pressure, atol=1e-8)
    with pytest.raises(ValueError, match="order 8"):
        smoothest(at, pressure, 8)
