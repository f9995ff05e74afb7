"""What is left when an act is stopped: kill -9 at random instants, a full disk, a folder that may not be written to.

    python benchmarks/faults.py [--act NAME|all] [--kills N] [--seed S] [--minutes M]

Acts: add (a session folder), rebuild (of lost results), publish (a review with its data set), beside (a
page over files of the tester's), aside (sessions set aside and taken back), record (takes through a sound card in
memory), migrate (from every earlier schema). Each runs in a child process that is killed at an instant
drawn evenly from the time the act takes undisturbed. What the child had acknowledged is then looked for, the archive
is checked in full, and the act is done again, which must succeed. Besides: writers at once (bench: the bench and
commands), a clock that goes back, a
device that is unplugged, a small disk (a tmpfs, which needs root) and a folder of another user. Ends with code 1 where
something was lost. --minutes : of each act; the counts told are what was run.
"""

# ruff: noqa: E402
from __future__ import annotations

import argparse
import contextlib
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

ROOM = Path(__file__).resolve().parents[1] / "tests"
for part in ("archive", "capture", "bench"):
    sys.path.append(str(ROOM / part))

from alembic import command
from alembic.config import Config
from archive_worlds import measurement
from archive_worlds import write_session as write_bytes_session
from bench_client import entered
from rehearsal import WIRING
from rehearsal import write_session as write_live_session

from earwitness.app.add import keep_summary, measurement_of
from earwitness.app.archive import rebuild, set_session_aside, take_session_back
from earwitness.app.capture import begin_or_open, record
from earwitness.app.publish import Products, publish_review
from earwitness.archive import database, migrations
from earwitness.archive.catalogue import CATALOGUE, Archive
from earwitness.archive.drafts import draft
from earwitness.archive.integrity import check
from earwitness.capture.series import LiveSettings, is_live
from earwitness.capture.simulated import FaultInjection, SimulatedSound
from earwitness.demo.catalogue import catalogue, session_of, write_note
from earwitness.errors import EarwitnessError, OutputError
from earwitness.publish.site.write import put_folder
from earwitness.session.load import load_session

ANGLES = (("horizontal", (0.0, 30.0)),)
Say = Callable[[str], None]


@dataclass
class Row:
    """One line of the table. stopped : killed or refused in the act; whole : it had ended before."""

    name: str
    tries: int = 0
    stopped: int = 0
    whole: int = 0
    acknowledged: int = 0
    faults: list[str] = field(default_factory=list)

    def line(self) -> str:
        counts = f"{self.tries:>7}{self.stopped:>9}{self.whole:>8}{self.acknowledged:>14}{len(self.faults):>8}"
        return f"{self.name:<34}{counts}" + "".join(f"\n    {fault}" for fault in self.faults[:4])


def sound(folder: Path) -> None:
    """Fails unless the archive is whole, and nothing half written is left after it was opened and used."""
    with Archive.open(folder, create=False) as archive:
        found = check(archive)
    assert found.is_sound, str(found.damage[0])
    with closing(sqlite3.connect(folder / CATALOGUE)) as plain:
        assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def add_simulated(place: Path, folder: Path, numbers: tuple[int, ...], say: Say) -> None:
    """Add invented loudspeakers of the demo's list, with results and index."""
    for one in (catalogue(number + 1)[-1] for number in numbers):
        if not (place / one.name).is_dir():
            write_note(one, place / one.name)
        with Archive.open(folder) as archive:
            session = session_of(one)
            added = archive.add_session(session, place / one.name)
            say(f"session {one.name}")
            made, _ = measurement_of(archive, added.session_id)
            owner = archive.find(f"{one.maker} {one.name}").id
            say(f"result {one.name}")
            keep_summary(archive, owner, added.session_id, made)
            say(f"index {one.name}")


