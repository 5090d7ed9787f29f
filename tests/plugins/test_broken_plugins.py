"""Broken plugins: each gives one readable line that names it, and the lab runs as without it."""

from __future__ import annotations

import os
import re
import subprocess
import sys

import pytest

from labkit.app.kit.panel_page import panel
from labkit.app.server.contents import everything, plugin_problems, sheet_problems
from labkit.app.server.server import server_config
from labkit.bench.read.sweep_reader import read_sweep
from labkit.cases.case import Case, Expected
from labkit.cases.runner import run_cases
from labkit.catalogue import catalogue
from labkit.core.errors import InputError
from labkit.core.sheet import Table
from labkit.pickup.predict.built import read_build
from labkit.pickup.predict.sheet import with_changes
from labkit.plugins import plugins
from labkit.rig.harness import read_part
from labkit.rig.parts.parts import Pot
from labkit.rig.sheet import load_rig
from labkit.sound.take.sheet import load_take, usable_takes
from tests.plugins.broken import BROKEN
from tests.plugins.packages import installed, lay_out

RIG = "Saltmarsh Lane, narrow single coil"


def run(*command, path=None, **variables):
    """Run labkit in a process of its own."""
    environment = {**os.environ, **variables}
    if path is not None:
        environment["PYTHONPATH"] = str(path)
    return subprocess.run(
        [sys.executable, "-c", "from labkit.cli.main import main; main()", *command],
        env=environment,
        capture_output=True,
        text=True,
        timeout=120,
    )


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_plugin_gives_one_line_and_a_running_lab(name, tmp_path, monkeypatch):
    code, line = BROKEN[name]
    if name == "is-slow":
        # the same plugin against a shorter patience: the test need not wait three seconds
        code, line = code.replace("3.2", "0.3"), "slow: labkit_loss_models took "
        monkeypatch.setattr("labkit.plugins.manager.SLOW_S", 0.2)
    everything()  # what is imported for the first time takes its time, which is not the plugin's
    with installed(lay_out(tmp_path, name, code)):
        said = [*plugin_problems(), *sheet_problems()]
        assert len(said) == 1
        assert said[0].startswith(f"plugin '{name}': {line}")
        assert "\n" not in said[0]
        assert load_rig(RIG).response().peak is not None
        assert type(load_rig(RIG).harness.parts["volume"]) is Pot
        pages = server_config(port=1).VoilaConfiguration.page_config_hook({})
        assert "rig.ipynb" in [page["file"] for page in pages["labkitPages"]]
        assert pages["labkitProblems"] == said


@pytest.fixture(scope="module")
def all_broken(tmp_path_factory):
    """A folder in which every broken plugin is installed."""
    folder = tmp_path_factory.mktemp("broken")
    for name, (code, _) in BROKEN.items():
        lay_out(folder, name, code)
    return folder


def test_all_broken_plugins_together_are_listed_one_line_each(all_broken):
    done = run("catalogue", "--plugins", path=all_broken)
    assert done.returncode == 0
    lines = done.stderr.splitlines()
    assert len(lines) == len(BROKEN)
    for name, (_, line) in BROKEN.items():
        assert [each for each in lines if each.startswith(f"labkit: plugin '{name}': {line}")], name
    assert "builtin              labkit" in done.stdout


def test_results_are_the_same_beside_all_broken_plugins(all_broken):
    beside, alone = run("response", RIG, "--json", path=all_broken), run("response", RIG, "--json")
    assert (beside.returncode, alone.returncode) == (0, 0)
    assert beside.stdout == alone.stdout


def test_a_plugin_can_be_left_out_by_name(tmp_path):
    lay_out(tmp_path, "raises-on-import", BROKEN["raises-on-import"][0])
    done = run("catalogue", "--plugins", path=tmp_path, LABKIT_WITHOUT="raises-on-import")
    assert (done.returncode, done.stderr) == (0, "")


def test_two_packages_of_one_plugin_name_are_told_apart(tmp_path):
    for folder in ("one", "two"):
        (tmp_path / folder).mkdir()
        lay_out(tmp_path / folder, "twice", BROKEN["prints"][0].replace("print('hello')", ""), distribution=folder)
    with installed(tmp_path / "one", tmp_path / "two"):
        assert plugins().problems == ("plugin 'twice': two 1.0 brings a plugin of that name too; it is not loaded",)


FAILS_IN_USE = """
from labkit.plugins import hookimpl

class Reader:
    is_general = False
    def recognises(self, path, start):
        if start.startswith(b"blind"):
            raise OSError("eyes shut")
        return start.startswith(b"mine")
    def read(self, path, choices):
        return {} if "wrong" in path.name else 1 / 0

def panel(make):
    from labkit.app.kit.panels import Panel
    return Panel(name=make.__name__, title="Broken", task="Show a fault.", make=make)

def fails(): raise RuntimeError("no widget today")
def no_widget(): return 7

@hookimpl
def labkit_sweep_readers(): return {"mine": Reader()}

@hookimpl
def labkit_takes(): return {"no take": lambda: "la la la", "lost take": lambda: 1 / 0}

@hookimpl
def labkit_panels(): return [panel(fails), panel(no_widget)]

@hookimpl
def labkit_loss_models():
    return {"flat": lambda **given: given["relative_permeability"],
            "engine": lambda **given: given["relative_permeability"] * (1 + 0.2j) + 0 * given["frequency_hz"]}

@hookimpl
def labkit_sheet_kinds(): return {"oracle": lambda table: 1 / 0}

@hookimpl
def labkit_case_checks(): return {"oracle": lambda inputs: 1 / 0, "mute": lambda inputs: None}

@hookimpl
def labkit_part_kinds():
    from labkit.rig.parts.parts import FixedResistor, Part
    class Dud(FixedResistor):
        kind = "dud"
        def elements(self, position): return "nothing"
    class Bomb(FixedResistor):
        kind = "bomb"
        def elements(self, position): return 1 / 0
    return [Dud, Bomb]
"""


