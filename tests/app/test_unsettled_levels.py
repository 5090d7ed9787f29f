"""Nothing that is shown says which of two pickups is louder where the interval of their levels holds zero."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from labkit.app.kit.sound import compared_in_words
from labkit.app.pages.winding.words import change_sentence, winding_answer
from labkit.cli.main import main
from labkit.core.grid import frequency_grid
from labkit.pickup.predict.built import BuiltPickup, load_built
from labkit.report.sheet_paper import pickup_change_html
from labkit.rig.rig import Rig
from labkit.rig.sheet import load_rig, set_value
from labkit.sound.render.string_drive import level_change
from labkit.view.words import read_response

NAME, RIG = "narrow single coil, built", "Saltmarsh Lane, narrow single coil"
CLAIM = re.compile(r"\b(louder|softer|stronger|weaker|more output|less output|output .{0,12}(higher|lower|up|down))\b")
UNSETTLED = re.compile(
    r"which of (A and B|the two) (is stronger|has more output) is not settled|output up or down, not settled|"
    r"the louder by the best guess",
    re.IGNORECASE,
)


def _with(key: str, value: str) -> tuple[BuiltPickup, Rig]:
    rig = set_value(set_value(load_rig(RIG), "bridge", NAME), f"bridge.main.poles.{key}", value)
    return load_built(NAME, {f"coil.main.poles.{key}": value}), rig


def _sentences(key: str, value: str, folder: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    """Everything that is said of a pickup with other magnets against the one before: pages, paper, command."""
    (before, old), (after, new) = _with("grade", "Alnico 5"), _with(key, value)
    change = before.change_to(after)
    reading = read_response(new.response(frequency_grid()))
    words = ["render", RIG, "--set", f"bridge={NAME}", "--set", f"bridge.main.poles.{key}={value}"]
    words += ["--against", RIG, "--set-against", f"bridge={NAME}", "--true-level"]
    assert main([*words, "--output", str(folder / "a.wav"), "--force"]) == 0
    return [
        re.sub("<[^>]*>", "", winding_answer(after, 8000.0, reading, change)),
        change_sentence(change, "B"),
        compared_in_words(level_change(old, new), "A", "B"),
        re.sub("<[^>]*>", " ", pickup_change_html(before, after)),
        capsys.readouterr().out.partition("not modelled")[0],
    ]


@pytest.mark.parametrize("grade", ["Alnico 2", "Alnico 8"])
def test_order_of_grades_is_not_claimed(grade: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    after, _ = _with("grade", grade)
    level = load_built(NAME).change_to(after).level_db
    assert level is not None
    assert level.low < 0 < level.high
    assert abs(level.value) > 0.3  # a best guess that would be said if it were taken for more
    for said in _sentences("grade", grade, tmp_path, capsys):
        assert not CLAIM.search(UNSETTLED.sub("", said)), said


def test_half_the_charge_is_said_to_be_softer(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for said in _sentences("charge", "50 %", tmp_path, capsys):
        assert CLAIM.search(UNSETTLED.sub("", said)), said
