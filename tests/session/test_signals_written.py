"""Test signals as files: what the sidecar says is true of the samples, and nothing is louder than asked."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from earwitness.dsp.multitone import find_rows, read_multitone
from earwitness.dsp.sweep import sweep_law, sweep_samples
from earwitness.errors import InputError, OutputError
from earwitness.formats.audio import read_audio
from earwitness.session.signals import SignalPlan, write_signals

PLAN = SignalPlan(peak_dbfs=-18.0, sweep_s=2.0, period_s=0.5, periods=2, noise_s=3.0, tone_s=1.0, pair_s=1.5)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("signals")
    write_signals(place, PLAN)
    return place


def _read(folder: Path, name: str) -> tuple[np.ndarray, dict[str, object]]:
    samples = read_audio(folder / f"{name}.wav").samples[0]
    return samples, json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))


def test_every_signal_has_a_sidecar(folder: Path) -> None:
    names = {path.stem for path in folder.glob("*.wav")}
    assert names == {path.stem for path in folder.glob("*.json")}
    assert {"sweep", "multitone", "two-tone", "noise", "calibration-tone", "burst-20hz", "burst-31p5hz"} <= names


def test_never_louder_than_asked_and_silent_at_both_ends(folder: Path) -> None:
    for path in sorted(folder.glob("*.wav")):
        samples, facts = _read(folder, path.stem)
        assert np.abs(samples).max() <= 10 ** (-18 / 20)
        assert np.abs(samples).max() == pytest.approx(10 ** (-18 / 20), rel=1e-4)
        assert not samples[:24_000].any()
        assert not samples[-47_000:].any()
        heard = np.flatnonzero(samples)
        inside = samples[heard[0] : heard[-1] + 1]
        assert facts["crest_factor_db"] == pytest.approx(
            20 * np.log10(np.abs(inside).max() / np.sqrt(np.mean(inside**2))), abs=0.02
        )
        # A fade: neither end starts with a jump.
        assert max(abs(inside[0]), abs(inside[-1])) < 0.02 * np.abs(inside).max()


def test_sweep_is_synchronized(folder: Path) -> None:
    """start_hz * L is a whole number (Novak, Simon and Lotton 2015, from memory); the sidecar rebuilds the samples."""
    samples, facts = _read(folder, "sweep")
    start, stop, duration = (float(facts[key]) for key in ("start_hz", "stop_hz", "duration_s"))
    law = sweep_law(start, stop, duration)
    assert start * law.rate_s == pytest.approx(round(start * law.rate_s), abs=1e-9)
    assert round(start * law.rate_s) > 0
    again = sweep_samples(law, 48_000, fade_in_s=float(facts["fade_in_s"]), fade_out_s=float(facts["fade_out_s"]))
    first = round(float(facts["lead_in_s"]) * 48_000)
    part = samples[first : first + again.size]
    assert part / np.abs(part).max() == pytest.approx(again / np.abs(again).max(), abs=2e-6)


def test_multitone_holds_whole_periods(folder: Path) -> None:
    samples, facts = _read(folder, "multitone")
    period = round(float(facts["period_s"]) * 48_000)
    start = round(float(facts["run_in_s"]) * 48_000)
    cut = samples[start : start + period]
    rows = find_rows(cut)
    assert rows.size == facts["tones"] == 32
    assert rows * 48_000 / period == pytest.approx(facts["frequency_hz"])
    lines = read_multitone(cut[None, :], 48_000.0, rows)
    assert 10 * np.log10(lines.total_residue / lines.total_tone) < -95.0
    whole = 20 * np.log10(np.abs(cut).max() / np.sqrt(np.mean(cut**2)))
    assert whole == pytest.approx(facts["crest_factor_of_period_db"], abs=1e-3)


def test_sidecar_warns(folder: Path) -> None:
    _, facts = _read(folder, "noise")
    assert "hearing protection" in str(facts["safety"])
    assert "must not be grounded" in str(facts["safety"])


def test_same_plan_same_bytes(folder: Path, tmp_path: Path) -> None:
    write_signals(tmp_path / "again", PLAN)
    first, again = ({path.name: path.read_bytes() for path in one.iterdir()} for one in (folder, tmp_path / "again"))
    assert first == again


def test_nothing_is_overwritten(folder: Path) -> None:
    with pytest.raises(InputError, match="not overwritten"):
        write_signals(folder, PLAN)


@pytest.mark.parametrize(
    "plan",
    [
        SignalPlan(peak_dbfs=1.0),
        SignalPlan(periods=1),
        SignalPlan(pair_hz=(60.5, 7000.0)),
        SignalPlan(sweep_high_hz=30_000.0),
        SignalPlan(crest_db=2.0),
    ],
)
def test_impossible_plans_write_nothing(plan: SignalPlan, tmp_path: Path) -> None:
    with pytest.raises(InputError):
        write_signals(tmp_path / "new", plan)
    assert not (tmp_path / "new").exists()


def test_a_folder_that_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError):
        write_signals(tmp_path / "file" / "inside", SignalPlan(sweep_s=1.0, noise_s=1.0, tone_s=1.0, period_s=0.5))