@pytest.fixture(scope="module")
def failing(tmp_path_factory):
    """A plugin that loads, brings things through its hooks, and fails when they are used."""
    with installed(lay_out(tmp_path_factory.mktemp("failing"), "fails-in-use", FAILS_IN_USE)):
        assert plugin_problems() == ()
        yield


@pytest.mark.usefixtures("failing")
class TestFailingInUse:
    def test_a_sweep_reader_that_fails_is_named(self, tmp_path):

        (tmp_path / "a.log").write_text("mine", encoding="utf-8")
        with pytest.raises(InputError, match="sweep reader 'mine' of plugin 'fails-in-use' failed: ZeroDivisionError"):
            read_sweep(tmp_path / "a.log")
        (tmp_path / "wrong.log").write_text("mine", encoding="utf-8")
        with pytest.raises(InputError, match="must return a Sweep; got a dict"):
            read_sweep(tmp_path / "wrong.log")

    def test_a_sweep_reader_that_cannot_look_leaves_the_file_to_the_others(self, tmp_path):

        rows = "".join(f"{f},{6000 + f}\n" for f in range(100, 2000, 100))
        (tmp_path / "a.csv").write_text("blind\nHz,ohm\n" + rows, encoding="utf-8")
        assert read_sweep(tmp_path / "a.csv").frequency_hz.size == 19
        assert any("eyes shut" in line for line in plugins().problems)

    @pytest.mark.parametrize(("name", "reason"), [("no take", "must return a Performance"), ("lost take", "failed")])
    def test_a_take_that_fails_is_named_and_not_offered(self, name, reason):

        with pytest.raises(InputError, match=f"the take '{name}' of plugin 'fails-in-use' {reason}"):
            load_take(name)
        assert name not in usable_takes()
        assert "E chord" in usable_takes()

    @pytest.mark.parametrize(("name", "reason"), [("fails", "RuntimeError: no widget today"), ("no_widget", "an? int")])
    def test_a_panel_that_fails_becomes_a_sentence_on_its_page(self, name, reason):

        shown = panel(name).children[0].children[0].value
        assert "This panel cannot be shown" in shown
        assert re.search(f"of plugin &#x27;fails-in-use&#x27;.*{reason}", shown)

    @pytest.mark.parametrize(
        ("name", "reason"), [("flat", "must return an array of shape"), ("engine", "gives energy")]
    )
    def test_a_loss_model_that_is_wrong_is_refused_where_the_sheet_names_it(self, name, reason):

        table = catalogue().item("pickup", "narrow single coil, built").table()
        with pytest.raises(InputError, match=f"loss model '{name}' of plugin 'fails-in-use' {reason}"):
            read_build(with_changes(table, {"coil.main.losses": name}))

    def test_a_sheet_whose_reader_fails_is_left_out_of_what_can_be_chosen(self, tmp_path, monkeypatch):

        (tmp_path / "a.toml").write_text('sheet = "oracle"\nformat = 1\nname = "delphi"\n', encoding="utf-8")
        monkeypatch.setenv("LABKIT_CATALOGUE", str(tmp_path))
        assert catalogue().names("oracle") == ("delphi",)
        assert catalogue().usable_names("oracle") == ()
        (line,) = sheet_problems()
        assert "the reader of 'oracle' sheets of plugin 'fails-in-use' failed: ZeroDivisionError" in line

    @pytest.mark.parametrize(("kind", "reason"), [("dud", "must turn into a tuple"), ("bomb", "failed: ZeroDivision")])
    def test_a_part_that_makes_no_elements_is_refused_where_the_harness_names_it(self, kind, reason):

        table = Table({"kind": kind, "nodes": ["a", "b"], "value": "1k"}, "mine.toml")
        with pytest.raises(InputError, match=f"mine.toml: the part '{kind}' of plugin 'fails-in-use' {reason}"):
            read_part("r", table)

    @pytest.mark.parametrize(("name", "reason"), [("oracle", "failed: ZeroDivision"), ("mute", "must return numbers")])
    def test_a_case_check_that_fails_is_not_run_and_says_why(self, name, reason):

        number = Expected(quantity="x", value=1.0, unit="1", tolerance=0.0, tolerance_kind="absolute")
        texts = {"claim": "c", "source": "s", "model": "m", "how": "derived", "tolerance_reason": "none"}
        case = Case(id="x", role="validation", check=name, inputs={}, expected=(number,), **texts)
        (outcome,) = run_cases([case])
        assert outcome.verdict == "not run"
        assert reason in outcome.note
