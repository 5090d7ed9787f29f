"""A new page is a folder and a notebook: made here as DEVELOPERS.md says, and found, opened, moved and undone."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from labkit.app import pages
from labkit.app.kit import panels
from labkit.core.files import shipped_folder

STATE = '''
"""The level of a rig at one frequency."""

import numpy as np

from labkit.app.kit.controls import Control, ControlSet, Group
from labkit.app.kit.page_state import CurvePageState

AT = "own.at"
FREQUENCIES = {"bass": 100.0, "treble": 5000.0}


class LevelPageState(CurvePageState[float]):
    def page_controls(self, rig, offered):
        at = Control(key=AT, label="At", kind="switch", positions=tuple(FREQUENCIES))
        return ControlSet((Group(title="Rig", controls=(offered["rig"], offered["tone"], at)),))

    def own_defaults(self, rig):
        return {AT: "bass"}

    def result_of(self, rig, values):
        return float(rig.response(np.array([FREQUENCIES[values[AT]]])).gain_db[0])
'''

PAGE = '''
"""Its widgets."""

import ipywidgets

from labkit.app.kit.page import CurvePage
from labkit.app.kit.page_state import GRID
from labkit.app.kit.panel_page import rig_panel
from labkit.app.pages.level.state import LevelPageState
from labkit.app.pages.level.words import level_html
from labkit.view.curve.curve import Curve, draw_curves
from labkit.view.palette import NOW


class LevelPage(CurvePage[LevelPageState]):
    title = "How loud at one frequency?"
    lead = "Choose the frequency on the left."

    def set_up(self):
        self.level = ipywidgets.HTML()

    def results(self):
        return self.level, self.curve

    def show_results(self):
        self.level.value = level_html(self.state.result)

    def draw(self, width):
        now = Curve(frequency_hz=GRID, gain_db=self.state.rig.response(GRID).gain_db, label="Now", style=NOW)
        return draw_curves([now], title=self.rig_name, description=self.level.value, width=width)

    def compared(self):
        return None


panel = rig_panel(lambda rig: LevelPage(LevelPageState(rig)))
'''

WORDS = '''
"""Its words."""

from labkit.app.kit.text import sentence_html
from labkit.view.words import level_in_words


def level_html(level):
    return sentence_html(f"The level is {level_in_words(level)}.")
'''


@pytest.fixture
def new_page(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> panels.Panel:
    folder = tmp_path / "pages" / "level"
    folder.mkdir(parents=True)
    for name, text in (("__init__", '"""Level."""\n'), ("state", STATE), ("page", PAGE), ("words", WORDS)):
        (folder / f"{name}.py").write_text(text, "utf-8")
    monkeypatch.setattr(pages, "__path__", [*pages.__path__, str(folder.parent)])
    notebook = json.loads((shipped_folder("dashboards") / "cable.ipynb").read_text("utf-8"))
    notebook["metadata"]["labkit"] = {"file": "level.ipynb", "title": "Level", "task": "How loud at one frequency."}
    (tmp_path / "level.ipynb").write_text(json.dumps(notebook), "utf-8")
    monkeypatch.setattr(panels, "shipped_folder", lambda _: tmp_path)
    yield panels.notebook_panels()[0]
    for name in [name for name in sys.modules if name.startswith("labkit.app.pages.level")]:
        del sys.modules[name]


def test_the_menu_names_it_by_its_notebook(new_page):
    assert (new_page.name, new_page.title, new_page.page) == ("level", "Level", "level.ipynb")
    assert new_page.task == "How loud at one frequency."


def test_it_shows_its_title_controls_and_words(new_page):
    box = new_page.make()
    _, heading, columns = box.children
    assert "How loud at one frequency?" in heading.children[0].value
    controls, right = columns.children
    assert [item["key"] for group in controls.groups for item in group["controls"]] == ["rig", "tone", "own.at"]
    assert "The level is" in right.children[0].children[0].value


def test_it_moves_undoes_and_travels_like_every_page(new_page):
    new_page.make()
    from labkit.app.pages.level.page import LevelPage
    from labkit.app.pages.level.state import LevelPageState

    page = LevelPage(LevelPageState())
    bass = page.level.value
    page.controls._receive(page.controls, {"do": "set", "key": "own.at", "index": 1}, [])
    treble = page.level.value
    assert treble != bass
    assert page.actions.query == "v=1&own.at=treble"
    assert LevelPageState(query=page.actions.query).result == page.state.result
    page.actions._receive(page.actions, {"do": "undo"}, [])
    assert page.level.value == bass
    assert page.state.can_redo
