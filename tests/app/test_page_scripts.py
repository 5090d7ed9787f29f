"""The pieces of the browser's side as one script: what is in it, and what is left to the loaders."""

from __future__ import annotations

import json
import re
import shutil
import subprocess

import pytest

from labkit.app.server.scripts import BEFORE_THE_STATES, EARLY, FLAW, PageScripts, read_pieces
from labkit.app.server.server import data_folder, page_scripts


@pytest.fixture
def folder(tmp_path):
    (tmp_path / "1.one.js").write_text('"use strict";seen.push(1)//# last line, without an end', "utf-8")
    (tmp_path / "2.abc.js").write_text("loose = 2;seen.push(loose)", "utf-8")
    (tmp_path / "10.abc.js").write_text("seen.push(10)", "utf-8")
    return tmp_path


def test_the_pieces_that_were_asked_for_are_in_it_in_order(folder):
    scripts = PageScripts({"a": [10, 1]}, {"a": [folder]})
    text = scripts.content.decode()
    assert text.index("seen.push(10)") < text.index("seen.push(1)")
    assert "loose" not in text


@pytest.mark.skipif(shutil.which("node") is None, reason="node is not installed")
def test_a_strict_piece_does_not_make_the_next_one_strict(folder):
    scripts = PageScripts({"a": [1, 2, 10]}, {"a": [folder]})
    code = b"globalThis.seen = [];\n" + scripts.content + b"\nconsole.log(seen.join())"
    # where everything is strict, the second piece fails for setting a name that nobody has declared
    done = subprocess.run(["node", "--input-type=commonjs"], input=code, capture_output=True, check=True)
    assert done.stdout.decode().strip() == "1,2,10"


def test_the_name_follows_the_content(folder):
    before = PageScripts({"a": [1]}, {"a": [folder]}).name
    assert PageScripts({"a": [1]}, {"a": [folder]}).name == before
    (folder / "1.one.js").write_text("seen.push(3)", "utf-8")
    assert PageScripts({"a": [1]}, {"a": [folder]}).name != before


def test_the_first_folder_that_has_a_piece_counts(folder, tmp_path):
    own = tmp_path / "own"
    own.mkdir()
    (own / "1.mine.js").write_text("mine", "utf-8")
    text = PageScripts({"a": [1, 2]}, {"a": [own, folder]}).content.decode()
    assert "mine" in text
    assert "seen.push(1)" not in text
    assert "loose" in text


def test_a_piece_that_is_missing_or_there_in_two_versions_is_left_to_its_loader(folder):
    (folder / "1.older.js").write_text("older", "utf-8")
    text = PageScripts({"a": [1, 3, 2], "not installed": [7]}, {"a": [folder]}).content.decode()
    assert "older" not in text
    assert "seen.push(1)" not in text
    assert "loose" in text


def test_without_any_piece_there_is_no_script(folder):
    scripts = PageScripts({"a": [99]}, {"a": [folder]})
    assert (scripts.content, scripts.name) == (b"", "")


def test_the_lab_sends_every_piece_on_its_list_as_it_is_installed():
    listed = read_pieces(data_folder() / "voila" / "pieces.toml")
    assert page_scripts().content.count(b"\n})();\n") >= sum(map(len, listed.values())) > 80


def test_the_library_begins_before_the_page_is_whole_and_shows_its_widgets_after_that(folder):
    scripts = page_scripts().content
    # where a new version words it otherwise, see whether it begins early enough by itself, and hears nothing too early
    for late, early in (*EARLY, *BEFORE_THE_STATES):
        assert late not in scripts
        assert early in scripts
    (late, _), (only, _) = EARLY
    (folder / "3.half.js").write_bytes(only)
    (folder / "4.other.js").write_bytes(late)
    assert only in PageScripts({"a": [3]}, {"a": [folder]}).content  # one without the other would show nothing
    assert only not in PageScripts({"a": [3, 4]}, {"a": [folder]}).content


@pytest.mark.skipif(shutil.which("node") is None, reason="node is not installed")
def test_a_widget_that_comes_while_the_browser_is_busy_is_found_at_the_last_look():
    scripts = page_scripts().content.decode()
    # the function of the library as it is served; where a new version words it otherwise, see whether the flaw is gone
    assert scripts.count(FLAW.decode()) == 1  # nothing else is touched
    (found,) = set(re.findall(r"get_model\((\w)\)(\{let t=this\._models.+?return t\})has_model", scripts))
    name, body = found
    code = f"""
        const manager = {{ _models: {{}}, async get_model({name}) {body} }};
        const answer = manager.get_model("one").then(() => "found", (error) => error.message);
        setTimeout(() => {{
            manager._models.one = 1;
            const until = Date.now() + 2000;
            while (Date.now() < until);
        }}, 350);
        answer.then((said) => manager.get_model("never").catch((error) =>
            console.log(JSON.stringify([said, error.message]))));
    """
    done = subprocess.run(["node", "--eval", code], capture_output=True, check=True)
    assert json.loads(done.stdout) == ["found", "widget model not found"]
