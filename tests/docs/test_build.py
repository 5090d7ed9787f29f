"""The documentation builds without a warning, its links lead somewhere, and no page asks another host for anything."""

from __future__ import annotations

import re
import subprocess
import sys
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"
LOADS = {
    "img": "src",
    "script": "src",
    "link": "href",
    "source": "src",
    "iframe": "src",
    "audio": "src",
    "object": "data",
}
"""What a browser fetches by itself, and the attribute that says from where."""


class Page(HTMLParser):
    """What a built page loads, where its links lead, and the names it can be reached by."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.loaded: list[str] = []
        self.links: list[str] = []
        self.anchors: set[str] = set()
        self.formulas = 0
        self.feed(text)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        given = dict(attributes)
        if given.get("id"):
            self.anchors.add(given["id"])
        if tag == "a" and given.get("href"):
            self.links.append(given["href"])
        if tag in LOADS and given.get(LOADS[tag]) and given.get("rel") not in ("index", "search", "next", "prev"):
            self.loaded.append(given[LOADS[tag]])
        self.formulas += tag == "math"


@pytest.fixture(scope="module")
def built(tmp_path_factory) -> dict[Path, Page]:
    """Every page of a fresh build, with warnings as errors."""
    folder = tmp_path_factory.mktemp("docs")
    command = [sys.executable, "-m", "sphinx", "-q", "-n", "-W", "--keep-going", "-b", "html", str(DOCS), str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT)
    assert done.returncode == 0, done.stderr[-4000:]
    return {path: Page(path.read_text(encoding="utf-8")) for path in sorted(folder.rglob("*.html"))}


def test_every_page_of_the_documentation_is_built(built):
    names = {path.stem for path in built}
    pages = [page for page in DOCS.glob("**/*.md") if page.relative_to(DOCS).parts[0] not in ("tools", "notebooks")]
    assert len(pages) > 40
    assert {page.stem for page in pages} <= names


def test_no_page_loads_anything_from_another_host(built):
    for path, page in built.items():
        for target in page.loaded:
            assert not urlsplit(target).netloc, f"{path.name} loads {target}"
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"@import|\burl\(\s*['\"]?(https?:)?//", text), path.name
    style = next(iter(built)).parents[0].rglob("*.css")
    for sheet in style:
        text = sheet.read_text(encoding="utf-8")
        assert not re.search(r"@import\s+(url\()?['\"]?(https?:)?//|\burl\(\s*['\"]?(https?:)?//", text), sheet.name


def test_every_link_inside_leads_to_a_place_that_is_there(built):
    for path, page in built.items():
        for link in page.links:
            parts = urlsplit(link)
            if parts.scheme or parts.netloc:
                continue
            target = (path.parent / unquote(parts.path)).resolve() if parts.path else path
            assert target.exists(), f"{path.name}: {link}"
            if parts.fragment and target in built:
                assert unquote(parts.fragment) in built[target].anchors, f"{path.name}: {link}"


def test_formulas_are_drawn_by_the_browser_itself(built):
    assert sum(page.formulas for page in built.values()) > 30
    for path, page in built.items():
        assert not [target for target in page.loaded if "mathjax" in target.lower()], path.name


SMALL = """extensions = ["myst_parser", "docs.tools.mathml"]
myst_enable_extensions = ["dollarmath"]
html_math_renderer = "mathml"
"""
"""Enough of a configuration for one page with a formula."""


@pytest.mark.parametrize(("formula", "warnings"), [(r"\frac{1}{2}", 0), (r"\nosuchsign{2}", 1)])
def test_a_formula_that_cannot_be_drawn_stops_the_build(tmp_path, formula, warnings):
    (tmp_path / "conf.py").write_text(SMALL)
    (tmp_path / "index.md").write_text(f"# Page\n\n$$ {formula} $$\n")
    command = [sys.executable, "-m", "sphinx", "-q", "-W", str(tmp_path), str(tmp_path / "out")]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT)
    assert (done.returncode != 0) == bool(warnings)
    assert ("cannot be written as MathML" in done.stderr) == bool(warnings), done.stderr


def test_the_reader_of_built_pages_sees_what_it_is_after():
    page = Page('<a href="x.html#y"><img src="https://elsewhere.example/a.png"></a><p id="here"><math></math>')
    assert (page.links, page.loaded, page.anchors, page.formulas) == (
        ["x.html#y"],
        ["https://elsewhere.example/a.png"],
        {"here"},
        1,
    )
