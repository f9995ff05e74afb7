"""Listen, mend, match and their page as a user meets them, on a short session of the demo's three-way tower.

What was planted in it (demo world): +2.5 dB, Q 0.75 at 245 Hz and a resonance of 3 dB, Q 10 at 6.5 kHz, both at all
angles; a trim ring that cancels near the axis alone at 3 kHz; claims of 91 dB, 25 Hz and 8 ohm that are too good.
"""

from __future__ import annotations

import functools
import json
import math
import shutil
from pathlib import Path

import html5lib
import jsonschema
import numpy as np
import pytest
import soundfile
from click.testing import CliRunner, Result
from scipy import signal

from earwitness.cli import main
from earwitness.demo.lineup import CAUSEWAY as LOUDSPEAKER
from earwitness.demo.rig import write_sheet
from made_once import MadeOnce

SCHEMA = json.loads((Path(__file__).parents[2] / "docs" / "advice-document.schema.json").read_text(encoding="utf-8"))
VALID = jsonschema.validators.validator_for(SCHEMA)(SCHEMA)
HOSTILE = "<script>alert('x')</script>\" onload=x \u202eturned \u2066about\x07 \x1b[31m\nred"
AMPLIFIER = """\
name = "Brook 60 (invented)"
minimum_load_ohm = 4.0
damping_factor = 100.0
[[power]]
load_ohm = 8.0
power_w = 60.0
"""
ROOM = """\
[[loudspeaker]]
name = "left"
position_m = [1.0, 3.4, 0.95]
aim_at_m = [4.0, 2.25, 0.95]
[[seat]]
name = "middle"
position_m = [4.0, 2.25, 0.95]
[[seat]]
name = "side"
row = 2
position_m = [5.0, 1.0, 1.2]
"""
SIMULATED = "alder 1"
ADVISED = ("mend", "causeway", "--aim")
SVG = "{http://www.w3.org/2000/svg}"


def run(*arguments: str | Path) -> Result:
    """One command."""
    return CliRunner().invoke(main, [str(a) for a in arguments])


@functools.cache
def shown(*arguments: str | Path) -> str:
    """What a command prints that changes nothing: once for all tests that ask the same."""
    result = run(*arguments)
    assert result.exit_code == 0, result.stderr
    return result.stdout


@functools.cache
def valid(text: str) -> str:
    """A document's text, valid by the schema."""
    VALID.validate(json.loads(text))
    return text


def document(*arguments: str | Path) -> dict:
    """The JSON document of a command, valid by the schema."""
    return json.loads(valid(shown(*arguments, "--json")))


def test_the_schema_is_one() -> None:
    VALID.check_schema(SCHEMA)


def hostile_sheet(text: str) -> str:
    """The demo's sheet with markup in a remark's text."""
    return text.replace('text = "every s has an edge"', f"text = {json.dumps(HOSTILE)}")


@pytest.fixture(scope="module")
def recordings(made_once: MadeOnce) -> Path:
    return made_once.recordings("causeway")


