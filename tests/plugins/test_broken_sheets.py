"""A mistake in one sheet disables that sheet, with a message, and nothing else."""

from __future__ import annotations

import pytest

from labkit.app.pages.rig.state import RigPageState
from labkit.app.pages.start.questions import asked_tasks, demo_rigs
from labkit.app.server.contents import sheet_problems
from labkit.catalogue import catalogue
from labkit.rig.sheet import load_rig
from labkit.sound.take.sheet import usable_takes

RIG = "Saltmarsh Lane, narrow single coil"
PICKUP = """sheet = "pickup"
format = 1
name = "{name}"
[coil.main]
resistance = "{resistance}"
inductance = "2.4 H"
capacitance = "110 pF"
"""


@pytest.fixture
def own(tmp_path, monkeypatch):
    """A folder of one's own sheets: ``own(file, text)`` writes one."""
    monkeypatch.setenv("LABKIT_CATALOGUE", str(tmp_path))

    def write(file, text):
        (tmp_path / file).write_text(text, encoding="utf-8")

    return write


def choices(state, key):
    return state.controls[key].positions


def test_a_pickup_with_a_mistake_is_not_offered_and_the_others_are(own):
    own("good.toml", PICKUP.format(name="my good one", resistance="6 kΩ"))
    own("bad.toml", PICKUP.format(name="my bad one", resistance="22 nF"))
    offered = choices(RigPageState(load_rig(RIG)), "bridge")
    assert "my good one" in offered
    assert "my bad one" not in offered
    assert "two-coil" in offered
    (line,) = sheet_problems()
    assert "bad.toml" in line
    assert "coil.main.resistance" in line


def test_a_mistake_in_a_sheet_gives_back_what_it_hid(own):
    own("mine.toml", PICKUP.format(name="narrow single coil", resistance="22 nF"))
    assert catalogue().item("pickup", "narrow single coil").plugin == "builtin"
    assert load_rig(RIG).response().peak is not None
    assert any("mine.toml" in line and "resistance" in line for line in sheet_problems())


def test_a_good_sheet_of_ones_own_goes_before_the_built_in_and_that_is_said(own):
    own("mine.toml", PICKUP.format(name="narrow single coil", resistance="7 kΩ"))
    assert load_rig(RIG).pickups["bridge"].coils["main"].resistance == 7000
    (line,) = sheet_problems()
    assert "the pickup 'narrow single coil' is already brought by LABKIT_CATALOGUE (mine.toml)" in line


@pytest.mark.parametrize(
    "text",
    ["", "sheet = ", 'sheet = "rig"\nformat = 1\n', "\x00\x01", 'sheet = "rig"\nformat = 9\nname = "x"\n', "[" * 4000],
)
def test_a_file_that_is_no_sheet_is_left_out_with_a_line(own, text):
    own("broken.toml", text)
    (line,) = sheet_problems()
    assert "broken.toml" in line
    assert "\n" not in line
    assert load_rig(RIG).response().peak is not None


def test_rigs_and_takes_with_a_mistake_are_not_offered(own):
    own("rig.toml", 'sheet = "rig"\nformat = 1\nname = "my rig"\nharness = "no such wiring"\n')
    own("take.toml", 'sheet = "take"\nformat = 1\nname = "my take"\nstrings = "no such set"\n')
    assert "my rig" not in RigPageState().offers.rigs
    assert "my rig" not in [rig["name"] for rig in demo_rigs()]
    assert "my take" not in usable_takes()
    assert len(sheet_problems()) == 2


def test_a_first_rig_without_a_tone_knob_leaves_out_the_questions_about_it(own):
    own(
        "rig.toml",
        'sheet = "rig"\nformat = 1\nname = "a bare one"\nharness = "no controls"\n'
        '[pickups]\nbridge = "narrow single coil"\n[[chain]]\nkind = "cable"\nlength = "5 m"\n'
        'capacitance = "100 pF/m"\n[[chain]]\nkind = "input"\nresistance = "1M"\n',
    )
    assert sheet_problems() == ()
    assert catalogue().names("rig")[0] == "a bare one"
    questions = [task["question"] for group in asked_tasks() for task in group["tasks"]]
    assert "How long may the cable be before it dulls?" in questions
    assert "What does the tone knob really do?" not in questions
