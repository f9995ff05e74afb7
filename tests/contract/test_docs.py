"""The documentation holds what the program points to."""

from __future__ import annotations

import importlib.util
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest

from earwitness import __version__
from earwitness.figures.registry import FIGURES

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
PAGES = sorted([*DOCS.glob("*.md"), *ROOT.glob("*.md")])


def anchors(page: str) -> set[str]:
    """Headings of a page as anchors."""
    text = (DOCS / page).read_text(encoding="utf-8")
    return {found.strip().lower().replace(" ", "-") for found in re.findall(r"^##+ (.+)$", text, flags=re.MULTILINE)}


@pytest.mark.parametrize("key", FIGURES)
def test_every_figure_is_explained(key: str) -> None:
    assert FIGURES[key].anchor in anchors("figures.md")


def test_every_figure_speaks_to_a_reader() -> None:
    text = (DOCS / "figures.md").read_text(encoding="utf-8")
    parts = re.split(r"^## ", text, flags=re.MULTILINE)
    sections = {part.partition("\n")[0].strip().lower().replace(" ", "-"): part for part in parts}
    for name in {info.anchor for info in FIGURES.values()} - {"preference-rating"}:
        assert "For a reader:" in sections[name], name


def test_the_command_for_signals_is_on_the_page_about_safety() -> None:
    text = (DOCS / "signals-and-safety.md").read_text(encoding="utf-8")
    for words in ("earwitness measure signals", "NIOSH", "hearing protection", "Local rules", "bridged"):
        assert words in text


def headings(page: Path) -> set[str]:
    """All headings as anchors, the way pages of Markdown are commonly given them: lower case, hyphens for blanks,
    no punctuation."""
    lines = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", line.strip().lower()).replace(" ", "-") for line in lines}


def links(page: Path) -> list[str]:
    """Targets of the page's links, those in quoted code left out."""
    return re.findall(r"\]\(([^)\s]+)\)", re.sub(r"`[^`]*`", "", page.read_text(encoding="utf-8")))


def commanded_files(page: Path) -> list[str]:
    """Programs of this repository that the page names, those that it asks the reader to write left out."""
    text = re.sub(r"New file `[^`]*`", "", page.read_text(encoding="utf-8"))
    return re.findall(r"\b((?:benchmarks|tests|docs)/[\w/]+\.py)\b", text)


def test_links_and_files_are_seen_in_the_pages() -> None:
    """Otherwise the two tests below would hold of nothing."""
    assert "api.md" in links(DOCS / "architecture.md")
    assert "docs/reference.py" in commanded_files(DOCS / "architecture.md")


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_between_pages_lead_somewhere(page: Path) -> None:
    for target in links(page):
        if re.match(r"[a-z]+:", target):
            continue
        name, _, anchor = target.partition("#")
        goal = (page.parent / name) if name else page
        assert goal.exists(), f"{page.name}: {target}"
        if anchor:
            assert anchor in headings(goal), f"{page.name}: {target}"


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_files_that_commands_name_exist(page: Path) -> None:
    for name in commanded_files(page):
        assert (ROOT / name).is_file(), f"{page.name}: {name}"


@pytest.fixture(scope="module")
def reference() -> ModuleType:
    spec = importlib.util.spec_from_file_location("reference", DOCS / "reference.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_page_of_commands_is_the_program_s_help() -> None:
    # In a program of its own: click keeps the help option that the first use of a command asked for.
    tell = f"import sys; sys.path.insert(0, {str(DOCS)!r}); import reference; print(reference.command_page(), end='')"
    made = subprocess.run([sys.executable, "-c", tell], capture_output=True, text=True, check=True).stdout
    assert (DOCS / "command-line.md").read_text(encoding="utf-8") == made, "renew it: python docs/reference.py"
    assert "## earwitness archive search" in made


def test_the_glossary_is_that_of_the_tests(reference: ModuleType) -> None:
    made = reference.glossary_page()
    assert (DOCS / "glossary.md").read_text(encoding="utf-8") == made, "renew it: python docs/reference.py"
    assert "| Maximum clean SPL |" in made


def test_the_page_of_sources_is_made_from_the_tables(reference: ModuleType) -> None:
    made = reference.sources_page()
    assert (DOCS / "sources.md").read_text(encoding="utf-8") == made, "renew it: python docs/reference.py"
    assert "JCGM 100" in made


def test_the_page_of_checks_is_made_from_their_table(reference: ModuleType) -> None:
    made = reference.checks_page()
    assert (DOCS / "checks.md").read_text(encoding="utf-8") == made, "renew it: python docs/reference.py"
    assert "| clipping |" in made


def test_the_page_of_functions_names_every_module_of_the_acts(reference: ModuleType) -> None:
    made = reference.api_pages()
    for name, text in made.items():
        assert (DOCS / name).read_text(encoding="utf-8") == text, "renew it: python docs/reference.py"
    assert sorted(path.name for path in (DOCS / "api").iterdir()) == ["app.md", "errors.md", "quantities.md"]
    assert "automodule:: earwitness.app.read" in made["api/app.md"]


@pytest.mark.slow
def test_the_site_of_pages_builds_without_a_warning_or_network(tmp_path: Path) -> None:
    # A proxy that nobody serves stands for a machine without network.
    nowhere = dict.fromkeys(("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY"), "http://127.0.0.1:9")
    done = subprocess.run(
        [sys.executable, "-m", "sphinx", "-q", "-W", "--keep-going", "-d", tmp_path / "kept", DOCS, tmp_path / "site"],
        env=os.environ | nowhere,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    api = (tmp_path / "site" / "api" / "app.html").read_text(encoding="utf-8")
    assert "read_loudspeaker" in api
    outside = re.compile(r"""<(?:script|link|img)[^>]+(?:src|href)=["'](?:https?:)?//""")
    assert not [page.name for page in (tmp_path / "site").rglob("*.html") if outside.search(page.read_text("utf-8"))]


def test_the_citation_names_this_version_and_the_license() -> None:
    text = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert f"version: {__version__}" in text.splitlines()
    assert "license: MIT" in text.splitlines()
    assert (ROOT / "LICENSE").read_text(encoding="utf-8").startswith("MIT License\n")
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["license"] == "MIT"
    assert all((ROOT / name).is_file() for name in project["license-files"])