def names_in(folder: Path) -> dict[str, int]:
    """Loudspeakers of the archive, with how many results they have."""
    if not (folder / CATALOGUE).is_file():
        return {}
    with Archive.open(folder, create=False) as archive:
        return {
            one.name: sum(len(archive.results_of(s.id)) for s in archive.sessions_of(one.id))
            for one in archive.loudspeakers()
        }


class Act(Protocol):
    """name : in the table; prepare : the state before; act : what is stopped; look : fails where something is lost."""

    name: str

    def prepare(self, world: Path) -> None: ...
    def act(self, world: Path, say: Say) -> None: ...
    def look(self, world: Path, said: list[str]) -> None: ...


class Add:
    """Two loudspeakers into an archive that holds one."""

    name = "add"

    def prepare(self, world: Path) -> None:
        add_simulated(world / "first", world / "archive", (0,), lambda _: None)
        for one in catalogue(3)[1:]:
            write_note(one, world / "in" / one.name)

    def act(self, world: Path, say: Say) -> None:
        add_simulated(world / "in", world / "archive", (1, 2), say)

    def look(self, world: Path, said: list[str]) -> None:
        sound(world / "archive")
        there = names_in(world / "archive")
        for kind, _, name in (line.partition(" ") for line in said if not line.startswith("!")):
            assert name in there, f"{name} was acknowledged and is not there"
            assert kind == "session" or there[name] >= 1, f"the result of {name} was acknowledged and is not there"


class Rebuild:
    """The lost results of three loudspeakers."""

    name = "rebuild"

    def prepare(self, world: Path) -> None:
        add_simulated(world / "in", world / "archive", (0, 1, 2), lambda _: None)
        for path in (world / "archive" / "arrays").rglob("*.nc"):
            path.unlink()

    def act(self, world: Path, say: Say) -> None:
        done = rebuild(world / "archive", workers=1, progress=lambda share, _: say(f"{share:.3f}"))
        if not done.is_whole:
            raise EarwitnessError(next(one.words for one in done.sessions if one.words))

    def look(self, world: Path, said: list[str]) -> None:
        """A third of the way stands for one result that is there again."""
        refused = any(line.startswith("!") for line in said)
        wanted = 0 if refused else round(3 * max([float(share) for share in said], default=0.0))
        with Archive.open(world / "archive") as archive:
            report = check(archive)
        assert len(report.damage) <= 3 - wanted, "a result that was made anew is not there"
        # A new file whose row could not be written counts as damaged until the next rebuild; nothing was lost by it.
        assert all("stored result" in f.what for f in report.damage), str(report.damage[0])


class Publish:
    """A review with its data set, over an earlier one."""

    name = "publish"

    def prepare(self, world: Path) -> None:
        add_simulated(world / "in", world / "archive", (0,), lambda _: None)
        self.act(world, lambda _: None)

    def act(self, world: Path, say: Say) -> None:
        name = catalogue(1)[0].name
        done = publish_review(name, world / "page", world / "archive", products=Products(license="CC0-1.0"))
        say(str(done.page))

    def look(self, world: Path, said: list[str]) -> None:
        sound(world / "archive")
        (page,) = (world / "page").glob("*.html")
        assert not said or said[0].startswith("!") or Path(said[0]) == page.absolute()
        text = page.read_text(encoding="utf-8")
        assert text.rstrip().endswith("</html>"), "half a page"
        (data,) = (world / "page-material").glob("*.zip")
        assert subprocess.run(["unzip", "-tqq", str(data)], check=False).returncode == 0, "half a data set"


