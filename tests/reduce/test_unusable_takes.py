"""What a check judged unusable leaves no number behind: clipped, silent and turned takes, and what is told of them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from made_session import Made, facts, reader, recording

from earwitness.app.add import reading_of
from earwitness.errors import AudioError
from earwitness.exhibits.trust import quality
from earwitness.formats.audio import Recording
from earwitness.quantities import Measurement
from earwitness.reduce.flow import reduce_session

ANGLES = (0.0, 10.0, 20.0, 30.0, -10.0)
MADE = Made(angles=ANGLES)


def clipped(sound: Recording) -> Recording:
    """The recorder's input driven 48 dB too high."""
    samples = sound.samples.copy()
    samples[0] = np.clip(250.0 * samples[0], -1.0, 1.0)
    return replace(sound, samples=samples)


def silent(sound: Recording) -> Recording:
    samples = sound.samples.copy()
    samples[0] = 1e-7 * np.sign(samples[0])
    return replace(sound, samples=samples)


def turned(sound: Recording) -> Recording:
    samples = sound.samples.copy()
    samples[0] = -samples[0]
    return replace(sound, samples=samples)


def reduced(harm: Callable[[Recording], Recording], *angles: float) -> Measurement:
    bad = {f"h{a:g}__wav": harm(recording(MADE, a, ANGLES.index(a))) for a in angles}
    return reduce_session(facts(MADE), reader(MADE, **bad))


@pytest.mark.parametrize("harm", [clipped, turned])
def test_a_clipped_or_turned_take_leaves_no_level_behind(harm: Callable[[Recording], Recording]) -> None:
    whole, found = reduce_session(facts(MADE), reader(MADE)), reduced(harm, 20.0)
    azimuth = np.rad2deg(found.response.directions.azimuth_rad)
    assert sorted(np.round(azimuth)) == [-10, 0, 10, 30]
    assert "h20" in found.kept_takes
    for row, angle in enumerate(azimuth):
        same = int(np.argmin(np.abs(np.rad2deg(whole.response.directions.azimuth_rad) - angle)))
        np.testing.assert_allclose(found.response.pressure[row], whole.response.pressure[same], rtol=1e-9)
    table = quality(found)
    assert table is not None
    (told,) = [row for row in table.rows if row[0] == "Not used"]
    assert told[2] == "h20"


def test_without_the_axis_there_is_no_sensitivity(monkeypatch: pytest.MonkeyPatch) -> None:
    session = facts(MADE)
    whole = reduce_session(session, reader(MADE))
    assert reading_of(session, whole).figures["sensitivity"].value is not None
    found = reading_of(session, reduced(clipped, 0.0)).figures["sensitivity"]
    assert found.value is None
    assert found.reason
    monkeypatch.setattr("earwitness.reduce.flow.unusable", lambda *_: frozenset())
    used = reduced(clipped, 0.0)
    ahead, hz = int(np.argmin(np.abs(used.response.directions.azimuth_rad))), used.response.axis.hz
    off_db = 20 * np.log10(np.abs(used.response.pressure[ahead] / MADE.truth(0.0, hz)))
    # What would have been published of such a take.
    assert np.median(off_db[(hz > 300.0) & (hz < 10_000.0)]) > 20.0


def test_where_no_take_is_left_the_session_is_refused_with_what_is_wrong() -> None:
    with pytest.raises(AudioError, match="no far-field take can be used") as caught:
        reduced(clipped, *ANGLES)
    assert "Record again with less gain" in str(caught.value)


def test_takes_keep_the_case_of_their_names_and_one_moves_where_several_move() -> None:
    from earwitness.reduce.flags import flag

    assert flag("silence", takes=["H_30"], holds="holds").sentence.startswith("Take H_30 holds")
    assert flag("silence", takes=["a", "b"], holds="hold").sentence.startswith("2 takes hold")
    (one,) = [f.sentence for f in reduced(turned, 30.0).flags if f.id == "polarity"]
    assert one.startswith("Take h30 moves against all others")
    (two,) = [f.sentence for f in reduced(turned, 30.0, 20.0).flags if f.id == "polarity"]
    assert two.startswith("2 takes move against all others")


def test_tops_cut_below_full_scale_are_not_the_recorders_limit() -> None:
    def quiet(sound: Recording) -> Recording:
        samples = clipped(sound).samples.copy()
        samples[0] *= 0.015
        return replace(sound, samples=samples)

    (told,) = [f.sentence for f in reduced(quiet, 20.0).flags if f.id == "clipping"]
    assert "is cut flat at 0.015 of full scale" in told
    assert "the file was made quieter afterwards" in told
