"""Templates that are compiled once for all pages."""

from __future__ import annotations

import os

import voila.notebook_renderer
from jinja2 import Environment, FileSystemLoader

from labkit.app.server.exporter import CompiledTemplates, PageExporter, use_compiled_templates
from labkit.app.server.server import data_folder


def _environment(folder, cache):
    return Environment(loader=FileSystemLoader(folder), bytecode_cache=cache)


def test_a_template_is_compiled_once_for_many_environments(tmp_path, monkeypatch):
    (tmp_path / "page.html").write_text("{{ name }} waits", "utf-8")
    cache = CompiledTemplates()
    assert _environment(tmp_path, cache).get_template("page.html").render(name="one") == "one waits"
    monkeypatch.setattr(Environment, "compile", lambda *_, **__: 1 / 0)
    assert _environment(tmp_path, cache).get_template("page.html").render(name="another") == "another waits"


def test_a_template_whose_file_has_changed_is_compiled_again(tmp_path):
    page = tmp_path / "page.html"
    page.write_text("old", "utf-8")
    cache = CompiledTemplates()
    assert _environment(tmp_path, cache).get_template("page.html").render() == "old"
    page.write_text("new", "utf-8")
    os.utime(page, (1, 1))
    assert _environment(tmp_path, cache).get_template("page.html").render() == "new"


def test_pages_come_from_the_exporter_with_compiled_templates(monkeypatch):
    monkeypatch.setattr(voila.notebook_renderer, "VoilaExporter", None)
    use_compiled_templates()
    assert voila.notebook_renderer.VoilaExporter is PageExporter


def test_titles_of_pages_are_text_in_the_menu():
    folder = data_folder() / "voila" / "templates" / "labkit"
    frame = Environment(loader=FileSystemLoader(folder)).get_template("frame.macro.html.j2").module
    page = {"file": 'a"><b>.ipynb', "title": "<script>harm()</script> & more", "travels": True}
    said = frame.header("/", [page], "")
    assert "&lt;script&gt;harm()&lt;/script&gt; &amp; more" in said
    assert "<script" not in said
    assert "<b>" not in said