class Beside:
    """A folder of 40 files made anew, over one into which the tester put files and in which a page was changed."""

    name = "page over own files"
    own = {"my-photo.jpg": bytes(range(256)) * 400, "downloads/extra.txt": b"mine", "index.html": b"<p>my own line"}  # noqa: RUF012

    def prepare(self, world: Path) -> None:
        add_simulated(world / "in", world / "archive", (0,), lambda _: None)
        self.act(world, lambda _: None)
        for name, content in self.own.items():
            (world / "page" / name).write_bytes(content)

    def act(self, world: Path, say: Say) -> None:
        def fill(fresh: Path) -> None:
            (fresh / "downloads").mkdir()
            # What makes a page names a disk that is full, as the program's own makers do.
            try:
                for number in range(40):
                    (fresh / "downloads" / f"{number}.csv").write_bytes(b"0123456789" * 20_000)
                (fresh / "index.html").write_text("<p>whole</p></html>")
            except OSError as error:
                raise OutputError(f"the page cannot be written: {error}") from error

        put_folder(world / "page", fill, usual=())
        say("page")

    def look(self, world: Path, said: list[str]) -> None:
        there = {path.name: path.read_bytes() for path in (world / "page").rglob("*") if path.is_file()}
        assert there["my-photo.jpg"] == self.own["my-photo.jpg"], "the photo is gone"
        assert (world / "page" / "downloads" / "extra.txt").read_bytes() == b"mine", "the text is gone"
        pages = [path.read_bytes() for path in (world / "page").rglob("index.html")]
        assert self.own["index.html"] in pages, "the page that was changed is gone"
        assert "page" not in said or b"<p>whole</p></html>" in pages
        assert len(list((world / "page" / "downloads").glob("*.csv"))) == 40, "half a page"


class SetAside:
    """The session of one of two loudspeakers set aside and taken back, again and again."""

    name = "set aside"
    steps = ("set aside", "counts", "set aside", "counts", "set aside")

    def prepare(self, world: Path) -> None:
        add_simulated(world / "in", world / "archive", (0, 1), lambda _: None)

    def act(self, world: Path, say: Say) -> None:
        name = catalogue(1)[0].name
        for number, step in enumerate(self.steps):
            if step == "set aside":
                set_session_aside(name, world / "archive", session_id=1, because=f"try {number}")
            else:
                take_session_back(name, world / "archive", session_id=1)
            say(step)

    def look(self, world: Path, said: list[str]) -> None:
        """As the last step that was acknowledged left it, or the next one."""
        sound(world / "archive")
        with Archive.open(world / "archive", create=False) as archive:
            (session,) = archive.sessions_of(archive.find(catalogue(1)[0].name).id)
            assert archive.results_of(session.id), "its result is gone"
        done = len([line for line in said if not line.startswith("!")])
        may = {*self.steps[max(done - 1, 0) : done + 1], *(("counts",) if done == 0 else ())}
        assert session.standing in may, f"{session.standing} after {done} steps"


class Record:
    """Two takes through the sound card in memory, into a folder whose loudspeaker is invented."""

    name = "record"

    def prepare(self, world: Path) -> None:
        write_live_session(world / "live")

    def act(self, world: Path, say: Say) -> None:
        folder = world / "live"
        series = begin_or_open(folder, None if is_live(folder) else LiveSettings(WIRING, angles_deg=ANGLES))
        record(
            series, sound=SimulatedSound(seed=4), budget_file=world / "exposure.json",
            told=lambda state, done: say(f"{state.file}\t{int(done.verdict.keep)}"),
        )  # fmt: skip
        assert not [one for one in begin_or_open(folder, None).planned.live if not (folder / one.file).exists()]

    def look(self, world: Path, said: list[str]) -> None:
        """A take is acknowledged when the next is judged, or when the act goes on; the last may be in `spoiled/`."""
        folder = world / "live"
        if not is_live(folder):
            assert not said
            return
        series = begin_or_open(folder, None)
        kept = [line.split("\t")[0] for line in said if line.endswith("\t1")]
        for name in kept[:-1]:
            assert (folder / name).is_file(), f"{name} was acknowledged and is not there"
        for name in kept[-1:]:
            spoiled = "".join(str(path) for path in (folder / "spoiled").rglob("*"))
            there = (folder / name).is_file() or Path(name).stem in spoiled
            assert there, f"the samples of {name} are gone"
        assert not list(folder.rglob("*.part")), "a part was left behind"
        assert series.journal["format"] == 1


