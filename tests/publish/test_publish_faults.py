"""Writers of publications killed at random instants: what was published stays whole, and the next run completes it."""

from __future__ import annotations

import hashlib
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from earwitness.app.publish import Products, publish_review
from earwitness.app.settings import keep_text
from earwitness.app.site import publish_site
from earwitness.publish.site.index import cards_from
from made_once import MadeOnce

NAME = "Alder 1 (invented)"
KILLS = 8
# One child an instant, forked with everything imported. It dies at its n-th write to a file, sync, rename, change of
# places, new folder, removal, statement or commit; instants are drawn with a fixed seed from those of a whole run.
KILL = """
import builtins, io, itertools, os, pathlib, random, shutil, signal, sys
from sqlalchemy import Engine, event
from earwitness.app.publish import Products, publish_review
from earwitness.app.site import publish_site
from earwitness.files import durable

work, act, kills = pathlib.Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])

def run(folder):
    if act == "site":
        publish_site(folder / "site", folder / "archive", workers=1)
    else:
        products = Products("a4", ("tall",), talk=True, license="CC-BY-4.0")
        publish_review("Alder 1 (invented)", folder / "page", folder / "archive", products=products)

def child(folder, instant):
    seen = itertools.count(1)
    def tick(*_):
        global count
        count = next(seen)
        if count == instant:
            os.kill(os.getpid(), signal.SIGKILL)
    def ticking(call):
        def called(*given, **named):
            tick()
            found = call(*given, **named)
            tick()
            return found
        return called
    os.fsync = ticking(os.fsync)
    durable.exchanged = ticking(durable.exchanged)
    for name in ("replace", "rename", "mkdir", "unlink", "write_bytes"):
        setattr(pathlib.Path, name, ticking(getattr(pathlib.Path, name)))
    shutil.rmtree = ticking(shutil.rmtree)
    for name in ("begin", "commit"):
        event.listen(Engine, name, tick)
    run(folder)
    (work / f"{act}-count").write_text(str(count))

def forked(folder, instant):
    shutil.copytree(work / "base", folder)
    pid = os.fork()
    if pid == 0:
        try:
            child(folder, instant)
        finally:
            os._exit(0)
    return os.WIFSIGNALED(os.waitpid(pid, 0)[1])

assert not forked(work / f"{act}-whole", 0)
total = int((work / f"{act}-count").read_text())
for instant in random.Random(7).sample(range(1, total + 1), kills):
    print(instant, forked(work / f"{act}-{instant}", instant), flush=True)
print("total", total)
"""


@pytest.fixture(scope="module")
def base(made_once: MadeOnce, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive whose publications are there already, and a change that makes the next ones other."""
    work = tmp_path_factory.mktemp("faults")
    folder = work / "base"
    shutil.copytree(made_once.catalogue(2), folder / "archive")
    publish_site(folder / "site", folder / "archive", workers=1)
    products = Products("a4", ("tall",), talk=True, license="CC-BY-4.0")
    publish_review(NAME, folder / "page", folder / "archive", products=products)
    keep_text(NAME, "## Verdict\n\nClear and even.\n", folder / "archive")
    return work


def killed(work: Path, act: str) -> list[Path]:
    """Folders of the runs that were killed."""
    ran = subprocess.run(
        [sys.executable, "-c", KILL, str(work), act, str(KILLS)], capture_output=True, text=True, timeout=900
    )
    assert ran.returncode == 0, ran.stderr
    *rows, _ = ran.stdout.splitlines()
    assert [row.split()[1] for row in rows] == ["True"] * KILLS
    return [work / f"{act}-{row.split()[0]}" for row in rows]


def hashes(folder: Path) -> dict[str, str]:
    """Content by path, but of files with a time in them (SOFA, the zip that holds one) and of hidden ones."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder)
        if path.is_file() and path.suffix not in (".sofa", ".zip") and not any(p.startswith(".") for p in name.parts):
            found[name.as_posix()] = hashlib.sha256(path.read_bytes()).hexdigest()
    return found


def hidden(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.rglob(".*.part*"))


def dated(files: dict[str, str]) -> dict[str, str]:
    """Without files that hold the time of a publication."""
    timed = re.compile(r"(loudspeaker|site)\.json|feed\.xml|index-data\.js|corrections\.html")
    return {name: value for name, value in files.items() if not timed.search(name)}


def test_a_site_that_is_killed_keeps_every_page_whole_and_is_completed(base: Path) -> None:
    before = hashes(base / "base" / "site")
    runs = killed(base, "site")
    after = hashes(base / "site-whole" / "site")
    assert before != after
    for folder in runs:
        site = folder / "site"
        now = hashes(site)
        cards_from((site / "site.json").read_text(encoding="utf-8"), where="")
        for page in sorted((site / "loudspeakers").iterdir()):
            if page.name.startswith("."):
                continue
            start = f"loudspeakers/{page.name}/"
            of_page = dated({name: value for name, value in now.items() if name.startswith(start)})
            states = [dated({n: v for n, v in one.items() if n.startswith(start)}) for one in (before, after)]
            assert of_page in states
            assert (page / "loudspeaker.json").is_file()
        publish_site(site, folder / "archive", workers=1)
        assert dated(hashes(site)) == dated(after)
        assert hidden(site) == []
        shutil.rmtree(folder)


def test_products_that_are_killed_are_former_or_new_ones_each_and_are_completed(base: Path) -> None:
    runs = killed(base, "products")
    places = ("page", "page-material")
    before, after = ({place: hashes(base / run / place) for place in places} for run in ("base", "products-whole"))
    assert before["page"] != after["page"]
    for folder in runs:
        now = {place: hashes(folder / place) for place in places}
        assert now["page"] in (before["page"], after["page"])
        for name, value in now["page-material"].items():
            assert value in (before["page-material"].get(name), after["page-material"].get(name))
        products = Products("a4", ("tall",), talk=True, license="CC-BY-4.0")
        publish_review(NAME, folder / "page", folder / "archive", products=products)
        assert {place: hashes(folder / place) for place in places} == after
        assert hidden(folder) == []
        shutil.rmtree(folder)
