"""The lab in the browser without its built-ins, and beside broken plugins: it opens and says how things stand."""

from __future__ import annotations

import re

import pytest

from tests.browser.conftest import start_server, stop_server
from tests.plugins.broken import BROKEN
from tests.plugins.packages import lay_out

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def odd_server(chromium_path, tmp_path_factory):
    """A lab without built-ins in which broken plugins are installed."""
    folder = tmp_path_factory.mktemp("broken")
    for name in ("raises-on-import", "returns-a-text", "is-slow"):
        lay_out(folder, name, BROKEN[name][0])
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("LABKIT_WITHOUT", "builtin")
        patch.setenv("PYTHONPATH", str(folder))
        server = start_server("--port", "0", "--no-browser")
    yield server
    stop_server(server)


def test_the_first_page_says_what_is_missing_and_names_every_broken_plugin(visit, odd_server, screenshots):
    seen = visit("", ready="#rendered_cells #problems", server=odd_server)
    seen.page.get_by_role("heading", name="There is nothing to show yet").wait_for()
    seen.page.screenshot(path=str(screenshots / "empty-lab.png"), full_page=True)
    text = seen.page.inner_text("[role=main]")
    assert "There is nothing to show yet" in text
    assert "no rig" in text
    assert "plugin 'raises-on-import': not loaded: RuntimeError: no licence key" in text
    assert "plugin 'returns-a-text': labkit_part_kinds: must return a list; got a str" in text
    assert re.search(r"plugin 'is-slow': slow: labkit_loss_models took \d+\.\d", text)
    assert (seen.errors, seen.outside, seen.failed) == ([], [], [])


def test_the_rig_page_says_that_there_is_no_rig(visit, odd_server):
    seen = visit("voila/render/rig.ipynb", ready=".lab-title h1", server=odd_server)
    assert "no rig" in seen.page.inner_text(".lab-title").lower()
    assert seen.errors == []


def test_a_panel_that_is_not_there_is_a_sentence(visit, odd_server):
    seen = visit("voila/render/panel.ipynb?own.panel=lost", ready=".lab-title h1", server=odd_server)
    assert "no panel is named 'lost'" in seen.page.inner_text(".lab-title")
    assert seen.errors == []
