"""Any order of adding, keeping, losing, backing up, moving and checking: the archive is what a plain model says."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from archive_worlds import measurement, write_session
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from earwitness.archive.backup import backup
from earwitness.archive.catalogue import Archive
from earwitness.archive.integrity import check
from earwitness.archive.package import export_package, import_package

NAMES = st.sampled_from(["A", "B", "C"])


class ArchiveStates(RuleBasedStateMachine):
    """The model: which loudspeakers there are, which have a result, which files are lost, what was published."""

    def __init__(self) -> None:
        super().__init__()
        self.work = Path(tempfile.mkdtemp())
        self.archive = Archive.open(self.work / "archive")
        self.kept: dict[str, bool] = {}
        self.published: dict[str, list[int]] = {}
        self.lost: set[str] = set()
        self.turn = 0

    def teardown(self) -> None:
        self.archive.close()
        shutil.rmtree(self.work)

    def session(self, name: str) -> int:
        (entry,) = self.archive.sessions_of(self.archive.find(name).id)
        return entry.id

    @rule(name=NAMES)
    def add(self, name: str) -> None:
        session = write_session(self.work / name, name=name, takes=1)
        assert self.archive.add_session(session, self.work / name).reused == (name in self.kept)
        self.kept.setdefault(name, False)
        self.published.setdefault(name, [])

    @precondition(lambda self: self.kept)
    @rule(data=st.data())
    def keep(self, data: st.DataObject) -> None:
        name = data.draw(st.sampled_from(sorted(self.kept)))
        # The step's key is that of the value: one loudspeaker holds the result, whoever keeps it first.
        if not any(self.kept.values()) or self.kept[name]:
            self.archive.keep_measurement(self.session(name), measurement(5))
            self.kept[name] = True
            self.lost.discard(name)

    @precondition(lambda self: self.kept)
    @rule(data=st.data(), number=st.integers(0, 2))
    def publish(self, data: st.DataObject, number: int) -> None:
        name = data.draw(st.sampled_from(sorted(self.kept)))
        self.archive.keep_publication(self.archive.find(name).id, "site", {"f3": float(number)})
        if self.published[name][-1:] != [number]:
            self.published[name].append(number)

    @precondition(lambda self: any(self.kept.values()))
    @rule()
    def lose(self) -> None:
        for path in (self.archive.folder / "arrays").rglob("*.nc"):
            path.unlink()
        self.lost |= {name for name, has in self.kept.items() if has}

    @rule()
    def open_again(self) -> None:
        self.archive.close()
        self.archive = Archive.open(self.work / "archive", create=False)

    @precondition(lambda self: not self.lost)
    @rule()
    def back_up_and_go_on_with_the_copy(self) -> None:
        self.turn += 1
        target = self.work / f"copy-{self.turn}"
        assert backup(self.archive, target).is_whole
        self.archive.close()
        self.archive = Archive.open(target, create=False)
        # The next "open_again" must find this one.
        self.archive.close()
        shutil.rmtree(self.work / "archive")
        target.rename(self.work / "archive")
        self.archive = Archive.open(self.work / "archive", create=False)

    @precondition(lambda self: self.kept and not self.lost)
    @rule(data=st.data())
    def move_there_and_back(self, data: st.DataObject) -> None:
        self.turn += 1
        name = data.draw(st.sampled_from(sorted(self.kept)))
        bag = export_package(self.archive, self.archive.find(name).id, self.work / f"bag-{self.turn}").folder
        done = import_package(bag, self.archive)
        assert (done.sessions, done.recordings, done.results, done.publications) == (0, 0, 0, 0)

    @invariant()
    def it_is_what_the_model_says(self) -> None:
        assert [e.name for e in self.archive.loudspeakers()] == sorted(self.kept)
        for name, has in self.kept.items():
            assert len(self.archive.results_of(self.session(name))) == int(has)
            here = self.archive.publications_of(self.archive.find(name).id)
            assert [p.number for p in here] == list(range(1, len(self.published[name]) + 1))
        report = check(self.archive)
        assert len(report.damage) == len(self.lost)
        assert report.leftovers == ()


TestArchiveStates = ArchiveStates.TestCase
TestArchiveStates.settings = settings(
    deadline=None,
    derandomize=True,
    max_examples=15,
    stateful_step_count=12,
    suppress_health_check=list(HealthCheck),
)
