"""Distortion, compression and multitones of a session of tables, to the figures that recordings give.

Sources: shares of the fundamental by definition (THD_F, root of the sum of squares); a loss of level stated in the
tables; lines of a spectrum by the discrete Fourier transform of a signal made here (numpy).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from earwitness.app.add import add_folder, questions, write_session
from earwitness.app.read import read_loudspeaker
from earwitness.errors import SessionError
from earwitness.quantities import Figure
from earwitness.session.from_files import Stated, survey

HZ = np.geomspace(20.0, 20_000.0, 240)
LEVEL = 86.0 - 10 * np.log10(1 + (60.0 / HZ) ** 4) + 1.5 * np.sin(2.1 * np.log(HZ))
STATED = Stated(
    name="One", maker="Nobody", type="stand-mount", enclosure="closed", reference_axis="x",
    width_m=0.2, height_m=0.3, depth_m=0.25, date="2026-11-01", invented=True, voltage_v=2.83, space="anechoic",
    smoothing="none",
)  # fmt: skip
VOLTS = (2.83, 8.0, 16.0)


def share(order: int, volts: float) -> np.ndarray:
    return np.asarray(1e-3 * (volts / 2.83) ** (order - 1) * (1 + (100.0 / HZ) ** 2))


def loss_db(volts: float) -> float:
    return 0.05 * (volts - 2.83)


def level(volts: float) -> np.ndarray:
    return np.asarray(LEVEL + 20 * np.log10(volts / 2.83) - loss_db(volts))


def put(folder: Path, name: str, titles: list[str], columns: list[np.ndarray], hz: np.ndarray = HZ) -> None:
    rows = ("\t".join(f"{value:.7g}" for value in row) for row in zip(hz, *columns, strict=True))
    (folder / name).write_text("\n".join(["\t".join(["Hz", *titles]), *rows]) + "\n")


def figures(folder: Path) -> dict[str, Figure]:
    if not (folder / "session.toml").exists():
        write_session(survey(folder), STATED)
    add_folder(folder, folder.parent / "archive")
    return dict(read_loudspeaker("One", folder.parent / "archive").reading.figures)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "data"
    place.mkdir()
    put(place, "h_0.txt", ["dB SPL"], [LEVEL])
    return place


def test_harmonics_and_levels_by_voltage_give_the_figures_of_the_law(folder: Path) -> None:
    for volts in VOLTS:
        columns = [100 * share(order, volts) for order in (2, 3, 4, 5)]
        put(folder, f"dist_{volts:g}V.txt", [f"HD{order} %" for order in (2, 3, 4, 5)], columns)
    put(folder, "levels.txt", [f"{volts:g} V dB SPL" for volts in VOLTS], [level(volts) for volts in VOLTS])
    assert not questions(survey(folder))
    found = figures(folder)
    for volts in VOLTS:
        total = 100 * np.sqrt(sum(share(order, volts) ** 2 for order in (2, 3, 4, 5)))
        largest = found[f"distortion_largest@{volts:g}v"]
        assert abs(largest.value - np.interp(101.0, HZ, total)) <= 2 * largest.u
        crossing = float(np.exp(np.interp(-np.log(3.0), -np.log(total), np.log(HZ))))
        limit = found[f"distortion_3_percent@{volts:g}v"]
        if 21.0 < crossing < 1000.0 and limit.value is not None:
            assert abs(limit.value - crossing) <= 2 * limit.u
    for volts in VOLTS[1:]:
        mean = found[f"compression_mean@{volts:g}v"]
        assert mean.value == pytest.approx(loss_db(volts), abs=0.02)
        assert mean.u < 0.15
    assert found["distortion_at_level@96db"].value is not None


def test_a_total_alone_is_a_total_and_levels_by_voltage_alone_are_no_compression(folder: Path) -> None:
    for volts in VOLTS[:2]:
        put(folder, f"thd_{volts:g}V.txt", ["THD %"], [HZ * 0 + 0.4 * volts])
    found = figures(folder)
    assert found["distortion_largest@8v"].value == pytest.approx(3.2, rel=0.01)
    assert found["compression_largest"].value is None
    assert "no level of the fundamental" in found["compression_largest"].reason
    curves = read_loudspeaker("One", folder.parent / "archive").reading.curves
    assert "as the data state it" in curves["distortion_total@8v"].name
    assert not any(key.startswith("distortion_2@") for key in curves)


def test_a_sound_pressure_level_names_its_voltage_by_the_sensitivity(folder: Path) -> None:
    put(folder, "thd.txt", ["THD at 90 dB [%]", "THD at 96 dB [%]"], [HZ * 0 + 0.5, HZ * 0 + 1.0])
    found = figures(folder)
    drives = sorted(float(key.split("@")[1][:-1]) for key in found if key.startswith("distortion_largest@"))
    assert drives[1] / drives[0] == pytest.approx(10 ** (6 / 20), rel=1e-3)
    at = found["distortion_at_level@96db"]
    assert abs(at.value - 1.0) <= 2 * at.u


def test_losses_of_level_count_from_the_voltage_that_is_stated(folder: Path) -> None:
    columns = [HZ * 0 + loss_db(volts) for volts in VOLTS]
    put(folder, "loss.txt", [f"compression {volts:g} V dB" for volts in VOLTS], columns)
    write_session(survey(folder), STATED)
    with pytest.raises(SessionError, match="from_v"):
        add_folder(folder, folder.parent / "archive")
    text = (folder / "session.toml").read_text()
    (folder / "session.toml").write_text(text.replace("from_v = 0", "from_v = 2.83"))
    found = figures(folder)
    assert found["compression_mean@16v"].value == pytest.approx(loss_db(16.0), abs=0.02)
    assert found["distortion_largest@16v"].value is None


def test_a_voltage_that_nobody_states_is_asked(folder: Path) -> None:
    put(folder, "thd.txt", ["THD %"], [HZ * 0 + 0.5])
    assert any("voltage" in line for line in questions(survey(folder)))
    write_session(survey(folder), STATED)
    with pytest.raises(SessionError):
        add_folder(folder, folder.parent / "archive")


RATE, PERIOD = 48_000, 48_000


def multitone(window: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Line levels [dB SPL] of 31 tones through a cubic, and the rows of the tones; the signal's own residue in dB."""
    rows = np.unique(np.rint(np.geomspace(30, 7500, 31)).astype(int) * 2 + 1)
    random = np.random.default_rng(4)
    spectrum = np.zeros(PERIOD // 2 + 1, dtype=complex)
    spectrum[rows] = np.exp(2j * np.pi * random.random(rows.size))
    clean = np.fft.irfft(spectrum)
    clean = clean / np.sqrt(np.mean(clean**2))
    heard = clean + 0.004 * clean**3
    n = np.arange(PERIOD) / PERIOD
    taper = {"none": 1.0, "Hann": 1 - np.cos(2 * np.pi * n)}[window]
    power = 2 * np.abs(np.fft.rfft(heard * taper)) ** 2 / PERIOD**2
    exact = 2 * np.abs(np.fft.rfft(heard)) ** 2 / PERIOD**2
    rest = np.delete(exact, [0, *rows]).sum() / exact[rows].sum()
    return 10 * np.log10((power[1:] + 1e-16) / 4e-10), rows, np.asarray(10 * np.log10(rest))


@pytest.mark.parametrize("window", ["none", "Hann"])
def test_a_spectrum_of_a_multitone_gives_what_its_lines_hold(folder: Path, window: str) -> None:
    lines, rows, wanted = multitone(window)
    hz = np.arange(1, lines.size + 1) * RATE / PERIOD
    put(folder, "multitone.txt", ["dB SPL"], [lines], hz)
    take = '\n[[take]]\nkind = "multitone table"\nfile = "multitone.txt"\ndrive_v = 4\ncrest_db = 12\n'
    found = survey(folder)
    write_session(type(found)(found.folder, found.groups[-1:], (), ()), STATED)
    text = (folder / "session.toml").read_text() + take + f'window = "{window}"\ntones = {rows.size}\n'
    (folder / "session.toml").write_text(text)
    number = figures(folder)["multitone_distortion@4v"]
    assert number.value == pytest.approx(float(wanted), abs=0.3)
    assert number.bound == "at most"
    (folder / "session.toml").write_text(text.replace(f"tones = {rows.size}", "tones = 40").replace("One", "Two"))
    with pytest.raises(Exception, match="does not show 40 tones"):
        add_folder(folder, folder.parent / "archive")


def test_tones_and_what_lies_between_them_as_a_table(folder: Path) -> None:
    hz = np.geomspace(50, 16_000, 31)
    titles = ["tone dB SPL", "residue dB SPL", "noise dB SPL"]
    put(folder, "multitone_4V.txt", titles, [hz * 0 + 70, hz * 0 + 30, hz * 0 + 5], hz)
    write_session(survey(folder), STATED)
    text = (folder / "session.toml").read_text()
    assert "drive_v = 4" in text
    (folder / "session.toml").write_text(text.replace("crest_db = 0", "crest_db = 12"))
    number = figures(folder)["multitone_distortion@4v"]
    assert number.value == pytest.approx(-40.0, abs=0.05)
    assert number.bound == ""