@pytest.fixture(scope="module")
def notes(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_sheet("causeway", tmp_path_factory.mktemp("notes"))


@pytest.fixture(scope="module")
def unread(recordings: Path, notes: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Notes sealed first, then the session; nobody has seen the data."""
    folder = tmp_path_factory.mktemp("unread")
    notes.write_text(hostile_sheet(notes.read_text(encoding="utf-8")), encoding="utf-8")
    before = run("listen", "seal", notes, "--archive", folder)
    assert before.exit_code == 0, before.stderr
    assert "have not been shown" in before.stdout
    assert run("add", recordings, "--archive", folder).exit_code == 0
    # Taking recordings in shows no data: still sealed in time.
    assert "sealed already" in run("listen", "seal", notes, "--archive", folder).stdout
    return folder


@pytest.fixture(scope="module")
def archive(unread: Path, notes: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Then the data are read; then notes again."""
    folder = shutil.copytree(unread, tmp_path_factory.mktemp("archive"), dirs_exist_ok=True)
    assert run("read", "causeway", "--archive", folder).exit_code == 0
    late = notes.with_name("late.toml")
    late.write_text(notes.read_text(encoding="utf-8").replace('"warm"', '"boxy"'), encoding="utf-8")
    after = run("listen", "seal", late, "--archive", folder)
    assert after.exit_code == 0, after.stderr
    assert "made with the data known" in after.stdout
    return folder


def test_sheets_keep_what_was_known_when(archive: Path) -> None:
    sheets = document("listen", "match", "causeway", "--archive", archive)["heard"]
    assert [sheet["made_with_data_known"] for sheet in sheets] == [False, True]
    assert sheets[0]["data_first_shown_at"] is not None


def test_remarks_meet_the_planted_flaws(archive: Path) -> None:
    sheet = document("listen", "match", "causeway", "--archive", archive)["heard"][0]
    verdicts = {remark["word"]: remark["verdict"] for remark in sheet["remarks"]}
    assert verdicts["warm"] == "agrees"
    assert verdicts["sibilant"] == "agrees"
    assert 0.0 < sheet["chance"]["p_value"] <= 1.0
    assert sheet["unheard_findings"]


def test_the_own_record_counts_only_what_was_sealed_before(archive: Path) -> None:
    rows = document("listen", "match", "causeway", "--archive", archive, "--own-record")["reliability"]
    every = next(row for row in rows if row["band"] == "all")
    assert every["agrees"] + every["contradicts"] + every["no_match"] == 4


def test_the_own_record_stands_alone(archive: Path) -> None:
    rows = document("listen", "match", "causeway", "--archive", archive, "--own-record")["reliability"]
    assert json.loads(shown("listen", "record", "--archive", archive, "--json"))["reliability"] == rows
    text = shown("listen", "record", "--archive", archive)
    assert "How often remarks agree" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_an_own_record_without_sheets_says_so(made_once: MadeOnce, tmp_path: Path) -> None:
    shutil.copytree(made_once.catalogue(1), tmp_path, dirs_exist_ok=True)
    assert "no remark sealed before the data" in run("listen", "record", "--archive", tmp_path).stdout


def test_planted_flaws_come_out_as_what_they_are(archive: Path) -> None:
    """The demo's own parts list against the findings: two shapes of the whole in the source, the trim near the axis."""
    findings = document(*ADVISED, "--archive", archive)["findings"]
    broad, narrow = LOUDSPEAKER.whole
    assert LOUDSPEAKER.trim is not None

    def near(hz: float, kind: str) -> dict:
        return next(f for f in findings if f["kind"] == kind and abs(math.log2(f["center_hz"] / hz)) < 0.15)

    thick, ringing = near(broad.frequency_hz, "source"), near(narrow.frequency_hz, "source")
    trim = near(LOUDSPEAKER.trim.center_hz, "near_axis")
    assert thick["size_db"] == pytest.approx(broad.gain_db, abs=0.7)
    assert ringing["size_db"] == pytest.approx(narrow.gain_db, abs=0.4)
    # 1 + (G - 1) (s/q) / (s^2 + s/q + 1) is the cookbook's peaking filter of Q q / sqrt(G), algebra; the short session,
    # whose directions stand 30 degrees apart, blurs it.
    assert ringing["q"] == pytest.approx(narrow.q / 10 ** (narrow.gain_db / 40), rel=0.35)
    assert thick["is_equalizable"]
    assert ringing["is_equalizable"]
    # The trim takes 0.4 of the sound away on the axis: 20 lg(0.6) = -4.4 dB there.
    assert trim["size_db"] == pytest.approx(20 * math.log10(1 - LOUDSPEAKER.trim.depth), abs=1.5)
    assert not trim["is_equalizable"]
    # Nothing else is said of the direct sound, and nothing else is called mendable.
    direct = [f for f in findings if f["kind"] in ("source", "load", "port", "near_axis", "partial", "tilt")]
    assert direct == [f for f in findings if f in (thick, ringing, trim)]
    assert [f for f in findings if f["is_equalizable"]] == [f for f in findings if f in (thick, ringing)]
    # What repairs it comes before what does not matter: the broad rise is heard first (peaks before dips, broad first).
    assert thick["key"] < trim["key"]
    assert [f["key"] for f in findings] == list(range(1, len(findings) + 1))


def test_three_bands_mend_what_can_be_mended(archive: Path) -> None:
    mend = document("mend", "causeway", "--archive", archive, "--bands", "3")["mend"]
    bands = mend["equalizer"]["bands"]
    assert len(bands) == 3

    def against(hz: float) -> dict:
        return next(b for b in bands if b["kind"] == "peaking" and abs(math.log2(b["frequency_hz"] / hz)) < 0.3)

    # Never more than is planted: what is uncertain, or not the same in all directions, is left.
    hz, gain = np.array(mend["equalizer"]["frequency_hz"]), np.array(mend["equalizer"]["gain_db"])
    assert against(245.0)["gain_db"] < -0.5
    assert -2.6 < np.interp(245.0, hz, gain) < -1.2
    assert -3.1 < against(6500.0)["gain_db"] < -1.5
    # The third is broad: it sets the balance.
    [rest] = [band for band in bands if band not in (against(245.0), against(6500.0))]
    assert rest["q"] <= 1.0
    # The dip of the trim ring is interference: nothing is boosted there.
    assert np.interp(2900.0, hz, gain) < 1.0
    left = [step["left_db"] for step in mend["by_count"]]
    assert left[3] < 0.5 * left[0]
    rough = mend["roughness_db"]["listening_window"]
    assert rough["after"] < rough["before"]


def test_limits_are_kept(archive: Path) -> None:
    """Cuts of at most 2 dB between 100 Hz and 3 kHz, Q up to 2: so the resonance at 6.5 kHz is left alone."""
    limits = ("--gain", "-2", "0", "--q", "0.5", "2", "--range", "100", "3000", "--bands", "4")
    equalizer = document("mend", "causeway", "--archive", archive, *limits)["mend"]["equalizer"]
    for band in equalizer["bands"]:
        assert -2.0 <= band["gain_db"] <= 0.0
        assert 100.0 <= band["frequency_hz"] <= 3000.0
        assert 0.4 <= band["q"] <= 2.0
    assert max(equalizer["gain_db"]) <= 0.05
    assert equalizer["preamp_db"] == pytest.approx(0.0, abs=0.1)
    forced = document("mend", "causeway", "--archive", archive, "--bands", "3", "--force", "--boost", "6")["mend"]
    kept = document("mend", "causeway", "--archive", archive, "--bands", "3")["mend"]
    assert kept["headroom"]["boost_db"] <= 3.1
    assert 3.1 < forced["headroom"]["boost_db"] <= 6.1
    for wrong in (("--gain", "3", "1"), ("--gain", "1", "3"), ("--range", "30000", "40000"), ("--boost", "-1")):
        refused = run("mend", "causeway", "--archive", archive, *wrong)
        assert refused.exit_code == 2, wrong
        assert refused.stderr
        assert refused.stdout == ""


def test_the_same_command_gives_the_same_bytes(archive: Path) -> None:
    for verb in (ADVISED, ("match", "causeway"), ("listen", "match", "causeway")):
        again = run(*verb, "--archive", archive, "--json")
        assert again.exit_code == 0, again.stderr
        assert shown(*verb, "--archive", archive, "--json") == again.stdout


def test_kept_findings_are_those_worked_out_anew(archive: Path, unread: Path, tmp_path: Path) -> None:
    shutil.copytree(unread, tmp_path, dirs_exist_ok=True)
    first, again = (run("mend", "causeway", "--archive", tmp_path, "--json").stdout for _ in range(2))
    assert first == again
    assert json.loads(first)["findings"] == document(*ADVISED, "--archive", archive)["findings"]


def test_the_files_do_what_the_bands_say(archive: Path, tmp_path: Path) -> None:
    """Coefficients through scipy.signal.sosfreqz and impulse responses through an FFT, against the table's response."""
    place = tmp_path / "equalizer"
    result = run("mend", "causeway", "--archive", archive, "--bands", "3", "--to", place)
    assert result.exit_code == 0, result.stderr
    lines = [line.split(",") for line in (place / "response.csv").read_text(encoding="utf-8").splitlines()[1:]]
    hz, wanted = (np.array([float(row[column]) for row in lines]) for column in (0, 1))
    kept = json.loads((place / "coefficients.json").read_text(encoding="utf-8"))
    known = next(one for one in kept["sections"] if one["sample_rate_hz"] == 48_000.0)
    assert len(known["biquads"]) == 3
    # Titles, preamp and the note on Q beside the bands.
    assert len((place / "equalizer.txt").read_text(encoding="utf-8").splitlines()) == 3 + len(known["biquads"])
    rows = [[b["b0"], b["b1"], b["b2"], 1.0, b["a1"], b["a2"]] for b in known["biquads"]]
    _, response = signal.sosfreqz(np.array(rows), hz, fs=48_000.0)
    assert np.abs(20 * np.log10(np.abs(response)) + kept["preamp_db"] - wanted).max() < 0.02
    for phase in ("minimum", "linear"):
        taps, rate = soundfile.read(place / f"impulse-{phase}-48000.wav")
        _, got = signal.freqz(taps, worN=hz, fs=rate)
        assert np.abs(20 * np.log10(np.abs(got)) - wanted).max() < 0.12


def test_goals_are_followed(archive: Path, tmp_path: Path) -> None:
    sloped = document("mend", "causeway", "--archive", archive, "--goal", "slope=-1.0", "--bands", "4")["mend"]
    assert "-1.00 dB/octave" in sloped["goal"]
    before, after = sloped["figures"]["in_room_slope"]["before"], sloped["figures"]["in_room_slope"]["after"]
    assert abs(after["value"] + 1.0) < abs(before["value"] + 1.0) + 0.1
    target = tmp_path / "target.txt"
    target.write_text("frequency level\n100 0\n10000 -6\n", encoding="utf-8")
    tabled = document("mend", "causeway", "--archive", archive, "--goal", target, "--bands", "2")["mend"]
    assert tabled["deviation_db"]["after"] < tabled["deviation_db"]["before"]


@pytest.mark.parametrize(
    ("goal", "code", "words"),
    [
        ("loud", 2, "is not known"),
        ("slope=9", 2, "at most 6"),
        ("slope=", 2, "is not known"),
        ("100 0\n50 1\n", 5, "does not rise"),
        ("100 0\nx 1\n", 5, "line 2"),
        ("100,5 0\n", 5, "a target table of 1 points"),
    ],
)
def test_a_goal_that_cannot_be_is_refused(archive: Path, tmp_path: Path, goal: str, code: int, words: str) -> None:
    given: str | Path = goal
    if "\n" in goal:
        given = tmp_path / "goal.txt"
        given.write_text(goal, encoding="utf-8")
    result = run("mend", "causeway", "--archive", archive, "--goal", given)
    assert result.exit_code == code, result.stderr
    assert words in result.stderr
    assert result.stdout == ""


def test_claims_that_are_too_good_fall_short(archive: Path) -> None:
    claims = {c["quantity"]: c for c in document("match", "causeway", "--archive", archive)["match"]["claims"]}
    assert [claims[q]["verdict"] for q in ("sensitivity", "lowest frequency", "rated impedance")] == ["falls short"] * 3
    # Demo world: 87 dB planted against 91 dB claimed.
    assert claims["sensitivity"]["short_by"] == pytest.approx(4.0, abs=0.6)


def test_why_there_are_no_rows_and_heights_is_told(archive: Path) -> None:
    """This demo is recorded in steps too wide to say anything between them."""
    found = document("match", "causeway", "--archive", archive, "--window", "2")["match"]
    assert found["windows"] == []
    for part in ("window in height", "window across"):
        assert found["absent"][part] == "the angles near the axis lie more than 15° apart"


def test_the_level_in_a_room_is_told_with_its_doubt(archive: Path) -> None:
    near, far = (
        document("match", "causeway", "--archive", archive, "--room-area", "60", "--distance", d)["match"]["in_room"]
        for d in ("1", "4")
    )
    levels = [one["figures"]["room_level"]["value"] for one in (near, far)]
    # Less than free field takes (12 dB over four times the distance), as the room keeps what was radiated.
    assert 0 < levels[0] - levels[1] < 12
    assert "60 m²" in far["sentences"][0]
    words = shown("match", "causeway", "--archive", archive, "--room-area", "60", "--absorption", "0.2")
    assert "in the room" in words
    assert "mean absorption of 0.2" in words.replace("\n ", "")
    both = run(
        "match", "causeway", "--archive", archive, "--room-area", "60", *["--absorption", "0.2", "--reverberation", "1"]
    )
    assert both.exit_code != 0
    assert "either a reverberation time" in both.stderr.replace("\n", " ")


def test_amplifier_and_room_are_matched(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(AMPLIFIER, encoding="utf-8")
    (tmp_path / "r.toml").write_text(ROOM, encoding="utf-8")
    files = ("--amplifier", tmp_path / "a.toml", "--room", tmp_path / "r.toml")
    match = document("match", "causeway", "--archive", archive, *files)["match"]
    # The tower falls to 3 ohm; 80 % of 4 ohm are 3.2 ohm.
    assert match["amplifier"]["can_drive"] == "no"
    seats = {angle["seat"]: angle for angle in match["seats"]["angles"]}
    # Plain trigonometry: the side seat from the loudspeaker aimed at the middle one.
    aim, side = math.atan2(2.25 - 3.4, 3.0), math.atan2(1.0 - 3.4, 4.0)
    assert seats["side"]["azimuth_deg"] == pytest.approx(math.degrees(side - aim), abs=1e-4)
    assert seats["middle"]["azimuth_deg"] == pytest.approx(0.0, abs=1e-4)
    assert seats["middle"]["distance_m"] == pytest.approx(math.hypot(3.0, 1.15), rel=1e-6)
    assert "amplifier" not in match["absent"]
    quiet = document("match", "causeway", "--archive", archive, *files, "--level", "75", "--peaks", "20")["match"]
    less = {angle["seat"]: angle for angle in quiet["seats"]["angles"]}
    # 10 dB less is asked for, so 10 dB more are left.
    assert less["side"]["headroom"]["value"] - seats["side"]["headroom"]["value"] == pytest.approx(10.0, abs=1e-4)
    text = shown("match", "causeway", "--archive", archive, *files)
    assert "Brook 60 (invented) should not drive this load" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_a_plan_with_a_size_says_what_its_room_does(archive: Path, tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_text(AMPLIFIER, encoding="utf-8")
    subwoofer = '[[subwoofer]]\nname = "front"\nposition_m = [0.4, 2.2, 0.3]\n'
    size = "[room]\nlength_m = 6.0\nwidth_m = 4.5\nheight_m = 2.6\n"
    (tmp_path / "r.toml").write_text(size + ROOM + subwoofer, encoding="utf-8")
    files = ("--amplifier", tmp_path / "a.toml", "--room", tmp_path / "r.toml", "--wall", "0.6", "--desk", "0.2", "0.4")
    match = document("match", "causeway", "--archive", archive, *files)["match"]
    room = match["room"]
    for seat, levels in room["levels"].items():
        # A room adds to what the loudest of its loudspeakers gives in free field; what all reach lies above that.
        assert levels["all"]["value"] > levels["one"]["value"] + 3.0, seat
        assert levels["amplifier"]["value"] > levels["all"]["value"]
    spreads = [one["spread_db"] for one in room["layouts"]]
    assert spreads == sorted(spreads)
    assert "as planned" in [one["name"] for one in room["layouts"]]
    assert all(u > 0.0 for one in room["layouts"] for u in one["u"])
    text = shown("match", "causeway", "--archive", archive, *files)
    assert "in the room (0.4 s)" in text
    assert "Subwoofers, as planned" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_faults_of_given_files_are_told_with_their_lines(archive: Path, tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text('name = "x"\n[[power]]\nload_ohm = -8.0\npower_w = 60.0\n', encoding="utf-8")
    result = run("match", "causeway", "--archive", archive, "--amplifier", bad)
    assert result.exit_code == 2
    assert "line 3" in result.stderr
    assert run("match", "causeway", "--archive", archive, "--room", tmp_path / "none.toml").exit_code == 2
    empty = run("listen", "seal", tmp_path / "none.toml", "--archive", archive)
    assert empty.exit_code == 2
    assert "no listening sheet" in empty.stderr


def test_a_new_sheet_is_written_once_and_is_not_ready_to_seal(tmp_path: Path) -> None:
    for place in (tmp_path / "sheet.toml", tmp_path / "folder"):
        first = run("listen", "new", place)
        assert first.exit_code == 0, first.stderr
        assert "earwitness listen seal" in first.stdout
        assert run("listen", "new", place).exit_code == 2
        refused = run("listen", "seal", place, "--archive", tmp_path / "archive")
        assert refused.exit_code == 3
        assert "loudspeaker" in refused.stderr
    assert not (tmp_path / "archive").exists()


def test_terminal_text_fits_80_columns(archive: Path) -> None:
    for verb in (ADVISED, ("listen", "match", "causeway"), ("match", "causeway")):
        text = shown(*verb, "--archive", archive)
        assert max(len(line) for line in text.splitlines()) <= 80, verb


def test_an_unknown_loudspeaker_is_refused_by_all(archive: Path) -> None:
    for verb in (("mend",), ("match",), ("listen", "match")):
        result = run(*verb, "causway thre", "--archive", archive)
        assert result.exit_code == 2
        assert "Causeway Three" in result.stderr


@pytest.fixture(scope="module")
def page(archive: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("review")
    shutil.rmtree(folder)
    result = run("publish", "causeway", "--to", folder, "--archive", archive)
    assert result.exit_code == 0, result.stderr
    assert (folder / "downloads" / "equalizer.txt").is_file()
    return (folder / "index.html").read_text(encoding="utf-8")


def test_the_page_tells_heard_measured_mended_in_order(archive: Path, page: str) -> None:
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)
    sections = [s.get("id") for s in tree.iter("section") if s.get("id") and not s.get("id").startswith("exhibit")]
    wanted = ["story", "heard", "measured", "mended", "match", "figures"]
    assert [s for s in sections if s in wanted] == wanted
    story = next(t for t in tree.iter("table") if t.get("class") == "story")
    text = " ".join(" ".join(story.itertext()).split())
    assert "“sibilant”" in text
    assert "Narrow peak of 2.9 dB at 6.5 kHz, in all directions" in text
    # The trim ring cancels near the axis alone: what the study of aims says to it stands in its line.
    assert "not equalized" in text
    trim = next(f for f in document(*ADVISED, "--archive", archive)["findings"] if f["kind"] == "near_axis")
    assert trim["aim"]["sentence"] in " ".join(" ".join(tree.itertext()).split())
    assert f"{trim['aim']['try_deg']:.0f}° off the axis; not equalized" in text


def test_marks_text_and_table_share_their_numbers(archive: Path, page: str) -> None:
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)
    titles = {f["title"]: str(f["key"]) for f in document(*ADVISED, "--archive", archive)["findings"]}
    table = next(t for t in tree.iter("table") if t.get("id") == "table-chart-findings")
    rows = [["".join(cell.itertext()) for cell in row] for row in table.iter("tr")][1:]
    assert {row[1]: row[0] for row in rows} == titles
    # html5lib keeps drawings in their own namespace.
    balance = next(s for s in tree.iter(f"{SVG}svg") if s.get("id") == "chart-balance")
    numbers = ["".join(t.itertext()) for t in balance.iter(f"{SVG}text") if t.get("class") == "mark-number"]
    story = next(t for t in tree.iter("table") if t.get("class") == "story")
    told = [["".join(cell.itertext()) for cell in row] for row in story.iter("tr")][1:]
    words = {row[0]: row[2] for row in told if row[0]}
    assert numbers
    assert set(numbers) <= set(titles.values())
    assert words
    assert all(any(words[number].startswith(title) for title in titles if titles[title] == number) for number in words)
    assert any(one.startswith("Broad rise") for one in words.values())


def test_hostile_words_of_a_remark_stay_words(page: str) -> None:
    assert "<script>alert" not in page
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page)
    assert not [e for e in tree.iter() if isinstance(e.tag, str) and e.get("onload")]
    words = "".join(tree.itertext())
    assert "alert('x')" in words
    assert "turned about [31m red" in words
    # What turns the reading direction (Unicode UAX 9) or controls a terminal is on no page.
    assert not set(words) & set("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\x07\x1b")


def test_a_real_page_without_sheets_says_so(made_once: MadeOnce, tmp_path: Path) -> None:
    shutil.copytree(made_once.catalogue(1), tmp_path / "archive")
    assert run("publish", SIMULATED, "--to", tmp_path / "out", "--archive", tmp_path / "archive").exit_code == 0
    text = (tmp_path / "out" / "index.html").read_text(encoding="utf-8")
    assert "no listening sheet was sealed" in text
    assert 'id="heard"' not in text
