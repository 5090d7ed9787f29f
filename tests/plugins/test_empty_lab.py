"""Without the built-in plugin an empty lab is left, and it works: nothing has another door."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from labkit.app.server.contents import WORDS, everything, plugin_problems, sheet_problems
from labkit.app.server.server import dashboard_folder, server_config
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.plugins import plugins
from labkit.plugins.manager import HOOKS
from labkit.rig.sheet import read_rig
from tests.plugins.packages import forget


@pytest.fixture(scope="module", autouse=True)
def empty() -> Iterator[None]:
    """Leave the built-ins out of this process for a while."""
    os.environ["LABKIT_WITHOUT"] = "builtin"
    forget()
    yield
    del os.environ["LABKIT_WITHOUT"]
    forget()


def test_nothing_is_left_and_nothing_is_wrong():
    assert [hook for hook, found in everything().items() if found] == []
    assert {"labkit_catalogue_folders", *WORDS} == set(HOOKS)
    assert catalogue().kinds() == ()
    assert list(plugins().folders()) == []
    assert (plugin_problems(), sheet_problems(), catalogue().check()) == ((), (), ())


@pytest.mark.parametrize(
    ("command", "code", "said"),
    [
        (("catalogue", "--plugins"), 0, ""),
        (("catalogue", "--check"), 0, ""),
        (("cases",), 0, ""),
        (("response", "any rig"), 2, "neither a file nor a rig"),
        (("render", "any rig", "--output", "a.wav"), 2, "neither a file nor a rig"),
    ],
)
def test_commands_work_or_say_in_one_line_what_is_missing(command, code, said, tmp_path):
    run = [sys.executable, "-c", "from labkit.cli.main import main; main()", *command]
    done = subprocess.run(run, capture_output=True, text=True, timeout=60, cwd=tmp_path)
    assert done.returncode == code
    assert said in done.stderr
    assert len(done.stderr.splitlines()) == bool(said)


def test_a_rig_of_ones_own_says_what_is_missing():
    harness = {"name": "x", "pickups": ["a"], "output": "a.hot", "parts": {"r": {"kind": "resistor"}}}
    with pytest.raises(InputError, match="nothing installed brings a kind of part"):
        read_rig(Table({"name": "x", "harness": harness}, "mine.toml"))


def test_the_first_page_opens_without_pages_rigs_or_questions():
    shown = server_config(port=1).VoilaConfiguration.page_config_hook({})
    assert {key for key, value in shown.items() if key.startswith("labkit") and value} == {
        "labkitScripts",
        "labkitFiles",
    }


@pytest.mark.parametrize("page", sorted(path.name for path in dashboard_folder().glob("*.ipynb")))
def test_every_page_opens_with_a_sentence_instead_of_a_fault(page):
    cells = json.loads((dashboard_folder() / Path(page)).read_text(encoding="utf-8"))["cells"]
    lines = "".join(cells[0]["source"]).splitlines()
    namespace: dict[str, object] = {}
    exec("\n".join([*lines[:-1], f"shown = {lines[-1]}"]), namespace)
    assert hasattr(namespace["shown"], "_repr_mimebundle_")
