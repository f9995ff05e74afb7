"""Every command of the tutorials and how-to pages, as printed there, on short sessions of invented loudspeakers.

docs/scan-tutorial.md has its own test in test_scan_flow.py; docs/live-measuring.md is followed by tests/capture.
"""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from flow_docs import commands_of, forms_of
from flow_world import QuickWorld

from earwitness.cli import main
from made_once import MadeOnce

ROOT = Path(__file__).parents[2]
OWN_NAME = "Name of the loudspeaker"
pytestmark = pytest.mark.slow


def own_session(recordings: Path, folder: Path) -> None:
    """What a tester's filled-in folder is: a short session of a loudspeaker that has the tutorials' name."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(recordings / "thimble", folder)
    written = folder / "session.toml"
    text, count = re.subn(
        r'^name = "Thimble Two.*"$', f'name = "{OWN_NAME}"', written.read_text(encoding="utf-8"), flags=re.MULTILINE
    )
    assert count == 1
    written.write_text(text, encoding="utf-8")


def filled_in(sheet: Path, *, letter: str = "") -> None:
    """Fill in a new listening sheet, field by field, as its comments say; letter : of the test that card.txt is of."""
    text = sheet.read_text(encoding="utf-8")
    maker = re.search(r'^maker = "(.*)"', (sheet.parent / "my-session/session.toml").read_text("utf-8"), re.MULTILINE)
    assert maker is not None
    for line, said in (
        ('loudspeaker = ""', f'loudspeaker = "{OWN_NAME}"'),
        ('maker = ""', f'maker = "{maker[1]}"'),
        ('time = ""', "time = 2026-11-25T20:15:00"),
        ('blind = ""', "blind = false"),
        ('equalizer = ""', "equalizer = false"),
        ("level_db = 0", "level_db = 78.0"),
        ('aim_deg = ""', "aim_deg = 0"),
        ("distance_m = 0", "distance_m = 2.5"),
        ('name = ""', 'name = "pink noise"'),
        ('kind = ""', 'kind = "test signal"'),
        ("#[[remark]]", "[[remark]]"),
        ('#word = "bright"', 'word = "bright"'),
        ('#strength = "clear"', 'strength = "clear"'),
        *_lettered(sheet.parent / "card.txt", letter),
    ):
        assert line in text, line
        text = text.replace(line, said, 1)
    sheet.write_text(text, encoding="utf-8")


def _lettered(card: Path, letter: str) -> tuple[tuple[str, str], ...]:
    if not letter:
        return ()
    number = re.search(r"Blind test ([0-9a-f]{8})\.", card.read_text(encoding="utf-8"))
    assert number is not None
    return (('#letter = "A"', f'letter = "{letter}"'), ('#blind_test = "0a1b2c3d"', f'blind_test = "{number[1]}"'))


@pytest.fixture(scope="module")
def place(quick_world: QuickWorld, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with an archive of all invented loudspeakers and one of the tester's own."""
    folder = tmp_path_factory.mktemp("docs")
    shutil.copytree(quick_world.archive, folder / "archive", symlinks=True)
    own_session(quick_world.recordings, folder / "my-session")
    added = CliRunner().invoke(main, ["add", str(folder / "my-session"), "--archive", str(folder / "archive")])
    assert added.exit_code == 0, added.output
    for name, form in forms_of(ROOT / "docs" / "match.md").items():
        (folder / f"my-{name}.toml").write_text(form, encoding="utf-8")
    return folder


def run_all(
    page: Path, place: Path, before: dict[str, Callable[[], None]], after: dict[str, Callable[[], None]]
) -> int:
    """Run a page's commands in order, from inside `place`; how many there were."""
    lines = commands_of(page)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(place)
        patch.setenv("EARWITNESS_ARCHIVE", str(place / "archive"))
        for line in lines:
            before.get(line, lambda: None)()
            words = shlex.split(line)
            if words[0] == "earwitness":
                result = CliRunner().invoke(main, words[1:])
                assert result.exit_code == 0, f"{page.name}: {line}\n{result.output}\n{result.exception!r}"
            else:
                subprocess.run(words, check=True)
            after.get(line, lambda: None)()
    return len(lines)


@pytest.mark.parametrize("page", [f"docs/{name}.md" for name in ("advice", "mend", "match", "compare", "archive")])
def test_the_commands_of_a_page_work(page: str, place: Path) -> None:
    assert run_all(ROOT / page, place, {}, {}) > 0


