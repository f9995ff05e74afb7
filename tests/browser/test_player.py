"""The player of a page, measured where it plays: what comes out of the browser's own graph, from disk."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
from playwright.sync_api import Browser, Page, expect

from accessible import serious
from earwitness.app.advice import advice_on
from earwitness.app.read import ReadResult, read_loudspeaker
from earwitness.insight.mend.equalizer import Band, Equalizer, gain_db
from earwitness.publish.review import Review, review_of
from earwitness.publish.site.write import write_review
from earwitness.quantities.arrays import FloatArray
from made_once import MadeOnce

pytestmark = pytest.mark.browser

# The player's own nodes in an OfflineAudioContext: an impulse through a version, 2^17 samples at 48 kHz.
IMPULSE = """async (key) => {
  const { through, versions, data } = globalThis.earwitnessPlayer;
  const context = new OfflineAudioContext(1, 131072, data.rate);
  const buffer = new AudioBuffer({ length: 131072, numberOfChannels: 1, sampleRate: data.rate });
  buffer.copyToChannel(Float32Array.of(1), 0);
  const source = new AudioBufferSourceNode(context, { buffer });
  through(context, source, versions[key]).connect(context.destination);
  source.start();
  return Array.from((await context.startRendering()).getChannelData(0));
}"""
NOISE = """async () => {
  const { through, versions, gains, noise, data } = globalThis.earwitnessPlayer;
  const buffer = noise();
  const levels = await gains(buffer);
  const made = {};
  for (const [key, version] of Object.entries(versions)) {
    const context = new OfflineAudioContext(1, buffer.length, data.rate);
    const source = new AudioBufferSourceNode(context, { buffer });
    const gain = new GainNode(context, { gain: 10 ** (levels[key] / 20) });
    through(context, source, version).connect(gain).connect(context.destination);
    source.start();
    made[key] = Array.from((await context.startRendering()).getChannelData(0));
  }
  return made;
}"""


@pytest.fixture(scope="module")
def made(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Review, ReadResult]:
    """Address of a page on disk, and what it was made from."""
    folder = tmp_path_factory.mktemp("player")
    shutil.copytree(made_once.archive("thimble", "causeway"), folder / "archive")
    result = read_loudspeaker("causeway", folder / "archive")
    advice = advice_on(result, folder / "archive")
    review = review_of(result.reading, result.measurement, result.session, advice=advice)
    write_review(review, folder / "page")
    return (folder / "page" / "index.html").as_uri(), review, result


@pytest.fixture
def page(browser: Browser, made: tuple[str, Review, ReadResult]) -> Iterator[Page]:
    opened = browser.new_page(viewport={"width": 1280, "height": 900})
    opened.on("pageerror", lambda error: pytest.fail(f"script error: {error}"))
    opened.goto(made[0])
    yield opened
    opened.close()


def response_db(page: Page, key: str, hz: FloatArray) -> FloatArray:
    impulse = np.array(page.evaluate(IMPULSE, key))
    lines = np.fft.rfftfreq(impulse.size, 1 / 48_000)
    return np.interp(hz, lines, 20 * np.log10(np.abs(np.fft.rfft(impulse))))


def test_the_browser_plays_the_measured_responses(page: Page, made: tuple[str, Review, ReadResult]) -> None:
    """Within 0.05 dB of the program's curve, and of the cookbook's bands upon it."""
    _, review, result = made
    curve = result.reading.curves["listening_window"]
    hz = curve.axis.hz[(curve.axis.hz >= 35.0) & (curve.axis.hz <= 19_500.0) & curve.valid]
    assert review.advice is not None
    asked = np.interp(np.log(hz), np.log(curve.axis.hz), curve.values)
    asked += sum((one.resonance.hidden_db(hz) for one in review.advice.findings if one.resonance), np.zeros(hz.size))
    flat, asis, equalized, finding = (response_db(page, key, hz) for key in ("flat", "asis", "equalized", "finding"))
    assert np.abs(flat).max() < 1e-4
    off = asis - asked
    assert np.abs(off - off.mean()).max() < 0.05
    assert review.equalizer is not None
    assert np.abs(equalized - asis - gain_db(review.equalizer, hz)).max() < 0.05
    first = max((one for one in review.advice.findings if one.q is not None), key=lambda one: one.margin_db)
    assert first.q is not None
    size = first.size_db if first.resonance else first.sizes["listening_window"].size_db
    shape = gain_db(Equalizer((Band("peaking", first.center_hz, size, first.q),)), hz)
    assert np.abs(finding - shape).max() < 0.05


def test_versions_are_equally_loud_and_do_not_clip(page: Page) -> None:
    """An independent implementation of ITU-R BS.1770 reads all within 0.1 LU of each other."""
    made = {key: np.array(samples) for key, samples in page.evaluate(NOISE).items()}
    assert set(made) == {"flat", "asis", "equalized", "finding"}
    meter = pyloudnorm.Meter(48_000, filter_class="DeMan")
    loud = [meter.integrated_loudness(one[:, None]) for one in made.values()]
    assert max(loud) - min(loud) < 0.1
    assert max(np.abs(one).max() for one in made.values()) < 0.9
    # Equal power per octave, from the plain recording: octaves from 40 Hz to 10 kHz differ by less than 1.5 dB.
    power = np.abs(np.fft.rfft(made["flat"])) ** 2
    hz = np.fft.rfftfreq(made["flat"].size, 1 / 48_000)
    octaves = [10 * np.log10(power[(hz >= low) & (hz < 2 * low)].sum()) for low in 40.0 * 2.0 ** np.arange(8)]
    assert max(octaves) - min(octaves) < 1.5


def test_a_reader_plays_switches_and_stops(page: Page, tmp_path: Path) -> None:
    page.locator("#hear > summary").click()
    expect(page.locator("#player")).to_be_visible()
    expect(page.locator("#hear-without")).to_be_hidden()
    page.get_by_role("button", name="Play", exact=True).click()
    expect(page.locator("#player output")).to_have_text("All versions have the same loudness.")
    page.get_by_role("button", name="Through it, with EQ").click()
    expect(page.locator("[data-version=equalized]")).to_have_attribute("aria-pressed", "true")
    expect(page.locator("[data-version=asis]")).to_have_attribute("aria-pressed", "false")
    page.get_by_role("button", name="Stop").click()
    (tmp_path / "no-sound.wav").write_text("nothing")
    page.locator("#player [type=file]").set_input_files(tmp_path / "no-sound.wav")
    expect(page.locator("#player output")).to_contain_text("cannot be read as sound")
    assert serious(page) == []


def test_without_a_script_a_line_stands_there(browser: Browser, made: tuple[str, Review, ReadResult]) -> None:
    context = browser.new_context(java_script_enabled=False)
    plain = context.new_page()
    plain.goto(made[0])
    plain.locator("#hear > summary").click()
    expect(plain.locator("#hear-without")).to_be_visible()
    expect(plain.locator("#player")).to_be_hidden()
    context.close()
