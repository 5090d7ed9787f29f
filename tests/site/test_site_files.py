"""The folder of files, without the browser's Python: what is in it, and that nothing in it points elsewhere."""

from __future__ import annotations

import base64
import hashlib
import html
import io
import json
import re
import tomllib
import zipfile
from html import unescape
from pathlib import Path
from types import SimpleNamespace
from urllib.parse import urlsplit

import pytest

from docs.conf import add_lab
from labkit.app.server.first_curve import USUAL_WIDTH, draw_first
from labkit.app.site.runtime import Runtime
from labkit.app.site.site import PAGES, site_files, write_site
from labkit.core.errors import InputError

RUNTIME = Runtime(version="0", files={"interpreter.js": b"run()", "numbers.whl": b"packed"})


@pytest.fixture(scope="module")
def files() -> dict[str, bytes]:
    return site_files(RUNTIME)


@pytest.fixture(scope="module")
def pages(files) -> dict[str, str]:
    return {name: content.decode() for name, content in files.items() if name.endswith(".html")}


def test_every_page_is_there_and_lists_the_others(pages):
    assert len(pages) == len(PAGES)
    for text in pages.values():
        assert {name for name in pages if f'href="{name}"' in text} == set(pages)


def test_every_address_in_a_page_is_a_file_of_the_site(files, pages):
    for name, text in pages.items():
        for address in re.findall(r'(?:href|src)="([^"]*)"', text):
            parts = urlsplit(unescape(address))
            assert not parts.netloc, (name, address)
            assert parts.path in files or (not parts.path and parts.fragment), (name, address)


def test_a_content_policy_lets_no_page_ask_another_host(pages):
    for text in pages.values():
        policy = unescape(re.search(r'Content-Security-Policy" content="([^"]*)"', text)[1])
        sources = {word for part in policy.split(";") for word in part.split()[1:]}
        assert sources == {"'none'", "'self'", "'unsafe-inline'", "'wasm-unsafe-eval'", "data:", "blob:"}
        assert "script-src 'self' blob: 'wasm-unsafe-eval'" in policy
        assert not re.search(r"<script(?![^>]* src=)", text)


@pytest.mark.parametrize("name", ["rig", "cable", "pots_and_capacitors"])
def test_the_first_curve_is_in_the_page(pages, name):
    assert draw_first(f"{name}.ipynb", "", width=USUAL_WIDTH) in pages[f"{name}.html"]


def test_the_service_worker_keeps_every_file_by_its_hash(files):
    worker = files["service_worker.js"].decode()
    listed = json.loads(re.search(r"FILES = (\{.*?\});", worker, re.DOTALL)[1])
    assert set(listed) == set(files) - {"service_worker.js"}
    for name, integrity in listed.items():
        assert integrity == f"sha256-{base64.b64encode(hashlib.sha256(files[name]).digest()).decode()}"


def test_labkit_is_packed_with_its_plugin_and_nothing_compiled(files):
    with zipfile.ZipFile(io.BytesIO(files["labkit/labkit.zip"])) as archive:
        names = archive.namelist()
        points = [archive.read(name).decode() for name in names if name.endswith("entry_points.txt")]
        parsed = json.loads(archive.read("labkit/data/site/sheets.json"))
        sheets = {name.partition("/")[2]: archive.read(name).decode() for name in names if "/data/catalogue/" in name}
    assert any("builtin = labkit.builtin" in text for text in points)
    assert {"labkit/dashboards/rig.ipynb", "labkit/app/site/visit.py", "traitlets/__init__.py"} <= set(names)
    assert not [name for name in names if name.endswith((".pyc", ".so"))]
    assert parsed == {name: tomllib.loads(text) for name, text in sheets.items()}


def test_a_page_names_the_wheels_to_unpack_with_their_hashes(pages):
    said = html.unescape(re.search(r'data-wheels="([^"]*)"', pages["rig.html"])[1])
    integrity = f"sha256-{base64.b64encode(hashlib.sha256(b'packed').digest()).decode()}"
    assert json.loads(said) == {"runtime/numbers.whl": integrity}


def test_the_same_installation_writes_the_same_files(files):
    assert site_files(RUNTIME) == files


def test_a_folder_with_files_is_left_alone_without_force(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="is not empty"):
        write_site(tmp_path, RUNTIME)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
    write_site(tmp_path, RUNTIME, overwrite=True)
    assert (tmp_path / "rig.html").exists()
    assert (tmp_path / "mine.txt").read_text() == "mine"


def test_the_documentation_has_the_pages_that_it_shows_live_beside_it(tmp_path, monkeypatch):
    texts = [path.read_text(encoding="utf-8") for path in Path(__file__).parents[2].joinpath("docs").rglob("*.md")]
    live = {name for text in texts for name in re.findall(r'data-live="([^"]*)"', text)}
    assert live
    monkeypatch.setenv("LABKIT_BROWSER_RUNTIME", "anywhere")
    monkeypatch.setattr("labkit.app.site.runtime.read_runtime", lambda folder: RUNTIME)
    add_lab(SimpleNamespace(outdir=tmp_path, builder=SimpleNamespace(name="html")), None)
    assert all((tmp_path / "lab" / name).is_file() for name in live)