class Migrate:
    """The oldest archive, or one of every later schema, opened by this version."""

    name = "migrate"

    def __init__(self, revision: str) -> None:
        self.name, self._revision = f"migrate from {revision}", revision

    def prepare(self, world: Path) -> None:
        with Archive.open(world / "new") as archive:
            added = archive.add_session(write_bytes_session(world / "in"), world / "in")
            archive.keep_measurement(added.session_id, measurement(1))
            archive.keep_publication(1, "site", {"f3": 41.5})
        (world / "archive").mkdir()
        engine = database.create_engine(f"sqlite:///{world / 'archive' / CATALOGUE}")
        config = Config()
        config.set_main_option("script_location", str(Path(migrations.__file__).parent))
        config.set_main_option("path_separator", "os")
        with engine.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, self._revision)
        engine.dispose()
        with closing(sqlite3.connect(world / "archive" / CATALOGUE)) as plain:
            plain.execute("ATTACH ? AS later", (str(world / "new" / CATALOGUE),))
            names = "loudspeaker session recording session_file take result publication"
            for name in names.split():
                columns = ", ".join(row[1] for row in plain.execute(f"PRAGMA main.table_info({name})"))
                plain.execute(f"INSERT INTO main.{name} ({columns}) SELECT {columns} FROM later.{name}")
            plain.commit()
        for part in ("objects", "arrays"):
            (world / "new" / part).rename(world / "archive" / part)
        shutil.rmtree(world / "new")

    def act(self, world: Path, say: Say) -> None:
        with Archive.open(world / "archive", create=False):
            say("opened")

    def look(self, world: Path, said: list[str]) -> None:
        """Old or new, never between, and every row is there."""
        with closing(sqlite3.connect(world / "archive" / CATALOGUE)) as plain:
            assert plain.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            (revision,) = plain.execute("SELECT version_num FROM alembic_version").fetchone()
            assert revision in (self._revision, migrations.REVISIONS[-1]), f"schema {revision}"
            assert "opened" not in said or revision == migrations.REVISIONS[-1]
        with Archive.open(world / "archive", create=False) as archive:
            assert check(archive).is_sound
            assert archive.publications_of(1)
            assert len(archive.results_of(1)) == 1


ACTS: dict[str, Act] = {
    "add": Add(),
    "rebuild": Rebuild(),
    "publish": Publish(),
    "beside": Beside(),
    "aside": SetAside(),
    "record": Record(),
}
ACTS |= {f"migrate {one}": Migrate(one) for one in migrations.REVISIONS[:-1]}