def test_the_commands_about_publishing_work(made_once: MadeOnce, tmp_path: Path) -> None:
    """With one loudspeaker in the archive: a site of many is made by tests/publish."""
    shutil.copytree(made_once.archive("thimble"), tmp_path / "archive")
    assert run_all(ROOT / "docs/publishing.md", tmp_path, {}, {}) >= 5


def test_the_commands_about_responses_work(tmp_path: Path) -> None:
    """With tables of a formula: a bass roll-off at 60 Hz and a treble that narrows with the angle."""
    hz = np.geomspace(20.0, 20_000.0, 200)
    for folder in ("my-data", "second"):
        (tmp_path / folder).mkdir()
        for letter, narrow in (("h", 1.0), ("v", 1.3)):
            for angle in range(-170, 181, 10):
                turn = hz / 3000.0 * narrow * np.sin(np.radians(angle + 3 * (letter == "v")) / 2)
                level = 85.0 - 10 * np.log10(1 + (60.0 / hz) ** 4) - (10 * np.log10(1 + turn**2) if angle else 0.0)
                rows = "".join(f"{f:.4f}\t{one:.4f}\n" for f, one in zip(hz, level, strict=True))
                (tmp_path / folder / f"{letter}_{angle}.txt").write_text("Hz\tdB SPL\n" + rows)
    head = "folder,name,maker,type,enclosure,width_m,height_m,depth_m,reference_axis,date,voltage_v,gate_ms"
    line = "second,Formula Two,Nobody,stand-mount,closed,0.2,0.3,0.25,tweeter,2026-11-01,2.83,5"
    (tmp_path / "my-list.csv").write_text(f"{head}\n{line}\n")
    assert run_all(ROOT / "docs/responses.md", tmp_path, {}, {}) == 7


def test_an_exhibit_that_is_left_out_is_listed_so_and_the_others_keep_their_order(place: Path) -> None:
    def listed(*words: str) -> list[str]:
        result = CliRunner().invoke(
            main, ["publish", "thimble", *words, "--list-exhibits", "--archive", str(place / "archive")]
        )
        assert result.exit_code == 0, result.output
        return [line for line in result.stdout.splitlines() if "is in the archive" not in line]

    before = listed("--exhibits", "all")
    after = listed("--leave-out", "trust, load")
    assert [line.split()[0] for line in after] == [line.split()[0] for line in before]
    assert [line.split()[0] for line in after if "(left out)" in line] == ["load", "trust"]
    assert listed("--exhibits", "all") == before
    unknown = CliRunner().invoke(main, ["publish", "thimble", "--leave-out", "no", "--archive", str(place / "archive")])
    assert unknown.exit_code == 2
    assert "there is no exhibit 'no'" in unknown.stderr


def test_the_commands_of_the_tutorial_work(place: Path, quick_world: QuickWorld) -> None:
    def record() -> None:
        assert (place / "my-session/session.toml").is_file()
        own_session(quick_world.recordings, place / "my-session")

    shutil.rmtree(place / "my-session")
    shutil.rmtree(place / "my-equalizer", ignore_errors=True)  # of another document's commands
    assert run_all(ROOT / "docs/tutorial.md", place, {"earwitness add my-session": record}, {}) >= 6
    assert (place / "review" / "index.html").is_file()
    # No file where the answer is to leave it alone, as it says.
    told = CliRunner().invoke(main, ["mend", OWN_NAME, "--archive", str(place / "archive")])
    assert told.exit_code == 0, told.output
    assert (place / "my-equalizer" / "equalizer.txt").is_file() is ("Leave it alone" not in told.output)


def test_the_commands_about_listening_work(place: Path) -> None:
    after: dict[str, Callable[[], None]] = {
        "earwitness listen new my-notes.toml": lambda: filled_in(place / "my-notes.toml"),
        "earwitness listen new a.toml": lambda: filled_in(place / "a.toml", letter="A"),
        "earwitness listen new b.toml": lambda: filled_in(place / "b.toml", letter="B"),
    }
    shutil.copy(ROOT / "tests/formats/data/manikin_ear_normal.sofa", place / "my-ears.sofa")
    assert run_all(ROOT / "docs/listening.md", place, {}, after) >= 9