def in_child(act: Callable[[Say], None]) -> tuple[int, int]:
    """Start `act` in a copy of this process: its number, and where it writes what it acknowledges."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:
        code = 1
        with contextlib.suppress(BaseException):
            os.close(reading)
            try:
                act(lambda text: os.write(writing, f"{text}\n".encode()) and None)
                code = 0
            except EarwitnessError as error:
                os.write(writing, f"!{type(error).__name__}: {error.what}\n".encode())
                code = 3
            except BaseException:
                os.write(writing, f"!!{traceback.format_exc()[-250:]!r}\n".encode())
        os._exit(code)
    os.close(writing)
    return pid, reading


def ended(pid: int, reading: int) -> tuple[int, list[str]]:
    """Wait for a child: its exit code (negative for a signal) and the whole lines it wrote."""
    with os.fdopen(reading, encoding="utf-8") as stream:
        text = stream.read()
    code = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    return code, [line for line in text.split("\n")[:-1] if line]


@contextlib.contextmanager
def scratch() -> Iterator[Path]:
    place = Path(tempfile.mkdtemp(dir="/dev/shm" if Path("/dev/shm").is_dir() else None))
    try:
        yield place
    finally:
        shutil.rmtree(place, ignore_errors=True)


def killed(act: Act, count: int, seed: int, until: float) -> Row:
    """Kill the act `count` times."""
    row, draw = Row(f"kill -9: {act.name}"), random.Random(f"{act.name} {seed}")
    with scratch() as place:
        # Everything that is made lazily is made once here; children inherit it.
        act.prepare(place / "sound")
        times = []
        for number in range(3):
            shutil.copytree(place / "sound", place / f"try{number}")
            at = time.monotonic()
            if number == 0:
                act.act(place / "try0", lambda _: None)
            code, said = ended(*in_child(lambda say, number=number: act.act(place / f"try{number}", say)))
            assert code == 0, said
            times.append(time.monotonic() - at)
        for number in range(count):
            if time.time() > until:
                break
            world = place / "world"
            shutil.rmtree(world, ignore_errors=True)
            shutil.copytree(place / "sound", world)
            pid, reading = in_child(lambda say, world=world: act.act(world, say))
            time.sleep(draw.uniform(0.0, 1.02 * sorted(times)[1]))
            os.kill(pid, signal.SIGKILL)
            code, said = ended(pid, reading)
            row.tries += 1
            row.stopped += code == -signal.SIGKILL
            row.whole += code == 0
            row.acknowledged += len([line for line in said if not line.startswith("!")])
            try:
                assert code in (0, -signal.SIGKILL), said
                act.look(world, said)
                act.act(world, lambda _: None)
                act.look(world, [])
                if not act.name.startswith("record"):
                    sound(world / "archive")
            except Exception as error:
                row.faults.append(f"kill {number}: {type(error).__name__}: {str(error)[:200]}")
    return row


def small_disk(act: Act, until: float, count: int) -> Row:
    """The act on a tmpfs with ever more free space, until it goes through; then once more with room."""
    row = Row(f"full disk: {act.name}")
    with scratch() as place:
        act.prepare(place / "sound")
        mount = place / "disk"
        mount.mkdir()
        used = sum(p.stat().st_size + 4096 for p in (place / "sound").rglob("*"))
        free, step = 8192, 12_288
        while row.tries < count and time.time() < until and not row.whole:
            total = used + free
            options = f"size={total // 1024}k"
            if subprocess.run(["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(mount)], check=False).returncode:
                row.name += " (no tmpfs here)"
                break
            try:
                shutil.copytree(place / "sound", mount / "world")
                code, said = ended(*in_child(lambda say: act.act(mount / "world", say)))
                row.tries += 1
                row.whole += code == 0
                row.stopped += code == 3
                row.acknowledged += len([line for line in said if not line.startswith("!")])
                try:
                    assert code in (0, 3), said[-1:]
                    subprocess.run(["mount", "-o", "remount,size=900m", str(mount)], check=True)
                    act.look(mount / "world", said)
                    act.act(mount / "world", lambda _: None)
                    act.look(mount / "world", [])
                except Exception as error:
                    row.faults.append(f"{free} bytes free: {type(error).__name__}: {str(error)[:300]}")
            finally:
                subprocess.run(["umount", "-l", str(mount)], check=True)
            free += step
            step = int(step * 1.15)
    return row


def read_only(act: Act) -> Row:
    """The act by a user who may read but not write; then by one who may."""
    row = Row(f"read-only folder: {act.name}")
    with scratch() as place:
        place.chmod(0o755)
        act.prepare(place / "world")
        # What Python imports late lies where that user cannot read.
        shutil.copytree(place / "world", place / "once")
        act.act(place / "once", lambda _: None)
        before = {p: p.read_bytes() for p in (place / "world").rglob("*") if p.is_file()}

        def as_another(say: Say) -> None:
            os.setgid(65534)
            os.setuid(65534)
            act.act(place / "world", say)

        code, said = ended(*in_child(as_another))
        row.tries, row.stopped, row.whole = 1, int(code == 3), int(code == 0)
        try:
            assert code == 3, said
            assert {p: p.read_bytes() for p in (place / "world").rglob("*") if p.is_file()} == before
            act.act(place / "world", lambda _: None)
            act.look(place / "world", [])
        except Exception as error:
            row.faults.append(f"{type(error).__name__}: {str(error)[:300]}")
    return row


def two_writers(count: int, until: float) -> Row:
    """Two processes add loudspeakers at once, one of them the same, and publish it."""
    row = Row("two writers: add and publish")
    with scratch() as place:
        for number in range(count):
            if time.time() > until:
                break
            world = place / f"world{number}"
            add_simulated(world / "first", world / "archive", (0,), lambda _: None)

            def one(say: Say, mine: int, world: Path = world) -> None:
                add_simulated(world / f"in{mine}", world / "archive", (1, 1 + mine), say)
                name = catalogue(1)[0].name
                publish_review(name, world / "page", world / "archive", products=Products(license="CC0-1.0"))

            children = [in_child(lambda say, mine=mine: one(say, mine)) for mine in (1, 2)]
            outcomes = [ended(*child) for child in children]
            row.tries += 1
            row.whole += all(code == 0 for code, _ in outcomes)
            row.stopped += any(code == 3 for code, _ in outcomes)
            row.acknowledged += sum(len(said) for _, said in outcomes)
            try:
                assert all(code in (0, 3) for code, _ in outcomes), outcomes
                sound(world / "archive")
                there = names_in(world / "archive")
                for _, said in outcomes:
                    for line in said:
                        assert line.startswith("!") or line.partition(" ")[2] in there, line
                if all(code == 0 for code, _ in outcomes):
                    assert len(there) == 4, there
            except Exception as error:
                row.faults.append(f"round {number}: {type(error).__name__}: {str(error)[:300]}")
            shutil.rmtree(world)
    return row


def bench_and_command_line(count: int, until: float) -> Row:
    """The bench saves drafts, reads and publishes while commands add, set aside, take back, rebuild and publish."""
    row = Row("two writers: bench and commands")
    with scratch() as place:
        add_simulated(place / "in", place / "sound", (0, 1), lambda _: None)
        for number in range(count):
            if time.time() > until:
                break
            world = place / f"world{number}"
            shutil.copytree(place / "sound", world / "archive")

            def bench(say: Say, world: Path = world) -> None:
                with entered(world / "archive") as client:
                    wanted = {"words": {}, "exhibits": {}, "products": {}, "folder": "mine"}
                    job = client.post("/api/publish/1", json=wanted).json()
                    for turn in range(6):
                        kept = client.put("/api/drafts/mend:1", json={"revision": turn, "value": {"turn": turn}})
                        assert kept.status_code == 200, kept.text
                        say(f"draft {turn}")
                        assert client.get("/read/2").status_code < 500
                    while client.get(f"/api/jobs/{job['id']}").json()["state"] in ("waiting", "running"):
                        time.sleep(0.05)
                    ended_as = client.get(f"/api/jobs/{job['id']}").json()
                    assert ended_as["state"] in ("done", "failed"), ended_as
                    say(f"publication {ended_as['state']}")

            def commands(say: Say, world: Path = world) -> None:
                other = catalogue(2)[1].name
                add_simulated(world / "in", world / "archive", (2,), say)
                set_session_aside(other, world / "archive", session_id=2, because="tried")
                take_session_back(other, world / "archive", session_id=2)
                assert rebuild(world / "archive", workers=1).is_whole
                publish_review(catalogue(1)[0].name, world / "page", world / "archive")
                say("published")

            children = [in_child(bench), in_child(commands)]
            outcomes = [ended(*child) for child in children]
            row.tries += 1
            row.whole += all(code == 0 for code, _ in outcomes)
            row.stopped += any(code == 3 for code, _ in outcomes)
            row.acknowledged += sum(len(said) for _, said in outcomes)
            try:
                assert all(code in (0, 3) for code, _ in outcomes), outcomes
                sound(world / "archive")
                drafts = [line for line in outcomes[0][1] if line.startswith("draft ")]
                with Archive.open(world / "archive", create=False) as archive:
                    kept = draft(archive, "mend:1")
                    assert not drafts or kept.value["turn"] >= int(drafts[-1].split()[1]), kept
                    assert [s.standing for one in archive.loudspeakers() for s in archive.sessions_of(one.id)] == [
                        "counts"
                    ] * len(archive.loudspeakers())
            except Exception as error:
                row.faults.append(f"round {number}: {type(error).__name__}: {str(error)[:300]}")
            shutil.rmtree(world)
    return row


def clock_back() -> Row:
    """Every act a year before the one that came first."""
    row = Row("clock going back: add, keep, publish")
    with scratch() as place:
        for number, year in enumerate((2031, 2030, 1999, 2026)):
            with Archive.open(place / "archive", clock=lambda year=year: datetime(year, 1, 1, tzinfo=UTC)) as archive:
                name = f"L{number}"
                added = archive.add_session(write_bytes_session(place / name, name=name), place / name)
                archive.keep_measurement(added.session_id, measurement(number))
                archive.keep_publication(1, "page", {"turn": number})
                row.tries += 1
        try:
            sound(place / "archive")
            with Archive.open(place / "archive") as archive:
                assert [p.number for p in archive.publications_of(1)] == [1, 2, 3, 4]
                row.whole = len(archive.loudspeakers())
                assert row.whole == row.tries
        except Exception as error:
            row.faults.append(f"{type(error).__name__}: {str(error)[:300]}")
    return row


def unplugged(count: int, seed: int, until: float) -> Row:
    """The device goes away at random instants; the folder is gone on with until all takes are there."""
    row, draw = Row("device unplugged: record"), random.Random(f"unplugged {seed}")
    with scratch() as place:
        for number in range(count):
            if time.time() > until:
                break
            folder = write_live_session(place / f"live{number}")
            fate = [FaultInjection(unplug_at_s=draw.uniform(0.0, 1.6)) for _ in range(draw.choice((1, 1, 2)))]
            series = begin_or_open(folder, LiveSettings(WIRING, angles_deg=ANGLES))
            row.tries += 1
            try:
                with contextlib.suppress(EarwitnessError):
                    done = record(series, sound=SimulatedSound(misfortunes=fate), budget_file=place / "e.json")
                    row.stopped += bool(done.stopped)
                series = begin_or_open(folder, None)
                done = record(series, sound=SimulatedSound(seed=number), budget_file=place / "e.json")
                assert not done.open, done.stopped
                assert not list(folder.rglob("*.part"))
                assert len(load_session(folder).takes) == 3
                row.whole += 1
            except Exception as error:
                row.faults.append(f"{number}: {type(error).__name__}: {str(error)[:300]}")
            (place / "e.json").unlink(missing_ok=True)
            shutil.rmtree(folder)
    return row


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--act", default="all", choices=["all", *ACTS, "disk", "read-only", "others", "bench"])
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=1e6)
    given = parser.parse_args()
    runs: list[Callable[[], Row]] = []

    def until() -> float:
        return time.time() + 60.0 * given.minutes

    for name, act in ACTS.items():
        if given.act in ("all", name):
            runs.append(lambda act=act: killed(act, given.kills, given.seed, until()))
    if given.act in ("all", "disk"):
        runs += [lambda act=act: small_disk(act, until(), 60) for act in ACTS.values()]
    if given.act in ("all", "read-only"):
        runs += [lambda act=act: read_only(act) for act in ACTS.values()]
    if given.act in ("all", "others"):
        runs += [lambda: two_writers(max(given.kills // 20, 2), until()), clock_back]
    if given.act in ("all", "others", "bench"):
        runs += [lambda: bench_and_command_line(given.kills, until())]
    if given.act in ("all", "others"):
        runs += [lambda: unplugged(given.kills, given.seed, until())]
    print(f"{'':<34}{'tries':>7}{'stopped':>9}{'whole':>8}{'acknowledged':>14}{'faults':>8}")
    failed = False
    for run in runs:
        row = run()
        print(row.line(), flush=True)
        failed |= bool(row.faults)
    return int(failed)


if __name__ == "__main__":
    raise SystemExit(main())
